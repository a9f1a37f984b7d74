"""Gas flow through tubes and orifices, from molecular to viscous and choked, in one smooth law.

A passage resists in two ways. Collisions with its wall and among the molecules give the kinetic
throughput, which fades to zero linearly with the pressure difference and whose laminar part is
capped by turbulent friction: q_f. In the viscous range inertia adds one velocity head that is not
recovered at the exit and, at high pressure ratio, chokes the flow: the isentropic throughput q_i.
Both in series::

    p1 side --- q_f (friction, all regimes) --- q_i (exit, viscous range only) --- p2 side

    (q/q_f) + (q/q_i)^2 = 1      =>      q = 2 q_f/(1 + sqrt(1 + 4 (q_f/q_i)^2))

which is the laminar-plus-velocity-head equation of a passage, and for zero outlet pressure the
series of a tube with a choked exit (D.J. Santeler, Exit loss in viscous tube flow, J. Vac. Sci.
Technol. A 4:348 (1986); idea from memory). Expect +-20 % where inertia rules.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chamberctl.physics.choked import isentropic_throughput_squared

# G_P(delta) - delta/4 - SLIP = sum of c/(1 + delta/d): a fit whose antiderivative is closed.
# Fitted here to the S-model (Shakhov) solution of the linearized kinetic equation for the
# tube with diffuse walls (definition: F. Sharipov, V. Seleznev, J. Phys. Chem. Ref. Data 27:657
# (1998)); it holds 2e-4 of that solution for 1e-3 <= delta <= 100 and meets both limits.
SLIP_COEFFICIENT = 1.018
"""Viscous slip coefficient of the diffuse-wall tube (Sharipov and Seleznev 1998)."""
MOLECULAR_COEFFICIENT = 8.0 / (3.0 * np.sqrt(np.pi))
"""Free-molecular limit of G_P (Sharipov and Seleznev 1998)."""
FIT_DELTA = (0.003, 0.03, 0.2, 1.0, 5.0, 25.0)
FIT_WEIGHT = (0.00896, 0.05424, 0.17978, 0.06778, 0.20214, -0.0264)

INERTIA_ONSET_DELTA = 6.0
"""Rarefaction at which inertia starts to act in an orifice. Chosen here so that the orifice into
vacuum follows W = 1 + (0.4733 + 0.6005/sqrt(delta))/(1 + 4.559/delta + 3.094/delta^2)
(T. Fujimoto, M. Usami, J. Fluids Eng. 106:367 (1984), from memory) within 10 %."""

SMALLEST_SQUARE = 1e-280
"""Keeps 0/0 at exactly equal pressures from becoming NaN [(Pa m3/s)^2]."""

SMALLEST_LENGTH_M = 1e-30
"""Keeps the turbulent cap of an orifice, which has no length, finite [m]."""

END_LENGTH = 3.0 * np.pi / 8.0
"""Radii that the two ends add to a tube in creeping flow: R.A. Sampson, Phil. Trans. R. Soc. A
182:449 (1891); Z. Dagan, S. Weinbaum, R. Pfeffer, J. Fluid Mech. 115:505 (1982) (both from
memory)."""

ONSET_SQUARED = 1733.0**2
"""Reynolds number squared that the turbulent law gives where the laminar one gives 2300."""

BLASIUS_FRICTION = 0.3164
"""Friction factor of a smooth pipe is this times Re^-1/4 (H. Blasius 1913, from memory)."""

VISCOUS_BELOW_KNUDSEN = 0.01
MOLECULAR_ABOVE_KNUDSEN = 0.5
"""Limits of the regimes by Knudsen number (K. Jousten (ed.), Handbook of Vacuum Technology, 2nd
ed. (2016), ch. 4; from memory)."""


def kinetic_flow_coefficient(rarefaction: Any) -> Any:
    """Dimensionless Poiseuille flow G_P of a long tube in any regime.

    Parameters
    ----------
    rarefaction : float or array
        Rarefaction parameter delta = a p/(mu v0) [-]; a radius, v0 most probable speed.

    Returns
    -------
    float or array
        G_P [-]; 8/(3 sqrt(pi)) in molecular flow, delta/4 + 1.018 in viscous flow with slip.

    References
    ----------
    F. Sharipov, V. Seleznev, J. Phys. Chem. Ref. Data 27:657 (1998).

    Examples
    --------
    >>> round(float(kinetic_flow_coefficient(1.0)), 3)
    1.477
    """
    total = rarefaction / 4.0 + SLIP_COEFFICIENT
    for k in range(len(FIT_DELTA)):
        total = total + FIT_WEIGHT[k] / (1.0 + rarefaction / FIT_DELTA[k])
    return total


def kinetic_throughput(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    radius_m: Any,
    viscous_length_m: Any,
    molecular_length_m: Any,
    most_probable_speed_m_s: Any,
    viscosity_pa_s: Any,
) -> Any:
    """Throughput of a round passage as friction and molecular collisions allow it, in any regime.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at the two ends [Pa].
    radius_m : float or array
        Inner radius [m].
    viscous_length_m, molecular_length_m : float or array
        Length including ends, for the viscous part of the flow and for the rest [m]; for a long
        tube both are its length.
    most_probable_speed_m_s : float or array
        sqrt(2 R T/M) [m/s].
    viscosity_pa_s : float or array
        Dynamic viscosity [Pa s].

    Returns
    -------
    float or array
        pV throughput counted at the gas temperature [Pa m3/s]; odd in the pressure difference.

    Notes
    -----
    q = (pi a^3 v0/2) (integral of (delta/4)/L_v + (G_P - delta/4)/L_m over p from outlet to
    inlet), by the antiderivative of the fit, written in the pressure difference so that nothing
    cancels near equal pressures. Laminar flow is assumed; turbulence is not modeled.

    References
    ----------
    F. Sharipov, V. Seleznev, J. Phys. Chem. Ref. Data 27:657 (1998).

    Examples
    --------
    >>> q = kinetic_throughput(1.0, 0.2, 0.025, 2.0, 2.0, 417.1512, 1.755952e-5)
    >>> round(float(q), 5)
    0.00694
    """
    per_pascal = radius_m / (viscosity_pa_s * most_probable_speed_m_s)
    inlet = inlet_pressure_pa * per_pascal
    outlet = outlet_pressure_pa * per_pascal
    difference = (inlet_pressure_pa - outlet_pressure_pa) * per_pascal
    viscous = difference * (inlet + outlet) / 8.0
    rest = SLIP_COEFFICIENT * difference
    for k in range(len(FIT_DELTA)):
        delta = FIT_DELTA[k]
        rest = rest + FIT_WEIGHT[k] * delta * np.log1p(difference / (delta + outlet))
    scale = 0.5 * np.pi * radius_m**3 * most_probable_speed_m_s / per_pascal
    return scale * (viscous / viscous_length_m + rest / molecular_length_m)


def laminar_throughput(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    radius_m: Any,
    length_m: Any,
    viscosity_pa_s: Any,
) -> Any:
    """Throughput of a round tube in laminar viscous flow without slip.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at the two ends [Pa].
    radius_m, length_m : float or array
        Inner radius and length [m].
    viscosity_pa_s : float or array
        Dynamic viscosity [Pa s].

    Returns
    -------
    float or array
        pi a^4 (p1^2 - p2^2)/(16 mu L) [Pa m3/s]: the part of `kinetic_throughput` that grows with
        the square of pressure.

    References
    ----------
    S. Dushman, J.M. Lafferty, Scientific Foundations of Vacuum Technique, 2nd ed. (1962), ch. 2.

    Examples
    --------
    >>> round(float(laminar_throughput(500.0, 480.0, 0.02, 1.5, 1.819114e-5)), 2)
    22.57
    """
    drop = (inlet_pressure_pa - outlet_pressure_pa) * (inlet_pressure_pa + outlet_pressure_pa)
    return np.pi * radius_m**4 * drop / (16.0 * viscosity_pa_s * length_m)


def turbulent_throughput_squared(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    radius_m: Any,
    length_m: Any,
    most_probable_speed_m_s: Any,
    viscosity_pa_s: Any,
) -> Any:
    """Square of the throughput that turbulent friction allows through a tube.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at the two ends [Pa].
    radius_m, length_m : float or array
        Inner radius and length [m].
    most_probable_speed_m_s : float or array
        sqrt(2 R T/M) [m/s].
    viscosity_pa_s : float or array
        Dynamic viscosity [Pa s].

    Returns
    -------
    float or array
        Squared throughput, counted at the gas temperature [(Pa m3/s)^2].

    Notes
    -----
    Isothermal flow with f = 0.3164 Re^-1/4: q^(7/4) = |p1^2 - p2^2| A^2 D v0^2 K^(1/4)/
    (2 f0 L), Re = K q, K = 2 D/(A v0^2 mu).

    References
    ----------
    H. Blasius, friction of smooth pipes (1913) (from memory).

    Examples
    --------
    >>> q2 = turbulent_throughput_squared(1e4, 9.9e3, 0.025, 5.0, 410.24, 1.819e-5)
    >>> round(float(q2) ** 0.5, 1)
    433.6
    """
    diameter = 2.0 * radius_m
    area = np.pi * radius_m * radius_m
    speed_squared = most_probable_speed_m_s * most_probable_speed_m_s
    reynolds_per_flow = 2.0 * diameter / (area * speed_squared * viscosity_pa_s)
    drop = (inlet_pressure_pa - outlet_pressure_pa) * (inlet_pressure_pa + outlet_pressure_pa)
    power = (
        drop
        * area
        * area
        * diameter
        * speed_squared
        * np.sqrt(np.sqrt(reynolds_per_flow))
        / (2.0 * BLASIUS_FRICTION * length_m)
    )
    return (power * power + SMALLEST_SQUARE) ** (4.0 / 7.0)


def passage_throughput(
    inlet_pressure_pa: Any,
    outlet_pressure_pa: Any,
    radius_m: Any,
    viscous_length_m: Any,
    molecular_length_m: Any,
    most_probable_speed_m_s: Any,
    viscosity_pa_s: Any,
    heat_capacity_ratio: Any,
    discharge_coefficient: Any,
) -> Any:
    """Throughput of a tube or an orifice in every regime, inertia and choking included.

    Parameters
    ----------
    inlet_pressure_pa, outlet_pressure_pa : float or array
        Pressure at the two ends [Pa].
    radius_m : float or array
        Inner radius [m].
    viscous_length_m, molecular_length_m : float or array
        Length including ends [m], see `passage_lengths`.
    most_probable_speed_m_s : float or array
        sqrt(2 R T/M) [m/s].
    viscosity_pa_s : float or array
        Dynamic viscosity [Pa s].
    heat_capacity_ratio : float or array
        Ratio of heat capacities [-].
    discharge_coefficient : float or array
        Effective over open area for inertial flow [-]: 1 for a tube, 0.82-0.86 for a sharp edge.

    Returns
    -------
    float or array
        pV throughput counted at the gas temperature [Pa m3/s]; odd in the pressure difference,
        monotone in both pressures, without a jump in value or slope.

    Notes
    -----
    Friction first: the laminar part q_l of the kinetic throughput becomes
    q_l/(1 + w^3 (q_l/q_t)^6)^(1/6) with the turbulent cap q_t, w = Re_t^4/(1733^4 + Re_t^4) and
    Re_t the Reynolds number of q_t: the two laws have 2300 and 1733 at the same pressures. Laminar
    flow keeps 1 % up to Re = 1500, turbulent flow 2 % from Re = 4000; between them nothing is
    sure. Then inertia: q = 2 q_f/(1 + sqrt(1 + 4 (q_f/q_i)^2)); q_i^2 is divided by
    mean delta/(onset + mean delta), so that inertia vanishes in molecular flow. Accuracy +-20 %
    where turbulence or inertia rules.

    References
    ----------
    Module text.

    Examples
    --------
    A sharp orifice of 1 cm2 into vacuum, air of 1 atm, chokes near 20 L/s times 0.85:

    >>> v0, mu, a = 410.2389, 1.819114e-5, 5.641896e-3
    >>> lengths = passage_lengths(a, 0.0)
    >>> q = passage_throughput(101325.0, 1.0, a, *lengths, v0, mu, 1.4, 0.85)
    >>> round(float(q) / 101325.0 * 1e3, 1)
    16.9
    """
    kinetic = kinetic_throughput(
        inlet_pressure_pa,
        outlet_pressure_pa,
        radius_m,
        viscous_length_m,
        molecular_length_m,
        most_probable_speed_m_s,
        viscosity_pa_s,
    )
    laminar = laminar_throughput(
        inlet_pressure_pa, outlet_pressure_pa, radius_m, viscous_length_m, viscosity_pa_s
    )
    turbulent_squared = turbulent_throughput_squared(
        inlet_pressure_pa,
        outlet_pressure_pa,
        radius_m,
        viscous_length_m - END_LENGTH * radius_m + SMALLEST_LENGTH_M,
        most_probable_speed_m_s,
        viscosity_pa_s,
    )
    reynolds_per_flow = 4.0 / (
        np.pi * radius_m * most_probable_speed_m_s * most_probable_speed_m_s * viscosity_pa_s
    )
    reynolds_squared = reynolds_per_flow * reynolds_per_flow * turbulent_squared / ONSET_SQUARED
    onset = reynolds_squared * reynolds_squared / (1.0 + reynolds_squared * reynolds_squared)
    crowding = laminar * laminar / turbulent_squared * onset
    friction = kinetic + laminar * np.expm1(-np.log1p(crowding * crowding * crowding) / 6.0)
    inertial_squared = isentropic_throughput_squared(
        inlet_pressure_pa,
        outlet_pressure_pa,
        discharge_coefficient * np.pi * radius_m**2,
        most_probable_speed_m_s,
        heat_capacity_ratio,
    )
    mean_delta = (
        0.5
        * (inlet_pressure_pa + outlet_pressure_pa)
        * radius_m
        / (viscosity_pa_s * most_probable_speed_m_s)
    )
    viscous_share = mean_delta / (INERTIA_ONSET_DELTA + mean_delta)
    # At equal pressures both squares vanish, the kinetic one faster: the ratio tends to zero.
    ratio_squared = friction * friction * viscous_share / (inertial_squared + SMALLEST_SQUARE)
    return 2.0 * friction / (1.0 + np.sqrt(1.0 + 4.0 * ratio_squared))


def transmission_probability(length_over_radius: Any) -> Any:
    """Probability that a molecule entering a round tube leaves at its other end.

    Parameters
    ----------
    length_over_radius : float or array
        Length over radius [-].

    Returns
    -------
    float or array
        Transmission probability [-], within 1e-3 of the exact one.

    Notes
    -----
    Berman's closed form, rearranged so that it neither cancels for long tubes nor divides by
    zero for an aperture (below 1e-4 its own series 1 - x/2 is used).

    References
    ----------
    A.S. Berman, J. Appl. Phys. 36:3356 (1965).

    Examples
    --------
    >>> round(float(transmission_probability(1.0)), 4)
    0.672
    """
    asked = np.asarray(length_over_radius, dtype=float)
    x = np.maximum(asked, 1e-4)
    root = np.sqrt(x * x + 4.0)
    numerator = 8.0 * root - 4.0 * x * x / (root + x) - 16.0
    denominator = 72.0 * x * root - 288.0 * np.arcsinh(0.5 * x)
    value = root / (x + root) - numerator * numerator / denominator
    return np.where(asked < 1e-4, 1.0 - 0.5 * asked, value)


def passage_lengths(radius_m: Any, length_m: Any) -> tuple[Any, Any]:
    """Length of a round passage including its ends, for viscous and for molecular flow.

    Parameters
    ----------
    radius_m : float or array
        Inner radius [m].
    length_m : float or array
        Length [m]; zero for an orifice.

    Returns
    -------
    tuple of (float or array)
        (viscous length, molecular length) [m].

    Notes
    -----
    Viscous: L + 3 pi a/8, the creeping flow through the two ends. Molecular: 8 a/(3 W) with the
    transmission probability W, so that the long-tube formula gives A v_mean/4 W exactly.

    References
    ----------
    R.A. Sampson, Phil. Trans. R. Soc. A 182:449 (1891); Z. Dagan, S. Weinbaum, R. Pfeffer,
    J. Fluid Mech. 115:505 (1982) (both from memory); A.S. Berman, J. Appl. Phys. 36:3356 (1965).

    Examples
    --------
    >>> viscous, molecular = passage_lengths(0.01, 0.0)
    >>> round(float(viscous), 5), round(float(molecular), 5)
    (0.01178, 0.02667)
    """
    viscous = length_m + END_LENGTH * radius_m
    molecular = 8.0 * radius_m / (3.0 * transmission_probability(length_m / radius_m))
    return viscous, molecular


def flow_regime(knudsen_number: Any) -> Any:
    """Name of the flow regime.

    Parameters
    ----------
    knudsen_number : float or array
        Mean free path over diameter [-].

    Returns
    -------
    str array
        "viscous", "transition" or "molecular" [-].

    References
    ----------
    K. Jousten (ed.), Handbook of Vacuum Technology, 2nd ed. (2016), ch. 4 (limits from memory).

    Examples
    --------
    >>> str(flow_regime(0.165))
    'transition'
    """
    knudsen = np.asarray(knudsen_number)
    names = np.where(knudsen < VISCOUS_BELOW_KNUDSEN, "viscous", "transition")
    return np.where(knudsen > MOLECULAR_ABOVE_KNUDSEN, "molecular", names)


def elbow_length(leg_m: Any, radius_m: Any) -> Any:
    """Length of the straight tube that lets molecules through as a mitered 90 degree elbow does.

    Parameters
    ----------
    leg_m : float or array
        Length of each of its two equal legs along the axis [m].
    radius_m : float or array
        Inner radius [m].

    Returns
    -------
    float or array
        2 leg + a (-0.676 + 1.032 ln(1 + leg/(1.823 a))) [m].

    Notes
    -----
    Fitted here to test-particle Monte Carlo results for legs of 1.5 to 8 radii; the fit holds
    0.011 radii. The common rule of adding 1.33 diameters times the angle over 180 degrees
    overstates a short elbow.

    References
    ----------
    Own Monte Carlo (600,000 particles per point), in line with Xu Tingwei, Wang Kaiping, Vacuum
    32:655 (1982).

    Examples
    --------
    >>> round(float(elbow_length(0.4, 0.1)), 3)
    0.852
    """
    return 2.0 * leg_m + radius_m * (-0.676 + 1.032 * np.log1p(leg_m / (1.823 * radius_m)))
