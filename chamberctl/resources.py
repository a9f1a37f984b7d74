"""Where the files that come with the package lie: the workbench page and the presets."""

from __future__ import annotations

from pathlib import Path

from chamberctl.errors import ChamberctlError

_PACKAGE = Path(__file__).resolve().parent


def resource_folder(name: str) -> Path:
    """Return a folder that comes with chamberctl.

    In an installed wheel the folder lies inside the package; in a checkout (also an editable
    installation) it lies beside the package.

    Parameters
    ----------
    name : str
        "app" or "presets".

    Returns
    -------
    pathlib.Path
        An existing folder.

    Raises
    ------
    ChamberctlError
        If the installation is incomplete.
    """
    inside = _PACKAGE / name
    if inside.is_dir():
        return inside
    checkout = _PACKAGE.parent
    beside = checkout / name
    if (checkout / "pyproject.toml").is_file() and beside.is_dir():
        return beside
    raise ChamberctlError(
        f"The folder '{name}' that comes with chamberctl is missing (looked for {inside} and "
        f"{beside}). The installation is incomplete: install chamberctl again."
    )
