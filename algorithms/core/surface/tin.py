"""Depth surface by linear interpolation in a triangulated irregular network (TIN)."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay, QhullError

from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .surface_nodes import NODES_PER_SPACING, SHORE, Frame, Nodes, frame, thin
from .surface_trial import trial
from .surface_uncertainty import Growth, learn_growth, uncertainty

_CELLS = 2_000_000
_TRIANGLES = 100_000
# A triangle whose corners all lie on the shore is kept up to this many node spacings.
_SHORE_BRIDGE = 3.0
_ONE_LINE = (
    "The soundings lie along one line; a surface needs them side by side, or a shoreline "
    "around them."
)


def tin_surface(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline=None,
    break_lines=(),
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    spacing: float | None = None,
    progress: Progress = silent,
) -> Surface:
    """Return a depth surface that runs straight from sounding to sounding.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used; they are averaged within blocks of a quarter of
        the lane spacing first.
    cell : float, optional
        Cell size, m; about an eighth of the lane spacing if None.
    shoreline : shapely Polygon or MultiPolygon, optional
        Lake with its islands as holes: a line of known depth, and the mask.
    break_lines : sequence of array, shape (k, 2) or (k, 3)
        Lines that no triangle crosses; x, y and, where known, depth, m.
        See :func:`~.surface_nodes.break_line_nodes`.
    max_gap : float, optional
        Cells farther than this from every sounding have no value, m; two and a half
        lane spacings if None.
    shore_depth : float
        Depth of the shoreline below the lake datum, m.
    spacing : float, optional
        Lane spacing, m; estimated from the soundings if None.
    progress : callable

    Returns
    -------
    Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Never
        deeper or shoaler than the nodes around a cell.

    Raises
    ------
    LakefloorError
        As :func:`~.surface_nodes.frame`.

    Notes
    -----
    A triangle between three nodes of the shoreline knows nothing of the bottom: one
    that is wider than a few node spacings, as across a bay without soundings, is left
    without value instead of being drawn as a shelf of no depth.

    References
    ----------
    Barber, C. B., Dobkin, D. P. and Huhdanpaa, H. (1996). The quickhull algorithm for
    convex hulls. ACM Transactions on Mathematical Software 22(4), 469-483.
    """
    f = frame(
        soundings,
        cell=cell,
        shoreline=shoreline,
        break_lines=break_lines,
        max_gap=max_gap,
        shore_depth=shore_depth,
        spacing=spacing,
    )
    progress(0.1)
    with ThreadPoolExecutor(1) as pool:
        # Qhull leaves the interpreter to others meanwhile.
        triangles = pool.submit(triangulate, f.nodes.xy)
        growth = learn_tin(f, span(progress, 0.1, 0.3))
        progress(0.3)
        return _draw(f, growth, triangles.result(), span(progress, 0.5, 1.0))


def learn_tin(f: Frame, progress: Progress = silent) -> Growth:
    """Return what a TIN of the whole survey needs to know: how its error grows.

    Parameters
    ----------
    f : Frame
        Of the whole survey.
    progress : callable

    Raises
    ------
    LakefloorError
        If the nodes lie along one line.
    """
    spread = np.linalg.svd(f.nodes.xy - f.nodes.xy.mean(axis=0), compute_uv=False)
    if spread[1] <= 1e-9 * spread[0]:
        raise LakefloorError(_ONE_LINE)
    block = f.spacing / NODES_PER_SPACING
    windows = trial(f, np.isfinite(f.distance))
    return learn_growth(
        windows, lambda nodes, xy: tin_at(thin(nodes, block), xy), progress=progress
    )


def draw_tin(f: Frame, learned: Growth, progress: Progress = silent) -> Surface:
    """Draw a TIN with what was learned from the whole survey.

    Parameters
    ----------
    f : Frame
        Of the whole survey or, by :meth:`Frame.window`, of a part of it.
    learned : Growth
        From :func:`learn_tin` of the whole.
    progress : callable

    Returns
    -------
    Surface
        Without any value if the nodes of a part are fewer than three or along one line.

    Notes
    -----
    A triangle of a part is one of the whole if its circumcircle lies within the part. Two
    maximum gaps of halo hold the circles of all triangles between lanes; only at the rim of
    a survey without a shoreline may circles reach farther.
    """
    try:
        triangles = triangulate(f.nodes.xy)
    except LakefloorError:
        void = f.grid.like(np.full(f.grid.shape, np.nan))
        return Surface(void, void, void)
    progress(0.4)
    return _draw(f, learned, triangles, span(progress, 0.4, 1.0))


def _draw(f: Frame, learned: Growth, triangles, progress: Progress) -> Surface:
    bridges = _shore_bridges(f.nodes, triangles, f.spacing / NODES_PER_SPACING)
    depth, covered = rasterise(
        f.nodes.xy[triangles],
        np.where(bridges[:, None], np.nan, f.nodes.depth[triangles])[..., None],
        f.grid,
        span(progress, 0.0, 0.7),
    )
    if f.shoreline is not None:
        # Slivers between the shoreline and its straightened node line.
        depth[f.mask & ~covered] = f.shore_depth
    distance = f.distance.copy()
    depth[np.isnan(distance)] = np.nan
    distance[np.isnan(depth)] = np.nan
    progress(0.8)
    sigma = uncertainty(f, distance, learned)
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance))


def triangulate(xy) -> np.ndarray:
    """Return the corners of the Delaunay triangles of points, shape (m, 3).

    Raises
    ------
    LakefloorError
        If the points are fewer than three or lie along one line.
    """
    if len(xy) < 3:
        raise LakefloorError(_ONE_LINE)
    try:
        # Qhull loses digits on eastings and northings of millions of metres.
        return Delaunay(xy - xy.mean(axis=0)).simplices
    except QhullError as error:
        raise LakefloorError(_ONE_LINE) from error


def tin_at(nodes: Nodes, xy) -> np.ndarray:
    """Return the depth of the TIN of ``nodes`` at points, shape (n,); NaN beyond its hull."""
    middle = nodes.xy.mean(axis=0)
    try:
        return LinearNDInterpolator(nodes.xy - middle, nodes.depth)(xy - middle)
    except QhullError:
        return np.full(len(xy), np.nan)


def _shore_bridges(nodes: Nodes, triangles, step: float) -> np.ndarray:
    """Mark triangles that lean on the shoreline alone and reach across water."""
    shore = (nodes.kind == SHORE)[triangles].all(axis=1)
    if not shore.any():
        return shore
    corners = nodes.xy[triangles]
    sides = np.hypot(*np.moveaxis(corners - np.roll(corners, 1, axis=1), 2, 0))
    return shore & (sides.max(axis=1) > _SHORE_BRIDGE * step)


def rasterise(corners, values, grid: Grid, progress: Progress = silent) -> tuple:
    """Interpolate linearly within triangles at the cell centres, by scan conversion.

    Parameters
    ----------
    corners : array, shape (m, 3, 2)
        x and y, m.
    values : array, shape (m, 3, k)
        At the corners.
    grid : Grid
        Geometry.
    progress : callable

    Returns
    -------
    *bands : array, shape (rows, cols)
        ``k`` interpolated bands; NaN off the triangles.
    covered : array of bool, shape (rows, cols)
        Cells whose centre lies in a triangle.
    """
    rows, cols = grid.shape
    bands = [np.full(grid.shape, np.nan) for _ in range(values.shape[2])]
    covered = np.zeros(grid.shape, dtype=bool)
    r, c = grid.rows_cols(corners[..., 0], corners[..., 1])
    order = np.argsort(r, axis=1, kind="stable")
    r, c = np.take_along_axis(r, order, axis=1), np.take_along_axis(c, order, axis=1)
    values = np.take_along_axis(values, order[..., None], axis=1)
    double_area = (c[:, 1] - c[:, 0]) * (r[:, 2] - r[:, 0]) - (c[:, 2] - c[:, 0]) * (
        r[:, 1] - r[:, 0]
    )
    edge = 1e-9
    solid = (
        (np.abs(double_area) > 1e-12)
        & (r[:, 2] >= -edge) & (r[:, 0] <= rows - 1 + edge)
        & (c.max(axis=1) >= -edge) & (c.min(axis=1) <= cols - 1 + edge)
    )  # fmt: skip
    r, c, values, double_area = r[solid], c[solid], values[solid], double_area[solid]
    # Chunks hold a bounded number of triangles and, roughly, of cells.
    load = np.cumsum(0.5 * np.abs(double_area) / _CELLS + 1.0 / _TRIANGLES)
    stops = np.searchsorted(load, np.arange(1, int(load[-1]) + 2)) + 1 if len(load) else []
    start = 0
    for stop in np.minimum(stops, len(load)).astype(int):
        progress(start / len(load))
        part = slice(start, stop)
        _scan(r[part], c[part], values[part], double_area[part], bands, covered, edge)
        start = stop
    progress(1.0)
    return (*bands, covered)


def _scan(r, c, values, double_area, bands, covered, edge) -> None:
    rows, cols = covered.shape
    first = np.ceil(r[:, 0] - edge).astype(int).clip(0)
    last = np.floor(r[:, 2] + edge).astype(int).clip(None, rows - 1)
    triangle, row = _ranges(first, last)
    at = row.astype(float)

    def crossing(start, stop):
        rise = r[triangle, stop] - r[triangle, start]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (at - r[triangle, start]) / rise
        t = np.where(rise > 0, t, 0.0).clip(0.0, 1.0)
        return c[triangle, start] + t * (c[triangle, stop] - c[triangle, start])

    # The long side from top to bottom, and the two short sides past the middle corner.
    long_side = crossing(0, 2)
    upper = at < r[triangle, 1]
    short_side = np.where(upper, crossing(0, 1), crossing(1, 2))
    west = np.minimum(long_side, short_side)
    east = np.maximum(long_side, short_side)
    # A side that lies along the row: both of its ends bound the scan line.
    flat = at == r[triangle, 1]
    west[flat] = np.minimum(west[flat], c[triangle[flat], 1])
    east[flat] = np.maximum(east[flat], c[triangle[flat], 1])
    first = np.ceil(west - edge).astype(int).clip(0)
    last = np.floor(east + edge).astype(int).clip(None, cols - 1)
    run, col = _ranges(first, last)
    row, triangle = row[run], triangle[run]
    covered[row, col] = True
    down, right = row - r[triangle, 0], col - c[triangle, 0]
    for band, corner in zip(bands, np.moveaxis(values, 2, 0)):
        d1, d2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
        r1, r2 = r[:, 1] - r[:, 0], r[:, 2] - r[:, 0]
        c1, c2 = c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]
        per_col = (d1 * r2 - d2 * r1) / double_area
        per_row = (d2 * c1 - d1 * c2) / double_area
        value = corner[triangle, 0] + per_col[triangle] * right + per_row[triangle] * down
        low, high = corner.min(axis=1), corner.max(axis=1)
        band[row, col] = value.clip(low[triangle], high[triangle])


def _ranges(first, last) -> tuple:
    """Return owner and member of the integer ranges ``first..last``, ends included."""
    count = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(count)), count)
    member = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[owner]
    return owner, member
