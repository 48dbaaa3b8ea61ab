"""A depth surface smoothed within its uncertainty, before it is contoured."""

from __future__ import annotations

import numpy as np

from ..errors import LakefloorError
from ..grid import Grid
from ..progress import Progress, silent

# Passes of the 1-2-1 filter: together a Gaussian of standard deviation 2 cells.
SMOOTHING_PASSES = 8
# Without a band of uncertainty, smoothing moves depth by this share of the interval at most.
SHARE_OF_INTERVAL = 0.1


def smooth_within(depth: Grid, limit: float | np.ndarray, progress: Progress = silent) -> Grid:
    """Smooth a surface without moving any cell further than a limit.

    Parameters
    ----------
    depth : Grid
        NaN where there is no value.
    limit : float or array, shape (rows, cols)
        How far the value of a cell may move at most, unit of the grid, 0 or more.

    Returns
    -------
    Grid
        NaN where ``depth`` is.

    Notes
    -----
    The 1-2-1 filter is applied along both axes eight times, which amounts to a
    Gaussian of 2 cells, and each pass is cut back to ``depth`` +- ``limit``. A
    direction in which a cell lacks a neighbor is left out, so that a plane stays
    a plane up to its edge.
    """
    low, high = depth.values - limit, depth.values + limit
    z = depth.values.copy()
    for step in range(SMOOTHING_PASSES):
        progress(step / SMOOTHING_PASSES)
        for v in (z, z.T):
            bend = v[:, :-2] - 2.0 * v[:, 1:-1]
            bend += v[:, 2:]
            bend *= 0.25
            bend[np.isnan(bend)] = 0.0
            v[:, 1:-1] += bend
        np.clip(z, low, high, out=z)
    progress(1.0)
    return depth.like(z)


def smoothed(
    depth: Grid,
    uncertainty: Grid | None,
    smoothing: float,
    interval: float,
    progress: Progress = silent,
) -> Grid:
    """Smooth depths by no more than their uncertainty allows.

    Parameters
    ----------
    depth, uncertainty : Grid
        m, of one geometry; without an uncertainty, :data:`SHARE_OF_INTERVAL` of the interval
        stands for it.
    smoothing : float
        Standard deviations by which a depth may move, 0 to 1.
    interval : float
        m.
    progress : callable

    Raises
    ------
    LakefloorError
        If smoothing is out of range, or the uncertainty negative or of another shape.
    """
    if not 0.0 <= smoothing <= 1.0:
        raise LakefloorError(f"Smoothing must be from 0 to 1, not {smoothing}.")
    if uncertainty is None:
        limit = smoothing * SHARE_OF_INTERVAL * interval
    else:
        if uncertainty.shape != depth.shape:
            raise LakefloorError(
                f"The uncertainty has {uncertainty.shape} cells, the depth {depth.shape}. "
                "Give both with the same rows and columns."
            )
        if np.nanmin(uncertainty.values, initial=0.0) < 0:
            raise LakefloorError("The uncertainty band has values below 0 m. Correct it.")
        limit = smoothing * np.where(np.isfinite(uncertainty.values), uncertainty.values, 0.0)
    return smooth_within(depth, limit, progress) if smoothing > 0 else depth
