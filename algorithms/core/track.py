"""The order in which soundings were logged, and whether rows follow a track at all.

Layers come in any order: by place from a spatial index, as a clip or a sort left them. What is
computed must not depend on it, so soundings are put in order of logging before they are used.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .soundings import Soundings, distinct, visit_list

#: Pings of one time stamp that lie farther apart, m, were not logged within a second (15 m/s, and
#: 5 m of scatter at either end): the clock stands still, or two boats logged at once.
_ONE_STAMP_M = 25.0
_BOAT_MS = 15.0
#: Fewer places than this can be a track in any order.
_FEWEST = 12
#: Along a track, places this many rows apart are farther apart than successive ones, by a factor.
_LAG, _FARTHER = 16, 1.5
_NEVER = np.iinfo(np.int64).max
_PART = 500_000
#: Boats that log at once: share of steps that none can go, share of the rows of each, most boats.
_IMPOSSIBLE, _EACH, _BOATS = 0.1, 0.05, 20


def logged_order(soundings: Soundings) -> np.ndarray:
    """Return the row numbers that put soundings in the order in which they were logged.

    Returns
    -------
    int array, shape (n,)
        By visit, then by time; soundings without a time come last in their visit.

    Notes
    -----
    Pings of one time stamp are put along the boat's way from the stamp before to the stamp after,
    and at one place along the trend of the depth, then by all other values. So the order of the
    rows given decides nothing, with one exception: where there is no time, or the clock stands
    still, rows that follow a track (:func:`follows_track`) are all that is known of it, and keep
    their order. Others get an order that depends on their places only and looks like no track.
    Boats that logged at once under the name of one visit come one after the other.
    """
    visit, stamp = _keys(soundings)
    order = np.lexsort((stamp, visit))
    apart = _boat_by_boat(soundings, order, visit, stamp)
    if apart is not visit:
        visit, order = apart, np.lexsort((stamp, apart))
    visit, stamp = visit[order], stamp[order]
    if not ((visit[1:] == visit[:-1]) & (stamp[1:] == stamp[:-1])).any():
        return order
    runs = _Runs.of(visit, stamp, soundings.x[order], soundings.y[order])
    clock = ~_mostly(runs.loose[runs.number], visit)
    tied = (runs.count > 1)[runs.number]
    timed = tied & (stamp != _NEVER) & (clock | ~runs.loose[runs.number])
    if timed.any():
        order = _along_the_way(soundings, order, runs, timed)
    if (tied & ~timed).any():
        order = _without_clock(soundings, order, runs, tied & ~timed, clock)
    return order


def in_logged_order(soundings: Soundings, order: np.ndarray | None = None) -> Soundings:
    """Return the soundings in the order of :func:`logged_order`, given if it is known already."""
    order = logged_order(soundings) if order is None else order
    return soundings if (order[1:] > order[:-1]).all() else soundings.select(order)


def without_track(soundings: Soundings) -> np.ndarray:
    """Return a mask, shape (n,), of the soundings of which no track is known.

    Parameters
    ----------
    soundings : Soundings
        In the order of :func:`logged_order`, or of logging.

    Returns
    -------
    array of bool
        True where neither times nor the order of rows tell where the boat went, as in a coarsened
        copy. Crossings, lanes and tests along the track have no meaning there.
    """
    visit, stamp = _keys(soundings)
    order = np.lexsort((stamp, visit))
    runs = _Runs.of(visit[order], stamp[order], soundings.x[order], soundings.y[order])
    loose = np.zeros(len(soundings), dtype=bool)
    loose[order] = runs.loose[runs.number]
    out = np.zeros(len(soundings), dtype=bool)
    if not loose.any():
        return out
    # In a visit that has a clock, what has no time may still be a stretch of track of its own.
    asked = _mostly(loose, visit) | (stamp == _NEVER)
    for number in np.unique(visit[asked]):
        rows = np.flatnonzero(asked & (visit == number))
        out[rows] = not follows_track(soundings.x[rows], soundings.y[rows])
    return out


def track_notes(soundings: Soundings) -> list:
    """Return what to tell about soundings of which no track is known: one note, or none.

    Parameters
    ----------
    soundings : Soundings
        As for :func:`without_track`.
    """
    lost = without_track(soundings)
    if not lost.any():
        return []
    return [
        f"{lost.sum()} soundings ({visit_list(soundings.visit[lost])}) have no usable times, and "
        "their rows do not follow a track. What needs the track leaves them out. Use soundings "
        "with their times where you can."
    ]


def follows_track(x: npt.ArrayLike, y: npt.ArrayLike) -> bool:
    """Tell whether places come one after the other as a boat passes them.

    Parameters
    ----------
    x, y : array, shape (n,)
        m.

    Returns
    -------
    bool
        True for fewer than a dozen different places, which no order tells apart.

    Notes
    -----
    Where rows have been shuffled, or sorted by one coordinate, places many rows apart are as far
    from each other as successive ones; along a track they are farther. Squares of a grid, line
    after line in one direction, are the order of a list and not of a boat.

    Examples
    --------
    >>> x = np.arange(0.0, 100.0, 2.0)
    >>> follows_track(x, 0.3 * x)
    True
    >>> shuffled = (np.arange(50) * 17) % 50
    >>> follows_track(x[shuffled], 0.3 * x[shuffled])
    False
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    placed = np.isfinite(x) & np.isfinite(y)
    x, y = x[placed], y[placed]
    moved = (np.diff(x, prepend=np.nan) != 0) | (np.diff(y, prepend=np.nan) != 0)
    x, y = x[moved], y[moved]
    if x.size < _FEWEST:
        return True
    if _line_by_line(x, y) or _line_by_line(y, x):
        return False
    lag = min(_LAG, x.size // 4)
    step = np.hypot(np.diff(x), np.diff(y))
    far = np.hypot(x[lag:] - x[:-lag], y[lag:] - y[:-lag])
    # The mean also where the boat lay still for hours, the median also with fixes far off.
    return any(bool(usual(far) > _FARTHER * usual(step)) for usual in (np.mean, np.median))


def _line_by_line(x, y) -> bool:
    """Tell whether rows are squares of a grid, line after line along x in one direction."""
    along, across = np.diff(x), np.diff(y)
    same = across == 0.0
    if same.all() or np.mean(same) < 0.5:
        return False
    one_side = (across >= 0.0).all() or (across <= 0.0).all()
    one_way = (along[same] > 0.0).all() or (along[same] < 0.0).all()
    # Lanes lie farther apart than the soundings on them.
    square = np.abs(across[~same]).min() < 1.5 * np.abs(along[same]).min()
    return bool(one_side and one_way and square)


def _keys(soundings) -> tuple:
    """Return the number of the visit, and the time in ms; without one it is the latest of all."""
    _, visit = distinct(soundings.visit)
    stamp = soundings.time.astype("datetime64[ms]").astype(np.int64)
    stamp[np.isnat(soundings.time)] = _NEVER
    return visit.astype(np.int32), stamp


def _mostly(mask, visit) -> np.ndarray:
    """Return a mask of the rows of visits of more than half of which a mask is true."""
    return (np.bincount(visit, mask) > 0.5 * np.bincount(visit))[visit]


class _Runs:
    """Runs of sorted rows of one visit and time stamp.

    ``number`` is the run of each row; ``start``, ``count`` and ``visit`` have one value a run;
    ``loose`` marks runs whose stamp says nothing of the order of their rows.
    """

    def __init__(self, number, start, count, visit, loose):
        self.number, self.start, self.count = number, start, count
        self.visit, self.loose = visit, loose

    @classmethod
    def of(cls, visit, stamp, x, y):
        n = len(visit)
        new = np.ones(n, dtype=bool)
        new[1:] = (np.diff(visit) != 0) | (stamp[1:] != stamp[:-1])
        start = np.flatnonzero(new)
        count = np.diff(np.append(start, n))
        loose = stamp[start] == _NEVER
        if start.size and count.max() > 1:
            wide = [np.fmax.reduceat(v, start) - np.fmin.reduceat(v, start) for v in (x, y)]
            with np.errstate(invalid="ignore"):
                loose |= np.hypot(*wide) > _ONE_STAMP_M
        return cls(np.cumsum(new) - 1, start, count, visit[start], loose)

    def mean(self, values):
        """Return the mean of what is known in each run; NaN where nothing is."""
        known = np.isfinite(values)
        with np.errstate(invalid="ignore"):
            return np.add.reduceat(np.where(known, values, 0.0), self.start) / np.add.reduceat(
                known.astype(float), self.start
            )

    def trend(self, mean):
        """Return the change of a mean from the run before to the run after, within a visit."""
        first = np.append(True, np.diff(self.visit) != 0)
        before = np.where(first, mean, np.roll(mean, 1))
        after = np.where(np.roll(first, -1), mean, np.roll(mean, -1))
        return np.nan_to_num(after - before)


def _by_values(soundings, rows, *keys):
    """Return how to sort rows by keys, then by every value that they have."""
    texts = ("status", "corrections")
    rest = []
    for name in (
        "x",
        "y",
        "raw_depth",
        "depth",
        "hardness",
        "water_temp",
        "speed",
        "course",
        "uncert",
        "lane",
        *texts,
    ):
        column = getattr(soundings, name)
        # One value for all rows, as of what was not logged, tells nothing.
        if column.strides != (0,):
            rest.append(distinct(column[rows])[1] if name in texts else column[rows])
    return np.lexsort((*rest[::-1], *keys[::-1]))


def _along_the_way(soundings, order, runs, tied):
    """Put the tied rows of each run along the way of the boat, and of the bottom."""
    at = np.flatnonzero(tied)
    run = runs.number[at]
    order = order.copy()
    # First an order of which the means below are independent of the rows as given.
    order[at] = order[at][_by_values(soundings, order[at], run)]
    x, y, depth = (getattr(soundings, name)[order] for name in ("x", "y", "raw_depth"))
    east, north = runs.mean(x), runs.mean(y)
    way = (x[at] - east[run]) * runs.trend(east)[run] + (y[at] - north[run]) * (
        runs.trend(north)[run]
    )
    deeper = depth[at] * np.sign(runs.trend(runs.mean(depth)))[run]
    order[at] = order[at][np.lexsort((deeper, way, run))]
    return order


def _without_clock(soundings, order, runs, tied, clock):
    """Put tied rows of which the clock says nothing in an order of place, unless they are a track.

    A few rows without a time in a visit that has a clock are no track of their own.
    """
    order = order.copy()
    number = runs.visit[runs.number]
    for one in np.unique(number[tied]):
        at = np.flatnonzero(tied & (number == one))
        rows = order[at]
        x, y = soundings.x[rows], soundings.y[rows]
        if (clock[at[0]] and at.size < _FEWEST) or not follows_track(x, y):
            order[at] = rows[_by_values(soundings, rows, runs.number[at], _scattered(x, y))]
    return order


def _scattered(x, y):
    """Return a number for each place, as good as random, so that its order is no track."""
    key = np.zeros(x.size, dtype=np.uint64)
    for column in (x, y):
        # Zero has two signs, and what is no number many.
        bits = np.where(np.isnan(column), np.nan, column + 0.0).view(np.uint64)
        key = (key ^ bits) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    return key


def _boat_by_boat(soundings, order, visit, stamp):
    """Return numbers of visits in which boats that logged at once are visits of their own."""
    if not (_impossible(soundings, order, visit, stamp) > 0.0).any():
        return visit
    known = (stamp != _NEVER) & np.isfinite(soundings.x) & np.isfinite(soundings.y)
    order = order[known[order]]
    tied = (np.diff(visit[order]) == 0) & (np.diff(stamp[order]) == 0)
    if tied.any():
        # Of one time stamp in an order that is independent of the rows as given.
        order = order[_by_values(soundings, order, visit[order], stamp[order])]
    boat = np.zeros(visit.size, dtype=np.int64)
    for number in np.flatnonzero(_impossible(soundings, order, visit, stamp) > _IMPOSSIBLE):
        rows = order[visit[order] == number]
        found = _boats(
            soundings.x[rows].tolist(), soundings.y[rows].tolist(), (stamp[rows] / 1000.0).tolist()
        )
        large = np.bincount(found) >= max(_EACH * rows.size, _FEWEST)
        # Stray fixes are for cleaning to find, in the track.
        boat[rows] = np.where(large, np.cumsum(large) - 1, 0)[found].clip(0)
    if not boat.any():
        return visit
    return np.unique(visit * (_BOATS + 1) + boat, return_inverse=True)[1].ravel()


def _impossible(soundings, order, visit, stamp):
    """Return for each visit the share of the steps from row to row that no boat makes so fast."""
    far, steps = np.zeros((2, int(visit.max(initial=0)) + 1))
    # In parts, so that no whole columns are copied.
    for start in range(0, order.size - 1, _PART):
        rows = order[start : start + _PART + 1]
        same = visit[rows[1:]] == visit[rows[:-1]]
        seconds = np.where(stamp[rows] == _NEVER, np.nan, stamp[rows] / 1000.0)
        away = np.hypot(np.diff(soundings.x[rows]), np.diff(soundings.y[rows]))
        with np.errstate(invalid="ignore"):
            away = away > _ONE_STAMP_M + _BOAT_MS * np.diff(seconds)
        far += np.bincount(visit[rows[1:]], same & away, far.size)
        steps += np.bincount(visit[rows[1:]], same, far.size)
    return far / np.maximum(steps, 1.0)


def _boats(x, y, seconds):
    """Return the number of the boat of each row in order of time: the nearest within its reach.

    All are one boat if they would be too many, as where the clock stands still.
    """
    last, found = [], []
    for px, py, t in zip(x, y, seconds):
        best, nearest = len(last), np.inf
        for k, (qx, qy, s) in enumerate(last):
            away = ((px - qx) ** 2 + (py - qy) ** 2) ** 0.5
            if away < nearest and away <= _ONE_STAMP_M + _BOAT_MS * (t - s):
                best, nearest = k, away
        if best < len(last):
            last[best] = (px, py, t)
        elif best < _BOATS:
            last.append((px, py, t))
        else:
            return np.zeros(len(x), dtype=np.intp)
        found.append(best)
    return np.array(found, dtype=np.intp)


__all__ = ["follows_track", "in_logged_order", "logged_order", "track_notes", "without_track"]
