"""What closed contours are: humps and holes, and the depth to print inside them."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from shapely.geometry import Polygon

from ..grid import Grid
from ..polygons import inside
from ..progress import Progress, silent
from .tracing import ContourLine


def kinds_and_spots(
    lines: list[ContourLine], depth: Grid, surface: Grid, progress: Progress = silent
) -> tuple:
    """Return the kind of each line, and the spot depth (m, x, y) or None.

    Parameters
    ----------
    lines : list of ContourLine
    depth, surface : Grid
        Depth before and after smoothing, m.
    progress : callable

    Returns
    -------
    kinds : list of str
        ``hump``, ``hollow`` or ``line``; see :func:`~.contours.depth_contours`.
    spots : list of tuple or None
        On the innermost closed lines, the least depth inside a hump or the greatest inside any
        other, before smoothing, and where it is.
    """
    deepest, gaps = _deepest_places(surface), _places_of_gaps(depth)
    kinds = []
    for i, line in enumerate(lines):
        progress(i / len(lines))
        kinds.append(_kind(line, depth, deepest, gaps))
    spots: list[tuple[float, float, float] | None] = [None] * len(lines)
    for i in _innermost(lines, kinds):
        values, x, y = _cells_in(lines[i].xy, depth)
        if np.isfinite(values).any():
            k = int(np.nanargmin(values) if kinds[i] == "hump" else np.nanargmax(values))
            spots[i] = float(values[k]), float(x[k]), float(y[k])
    return kinds, spots


def _deepest_places(surface: Grid) -> np.ndarray:
    """Return where each separate water is deepest, shape (n, 2)."""
    label, count = ndimage.label(np.isfinite(surface.values), structure=np.ones((3, 3)))
    flat = ndimage.maximum_position(surface.values, label, np.arange(1, count + 1))
    rows, cols = np.array(flat, dtype=int).T
    return np.column_stack([surface.x[cols], surface.y[rows]])


def _places_of_gaps(depth: Grid) -> np.ndarray:
    """Return one cell of each gap or island, shape (n, 2).

    It rules out most of the lines around it without a look at all of their cells, which may be
    half the lake for every level.
    """
    gap, count = ndimage.label(np.isnan(depth.values))
    one_of = np.zeros(count + 1, dtype=int)
    missing = np.flatnonzero(gap)
    one_of[gap.flat[missing]] = missing
    rows, cols = np.divmod(one_of[1:], depth.shape[1])
    return np.column_stack([depth.x[cols], depth.y[rows]])


def _kind(line: ContourLine, depth: Grid, deepest, gaps) -> str:
    if line.area > 0 and not _contains(line.xy, deepest).any():
        return "hollow"
    if (
        line.area < 0
        and not _contains(line.xy, gaps).any()
        and not np.isnan(_cells_in(line.xy, depth)[0]).any()
    ):
        return "hump"
    return "line"


def _cells_in(ring, depth: Grid) -> tuple:
    """Return depth, x and y of the cells whose center lies in a closed ring."""
    r, c = depth.rows_cols(ring[:, 0], ring[:, 1])
    r0, r1 = max(int(np.floor(r.min())), 0), int(np.ceil(r.max())) + 1
    c0, c1 = max(int(np.floor(c.min())), 0), int(np.ceil(c.max())) + 1
    part = Grid(
        depth.values[r0:r1, c0:c1],
        depth.west + c0 * depth.dx,
        depth.north - r0 * depth.dy,
        depth.dx,
        depth.dy,
    )
    row, col = np.nonzero(inside(Polygon(ring), part))
    return part.values[row, col], part.x[col], part.y[row]


def _innermost(lines, kinds) -> list:
    """Return the closed lines that hold no line of the next level of their own kind."""
    groups = {}
    for i, line in enumerate(lines):
        if line.area > 0 or kinds[i] == "hump":
            groups.setdefault((line.area > 0, line.level), []).append(i)
    found = []
    for (deeper, level), members in groups.items():
        inner = groups.get((deeper, level + 1 if deeper else level - 1), [])
        points = np.array([lines[i].xy[0] for i in inner]).reshape(-1, 2)
        found += [i for i in members if not _contains(lines[i].xy, points).any()]
    return found


def _contains(ring: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Tell which points, shape (n, 2), lie in a closed ring, by the even-odd rule."""
    within = np.all((points > ring.min(0)) & (points < ring.max(0)), axis=1)
    x0, y0 = ring[:-1].T
    x1, y1 = ring[1:].T
    for i in np.flatnonzero(within):
        x, y = points[i]
        spans = (y0 > y) != (y1 > y)
        a, b = x0[spans], x1[spans]
        at = a + (y - y0[spans]) / (y1[spans] - y0[spans]) * (b - a)
        within[i] = np.count_nonzero(at > x) % 2 == 1
    return within
