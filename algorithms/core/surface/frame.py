"""What is gridded and where: nodes, the grid of a surface, and its mask."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.ndimage import distance_transform_edt
from shapely.geometry.base import BaseGeometry

from ..cut_edge import off_cut
from ..errors import LakefloorError
from ..grid import Grid, grid_over
from ..number_text import written
from ..polygons import check_shoreline, inside
from ..soundings import Soundings, stated_uncertainty
from ..spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable
from .breakline_nodes import breakline_nodes, clear_of_lines
from .nodes import NODES_PER_SPACING, Nodes, join, shore_nodes, sounding_nodes

#: Halo of a part in maximum gaps: it holds what cells are drawn from between lanes.
HALO_IN_GAPS = 2.0
#: Lanes that are closer than so many cells look like lanes so far apart.
CELLS_PER_SPACING = 2.0
_MASK_CELLS = 500_000
_ALL = (slice(None), slice(None))


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
        Lane spacing, :data:`CELLS_PER_SPACING` cells at least, and limit of interpolation, m.
    shoreline : shapely Polygon or MultiPolygon, or None
    shore_depth : float
        m.
    breaklines : sequence of array, shape (k, 2) or (k, 3)
    wanted : tuple of slice
        Rows and columns that get a depth; the others of a part are its halo.
    block : float
        Side of the blocks of soundings whose nodes are still to be made, m; 0 where all are
        there. See :meth:`complete`.
    cut : array, shape (k, 2), or None
        Places along the edges of the shoreline that are no shore, m.
    water : array of bool, shape (rows, cols), or None
        The mask, where it is known already.
    """

    nodes: Nodes
    soundings: Soundings
    grid: Grid
    spacing: float
    max_gap: float
    shoreline: object = None
    shore_depth: float = 0.0
    breaklines: tuple = ()
    wanted: tuple = _ALL
    block: float = 0.0
    cut: np.ndarray | None = None
    water: np.ndarray | None = None

    def complete(self) -> Frame:
        """Return the frame with the nodes of its soundings."""
        if not self.block:
            return self
        made = sounding_nodes(self.soundings, self.block)
        return replace(self, nodes=join([made, self.nodes]), block=0.0)

    @cached_property
    def mask(self) -> np.ndarray:
        """Cells within the shoreline, bool, shape (rows, cols)."""
        if self.water is not None:
            return self.water
        if self.shoreline is None:
            return np.ones(self.grid.shape, dtype=bool)
        return inside(self.shoreline, self.grid)

    @cached_property
    def distance(self) -> np.ndarray:
        """Distance from each cell to a sounding of the nearest cell that holds any, m.

        NaN off the mask and where it is above the maximum gap. Of the soundings in a cell the
        one nearest to its center counts, so that it may be too large by a cell.
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
        cut = self.cut
        if cut is not None:
            cut = cut[((cut >= (west, south)) & (cut <= (east, north))).all(1)]
        return replace(
            self, nodes=nodes, soundings=soundings, grid=grid, wanted=_ALL, cut=cut, water=None
        )


def part_of(grid: Grid, rows: slice, cols: slice) -> Grid:
    """Return the geometry of a part of a grid, which may lie beyond it."""
    # Edges are multiples of the cell size: to the last bit the same in any larger grid.
    return Grid(
        np.broadcast_to(np.nan, (rows.stop - rows.start, cols.stop - cols.start)),
        float(round(grid.west / grid.dx + cols.start) * grid.dx),
        float(round(grid.north / grid.dy - rows.start) * grid.dy),
        grid.dx,
        grid.dy,
    )


def frame(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline: BaseGeometry | None = None,
    cut: BaseGeometry | None = None,
    breaklines: Sequence[np.ndarray] = (),
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    spacing: float | None = None,
    later: bool = False,
) -> Frame:
    """Collect nodes and grid of a surface, with what was not given taken from the data.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used; they are thinned to :data:`NODES_PER_SPACING`.
    cell : float, optional
        Cell size, m; from :func:`~.spacing.suggest_cell` if None, about an eighth of the lane
        spacing.
    shoreline : shapely Polygon or MultiPolygon, optional
        Islands as holes. Its rings have depth ``shore_depth``, and it is the mask.
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore: they have no depth.
    breaklines : sequence of array, shape (k, 2) or (k, 3)
        x, y and, where known, depth, m. See :func:`breakline_nodes`.
    max_gap : float, optional
        Farthest distance from a sounding at which depth is interpolated, m;
        :data:`~.spacing.GAP_IN_SPACINGS` lane spacings if None.
    shore_depth : float
        Depth of the shoreline below the lake datum, m; negative if it was mapped
        at a level above the datum.
    spacing : float, optional
        Lane spacing, m; from :func:`~.spacing.lane_spacing` if None.
    later : bool
        Whether the nodes of soundings may be left to be made of parts; see :attr:`Frame.block`.
        With breaklines, which need them, they are made.

    Raises
    ------
    LakefloorError
        If the soundings are too few, lie along a single lane while ``cell`` or
        ``max_gap`` is None, or all lie off the shoreline polygon; if the polygon
        is invalid; if a size is not above 0; if a breakline cannot be given depths.
    """
    for name, size in (("Cell size", cell), ("Search distance", max_gap)):
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
    spacing = max(spacing, CELLS_PER_SPACING * cell)

    block = spacing / NODES_PER_SPACING
    later = later and not len(breaklines)
    nodes = sounding_nodes(kept.select(slice(0, 0)) if later else kept, block)
    grid = _grid_over(kept, shoreline, cell, max_gap)
    parts = [nodes]
    if shoreline is not None:
        edge = shore_nodes(shoreline, block, shore_depth, tolerance=cell / 4.0)
        shore = np.ones(len(edge), bool) if cut is None else off_cut(edge.x, edge.y, cut, cell)
        parts.append(edge.select(shore))
    if len(breaklines):
        lines = [
            breakline_nodes(line, kept, nodes, min(cell, block), spacing, number)
            for number, line in enumerate(breaklines, start=1)
        ]
        parts[0] = clear_of_lines(nodes, lines)
        parts += lines
    return Frame(
        join(parts),
        kept,
        grid,
        spacing,
        max_gap,
        shoreline,
        shore_depth,
        tuple(breaklines),
        block=block if later else 0.0,
        cut=None if cut is None else edge.xy[~shore],
    )


def _grid_over(
    soundings: Soundings, shoreline: BaseGeometry | None, cell: float, max_gap: float
) -> Grid:
    """Return the grid of a surface: over the soundings, or what is near them of the lake."""
    bounds = np.array([soundings.x.min(), soundings.y.min(), soundings.x.max(), soundings.y.max()])
    if shoreline is None:
        return grid_over(tuple(bounds), cell)
    check_shoreline_around(shoreline, bounds)
    reach = bounds + np.array([-max_gap, -max_gap, max_gap, max_gap])
    limits = np.array(shoreline.bounds)
    bounds = np.concatenate([np.maximum(reach[:2], limits[:2]), np.minimum(reach[2:], limits[2:])])
    grid = grid_over(tuple(bounds), cell)
    every = slice(0, grid.shape[1])
    pieces = (part_of(grid, rows, every) for rows in row_blocks(grid, _MASK_CELLS))
    if not any(inside(shoreline, piece).any() for piece in pieces):
        raise LakefloorError(
            f"No cell of {written(cell, 'g')} m lies within the shoreline near the soundings. "
            "Choose a smaller cell size."
        )
    return grid


def check_shoreline_around(shoreline: BaseGeometry, bounds: Sequence[float]) -> None:
    """Raise LakefloorError if a polygon is no mask for soundings within ``bounds``."""
    check_shoreline(shoreline)
    west, south, east, north = shoreline.bounds
    if west > bounds[2] or east < bounds[0] or south > bounds[3] or north < bounds[1]:
        raise LakefloorError(
            "The soundings and the shoreline do not overlap. Check the CRS of both layers."
        )


def row_blocks(grid: Grid, cells: int) -> Iterator[slice]:
    """Yield slices of rows that hold about ``cells`` cells each."""
    rows = max(cells // grid.shape[1], 1)
    for start in range(0, grid.shape[0], rows):
        yield slice(start, min(start + rows, grid.shape[0]))
