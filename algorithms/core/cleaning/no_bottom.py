"""Depths that are no depths: placeholders, and a value held while the boat went on.

An echo sounder that loses the bottom logs nothing, zero, a fixed value of its own, or
its last depth again and again. A flat bottom in tenths of a foot repeats itself as
well, so that repetition alone proves nothing: the value must leave as no bottom does.
"""

from __future__ import annotations

import numpy as np

from ..units import FOOT
from .track_gates import starts_of_runs

#: Values that sounders log in place of a depth, in the unit of the log (common practice).
PLACEHOLDERS = (99.9, 99.99, 999.0, 999.9, 999.99, 9999.0, 9999.9)
#: Fewest equal depths in a row that can be a held value or a placeholder.
SHORTEST_RUN = 5
#: A placeholder of the sounder's own shows itself in this many runs of equal depth.
RUNS_OF_PLACEHOLDER = 3
#: Least jump of depth, m, to and from a placeholder of the sounder's own.
CLEAR_JUMP = 1.0
#: Chance of a run of equal depths on an honest bottom, below which it is suspicious.
CHANCE = 1e-5
#: Pings to either side that tell how often depths repeat themselves around a run.
AROUND = 50


def constant_runs(
    depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
) -> tuple:
    """Return runs of equal depth and the steps that lead in and out of them.

    Parameters as in `placeholders`.

    Returns
    -------
    head, size : int, shape (r,)
        First ping and number of pings of each run.
    into, out : float, shape (r,)
        Step of depth, m, from the ping before and to the ping after; NaN at the ends
        of the track.
    sharp_in, sharp_out : bool, shape (r,)
        Whether that step is larger than noise and the steepest bottom allow.
    """
    n = len(depth)
    head = starts_of_runs(run, depth)
    tail = np.append(head[1:], n) - 1
    step, distance = np.diff(depth), np.diff(along)
    step = np.where(run[1:] == run[:-1], step, np.nan)
    sharp = np.abs(step) > n_sigma * floor[1:] + steepest * distance
    into = np.concatenate([[np.nan], step])[head]
    out = np.append(step, np.nan)[tail]
    sharp_in = np.concatenate([[False], sharp])[head]
    sharp_out = np.append(sharp, False)[tail]
    return head, tail - head + 1, into, out, sharp_in, sharp_out


def listed_placeholders(raw_depth: np.ndarray) -> np.ndarray:
    """Mask of the depths, m, that are a known placeholder in meters or in feet."""
    found = np.zeros(len(raw_depth), dtype=bool)
    for unit in (1.0, FOOT):
        for value in PLACEHOLDERS:
            found |= np.abs(raw_depth - value * unit) < 2e-3
    return found


def placeholders(
    raw_depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
) -> np.ndarray:
    """Mask, shape (n,), of placeholders, whether listed or of the sounder's own.

    A value of the sounder's own is one that the depth jumps to, stays at exactly for
    at least five pings and jumps away from, in at least three places. A ping of such a
    value, or of a listed one, stays if the depth passes through it smoothly.

    Parameters
    ----------
    raw_depth, along : float, shape (n,)
        Depth as logged and distance along the track, m.
    run : int, shape (n,)
        Number of the unbroken run of track.
    n_sigma, floor, steepest
        As in `hampel.spikes`.
    """
    if len(raw_depth) == 0:
        return np.zeros(0, dtype=bool)
    head, size, into, out, sharp_in, sharp_out = constant_runs(
        raw_depth, along, run, n_sigma=n_sigma, floor=floor, steepest=steepest
    )
    value = raw_depth[head]
    hold = (size >= SHORTEST_RUN) & (sharp_in | np.isnan(into)) & (sharp_out | np.isnan(out))
    hold &= np.fmin(np.abs(into), np.abs(out)) > CLEAR_JUMP
    own, times = np.unique(value[hold], return_counts=True)
    known = np.isin(value, own[times >= RUNS_OF_PLACEHOLDER]) | listed_placeholders(value)
    alone = np.isnan(into) & np.isnan(out)
    return np.repeat(known & (sharp_in | sharp_out | alone), size)


def held_depths(
    raw_depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
) -> np.ndarray:
    """Mask, shape (n,), of the pings that repeat the last depth after the bottom was lost.

    A run of equal depths is held if it covers ground, is longer than chance allows
    (from how often depths repeat themselves to either side of it, whichever is more)
    and ends in a lone jump: one larger than noise and three times larger than the steps
    that follow. The first ping of a run that the depth came to smoothly is a true one.
    Parameters as in `placeholders`.
    """
    held = np.zeros(len(raw_depth), dtype=bool)
    if len(raw_depth) < SHORTEST_RUN:
        return held
    head, size, _, out, sharp_in, _ = constant_runs(
        raw_depth, along, run, n_sigma=n_sigma, floor=floor, steepest=steepest
    )
    tail = head + size - 1
    covered = along[tail] - along[head]
    step = np.abs(np.diff(raw_depth))
    tied = np.concatenate([[0], np.cumsum(step == 0.0)])
    jump = np.abs(np.nan_to_num(out))
    n = len(raw_depth)
    candidates = (size >= SHORTEST_RUN) & (covered > 0.0) & (jump > 2.0 * n_sigma * floor[tail])
    for r in np.flatnonzero(candidates):
        h, t = head[r], tail[r]
        before = tied[h] - tied[max(h - AROUND, 0)]
        after = tied[min(t + AROUND, n - 1)] - tied[min(t + 1, n - 1)]
        share = max(before, after, 1) / AROUND
        if size[r] * np.log(min(share, 0.99)) > np.log(CHANCE):
            continue
        following = step[t + 1 : t + 6]
        if len(following) and jump[r] > 3.0 * max(np.median(following), floor[t]):
            held[h + (0 if sharp_in[r] else 1) : t + 1] = True
    return held
