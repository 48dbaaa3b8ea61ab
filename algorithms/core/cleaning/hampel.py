"""Spikes along the track: the Hampel identifier, on depths freed of the bottom's slope.

References
----------
Hampel, F. R. (1974). The influence curve and its role in robust estimation. Journal of
    the American Statistical Association 69, 383-393.
Davies, L. and Gather, U. (1993). The identification of multiple outliers. Journal of the
    American Statistical Association 88, 782-792.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import minimum_filter1d

from ..progress import Progress, silent
from .track_gates import run_numbers, running_median, starts_of_runs

#: Standard deviation of a normal sample per median absolute deviation, 1 / Phi^-1(3/4).
MAD_TO_SIGMA = 1.482602218505602
#: Pings per block in which the usual noise is taken.
BLOCK_PINGS = 64
#: Candidates worked on at a time.
CHUNK = 100_000
#: Most passes; each takes off the outermost layer of what is left of a burst.
_PASSES = 12


def usual_noise(size: np.ndarray) -> np.ndarray:
    """Robust noise of each value, from the sizes of residuals in blocks of 64.

    Each block takes the larger of its own median and its neighbors' mean, so that
    the edge of a noisy stretch does not look quiet.
    """
    n = len(size)
    if n < 2 * BLOCK_PINGS:
        return np.full(n, MAD_TO_SIGMA * np.median(size)) if n else size
    whole = n - n % BLOCK_PINGS
    medians = np.median(size[:whole].reshape(-1, BLOCK_PINGS), axis=1)
    padded = np.pad(medians, 1, mode="edge")
    medians = np.maximum(medians, 0.5 * (padded[:-2] + padded[2:]))
    return MAD_TO_SIGMA * medians[np.minimum(np.arange(n) // BLOCK_PINGS, len(medians) - 1)]


def quantum(depth: np.ndarray) -> np.ndarray:
    """Step, m, in which the depths around each ping are given, at most 1 m; shape (n,).

    The least difference between depths in a block of 64 and its four neighbors to
    either side. Some sounders change from tenths to whole units with depth.
    """
    n = len(depth)
    blocks = np.pad(depth, (0, -n % BLOCK_PINGS), mode="edge").reshape(-1, BLOCK_PINGS)
    steps = np.diff(np.sort(blocks, axis=1), axis=1)
    least = np.min(np.where(steps > 1e-6, steps, 1.0), axis=1)
    return np.repeat(minimum_filter1d(least, 9, mode="nearest"), BLOCK_PINGS)[:n]


def spikes(
    depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    k: int,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
    progress: Progress = silent,
) -> np.ndarray:
    """Mask, shape (n,), of the depths that stand out from the track around them.

    The slope is taken from the running medians to either side of the window, each of
    them proof against ``k`` bad pings, so that a slope neither hides a spike nor is
    taken for one. What is left is put to the Hampel identifier. The limit is
    ``n_sigma * scale + steepest / 2 * spacing``: a stone that the pings are too far
    apart to resolve is given the benefit of half the steepest slope. A depth strictly
    between its neighbors' is never a spike. Flagged pings are left out and the test
    repeated until it finds no more.

    Parameters
    ----------
    depth, along : float, shape (n,)
        Depth and distance along the track, m.
    run : int, shape (n,)
        Number of the unbroken run of track; windows never reach across.
    k : int
        Half width of the window of ``2 k + 1`` pings.
    n_sigma : float
        Limit in standard deviations.
    floor : float, shape (n,)
        Least standard deviation believed, m: depths in steps have a median absolute
        deviation of zero on a flat bottom.
    steepest : float
        Steepest bottom believed, as rise over run.

    Returns
    -------
    bool, shape (n,)

    References
    ----------
    Hampel (1974), Davies and Gather (1993): see the module. Theirs is the case of a level
    bottom, ``|depth - median| > n_sigma * max(1.4826 MAD, floor)``.
    """
    flagged = np.zeros(len(depth), dtype=bool)
    for turn in range(_PASSES):
        rows = np.flatnonzero(~flagged)
        found = _one_pass(depth[rows], along[rows], run[rows], k, n_sigma, floor[rows], steepest)
        progress((turn + 1) / _PASSES)
        if not found.any():
            break
        flagged[rows[found]] = True
    return flagged


def _one_pass(depth, along, run, k, n_sigma, floor, steepest):
    n, width = len(depth), 2 * k + 1
    found = np.zeros(n, dtype=bool)
    if n < 3:
        return found
    starts = starts_of_runs(run)
    number = run_numbers(starts, n)
    stops = np.append(starts[1:], n)
    length = (stops - starts)[number]
    low, high = starts[number] + k, stops[number] - 1 - k
    center = np.clip(np.arange(n), low, np.maximum(high, low))

    # Windows that reach across runs are computed and never looked at: every index
    # below is clipped to the middle of a run.
    median = running_median(depth, k)
    at = np.minimum(center, n - 1)
    residual = np.abs(depth - median[at])
    noise = np.maximum(usual_noise(residual), floor)
    left = np.clip(center - k - 1, low, np.maximum(high, low)).clip(0, n - 1)
    right = np.clip(center + k + 1, low, np.maximum(high, low)).clip(0, n - 1)
    rise = median[right] - median[left]

    before = np.where(np.arange(n) == starts[number], np.nan, np.roll(depth, 1))
    after = np.where(np.arange(n) == stops[number] - 1, np.nan, np.roll(depth, -1))
    between = (depth - before) * (after - depth) > 0.0
    suspect = (residual > n_sigma * noise) | (np.abs(rise) > n_sigma * floor)
    rows = np.flatnonzero(suspect & ~between & (length >= width))

    x = along + 1e-3 * np.arange(n)  # never standing still, so that a slope exists
    for part in np.array_split(rows, max(1, -(-len(rows) // CHUNK))):
        window = center[part, None] + np.arange(-k, k + 1)
        run_on = x[right[part]] - x[left[part]]
        slope = rise[part] / np.where(run_on > 0, run_on, np.inf)
        local = depth[window] - slope[:, None] * (x[window] - x[part, None])
        middle = np.median(local, axis=1)
        scale = MAD_TO_SIGMA * np.median(np.abs(local - middle[:, None]), axis=1)
        spacing = (along[window[:, -1]] - along[window[:, 0]]) / (2 * k)
        # Towards the end of a run the line is drawn on, and may turn.
        beyond = np.abs(part - center[part])
        limit = n_sigma * np.maximum(scale, noise[part])
        limit += steepest * spacing * (0.5 + beyond)
        found[part] = np.abs(depth[part] - middle) > limit
    return found
