"""Where a depth surface is contoured: its mask and its edge."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize

from ..cut_edge import off_cut
from ..errors import LakefloorError
from ..grid import Grid
from ..polygons import check_shoreline, inside
from .marching_squares import link

# Cells added around the grid: the shore's cells, one more for their squares,
# and the border that closes every ring.
_PAD = 3


class Domain(NamedTuple):
    """A surface made ready for tracing, and the polygon its contours are cut to.

    Attributes
    ----------
    polygon : MultiPolygon
        The area that is mapped.
    values, wet : array, shape (rows + 6, cols + 6)
        The surface continued beyond the polygon, ``outside`` further out. ``values`` falls
        below zero beyond the shore; ``wet`` goes on as deep as the nearest cell, so
        that the shore itself is not traced again by the levels up to zero.
    outside : float
        Below all depths.
    within : array of bool, shape of the squares, flat
        Squares that lie wholly in the polygon.
    grid : Grid
        Geometry of ``values``.
    """

    polygon: MultiPolygon
    values: np.ndarray
    wet: np.ndarray
    outside: float
    within: np.ndarray
    grid: Grid


def faces(ring_list: list) -> list:
    """Return the polygons that nested rings enclose, each with its outer ring's number.

    Parameters
    ----------
    ring_list : list of array, shape (k, 2)
        Closed rings that neither cross nor touch one another.

    Returns
    -------
    list of (Polygon, int)
    """

    def key(ring):
        return tuple(ring[np.lexsort((ring[:, 1], ring[:, 0]))[0]])

    number = {key(ring): i for i, ring in enumerate(ring_list)}
    return [
        (face, number[key(np.asarray(face.exterior.coords))])
        for face in polygonize([LineString(ring) for ring in ring_list])
    ]


def cells_polygon(mask: np.ndarray, grid: Grid) -> MultiPolygon:
    """Return the exact outline of cells; cells that meet at a corner only stay apart.

    Parameters
    ----------
    mask : array of bool, shape (rows, cols)
    grid : Grid
        Gives the geometry.
    """
    padded = np.pad(mask, 1)
    nodes = padded.shape[1]
    # The sides of a cell run counter-clockwise. Node (r, c) is the north-western
    # corner of cell (r, c).
    sides = (
        (padded & ~np.roll(padded, 1, 0), (0, 1), (0, 0)),  # north side, westward
        (padded & ~np.roll(padded, -1, 0), (1, 0), (1, 1)),  # south side, eastward
        (padded & ~np.roll(padded, 1, 1), (0, 0), (1, 0)),  # west side, southward
        (padded & ~np.roll(padded, -1, 1), (1, 1), (0, 1)),  # east side, northward
    )
    part, parts = ndimage.label(padded)
    begin, end, owner = [], [], []
    for side, start, stop in sides:
        r, c = np.nonzero(side)
        owner.append(part[r, c])
        for ids, (down, right) in ((begin, start), (end, stop)):
            # Where two cells meet at a corner only, each has a node of its own.
            ids.append(2 * ((r + down) * nodes + c + right) + _meets(padded, r, c, down, right))
    begin = np.concatenate(begin)
    order, first = link(begin, np.concatenate(end))
    row, col = np.divmod(begin[order] // 2, nodes)
    x, y = grid.west + (col - 1) * grid.dx, grid.north - (row - 1) * grid.dy
    owner = np.concatenate(owner)[order]
    shells, holes = [None] * (parts + 1), [[] for _ in range(parts + 1)]
    for a, b in zip(first[:-1], first[1:]):
        xy = np.column_stack([x[a:b], y[a:b]])
        before, after = xy - np.roll(xy, 1, 0), np.roll(xy, -1, 0) - xy
        for loop in _simple_loops(xy[(before[:, 0] == 0) != (after[:, 0] == 0)]):
            if signed_area(loop) > 0:
                shells[owner[a]] = loop
            else:
                holes[owner[a]].append(loop)
    return MultiPolygon([Polygon(s, h) for s, h in zip(shells[1:], holes[1:])])


def _simple_loops(xy: np.ndarray) -> list:
    """Part an open outline that comes back to one of its vertices into closed loops."""
    if len(np.unique(xy, axis=0)) == len(xy):
        return [np.vstack([xy, xy[:1]])]
    loops, path, place = [], [], {}
    for point in [*map(tuple, xy.tolist()), tuple(xy[0].tolist())]:
        if point in place:
            start = place[point]
            loops.append(np.array([*path[start:], point]))
            for passed in path[start + 1 :]:
                del place[passed]
            del path[start + 1 :]
        else:
            place[point] = len(path)
            path.append(point)
    return loops


def _meets(padded, r, c, down, right):
    """Tell, as 0 or 1, where a corner is shared with the opposite cell only, below it."""
    other = padded[r + 2 * down - 1, c + 2 * right - 1]
    alone = ~padded[r + 2 * down - 1, c] & ~padded[r, c + 2 * right - 1]
    return (other & alone & (down == 0)).astype(int)


def signed_area(ring: np.ndarray) -> float:
    """Return the area of a closed ring, shape (k, 2), positive if counter-clockwise."""
    x, y = (ring - ring[0]).T
    return 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def polygons_of(geometry: BaseGeometry) -> MultiPolygon:
    """Return the polygons of a geometry, leaving out stray points and lines."""
    parts = getattr(geometry, "geoms", [geometry])
    return MultiPolygon([p for p in parts if p.geom_type == "Polygon" and not p.is_empty])


def lines_of(geometry: BaseGeometry) -> list:
    """Return the LineStrings of a geometry, leaving out stray points."""
    parts = getattr(geometry, "geoms", [geometry])
    return [p for p in parts if p.geom_type == "LineString" and not p.is_empty]


def _shore_points(shoreline: BaseGeometry, grid: Grid, step: float) -> np.ndarray:
    """Return points on the shore within a grid, at most ``step`` apart, shape (n, 2)."""
    points = [np.empty((0, 2))]
    for line in lines_of(shoreline.boundary.intersection(box(*grid.bounds))):
        xy = np.asarray(line.coords)[:, :2]
        count = np.ceil(np.hypot(*np.diff(xy, axis=0).T) / step).astype(int).clip(1)
        edge = np.repeat(np.arange(len(count)), count)
        t = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[edge]
        points += [xy[edge] + t[:, None] * (xy[edge + 1] - xy[edge]), xy[-1:]]
    return np.concatenate(points)


def masked(grid: Grid, shoreline: BaseGeometry | None) -> Grid:
    """Return the depths within the shoreline.

    Raises
    ------
    LakefloorError
        If the shoreline is no valid polygon, or no cell has a depth within it.
    """
    values = np.where(np.isfinite(grid.values), grid.values, np.nan)
    if np.isnan(values).all():
        raise LakefloorError("The depth raster has no cell with a value. Choose another raster.")
    if shoreline is not None:
        check_shoreline(shoreline)
        values[~inside(shoreline, grid)] = np.nan
        if np.isnan(values).all():
            raise LakefloorError(
                "No cell of the depth raster with a value lies within the shoreline. Check that "
                "both cover the same lake and have the right CRS."
            )
    return grid.like(values)


def make_domain(
    depth: Grid, shoreline: BaseGeometry | None = None, cut: BaseGeometry | None = None
) -> Domain:
    """Continue a surface beyond its edge and outline what is mapped.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down; NaN where there is no value, and at the cells
        whose center is outside the shoreline.
    shoreline : Polygon or MultiPolygon, optional
        Where depth is zero; islands are holes.
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore.

    Returns
    -------
    Domain

    Notes
    -----
    Without a shoreline the mapped area is the union of the cells that have a
    value, and the cells next to it take the nearest value. With one, the area
    reaches from those cells to the shoreline, beyond which depth goes on below
    zero in proportion to the distance from it. Beyond a cut edge it goes on as it is.
    """
    valid = np.pad(np.isfinite(depth.values), _PAD)
    values = np.pad(depth.values, _PAD, constant_values=np.nan)
    grid = Grid(
        values, depth.west - _PAD * depth.dx, depth.north + _PAD * depth.dy, depth.dx, depth.dy
    )
    block = np.ones((3, 3), dtype=bool)
    next_to = ndimage.binary_dilation(valid, block) & ~valid
    if shoreline is None:
        mapped, fill, ashore = valid, next_to, np.zeros_like(valid)
    else:
        ashore = ~inside(shoreline, grid)
        mapped = valid | (next_to & ashore)
        fill = ndimage.binary_dilation(mapped, block) & ~valid
    r, c = np.nonzero(valid & ndimage.binary_dilation(~valid, block, iterations=2))
    rim = np.column_stack([grid.x[c], grid.y[r]])
    fr, fc = np.nonzero(fill)
    beyond = np.column_stack([grid.x[fc], grid.y[fr]])
    nearest = cKDTree(rim).query(beyond)[1]
    values[fr, fc] = values[r[nearest], c[nearest]]
    wet = values

    within = valid[:-1, :-1] & valid[:-1, 1:] & valid[1:, :-1] & valid[1:, 1:]
    polygon = cells_polygon(mapped, grid)
    if shoreline is not None:
        polygon = polygons_of(shoreline.intersection(polygon))
        cell = min(grid.dx, grid.dy)
        shore = _shore_points(shoreline, grid, cell / 4.0)
        if len(shore):
            tree = cKDTree(shore)
            land = ashore[fr, fc]
            if cut is not None:
                land &= off_cut(shore[:, 0], shore[:, 1], cut, cell)[tree.query(beyond)[1]]
            out, near = tree.query(beyond[land])[0], tree.query(rim[nearest[land]])[0]
            ratio = np.clip(out / np.maximum(near, 0.01 * cell), 0.1, 10.0)
            values = wet.copy()
            near_depth = wet[fr[land], fc[land]]
            values[fr[land], fc[land]] = np.where(
                near_depth > 0, -ratio * near_depth, near_depth - 0.001
            )
            row, col = (np.floor(v).astype(int) for v in grid.rows_cols(*shore.T))
            close = np.zeros_like(within)
            close[row.clip(0, close.shape[0] - 1), col.clip(0, close.shape[1] - 1)] = True
            within &= ~ndimage.binary_dilation(close, block)
    low, high = np.nanmin(values), np.nanmax(values)
    outside = float(low - (high - low) - 1.0)
    for v in (values, wet):
        v[np.isnan(v)] = outside
    return Domain(polygon, values, wet, outside, within.ravel(), grid)
