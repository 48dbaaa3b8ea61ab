"""Standard uncertainty of an interpolated surface, learnt from soundings left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import distance_transform_edt
from scipy.optimize import minimize
from scipy.spatial import cKDTree

from .. import threads
from ..blocks import every_fourth_square
from ..grid import Grid
from ..progress import Progress, silent, span
from .frame import Frame
from .nodes import NODES_PER_SPACING, SOUNDING, Nodes
from .roughness import grid_around, means_around, scatter, unevenness
from .sample_windows import SampleWindows, cross_lines, lanes_left_out

#: Standard uncertainty taken for soundings that state none and show none, m. A tenth of
#: a foot is the step in which most sounders log.
LEAST_NOISE = 0.03
_LEAST_RESIDUALS, _LEAST_ACROSS = 60, 30
# Side of the squares left out, in lane spacings. What is left of the lanes beside a square is
# two spacings apart: the middle of a narrower one is as badly off as that between two lanes.
_SQUARE = 0.75
_POWERS = (1.0, 2.0)
# Misfits of more standard deviations count as so many, found in so many rounds.
_MOST_SIGMAS, _ROUNDS = 4.0, 3
_SHARED = 0.5
_SEEN = 4000
#: Growth where nothing can be left out, for a departure and a distance of one lane spacing.
_USUAL_RATE = 1.5


@dataclass(frozen=True)
class Growth:
    """Error of a surface: at soundings, and away from them.

    ``sigma^2 = (c N)^2 + D^2 (near^2 + rate^2 d^power) + (across S d)^2``, with the scatter N
    of the soundings around a place, m; the departure D of the bottom there from a plane, m;
    its slope S; and the distance d to the nearest known depth, m. ``c^2`` runs from ``share^2``
    at soundings to ``between^2`` a block of soundings (a quarter of the lane spacing) away.

    Attributes
    ----------
    noise : float
        Scatter taken where none is seen, m.
    share : float
        Of the scatter of the soundings that is left in the surface at them.
    rate : float
        1 over a meter to half the power.
    across : float
        0, but 1 where the slope is known along a single lane only.
    residuals : int
        Number of left-out soundings behind the rate; 0 if it is a usual one.
    level : bool
        Whether D is the departure from the mean depth, for a method that draws no plane.
    near : float
        What is lost of the bottom at the soundings themselves, by smoothing.
    power : float
        1 for a bottom whose slope changes from place to place, 2 for one that runs on.
    between : float, optional
        Of the scatter of the soundings that is left in the surface away from them; ``share``
        if None.
    """

    noise: float
    share: float
    rate: float
    across: float
    residuals: int
    level: bool = False
    near: float = 0.0
    power: float = 1.0
    between: float | None = None

    def of(self, distance: ArrayLike, departure: ArrayLike, slope: ArrayLike = 0.0) -> np.ndarray:
        """Return the part of the standard uncertainty that is not noise of soundings, m."""
        return np.hypot(
            np.asarray(departure) * np.sqrt(self.square(np.asarray(distance))),
            self.across * np.asarray(slope) * distance,
        )

    def square(self, distance: np.ndarray) -> np.ndarray:
        """Return the variance at a distance for a departure of one."""
        grown = distance if self.power == 1.0 else distance**self.power
        return self.near**2 + self.rate**2 * grown

    def share_squared(self, distance: np.ndarray, spacing: float) -> np.ndarray:
        """Return the share of the variance of the soundings' scatter that is left."""
        if self.between is None:
            return np.full(np.shape(distance), self.share**2)
        away = np.minimum(distance * (NODES_PER_SPACING / spacing), 1.0)
        return self.share**2 + (self.between**2 - self.share**2) * away


def learn_growth(
    t: SampleWindows, predict: Callable, *, level: bool = False, progress: Progress = silent
) -> Growth:
    """Leave lanes out, predict them, and see how the error grows with distance.

    Parameters
    ----------
    t : SampleWindows
    predict : callable
        ``predict(nodes, xy) -> depth`` at xy of shape (n, 2), NaN where it cannot.
    level : bool
        See :class:`Growth`.
    progress : callable

    Returns
    -------
    Growth

    Notes
    -----
    The points of one lane are near-copies of their neighbors, so that leaving single points
    out makes any surface look several times better than it is (Roberts et al. 2017). Lanes
    that cross the others, run to check a survey (IHO 2020), are left out together: the gaps
    between the others stay as they are. Where none cross, every third lane is left out; that
    leaves wider gaps, which tell of longer distances. In a second run, squares three quarters
    of a lane spacing wide are left out all over the survey.

    A misfit is the error of the surface and that of the sounding left out. The latter is
    known from its scatter; of the former, noise added to the soundings shows how much of it is
    left in the surface, at them and away from them. The rest is scaled by the departure D of
    the soundings around, within about a lane spacing, from the plane that fits them best: a
    part that is there at the soundings too, as a smooth surface cuts the tops off a rough
    bottom, and one that grows as a power of distance (power variogram; Chiles and Delfiner
    2012), the first or the second. Both parts, and the power, are those by which the squared
    misfits are likeliest (Davidian and Carroll 1987); misfits beyond four standard deviations
    count as four (Huber 1981).

    With fewer than 60 misfits, as on a single lane, a usual rate is taken, and the slope
    across is taken to be as steep as that along.

    References
    ----------
    Chiles, J.-P. and Delfiner, P. (2012). Geostatistics: Modeling Spatial Uncertainty, second
    edition. Wiley, section 2.5.
    Davidian, M. and Carroll, R. J. (1987). Variance function estimation. Journal of the
    American Statistical Association 82(400), 1079-1091.
    Huber, P. J. (1981). Robust Statistics. Wiley, section 1.7.
    International Hydrographic Organization (2020). S-44 Standards for Hydrographic
    Surveys, edition 6, chapter 5 (cross-lines).
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    nodes, spacing = t.nodes, t.spacing
    noise = _usual_noise(t)
    around = grid_around(t.grid, spacing)
    spread = around.like(_scatter_around(nodes.x, nodes.y, t.square, around, spacing, noise))
    spread = spread.sample(*nodes.xy.T)
    # A node beyond the rim of the grid has no scatter around it.
    spread = np.where(np.isfinite(spread), spread, noise)
    own = spread / np.sqrt(t.count)
    usual = Growth(noise, 1.0, _USUAL_RATE / float(np.sqrt(spacing)), 1.0, 0, level)
    folds = [out for out in _folds(nodes, spacing) if out.any() and np.count_nonzero(~out) >= 4]
    if not folds:
        return usual
    # Noise added to the soundings, and what of it shows in the surface.
    first, rest = folds[0], nodes.select(~folds[0])
    seen = np.flatnonzero((nodes.kind == SOUNDING) & ~first)
    at = np.concatenate([np.flatnonzero(first), seen[:: max(len(seen) // _SEEN, 1)]])
    deviate = np.random.default_rng(0).standard_normal(len(nodes))
    added = np.where(nodes.kind == SOUNDING, own * deviate, 0.0)
    noisy = replace(nodes, depth=nodes.depth + added).select(~first)
    wanted = [(rest, nodes.xy[at]), (noisy, nodes.xy[at])]
    wanted += [(nodes.select(~out), nodes.xy[out]) for out in folds[1:]]
    drawn, moved, *others = threads.side_by_side(predict, wanted, span(progress, 0.0, 0.8))
    moved = (moved - drawn) / spread[at]

    found = []
    for out, depth in zip(folds, [drawn[: np.count_nonzero(first)], *others]):
        kept, xy = nodes.select(~out), nodes.xy[out]
        uneven = around.like(unevenness(kept, around, spacing, level)[0]).sample(*xy.T)
        distance = cKDTree(kept.xy).query(xy)[0]
        found.append([depth - nodes.depth[out], distance, uneven, own[out], spread[out]])
    misfits = _Misfits(*(np.concatenate(column) for column in zip(*found)))
    known = np.isfinite(misfits.misfit) & (misfits.distance > 0)
    misfits = _Misfits(*(column[known] for column in misfits))
    if len(misfits.misfit) < _LEAST_RESIDUALS:
        return usual
    away = found[0][1] >= spacing / NODES_PER_SPACING
    share = _mean_square(moved[len(away) :], 1.0)
    between = float(np.sqrt(_mean_square(moved[: len(away)][away], share)))
    share = float(np.sqrt(share))
    growth = Growth(noise, share, 0.0, 0.0, int(known.sum()), level, between=between)
    progress(1.0)
    return _fitted(growth, misfits, spacing)


class _Misfits(NamedTuple):
    """Misfits of soundings left out, m; every field has shape (n,).

    ``distance`` is that to the nearest known depth, ``uneven`` the departure of the bottom
    around from a plane, ``own`` and ``spread`` the noise of the sounding and of a ping, m.
    """

    misfit: np.ndarray
    distance: np.ndarray
    uneven: np.ndarray
    own: np.ndarray
    spread: np.ndarray


def _fitted(growth: Growth, m: _Misfits, spacing: float) -> Growth:
    """Return the growth with the near part, the rate and the power that are likeliest."""
    told = m.own**2 + growth.share_squared(m.distance, spacing) * m.spread**2
    fits = []
    for power in _POWERS:
        parts = m.uneven**2 * np.stack([np.ones(len(told)), (m.distance / spacing) ** power])
        fits.append((*_likeliest(m.misfit**2, told, parts), power))
    _, factors, power = min(fits, key=lambda fit: fit[0])
    near, far = np.sqrt(factors)
    return replace(growth, near=float(near), rate=float(far / spacing ** (power / 2)), power=power)


def _mean_square(values, otherwise: float) -> float:
    values = values[np.isfinite(values)]
    return float(np.mean(values**2)) if len(values) else otherwise


def _likeliest(square, told, parts) -> tuple:
    """Return how unlikely squares of normal deviates are at best, and the factors of the parts.

    Their variance is what is told of it, shape (n,), and the parts, shape (k, n), each times a
    factor of 0 or more.
    """
    size = np.maximum(parts.mean(axis=1), 1e-12)
    parts = parts / size[:, None]
    rest = max(float(np.mean(square - told)), 1e-3 * float(np.mean(told)))
    capped = square

    def unlikely(log):
        factor = np.exp(log)
        variance = told + factor @ parts
        value = np.mean(np.log(variance) + capped / variance)
        pull = (1.0 / variance - capped / variance**2) * parts
        return value, factor * pull.mean(axis=1)

    log = np.full(len(parts), np.log(rest / len(parts)))
    limits = [(log[0] - 12.0, log[0] + 6.0)] * len(parts)
    for _ in range(_ROUNDS):
        log = minimize(unlikely, log, jac=True, method="L-BFGS-B", bounds=limits).x
        capped = np.minimum(square, _MOST_SIGMAS**2 * (told + np.exp(log) @ parts))
    return unlikely(log)[0], np.exp(log) / size


def _folds(nodes: Nodes, spacing: float) -> list:
    """Return masks of the soundings to leave out in turn."""
    free = nodes.kind == SOUNDING
    across = free & cross_lines(nodes)
    few = np.count_nonzero(across) < _LEAST_ACROSS
    squares = free & every_fourth_square(nodes.x, nodes.y, _SQUARE * spacing)
    return [lanes_left_out(nodes, spacing) if few else across, squares]


def _usual_noise(t: SampleWindows) -> float:
    """Return the scatter that most soundings show, or what is taken if they show none."""
    seen = t.square[np.isfinite(t.square)]
    stated = t.nodes.uncert[np.isfinite(t.nodes.uncert)]
    # The median of the square of a normal deviate of unit variance is 0.455.
    noise = float(np.sqrt(np.median(seen) / 0.455)) if len(seen) else 0.0
    if len(stated):
        return max(noise, 1e-3) if len(seen) else float(np.median(stated))
    return max(noise, LEAST_NOISE)


def _scatter_around(x, y, square, around: Grid, spacing: float, noise: float) -> np.ndarray:
    """Return the root mean square scatter of the soundings around each cell, m."""
    known = np.isfinite(square)
    if not known.any():
        return np.full(around.shape, noise)
    (mean,) = means_around(x[known], y[known], around, spacing, square[known])
    # Depths logged in coarse steps may show no scatter at all.
    return np.sqrt(np.maximum(mean, (0.5 * noise) ** 2))


def to_known_depth(f: Frame, distance: np.ndarray) -> np.ndarray:
    """Return the distance to the nearest sounding or to the shore, whose depth is known, m."""
    if f.mask.all():
        return distance
    return np.minimum(distance, distance_transform_edt(f.mask, sampling=f.grid.dx))


def _onto(coarse: Grid, fine: Grid) -> np.ndarray:
    """Return a coarse grid, linear between its centers, on the cells of a fine one."""
    out = coarse.values.astype(np.float32)
    row, _ = coarse.rows_cols(coarse.west, fine.y)
    _, col = coarse.rows_cols(fine.x, coarse.north)
    for axis, at in ((0, row), (1, col)):
        at = at.clip(0, out.shape[axis] - 1)
        low = np.floor(at).astype(int)
        part = (at - low).astype(np.float32)
        part = part[:, None] if axis == 0 else part
        high = np.minimum(low + 1, out.shape[axis] - 1)
        first = out.take(low, axis=axis)
        last = out.take(high, axis=axis)
        last -= first
        last *= part
        first += last
        out = first
    return out


def uncertainty(f: Frame, distance: np.ndarray, growth: Growth) -> np.ndarray:
    """Return the standard uncertainty of each cell, m; NaN where ``distance`` is.

    Parameters
    ----------
    f : Frame
        Its mask gives the distance to the shore, a line of known depth.
    distance : array, shape (rows, cols)
        To the nearest sounding, m.
    growth : Growth

    Notes
    -----
    Level, draft and sound speed err alike in neighboring soundings, which neither their
    scatter nor misfits of lanes left out can show: at least half is kept of what the
    soundings around state beyond their scatter.

    Along the shore, where a method that draws no plane keeps to the depth of the shore, the
    fall of the bottom from there is added as a rectangular distribution (JCGM 2008).

    References
    ----------
    JCGM 100:2008. Evaluation of measurement data: guide to the expression of uncertainty in
    measurement, section 4.3.7.
    """
    s, around = f.soundings, grid_around(f.grid, f.spacing)
    uneven, *slopes = unevenness(f.nodes, around, f.spacing, growth.level)
    square = scatter(s, f.spacing, around, tuple(slopes))
    seen = _scatter_around(s.x, s.y, square, around, f.spacing, growth.noise)
    known = to_known_depth(f, distance)
    sigma = _onto(around.like(uneven**2), f.grid) * growth.square(known)
    if growth.across:
        square = (growth.across * np.hypot(*slopes)) ** 2
        sigma += _onto(around.like(square), f.grid) * known**2
    sigma += _onto(around.like(seen**2), f.grid) * growth.share_squared(known, f.spacing)
    if growth.level and known is not distance:
        # A mean of what lies around hardly falls away from the many nodes of the shore: it may
        # err by anything up to the fall of the bottom (a rectangular distribution).
        beside = np.where(known < distance, known, 0.0)
        square = (slopes[0] ** 2 + slopes[1] ** 2) / 3.0
        sigma += _onto(around.like(square), f.grid) * beside**2
    np.sqrt(sigma, out=sigma)
    stated = np.isfinite(s.uncert)
    if stated.any():
        (square,) = means_around(s.x[stated], s.y[stated], around, f.spacing, s.uncert[stated] ** 2)
        shared = _SHARED * np.sqrt(np.maximum(square - seen**2, 0.0))
        np.maximum(sigma, _onto(around.like(shared), f.grid), out=sigma)
    return sigma
