"""The one lane to drive next: the best by gain per minute from where the boat is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import polygons_of
from ..errors import LakefloorError
from ..grid import Surface
from ..number_text import written
from .boat import USUAL_BOAT, Boat
from .candidate_lanes import LONGEST_LANE, candidate_lanes, heading_so_far, on_grid, over_gaps
from .lane_rates import best_lane
from .lane_water import Start, open_water, reaching_over
from .lane_words import why_lane
from .survey_gaps import (
    CoarseSurface,
    check_known,
    coarse_surface,
    distance_to_line,
    limits,
    spacing_to_come,
)

#: An uncertainty this many times the limit counts no more than that: else the middle of water that
#: was never sounded would draw the boat across the lake and back.
_MOST_DOUBT = 1.5

#: Places nearer to a sounding than this share of the spacing gain nothing by one more lane.
_SOUNDED = 0.25

#: Water within so many of the longest lanes is looked at first, and then twice as far as long as a
#: lane in open water beyond it could gain more a minute than what is near.
_REACH = 2.0

#: A lane that was proposed is kept unless another gains so many times as much a minute.
_KEPT = 1.3


@dataclass(frozen=True)
class NextLane:
    """A lane to drive next.

    Attributes
    ----------
    line : array, shape (2, 2)
        From its nearer end on, m.
    to_start_m : float
        Way from the boat to its beginning by water, m.
    length_m : float
    minutes : float
        For the way there, the turn and the lane.
    gain_m3 : float
        What it lowers the standard uncertainty in gaps by, summed over their area.
    why : str
        A sentence.
    """

    line: np.ndarray
    to_start_m: float
    length_m: float
    minutes: float
    gain_m3: float
    why: str


@dataclass(frozen=True)
class LaneAdvice:
    """What to drive next, or that nothing is left.

    Attributes
    ----------
    lane : NextLane or None
        None where no lane of use is left, or none that fits into the time.
    in_time : bool
        False where lanes are left, but none fits into the time.
    supported : float
        Share of the water whose uncertainty supports the contour interval, within a lane spacing of
        a sounding, 0 to 1.
    """

    lane: NextLane | None
    in_time: bool
    supported: float


def next_lane(
    surface: Surface,
    *,
    interval_m: float,
    boat_xy: np.ndarray,
    lake: BaseGeometry | None = None,
    max_gap: float | None = None,
    spacing: float | None = None,
    boat: Boat = USUAL_BOAT,
    kept: np.ndarray | None = None,
    passed_over: Sequence = (),
    launch: np.ndarray | None = None,
    minutes_left: float | None = None,
    unit: str = "m",
) -> LaneAdvice:
    """Find the lane to drive next, by gain per minute from where the boat is.

    Parameters
    ----------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m; cells of about a
        quarter of a lane spacing will do.
    interval_m : float
        Contour interval wanted, m.
    boat_xy : array, shape (2,)
        Where the boat is, m.
    lake : Polygon or MultiPolygon, optional
        Islands as holes, m; all of it is to be mapped, sounded or not. If None, the water between the
        lanes so far.
    max_gap : float, optional
        Without ``lake``: the farthest that lanes stand apart which have water between them is
        twice this, m; four times the spacing if None.
    spacing : float, optional
        Of the lanes, m; half of that of the lanes so far if None.
    boat : Boat
    kept : array, shape (2, 2), optional
        A lane that was proposed before, maybe driven in part: it stays, unless another is clearly
        better.
    passed_over : sequence of array, shape (2, 2)
        Lanes that the person does not want: what lies within half a spacing of one is no gap.
    launch : array, shape (2,), optional
        Where the boat must be at the end of its time, m; where it is now if None.
    minutes_left : float, optional
        Until then; without limit if None.
    unit : {"m", "ft"}
        Of the figures in words.

    Returns
    -------
    LaneAdvice

    Raises
    ------
    LakefloorError
        If the surface has no uncertainty or distance or holds nothing, the boat is far from the
        water, or a figure is out of range.

    Notes
    -----
    Gaps, candidates, and what a lane gains are those of :func:`~.next_outing.next_outing`, but for
    three things. Places farther than the lane spacing from any sounding are gaps, however smooth
    the bottom seems from afar. Uncertainty counts up to 1.5 times what the interval allows, so that
    lanes stand side by side instead of parting unsounded water into ever smaller halves. And places
    that have a sounding within a quarter of the spacing are no gaps: where the bottom is so rough
    that one more lane beside it does not help, none is asked for.

    A lane is chosen by itself, without those after it (a greedy choice by gain per time, as of
    Golden, Levy and Vohra 1987): the boat goes where it likes, and the next choice begins there.

    References
    ----------
    Golden, B. L., Levy, L. and Vohra, R. (1987). The orienteering problem. Naval Research
    Logistics 34(3), 307-318.
    """
    check_known(surface, {"contour interval": interval_m})
    spacing = spacing_to_come(surface) if spacing is None else spacing
    if not (np.isfinite(spacing) and spacing > 0):
        raise LakefloorError(f"The lane spacing is {written(spacing, 'g')} m. Give one above 0 m.")
    if lake is not None:
        surface = reaching_over(surface, lake)
    water = open_water(surface, lake, boat, spacing, max_gap)
    start = Start.of(water, boat, boat_xy, launch, minutes_left)
    field = coarse_surface(surface, water.lake, (), spacing)
    _, limit = limits(field, interval_m)
    counted, doubtful = _counted(field, limit, spacing)
    supported = float(1.0 - doubtful.mean())
    gap = doubtful & _helped(field, spacing, passed_over)
    if not gap.any():
        return LaneAdvice(None, True, supported)
    heading = heading_so_far(surface.bands[2])
    choice, left = _choose(counted, gap, water, start, spacing, heading, kept)
    if choice is None:
        return LaneAdvice(None, not left, supported)
    lane = NextLane(
        choice.line,
        choice.to_start_m,
        choice.length_m,
        choice.seconds / 60.0,
        choice.gain_m3,
        why_lane(field, gap, choice.line, limit, unit),
    )
    return LaneAdvice(lane, True, supported)


def _counted(field: CoarseSurface, limit, spacing) -> tuple:
    """Return the surface with its uncertainty as far as it counts, and which cells are doubtful."""
    law, most = field.law, _MOST_DOUBT * limit
    unseen = field.distance > spacing
    noise = np.minimum(field.sigma, law.noise)
    over = np.maximum(field.sigma**2 - noise**2, 1e-12)
    # Where soundings would have to lie for an uncertainty at the bound, by the place's own growth.
    share = np.clip((most**2 - noise**2) / over, 0.0, 1.0) ** (0.5 / law.power)
    distance = np.where(unseen, np.minimum(field.distance * share, spacing), field.distance * share)
    sigma = np.where(unseen, most, np.minimum(field.sigma, most))
    return replace(field, sigma=sigma, distance=distance), sigma > limit


def _helped(field: CoarseSurface, spacing, passed_over) -> np.ndarray:
    """Tell where a lane may help: away from soundings, and from lanes that nobody wants."""
    out = field.distance > max(_SOUNDED * spacing, field.grid.dx / 2.0)
    for line in passed_over:
        out &= distance_to_line(np.asarray(line, float), field.x, field.y) > spacing / 2.0
    return out


def _choose(field, gap, water, start: Start, spacing, heading, kept) -> tuple:
    """Return the best lane, or None, and whether any lane would gain something."""
    unit = max(spacing, start.boat.speed * start.boat.turn_s)
    reach = _REACH * LONGEST_LANE * unit
    bounds = water.within.bounds
    while True:
        around = box(*(start.into - reach), *(start.into + reach))
        near = polygons_of(water.within.intersection(around))
        runs = [] if near.is_empty else candidate_lanes(field, gap, near, spacing, unit, heading)
        choice, left = best_lane(field, gap, runs, start)
        if around.contains(box(*bounds)) or (
            choice is not None and choice.rate >= _rate_beyond(field, gap, start, reach, unit)
        ):
            break
        reach *= 2.0
    return _or_kept(field, gap, start, choice, kept, unit), left


def _rate_beyond(field, gap, start: Start, reach, unit) -> float:
    """Return about what a lane that begins ``reach`` m away gains a second in open water, m³."""
    widest = np.flatnonzero(gap)[np.argmax(field.distance[gap])]
    sigma, distance = field.sigma[widest], field.distance[widest]
    beside = distance * (np.arange(20) + 0.5) / 20.0
    taken = (sigma - field.law.nearer(sigma, distance, beside)).mean() * distance
    length = LONGEST_LANE * unit
    seconds = reach / start.boat.between_lanes + length / start.boat.speed + start.boat.turn_s
    return 2.0 * taken * field.weight[gap].mean() * length / seconds


def _or_kept(field, gap, start: Start, choice, kept, unit):
    """Return what is left of the lane that was proposed before, unless another is clearly better."""
    if kept is None or choice is None:
        return choice
    begin, end = np.asarray(kept, dtype=float)
    pieces = over_gaps(begin, end, on_grid(field, gap), field.grid, unit)
    before, _ = best_lane(field, gap, pieces, start)
    if before is None or choice.rate > _KEPT * before.rate:
        return choice
    return before
