"""What a place can be near to: lines, areas, classes of the bottom; and how far that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import MultiPolygon, Polygon

from ..crs import transform
from ..ellipsoid import projection
from ..errors import LakefloorError
from ..grid import Grid
from ..polygons import inside, rings
from ..structure.ground import Ground, at_cells
from ..structure.structure_names import FORMS
from .target_words import BOTTOM_CLASSES, DEEP_WATER, LAYER_OF, LINE_KINDS, TARGETS, TRANSITION

_MAX_STEP_M = 1.0


@dataclass(frozen=True)
class Target:
    """What a place can be near to, as points along its lines or its edge.

    Attributes
    ----------
    points : array, shape (n, 2)
        Positions, m.
    owner : array of int, shape (n,)
        Row of the line or area that each point belongs to.
    cover : Grid or None
        Row of the area that covers each cell, NaN where none does. A place in an area is at
        distance 0 from it.
    """

    points: np.ndarray
    owner: np.ndarray
    cover: Grid | None = None

    def __len__(self) -> int:
        return len(self.points)


def target(ground: Ground, word: str) -> Target:
    """Return what a word of :data:`TARGETS` stands for on this ground.

    Raises
    ------
    LakefloorError
        If the word is unknown, or the layer it is taken from is missing.
    """
    if word not in LAYER_OF:
        raise LakefloorError(f"'{word}' is unknown. Choose one of: {', '.join(TARGETS)}.")
    if not ground.has(LAYER_OF[word]):
        raise LakefloorError(
            f"Row '{word}' needs the layer of {LAYER_OF[word]}. Choose that layer."
        )
    return ground.once(f"target {word}", lambda: _target(ground, word))


def _target(ground: Ground, word: str) -> Target:
    step = min(ground.depth.dx / 4.0, ground.depth.dy / 4.0, _MAX_STEP_M)
    breaks, transitions, forms = ground.breaklines, ground.transitions, ground.forms
    if word in LINE_KINDS and breaks is not None:
        rows = _rows_with(breaks.attributes["kind"], LINE_KINDS[word])
        return _line_target(breaks.coords, rows, step)
    if word == TRANSITION and transitions is not None:
        supported = transitions.attributes.get("supported", [1] * len(transitions))
        rows = [i for i, value in enumerate(supported) if value != 0]
        return _line_target(transitions.coords, rows, step)
    if word in FORMS and forms is not None:
        rows = _rows_with(forms.attributes["form"], word)
        return _area_target(forms.polygons, rows, step, ground.depth)
    if word == DEEP_WATER:
        return _mask_target(ground.depth.values >= ground.deep_from, ground.depth)
    if ground.bottom_class is None:
        raise LakefloorError(
            f"'{word}' needs the class of the bottom, but the raster has no band 3. Choose a "
            "raster "
            "from Bottom type."
        )
    return _mask_target(ground.bottom_class.values == BOTTOM_CLASSES[word], ground.bottom_class)


def _rows_with(values, word) -> list:
    return [i for i, value in enumerate(values) if str(value).strip().lower() == word]


def _line_target(lines, rows, step) -> Target:
    points = [_dense(np.asarray(lines[i], dtype=float)[:, :2], step) for i in rows]
    owner = np.repeat(np.array(list(rows), dtype=int), [len(p) for p in points])
    return Target(np.concatenate(points) if points else np.empty((0, 2)), owner)


def _area_target(polygons, rows, step, grid: Grid) -> Target:
    points, owner = [], []
    # Small areas lie on top of large ones.
    for i in sorted(rows, key=lambda i: -polygons[i].area):
        for ring in rings(polygons[i]):
            points.append(_dense(ring, step))
            owner.append(np.full(len(points[-1]), i))
    return Target(
        np.concatenate(points) if points else np.empty((0, 2)),
        np.concatenate(owner) if owner else np.empty(0, dtype=int),
        cover(polygons, rows, grid),
    )


def _mask_target(mask, grid: Grid) -> Target:
    inner = ndimage.binary_erosion(mask, border_value=1)
    row, col = np.nonzero(mask & ~inner)
    return Target(
        np.column_stack((grid.x[col], grid.y[row])),
        np.zeros(len(row), dtype=int),
        grid.like(np.where(mask, 0.0, np.nan)),
    )


def _dense(line, step) -> np.ndarray:
    """Return the line with points at most ``step`` apart, its own vertices kept."""
    if len(line) < 2:
        return line
    count = np.maximum(np.ceil(np.hypot(*np.diff(line, axis=0).T) / step).astype(int), 1)
    edge = np.repeat(np.arange(len(count)), count)
    share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[edge]
    between = line[edge] + share[:, None] * (line[edge + 1] - line[edge])
    return np.vstack((between, line[-1:]))


def cover(polygons: list[Polygon | MultiPolygon], rows: Sequence[int], grid: Grid) -> Grid:
    """Return the row of the polygon that covers each cell center, the smallest on top.

    Parameters
    ----------
    polygons : list of Polygon or MultiPolygon
    rows : sequence of int
        The polygons to lay.
    grid : Grid
        Gives the cells.

    Returns
    -------
    Grid
        NaN where none does.
    """
    out = np.full(grid.shape, np.nan)
    n_rows, n_cols = grid.shape
    for i in sorted(rows, key=lambda i: -polygons[i].area):
        if polygons[i].is_empty:
            continue
        west, south, east, north = polygons[i].bounds
        (r0, r1), (c0, c1) = grid.rows_cols((west, east), (north, south))
        r0, r1 = (int(np.clip(v, 0, n_rows)) for v in (np.floor(r0), np.ceil(r1) + 1))
        c0, c1 = (int(np.clip(v, 0, n_cols)) for v in (np.floor(c0), np.ceil(c1) + 1))
        if r0 >= r1 or c0 >= c1:
            continue
        window = Grid(
            out[r0:r1, c0:c1], grid.west + c0 * grid.dx, grid.north - r0 * grid.dy, grid.dx, grid.dy
        )
        out[r0:r1, c0:c1][inside(polygons[i], window)] = i
    return grid.like(out)


def nearest(found: Target, x: np.ndarray, y: np.ndarray) -> tuple:
    """Return how far each place is from a target, and where that is nearest.

    Parameters
    ----------
    found : Target
    x, y : array, shape (n,)
        Positions, m.

    Returns
    -------
    distance : array, shape (n,)
        m, in a straight line, even across land; infinite where there is no such thing.
    to : array, shape (n, 2)
        The nearest position; NaN where there is none.
    owner : array of int, shape (n,)
        Row of the line or area; -1 where there is none.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    known = np.isfinite(x) & np.isfinite(y)
    distance, to = np.full(len(x), np.inf), np.full((len(x), 2), np.nan)
    owner = np.full(len(x), -1)
    if len(found):
        distance[known], i = cKDTree(found.points).query(np.column_stack((x, y))[known])
        to[known], owner[known] = found.points[i], found.owner[i]
    # What covers all of its grid has no edge, and yet places in it.
    if found.cover is not None:
        label = at_cells(found.cover, x, y)
        on = np.isfinite(label)
        distance[on], owner[on] = 0.0, label[on].astype(int)
        to[on] = np.column_stack((x, y))[on]
    return distance, to, owner


def distance_grid(found: Target, grid: Grid) -> Grid:
    """Return how far each cell center is from a target, m; infinite where there is no such thing.

    Notes
    -----
    A Euclidean distance transform finds the cell with a point of the target that is nearest; the
    distance is that to the point itself, so it is never too short, and too long by less than one
    and a half cells. What lies outside the grid does not count.

    References
    ----------
    Maurer, C. R., Qi, R. and Raghavan, V. (2003). A linear time algorithm for computing exact
    Euclidean distance transforms of binary images in arbitrary dimensions. IEEE Transactions on
    Pattern Analysis and Machine Intelligence 25(2), 265-270.
    """
    row, col = (np.floor(v + 0.5).astype(int) for v in grid.rows_cols(*found.points.T))
    ok = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
    far = np.ones(grid.shape, dtype=bool)
    # Of the points in a cell, the one nearest its center stands for it.
    off = np.hypot(*(found.points[ok] - np.column_stack((grid.x[col[ok]], grid.y[row[ok]]))).T)
    order = np.argsort(-off, kind="stable")
    standing = np.zeros(grid.shape, dtype=np.int64)
    standing[row[ok][order], col[ok][order]] = np.flatnonzero(ok)[order]
    far[row[ok], col[ok]] = False
    if far.all():
        out = np.full(grid.shape, np.inf)
    else:
        near = ndimage.distance_transform_edt(
            far, sampling=(grid.dy, grid.dx), return_distances=False, return_indices=True
        )
        point = standing[near[0], near[1]]
        out = np.hypot(found.points[point, 0] - grid.x, found.points[point, 1] - grid.y[:, None])
    if found.cover is not None:
        if found.cover.shape == grid.shape and found.cover.bounds == grid.bounds:
            out[np.isfinite(found.cover.values)] = 0.0
        else:
            x, y = np.meshgrid(grid.x, grid.y)
            out[np.isfinite(at_cells(found.cover, x.ravel(), y.ravel())).reshape(out.shape)] = 0.0
    return grid.like(out)


def bearings(
    x: np.ndarray, y: np.ndarray, to: np.ndarray, crs: int | str | None = None
) -> np.ndarray:
    """Return the direction from places to positions, degrees clockwise from true north.

    Parameters
    ----------
    x, y : array, shape (n,)
        Positions, m.
    to : array, shape (n, 2)
        Where to look, m.
    crs : int or str, optional
        Coordinate system of the positions; without it directions are from grid north.

    Returns
    -------
    array, shape (n,)
        0 up to 360; NaN where both are the same place.

    References
    ----------
    Snyder, J. P. (1987). Map Projections: A Working Manual. U.S. Geological Survey Professional
    Paper 1395, 19 (grid convergence).
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    east, north = to[:, 0] - x, to[:, 1] - y
    angle = np.degrees(np.arctan2(east, north))
    if crs is not None and len(x):
        proj = projection(crs)
        lon, lat = transform(x, y, crs, 4326)
        known = np.isfinite(lon) & np.isfinite(lat)
        turn = np.zeros(len(x))
        if known.any():
            factors = proj.get_factors(lon[known], lat[known])
            turn[known] = np.asarray(factors.meridian_convergence, dtype=float)
        angle = angle + turn
    angle = np.mod(angle, 360.0)
    angle[angle >= 360.0] = 0.0
    return np.where(np.hypot(east, north) > 0.0, angle, np.nan)
