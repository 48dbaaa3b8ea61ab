"""Thinning of densely logged soundings."""

import numpy as np

from .errors import LakefloorError


def block_mean(x, y, size: float, *values) -> tuple:
    """Average positions and values within square blocks.

    Pings along a lane stand far closer than lanes do. One node a block keeps the
    triangulation small, evens out noise and does not let a parked boat outweigh a lane.
    The mean of position and of depth, unlike a median, stays on a sloping plane.

    Parameters
    ----------
    x, y : array, shape (n,)
        Positions, m.
    size : float
        Side of a block, m; block edges lie on multiples of it.
    *values : array, shape (n,)
        Averaged alike.

    Returns
    -------
    x, y, *values : array, shape (m,)
        One row a block that holds a point, from south-west to north-east.
    first : array of int, shape (m,)
        Row of the first point of each block.

    Raises
    ------
    LakefloorError
        If the size is not above 0.
    """
    if not (np.isfinite(size) and size > 0):
        raise LakefloorError(f"Block size must be above 0 m; got {size}.")
    col = np.floor(np.asarray(x) / size).astype(np.int64)
    row = np.floor(np.asarray(y) / size).astype(np.int64)
    key = (row - row.min()) * (np.ptp(col) + 1) + (col - col.min())
    _, first, block, count = np.unique(
        key, return_index=True, return_inverse=True, return_counts=True
    )
    means = []
    for value in (x, y, *values):
        value = np.asarray(value, dtype=float)
        # Averaging offsets from each block's first point keeps equal values exactly equal.
        offset = np.bincount(block, weights=value - value[first][block]) / count
        means.append(value[first] + offset)
    return (*means, first)


def well_filled(counts, most: int) -> np.ndarray:
    """Return which blocks to take for a sample: well-filled ones, evenly over them all.

    Parameters
    ----------
    counts : array of int, shape (n,)
        Points in each block.
    most : int
        At most so many blocks are taken.

    Returns
    -------
    int array
        Numbers of blocks with half the mean count of those in use or more, ascending.
    """
    filled = np.flatnonzero(counts >= 0.5 * counts[counts > 0].mean())
    return filled[np.unique(np.linspace(0, len(filled) - 1, min(most, len(filled))).astype(int))]
