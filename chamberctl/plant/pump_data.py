"""Where pumps work outside the data that they are described by, so that the answer is a guess."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from chamberctl.plant.parts import rated_curves
from chamberctl.quantities import format_quantity

if TYPE_CHECKING:
    from chamberctl.study import Backing, System

_EDGE = 1e-12


def outside_backing_data(system: System, inlet_pa: Any, speed: Any) -> NDArray[np.bool_]:
    """Say where the backing pump is slower, or its inlet pressure other, than its curves cover.

    Parameters
    ----------
    system : study.System
        The system.
    inlet_pa : float or array
        Pressure at the backing pump's inlet [Pa].
    speed : float or array
        Its speed, fraction of rated [-].

    Returns
    -------
    bool array
        False everywhere for a pump without a curve: there the slip law itself is the statement.
    """
    backing = system.backing
    inlet, n = np.broadcast_arrays(np.asarray(inlet_pa), np.asarray(speed))
    if backing.displacement_m3_s is not None:
        return np.zeros(inlet.shape, dtype=bool)
    curves = rated_curves(backing)
    lowest = min(pressures[0] for _, pressures, _ in curves)
    highest = max(pressures[-1] for _, pressures, _ in curves)
    return (n < known_down_to(backing) - _EDGE) | (inlet < lowest) | (inlet > highest)


def known_down_to(backing: Backing) -> float:
    """Return the slowest speed that the pump's curves are known for, fraction of rated [-]."""
    return rated_curves(backing)[0][0] if backing.curves else backing.curve_known_down_to_speed


def outside_booster_data(system: System, outlet_pa: Any) -> NDArray[np.bool_]:
    """Say where the pressure behind the booster is one that its compression curve does not cover.

    Parameters
    ----------
    system : study.System
        The system.
    outlet_pa : float or array
        Pressure between booster and backing pump [Pa].

    Returns
    -------
    bool array
        False everywhere without a booster or a curve.
    """
    outlet = np.asarray(outlet_pa)
    booster = system.booster
    if booster is None or booster.compression_curve is None:
        return np.zeros(outlet.shape, dtype=bool)
    pressures = [pressure for pressure, _ in booster.compression_curve]
    return (outlet < pressures[0]) | (outlet > pressures[-1])


def outside_text(system: System, pump_inlet_pa: float, backing_speed: float) -> str:
    """Say which pump works outside its data at a point, and how far they reach.

    Parameters
    ----------
    system : study.System
        The system.
    pump_inlet_pa : float
        Pressure at the backing pump's inlet, which is behind a booster [Pa].
    backing_speed : float
        Speed of the backing pump, fraction of rated [-].
    """
    parts = []
    if outside_backing_data(system, pump_inlet_pa, backing_speed):
        known = format_quantity(known_down_to(system.backing), "%", 3)
        parts.append(
            "The backing pump works outside its stated curve here (curve known down to "
            f"{known} of rated speed): this pressure is extrapolated."
        )
    if outside_booster_data(system, pump_inlet_pa):
        assert system.booster is not None
        assert system.booster.compression_curve is not None
        low, high = (system.booster.compression_curve[i][0] for i in (0, -1))
        parts.append(
            f"The pressure behind the booster, {format_quantity(pump_inlet_pa, 'mbar', 3)}, lies "
            f"outside its compression curve ({format_quantity(low, 'mbar', 3)} to "
            f"{format_quantity(high, 'mbar', 3)}): its leakage is extrapolated."
        )
    return " ".join(parts)
