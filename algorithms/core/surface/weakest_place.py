"""Where a surface is least certain: a place one can look at, not a single cell."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter

__all__ = ["weakest_place"]

#: Share of a place that the surface must cover.
_COVERED = 0.25


def weakest_place(uncertainty: np.ndarray, size: int) -> tuple | None:
    """Return the cell around which a square of cells is least certain in the mean.

    Parameters
    ----------
    uncertainty : (rows, columns) ndarray
        m; NaN where there is no surface. Squares that it covers less than a quarter of do not count
        where others are covered more.
    size : int
        Side of the square, cells.

    Returns
    -------
    (row, column), or None
        None where there is no surface.
    """
    known = np.isfinite(uncertainty)
    if not known.any():
        return None
    covered = uniform_filter(known.astype(float), size, mode="constant")
    total = uniform_filter(np.where(known, uncertainty, 0.0), size, mode="constant")
    least = min(_COVERED, covered[known].max())
    # The running sums of the filter leave a rounding error.
    counts = known & (covered >= least * (1.0 - 1e-9))
    mean = np.where(counts, total / np.where(counts, covered, 1.0), -np.inf)
    row, column = np.unravel_index(np.argmax(mean), mean.shape)
    return int(row), int(column)
