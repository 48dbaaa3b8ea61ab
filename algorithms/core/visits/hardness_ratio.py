"""By what factor a visit's hardness differs from that of a store at the same places."""

from __future__ import annotations

import numpy as np

from ..blocks import square_blocks
from .near_pairs import medians_by

#: Side of the blocks whose hardness is compared, m.
_PLACE_M = 10.0

#: Fewest places, the least correlation and the largest relative error from which a gain is told,
#: as where visits are adjusted for a map of bottom type.
_FEWEST, _LEAST_CORRELATION, _MOST_ERROR = 10, 0.5, 0.15


def hardness_ratio(x: np.ndarray, y: np.ndarray, older: np.ndarray, newer: np.ndarray) -> tuple:
    """Return the gain of the newer hardness, with its standard error; NaN where it is not told.

    Parameters
    ----------
    x, y : array, shape (n,)
        Places of pairs, m.
    older, newer : array, shape (n,)
        Hardness 0..1 of both; NaN where not logged.

    Notes
    -----
    A line with equal errors in both coordinates. The relative error of its slope at a correlation r
    over n places is about ``sqrt((1 / r^2 - 1) / n)``.

    References
    ----------
    York, D. (1966). Least-squares fitting of a straight line. Canadian Journal of Physics 44(5),
    1079-1086.

    Examples
    --------
    >>> x, hardness = np.arange(400.0), np.linspace(0.2, 0.5, 400)
    >>> gain, _ = hardness_ratio(x, 0.0 * x, hardness, 1.5 * hardness)
    >>> round(gain, 3)
    1.5
    """
    both = np.isfinite(older) & np.isfinite(newer)
    if both.sum() < _FEWEST:
        return np.nan, np.nan
    *_, block, first = square_blocks(x[both], y[both], _PLACE_M)
    a, b = (medians_by(block, values[both], len(first)) for values in (older, newer))
    if len(a) < _FEWEST:
        return np.nan, np.nan
    a, b = a - a.mean(), b - b.mean()
    aa, bb, ab = (a * a).sum(), (b * b).sum(), (a * b).sum()
    if ab <= _LEAST_CORRELATION * np.sqrt(aa * bb) or ab <= 0.0:
        return np.nan, np.nan
    gain = (bb - aa + np.sqrt((bb - aa) ** 2 + 4.0 * ab * ab)) / (2.0 * ab)
    relative = np.sqrt(max(aa * bb / (ab * ab) - 1.0, 0.0) / len(a))
    if relative > _MOST_ERROR:
        return np.nan, np.nan
    return float(gain), float(gain * relative)
