"""Soundings in square blocks, and the thinning of densely logged ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .errors import LakefloorError
from .number_text import written


def square_blocks(x: ArrayLike, y: ArrayLike, size: float) -> tuple:
    """Sort points into square blocks whose edges lie on multiples of their size.

    Parameters
    ----------
    x, y : array, shape (n,)
        Positions, m.
    size : float
        Side of a block, m.

    Returns
    -------
    col, row : array of int, shape (m,)
        Each block that holds a point, from south-west to north-east; its western and southern
        edges are ``col * size`` and ``row * size``.
    block : array of int, shape (n,)
        Number of each point's block.
    first : array of int, shape (m,)
        First point of each block.

    Raises
    ------
    LakefloorError
        If the size is not above 0, or a position is not finite or too far off for so small
        blocks.
    """
    if not (np.isfinite(size) and size > 0):
        raise LakefloorError(f"Block size must be above 0 m, not {size} m.")
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.size == 0:
        none = np.empty(0, dtype=np.int64)
        return none, none, none, none
    low = np.array([np.floor(x.min() / size), np.floor(y.min() / size)])
    wide, high = (np.floor(v.max() / size) - at + 1.0 for v, at in zip((x, y), low))
    # Beyond 2**53 a float no longer tells one block from the next.
    if not (np.abs(low).max() + max(wide, high) < 2.0**53 and wide * high < 2.0**62):
        raise LakefloorError(
            f"Positions from {written(x.min(), 'g')}, {written(y.min(), 'g')} to "
            f"{written(x.max(), 'g')}, {written(y.max(), 'g')} cannot be sorted into blocks of "
            f"{written(size, 'g')} m. Clean out those that lie far off."
        )
    west, south, wide = int(low[0]), int(low[1]), int(wide)
    col = np.floor(x / size).astype(np.int64) - west
    row = np.floor(y / size).astype(np.int64) - south
    key, first, block = np.unique(row * wide + col, return_index=True, return_inverse=True)
    return key % wide + west, key // wide + south, block, first


def block_mean(x: ArrayLike, y: ArrayLike, size: float, *values: ArrayLike) -> tuple:
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
        As :func:`square_blocks`.

    Examples
    --------
    >>> x, y, depth, first = block_mean([0.0, 1.0, 6.0], [2.0, 2.0, 2.0], 5.0, [3.0, 5.0, 9.0])
    >>> x.tolist(), depth.tolist(), first.tolist()
    ([0.5, 6.0], [4.0, 9.0], [0, 2])
    """
    _, _, block, first = square_blocks(x, y, size)
    count = np.bincount(block)
    means = []
    for value in (x, y, *values):
        value = np.asarray(value, dtype=float)
        # Averaging offsets from each block's first point keeps equal values exactly equal.
        offset = np.bincount(block, weights=value - value[first][block]) / count
        means.append(value[first] + offset)
    return (*means, first)


def every_fourth_square(
    x: np.ndarray, y: np.ndarray, side: float, place: tuple = (0, 0)
) -> np.ndarray:
    """Mark the points in every fourth square, no two of which touch.

    Parameters
    ----------
    x, y : array, shape (n,)
        Positions, m.
    side : float
        Of a square, m.
    place : tuple of int
        Column and row, 0 or 1, in each group of two by two squares.
    """
    col, row = np.floor(x / side) % 2, np.floor(y / side) % 2
    return (col == place[0]) & (row == place[1])


def well_filled(counts: np.ndarray, most: int) -> np.ndarray:
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
