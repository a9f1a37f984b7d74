"""Everything known about many steady states at once; operating point and window are cut from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.physics.choked import critical_pressure_ratio
from chamberctl.physics.constants import T_REF_K
from chamberctl.physics.gases import mean_free_path
from chamberctl.physics.passages import VISCOUS_BELOW_KNUDSEN, flow_regime
from chamberctl.plant import equations
from chamberctl.plant.chain import Chain, gauge_node
from chamberctl.plant.gauge import reading
from chamberctl.plant.nearby import SPEED, Held, States, joined, settle
from chamberctl.plant.pump_data import outside_backing_data, outside_booster_data
from chamberctl.plant.sensitivity import jacobian, slowest_time_constant, speed_authority
from chamberctl.plant.steady import load_for_pressure, steady_pressures
from chamberctl.study.flowing import system_gas

if TYPE_CHECKING:
    from chamberctl.study import Gauge, System

Array = NDArray[np.float64]

OVERFLOW_VALVE = "overflow valve"
TORQUE_LIMIT = "torque limit"
"""Values of `limited_by` where the booster's pressure difference is held by something else."""


@dataclass(frozen=True)
class Survey:
    """Steady states at M pairs of speed and gas load; NaN where none exists.

    All arrays have shape (M,), but `pressures_pa` (N, M). Names and units as in `OperatingPoint`.
    """

    speed: Array
    gas_load_pa_m3_s: Array
    feasible: NDArray[np.bool_]
    pressures_pa: Array
    pressure_pa: Array
    indicated_pa: Array
    booster_speed: Array
    backing_speed: Array
    authority_chamber: Array
    authority_gauge: Array
    gain_decades_per_fraction: Array
    gain_pa_per_fraction: Array
    time_constant_s: Array
    slew_down_pa_s: Array
    slew_up_pa_s: Array
    gauge_offset_pa: Array
    booster_ratio: Array
    booster_difference_pa: Array
    effective_speed_m3_s: Array
    limited_by: NDArray[Any]
    extrapolated: NDArray[np.bool_]
    regimes: tuple[tuple[str, NDArray[Any]], ...]


def survey(chain: Chain, system: System, gauge: Gauge, speed: Any, gas_load_pa_m3_s: Any) -> Survey:
    """Find the steady states at pairs of speed and gas load and all that follows from them.

    Parameters
    ----------
    chain : Chain
        The system as arrays, from `build_chain(system)`.
    system : study.System
        The system as described.
    gauge : study.Gauge
        The loop's gauge.
    speed, gas_load_pa_m3_s : array, shape (M,)
        Speed fractions [-] and gas loads [Pa m3/s].

    Returns
    -------
    Survey
        Arrays; infeasible pairs are kept as NaN.
    """
    n = np.asarray(speed, dtype=float)
    load = np.asarray(gas_load_pa_m3_s, dtype=float)
    pressures = steady_pressures(chain, n, load)
    feasible = np.isfinite(pressures[0])
    node = gauge_node(chain, gauge)
    authority = np.full(pressures.shape, np.nan)
    time_constant = np.full(n.shape, np.nan)
    if np.any(feasible):
        by_pressure, by_speed = jacobian(chain, pressures[:, feasible], n[feasible], load[feasible])
        authority[:, feasible] = speed_authority(by_pressure, by_speed, n[feasible])
        time_constant[feasible] = slowest_time_constant(chain, by_pressure, pressures[:, feasible])
    ratio, difference, limited_by = _booster_state(chain, pressures)
    authority = np.where(limited_by == "", authority, 0.0)
    slew_down, slew_up = _slew(chain, system, pressures, n, load)
    indicated = reading(system, gauge, pressures[node])
    return Survey(
        speed=n,
        gas_load_pa_m3_s=load,
        feasible=feasible,
        pressures_pa=pressures,
        pressure_pa=pressures[0],
        indicated_pa=indicated,
        booster_speed=chain.booster_speed(n) if chain.booster_node is not None else n * np.nan,
        backing_speed=chain.backing_speed(n),
        authority_chamber=authority[0],
        authority_gauge=authority[node],
        gain_decades_per_fraction=-authority[node] / n / np.log(10.0),
        gain_pa_per_fraction=-authority[node] / n * indicated,
        time_constant_s=time_constant,
        slew_down_pa_s=slew_down,
        slew_up_pa_s=slew_up,
        gauge_offset_pa=pressures[node] - pressures[0],
        booster_ratio=ratio,
        booster_difference_pa=difference,
        effective_speed_m3_s=load / pressures[0],
        limited_by=limited_by,
        extrapolated=outside_backing_data(system, pressures[-1], chain.backing_speed(n))
        | outside_booster_data(system, pressures[-1]),
        regimes=_regimes(chain, system, pressures),
    )


def _booster_state(chain: Chain, pressures: Array) -> tuple[Array, Array, NDArray[Any]]:
    """Compression ratio, pressure difference, and what holds the difference, if anything."""
    node = chain.booster_node
    if node is None:
        nothing = np.full(pressures.shape[1:], np.nan)
        return nothing, nothing, np.full(nothing.shape, "", dtype=object)
    ratio = pressures[node + 1] / pressures[node]
    difference = pressures[node + 1] - pressures[node]
    opening, torque = chain.rows[node, 4], chain.rows[node, 6]
    held = np.where(difference > torque, TORQUE_LIMIT, "")
    return ratio, difference, np.where(difference > opening, OVERFLOW_VALVE, held).astype(object)


def _slew(
    chain: Chain, system: System, pressures: Array, speed: Array, load: Array
) -> tuple[Array, Array]:
    """Quasi-steady rates of fall at maximum and rise at minimum speed [Pa/s]."""
    feasible = np.isfinite(pressures[0])
    down, up = np.full(load.shape, np.nan), np.full(load.shape, np.nan)
    if np.any(feasible):
        known = States(pressures[:, feasible], speed[feasible], load[feasible], feasible[feasible])
        volume, drive = chain.volumes_m3[0], system.drive
        ends = np.repeat([drive.maximum_speed, drive.minimum_speed], load[feasible].size)
        fastest, slowest = np.split(_carried(chain, joined([known, known]), ends), 2)
        down[feasible] = (fastest - load[feasible]) / volume
        up[feasible] = (load[feasible] - slowest) / volume
    return down, up


def _carried(chain: Chain, known: States, speed: Array) -> Array:
    """Gas load that would hold the same chamber pressures at other speeds [Pa m3/s]."""
    count = known.speed.size
    held = Held(
        np.array([np.full(count, SPEED), np.zeros(count, dtype=np.int64)]),
        np.array([speed, known.pressures_pa[0]]),
    )
    states = settle(chain, known, held)
    carried = np.maximum(states.gas_load_pa_m3_s, 0.0)
    lost = ~states.found
    if np.any(lost):
        carried[lost] = load_for_pressure(chain, known.pressures_pa[0, lost], speed[lost])
    return carried


def _regimes(
    chain: Chain, system: System, pressures: Array
) -> tuple[tuple[str, NDArray[Any]], ...]:
    """Flow regime in each tube and orifice, "choked" where the flow cannot rise further."""
    gas = system_gas(system.gas)
    regimes = []
    for element in range(chain.size - 1):
        if chain.kinds[element] != equations.PASSAGE:
            continue
        row = chain.rows[element]
        inlet, outlet = pressures[element], pressures[element + 1]
        path = mean_free_path(
            0.5 * (inlet + outlet), T_REF_K / row[8], gas.molar_mass_kg_mol, row[4]
        )
        knudsen = path / (2.0 * row[0])
        choked = (outlet < critical_pressure_ratio(row[5]) * inlet) & (
            knudsen < VISCOUS_BELOW_KNUDSEN
        )
        names = np.where(choked, "choked", flow_regime(knudsen))
        regimes.append((chain.part_names[element], np.where(np.isnan(inlet), "", names)))
    return tuple(regimes)
