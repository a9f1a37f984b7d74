"""Writing for a terminal and for other programs."""

from __future__ import annotations

import json
import math
import shutil
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from chamberctl.cautions import CAUTIONS
from chamberctl.findings import Finding

_KIND = {"no": "NO", "caution": "Caution", "note": "Note"}


def width() -> int:
    """Return the width for running text [characters]."""
    return min(max(shutil.get_terminal_size().columns, 60), 100)


def paragraph(text: str, indent: str = "") -> str:
    """Return text broken into lines, the later ones indented."""
    return textwrap.fill(text, width(), subsequent_indent=indent, break_on_hyphens=False)


def findings(found: Iterable[Finding]) -> str:
    """Return findings as indented paragraphs."""
    return "\n".join(
        paragraph(f"{_KIND[f.severity]}: {f.subject}: {f.text}", "    ") for f in found
    )


def caution_lines() -> str:
    """Return the safety text: the first caution in full, the others by name."""
    first, *others = CAUTIONS
    names = "; ".join(caution.title for caution in others)
    return paragraph(f"{first.title}. {first.text}") + "\n" + paragraph(f"Mind also: {names}.")


def clean(value: Any) -> Any:
    """Return a value for JSON: numbers that do not exist or are unlimited become null."""
    if isinstance(value, Mapping):
        return {str(key): clean(item) for key, item in value.items()}
    if isinstance(value, str | bool | int) or value is None:
        return value
    if isinstance(value, Sequence):
        return [clean(item) for item in value]
    number = float(value)
    return number if math.isfinite(number) else None


def as_json(result: Mapping[str, Any]) -> str:
    """Return a result with its cautions as JSON text; null: does not exist, or unlimited."""
    cautions = [{"title": caution.title, "text": caution.text} for caution in CAUTIONS]
    return json.dumps(clean({**result, "cautions": cautions}), indent=2, allow_nan=False)
