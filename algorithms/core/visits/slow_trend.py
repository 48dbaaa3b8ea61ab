"""A bottom that changes slowly, as silt settles: a trend over the visits of years."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .bottom_change import BottomChange, ChangeTest

#: Older visits that must tell of it, blocks that each must share with the newer one, and years.
_LEAST_VISITS, _LEAST_BLOCKS, _LEAST_YEARS = 3, 20, 2.0
#: Part of the blocks, the shallowest, that is taken to be stable ground.
_STABLE = 0.25
#: A block changes slowly where its rate exceeds so many times the scatter on stable ground, and
#: so many such blocks hang together.
_CLEAR, _TOGETHER = 3.0, 16
#: Standard deviation of normal errors in median absolute deviations.
_MAD = 1.4826


@dataclass(frozen=True)
class SlowTrend:
    """Change in proportion to time over part of a lake.

    Attributes
    ----------
    rate, rate_sd : float
        m per year, positive where it becomes deeper, and its standard uncertainty.
    area : float
        m².
    depth : float
        Above this depth, m, ground was taken to be stable.
    years : float
        From the first to the last visit.
    visits : int
    """

    rate: float
    rate_sd: float
    area: float
    depth: float
    years: float
    visits: int


def slow_trend(found: list[BottomChange], years: np.ndarray, test: ChangeTest) -> tuple:
    """Find a slow trend in how a newer visit differs from several older ones.

    Parameters
    ----------
    found : list of BottomChange
        One for each older visit.
    years : array, shape (n,)
        From that visit to the newer one; NaN where unknown.
    test : ChangeTest

    Returns
    -------
    trend : SlowTrend or None
    found : list of BottomChange
        Judged against the trend: what is explained by it is not changed.

    Notes
    -----
    Levels are compared on the shallowest quarter of the blocks, where waves leave no silt (Håkanson
    & Jansson 1983): the median change there is taken off each visit. The rate of a block is that
    of a line through the newer visit; blocks are averaged with their neighbors. Where at least 16
    that hang together exceed three times the scatter on stable ground, and their mean change over
    the visits is closer to a line than to a step between any two of them, they change slowly. A
    level cannot be the cause, unless the shallow ground itself has moved.

    References
    ----------
    Håkanson, L., & Jansson, M. (1983). Principles of Lake Sedimentology, chapter 7. Springer.
    """
    years = np.asarray(years, float)
    used = [
        k
        for k, f in enumerate(found)
        if np.isfinite(years[k]) and years[k] > 0.0 and len(f) >= _LEAST_BLOCKS
    ]
    if len(used) < _LEAST_VISITS or years[used].max() < _LEAST_YEARS:
        return None, found
    blocks = _Rates.of([found[k] for k in used], years[used])
    slow = blocks.slow()
    if not slow.any():
        return None, found
    rate, rate_sd = blocks.rate(slow)
    if not _is_a_line(*blocks.mean_changes(slow)):
        return None, found
    trend = SlowTrend(
        rate,
        rate_sd,
        np.count_nonzero(slow) * test.block_m**2,
        blocks.limit,
        float(years[used].max()),
        len(used) + 1,
    )
    judged = list(found)
    slow_keys = set(map(tuple, blocks.keys[slow].tolist()))
    for k, shift in zip(used, blocks.shifts):
        f = found[k]
        own = np.array([key in slow_keys for key in zip(f.col.tolist(), f.row.tolist())])
        # At its rim the trend fades out: each block is judged by what is nearer to it.
        expected, moved = rate * years[k], f.change - shift
        own &= np.abs(moved - expected) < np.abs(moved)
        judged[k] = f.judged(test, shift, own * expected)
    return trend, judged


@dataclass(frozen=True)
class _Rates:
    """Changes of blocks beside several older visits, and their rates.

    ``keys`` and ``rates``, m per year, have one row a block; ``block``, ``visit``, ``change``, m,
    and ``years`` one row a comparison. ``shifts``, m, is the change of stable ground beside each
    visit, ``stable`` which blocks that is, down to the depth ``limit``, m.
    """

    keys: np.ndarray
    rates: np.ndarray
    stable: np.ndarray
    limit: float
    shifts: list
    block: np.ndarray
    visit: np.ndarray
    change: np.ndarray
    years: np.ndarray

    @classmethod
    def of(cls, found, years):
        limit = float(np.quantile(np.concatenate([f.depth for f in found]), _STABLE))
        shifts = [
            float(np.median(f.change[f.depth <= limit])) if np.any(f.depth <= limit) else f.shift
            for f in found
        ]
        keys, block = np.unique(
            np.concatenate([np.column_stack([f.col, f.row]) for f in found]),
            axis=0,
            return_inverse=True,
        )
        block = block.ravel()
        visit = np.repeat(np.arange(len(found)), [len(f) for f in found])
        change = np.concatenate([f.change - shift for f, shift in zip(found, shifts)])
        weight = np.concatenate([f.uncert for f in found]) ** -2.0
        over = years[visit]
        rates = np.bincount(block, weight * over * change) / np.bincount(block, weight * over**2)
        depth = np.bincount(block, np.concatenate([f.depth for f in found])) / np.bincount(block)
        return cls(keys, rates, depth <= limit, limit, shifts, block, visit, change, over)

    def slow(self):
        """Mark the blocks that change slowly to the side to which more do."""
        near = cKDTree(self.keys).sparse_distance_matrix(cKDTree(self.keys), 1.5).tocoo()
        count = np.bincount(near.row, minlength=len(self.keys)) + 1.0
        # Its distance to itself is none, which a sparse matrix leaves out.
        total = self.rates + np.bincount(near.row, self.rates[near.col], len(self.keys))
        smooth = total / count
        if np.count_nonzero(self.stable) < 5:
            return np.zeros(len(self.keys), bool)
        middle = np.median(smooth[self.stable])
        scatter = _MAD * np.median(np.abs(smooth[self.stable] - middle))
        sides = [sign * smooth > _CLEAR * scatter for sign in (-1.0, 1.0)]
        clear = max(sides, key=np.count_nonzero) & ~self.stable
        part = _parts(clear, near)
        core = clear & (np.bincount(part)[part] >= _TOGETHER)
        if not core.any():
            return core
        # From there as far as half the rate.
        rate = np.median(smooth[core])
        wide = core | (np.sign(rate) * smooth > max(0.5 * abs(rate), scatter)) & ~self.stable
        part = _parts(wide, near)
        return wide & np.isin(part, part[core])

    def rate(self, slow):
        """Return the rate of slow blocks, m per year, and its standard uncertainty."""
        rates, still = self.rates[slow], self.rates[self.stable]
        rate = float(np.median(rates))
        # Blocks beside each other, about four, err alike; medians are 1.25 times as unsure as means.
        own = [
            1.25 * _MAD * np.median(np.abs(v - np.median(v))) / np.sqrt(max(len(v) / 4.0, 1.0))
            for v in (rates, still)
        ]
        years, mean, _ = self.mean_changes(slow)
        misfit = np.sqrt(((mean - rate * years) ** 2).sum() / max(len(years) - 1, 1))
        return rate, float(np.sqrt(own[0] ** 2 + own[1] ** 2 + misfit**2 / (years**2).sum()))

    def mean_changes(self, slow):
        """Return years and mean change of slow blocks beside each visit, and their number."""
        own = slow[self.block]
        count = np.bincount(self.visit[own], minlength=len(self.shifts))
        total = np.bincount(self.visit[own], self.change[own], len(self.shifts))
        years = np.array([self.years[self.visit == v][0] for v in range(len(self.shifts))])
        held = count > 0
        return years[held], total[held] / count[held], count[held]


def _parts(marked, near):
    """Return numbers of blocks, alike where marked ones hang together."""
    both = marked[near.row] & marked[near.col]
    graph = coo_matrix((np.ones(both.sum()), (near.row[both], near.col[both])), shape=near.shape)
    return connected_components(graph, directed=False)[1]


def _is_a_line(years, change, count) -> bool:
    """Say whether changes grow with time rather than in one step between two visits."""
    if len(years) < _LEAST_VISITS:
        return False
    line = (count * years * change).sum() / (count * years**2).sum()
    left = (count * (change - line * years) ** 2).sum()
    for first in np.unique(years):
        after = years >= first
        step = np.average(change[after], weights=count[after])
        if left >= (count * (change - step * after) ** 2).sum():
            return False
    return True
