"""Survey lanes over a lake or a part of it, in an order that saves fuel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from ..chart.contour_domain import cells_polygon, lines_of
from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..number_text import written
from ..polygons import rings
from ..progress import Progress, silent, span
from ..terrain import gradient
from ..units import MPH
from .tour import least_links, links, order_lanes
from .water_routes import Water, distances, into_water, navigable, prepare_water, route

LANE, CROSS_LINE, TRANSIT = "lane", "cross-line", "transit"
#: Names of the attributes of planned lines.
ATTRIBUTES = ("leg", "kind", "lane", "heading_deg", "length_m", "minutes", "elapsed_min")

#: How far a launch may stand from water that the boat may enter, m, beyond the shore buffer.
LAUNCH_REACH = 30.0
# Share of the directions of contours that must agree for them to set the heading.
_LEAST_AGREEMENT = 0.15
_SHORTEST = 0.5
_MOST_LANES = 2000


@dataclass(frozen=True)
class LanePlan:
    """Lanes in the order to run them.

    Attributes
    ----------
    lines : Lines
        Lanes, cross-lines and the transits between them, each in driving direction, with
        :data:`ATTRIBUTES`.
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


def spacing_for(width_m: float, height_m: float, interval_m: float) -> float:
    """Return the lane spacing that finds a hump or hollow and draws it to a contour interval, m.

    Parameters
    ----------
    width_m, height_m : float
        Of the smallest thing to be found, from foot to foot and from foot to top, m.
    interval_m : float
        Contour interval, m.

    Raises
    ------
    LakefloorError
        If one of them is not above 0.

    Notes
    -----
    The least of two: the width itself, so that no such thing lies between two lanes; and
    ``(2 width / pi) sqrt(interval / (2 height))``. Between lanes s apart, linear interpolation is
    wrong by at most ``s^2 / 8`` times the bottom's curvature (Davis 1975), which on a hump of
    cosine shape is ``(height / 2) (2 pi / width)^2``; that spacing keeps the error to half the
    interval.

    References
    ----------
    Davis, P. J. (1975). Interpolation and Approximation. Dover, theorem 3.1.1.
    """
    for name, value in (("width", width_m), ("height", height_m), ("contour interval", interval_m)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(
                f"The {name} is {written(value, 'g')} m. To derive the lane spacing, give one "
                "above 0 m."
            )
    return float(min(width_m, 2.0 * width_m / np.pi * np.sqrt(interval_m / (2.0 * height_m))))


def across_contours(contours) -> float:
    """Return the heading across contours, degrees clockwise from grid north, 0 to 180.

    Parameters
    ----------
    contours : sequence of array, shape (k, 2)
        Vertices, m.

    Returns
    -------
    float
        NaN where the contours run in all directions alike, as on a round lake.

    Notes
    -----
    Mean of the directions of all stretches, weighted by length, with angles doubled since a
    line has no sense of direction (Mardia and Jupp 2000).

    References
    ----------
    Mardia, K. V. and Jupp, P. E. (2000). Directional Statistics. Wiley, section 1.2.
    """
    steps = [np.diff(np.asarray(line, dtype=float)[:, :2], axis=0) for line in contours]
    steps = np.concatenate(steps) if steps else np.zeros((0, 2))
    length = np.hypot(*steps.T)
    # (x + i y)^2 / |x + i y| doubles the angle and keeps the length as the weight.
    doubled = (steps[:, 0] + 1j * steps[:, 1]) ** 2 / np.where(length > 0, length, 1.0)
    total = doubled.sum()
    if not length.sum() > 0 or abs(total) < _LEAST_AGREEMENT * length.sum():
        return float("nan")
    return _heading(np.angle(total) / 2.0 + np.pi / 2.0)


def down_slope(depth: Grid) -> float:
    """Return the heading across the contours of a depth grid, as :func:`across_contours`."""
    if min(depth.shape) < 3:
        return float("nan")
    east, north = gradient(depth)
    known = np.isfinite(east)
    doubled = (east[known] + 1j * north[known]) ** 2
    total = doubled.sum()
    if not known.any() or abs(total) <= _LEAST_AGREEMENT * np.abs(doubled).sum():
        return float("nan")
    return _heading(np.angle(total) / 2.0)


def long_axis(area: BaseGeometry) -> float:
    """Return the heading of the longer side of the narrowest box around an area, degrees."""
    corners = np.asarray(area.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    longer = sides[np.argmax(np.hypot(*sides.T))]
    return _heading(np.arctan2(longer[1], longer[0]))


def _heading(angle: float) -> float:
    """Return degrees clockwise from north, 0 to 180, of an angle counter-clockwise from east."""
    return round(float(90.0 - np.degrees(angle)), 6) % 180.0


def shallow_cells(depth: Grid | None, min_depth: float):
    """Return the outline of the cells known to be shallower than a depth, or None."""
    if depth is None or not min_depth > 0:
        return None
    shallow = depth.values < min_depth
    return cells_polygon(shallow, depth) if shallow.any() else None


def survey_lanes(
    area: BaseGeometry,
    *,
    spacing: float | None = None,
    to_find: tuple | None = None,
    heading: float | None = None,
    lake: BaseGeometry | None = None,
    contours=(),
    depth: Grid | None = None,
    min_depth: float = 0.0,
    buffer_m: float = 5.0,
    cross_share: float = 0.1,
    launch=None,
    speed: float = 5.0 * MPH,
    transit_speed: float | None = None,
    turn_s: float = 10.0,
    progress: Progress = silent,
) -> LanePlan:
    """Return parallel lanes and cross-lines over an area, in an order that saves fuel.

    Parameters
    ----------
    area : Polygon or MultiPolygon
        To be surveyed, islands as holes, m.
    spacing : float, optional
        Between lanes, m.
    to_find : tuple of float, optional
        Width and height of the smallest thing to be found, and contour interval, m. Without a
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
    min_depth : float
        Cells of ``depth`` shallower than this are not entered, m.
    buffer_m : float
        How far lanes keep off the shore, m.
    cross_share : float
        Length of cross-lines as a share of that of the lanes, 0 to 1.
    launch : array, shape (2,), optional
        Where the tour begins and ends, m; without, it begins and ends at the lanes that suit
        best.
    speed, transit_speed : float
        m/s; transits as fast as lanes if None.
    turn_s : float
        Time that the turn into each lane takes beyond its way, s.
    progress : callable

    Raises
    ------
    LakefloorError
        If there is neither a spacing nor what it is derived from, the area is smaller than the
        spacing or outside the lake, the launch is not at its water, or a figure is out of range.

    Notes
    -----
    Lanes are centred on the area, so that its edges lie no farther than half a spacing from
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
    if not (np.isfinite(spacing) and spacing > 0):
        raise LakefloorError(
            f"The lane spacing is {written(spacing, 'g')} m. Give one above 0 m."
        )
    if not 0.0 <= cross_share <= 1.0:
        raise LakefloorError(
            f"The length of the cross-lines is {written(100.0 * cross_share, 'g')}% of that of the "
            "lanes. Give 0% to 100%."
        )
    check_pace(speed, transit_speed, turn_s, min_depth)
    lake = area if lake is None else lake
    within, passage = navigable(lake, buffer_m, shallow_cells(depth, min_depth))
    if not area.intersects(lake):
        raise LakefloorError(
            "The area lies outside the lake. Set the right coordinate reference system of both, "
            "then run again."
        )
    within = within.intersection(area)
    if within.is_empty or not within.area > 0:
        raise LakefloorError(
            f"All of the area lies within the shore buffer of {written(buffer_m, 'g')} m or in "
            "water that is too shallow. Give a smaller shore buffer or minimum depth."
        )
    if heading is None:
        found = (across_contours(contours), down_slope(depth) if depth is not None else np.nan,
                 long_axis(within))
        heading = next(h for h in found if np.isfinite(h))
    heading = heading % 180.0
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
    progress(0.05)
    water = prepare_water(passage)
    kinds = [LANE] * len(lanes) + [CROSS_LINE] * len(crossing)
    runs = lanes + crossing
    start = None if launch is None else launch_place(water, lake, launch, buffer_m)
    between = links_between(water, runs, start, span(progress, 0.1, 0.5))
    keep = _reachable(between, runs)
    lost = [run for i, run in enumerate(runs) if not keep[i + 1]]
    runs = [run for i, run in enumerate(runs) if keep[i + 1]]
    kinds = [kind for i, kind in enumerate(kinds) if keep[i + 1]]
    ends = np.repeat(keep, 2)
    between = between[np.ix_(ends, ends)]
    tour = order_lanes(between, span(progress, 0.5, 0.9))
    lines = driven(water, runs, kinds, tour, start, speed, transit_speed or speed, turn_s)
    lengths = {
        kind: sum(m for m, k in zip(lines.attributes["length_m"], lines.attributes["kind"])
                  if k == kind)
        for kind in (LANE, CROSS_LINE, TRANSIT)
    }
    progress(1.0)
    return LanePlan(
        lines, spacing, heading, kinds.count(LANE), kinds.count(CROSS_LINE),
        lengths[LANE], lengths[CROSS_LINE], links(tour, between),
        lines.attributes["elapsed_min"][-1],
        lengths[LANE] + lengths[CROSS_LINE] + least_links(between),
        len(dropped), float(sum(dropped)), len(lost), float(sum(map(line_length, lost))),
    )  # fmt: skip


def parallel_lanes(within: BaseGeometry, heading: float, spacing: float, shortest=None) -> tuple:
    """Return lanes across an area.

    Parameters
    ----------
    within : Polygon or MultiPolygon
    heading : float
        Degrees clockwise from grid north.
    spacing : float
        m.
    shortest : float, optional
        Shorter pieces are dropped, m; half the spacing if None.

    Returns
    -------
    lanes : list of array, shape (2, 2)
    dropped : list of float
        Lengths of the pieces left out, m.
    """
    shortest = _SHORTEST * spacing if shortest is None else shortest
    along, aside = axes(heading)
    points = np.concatenate(rings(within))
    origin = points.mean(axis=0)
    u, v = (points - origin) @ along, (points - origin) @ aside
    count = max(int(np.ceil((v.max() - v.min()) / spacing - 1e-9)), 1)
    first = (v.max() + v.min() - (count - 1) * spacing) / 2.0
    lanes, dropped = [], []
    for k in range(count):
        middle = origin + (first + k * spacing) * aside
        line = LineString([middle + (u.min() - 1.0) * along, middle + (u.max() + 1.0) * along])
        pieces = [np.asarray(p.coords)[[0, -1]] for p in lines_of(within.intersection(line))]
        for piece in sorted(pieces, key=lambda p: (p @ along).min()):
            if line_length(piece) >= shortest:
                lanes.append(piece)
            else:
                dropped.append(line_length(piece))
    return lanes, dropped


def launch_place(water: Water, lake: BaseGeometry, launch, buffer_m: float) -> np.ndarray:
    """Return the launch, at the shore if it stands on land, and where passage begins; (2, 2)."""
    at = Point(np.asarray(launch, dtype=float))
    into = into_water(water, np.asarray(at.coords[0]), LAUNCH_REACH + buffer_m, "The launch point")
    if not lake.covers(at):
        at = nearest_points(lake, at)[0]
    return np.array([at.coords[0], into])


def links_between(water: Water, runs, start, progress: Progress = silent) -> np.ndarray:
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


def driven(water: Water, runs, kinds, tour, start, speed, transit_speed, turn_s) -> Lines:
    """Return lanes and transits in driving order, with :data:`ATTRIBUTES`."""
    coords, out = [], {name: [] for name in ATTRIBUTES}
    elapsed, number = 0.0, 0

    def add(xy, kind, pace, extra):
        nonlocal elapsed
        length = line_length(xy)
        minutes = (length / pace + extra) / 60.0
        elapsed += minutes
        coords.append(xy)
        step = xy[-1] - xy[0]
        heading = float(np.degrees(np.arctan2(step[0], step[1])) % 360.0)
        row = (len(coords), kind, None if kind == TRANSIT else number, heading, length, minutes,
               elapsed)
        for name, value in zip(ATTRIBUTES, row):
            out[name].append(value)

    def transit(a, b, before=(), after=()):
        xy = np.concatenate([*before, route(water, a, b), *after])
        xy = xy[np.r_[True, np.abs(np.diff(xy, axis=0)).max(axis=1) > 0]]
        if len(xy) > 1:
            add(xy, TRANSIT, transit_speed, 0.0)

    at = None
    for entry, leave in tour[1:]:
        a, b = runs[entry // 2 - 1][entry % 2], runs[leave // 2 - 1][leave % 2]
        if at is not None:
            transit(at, a)
        elif start is not None:
            transit(start[1], a, before=[start[:1]])
        number += 1
        add(np.stack([a, b]), kinds[entry // 2 - 1], speed, turn_s)
        at = b
    if start is not None and at is not None:
        transit(at, start[1], after=[start[:1]])
    return Lines(coords, out)


def axes(heading: float) -> tuple:
    """Return unit vectors along a heading and to its right."""
    angle = np.radians(heading)
    along = np.array([np.sin(angle), np.cos(angle)])
    return along, np.array([along[1], -along[0]])


def line_length(xy) -> float:
    """Return the length of a line, shape (k, 2), m."""
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())


def _reachable(between, runs) -> np.ndarray:
    """Mask of lanes, the launch first, that one boat can run; the longest such set."""
    n = len(between) // 2
    linked = np.isfinite(between.reshape(n, 2, n, 2)).all(axis=(1, 3))
    open_tour = not between[0].any()
    if open_tour:
        linked[0] = linked[:, 0] = False
    _, part = connected_components(linked, directed=False)
    weight = np.bincount(part, weights=[0.0, *map(line_length, runs)])
    chosen = np.argmax(weight) if open_tour else part[0]
    keep = part == chosen
    keep[0] = True
    if not keep[1:].any():
        raise LakefloorError(
            "No lane can be reached by water from the launch point. Give a smaller shore buffer "
            "or minimum depth, or another launch point."
        )
    return keep


def check_pace(speed, transit_speed, turn_s, min_depth):
    """Refuse speeds, turns and depths that no boat has."""
    for value in (speed, *(() if transit_speed is None else (transit_speed,))):
        if not 0.1 <= value <= 30.0:
            raise LakefloorError(
                f"A speed of {written(value, '.2f')} m/s is not that of a survey boat. Give 0.1 to "
                "30 m/s, and check the speed unit."
            )
    if not (np.isfinite(turn_s) and turn_s >= 0):
        raise LakefloorError(f"The turn time is {written(turn_s, 'g')} s. Give 0 s or more.")
    if not (np.isfinite(min_depth) and min_depth >= 0):
        raise LakefloorError(
            f"The minimum depth is {written(min_depth, 'g')} m. Give 0 m or more."
        )


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
