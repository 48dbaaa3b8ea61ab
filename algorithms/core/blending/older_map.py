"""An older map, a raster or contours, as a grid."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.ndimage import binary_dilation, distance_transform_edt
from scipy.sparse.linalg import splu
from shapely.geometry.base import BaseGeometry

from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..number_text import written
from ..polygons import contains, inside, rings
from ..progress import Progress, silent, span
from ..surface.nodes import densify, shore_nodes
from ..surface.tin import rasterize, triangulate

#: Cells of the grid in which contours are drawn; old contours hold no finer detail.
_MOST_CELLS = 250_000
# Keeps the equations solvable where a hollow touches too few known cells.
_RIDGE = 1e-9


def map_on(
    older: Grid | Lines,
    frame: Grid,
    *,
    shoreline: BaseGeometry | None = None,
    shore_depth: float = 0.0,
    shift: tuple = (0.0, 0.0),
    progress: Progress = silent,
) -> Grid:
    """Return the depth of an older map on the cells of another grid, m.

    Parameters
    ----------
    older : Grid or Lines
        Depth, or contours; see :func:`contour_map`, also for what is raised.
    frame : Grid
        The cells.
    shoreline, shore_depth
        For contours.
    shift : tuple
        Eastward and northward displacement of the map, m, taken off it. The shoreline and the
        extent of a raster stay, its rim carried on.
    progress : callable
    """
    if isinstance(older, Lines):
        drawn = contour_map(
            older,
            frame,
            shoreline=shoreline,
            shore_depth=shore_depth,
            shift=shift,
            progress=progress,
        )
        return frame.like(_sampled(drawn, frame.x, frame.y))
    values = _sampled(older, frame.x, frame.y)
    if any(shift):
        x = np.clip(frame.x + shift[0], older.x[0], older.x[-1])
        y = np.clip(frame.y + shift[1], older.y[-1], older.y[0])
        values = np.where(np.isnan(values), np.nan, _sampled(extended(older), x, y))
    return frame.like(values)


def extended(grid: Grid) -> Grid:
    """Return a grid with every gap filled by its nearest cell."""
    gap = np.isnan(grid.values)
    if not gap.any():
        return grid
    nearest = distance_transform_edt(gap, return_distances=False, return_indices=True)
    return grid.like(grid.values[tuple(nearest)])


def rate_of_change(grid: Grid) -> tuple:
    """Return the rate of change towards east and north, m per m, as two grids.

    By central differences; every cell has one, as gaps count as their nearest cell.
    """
    values = extended(grid).values
    east, north = np.zeros(grid.shape), np.zeros(grid.shape)
    if grid.shape[1] > 1:
        east = np.gradient(values, grid.dx, axis=1)
    if grid.shape[0] > 1:
        north = -np.gradient(values, grid.dy, axis=0)
    return grid.like(east), grid.like(north)


def contour_map(
    lines: Lines,
    frame: Grid,
    *,
    shoreline: BaseGeometry | None = None,
    shore_depth: float = 0.0,
    shift: tuple = (0.0, 0.0),
    progress: Progress = silent,
) -> Grid:
    """Return the depth between contour lines.

    Parameters
    ----------
    lines : Lines
        Attribute ``depth``: m, positive down.
    frame : Grid
        Extent and finest cell; on more than a quarter of a million cells the map is drawn
        in coarser ones, of a whole multiple.
    shoreline : shapely Polygon or MultiPolygon, optional
        Line of depth ``shore_depth``, and the mask. Parts of lines outside are left out.
    shore_depth : float
        m.
    shift : tuple
        Eastward and northward displacement of the lines, m, taken off them before gridding;
        the shoreline stays.
    progress : callable

    Returns
    -------
    Grid
        Depth, m; NaN outside the shoreline or, without one, outside the lines' hull.

    Raises
    ------
    LakefloorError
        If there are no lines, a depth is missing, all lines have one depth and there is no
        shoreline, or no line lies within it.

    Notes
    -----
    Between two lines depth runs linearly over the Delaunay triangles of their vertices. A
    triangle whose corners all lie on lines of one depth is flat, so that every hole, hump,
    point and inside turn would be a terrace. Its cells are taken out and filled by the surface of
    least bending that joins the cells around them (Briggs 1974), held between the depths of
    the next shallower and the next deeper line; beyond the deepest line the usual interval
    is the limit. Without a shoreline flat triangles of the shallowest depth stay empty:
    nothing tells water from land there.

    References
    ----------
    Briggs, I. C. (1974). Machine contouring using minimum curvature. Geophysics 39(1), 39-48.
    """
    every = max(int(np.ceil(np.sqrt(frame.values.size / _MOST_CELLS))), 1)
    rows, cols = (-(-size // every) for size in frame.shape)
    grid = Grid(
        np.full((rows, cols), np.nan), frame.west, frame.north, frame.dx * every, frame.dy * every
    )
    step = min(grid.dx, grid.dy)
    xy, depth = _line_nodes(lines, step, shift, shoreline)
    if shoreline is not None:
        shore = shore_nodes(shoreline, step, shore_depth, tolerance=step / 4.0)
        xy, depth = np.vstack([xy, shore.xy]), np.concatenate([depth, shore.depth])
    levels = np.unique(depth)
    if len(levels) < 2:
        raise LakefloorError(
            f"All contours have the depth {written(levels[0], 'g')} m. Give the shoreline too, or "
            "check the depth field."
        )
    progress(0.1)
    triangles = triangulate(xy)
    corners = depth[triangles]
    level_ground = np.ptp(corners, axis=1) == 0
    flag = np.repeat(level_ground[:, None], 3, axis=1).astype(float)
    values, flat, covered = rasterize(
        xy[triangles], np.stack([corners, flag], axis=2), grid, span(progress, 0.1, 0.5)
    )
    flat = covered & (flat > 0.5)
    if shoreline is not None:
        mask = inside(shoreline, grid)
        # Slivers between the shoreline and its straightened node line.
        values[~covered] = shore_depth
        rim = binary_dilation(mask) & ~mask
        values[rim] = shore_depth
        domain = mask | rim
    else:
        mask = domain = covered & ~(flat & (values == levels[0]))
    hollow = flat & mask
    if hollow.any():
        own = values[hollow]
        filled = least_bending(values, hollow, domain)
        values[hollow] = filled.clip(*_limits(own, levels, shoreline is not None))
    values[~mask] = np.nan
    progress(1.0)
    return grid.like(values)


def contour_depths(lines: Lines) -> np.ndarray:
    """Return the depth of each contour, m.

    Raises
    ------
    LakefloorError
        If there are no lines, one has no depth, or most depths are negative.
    """
    if not len(lines):
        raise LakefloorError("The older map has no contour line. Choose another layer.")
    depths = np.asarray(lines.attributes["depth"], dtype=float)
    missing = np.flatnonzero(~np.isfinite(depths))
    if len(missing):
        raise LakefloorError(
            f"{len(missing)} of {len(lines)} contours have no depth. The first is line "
            f"{missing[0] + 1}. Fill in their depths, or delete them."
        )
    if np.mean(depths < 0) > 0.5:
        raise LakefloorError(
            "Most contours have negative depths, but depth is positive down. If the field holds "
            "elevations, subtract them from the lake level first."
        )
    return depths


def contour_interval(lines: Lines) -> float:
    """Return the usual interval of contours, the shoreline's depth of 0 m among them, m."""
    levels = np.unique(np.append(np.asarray(lines.attributes["depth"], dtype=float), 0.0))
    return float(np.median(np.diff(levels))) if len(levels) > 1 else 0.0


def _sampled(grid: Grid, x, y) -> np.ndarray:
    """Return values where columns at ``x`` meet rows at ``y``."""
    out = np.empty((len(y), len(x)))
    for row, north in enumerate(y):
        out[row] = grid.sample(x, np.full(len(x), north))
    return out


def _line_nodes(lines: Lines, step: float, shift, shoreline) -> tuple:
    """Return positions, shape (n, 2), and depths along contours, the displacement taken off."""
    depths = contour_depths(lines)
    places, values = [], []
    for number, (line, depth) in enumerate(zip(lines.coords, depths), start=1):
        line = np.asarray(line, dtype=float)[:, :2]
        if not np.isfinite(line).all():
            raise LakefloorError(
                f"Contour line {number} has a vertex without a position. Delete it, or redraw it."
            )
        if len(line) > 1 and np.ptp(line, axis=0).any():
            line = densify(line, step)
        places.append(line - np.asarray(shift))
        values.append(np.full(len(line), depth))
    xy, depth = np.vstack(places), np.concatenate(values)
    if shoreline is not None:
        wet = contains(rings(shoreline), xy[:, 0], xy[:, 1])
        if not wet.any():
            raise LakefloorError(
                "No contour lies within the shoreline. Check the CRS of both layers."
            )
        xy, depth = xy[wet], depth[wet]
    return xy, depth


def _limits(own, levels, has_shore: bool) -> tuple:
    """Return the least and greatest depth that ground between lines of one depth may have, m."""
    interval = np.median(np.diff(levels))
    # The lake does not rise out of the water off its shore.
    first = levels[0] if has_shore else levels[0] - interval
    ladder = np.concatenate([[first], levels, [levels[-1] + interval]])
    at = np.searchsorted(levels, own) + 1
    return ladder[at - 1], ladder[at + 1]


def least_bending(values: np.ndarray, unknown: np.ndarray, domain: np.ndarray) -> np.ndarray:
    """Fill cells so that the squares of all second differences add up to the least.

    Parameters
    ----------
    values : array, shape (rows, cols)
        Known wherever ``domain`` holds and ``unknown`` does not.
    unknown, domain : array of bool, shape (rows, cols)
        Cells to fill; cells that count at all.

    Returns
    -------
    array, shape (k,)
        Values of the k unknown cells, in row order.
    """
    unknown = unknown & domain
    index = np.full(values.shape, -1)
    index[unknown] = np.arange(np.count_nonzero(unknown))
    twist = np.sqrt(2.0)
    stencils = (
        (((0, 0), 1.0), ((0, 1), -2.0), ((0, 2), 1.0)),
        (((0, 0), 1.0), ((1, 0), -2.0), ((2, 0), 1.0)),
        (((0, 0), twist), ((0, 1), -twist), ((1, 0), -twist), ((1, 1), twist)),
    )
    row, col, entry, right = [], [], [], []
    equations = 0
    for stencil in stencils:
        reach = np.max([offset for offset, _ in stencil], axis=0)
        size = np.array(values.shape) - reach
        if (size < 1).any():
            continue
        views = [(np.s_[r : r + size[0], c : c + size[1]], weight) for (r, c), weight in stencil]
        used = np.all([domain[view] for view, _ in views], axis=0)
        used &= np.any([unknown[view] for view, _ in views], axis=0)
        count = np.count_nonzero(used)
        known = np.zeros(count)
        for view, weight in views:
            column = index[view][used]
            free = column >= 0
            row.append(equations + np.flatnonzero(free))
            col.append(column[free])
            entry.append(np.full(np.count_nonzero(free), weight))
            known -= np.where(free, 0.0, weight * values[view][used])
        right.append(known)
        equations += count
    count = np.count_nonzero(unknown)
    if not equations:
        return values[unknown]
    matrix = sparse.csr_matrix(
        (np.concatenate(entry), (np.concatenate(row), np.concatenate(col))),
        shape=(equations, count),
    )
    # Drawn, ever so lightly, to the depth of the line around them.
    normal = (matrix.T @ matrix + _RIDGE * sparse.identity(count)).tocsc()
    load = matrix.T @ np.concatenate(right) + _RIDGE * values[unknown]
    # The matrix is symmetric and positive: without pivoting its factors stay sparse.
    factors = splu(
        normal, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )
    return factors.solve(load)
