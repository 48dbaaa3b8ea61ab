"""Number the straight runs of a track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from shapely.geometry import LineString

from .errors import LakefloorError
from .soundings import Soundings, rows_by_text
from .times import seconds_of
from .track import in_logged_order, logged_order, without_track

#: A boat slower than this, m/s, is not under way.
STOPPED_MS = 0.3


@dataclass(frozen=True)
class _LaneRule:
    """What makes a lane; see :func:`number_lanes`."""

    tolerance_m: float
    max_turn_deg: float
    min_length_m: float
    max_gap_s: float
    max_gap_m: float
    min_speed_ms: float


def lanes_of(soundings: Soundings) -> np.ndarray:
    """Return the lane of each sounding, int32, shape (n,), as :func:`number_lanes` does.

    The rows may have any order; where no track is known the lane is 0.
    """
    order = logged_order(soundings)
    logged = in_logged_order(soundings, order)
    numbers = number_lanes(logged.x, logged.y, logged.time, logged.visit)
    numbers[without_track(logged)] = 0
    lane = np.empty_like(numbers)
    lane[order] = numbers
    return lane


def number_lanes(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    time: np.ndarray,
    visit: np.ndarray,
    *,
    tolerance_m: float = 5.0,
    max_turn_deg: float = 20.0,
    min_length_m: float = 40.0,
    max_gap_s: float = 30.0,
    max_gap_m: float = 50.0,
    min_speed_ms: float = STOPPED_MS,
) -> np.ndarray:
    """Return the running number of each sounding's lane within its visit; 0 on turns and stops.

    Parameters
    ----------
    x, y : array, shape (n,)
        Position in a metric CRS, m, in the order logged within each visit.
    time : datetime64[ms], shape (n,)
        NaT where not known; then stops and gaps of time are not seen.
    visit : array of str, shape (n,)
    tolerance_m : float
        How far a straight run may stray sideways, m; above the noise of the
        positions and below half the lane spacing.
    max_turn_deg : float
        Headings of successive stretches closer than this make one lane.
    min_length_m : float
        Shorter runs are turns.
    max_gap_s, max_gap_m : float
        A gap in time or distance ends a lane.
    min_speed_ms : float
        Below this mean speed over 20 s the boat has stopped.

    Returns
    -------
    int32 array, shape (n,)
        Numbered 1, 2, ... in the order sailed.

    Raises
    ------
    LakefloorError
        If a length is not positive.

    Notes
    -----
    The positions, each fix once, pass a running median of five fixes, which
    drops stray fixes. The track is then generalised by the line simplification
    of Douglas and Peucker, whose vertices stand where the heading changes over
    a distance rather than where positions jitter.

    References
    ----------
    Douglas, D. H. and Peucker, T. K. (1973), Algorithms for the reduction of
    the number of points required to represent a digitized line or its
    caricature, Cartographica 10(2), 112-122.

    Examples
    --------
    Two straight runs, 20 m apart, to and fro:

    >>> run = np.arange(0.0, 101.0, 2.0)
    >>> no_time = np.full(102, np.datetime64("NaT", "ms"))
    >>> lane = number_lanes(
    ...     np.r_[run, run[::-1]], np.repeat([0.0, 20.0], 51), no_time,
    ...     np.full(102, "May", dtype=object))
    >>> int(lane[10]), int(lane[-10])
    (1, 2)
    """
    if min(tolerance_m, min_length_m, max_gap_s, max_gap_m) <= 0.0:
        raise LakefloorError("A lane tolerance, length or gap is not above zero. Give larger ones.")
    x, y = np.asarray(x, float), np.asarray(y, float)
    rule = _LaneRule(tolerance_m, max_turn_deg, min_length_m, max_gap_s, max_gap_m, min_speed_ms)
    lane = np.zeros(len(x), dtype=np.int32)
    placed = np.isfinite(x) & np.isfinite(y)
    for _, rows in rows_by_text(visit):
        rows = rows[placed[rows]]
        if rows.size < 3:
            continue
        moved = np.r_[True, (np.diff(x[rows]) != 0) | (np.diff(y[rows]) != 0)]
        fix = np.cumsum(moved) - 1
        first = rows[moved]
        fx = median_filter(x[first], 5, mode="nearest")
        fy = median_filter(y[first], 5, mode="nearest")
        numbers = _number_fixes(fx, fy, seconds_of(time[first]), rule)
        lane[rows] = numbers[fix]
    return lane


def _number_fixes(x, y, seconds, rule: _LaneRule) -> np.ndarray:
    numbers = np.zeros(len(x), dtype=np.int32)
    moving = ~stopped(x, y, seconds, rule.min_speed_ms)
    with np.errstate(invalid="ignore"):
        gap = np.abs(np.diff(seconds)) > rule.max_gap_s
    gap |= np.hypot(np.diff(x), np.diff(y)) > rule.max_gap_m
    gap |= np.diff(moving.astype(int)) != 0
    edges = np.r_[0, np.flatnonzero(gap) + 1, len(x)]
    count = 0
    for start, stop in zip(edges[:-1], edges[1:]):
        if stop - start < 3 or not moving[start]:
            continue
        for a, b in _straight_runs(
            x[start:stop], y[start:stop], rule.tolerance_m, rule.max_turn_deg
        ):
            length = np.hypot(x[start + b] - x[start + a], y[start + b] - y[start + a])
            if length >= rule.min_length_m:
                count += 1
                # The vertex between two lanes stays with the first.
                run = slice(start + a, start + b + 1)
                numbers[run] = np.where(numbers[run] == 0, count, numbers[run])
    return numbers


def stopped(
    x: np.ndarray, y: np.ndarray, seconds: np.ndarray, min_speed: float = STOPPED_MS
) -> np.ndarray:
    """Return a mask of the fixes around which the boat hardly moves in 20 s.

    Parameters
    ----------
    x, y : array, shape (n,)
        Fixes of one visit in the order logged, m.
    seconds : array, shape (n,)
        NaN where not known.
    min_speed : float
        m/s; below this mean speed the boat has stopped.

    Returns
    -------
    array of bool, shape (n,)
        False throughout where the clock does not run on.
    """
    known = np.isfinite(seconds)
    if known.sum() < 2 or np.ptp(seconds[known]) == 0.0 or (np.diff(seconds[known]) < 0).any():
        return np.zeros(len(x), dtype=bool)
    t, px, py = seconds[known], x[known], y[known]
    before, after = np.maximum(t - 10.0, t[0]), np.minimum(t + 10.0, t[-1])
    traveled = np.hypot(
        np.interp(after, t, px) - np.interp(before, t, px),
        np.interp(after, t, py) - np.interp(before, t, py),
    )
    mask = np.zeros(len(x), dtype=bool)
    mask[known] = traveled < min_speed * (after - before)
    return mask


def _straight_runs(x, y, tolerance, max_turn):
    """Return (first, last) index pairs of stretches with one heading."""
    vertices = _simplify(x, y, tolerance)
    vx, vy = np.diff(x[vertices]), np.diff(y[vertices])
    runs, run_x, run_y = [], 0.0, 0.0
    for i, (dx, dy) in enumerate(zip(vx, vy)):
        turn = np.degrees(abs(np.arctan2(run_x * dy - run_y * dx, run_x * dx + run_y * dy)))
        if runs and turn <= max_turn:
            runs[-1][1] = vertices[i + 1]
            run_x, run_y = run_x + dx, run_y + dy
        else:
            runs.append([vertices[i], vertices[i + 1]])
            run_x, run_y = dx, dy
    return runs


def _simplify(x, y, tolerance):
    line = LineString(np.column_stack((x, y))).simplify(tolerance, preserve_topology=False)
    kept, vertices, i = np.asarray(line.coords), [], 0
    for kx, ky in kept:
        while x[i] != kx or y[i] != ky:
            i += 1
        vertices.append(i)
    vertices[-1] = len(x) - 1
    return vertices
