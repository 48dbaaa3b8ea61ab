"""Today's lake level from depths alone: where the boat crosses what was sounded before."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..soundings import Soundings

#: Soundings nearer than this are of one place, m.
_NEAR_M = 3.0
#: A level is told from so many pairs of places at least.
_LEAST = 30
#: Places are blocks of so many meters, so that a boat that stands counts once.
_BLOCK_M = 5.0
#: What no number of pairs makes surer: bottom and position differ from visit to visit, m.
_FLOOR_M = 0.03


class LevelFit:
    """Fits today's depths to earlier ones.

    Parameters
    ----------
    earlier : Soundings or None
        In meters, relative to the lake datum.
    """

    def __init__(self, earlier: Soundings | None):
        self._tree, self._depth = None, np.zeros(0)
        self._found: dict[tuple, list] = {}
        if earlier is not None and len(earlier):
            kept = earlier.select(earlier.accepted)
            self._tree = cKDTree(np.column_stack([kept.x, kept.y]))
            self._depth = kept.depth

    @property
    def count(self) -> int:
        """Number of earlier soundings."""
        return len(self._depth)

    def add(self, soundings: Soundings) -> None:
        """Take soundings of today, in the same system."""
        kept = soundings.select(soundings.accepted)
        if self._tree is None or not len(kept):
            return
        xy = np.column_stack([kept.x, kept.y])
        away, near = self._tree.query(xy, distance_upper_bound=_NEAR_M)
        there = np.isfinite(away)
        difference = self._depth[near[there]] - kept.depth[there]
        for block, value in zip(np.floor(xy[there] / _BLOCK_M).astype(int).tolist(), difference):
            self._found.setdefault(tuple(block), []).append(float(value))

    def fitted(self) -> tuple | None:
        """Return what is to be added to today's depths, its standard uncertainty (m), and the places.

        None where too few places were crossed. The shift is the median over places; the
        uncertainty that of a median, pi / 2 times the variance of a mean.
        """
        if len(self._found) < _LEAST:
            return None
        places = np.array([np.median(values) for values in self._found.values()])
        shift = float(np.median(places))
        spread = 1.4826 * float(np.median(np.abs(places - shift)))
        sigma = float(np.hypot(_FLOOR_M, spread * np.sqrt(np.pi / 2.0 / len(places))))
        return shift, sigma, len(places)
