"""Survey lanes over a lake or a part of it, in an order that saves fuel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..number_text import written
from ..polygons import rings
from ..polylines import planar_length
from ..progress import Progress, silent, span
from .boat import USUAL_BOAT, Boat
from .driving import CROSS_LINE, LANE, driven, launch_place, length_of, links_between, shallow_cells
from .lane_layout import across_contours, axes, down_slope, long_axis, parallel_lanes, spacing_for
from .tour import least_links, links, order_lanes
from .water_routes import navigable, prepare_water

_MOST_LANES = 2000


@dataclass(frozen=True)
class LanePlan:
    """Lanes in the order to run them.

    Attributes
    ----------
    lines : Lines
        Lanes, cross-lines and the transits between them, each in driving direction, with
        :data:`~.driving.ATTRIBUTES`.
    spacing, heading : float
        Of the lanes, m, and degrees clockwise from grid north, 0 to 180.
    lanes, cross_lines : int
    lane_m, cross_m, transit_m : float
        Lengths, m.
    minutes : float
        Time on the water, turns included.
    least_m : float
        Sound lower bound of the total length, m: that of the lanes and cross-lines, plus the
        least that the links of any tour through them need; see :func:`~.tour.least_links`.
    dropped, dropped_m : int, float
        Pieces shorter than half the spacing, left out.
    unreached, unreached_m : int, float
        Lanes in water that cannot be reached from the rest, left out.
    """

    lines: Lines
    spacing: float
    heading: float
    lanes: int
    cross_lines: int
    lane_m: float
    cross_m: float
    transit_m: float
    minutes: float
    least_m: float
    dropped: int
    dropped_m: float
    unreached: int
    unreached_m: float

    @property
    def total_m(self) -> float:
        return self.lane_m + self.cross_m + self.transit_m


def survey_lanes(
    area: BaseGeometry,
    *,
    spacing: float | None = None,
    to_find: tuple[float, float, float] | None = None,
    heading: float | None = None,
    lake: BaseGeometry | None = None,
    contours: Sequence = (),
    depth: Grid | None = None,
    cross_share: float = 0.1,
    launch: np.ndarray | None = None,
    boat: Boat = USUAL_BOAT,
    progress: Progress = silent,
) -> LanePlan:
    """Return parallel lanes and cross-lines over an area, in an order that saves fuel.

    >>> from shapely.geometry import box
    >>> plan = survey_lanes(box(0, 0, 300, 100), spacing=30.0, cross_share=0.0)
    >>> plan.lanes, plan.heading, round(plan.lane_m), round(plan.transit_m)
    (3, 90.0, 870, 60)

    Parameters
    ----------
    area : Polygon or MultiPolygon
        To be surveyed, islands as holes, m.
    spacing : float, optional
        Between lanes, m.
    to_find : tuple of float, optional
        Width and height of the smallest feature to find, and contour interval, m. Without a
        spacing, it is derived from these by :func:`spacing_for`.
    heading : float, optional
        Of the lanes, degrees clockwise from grid north. If None, across the contours, else
        across those of the depth grid, else along the longer axis of the area.
    lake : Polygon or MultiPolygon, optional
        The water in which lanes and transits stay; the area itself if None.
    contours : sequence of array, shape (k, 2), optional
        Of an older map, m.
    depth : Grid, optional
        Depths of an older map, m, positive down.
    cross_share : float
        Length of cross-lines as a share of that of the lanes, 0 to 1.
    launch : array, shape (2,), optional
        Where the tour begins and ends, m; without, it begins and ends at the lanes that suit
        best.
    boat : Boat
        Its minimum depth holds for the cells of ``depth``.
    progress : callable

    Raises
    ------
    LakefloorError
        If there is neither a spacing nor what it is derived from, the area is smaller than the
        spacing or outside the lake, the launch is not at its water, or a figure is out of range.

    Notes
    -----
    Lanes are centered on the area, so that its edges lie no farther than half a spacing from
    one. Those that an island or a bay interrupts are separate lanes. Cross-lines run at right
    angles, about ``spacing / cross_share`` apart, at least one. For the order see
    :func:`~.tour.order_lanes`; links between lanes are the shortest ways by water,
    :func:`~.water_routes.route`.

    On plain shapes the order is the run to and fro (boustrophedon) over each part that an
    island or a bay sets off (Choset 2001).

    References
    ----------
    Choset, H. (2001). Coverage for robotics - a survey of recent results. Annals of Mathematics
    and Artificial Intelligence 31, 113-126.
    """
    if spacing is None:
        if to_find is None:
            raise LakefloorError("Give the lane spacing, or the minimum width and height to find.")
        spacing = spacing_for(*to_find)
    _check(spacing, cross_share)
    lake = area if lake is None else lake
    within, passage = _water_within(area, lake, depth, boat)
    if heading is None:
        heading = _heading_of(within, contours, depth)
    heading = heading % 180.0
    lanes, crossing, dropped = _laid_out(within, heading, spacing, cross_share)
    progress(0.05)
    water = prepare_water(passage)
    kinds = [LANE] * len(lanes) + [CROSS_LINE] * len(crossing)
    runs = lanes + crossing
    start = None if launch is None else launch_place(water, lake, launch, boat.buffer_m)
    between = links_between(water, runs, start, span(progress, 0.1, 0.5))
    keep = _reachable(between, runs)
    lost = [run for run, kept in zip(runs, keep[1:]) if not kept]
    runs = [run for run, kept in zip(runs, keep[1:]) if kept]
    kinds = [kind for kind, kept in zip(kinds, keep[1:]) if kept]
    ends = np.repeat(keep, 2)
    between = between[np.ix_(ends, ends)]
    tour = order_lanes(between, span(progress, 0.5, 0.9))
    lines = driven(water, runs, kinds, tour, start, boat)
    progress(1.0)
    lane_m, cross_m = length_of(lines, LANE), length_of(lines, CROSS_LINE)
    return LanePlan(
        lines,
        spacing,
        heading,
        kinds.count(LANE),
        kinds.count(CROSS_LINE),
        lane_m,
        cross_m,
        transit_m=links(tour, between),
        minutes=lines.attributes["elapsed_min"][-1],
        least_m=lane_m + cross_m + least_links(between),
        dropped=len(dropped),
        dropped_m=float(sum(dropped)),
        unreached=len(lost),
        unreached_m=float(sum(map(planar_length, lost))),
    )


def _check(spacing, cross_share):
    if not (np.isfinite(spacing) and spacing > 0):
        raise LakefloorError(f"The lane spacing is {written(spacing, 'g')} m. Give one above 0 m.")
    if not 0.0 <= cross_share <= 1.0:
        raise LakefloorError(
            f"The length of the cross-lines is {written(100.0 * cross_share, 'g')}% of that of the "
            "lanes. Give 0% to 100%."
        )


def _water_within(area, lake, depth, boat) -> tuple:
    """Return the part of the area where lanes may lie, and where the boat may pass."""
    within, passage = navigable(lake, boat.buffer_m, shallow_cells(depth, boat.min_depth))
    if not area.intersects(lake):
        raise LakefloorError(
            "The area lies outside the lake. Set the right coordinate reference system of both, "
            "then run again."
        )
    within = within.intersection(area)
    if within.is_empty or not within.area > 0:
        raise LakefloorError(
            f"All of the area lies within the shore buffer of {written(boat.buffer_m, 'g')} m or "
            "in water that is too shallow. Give a smaller shore buffer or minimum depth."
        )
    return within, passage


def _heading_of(within, contours, depth) -> float:
    """Return the heading across contours, else across those of a grid, else along the area."""
    found = (
        across_contours(contours),
        down_slope(depth) if depth is not None else np.nan,
        long_axis(within),
    )
    return next(h for h in found if np.isfinite(h))


def _laid_out(within, heading, spacing, cross_share) -> tuple:
    """Return lanes, cross-lines, and the lengths of the pieces left out."""
    _check_size(within, heading, spacing)
    lanes, dropped = parallel_lanes(within, heading, spacing)
    if not lanes:
        raise LakefloorError(
            f"No lane as long as half the lane spacing of {written(spacing, 'g')} m fits into the "
            "area. Give a smaller lane spacing."
        )
    crossing = []
    if cross_share > 0:
        extent = np.ptp(np.concatenate(rings(within)) @ axes(heading)[0])
        apart = extent / max(round(extent * cross_share / spacing), 1)
        crossing, _ = parallel_lanes(within, heading + 90.0, apart, shortest=2.0 * spacing)
    if len(lanes) + len(crossing) > _MOST_LANES:
        raise LakefloorError(
            f"The plan has {len(lanes) + len(crossing)} lanes, but at most {_MOST_LANES} can be "
            "put in order. Split the area, or give a larger lane spacing."
        )
    return lanes, crossing, dropped


def _reachable(between, runs) -> np.ndarray:
    """Mask of lanes, the launch first, that one boat can run; the longest such set."""
    n = len(between) // 2
    linked = np.isfinite(between.reshape(n, 2, n, 2)).all(axis=(1, 3))
    open_tour = not between[0].any()
    if open_tour:
        linked[0] = linked[:, 0] = False
    _, part = connected_components(linked, directed=False)
    weight = np.bincount(part, weights=[0.0, *map(planar_length, runs)])
    chosen = np.argmax(weight) if open_tour else part[0]
    keep = part == chosen
    keep[0] = True
    if not keep[1:].any():
        raise LakefloorError(
            "No lane can be reached by water from the launch point. Give a smaller shore buffer "
            "or minimum depth, or another launch point."
        )
    return keep


def _check_size(within, heading, spacing):
    points = np.concatenate(rings(within))
    along, aside = (np.ptp(points @ axis) for axis in axes(heading))
    if max(along, aside) < spacing:
        raise LakefloorError(
            f"Without its shore buffer the area is {along:.0f} m by {aside:.0f} m, smaller than "
            f"the lane spacing of {written(spacing, 'g')} m. Give a smaller lane spacing or a "
            "larger area."
        )
    if aside / spacing > _MOST_LANES:
        raise LakefloorError(
            f"A lane spacing of {written(spacing, 'g')} m makes {aside / spacing:.0f} lanes. Give "
            "a larger one, or check that the area is in meters."
        )
