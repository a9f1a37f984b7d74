"""From the pressure at the gauge to the reading that the controller gets.

Plain functions of numbers, so that they also compile.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from chamberctl.physics.transpiration import transpiration_ratio

NO_FAULT, FAILS_ZERO, FAILS_FULL, FAILS_LAST = 0, 1, 2, 3
"""What a gauge sends: its signal, zero, full scale, or the last value."""


class GaugeNumbers(NamedTuple):
    """The loop's gauge as plain numbers.

    Pressures in Pa; `steps` counts of the converter, 0 for none; `head_k` 0 without a heated head;
    `floor_pa` where the reading stops before the logarithm; `log_reading` whether the controller
    works in decades.
    """

    node: int
    lag_s: float
    range_low_pa: float
    range_high_pa: float
    log_signal: bool
    steps: float
    head_k: float
    chamber_k: float
    bore_radius_m: float
    viscosity_pa_s: float
    most_probable_speed_m_s: float
    floor_pa: float
    log_reading: bool


def shown_pa(pressure_pa: Any, gas_factor: float, gauge: GaugeNumbers) -> Any:
    """Pressure that a gauge shows without noise, counts and the ends of its range.

    Parameters
    ----------
    pressure_pa : float or array
        True pressure at the gauge, after its lag [Pa].
    gas_factor : float
        True over indicated pressure of the gas [-].
    gauge : GaugeNumbers
        The gauge.

    Returns
    -------
    float or array
        Indicated pressure [Pa].
    """
    shown = pressure_pa / gas_factor
    if gauge.head_k > 0.0:
        shown = shown * transpiration_ratio(
            pressure_pa,
            gauge.head_k,
            gauge.chamber_k,
            gauge.bore_radius_m,
            gauge.viscosity_pa_s,
            gauge.most_probable_speed_m_s,
        )
    return shown


def signal_pa(pressure_pa: float, noise: float, gas_factor: float, gauge: GaugeNumbers) -> float:
    """Indicated pressure that arrives at the controller.

    Parameters
    ----------
    pressure_pa : float
        True pressure at the gauge, after its lag [Pa].
    noise : float
        Relative deviation of this sample [-].
    gas_factor : float
        True over indicated pressure of the gas at this time [-].
    gauge : GaugeNumbers
        The gauge.

    Returns
    -------
    float
        Indicated pressure, held within the gauge's range and rounded to its counts [Pa].
    """
    shown = shown_pa(pressure_pa, gas_factor, gauge) * (1.0 + noise)
    if not math.isfinite(shown):
        return math.nan
    low, high = gauge.range_low_pa, gauge.range_high_pa
    shown = min(max(shown, low), high)
    if gauge.steps > 0.0:
        if gauge.log_signal:
            span = math.log(high / low)
            counts = math.floor(math.log(shown / low) / span * gauge.steps + 0.5)
            shown = low * math.exp(counts / gauge.steps * span)
        else:
            counts = math.floor(shown / high * gauge.steps + 0.5)
            shown = counts / gauge.steps * high
    return shown


def reading(indicated_pa: float, gauge: GaugeNumbers) -> float:
    """The loop's reading of an indicated pressure.

    Parameters
    ----------
    indicated_pa : float
        Indicated pressure [Pa].
    gauge : GaugeNumbers
        The gauge.

    Returns
    -------
    float
        Decades or Pa; the pressure is floored before the logarithm.
    """
    if gauge.log_reading:
        return math.log10(max(indicated_pa, gauge.floor_pa))
    return indicated_pa
