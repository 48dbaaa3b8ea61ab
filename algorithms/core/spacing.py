"""How far apart the lanes of a survey are, and the cell size that this supports.

The one place that answers it: from soundings (:func:`lane_spacing`), or from the distances to
the nearest sounding that a surface carries (:func:`spacing_of_distances`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay, QhullError, cKDTree

from .blocks import square_blocks, well_filled
from .errors import LakefloorError
from .number_text import written
from .soundings import Soundings

#: Default limit of interpolation, in lane spacings.
GAP_IN_SPACINGS = 2.5
_CELLS_PER_SPACING = 8.0
_SMALLEST_CELL = 0.5
# A single lane is no wider than this share of its length, and than so many metres.
_SINGLE_LANE_RATIO, _SINGLE_LANE_WIDTH = 0.05, 6.0
# Of more soundings than this, those in some squares of the survey count: how many squares lie
# along its longer side, how many are used, and the parts of a side.
_MOST, _ACROSS, _USED, _PARTS = 60_000, 10, 12, 6
# Blocks to begin with, enough to tell the water from the land between its arms; the finest, m.
_BLOCKS, _FINEST = 1400, 0.05
# Blocks between two lanes when they are told apart, and the widest gap looked for.
_APART, _REACH = 2.5, 24.0
# Gaps wider than so many usual ones span land, or lead to a stray fix.
_LAND = 5.0
# Triangles asked, and the fewest of them that must have found a neighbour.
_ASKED, _ANSWERED = 1500, 0.25
# Scattered points: mean count in a block, straightness as logged and as thinned, and ratio of
# wide to narrow distances.
_FEW, _STRAIGHT, _UNEVEN = 1.6, (0.8, 0.93), 4.0
# A spacing is doubted where distances speak for one so many times as large or as small.
_CONTRADICTED = 2.5
# So few cells make no map, and so few a poor one.
_FEWEST_CELLS, _FEW_CELLS = 9, 100

_SINGLE_LANE = (
    "The soundings lie along a single lane, so the lane spacing cannot be estimated: "
    "give the cell size and the maximum gap."
)


def usable(soundings: Soundings) -> Soundings:
    """Return the accepted soundings that have a position, or say why there are too few.

    Raises
    ------
    LakefloorError
        If fewer than three differing positions are left, or if most depths are
        negative, as when elevations were given.
    """
    good = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
    kept = soundings if good.all() else soundings.select(good)
    if not len(kept):
        raise LakefloorError(
            f"None of the {len(soundings)} soundings is accepted with a depth and a position."
        )
    elsewhere = (kept.x != kept.x[0]) | (kept.y != kept.y[0])
    second = np.argmax(elsewhere)
    if not (elsewhere & ((kept.x != kept.x[second]) | (kept.y != kept.y[second]))).any():
        raise LakefloorError(
            f"A surface needs soundings at three or more places; the {len(kept)} accepted "
            "soundings lie at fewer."
        )
    if np.mean(kept.depth < 0) > 0.5:
        raise LakefloorError(
            "Most depths are negative. Depth is metres, positive down: "
            "if the field holds elevations, subtract them from the water level first."
        )
    return kept


def lane_spacing(soundings: Soundings) -> float:
    """Estimate the distance between neighbouring lanes, m.

    Needs neither lane numbers nor an order of rows, so that visits with interleaved lanes
    count together. Of points that are no track it is the usual distance between neighbours; of a
    lake with close lanes in one part and wide ones in another, that of the larger part.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used.

    Raises
    ------
    LakefloorError
        If the soundings are too few or lie along one line.

    Notes
    -----
    A Delaunay triangle between two lanes stands with its shortest edge on one lane, and
    the way from there to the next lane is the gap. Soundings are thinned from coarse to fine until
    the gaps, by length of track, are well wider than the blocks. Gaps several times as wide
    span the land between two arms, or lead to a stray fix, and are left out. Of the others the
    median is taken, weighted by area: lanes run twice, and lines across, weigh little.
    """
    kept = usable(soundings)
    return spacing_of_points(kept.x, kept.y)


def spacing_of_points(x, y) -> float:
    """Return the lane spacing of points, shape (n,), m; see :func:`lane_spacing`."""
    x, y = x - np.median(x), y - np.median(y)
    if len(x) > _MOST:
        x, y = _in_squares(x, y)
    # Sorted, so that nothing depends on the order of rows; a moored boat counts once.
    places = np.unique(x + 1j * y)
    x, y = places.real, places.imag
    if len(x) < 3 or _along_one_line(x, y):
        raise LakefloorError(_SINGLE_LANE)
    sides, usual = _told_apart(x, y)
    raw = np.column_stack([x, y])
    scattered = (
        len(x) < _FEW * len(_block_means(x, y, sides.block)[0])
        and _straight(raw) < _STRAIGHT[0]
        and _straight(sides.xy) < _STRAIGHT[1]
    )
    if scattered:
        sides = _Sides.of(raw, sides.block)
    water = np.flatnonzero(sides.gap <= _LAND * usual)
    area = (sides.base * sides.gap)[water]
    low, high = np.percentile(sides.base[water], [10.0, 90.0])
    if scattered and high > _UNEVEN * low:
        # Of points at random nearly all triangles are slanting: their usual size tells more.
        return float(np.sqrt(area.mean()))
    gaps = sides.gaps(water[_evenly(area, _ASKED)], _LAND * usual)
    return float(np.median(gaps[np.isfinite(gaps)]))


def spacing_of_distances(distance) -> float:
    """Return the lane spacing from distances to the nearest sounding, m; 0 where none is known.

    Parameters
    ----------
    distance : Grid or array, optional
        Of places all over the water, m; NaN where not known.

    Notes
    -----
    Between lanes s apart distances are even from 0 to s / 2, so that their median is s / 4.
    What is farther off than a whole spacing lies outside the lanes, and is left out.
    """
    if distance is None:
        return 0.0
    distance = np.asarray(getattr(distance, "values", distance))
    distance = distance[np.isfinite(distance)]
    if not distance.size:
        return 0.0
    median = float(np.median(distance))
    for _ in range(100):
        trimmed = float(np.median(distance[distance <= 4.0 * median]))
        if trimmed == median:
            break
        median = trimmed
    return 4.0 * median


def doubts(soundings: Soundings, spacing: float, cell: float, gap: float, shoreline=None) -> list:
    """Return a sentence about each size that does not suit the soundings or the lake.

    Parameters
    ----------
    soundings : Soundings
        Those used.
    spacing, cell, gap : float
        Lane spacing, cell size and limit of interpolation, m.
    shoreline : shapely Polygon or MultiPolygon, optional

    Raises
    ------
    LakefloorError
        If next to nothing of the lake could be drawn in such cells.
    """
    found = []
    near = spacing_around(soundings, gap)
    if not spacing / _CONTRADICTED <= near <= spacing * _CONTRADICTED:
        found.append(
            f"A lane spacing of {written(spacing, '.1f')} m does not fit the soundings: half of "
            f"the places around them lie within {written(near / 4.0, '.1f')} m of one, as with "
            f"lanes {written(near, '.1f')} m apart. Look for stray soundings, or give the lane "
            "spacing."
        )
    suited = suggest_cell(min(spacing, near))
    if cell > min(spacing, _CONTRADICTED * near):
        found.append(
            f"Cells of {written(cell, 'g')} m are wider than the way from lane to lane, and each "
            f"averages over several lanes. Choose a cell size of about {written(suited, 'g')} m."
        )
    if shoreline is None:
        side = 2.0 * min(spacing, near)
        area = len(square_blocks(soundings.x, soundings.y, side)[0]) * side**2
    else:
        area = shoreline.area
    cells = area / cell**2
    if cells < _FEWEST_CELLS:
        raise LakefloorError(
            f"The lake, about {_area_text(area)}, has room for {max(round(cells), 1)} cells of "
            f"{written(cell, 'g')} m. Choose a smaller cell size, such as {written(suited, 'g')} m."
        )
    if cells < _FEW_CELLS:
        found.append(
            f"The lake, about {_area_text(area)}, has room for only {round(cells)} cells of "
            f"{written(cell, 'g')} m. Choose a smaller cell size, such as {written(suited, 'g')} m."
        )
    if shoreline is not None:
        parts = [part.area for part in getattr(shoreline, "geoms", [shoreline])]
        small = sum(area < 4.0 * cell**2 for area in parts)
        if 0 < small < len(parts):
            found.append(
                f"{small} of the {len(parts)} parts of the lake are smaller than four cells of "
                f"{written(cell, 'g')} m. Choose a smaller cell size to show them."
            )
        elif shoreline.buffer(-0.5 * cell).area < 0.5 * shoreline.area:
            found.append(
                f"Most of the lake is narrower than two cells of {written(cell, 'g')} m. Choose a "
                f"smaller cell size, such as {written(suited, 'g')} m."
            )
    return found


def _area_text(area: float) -> str:
    return f"{written(area / 1e4, '.1f')} ha" if area >= 1e4 else f"{area:.0f} m\u00b2"


def spacing_around(soundings: Soundings, gap: float) -> float:
    """Return the spacing that the distances of places near soundings speak for, m.

    Parameters
    ----------
    soundings : Soundings
    gap : float
        Limit of interpolation, m: places within about so much of a sounding count.
    """
    x, y, _ = _block_means(
        soundings.x - np.median(soundings.x), soundings.y - np.median(soundings.y), gap / 25.0
    )
    col, row, *_ = square_blocks(x, y, gap)
    some = np.unique(np.linspace(0, len(col) - 1, min(len(col), 500)).astype(int))
    inner = (np.arange(6) + 0.5) / 6.0
    px, py = (
        (corner[some, None, None] + part) * gap
        for corner, part in ((col, inner[None, :, None]), (row, inner[None, None, :]))
    )
    px, py = (p.ravel() for p in np.broadcast_arrays(px, py))
    return spacing_of_distances(cKDTree(np.column_stack([x, y])).query(
        np.column_stack([px, py]), distance_upper_bound=gap)[0])


def _in_squares(x, y) -> tuple:
    """Return the soundings in some well-filled squares, evenly over the survey.

    Together they hold about :data:`_MOST`. The squares are moved so far apart that the way
    from one to the next is not taken for a gap.
    """
    side = max(np.ptp(x), np.ptp(y)) / _ACROSS * (1.0 + 1e-9)
    wanted = max(_ACROSS**2 // 2, _USED * len(x) // _MOST)
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


def _along_one_line(x, y) -> bool:
    xy = np.column_stack([x, y])
    xy = xy - xy.mean(axis=0)
    _, sizes, axes = np.linalg.svd(xy, full_matrices=False)
    return sizes[1] <= 1e-9 * sizes[0] or (
        sizes[1] < _SINGLE_LANE_RATIO * sizes[0] and np.ptp(xy @ axes[1]) < _SINGLE_LANE_WIDTH
    )


def _told_apart(x, y) -> tuple:
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
            sides = _Sides.of(xy, block)
            # The way to a stray is no length of track.
            gaps = sides.gaps(
                _evenly(np.minimum(sides.base, 2.0 * block), _ASKED), _REACH * block
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
        raise LakefloorError(_SINGLE_LANE)
    return found


def _thinned(x, y, block: float) -> tuple:
    """Return one point for each block, shape (n, 2), and whether that is nearly every sounding.

    Points are drawn to the middle of the track: the scatter of positions else makes two
    lanes of one where it runs along the edge of blocks.
    """
    px, py, count = _block_means(x, y, block)
    xy = np.column_stack([px, py])
    if len(px) >= 0.95 * len(x):
        return xy, True
    weight = np.append(np.minimum(count, 4.0 * np.median(count)), 0.0)
    _, near = cKDTree(xy).query(xy, k=min(9, len(xy)), distance_upper_bound=1.5 * block)
    weight = weight[near][..., None]
    drawn = (np.vstack([xy, [0.0, 0.0]])[near] * weight).sum(axis=1) / weight.sum(axis=1)
    return np.column_stack(_block_means(*drawn.T, block)[:2]), False


def _block_means(x, y, block: float) -> tuple:
    _, _, number, _ = square_blocks(x, y, block)
    count = np.bincount(number)
    return np.bincount(number, x) / count, np.bincount(number, y) / count, count


def _evenly(weight, most: int) -> np.ndarray:
    """Return rows at even steps of their summed weight, so that heavy ones are there more often."""
    total = np.cumsum(weight)
    count = min(most, len(weight))
    return np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])


def _straight(xy) -> float:
    """Return how straight points go on from one to the next: 1 along a track, 0.7 by chance."""
    _, near = cKDTree(xy).query(xy[:: len(xy) // 4000 + 1], k=3)
    one, other = (xy[near[:, k]] - xy[near[:, 0]] for k in (1, 2))
    turn = (one * other).sum(axis=1) / (np.hypot(*one.T) * np.hypot(*other.T))
    return float(np.median(np.abs(turn)))


@dataclass(frozen=True)
class _Sides:
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
    def of(cls, xy, block: float) -> _Sides:
        try:
            corner = Delaunay(xy).simplices
        except QhullError as error:
            raise LakefloorError(
                "The soundings lie along one line; a surface needs them side by side."
            ) from error
        edges = xy[np.roll(corner, -1, axis=1)] - xy[corner]
        length = np.hypot(edges[..., 0], edges[..., 1])
        rows, first = np.arange(len(corner)), length.argmin(axis=1)
        base = length[rows, first]
        area = np.abs(edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0])
        ends = (corner[rows, (first + k) % 3] for k in range(3))
        return cls(xy, block, *ends, base, area / base)

    def gaps(self, rows, reach: float) -> np.ndarray:
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


def suggest_cell(spacing: float) -> float:
    """Return the cell size that suits a lane spacing, m: 1, 2 or 5 times a power of ten.

    About an eighth of the spacing: a finer grid shows nothing that was sounded, a
    coarser one loses what was. Not below 0.5 m, the scatter of a good position.
    """
    wanted = max(spacing / _CELLS_PER_SPACING, _SMALLEST_CELL)
    decade = 10.0 ** np.floor(np.log10(wanted))
    steps = decade * np.array([1.0, 2.0, 5.0, 10.0])
    return float(steps[np.argmin(np.abs(np.log(steps / wanted)))])
