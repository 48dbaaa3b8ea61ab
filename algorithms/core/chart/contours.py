"""Depth contours and depth areas of a surface."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from ..errors import LakefloorError
from ..grid import Areas, Grid, Lines
from ..number_text import written
from ..polylines import planar_length
from ..progress import Progress, silent, span
from ..units import LENGTH
from .contour_domain import faces, make_domain, masked, polygons_of
from .levels import ContourInterval, snapped
from .naming import kinds_and_spots
from .smoothing import smoothed
from .support import split_by_support
from .tracing import Ring, clip_rings, minimum_area, trace_rings

_LINE_ATTRIBUTES = (
    "depth_m", "depth", "unit", "label", "index", "kind", "closed", "supported", "spot", "spot_x",
    "spot_y", "line",
)  # fmt: skip
_AREA_ATTRIBUTES = (
    "depth_from_m", "depth_to_m", "depth_from", "depth_to", "unit", "label", "area_m2",
)  # fmt: skip


def depth_contours(
    grid: Grid,
    *,
    interval: float,
    unit: str = "ft",
    uncertainty: Grid | None = None,
    shoreline: BaseGeometry | None = None,
    cut: BaseGeometry | None = None,
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
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore; lines are not closed along them.
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
            Depth of the line in meters and in ``unit``, the unit, and the figure to print.
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

    Examples
    --------
    A cone-shaped hole, 3 m deep at its middle, in a flat bottom of 0.5 m.

    >>> x = np.arange(-20.0, 21.0)
    >>> hole = np.maximum(3.0 - 0.15 * np.hypot(x, x[:, None]), 0.5)
    >>> lines, summary = depth_contours(
    ...     Grid(hole, 0.0, 41.0, 1.0, 1.0), interval=1.0, unit="m", smoothing=0.0)
    >>> lines.attributes["label"], lines.attributes["closed"], summary["humps"]
    (['1', '2'], [1, 1], 0)
    """
    if index_every < 1:
        raise LakefloorError(f"Index contours need a count of 1 or more, not {index_every}.")
    every = ContourInterval(interval, unit, base)
    gap = interval * every.meters
    depth = masked(grid, shoreline)
    surface = smoothed(depth, uncertainty, smoothing, gap, span(progress, 0.0, 0.3))
    steps = every.steps(surface)
    levels = every.depths(steps)
    domain = make_domain(snapped(surface, levels), shoreline, cut)
    rings, dropped = trace_rings(
        domain,
        levels,
        minimum_area(grid, min_area),
        shoreline is not None,
        span(progress, 0.3, 0.8),
    )
    lines = clip_rings(rings, len(levels), domain, span(progress, 0.8, 0.9))
    if not lines:
        raise LakefloorError(_no_contour(surface, every, dropped["humps"] + dropped["hollows"]))
    kinds, spots = kinds_and_spots(lines, depth, surface, span(progress, 0.9, 0.95))
    found = Lines([], {name: [] for name in _LINE_ATTRIBUTES})
    for number, (line, kind, spot) in enumerate(zip(lines, kinds, spots), 1):
        progress(0.95 + 0.05 * number / len(lines))
        step = int(steps[line.level])
        known = (
            float(levels[line.level]),
            every.figure(step),
            unit,
            f"{every.figure(step):g}",
            int(step % index_every == 0),
            kind,
        )
        _add_parts(found, split_by_support(line.xy, uncertainty, gap), known, spot, number)
    progress(1.0)
    lengths = np.array([planar_length(xy) for xy in found.coords])
    total, share = float(lengths.sum()), None
    if uncertainty is not None:
        share = float(lengths[np.array(found.attributes["supported"]) == 1].sum() / total)
    return found, {"length": total, "supported": share, **dropped}


def _no_contour(surface: Grid, every: ContourInterval, small: int) -> str:
    """Return the sentence of a surface that no level falls in."""
    low, high = (edge(surface.values) / every.meters for edge in (np.nanmin, np.nanmax))
    left_out = f"Closed lines smaller than the minimum area: {small}. " if small else ""
    return (
        f"No contour falls between the shallowest depth, {written(low, '.2f')} {every.unit}, and "
        f"the deepest, {written(high, '.2f')} {every.unit}. {left_out}"
        f"Choose an interval below {written(every.interval, 'g')} {every.unit}."
    )


def _add_parts(found: Lines, parts: list, known: tuple, spot: tuple | None, number: int) -> None:
    """Add the parts of a line; its spot depth goes to the longest."""
    longest = int(np.argmax([planar_length(xy) for xy, _ in parts]))
    meters = LENGTH[known[2]]
    for i, (xy, supported) in enumerate(parts):
        found.coords.append(xy)
        figure, x, y = spot if spot and i == longest else (None, None, None)
        row = (
            *known,
            int(np.array_equal(xy[0], xy[-1])),
            supported,
            None if figure is None else round(figure / meters, 3),
            x,
            y,
            number,
        )
        for name, value in zip(_LINE_ATTRIBUTES, row):
            found.attributes[name].append(value)


def depth_areas(
    grid: Grid,
    *,
    interval: float | None = None,
    levels: Sequence[float] | None = None,
    unit: str = "ft",
    uncertainty: Grid | None = None,
    shoreline: BaseGeometry | None = None,
    cut: BaseGeometry | None = None,
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
    grid, unit, uncertainty, shoreline, cut, smoothing, base, min_area, progress
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
    every = ContourInterval(1.0 if interval is None else interval, unit, base)
    gap = every.interval
    if levels is not None:
        levels = _rising(levels)
        gap = np.diff(levels).min() if len(levels) > 1 else 1.0
    surface = smoothed(
        masked(grid, shoreline),
        uncertainty,
        smoothing,
        gap * every.meters,
        span(progress, 0.0, 0.3),
    )
    if levels is None:
        traced, figures = _even_ranges(surface, every)
    else:
        traced, figures = _given_ranges(surface, levels, every.meters)
    domain = make_domain(snapped(surface, traced), shoreline, cut)
    rings, _ = trace_rings(
        domain,
        traced,
        minimum_area(grid, min_area),
        shoreline is not None,
        span(progress, 0.3, 0.7),
        floor=True,
    )
    found = Areas([], {name: [] for name in _AREA_ATTRIBUTES})
    ranges = _faces_by_range(rings, len(traced) + 1)
    for band, part in enumerate(ranges):
        span(progress, 0.7, 1.0)(band / len(ranges))
        area = polygons_of(MultiPolygon(part).intersection(domain.polygon))
        if not area.is_empty:
            _add_area(found, area, figures[band], figures[band + 1], every)
    progress(1.0)
    return found


def _rising(levels) -> np.ndarray:
    """Return depths as an array, or raise LakefloorError unless they rise."""
    levels = np.asarray(levels, dtype=float)
    if not len(levels) or not np.all(np.isfinite(levels)) or np.any(np.diff(levels) <= 0):
        raise LakefloorError(
            f"The depths {levels.tolist()} do not rise. Give numbers in rising order."
        )
    return levels


def _even_ranges(surface: Grid, every: ContourInterval) -> tuple:
    """Return the levels that part a surface, m, and the bounds of its ranges, in the unit."""
    steps = every.steps(surface)
    first = np.nanmin(surface.values) / every.meters
    first = steps[0] if len(steps) else np.floor((first - every.base) / every.interval) + 1
    bounds = every.base + (first - 1 + np.arange(len(steps) + 2)) * every.interval
    return every.depths(steps), (np.round(bounds, 9) + 0.0).tolist()


def _given_ranges(surface: Grid, levels: np.ndarray, meters: float) -> tuple:
    """Return the same for levels that were given; None is no bound."""
    low, high = np.nanmin(surface.values), np.nanmax(surface.values)
    inner = levels[(levels * meters >= low) & (levels * meters <= high)]
    above = levels[levels * meters > high]
    below = levels[levels * meters < low]
    return inner * meters, [
        float(below[-1]) if len(below) else round(float(low / meters), 2),
        *map(float, inner),
        float(above[0]) if len(above) else None,
    ]


def _faces_by_range(rings: list[Ring], count: int) -> list:
    """Return the polygons of each range of depth that the rings part."""
    ranges = [[] for _ in range(count)]
    for face, number in faces([ring.xy for ring in rings]):
        ring = rings[number]
        # A ring that runs clockwise has the shallower side inside; inside such a
        # ring of the floor there is no surface.
        band = ring.level + 1 if ring.area > 0 else ring.level
        if band >= 0:
            ranges[band].append(face)
    return ranges


def _add_area(
    found: Areas, area: MultiPolygon, start: float, stop: float | None, every: ContourInterval
) -> None:
    found.polygons.append(area)
    label = f"over {start:g}" if stop is None else f"{start:g} to {stop:g}"
    row = (
        *(None if depth is None else float(depth * every.meters) for depth in (start, stop)),
        float(start),
        None if stop is None else float(stop),
        every.unit,
        f"{label} {every.unit}",
        area.area,
    )
    for name, value in zip(_AREA_ATTRIBUTES, row):
        found.attributes[name].append(value)
