"""How fast the held points of a changed study move."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.chain import Chain
from chamberctl.plant.nearby import SPEED, Held, States, settle
from chamberctl.plant.sensitivity import state_matrix
from chamberctl.plant.steady import load_for_pressure, steady_pressures

if TYPE_CHECKING:
    from chamberctl.plant.variations import Outcome

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Response:
    """How fast the held points of an outcome move; NaN where not held.

    Parameters
    ----------
    time_constant_s : array, shape (P,)
        Slowest time constant of the vacuum system [s].
    slew_down_pa_s, slew_up_pa_s : array, shape (P,)
        Quasi-steady rates of fall at maximum and rise at minimum speed [Pa/s].
    at_full_speed_pa : array, shape (N, P)
        Node pressures that hold the chamber where it is at maximum speed, with more gas [Pa].
    """

    time_constant_s: Array
    slew_down_pa_s: Array
    slew_up_pa_s: Array
    at_full_speed_pa: Array


def response(outcome: Outcome) -> Response:
    """Find how fast the held points move.

    Parameters
    ----------
    outcome : Outcome
        An outcome.

    Returns
    -------
    Response
        Time constants and quasi-steady rates.

    Notes
    -----
    The rates are (S(max) p - q)/V and (q - S(min) p)/V at the chamber, with every other node at
    rest, as in `operating.slew_rates`.
    """
    drive, chain, held = outcome.study.system.drive, outcome.chain, outcome.held
    tau, down, up = (np.full(held.shape, np.nan) for _ in range(3))
    full = np.full(outcome.pressures_pa.shape, np.nan)
    if np.any(held):
        pressures, load = outcome.pressures_pa[:, held], outcome.gas_load_pa_m3_s[held]
        poles = np.linalg.eigvals(state_matrix(chain, outcome.by_pressure[held], pressures))
        tau[held] = 1.0 / np.min(np.abs(poles), axis=1)
        ends = np.repeat([drive.maximum_speed, drive.minimum_speed], load.size)
        carried, nodes = _carried(chain, pressures, outcome.speed[held], load, ends)
        volume = chain.volumes_m3[0]
        down[held] = (carried[: load.size] - load) / volume
        up[held] = (load - carried[load.size :]) / volume
        full[:, held] = nodes[:, : load.size]
    return Response(tau, down, up, full)


def _carried(
    chain: Chain, pressures: Array, speed: Array, load: Array, outputs: Array
) -> tuple[Array, Array]:
    """Gas load that other speeds carry at the same chamber pressures, and node pressures then.

    The states are repeated for each group of `outputs`; backflow counts as 0.
    """
    count, repeated = outputs.size, outputs.size // speed.size
    start = States(
        np.tile(pressures, repeated),
        np.tile(speed, repeated),
        np.tile(load, repeated),
        np.ones(count, dtype=bool),
    )
    held = Held(
        np.stack([np.zeros(count, dtype=np.int64), np.full(count, SPEED)]),
        np.stack([start.pressures_pa[0], outputs]),
    )
    found = settle(chain, start, held)
    carried, nodes = np.maximum(found.gas_load_pa_m3_s, 0.0), found.pressures_pa.copy()
    if not np.all(found.found):
        missing = ~found.found
        carried[missing] = load_for_pressure(
            chain, start.pressures_pa[0, missing], outputs[missing]
        )
        nodes[:, missing] = steady_pressures(chain, outputs[missing], carried[missing])
    return carried, nodes
