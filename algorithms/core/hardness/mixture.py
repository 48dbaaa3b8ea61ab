"""Classes of a quantity told apart by a mixture of normal distributions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtr

from ..errors import LakefloorError
from ..progress import Progress, silent

_TRIAL, _ITERATIONS, _TOLERANCE = 40, 500, 1e-9
#: Classes whose means lie closer than this many standard deviations are not told apart.
DISTINCT = 2.0
_LEAST_SHARE = 0.02
_LEAST_POINTS = 10


@dataclass(frozen=True)
class Mixture:
    """A mixture of k normal classes about a common linear trend.

    Attributes
    ----------
    mean, sd, share : array, shape (k,)
        Of each class, in the order of their means; the shares sum to 1.
    trend : array, shape (p,)
        Change of the quantity for one unit of each covariate, common to all classes.
    trend_cov : array, shape (p, p)
        Covariance of ``trend``, the classes taken as known.
    log_likelihood, bic : float
        Of the data; the Bayesian information criterion is the better the lower.
    count : int
        Values that it was fitted to.
    """

    mean: np.ndarray
    sd: np.ndarray
    share: np.ndarray
    trend: np.ndarray
    trend_cov: np.ndarray
    log_likelihood: float
    bic: float
    count: int

    def __len__(self) -> int:
        return len(self.mean)

    @property
    def separation(self) -> np.ndarray:
        """Distance between neighboring means, in root mean square deviations, shape (k - 1,).

        Ashman, K. M., Bird, C. M. and Zepf, S. E. (1994). Detecting bimodality in astronomical
        datasets. The Astronomical Journal 108(6), 2348-2361: above 2 for classes clearly apart.
        """
        spread = np.sqrt(0.5 * (self.sd[1:] ** 2 + self.sd[:-1] ** 2))
        return np.diff(self.mean) / spread

    @property
    def distinct(self) -> bool:
        """Tell whether all classes are clearly apart and none is all but empty."""
        return bool((self.separation > DISTINCT).all() and (self.share >= _LEAST_SHARE).all())


def fit_mixture(
    values: np.ndarray,
    classes: int,
    *,
    covariates: np.ndarray | None = None,
    effective: float | None = None,
    least_sd: float = 0.001,
    progress: Progress = silent,
) -> Mixture:
    """Fit a mixture of normal classes, each with its own spread, about a common trend.

    Parameters
    ----------
    values : array, shape (n,)
    classes : int
        Number of classes, k.
    covariates : array, shape (n, p), optional
        What the values depend on linearly, in the same way in all classes.
    effective : float, optional
        Number of independent values among the n, see :func:`effective_count`; n if None.
    least_sd : float
        No class is narrower than this: a class of equal values would have no bound.

    Returns
    -------
    Mixture

    Raises
    ------
    LakefloorError
        If there are fewer than ten values a class.

    Notes
    -----
    ``value = mean[class] + covariates @ trend + error``: the trend is that within the
    classes, so that a class that happens to lie shallow does not pass for a dependence on
    depth. Found by expectation and conditional maximization from several fixed starts. With
    fewer independent values than n, the log-likelihood counts by their ratio in ``bic``, and
    ``trend_cov`` grows by it.

    References
    ----------
    Dempster, A. P., Laird, N. M. and Rubin, D. B. (1977). Maximum likelihood from incomplete
    data via the EM algorithm. Journal of the Royal Statistical Society B 39(1), 1-38.
    DeSarbo, W. S. and Cron, W. L. (1988). A maximum likelihood methodology for clusterwise
    linear regression. Journal of Classification 5, 249-282.
    Schwarz, G. (1978). Estimating the dimension of a model. Annals of Statistics 6(2), 461-464.

    Examples
    --------
    >>> import numpy as np
    >>> steps = np.linspace(-0.1, 0.1, 101)
    >>> mixture = fit_mixture(np.concatenate((0.3 + steps, 0.7 + steps)), 2)
    >>> mixture.mean.round(2).tolist(), mixture.share.round(2).tolist()
    ([0.3, 0.7], [0.5, 0.5])
    """
    y = np.asarray(values, dtype=float)
    n = len(y)
    if n < _LEAST_POINTS * classes:
        raise LakefloorError(
            f"{n} values are too few for {classes} classes. Give {_LEAST_POINTS * classes} values "
            "or more."
        )
    x = np.zeros((n, 0)) if covariates is None else np.asarray(covariates, dtype=float)
    best: tuple = ()
    starts = _starts(y, x, classes)
    for number, start in enumerate(starts):
        progress(number / (len(starts) + 1))
        mean, sd, share, trend = start
        found = _maximize(y, x, mean, sd, share, trend, least_sd, _TRIAL)
        if not best or found[-1] > best[-1] + 1e-6:
            best = found
    mean, sd, share, trend, *_ = best
    mean, sd, share, trend, precision, likelihood = _maximize(
        y, x, mean, sd, share, trend, least_sd, _ITERATIONS
    )
    order = np.argsort(mean, kind="stable")
    fitted = Mixture(
        mean[order],
        sd[order],
        share[order],
        trend,
        np.linalg.pinv(precision),
        likelihood,
        -2.0 * likelihood + (3 * classes - 1 + x.shape[1]) * np.log(n),
        n,
    )
    progress(1.0)
    return fitted if effective is None else with_effective(fitted, effective)


def with_effective(mixture: Mixture, effective: float) -> Mixture:
    """Return the mixture judged as fitted to fewer, independent values: BIC and errors."""
    effective = min(float(effective), float(mixture.count))
    ratio = effective / mixture.count
    parameters = 3 * len(mixture) - 1 + len(mixture.trend)
    return replace(
        mixture,
        trend_cov=mixture.trend_cov / ratio,
        bic=-2.0 * mixture.log_likelihood * ratio + parameters * np.log(effective),
    )


def _starts(y, x, classes):
    """Yield means, sds, shares and trend to start from."""
    trends = [np.zeros(x.shape[1])]
    if x.shape[1]:
        trends.append(np.linalg.lstsq(x - x.mean(axis=0), y - y.mean(), rcond=None)[0])
    at = (np.arange(classes) + 0.5) / classes
    starts = []
    for trend in trends:
        rest = y - x @ trend
        low, high = np.quantile(rest, (0.02, 0.98))
        for mean in (np.quantile(rest, at), low + at * (high - low)):
            spread = max(rest.std() / classes, 1e-6)
            starts.append((mean, np.full(classes, spread), np.full(classes, 1 / classes), trend))
    return starts[: 1 if classes == 1 else None]


def _densities(rest, mean, sd, share):
    z = (rest[:, None] - mean) / sd
    with np.errstate(divide="ignore"):
        return np.log(share / sd) - 0.5 * z**2 - 0.5 * np.log(2.0 * np.pi)


def _maximize(y, x, mean, sd, share, trend, least_sd, iterations):
    last = -np.inf
    for _ in range(iterations):
        terms = _densities(y - x @ trend, mean, sd, share)
        total = logsumexp(terms, axis=1)
        likelihood = float(total.sum())
        member = np.exp(terms - total[:, None])
        count = np.maximum(member.sum(axis=0), 1e-12)
        share = count / len(y)
        # Centring within the classes parts the trend from the means.
        weight = member / sd**2
        precision = np.zeros((x.shape[1],) * 2)
        if x.shape[1]:
            middle_x, middle_y = member.T @ x / count[:, None], member.T @ y / count
            side = np.zeros(x.shape[1])
            for k in range(len(mean)):
                dx = x - middle_x[k]
                weighted = dx * weight[:, k, None]
                precision += weighted.T @ dx
                side += weighted.T @ (y - middle_y[k])
            trend = np.linalg.lstsq(precision, side, rcond=None)[0]
        rest = y - x @ trend
        mean = member.T @ rest / count
        variance = np.einsum("ik,ik->k", member, (rest[:, None] - mean) ** 2) / count
        sd = np.maximum(np.sqrt(variance), least_sd)
        if likelihood - last < _TOLERANCE * max(abs(likelihood), 1.0):
            break
        last = likelihood
    return mean, sd, share, trend, precision, likelihood


def choose_mixture(
    values: np.ndarray, most: int = 3, *, progress: Progress = silent, **options
) -> tuple:
    """Return the mixture of one to ``most`` classes that the data speak for, and all tried.

    The lowest BIC wins among those whose classes are clearly apart
    (:attr:`Mixture.distinct`): skewed values of one class, which two overlapping normals
    fit better than one, stay one class.

    Parameters
    ----------
    values, **options
        As for :func:`fit_mixture`.

    Returns
    -------
    best : Mixture
    tried : list of Mixture
        With 1, 2, ... classes; fewer where there are too few values.
    """
    most = max(min(most, len(values) // _LEAST_POINTS), 1)
    tried = []
    for classes in range(1, most + 1):
        progress((classes - 1) / most)
        tried.append(fit_mixture(values, classes, **options))
    progress(1.0)
    return clearest(tried), tried


def clearest(tried: list[Mixture]) -> Mixture:
    """Return the mixture of lowest BIC among those whose classes are clearly apart."""
    return min((m for m in tried if m.distinct), key=lambda m: m.bic)


def boundaries(mixture: Mixture) -> np.ndarray:
    """Return the value at which each two neighboring classes are equally likely, shape (k - 1,).

    Midway between the means where one class outweighs the other all the way.
    """
    limits = []
    for k in range(len(mixture) - 1):
        pair = slice(k, k + 2)

        def odds(value, pair=pair):
            terms = _densities(
                np.array([value]), mixture.mean[pair], mixture.sd[pair], mixture.share[pair]
            )
            return float(terms[0, 1] - terms[0, 0])

        low, high = mixture.mean[pair]
        crosses = odds(low) < 0.0 < odds(high)
        limits.append(brentq(odds, low, high) if crosses else 0.5 * (low + high))
    return np.array(limits)


def memberships(
    value: np.ndarray, sigma: np.ndarray, mixture: Mixture, noise: float = 0.0
) -> np.ndarray:
    """Return the probability of each class, shape (..., k).

    Parameters
    ----------
    value, sigma : array
        An estimate of the quantity and its standard uncertainty.
    mixture : Mixture
        Fitted to values of standard deviation ``noise``, which is taken off the classes.

    Notes
    -----
    Bayes' theorem. Beyond the outermost means the probabilities stay as they are there: a
    wide class must not take over on the far side of a narrow one.
    """
    value, sigma = np.asarray(value, dtype=float), np.asarray(sigma, dtype=float)
    own = np.maximum(mixture.sd**2 - noise**2, (0.1 * mixture.sd) ** 2)
    sd = np.sqrt(own + sigma[..., None] ** 2)
    z = np.clip(value, mixture.mean[0], mixture.mean[-1])[..., None] - mixture.mean
    terms = np.log(mixture.share / sd) - 0.5 * (z / sd) ** 2
    return np.exp(terms - logsumexp(terms, axis=-1, keepdims=True))


def between(value: np.ndarray, sigma: np.ndarray, limits: Sequence[float]) -> np.ndarray:
    """Return the probability that a quantity lies between limits, shape (..., k).

    Parameters
    ----------
    value, sigma : array
        An estimate of the quantity and its standard uncertainty, which is normal.
    limits : sequence of float, length k - 1
        Rising.

    Examples
    --------
    A hardness of 0.5 with a standard uncertainty of 0.1: is it soft, medium or hard?

    >>> between(0.5, 0.1, (0.4, 0.6)).round(2).tolist()
    [0.16, 0.68, 0.16]
    """
    value, sigma = np.asarray(value, dtype=float), np.asarray(sigma, dtype=float)
    below = [ndtr((limit - value) / np.maximum(sigma, 1e-9)) for limit in limits]
    edges = [np.zeros_like(value), *below, np.ones_like(value)]
    return np.stack([high - low for low, high in zip(edges[:-1], edges[1:])], axis=-1)


def effective_count(residual: np.ndarray, series: np.ndarray) -> float:
    """Return the number of independent values among autocorrelated ones.

    Parameters
    ----------
    residual : array, shape (n,)
        In the order measured, of mean about zero.
    series : array, shape (n,)
        Only neighbors of equal number are compared.

    Notes
    -----
    ``n (1 - r) / (1 + r)`` with the correlation r of neighbors.

    References
    ----------
    Bayley, G. V. and Hammersley, J. M. (1946). The "effective" number of independent
    observations in an autocorrelated time series. Supplement to the Journal of the Royal
    Statistical Society 8(2), 184-197.
    """
    residual, series = np.asarray(residual, dtype=float), np.asarray(series)
    same = series[1:] == series[:-1]
    if same.sum() < 3:
        return float(len(residual))
    r = np.mean((residual[1:] * residual[:-1])[same]) / max(np.mean(residual**2), 1e-300)
    r = float(np.clip(r, 0.0, 0.99))
    return len(residual) * (1.0 - r) / (1.0 + r)


def otsu(values: np.ndarray, bins: int = 256) -> float:
    """Return the threshold that parts values into the two classes of least spread.

    References
    ----------
    Otsu, N. (1979). A threshold selection method from gray-level histograms. IEEE
    Transactions on Systems, Man, and Cybernetics 9(1), 62-66.

    Examples
    --------
    >>> round(otsu([0.2, 0.21, 0.22, 0.6, 0.61]), 2)
    0.41
    """
    count, edges = np.histogram(values, bins=bins)
    middle = 0.5 * (edges[:-1] + edges[1:])
    below = np.cumsum(count)[:-1]
    above = below[-1] + count[-1] - below
    first = np.cumsum(count * middle)[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = first / below - ((count * middle).sum() - first) / above
        score = np.nan_to_num(below * above * apart**2)
    # Any cut within an empty gap is as good; the middle of it is taken.
    best = np.flatnonzero(score >= score.max() * (1.0 - 1e-9))
    return float(edges[1:-1][best].mean())


def change_point(values: np.ndarray, least: int = 1) -> tuple:
    """Return after how many values their mean changes, by least squares.

    Parameters
    ----------
    values : array, shape (n,)
    least : int
        Values at least on each side.

    Returns
    -------
    count : int
        Values before the change.
    squares : array, shape (n - 1,)
        Sum of squared residuals about both means, for a change after 1, 2, ... values.

    References
    ----------
    Hinkley, D. V. (1970). Inference about the change-point in a sequence of random variables.
    Biometrika 57(1), 1-17.

    Examples
    --------
    >>> change_point([1.0, 1.1, 0.9, 3.0, 3.1, 2.9])[0]
    3
    """
    v = np.asarray(values, dtype=float)
    if len(v) < 2 * least:
        raise LakefloorError(
            f"A change needs at least {2 * least} values, not {len(v)}. Add values."
        )
    count = np.arange(1, len(v))
    middle = v.mean()
    total, square = np.cumsum(v - middle)[:-1], np.sum((v - middle) ** 2)
    # About the common mean both sums are opposite.
    squares = square - total**2 * (1.0 / count + 1.0 / (len(v) - count))
    allowed = slice(least - 1, len(v) - least)
    return int(count[allowed][np.argmin(squares[allowed])]), squares
