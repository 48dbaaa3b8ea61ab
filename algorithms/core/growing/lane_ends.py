"""Lanes while they are driven: when one has ended, and whether a cross-line was among them."""

from __future__ import annotations

import numpy as np

from .cross_line import has_cross_line

#: Places are taken so far apart, m.
_APART_M = 2.0
#: A straight run of so many meters is a lane.
_LANE_M = 40.0
#: The boat's heading is that of its last way of so many meters.
_HEADING_M = 12.0
#: A boat that has turned so far from its lane has ended it, degrees.
_TURNED = 30.0
#: A way of so many meters without a place between them ends a lane.
_GAP_M = 50.0


class LaneEnds:
    """Follows the boat; memory grows by one line for each lane.

    A lane is a run that stays within :data:`_TURNED` degrees of its own heading for
    :data:`_LANE_M`.

    Attributes
    ----------
    lanes : list of array, shape (2, 2)
        Begin and end of each lane that has ended, m.
    """

    def __init__(self):
        self.lanes = []
        self._way, self._length = [], 0.0

    def add(self, x: np.ndarray, y: np.ndarray) -> bool:
        """Take places of the boat in their order, m; return whether a lane has ended."""
        places, ended = np.column_stack([x, y]), False
        for place in places[np.isfinite(places).all(axis=1)]:
            ended |= self._step(place)
        return ended

    @property
    def current(self) -> np.ndarray | None:
        """Begin and present end of the lane that is being driven, shape (2, 2), or None."""
        if self._length < _LANE_M:
            return None
        return np.array([self._way[0], self._way[-1]])

    def cross_line(self) -> bool:
        """Tell whether a lane crossed at least half of the others, all at an angle."""
        return has_cross_line(np.array(self.lanes))

    def _step(self, place):
        if not self._way:
            self._way = [place]
            return False
        step = float(np.hypot(*(place - self._way[-1])))
        if step < _APART_M:
            return False
        if step > _GAP_M:
            return self._leave([place])
        self._way.append(place)
        self._length += step
        if len(self._way) < 3 or not self._has_turned():
            return False
        return self._turn()

    def _has_turned(self):
        recent = self._recent()
        whole = np.array([self._way[0], self._way[-len(recent)]])
        if np.hypot(*np.diff(whole, axis=0)[0]) < _APART_M:
            return False
        return _angle(whole, np.array([recent[0], recent[-1]])) > _TURNED

    def _recent(self):
        count = 2
        while (
            count < len(self._way) and np.hypot(*(self._way[-1] - self._way[-count])) < _HEADING_M
        ):
            count += 1
        return self._way[-count:]

    def _turn(self):
        recent = list(self._recent())
        del self._way[len(self._way) - len(recent) + 1 :]
        return self._leave(recent)

    def _leave(self, onward):
        """Begin another run; return whether the one so far was a lane."""
        run = np.array([self._way[0], self._way[-1]])
        was_lane = bool(np.hypot(*(run[1] - run[0])) >= _LANE_M)
        if was_lane:
            self.lanes.append(run)
        self._way = onward
        self._length = float(np.hypot(*np.diff(np.array(onward), axis=0).T).sum())
        return was_lane


def _angle(one, other) -> float:
    """Return by how much two runs differ in heading, degrees, 0 to 180."""
    a, b = one[1] - one[0], other[1] - other[0]
    cosine = (a @ b) / max(np.hypot(*a) * np.hypot(*b), 1e-12)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
