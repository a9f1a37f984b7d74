"""What an answer may hang on: fields that are only known within a tolerance, and envelope cases.

A field is changed within its tolerance; an envelope case is a study in which something that the
data do not decide is settled one way or the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import pi
from typing import TYPE_CHECKING, Any, NamedTuple

from chamberctl.errors import InputError
from chamberctl.physics.constants import MOLAR_GAS_CONSTANT_J_MOL_K
from chamberctl.physics.gases import viscosity
from chamberctl.study import field_at, with_value
from chamberctl.study.fields import Spec, to_si
from chamberctl.study.flowing import system_gas

if TYPE_CHECKING:
    from chamberctl.study import Chamber, Study, System

ASSUMED_TOLERANCE = 0.2
"""Tolerance of a field that is assumed and states none: 20 %, because nothing better is known."""

ASSUMED_TEMPERATURE_TOLERANCE = 0.05
"""The same for an absolute temperature: 5 % are 15 K in a pump room; 20 % would be frost or 80
degC there (assumed)."""

WALL_EXPONENT = 5.8
"""Square of the first zero of the Bessel function J0, 2.405^2: gas in a cylinder of radius R takes
on the wall's temperature in R^2/(5.8 a)."""

SHORT_AGAINST_LOOP = 0.1
"""Heat exchange this much faster than the loop changes the volume by under 1 % (computed:
(1 - 1/gamma) x^2/(1 + x^2) at x = 0.1)."""

_SET = ("rated", "range_low", "range_high", "resolution")
"""Fields on a nameplate, or set by somebody: they are known, whatever their basis."""
_LIMITS = ("minimum_speed", "maximum_speed")
"""Set as well; but somebody who states a tolerance does not know yet where they will be set."""
_CURVES = ("curve", "points", "compression_curve")
_OF_THE_PLANT = ("system.", "duty.minimum_controllable_pressure")
_SLIP_EXPONENTS = (0.0, 2.0)

LEAST_FACTOR = 0.1
"""A tolerance of 100 % goes down to a tenth, not to zero, where a part would not exist."""

_DECIDED = ("measured", "data sheet")


class TolerancedField(NamedTuple):
    """A field with the relative half width within which it is known.

    Parameters
    ----------
    path : str
        Path in the file.
    tolerance : float
        Relative half width [-].
    basis : str
        "measured", "data sheet", "assumed" or "not stated".
    """

    path: str
    tolerance: float
    basis: str


class EnvelopeCase(NamedTuple):
    """A study in which something undecided is settled.

    Parameters
    ----------
    label : str
        What is settled, in words.
    study : Study
        The study with it.
    """

    label: str
    study: Study


def toleranced_fields(study: Study) -> tuple[TolerancedField, ...]:
    """List what is only known within a tolerance.

    Parameters
    ----------
    study : Study
        A study with the origin of its values.

    Returns
    -------
    tuple of TolerancedField
        In the order of the file: fields of the system, the minimum controllable pressure and gas
        loads of the duty that state a tolerance, and those of the plant that are assumed without
        one, with 20 % (a temperature 5 %). Left out are zeros, which no factor changes; what stands
        on a nameplate or is set (rated speed, range of a gauge; limiting speeds unless they state a
        tolerance); and gauges that the loop does not read.
    """
    found = []
    other_gauges = tuple(
        f"system.gauge[{index}]."
        for index, gauge in enumerate(study.system.gauges)
        if gauge.tag != study.controller.gauge
    )
    for path, origin in study.provenance.items():
        if not path.startswith((*_OF_THE_PLANT, "duty.hold[")) or path.startswith(other_gauges):
            continue
        spec, value = field_at(study, path)
        if not _varies(spec, value):
            continue
        tolerance = origin.tolerance
        guessed = origin.basis == "assumed" and spec.key not in _LIMITS
        if tolerance is None and guessed and path.startswith(_OF_THE_PLANT):
            is_temperature = spec.dimension == "temperature"
            tolerance = ASSUMED_TEMPERATURE_TOLERANCE if is_temperature else ASSUMED_TOLERANCE
        if tolerance:
            found.append(TolerancedField(path, tolerance, origin.basis))
    return tuple(found)


def vary(study: Study, path: str, factor: float) -> Study:
    """Return the study with one field multiplied by a factor.

    Parameters
    ----------
    study : Study
        The study.
    path : str
        Path in the file, as `toleranced_fields` lists it.
    factor : float
        Factor on the value in SI units [-]; on a temperature's kelvins, on a curve's speeds, on
        the compression ratios less 1. Of a blend, the other shares make up for the change.

    Returns
    -------
    Study
        A new study; a value that would leave its bounds stays at the bound.

    Raises
    ------
    InputError
        The path leads to no number, or the factor is not above 0.
    """
    if not 0.0 < factor < float("inf"):
        raise InputError("a factor is above 0 and finite", given=f"{factor}", field=path)
    try:
        spec, value = field_at(study, path)
    except (LookupError, ValueError):
        raise InputError("leads to no field of the study", given=repr(path), field=path) from None
    if value is None or spec.kind not in ("quantity", "list", "pairs"):
        raise InputError("is no number that a factor changes", given=repr(value), field=path)
    changed = with_value(study, path, _scaled(spec, value, factor))
    return _other_shares(changed, path) if path.startswith("system.gas.part[") else changed


def _varies(spec: Spec, value: Any) -> bool:
    if spec.key in _SET:
        return False
    if spec.kind == "pairs":
        return spec.key in _CURVES and value is not None
    if spec.kind == "list":
        return spec.key == "gas_loads"
    return spec.kind == "quantity" and value is not None and value != 0.0


def _scaled(spec: Spec, value: Any, factor: float) -> Any:
    if spec.kind == "list":
        return tuple(item * factor for item in value)
    if spec.kind == "pairs":
        rest = 1.0 if spec.key == "compression_curve" else 0.0
        return tuple((x, rest + (y - rest) * factor) for x, y in value)
    low = to_si(spec.low, spec.dimension) if spec.low else float("-inf")
    high = to_si(spec.high, spec.dimension) if spec.high else float("inf")
    return min(max(value * factor, low), high)


def _other_shares(study: Study, path: str) -> Study:
    """Let the other gases of a blend fill what the changed one leaves."""
    shares = study.system.gas.parts
    index = int(path.partition("[")[2].partition("]")[0])
    left = max(1.0 - shares[index].fraction, 0.0)
    others = sum(share.fraction for share in shares) - shares[index].fraction
    for other, share in enumerate(shares):
        if other != index:
            where = f"system.gas.part[{other}].fraction"
            study = with_value(study, where, share.fraction * left / others)
    return study


def envelope_cases(study: Study) -> tuple[EnvelopeCase, ...]:
    """List the cases between which the data do not decide.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of EnvelopeCase
        The booster's slip all in the gaps or all carried back, unless both parts of it were
        measured; the backing pump's slip growing as n^0 or n^-2, unless its exponent was measured
        or stated; and the chamber's gas compressed without heat from the walls, unless the walls
        are fast against the loop. What the study itself says is no case.
    """
    return (*_booster_cases(study), *_backing_cases(study), *_adiabatic_case(study))


def _booster_cases(study: Study) -> Iterator[EnvelopeCase]:
    booster = study.system.booster
    speeds = study.system.speed_map.booster
    if booster is None or speeds is None or all(speed == 1.0 for speed in speeds):
        return
    parts = ("gap_conductance", "carry_back_speed")
    origins = [study.provenance.get(f"system.booster.{key}") for key in parts]
    if all(origin is not None and origin.basis == "measured" for origin in origins):
        return
    gap = (booster.gap_conductance_m3_s or 0.0) + booster.gap_conductance_per_pressure_m3_s_pa
    is_curve = booster.compression_curve is not None
    if not is_curve and gap + booster.carry_back_speed_m3_s == 0.0:
        return
    own = booster.slip_split
    if own == "as given" and booster.carry_back_speed_m3_s == 0.0:
        own = "gap"
    if own == "as given" and gap == 0.0:
        own = "carry-back"
    for split, label in (
        ("gap", "booster's slip all through its gaps"),
        ("carry-back", "booster's slip all carried back by its rotors"),
    ):
        if split != own:
            yield EnvelopeCase(label, with_value(study, "system.booster.slip_split", split))


def _backing_cases(study: Study) -> Iterator[EnvelopeCase]:
    backing = study.system.backing
    path = "system.backing.slip_exponent"
    origin = study.provenance.get(path)
    if origin is not None and origin.basis in _DECIDED:
        return
    if len(backing.curves) > 1 or all(n == 1.0 for n in study.system.speed_map.backing):
        return
    has_slip = backing.ultimate_pressure_pa > 0.0 or backing.clearance_conductance_m3_s > 0.0
    if backing.displacement_m3_s is not None and not has_slip:
        return
    for exponent in _SLIP_EXPONENTS:
        if exponent != backing.slip_exponent:
            label = f"backing pump's slip as n^-{exponent:g}"
            if exponent == 0.0:
                label = "backing pump's slip the same at every speed"
            yield EnvelopeCase(label, with_value(study, path, exponent))


def _adiabatic_case(study: Study) -> Iterator[EnvelopeCase]:
    gauge = study.loop_gauge()
    highest = max(hold.setpoint_pa for hold in study.duty.holds) * gauge.gas_factor
    if wall_time(study.system, highest) <= SHORT_AGAINST_LOOP * _loop_delay(study):
        return
    ratio = system_gas(study.system.gas).heat_capacity_ratio
    changed = study
    paths = [f"hot_zone[{i}].volume" for i in range(len(study.system.chamber.hot_zones))]
    for path in (f"system.chamber.{key}" for key in ("volume", *paths)):
        changed = with_value(changed, path, field_at(study, path)[1] / ratio)
    label = f"chamber's gas compressed without heat from the walls (volume/{ratio:.3g})"
    yield EnvelopeCase(label, changed)


def wall_time(system: System, pressure_pa: float) -> float:
    """Time in which the chamber's gas takes on the temperature of the walls.

    Parameters
    ----------
    system : study.System
        The system; the distance to the wall is estimated from the volume where it is not given.
    pressure_pa : float
        Chamber pressure [Pa].

    Returns
    -------
    float
        R^2/(5.8 a) [s].

    Notes
    -----
    a = k/(rho cp) with Eucken's k = mu (cp + 1.25 R/M): a = mu/rho (1 + 1.25 (gamma - 1)/gamma).
    By conduction alone; gas that is stirred by its own flow is faster.

    References
    ----------
    A. Eucken, Physik. Z. 14:324 (1913); H.S. Carslaw, J.C. Jaeger, Conduction of Heat in Solids,
    2nd ed. (1959), cylinder (both from memory).
    """
    gas = system_gas(system.gas)
    chamber = system.chamber
    temperature = chamber.temperature_k
    density = pressure_pa * gas.molar_mass_kg_mol / (MOLAR_GAS_CONSTANT_J_MOL_K * temperature)
    mu = float(viscosity(temperature, gas.viscosity_20c_pa_s, gas.sutherland_k))
    ratio = gas.heat_capacity_ratio
    diffusivity = mu / density * (1.0 + 1.25 * (ratio - 1.0) / ratio)
    return _wall_distance(chamber) ** 2 / (WALL_EXPONENT * diffusivity)


def _wall_distance(chamber: Chamber) -> float:
    """Distance to the wall [m]; of a cylinder as long as wide where it is not given."""
    if chamber.wall_distance_m is not None:
        return chamber.wall_distance_m
    return float((chamber.volume_m3 / (2.0 * pi)) ** (1.0 / 3.0))


def _loop_delay(study: Study) -> float:
    """Shortest time in which the loop can act: its delays and small lags together [s]."""
    drive, gauge, controller = study.system.drive, study.loop_gauge(), study.controller
    computation = controller.computation_delay_s
    delays = (
        drive.dead_time_s, drive.lag_s, gauge.dead_time_s, gauge.update_period_s, gauge.lag_s,
        controller.scan_time_s, controller.scan_time_s if computation is None else computation,
    )  # fmt: skip
    return float(sum(delays))
