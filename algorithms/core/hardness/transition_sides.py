"""What lies on both sides of a line between harder and softer bottom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from ..grid import Grid

#: Share of the contrast between the ends of the width: from 10 to 90 percent.
_RISE = (0.1, 0.9)
_TOP, REACH_M = 0.97, 15.0


def true_runs(mask: np.ndarray, closed: bool) -> list:
    """Return (indices, closed) of each run of true values; all of a ring is one closed run."""
    mask = np.asarray(mask, dtype=bool)
    if not mask.any():
        return []
    n = len(mask)
    if mask.all():
        return [(np.arange(n), closed)]
    shift = int(np.flatnonzero(~mask)[0]) if closed else 0
    rows = (np.arange(n) + shift) % n
    edge = np.flatnonzero(np.diff(np.r_[False, mask[rows], False].astype(int)))
    return [(rows[a:b], False) for a, b in zip(edge[::2], edge[1::2])]


@dataclass(frozen=True)
class Sides:
    """What lies on both sides of each of n vertices."""

    xy: np.ndarray  # (n, 2), m
    left: np.ndarray  # (n, 2), unit vector to the harder side
    contrast: np.ndarray
    middle: np.ndarray  # hardness halfway
    width: np.ndarray  # m, 10 to 90 percent
    error: np.ndarray  # standard deviation of the contrast
    position: np.ndarray  # standard deviation across the line, m

    def select(self, rows: np.ndarray) -> Sides:
        return Sides(*(value[rows] for value in vars(self).values()))


def sides_of(
    hardness: Grid,
    uncertainty: Grid | None,
    line: np.ndarray,
    closed: bool,
    reach: float,
    cell: float,
    spacing: float,
) -> Sides:
    """Find the plateaus on both sides and move the line to halfway between them."""
    mode = "wrap" if closed else "nearest"
    n = len(line)
    line = _smoothed(line, closed, 1.0)
    left = _normals(line, closed, 2.0)
    step = 0.5 * cell
    half = int(np.ceil(reach / step))
    t = np.arange(-half, half + 1) * step
    x, y = line[:, :1] + t * left[:, :1], line[:, 1:] + t * left[:, 1:]
    profile = hardness.sample(x.ravel(), y.ravel()).reshape(x.shape)
    high, at_high = _plateau(profile[:, half:])
    low, at_low = _plateau(-profile[:, half::-1])
    low = -low
    contrast, middle = high - low, 0.5 * (high + low)
    share = (profile - low[:, None]) / np.maximum(contrast, 1e-9)[:, None]
    inside = (np.arange(2 * half + 1) >= half - at_low[:, None]) & (
        np.arange(2 * half + 1) <= half + at_high[:, None]
    )
    share = np.where(np.isfinite(share) & inside, share, np.where(t > 0.0, 1.0, 0.0))
    # Both sides rise all the way from plateau to plateau.
    share = np.maximum.accumulate(share, axis=1)
    begin, center, end = (
        _reaches(share, s) * step - half * step for s in (_RISE[0], 0.5, _RISE[1])
    )
    size = min(2 * int(0.5 * spacing / cell) + 1, n)
    offset = ndimage.median_filter(center, size, mode=mode)
    offset = ndimage.gaussian_filter1d(offset, 0.25 * size, mode=mode)
    moved = line + np.clip(offset, -0.5 * reach, 0.5 * reach)[:, None] * left
    width = end - begin
    if uncertainty is None:
        error = position = np.zeros(n)
    else:
        at = np.arange(n)
        sides = [uncertainty.sample(x[at, half + k], y[at, half + k]) for k in (at_high, -at_low)]
        error = np.nan_to_num(np.hypot(*sides), nan=1.0)
        sigma = np.nan_to_num(uncertainty.sample(*line.T), nan=1.0)
        # The middle of a step is as steep as 0.8 of the contrast over its width.
        position = sigma * width / np.maximum(0.8 * contrast, 1e-9)
    return Sides(moved, left, contrast, middle, width, error, position)


def drawn_already(side: Sides, level: float, drawn: list[tuple[float, Sides]]) -> np.ndarray:
    """Tell where a line of another threshold is drawn already on the same step.

    Where hard follows on soft without a medium bottom between, the lines of both thresholds
    are moved to the same place.
    """
    there = np.zeros(len(side.xy), dtype=bool)
    for other_level, other in drawn:
        if other_level == level:
            continue
        away, near = cKDTree(other.xy).query(side.xy)
        same = np.abs(other.middle[near] - side.middle) < 0.25 * side.contrast
        there |= same & (away < 0.5 * side.width)
    return there


def _smoothed(line, closed, sigma):
    if closed:
        return ndimage.gaussian_filter1d(line, sigma, axis=0, mode="wrap")
    ends = line[[0, -1]]
    out = ndimage.gaussian_filter1d(line, sigma, axis=0, mode="nearest")
    out[[0, -1]] = ends
    return out


def _normals(line, closed, sigma) -> np.ndarray:
    along = (
        np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
        if closed
        else np.gradient(line, axis=0)
    )
    along = ndimage.gaussian_filter1d(along, sigma, axis=0, mode="wrap" if closed else "nearest")
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])


def _plateau(rising) -> tuple:
    """Return the height to which each row rises before it falls or ends, and where that is."""
    z = np.where(np.isfinite(rising), rising, -np.inf)
    top = np.maximum.accumulate(z, axis=1)
    gone = np.logical_or.accumulate(np.isinf(z), axis=1)
    rise = top - z[:, :1]
    # It has ended where it has fallen by a quarter of what it had risen.
    over = gone | (top - np.where(gone, top, z) > np.maximum(0.25 * rise, 0.02))
    over = np.logical_or.accumulate(over, axis=1)
    over[:, 0] = False
    best = np.where(over, -np.inf, z)
    height = best.max(axis=1)
    # Where it has come to almost that height.
    floor = z[:, 0]
    at = np.argmax(best >= (floor + _TOP * (height - floor))[:, None], axis=1)
    return height, at


def _reaches(share, value) -> np.ndarray:
    """Return the fractional column at which each rising row reaches a value."""
    after = np.argmax(share >= value, axis=1).clip(1)
    rows = np.arange(len(share))
    low, high = share[rows, after - 1], share[rows, after]
    part = np.where(high > low, (value - low) / np.where(high > low, high - low, 1.0), 0.0)
    return after - 1 + np.clip(part, 0.0, 1.0)
