"""How the misfits of a map hang together in space."""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.optimize import nnls
from scipy.spatial.distance import cdist

from ..grid import Grid

#: Correlation by distance in lengths: Matern's of smoothness 1/2, 3/2 and 5/2.
SHAPES = (
    lambda r: np.exp(-r),
    lambda r: (1.0 + r) * np.exp(-r),
    lambda r: (1.0 + r + r**2 / 3.0) * np.exp(-r),
)
_LAGS, _LENGTHS = 15, 12
# Misfits are taken to hang together only where that misses the variogram by so much less.
_BETTER = 0.75


class Covariance(NamedTuple):
    """Covariance of misfits by their distance.

    Attributes
    ----------
    sill, nugget : float
        Variance of the part that hangs together and of the part that does not, m2.
    length : float
        m.
    shape : int
        Index of :data:`SHAPES`.
    """

    sill: float
    nugget: float
    length: float
    shape: int

    def among(self, xy: np.ndarray) -> np.ndarray:
        """Return the covariance of misfits at places, shape (n, 2), with each other, m2."""
        together = self.sill * SHAPES[self.shape](cdist(xy, xy) / self.length)
        return together + np.diag(np.full(len(xy), self.nugget))


def fit_covariance(xy: np.ndarray, values: np.ndarray, least: float) -> Covariance:
    """Fit the covariance of misfits to their variogram.

    Parameters
    ----------
    xy : array, shape (n, 2)
        Places, m; a few hundred, as all pairs are formed.
    values : array, shape (n,)
        Misfits, m.
    least : float
        No class of the variogram is taken to be below this, m2.

    Returns
    -------
    Covariance

    Notes
    -----
    Half the mean square difference in classes of distance that hold as many pairs each, up to
    half the greatest distance, is fitted by nugget and sill, neither negative, for a ladder of
    lengths and three shapes, or by a nugget alone if that misses little more. Misses count in
    proportion to the variogram (Cressie 1985).
    A likelihood would judge by the least distances, where the misfits of a smoothed map are
    smooth, and take their variance for many times what it is.

    References
    ----------
    Cressie, N. (1985). Fitting variogram models by weighted least squares. Mathematical
    Geology 17(5), 563-586.
    """
    pairs = np.triu_indices(len(xy), 1)
    away = cdist(xy, xy)[pairs]
    half = 0.5 * (values[pairs[0]] - values[pairs[1]]) ** 2
    near = np.flatnonzero(away <= 0.5 * away.max())
    order = near[np.argsort(away[near], kind="stable")]
    classes = [rows for rows in np.array_split(order, _LAGS) if len(rows)]
    lag = np.array([away[rows].mean() for rows in classes])
    variogram = np.maximum([half[rows].mean() for rows in classes], least)
    ones = np.ones((len(lag), 1))
    (nugget,), miss = nnls(ones / variogram[:, None], ones[:, 0])
    best, found = _BETTER * miss, Covariance(0.0, float(nugget), float(lag[0]), 0)
    for shape, length in product(range(len(SHAPES)), np.geomspace(lag[0], lag[-1], _LENGTHS)):
        law = np.column_stack([1.0 - SHAPES[shape](lag / length), ones])
        (sill, nugget), miss = nnls(law / variogram[:, None], ones[:, 0])
        if miss < best:
            best, found = miss, Covariance(float(sill), float(nugget), float(length), shape)
    return found


def residual_correlation_length(residual: Grid) -> float:
    """Return the distance at which the correlation of a gridded residual falls below 1/e, m.

    By the autocovariance of the cells that have a value, averaged over directions
    (Wiener and Khinchin), in classes one cell wide.
    """
    known = np.isfinite(residual.values)
    rows, cols = (np.flatnonzero(known.any(axis=axis)) for axis in (1, 0))
    part = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    known = known[part]
    every = max(int(np.ceil(np.sqrt(known.size / 1_000_000))), 1)
    known = known[::every, ::every].astype(float)
    r = np.nan_to_num(residual.values[part][::every, ::every])
    r = (r - r.sum() / max(known.sum(), 1.0)) * known
    cell = every * np.sqrt(residual.cell_area)
    shape = [next_fast_len(2 * size, real=True) for size in r.shape]

    def correlate(values):
        return irfft2(np.abs(rfft2(values, shape)) ** 2, shape)

    lag = [np.minimum(np.arange(n), n - np.arange(n)) for n in shape]
    away = np.hypot(lag[0][:, None] * residual.dy * every, lag[1] * residual.dx * every) / cell
    bins = np.rint(away).astype(int).ravel()
    products, pairs = (
        np.bincount(bins, weights=correlate(values).ravel()) for values in (r, known)
    )
    length = max(len(r), r.shape[1], 2) // 2 + 1
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = (products / pairs / (products[0] / pairs[0]))[:length]
    below = np.flatnonzero(~(correlation > np.exp(-1.0)))
    return float(cell * (below[0] if len(below) else length))
