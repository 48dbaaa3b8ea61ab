"""The cells of a depth raster that a lake covers, and those that it floods as it rises."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import polygons_of
from ..errors import LakefloorError
from ..grid import Grid
from ..polygons import check_shoreline, inside, rings
from ..progress import Progress, silent
from ..surface.nodes import densify

#: Cells added around the raster: room for the shore's squares and for cells without depth
#: that part them from the raster's edge.
PAD = 5

#: Distance from the shoreline, in cells, within which a missing cell is bridged.
BRIDGED = 1.5

# Points along the shoreline are at most so far apart, in cells.
_STEP = 0.5

NO_CELL_WITHIN = (
    "No cell of the depth raster with a value lies within the shoreline. Check that both cover "
    "the same lake and have the right CRS."
)
_BLOCK = np.ones((3, 3), dtype=bool)


def bridged(depth: Grid, shoreline: BaseGeometry) -> tuple:
    """Return the raster with a rim of empty cells, and missing cells next to the shore filled.

    A cell within the shoreline that has no depth, and lies within one and a half cells of the
    shore, gets the depth of the nearest cell in proportion to the distance from the shore.

    Returns
    -------
    grid : Grid
        Five cells larger on each side.
    lake : array of bool, shape of ``grid``
        Cells whose center lies within the shoreline.

    Raises
    ------
    LakefloorError
        If the shoreline is not a valid polygon or holds no cell with a value.
    """
    check_shoreline(shoreline)
    values = np.where(np.isfinite(depth.values), depth.values, np.nan)
    grid = Grid(
        np.pad(values, PAD, constant_values=np.nan),
        depth.west - PAD * depth.dx,
        depth.north + PAD * depth.dy,
        depth.dx,
        depth.dy,
    )
    lake = inside(shoreline, grid)
    known = lake & np.isfinite(grid.values)
    if not known.any():
        raise LakefloorError(NO_CELL_WITHIN)
    _, shore, near = shore_squares(grid, shoreline)
    touched = touched_cells(near)
    missing = np.argwhere(lake & ~known & touched)
    source = np.argwhere(known & touched)
    if len(missing) and len(source):
        off = cKDTree(shore).query(missing)[0]
        away, nearest = cKDTree(source).query(missing)
        fill = (off <= BRIDGED) & (away <= 2.0 * BRIDGED)
        off, away, (r, c) = off[fill], away[fill], missing[fill].T
        grid.values[r, c] = grid.values[tuple(source[nearest[fill]].T)] * off / (off + away)
    return grid, lake


def shore_squares(grid: Grid, shoreline: BaseGeometry) -> tuple:
    """Return the shoreline in rows and columns, and the squares near it.

    Returns
    -------
    list of array, shape (k, 2)
        Rings, cut to the grid.
    array, shape (n, 2)
        Points along them.
    array of bool, shape (rows - 1, cols - 1)
    """
    edge = box(*grid.bounds)
    within = shoreline if edge.contains(shoreline) else polygons_of(shoreline.intersection(edge))
    ring_list = [np.column_stack(grid.rows_cols(*ring.T)) for ring in rings(within)]
    shore = np.unique(np.concatenate([densify(ring, _STEP)[:-1] for ring in ring_list]), axis=0)
    rows, cols = grid.shape
    near = np.zeros((rows - 1, cols - 1), dtype=bool)
    r, c = np.floor(shore).astype(int).T
    near[r.clip(0, rows - 2), c.clip(0, cols - 2)] = True
    return ring_list, shore, ndimage.binary_dilation(near, _BLOCK, iterations=2)


def touched_cells(squares: np.ndarray) -> np.ndarray:
    """Return the cells at the corners of squares, shape (rows, cols) of the grid."""
    rows, cols = squares.shape
    cells = np.zeros((rows + 1, cols + 1), dtype=bool)
    for down in (0, 1):
        for right in (0, 1):
            cells[down : rows + down, right : cols + right] |= squares
    return cells


def rising_water(
    depth: Grid, shoreline: BaseGeometry, heights: np.ndarray, progress: Progress = silent
) -> tuple:
    """Tell which land the lake floods as its water rises.

    Parameters
    ----------
    depth : Grid
        Depth, m; below 0 on land.
    shoreline : Polygon or MultiPolygon
        At the datum.
    heights : array, shape (n,)
        Lake levels above the datum, m, rising.

    Returns
    -------
    allowed : int
        How many of the heights, from the first, the raster holds the land for: beyond that the
        water would pass the edge of the known land.
    first : array of int, shape (rows + 10, cols + 10)
        Number of the first height at which the lake covers a cell; ``allowed`` where none does.
    """
    grid, lake = bridged(depth, shoreline)
    unknown = ~lake & np.isnan(grid.values)
    edge = ndimage.binary_dilation(unknown, _BLOCK)
    first = np.full(grid.shape, len(heights))
    for i, height in enumerate(heights):
        progress(i / len(heights))
        label, _ = ndimage.label(lake | (grid.values >= -height), structure=_BLOCK)
        flooded = np.isin(label, np.unique(label[lake]))
        if np.any(flooded & edge):
            first[first > i] = i
            return i, first
        first[flooded & (first > i)] = i
    progress(1.0)
    return len(heights), first
