"""Where the checkout lies and which modules the package has."""

from __future__ import annotations

from pathlib import Path

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
