"""Where the bottom has changed between two visits."""

from __future__ import annotations

from dataclasses import dataclass

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

#: Huber's tuning constant: 95 % efficiency where errors are normal.
_HUBER = 1.345
_ITERATIONS = 12

#: No scatter is believed below this, m: depths are logged in steps of some centimetres.
_LEAST_SCALE = 0.01

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
    changed : bool
        Significant.
    block_m : float
    older_rows : int array
        Rows of the older accepted soundings in changed blocks.
    """

    col: np.ndarray
    row: np.ndarray
    n_older: np.ndarray
    n_newer: np.ndarray
    change: np.ndarray
    uncert: np.ndarray
    slope: np.ndarray
    changed: np.ndarray
    block_m: float
    older_rows: np.ndarray

    def __len__(self) -> int:
        return len(self.change)

    @property
    def level_suspected(self) -> bool:
        """Whether most blocks differ the same way, as a wrong water level makes them."""
        signs = np.sign(self.change[self.changed])
        return bool(len(self) >= 10 and abs(signs.sum()) > 0.5 * len(self))

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


def bottom_change(
    older: Soundings,
    newer: Soundings,
    *,
    block_m: float = 20.0,
    reach_m: float = 5.0,
    min_soundings: int = 5,
    min_change_m: float = 0.2,
    position_m: float = 1.0,
    depth_m: float = 0.15,
    confidence: float = 0.95,
    progress: Progress = silent,
) -> BottomChange:
    """Compare the depths of two visits, block by block, where they lie near each other.

    Parameters
    ----------
    older, newer : Soundings
        At one datum; only accepted ones are used.
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
    progress : callable

    Returns
    -------
    BottomChange
        In order from south-west to north-east.

    Raises
    ------
    LakefloorError
        If a parameter is out of range.

    Notes
    -----
    In each block a common plane with a step between the visits, ``d = a + b [newer] + gx x + gy
    y``, is fitted robustly (Huber); ``b`` is the change, freed of distance and slope. Before the
    soundings tell it, each component of the slope is taken as 0 with a standard deviation of
    0.3, so that a step across parallel lanes, which could as well be a slope, is uncertain.
    A block has changed where ``|b| > z sqrt(se(b)**2 + u_older**2 + u_newer**2 + 2 (slope
    position_m)**2 + scatter**2)``. The uncertainties of soundings are not divided by their
    number: level, draft and sound speed are in error alike throughout a visit. The scatter about
    the plane stands for the bottom's curvature.

    References
    ----------
    Huber, P. J. (1981). Robust Statistics, chapter 7. Wiley.
    Draper, N. R., & Smith, H. (1998). Applied Regression Analysis, 3rd ed., chapter 14 (dummy
    variables: lines or planes that differ by a step). Wiley.
    JCGM 100:2008. Guide to the expression of uncertainty in measurement, 5.1 and 5.2.
    """
    _check(block_m, reach_m, min_soundings, min_change_m, position_m, depth_m, confidence)
    rows = [np.flatnonzero(s.accepted & np.isfinite(s.x) & np.isfinite(s.y))
            for s in (older, newer)]
    every = rows[0]
    near = _near(older, rows[0], newer, rows[1], reach_m)
    rows = [r[n] for r, n in zip(rows, near)]
    progress(0.3)

    def both(name):
        return np.concatenate([getattr(s, name)[r] for s, r in zip((older, newer), rows)])

    x, y, depth, uncert = (both(name) for name in ("x", "y", "depth", "uncert"))
    uncert = stated_uncertainty(uncert)
    uncert = np.where(np.isfinite(uncert), uncert, depth_m)
    step = np.repeat([0.0, 1.0], [r.size for r in rows])
    *col_row, block, _ = square_blocks(x, y, block_m)
    keys = np.column_stack(col_row)
    n_newer = np.bincount(block, step, keys.shape[0]).astype(int)
    n_older = np.bincount(block, minlength=keys.shape[0]) - n_newer
    tested = (n_older >= min_soundings) & (n_newer >= min_soundings)
    used = tested[block]
    number = np.cumsum(tested) - 1
    x, y, depth, uncert, step = (v[used] for v in (x, y, depth, uncert, step))
    block, keys = number[block[used]], keys[tested]
    n_older, n_newer = n_older[tested], n_newer[tested]
    centre = (keys + 0.5) * block_m
    u, v = (x - centre[block, 0]) / block_m, (y - centre[block, 1]) / block_m
    progress(0.4)
    change, se, slope, scatter = _fit(block, keys.shape[0], step, u, v, depth, block_m)
    progress(0.9)
    squares = [
        np.bincount(block, uncert**2 * own, keys.shape[0]) / n
        for own, n in ((1.0 - step, n_older), (step, n_newer))
    ]
    total = np.sqrt(
        se**2 + squares[0] + squares[1] + 2.0 * (slope * position_m) ** 2 + scatter**2
    )
    beyond = norm.ppf(0.5 + 0.5 * confidence) * total
    changed = (np.abs(change) > beyond) & (np.abs(change) >= min_change_m)
    progress(1.0)
    return BottomChange(
        keys[:, 0], keys[:, 1], n_older, n_newer, change, total, slope, changed, block_m,
        every[_within(older.x[every], older.y[every], block_m, keys[changed])],
    )


def _check(block, reach, count, least, position, depth, confidence):
    for name, value in (("Block size", block), ("Maximum distance", reach)):
        if not (np.isfinite(value) and value > 0.0):
            raise LakefloorError(f"{name} must be above 0 m; got {written(value, 'g')}.")
    if count < 3:
        raise LakefloorError(f"A block needs at least 3 soundings of each visit; got {count}.")
    for name, value in (("Minimum change", least), ("Position uncertainty", position),
                        ("Depth uncertainty", depth)):
        if not (np.isfinite(value) and value >= 0.0):
            raise LakefloorError(f"{name} must be at least 0 m; got {written(value, 'g')}.")
    if not 0.5 <= confidence < 1.0:
        raise LakefloorError(
            f"Confidence must be from 0.5 to below 1; got {written(confidence, 'g')}."
        )


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


def _within(x, y, size, keys):
    """Return a mask of the points that lie in one of the blocks."""
    if keys.shape[0] == 0:
        return np.zeros(x.size, bool)
    col, row = (np.floor(v / size).astype(np.int64) for v in (x, y))
    (west, south), (east, north) = keys.min(axis=0), keys.max(axis=0)
    inside = (col >= west) & (col <= east) & (row >= south) & (row <= north)
    width = east - west + 1
    wanted = (keys[:, 1] - south) * width + keys[:, 0] - west
    return inside & np.isin((row - south) * width + col - west, wanted)


def _fit(block, k, step, u, v, depth, size):
    """Return step, its standard error, slope and scatter of each block's plane."""
    columns = (np.ones(depth.size), step, u, v)
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
        misfit = np.abs(d - sum(c * unknown[block, i] for i, c in enumerate(columns)))
        count = np.bincount(block, minlength=k)
        scale = 1.4826 * _medians(block, misfit, k) * np.sqrt(count / (count - 2.0))
        scale = np.maximum(scale, _LEAST_SCALE)
        weight = np.minimum(1.0, _HUBER * scale[block] / np.maximum(misfit, 1e-300))
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
