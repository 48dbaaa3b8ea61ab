"""How far into how wide a gap of a survey places lie."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt
from shapely.geometry.base import BaseGeometry

from ..grid import Grid, empty_grid
from ..polygons import inside
from ..soundings import Soundings
from ..spacing import GAP_IN_SPACINGS

_CELLS_A_SPACING = 6.0
_REACH_CLASSES = 16
# Steps of the widths of gaps.
_WIDTH_STEP = 1.25


def reach(distance: np.ndarray, half_gap: np.ndarray) -> np.ndarray:
    """Return how far into a gap places lie: ``sqrt(d (2h - d))``, m.

    Parameters
    ----------
    distance : array
        d, to the nearest known depth, m.
    half_gap : array
        h, half the width of the gap, m.

    Notes
    -----
    The error of linear interpolation across a gap of width 2h is at most half the
    curvature times d (2h - d) (Davis 1975): at the same distance from a lane it is larger
    in a wider gap. In the middle of the gap the reach is h.

    >>> [round(float(r), 3) for r in reach(np.array([0.0, 2.0, 5.0]), np.array([5.0, 5.0, 5.0]))]
    [0.0, 4.0, 5.0]

    References
    ----------
    Davis, P. J. (1975). Interpolation and Approximation. Dover, theorem 3.1.1.
    """
    half_gap = np.maximum(half_gap, distance)
    return np.sqrt(distance * (2.0 * half_gap - distance))


def half_gap(distance: np.ndarray, cell: float) -> np.ndarray:
    """Return half the width of the gap in which each cell lies.

    Parameters
    ----------
    distance : array, shape (rows, cols)
        To the nearest known depth, m.
    cell : float
        m.

    Returns
    -------
    array, shape (rows, cols)
        Radius of the largest circle free of known depths that holds the cell, m, in steps
        of a quarter.

    References
    ----------
    Hildebrand, T. and Ruegsegger, P. (1997). A new method for the model-independent
    assessment of thickness in three-dimensional images. Journal of Microscopy 185(1),
    67-75.
    """
    out = np.array(distance)
    radius, largest = 1.5 * cell, distance.max(initial=0.0)
    while radius <= largest:
        held = distance_transform_edt(distance < radius, sampling=cell) < radius
        out[held] = np.maximum(out[held], radius)
        radius *= _WIDTH_STEP
    return out


def _distance_to_known(soundings: Soundings, spacing: float, shoreline, extent: Soundings) -> Grid:
    """Return a grid of the distance to the nearest sounding or shore, m."""
    bounds = np.array([extent.x.min(), extent.y.min(), extent.x.max(), extent.y.max()])
    margin = GAP_IN_SPACINGS * spacing
    grid = empty_grid(
        tuple(bounds + margin * np.array([-1.0, -1.0, 1.0, 1.0])), spacing / _CELLS_A_SPACING
    )
    free = np.ones(grid.shape, dtype=bool) if shoreline is None else inside(shoreline, grid)
    row, col = grid.rows_cols(soundings.x, soundings.y)
    free[np.rint(row).astype(int), np.rint(col).astype(int)] = False
    return grid.like(distance_transform_edt(free, sampling=grid.dx))


def _reach(away) -> np.ndarray:
    return reach(away.values, half_gap(away.values, away.dx))


def reach_of_places(
    xy: np.ndarray,
    soundings: Soundings,
    spacing: float,
    shoreline: BaseGeometry | None,
    extent: Soundings,
) -> np.ndarray:
    """Return the reach of places, shape (n, 2), into the gaps between soundings, m.

    ``extent`` are soundings that bound the survey; the shoreline, or None, is known depth too.
    """
    away = _distance_to_known(soundings, spacing, shoreline, extent)
    return away.like(_reach(away)).sample(*xy.T)


def reach_of_cells(
    kept: Soundings, spacing: float, shoreline: BaseGeometry | None, max_gap: float
) -> np.ndarray:
    """Return the reach of the cells of the lake as it was surveyed, m."""
    away = _distance_to_known(kept, spacing, shoreline, kept)
    wet = away.values <= max_gap
    if shoreline is not None:
        wet &= inside(shoreline, away)
    else:
        west, south, east, north = kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max()
        wet &= (away.x >= west) & (away.x <= east)
        wet &= ((away.y >= south) & (away.y <= north))[:, None]
    return _reach(away)[wet]


def weights_by_reach(into: np.ndarray, here: np.ndarray) -> np.ndarray:
    """Return the weight of each misfit for the lake as surveyed, by classes of reach.

    Classes hold as many misfits each; between their means the mean square runs linearly.
    """
    order = np.argsort(into, kind="stable")
    groups = np.array_split(order, int(np.clip(len(order) // 30, 1, _REACH_CLASSES)))
    at = [float(np.mean(into[rows])) for rows in groups]
    weight = np.empty(len(into))
    for rows, share in zip(groups, np.eye(len(groups))):
        weight[rows] = np.mean(np.interp(here, at, share)) / len(rows)
    return weight
