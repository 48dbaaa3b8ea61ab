"""The nodes that a surface is drawn through: soundings, shoreline and break-lines."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree
from shapely.geometry import LineString
from shapely.geometry.polygon import orient
from shapely.validation import explain_validity

from ..blocks import block_mean
from ..errors import LakefloorError
from ..grid import Grid, grid_over
from ..number_text import written
from ..polygons import inside, rings
from ..soundings import Soundings, stated_uncertainty
from ..spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable

SOUNDING, SHORE, BREAK_LINE = 0, 1, 2
#: Nodes a lane spacing, along lanes and along the shore.
NODES_PER_SPACING = 4.0
#: Halo of a part in maximum gaps: it holds what cells are drawn from between lanes.
HALO_IN_GAPS = 2.0
_MASK_CELLS = 500_000
_ALL = (slice(None), slice(None))
# Side of the squares in which a shoreline is thinned, in node distances.
_SHORE_SQUARE = 8.0


@dataclass(frozen=True)
class Nodes:
    """Points of known depth; every field has shape (n,).

    Attributes
    ----------
    x, y, depth, uncert : float
        m. ``uncert`` is one standard deviation of depth, NaN where not stated.
    kind : int8
        :data:`SOUNDING`, :data:`SHORE` or :data:`BREAK_LINE`.
    lane : int
        Number of the lane over all visits, 0 for none.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    uncert: np.ndarray
    kind: np.ndarray
    lane: np.ndarray

    @classmethod
    def build(cls, x, y, depth, kind, uncert=np.nan, lane=0) -> Nodes:
        """Return nodes; a scalar is repeated."""
        n = len(x)
        return cls(
            np.asarray(x, dtype=float),
            np.asarray(y, dtype=float),
            np.broadcast_to(np.asarray(depth, dtype=float), (n,)),
            np.broadcast_to(np.asarray(uncert, dtype=float), (n,)),
            np.broadcast_to(np.int8(kind), (n,)),
            np.broadcast_to(np.asarray(lane, dtype=np.int64), (n,)),
        )

    def __len__(self) -> int:
        return len(self.x)

    @property
    def xy(self) -> np.ndarray:
        """Positions, shape (n, 2)."""
        return np.column_stack([self.x, self.y])

    def select(self, rows) -> Nodes:
        """Return the rows picked by a mask or an index array."""
        return Nodes(*(value[rows] for value in vars(self).values()))


def join(parts) -> Nodes:
    """Return the nodes of all ``parts`` in order."""
    return Nodes(*(np.concatenate(column) for column in zip(*(vars(p).values() for p in parts))))


@dataclass(frozen=True)
class Frame:
    """What is gridded and where.

    Attributes
    ----------
    nodes : Nodes
    soundings : Soundings
        Those used.
    grid : Grid
        Geometry of the surface; values NaN, of no memory of their own.
    spacing, max_gap : float
        Lane spacing and limit of interpolation, m.
    shoreline : shapely Polygon or MultiPolygon, or None
    shore_depth : float
        m.
    break_lines : sequence of array, shape (k, 2) or (k, 3)
    wanted : tuple of slice
        Rows and columns that get a depth; the others of a part are its halo.
    """

    nodes: Nodes
    soundings: Soundings
    grid: Grid
    spacing: float
    max_gap: float
    shoreline: object = None
    shore_depth: float = 0.0
    break_lines: tuple = ()
    wanted: tuple = _ALL

    @cached_property
    def mask(self) -> np.ndarray:
        """Cells within the shoreline, bool, shape (rows, cols)."""
        if self.shoreline is None:
            return np.ones(self.grid.shape, dtype=bool)
        return inside(self.shoreline, self.grid)

    @cached_property
    def distance(self) -> np.ndarray:
        """Distance from each cell to a sounding of the nearest cell that holds any, m.

        NaN off the mask and where it is above the maximum gap. Of the soundings in a cell the
        one nearest to its centre counts, so that it may be too large by a cell.
        """
        g, shape = self.grid, self.grid.shape
        row, col = g.rows_cols(self.soundings.x, self.soundings.y)
        r, c = np.rint(row).astype(np.int64), np.rint(col).astype(np.int64)
        # Soundings on the outermost edge of the grid belong to its last cells.
        here = np.flatnonzero((r >= -1) & (r <= shape[0]) & (c >= -1) & (c <= shape[1]))
        if not len(here):
            return np.full(shape, np.nan)
        row, col = row[here], col[here]
        r, c = r[here].clip(0, shape[0] - 1), c[here].clip(0, shape[1] - 1)
        # Written from the farthest to the nearest, so that the nearest stays.
        order = np.argsort(-((row - r) ** 2 + (col - c) ** 2), kind="stable")
        row, col, r, c = row[order], col[order], r[order], c[order]
        free = np.ones(shape, dtype=bool)
        free[r, c] = False
        south, east = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
        south[r, c], east[r, c] = row - r, col - c
        near = distance_transform_edt(free, return_distances=False, return_indices=True)
        at = np.ravel_multi_index(tuple(near), shape)
        down, right = south.ravel()[at], east.ravel()[at]
        down += near[0] - np.arange(shape[0], dtype=np.int32)[:, None]
        right += near[1] - np.arange(shape[1], dtype=np.int32)
        distance = np.hypot(down, right, out=down)
        distance *= g.dx
        distance[~self.mask | (distance > self.max_gap)] = np.nan
        return distance

    def window(self, rows: slice, cols: slice) -> Frame:
        """Return the frame of a part of the grid, with the nodes and soundings in it.

        Parameters
        ----------
        rows, cols : slice
            Start and stop may lie beyond the grid.

        Notes
        -----
        A part is drawn with the parameters learned from the whole, and with a halo around the
        cells wanted, since nodes beyond the part are not known to it.
        """
        grid = part_of(self.grid, rows, cols)
        west, south, east, north = grid.bounds

        def within(p):
            return p.select((p.x >= west) & (p.x < east) & (p.y > south) & (p.y <= north))

        nodes, soundings = within(self.nodes), within(self.soundings)
        return replace(self, nodes=nodes, soundings=soundings, grid=grid, wanted=_ALL)


def part_of(grid: Grid, rows: slice, cols: slice) -> Grid:
    """Return the geometry of a part of a grid, which may lie beyond it."""
    # Edges are multiples of the cell size: to the last bit the same in any larger grid.
    return Grid(
        np.broadcast_to(np.nan, (rows.stop - rows.start, cols.stop - cols.start)),
        float(round(grid.west / grid.dx + cols.start) * grid.dx),
        float(round(grid.north / grid.dy - rows.start) * grid.dy), grid.dx, grid.dy,
    )  # fmt: skip


def frame(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline=None,
    break_lines=(),
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    spacing: float | None = None,
) -> Frame:
    """Collect nodes and grid of a surface, with what was not given taken from the data.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used; they are thinned to :data:`NODES_PER_SPACING`.
    cell : float, optional
        Cell size, m; from :func:`~.spacing.suggest_cell` if None.
    shoreline : shapely Polygon or MultiPolygon, optional
        Islands as holes. Its rings have depth ``shore_depth``, and it is the mask.
    break_lines : sequence of array, shape (k, 2) or (k, 3)
        x, y and, where known, depth, m. See :func:`break_line_nodes`.
    max_gap : float, optional
        Farthest distance from a sounding at which depth is interpolated, m;
        :data:`~.spacing.GAP_IN_SPACINGS` lane spacings if None.
    shore_depth : float
        Depth of the shoreline below the lake datum, m; negative if it was mapped
        at a level above the datum.
    spacing : float, optional
        Lane spacing, m; from :func:`~.spacing.lane_spacing` if None.

    Raises
    ------
    LakefloorError
        If the soundings are too few, lie along a single lane while ``cell`` or
        ``max_gap`` is None, or all lie off the shoreline polygon; if the polygon
        is invalid; if a size is not above 0; if a break-line cannot be given depths.
    """
    for name, size in (("Cell size", cell), ("Maximum gap", max_gap)):
        if size is not None and not (np.isfinite(size) and size > 0):
            raise LakefloorError(f"{name} must be above 0 m, not {size} m.")
    kept = usable(soundings)
    kept = kept.replace(uncert=stated_uncertainty(kept.uncert))
    try:
        spacing = lane_spacing(kept) if spacing is None else spacing
    except LakefloorError:
        if cell is None or max_gap is None:
            raise
        spacing = max_gap / GAP_IN_SPACINGS
    cell = suggest_cell(spacing) if cell is None else cell
    max_gap = GAP_IN_SPACINGS * spacing if max_gap is None else max_gap

    block = spacing / NODES_PER_SPACING
    nodes = sounding_nodes(kept, block)
    bounds = np.array([kept.x.min(), kept.y.min(), kept.x.max(), kept.y.max()])
    if shoreline is not None:
        check_shoreline(shoreline, bounds)
        reach = bounds + np.array([-max_gap, -max_gap, max_gap, max_gap])
        limits = np.array(shoreline.bounds)
        bounds = np.concatenate(
            [np.maximum(reach[:2], limits[:2]), np.minimum(reach[2:], limits[2:])]
        )
    grid = grid_over(tuple(bounds), cell)
    parts = [nodes]
    if shoreline is not None:
        every = slice(0, grid.shape[1])
        pieces = (part_of(grid, rows, every) for rows in row_blocks(grid, _MASK_CELLS))
        if not any(inside(shoreline, piece).any() for piece in pieces):
            raise LakefloorError(
                f"No cell of {written(cell, 'g')} m lies within the shoreline near the soundings. "
                "Choose a smaller cell size."
            )
        parts.append(shore_nodes(shoreline, block, shore_depth, tolerance=cell / 4.0))
    if len(break_lines):
        lines = [
            break_line_nodes(line, kept, nodes, min(cell, block), spacing, number)
            for number, line in enumerate(break_lines, start=1)
        ]
        parts[0] = _clear_of_lines(nodes, lines)
        parts += lines
    return Frame(
        join(parts), kept, grid, spacing, max_gap, shoreline, shore_depth, tuple(break_lines)
    )


def check_shoreline(shoreline, bounds) -> None:
    """Raise :class:`LakefloorError` if a polygon is no mask for soundings within ``bounds``."""
    if shoreline.is_empty or shoreline.geom_type not in ("Polygon", "MultiPolygon"):
        raise LakefloorError("The shoreline must be a polygon with an area. Choose another layer.")
    if not shoreline.is_valid:
        raise LakefloorError(
            f"The shoreline polygon is not valid: {explain_validity(shoreline)}. "
            "Run 'Fix geometries', or redraw that part."
        )
    west, south, east, north = shoreline.bounds
    if west > bounds[2] or east < bounds[0] or south > bounds[3] or north < bounds[1]:
        raise LakefloorError(
            "The soundings and the shoreline do not overlap. Check the CRS of both layers."
        )


def sounding_nodes(soundings: Soundings, block: float) -> Nodes:
    """Return one node for each square block of ``block`` m that holds soundings."""
    x, y, depth, uncert, first = block_mean(
        soundings.x, soundings.y, block, soundings.depth, soundings.uncert
    )
    # One number for each lane of each visit; 0 stays "no lane".
    _, visit = np.unique(soundings.visit[first].astype(str), return_inverse=True)
    lane = soundings.lane[first].astype(np.int64)
    number = np.where(lane > 0, visit * (lane.max() + 1) + lane, 0)
    return Nodes.build(x, y, depth, SOUNDING, uncert, number)


def thin(nodes: Nodes, block: float) -> Nodes:
    """Return nodes with the soundings among them averaged within blocks of ``block`` m."""
    some = nodes.select(nodes.kind == SOUNDING)
    if not len(some):
        return nodes
    x, y, depth, uncert, first = block_mean(some.x, some.y, block, some.depth, some.uncert)
    means = Nodes.build(x, y, depth, SOUNDING, uncert, some.lane[first])
    return join([means, nodes.select(nodes.kind != SOUNDING)])


def densify(line, step: float) -> np.ndarray:
    """Return a line, shape (k, d), with vertices added so that none are over ``step`` apart.

    Every column is interpolated alike.
    """
    line = np.asarray(line, dtype=float)
    length = np.hypot(*np.diff(line[:, :2], axis=0).T)
    line = line[np.concatenate([[True], length > 0])]
    length = length[length > 0]
    pieces = np.ceil(length / step - 1e-9).astype(int).clip(1)
    start = np.repeat(np.arange(len(pieces)), pieces)
    part = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    fraction = (part / pieces[start])[:, None]
    inner = line[start] + fraction * (line[start + 1] - line[start])
    return np.vstack([inner, line[-1:]])


def shore_nodes(shoreline, step: float, depth: float, tolerance: float) -> Nodes:
    """Return nodes of known depth along the rings of a polygon.

    Parameters
    ----------
    shoreline : shapely Polygon or MultiPolygon
    step : float
        Largest distance between nodes, m.
    depth : float
        Depth of the shoreline, m.
    tolerance : float
        Bends of the ring below this are left out, m (Douglas and Peucker).

    Notes
    -----
    Where the shoreline is edited in one place, the nodes elsewhere stay as they are to the
    last bit. Rings are thinned square by square, and neither their order, their sense nor
    the vertex where they start shows in the nodes.
    """
    vertices = [
        densify(_thinned(ring, _SHORE_SQUARE * step, tolerance), step)[:-1]
        for part in getattr(shoreline, "geoms", [shoreline])
        for ring in rings(orient(part))
    ]
    x, y = np.concatenate(vertices).T
    return Nodes.build(x, y, depth, SHORE).select(np.lexsort((y, x)))


def _thinned(ring, square: float, tolerance: float) -> np.ndarray:
    """Return a closed ring without its small bends, thinned in pieces cut at squares.

    Vertices where the ring enters another square are kept. A ring within a single square is
    cut at its westernmost vertex and at the one farthest from there.
    """
    ring = ring[:-1]
    within = np.floor(ring / square)
    cuts = np.flatnonzero((within != np.roll(within, 1, axis=0)).any(axis=1))
    start = cuts[0] if len(cuts) else np.lexsort((ring[:, 1], ring[:, 0]))[0]
    ring = np.roll(ring, -start, axis=0)
    cuts = cuts - start if len(cuts) else [0, np.argmax(np.hypot(*(ring - ring[0]).T))]
    ring = np.vstack([ring, ring[:1]])
    kept = []
    for first, last in zip(cuts, [*cuts[1:], len(ring) - 1]):
        piece = ring[first : last + 1]
        if len(piece) > 2:
            thinner = LineString(piece).simplify(tolerance, preserve_topology=False)
            piece = np.asarray(thinner.coords)
        kept.append(piece[:-1])
    return np.vstack([*kept, ring[:1]])


def break_line_nodes(
    line, soundings: Soundings, nodes: Nodes, step: float, spacing: float, number: int
) -> Nodes:
    """Return nodes along a break-line, so close that no triangle crosses it.

    Parameters
    ----------
    line : array, shape (k, 2) or (k, 3)
        x, y and, where known, depth, m.
    soundings : Soundings
        In logged order.
    nodes : Nodes
        The thinned soundings.
    step, spacing : float
        Distance between nodes on the line and lane spacing, m.
    number : int
        Names the line in a message, from 1.

    Raises
    ------
    LakefloorError
        If a line without depths has no sounding on it.

    Notes
    -----
    A line without depths takes them where the boat crossed it: between the two
    pings on either side, at most half a lane spacing apart, depth is interpolated to
    the crossing. If no track crosses, thinned soundings within ``step`` of the line
    are projected onto it. Between these the depth runs linearly along the line; beyond
    the first and the last one the line is kept for one lane spacing.
    """
    line = np.asarray(line, dtype=float)
    if line.ndim != 2 or line.shape[0] < 2 or line.shape[1] not in (2, 3):
        raise LakefloorError(f"Breakline {number} has fewer than two vertices. Delete it, or redraw it.")
    if not np.isfinite(line[:, :2]).all():
        raise LakefloorError(f"Breakline {number} has a vertex without a position. Delete it, or redraw it.")
    if not np.ptp(line[:, :2], axis=0).any():
        raise LakefloorError(f"Breakline {number} has no length. Delete it, or redraw it.")
    dense = densify(line, step)
    if line.shape[1] == 3 and np.isfinite(line[:, 2]).all():
        return Nodes.build(dense[:, 0], dense[:, 1], dense[:, 2], BREAK_LINE)
    dense = dense[:, :2]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    at, depth, uncert = _crossings(dense, along, soundings, spacing / 2.0)
    if not len(at):
        off, vertex = cKDTree(dense).query(nodes.xy, distance_upper_bound=step)
        near = np.isfinite(off)
        at, depth, uncert = along[vertex[near]], nodes.depth[near], nodes.uncert[near]
    if not len(at):
        raise LakefloorError(
            f"Breakline {number}, near {written(line[0, 0], '.1f')}, "
            f"{written(line[0, 1], '.1f')}, has no depths, and no track crosses it. Give its "
            "vertices depths (Z), or leave it out."
        )
    order = np.argsort(at, kind="stable")
    at, depth, uncert = at[order], depth[order], uncert[order]
    kept = (along >= at[0] - spacing) & (along <= at[-1] + spacing)
    return Nodes.build(
        dense[kept, 0],
        dense[kept, 1],
        np.interp(along[kept], at, depth),
        BREAK_LINE,
        np.interp(along[kept], at, uncert),
    )


def _crossings(dense, along, soundings: Soundings, longest: float) -> tuple:
    """Return chainage, depth and uncertainty where the track crosses a line."""
    p = np.column_stack([soundings.x, soundings.y])
    step = np.diff(p, axis=0)
    track = np.hypot(step[:, 0], step[:, 1])
    pings = np.flatnonzero(
        (track > 0) & (track <= longest) & (soundings.visit[1:] == soundings.visit[:-1])
    )
    middle = 0.5 * (dense[1:] + dense[:-1])
    piece = np.diff(dense, axis=0)
    reach = 0.5 * (longest + np.hypot(piece[:, 0], piece[:, 1]).max())
    west, south = dense.min(axis=0) - reach
    east, north = dense.max(axis=0) + reach
    centre = p[pings] + 0.5 * step[pings]
    near = (
        (centre[:, 0] >= west) & (centre[:, 0] <= east)
        & (centre[:, 1] >= south) & (centre[:, 1] <= north)
    )  # fmt: skip
    pings, centre = pings[near], centre[near]
    if not len(pings):
        return np.empty(0), np.empty(0), np.empty(0)
    found = cKDTree(middle).query_ball_point(centre, 0.5 * track[pings] + reach - 0.5 * longest)
    count = np.array([len(hits) for hits in found])
    i = np.repeat(pings, count)
    j = np.concatenate([np.asarray(hits, dtype=int) for hits in found]).astype(int)
    # p + t step = q + u piece, both fractions within 0..1.
    cross = step[i, 0] * piece[j, 1] - step[i, 1] * piece[j, 0]
    gap = dense[j] - p[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gap[:, 0] * piece[j, 1] - gap[:, 1] * piece[j, 0]) / cross
        u = (gap[:, 0] * step[i, 1] - gap[:, 1] * step[i, 0]) / cross
    hit = (cross != 0) & (t >= 0) & (t < 1) & (u >= 0) & (u <= 1)
    i, j, t, u = i[hit], j[hit], t[hit], u[hit]
    depth = soundings.depth[i] + t * (soundings.depth[i + 1] - soundings.depth[i])
    uncert = np.fmax(soundings.uncert[i], soundings.uncert[i + 1])
    return along[j] + u * (along[j + 1] - along[j]), depth, uncert


def _clear_of_lines(nodes: Nodes, lines) -> Nodes:
    """Leave out nodes within the circle whose diameter is a piece of a break-line.

    An edge whose diametral circle is empty is an edge of the Delaunay
    triangulation (Gabriel and Sokal 1969), so that no triangle crosses it.
    """
    kept = np.ones(len(nodes), dtype=bool)
    for line in lines:
        if len(line) < 2:
            continue
        half = 0.5 * np.hypot(np.diff(line.x), np.diff(line.y))
        middle = 0.5 * (line.xy[1:] + line.xy[:-1])
        off, piece = cKDTree(middle).query(nodes.xy, distance_upper_bound=half.max() * 1.001)
        near = np.isfinite(off)
        kept[near] &= off[near] > half[piece[near]] * 1.001
    return nodes.select(kept)


def row_blocks(grid: Grid, cells: int):
    """Yield slices of rows that hold about ``cells`` cells each."""
    rows = max(cells // grid.shape[1], 1)
    for start in range(0, grid.shape[0], rows):
        yield slice(start, min(start + rows, grid.shape[0]))
