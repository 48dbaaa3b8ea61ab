"""Lines along which the slope of a surface is greatest, traced to a fraction of a cell."""

import numpy as np
from scipy import ndimage
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from ..progress import Progress, silent


def filled(values: np.ndarray, reach: int) -> np.ndarray:
    """Return values continued beyond their edge, so that filters see no step there.

    Parameters
    ----------
    values : array, shape (rows, cols)
        NaN where there is no value.
    reach : int
        Number of cells to continue.

    Returns
    -------
    array, shape (rows + 2 reach, cols + 2 reach)
        Padded on each side. A missing cell p with nearest valid cell q holds
        ``2 z(q) - z(2q - p)``: a plane stays a plane. Cells further off than
        ``reach`` hold the value of a near cell and are not to be used.
    """
    z = np.pad(values, reach, constant_values=np.nan)
    hole = np.isnan(z)
    if hole.all():
        return z
    near = ndimage.distance_transform_edt(hole, return_distances=False, return_indices=True)
    rows, cols = np.nonzero(hole)
    qr, qc = near[0][hole], near[1][hole]
    mr = np.clip(2 * qr - rows, 0, z.shape[0] - 1)
    mc = np.clip(2 * qc - cols, 0, z.shape[1] - 1)
    mirror = z[mr, mc]
    edge = z[qr, qc]
    z[hole] = np.where(np.isnan(mirror), edge, 2.0 * edge - mirror)
    return z


def slope_maxima(
    z: np.ndarray,
    dx: float,
    dy: float,
    valid: np.ndarray,
    low: float,
    high: float,
    min_count: int,
    progress: Progress = silent,
) -> list:
    """Trace the lines on which slope has its maximum along the direction of steepest descent.

    Parameters
    ----------
    z : array, shape (rows, cols)
        A smooth surface without NaN, m.
    dx, dy : float
        Cell size, m.
    valid : array of bool, shape (rows, cols)
        Where lines may run.
    low, high : float
        Slope, m per m, that every point of a line and at least one of them must reach.
    min_count : int
        Cells that a line must cross at least.

    Returns
    -------
    list of array, shape (k, 2)
        Fractional row and column of the vertices in order; a closed line
        repeats its first vertex.

    Notes
    -----
    The maximum of slope is where the second derivative along the gradient,
    ``z_ww = (zx^2 zxx + 2 zx zy zxy + zy^2 zyy) / (zx^2 + zy^2)``, falls
    through zero on the way down. Its zero contour is traced by marching squares.

    References
    ----------
    Canny, J. (1986). A computational approach to edge detection. IEEE
    Transactions on Pattern Analysis and Machine Intelligence 8(6), 679-698.
    Lindeberg, T. (1998). Edge detection and ridge detection with automatic
    scale selection. International Journal of Computer Vision 30(2), 117-154.
    """
    cols = z.shape[1]
    zx, zy = np.zeros_like(z), np.zeros_like(z)
    zx[:, 1:-1] = (z[:, 2:] - z[:, :-2]) / (2.0 * dx)
    zy[1:-1] = (z[2:] - z[:-2]) / (2.0 * dy)
    progress(0.2)
    slope = np.hypot(zx, zy)
    inner = np.zeros(z.shape, dtype=bool)
    inner[1:-1, 1:-1] = True
    steep = np.flatnonzero(valid & inner & (slope >= low))
    progress(0.4)

    zf = z.ravel()
    p, q, s = zx.ravel()[steep], zy.ravel()[steep], slope.ravel()[steep]
    center = zf[steep]
    zxx = (zf[steep + 1] - 2.0 * center + zf[steep - 1]) / dx**2
    zyy = (zf[steep + cols] - 2.0 * center + zf[steep - cols]) / dy**2
    zxy = (
        zf[steep + cols + 1] - zf[steep + cols - 1] - zf[steep - cols + 1] + zf[steep - cols - 1]
    ) / (4.0 * dx * dy)
    curving = np.full(z.size, np.nan)
    curving[steep] = (p * p * zxx + 2.0 * p * q * zxy + q * q * zyy) / s**2
    progress(0.6)

    # Squares whose four corners are steep, taken from north-west clockwise.
    ring = np.array([0, 1, cols + 1, cols])
    corners = steep[steep + cols + 1 < z.size, None] + ring
    value = curving[corners]
    up = value > 0
    crossed = np.isfinite(value).all(axis=1) & up.any(axis=1) & ~up.all(axis=1)
    corners, value = corners[crossed], value[crossed]
    # Only where z_ww falls in the direction of the gradient is slope a maximum.
    east = (value[:, 1] + value[:, 2] - value[:, 0] - value[:, 3]) / dx
    south = (value[:, 2] + value[:, 3] - value[:, 0] - value[:, 1]) / dy
    falls = east * zx.ravel()[corners].sum(1) + south * zy.ravel()[corners].sum(1) < 0
    corners, value = corners[falls], value[falls]
    progress(0.8)
    segments, points, kept = _march(corners, value, cols)
    steepest = slope.ravel()[corners[kept]].max(axis=1)
    return _chains(segments, points, steepest >= high, min_count)


def _march(corners, value, cols):
    """Return segments (pairs of point numbers), points (row, column) and the squares kept.

    A square crossed four times, where two lines touch, is left out: the lines
    end there.
    """
    follower, after = np.roll(corners, -1, axis=1), np.roll(value, -1, axis=1)
    cut = (value > 0) != (after > 0)
    kept = cut.sum(axis=1) == 2
    corners, follower, value, after = (
        each[kept][cut[kept]] for each in (corners, follower, value, after)
    )
    # An edge is named by its north-western end and whether it runs south.
    names = 2 * np.minimum(corners, follower) + (np.abs(follower - corners) == cols)
    _, first, segments = np.unique(names, return_index=True, return_inverse=True)
    share = (value / (value - after))[first]
    start = np.column_stack(np.divmod(corners[first], cols))
    stop = np.column_stack(np.divmod(follower[first], cols))
    return segments.reshape(-1, 2), start + share[:, None] * (stop - start), kept


def _chains(segments, points, strong, min_count) -> list:
    """Join segments at their common points into lines that hold a strong segment."""
    n = len(points)
    if not len(segments):
        return []
    graph = coo_matrix((np.ones(len(segments)), segments.T), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    of_segment = label[segments[:, 0]]
    size = np.bincount(of_segment)
    has_strong = np.bincount(of_segment, weights=strong) > 0
    segments = segments[((size >= min_count) & has_strong)[of_segment]]

    neighbors = {}
    for a, b in segments.tolist():
        neighbors.setdefault(a, []).append(b)
        neighbors.setdefault(b, []).append(a)
    ends = [node for node, others in neighbors.items() if len(others) == 1]
    lines, seen = [], set()
    for start in ends + list(neighbors):
        if start in seen:
            continue
        line, node = [start], start
        seen.add(start)
        while True:
            ahead = [other for other in neighbors[node] if other not in seen]
            if not ahead:
                break
            node = ahead[0]
            seen.add(node)
            line.append(node)
        if len(line) > 2 and start in neighbors[node]:
            line.append(start)
        lines.append(points[line])
    return lines
