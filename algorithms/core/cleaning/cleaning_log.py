"""Soundings visit by visit while they are cleaned, and what the gates found so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..soundings import ACCEPTED, Soundings, distinct
from .limits import Limits
from .reasons import GONE_BOTTOM, REASONS

#: A longer way between two pings, m, ends a run of track; or five times the usual way.
_LONGEST_GAP = 50.0

#: A longer time between two pings, s, ends a run of track.
_LONGEST_PAUSE = 60.0


def runs_of_track(visit: np.ndarray, along: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    """Return the run of unbroken track of each row: no new visit, no long way or time."""
    if len(visit) == 0:
        return np.zeros(0, dtype=int)
    way, pause = np.diff(along), np.diff(seconds)
    moving = way[way > 0]
    longest = max(_LONGEST_GAP, 5.0 * float(np.median(moving)) if len(moving) else 0.0)
    with np.errstate(invalid="ignore"):
        new = (visit[1:] != visit[:-1]) | (way > longest) | (np.abs(pause) > _LONGEST_PAUSE)
    return np.concatenate([[0], np.cumsum(new)])


@dataclass(frozen=True)
class CleaningLog:
    """The soundings, visit by visit, and what the gates found so far; arrays of length n."""

    visit: np.ndarray
    x: np.ndarray
    y: np.ndarray
    time: np.ndarray
    raw_depth: np.ndarray
    depth: np.ndarray
    speed: np.ndarray
    status: np.ndarray
    reason: np.ndarray  # place in REASONS; -1 for none of these
    fresh: np.ndarray  # still accepted
    along: np.ndarray  # distance along the track, m; NaN off the track
    seconds: np.ndarray  # NaN without a usable clock
    floor: np.ndarray  # least standard deviation of depth, m
    n_sigma: float
    steepest: float  # slope believed, rise over run

    @classmethod
    def of(
        cls, soundings: Soundings, visit: np.ndarray, order: np.ndarray, anew: bool, limits: Limits
    ) -> CleaningLog:
        n = len(soundings)
        field = {
            name: getattr(soundings, name)[order]
            for name in ("x", "y", "time", "raw_depth", "depth", "speed", "status")
        }
        status = field["status"] = field["status"].copy()
        number = {word: k for k, word in enumerate(REASONS)}
        words, row = distinct(status)
        reason = np.array([number.get(word, -1) for word in words], dtype=int)[row]
        if anew:
            status[reason >= 0] = ACCEPTED
            reason[:] = -1
        return cls(
            visit[order],
            **field,
            reason=reason,
            fresh=status == ACCEPTED,
            along=np.full(n, np.nan),
            seconds=np.full(n, np.nan),
            floor=np.full(n, limits.noise_floor),
            n_sigma=limits.n_sigma,
            steepest=limits.steepest,
        )

    def mark(self, rows: np.ndarray, reason: str) -> None:
        """Give the reason to those of the rows, mask or numbers, that are still accepted."""
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        rows = rows[self.fresh[rows]]
        self.status[rows] = reason
        self.reason[rows] = REASONS.index(reason)
        self.fresh[rows] = False

    def marked(self, *reasons: str) -> np.ndarray:
        """Return a mask of the rows rejected for one of the reasons, now or before."""
        return np.isin(self.reason, [REASONS.index(reason) for reason in reasons])

    def left(self) -> tuple:
        """Return the rows that still stand, the run of track of each, and what all tests share."""
        rows = np.flatnonzero(self.fresh)
        tests = {"n_sigma": self.n_sigma, "floor": self.floor[rows], "steepest": self.steepest}
        return rows, runs_of_track(self.visit[rows], self.along[rows], self.seconds[rows]), tests

    def gone(self) -> np.ndarray:
        """Return a mask of the rows at which the bottom may have been taken up anew."""
        return self.marked(*GONE_BOTTOM) | (~self.fresh & (self.reason < 0))
