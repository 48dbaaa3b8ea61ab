"""Lanes while they are driven: when one has ended, and whether a cross-line was among them."""

from __future__ import annotations

import numpy as np

#: Places are taken so far apart, m.
_APART_M = 2.0
#: A straight run of so many meters is a lane.
_LANE_M = 40.0
#: The boat's heading is that of its last way of so many meters.
_HEADING_M = 12.0
#: A boat that has turned so far from its lane has ended it, degrees.
_TURNED = 30.0
#: A cross-line meets lanes at more than this, degrees.
_ACROSS = 45.0


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
        ended = False
        for place in np.column_stack([x, y]):
            if np.isfinite(place).all():
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
        return any(
            crossed >= max(0.5 * (len(self.lanes) - 1), 1.0)
            for crossed in map(self._crossed, self.lanes)
        )

    def _crossed(self, line) -> int:
        return sum(
            _angle(line, other) > _ACROSS and _cross(line, other)
            for other in self.lanes
            if other is not line
        )

    def _step(self, place):
        if not self._way:
            self._way = [place]
            return False
        step = float(np.hypot(*(place - self._way[-1])))
        if step < _APART_M:
            return False
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
        return _angle(whole, np.array([recent[0], recent[-1]]), directed=True) > _TURNED

    def _recent(self):
        count = 2
        while (
            count < len(self._way) and np.hypot(*(self._way[-1] - self._way[-count])) < _HEADING_M
        ):
            count += 1
        return self._way[-count:]

    def _turn(self):
        recent = self._recent()
        end = self._way[-len(recent)]
        was_lane = np.hypot(*(end - self._way[0])) >= _LANE_M
        if was_lane:
            self.lanes.append(np.array([self._way[0], end]))
        self._way = list(recent)
        self._length = float(np.hypot(*np.diff(np.array(recent), axis=0).T).sum())
        return bool(was_lane)


def _angle(one, other, directed=False) -> float:
    """Return the angle between two lines, degrees; 0 to 90, or to 180 where they are directed."""
    a, b = one[1] - one[0], other[1] - other[0]
    cosine = (a @ b) / max(np.hypot(*a) * np.hypot(*b), 1e-12)
    return float(np.degrees(np.arccos(np.clip(cosine if directed else abs(cosine), -1.0, 1.0))))


def _cross(one, other) -> bool:
    def side(line, place):
        (x0, y0), (x1, y1) = line
        return (x1 - x0) * (place[1] - y0) - (y1 - y0) * (place[0] - x0)

    return (
        side(one, other[0]) * side(one, other[1]) <= 0.0
        and side(other, one[0]) * side(other, one[1]) <= 0.0
    )
