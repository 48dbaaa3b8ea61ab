"""The depth surface of a lake as triangles that fill its shoreline exactly."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.spatial import Delaunay, cKDTree
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from ..cut_edge import off_cut
from ..ellipsoid import area_scale
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..polygons import contains
from ..progress import Progress, silent
from .lake_cells import BRIDGED, PAD, bridged, rising_water, shore_squares, touched_cells

# Cell centers nearer to the shoreline than this, in cells, give way to it.
_NEAR = 0.35

# Distances from the shoreline in cells at which the shore's profile is taken, its exponent's
# bounds, and the fractions of the way to the nearest cell at which a bent profile has points.
_FIRST, _SECOND = (0.5, 1.25), (1.25, 2.25)
_EXPONENTS, _STRAIGHT, _FRACTIONS = (0.5, 1.5), 0.1, (1.0 / 16.0, 1.0 / 4.0)

_SQUARES = 50_000


class Triangles(NamedTuple):
    """Triangles of a depth surface.

    Attributes
    ----------
    area : array, shape (n,)
        On the ellipsoid, m2.
    depth : array, shape (n, 3)
        At the corners, m.
    slope : array, shape (n,)
        Rise over run, m per m.
    uncertainty : array, shape (n,)
        One standard deviation of depth, m.
    reach : array of int, shape (n,)
        How many of the depths asked for, from the first, the water of the lake covers
        the triangle at, provided that its depth is greater.
    """

    area: np.ndarray
    depth: np.ndarray
    slope: np.ndarray
    uncertainty: np.ndarray
    reach: np.ndarray


@dataclass(frozen=True)
class Mesh:
    """A depth surface within its shoreline. Build one with :func:`lake_mesh`.

    Attributes
    ----------
    depth : Grid
        m; NaN where there is none, 0 or more within the shoreline, 0 or less on land.
    uncertainty : array, shape of ``depth``
        m; 0 where unknown.
    lake : array of bool, shape of ``depth``
        Cells whose center lies within the shoreline.
    plain : array of bool, shape (rows - 1, cols - 1)
        Squares between four cell centers that the shoreline does not come near.
    strip : Triangles
        Between the plain squares and the shoreline.
    reach : array of int, shape of ``depth``
        As in :class:`Triangles`.
    scale : Grid or None
        Area on the map over area on the ellipsoid.
    exposed : float
        Share of the cells within the shoreline that were above the datum.
    """

    depth: Grid
    uncertainty: np.ndarray
    lake: np.ndarray
    plain: np.ndarray
    strip: Triangles
    reach: np.ndarray
    scale: Grid | None
    exposed: float

    def blocks(self, progress: Progress = silent) -> Iterator[Triangles]:
        """Yield all triangles, a bounded number at a time."""
        yield self.strip
        rows, cols = self.plain.shape
        step = max(_SQUARES // cols, 1)
        for start in range(0, rows, step):
            progress(start / rows)
            yield self._squares(start, min(start + step, rows))
        progress(1.0)

    def _squares(self, start, stop) -> Triangles:
        """Return the four triangles around the middle of each plain square of some rows."""
        z = self.depth.values[start : stop + 1]
        known = np.isfinite(z)
        use = self.plain[start:stop] & known[:-1, :-1] & known[:-1, 1:]
        use &= known[1:, :-1] & known[1:, 1:]
        row, col = np.nonzero(use)

        def corners(values):
            values = values[start : stop + 1]
            return (
                values[row, col],
                values[row, col + 1],
                values[row + 1, col + 1],
                values[row + 1, col],
            )

        nw, ne, se, sw = corners(self.depth.values)
        middle = 0.25 * (nw + ne + se + sw)
        dx, dy = self.depth.dx, self.depth.dy
        scale = self._scale(row + start + 0.5, col + 0.5)
        depth, slope = [], []
        for a, b, along, away in (
            (nw, ne, dx, dy / 2),
            (ne, se, dy, dx / 2),
            (se, sw, dx, dy / 2),
            (sw, nw, dy, dx / 2),
        ):
            depth.append(np.column_stack([a, b, middle]))
            slope.append(np.hypot((b - a) / along, (middle - 0.5 * (a + b)) / away))
        root = np.sqrt(scale)
        return Triangles(
            np.tile(0.25 * dx * dy / scale, 4),
            np.concatenate(depth),
            np.concatenate(slope) * np.tile(root, 4),
            np.tile(np.mean(corners(self.uncertainty), axis=0), 4),
            np.tile(np.max(corners(self.reach), axis=0), 4),
        )

    def _scale(self, row, col) -> np.ndarray:
        return _scale_at(self.scale, self.depth, row, col)


def _scale_at(scale, grid, row, col):
    if scale is None:
        return np.ones(len(row))
    return scale.sample(grid.west + (col + 0.5) * grid.dx, grid.north - (row + 0.5) * grid.dy)


def lake_mesh(
    depth: Grid,
    shoreline: BaseGeometry,
    *,
    crs: int | str | None = None,
    uncertainty: Grid | None = None,
    depths: np.ndarray | tuple = (),
    cut: BaseGeometry | None = None,
    progress: Progress = silent,
) -> Mesh:
    """Triangulate a depth surface within its shoreline.

    Parameters
    ----------
    depth : Grid
        Depth below the datum, m, positive down; NaN where there is none.
    shoreline : Polygon or MultiPolygon
        Depth 0; islands are holes.
    crs : int or str, optional
        Projected coordinate system, for areas on the ellipsoid; without one, areas are those
        of the map.
    uncertainty : Grid, optional
        One standard deviation of depth, m, of the same geometry.
    depths : array, shape (n,)
        The depths that will be asked for, rising; those below 0 are lake levels above the
        datum, for which the land's heights are used as well.
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore: as deep as the nearest cell.

    Returns
    -------
    Mesh

    Raises
    ------
    LakefloorError
        If the shoreline or a grid cannot be used, or the land is not known up to the
        highest level.

    Notes
    -----
    Away from the shore each square between four cell centers is four triangles around its
    middle, which has the mean of the four depths, as for contours. Near the shore the cell
    centers and points of the shoreline, of depth 0, are joined by a Delaunay triangulation,
    whose triangles within the shoreline are brought to the exact area of that strip. Where the
    bottom next to the shore is bent, as a power between 0.5 (a bank that steepens up to the
    shore) and 1.5 (a beach) of the distance, so is the strip: straight lines there would lose a
    sixth of its volume under a bank. A
    triangle with a corner without depth is a gap. Depths above the datum within the shoreline
    count as 0.

    Examples
    --------
    A square basin of 200 m, which the triangles fill:

    >>> depth = Grid(np.full((22, 22), 3.0), -10.0, 210.0, 10.0, 10.0)
    >>> mesh = lake_mesh(depth, box(0.0, 0.0, 200.0, 200.0))
    >>> round(sum(float(triangles.area.sum()) for triangles in mesh.blocks()))
    40000
    """
    if uncertainty is not None and uncertainty.shape != depth.shape:
        raise LakefloorError(
            f"The uncertainty has {uncertainty.shape} cells, the depth {depth.shape}. "
            "Both must have the same rows and columns."
        )
    grid, lake = bridged(depth, shoreline)
    depths = np.asarray(depths, dtype=float)
    reach = np.where(lake, len(depths), 0)
    above = int((depths < 0).sum())
    known = lake & np.isfinite(grid.values)
    exposed = float((grid.values[known] < 0).sum() / known.sum())
    values = np.where(lake, np.maximum(grid.values, 0.0), np.nan)
    if above:
        heights = -depths[:above][::-1]
        allowed, first = rising_water(depth, shoreline, heights, progress)
        if allowed < above:
            top = f"{written(heights[allowed - 1], '.2f')} m" if allowed else "the datum"
            raise LakefloorError(
                f"The raster holds the land around the lake for levels up to {top} only. "
                f"The level chosen is {written(heights[-1], '.2f')} m above the datum. Use a "
                "raster in which land has negative depths, or choose a lower level."
            )
        reach = np.where(lake, len(depths), above - first)
        values = np.where(lake, values, np.minimum(grid.values, 0.0))
    grid = grid.like(values)
    spread = np.zeros(grid.shape)
    if uncertainty is not None:
        spread[PAD:-PAD, PAD:-PAD] = np.where(uncertainty.values > 0, uncertainty.values, 0.0)
    scale = None if crs is None else area_scale(grid, crs)
    of_shore = _OfShore(shoreline, cut, reach, bool(above), len(depths))
    plain, strip = _strip(grid, spread, lake, of_shore, scale)
    return Mesh(grid, spread, lake, plain, strip, reach, scale, exposed)


def open_mesh(depth: Grid, crs: int | str | None = None) -> Mesh:
    """Triangulate a depth raster that has no shoreline, for one depth to be asked for."""
    everywhere = np.ones(depth.shape, dtype=bool)
    nothing = Triangles(
        np.empty(0), np.empty((0, 3)), np.empty(0), np.empty(0), np.empty(0, dtype=int)
    )
    return Mesh(
        depth,
        np.zeros(depth.shape),
        everywhere,
        everywhere[1:, 1:],
        nothing,
        everywhere.astype(int),
        None if crs is None else area_scale(depth, crs),
        0.0,
    )


class _OfShore(NamedTuple):
    """What a strip along a shoreline is made of: the polygon, and edges of it that are no shore.

    ``reach`` is how many of ``levels`` depths each cell may take part in, ``land`` whether the
    land is used.
    """

    shoreline: BaseGeometry
    cut: BaseGeometry | None
    reach: np.ndarray
    land: bool
    levels: int


def _edge_depths(grid, lake, shore, cut):
    """Return the depths of points along a shoreline: 0, or along a cut that of the nearest cell."""
    z = np.zeros(len(shore))
    if cut is None:
        return z
    x = grid.west + (shore[:, 1] + 0.5) * grid.dx
    y = grid.north - (shore[:, 0] + 0.5) * grid.dy
    on_cut = ~off_cut(x, y, cut)
    cells = np.argwhere(lake & np.isfinite(grid.values))
    z[on_cut] = grid.values[tuple(cells[cKDTree(cells).query(shore[on_cut])[1]].T)]
    return z


def _strip(grid, spread, lake, of_shore, scale) -> tuple:
    """Return the squares away from the shoreline, and the triangles along it."""
    shoreline, cut, reach, land, count = of_shore
    ring_list, shore, near = shore_squares(grid, shoreline)
    r, c = np.nonzero(touched_cells(near) & (lake | land))
    away = cKDTree(shore).query(np.column_stack([r, c]))[0]
    r, c = r[away > _NEAR], c[away > _NEAR]
    between, depth = _profile(grid, lake, shore, near)
    if cut is not None:
        between, depth = between[:0], depth[:0]
    points = np.vstack([shore, between, np.column_stack([r, c])])
    edge = len(shore) + len(between)
    z = np.concatenate([_edge_depths(grid, lake, shore, cut), depth, grid.values[r, c]])
    s = np.concatenate([np.full(edge, np.nan), spread[r, c]])
    known = np.concatenate([np.zeros(edge, dtype=int), reach[r, c]])

    simplices = Delaunay(points).simplices
    p = points[simplices]
    at = p.mean(axis=1)
    square = np.floor(at).astype(int)
    in_lake = contains(ring_list, *at.T)
    use = near[tuple(np.minimum(square, np.array(near.shape) - 1).clip(0).T)]
    use &= in_lake | land
    p, at, in_lake, simplices = p[use], at[use], in_lake[use], simplices[use]
    (r1, c1), (r2, c2) = (p[:, 1] - p[:, 0]).T, (p[:, 2] - p[:, 0]).T
    double = r1 * c2 - r2 * c1
    area = 0.5 * np.abs(double)
    # Thin bays and sharp corners are finer than the triangles; their area still counts.
    total = shoreline.intersection(box(*grid.bounds)).area / (grid.dx * grid.dy)
    total -= np.count_nonzero(lake[:-1, :-1] & ~near)
    area[in_lake] *= total / area[in_lake].sum()
    depth = z[simplices]
    solid = np.isfinite(depth).all(axis=1) & (double != 0)
    d1, d2 = depth[:, 1] - depth[:, 0], depth[:, 2] - depth[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.hypot(
            (d1 * c2 - d2 * c1) / double / grid.dy, (d2 * r1 - d1 * r2) / double / grid.dx
        )
    scale = _scale_at(scale, grid, *at.T)
    corner = s[simplices]
    has = np.isfinite(corner)
    uncertainty = np.where(has, corner, 0.0).sum(axis=1) / has.sum(axis=1).clip(1)
    reach = np.where(in_lake, count, known[simplices].max(axis=1))
    strip = Triangles(
        area * grid.dx * grid.dy / scale, depth, slope * np.sqrt(scale), uncertainty, reach
    )
    return ~near, Triangles(*(values[solid] for values in strip))


def _profile(grid, lake, shore, near) -> tuple:
    """Return points between the shore and the cells next to it, and their depths.

    None where the bottom falls evenly from the shore. The cells up to two away from the shore
    tell how it falls, as a power of the distance: together, as a single place tells too little.

    Returns
    -------
    array, shape (n, 2)
        Rows and columns.
    array, shape (n,)
        m.
    """
    nothing = np.empty((0, 2)), np.empty(0)
    cells = np.argwhere(touched_cells(near) & lake & np.isfinite(grid.values))
    away, z = cKDTree(shore).query(cells)[0], grid.values[tuple(cells.T)]
    first, second = ((away > low) & (away <= high) for low, high in (_FIRST, _SECOND))
    if not (first.any() and second.any() and z[first].mean() > 0 and z[second].mean() > 0):
        return nothing
    power = np.clip(
        np.log(z[second].mean() / z[first].mean())
        / np.log(away[second].mean() / away[first].mean()),
        *_EXPONENTS,
    )
    if abs(power - 1.0) < _STRAIGHT:
        return nothing
    use = away > _NEAR
    cells, z = cells[use], z[use]
    step, nearest = cKDTree(cells).query(shore)
    use = step <= 2.0 * BRIDGED
    start, end, z = shore[use], cells[nearest[use]], z[nearest[use]]
    return (
        np.concatenate([start + f * (end - start) for f in _FRACTIONS]),
        np.concatenate([z * f**power for f in _FRACTIONS]),
    )
