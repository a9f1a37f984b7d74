"""A field of a study in plain words, with the part it belongs to as it is called on the machine."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chamberctl.study import Study

_PARTS = {
    "system.gas": "gas",
    "system.chamber": "chamber",
    "system.booster": "booster",
    "system.backing": "backing pump",
    "system.speed_map": "output to pumps",
    "system.drive": "drive",
    "system.gas_load": "unmetered gas",
    "system.purge": "purge",
    "duty": "duty",
    "controller": "controller",
}
_NUMBERED = {
    "system.gas.part": "gas",
    "system.chamber.hot_zone": "hot zone",
    "system.line": "line part",
    "system.backing.curves": "backing pump curve",
    "system.gauge": "gauge",
    "duty.hold": "hold",
}
_INDEXED = re.compile(r"^(.+)\[(\d+)\]\.([^\[]+)$")


def field_words(study: Study, path: str) -> str:
    """Return a field as "exhaust line: diameter".

    Parameters
    ----------
    study : Study
        The study, for the names of its parts.
    path : str
        Path in the file.
    """
    found = _INDEXED.match(path)
    if found and found[1] in _NUMBERED:
        owner = _numbered(study, found[1], int(found[2]))
        return f"{owner}: {_plain(found[3])}"
    table, _, key = path.rpartition(".")
    owner = max((name for name in _PARTS if path.startswith(f"{name}.")), key=len, default="")
    if not owner:
        return _plain(path)
    inner = table.removeprefix(owner).lstrip(".")
    return f"{_PARTS[owner]}: {_plain(f'{inner} {key}'.strip())}"


def _numbered(study: Study, table: str, index: int) -> str:
    """Return the name of one entry of an array of tables."""
    system = study.system
    if table == "system.line" and index < len(system.line):
        return system.line_names[index]
    if table == "system.gauge" and index < len(system.gauges):
        return f"gauge {system.gauges[index].tag}"
    if table == "system.gas.part" and index < len(system.gas.parts):
        return f"gas {system.gas.parts[index].name}"
    return f"{_NUMBERED[table]} {index + 1}"


def _plain(key: str) -> str:
    return key.replace("_", " ").replace(".", ", ")
