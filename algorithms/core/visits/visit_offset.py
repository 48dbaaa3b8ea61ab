"""By how much a visit as a whole differs from a store, and whether that grows with depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t, theilslopes

from .near_pairs import NearPlaces

#: Tukey's constant: 95% efficiency where errors are normal, and what lies far off counts nothing.
_BIWEIGHT = 4.685
_ITERATIONS = 30

#: No scatter of places is believed below this, m: depths are logged in steps of centimeters.
_LEAST_SCATTER_M = 0.01

#: Standard uncertainty of a position at one place, m, and of a difference on the flat, m: a place
#: on a slope counts less.
_POSITION_M, _DEPTH_M = 1.0, 0.05

#: A receiver without corrections may be off by so much throughout a day, in each direction, m
#: (common practice: 5 m in 95% of cases). On one slope that cannot be told from a level.
_SHIFT_M = 3.0

#: Standard uncertainty of what a half hour's positions are shifted beside those of the day, in each
#: direction and of each boat, m.
_SLOW_SHIFT_M = 1.0

#: Error probabilities of what counts as certain: an offset must be large as well, while a trend of
#: places that share an error of position is soon found: 4 standard errors.
_OFFSET_CHANCE, _TREND_CHANCE = 5e-3, 6.3e-5

#: Fewest places for an offset, and for a trend with depth, and the least range of depth, m, that
#: tells a trend.
FEWEST_PLACES, _FEWEST_OF_TREND, _LEAST_RANGE_M = 5, 20, 1.0

#: Places of which the line of depths on depths is taken; more tell nothing new.
_MOST_PLACES = 400

#: Fewest places for the ratio of depths, which differs widely between units.
_FEWEST_OF_RATIO = 10


@dataclass(frozen=True)
class VisitFit:
    """How a visit differs from a store: ``offset + trend * (depth - middle)``, m.

    Attributes
    ----------
    places : int
    offset, offset_sd : float
        Deeper is positive, with standard error, m; NaN from fewer than five places.
    trend, trend_sd : float
        m per m of depth, with standard error; NaN where no trend can be found.
    surface, surface_sd : float
        Offset at the depth of nought, if there is a trend, with standard error, m.
    offset_certain, trend_certain, surface_certain : bool
        Whether each differs from nought by more than chance.
    typical : float
        Median depth of the places, m.
    misfit : float
        Root mean square of ``surface + trend * depth`` over the places, m.
    """

    places: int
    offset: float = np.nan
    offset_sd: float = np.nan
    trend: float = np.nan
    trend_sd: float = np.nan
    surface: float = np.nan
    surface_sd: float = np.nan
    offset_certain: bool = False
    trend_certain: bool = False
    surface_certain: bool = False
    typical: float = np.nan
    misfit: float = np.nan


def fit_visit(places: NearPlaces) -> VisitFit:
    """Find the offset of a visit against a store, and its trend with depth.

    Parameters
    ----------
    places : NearPlaces

    Notes
    -----
    With the offset, one shift of the visit's positions is solved, which on a slope looks like an
    offset; before the places tell it, it is 0 with a standard deviation of 3 m in each direction.
    Tukey's biweight leaves out what lies far off, such as a dredged hole. Places that share a run
    of either boat may be wrong alike, which the standard errors allow for.

    References
    ----------
    Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    Beaton, A. E. & Tukey, J. W. (1974). The fitting of power series. Technometrics 16(2), 147-185.
    Aronow, P. M., Samii, C. & Assenova, V. A. (2015). Cluster-robust variance estimation for
    dyadic data. Political Analysis 23(4), 564-577.
    """
    n = len(places)
    if n < FEWEST_PLACES:
        return VisitFit(n)
    runs = max(np.unique(run).size for run in (places.newer_run, places.older_run))
    (offset, *_), cov, scatter = _fit(places, [np.ones(n)])
    offset_sd = float(np.sqrt(cov[0, 0]))
    found = VisitFit(
        n,
        float(offset),
        offset_sd,
        offset_certain=_certain(offset, offset_sd, runs, _OFFSET_CHANCE),
        typical=float(np.median(places.depth)),
    )
    low, high = np.quantile(places.depth, [0.05, 0.95])
    if n < _FEWEST_OF_TREND or high - low < _LEAST_RANGE_M:
        return found
    # On depths of one visit alone their noise would draw the line: those below the true bottom
    # seem to be read too shallow by the other one.
    both = places.depth + 0.5 * places.difference
    (surface, trend, *_), cov, about_trend = _fit(places, [np.ones(n), both])
    # A dredged hole in deep water pulls a line that fits the other places worse.
    better = about_trend < scatter
    surface_sd, trend_sd = np.sqrt(np.diag(cov)[:2]).tolist()
    return VisitFit(
        n,
        found.offset,
        found.offset_sd,
        float(trend),
        trend_sd,
        float(surface),
        surface_sd,
        found.offset_certain,
        better and _certain(trend, trend_sd, runs, _TREND_CHANCE),
        _certain(surface, surface_sd, runs, _OFFSET_CHANCE),
        found.typical,
        float(np.sqrt(np.mean((surface + trend * places.depth) ** 2))),
    )


def depth_ratio(places: NearPlaces) -> tuple:
    """Return by what a visit's depths grow for each meter of the store's, and 95% bounds.

    Returns
    -------
    slope, low, high : float
        NaN from fewer than ten places, or where these are of one depth.

    References
    ----------
    Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. Journal of
    the American Statistical Association 63, 1379-1389.
    """
    old, new = places.depth, places.newer_depth
    if len(old) < _FEWEST_OF_RATIO or np.ptp(np.quantile(old, [0.05, 0.95])) < 0.5:
        return np.nan, np.nan, np.nan
    some = np.unique(np.linspace(0, len(old) - 1, min(_MOST_PLACES, len(old))).astype(int))
    with np.errstate(invalid="ignore"):
        slope, _, low, high = theilslopes(new[some], old[some])
    if not np.isfinite(low) or not np.isfinite(high):
        # Of depths that are nearly all alike there are no bounds.
        return np.nan, np.nan, np.nan
    return float(slope), float(low), float(high)


def _certain(value, error, runs, chance) -> bool:
    """Say whether a value is not nought by chance, with as many independent runs."""
    return bool(runs > 1 and abs(value) > t.ppf(1.0 - 0.5 * chance, runs - 1) * error)


def _fit(places, columns):
    """Return the unknowns of columns and of a shift, their covariance, and the scatter, m."""
    design = np.column_stack([*columns, places.gx, places.gy])
    d = places.difference
    slope = np.hypot(places.gx, places.gy)
    unknown_slope = places.blind * _SHIFT_M * np.sqrt(2.0 * np.mean(slope**2))
    weight = _DEPTH_M**2 / (_DEPTH_M**2 + (slope * _POSITION_M) ** 2 + unknown_slope**2)
    root = np.sqrt(weight)
    shift = np.zeros(design.shape[1])
    shift[-2:] = 1.0
    unknown = np.zeros(design.shape[1])
    unknown[0] = _weighted_median(d, weight)
    # Unknowns draw what is left toward zero.
    spare = np.sqrt(len(d) / max(len(d) - design.shape[1], 1.0))
    scale = spare * _scale(root * (d - unknown[0]))
    factor = np.ones(len(d))
    for _ in range(_ITERATIONS):
        u = root * (d - design @ unknown) / (_BIWEIGHT * scale)
        factor = np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)
        normal = design.T @ ((weight * factor)[:, None] * design)
        normal += np.diag(shift) * (scale / _SHIFT_M) ** 2 + 1e-9 * np.eye(len(shift))
        before, unknown = unknown, np.linalg.solve(normal, design.T @ (weight * factor * d))
        left = root * (d - design @ unknown)
        scale = spare * _scale(left)
        if np.abs(unknown - before).max() < 1e-5:
            break
    across = (weight * factor * unknown_slope)[:, None] * design
    known = _spread(across, places.newer_lane) + np.diag(shift) * (scale**2 / _SHIFT_M) ** 2
    for span in (places.newer_span, places.older_span):
        for rise in (places.gx, places.gy):
            known += _spread((weight * factor * rise * _SLOW_SHIFT_M)[:, None] * design, span)
    return unknown, _covariance(places, design, weight, left, scale, shift, known), scale


def _covariance(places, design, weight, left, scale, shift, known):
    """Return the covariance of the unknowns: the larger of independent places and of runs.

    ``known`` is what is known beforehand to disturb them: a shift of the positions, and slopes
    across the lanes of the visit.
    """
    u = left / (_BIWEIGHT * scale)
    slope = np.where(np.abs(u) < 1.0, (1.0 - u * u) * (1.0 - 5.0 * u * u), 0.0).mean()
    prior = np.diag(shift) * (scale / _SHIFT_M) ** 2 + 1e-9 * np.eye(len(shift))
    inverse = np.linalg.inv(max(slope, 0.2) * design.T @ (weight[:, None] * design) + prior)
    factor = np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)
    score = (np.sqrt(weight) * factor * left)[:, None] * design
    each = score.T @ score
    both = places.newer_run * (places.older_run.max() + 1) + places.older_run
    pair = np.unique(both, return_inverse=True)[1]
    shared = sum(_spread(score, run) for run in (places.newer_run, places.older_run))
    shared = shared - _spread(score, pair)
    found = [inverse @ (middle + known) @ inverse for middle in (each, shared)]
    most = np.maximum(np.diag(found[0]), np.diag(found[1]))
    return np.diag(most)


def _spread(score, run):
    total = np.array([np.bincount(run, column) for column in score.T])
    return total @ total.T


def _scale(values) -> float:
    return max(1.4826 * float(np.median(np.abs(values))), _LEAST_SCATTER_M)


def _weighted_median(values, weight) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
