"""What the soundings around a place tell: how they scatter, and how uneven the bottom is."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from ..grid import Grid, grid_over
from ..soundings import Soundings
from .nodes import Nodes

# Cells and reach in lane spacings. The ridge settles the slope across a single lane, and lets
# some of a slope count as departure: it may not go on.
_CELLS_A_SPACING, _REACH, _RIDGE = 3.0, 0.6, 0.02
_LONGEST_STEP = 0.5


def grid_around(grid: Grid, spacing: float) -> Grid:
    """Return the coarse grid on which the survey around places is described."""
    cell = spacing / _CELLS_A_SPACING
    west, south, east, north = grid.bounds
    return grid_over((west - cell, south - cell, east + cell, north + cell), cell)


def means_around(
    x: np.ndarray, y: np.ndarray, around: Grid, spacing: float, *values: np.ndarray
) -> list:
    """Return Gaussian-weighted means of values around each cell, each cell counting alike.

    Where no point is within reach, the mean nearest to it.
    """
    row, col = (np.rint(at).astype(np.int64) for at in around.rows_cols(x, y))
    # The shore goes on beyond the grid.
    here = (row >= 0) & (row < around.shape[0]) & (col >= 0) & (col < around.shape[1])
    key, size = (row * around.shape[1] + col)[here], around.values.size
    count = np.bincount(key, minlength=size).reshape(around.shape)
    reach = _REACH * spacing / around.dx

    def smooth(band):
        return gaussian_filter(band, reach, truncate=4.0, mode="constant")

    weight = smooth((count > 0).astype(float))
    near = weight > 1e-6
    fill = None
    if not near.all():
        fill = tuple(distance_transform_edt(~near, return_distances=False, return_indices=True))
    means = []
    for value in values:
        total = np.bincount(key, value[here], size).reshape(around.shape)
        mean = smooth(total / np.maximum(count, 1)) / np.maximum(weight, 1e-6)
        means.append(mean if fill is None else mean[fill])
    return means


def unevenness(nodes: Nodes, around: Grid, spacing: float, level: bool) -> tuple:
    """Return departure of the nodes around each cell from a plane, m, and its two slopes.

    The slopes are those towards east and north. If ``level``, the departure is the one from
    the mean depth.
    """
    x, y = (nodes.x - around.west) / spacing, (nodes.y - around.north) / spacing
    z = nodes.depth - nodes.depth.mean()
    x, y, z, xx, yy, xy, xz, yz, zz = means_around(
        nodes.x, nodes.y, around, spacing, x, y, z, x * x, y * y, x * y, x * z, y * z, z * z
    )
    xx, yy, xy, xz, yz, zz = xx - x * x, yy - y * y, xy - x * y, xz - x * z, yz - y * z, zz - z * z
    ridge = _RIDGE * (xx + yy) + 1e-9
    xx, yy = xx + ridge, yy + ridge
    size = xx * yy - xy**2
    east, north = (yy * xz - xy * yz) / size, (xx * yz - xy * xz) / size
    square = zz if level else zz - east * xz - north * yz
    return np.sqrt(np.maximum(square, 0.0)), east / spacing, north / spacing


def scatter(soundings: Soundings, spacing: float, around: Grid, slopes: tuple) -> np.ndarray:
    """Return the squared departure of each ping from its neighbors, m2.

    From the line between the ping before and the one after and, off that line, from the plane
    of the bottom around. Scaled so that its mean is the variance of pings that err
    independently, in depth and in position. NaN at the ends of a track, and where pings are
    more than half a lane spacing apart.

    Parameters
    ----------
    soundings : Soundings
        In logged order.
    spacing : float
        Lane spacing, m.
    around : Grid
        Geometry of the slopes.
    slopes : tuple of array
        Slopes towards east and north, from :func:`unevenness`.
    """
    square = np.full(len(soundings), np.nan)
    if len(soundings) < 3:
        return square
    x, y, z = soundings.x, soundings.y, soundings.depth
    step = np.hypot(np.diff(x), np.diff(y))
    before, after = step[:-1], step[1:]
    part = before / np.maximum(before + after, 1e-9)

    def off(value):
        return (1.0 - part) * value[:-2] + part * value[2:] - value[1:-1]

    row, col = (
        np.rint(at).astype(np.int64).clip(0, size - 1)
        for at, size in zip(around.rows_cols(x[1:-1], y[1:-1]), around.shape)
    )
    east, north = (slope[row, col] for slope in slopes)
    off_plane = off(z) - east * off(x) - north * off(y)
    close = np.maximum(before, after) <= _LONGEST_STEP * spacing
    square[1:-1] = np.where(close, off_plane**2 / (1.0 + part**2 + (1.0 - part) ** 2), np.nan)
    return square
