"""Studies for tests of command line and report, made from the presets by changing a few fields."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from chamberctl.study import preset_path

HOLD = re.compile(r"(^\[\[duty\.hold\]\]\n(?:(?!\[).+\n|\n)+)+", re.MULTILINE)


def reference_text(holds: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Return the reference plant's study with other setpoints and gas loads."""
    text = preset_path("reference-plant").read_text(encoding="utf-8")
    blocks = ""
    for setpoint, loads in holds:
        listed = ", ".join(f'"{load}"' for load in loads)
        blocks += f'[[duty.hold]]\nsetpoint = "{setpoint}"\ngas_loads = [{listed}]\n\n'
    changed, count = HOLD.subn(blocks, text)
    assert count == 1
    return changed


def by_rule(text: str) -> str:
    """Return a study's text that asks for the published rule, which is found at once."""
    changed, count = re.subn(r"^\[controller\]$", '[controller]\nrule = "simc"', text, flags=re.M)
    assert count == 1
    return changed


def write(folder: Path, text: str, name: str = "study.toml") -> str:
    """Write a study file and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def reference_study(folder: Path, *holds: tuple[str, Sequence[str]]) -> str:
    """Write the reference plant with other setpoints and gas loads; return the path."""
    return write(folder, reference_text(holds))
