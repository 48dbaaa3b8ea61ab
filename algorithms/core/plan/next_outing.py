"""Gaps of a surface, and the lanes of the next outing that close most of them in its time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import cells_polygon
from ..errors import LakefloorError
from ..grid import Areas, Lines, Surface
from ..number_text import written
from ..polylines import planar_length
from ..progress import Progress, silent, span
from .boat import USUAL_BOAT, Boat
from .candidate_lanes import (
    best_by_gap,
    candidate_lanes,
    distance_within,
    gain_of_distance,
    heading_so_far,
    most_gainful,
)
from .driving import (
    ATTRIBUTES,
    LANE,
    TRANSIT,
    driven,
    launch_place,
    length_of,
    links_between,
    shallow_cells,
)
from .lane_choice import Offer, choose_lanes, join_lanes, link_times
from .survey_gaps import (
    check_known,
    coarse_surface,
    describe_gaps,
    drawn_cells,
    limits,
    number_gaps,
    spacing_to_come,
)
from .water_routes import navigable, prepare_water

#: Names of the attributes of the lines of an outing.
LINE_ATTRIBUTES = (*ATTRIBUTES, "gain_m3")


@dataclass(frozen=True)
class Outing:
    """The gaps of a surface and a plan for the next outing.

    Attributes
    ----------
    gaps : Areas
        By rank, with :data:`~.survey_gaps.GAP_ATTRIBUTES`; ``gain_m3`` is what the best lane
        through it gains.
    lines : Lines
        Lanes and transits in driving order, with :data:`LINE_ATTRIBUTES`.
    limit, noise : float
        Standard uncertainty that the contour interval allows, and that at the soundings, m.
    spacing : float
        Between the lanes of the outing, m.
    lanes : int
    lane_m, transit_m, minutes : float
    mean_before, mean_after : float
        Mean standard uncertainty over the water, m; after the outing as expected.
    gap_before, gap_after : float
        Area of the gaps, m2.
    left_over : int
        Gaps too small or too near the shore for a lane; those smaller than two spacings squared
        are not among ``gaps``.
    """

    gaps: Areas
    lines: Lines
    limit: float
    noise: float
    spacing: float
    lanes: int
    lane_m: float
    transit_m: float
    minutes: float
    mean_before: float
    mean_after: float
    gap_before: float
    gap_after: float
    left_over: int


def next_outing(
    surface: Surface,
    *,
    interval_m: float,
    launch: np.ndarray,
    minutes: float,
    lake: BaseGeometry | None = None,
    spacing: float | None = None,
    structure: Sequence = (),
    boat: Boat = USUAL_BOAT,
    unit: str = "m",
    progress: Progress = silent,
) -> Outing:
    """Find where a surface does not support a contour interval, and plan lanes through there.

    Parameters
    ----------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m.
    interval_m : float
        Contour interval wanted, m.
    launch : array, shape (2,)
        Where the outing begins and ends, m.
    minutes : float
        Time from the launch and back.
    lake : Polygon or MultiPolygon, optional
        Islands as holes, m. Places within it without a depth are gaps. The outline of the
        surface if None.
    spacing : float, optional
        Between lanes of the outing, m; half of that of the lanes so far if None.
    structure : sequence of array, shape (k, 2), optional
        Breaklines and transitions, m: places within a spacing of one count double.
    boat : Boat
    unit : {"m", "ft"}
        Of the figures in the words that describe a gap.
    progress : callable

    Raises
    ------
    LakefloorError
        If the surface has no uncertainty or distance, the launch is not at its water, a figure
        is out of range, or nothing of use can be reached in the time.

    Notes
    -----
    An interval is supported where nine depths in ten are right within half of it: a standard
    uncertainty of at most 0.304 of the interval (NMAS 1947). Gaps are the places above that,
    or above 1.2 times the uncertainty at the soundings where that is more.

    The gain of a lane is what it lowers the standard uncertainty in gaps by, summed over their
    area; a bottom of 10 % slope or more counts double, and so does one that a given line runs
    through. After a lane the uncertainty of a place is what the surface's own growth with
    distance, :func:`~.survey_gaps.fit_uncertainty_law`, makes of it at the smaller distance.

    Lanes are chosen one after the other by gain per minute, turns and the way to them included,
    among pieces of straight lines over the gaps, in the direction of the lanes so far and five
    others, until the time is used
    (orienteering; Golden, Levy and Vohra 1987; the gain of a set of lanes is submodular, for
    which choosing greedily is within a constant of the best, Nemhauser, Wolsey and Fisher
    1978). The tour is shortened after each choice, and at the end the least useful lanes are
    exchanged as long as that helps.

    References
    ----------
    National Map Accuracy Standards (1947). U.S. Bureau of the Budget.
    Golden, B. L., Levy, L. and Vohra, R. (1987). The orienteering problem. Naval Research
    Logistics 34(3), 307-318.
    Nemhauser, G. L., Wolsey, L. A. and Fisher, M. L. (1978). An analysis of approximations for
    maximizing submodular set functions. Mathematical Programming 14, 265-294.
    """
    check_known(surface, {"contour interval": interval_m, "time": minutes})
    if spacing is None:
        spacing = spacing_to_come(surface)
    if not (np.isfinite(spacing) and spacing > 0):
        raise LakefloorError(f"The lane spacing is {written(spacing, 'g')} m. Give one above 0 m.")
    if lake is None:
        lake = cells_polygon(drawn_cells(surface), surface.depth)
    shallow = shallow_cells(surface.depth, boat.min_depth)
    within, passage = navigable(lake, boat.buffer_m, shallow)
    water = prepare_water(passage)
    start = launch_place(water, lake, launch, boat.buffer_m)
    field = coarse_surface(surface, lake, structure, spacing)
    progress(0.1)
    wanted, limit = limits(field, interval_m)
    gap, count = number_gaps(field, limit, spacing)
    # A lane shorter than the way that two turns take is not worth turning into.
    unit_of_length = max(spacing, boat.speed * boat.turn_s)
    runs = candidate_lanes(
        field, gap, within, spacing, unit_of_length, heading_so_far(surface.bands[2])
    )
    runs, touched = most_gainful(field, gap, runs, span(progress, 0.1, 0.3))
    lines, distance = Lines([], {name: [] for name in LINE_ATTRIBUTES}), field.distance
    if runs:
        lines = _lanes_in_time(
            field, water, runs, touched, start, boat, minutes, span(progress, 0.3, 0.95)
        )
        lines, distance = _with_gains(field, gap > 0, lines)
    gaps = describe_gaps(
        field,
        gap,
        best_by_gap(field, gap, count, touched),
        distance,
        wanted,
        spacing,
        [xy for xy, kind in zip(lines.coords, lines.attributes["kind"]) if kind == LANE],
        unit,
    )
    progress(1.0)
    return _outing(field, gap > 0, gaps, lines, distance, limit, wanted, spacing, count)


def _lanes_in_time(field, water, runs, touched, start, boat, minutes, progress) -> Lines:
    """Return lanes and transits in driving order that gain most in the time."""
    between = links_between(water, runs, start, span(progress, 0.0, 0.3))
    seconds = link_times(between, runs, boat)
    lasting = np.array([planar_length(run) / boat.speed for run in runs])
    offer = Offer(field, touched, seconds, lasting, 60.0 * minutes)
    tour = choose_lanes(offer, span(progress, 0.3, 1.0))
    if len(tour) < 2:
        nearest = (seconds[0, 2::2] + seconds[0, 3::2] + lasting).min() / 60.0
        raise LakefloorError(
            f"No lane through a gap can be run in {written(minutes, 'g')} minutes. The nearest one "
            f"and back takes {nearest:.0f}. Give more time, or a launch point that is nearer."
        )
    runs, tour = join_lanes(runs, tour)
    return driven(water, runs, [LANE] * len(runs), tour, start, boat)


def _with_gains(field, counted, lines) -> tuple:
    """Return the lines with what each gains after those before it, and the distances then."""
    gained, distance = [], field.distance
    for xy in lines.coords:
        nearer = np.minimum(distance, distance_within(field, xy))
        gained.append(gain_of_distance(field, counted, distance, nearer))
        distance = nearer
    return Lines(lines.coords, {**lines.attributes, "gain_m3": gained}), distance


def _outing(field, in_gap, gaps, lines, distance, limit, wanted, spacing, count) -> Outing:
    sigma = field.law.nearer(field.sigma, field.distance, distance)
    planned = len(lines) > 0
    return Outing(
        gaps,
        lines,
        limit=wanted,
        noise=field.law.noise,
        spacing=spacing,
        lanes=lines.attributes["kind"].count(LANE),
        lane_m=float(length_of(lines, LANE)),
        transit_m=float(length_of(lines, TRANSIT)),
        minutes=lines.attributes["elapsed_min"][-1] if planned else 0.0,
        mean_before=float(field.sigma.mean()),
        mean_after=float(sigma.mean()) if planned else float(field.sigma.mean()),
        gap_before=float(in_gap.sum() * field.grid.cell_area),
        gap_after=float((sigma > limit).sum() * field.grid.cell_area)
        if planned
        else float(in_gap.sum() * field.grid.cell_area),
        left_over=count - sum(g > 0 for g in gaps.attributes["gain_m3"]) if planned else count,
    )
