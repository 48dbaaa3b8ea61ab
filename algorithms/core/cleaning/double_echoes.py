"""Double echoes: stretches of any length at twice the depth, or half of it.

Sound that goes down and up twice reads twice the depth. A sounder that has locked on to the
second echo may stay with it for minutes, so that no window along the track shows it. What gives
it away is the ratio: of the steps by which the depth doubles and falls back, and of the depths
that other tracks read there. The deeper is the false one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.spatial import cKDTree

from .track_gates import starts_of_runs

#: Octaves by which a step may miss a doubling, for noise and slope; below also for the draft,
#: which is no part of what is doubled.
STEP_BELOW, STEP_ABOVE = 0.32, 0.22
#: Octaves within which two places read alike, or one reads twice the other: the bottom slopes.
PLACE_WITHIN = 0.4
#: Octaves within which it does so at a crossing, how near that is, m, and how many are needed.
CROSSING_WITHIN, CROSSING, _SURE = 0.15, 4.0, 3
#: Fewest places at which other tracks are asked, and most; nearest soundings among which others
#: are looked for.
_FEWEST, _MOST, _NEAREST, _ROUNDS = 5, 60, 48, 2


@dataclass(frozen=True)
class _Stretches:
    """Stretches of track between steps by an octave; arrays of length s."""

    of: np.ndarray  # stretch of each ping, (n,)
    head: np.ndarray  # first ping
    size: np.ndarray  # pings
    before: np.ndarray  # whether it begins with a step up
    after: np.ndarray  # whether it ends with a step down
    alone: np.ndarray  # whether no step bounds it
    minor: np.ndarray  # whether it is shorter than those that it is bounded by

    @property
    def deep(self) -> np.ndarray:
        """Whether nothing but steps that leave something shallower bounds it, (s,)."""
        return self.before | self.after


def doubled_stretches(
    depth: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    k: int,
    radius: float,
    steepest: float,
    floor: np.ndarray,
    n_sigma: float,
) -> tuple:
    """Return masks, shape (n,), of double echoes and of what may be some.

    Parameters
    ----------
    depth, x, y, along : array, shape (n,)
        m, in the order of the track.
    run : array, shape (n,)
        Number of the unbroken track of each ping.
    k : int
        Stretches of up to so many pings are left to the tests along the track.
    radius : float
        How far away other tracks are asked, m.
    steepest, floor, n_sigma
        As in `hampel.spikes`: steps that slope and noise explain are none.

    Notes
    -----
    A stretch that is shorter than the track on either side, from where a step led to it and another
    led back, is false if other tracks read half of it there. If there are none, the two steps are
    enough; after one alone, as at the end of a lane, it stays. It is no witness against others. A
    longer stretch needs a crossing too that reads half of it, for it may be a trench. A track without
    a step is false if several crossings do. None is where a crossing reads alike.
    """
    n = len(depth)
    false, doubtful = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    if n < 2 * k + 2:
        return false, doubtful
    octave = median_filter(np.log2(depth), 2 * k + 1, mode="nearest")
    s = _cut(octave, depth, along, run, steepest, n_sigma * floor)
    at = np.column_stack([x, y])
    for _ in range(_ROUNDS):
        # Of echoes of twice and of half the depth, either are the shorter.
        witnesses = _Witnesses.of(octave, at, along, run, ~s.minor[s.of] & ~false, radius)
        before = np.count_nonzero(false)
        doubtful[:] = False
        for stretch in np.flatnonzero((s.deep | s.alone) & (s.size > k)):
            rows = np.arange(s.head[stretch], s.head[stretch] + s.size[stretch])
            verdict = _verdict(s, stretch, witnesses, rows)
            false[rows] |= verdict is _FALSE
            doubtful[rows] = (verdict is _DOUBTFUL) & ~false[rows]
        if np.count_nonzero(false) == before:
            break
    return false, doubtful


_FALSE, _DOUBTFUL, _RIGHT = "false", "doubtful", "right"


def _verdict(s: _Stretches, stretch: int, witnesses: _Witnesses, rows: np.ndarray) -> str:
    """Say what neighbors and crossings make of a stretch."""
    crossings, refuted = witnesses.crossings(rows)
    if refuted:
        return _RIGHT
    if crossings >= _SURE:
        return _FALSE
    if s.alone[stretch]:
        return _RIGHT
    alike, twice, count = witnesses.shares(rows)
    both = s.before[stretch] and s.after[stretch]
    if crossings and (both or (count >= _FEWEST and twice > alike)):
        return _FALSE
    if count < _FEWEST:
        return _FALSE if both and s.minor[stretch] else _DOUBTFUL
    if twice >= 0.5 and twice > alike:
        # The longer part of a track may be a trench along it.
        return _FALSE if s.minor[stretch] else _DOUBTFUL
    return _RIGHT if alike > twice else _DOUBTFUL


def _cut(octave, depth, along, run, steepest, scatter) -> _Stretches:
    # Where the filtered depth steps, the step is that of three pings on either side.
    log, step = np.log2(depth), np.zeros(len(depth) - 1)
    at = np.flatnonzero(np.abs(np.diff(octave)) > 0.5)
    near = np.arange(3)
    before = np.median(log[np.maximum(at[:, None] - near, 0)], axis=1)
    step[at] = np.median(log[np.minimum(at[:, None] + 1 + near, len(log) - 1)], axis=1) - before
    size = np.abs(step)
    sudden = np.abs(np.diff(depth)) > 2.0 * scatter[1:] + steepest * np.diff(along)
    doubling = (size > 1.0 - STEP_BELOW) & (size < 1.0 + STEP_ABOVE)
    doubling &= sudden & (run[1:] == run[:-1])
    octaves = np.where(doubling, np.sign(step), 0.0).astype(int)
    new = (octaves != 0) | (run[1:] != run[:-1])
    of = np.concatenate([[0], np.cumsum(new)])
    head = starts_of_runs(of)
    size = np.diff(np.append(head, len(of)))
    first = np.concatenate([[0], octaves])[head]
    last = np.append(octaves, 0)[head + size - 1]
    # A stretch that also leaves something deeper is no double echo.
    down, up = first < 0, last > 0
    before, after = (
        np.where(step != 0, other, np.inf)
        for step, other in ((first, np.append(0, size[:-1])), (last, np.append(size[1:], 0)))
    )
    beside = np.minimum(before, after)
    return _Stretches(
        of,
        head,
        size,
        (first > 0) & ~up,
        (last < 0) & ~down,
        (first == 0) & (last == 0),
        np.isfinite(beside) & (size < beside),
    )


@dataclass(frozen=True)
class _Witnesses:
    """Pings of other tracks, by place."""

    octave: np.ndarray
    at: np.ndarray
    along: np.ndarray
    run: np.ndarray
    radius: float
    rows: np.ndarray
    tree: cKDTree

    @classmethod
    def of(cls, octave, at, along, run, some, radius) -> _Witnesses:
        rows = np.flatnonzero(some)
        return cls(octave, at, along, run, radius, rows, cKDTree(at[rows]))

    def _pairs(self, rows, radius) -> tuple:
        """Return pings of a stretch, and the nearest of another part of the track to each."""
        none = np.zeros(0, dtype=int)
        if not len(self.rows) or radius <= 0.0:
            return none, none
        far, near = self.tree.query(
            self.at[rows], min(_NEAREST, len(self.rows)), distance_upper_bound=radius
        )
        far, near = far.reshape(len(rows), -1), near.reshape(len(rows), -1)
        known = np.isfinite(far)
        other = self.rows[np.where(known, near, 0)]
        apart = np.abs(self.along[other] - self.along[rows][:, None]) > 3.0 * self.radius
        known &= (self.run[other] != self.run[rows][:, None]) | apart
        some = known.any(axis=1)
        return rows[some], other[some, np.argmax(known, axis=1)[some]]

    def shares(self, rows) -> tuple:
        """Return the shares of places that read alike and half, and how many places."""
        asked, other = self._pairs(rows[:: max(1, len(rows) // _MOST)], self.radius)
        if not len(asked):
            return 0.0, 0.0, 0
        ratio = self.octave[asked] - self.octave[other]
        alike, twice = np.abs(ratio) < PLACE_WITHIN, np.abs(ratio - 1.0) < PLACE_WITHIN
        return float(alike.mean()), float(twice.mean()), len(asked)

    def crossings(self, rows) -> tuple:
        """Return how many crossings read half of a stretch, and whether any reads alike."""
        asked, other = self._pairs(rows, CROSSING)
        ratio = self.octave[asked] - self.octave[other]
        half = other[np.abs(ratio - 1.0) < CROSSING_WITHIN]
        meetings = {(int(self.run[o]), int(self.along[o] // 20.0)) for o in half}
        return len(meetings), bool((np.abs(ratio) < PLACE_WITHIN).any())
