"""Which soundings a store already holds: told by what was logged, not by any name."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np

from ..soundings import Soundings, distinct
from .copied import COPY, MOVED_M, ORIGINAL, Found, agree, find_copies
from .meeting_keys import Keys, halves
from .pairing import Nearby, pair_points

#: The same ping lies at the same place, m: projecting there and back moves it by less than a
#: millimeter, writing degrees with six decimals by up to 8 cm. Two boats are never as close.
_SAME_PING_M = 0.1

#: Where no time was logged the place must tell more: 5 cm, m.
_SAME_PLACE_M = 0.05

#: A time offset or another datum of the positions, applied later, moves a whole log: up to this, m.
_MOVED_M = 100.0

#: Of a log that was moved, this part of the changes of depth must agree.
_MOVED_AGREE = 0.9

#: Reading a time in single precision loses up to a millisecond each time that it is done, ms.
_CLOCK_MS = 5.0

#: Writing a depth with three decimals moves it by half a millimeter, mm.
_DEPTH_MM = 0.6

#: Stands for a depth that is none, mm.
_BEYOND_MM = -1e16

#: So many whole seconds in a row show that the milliseconds were dropped, or never there.
_WHOLE_RUN = 6

#: Fingerprints of fewer soundings, or fewer changes of depth, can agree by chance.
_LEAST_TELLING = 20


class Logged(NamedTuple):
    """Soundings of a store, as far as needed to recognize them: arrays of length n.

    ``visit`` is the number of the visit in the store, or any other number by which the caller
    knows a sounding; then ``outing`` is that of the visit. ``accepted`` says which soundings are
    used, all if None. The others are as in Soundings.
    """

    visit: np.ndarray
    x: np.ndarray
    y: np.ndarray
    time: np.ndarray
    raw_depth: np.ndarray
    depth: np.ndarray
    outing: np.ndarray | None = None
    accepted: np.ndarray | None = None


@dataclass(frozen=True)
class Known:
    """What a store holds of some soundings.

    Attributes
    ----------
    visit : int array, shape (n,)
        Number of the visit that holds the sounding; -1 where none does.
    depth : array, shape (n,)
        Depth in the store, m; NaN where there is none.
    kind : int array, shape (n,), optional
        :data:`~.copied.COPY` of what the store holds, its :data:`~.copied.ORIGINAL`, or neither.
    """

    visit: np.ndarray
    depth: np.ndarray
    kind: np.ndarray | None = None

    @property
    def copied(self) -> np.ndarray:
        """Mask, shape (n,), of those that are copies, without times, of what the store holds."""
        return np.zeros(len(self.visit), bool) if self.kind is None else self.kind == COPY

    @property
    def replaces(self) -> np.ndarray:
        """Mask, shape (n,), of those of which the store holds a copy without times."""
        return np.zeros(len(self.visit), bool) if self.kind is None else self.kind == ORIGINAL

    @property
    def enters(self) -> np.ndarray:
        """Mask, shape (n,), of the soundings that the store lacks, or holds as a copy only."""
        return ~self.there | self.replaces

    def without_copies(self) -> Known:
        """Return what the store holds once its copies of these soundings are taken out."""
        stays = ~self.replaces
        depth = np.where(stays, self.depth, np.nan)
        return Known(np.where(stays, self.visit, -1), depth, np.where(self.copied, COPY, 0))

    @property
    def there(self) -> np.ndarray:
        """Mask, shape (n,), of the soundings that the store holds."""
        return self.visit >= 0

    def counts(self) -> dict:
        """Return for each visit of the store how many of the soundings it holds."""
        numbers, counts = np.unique(self.visit[self.there], return_counts=True)
        return dict(zip(numbers.tolist(), counts.tolist()))


def fingerprint(time: np.ndarray, raw_depth: np.ndarray) -> str:
    """Return a fingerprint of what one visit logged.

    Parameters
    ----------
    time : array of datetime64, shape (n,)
    raw_depth : array, shape (n,)
        m.

    Returns
    -------
    str
        SHA-256 in hexadecimal of the sorted pairs of time since the first ping, ms, and raw depth,
        mm. It does not depend on the order of rows, on cleaning or corrections, nor on the
        time zone in which the log was read.

    References
    ----------
    NIST (2015). Secure Hash Standard, FIPS 180-4.

    Examples
    --------
    >>> time = np.datetime64("2024-05-14T14:00", "ms") + np.arange(3) * np.timedelta64(1, "s")
    >>> mark = fingerprint(time, np.array([3.0, 3.5, 4.0]))
    >>> fingerprint(time[::-1] + np.timedelta64(5, "h"), np.array([4.0, 3.5, 3.0])) == mark
    True
    """
    ms, mm = _milliseconds(time), _millimeters(raw_depth)
    known = ~np.isnat(np.asarray(time))
    if known.any():
        ms = np.where(known, ms - ms[known].min(), -1)
    order = np.lexsort((mm, ms))
    pairs = np.column_stack([ms[order], mm[order]]).astype("<i8")
    return hashlib.sha256(pairs.tobytes()).hexdigest()


def tells(n: int) -> bool:
    """Say whether logs that agree in ``n`` changes of depth are equal, rather than by chance."""
    return n >= _LEAST_TELLING


def depth_changes(time: np.ndarray, raw_depth: np.ndarray) -> int:
    """Return how often the raw depth changes from one ping to the next, in order of time."""
    order = np.argsort(np.asarray(time), kind="stable")
    return int(_changed(np.zeros(len(order)), _millimeters(raw_depth)[order]).sum())


def same_outing(shared: int, n: int, m: int) -> bool:
    """Say whether visits of n and m soundings are one: they share half of the smaller or more."""
    return 2 * shared >= min(n, m) > 0


def find_known(soundings: Soundings, stored: Iterable[Logged]) -> Known:
    """Find the soundings that a store holds already.

    Parameters
    ----------
    soundings : Soundings
    stored : iterable of Logged
        The store's soundings, in parts of any size; memory grows with those that agree in time
        and raw depth only.

    Returns
    -------
    Known

    Notes
    -----
    Each sounding of the store is one of these at most, the nearest first and those that nothing
    else tells apart in order of time. Two are the same if their raw depths agree to the
    millimeter, and

    - their times agree, but for what reading loses (5 ms), and their places to within 10 cm; or
    - the times of one of the two are whole seconds throughout, as programs that drop the
      milliseconds leave them, and the time of the other begins with that second or rounds to it; or
    - one has no time, and their places agree to within 5 cm, as do four in five of those around.

    Up to 100 m apart, as a time offset applied later moves positions, they are the same where the
    depths of the log tell: 20 or more changes of depth from one ping to the next come again, and
    nine in ten of those within the time that both cover. Two boats side by side agree in fewer.
    Where milliseconds were dropped this holds for one ping a second.

    Of a copy on another datum, and of a coarsened one, the depths as logged are lost, and mostly the
    times: places and depths tell then, as in :mod:`.copied`. Of a log and its copy the one with
    times is the original.

    Examples
    --------
    A log of three pings, of which the store holds two as visit 7:

    >>> time = np.datetime64("2024-05-14T14:00", "ms") + np.arange(3) * np.timedelta64(1, "s")
    >>> x, y, depth = np.arange(3) * 2.0, np.zeros(3), np.array([3.0, 3.5, 4.0])
    >>> held = Logged(np.full(2, 7), x[1:], y[1:], time[1:], depth[1:], depth[1:])
    >>> find_known(Soundings.build(x, y, depth, time=time), [held]).visit.tolist()
    [-1, 7, 7]
    """
    n = len(soundings)
    kind = np.zeros(n, np.int8)
    known = Known(np.full(n, -1), np.full(n, np.nan), kind)
    if n == 0:
        return known
    asked = _Side.of(soundings, distinct(soundings.visit)[1])
    held, spans = _candidates(asked, stored)
    if not len(held.row):
        return known
    found = Found(n)
    _pair_near(asked, held, found.match)
    _pair_moved(asked, held, found.match, spans)
    there = found.match >= 0
    found.depth[there] = held.depth[found.match[there]]
    find_copies(asked, held, found)
    there = found.match >= 0
    timed = held.timed[found.match]
    found.kind[there & asked.timed & ~timed] = ORIGINAL
    found.kind[there & ~asked.timed & timed] = COPY
    rows = asked.row[there]
    known.visit[rows], known.depth[rows] = held.name[found.match[there]], found.depth[there]
    kind[rows] = found.kind[there]
    return known


@dataclass(frozen=True)
class _Side:
    """Soundings to pair, in order of outing and time.

    ``row`` is where each stands with the caller, and ``name`` the number that it has there; ``ms``
    is its time, ``mm`` its raw depth, ``whole`` whether its milliseconds were dropped or never
    there, ``changed`` whether its depth differs from that of the ping before, ``single`` whether
    it is the only one of its second.
    """

    row: np.ndarray
    outing: np.ndarray
    place: np.ndarray
    ms: np.ndarray
    timed: np.ndarray
    mm: np.ndarray
    whole: np.ndarray
    changed: np.ndarray
    single: np.ndarray
    name: np.ndarray
    depth: np.ndarray
    accepted: np.ndarray

    @classmethod
    def of(cls, rows, outing, name=None):
        """Take up soundings, or a part of a store with the ``name`` of each row."""
        order = np.lexsort((rows.time, outing))
        ms, timed = _milliseconds(rows.time)[order], ~np.isnat(rows.time)[order]
        outing = np.asarray(outing)[order]
        place = np.nan_to_num(np.column_stack([rows.x, rows.y]).astype(float))[order]
        name = np.arange(len(order)) if name is None else np.asarray(name)
        changed = _changed(outing, _millimeters(rows.raw_depth)[order]) & timed
        return cls(
            order,
            outing,
            place,
            ms,
            timed,
            _in_mm(rows.raw_depth)[order],
            _whole(outing, ms, timed),
            changed,
            _single(outing, ms // 1000),
            name[order],
            np.asarray(rows.depth, float)[order],
            np.isfinite(rows.depth)[order] if rows.accepted is None else rows.accepted[order],
        )

    def pick(self, rows):
        return _Side(*(getattr(self, f.name)[rows] for f in fields(self)))

    def points(self, size, *columns, final=False):
        """Return points that are within 1 of each other in each coordinate where rows may agree.

        By the depth as logged, or the ``final`` one.
        """
        mm = _in_mm(self.depth) if final else self.mm
        return np.column_stack([self.place / size, *columns, mm / _DEPTH_MM])


def _candidates(asked, stored):
    """Return the soundings of a store that may be some of those asked for, and the outings' spans.

    ``spans`` is for each outing the time of its first and last sounding, ms, and its changes of
    depth within the time of those asked for.
    """
    timed = asked.pick(asked.timed)
    keys, near = Keys(timed), Nearby(timed.place, MOVED_M)
    first, last = (timed.ms.min(), timed.ms.max()) if len(timed.ms) else (0, -1)
    low, high = asked.place.min(0) - _MOVED_M, asked.place.max(0) + _MOVED_M
    found, spans = [], {}
    for part in stored:
        outing = part.visit if part.outing is None else part.outing
        side = _Side.of(part, outing, part.visit)
        within = side.timed & (side.ms >= first - 1000) & (side.ms <= last + 1000)
        numbers, starts = np.unique(side.outing[side.timed], return_index=True)
        if numbers.size:
            ms, changed = side.ms[side.timed], (side.changed & within)[side.timed].astype(int)
            for number, begin, end, count in zip(
                numbers.tolist(),
                np.minimum.reduceat(ms, starts).tolist(),
                np.maximum.reduceat(ms, starts).tolist(),
                np.add.reduceat(changed, starts).tolist(),
            ):
                old = spans.get(number, (begin, end, 0))
                spans[number] = min(old[0], begin), max(old[1], end), old[2] + count
        # Where times are lost, anything there may be copied, or be a copy.
        maybe = (
            keys.meet(side) | ~side.timed | (not asked.timed.all()) | within & near.of(side.place)
        )
        keep = maybe & ((side.place >= low) & (side.place <= high)).all(1)
        found.append(side.pick(keep))
    if not found:
        return asked.pick(slice(0, 0)), spans
    held = _Side(*(np.concatenate([getattr(s, f.name) for s in found]) for f in fields(_Side)))
    return held.pick(np.lexsort((held.ms, held.outing))), spans


def _pair_near(asked, held, match):
    """Pair soundings of one place, the clearest first; ``match`` is filled in."""
    _pair_timed(asked, held, match, _SAME_PING_M)
    # A copy has its final depths only.
    for final in (False, True):
        _pair_placed(asked, held, match, ~asked.timed, np.ones(len(held.row), bool), final)
        _pair_placed(asked, held, match, asked.timed, ~held.timed, final)


def _pair_placed(asked, held, match, these, those, final):
    """Pair by place and depth, as far as most of an outing agrees where any of it does."""
    tried = match.copy()
    _pair_rows(tried, these, those, *(s.points(_SAME_PLACE_M, final=final) for s in (asked, held)))
    new = (tried >= 0) & (match < 0)
    for outing in np.unique(asked.outing[new]):
        rows = np.flatnonzero((asked.outing == outing) & these & (match < 0))
        others = those & np.isin(held.outing, held.outing[tried[rows[new[rows]]]])
        if agree(asked.place[rows], held.place[others], tried[rows]):
            match[rows] = tried[rows]


def _pair_timed(asked, held, match, size, moved=False):
    clock = (side.points(size, side.ms / _CLOCK_MS) for side in (asked, held))
    _pair_rows(match, asked.timed, held.timed, *clock)
    # Which of several pings of one second a depth belongs to, only the place tells.
    usable = [side.timed & (side.single | (not moved)) for side in (asked, held)]
    whole = [use & side.whole for use, side in zip(usable, (asked, held))]
    fine = [use & ~side.whole for use, side in zip(usable, (asked, held))]
    if not (whole[0].any() and fine[1].any()) and not (fine[0].any() and whole[1].any()):
        return
    cut, rounded = zip(halves(asked.ms, 1000), halves(held.ms, 1000))
    best = match
    for ways in ((cut, rounded), (rounded, cut)):
        tried = match.copy()
        for seconds in ways:
            points = [side.points(size, 2.0 * s) for side, s in zip((asked, held), seconds)]
            _pair_rows(tried, whole[0], fine[1], *points)
            _pair_rows(tried, fine[0], whole[1], *points)
        if (tried >= 0).sum() > (best >= 0).sum():
            best = tried
        if (best >= 0).all():
            break
    match[:] = best


def _pair_moved(asked, held, match, spans):
    """Pair what was logged at another place, where the depths of the log tell that it is one."""
    moved = match.copy()
    _pair_timed(asked, held, moved, _MOVED_M, moved=True)
    left, used = match < 0, match[match >= 0]
    mine, wanted = left & (moved >= 0), left & asked.changed
    for number in np.unique(held.outing[moved[mine]]).tolist():
        rows = np.flatnonzero(mine)[held.outing[moved[mine]] == number]
        first, last, there = spans[number]
        ours = wanted & (asked.ms >= first - 1000) & (asked.ms <= last + 1000)
        there -= int((held.changed[used] & (held.outing[used] == number)).sum())
        agree, theirs = int(asked.changed[rows].sum()), int(held.changed[moved[rows]].sum())
        if tells(agree) and (
            agree >= _MOVED_AGREE * ours.sum() or theirs >= _MOVED_AGREE * max(there, 1)
        ):
            match[rows] = moved[rows]


def _pair_rows(match, these, those, points, others):
    """Pair ``these`` rows asked for with ``those`` held, as far as both are free yet."""
    free = np.ones(len(others), bool)
    free[match[match >= 0]] = False
    a, b = np.flatnonzero(these & (match < 0)), np.flatnonzero(those & free)
    if a.size and b.size:
        found = pair_points(points[a], others[b])
        match[a[found >= 0]] = b[found[found >= 0]]


def _whole(outing, ms, timed):
    """Say which rows stand in a run of whole seconds within their outing."""
    whole = timed & (ms % 1000 == 0)
    new = np.ones(len(ms), bool)
    new[1:] = ~(whole[1:] & whole[:-1]) | (outing[1:] != outing[:-1])
    run = np.cumsum(new) - 1
    _, at, size = np.unique(outing, return_inverse=True, return_counts=True)
    return whole & (np.bincount(run)[run] >= np.minimum(_WHOLE_RUN, size[at]))


def _changed(outing, key):
    """Say which rows have another depth than the one before."""
    changed = np.zeros(len(key), bool)
    changed[1:] = (key[1:] != key[:-1]) & (outing[1:] == outing[:-1])
    return changed


def _single(outing, second):
    """Say which rows are the only one of their second in their outing."""
    new = np.ones(len(second) + 1, bool)
    new[1:-1] = (second[1:] != second[:-1]) | (outing[1:] != outing[:-1])
    return new[1:] & new[:-1]


def _milliseconds(time) -> np.ndarray:
    return np.asarray(time, dtype="datetime64[ms]").astype(np.int64)


def _millimeters(depth) -> np.ndarray:
    mm, beyond = _in_mm(depth), np.iinfo(np.int64).min
    return np.where(mm == _BEYOND_MM, beyond, np.rint(mm).astype(np.int64))


def _in_mm(depth) -> np.ndarray:
    depth = np.asarray(depth, dtype=float)
    known = np.abs(depth) < 1e12
    return np.where(known, np.where(known, depth, 0.0) * 1000.0, _BEYOND_MM)
