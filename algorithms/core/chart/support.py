"""Where the data support a contour interval."""

from __future__ import annotations

import heapq

import numpy as np

from ..grid import Grid

# Half an interval with 90 % confidence, expressed at 95 %: 0.5 * 1.959964 / 1.644854.
SUPPORT = 0.595787
NORMAL_95 = 1.959964
# Lines change between supported and not at most once in so many cells.
FLICKER_CELLS = 5.0


def supports(sd: float | np.ndarray, interval: float) -> bool | np.ndarray:
    """Tell whether a standard deviation of depth supports an interval, both in one unit.

    Nine depths in ten are right within half the interval: the rule of the National Map Accuracy
    Standards, expressed at the 95 % level of the NSSDA, ``1.96 sd <= 0.596 interval``.

    >>> supports(0.30, 1.0), supports(0.31, 1.0)
    (True, False)
    """
    return NORMAL_95 * sd <= SUPPORT * interval


def split_by_support(xy: np.ndarray, uncertainty: Grid | None, interval: float) -> list:
    """Split a line where the data begin or cease to support the interval.

    Parameters
    ----------
    xy : array, shape (k, 2)
    uncertainty : Grid or None
    interval : float
        m.

    Returns
    -------
    list of (array, int or None)
        Parts in order, and whether each is supported.
    """
    if uncertainty is None:
        return [(xy, None)]
    spread = uncertainty.sample(*(0.5 * (xy[:-1] + xy[1:])).T)
    supported = np.asarray(supports(spread, interval))
    if supported.all() or not supported.any():
        return [(xy, int(supported[0]))]
    if np.array_equal(xy[0], xy[-1]):
        shift = int(np.flatnonzero(np.diff(supported))[0]) + 1
        xy = np.vstack([xy[shift:-1], xy[: shift + 1]])
        supported = np.roll(supported, -shift)
    lengths = np.hypot(*np.diff(xy, axis=0).T)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(supported)) + 1])
    runs = [
        [int(s), float(v), bool(supported[s])]
        for s, v in zip(starts, np.add.reduceat(lengths, starts))
    ]
    runs = _without_flicker(runs, FLICKER_CELLS * min(uncertainty.dx, uncertainty.dy))
    stops = [int(run[0]) for run in runs[1:]] + [len(xy) - 1]
    return [(xy[int(a) : b + 1], int(state)) for (a, _, state), b in zip(runs, stops)]


def _without_flicker(runs: list, least: float) -> list:
    """Join runs (start, length, state) shorter than a length to their neighbors.

    The shortest goes first; its neighbors on both sides are alike, so that all three are one.
    """
    runs, n = list(runs), len(runs)
    before, after = list(range(-1, n - 1)), [*range(1, n), -1]
    heap = [(run[1], k) for k, run in enumerate(runs)]
    heapq.heapify(heap)
    while heap:
        length, k = heapq.heappop(heap)
        if runs[k] is None or runs[k][1] != length:
            continue
        a, b = before[k] if before[k] >= 0 else k, after[k] if after[k] >= 0 else k
        if length >= least or a == b:
            break
        joined = sorted({a, k, b})
        state = runs[a if a != k else b][2]
        total = sum(runs[i][1] for i in joined)
        after[a], start = after[b], runs[a][0]
        if after[b] >= 0:
            before[after[b]] = a
        for i in joined[1:]:
            runs[i] = None
        runs[a] = [start, total, state]
        heapq.heappush(heap, (total, a))
    return [run for run in runs if run is not None]
