"""Pieces of straight lines over gaps that may become lanes of an outing, and what each gains."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import binary_dilation
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import lines_of
from ..grid import Grid
from ..polygons import rings
from ..polylines import planar_length
from ..progress import Progress
from .lane_layout import axes, down_slope
from .survey_gaps import CoarseSurface, distance_to_line

_HEADINGS = 6
#: Lengths of lanes in units of the way that a turn takes. Many short lanes gain hardly more than
#: half as many twice as long; where the water itself is not so wide, they may be shorter.
LONGEST_LANE = 10.0
_USEFUL, _SHORTEST, _BRIDGED, _ACROSS = 4.0, 2.0, 1.5, 0.8
_MOST_CANDIDATES = 700


def heading_so_far(distance: Grid) -> float:
    """Return the heading of the lanes so far, degrees; 0 where they have none in common.

    The distance to the nearest sounding rises across lanes.
    """
    across = down_slope(distance)
    return across + 90.0 if np.isfinite(across) else 0.0


def candidate_lanes(
    field: CoarseSurface,
    gap: np.ndarray,
    within: BaseGeometry,
    spacing: float,
    unit: float,
    heading: float,
) -> list:
    """Return pieces of straight lines over gaps, arrays of shape (2, 2), m.

    Parameters
    ----------
    field : CoarseSurface
    gap : array of int, shape (n,)
        0 where there is none.
    within : Polygon or MultiPolygon
        Where lanes may lie, m.
    spacing : float
        Of the lanes, m.
    unit : float
        The way that a turn takes, m, in which lengths are measured.
    heading : float
        Of the lanes so far, degrees; five others are tried too.
    """
    doubtful = on_grid(field, gap > 0)
    around = binary_dilation(doubtful, np.ones((3, 3)))
    points = np.concatenate(rings(within))
    origin = points.mean(axis=0)
    out = []
    for number in range(_HEADINGS):
        along, aside = axes(heading + number * 180.0 / _HEADINGS)
        u, v = (points - origin) @ along, (points - origin) @ aside
        # Beside the lanes so far only the middle between two of them is a good place.
        shift = spacing / (2.0 if number else 4.0)
        offsets = np.arange(v.min() + spacing / 2.0, v.max(), shift)
        ends = origin + offsets[:, None, None] * aside + np.outer([u.min(), u.max()], along)
        for both in ends[_meets(ends, around, field.grid)]:
            for piece in lines_of(within.intersection(LineString(both))):
                a, b = np.asarray(piece.coords)[[0, -1]]
                out += over_gaps(a, b, doubtful, field.grid, unit)
    return out


def _meets(ends, mask, grid) -> np.ndarray:
    """Tell which lines of one length, shape (n, 2, 2), meet cells of a mask."""
    if not len(ends):
        return np.zeros(0, dtype=bool)
    count = int(np.ceil(np.hypot(*(ends[0, 1] - ends[0, 0])) / grid.dx)) + 1
    places = ends[:, :1] + np.linspace(0.0, 1.0, count)[:, None] * (ends[:, 1:] - ends[:, :1])
    row, col = (np.rint(v).astype(int) for v in grid.rows_cols(places[..., 0], places[..., 1]))
    rows, cols = mask.shape
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    return (mask[row.clip(0, rows - 1), col.clip(0, cols - 1)] & inside).any(axis=1)


def on_grid(field: CoarseSurface, values: np.ndarray) -> np.ndarray:
    """Return values of coarse cells on their grid, 0 elsewhere."""
    out = np.zeros(field.cells.shape, dtype=values.dtype)
    out[field.cells] = values
    return out


def over_gaps(a: np.ndarray, b: np.ndarray, doubtful: np.ndarray, grid: Grid, unit: float) -> list:
    """Cut a line from shore to shore to where it runs over gaps, and into lengths.

    Parameters
    ----------
    a, b : array, shape (2,)
        Ends of the line, m.
    doubtful : array of bool
        Cells of ``grid`` that are gaps.
    unit : float
        The way that a turn takes, m.

    Returns
    -------
    list of array, shape (2, 2)
        Each begins where the one before it ends unless there is none in between.
    """
    length, step = np.hypot(*(b - a)), grid.dx
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
        parts = int(np.ceil(whole / (LONGEST_LANE * unit)))
        cuts = a + (np.linspace(first, last, parts + 1) / count)[:, None] * (b - a)
        out += [np.stack(pair) for pair in zip(cuts[:-1], cuts[1:])]
    return out


def most_gainful(
    field: CoarseSurface, gap: np.ndarray, runs: list, progress: Progress
) -> tuple[list, list]:
    """Return the candidates that gain most by length, and what each touches.

    What a lane touches in open water may be the whole lake, so it is kept for the best only.
    """
    best = []
    for number, run in enumerate(runs):
        progress(number / len(runs))
        touched = cells_near(field, gap, run)
        rate = gain(field, field.distance, touched) / planar_length(run)
        if rate > 0.0:
            best.append((-rate, number, touched))
        if len(best) >= 2 * _MOST_CANDIDATES:
            best = sorted(best, key=lambda each: each[:2])[:_MOST_CANDIDATES]
    best = sorted(best, key=lambda each: each[:2])[:_MOST_CANDIDATES]
    best.sort(key=lambda each: each[1])
    return [runs[number] for _, number, _ in best], [touched for *_, touched in best]


def cells_near(field: CoarseSurface, gap: np.ndarray, run: np.ndarray) -> tuple:
    """Return the cells of gaps that a lane would lie nearer to than any sounding, and how near."""
    far = field.distance.max()
    low, high = run.min(axis=0) - far, run.max(axis=0) + far
    near = np.flatnonzero(
        (gap > 0)
        & (field.x >= low[0])
        & (field.x <= high[0])
        & (field.y >= low[1])
        & (field.y <= high[1])
    )
    away = np.maximum(distance_to_line(run, field.x[near], field.y[near]), field.grid.dx / 4.0)
    closer = away < field.distance[near]
    return near[closer], away[closer]


def gain(field: CoarseSurface, distance: np.ndarray, touched: tuple) -> float:
    """Return what a lane takes away, m³, where soundings lie at ``distance``; see
    :func:`cells_near`."""
    cells, away = touched
    sigma = field.law.nearer(field.sigma[cells], field.distance[cells], distance[cells])
    new = field.law.nearer(
        field.sigma[cells], field.distance[cells], np.minimum(distance[cells], away)
    )
    return float((field.weight[cells] * (sigma - new)).sum() * field.grid.cell_area)


def gain_of_distance(
    field: CoarseSurface, counted: np.ndarray, distance: np.ndarray, nearer: np.ndarray
) -> float:
    """Return what a smaller distance to soundings takes away where it is counted, m³."""
    cells = np.flatnonzero(counted)
    return gain(field, distance, (cells, nearer[cells]))


def best_by_gap(field: CoarseSurface, gap: np.ndarray, count: int, touched: list) -> np.ndarray:
    """Return what the best lane through each gap gains, m³, by the gap's number."""
    best = np.zeros(count + 1)
    for cells, away in touched:
        lowered = field.sigma[cells] - field.law.nearer(
            field.sigma[cells], field.distance[cells], away
        )
        np.maximum(
            best,
            np.bincount(
                gap[cells],
                weights=field.weight[cells] * lowered * field.grid.cell_area,
                minlength=count + 1,
            ),
            out=best,
        )
    return best


def distance_within(field: CoarseSurface, line: np.ndarray) -> np.ndarray:
    """Return the mean distance of coarse cells to a line, m, not below that within a cell."""
    return np.maximum(distance_to_line(line, field.x, field.y), field.grid.dx / 4.0)
