"""Draws the pictures of README and docs from the presets.

Run it as ``python docs/make_pictures.py`` after a change that moves a number or a line.
"""

from __future__ import annotations

from pathlib import Path

import chamberctl as cc
from chamberctl import figures

FOLDER = Path(__file__).resolve().parent / "images"
DOTS_PER_INCH = 160


def main() -> None:
    """Write all pictures."""
    study = cc.load("preset:crystal-furnace")
    window = figures.operating_window(cc.operating_window(study), study)
    FOLDER.mkdir(exist_ok=True)
    window.savefig(FOLDER / "crystal-furnace-window.png", dpi=DOTS_PER_INCH, facecolor="white")
    print(window.alt)


if __name__ == "__main__":
    main()
