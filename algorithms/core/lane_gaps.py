"""Gaps between lanes: soundings thinned until lanes stand apart, and triangles between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay, QhullError, cKDTree

from .blocks import square_blocks, well_filled
from .errors import LakefloorError

# Of more soundings than this, those in some squares of the survey count: how many squares lie
# along its longer side, how many are used, and the parts of a side.
MOST_SOUNDINGS, _ACROSS, _USED, _PARTS = 60_000, 10, 12, 6

# Blocks to begin with, enough to tell the water from the land between its arms; the finest, m.
_BLOCKS, _FINEST = 1400, 0.05

# Blocks between two lanes when they are told apart, and the widest gap looked for.
_APART, _REACH = 2.5, 24.0

# Triangles asked, and the fewest of them that must have found a neighbor.
MOST_TRIANGLES, _ANSWERED = 1500, 0.25

# A single lane is no wider than this share of its length, and than so many meters.
_SINGLE_LANE_RATIO, _SINGLE_LANE_WIDTH = 0.05, 6.0
SINGLE_LANE = (
    "The soundings lie along a single lane, so the lane spacing cannot be estimated. "
    "Give the cell size and the search distance."
)


def in_squares(x: np.ndarray, y: np.ndarray) -> tuple:
    """Return the soundings in some well-filled squares, evenly over the survey; all of a small one.

    Together they hold about :data:`MOST_SOUNDINGS`. The squares are moved so far apart that the way
    from one to the next is not taken for a gap.
    """
    if len(x) <= MOST_SOUNDINGS:
        return x, y
    side = max(np.ptp(x), np.ptp(y)) / _ACROSS * (1.0 + 1e-9)
    wanted = max(_ACROSS**2 // 2, _USED * len(x) // MOST_SOUNDINGS)
    while True:
        # Parts of a square that hold soundings tell how much water it holds, however dense.
        col, row, part, _ = square_blocks(x, y, side / _PARTS)
        places, square = np.unique(col // _PARTS + 1j * (row // _PARTS), return_inverse=True)
        if len(places) >= wanted or side < _FINEST:
            break
        side /= np.clip(np.sqrt(wanted / len(places)), 1.1, 8.0)
    used = well_filled(np.bincount(square), _USED)
    square = square[part]
    chosen = np.isin(square, used)
    away = 3.0 * side * (places - places[0])[square[chosen]]
    return x[chosen] + away.real, y[chosen] + away.imag


def told_apart(x: np.ndarray, y: np.ndarray) -> tuple:
    """Return the sides of lanes of soundings so thinned that lanes stand apart, and their gap, m.

    The gap is the median by length of track.
    """
    block = max(np.ptp(x), np.ptp(y)) / 8.0
    wanted = min(_BLOCKS, 0.15 * len(x))
    while True:
        count = len(square_blocks(x, y, block)[0])
        if count >= wanted or block < _FINEST:
            break
        block /= np.clip(np.sqrt(wanted / count), 1.5, 8.0)
    found = None
    while True:
        xy, whole = _thinned(x, y, block)
        if len(xy) > 3:
            sides = LaneSides.of(xy, block)
            # The way to a stray is no length of track.
            gaps = sides.gaps(
                evenly(np.minimum(sides.base, 2.0 * block), MOST_TRIANGLES), _REACH * block
            )
            known = gaps[np.isfinite(gaps)]
            if len(known) > _ANSWERED * len(gaps):
                found = sides, float(np.median(known))
                if found[1] >= _APART * block:
                    return found
        if whole or block < _FINEST:
            break
        block /= 2.0
    if found is None:
        raise LakefloorError(SINGLE_LANE)
    return found


def _thinned(x, y, block: float) -> tuple:
    """Return one point for each block, shape (n, 2), and whether that is nearly every sounding.

    Points are drawn to the middle of the track: the scatter of positions else makes two
    lanes of one where it runs along the edge of blocks.
    """
    px, py, count = block_means(x, y, block)
    xy = np.column_stack([px, py])
    if len(px) >= 0.95 * len(x):
        return xy, True
    weight = np.append(np.minimum(count, 4.0 * np.median(count)), 0.0)
    _, near = cKDTree(xy).query(xy, k=min(9, len(xy)), distance_upper_bound=1.5 * block)
    weight = weight[near][..., None]
    drawn = (np.vstack([xy, [0.0, 0.0]])[near] * weight).sum(axis=1) / weight.sum(axis=1)
    px, py = drawn.T
    return np.column_stack(block_means(px, py, block)[:2]), False


def block_means(x: np.ndarray, y: np.ndarray, block: float) -> tuple:
    """Return the mean x and y, m, and the count of the points in each block, shape (b,)."""
    _, _, number, _ = square_blocks(x, y, block)
    count = np.bincount(number)
    return np.bincount(number, x) / count, np.bincount(number, y) / count, count


def evenly(weight: np.ndarray, most: int) -> np.ndarray:
    """Return rows at even steps of their summed weight, so that heavy ones are there more often."""
    total = np.cumsum(weight)
    count = min(most, len(weight))
    return np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])


def along_one_line(x: np.ndarray, y: np.ndarray) -> bool:
    """Tell whether points lie along a single lane."""
    xy = np.column_stack([x, y])
    xy = xy - xy.mean(axis=0)
    _, sizes, axes = np.linalg.svd(xy, full_matrices=False)
    return sizes[1] <= 1e-9 * sizes[0] or (
        sizes[1] < _SINGLE_LANE_RATIO * sizes[0] and np.ptp(xy @ axes[1]) < _SINGLE_LANE_WIDTH
    )


def straight(xy: np.ndarray) -> float:
    """Return how straight points go on from one to the next: 1 along a track, 0.7 by chance."""
    _, near = cKDTree(xy).query(xy[:: len(xy) // 4000 + 1], k=3)
    one, other = (xy[near[:, k]] - xy[near[:, 0]] for k in (1, 2))
    turn = (one * other).sum(axis=1) / (np.hypot(*one.T) * np.hypot(*other.T))
    return float(np.median(np.abs(turn)))


@dataclass(frozen=True)
class LaneSides:
    """Triangles between points, each seen from its shortest edge; n points, m triangles.

    Attributes
    ----------
    xy : array, shape (n, 2)
    block : float
        Size of the blocks of which the points are means, m.
    start, end, tip : array of int, shape (m,)
        Points: ends of the base, and the corner across.
    base, gap : array, shape (m,)
        Length of the base, and the height of the tip over it, m.
    """

    xy: np.ndarray
    block: float
    start: np.ndarray
    end: np.ndarray
    tip: np.ndarray
    base: np.ndarray
    gap: np.ndarray

    @classmethod
    def of(cls, xy: np.ndarray, block: float) -> LaneSides:
        try:
            corner = Delaunay(xy).simplices
        except QhullError as error:
            raise LakefloorError(
                "The soundings lie along one line, but a surface needs them side by side. Add "
                "soundings of other lanes."
            ) from error
        edges = xy[np.roll(corner, -1, axis=1)] - xy[corner]
        length = np.hypot(edges[..., 0], edges[..., 1])
        rows, first = np.arange(len(corner)), length.argmin(axis=1)
        base = length[rows, first]
        area = np.abs(edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0])
        a, b, c = (corner[rows, (first + k) % 3] for k in range(3))
        return cls(xy, block, a, b, c, base, area / base)

    def gaps(self, rows: np.ndarray, reach: float) -> np.ndarray:
        """Return how far it is, m, from the bases of triangles ``rows`` to the next lane.

        Infinite where there is none within ``reach``. A tip that lies off to the side
        belongs to a line across, along which the lane's side looks on.
        """
        xy, base, gap = self.xy, self.base[rows], self.gap[rows]
        start, end = self.start[rows], self.end[rows]
        middle = 0.5 * (xy[start] + xy[end])
        along = (xy[end] - xy[start]) / base[:, None]
        ahead = np.column_stack([-along[:, 1], along[:, 0]])
        to_tip = xy[self.tip[rows]] - middle
        ahead *= np.sign((to_tip * ahead).sum(axis=1))[:, None]
        beside = 0.75 * np.maximum(base, self.block)
        on = np.flatnonzero(np.abs((to_tip * along).sum(axis=1)) > beside)
        gap[on] = np.inf
        if len(on):
            hits = cKDTree(xy).query_ball_point(middle[on] + 0.5 * reach * ahead[on], 0.55 * reach)
            own = np.repeat(on, [len(found) for found in hits])
            point = np.concatenate([np.asarray(found, dtype=int) for found in hits]).astype(int)
            away = xy[point] - middle[own]
            far = (away * ahead[own]).sum(axis=1)
            seen = np.abs((away * along[own]).sum(axis=1)) <= beside[own]
            seen &= far > beside[own]
            np.minimum.at(gap, own[seen], far[seen])
        return np.where(gap <= reach, gap, np.inf)
