"""Figures of a surface, gathered part by part."""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode

import numpy as np

# Positive single-precision numbers sort as their bits do; without the lower 13 they are classes
# of a thousandth.
_SHIFT = 13


def figures_of(depth: np.ndarray, sigma: np.ndarray, outside: int) -> list:
    """Return the figures of some cells, to be kept as text and taken in by :class:`Figures`.

    Parameters
    ----------
    depth, sigma : array, single precision
        Depth and its standard uncertainty, m; NaN where there is none.
    outside : int
        Soundings in cells without a depth.

    Returns
    -------
    list
        Cells with a depth, least, greatest and sum of their depths, m, soundings outside, first
        class of uncertainty, and how many cells each class from there on has, packed.
    """
    known = np.isfinite(depth)
    if not known.any():
        return [0, None, None, 0.0, outside, 0, ""]
    depth = depth[known]
    classes = np.ascontiguousarray(sigma[known], dtype=np.float32).view(np.uint32) >> _SHIFT
    first = int(classes.min())
    counts = np.bincount(classes - np.uint32(first)).astype("<u4")
    return [
        len(depth),
        float(depth.min()),
        float(depth.max()),
        float(depth.sum(dtype=float)),
        outside,
        first,
        b64encode(zlib.compress(counts.tobytes())).decode(),
    ]


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
        self._classes = np.zeros(1 << (32 - _SHIFT), dtype=np.int64)

    def add(self, part: list) -> None:
        """Take in what :func:`figures_of` returned of some cells."""
        cells, low, high, total, outside, first, packed = part
        self.outside += outside
        if not cells:
            return
        self.cells += cells
        self.low, self.high = min(self.low, low), max(self.high, high)
        self._sum += total
        counts = np.frombuffer(zlib.decompress(b64decode(packed)), "<u4")
        self._classes[first : first + len(counts)] += counts

    @property
    def mean(self) -> float:
        """Mean depth, m."""
        return self._sum / self.cells

    def uncertainty(self, share: float) -> float:
        """Return the standard uncertainty, m, that ``share`` of the cells do not exceed."""
        found = np.searchsorted(np.cumsum(self._classes), share * self.cells)
        middle = (int(found) << _SHIFT) + (1 << (_SHIFT - 1))
        return float(np.array([middle], dtype=np.uint32).view("f4")[0])
