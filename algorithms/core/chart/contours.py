"""Depth contours and depth areas of a surface."""

from __future__ import annotations

import heapq
from typing import NamedTuple

import numpy as np
from scipy import ndimage
from shapely.geometry import MultiLineString, MultiPolygon, Polygon
from shapely.ops import linemerge

from ..errors import LakefloorError
from ..grid import Areas, Grid, Lines
from ..number_text import written
from ..polygons import inside
from ..progress import Progress, silent, span
from ..units import LENGTH
from .contour_domain import (
    Domain,
    check_shoreline,
    faces,
    lines_of,
    make_domain,
    polygons_of,
    signed_area,
    smooth_within,
)
from .marching_squares import square_ranges, trace

MAX_LEVELS = 2000

# Half an interval with 90 % confidence, expressed at 95 %: 0.5 * 1.959964 / 1.644854.
SUPPORT = 0.595787
NORMAL_95 = 1.959964

# Without a band of uncertainty, smoothing moves depth by this share of the interval at most.
SHARE_OF_INTERVAL = 0.1

# Rings smaller than this many cells are noise by default.
MIN_CELLS = 4.0

# Lines change between supported and not at most once in so many cells.
FLICKER_CELLS = 5.0

# A depth within 10 micrometres of a level is at the level: the rounding of
# 32-bit rasters at lake depths, far below what any sounder resolves.
AT_LEVEL = 1e-5


class _Ring(NamedTuple):
    level: int
    xy: np.ndarray
    area: float
    within: bool


class _Line(NamedTuple):
    level: int
    xy: np.ndarray
    area: float  # signed as by signed_area; 0 where open


def depth_contours(
    grid: Grid,
    *,
    interval: float,
    unit: str = "ft",
    uncertainty: Grid | None = None,
    shoreline=None,
    smoothing: float = 1.0,
    index_every: int = 5,
    base: float = 0.0,
    min_area: float | None = None,
    progress: Progress = silent,
) -> tuple:
    """Return the depth contours of a surface.

    Parameters
    ----------
    grid : Grid
        Depth, m, positive down.
    interval : float
        Contour interval, in ``unit``.
    unit : {"ft", "m"}
        Unit of ``interval``, ``base`` and of the figures that people read.
    uncertainty : Grid, optional
        One standard deviation of depth, m, same geometry as ``grid``.
    shoreline : Polygon or MultiPolygon, optional
        Where depth is zero; islands are holes. Lines end there.
    smoothing : float
        0..1. A cell moves by no more than this many standard deviations; without
        ``uncertainty``, by no more than this share of a tenth of the interval.
    index_every : int
        Every how many intervals a line is an index contour.
    base : float
        Depth from which intervals are counted, in ``unit``.
    min_area : float, optional
        Closed lines around less than this area, m2, are left out as noise; 4 cells
        by default.
    progress : callable

    Returns
    -------
    lines : Lines
        From shallow to deep. Deeper water lies on the left of each line. Attributes:

        ``depth_m``, ``depth``, ``unit``, ``label``
            Depth of the line in metres and in ``unit``, the unit, and the figure to print.
        ``index``
            1 on index contours.
        ``kind``
            ``hump``: closed around shallower bottom, with no gap or island inside;
            ``hollow``: closed around deeper bottom other than the deepest of its lake;
            ``line``: any other.
        ``closed``
            1 where the line ends where it begins.
        ``supported``
            1 where the data support the interval, 0 where not, None without
            ``uncertainty``. A line is split where this changes.
        ``spot``, ``spot_x``, ``spot_y``
            On the innermost closed lines: the least depth inside a hump or the greatest
            depth inside any other, in ``unit``, before smoothing, and where it is, m.
            None elsewhere, and on all but the longest part of a split line.
        ``line``
            Running number of the line before splitting.
    summary : dict
        ``length`` of all lines, m; ``supported``, the share of it that the data support,
        or None; ``humps`` and ``hollows``, how many closed lines ``min_area`` left out.

    Raises
    ------
    LakefloorError
        If a parameter is out of range, the grid has no value, no level falls within
        its depths, or there would be more than 2000 levels.

    Notes
    -----
    The surface is smoothed, not the lines, so that no two lines cross; the smoothing
    is cut back to what the uncertainty allows. A line is supported where
    1.96 s <= 0.596 interval, s being the standard deviation of depth: then nine
    depths in ten are right within half an interval, the rule of the National Map
    Accuracy Standards, expressed at the 95 % level of the NSSDA.

    References
    ----------
    U.S. Bureau of the Budget (1947). United States National Map Accuracy Standards.
    Federal Geographic Data Committee (1998). Geospatial Positioning Accuracy
    Standards, Part 3: National Standard for Spatial Data Accuracy, FGDC-STD-007.3.
    Lorensen, W. E. and Cline, H. E. (1987). Marching cubes: a high resolution 3D
    surface construction algorithm. Computer Graphics 21(4), 163-169.
    """
    if index_every < 1:
        raise LakefloorError(f"Index contours need a count of 1 or more, not {index_every}.")
    metres = _check(interval, unit, base)
    depth = _masked(grid, shoreline)
    surface = _smoothed(
        depth, uncertainty, smoothing, interval * metres, span(progress, 0.0, 0.3)
    )
    steps = _steps(surface, interval, metres, base)
    levels = _depths(steps, interval, metres, base)
    domain = make_domain(_snapped(surface, levels), shoreline)
    rings, dropped = _rings(
        domain, levels, _min_area(grid, min_area), shoreline is not None,
        span(progress, 0.3, 0.8),
    )
    lines = _clipped(rings, len(levels), domain, span(progress, 0.8, 0.9))
    if not lines:
        low, high = np.nanmin(surface.values) / metres, np.nanmax(surface.values) / metres
        small = dropped["humps"] + dropped["hollows"]
        dropped_words = f"Closed lines smaller than the minimum area: {small}. " if small else ""
        raise LakefloorError(
            f"No contour falls between the shallowest depth, {written(low, '.2f')} {unit}, and the "
            f"deepest, {written(high, '.2f')} {unit}"
            + f". {dropped_words}Choose an interval below {written(interval, 'g')} {unit}."
        )
    kinds, spots = _kinds(lines, depth, surface, span(progress, 0.9, 0.95))

    out = {
        name: []
        for name in (
            "depth_m", "depth", "unit", "label", "index", "kind", "closed", "supported",
            "spot", "spot_x", "spot_y", "line",
        )
    }
    coords = []
    for number, (line, kind, spot) in enumerate(zip(lines, kinds, spots), 1):
        progress(0.95 + 0.05 * number / len(lines))
        step = int(steps[line.level])
        depth_u = round(base + step * interval, 9) + 0.0
        parts = _parts(line.xy, uncertainty, interval * metres)
        longest = int(np.argmax([_length(xy) for xy, _ in parts]))
        for i, (xy, supported) in enumerate(parts):
            coords.append(xy)
            at = spot if spot and i == longest else (None, None, None)
            row = (
                float(levels[line.level]), depth_u, unit, f"{depth_u:g}",
                int(step % index_every == 0), kind, int(np.array_equal(xy[0], xy[-1])),
                supported, None if at[0] is None else round(at[0] / metres, 3), at[1], at[2],
                number,
            )
            for name, value in zip(out, row):
                out[name].append(value)
    progress(1.0)
    lengths = np.array([_length(xy) for xy in coords])
    total, share = float(lengths.sum()), None
    if uncertainty is not None:
        share = float(lengths[np.array(out["supported"]) == 1].sum() / total)
    return Lines(coords, out), {"length": total, "supported": share, **dropped}


def depth_areas(
    grid: Grid,
    *,
    interval: float | None = None,
    levels=None,
    unit: str = "ft",
    uncertainty: Grid | None = None,
    shoreline=None,
    smoothing: float = 1.0,
    base: float = 0.0,
    min_area: float | None = None,
    progress: Progress = silent,
) -> Areas:
    """Return the areas between depth contours.

    Parameters
    ----------
    interval : float, optional
        Contour interval, in ``unit``. Either this or ``levels`` is given.
    levels : sequence of float, optional
        Depths that part the areas, in ``unit``, rising.
    grid, unit, uncertainty, shoreline, smoothing, base, min_area, progress
        As for :func:`depth_contours`; with the same values the areas and the lines
        meet exactly.

    Returns
    -------
    Areas
        One MultiPolygon a depth range, from shallow to deep; together they cover the
        mapped area once. Attributes ``depth_from_m`` and ``depth_to_m``,
        ``depth_from`` and ``depth_to`` in ``unit``, ``unit``, ``label`` and
        ``area_m2``. With ``levels``, the first area begins at the least depth and the
        last has no ``depth_to`` (None).

    Raises
    ------
    LakefloorError
        As :func:`depth_contours`, except that a surface between two levels is one area.
    """
    if (interval is None) == (levels is None):
        raise LakefloorError("Give either an interval or a list of depths.")
    if levels is None:
        metres = _check(interval, unit, base)
        gap = interval * metres
    else:
        levels = np.asarray(levels, dtype=float)
        if not len(levels) or not np.all(np.isfinite(levels)) or np.any(np.diff(levels) <= 0):
            raise LakefloorError(f"The depths {levels.tolist()} do not rise. Give numbers in rising order.")
        metres = _check(1.0, unit, base)
        gap = (np.diff(levels).min() if len(levels) > 1 else 1.0) * metres
    surface = _smoothed(
        _masked(grid, shoreline), uncertainty, smoothing, gap, span(progress, 0.0, 0.3)
    )
    low, high = np.nanmin(surface.values), np.nanmax(surface.values)
    if interval is not None:
        steps = _steps(surface, interval, metres, base)
        at = _depths(steps, interval, metres, base)
        first = steps[0] if len(steps) else np.floor((low / metres - base) / interval) + 1
        figures = np.round(base + (first - 1 + np.arange(len(at) + 2)) * interval, 9) + 0.0
        bounds = [float(v * metres) for v in figures]
    else:
        inner = levels[(levels * metres >= low) & (levels * metres <= high)]
        at = inner * metres
        above = levels[levels * metres > high]
        below = levels[levels * metres < low]
        figures = [
            float(below[-1]) if len(below) else round(float(low / metres), 2),
            *map(float, inner),
            float(above[0]) if len(above) else None,
        ]
        bounds = [None if v is None else float(v * metres) for v in figures]
    domain = make_domain(_snapped(surface, at), shoreline)
    rings, _ = _rings(
        domain, at, _min_area(grid, min_area), shoreline is not None, span(progress, 0.3, 0.7),
        floor=True,
    )
    ranges = [[] for _ in range(len(at) + 1)]
    for face, number in faces([ring.xy for ring in rings]):
        ring = rings[number]
        # A ring that runs clockwise has the shallower side inside; inside such a
        # ring of the floor there is no surface.
        band = ring.level + 1 if ring.area > 0 else ring.level
        if band >= 0:
            ranges[band].append(face)
    polygons, attributes = [], {
        name: []
        for name in (
            "depth_from_m", "depth_to_m", "depth_from", "depth_to", "unit", "label", "area_m2",
        )
    }
    for band, found in enumerate(ranges):
        span(progress, 0.7, 1.0)(band / len(ranges))
        area = polygons_of(MultiPolygon(found).intersection(domain.polygon))
        if area.is_empty:
            continue
        polygons.append(area)
        start, stop = figures[band], figures[band + 1]
        label = f"over {start:g}" if stop is None else f"{start:g} to {stop:g}"
        row = (
            bounds[band], bounds[band + 1], float(start), None if stop is None else float(stop),
            unit, f"{label} {unit}", area.area,
        )
        for name, value in zip(attributes, row):
            attributes[name].append(value)
    progress(1.0)
    return Areas(polygons, attributes)


def _check(interval, unit, base) -> float:
    """Check the figures that define levels; return metres per unit."""
    if unit not in LENGTH:
        raise LakefloorError(f"Unit '{unit}' is unknown. Choose 'ft' or 'm'.")
    if not (np.isfinite(interval) and interval > 0):
        raise LakefloorError(f"The contour interval must be above 0 {unit}, not {written(interval, 'g')}.")
    if not np.isfinite(base):
        raise LakefloorError(f"The base of the contours must be a number, not {base}.")
    return LENGTH[unit]


def _min_area(grid, min_area) -> float:
    if min_area is None:
        return MIN_CELLS * grid.dx * grid.dy
    if not min_area >= 0:
        raise LakefloorError(f"The minimum area of closed lines must be 0 m² or more, not "
                             f"{written(min_area, 'g')} m².")
    return min_area


def _masked(grid, shoreline) -> Grid:
    """Return the depths within the shoreline."""
    values = np.where(np.isfinite(grid.values), grid.values, np.nan)
    if np.isnan(values).all():
        raise LakefloorError("The depth raster has no cell with a value. Choose another raster.")
    if shoreline is not None:
        check_shoreline(shoreline)
        values[~inside(shoreline, grid)] = np.nan
        if np.isnan(values).all():
            raise LakefloorError(
                "No cell of the depth raster with a value lies within the shoreline. Check that "
                "both cover the same lake and have the right CRS."
            )
    return grid.like(values)


def _smoothed(depth, uncertainty, smoothing, interval, progress) -> Grid:
    """Smooth depths by no more than their uncertainty allows."""
    if not 0.0 <= smoothing <= 1.0:
        raise LakefloorError(f"Smoothing must be from 0 to 1, not {smoothing}.")
    if uncertainty is None:
        limit = smoothing * SHARE_OF_INTERVAL * interval
    else:
        if uncertainty.shape != depth.shape:
            raise LakefloorError(
                f"The uncertainty has {uncertainty.shape} cells, the depth {depth.shape}. "
                "Give both with the same rows and columns."
            )
        if np.nanmin(uncertainty.values, initial=0.0) < 0:
            raise LakefloorError("The uncertainty band has values below 0 m. Correct it.")
        limit = smoothing * np.where(np.isfinite(uncertainty.values), uncertainty.values, 0.0)
    return smooth_within(depth, limit, progress) if smoothing > 0 else depth


def _steps(surface, interval, metres, base) -> np.ndarray:
    """Return the whole numbers of intervals, from the base, within the depths of a surface."""
    span_m = np.nanmin(surface.values) - AT_LEVEL, np.nanmax(surface.values) + AT_LEVEL
    first = np.ceil((span_m[0] / metres - base) / interval)
    last = np.floor((span_m[1] / metres - base) / interval)
    if last - first >= MAX_LEVELS:
        raise LakefloorError(
            f"An interval of {written(interval, 'g')} gives {last - first + 1:.0f} contours, but at "
            f"most {MAX_LEVELS} are drawn. Choose a wider interval, and check that the raster is "
            "in meters."
        )
    return np.arange(first, last + 1)


def _depths(steps, interval, metres, base) -> np.ndarray:
    return np.round(base + steps * interval, 9) * metres


def _snapped(surface, levels) -> Grid:
    """Put depths that differ from a level by rounding only at the level."""
    if not len(levels):
        return surface
    values = surface.values
    after = np.searchsorted(levels, values).clip(1, max(len(levels) - 1, 1))
    below, above = levels[after - 1], levels[np.minimum(after, len(levels) - 1)]
    nearest = np.where(values - below < above - values, below, above)
    return surface.like(np.where(np.abs(values - nearest) <= AT_LEVEL, nearest, values))


def _rings(domain: Domain, levels, min_area, shore, progress, floor=False) -> tuple:
    """Trace all levels; return rings, and how many small ones were left out.

    With ``floor``, the outline of the continued surface comes first, as level -1.
    """
    grid = domain.grid
    dropped = {"humps": 0, "hollows": 0}
    rings = []
    ranges = square_ranges(domain.values)
    wet_ranges = ranges if domain.wet is domain.values else square_ranges(domain.wet)
    start = -1 if floor else 0
    for index in range(start, len(levels)):
        progress((index - start) / (len(levels) - start))
        level = levels[index] if index >= 0 else domain.outside + 0.5
        # Up to zero the shore is the line, also where the surface is zero next to it.
        ashore = shore and level <= 0
        rows, cols, squares, first = trace(
            domain.wet if ashore else domain.values, level,
            wet_ranges if ashore else ranges, domain.outside, flat_tops=not ashore,
        )
        if len(rows) == 0:
            continue
        x, y = grid.west + (cols + 0.5) * grid.dx, grid.north - (rows + 0.5) * grid.dy
        within = np.logical_and.reduceat(domain.within[squares], first[:-1])
        for i, (a, b) in enumerate(zip(first[:-1], first[1:])):
            xy = np.empty((b - a + 1, 2))
            xy[:-1, 0], xy[:-1, 1] = x[a:b], y[a:b]
            xy[-1] = xy[0]
            area = signed_area(xy)
            if within[i] and abs(area) < min_area:
                dropped["hollows" if area > 0 else "humps"] += 1
            else:
                rings.append(_Ring(index, xy, area, bool(within[i])))
    progress(1.0)
    return rings, dropped


def _clipped(rings, count, domain: Domain, progress) -> list:
    """Cut rings to the mapped area; return lines from shallow to deep."""
    lines = []
    by_level = [[] for _ in range(count)]
    for ring in rings:
        by_level[ring.level].append(ring)
    for level, members in enumerate(by_level):
        progress(level / count)
        lines += [_Line(level, ring.xy, ring.area) for ring in members if ring.within]
        crossing = [ring.xy for ring in members if not ring.within]
        if not crossing:
            continue
        cut = lines_of(MultiLineString(crossing).intersection(domain.polygon))
        merged = lines_of(linemerge(cut)) if len(cut) > 1 else cut
        follows = {
            tuple(a): tuple(b) for ring in crossing for a, b in zip(ring[:-1].tolist(),
                                                                   ring[1:].tolist())
        }
        for piece in merged:
            xy = _directed(np.asarray(piece.coords)[:, :2], follows, crossing)
            closed = np.array_equal(xy[0], xy[-1])
            lines.append(_Line(level, xy, signed_area(xy) if closed else 0.0))
    progress(1.0)
    return lines


def _directed(xy, follows, crossing) -> np.ndarray:
    """Give a piece of a ring the direction of the ring."""
    points = list(map(tuple, xy.tolist()))
    for a, b in zip(points[:-1], points[1:]):
        if follows.get(a) == b:
            return xy
        if follows.get(b) == a:
            return xy[::-1]
    # No segment is whole: compare with the segment the piece's first one lies on.
    middle, along = 0.5 * (xy[0] + xy[1]), xy[1] - xy[0]
    starts = np.concatenate([ring[:-1] for ring in crossing])
    vectors = np.concatenate([np.diff(ring, axis=0) for ring in crossing])
    t = np.sum((middle - starts) * vectors, axis=1) / np.sum(vectors**2, axis=1)
    off = middle - starts - t.clip(0.0, 1.0)[:, None] * vectors
    segment = np.argmin(np.sum(off**2, axis=1))
    return xy if along @ vectors[segment] > 0 else xy[::-1]


def _contains(ring: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Tell which points, shape (n, 2), lie in a closed ring, by the even-odd rule."""
    within = np.all((points > ring.min(0)) & (points < ring.max(0)), axis=1)
    x0, y0 = ring[:-1].T
    x1, y1 = ring[1:].T
    for i in np.flatnonzero(within):
        x, y = points[i]
        spans = (y0 > y) != (y1 > y)
        a, b = x0[spans], x1[spans]
        at = a + (y - y0[spans]) / (y1[spans] - y0[spans]) * (b - a)
        within[i] = np.count_nonzero(at > x) % 2 == 1
    return within


def _kinds(lines, depth: Grid, surface: Grid, progress) -> tuple:
    """Return the kind of each line, and the spot depth (m, x, y) or None."""
    label, count = ndimage.label(np.isfinite(surface.values), structure=np.ones((3, 3)))
    flat = ndimage.maximum_position(surface.values, label, np.arange(1, count + 1))
    rows, cols = np.array(flat, dtype=int).T
    deepest = np.column_stack([surface.x[cols], surface.y[rows]])

    # One cell of each gap or island rules out most of the lines around it without a look at all
    # of their cells, which may be half the lake for every level.
    gap, count = ndimage.label(np.isnan(depth.values))
    one_of = np.zeros(count + 1, dtype=int)
    missing = np.flatnonzero(gap)
    one_of[gap.flat[missing]] = missing
    rows, cols = np.divmod(one_of[1:], depth.shape[1])
    gaps = np.column_stack([depth.x[cols], depth.y[rows]])

    kinds = []
    for i, line in enumerate(lines):
        progress(i / len(lines))
        kind = "line"
        if line.area > 0 and not _contains(line.xy, deepest).any():
            kind = "hollow"
        elif (
            line.area < 0 and not _contains(line.xy, gaps).any()
            and not np.isnan(_cells_in(line.xy, depth)[0]).any()
        ):
            kind = "hump"
        kinds.append(kind)

    spots = [None] * len(lines)
    for i in _innermost(lines, kinds):
        values, x, y = _cells_in(lines[i].xy, depth)
        if np.isfinite(values).any():
            k = int(np.nanargmin(values) if kinds[i] == "hump" else np.nanargmax(values))
            spots[i] = float(values[k]), float(x[k]), float(y[k])
    return kinds, spots


def _cells_in(ring, depth: Grid) -> tuple:
    """Return depth, x and y of the cells whose centre lies in a closed ring."""
    r, c = depth.rows_cols(ring[:, 0], ring[:, 1])
    r0, r1 = max(int(np.floor(r.min())), 0), int(np.ceil(r.max())) + 1
    c0, c1 = max(int(np.floor(c.min())), 0), int(np.ceil(c.max())) + 1
    part = Grid(
        depth.values[r0:r1, c0:c1], depth.west + c0 * depth.dx, depth.north - r0 * depth.dy,
        depth.dx, depth.dy,
    )
    row, col = np.nonzero(inside(Polygon(ring), part))
    return part.values[row, col], part.x[col], part.y[row]


def _innermost(lines, kinds) -> list:
    """Return the closed lines that hold no line of the next level of their own kind."""
    groups = {}
    for i, line in enumerate(lines):
        if line.area > 0 or kinds[i] == "hump":
            groups.setdefault((line.area > 0, line.level), []).append(i)
    found = []
    for (deeper, level), members in groups.items():
        inner = groups.get((deeper, level + 1 if deeper else level - 1), [])
        points = np.array([lines[i].xy[0] for i in inner]).reshape(-1, 2)
        found += [i for i in members if not _contains(lines[i].xy, points).any()]
    return found


def _length(xy) -> float:
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())


def _parts(xy, uncertainty, interval) -> list:
    """Split a line where the data begin or cease to support the interval.

    Parameters
    ----------
    xy : array, shape (k, 2)
    uncertainty : Grid or None
    interval : float
        m.

    Returns
    -------
    list of (array, int or None)
        Parts in order, and whether each is supported.
    """
    if uncertainty is None:
        return [(xy, None)]
    spread = uncertainty.sample(*(0.5 * (xy[:-1] + xy[1:])).T)
    supported = NORMAL_95 * spread <= SUPPORT * interval
    if supported.all() or not supported.any():
        return [(xy, int(supported[0]))]
    if np.array_equal(xy[0], xy[-1]):
        shift = int(np.flatnonzero(np.diff(supported))[0]) + 1
        xy = np.vstack([xy[shift:-1], xy[: shift + 1]])
        supported = np.roll(supported, -shift)
    lengths = np.hypot(*np.diff(xy, axis=0).T)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(supported)) + 1])
    runs = [[int(s), float(v), bool(supported[s])]
            for s, v in zip(starts, np.add.reduceat(lengths, starts))]
    runs = _without_flicker(runs, FLICKER_CELLS * min(uncertainty.dx, uncertainty.dy))
    stops = [run[0] for run in runs[1:]] + [len(xy) - 1]
    return [(xy[a : b + 1], int(state)) for (a, _, state), b in zip(runs, stops)]


def _without_flicker(runs: list, least: float) -> list:
    """Join runs (start, length, state) shorter than a length to their neighbours.

    The shortest goes first; its neighbours on both sides are alike, so that all three are one.
    """
    runs, n = list(runs), len(runs)
    before, after = list(range(-1, n - 1)), [*range(1, n), -1]
    heap = [(run[1], k) for k, run in enumerate(runs)]
    heapq.heapify(heap)
    while heap:
        length, k = heapq.heappop(heap)
        if runs[k] is None or runs[k][1] != length:
            continue
        a, b = before[k] if before[k] >= 0 else k, after[k] if after[k] >= 0 else k
        if length >= least or a == b:
            break
        joined = sorted({a, k, b})
        state = runs[a if a != k else b][2]
        total = sum(runs[i][1] for i in joined)
        after[a], start = after[b], runs[a][0]
        if after[b] >= 0:
            before[after[b]] = a
        for i in joined[1:]:
            runs[i] = None
        runs[a] = [start, total, state]
        heapq.heappush(heap, (total, a))
    return [run for run in runs if run is not None]
