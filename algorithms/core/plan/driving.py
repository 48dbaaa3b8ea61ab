"""Lanes and transits in driving order, from the launch and back."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from ..chart.contour_domain import cells_polygon
from ..grid import Grid, Lines
from ..polylines import planar_length
from ..progress import Progress, silent
from .boat import Boat
from .water_routes import Water, distances, into_water, route

LANE, CROSS_LINE, TRANSIT = "lane", "cross-line", "transit"
#: Names of the attributes of planned lines.
ATTRIBUTES = ("leg", "kind", "lane", "heading_deg", "length_m", "minutes", "elapsed_min")

#: How far a launch may stand from water that the boat may enter, m, beyond the shore buffer.
LAUNCH_REACH = 30.0


def shallow_cells(depth: Grid | None, min_depth: float) -> BaseGeometry | None:
    """Return the outline of the cells known to be shallower than a depth, or None."""
    if depth is None or not min_depth > 0:
        return None
    shallow = depth.values < min_depth
    return cells_polygon(shallow, depth) if shallow.any() else None


def launch_place(
    water: Water, lake: BaseGeometry, launch: np.ndarray, buffer_m: float
) -> np.ndarray:
    """Return the launch, at the shore if it stands on land, and where passage begins; (2, 2)."""
    at = Point(np.asarray(launch, dtype=float))
    into = into_water(water, np.asarray(at.coords[0]), LAUNCH_REACH + buffer_m, "The launch point")
    if not lake.covers(at):
        at = nearest_points(lake, at)[0]
    return np.array([at.coords[0], into])


def links_between(
    water: Water, runs: list, start: np.ndarray | None, progress: Progress = silent
) -> np.ndarray:
    """Return the lengths of the ways between lane ends as :func:`~.tour.order_lanes` needs them.

    Parameters
    ----------
    runs : list of array, shape (2, 2)
    start : array, shape (2, 2), or None
        As of :func:`launch_place`; None for an open tour.
    """
    ends = np.concatenate(runs)
    if start is None:
        out = np.zeros((len(ends) + 2, len(ends) + 2))
        out[2:, 2:] = distances(water, ends, progress)
        return out
    out = distances(water, np.concatenate([start[[1, 1]], ends]), progress)
    on_shore = np.hypot(*(start[1] - start[0]))
    out[:2, 2:] += on_shore
    out[2:, :2] += on_shore
    return out


def driven(
    water: Water, runs: list, kinds: list, tour: np.ndarray, start: np.ndarray | None, boat: Boat
) -> Lines:
    """Return lanes and transits in driving order, with :data:`ATTRIBUTES`.

    Parameters
    ----------
    runs, kinds : list
        Lanes, arrays of shape (2, 2), m, and the kind of each.
    tour : array of int, shape (n, 2)
        As of :func:`~.tour.order_lanes`.
    start : array, shape (2, 2), or None
        As of :func:`launch_place`; None for an open tour.
    boat : Boat
    """
    coords, out = [], {name: [] for name in ATTRIBUTES}
    elapsed, number = 0.0, 0

    def add(xy, kind, pace, extra):
        nonlocal elapsed
        length = planar_length(xy)
        minutes = (length / pace + extra) / 60.0
        elapsed += minutes
        coords.append(xy)
        step = xy[-1] - xy[0]
        heading = float(np.degrees(np.arctan2(step[0], step[1])) % 360.0)
        row = (
            len(coords),
            kind,
            None if kind == TRANSIT else number,
            heading,
            length,
            minutes,
            elapsed,
        )
        for name, value in zip(ATTRIBUTES, row):
            out[name].append(value)

    def transit(a, b, before=(), after=()):
        xy = np.concatenate([*before, route(water, a, b), *after])
        xy = xy[np.r_[True, np.abs(np.diff(xy, axis=0)).max(axis=1) > 0]]
        if len(xy) > 1:
            add(xy, TRANSIT, boat.between_lanes, 0.0)

    at = None
    for entry, leave in tour[1:]:
        a, b = runs[entry // 2 - 1][entry % 2], runs[leave // 2 - 1][leave % 2]
        if at is not None:
            transit(at, a)
        elif start is not None:
            transit(start[1], a, before=[start[:1]])
        number += 1
        add(np.stack([a, b]), kinds[entry // 2 - 1], boat.speed, boat.turn_s)
        at = b
    if start is not None and at is not None:
        transit(at, start[1], after=[start[:1]])
    return Lines(coords, out)


def length_of(lines: Lines, kind: str) -> float:
    """Return the length of the lanes, cross-lines or transits of a plan, m."""
    return sum(
        meters
        for meters, each in zip(lines.attributes["length_m"], lines.attributes["kind"])
        if each == kind
    )
