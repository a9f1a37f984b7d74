"""What the user describes: vacuum system, duty and controller; one TOML file with units."""

from __future__ import annotations

from chamberctl.study.catalog import FieldInfo, field_table, preset_path, presets
from chamberctl.study.gas import Gas, GasLoad, GasShare, Purge
from chamberctl.study.instruments import Drive, Gauge, SpeedMap
from chamberctl.study.loop import Controller, Decimals, Duty, Hold, Integers, Limits
from chamberctl.study.model import FORMAT, Provenance, Study
from chamberctl.study.paths import field_at, with_value
from chamberctl.study.pumps import Backing, Booster, SpeedCurve
from chamberctl.study.reading import load, loads
from chamberctl.study.system import Chamber, HotZone, LinePart, System

__all__ = [
    "FORMAT",
    "Backing",
    "Booster",
    "Chamber",
    "Controller",
    "Decimals",
    "Drive",
    "Duty",
    "FieldInfo",
    "Gas",
    "GasLoad",
    "GasShare",
    "Gauge",
    "Hold",
    "HotZone",
    "Integers",
    "Limits",
    "LinePart",
    "Provenance",
    "Purge",
    "SpeedCurve",
    "SpeedMap",
    "Study",
    "System",
    "field_at",
    "field_table",
    "load",
    "loads",
    "preset_path",
    "presets",
    "with_value",
]
