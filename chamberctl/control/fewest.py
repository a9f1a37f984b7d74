"""As few runs of neighbors as possible, where every part of a good run is good."""

from __future__ import annotations

from collections.abc import Callable, Collection


def fewest_runs(
    count: int, ends: Collection[int], good: Callable[[int, int], bool]
) -> tuple[int, ...] | None:
    """Divide a row of cells into as few good runs as possible.

    Parameters
    ----------
    count : int
        Cells in the row.
    ends : collection of int
        After how many cells a run may end; after the last one it always may.
    good : callable
        Whether the cells from one number up to, not including, another may form a run. It must be
        hereditary: every part of a good run is good.

    Returns
    -------
    tuple of int or None
        Number of the cell after each run, the last one `count`; None where some cell can be in no
        good run.

    Notes
    -----
    Each run is taken as long as it may be. That gives as few as possible: of any other division the
    k-th run ends no later than the k-th run here. For the first that is plain. If it holds for the
    k-th, the next run of the other division, cut off at the front to where the next one here
    begins, is part of a good run and so good; the run here is at least as long.
    """
    places = sorted({end for end in ends if 0 < end < count} | {count})
    found: list[int] = []
    start = 0
    while start < count:
        later = [end for end in places if end > start]
        low, high = 0, len(later)  # the first `low` of them are good
        while low < high:
            middle = (low + high + 1) // 2
            if good(start, later[middle - 1]):
                low = middle
            else:
                high = middle - 1
        if not low:
            return None
        start = later[low - 1]
        found.append(start)
    return tuple(found)
