"""Gain and offset of the hardness that each visit logged, from where visits overlap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..progress import Progress, silent, span

#: Two visits are tied to each other from this many common places on.
MIN_SHARED_PLACES = 10
#: A gain known no better than this is not used: the overlap is all of one hardness.
_GAIN_ERROR = 0.15
_MOST_GAIN, _LEAST_CORRELATION = 4.0, 0.5
_ROUNDS = 6
#: Common scatter of a satellite position, m.
_POSITION_M = 1.0


@dataclass(frozen=True)
class VisitGains:
    """``logged = offset + gain * adjusted`` for each of k visits.

    Attributes
    ----------
    visit : object array (str), shape (k,)
    reference : int
        The visit whose gain is 1 and offset 0.
    gain, offset : array, shape (k,)
        NaN where a visit is not tied to the reference by overlaps.
    cov : array, shape (k, 2, 2)
        Covariance of gain and offset.
    gain_free : bool array, shape (k,)
        False where the overlap is too uniform to tell a gain, which is then 1 with a standard
        error of 0.15.
    places : int array, shape (k,)
        Places where the visit overlaps with another one.
    before, after : float
        Root mean square difference of visits at one place, as logged and adjusted; NaN without
        overlaps.
    """

    visit: np.ndarray
    reference: int
    gain: np.ndarray
    offset: np.ndarray
    cov: np.ndarray
    gain_free: np.ndarray
    places: np.ndarray
    before: float
    after: float

    @property
    def solved(self) -> np.ndarray:
        """Mask of the visits that are adjusted, shape (k,)."""
        return np.isfinite(self.gain)

    def apply(self, hardness: np.ndarray, number: np.ndarray) -> np.ndarray:
        """Return adjusted hardness, shape (n,), of rows of visits ``number``; NaN if not solved."""
        return (np.asarray(hardness, dtype=float) - self.offset[number]) / self.gain[number]

    def variance(self, adjusted: np.ndarray, number: np.ndarray) -> np.ndarray:
        """Return the variance of adjusted hardness that comes from gain and offset, shape (n,)."""
        h, c = np.asarray(adjusted, dtype=float), self.cov[number]
        raw = h**2 * c[:, 0, 0] + 2.0 * h * c[:, 0, 1] + c[:, 1, 1]
        return raw / self.gain[number] ** 2


def as_logged(visits: Sequence[str]) -> VisitGains:
    """Return gains that change nothing."""
    k = len(visits)
    return VisitGains(
        np.asarray(visits, dtype=object),
        0,
        np.ones(k),
        np.zeros(k),
        np.zeros((k, 2, 2)),
        np.zeros(k, bool),
        np.zeros(k, int),
        np.nan,
        np.nan,
    )


def find_visit_gains(
    x: np.ndarray,
    y: np.ndarray,
    hardness: np.ndarray,
    number: np.ndarray,
    visits: Sequence[str],
    noise: np.ndarray,
    *,
    rate: np.ndarray,
    reach: float,
    reference: int | None = None,
    progress: Progress = silent,
) -> VisitGains:
    """Find each visit's gain and offset of hardness from places that two visits share.

    Parameters
    ----------
    x, y, hardness : array, shape (n,)
        m, and as logged.
    number : int array, shape (n,)
        Visit of each, an index into ``visits``.
    visits : sequence of str, length k
    noise : array, shape (k,)
        Standard deviation of one observation of each visit.
    rate : array, shape (n,)
        How fast hardness changes about each observation, 1/m: places at the edge of a hard
        patch count for little.
    reach : float
        Observations of two visits that are each other's nearest, and this near, share a place, m.
    reference : int, optional
        The visit that the others are adjusted to; the one with most observations if None.

    Returns
    -------
    VisitGains

    Notes
    -----
    See :func:`fit_gains`. Large misfits count less. What a place's own variation adds to the
    noise is seen in the misfits and added.
    """
    k = len(visits)
    if reference is None:
        reference = int(np.argmax(np.bincount(number, minlength=k)))
    first, second = _pairs(x, y, number, k, reach, span(progress, 0.0, 0.3))
    pair = np.zeros((k, k), int)
    np.add.at(pair, (number[first], number[second]), 1)
    # A tie of too few places does not carry an adjustment.
    _, group = connected_components(coo_matrix(pair + pair.T >= MIN_SHARED_PLACES), directed=False)
    tied = group == group[reference]
    places = pair.sum(axis=0) + pair.sum(axis=1)
    gain, offset = np.full(k, np.nan), np.full(k, np.nan)
    cov, free = np.zeros((k, 2, 2)), np.zeros(k, bool)
    gain[reference], offset[reference] = 1.0, 0.0
    before = after = np.nan
    if tied.sum() > 1:
        members = np.flatnonzero(tied)
        rows, p, u, variance = _shared_places(
            x,
            y,
            number,
            noise,
            rate,
            members,
            first[tied[number[first]]],
            second[tied[number[first]]],
        )
        v, held = hardness[rows], int(np.searchsorted(members, reference))
        gain[members], offset[members], cov[members], free[members] = _gains_of_tied(
            p, u, v, variance, held, span(progress, 0.3, 1.0)
        )
        free[reference] = False
        adjusted = (v - offset[members][u]) / gain[members][u]
        before, after = _difference(p, v), _difference(p, adjusted)
    progress(1.0)
    return VisitGains(
        np.asarray(visits, dtype=object), reference, gain, offset, cov, free, places, before, after
    )


def _shared_places(x, y, number, noise, rate, members, first, second) -> tuple:
    """Return the observations at places that visits share.

    Returns
    -------
    rows : array of int, shape (m,)
        Of the observations.
    place, unit : array of int, shape (m,)
        Number of the place, and which of ``members`` made the observation.
    variance : array, shape (m,)
        Of the observation, with what hardness may change between both positions.
    """
    # Pairs that share an observation are one place.
    link = coo_matrix((np.ones(len(first)), (first, second)), shape=(len(x), len(x)))
    _, place = connected_components(link, directed=False)
    rows = np.unique(np.concatenate([first, second]))
    _, place = np.unique(place[rows], return_inverse=True)
    apart = np.hypot(x[first] - x[second], y[first] - y[second])
    blur = np.zeros(len(x))
    for side in (first, second):
        np.maximum.at(blur, side, np.maximum(rate[first], rate[second]) * (apart + _POSITION_M))
    unit = np.searchsorted(members, number[rows])
    return rows, place, unit, noise[number[rows]] ** 2 + 0.5 * blur[rows] ** 2


def _gains_of_tied(place, unit, value, variance, reference: int, progress: Progress) -> tuple:
    """Return gain, offset and their covariance of visits tied by places, and which gain is free.

    Rounds of :func:`fit_gains`: gains that the overlap does not tell are held at 1, and the
    variation of the places beyond what is known of it is added to the variance.
    """
    visits = int(unit.max()) + 1
    shrunk = np.sqrt(len(value) / (len(value) - place.max() - 1))
    free, extra = np.ones(visits, bool), 0.0
    for step in range(_ROUNDS):
        progress(step / _ROUNDS)
        weight = 1.0 / (variance + extra)
        gain, offset, cov, misfit = fit_gains(
            place, unit, value, weight, reference=reference, free_gain=free, robust=True
        )
        relative = _relative_error(place, unit, value, weight, gain, offset)
        doubtful = free & ~(
            (relative < _GAIN_ERROR) & (gain > 1.0 / _MOST_GAIN) & (gain < _MOST_GAIN)
        )
        # Residuals of observations about their place's own mean are smaller than errors.
        scale = 1.4826 * np.median(np.abs(misfit)) * shrunk
        if not doubtful.any() and scale < 1.1:
            break
        extra += max(scale**2 - 1.0, 0.0) * float(np.median(variance + extra))
        free &= ~doubtful
    # The error of the fit is too small where places differ little.
    least = np.where(free, (gain * np.minimum(relative, _GAIN_ERROR)) ** 2, 0.0)
    cov *= np.maximum(least / np.maximum(cov[:, 0, 0], 1e-12), 1.0)[:, None, None]
    for m in np.flatnonzero(~free & (np.arange(visits) != reference)):
        # The gain may be off by as much as would have been told; the line turns about the
        # hardness of the overlap.
        middle = np.mean(value[unit == m]) - offset[m]
        cov[m] += _GAIN_ERROR**2 * np.array([[1.0, -middle], [-middle, middle**2]])
    return gain, offset, cov, free


def _pairs(x, y, number, visits, reach, progress) -> tuple:
    """Return rows of observations of two visits that are each other's nearest within reach."""
    xy = np.column_stack([x, y])
    rows = [np.flatnonzero(number == v) for v in range(visits)]
    trees = [cKDTree(xy[r]) if r.size else None for r in rows]
    first, second = [], []
    for a in range(visits):
        progress(a / visits)
        for b in range(a + 1, visits):
            tree, other = trees[a], trees[b]
            if tree is None or other is None:
                continue
            _, to_b = other.query(xy[rows[a]], distance_upper_bound=reach)
            _, to_a = tree.query(xy[rows[b]], distance_upper_bound=reach)
            near = np.flatnonzero(to_b < len(rows[b]))
            mutual = near[to_a[to_b[near]] == near]
            first.append(rows[a][mutual])
            second.append(rows[b][to_b[mutual]])
    empty = [np.zeros(0, np.intp)]
    return np.concatenate(first or empty), np.concatenate(second or empty)


def _relative_error(place, unit, value, weight, gain, offset) -> np.ndarray:
    """Return the relative standard error of each unit's gain, shape (k,); infinite if not told.

    By the correlation r with what the others have at the same n places: the relative error of a
    slope with errors in both coordinates is about ``sqrt((1 / r^2 - 1) / n)``. Unlike the error of
    the fit it does not deceive where noise alone is fitted, which has any slope. Where noise
    outweighs what the places differ by, the slope leans on how the noise is shared between the
    visits, which is not known well enough, however many the places.
    """
    adjusted = (value - offset[unit]) / gain[unit]
    out = np.full(len(gain), np.inf)
    total = np.bincount(place, weight * adjusted), np.bincount(place, weight)
    for m in range(len(gain)):
        mine = unit == m
        w, x = weight[mine], adjusted[mine]
        rest = total[1][place[mine]] - w
        others = rest > 1e-9 * w
        if others.sum() < 3:
            continue
        w, x, rest = w[others], x[others], rest[others]
        y = (total[0][place[mine]][others] - w * x) / rest
        w = 1.0 / (1.0 / w + 1.0 / rest)
        x, y = x - np.average(x, weights=w), y - np.average(y, weights=w)
        r = np.sum(w * x * y) / max(np.sqrt(np.sum(w * x**2) * np.sum(w * y**2)), 1e-300)
        n = np.sum(w) ** 2 / np.sum(w**2)
        if r >= _LEAST_CORRELATION:
            out[m] = np.sqrt((1.0 / r**2 - 1.0) / n)
    return out


def _difference(place, value) -> float:
    """Return the root mean square difference of two observations of one place."""
    count = np.bincount(place)
    mean = np.bincount(place, value) / count
    square = np.sum((value - mean[place]) ** 2)
    return float(np.sqrt(2.0 * square / max(len(value) - len(count), 1)))


def fit_gains(
    place: np.ndarray,
    unit: np.ndarray,
    value: np.ndarray,
    weight: np.ndarray,
    *,
    reference: int = 0,
    free_gain: np.ndarray | None = None,
    robust: bool = False,
) -> tuple:
    """Fit ``value = offset[unit] + gain[unit] * (true value of the place)``.

    Parameters
    ----------
    place, unit : int array, shape (n,)
        From 0; every place has at least two rows.
    value, weight : array, shape (n,)
        Weight is one over the variance.
    reference : int
        Unit of gain 1 and offset 0.
    free_gain : bool array, shape (k,), optional
        Units whose gain is fitted; the others have gain 1.
    robust : bool
        Weigh down large misfits.

    Returns
    -------
    gain, offset : array, shape (k,)
    cov : array, shape (k, 2, 2)
        Of gain and offset.
    misfit : array, shape (n,)
        In standard deviations.

    Raises
    ------
    LakefloorError
        If there are fewer places than unknowns.

    Notes
    -----
    Both sides of a comparison are in error, so the true values of the places are unknowns
    too: ordinary regression of one visit on another would find too small a gain. They are
    eliminated (variable projection). With two units this is the straight line with errors in
    both coordinates of York (1966).

    References
    ----------
    York, D. (1966). Least-squares fitting of a straight line. Canadian Journal of Physics 44(5),
    1079-1086.
    Golub, G. H. and Pereyra, V. (1973). The differentiation of pseudo-inverses and nonlinear
    least squares problems whose variables separate. SIAM Journal on Numerical Analysis 10(2),
    413-432.
    Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    """
    place, unit = np.asarray(place), np.asarray(unit)
    value, weight = np.asarray(value, dtype=float), np.asarray(weight, dtype=float)
    k, n_places = int(unit.max()) + 1, int(place.max()) + 1
    with_gain = np.ones(k, bool) if free_gain is None else np.array(free_gain, bool)
    with_gain[reference] = False
    g_at = np.flatnonzero(with_gain)
    o_at = np.flatnonzero(np.arange(k) != reference)
    if len(value) - n_places < len(g_at) + len(o_at):
        raise LakefloorError(
            f"The shared places ({n_places}) are too few to adjust {k} visits. Add visits that "
            "overlap more."
        )
    root = np.sqrt(weight)

    def unpack(unknown):
        gain, offset = np.ones(k), np.zeros(k)
        gain[g_at], offset[o_at] = unknown[: len(g_at)], unknown[len(g_at) :]
        return gain, offset

    def misfits(unknown):
        gain, offset = unpack(unknown)
        g, rest = gain[unit], value - offset[unit]
        true = np.bincount(place, weight * g * rest) / np.bincount(place, weight * g**2)
        return root * (rest - g * true[place])

    start = _start_values(place, unit, value, weight, g_at, o_at)
    found = least_squares(
        misfits, start, loss="soft_l1" if robust else "linear", xtol=1e-12, ftol=1e-12, gtol=1e-12
    )
    gain, offset = unpack(found.x)
    misfit = misfits(found.x)
    freedom = max(len(value) - n_places - len(start), 1)
    if robust:
        # Huber's covariance of an M-estimate, with the derivatives of the loss soft_l1.
        pull, give = misfit / np.sqrt(1.0 + misfit**2), (1.0 + misfit**2) ** -1.5
        variance = np.sum(pull**2) / freedom / np.mean(give) ** 2
        jac = least_squares(misfits, found.x, max_nfev=1).jac
    else:
        variance, jac = 2.0 * found.cost / freedom, found.jac
    cov = _of_each_visit(np.linalg.pinv(jac.T @ jac) * variance, k, g_at, o_at)
    return gain, offset, cov, misfit


def _start_values(place, unit, value, weight, g_at, o_at) -> np.ndarray:
    """Return gains and offsets to start from: straight lines through the places' values."""
    start = np.concatenate([np.ones(len(g_at)), np.zeros(len(o_at))])
    # The reference is taken to be right.
    base = np.bincount(place, value * weight) / np.bincount(place, weight)
    for i, v in enumerate(g_at):
        mine = unit == v
        spread = np.std(base[place[mine]])
        if spread > 0:
            slope = np.cov(base[place[mine]], value[mine])[0, 1] / spread**2
            start[i] = slope if abs(slope) > 1e-3 else 1.0
    # Least squares with a common offset for that gain.
    for i, v in enumerate(o_at):
        mine = unit == v
        gain = start[np.flatnonzero(g_at == v)[0]] if v in g_at else 1.0
        start[len(g_at) + i] = np.mean(value[mine] - gain * base[place[mine]])
    return start


def _of_each_visit(full, k: int, g_at, o_at) -> np.ndarray:
    """Return the covariance of each visit's gain and offset out of that of all unknowns."""
    index_g, index_o = np.full(k, -1), np.full(k, -1)
    index_g[g_at] = np.arange(len(g_at))
    index_o[o_at] = len(g_at) + np.arange(len(o_at))
    cov = np.zeros((k, 2, 2))
    for v in range(k):
        at = (index_g[v], index_o[v])
        for a in range(2):
            for b in range(2):
                if at[a] >= 0 and at[b] >= 0:
                    cov[v, a, b] = full[at[a], at[b]]
    return cov
