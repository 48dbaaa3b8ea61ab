"""Keys by which soundings are found that may be the same: seconds with depths."""

from __future__ import annotations

import numpy as np

from .copied import Side


def halves(values: np.ndarray, step: float) -> tuple:
    """Return values in whole steps, cut off and rounded; what is half a step apart shares one."""
    return values // step, (values + 0.5 * step) // step


class Keys:
    """Seconds with raw depths of soundings: which others come near one of them in both."""

    def __init__(self, side):
        self.seconds = np.unique(np.concatenate(halves(side.ms, 1000)))
        self.depths = np.unique(np.concatenate(halves(side.mm, 1)))
        self.pairs = np.unique(np.concatenate([key for key, _ in self._of(side)]))

    def meet(self, side: Side) -> np.ndarray:
        """Tell which rows of a side come near one of these."""
        meets = np.zeros(len(side.ms), bool)
        for key, there in self._of(side):
            meets |= there & _rank(key, self.pairs)[1]
        return meets

    def _of(self, side):
        for second in halves(side.ms, 1000):
            a, there = _rank(second, self.seconds)
            for depth in halves(side.mm, 1):
                b, also = _rank(depth, self.depths)
                yield a * max(self.depths.size, 1) + b, there & also


def _rank(values, distinct_values) -> tuple:
    """Return places in sorted distinct values, and whether the values are there."""
    if not distinct_values.size:
        return np.zeros(len(values), np.int64), np.zeros(len(values), bool)
    at = np.minimum(np.searchsorted(distinct_values, values), distinct_values.size - 1)
    return at, distinct_values[at] == values
