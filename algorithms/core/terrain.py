"""Slope of a depth surface by finite differences on the 3 x 3 neighbourhood."""

import numpy as np

from .errors import LakefloorError
from .grid import Grid
from .progress import Progress, silent

_BLOCK_ROWS = 512


def gradient(depth: Grid, method: str = "horn", progress: Progress = silent) -> tuple:
    """Return the rate of change of depth towards east and towards north.

    Parameters
    ----------
    depth : Grid
        Depth, m, positive down.
    method : {"horn", "zevenbergen"}
        Horn weighs all eight neighbours and suits noisy surfaces; Zevenbergen
        and Thorne take the four direct ones and keep sharp edges sharper.

    Returns
    -------
    to_east, to_north : array, shape (rows, cols)
        m per m; NaN where a neighbour is missing, so also on the outer ring.

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
        raise LakefloorError(f"Slope method '{method}' is unknown; choose one of {list(weights)}.")
    rows, cols = depth.shape
    if rows < 3 or cols < 3:
        raise LakefloorError(f"Slope needs at least 3 x 3 cells; the grid has {rows} x {cols}.")
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
    """
    east, north = gradient(depth, method, progress)
    rise = np.hypot(east, north)
    return depth.like(np.degrees(np.arctan(rise))), depth.like(100.0 * rise)
