"""How the misfits of a map hang together in space."""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.optimize import nnls
from scipy.spatial.distance import cdist

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

    def among(self, xy) -> np.ndarray:
        """Return the covariance of misfits at places, shape (n, 2), with each other, m2."""
        together = self.sill * SHAPES[self.shape](cdist(xy, xy) / self.length)
        return together + np.diag(np.full(len(xy), self.nugget))


def fit_covariance(xy, values, least: float) -> Covariance:
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
