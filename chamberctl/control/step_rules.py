"""Published rules that start from a step response: a gain, a lag and a dead time.

Formulas with a = K L/T (K L for an integrator), L the dead time, T the lag, K the gain. Every rule
takes the `ReducedModel` of all that lies in the loop but the law.
"""

from __future__ import annotations

from typing import Literal

from chamberctl.control.rule_gains import (
    Kind,
    RuleGains,
    normalized_gain,
    self_regulating,
    unknown_kind,
)
from chamberctl.control.rules import ReducedModel
from chamberctl.errors import Infeasible


def ziegler_nichols_step(model: ReducedModel, kind: Kind) -> RuleGains:
    """Return the step-response settings of Ziegler and Nichols: each swing a quarter of the last.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time; an integrator is allowed.
    kind : {"P", "PI", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        In the ideal form.

    Notes
    -----
    P: 1/a; PI: 0.9/a, 3 L; PID: 1.2/a, 2 L, L/2. For PI the paper has L/0.3.

    References
    ----------
    J. G. Ziegler, N. B. Nichols, Optimum settings for automatic controllers, Transactions of the
    ASME 64 (1942) 759-768; as in K. J. Astrom, T. Hagglund, PID Controllers (1995), table 4.1 (from
    memory).
    """
    a, dead = normalized_gain(model), model.dead_time_s
    if kind == "P":
        return RuleGains(1.0 / a)
    if kind == "PI":
        return RuleGains(0.9 / a, 3.0 * dead)
    if kind == "PID":
        return RuleGains(1.2 / a, 2.0 * dead, 0.5 * dead)
    raise unknown_kind("Ziegler and Nichols", kind)


def cohen_coon(model: ReducedModel, kind: Kind) -> RuleGains:
    """Return the settings of Cohen and Coon: three poles placed so that a load step decays fast.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time.
    kind : {"P", "PI", "PD", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        In the ideal form.

    Notes
    -----
    With r = L/T, P: (1 + r/3)/a; PI: (0.9 + r/12)/a, L (30 + 3 r)/(9 + 20 r); PD: (1.25 + r/6)/a,
    L (6 - 2 r)/(22 + 3 r); PID: (4/3 + r/4)/a, L (32 + 6 r)/(13 + 8 r), 4 L/(11 + 2 r).

    References
    ----------
    G. H. Cohen, G. A. Coon, Theoretical consideration of retarded control, Transactions of the ASME
    75 (1953) 827-834 (from memory).
    """
    self_regulating(model, "Cohen and Coon")
    a, dead = normalized_gain(model), model.dead_time_s
    r = dead / model.lag1_s
    if kind == "P":
        return RuleGains((1.0 + r / 3.0) / a)
    if kind == "PI":
        return RuleGains((0.9 + r / 12.0) / a, dead * (30.0 + 3.0 * r) / (9.0 + 20.0 * r))
    if kind == "PD":
        td = dead * (6.0 - 2.0 * r) / (22.0 + 3.0 * r)
        return RuleGains((1.25 + r / 6.0) / a, td_s=td)
    return RuleGains(
        (4.0 / 3.0 + r / 4.0) / a,
        dead * (32.0 + 6.0 * r) / (13.0 + 8.0 * r),
        4.0 * dead / (11.0 + 2.0 * r),
    )


def cohen_coon_rounded(model: ReducedModel, kind: Kind) -> RuleGains:
    """Return the settings of Cohen and Coon in the form that a textbook prints.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time.
    kind : {"P", "PI", "PD", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        In the ideal form; within 6 % of those of `cohen_coon`.

    Notes
    -----
    With t = L/(L + T) and r = t/(1 - t): P (1 + 0.35 r)/a; PI 0.9 (1 + 0.092 r)/a,
    L (3.3 - 3 t)/(1 + 1.2 t); PD 1.24 (1 + 0.13 r)/a, L (0.27 - 0.36 t)/(1 - 0.87 t); PID
    1.35 (1 + 0.18 r)/a, L (2.5 - 2 t)/(1 - 0.39 t), L (0.37 - 0.37 t)/(1 - 0.81 t).

    References
    ----------
    K. J. Astrom, T. Hagglund, PID Controllers: Theory, Design, and Tuning, 2nd ed. (1995), table
    4.5 (from memory).
    """
    self_regulating(model, "Cohen and Coon")
    a, dead = normalized_gain(model), model.dead_time_s
    t = dead / (dead + model.lag1_s)
    r = dead / model.lag1_s
    if kind == "P":
        return RuleGains((1.0 + 0.35 * r) / a)
    if kind == "PI":
        return RuleGains(0.9 * (1.0 + 0.092 * r) / a, dead * (3.3 - 3.0 * t) / (1.0 + 1.2 * t))
    if kind == "PD":
        td = dead * (0.27 - 0.36 * t) / (1.0 - 0.87 * t)
        return RuleGains(1.24 * (1.0 + 0.13 * r) / a, td_s=td)
    return RuleGains(
        1.35 * (1.0 + 0.18 * r) / a,
        dead * (2.5 - 2.0 * t) / (1.0 - 0.39 * t),
        dead * (0.37 - 0.37 * t) / (1.0 - 0.81 * t),
    )


#: Chien, Hrones and Reswick: (aim, overshoot in %) -> kind -> gain x a, Ti and Td. Times in lags
#: are marked "T", those in dead times "L".
_CHR: dict[tuple[str, int], dict[str, tuple[float, float, str, float]]] = {
    ("setpoint", 0): {"P": (0.3, 0.0, "", 0.0), "PI": (0.35, 1.2, "T", 0.0),
                      "PID": (0.6, 1.0, "T", 0.5)},
    ("setpoint", 20): {"P": (0.7, 0.0, "", 0.0), "PI": (0.6, 1.0, "T", 0.0),
                       "PID": (0.95, 1.4, "T", 0.47)},
    ("load", 0): {"P": (0.3, 0.0, "", 0.0), "PI": (0.6, 4.0, "L", 0.0),
                  "PID": (0.95, 2.4, "L", 0.42)},
    ("load", 20): {"P": (0.7, 0.0, "", 0.0), "PI": (0.7, 2.3, "L", 0.0),
                   "PID": (1.2, 2.0, "L", 0.42)},
}  # fmt: skip


def chien_hrones_reswick(
    model: ReducedModel, kind: Kind, aim: Literal["setpoint", "load"], overshoot_percent: int
) -> RuleGains:
    """Return the settings of Chien, Hrones and Reswick: fastest answer with 0 or 20 % overshoot.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time; an integrator only with the rules for load.
    kind : {"P", "PI", "PID"}
        Kind of control.
    aim : {"setpoint", "load"}
        What the answer is judged by.
    overshoot_percent : {0, 20}
        Overshoot it may have [%].

    Returns
    -------
    RuleGains
        In the ideal form.

    Notes
    -----
    Setpoint, 0 %: P 0.3/a; PI 0.35/a, 1.2 T; PID 0.6/a, T, 0.5 L. 20 %: P 0.7/a; PI 0.6/a, T; PID
    0.95/a, 1.4 T, 0.47 L. Load, 0 %: P 0.3/a; PI 0.6/a, 4 L; PID 0.95/a, 2.4 L, 0.42 L. 20 %: P
    0.7/a; PI 0.7/a, 2.3 L; PID 1.2/a, 2 L, 0.42 L.

    References
    ----------
    K. L. Chien, J. A. Hrones, J. B. Reswick, On the automatic control of generalized passive
    systems, Transactions of the ASME 74 (1952) 175-185 (from memory).
    """
    table = _CHR.get((aim, overshoot_percent), {})
    if kind not in table:
        raise unknown_kind(f"Chien, Hrones and Reswick ({aim}, {overshoot_percent} %)", kind)
    share, integral, unit, derivative = table[kind]
    if unit == "T":
        self_regulating(model, "Chien, Hrones and Reswick for the setpoint")
    gain, dead = share / normalized_gain(model), model.dead_time_s
    if not unit:
        return RuleGains(gain)
    return RuleGains(gain, integral * (model.lag1_s if unit == "T" else dead), derivative * dead)


def lambda_pi(model: ReducedModel, closed_loop_s: float) -> RuleGains:
    """Return PI settings that cancel the lag and leave a wanted closed-loop time constant.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time.
    closed_loop_s : float
        Wanted closed-loop time constant lambda [s].

    Returns
    -------
    RuleGains
        T/(K (lambda + L)), T.

    References
    ----------
    E. B. Dahlin, Designing and tuning digital controllers, Instruments and Control Systems 41(6)
    (1968) 77-83 (from memory).
    """
    self_regulating(model, "lambda tuning")
    horizon = _horizon(model, closed_loop_s)
    return RuleGains(-model.lag1_s / (model.gain * horizon), model.lag1_s)


def internal_model(model: ReducedModel, kind: Kind, closed_loop_s: float) -> RuleGains:
    """Return the settings that internal model control makes of one lag and a dead time.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time.
    kind : {"PI", "PID"}
        Kind of control; PI is the rule called improved.
    closed_loop_s : float
        Time constant lambda of the filter [s].

    Returns
    -------
    RuleGains
        PI: (2 T + L)/(2 K lambda), T + L/2. PID: (2 T + L)/(K (2 lambda + L)), T + L/2,
        T L/(2 T + L).

    References
    ----------
    D. E. Rivera, M. Morari, S. Skogestad, Internal model control: PID controller design, Industrial
    and Engineering Chemistry Process Design and Development 25 (1986) 252-265, table 2 (from
    memory): lambda above 1.7 L and 0.2 T for PI, above 0.8 L for PID.
    """
    self_regulating(model, "internal model control")
    dead, lag = model.dead_time_s, model.lag1_s
    _horizon(model, closed_loop_s)
    ti = lag + 0.5 * dead
    if kind == "PI":
        return RuleGains(-ti / (model.gain * closed_loop_s), ti)
    if kind == "PID":
        gain = -ti / (model.gain * (closed_loop_s + 0.5 * dead))
        return RuleGains(gain, ti, lag * dead / (2.0 * lag + dead))
    raise unknown_kind("internal model control", kind)


def _horizon(model: ReducedModel, closed_loop_s: float) -> float:
    if model.gain == 0.0 or not closed_loop_s > 0.0:
        raise Infeasible(
            "The rule needs a gain and a closed-loop time constant above zero.",
            "State the closed-loop time constant that is wanted.",
        )
    return closed_loop_s + model.dead_time_s


def amigo_step(model: ReducedModel, kind: Kind) -> RuleGains:
    """Return the AMIGO settings of a step response: fitted to optima with M = 1.4.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time; an integrator is allowed.
    kind : {"PI", "PID"}
        Kind of control.

    Returns
    -------
    RuleGains
        In the ideal form; of PID the setpoint weight is 0 where the lag outweighs the dead time.

    Notes
    -----
    PI: (0.15 + (0.35 - L T/(L + T)^2) T/L)/K, 0.35 L + 13 L T^2/(T^2 + 12 L T + 7 L^2); integrator
    0.35/(K L), 13.4 L. PID: (0.2 + 0.45 T/L)/K, L (0.4 L + 0.8 T)/(L + 0.1 T), 0.5 L T/(0.3 L + T);
    integrator 0.45/(K L), 8 L, 0.5 L.

    References
    ----------
    K. J. Astrom, T. Hagglund, Revisiting the Ziegler-Nichols step response method for PID control,
    Journal of Process Control 14 (2004) 635-650; Advanced PID Control (2006), equations 7.5 and 7.7
    (from memory).
    """
    normalized_gain(model)
    gain, dead, lag = -model.gain, model.dead_time_s, model.lag1_s
    if kind not in ("PI", "PID"):
        raise unknown_kind("AMIGO", kind)
    if model.integrating:
        if kind == "PI":
            return RuleGains(0.35 / (gain * dead), 13.4 * dead)
        return RuleGains(0.45 / (gain * dead), 8.0 * dead, 0.5 * dead, b=0.0)
    if kind == "PI":
        share = 0.15 + (0.35 - dead * lag / (dead + lag) ** 2) * lag / dead
        ti = 0.35 * dead + 13.0 * dead * lag**2 / (lag**2 + 12.0 * dead * lag + 7.0 * dead**2)
        return RuleGains(share / gain, ti)
    return RuleGains(
        (0.2 + 0.45 * lag / dead) / gain,
        dead * (0.4 * dead + 0.8 * lag) / (dead + 0.1 * lag),
        0.5 * dead * lag / (0.3 * dead + lag),
        b=0.0 if dead < lag else 1.0,
    )


def amigo_pi_2002(model: ReducedModel) -> RuleGains:
    """Return the first AMIGO rule for PI control.

    Parameters
    ----------
    model : ReducedModel
        Gain, lag and dead time.

    Returns
    -------
    RuleGains
        (0.14 + 0.28 T/L)/K, 0.33 L + 6.8 L T/(10 L + T).

    References
    ----------
    T. Hagglund, K. J. Astrom, Revisiting the Ziegler-Nichols tuning rules for PI control, Asian
    Journal of Control 4 (2002) 364-380 (from memory).
    """
    self_regulating(model, "Hagglund and Astrom (2002)")
    normalized_gain(model)
    dead, lag = model.dead_time_s, model.lag1_s
    gain = (0.14 + 0.28 * lag / dead) / -model.gain
    return RuleGains(gain, 0.33 * dead + 6.8 * dead * lag / (10.0 * dead + lag))
