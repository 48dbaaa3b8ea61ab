"""What chance alone makes of the difference of two surfaces, as that difference shows itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, stdtr

#: Degrees of freedom of Student's t: errors are small on even ground and large on rough ground,
#: and such a mixture has tails heavier than the normal distribution's.
_FREEDOM = 5
#: Half the width of the narrowest interval that holds half of a t distribution of that freedom.
_HALF_OF_T = 0.72669
#: Errors are never taken to be smaller than this part of what the surfaces state.
_LEAST_SCALE = 0.25
#: No uncertainty is believed below this, m.
_LEAST_SD = 1e-3
#: Score at which large changes are cut off before the reach of errors is taken from all.
_CUT = 2.0
#: Cells at most across which errors are looked at for their reach, and lines of cells.
_FARTHEST, _LINES = 200, 500
#: Errors of a t distribution, and normal ones as improbable: by the lower tail, where
#: probabilities near 0 differ still.
_ERRORS = np.concatenate([np.linspace(0.0, 10.0, 2001), np.geomspace(10.01, 1e6, 2000)])
_SCORES = -ndtri(stdtr(_FREEDOM, -_ERRORS))


@dataclass(frozen=True)
class Chance:
    """Errors of a difference: a t distribution about a common shift.

    Attributes
    ----------
    shift, shift_sd : float
        By how much the unchanged bottom seems to have moved, m, and its standard uncertainty.
    scale : float
        Width of the errors in units of the stated uncertainty.
    width : float
        Full width at half maximum of the kernel that makes errors so smooth out of white noise, m.
    """

    shift: float
    shift_sd: float
    scale: float
    width: float

    @property
    def spread(self) -> float:
        """Standard deviation of the errors in units of the stated uncertainty."""
        return self.scale * np.sqrt(_FREEDOM / (_FREEDOM - 2.0))

    def no_less_than_stated(self) -> Chance:
        """Return what errors are at least: in some places as large as the surfaces state."""
        return replace(self, scale=max(self.scale, self.scale / self.spread))

    @property
    def alike(self) -> float:
        """Area over which errors are as one, m²: the integral of their correlation."""
        return 0.5 * np.pi * self.width**2 / np.log(2.0)

    def scores(self, change: np.ndarray, sd: np.ndarray) -> np.ndarray:
        """Return what a normal error of standard deviation 1 would be in place of each change."""
        error = (change - self.shift) / (self.scale * np.maximum(sd, _LEAST_SD))
        return np.sign(error) * np.interp(np.abs(error), _ERRORS, _SCORES)

    def beyond(self, limit: np.ndarray, sd: np.ndarray) -> tuple:
        """Return how much of unchanged cells is beyond a limit, and by how much in the mean.

        Parameters
        ----------
        limit, sd : array, shape (n,)
            Change that counts as significant, and stated uncertainty without the datums', m.

        Returns
        -------
        share, excess : float
            Sum over the cells of the probability to be beyond the limit on either side, and half
            of the sum of the expected sizes of such changes, m.
        """
        share = excess = 0.0
        width = self.scale * np.maximum(sd, _LEAST_SD)
        for sign in (1.0, -1.0):
            t = (limit - sign * self.shift) / width
            tail = stdtr(_FREEDOM, -t)
            # Integral of t times its density from t on.
            mean = (_FREEDOM + t**2) / (_FREEDOM - 1.0) * _density(t)
            share += float(tail.sum())
            excess += 0.5 * float((sign * self.shift * tail + width * mean).sum())
        return share, excess


def chance_of(change: np.ndarray, sd: np.ndarray, cell: tuple, most: float) -> Chance:
    """Take from a difference what its errors are, however much of up to half of it has changed.

    Parameters
    ----------
    change, sd : array, shape (rows, cols)
        Change and its stated uncertainty without the datums', m; NaN where there is none.
    cell : tuple of float
        Size of a cell east-west and north-south, m.
    most : float
        Largest shift that is believed, m; infinite to believe any.

    Notes
    -----
    Location and width are those of the narrowest interval that holds half of the changes, each
    divided by its uncertainty (the shorth), which changes of less than half of the lake hardly
    move; the location is then the mean of what lies within 2.5 widths of it. So the null
    distribution is that of the data themselves (Efron 2004). The reach of errors is where their
    correlation falls to one half; white noise smoothed with a Gaussian kernel of standard
    deviation ``s`` is correlated by ``exp(-h² / (4 s²))``.

    References
    ----------
    Rousseeuw, P. J., & Leroy, A. M. (1988). A robust scale estimator based on the shortest half.
    Statistica Neerlandica 42(2), 103-116.
    Efron, B. (2004). Large-scale simultaneous hypothesis testing: the choice of a null
    hypothesis. Journal of the American Statistical Association 99, 96-104.
    Lange, K. L., Little, R. J. A., & Taylor, J. M. G. (1989). Robust statistical modeling using
    the t distribution. Journal of the American Statistical Association 84, 881-896.
    """
    known = np.isfinite(change)
    c, s = change[known], np.maximum(sd[known], _LEAST_SD)
    middle, half = _shortest_half(c / s)
    scale = max(half / _HALF_OF_T, _LEAST_SCALE)
    core = np.abs(c / s - middle) <= 2.5 * scale
    shift = float(np.clip(np.average(c[core], weights=s[core] ** -2.0), -most, most))
    width = max(cell)
    sizes = Chance(shift, 0.0, scale, width)
    scores = np.zeros(change.shape)
    scores[known] = np.clip(sizes.scores(c, s), -_CUT, _CUT)
    width = max(width, _half_distance(scores, known, cell) * np.sqrt(2.0))
    found = Chance(shift, 0.0, scale, width)
    together = min(found.alike / (c.size * cell[0] * cell[1]), 1.0)
    shift_sd = found.spread * float(1.0 / np.sqrt(np.mean(s[core] ** -2.0))) * np.sqrt(together)
    return Chance(shift, float(min(shift_sd, most)), scale, width)


def _density(t):
    """Return the density of Student's t."""
    constant = 8.0 / (3.0 * np.pi * np.sqrt(_FREEDOM))  # of 5 degrees of freedom
    return constant * (1.0 + t**2 / _FREEDOM) ** (-0.5 * (_FREEDOM + 1.0))


def _shortest_half(values):
    """Return middle and half the width of the narrowest interval that holds half of the values."""
    ranked = np.sort(values)
    half = len(ranked) // 2
    widths = ranked[half:] - ranked[: len(ranked) - half]
    at = int(widths.argmin())
    return 0.5 * (ranked[at] + ranked[at + half]), 0.5 * float(widths[at])


def _half_distance(scores, known, cell) -> float:
    """Return the distance at which the correlation of scores, 0 where unknown, is one half, m."""
    found = []
    for axis, size in ((1, cell[0]), (0, cell[1])):
        z, k = (np.moveaxis(v, axis, 0) for v in (scores, known))
        z, k = (v[:, :: -(-v.shape[1] // _LINES)] for v in (z, k))
        whole = float((z**2).sum() / max(np.count_nonzero(k), 1)) or 1.0
        before = 1.0
        for lag in range(1, min(_FARTHEST, z.shape[0] - 1)):
            pairs = np.count_nonzero(k[:-lag] & k[lag:])
            now = float((z[:-lag] * z[lag:]).sum()) / max(pairs, 1) / whole
            if now <= 0.5 or pairs == 0:
                found.append((lag - (0.5 - now) / max(before - now, 1e-12)) * size)
                break
            before = now
        else:
            found.append(lag * size if z.shape[0] > 2 else size)
    return float(np.sqrt(found[0] * found[1]))
