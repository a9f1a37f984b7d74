"""Where the checkout lies, which modules the package has, and presets to try."""

from __future__ import annotations

from pathlib import Path

import pytest

from chamberctl.study import presets

CHECKOUT = Path(__file__).resolve().parent.parent
PACKAGE = CHECKOUT / "chamberctl"
MODULES = sorted(
    path.relative_to(CHECKOUT)
    .with_suffix("")
    .as_posix()
    .replace("/", ".")
    .removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if not {"app", "presets", "__main__.py"} & set(path.relative_to(PACKAGE).parts)
)

#: Presets for tests that go through all of them: two in the fast suite, the others with the slow.
EVERY_PRESET = [
    pytest.param(
        name, marks=[] if name in ("crystal-furnace", "reference-plant") else pytest.mark.slow
    )
    for name in sorted(presets())
]
