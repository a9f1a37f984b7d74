"""A denser look at an envelope: gas loads, setpoints and tolerances between those tuned for.

Settings are tuned for tens of plants and checked at many times more, and on either side of the
bends of the map from output to pumps, where the loop's gain jumps. And at the ends of all
tolerances at once, which no sensible setting is tuned for, the loop must still be stable.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise, product
from typing import TYPE_CHECKING, NamedTuple

from chamberctl.control.envelope import Envelope, EnvelopePlant, envelope_of
from chamberctl.control.map_bends import bends, plants_at_bends
from chamberctl.control.tolerance_cases import Case, Cases

if TYPE_CHECKING:
    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study
    from chamberctl.study.loop import Hold


class Spacing(NamedTuple):
    """How closely gas loads and setpoints lie between those of a duty.

    Parameters
    ----------
    gas_steps : int
        Equal ratios into which the range of gas loads of each hold is divided, at least.
    setpoint_steps : int
        The same between two setpoints.
    per_decade : int
        Equal ratios per decade of either, at least.
    """

    gas_steps: int
    setpoint_steps: int
    per_decade: int

    def steps(self, least: int, low: float, high: float) -> int:
        """Return into how many equal ratios a range is divided.

        Parameters
        ----------
        least : int
            The fewest, `gas_steps` or `setpoint_steps`.
        low, high : float
            Ends of the range, in any unit; one that begins at 0 has no decades.
        """
        decades = math.log10(high / low) if low > 0.0 else 0.0
        return max(least, math.ceil(decades * self.per_decade - 1e-9))


COARSE = Spacing(4, 3, 4)
"""For everything that is known within a tolerance only."""

FINE = Spacing(12, 3, 24)
"""For what comes near a limit: a peak between two setpoints 10 % apart is found to 1e-3."""

MOST_COMBINED = 6
"""So many groups are at their ends at once; the first ones matter most."""


def dense_envelope(
    study: Study,
    points: Sequence[OperatingPoint],
    between: tuple[Study, Sequence[OperatingPoint]],
    finely: Callable[[], tuple[Study, Sequence[OperatingPoint]]],
) -> Envelope:
    """Return many more plants of a study's envelope.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    points : sequence of OperatingPoint
        Its duty points.
    between : tuple of (Study, sequence of OperatingPoint)
        From `between_study`, with its duty points.
    finely : callable
        Gives the same, closely spaced; asked where the map from output to pumps has bends, for the
        plants beside them differ from all others.

    Returns
    -------
    Envelope
        Plants, and what is lost.
    """
    own = envelope_of(study, points, list(_between_ends(Cases(study))))
    inner = envelope_of(*between, list(_halves(Cases(between[0]))))
    bent: list[EnvelopePlant] = []
    if bends(study):
        closely, beside = finely()
        hard = [case for case in Cases(closely).tuned_for() if len(case.ends) != 1]
        bent = plants_at_bends(beside, hard)
    return Envelope((*own.plants, *inner.plants, *bent), (*own.lost, *inner.lost))


def fine_envelope(
    finely: tuple[Study, Sequence[OperatingPoint]], every: Iterable[Case]
) -> Envelope:
    """Return some cases at closely spaced gas loads and setpoints.

    Parameters
    ----------
    finely : tuple of (Study, sequence of OperatingPoint)
        From `between_study` with FINE, with its duty points.
    every : iterable of Case
        Cases of the study itself, or of another one between its holds.
    """
    cases = Cases(finely[0])
    same = [cases.same(case) for case in every]
    found = envelope_of(*finely, same)
    return Envelope((*found.plants, *plants_at_bends(finely[1], same)), found.lost)


def fine_envelopes(
    finely: tuple[Study, Sequence[OperatingPoint]], every: Sequence[Case]
) -> list[Envelope]:
    """Return what `fine_envelope` does, for each case apart, but found together.

    Parameters
    ----------
    finely, every
        As for `fine_envelope`.

    Returns
    -------
    list of Envelope
        Plants of each case; what is lost is not told.
    """
    cases = Cases(finely[0])
    found = fine_envelope(finely, every).plants
    labels = [cases.same(case).label for case in every]
    return [
        Envelope(tuple(plant for plant in found if plant.case.label == label), ())
        for label in labels
    ]


def corner_envelope(study: Study, points: Sequence[OperatingPoint]) -> Envelope:
    """Return the duty points with every tolerance at one of its ends, all at once.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    points : sequence of OperatingPoint
        Its duty points.
    """
    cases = Cases(study)
    corners = cases.bases
    for group in cases.groups[:MOST_COMBINED]:
        corners = [
            cases.moved(corner, [(group.name, end)]) for corner in corners for end in (-1.0, 1.0)
        ]
    return envelope_of(study, points, corners)


def _between_ends(cases: Cases) -> Iterator[Case]:
    """Yield what is tuned for together, at the ends and in the middle of each tolerance."""
    for base in cases.bases:
        for ends in product((-1.0, 0.0, 1.0), repeat=len(cases.together)):
            yield cases.moved(base, list(zip(cases.together, ends, strict=True)))


def _halves(cases: Cases) -> Iterator[Case]:
    """Yield all that is tuned for, and each group with half its tolerance used."""
    yield from cases.tuned_for()
    for group in cases.groups:
        yield from (cases.moved(cases.bases[0], [(group.name, end)]) for end in (-0.5, 0.5))


def between_study(study: Study, spacing: Spacing = COARSE) -> Study:
    """Return the study with gas loads and setpoints between those of its duty.

    Parameters
    ----------
    study : Study
        The study; its own holds keep their numbers.
    spacing : Spacing
        How closely they lie.
    """
    holds = study.duty.holds
    finer = [hold.model_copy(update={"gas_loads_pa_m3_s": _finer(hold, spacing)}) for hold in holds]
    ranked = sorted(holds, key=lambda hold: hold.setpoint_pa)
    for low, high in pairwise(ranked):
        if high.setpoint_pa > low.setpoint_pa:
            steps = spacing.steps(spacing.setpoint_steps, low.setpoint_pa, high.setpoint_pa)
            finer += [hold_between(low, high, step / steps) for step in range(1, steps)]
    duty = study.duty.model_copy(update={"holds": tuple(finer)})
    return study.model_copy(update={"duty": duty})


def _finer(hold: Hold, spacing: Spacing) -> tuple[float, ...]:
    low, high = min(hold.gas_loads_pa_m3_s), max(hold.gas_loads_pa_m3_s)
    steps = spacing.steps(spacing.gas_steps, low, high)
    inner = [_ratio(low, high, step / steps) for step in range(steps + 1)] if low < high else []
    return tuple(sorted({*hold.gas_loads_pa_m3_s, *inner}))


def hold_between(low: Hold, high: Hold, share: float) -> Hold:
    """Return a hold between two, its range of gas load between theirs.

    Parameters
    ----------
    low, high : Hold
        The two.
    share : float
        How far from the one to the other, 0 to 1.
    """
    ends = [
        _ratio(end(low.gas_loads_pa_m3_s), end(high.gas_loads_pa_m3_s), share) for end in (min, max)
    ]
    setpoint = _ratio(low.setpoint_pa, high.setpoint_pa, share)
    update = {"setpoint_pa": setpoint, "gas_loads_pa_m3_s": tuple(sorted(set(ends)))}
    return low.model_copy(update=update)


def _ratio(low: float, high: float, share: float) -> float:
    """Interpolate in the logarithm, or linearly where an end is 0."""
    if low <= 0.0 or high <= 0.0:
        return low + share * (high - low)
    return low * math.exp(share * math.log(high / low))
