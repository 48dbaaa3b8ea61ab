"""What the soundings of a copy say of themselves: their datum, and how sure they are still."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from ..correcting.datums import datum_values
from ..correction_keys import COARSENED
from ..soundings import with_corrections

#: Squares around one, itself included, from which the slope of the bottom is taken.
_AROUND = 9

#: Decimals of an uncertainty, m.
_DECIMALS = 3


def shared_corrections(datum: tuple | None, cell: float | None) -> str:
    """Return what the soundings of a copy say of themselves: their datum, and how coarse they are.

    Parameters
    ----------
    datum : tuple, optional
        Name and elevation, m or None, as :func:`..correcting.datums.datum_of` returns them.
    cell : float, optional
        Side of the squares, m.

    Examples
    --------
    >>> shared_corrections(("pool", 290.0), 10.0)
    'datum=pool;datum_elev_m=290;coarsened_m=10'
    """
    values = {}
    if datum:
        # Signs that part one correction from the next.
        values.update(datum_values((re.sub(r"[;=\s]+", " ", datum[0]).strip(), datum[1])))
    if cell:
        values[COARSENED] = f"{cell:g}"
    return str(with_corrections(np.array([""], dtype=object), **values)[0]) if values else ""


def coarse_uncertainty(
    x: ArrayLike, y: ArrayLike, depth: ArrayLike, uncert: ArrayLike, cell: float
) -> np.ndarray:
    """Return the standard uncertainty of coarsened soundings, m, shape (n,).

    Parameters
    ----------
    x, y : array, shape (n,)
        Centers of the squares, m.
    depth, uncert : array, shape (n,)
        Mean depth and mean standard uncertainty of the soundings in each square, m; NaN where no
        uncertainty is stated, which counts as none.
    cell : float
        Side of the squares, m.

    Notes
    -----
    Soundings lie anywhere in their square, so easting and northing of its center have a
    standard uncertainty of ``cell / sqrt(12)`` each, that of a rectangular distribution. Times the
    slope of the bottom, it is an uncertainty of depth. The slope is that of the plane through the
    squares around, or between neighbors where they lie along one line.

    References
    ----------
    JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7.

    Examples
    --------
    On a bottom that falls by 1 in 10, squares of 12 m add 0.35 m:

    >>> x, y = (v.ravel() for v in np.meshgrid(np.arange(6.0, 60, 12), np.arange(6.0, 60, 12)))
    >>> round(float(coarse_uncertainty(x, y, 0.1 * x, np.zeros(25), 12.0).max()), 3)
    0.346
    """
    place = np.column_stack([np.asarray(x, float), np.asarray(y, float)])
    depth, uncert = np.asarray(depth, float), np.nan_to_num(np.asarray(uncert, float))
    slope = np.zeros(len(depth))
    k = min(_AROUND, len(depth))
    if k > 1:
        distance, at = cKDTree(place).query(place, k=k, distance_upper_bound=3.0 * cell)
        near = np.isfinite(distance)
        at = np.where(near, at, 0)
        step = np.where(near[..., None], place[at] - place[:, None], 0.0)
        fall = np.where(near, np.nan_to_num(depth[at] - depth[:, None]), 0.0)
        # Least squares of least norm: along a single line of squares, the slope along it.
        inverse = np.linalg.pinv(step, rcond=1e-6)
        slope = np.hypot(*np.einsum("nij,nj->in", inverse, fall))
    return np.round(np.hypot(uncert, slope * cell / np.sqrt(12.0)), _DECIMALS)
