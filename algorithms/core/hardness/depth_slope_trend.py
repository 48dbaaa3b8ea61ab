"""How hardness depends on depth and slope within the classes of the bottom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress
from .mixture import choose_mixture, clearest, effective_count, memberships, with_effective
from .observations import LoggedHardness, away_from_edges

_MOST_FITTED = 20_000


@dataclass(frozen=True)
class HardnessTrend:
    """How hardness depends on depth and slope within a class.

    Attributes
    ----------
    depth, slope : float
        Change of hardness for ten times the depth, and for one degree of slope.
    depth_error, slope_error : float
        Standard errors.
    reference_depth : float
        Depth to which hardness is reduced, m; the slope is reduced to 0.
    depth_range, slope_range : tuple
        Of the observations that the trend was fitted to; it is not continued beyond.
    cov : array, shape (2, 2)
    """

    depth: float
    slope: float
    depth_error: float
    slope_error: float
    reference_depth: float
    depth_range: tuple
    slope_range: tuple
    cov: np.ndarray

    def columns(self, depth: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """Return what the trend is in proportion to, shape (..., 2)."""
        d = np.clip(depth, *self.depth_range)
        parts = np.log10(d / self.reference_depth), np.clip(slope, *self.slope_range)
        return np.stack(np.broadcast_arrays(*parts), axis=-1)

    def at(self, depth: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """Return what depth (m) and slope (degrees) add to hardness."""
        return self.columns(depth, slope) @ np.array([self.depth, self.slope])

    def variance(self, depth: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """Return the variance of :meth:`at`."""
        c = self.columns(depth, slope)
        return np.einsum("...i,ij,...j->...", c, self.cov, c)


def fit_trend(
    logged: LoggedHardness,
    adjusted: np.ndarray,
    used: np.ndarray,
    noise: np.ndarray,
    progress: Progress,
) -> tuple:
    """Return the mixture chosen, those tried, and the trend common to its classes."""
    obs = logged.observations
    rows = np.flatnonzero(used & away_from_edges(obs, logged.noise))
    if len(rows) < 30:
        rows = np.flatnonzero(used)
    rows = rows[:: -(-len(rows) // _MOST_FITTED)]
    slope = np.nan_to_num(obs.slope[rows])
    reference = float(10.0 ** np.median(np.log10(obs.depth[rows])))
    columns = np.column_stack([np.log10(obs.depth[rows] / reference), slope])
    # What does not vary cannot be fitted.
    varies = np.ptp(columns, axis=0) > (0.05, 0.5)
    y, x = adjusted[rows], columns[:, varies]
    least = 0.5 * float(np.median(noise[noise > 0.0]))

    _, tried = choose_mixture(y, covariates=x, least_sd=least, progress=progress)
    finest = tried[-1]
    rest = y - x @ finest.trend
    member = memberships(rest, np.zeros_like(rest), finest)
    residual = rest - member @ finest.mean
    effective = max(effective_count(residual, obs.visit[rows]), 10.0)
    tried = [with_effective(mixture, effective) for mixture in tried]
    chosen = clearest(tried)
    value, cov = np.zeros(2), np.zeros((2, 2))
    value[varies] = chosen.trend
    cov[np.ix_(varies, varies)] = chosen.trend_cov
    error = np.where(varies, np.sqrt(np.diag(cov)), np.nan)
    trend = HardnessTrend(
        float(value[0]),
        float(value[1]),
        float(error[0]),
        float(error[1]),
        reference,
        (float(obs.depth[rows].min()), float(obs.depth[rows].max())),
        (float(slope.min()), float(slope.max())),
        cov,
    )
    return chosen, tried, trend
