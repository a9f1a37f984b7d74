"""A denser look at an envelope: gas loads, setpoints and tolerances between those tuned for.

Settings are tuned for tens of plants and checked at many times more: every combination of the ends
of all tolerances, at the duty's own points, and points between them with tolerances half used.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise, product
from typing import TYPE_CHECKING

from chamberctl.control.envelope import Case, Envelope, Group, cases, envelope_of, groups, moved
from chamberctl.plant.window import duty_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from chamberctl.plant.point import OperatingPoint
    from chamberctl.study import Study
    from chamberctl.study.loop import Hold

STEPS = 4
"""Gas loads divide the range of each hold into so many equal ratios, setpoints that between two
holds into half as many."""

MOST_COMBINED = 6
"""So many groups are combined with each other at both ends; the rest alone."""


def dense_envelope(study: Study, points: Sequence[OperatingPoint]) -> Envelope:
    """Return many more plants of a study's envelope.

    Parameters
    ----------
    study : Study
        The study, with tolerances.
    points : sequence of OperatingPoint
        Its duty points.

    Returns
    -------
    Envelope
        Plants, and what is lost.
    """
    nominal, *settled = (case for case in cases(study) if len(case.moved) <= 1)
    undecided = [
        case for case in settled if case.study.system != study.system and _is_settled(case, study)
    ]
    combined = list(_combinations([nominal, *undecided], groups(study)[:MOST_COMBINED]))
    corners = envelope_of(study, points, combined)
    between = between_study(study)
    inner = envelope_of(between, duty_points(between), list(_halves(between)))
    return Envelope((*corners.plants, *inner.plants), (*corners.lost, *inner.lost))


def _is_settled(case: Case, study: Study) -> bool:
    return not case.moved & {group.name for group in groups(study)}


def _combinations(bases: Sequence[Case], combined: Sequence[Group]) -> Iterator[Case]:
    """Yield every base with every group at either end."""
    for base in bases:
        for ends in product((-1.0, 1.0), repeat=len(combined)):
            yield moved(base, list(zip(combined, ends, strict=True)))


def _halves(study: Study) -> Iterator[Case]:
    """Yield all cases of a study, and each group with half its tolerance used."""
    every = list(cases(study))
    yield from every
    for group in groups(study):
        yield from (moved(every[0], [(group, end)]) for end in (-0.5, 0.5))


def between_study(study: Study) -> Study:
    """Return the study with gas loads and setpoints between those of its duty.

    Parameters
    ----------
    study : Study
        The study; its own holds keep their numbers.
    """
    holds = study.duty.holds
    finer = [hold.model_copy(update={"gas_loads_pa_m3_s": _finer(hold)}) for hold in holds]
    ranked = sorted(holds, key=lambda hold: hold.setpoint_pa)
    for low, high in pairwise(ranked):
        if high.setpoint_pa > low.setpoint_pa:
            finer += _between(low, high)
    duty = study.duty.model_copy(update={"holds": tuple(finer)})
    return study.model_copy(update={"duty": duty})


def _finer(hold: Hold) -> tuple[float, ...]:
    low, high = min(hold.gas_loads_pa_m3_s), max(hold.gas_loads_pa_m3_s)
    steps = [share / STEPS for share in range(STEPS + 1)]
    inner = [_ratio(low, high, share) for share in steps] if low < high else []
    return tuple(sorted({*hold.gas_loads_pa_m3_s, *inner}))


def _between(low: Hold, high: Hold) -> list[Hold]:
    """Return holds between two, their ranges of gas load going over from one to the other."""
    found = []
    for step in range(1, STEPS // 2 + 1):
        share = step / (STEPS // 2 + 1)
        ends = [
            _ratio(end(low.gas_loads_pa_m3_s), end(high.gas_loads_pa_m3_s), share)
            for end in (min, max)
        ]
        setpoint = _ratio(low.setpoint_pa, high.setpoint_pa, share)
        loads = tuple(sorted(set(ends)))
        update = {"setpoint_pa": setpoint, "gas_loads_pa_m3_s": loads}
        found.append(low.model_copy(update=update))
    return found


def _ratio(low: float, high: float, share: float) -> float:
    """Interpolate in the logarithm, or linearly where an end is 0."""
    if low <= 0.0 or high <= 0.0:
        return low + share * (high - low)
    return low * math.exp(share * math.log(high / low))
