"""An older map against the depths of a survey, where they overlap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import f as f_distribution

from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from .difference_covariance import Covariance, fit_covariance
from .older_map import extended, rate_of_change

#: Terms of the map's bias: ``older(x + shift) = offset + scale * depth(x)``.
OFFSET_TERM, SCALE_TERM, EAST_TERM, NORTH_TERM = range(4)
#: No spread is believed below this, m.
LEAST_SPREAD = 0.005
_LEAST_OVERLAP = 50
_MOST_SAMPLES = 60_000
_BLOCKS = 200
# Huber's tuning constant: 95 % efficiency where errors are normal.
_HUBER = 1.345
_ITERATIONS = 25
# Misfits are taken to be no larger than so many robust standard deviations.
_CLIP = 3.0
# Without this much difference of depth, as a standard deviation in m, scale is not estimated.
_LEAST_RELIEF = 0.1


class Overlap(NamedTuple):
    """Cells with a depth of the survey and one of the older map, thinned if they are many.

    Attributes
    ----------
    x, y : array, shape (n,)
        m.
    depth, sigma : array, shape (n,)
        The survey's depth and its standard uncertainty, m.
    block : array of int, shape (n,)
        Which block each cell belongs to, of some two hundred.
    middles : array, shape (k, 2)
        Of the blocks, m.
    beyond : array, shape (2, 2)
        Mean products of the distances, east and north, from the middle of the blocks to the
        map's other cells, m2; 0 if there are none.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    sigma: np.ndarray
    block: np.ndarray
    middles: np.ndarray
    beyond: np.ndarray

    @property
    def terms(self) -> list:
        """Offset and, unless the bottom is level, scale."""
        return [OFFSET_TERM] if np.std(self.depth) < _LEAST_RELIEF else [OFFSET_TERM, SCALE_TERM]


class BiasFit(NamedTuple):
    """Terms of the bias, fitted.

    Attributes
    ----------
    values, covariance : array, shape (m,) and (m, m)
        The scale's value is that above 1.
    spread : float
        Robust standard deviation of the misfits that are left, m.
    misfit : array, shape (k,)
        Their means by block, m.
    drift : array, shape (k, m)
        Means by block of what the terms are multiplied with.
    structure : Covariance
        Of the misfits by block.
    independent : float
        Blocks that are as good as independent.
    """

    values: np.ndarray
    covariance: np.ndarray
    spread: float
    misfit: np.ndarray
    drift: np.ndarray
    structure: Covariance
    independent: float

    def chance(self, value: ArrayLike, covariance: ArrayLike) -> float:
        """Return the probability of a value as far from 0 (Wald's F test)."""
        value = np.atleast_1d(value)
        statistic = value @ np.linalg.pinv(np.atleast_2d(covariance)) @ value / len(value)
        freedom = max(self.independent - 1.0, 1.0)
        return float(f_distribution.sf(float(statistic), len(value), freedom))


class MapComparison(NamedTuple):
    """An older map against the depths of a survey; see :func:`compare`.

    Attributes
    ----------
    overlap : Overlap
    depth : Grid
        The map, carried on beyond its rim, so that a trial shift loses no cell; m.
    east, north : Grid
        Its rate of change, m per m.
    """

    overlap: Overlap
    depth: Grid
    east: Grid
    north: Grid

    def fit(
        self, terms: Sequence[int], shift: ArrayLike = (0.0, 0.0), progress: Progress = silent
    ) -> BiasFit:
        """BiasFit terms of the bias to the map moved back by a shift, east and north, m.

        Notes
        -----
        Iteratively reweighted least squares with Huber's weights (Huber 1964), over the
        survey's own uncertainty. Misfits of neighboring cells are near-copies, so the
        standard errors follow from how the means of blocks hang together.

        References
        ----------
        Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical
        Statistics 35(1), 73-101.
        """
        overlap, grid = self.overlap, self.depth
        x = np.clip(overlap.x + shift[0], grid.x[0], grid.x[-1])
        y = np.clip(overlap.y + shift[1], grid.y[-1], grid.y[0])
        columns = {
            OFFSET_TERM: np.ones(len(x)), SCALE_TERM: overlap.depth,
            EAST_TERM: -self.east.sample(x, y), NORTH_TERM: -self.north.sample(x, y),
        }  # fmt: skip

        def of(chosen):
            return np.column_stack([columns[term] for term in chosen])

        # Blunders are cut down alike for all sets of terms, so that their misfits compare.
        every = of(sorted({OFFSET_TERM, SCALE_TERM, *terms}))
        beta, _, residual, spread = _huber(
            every, grid.sample(x, y) - overlap.depth, overlap.sigma, span(progress, 0.0, 0.5)
        )
        sound = every @ beta + residual.clip(-_CLIP * spread, _CLIP * spread)
        return _fit(of(terms), sound, overlap, span(progress, 0.5, 1.0))


def find_overlap(older: Grid, survey: Surface) -> Overlap:
    """Return the cells with both depths; map and survey are grids of one geometry.

    Raises
    ------
    LakefloorError
        If there are fewer than 50.
    """
    drawn, surveyed = np.isfinite(older.values), np.isfinite(survey.depth.values)
    both = drawn & surveyed
    count = np.count_nonzero(both)
    if count < _LEAST_OVERLAP:
        raise LakefloorError(
            f"The survey and the older map have too few cells in common: {count}, and "
            f"{_LEAST_OVERLAP} are needed. Check the CRS of both, and the shoreline."
        )
    cells = _thinned(both)
    xy = _places(older, cells)
    side = np.sqrt(count * older.dx * older.dy / _BLOCKS)
    corner = np.floor((xy - xy.min(axis=0)) / side)
    _, block = np.unique(corner, axis=0, return_inverse=True)
    block = block.ravel()
    middles = _means(block, xy)
    away = _places(older, np.nonzero(drawn & ~surveyed)) - middles.mean(axis=0)
    x, y = xy.T
    return Overlap(
        x,
        y,
        survey.depth.values[cells],
        np.nan_to_num(survey.bands[1].values[cells]),
        block,
        middles,
        away.T @ away / max(len(away), 1),
    )


def compare(older: Grid, overlap: Overlap) -> MapComparison:
    """Make an older map ready to be compared with the survey where they overlap."""
    whole = extended(older)
    return MapComparison(overlap, whole, *rate_of_change(whole))


def _thinned(cells) -> tuple:
    """Return rows and columns of cells, of every n-th row and column if they are many."""
    every = max(int(np.sqrt(np.count_nonzero(cells) / _MOST_SAMPLES)), 1)
    while True:
        rows, cols = np.nonzero(cells[::every, ::every])
        if len(rows) >= _LEAST_OVERLAP or every == 1:
            return rows * every, cols * every
        every -= 1


def _places(grid: Grid, cells) -> np.ndarray:
    """Return the positions of cells, rows and columns, shape (n, 2), m."""
    rows, cols = cells
    return np.column_stack([grid.x[cols], grid.y[rows]])


def _sums(block, values) -> np.ndarray:
    """Return sums of columns of values, shape (n, m), by block, shape (k, m)."""
    return np.stack([np.bincount(block, column) for column in values.T], axis=1)


def _means(block, values) -> np.ndarray:
    return _sums(block, values) / np.bincount(block)[:, None]


def _huber(columns, response, sigma, progress) -> tuple:
    """BiasFit by Huber's weights; return estimates, weights, residuals and their spread."""
    beta = np.full(columns.shape[1], np.nan)
    weight = np.ones(len(response))
    for step in range(_ITERATIONS):
        progress(step / _ITERATIONS)
        root = np.sqrt(weight)
        found = np.linalg.lstsq(columns * root[:, None], response * root, rcond=None)[0]
        residual = response - columns @ found
        spread = max(1.4826 * float(np.median(np.abs(residual))), LEAST_SPREAD)
        usual = np.hypot(spread, sigma)
        weight = 1.0 / np.maximum(np.abs(residual) / usual / _HUBER, 1.0) / usual**2
        settled = np.allclose(found, beta, rtol=1e-7, atol=1e-9)
        beta = found
        if settled:
            break
    return beta, weight, residual, spread


def _fit(columns, response, overlap: Overlap, progress) -> BiasFit:
    """BiasFit by Huber's weights; the standard errors follow from how the misfits hang together."""
    beta, weight, residual, spread = _huber(columns, response, overlap.sigma, progress)
    misfit = _means(overlap.block, residual[:, None])[:, 0]
    structure = fit_covariance(overlap.middles, misfit, (0.1 * LEAST_SPREAD) ** 2)
    among = structure.among(overlap.middles)
    normal = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    pull = normal @ _sums(overlap.block, weight[:, None] * columns).T
    return BiasFit(
        beta,
        pull @ among @ pull.T,
        spread,
        misfit,
        _means(overlap.block, columns),
        structure,
        float((structure.sill + structure.nugget) / among.mean()),
    )
