"""Which soundings a store already holds: told by what was logged, not by any name."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from ..soundings import Soundings

#: A ping of the same time and depth within this distance, m, is the same ping: a time offset
#: applied later moves positions along the track. Two boats farther apart stay two boats.
_SAME_PING_M = 100.0

#: Where no time was logged, only a ping of the same depth at the same place is the same: as far
#: as a change of projection moves it, m.
_SAME_PLACE_M = 0.05

#: Fingerprints of fewer soundings can agree by chance.
_LEAST_TELLING = 20


class Logged(NamedTuple):
    """Soundings of a store, as far as needed to recognise them: arrays of length n.

    ``visit`` is the number of the visit in the store; the others are as in Soundings.
    """

    visit: np.ndarray
    x: np.ndarray
    y: np.ndarray
    time: np.ndarray
    raw_depth: np.ndarray
    depth: np.ndarray


@dataclass(frozen=True)
class Known:
    """What a store holds of some soundings.

    Attributes
    ----------
    visit : int array, shape (n,)
        Number of the visit that holds the sounding; -1 where none does.
    depth : array, shape (n,)
        Depth in the store, m; NaN where there is none.
    """

    visit: np.ndarray
    depth: np.ndarray

    @property
    def there(self) -> np.ndarray:
        """Mask, shape (n,), of the soundings that the store holds."""
        return self.visit >= 0

    def counts(self) -> dict:
        """Return for each visit of the store how many of the soundings it holds."""
        numbers, counts = np.unique(self.visit[self.there], return_counts=True)
        return dict(zip(numbers.tolist(), counts.tolist()))


def fingerprint(time, raw_depth) -> str:
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
    """
    ms, mm = _milliseconds(time), _millimetres(raw_depth)
    known = ~np.isnat(np.asarray(time))
    if known.any():
        ms = np.where(known, ms - ms[known].min(), -1)
    order = np.lexsort((mm, ms))
    pairs = np.column_stack([ms[order], mm[order]]).astype("<i8")
    return hashlib.sha256(pairs.tobytes()).hexdigest()


def tells(n: int) -> bool:
    """Say whether equal fingerprints of ``n`` soundings mean equal logs."""
    return n >= _LEAST_TELLING


def same_outing(shared: int, n: int, m: int) -> bool:
    """Say whether visits of n and m soundings are one: they share half of the smaller or more."""
    return 2 * shared >= min(n, m) > 0


def find_known(soundings: Soundings, stored) -> Known:
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
    Two soundings are the same if their times agree to the millisecond, their raw depths to the
    millimetre, and their places to within 100 m; without a time, to within 5 cm.
    """
    n = len(soundings)
    nobody = Known(np.full(n, -1), np.full(n, np.nan))
    if n == 0:
        return nobody
    ms, mm = _milliseconds(soundings.time), _millimetres(soundings.raw_depth)
    times, time_rank = np.unique(ms, return_inverse=True)
    depths, depth_rank = np.unique(mm, return_inverse=True)
    keys = time_rank * depths.size + depth_rank
    ordered = np.sort(keys)
    found = []
    for part in stored:
        rank, same_time = _rank(_milliseconds(part.time), times)
        other, same_depth = _rank(_millimetres(part.raw_depth), depths)
        key = rank * depths.size + other
        _, logged = _rank(key, ordered)
        rows = np.flatnonzero(same_time & same_depth & logged)
        found.append((_places(part, key)[rows], part.visit[rows], part.depth[rows]))
    if not any(len(places) for places, _, _ in found):
        return nobody
    places, visit, depth = (np.concatenate(column) for column in zip(*found))
    distance, nearest = cKDTree(places).query(_places(soundings, keys), distance_upper_bound=1.0)
    there = np.isfinite(distance)
    nobody.visit[there] = visit[nearest[there]]
    nobody.depth[there] = depth[nearest[there]]
    return nobody


def _places(rows, key) -> np.ndarray:
    """Return points, shape (n, 3), less than 1 apart where two rows are the same sounding."""
    size = np.where(np.isnat(rows.time), _SAME_PLACE_M, _SAME_PING_M)
    # A third coordinate that differs by 2 keeps other times and depths out of reach.
    return np.column_stack(
        [np.nan_to_num(rows.x / size), np.nan_to_num(rows.y / size), 2.0 * key]
    )


def _rank(values, distinct) -> tuple:
    """Return places in sorted ``distinct``, and whether the values are there."""
    at = np.minimum(np.searchsorted(distinct, values), distinct.size - 1)
    return at, distinct[at] == values


def _milliseconds(time) -> np.ndarray:
    return np.asarray(time, dtype="datetime64[ms]").astype(np.int64)


def _millimetres(depth) -> np.ndarray:
    depth = np.asarray(depth, dtype=float)
    beyond = np.iinfo(np.int64).min
    known = np.abs(depth) < 1e12
    return np.where(known, np.rint(np.where(known, depth, 0.0) * 1000.0).astype(np.int64), beyond)
