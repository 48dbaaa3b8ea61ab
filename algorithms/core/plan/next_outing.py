"""Gaps of a surface, and the lanes of the next outing that close most of them in its time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, label
from scipy.optimize import least_squares
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import cells_polygon, lines_of
from ..chart.contours import NORMAL_95, SUPPORT
from ..errors import LakefloorError
from ..grid import Areas, Grid, Lines, Surface
from ..number_text import written
from ..polygons import inside, rings
from ..progress import Progress, silent, span
from ..spacing import surface_spacing
from ..terrain import gradient
from ..units import LENGTH, MPH
from .survey_lanes import (
    ATTRIBUTES,
    LANE,
    TRANSIT,
    axes,
    check_pace,
    down_slope,
    driven,
    launch_place,
    line_length,
    links_between,
    shallow_cells,
)
from .tour import improve
from .water_routes import navigable, prepare_water

#: Names of the attributes of gaps and of the lines of an outing.
GAP_ATTRIBUTES = (
    "rank", "area_m2", "uncert_m", "uncert_max_m", "distance_max_m", "slope_pct", "gain_m3",
    "lanes_m", "after_m", "why",
)  # fmt: skip
LINE_ATTRIBUTES = (*ATTRIBUTES, "gain_m3")

# A slope of this many metres per metre counts a place double.
_STEEP = 0.1
# No lane lowers the uncertainty below that at the soundings: gaps begin this far above it.
_ABOVE_NOISE = 1.2
_CELLS_A_SPACING = 4.0
_CLASSES = 20
_MOST_CELLS = 60_000
_HEADINGS = 6
# Lengths of lanes in units of the way that a turn takes. Many short lanes gain hardly more than
# half as many twice as long; where the water itself is not so wide, they may be shorter.
_LONGEST, _USEFUL, _SHORTEST, _BRIDGED, _ACROSS = 10.0, 4.0, 2.0, 1.5, 0.8
_GAP_SIDE, _LEAST_GAP = 12.0, 2.0
_MOST_CANDIDATES = 700
_ROUNDS = 12
_TOUCH, _STRAIGHT = 1e-6, 1e-6


@dataclass(frozen=True)
class Law:
    """How the standard uncertainty of a surface grows with the distance to a sounding.

    ``sigma^2 = noise^2 + (scale d^power)^2``, m.
    """

    noise: float
    scale: float
    power: float

    def of(self, distance) -> np.ndarray:
        return np.hypot(self.noise, self.scale * np.asarray(distance) ** self.power)

    def nearer(self, sigma, distance, new_distance) -> np.ndarray:
        """Return the uncertainty of places once a sounding lies at ``new_distance``, m."""
        noise = np.minimum(sigma, self.noise)
        share = np.minimum(new_distance / np.maximum(distance, 1e-9), 1.0)
        return np.sqrt(noise**2 + (sigma**2 - noise**2) * share ** (2.0 * self.power))


@dataclass(frozen=True)
class Outing:
    """The gaps of a surface and a plan for the next outing.

    Attributes
    ----------
    gaps : Areas
        By rank, with :data:`GAP_ATTRIBUTES`; ``gain_m3`` is what the best lane through it gains.
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


@dataclass(frozen=True)
class _Field:
    """The surface on coarse cells: standard uncertainty, distance, weight, gap number."""

    grid: Grid
    cells: np.ndarray
    x: np.ndarray
    y: np.ndarray
    sigma: np.ndarray
    distance: np.ndarray
    slope: np.ndarray
    near_line: np.ndarray
    weight: np.ndarray
    law: Law

    @property
    def area(self) -> float:
        return self.grid.dx * self.grid.dy


def fit_law(sigma, distance) -> Law:
    """Return how the uncertainty grows with distance, fitted to the cells of a surface.

    Parameters
    ----------
    sigma, distance : array, shape (n,)
        Standard uncertainty of depth, and distance to the nearest sounding, m.

    Notes
    -----
    Fitted by least squares on logarithms to the medians of classes of distance, so that a few
    steep places do not decide.
    """
    order = np.argsort(distance, kind="stable")
    sigma, distance = np.asarray(sigma)[order], np.asarray(distance)[order]
    classes = [rows for rows in np.array_split(np.arange(len(sigma)), _CLASSES) if len(rows)]
    d, s = (np.array([np.median(v[rows]) for rows in classes]) for v in (distance, sigma))
    s = np.maximum(s, 1e-4)
    grown = np.sqrt(max(s.max() ** 2 - s.min() ** 2, 0.0))
    if not grown > 0.05 * s.min() or not np.ptp(d) > 0:
        return Law(float(np.median(sigma)), 0.0, 1.0)

    def misfit(p):
        return np.log(np.hypot(np.exp(p[0]), np.exp(p[1]) * d ** p[2])) - np.log(s)

    top = np.log(s.max())
    fit = least_squares(
        misfit, (np.log(s.min()), np.log(grown / d.max()), 1.0),
        bounds=((top - 12.0, -30.0, 0.5), (top + 0.1, 10.0, 2.0)), loss="soft_l1", f_scale=0.2,
    )  # fmt: skip
    return Law(float(np.exp(fit.x[0])), float(np.exp(fit.x[1])), float(fit.x[2]))


def next_outing(
    surface: Surface,
    *,
    interval_m: float,
    launch,
    minutes: float,
    lake: BaseGeometry | None = None,
    spacing: float | None = None,
    structure=(),
    min_depth: float = 0.0,
    buffer_m: float = 5.0,
    speed: float = 5.0 * MPH,
    transit_speed: float | None = None,
    turn_s: float = 10.0,
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
        Break-lines and transitions, m: places within a spacing of one count double.
    min_depth, buffer_m, speed, transit_speed, turn_s
        As for :func:`~.survey_lanes.survey_lanes`.
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
    distance, :func:`fit_law`, makes of it at the smaller distance.

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
    if surface.uncertainty is None or surface.distance is None:
        raise LakefloorError(
            "The surface has no uncertainty band and distance band, so gaps are not known. Make it "
            "with 'TIN surface', 'IDW surface' or 'Smooth surface'."
        )
    for name, value in (("contour interval", interval_m), ("time", minutes)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(
                f"The {name} is {written(value, 'g')}. Give one above 0."
            )
    check_pace(speed, transit_speed, turn_s, min_depth)
    transit_speed = transit_speed or speed
    known = np.isfinite(surface.uncertainty.values) & np.isfinite(surface.distance.values)
    if not known.any():
        raise LakefloorError(
            "The uncertainty band or the distance band of the surface is empty. Make the surface "
            "again."
        )
    if spacing is None:
        spacing = surface_spacing(surface.spacing, surface.distance) / 2.0
        spacing = max(spacing, 2.0 * surface.depth.dx)
    if not (np.isfinite(spacing) and spacing > 0):
        raise LakefloorError(
            f"The lane spacing is {written(spacing, 'g')} m. Give one above 0 m."
        )
    if lake is None:
        lake = cells_polygon(known, surface.depth)
    within, passage = navigable(lake, buffer_m, shallow_cells(surface.depth, min_depth))
    water = prepare_water(passage)
    start = launch_place(water, lake, launch, buffer_m)
    field = _coarse(surface, lake, structure, spacing)
    progress(0.1)
    limit = SUPPORT / NORMAL_95 * interval_m
    gap, count = _gaps(field, max(limit, _ABOVE_NOISE * field.law.noise), spacing)
    figures = {
        "limit": limit, "noise": field.law.noise, "spacing": spacing,
        "mean_before": float(field.sigma.mean()),
        "gap_before": float((gap > 0).sum() * field.area),
    }  # fmt: skip
    # A lane shorter than the way that two turns take is not worth turning into.
    runs = _candidates(
        field, gap, within, spacing, max(spacing, speed * turn_s), _heading_so_far(surface.distance)
    )
    runs, touched = _most_gainful(field, gap, runs, span(progress, 0.1, 0.3))
    gain_of_gap = _best_by_gap(field, gap, count, touched)
    if not runs:
        gaps = _describe(field, gap, gain_of_gap, field.distance, limit, spacing, [], unit)
        empty = Lines([], {name: [] for name in LINE_ATTRIBUTES})
        return Outing(
            gaps, empty, lanes=0, lane_m=0.0, transit_m=0.0, minutes=0.0,
            mean_after=figures["mean_before"], gap_after=figures["gap_before"],
            left_over=count, **figures,
        )
    between = links_between(water, runs, start, span(progress, 0.3, 0.5))
    seconds = _times(between, runs, transit_speed, turn_s)
    lasting = np.array([line_length(run) / speed for run in runs])
    tour = _choose(
        field, touched, seconds, lasting, 60.0 * minutes, span(progress, 0.5, 0.95)
    )
    if len(tour) < 2:
        nearest = (seconds[0, 2::2] + seconds[0, 3::2] + lasting).min() / 60.0
        raise LakefloorError(
            f"No lane through a gap can be run in {written(minutes, 'g')} minutes. The nearest one "
            f"and back takes {nearest:.0f}. Give more time, or a launch point that is nearer."
        )
    runs, tour = _joined(runs, tour)
    lines = driven(water, runs, [LANE] * len(runs), tour, start, speed, transit_speed, turn_s)
    gained, distance = [], field.distance
    for xy in lines.coords:
        nearer = np.minimum(distance, _distance_to(field, xy))
        gained.append(_lowered(field, gap > 0, distance, nearer))
        distance = nearer
    lines = Lines(lines.coords, {**lines.attributes, "gain_m3": gained})
    sigma = field.law.nearer(field.sigma, field.distance, distance)
    lanes = [xy for xy, kind in zip(lines.coords, lines.attributes["kind"]) if kind == LANE]
    gaps = _describe(field, gap, gain_of_gap, distance, limit, spacing, lanes, unit)
    progress(1.0)
    return Outing(
        gaps, lines, lanes=len(lanes), lane_m=float(sum(map(line_length, lanes))),
        transit_m=float(sum(
            m for m, kind in zip(lines.attributes["length_m"], lines.attributes["kind"])
            if kind == TRANSIT
        )),
        minutes=lines.attributes["elapsed_min"][-1], mean_after=float(sigma.mean()),
        gap_after=float((sigma > max(limit, _ABOVE_NOISE * field.law.noise)).sum() * field.area),
        left_over=count - sum(g > 0 for g in gaps.attributes["gain_m3"]), **figures,
    )  # fmt: skip


# -- the surface on coarse cells --------------------------------------------------------------


def _coarse(surface: Surface, lake, structure, spacing) -> _Field:
    depth = surface.depth
    rows, cols = depth.shape
    wet = inside(lake, depth)
    step = max(round(spacing / _CELLS_A_SPACING / depth.dx), 1)
    step = max(step, int(np.ceil(np.sqrt(wet.sum() / _MOST_CELLS))))
    sigma, distance = surface.uncertainty.values, surface.distance.values
    known = np.isfinite(sigma) & np.isfinite(distance)
    law = fit_law(sigma[known], distance[known])
    # Where nothing is drawn, the nearest cell that is tells how far the nearest sounding is.
    away, (row, col) = distance_transform_edt(
        ~known, sampling=(depth.dy, depth.dx), return_indices=True
    )
    distance = np.where(known, distance, distance[row, col] + away)
    sigma = np.where(known, sigma, np.maximum(law.of(distance), sigma[row, col]))
    if min(depth.shape) >= 3:
        slope = np.nan_to_num(np.hypot(*gradient(depth)))
    else:
        slope = np.zeros(depth.shape)

    def mean(values):
        padded = np.full((-(-rows // step) * step, -(-cols // step) * step), np.nan)
        padded[:rows, :cols] = np.where(wet, values, 0.0)
        blocks = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step)
        return np.nansum(blocks, axis=(1, 3))

    share = mean(np.ones(depth.shape))
    grid = Grid(share, depth.west, depth.north, step * depth.dx, step * depth.dy)
    cells = share >= 0.5 * step**2
    if not cells.any():
        raise LakefloorError(
            "The surface and the lake do not overlap. Set the right coordinate reference system of "
            "both, then run again."
        )
    x, y = (axis[cells] for axis in np.meshgrid(grid.x, grid.y))
    values = [mean(v)[cells] / share[cells] for v in (sigma, distance, slope)]
    near = np.zeros(len(x), dtype=bool)
    for line in structure:
        near |= _away(np.asarray(line, dtype=float)[:, :2], x, y) <= spacing
    weight = 1.0 + np.minimum(values[2] / _STEEP, 1.0) + near
    return _Field(grid, cells, x, y, *values, near, weight, law)


def _gaps(field: _Field, limit, spacing) -> tuple:
    """Return the gap number of each coarse cell, 0 where there is none, and their count."""
    doubtful = np.zeros(field.cells.shape, dtype=bool)
    doubtful[field.cells] = field.sigma > limit
    # A gap all over the lake says nothing: it is parted into squares.
    side = max(round(_GAP_SIDE * spacing / field.grid.dx), 1)
    row, col = np.indices(doubtful.shape) // side
    number, count = np.zeros(doubtful.shape, dtype=int), 0
    for odd in range(4):
        part, parts = label(doubtful & (row % 2 * 2 + col % 2 == odd))
        number[part > 0] = part[part > 0] + count
        count += parts
    return number[field.cells], count


def _away(line, x, y) -> np.ndarray:
    """Return the distance of points to a line, m."""
    out = np.full(len(x), np.inf)
    for (x0, y0), (x1, y1) in zip(line[:-1], line[1:]):
        dx, dy = x1 - x0, y1 - y0
        square = dx * dx + dy * dy
        t = ((x - x0) * dx + (y - y0) * dy) / square if square > 0 else np.zeros(len(x))
        t = np.clip(t, 0.0, 1.0)
        np.minimum(out, np.hypot(x - x0 - t * dx, y - y0 - t * dy), out=out)
    return out


def _distance_to(field: _Field, line) -> np.ndarray:
    """Return the mean distance of coarse cells to a line, m, not below that within a cell."""
    return np.maximum(_away(line, field.x, field.y), field.grid.dx / 4.0)


# -- candidates -------------------------------------------------------------------------------


def _heading_so_far(distance: Grid) -> float:
    """Return the heading of the lanes so far, degrees; 0 where they have none in common.

    The distance to the nearest sounding rises across lanes.
    """
    across = down_slope(distance)
    return across + 90.0 if np.isfinite(across) else 0.0


def _candidates(field: _Field, gap, within, spacing, unit, heading_so_far) -> list:
    """Return pieces of straight lines over gaps, arrays of shape (2, 2); lengths in ``unit`` m."""
    doubtful = np.zeros(field.cells.shape, dtype=bool)
    doubtful[field.cells] = gap > 0
    points = np.concatenate(rings(within))
    origin, step = points.mean(axis=0), field.grid.dx
    out = []
    for number in range(_HEADINGS):
        along, aside = axes(heading_so_far + number * 180.0 / _HEADINGS)
        u, v = (points - origin) @ along, (points - origin) @ aside
        # Beside the lanes so far only the middle between two of them is a good place.
        shift = spacing / (2.0 if number else 4.0)
        for offset in np.arange(v.min() + spacing / 2.0, v.max(), shift):
            middle = origin + offset * aside
            line = LineString([middle + u.min() * along, middle + u.max() * along])
            for piece in lines_of(within.intersection(line)):
                a, b = np.asarray(piece.coords)[[0, -1]]
                out += _over_gaps(a, b, doubtful, field.grid, step, unit)
    return out


def _over_gaps(a, b, doubtful, grid, step, unit) -> list:
    """Cut a line from shore to shore to where it runs over gaps, and into lengths."""
    length = np.hypot(*(b - a))
    least = max(_SHORTEST * unit, min(_USEFUL * unit, _ACROSS * length))
    count = max(int(np.ceil(length / step)), 1)
    at = (np.arange(count) + 0.5) / count
    r, c = (np.rint(v).astype(int) for v in grid.rows_cols(*(a + at[:, None] * (b - a)).T))
    rows, cols = doubtful.shape
    held = (r >= 0) & (r < rows) & (c >= 0) & (c < cols)
    held[held] = doubtful[r[held], c[held]]
    edges = np.flatnonzero(np.diff(np.r_[False, held, False].astype(int))).reshape(-1, 2)
    out, merged = [], []
    for first, last in edges.tolist():
        if merged and (first - merged[-1][1]) * length / count < _BRIDGED * unit:
            merged[-1][1] = last
        else:
            merged.append([first, last])
    for first, last in merged:
        whole = (last - first) * length / count
        if whole < least:
            continue
        parts = int(np.ceil(whole / (_LONGEST * unit)))
        cuts = a + (np.linspace(first, last, parts + 1) / count)[:, None] * (b - a)
        out += [np.stack(pair) for pair in zip(cuts[:-1], cuts[1:])]
    return out


def _most_gainful(field: _Field, gap, runs, progress) -> tuple:
    """Return the candidates that gain most by length, and what each touches.

    What a lane touches in open water may be the whole lake, so it is kept for the best only.
    """
    best = []
    for number, run in enumerate(runs):
        progress(number / len(runs))
        touched = _touched(field, gap, run)
        rate = _gain(field, field.distance, touched) / line_length(run)
        if rate > 0.0:
            best.append((-rate, number, touched))
        if len(best) >= 2 * _MOST_CANDIDATES:
            best = sorted(best, key=lambda each: each[:2])[:_MOST_CANDIDATES]
    best = sorted(best, key=lambda each: each[:2])[:_MOST_CANDIDATES]
    best.sort(key=lambda each: each[1])
    return [runs[number] for _, number, _ in best], [touched for *_, touched in best]


def _touched(field: _Field, gap, run) -> tuple:
    """Return the cells of gaps that a lane would lie nearer to than any sounding, and how near."""
    far = field.distance.max()
    low, high = run.min(axis=0) - far, run.max(axis=0) + far
    near = np.flatnonzero(
        (gap > 0) & (field.x >= low[0]) & (field.x <= high[0])
        & (field.y >= low[1]) & (field.y <= high[1])
    )
    away = np.maximum(_away(run, field.x[near], field.y[near]), field.grid.dx / 4.0)
    closer = away < field.distance[near]
    return near[closer], away[closer]


def _gain(field: _Field, distance, touched) -> float:
    cells, away = touched
    sigma = field.law.nearer(field.sigma[cells], field.distance[cells], distance[cells])
    new = field.law.nearer(
        field.sigma[cells], field.distance[cells], np.minimum(distance[cells], away)
    )
    return float((field.weight[cells] * (sigma - new)).sum() * field.area)


def _lowered(field: _Field, counted, distance, nearer) -> float:
    cells = np.flatnonzero(counted)
    return _gain(field, distance, (cells, nearer[cells]))


def _best_by_gap(field: _Field, gap, count, touched) -> np.ndarray:
    best = np.zeros(count + 1)
    for cells, away in touched:
        lowered = field.sigma[cells] - field.law.nearer(
            field.sigma[cells], field.distance[cells], away
        )
        np.maximum(best, np.bincount(
            gap[cells], weights=field.weight[cells] * lowered * field.area, minlength=count + 1
        ), out=best)
    return best


# -- choosing ---------------------------------------------------------------------------------


def _times(between, runs, transit_speed, turn_s) -> np.ndarray:
    """Return the seconds of each link: its way, and a turn unless one lane continues another."""
    ahead = np.stack([(run[1] - run[0]) / line_length(run) for run in runs])
    # Ends 2 i and 2 i + 1 of lane i; the launch, which has no direction, stands first.
    outward = np.concatenate([np.zeros((2, 2)), np.stack([-ahead, ahead], axis=1).reshape(-1, 2)])
    turn = np.full(between.shape, turn_s)
    for i, j in np.argwhere(between <= _TOUCH):
        if outward[i] @ outward[j] < _STRAIGHT - 1.0:
            turn[i, j] = 0.0
    # One turn a lane: those out of and back to the launch are half a turn each.
    turn[:2] = turn[:, :2] = turn_s / 2.0
    return between / transit_speed + turn


def _choose(field: _Field, touched, seconds, lasting, budget, progress) -> np.ndarray:
    """Return the tour of the lanes chosen, lane 0 the launch."""
    alone = np.array([_gain(field, field.distance, cells) for cells in touched])

    def fill(tour, barred, report):
        return _fill(field, touched, alone, seconds, lasting, budget, tour, barred, report)

    tour = fill(np.array([[0, 1]]), set(), progress)
    gain = _total(field, touched, tour)
    banned = set()
    for number in range(_ROUNDS):
        progress(0.5 + 0.5 * number / _ROUNDS)
        if len(tour) < 3:
            break
        weakest = _weakest(field, touched, seconds, lasting, tour, banned)
        if weakest is None:
            break
        lane = tour[weakest, 0] // 2
        trial = improve(np.delete(tour, weakest, axis=0), seconds)
        trial = fill(trial, {lane}, silent)
        total = _total(field, touched, trial)
        if total > gain * (1.0 + 1e-9):
            tour, gain, banned = trial, total, set()
        else:
            banned.add(lane)
    return tour


def _fill(field, touched, alone, seconds, lasting, budget, tour, barred, progress) -> np.ndarray:
    """Add lanes by gain per second, the way included, as long as the time suffices.

    ``alone`` is what each lane gains by itself. The gain only falls as others are added, so
    that an old figure bounds the new one.
    """
    n = len(touched)
    heads, tails = np.arange(2, 2 * n + 2, 2), np.arange(3, 2 * n + 3, 2)
    distance = field.distance.copy()
    for entry in tour[1:, 0]:
        _lay(distance, touched[entry // 2 - 1])
    bound = alone.copy()
    chosen = {entry // 2 for entry in tour[:, 0]} | barred
    free = np.array([k + 1 not in chosen for k in range(n)])
    while True:
        used = _duration(tour, seconds, lasting)
        progress(min(used / budget, 1.0) * 0.5)
        leave, entry = tour[:, 1], np.roll(tour[:, 0], -1)
        link = seconds[leave, entry][:, None]
        forward = seconds[np.ix_(leave, heads)] + seconds[np.ix_(entry, tails)] - link
        backward = seconds[np.ix_(leave, tails)] + seconds[np.ix_(entry, heads)] - link
        added = np.minimum(forward, backward).min(axis=0) + lasting
        open_ = free & np.isfinite(added) & (used + added <= budget) & (bound > 0)
        pick = None
        while open_.any():
            rate = np.where(open_, bound / np.maximum(added, 1e-6), -1.0)
            k = int(np.argmax(rate))
            fresh = _gain(field, distance, touched[k])
            if fresh >= bound[k] * (1.0 - 1e-9):
                pick = k
                break
            bound[k] = fresh
            open_[k] &= fresh > 0
        if pick is None or not bound[pick] > 0:
            return tour
        both = np.stack([forward[:, pick], backward[:, pick]])
        turned, place = np.unravel_index(np.argmin(both), both.shape)
        ends = (heads[pick], tails[pick])
        tour = np.insert(tour, place + 1, ends[::-1] if turned else ends, axis=0)
        tour = improve(tour, seconds)
        free[pick] = False
        _lay(distance, touched[pick])


def _lay(distance, touched):
    cells, away = touched
    distance[cells] = np.minimum(distance[cells], away)


def _duration(tour, seconds, lasting) -> float:
    way = seconds[tour[:, 1], np.roll(tour[:, 0], -1)].sum() if len(tour) > 1 else 0.0
    return float(way + lasting[tour[1:, 0] // 2 - 1].sum())


def _total(field: _Field, touched, tour) -> float:
    distance = field.distance.copy()
    for entry in tour[1:, 0]:
        _lay(distance, touched[entry // 2 - 1])
    return _gain(field, field.distance, (np.arange(len(distance)), distance))


def _weakest(field, touched, seconds, lasting, tour, banned):
    """Return the place in the tour of the lane that gains least for its time."""
    whole, used = _total(field, touched, tour), _duration(tour, seconds, lasting)
    worst, at = np.inf, None
    for place in range(1, len(tour)):
        if tour[place, 0] // 2 in banned:
            continue
        rest = np.delete(tour, place, axis=0)
        saved = max(used - _duration(rest, seconds, lasting), 1e-6)
        rate = (whole - _total(field, touched, rest)) / saved
        if rate < worst:
            worst, at = rate, place
    return at


def _joined(runs, tour) -> tuple:
    """Join lanes that continue each other on one line; return lanes in driving order."""
    out = []
    for entry, leave in tour[1:]:
        a, b = runs[entry // 2 - 1][entry % 2], runs[leave // 2 - 1][leave % 2]
        if out and np.abs(out[-1][1] - a).max() <= _TOUCH:
            ahead = (out[-1][1] - out[-1][0]) / line_length(out[-1])
            if ahead @ (b - a) / np.hypot(*(b - a)) > 1.0 - _STRAIGHT:
                out[-1] = np.stack([out[-1][0], b])
                continue
        out.append(np.stack([a, b]))
    ends = np.arange(2, 2 * len(out) + 2).reshape(-1, 2)
    return out, np.concatenate([[[0, 1]], ends])


# -- the gaps in words ------------------------------------------------------------------------


def _describe(field: _Field, gap, gain, distance, limit, spacing, lanes, unit) -> Areas:
    after, metres = field.law.nearer(field.sigma, field.distance, distance), LENGTH[unit]
    order = sorted(range(1, len(gain)), key=lambda k: (-gain[k], k))
    polygons, out = [], {name: [] for name in GAP_ATTRIBUTES}
    for k in order:
        cells = np.flatnonzero(gap == k)
        mask = np.zeros(field.cells.shape, dtype=bool)
        mask[field.cells] = gap == k
        polygon = cells_polygon(mask, field.grid)
        if len(cells) * field.area < _LEAST_GAP * spacing**2:
            continue
        sigma, far = field.sigma[cells], field.distance[cells]
        why = [
            f"standard uncertainty {sigma.mean() / metres:.2f} {unit} where {limit / metres:.2f} "
            f"{unit} is wanted",
            f"up to {far.max() / metres:.0f} {unit} from a sounding",
        ]
        if field.slope[cells].mean() >= _STEEP / 2.0:
            why.append(f"steep bottom, {100.0 * field.slope[cells].mean():.0f}%")
        if field.near_line[cells].any():
            why.append("a breakline or transition runs here")
        if not gain[k] > 0:
            why.append("too small or too near the shore for a lane")
        run = sum(polygon.intersection(LineString(xy)).length for xy in lanes)
        polygons.append(polygon)
        row = (
            len(polygons), polygon.area, sigma.mean(), sigma.max(), far.max(),
            100.0 * field.slope[cells].mean(), gain[k], run, after[cells].mean(), "; ".join(why),
        )  # fmt: skip
        for name, value in zip(GAP_ATTRIBUTES, row):
            out[name].append(value)
    return Areas(polygons, out)
