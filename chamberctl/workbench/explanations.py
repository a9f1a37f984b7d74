"""What to look at in each picture of the page, the formula behind it, and where that comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chamberctl.figures.load_curves import MOST_LOADS

if TYPE_CHECKING:
    from chamberctl.plant.window import OperatingWindow


@dataclass(frozen=True)
class Explanation:
    """What goes with a picture.

    Parameters
    ----------
    look : str
        What to look at, to follow "Look at".
    formula : str
        In markdown with formulas between dollar signs.
    source : str
        Where formula and numbers come from.
    """

    look: str
    formula: str
    source: str


EXPLANATIONS: Mapping[str, Explanation] = {
    "answers": Explanation(
        "how far the reading leaves the dotted hold band and how soon it is back; below, how much "
        "the drive has to move for it.",
        "Deviation variables: $d = 100\\,(p/p_0 - 1)$ and $\\Delta n = n - n_0$, with $p_0$ and "
        "$n_0$ at rest before the step. Physical variables: $p = p_0\\,(1 + d/100)$ and "
        "$n = n_0 + \\Delta n$. A controller on a log10 reading sees "
        "$y = \\log_{10} p$, so its error is $\\log_{10}(p/r)$.\n\n"
        "*Linear*: the law runs scan by scan on the plant's linear model, exact between the scans, "
        "without limits and ramps. *On the plant*: the same law on the nonlinear plant, with "
        "ramps, limits, rounding and the gauge's range; thin, what the linear loop predicts.",
        "The plant's equations are listed in the documentation; sampling behind a zero-order hold "
        "with the exact dead time is textbook (from memory).",
    ),
    "trade-off": Explanation(
        "how much integrated error a calmer loop leaves after a gas step, left, and how little is "
        "won beyond the pace you have. Dots are the ready choices, the ring what the study asks "
        "for.",
        "$M_s = \\max_\\omega |1/(1 + L)|$ is the largest peak over all plants: duty points and "
        "everything known within a tolerance at its ends. At each $M_s$ the settings shown have "
        "the most integral action $K_c/T_i$ that keeps it.",
        "The optimum is that of K. J. Astrom, H. Panagopoulos, T. Hagglund, Design of PI "
        "controllers based on non-convex optimization, Automatica 34 (1998) 585-601, for many "
        "plants at once (from memory).",
    ),
    "frequency": Explanation(
        "whether the thick curve stays out of the hatched circle around \u22121, how far the phase "
        "lies above \u2212180 degrees where the gain crosses 1, and which duty point comes "
        "nearest to the limit of Ms.",
        "The loop is $L(z) = -K(z)\\,G(z)$ at $z = e^{j\\omega T_s}$, and "
        "$M_s = \\max_\\omega |1/(1 + L)|$: the curve comes as near to \u22121 as $1/M_s$. The "
        "gain margin is at least $M_s/(M_s - 1)$, the phase margin at least "
        "$2\\arcsin(1/(2 M_s))$.",
        "Astrom and Hagglund, Advanced PID Control (2006), from memory. Dead time is exact, there "
        "is no approximation of it.",
    ),
    "runs": Explanation(
        "whether the reading stays within the dotted hold band, and where the speed stands at a "
        "limit or rises no faster than its ramp: there no gain helps.",
        "Each run is the sampled law on the nonlinear plant: balances $V\\,dp/dt = q_{in} - "
        "q_{out}$ of every volume, drive with dead time, ramp and lag, gauge with lag, range and "
        "counts. The linear prediction knows neither ramps nor limits.",
        "The plant's equations and the metrics are listed in the documentation.",
    ),
    "draws": Explanation(
        "how wide the gray band is, and whether the worst draw still returns into the hold band.",
        "Each draw multiplies every uncertain input by a factor, uniform between $1 - t$ and "
        "$1 + t$ with its tolerance $t$, and has noise of its own. A draw depends on the seed and "
        "its number alone.",
        "Uniform within a tolerance is assumed: a tolerance names a half width and nothing else.",
    ),
}


def window_look(window: OperatingWindow) -> str:
    """Return what to look at in the picture of a window, to follow "Look at"."""
    loads = len(window.gas_loads_pa_m3_s)
    where = "on a curve"
    if loads > MOST_LOADS:
        where = f"on a curve or between two, {MOST_LOADS} of the {loads} gas loads being drawn,"
    return (
        f"whether every numbered duty point lies {where} and how far it is from the ends of the "
        "drive's range: that is the reserve."
    )
