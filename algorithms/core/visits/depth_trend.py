"""Whether what is left of a visit's differences grows with depth, as a wrong sound speed does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..soundings import distinct
from .crossings import Crossings

#: A trend with depth is told from this many standard errors on: misfits of one pass over a steep
#: edge share its position error, so that they count for less than their number.
_TREND = 4.0


@dataclass(frozen=True)
class DepthTrend:
    """Difference of one visit in proportion to depth, m per m: no constant offset corrects it."""

    slope: float
    std_error: float
    n: int
    significant: bool


def depth_trends(
    crossings: Crossings, residual: np.ndarray, weight: np.ndarray, outlier: np.ndarray
) -> dict:
    """Return the :class:`DepthTrend` of each visit of which it can be found.

    Parameters
    ----------
    crossings : Crossings
        m places.
    residual : array, shape (m,)
        Adjusted less observed difference, m; NaN where not solved.
    weight : array, shape (m,)
    outlier : array of bool, shape (m,)
        Places that are left out.
    """
    trends = {}
    use = np.isfinite(residual) & ~outlier & crossings.between
    if not use.any():
        return trends
    a, b = crossings.visit_a[use], crossings.visit_b[use]
    r, depth, w = -residual[use], crossings.depth[use], weight[use]
    for name in distinct(np.concatenate([a, b]))[0]:
        here = (a == name) | (b == name)
        n = int(here.sum())
        if n < 10:
            continue
        y, x, k = np.where(a[here] == name, r[here], -r[here]), depth[here], w[here]
        x = x - np.average(x, weights=k)
        spread = (k * x**2).sum()
        if np.ptp(x) < 1.0:
            continue
        slope = (k * x * y).sum() / spread
        rest = y - np.average(y, weights=k) - slope * x
        error = np.sqrt((k * rest**2).sum() / (n - 2) / spread)
        significant = bool(abs(slope) > _TREND * error)
        trends[name] = DepthTrend(float(slope), float(error), n, significant)
    return trends
