"""Where a boat was a moment earlier or later: positions moved along the track that was logged."""

from __future__ import annotations

import numpy as np

from ..errors import LakefloorError
from ..progress import Progress
from ..soundings import Soundings, each_visit, of_visits

#: A pause in the track that a boat's velocity is not carried across, s.
_PAUSE_S = 10.0

#: Fixes of one instant that lie farther apart than this, m, show a stopped clock.
_FROZEN_M = 50.0


def seconds_since_first(time: np.ndarray) -> np.ndarray:
    """Return seconds since the first time, NaN for NaT."""
    known = ~np.isnat(time)
    out = np.full(len(time), np.nan)
    if known.any():
        out[known] = (time[known] - time[known].min()) / np.timedelta64(1, "s")
    return out


def moved_along_track(soundings: Soundings, tau: np.ndarray, progress: Progress) -> tuple:
    """Return the positions ``tau`` seconds later on the track of each visit, east and north, m.

    Parameters
    ----------
    soundings : Soundings
    tau : array, shape (n,)
        s; 0 leaves a position where it is.
    progress : callable

    Raises
    ------
    LakefloorError
        If an accepted sounding that is to be moved has no time, or as :func:`visit_track`.
    """
    x, y = soundings.x.copy(), soundings.y.copy()
    if not np.any(tau):
        return x, y
    accepted = soundings.accepted
    late = accepted & np.isnat(soundings.time) & (tau != 0)
    if late.any():
        raise LakefloorError(
            f"A time offset needs the time of every sounding, but {late.sum()} of "
            f"{of_visits(soundings.visit[late])} have none. Set the time offset to 0, or read "
            "the logs again with their times."
        )
    for name, rows in each_visit(soundings):
        seconds = seconds_since_first(soundings.time[rows])
        timed = np.isfinite(seconds)
        fix = accepted[rows] & timed & np.isfinite(x[rows]) & np.isfinite(y[rows])
        if not fix.any():
            continue
        track = visit_track(name, seconds[fix], x[rows][fix], y[rows][fix])
        # Steps of one visit differ only where its files were corrected apart.
        for step in np.unique(tau[rows]):
            if step == 0.0:
                continue
            here = timed & (tau[rows] == step)
            dx, dy = shift_along(track, seconds[here], step)
            x[rows[here]] += dx
            y[rows[here]] += dy
        progress(0.6 * rows.size / len(soundings))
    return x, y


def visit_track(name: str, seconds: np.ndarray, x: np.ndarray, y: np.ndarray) -> tuple:
    """Return one visit's distinct times in order, s, with the mean position of each, m.

    Parameters
    ----------
    name : str
        Of the visit, for messages.
    seconds, x, y : array, shape (n,)
        Time and position of each sounding, s and m; in any order.

    Raises
    ------
    LakefloorError
        If there are fewer than two times, or positions far apart share one.
    """
    times, which, count = np.unique(seconds, return_inverse=True, return_counts=True)
    mean_x = np.bincount(which, x) / count
    mean_y = np.bincount(which, y) / count
    spread = np.hypot(x - mean_x[which], y - mean_y[which]).max()
    if spread > _FROZEN_M or (times.size < 2 and seconds.size > 1):
        raise LakefloorError(
            f"Visit '{name}': the clock stands still while the boat moves, so positions cannot "
            "be moved by a time offset. Set the time offset to 0, or leave out the log with the "
            "stopped clock."
        )
    if times.size < 2:
        raise LakefloorError(
            f"Visit '{name}' is a single sounding without a track, so a time offset cannot move "
            "it. Set the time offset to 0, or leave that visit out."
        )
    return times, mean_x, mean_y


def shift_along(track: tuple, seconds: np.ndarray, tau: float) -> list:
    """Return how far the boat moves from each time to ``tau`` seconds later, east and north, m.

    Parameters
    ----------
    track : tuple
        From :func:`visit_track`.
    seconds : array, shape (n,)
        On the same clock.
    tau : float
        s; below 0 for earlier.
    """
    times, x, y = track
    reach = abs(tau)
    step = np.diff(times)
    pause = np.flatnonzero(step > max(_PAUSE_S, 5.0 * np.median(step), 3.0 * reach))
    first = np.concatenate([[0], pause + 1])
    last = np.concatenate([pause, [times.size - 1]])
    # Each run of fixes is carried on at both ends with its mean velocity over one reach.
    back = np.maximum(times[last] - reach, times[first])
    ahead = np.minimum(times[first] + reach, times[last])
    with np.errstate(invalid="ignore", divide="ignore"):
        share_last = np.nan_to_num(reach / (times[last] - back), posinf=0.0)
        share_first = np.nan_to_num(reach / (ahead - times[first]), posinf=0.0)
    knots = np.concatenate([times, times[last] + reach, times[first] - reach])
    order = np.argsort(knots, kind="stable")
    moved = []
    for p in (x, y):
        beyond = p[last] + (p[last] - np.interp(back, times, p)) * share_last
        before = p[first] + (p[first] - np.interp(ahead, times, p)) * share_first
        values = np.concatenate([p, beyond, before])[order]
        later = np.interp(seconds + tau, knots[order], values)
        moved.append(later - np.interp(seconds, knots[order], values))
    return moved
