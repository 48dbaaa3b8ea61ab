"""Depth surface by linear interpolation in a triangulated irregular network (TIN)."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.spatial import Delaunay, QhullError, cKDTree

from .. import threads
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .frame import HALO_IN_GAPS, Frame, frame, part_of
from .nodes import NODES_PER_SPACING, SHORE, SOUNDING, Nodes, join, thin_nodes
from .sample_windows import choose_windows
from .surface_uncertainty import Growth, learn_growth, uncertainty

# Small enough for the processor's cache.
_CELLS, _TRIANGLES = 200_000, 20_000
# Rounding of a position, in cells.
_EDGE = 1e-9
# Up to so many nodes are triangulated at once, more in pieces of so many lane spacings.
_FEW_NODES, _PIECE = 10_000, 32.0
# A triangle whose corners all lie on the shore is kept up to this many node spacings.
_SHORE_BRIDGE = 3.0
_ONE_LINE = (
    "The soundings lie along one line, but a surface needs lanes side by side. Survey more lanes, "
    "or give a shoreline around them."
)


def tin_surface(soundings: Soundings, *, progress: Progress = silent, **where: Any) -> Surface:
    """Return a depth surface that runs straight from sounding to sounding.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used; they are averaged within blocks of a quarter of
        the lane spacing first.
    progress : callable
    **where
        ``cell``, ``shoreline``, ``breaklines``, ``max_gap``, ``shore_depth`` and ``spacing``, as
        for :func:`~.frame.frame`. No triangle crosses a breakline.

    Returns
    -------
    Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Never
        deeper or shoaler than the nodes around a cell.

    Raises
    ------
    LakefloorError
        As :func:`~.frame.frame`.

    Notes
    -----
    A triangle between three nodes of the shoreline knows nothing of the bottom: one
    that is wider than a few node spacings, as across a bay without soundings, is left
    without value instead of being drawn as a shelf of no depth.

    References
    ----------
    Barber, C. B., Dobkin, D. P. and Huhdanpaa, H. (1996). The quickhull algorithm for
    convex hulls. ACM Transactions on Mathematical Software 22(4), 469-483.

    Examples
    --------
    Two lanes on a plane that falls by 1 m in 10 m towards the east.

    >>> x, y = np.repeat([0.0, 20.0], 21), np.tile(np.arange(21.0), 2)
    >>> survey = Soundings.build(x, y, 2.0 + 0.1 * x, lane=np.repeat([1, 2], 21))
    >>> surface = tin_surface(survey, cell=2.0)
    >>> surface.depth.shape, round(float(surface.depth.sample([11.0], [9.0])[0]), 3)
    ((10, 10), 3.1)
    """
    f = frame(soundings, **where)
    progress(0.1)
    growth = learn_tin(f, span(progress, 0.1, 0.4))
    return draw_tin(f, growth, span(progress, 0.4, 1.0))


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
    windows = choose_windows(f, f.mask)
    return learn_growth(
        windows, lambda nodes, xy: tin_at(thin_nodes(nodes, block), xy), progress=progress
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
    """
    depth, covered = _interpolated(f, span(progress, 0.0, 0.7))
    if f.shoreline is not None:
        # Slivers between the shoreline and its straightened node line.
        depth[f.wanted][_slivers(f, covered)[f.wanted]] = f.shore_depth
    distance = f.distance.copy()
    depth[np.isnan(distance)] = np.nan
    distance[np.isnan(depth)] = np.nan
    progress(0.8)
    sigma = uncertainty(f, distance, learned)
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance), f.spacing)


def _slivers(f: Frame, covered: np.ndarray) -> np.ndarray:
    """Return the cells within the shoreline that no triangle covers, next to a node of the shore.

    Beyond the last lane before a cut edge no triangle is, and no shore.
    """
    bare = f.mask & ~covered
    if f.cut is None:
        return bare
    shore = f.nodes.select(f.nodes.kind == SHORE)
    rows, cols = np.nonzero(bare)
    cells = np.column_stack([f.grid.x[cols], f.grid.y[rows]])
    bare[rows, cols] = _near(shore.xy, cells, 0.5 * f.spacing / NODES_PER_SPACING + f.grid.dx)[0]
    return bare


def _with_cut_edge(f: Frame) -> Nodes:
    """Return the nodes of a frame with those of its cut edge, which are as deep as the nearest.

    Without them, triangles would join the last lane to the shore at the ends of the edge.
    """
    if f.cut is None or not len(f.cut):
        return f.nodes
    some = f.nodes.select(f.nodes.kind == SOUNDING)
    near, at = _near(some.xy, f.cut, f.max_gap)
    edge, depth = f.cut[near], some.depth[at[near]]
    return join([f.nodes, Nodes.build(edge[:, 0], edge[:, 1], depth, SOUNDING)])


def _near(places: np.ndarray, others: np.ndarray, reach: float) -> tuple:
    """Tell which of ``others`` have one of ``places`` within reach, and return the nearest."""
    if not len(places) or not len(others):
        return np.zeros(len(others), bool), np.zeros(len(others), int)
    distance, at = cKDTree(places).query(others, distance_upper_bound=reach)
    return np.isfinite(distance), at


def _interpolated(f: Frame, progress: Progress = silent) -> tuple:
    """Return the depth linear in triangles of the nodes, and which cells lie in one.

    Many nodes are triangulated in pieces, which takes less than half the time of doing it at
    once. A triangle of a piece is one of the whole if its circumcircle lies within the piece.
    Two maximum gaps of halo hold the circles of all triangles between lanes; only at the rim
    of a survey without a shoreline may circles reach farther.
    """
    grid, nodes = f.grid, _with_cut_edge(f)
    depth, covered = np.full(grid.shape, np.nan), np.zeros(grid.shape, dtype=bool)
    side = halo = max(grid.shape)
    if len(nodes) > _FEW_NODES:
        side = int(np.ceil(_PIECE * f.spacing / grid.dx))
        halo = int(np.ceil(HALO_IN_GAPS * f.max_gap / grid.dx))
    row, col = grid.rows_cols(nodes.x, nodes.y)
    pieces = []
    for rows in _split(f.wanted[0], grid.shape[0], side):
        band = np.flatnonzero((row >= rows.start - halo) & (row < rows.stop + halo))
        for cols in _split(f.wanted[1], grid.shape[1], side):
            near = band[(col[band] >= cols.start - halo) & (col[band] < cols.stop + halo)]
            if len(near) > 2:
                pieces.append((near, rows, cols))

    def fill(near, rows, cols):
        some = nodes.select(near)
        try:
            triangles = triangulate(some.xy)
        except LakefloorError:
            return
        bridges = _shore_bridges(some, triangles, f.spacing / NODES_PER_SPACING)
        values = np.where(bridges[:, None], np.nan, some.depth[triangles])[..., None]
        depth[rows, cols], covered[rows, cols] = rasterize(
            some.xy[triangles], values, part_of(grid, rows, cols)
        )

    threads.side_by_side(fill, pieces, progress)
    return depth, covered


def _split(wanted: slice, size: int, side: int) -> list:
    """Return slices of about ``side`` cells, and alike, that make up the wanted ones."""
    start, stop, _ = wanted.indices(size)
    if start >= stop:
        return []
    edges = np.linspace(start, stop, max(round((stop - start) / side), 1) + 1).astype(int)
    return [slice(first, last) for first, last in zip(edges[:-1], edges[1:])]


def triangulate(xy: np.ndarray) -> np.ndarray:
    """Return the corners of the Delaunay triangles of points, shape (m, 3).

    Raises
    ------
    LakefloorError
        If the points are fewer than three or lie along one line.
    """
    if len(xy) < 3:
        raise LakefloorError(_ONE_LINE)
    try:
        # Qhull loses digits on eastings and northings of millions of meters.
        return Delaunay(xy - xy.mean(axis=0)).simplices
    except QhullError as error:
        raise LakefloorError(_ONE_LINE) from error


def tin_at(nodes: Nodes, xy: np.ndarray) -> np.ndarray:
    """Return the depth of the TIN of nodes at points.

    Parameters
    ----------
    nodes : Nodes
    xy : array, shape (n, 2)
        m.

    Returns
    -------
    array, shape (n,)
        m; NaN beyond the hull of the nodes.

    Notes
    -----
    From the triangle whose middle is nearest one walks across the side that a point lies
    beyond. For few points this is several times faster than
    :class:`scipy.interpolate.LinearNDInterpolator`, which prepares every triangle first.

    References
    ----------
    Devillers, O., Pion, S. and Teillaud, M. (2002). Walking in a triangulation.
    International Journal of Foundations of Computer Science 13(2), 181-199.
    """
    depth = np.full(len(xy), np.nan)
    middle = nodes.xy.mean(axis=0)
    try:
        net = Delaunay(nodes.xy - middle)
    except QhullError:
        return depth
    corners, xy = net.points[net.simplices], xy - middle
    at = cKDTree(corners.mean(axis=1)).query(xy)[1]
    walking = np.arange(len(xy))
    # A walk never comes back to a triangle but by rounding, in needles.
    for _ in range(len(corners)):
        if not len(walking):
            break
        share = _barycentric(corners[at], xy[walking])
        far = share.argmin(axis=1)
        there = share.min(axis=1) >= -_EDGE
        depth[walking[there]] = (share * nodes.depth[net.simplices[at]])[there].sum(axis=1)
        at = net.neighbors[at, far]
        on = ~there & (at >= 0)
        walking, at = walking[on], at[on]
    return depth


def _barycentric(corners, xy) -> np.ndarray:
    """Return the shares of the corners of triangles, shape (n, 3, 2), in points, shape (n, 3)."""
    x, y = np.moveaxis(corners - xy[:, None], 2, 0)
    share = np.stack([x[:, k - 2] * y[:, k - 1] - x[:, k - 1] * y[:, k - 2] for k in range(3)], 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return share / share.sum(axis=1, keepdims=True)


def _shore_bridges(nodes: Nodes, triangles, step: float) -> np.ndarray:
    """Mark triangles that lean on the shoreline alone and reach across water."""
    shore = (nodes.kind == SHORE)[triangles].all(axis=1)
    if not shore.any():
        return shore
    corners = nodes.xy[triangles]
    sides = np.hypot(*np.moveaxis(corners - np.roll(corners, 1, axis=1), 2, 0))
    return shore & (sides.max(axis=1) > _SHORE_BRIDGE * step)


def rasterize(
    corners: np.ndarray, values: np.ndarray, grid: Grid, progress: Progress = silent
) -> tuple:
    """Interpolate linearly within triangles at the cell centers, by scan conversion.

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
        Cells whose center lies in a triangle.
    """
    bands = [np.full(grid.shape, np.nan) for _ in range(values.shape[2])]
    covered = np.zeros(grid.shape, dtype=bool)
    scanned = [*bands, covered]
    # Corners come first, so that whole rows of memory are compared with each other.
    r, c = (np.ascontiguousarray(at.T) for at in grid.rows_cols(corners[..., 0], corners[..., 1]))
    if (r.max(axis=0) - r.min(axis=0)).sum() > (c.max(axis=0) - c.min(axis=0)).sum():
        # Triangles between lanes are long: along them there are fewer lines to scan.
        r, c, scanned = c, r, [band.T for band in scanned]
    order = np.argsort(r, axis=0, kind="stable")
    r, c = np.take_along_axis(r, order, axis=0), np.take_along_axis(c, order, axis=0)
    values = np.take_along_axis(np.moveaxis(values, (2, 1), (0, 1)), order[None], axis=1)
    double_area = (c[1] - c[0]) * (r[2] - r[0]) - (c[2] - c[0]) * (r[1] - r[0])
    rows, cols = scanned[-1].shape
    solid = np.flatnonzero(
        (np.abs(double_area) > 1e-12)
        & (r[2] >= -_EDGE)
        & (r[0] <= rows - 1 + _EDGE)
        & (c.max(axis=0) >= -_EDGE)
        & (c.min(axis=0) <= cols - 1 + _EDGE)
    )
    # Chunks hold a bounded number of triangles and, roughly, of cells.
    load = np.cumsum(0.5 * np.abs(double_area[solid]) / _CELLS + 1.0 / _TRIANGLES)
    stops = np.searchsorted(load, np.arange(1, int(load[-1]) + 2)) + 1 if len(load) else []
    start = 0
    for stop in np.minimum(stops, len(load)).astype(int):
        progress(start / len(load))
        part = solid[start:stop]
        _scan(r[:, part], c[:, part], values[..., part], double_area[part], *scanned)
        start = stop
    progress(1.0)
    return (*bands, covered)


def _scan(r, c, values, double_area, *scanned) -> None:
    """Fill the cells of triangles, whose corners are sorted by row, in bands and where covered."""
    *bands, covered = scanned
    rows, cols = covered.shape
    first = np.ceil(r[0] - _EDGE).astype(int).clip(0)
    last = np.floor(r[2] + _EDGE).astype(int).clip(None, rows - 1)
    triangle, row = _ranges(first, last)
    west, east = _scan_lines(r[:, triangle], c[:, triangle], row)
    first = np.ceil(west - _EDGE).astype(int).clip(0)
    last = np.floor(east + _EDGE).astype(int).clip(None, cols - 1)
    run, col = _ranges(first, last)
    row, triangle = row[run], triangle[run]
    covered[row, col] = True
    down, right = row - r[0, triangle], col - c[0, triangle]
    r1, r2, c1, c2 = r[1] - r[0], r[2] - r[0], c[1] - c[0], c[2] - c[0]
    for band, corner in zip(bands, values):
        d1, d2 = corner[1] - corner[0], corner[2] - corner[0]
        per_col = (d1 * r2 - d2 * r1) / double_area
        per_row = (d2 * c1 - d1 * c2) / double_area
        value = corner[0, triangle] + per_col[triangle] * right + per_row[triangle] * down
        low, high = corner.min(axis=0), corner.max(axis=0)
        band[row, col] = value.clip(low[triangle], high[triangle])


def _scan_lines(r, c, row) -> tuple:
    """Return the first and the last column of triangles on rows that cross them."""

    def crossing(start, stop):
        rise = r[stop] - r[start]
        t = np.divide(row - r[start], rise, out=np.zeros(len(row)), where=rise > 0)
        return c[start] + t.clip(0.0, 1.0) * (c[stop] - c[start])

    # The long side from top to bottom, and the two short sides past the middle corner.
    long_side = crossing(0, 2)
    short_side = np.where(row < r[1], crossing(0, 1), crossing(1, 2))
    west, east = np.minimum(long_side, short_side), np.maximum(long_side, short_side)
    # A side that lies along the row: both of its ends bound the scan line.
    flat = row == r[1]
    west[flat] = np.minimum(west[flat], c[1, flat])
    east[flat] = np.maximum(east[flat], c[1, flat])
    return west, east


def _ranges(first, last) -> tuple:
    """Return owner and member of the integer ranges ``first..last``, ends included."""
    count = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(count)), count)
    member = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[owner]
    return owner, member
