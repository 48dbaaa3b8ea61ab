"""Where the bottom has changed between two visits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import norm
from shapely.geometry import box

from ..blocks import square_blocks
from ..errors import LakefloorError
from ..grid import Areas
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, stated_uncertainty

#: Huber's tuning constant: 95% efficiency where errors are normal.
_HUBER = 1.345
_ITERATIONS = 12

#: No scatter is believed below this, m: depths are logged in steps of some centimeters.
_LEAST_SCALE = 0.01

#: A shift of all blocks is taken for an error of the levels up to this, m, where so many blocks
#: or more are compared.
_MOST_SHIFT, _LEAST_BLOCKS = 0.25, 10

#: Standard deviation of the bottom's slope, m per m, before a block's soundings tell it.
_SLOPE_PRIOR = 0.3


@dataclass(frozen=True)
class BottomChange:
    """Differences of depth by block. Every array has one row a tested block.

    Attributes
    ----------
    col, row : int
        Block number: its west and south edges are ``col * block_m`` and ``row * block_m``.
    n_older, n_newer : int
        Soundings compared.
    change : float
        Newer less older depth, m: positive where it is deeper now.
    uncert : float
        One standard deviation of ``change``, m.
    slope : float
        Of the bottom, m per m.
    depth : float
        Mean depth of the soundings compared, m.
    changed : bool
        Significant.
    block_m : float
    shift : float
        Change of what has not changed, m: the error of the two levels, as most blocks show it.
    trend : float array
        Change beyond that to be expected of each block, m, where the bottom changes slowly.
    """

    col: np.ndarray
    row: np.ndarray
    n_older: np.ndarray
    n_newer: np.ndarray
    change: np.ndarray
    uncert: np.ndarray
    slope: np.ndarray
    depth: np.ndarray
    changed: np.ndarray
    block_m: float
    shift: float
    trend: np.ndarray

    def __len__(self) -> int:
        return len(self.change)

    @property
    def level_suspected(self) -> bool:
        """Whether most blocks differ the same way, as a wrong water level makes them."""
        signs = np.sign(self.change[self.changed])
        return bool(len(self) >= 10 and abs(signs.sum()) > 0.5 * len(self))

    @property
    def moved(self) -> np.ndarray:
        """Change of each block beyond what is expected of it, m."""
        return self.change - self.shift - self.trend

    @property
    def candidates(self) -> np.ndarray:
        """Blocks that may have changed, though not beyond doubt: by more than their uncertainty."""
        return self.changed | (np.abs(self.moved) > self.uncert)

    def expected(self, x: np.ndarray, y: np.ndarray) -> np.ndarray | float:
        """Return the change to be expected at places, m: that of the nearest tested block."""
        if not np.any(self.trend):
            return self.shift
        centers = (np.column_stack([self.col, self.row]) + 0.5) * self.block_m
        return self.shift + self.trend[cKDTree(centers).query(np.column_stack([x, y]))[1]]

    def judged(self, test: ChangeTest, shift: float, trend: np.ndarray) -> BottomChange:
        """Return the same blocks, judged against another change that was to be expected."""
        judged = replace(self, shift=shift, trend=trend)
        moved = np.abs(judged.moved)
        beyond = norm.ppf(0.5 + 0.5 * test.confidence) * self.uncert
        return replace(judged, changed=(moved > beyond) & (moved >= test.min_change_m))

    def areas(self) -> Areas:
        """Return the changed blocks as squares."""
        rows = np.flatnonzero(self.changed)
        size = self.block_m
        squares = [
            box(c * size, r * size, (c + 1) * size, (r + 1) * size)
            for c, r in zip(self.col[rows].tolist(), self.row[rows].tolist())
        ]
        names = ("change", "uncert", "slope", "n_older", "n_newer")
        return Areas(squares, {name: getattr(self, name)[rows] for name in names})


@dataclass(frozen=True)
class ChangeTest:
    """When the bottom between two visits counts as changed.

    Attributes
    ----------
    block_m : float
        Side of a block, m.
    reach_m : float
        Soundings with none of the other visit within this distance are not compared, m.
    min_soundings : int
        Fewest soundings of each visit in a block; with fewer it is not tested.
    min_change_m : float
        Smaller changes are not reported, however sure, m.
    position_m : float
        Standard uncertainty of a visit's positions, m.
    depth_m : float
        Standard uncertainty of a depth that does not state its own, m.
    confidence : float
        Probability that a block without change is not called changed.

    Raises
    ------
    LakefloorError
        If one is out of range.
    """

    block_m: float = 20.0
    reach_m: float = 5.0
    min_soundings: int = 5
    min_change_m: float = 0.2
    position_m: float = 1.0
    depth_m: float = 0.15
    confidence: float = 0.95

    def __post_init__(self):
        for name, value in (("Block size", self.block_m), ("Maximum distance", self.reach_m)):
            if not (np.isfinite(value) and value > 0.0):
                raise LakefloorError(f"{name} must be above 0 m; got {written(value, 'g')}.")
        if self.min_soundings < 3:
            raise LakefloorError(
                "A block needs at least 3 soundings of each visit; got "
                f"{written(self.min_soundings)}."
            )
        for name, value in (
            ("Minimum change", self.min_change_m),
            ("Position uncertainty", self.position_m),
            ("Depth uncertainty", self.depth_m),
        ):
            if not (np.isfinite(value) and value >= 0.0):
                raise LakefloorError(f"{name} must be at least 0 m; got {written(value, 'g')}.")
        if not 0.5 <= self.confidence < 1.0:
            raise LakefloorError(
                f"Confidence must be from 0.5 to below 1; got {written(self.confidence, 'g')}."
            )


def bottom_change(
    older: Soundings,
    newer: Soundings,
    test: ChangeTest | None = None,
    *,
    progress: Progress = silent,
) -> BottomChange:
    """Compare the depths of two visits, block by block, where they lie near each other.

    Parameters
    ----------
    older, newer : Soundings
        At one datum; only accepted ones are used.
    test : ChangeTest, optional
    progress : callable

    Returns
    -------
    BottomChange
        In order from south-west to north-east.

    Notes
    -----
    In each block a common plane with a step between the visits, ``d = a + b [newer] + gx x + gy
    y``, is fitted robustly (Huber); ``b`` is the change, freed of distance and slope. Before the
    soundings tell it, each component of the slope is taken as 0 with a standard deviation of
    0.3, so that a step across parallel lanes, which could as well be a slope, is uncertain.
    A block has changed where ``|b| > z sqrt(se(b)**2 + u_older**2 + u_newer**2 + 2 (slope
    position_m)**2 + scatter**2)``. The uncertainties of soundings are not divided by their
    number: level, draft and sound speed are in error alike throughout a visit. The scatter about
    the plane stands for the bottom's curvature. ``b`` is counted from the shift that the narrowest
    half of the blocks shows (the shorth, Rousseeuw & Leroy 1988), as far as a level can be off.

    References
    ----------
    Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    Rousseeuw, P. J., & Leroy, A. M. (1988). A robust scale estimator based on the shortest half.
    Statistica Neerlandica 42(2), 103-116.
    Draper, N. R., & Smith, H. (1998). Applied Regression Analysis, 3rd ed., chapter 14 (dummy
    variables: lines or planes that differ by a step). Wiley.
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 5.1 and 5.2.

    Examples
    --------
    A bar of 0.8 m over 10 m by 10 m, where soundings lie 1 m apart:

    >>> import numpy as np
    >>> x, y = (v.ravel() * 1.0 for v in np.meshgrid(np.arange(20), np.arange(20)))
    >>> filled = (x >= 10) & (y >= 10)
    >>> found = bottom_change(Soundings.build(x, y, 5.0 + 0.01 * x),
    ...                       Soundings.build(x, y, 5.0 + 0.01 * x - 0.8 * filled),
    ...                       ChangeTest(block_m=10.0))
    >>> [bool(c) for c in found.changed], round(float(found.change[3]), 2)
    ([False, False, False, True], -0.8)
    """
    test = test or ChangeTest()
    usable = [
        np.flatnonzero(s.accepted & np.isfinite(s.x) & np.isfinite(s.y)) for s in (older, newer)
    ]
    near = _near(older, usable[0], newer, usable[1], test.reach_m)
    progress(0.3)
    blocks = _tested_blocks((older, newer), [r[n] for r, n in zip(usable, near)], test)
    progress(0.4)
    change, std_error, slope, scatter = _fit(blocks, test.block_m)
    progress(0.9)
    older_squared, newer_squared = blocks.squared_uncertainties()
    total = np.sqrt(
        std_error**2
        + older_squared
        + newer_squared
        + 2.0 * (slope * test.position_m) ** 2
        + scatter**2
    )
    none = np.zeros(len(change))
    progress(1.0)
    return BottomChange(
        blocks.keys[:, 0],
        blocks.keys[:, 1],
        blocks.n_older,
        blocks.n_newer,
        change,
        total,
        slope,
        blocks.mean_depth(),
        none > 0.0,
        test.block_m,
        0.0,
        none,
    ).judged(test, _shift(change, total), none)


@dataclass(frozen=True)
class _Blocks:
    """Blocks with enough soundings of both visits, and these soundings, one row each.

    ``keys`` is column and row of each block; ``block`` the block of a sounding, ``step`` 1 for one
    of the newer visit, ``u`` and ``v`` its place within the block, in sides from its center.
    """

    keys: np.ndarray
    n_older: np.ndarray
    n_newer: np.ndarray
    block: np.ndarray
    step: np.ndarray
    u: np.ndarray
    v: np.ndarray
    depth: np.ndarray
    uncert: np.ndarray

    def mean_depth(self):
        """Return the mean depth of each block, m."""
        return np.bincount(self.block, self.depth, self.keys.shape[0]) / (
            self.n_older + self.n_newer
        )

    def squared_uncertainties(self):
        """Return the mean squares of the older and the newer visit, m²."""
        return [
            np.bincount(self.block, self.uncert**2 * own, self.keys.shape[0]) / n
            for own, n in ((1.0 - self.step, self.n_older), (self.step, self.n_newer))
        ]


def _tested_blocks(visits, rows, test):
    """Sort soundings of both visits into blocks, and leave out blocks with too few."""

    def both(name):
        return np.concatenate([getattr(s, name)[r] for s, r in zip(visits, rows)])

    x, y, depth, uncert = (both(name) for name in ("x", "y", "depth", "uncert"))
    uncert = stated_uncertainty(uncert)
    uncert = np.where(np.isfinite(uncert), uncert, test.depth_m)
    step = np.repeat([0.0, 1.0], [r.size for r in rows])
    *col_row, block, _ = square_blocks(x, y, test.block_m)
    keys = np.column_stack(col_row)
    n_newer = np.bincount(block, step, keys.shape[0]).astype(int)
    n_older = np.bincount(block, minlength=keys.shape[0]) - n_newer
    tested = (n_older >= test.min_soundings) & (n_newer >= test.min_soundings)
    used = tested[block]
    number = np.cumsum(tested) - 1
    x, y, depth, uncert, step = (v[used] for v in (x, y, depth, uncert, step))
    block, keys = number[block[used]], keys[tested]
    center = (keys + 0.5) * test.block_m
    u, v = (x - center[block, 0]) / test.block_m, (y - center[block, 1]) / test.block_m
    return _Blocks(keys, n_older[tested], n_newer[tested], block, step, u, v, depth, uncert)


def _near(older, rows_a, newer, rows_b, reach):
    """Return masks of the rows that have one of the other visit within reach."""
    if rows_a.size == 0 or rows_b.size == 0:
        return np.zeros(rows_a.size, bool), np.zeros(rows_b.size, bool)
    a = np.column_stack([older.x[rows_a], older.y[rows_a]])
    b = np.column_stack([newer.x[rows_b], newer.y[rows_b]])
    return tuple(
        np.isfinite(cKDTree(one).query(other, distance_upper_bound=reach)[0])
        for one, other in ((b, a), (a, b))
    )


def _shift(change, uncert) -> float:
    """Return the change that most blocks show, m: 0 where few blocks, or no level, explain it."""
    if len(change) < _LEAST_BLOCKS:
        return 0.0
    ranked = np.sort(change)
    half = len(ranked) // 2
    widths = ranked[half:] - ranked[: len(ranked) - half]
    at = int(widths.argmin())
    core = (change >= ranked[at]) & (change <= ranked[at + half])
    shift = float(np.average(change[core], weights=uncert[core] ** -2.0))
    return shift if abs(shift) <= _MOST_SHIFT else 0.0


def _fit(blocks, size):
    """Return step, its standard error, slope and scatter of each block's plane."""
    block, depth, k = blocks.block, blocks.depth, blocks.keys.shape[0]
    columns = (np.ones(depth.size), blocks.step, blocks.u, blocks.v)
    prior = (_SLOPE_PRIOR * size) ** -2
    weight = np.ones(depth.size)
    scale = np.full(k, 0.1)
    middle = np.bincount(block, depth, k) / np.maximum(np.bincount(block, minlength=k), 1)
    d = depth - middle[block]
    unknown = np.zeros((k, 4))
    for _ in range(_ITERATIONS):
        normal, right = np.zeros((k, 4, 4)), np.zeros((k, 4))
        for i, a in enumerate(columns):
            wa = weight * a
            right[:, i] = np.bincount(block, wa * d, k)
            for j in range(i + 1):
                normal[:, i, j] = normal[:, j, i] = np.bincount(block, wa * columns[j], k)
        normal[:, 2, 2] += prior * scale**2
        normal[:, 3, 3] += prior * scale**2
        before, unknown = unknown, np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        difference = np.abs(d - sum(c * unknown[block, i] for i, c in enumerate(columns)))
        count = np.bincount(block, minlength=k)
        scale = 1.4826 * _medians(block, difference, k) * np.sqrt(count / (count - 2.0))
        scale = np.maximum(scale, _LEAST_SCALE)
        weight = np.minimum(1.0, _HUBER * scale[block] / np.maximum(difference, 1e-300))
        if np.abs(unknown - before).max(initial=0.0) < 1e-4:
            break
    variance = scale**2 * np.linalg.inv(normal)[:, 1, 1] if k else np.empty(0)
    return unknown[:, 1], np.sqrt(variance), np.hypot(unknown[:, 2], unknown[:, 3]) / size, scale


def _medians(block, values, k):
    """Return the median of each block's values."""
    ranked = np.lexsort((values, block))
    counts = np.bincount(block, minlength=k)
    first = np.cumsum(counts) - counts
    low = values[ranked[first + (counts - 1) // 2]] if k else np.empty(0)
    high = values[ranked[first + counts // 2]] if k else np.empty(0)
    return 0.5 * (low + high)
