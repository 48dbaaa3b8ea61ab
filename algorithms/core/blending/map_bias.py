"""What is wrong with an older map, as a survey of part of the lake tells it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.optimize import nnls

from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from .older_map import rate_of_change
from .overlap import (
    EAST_TERM,
    LEAST_SPREAD,
    NORTH_TERM,
    OFFSET_TERM,
    SCALE_TERM,
    BiasFit,
    MapComparison,
    Overlap,
)

#: A term of the bias is removed where chance alone makes it as large this often; offset and
#: scale together, which say little beyond the depths surveyed, only at the second.
SIGNIFICANCE, BEYOND_DOUBT = 0.02, 1e-6
_SHIFT_STEPS, _SHIFT_SETTLED = 40, 0.02
_TWO_SIGMA = 0.9545


class Estimate(NamedTuple):
    """A term of the older map's bias.

    Attributes
    ----------
    value, uncert : float
        The estimate and its standard error; NaN where it could not be estimated. What is
        removed is drawn towards no bias, the more the less sure it is.
    p : float
        Probability that chance alone makes it as large; both parts of the shift share one.
    removed : bool
        Whether it is significant and was taken off the older map.
    """

    value: float
    uncert: float
    p: float
    removed: bool


_UNKNOWN = Estimate(np.nan, np.nan, np.nan, False)


class Bias(NamedTuple):
    """Offset and scale of an older map: ``older = offset + scale * depth``.

    Attributes
    ----------
    offset, scale : Estimate
        m, and a ratio.
    covariance : array, shape (2, 2)
        Of the two, 0 for what is not removed.
    rest : BiasFit
        What they leave.
    """

    offset: Estimate
    scale: Estimate
    covariance: np.ndarray
    rest: BiasFit

    @property
    def removed(self) -> tuple:
        """Offset, m, and scale that are taken off."""
        return (
            self.offset.value if self.offset.removed else 0.0,
            self.scale.value if self.scale.removed else 1.0,
        )

    def take_off(self, older: Grid) -> Grid:
        """Return the corrected map; no correction lifts its bottom out of the water."""
        offset, scale = self.removed
        corrected = (older.values - offset) / scale
        corrected[(corrected < 0) & (older.values >= 0)] = 0.0
        return older.like(corrected)


def displacement(
    comparison: MapComparison, max_shift_m: float, progress: Progress = silent
) -> tuple:
    """Return the estimates of a map's shift east and north, m.

    NaN where the misfits do not tell it: if the iteration does not settle or goes farther than
    ``max_shift_m``, or if the map moved back agrees no better.

    Notes
    -----
    The displacement enters by the gradient of the map, together with offset and scale, and is
    iterated.
    """
    terms = comparison.overlap.terms
    shift = np.zeros(2)
    for step in range(_SHIFT_STEPS):
        part = span(progress, step / _SHIFT_STEPS, (step + 1) / _SHIFT_STEPS)
        found = comparison.fit([*terms, EAST_TERM, NORTH_TERM], shift, part)
        move = found.values[-2:]
        length = float(np.hypot(*move))
        shift = shift + move * min(1.0, max_shift_m / 5.0 / max(length, 1e-12))
        if np.hypot(*shift) > max_shift_m:
            return _UNKNOWN, _UNKNOWN
        if length < _SHIFT_SETTLED:
            break
    else:
        return _UNKNOWN, _UNKNOWN
    if comparison.fit(terms, shift).spread > comparison.fit(terms).spread:
        return _UNKNOWN, _UNKNOWN
    covariance = found.covariance[-2:, -2:]
    p = found.chance(shift, covariance)
    uncert = np.sqrt(np.diag(covariance))
    return tuple(Estimate(float(v), float(u), p, False) for v, u in zip(shift, uncert))


def offset_and_scale(comparison: MapComparison) -> Bias:
    """Estimate offset and scale, and tell which of them to remove.

    Notes
    -----
    The F tests have as many degrees of freedom as the overlap has independent parts. Together
    the two fit one survey well and lead astray at other depths: unless both are beyond doubt,
    the one that leaves less misfit is tested alone, at 2 %, its variance increased where the
    misfit drifts across the survey, so that its mean is not that of the lake. What is removed
    is drawn towards no bias by ``1 - 1 / F`` (James and Stein 1961).

    References
    ----------
    James, W. and Stein, C. (1961). Estimation with quadratic loss. Proceedings of the Fourth
    Berkeley Symposium on Mathematical Statistics and Probability 1, 361-379.
    """
    overlap = comparison.overlap
    terms = overlap.terms
    found = {OFFSET_TERM: _UNKNOWN, SCALE_TERM: _UNKNOWN}
    fit, removed = comparison.fit(terms), False
    covariance = fit.covariance
    if len(terms) > 1:
        found.update(_estimates(terms, fit, covariance))
        removed = max(found[term].p for term in terms) <= BEYOND_DOUBT
    if not removed:
        alone = [(comparison.fit([term]), [term]) for term in terms]
        fit, terms = min(alone, key=lambda one: (one[0].misfit ** 2).sum())
        covariance = fit.covariance + _drifting(fit, overlap)
        found.update(_estimates(terms, fit, covariance))
        removed = found[terms[0]].p <= SIGNIFICANCE
    known = np.zeros((2, 2))
    if removed:
        known[np.ix_(terms, terms)] = covariance
        # The positive part of James and Stein's estimator, towards no bias.
        wald = fit.values @ np.linalg.pinv(covariance) @ fit.values
        trust = max(1.0 - len(terms) / wald, 0.0)
        for term in terms:
            found[term] = found[term]._replace(value=float(trust * found[term].value), removed=True)
    scale = found[SCALE_TERM]
    return Bias(found[OFFSET_TERM], scale._replace(value=scale.value + 1.0), known, fit)


def map_uncertainty(corrected: Grid, survey: Surface, bias: Bias, least: float = 0.0) -> tuple:
    """Return the standard uncertainty of a corrected map.

    Parameters
    ----------
    corrected : Grid
        Depth, m.
    survey : Surface
        On the same cells.
    bias : Bias
        What was taken off.
    least : float
        On level bottom the map is not trusted to less than this standard deviation, m.

    Returns
    -------
    uncertainty : Grid
        m.
    spread, position : float
        That on level bottom, m, and what it grows by with the slope, m (in m per m).

    Notes
    -----
    What two standard deviations need to hold 95 % of the misfits, in classes of the map's
    slope, increased by what the misfits vary over the lake but not within one survey, plus
    the uncertainty of the bias.
    """
    depth = corrected.values
    misfit = depth - survey.depth.values
    common = np.isfinite(misfit)
    slope = np.hypot(*(rate.values for rate in rate_of_change(corrected)))
    hidden = _hidden(bias.rest, misfit[common])
    spread, position = (
        hidden * part
        for part in _spread(misfit[common], slope[common], survey.bands[1].values[common])
    )
    spread = max(spread, least)
    variance = spread**2 + (position * slope) ** 2
    variance += bias.covariance[0, 0] + 2 * bias.covariance[0, 1] * depth
    variance += bias.covariance[1, 1] * depth**2
    sigma = np.sqrt(np.maximum(variance, LEAST_SPREAD**2))
    return corrected.like(np.where(np.isfinite(depth), sigma, np.nan)), spread, position


def _estimates(terms, fit: BiasFit, covariance) -> dict:
    """Return the estimate of each term that was fitted, each tested by itself."""
    return {
        term: Estimate(float(value), float(np.sqrt(square)), fit.chance(value, square), False)
        for term, value, square in zip(terms, fit.values, np.diag(covariance))
    }


def _drifting(fit: BiasFit, overlap: Overlap) -> float:
    """Return by how much a single term's variance grows where the misfit changes across a lake.

    A plane through what the term leaves is carried on from the survey to the cells beyond it:
    its mean square there, less what chance makes of a plane's slope.
    """
    away = overlap.middles - overlap.middles.mean(axis=0)
    plane = np.linalg.pinv(np.column_stack([np.ones(len(away)), away]))[1:]
    slope = plane @ fit.misfit
    by_chance = plane @ fit.structure.among(overlap.middles) @ plane.T
    grown = float(slope @ overlap.beyond @ slope - np.trace(overlap.beyond @ by_chance))
    return max(grown, 0.0) / float(np.mean(fit.drift**2))


def _hidden(fit: BiasFit, misfit) -> float:
    """Return how much wider misfits spread over the lake than within one survey, 1 or more."""
    within = max(float(np.var(misfit)), LEAST_SPREAD**2)
    by_block = float(np.var(fit.misfit))
    whole = within - by_block + fit.structure.sill + fit.structure.nugget
    return float(np.sqrt(max(whole / within, 1.0)))


def _spread(misfit, slope, sigma) -> tuple:
    """Return the spread on level bottom and its growth with the slope, both m."""
    order = np.argsort(slope, kind="stable")
    parts = [p for p in np.array_split(order, int(np.clip(len(order) // 50, 1, 12))) if len(p)]
    # Two standard deviations are to hold 95 %: the misfits have long tails.
    wide = np.array([np.quantile(np.abs(misfit[p]), _TWO_SIGMA) / 2.0 for p in parts])
    own = np.array([np.nanmean(np.nan_to_num(sigma[p]) ** 2) for p in parts])
    steep = np.array([np.mean(slope[p] ** 2) for p in parts])
    variance = np.maximum(wide**2 - own, LEAST_SPREAD**2)
    scaled = np.column_stack([np.ones(len(parts)), steep]) / variance[:, None]
    law, _ = nnls(scaled, np.ones(len(parts)))
    return float(max(np.sqrt(law[0]), LEAST_SPREAD)), float(np.sqrt(law[1]))
