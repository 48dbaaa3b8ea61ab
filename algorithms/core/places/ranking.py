"""The best places of a grid, by score, with a distance between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.special import erf

from ..errors import LakefloorError
from ..grid import Grid
from ..units import LENGTH

#: Default tolerance of depth, m: 2 feet.
TOLERANCE_M = 2.0 * LENGTH["ft"]


@dataclass(frozen=True)
class Ranking:
    """How many places are kept, how far apart they are, and what doubt lowers their score.

    Attributes
    ----------
    number : int
        At most so many places.
    spacing_m : float
        No two places are nearer to each other, m.
    tolerance_m : float
        An error of depth that would not matter, m.

    Raises
    ------
    LakefloorError
        If one of them is out of range.
    """

    number: int = 15
    spacing_m: float = 40.0
    tolerance_m: float = TOLERANCE_M

    def __post_init__(self) -> None:
        for name, value, good in (
            ("maximum number", self.number, self.number >= 1),
            ("minimum distance", self.spacing_m, 0.0 < self.spacing_m < np.inf),
            ("depth tolerance", self.tolerance_m, 0.0 < self.tolerance_m < np.inf),
        ):
            if not good:
                raise LakefloorError(f"The {name} is {value}. Enter a value that is in range.")


#: Fifteen places 40 m apart, depths known to 2 feet.
USUAL = Ranking()


def trust(uncertainty: np.ndarray, tolerance_m: float) -> np.ndarray:
    """Return the probability that a depth is within a tolerance of the truth, 0..1.

    Parameters
    ----------
    uncertainty : array
        One standard deviation, m; errors are taken as normal. NaN is not trusted at all.
    tolerance_m : float

    Examples
    --------
    >>> trust([0.1, 0.61, 2.0], 0.61).round(2).tolist()
    [1.0, 0.68, 0.24]
    """
    with np.errstate(divide="ignore"):
        odds = tolerance_m / (np.sqrt(2.0) * np.asarray(uncertainty, dtype=float))
    return np.where(np.isnan(odds), 0.0, erf(odds))


def peaks(score: Grid, count: int, spacing_m: float, lowest: float) -> tuple:
    """Return the rows and columns of the highest cells that keep a distance from each other.

    Parameters
    ----------
    score : Grid
        0..1; NaN where there is none.
    count : int
        At most so many.
    spacing_m : float
        No two are nearer to each other, m.
    lowest : float
        No lower score.

    Returns
    -------
    rows, cols : array of int, shape (k,)
        In falling order. Of cells with the same score to three decimals the one with the better
        surroundings comes first, so that a wide optimum is marked in its middle.
    """
    known = np.isfinite(score.values)
    sigma = (0.25 * spacing_m / score.dy, 0.25 * spacing_m / score.dx)
    size = [2 * int(np.ceil(s)) + 1 for s in sigma]
    around = np.where(known, score.values, 0.0)
    for _ in range(2):
        around = ndimage.uniform_filter(around, size, mode="constant")
    order = np.where(known & (score.values >= lowest), score.values + 1e-3 * around, -np.inf)
    half_r, half_c = int(spacing_m / score.dy) + 1, int(spacing_m / score.dx) + 1
    away = np.hypot(
        np.arange(-half_r, half_r + 1)[:, None] * score.dy,
        np.arange(-half_c, half_c + 1) * score.dx,
    )
    # The best of each block of rows is kept, so that a pick looks through few of them.
    best = order.max(axis=1)
    rows, cols = [], []
    while len(rows) < count:
        r = int(np.argmax(best))
        if not best[r] > -np.inf:
            break
        c = int(np.argmax(order[r]))
        rows.append(r)
        cols.append(c)
        r0, r1 = max(r - half_r, 0), min(r + half_r + 1, order.shape[0])
        c0, c1 = max(c - half_c, 0), min(c + half_c + 1, order.shape[1])
        near = away[r0 - r + half_r : r1 - r + half_r, c0 - c + half_c : c1 - c + half_c]
        order[r0:r1, c0:c1][near < spacing_m] = -np.inf
        best[r0:r1] = order[r0:r1].max(axis=1)
    return np.array(rows, dtype=int), np.array(cols, dtype=int)
