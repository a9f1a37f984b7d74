"""A study: system, duty and controller together, and where each value comes from."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from pydantic import PrivateAttr

from chamberctl import quantities
from chamberctl.errors import QuantityError
from chamberctl.physics.constants import LOWEST_PRESSURE_PA
from chamberctl.study.fields import Part, part, words
from chamberctl.study.loop import Controller, Duty
from chamberctl.study.scenarios import Scenarios
from chamberctl.study.system import System

FORMAT = "chamberctl-study/1"


@dataclass(frozen=True)
class Provenance:
    """Where one value of a study comes from.

    Parameters
    ----------
    typed : str
        The text as typed; of a default, its text.
    basis : str
        "measured", "data sheet", "assumed", "not stated", or "default" for a value not given.
    tolerance : float or None
        Relative half width [-].
    note : str
        Remark of the user; of a default, its source.
    """

    typed: str
    basis: str = "not stated"
    tolerance: float | None = None
    note: str = ""


class Study(Part):
    """The one file a user saves: system, duty and controller."""

    format: Literal["chamberctl-study/1"] = words("format of the file", default=FORMAT)
    title: str = words("title of the study")
    description: str = words("what the study is about")
    system: System = part("the vacuum system")
    duty: Duty = part("what the loop is for")
    controller: Controller = part("the controller")
    scenario: Scenarios | None = part(
        "the days the loop is tried on in simulation", default=None, source="defaults of each"
    )

    _file: str = PrivateAttr("")
    _text: str = PrivateAttr("")
    _provenance: Mapping[str, Provenance] = PrivateAttr(default_factory=dict)

    @property
    def file(self) -> str:
        """Where the study was loaded from, as given; empty for one made in memory."""
        return self._file

    @property
    def provenance(self) -> Mapping[str, Provenance]:
        """Origin of each value by its path in the file, such as "system.chamber.volume"."""
        return MappingProxyType(dict(self._provenance))

    @property
    def text(self) -> str:
        """The study as TOML: as loaded where nothing changed since, else written anew."""
        from chamberctl.study.writing import text_of

        return text_of(self)

    def save(self, path: str | Path) -> None:
        """Save the study, all or nothing; comments and typed texts stay as they are.

        Parameters
        ----------
        path : str or pathlib.Path
            File to write; an existing one is replaced in one step.

        Raises
        ------
        StudyError
            The file cannot be written.
        """
        from chamberctl.study.writing import save

        save(self, path)

    def with_text(self, changes: Mapping[str, Any]) -> Study:
        """Return a study with some fields typed anew; everything else keeps its text.

        Parameters
        ----------
        changes : Mapping[str, Any]
            Typed value by path: ``{"duty.hold[0].setpoint": "6 mbar"}``; None removes the field. A
            value with a basis keeps it; ``"system.chamber.volume.basis"`` changes that.

        Returns
        -------
        Study
            A new study.

        Raises
        ------
        StudyError
            The changed study is not valid, or a path leads nowhere.
        """
        from chamberctl.study.writing import with_text

        return with_text(self, changes)

    def loop_gauge(self) -> Any:
        """Return the gauge the loop reads."""
        return next(g for g in self.system.gauges if g.tag == self.controller.gauge)

    def duty_points(self) -> tuple[tuple[float, float, str], ...]:
        """Return every point of the duty.

        Returns
        -------
        tuple of (float, float, str)
            Indicated setpoint [Pa]; gas that enters the chamber with leakage and outgassing, but
            without vapor, which depends on the pressure [Pa m3/s]; label.
        """
        labels = (
            f"{setpoint} at {self._typed(f'duty.hold[{number}].gas_loads', index, load)}"
            for number, hold in enumerate(self.duty.holds)
            for setpoint in [self._typed(f"duty.hold[{number}].setpoint", 0, hold.setpoint_pa)]
            for index, load in enumerate(hold.gas_loads_pa_m3_s)
        )
        return tuple(
            (*values, label) for values, label in zip(self.duty_values(), labels, strict=True)
        )

    def duty_values(self) -> tuple[tuple[float, float], ...]:
        """Return setpoint [Pa] and gas load [Pa m3/s] of every point of the duty."""
        unmetered = self.system.gas_load.unmetered_pa_m3_s
        return tuple(
            (hold.setpoint_pa, load + unmetered)
            for hold in self.duty.holds
            for load in hold.gas_loads_pa_m3_s
        )

    def _typed(self, path: str, index: int, value: float) -> str:
        """Return the text of a value as typed, where it still says the value."""
        is_load = path.endswith("gas_loads")
        known = self._provenance.get(path)
        texts = known.typed.split(", ") if known else []
        if index < len(texts):
            dimension = "throughput" if is_load else "pressure"
            with suppress(QuantityError):
                if quantities.parse(texts[index], dimension) == value:
                    return texts[index]
        unit = "mbar L/s" if is_load else self.controller.reading_unit
        return quantities.format_quantity(value, unit)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield what the duty or the controller asks of a system that cannot give it."""
        yield from _gauge_problems(self)
        yield from _output_problems(self)
        unmetered = self.system.gas_load.unmetered_pa_m3_s
        for number, hold in enumerate(self.duty.holds):
            if min(hold.gas_loads_pa_m3_s) + unmetered <= 0.0:
                yield (
                    f"duty.hold[{number}].gas_loads",
                    "without any gas nothing lifts the pressure and speed cannot hold it; give "
                    "the smallest flow that enters, leakage at least",
                )

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Study):
            return NotImplemented
        return self.model_dump() == other.model_dump() and self._provenance == other._provenance

    def __hash__(self) -> int:
        return hash(self.model_dump_json())


def _gauge_problems(study: Study) -> Iterator[tuple[str, str]]:
    tags = [gauge.tag for gauge in study.system.gauges]
    wanted = study.controller.gauge
    if wanted not in tags:
        near = difflib.get_close_matches(wanted, tags, n=1, cutoff=0.4)
        hint = f"; did you mean '{near[0]}'?" if near else f"; described are: {', '.join(tags)}"
        yield "controller.gauge", f"no gauge with this tag in [[system.gauge]]{hint}"
        return
    gauge = study.loop_gauge()
    unit = study.controller.reading_unit
    reading = (study.controller.reading_low_pa, study.controller.reading_high_pa)
    for number, hold in enumerate(study.duty.holds):
        for name, (low, high) in {
            f"the range of gauge {gauge.tag}": (gauge.range_low_pa, gauge.range_high_pa),
            "the controller's reading span": reading,
        }.items():
            if not low <= hold.setpoint_pa <= high:
                limits = [quantities.format_quantity(value, unit) for value in (low, high)]
                yield (
                    f"duty.hold[{number}].setpoint",
                    f"lies outside {name}, {limits[0]} to {limits[1]}; change the setpoint or "
                    "describe a gauge and span that read it",
                )
        true_pa = hold.setpoint_pa * gauge.gas_factor
        if true_pa < LOWEST_PRESSURE_PA:
            shown = [quantities.format_quantity(p, unit, 3) for p in (true_pa, LOWEST_PRESSURE_PA)]
            where = f"system.gauge[{tags.index(wanted)}].gas_factor"
            yield (
                f"duty.hold[{number}].setpoint",
                f"with the gas factor {gauge.gas_factor:g} of gauge {gauge.tag} this is a true "
                f"pressure of {shown[0]}: outside the model, which holds from {shown[1]} up and "
                "does not describe how gas sticks to and leaves surfaces; raise the setpoint, or "
                f"correct {where}",
            )


def _output_problems(study: Study) -> Iterator[tuple[str, str]]:
    controller, drive = study.controller, study.system.drive
    rated = {"%": 1.0, "Hz": drive.rated_hz, "rpm": drive.rated_rpm}[controller.output_unit]
    if rated is None:
        known = "Hz" if drive.rated_hz is not None else "rpm"
        yield (
            "controller.output_unit",
            f"the drive's rated speed is given in {known}; use that or %",
        )
    for key in ("output_min", "output_max", "start_output"):
        value = getattr(controller, key)
        if value is not None and not drive.minimum_speed <= value <= drive.maximum_speed:
            yield (
                f"controller.{key}",
                f"lies outside the drive's {100 * drive.minimum_speed:g} % to "
                f"{100 * drive.maximum_speed:g} %; the integral would wind up against the drive",
            )
