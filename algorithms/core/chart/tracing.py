"""Rings and lines of all levels, traced on a surface and cut to the mapped area."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from shapely.geometry import MultiLineString
from shapely.ops import linemerge

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..progress import Progress, silent
from .contour_domain import Domain, lines_of, signed_area
from .marching_squares import square_ranges, trace

# Rings smaller than this many cells are noise by default.
MIN_CELLS = 4.0


class Ring(NamedTuple):
    """A closed ring around the depths beyond a level, traced on the continued surface.

    Attributes
    ----------
    level : int
        Number of the level; -1 for the outline of the continued surface.
    xy : array, shape (k, 2)
        m; deeper water lies on the left.
    area : float
        m2, positive if counter-clockwise.
    within : bool
        Whether it lies wholly in the mapped area.
    """

    level: int
    xy: np.ndarray
    area: float
    within: bool


class ContourLine(NamedTuple):
    """A line of one level within the mapped area; fields as :class:`Ring`, area 0 where open."""

    level: int
    xy: np.ndarray
    area: float


def minimum_area(grid: Grid, given: float | None) -> float:
    """Return the area below which closed lines are noise, m2: as given, or four cells."""
    if given is None:
        return MIN_CELLS * grid.dx * grid.dy
    if not given >= 0:
        raise LakefloorError(
            f"The minimum area of closed lines must be 0 m² or more, not {written(given, 'g')} m²."
        )
    return given


def trace_rings(
    domain: Domain,
    levels: np.ndarray,
    min_area: float,
    shore: bool,
    progress: Progress = silent,
    floor: bool = False,
) -> tuple:
    """Trace all levels.

    Parameters
    ----------
    domain : Domain
    levels : array
        m, rising.
    min_area : float
        Rings within the mapped area around less than this are left out, m2.
    shore : bool
        Whether the domain ends at a shoreline.
    progress : callable
    floor : bool
        Whether the outline of the continued surface comes first, as level -1.

    Returns
    -------
    rings : list of Ring
    dropped : dict
        How many ``humps`` and ``hollows`` were left out.
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
            domain.wet if ashore else domain.values,
            level,
            wet_ranges if ashore else ranges,
            domain.outside,
            flat_tops=not ashore,
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
                rings.append(Ring(index, xy, area, bool(within[i])))
    progress(1.0)
    return rings, dropped


def clip_rings(
    rings: list[Ring], count: int, domain: Domain, progress: Progress = silent
) -> list[ContourLine]:
    """Cut the rings of ``count`` levels to the mapped area; return lines from shallow to deep."""
    lines = []
    by_level = [[] for _ in range(count)]
    for ring in rings:
        by_level[ring.level].append(ring)
    for level, members in enumerate(by_level):
        progress(level / count)
        lines += [ContourLine(level, ring.xy, ring.area) for ring in members if ring.within]
        crossing = [ring.xy for ring in members if not ring.within]
        if not crossing:
            continue
        cut = lines_of(MultiLineString(crossing).intersection(domain.polygon))
        merged = lines_of(linemerge(cut)) if len(cut) > 1 else cut
        follows = {
            tuple(a): tuple(b)
            for ring in crossing
            for a, b in zip(ring[:-1].tolist(), ring[1:].tolist())
        }
        for piece in merged:
            xy = _directed(np.asarray(piece.coords)[:, :2], follows, crossing)
            closed = np.array_equal(xy[0], xy[-1])
            lines.append(ContourLine(level, xy, signed_area(xy) if closed else 0.0))
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
