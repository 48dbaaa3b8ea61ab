"""Figures of a surface, gathered part by part."""

from __future__ import annotations

import numpy as np


class Figures:
    """Figures of a surface, gathered tile by tile, of memory that does not grow.

    Attributes
    ----------
    cells : int
        With a depth.
    low, high : float
        Least and greatest depth, m.
    outside : int
        Soundings in cells without a depth.
    """

    def __init__(self) -> None:
        self.cells, self.low, self.high, self._sum, self.outside = 0, np.inf, -np.inf, 0.0, 0
        # Positive single-precision numbers sort as their bits do; the upper 20 give classes
        # of a four-thousandth.
        self._classes = np.zeros(1 << 20, dtype=np.int64)

    def add(self, depth: np.ndarray, sigma: np.ndarray) -> None:
        """Take in depth and standard uncertainty, m, single precision, of some cells."""
        known = np.isfinite(depth)
        if not known.any():
            return
        depth, sigma = depth[known], np.ascontiguousarray(sigma[known], dtype=np.float32)
        self.cells += len(depth)
        self.low, self.high = min(self.low, depth.min()), max(self.high, depth.max())
        self._sum += float(depth.sum(dtype=float))
        self._classes += np.bincount(sigma.view(np.uint32) >> 12, minlength=len(self._classes))

    @property
    def mean(self) -> float:
        """Mean depth, m."""
        return self._sum / self.cells

    def uncertainty(self, share: float) -> float:
        """Return the standard uncertainty, m, that ``share`` of the cells do not exceed."""
        found = np.searchsorted(np.cumsum(self._classes), share * self.cells)
        return float(np.array([(int(found) << 12) + (1 << 11)], dtype=np.uint32).view("f4")[0])
