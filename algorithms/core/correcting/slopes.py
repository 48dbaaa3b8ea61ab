"""Slope of the bottom at soundings, from those around them or from a depth surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..blocks import block_mean
from ..grid import Grid
from ..progress import Progress, silent, span
from ..soundings import Soundings, each_visit
from ..terrain import gradient
from ..track import without_track

#: Radius of the plane that gives the slope: at least this, m, and this many pings.
_RADIUS_M, _RADIUS_PINGS = 8.0, 4.0

_NEIGHBORS, _CHUNK, _ROUNDS = 32, 1_000, 4

#: Residuals of a plane below this, m, count alike.
_LEAST_SCATTER_M = 0.05

#: Second moments of the neighbors' places, as shares of the radius squared: below the first,
#: they lie at one place; below the second, along one line.
_ONE_PLACE, _ONE_LINE = 0.002, 0.01


def slopes_of(
    soundings: Soundings,
    surface: Grid | None,
    radius: float | None,
    reduced: np.ndarray,
    progress: Progress,
) -> tuple:
    """Return the slope of the bottom at each sounding, m per m, and two masks, shape (n,).

    The masks are of those whose slope is known along the track alone, and of those whose slope
    is not known, which take the usual one.

    Parameters
    ----------
    soundings : Soundings
    surface : Grid, optional
        Depth, m; where it has a value its slope is taken.
    radius : float, optional
        Radius of the planes elsewhere, m; see :func:`plane_slopes`.
    reduced : array of bool, shape (n,)
        Whether soundings are at one datum; unless all are, planes are fitted visit by visit.
    progress : callable
    """
    n = len(soundings)
    slope, one_way = np.full(n, np.nan), np.zeros(n, dtype=bool)
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    if surface is not None:
        east, north = gradient(surface, progress=span(progress, 0.0, 0.3))
        slope[placed] = surface.like(np.hypot(east, north)).sample(
            soundings.x[placed], soundings.y[placed]
        )
    # Visits at different levels must not be taken for a slope.
    groups = [np.arange(n)] if reduced.all() else [rows for _, rows in each_visit(soundings)]
    done = 0
    for rows in groups:
        part = span(progress, 0.3 + 0.65 * done / n, 0.3 + 0.65 * (done + rows.size) / n)
        done += rows.size
        wanted = rows[placed[rows] & np.isnan(slope[rows])]
        good = rows[placed[rows] & soundings.accepted[rows]]
        if wanted.size == 0 or good.size == 0:
            continue
        own = radius or _usual_radius(soundings, good)
        value, along = plane_slopes(
            soundings.x[good],
            soundings.y[good],
            soundings.depth[good],
            soundings.x[wanted],
            soundings.y[wanted],
            own,
            part,
        )
        slope[wanted], one_way[wanted] = value, along
    unknown = np.isnan(slope)
    known = slope[~unknown]
    slope[unknown] = np.sqrt(np.mean(known**2)) if known.size else 0.0
    return slope, one_way, unknown


def _usual_radius(soundings, rows):
    part = soundings.select(rows)
    lost = without_track(part)
    steps = [
        np.hypot(np.diff(part.x[r]), np.diff(part.y[r]))
        for _, r in each_visit(part)
        if not lost[r[0]]
    ]
    if not steps:
        places = np.unique(np.column_stack([part.x, part.y]), axis=0)
        steps = [cKDTree(places).query(places, k=2)[0][:, 1]] if len(places) > 1 else [np.zeros(0)]
    steps = np.concatenate(steps)
    steps = steps[steps > 0.0]
    return max(_RADIUS_M, _RADIUS_PINGS * float(np.median(steps)) if steps.size else 0.0)


def plane_slopes(
    x: np.ndarray,
    y: np.ndarray,
    depth: np.ndarray,
    at_x: np.ndarray,
    at_y: np.ndarray,
    radius_m: float,
    progress: Progress = silent,
) -> tuple:
    """Return the slope of the bottom from the soundings around.

    Parameters
    ----------
    x, y, depth : array, shape (n,)
        Soundings, m.
    at_x, at_y : array, shape (k,)
        Where the slope is asked for, m.
    radius_m : float
        How far soundings count, m.
    progress : callable

    Returns
    -------
    slope : array, shape (k,)
        m per m; NaN with too few soundings around.
    one_way : array of bool, shape (k,)
        The soundings lie along one line: root 2 times the slope along it is given.

    Notes
    -----
    A plane of least absolute residuals, by reweighted least squares, with weights that fall with
    distance.

    References
    ----------
    Cleveland, W. S. (1979). Robust locally weighted regression and smoothing scatterplots.
    Journal of the American Statistical Association 74(368), 829-836.
    Schlossmacher, E. J. (1973). An iterative technique for absolute deviations curve fitting.
    Journal of the American Statistical Association 68(344), 857-859.

    Examples
    --------
    >>> side = np.arange(-20.0, 21.0, 2.0)
    >>> x, y = (v.ravel() for v in np.meshgrid(side, side))
    >>> slope, one_way = plane_slopes(x, y, 5.0 + 0.1 * x, np.zeros(1), np.zeros(1), 8.0)
    >>> round(float(slope[0]), 3), bool(one_way[0])
    (0.1, False)
    """
    x, y, depth, _ = block_mean(x, y, radius_m / 5.0, depth)
    nodes = np.column_stack([x, y])
    tree = cKDTree(nodes)
    value, along = np.full(x.size, np.nan), np.zeros(x.size, dtype=bool)
    for start in range(0, x.size, _CHUNK):
        progress(start / x.size)
        rows = slice(start, start + _CHUNK)
        value[rows], along[rows] = _plane_slope(tree, depth, nodes[rows], radius_m)
    distance, nearest = tree.query(np.column_stack([at_x, at_y]))
    found = np.where(distance <= radius_m, value[nearest], np.nan)
    return found, along[nearest] & np.isfinite(found)


def _plane_slope(tree, depth, places, radius):
    distance, near = tree.query(places, k=min(_NEIGHBORS, tree.n))
    distance, near = distance.reshape(len(places), -1), near.reshape(len(places), -1)
    close = np.maximum(1.0 - (distance / radius) ** 2, 0.0) ** 2
    u = tree.data[near, 0] - places[:, :1]
    v = tree.data[near, 1] - places[:, 1:]
    z = depth[near]
    weight = close
    for step in range(_ROUNDS):
        mass = weight.sum(axis=1)

        def mean(value, weight=weight, mass=mass):
            return (weight * value).sum(axis=1) / mass

        du, dv, dz = (w - mean(w)[:, None] for w in (u, v, z))
        uu, uv, vv = mean(du * du), mean(du * dv), mean(dv * dv)
        uz, vz = mean(du * dz), mean(dv * dz)
        middle, half = 0.5 * (uu + vv), np.hypot(0.5 * (uu - vv), uv)
        line = middle - half < _ONE_LINE * radius**2
        with np.errstate(invalid="ignore", divide="ignore"):
            det = uu * vv - uv * uv
            east = np.where(line, 0.0, (vv * uz - uv * vz) / det)
            north = np.where(line, 0.0, (uu * vz - uv * uz) / det)
            angle = 0.5 * np.arctan2(2.0 * uv, uu - vv)
            run = (np.cos(angle) * uz + np.sin(angle) * vz) / (middle + half)
        east = np.where(line, run * np.cos(angle), east)
        north = np.where(line, run * np.sin(angle), north)
        left = np.abs(dz - east[:, None] * du - north[:, None] * dv)
        if step == _ROUNDS - 1:
            break
        # Towards least absolute residuals: a blunder right here must not pull the plane to itself.
        weight = close / np.maximum(left, _LEAST_SCATTER_M)
    slope = np.hypot(east, north) * np.where(line, np.sqrt(2.0), 1.0)
    slope[~(middle + half > _ONE_PLACE * radius**2)] = np.nan
    return slope, line
