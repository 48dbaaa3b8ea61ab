"""Slope of a depth surface, and its position above its surroundings."""

import numpy as np
from scipy.signal import oaconvolve

from .errors import LakefloorError
from .grid import Grid
from .number_text import written
from .progress import Progress, silent

_BLOCK_ROWS = 512


def gradient(depth: Grid, method: str = "horn", progress: Progress = silent) -> tuple:
    """Return the rate of change of depth towards east and towards north.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down.
    method : {"horn", "zevenbergen"}
        Horn weighs all eight neighbors and suits noisy surfaces; Zevenbergen
        and Thorne take the four direct ones and keep sharp edges sharper.

    Returns
    -------
    to_east, to_north : array, shape (rows, cols)
        m per m; NaN where a neighbor is missing, so also on the outer ring.

    Raises
    ------
    LakefloorError
        If the method is unknown or the grid is smaller than 3 x 3 cells.

    References
    ----------
    Horn, B. K. P. (1981). Hill shading and the reflectance map. Proceedings of
    the IEEE 69(1), 14-47.
    Zevenbergen, L. W. and Thorne, C. R. (1987). Quantitative analysis of land
    surface topography. Earth Surface Processes and Landforms 12(1), 47-56.
    """
    weights = {"horn": (1.0, 2.0, 1.0), "zevenbergen": (0.0, 1.0, 0.0)}
    if method not in weights:
        raise LakefloorError(f"Slope method '{method}' is unknown. Choose one of {list(weights)}.")
    rows, cols = depth.shape
    if rows < 3 or cols < 3:
        raise LakefloorError(f"Slope needs at least 3 x 3 cells, but the grid has {rows} x {cols}.")
    side, middle, _ = weights[method]
    total = 2.0 * side + middle
    east = np.full(depth.shape, np.nan)
    north = np.full(depth.shape, np.nan)
    for start in range(1, rows - 1, _BLOCK_ROWS):
        progress((start - 1) / rows)
        stop = min(start + _BLOCK_ROWS, rows - 1)
        z = depth.values[start - 1 : stop + 1]
        across = z[:, 2:] - z[:, :-2]
        along = z[:-2] - z[2:]
        east[start:stop, 1:-1] = middle * across[1:-1]
        north[start:stop, 1:-1] = middle * along[:, 1:-1]
        if side:
            east[start:stop, 1:-1] += side * (across[:-2] + across[2:])
            north[start:stop, 1:-1] += side * (along[:, :-2] + along[:, 2:])
    east /= 2.0 * total * depth.dx
    north /= 2.0 * total * depth.dy
    hole = np.isnan(depth.values) | np.isnan(east) | np.isnan(north)
    east[hole] = north[hole] = np.nan
    progress(1.0)
    return east, north


def slope(depth: Grid, method: str = "horn", progress: Progress = silent) -> tuple:
    """Return the slope in degrees and in percent, as two grids.

    Parameters, errors and references as :func:`gradient`.

    >>> plane = Grid(np.tile(0.1 * np.arange(5.0), (4, 1)), 0.0, 4.0, 1.0, 1.0)
    >>> degrees, percent = slope(plane)
    >>> round(float(degrees.values[1, 1]), 3), round(float(percent.values[1, 1]), 3)
    (5.711, 10.0)
    """
    east, north = gradient(depth, method, progress)
    rise = np.hypot(east, north)
    return depth.like(np.degrees(np.arctan(rise))), depth.like(100.0 * rise)


def position(depth: Grid, inner_m: float, outer_m: float, progress: Progress = silent) -> Grid:
    """Return how far the bottom stands above the mean of its surroundings, m.

    The bathymetric position index: positive on rises, negative in hollows, nil on
    any plane. Depth grows downwards, so it is the mean depth of the ring minus the
    depth of the cell.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down.
    inner_m, outer_m : float
        Distances between which cell centers count as surroundings, both included, m.

    Returns
    -------
    Grid
        Cells without value are left out of the mean; NaN where the depth is, and
        where the ring holds no value.

    Raises
    ------
    LakefloorError
        Unless ``0 <= inner_m <= outer_m`` and the ring reaches a neighbor.

    References
    ----------
    Weiss, A. D. (2001). Topographic position and landforms analysis. ESRI User
    Conference, San Diego.
    Lundblad, E. R. et al. (2006). A benthic terrain classification scheme for
    American Samoa. Marine Geodesy 29(2), 89-111.
    """
    if not (0.0 <= inner_m <= outer_m < np.inf):
        raise LakefloorError(
            f"A ring from {written(inner_m, 'g')} m to {written(outer_m, 'g')} m is not possible. "
            "Give an inner radius of 0 m or more, and an outer one at least as large."
        )
    reach = int(outer_m / depth.dy + 1e-9), int(outer_m / depth.dx + 1e-9)
    # No cell is farther from another than the grid is long.
    rows, cols = (min(r, n - 1) for r, n in zip(reach, depth.shape))
    away = np.hypot(
        *np.meshgrid(np.arange(-cols, cols + 1) * depth.dx, np.arange(-rows, rows + 1) * depth.dy)
    )
    ring = (away >= inner_m - 1e-9) & (away <= outer_m + 1e-9) & (away > 0)
    if not ring.any() and (rows, cols) == reach:
        raise LakefloorError(
            f"A ring from {written(inner_m, 'g')} m to {written(outer_m, 'g')} m holds no cell of "
            f"{written(depth.dx, 'g')} m. Choose a larger radius."
        )
    known = np.isfinite(depth.values)
    if not known.any():
        return depth.like(depth.values)
    middle = depth.values[known].mean()
    weights = ring.astype(float)
    total = oaconvolve(np.where(known, depth.values - middle, 0.0), weights, mode="same")
    progress(0.5)
    count = np.rint(oaconvolve(known.astype(float), weights, mode="same"))
    mean = np.full(depth.shape, np.nan)
    np.divide(total, count, out=mean, where=known & (count > 0))
    progress(1.0)
    return depth.like(mean + middle - depth.values)
