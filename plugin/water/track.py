"""Where the boat was in the last minutes, by the time at which its fixes arrived."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from math import cos, hypot, radians

#: How long fixes are held, us.
_HELD_US = 120_000_000
#: The boat's velocity is that of the last so many us, and is carried on for so long.
_REACH_US = 2_000_000
#: A pause between fixes across which no place is known, us.
_PAUSE_US = 10_000_000
_DEGREE_M = 111_320.0


class Track:
    """The last fixes: monotonic time, us, and longitude and latitude, degrees."""

    def __init__(self):
        self._times, self._places = deque(), deque()

    def add(self, us, lon, lat):
        """Add a fix; one that is not newer than the last is passed by."""
        if self._times and us <= self._times[-1]:
            return
        self._times.append(us)
        self._places.append((lon, lat))
        while us - self._times[0] > _HELD_US:
            self._times.popleft()
            self._places.popleft()

    @property
    def places(self) -> list:
        """The places (longitude, latitude) from the oldest, after the last pause."""
        times, places = list(self._times), list(self._places)
        for i in range(len(times) - 1, 0, -1):
            if times[i] - times[i - 1] > _PAUSE_US:
                return places[i:]
        return places

    @property
    def newest_us(self):
        """Time of the newest fix, None before the first."""
        return self._times[-1] if self._times else None

    def at(self, us):
        """Return longitude and latitude at a time, or None where no fix is near.

        Between two fixes it is interpolated; after the last, the boat goes on as before for at most
        two seconds.
        """
        times = list(self._times)
        after = bisect_left(times, us)
        if after == len(times):
            return self._beyond(us)
        if times[after] == us:
            return self._places[after]
        if after == 0:
            return self._places[0] if times[0] - us <= _REACH_US else None
        before = after - 1
        span = times[after] - times[before]
        if span > _PAUSE_US:
            near = after if times[after] - us < us - times[before] else before
            return self._places[near] if abs(times[near] - us) <= _REACH_US else None
        return _between(self._places[before], self._places[after], (us - times[before]) / span)

    def _beyond(self, us):
        if not self._times or us - self._times[-1] > _PAUSE_US:
            return None
        last_us, last = self._times[-1], self._places[-1]
        first = next(i for i in range(len(self._times)) if last_us - self._times[i] <= _REACH_US)
        span = last_us - self._times[first]
        if span == 0:
            return last
        return _between(self._places[first], last, 1.0 + min(us - last_us, _REACH_US) / span)


def meters_between(one, other) -> float:
    """Return how far two near places (longitude, latitude) are from each other, m."""
    east = (other[0] - one[0]) * cos(radians(one[1]))
    return _DEGREE_M * hypot(east, other[1] - one[1])


def _between(one, other, share):
    return tuple(a + share * (b - a) for a, b in zip(one, other))
