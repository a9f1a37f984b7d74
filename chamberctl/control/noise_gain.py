"""How far noise on the reading moves the speed: the largest |K S|, in the user's terms."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chamberctl.control.loop_excess import largest_noise_gain
from chamberctl.control.loop_grid import Shape, loop_grid
from chamberctl.display import number
from chamberctl.findings import Finding

if TYPE_CHECKING:
    from chamberctl.control.controller import PidSettings
    from chamberctl.plant.linear import LoopModel

Array = NDArray[np.float64]


def noise_gain(models: Sequence[LoopModel], settings: Sequence[PidSettings]) -> Array:
    """Return the largest |K S| of loops models[i] with settings[i].

    Parameters
    ----------
    models : sequence of LoopModel
        N plants.
    settings : sequence of PidSettings
        N settings.

    Returns
    -------
    array, shape (N,)
        [fraction of rated speed per fraction of reading].
    """
    found = []
    for model, law in zip(models, settings, strict=True):
        grid = loop_grid([model], law, (law.integral,))
        shape = Shape(law.ti_s, law.td_s, law.tfd_s)
        found.append(largest_noise_gain(grid, law.kc, shape))
    return np.array(found)


def missed_noise_gain(
    models: Sequence[LoopModel],
    settings: Sequence[PidSettings],
    names: Sequence[str],
    limit: float | None,
) -> Iterator[Finding]:
    """Yield each duty point at which noise moves the speed farther than the duty allows.

    Parameters
    ----------
    models, settings
        As of `noise_gain`.
    names : sequence of str
        Labels of the points.
    limit : float, optional
        The duty's limit; None is no limit.
    """
    if limit is None:
        return
    for where, value in zip(names, noise_gain(models, settings), strict=True):
        if value > limit:
            yield Finding(
                "no",
                "noise",
                f"{where}: noise of 1 % of the reading moves the speed by up to {number(value)} % "
                f"of rated speed, above the duty's limit of {number(limit)}.",
            )
