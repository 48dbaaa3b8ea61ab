"""How far apart the lanes of a survey are, and the cell size that this supports.

The one place that answers it: from soundings (:func:`lane_spacing`), or of a surface
(:func:`surface_spacing`), which says it or carries the distances to the nearest sounding.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from .blocks import square_blocks, well_filled
from .errors import LakefloorError
from .grid import Grid
from .lane_gaps import (
    MOST_TRIANGLES,
    SINGLE_LANE,
    LaneSides,
    along_one_line,
    block_means,
    evenly,
    in_squares,
    straight,
    told_apart,
)
from .number_text import written
from .soundings import Soundings, distinct

#: Default limit of interpolation, in lane spacings.
GAP_IN_SPACINGS = 2.5
_CELLS_PER_SPACING = 8.0
_SMALLEST_CELL = 0.5
# Positions of two visits differ by about 2 m: lanes of theirs that are closer than four times that,
# so that a block of soundings is no smaller (NODES_PER_SPACING), do not tell more of the bottom.
_OF_VISITS = 8.0
# Gaps wider than so many usual ones span land, or lead to a stray fix.
_LAND = 5.0
# Scattered points: mean count in a block, straightness as logged and as thinned, and ratio of
# wide to narrow distances.
_FEW, _STRAIGHT, _UNEVEN = 1.6, (0.8, 0.93), 4.0
# Of a distance to the nearest sounding: its slope where it rises no more, cells looked at and
# side of a part in cells, halvings of a radius, and looks for land. Of points: ratio of the lower
# quartile to the median, and that of the median to the widest circle if they lie at random.
_LEVEL, _MOST_CELLS, _PART, _STEPS, _ROUNDS, _HALVES = 0.75, 400_000, 320, 8, 4, 6
_OF_POINTS, _AT_RANDOM = 0.62, 0.26
# A spacing is doubted where distances speak for one so many times as large or as small.
_CONTRADICTED = 2.5
# So few cells make no map, and so few a poor one.
_FEWEST_CELLS, _FEW_CELLS = 9, 100


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
            f"None of the {len(soundings)} soundings is accepted with a depth and a position. "
            "Check their status."
        )
    elsewhere = (kept.x != kept.x[0]) | (kept.y != kept.y[0])
    second = np.argmax(elsewhere)
    if not (elsewhere & ((kept.x != kept.x[second]) | (kept.y != kept.y[second]))).any():
        raise LakefloorError(
            f"A surface needs soundings at three or more places, but the {len(kept)} accepted "
            "soundings lie at fewer. Add soundings."
        )
    if np.mean(kept.depth < 0) > 0.5:
        raise LakefloorError(
            "Most depths are negative, but depth is in meters, positive down. If the field holds "
            "elevations, subtract them from the lake level first."
        )
    return kept


def lane_spacing(soundings: Soundings) -> float:
    """Estimate the distance between neighboring lanes, m.

    Needs neither lane numbers nor an order of rows, so that visits with interleaved lanes
    count together. Of points that are no track it is the usual distance between neighbors; of a
    lake with close lanes in one part and wide ones in another, that of the larger part. Tracks of
    many visits lie at last as close as their pings, but positions differ from visit to visit: of
    several visits it is no less than 8 m, or what the visits themselves have if that is less.

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

    Examples
    --------
    >>> along, across = np.meshgrid(np.arange(0.0, 101.0, 2.0), np.arange(0.0, 160.0, 20.0))
    >>> round(lane_spacing(Soundings.build(along.ravel(), across.ravel(), np.full(408, 5.0))), 1)
    20.0
    """
    kept = usable(soundings)
    spacing = spacing_of_points(kept.x, kept.y)
    return spacing if spacing >= _OF_VISITS else max(spacing, min(_OF_VISITS, _of_visits(kept)))


def _of_visits(kept: Soundings) -> float:
    """Return the lane spacing that visits have by themselves, m; 0 of a single visit.

    The median, weighted by soundings.
    """
    names, visit = distinct(kept.visit)
    own = np.zeros(len(names))
    for number in range(len(names) if len(names) > 1 else 0):
        with suppress(LakefloorError):  # a single lane has no spacing
            own[number] = spacing_of_points(kept.x[visit == number], kept.y[visit == number])
    each = np.sort(own[visit])
    each = each[each > 0.0]
    return float(each[len(each) // 2]) if len(each) else 0.0


def spacing_of_points(x: np.ndarray, y: np.ndarray) -> float:
    """Return the lane spacing of points, shape (n,), m; see :func:`lane_spacing`."""
    x, y = x - np.median(x), y - np.median(y)
    x, y = in_squares(x, y)
    # Sorted, so that nothing depends on the order of rows; a moored boat counts once.
    places = np.unique(x + 1j * y)
    x, y = places.real, places.imag
    if len(x) < 3 or along_one_line(x, y):
        raise LakefloorError(SINGLE_LANE)
    sides, usual = told_apart(x, y)
    raw = np.column_stack([x, y])
    scattered = (
        len(x) < _FEW * len(block_means(x, y, sides.block)[0])
        and straight(raw) < _STRAIGHT[0]
        and straight(sides.xy) < _STRAIGHT[1]
    )
    if scattered:
        sides = LaneSides.of(raw, sides.block)
    water = np.flatnonzero(sides.gap <= _LAND * usual)
    if not len(water):
        return float(usual)
    area = (sides.base * sides.gap)[water]
    low, high = np.percentile(sides.base[water], [10.0, 90.0])
    if scattered and high > _UNEVEN * low:
        # Of points at random nearly all triangles are slanting: their usual size tells more.
        return float(np.sqrt(area.mean()))
    gaps = sides.gaps(water[evenly(area, MOST_TRIANGLES)], _LAND * usual)
    return float(np.median(gaps[np.isfinite(gaps)]))


def surface_spacing(stated: float | None, distance: Grid | None) -> float:
    """Return the lane spacing of a surface, m; 0 where nothing tells it.

    Parameters
    ----------
    stated : float, optional
        The spacing with which it was drawn, m, if it says so.
    distance : Grid, optional
        Distance of its cells to the nearest sounding, m; see :func:`spacing_of_distances`.
    """
    return stated or spacing_of_distances(distance)


def spacing_of_distances(distance: Grid | None) -> float:
    """Return the lane spacing from distances to the nearest sounding, m; 0 where none is known.

    About that of :func:`lane_spacing`, from the cells alone.

    Parameters
    ----------
    distance : Grid, optional
        m; NaN where not known. Of a large one, parts are used.

    Notes
    -----
    Halfway between two lanes the distance stops rising. A circle around such a place that
    reaches to the lanes is as wide as the gap: each cell counts as the widest such circle around it
    (local thickness; Hildebrand and Ruegsegger 1997), and the median over all cells is the
    spacing. Lines across, and lanes run twice, change little of it, and beyond the outermost
    lanes, where distances only rise, there is no circle (where there is none at all, the median
    distance counts as a quarter of the spacing). Gaps twice as wide as the median span
    land, and are left out.

    Distances to a line are even, those to a point grow in number with their square, which the
    quartiles show. Points s and p apart in two directions have circles as wide as the diagonal,
    and a quarter of the distances is below q where pi q^2 = s p / 4: both together give s. For
    points at random, of n a square meter, the median distance is 0.47 over the root of n; the
    spacing is then 1 over the root of n.

    References
    ----------
    Hildebrand, T. and Ruegsegger, P. (1997). A new method for the model-independent assessment of
    thickness in three-dimensional images. Journal of Microscopy 185(1), 67-75.
    """
    if distance is None or not (distance.values > 0.0).any():
        return 0.0
    parts = [_Gaps.of(part) for part in _windows(distance)]
    largest = max(part.largest for part in parts)
    widest = sum(part.within(0.0) for part in parts)
    if not widest:
        return _spacing_of_places(distance.values)
    beyond, radius, outer = 0, largest, np.inf
    for _ in range(_ROUNDS):
        low, high = 0.0, radius
        for _ in range(_STEPS):
            middle = 0.5 * (low + high)
            count = sum(part.within(middle) for part in parts) - beyond
            low, high = (middle, high) if 2 * count >= widest - beyond else (low, middle)
        median = 0.5 * (low + high)
        if 2.0 * median >= radius:
            break
        radius = outer = 2.0 * median
        beyond = sum(part.within(radius) for part in parts)
    width = 2.0 * median
    near = np.concatenate([part.distances(0.0, outer) for part in parts])
    quarter, half = np.percentile(near, [25.0, 50.0])
    # Within a cell nothing tells points from lines.
    if quarter <= max(_OF_POINTS * half, distance.dx, distance.dy):
        return float(width)
    if half < _AT_RANDOM * width:
        return float(half * np.sqrt(np.pi / np.log(2.0)))
    product = 8.0 * np.pi * quarter**2  # twice s p
    return float(0.5 * (np.sqrt(width**2 + product) + np.sqrt(max(width**2 - product, 0.0))))


@dataclass(frozen=True)
class _Gaps:
    """Cells of distances to the nearest sounding, and those halfway between soundings."""

    distance: np.ndarray
    between: np.ndarray
    cell: tuple
    found: dict

    @classmethod
    def of(cls, part: Grid) -> _Gaps:
        values = part.values
        between = np.zeros(values.shape, dtype=bool)
        if min(values.shape) < 3:
            return cls(values, between, (part.dy, part.dx), {})
        east = (values[1:-1, 2:] - values[1:-1, :-2]) / (2.0 * part.dx)
        north = (values[2:, 1:-1] - values[:-2, 1:-1]) / (2.0 * part.dy)
        # On a lane the distance is level too, but least.
        bend = values[1:-1, 2:] + values[1:-1, :-2] + values[2:, 1:-1] + values[:-2, 1:-1]
        bend -= 4.0 * values[1:-1, 1:-1]
        with np.errstate(invalid="ignore"):
            between[1:-1, 1:-1] = (np.hypot(east, north) < _LEVEL) & (bend < 0.0)
        return cls(values, between, (part.dy, part.dx), {})

    @property
    def largest(self) -> float:
        """Radius of the widest circle, m."""
        return float(self.distance.max(where=self.between, initial=0.0))

    def _circled(self, radius: float) -> np.ndarray:
        """Mark the cells within circles of this radius or more."""
        if not radius and self.largest:
            # The nearest center may be that of a small circle, which a larger one is around.
            radii = [np.nextafter(0.0, 1.0), *self.largest / 2.0 ** np.arange(_HALVES)]
            return np.any([self._circled(some) for some in radii], axis=0)
        centers = self.between & (self.distance >= radius)
        if not centers.any():
            return centers
        away, nearest = distance_transform_edt(~centers, self.cell, return_indices=True)
        reach = self.distance[tuple(nearest)] + 0.5 * min(self.cell)
        return (away <= reach) & np.isfinite(self.distance)

    def within(self, radius: float) -> int:
        """Count the cells within circles of this radius or more."""
        if radius not in self.found:
            self.found[radius] = np.count_nonzero(self._circled(radius))
        return self.found[radius]

    def distances(self, low: float, high: float) -> np.ndarray:
        """Return the distances of cells whose widest circle has a radius in these bounds, m."""
        return self.distance[self._circled(low) & ~self._circled(high)]


def _windows(distance: Grid):
    """Yield a grid, of a large one square parts that hold distances, evenly over it."""
    rows, cols = distance.shape
    if rows * cols <= _MOST_CELLS:
        yield distance
        return
    parts = [
        distance.values[row : row + _PART, col : col + _PART]
        for row in range(0, rows, _PART)
        for col in range(0, cols, _PART)
    ]
    counts = np.array([np.count_nonzero(np.isfinite(part)) for part in parts])
    for number in well_filled(counts, _MOST_CELLS // _PART**2):
        yield replace(distance, values=parts[number])


def _spacing_of_places(distance) -> float:
    """Return the spacing of lanes for which distances of places around them speak, m.

    Between lanes s apart distances are even from 0 to s / 2, so that their median is s / 4.
    What is farther off than a whole spacing lies outside the lanes, and is left out.
    """
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


def doubts(
    soundings: Soundings,
    spacing: float,
    cell: float,
    gap: float,
    shoreline: BaseGeometry | None = None,
) -> list:
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
    # Of several visits, places are nearer to a sounding than their spacing says.
    near = max(spacing_around(soundings, gap), min(spacing, _OF_VISITS))
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
            f"Cells of {written(cell, 'g')} m are wider than the lane spacing, and each "
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
    x, y, _ = block_means(
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
    return _spacing_of_places(
        cKDTree(np.column_stack([x, y])).query(np.column_stack([px, py]), distance_upper_bound=gap)[
            0
        ]
    )


def suggest_cell(spacing: float) -> float:
    """Return the cell size that suits a lane spacing, m: 1, 2 or 5 times a power of ten.

    About an eighth of the spacing: a finer grid shows nothing that was sounded, a
    coarser one loses what was. Not below 0.5 m, the scatter of a good position.

    Examples
    --------
    >>> suggest_cell(20.0), suggest_cell(3.0)
    (2.0, 0.5)
    """
    wanted = max(spacing / _CELLS_PER_SPACING, _SMALLEST_CELL)
    decade = 10.0 ** np.floor(np.log10(wanted))
    steps = decade * np.array([1.0, 2.0, 5.0, 10.0])
    return float(steps[np.argmin(np.abs(np.log(steps / wanted)))])
