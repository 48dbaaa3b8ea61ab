"""Standard uncertainty of an interpolated surface, learnt from soundings left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.spatial import cKDTree

from .. import threads
from ..grid import Grid, grid_over
from ..progress import Progress, silent, span
from .surface_nodes import SOUNDING, Frame, Nodes
from .surface_trial import Trial, cross_lines, scatter

#: Standard uncertainty taken for soundings that state none and show none, m. A tenth of
#: a foot is the step in which most sounders log.
LEAST_NOISE = 0.03
_LEAST_RESIDUALS = 60
_TWO_SIGMA = 0.9545
# Of the survey around a place: cells and reach in lane spacings. The ridge settles the slope
# across a single lane, and lets some of a slope count as departure: it may not go on.
_CELLS_A_SPACING, _REACH, _RIDGE = 3.0, 0.6, 0.02
_SHARED = 0.5
_SEEN = 4000
#: Growth where nothing can be left out, for a departure and a distance of one lane spacing.
_USUAL_RATE = 1.5


@dataclass(frozen=True)
class Growth:
    """Error of a surface: at soundings, and away from them.

    ``sigma^2 = (share N)^2 + (rate D)^2 d + (across S d)^2``, with the scatter N of the
    soundings around a place, m; the departure D of the bottom there from a plane, m; its
    slope S; and the distance d to the nearest known depth, m.

    Attributes
    ----------
    noise : float
        Scatter taken where none is seen, m.
    share : float
        Of the scatter of the soundings that is left in the surface at them.
    rate : float
        1 over the root of a metre.
    across : float
        0, but 1 where the slope is known along a single lane only.
    residuals : int
        Number of left-out soundings behind the rate; 0 if it is a usual one.
    level : bool
        Whether D is the departure from the mean depth, for a method that draws no plane.
    """

    noise: float
    share: float
    rate: float
    across: float
    residuals: int
    level: bool = False

    def of(self, distance, departure, slope=0.0) -> np.ndarray:
        """Return the part of the standard uncertainty that grows with distance, m."""
        return np.hypot(
            self.rate * np.asarray(departure) * np.sqrt(distance),
            self.across * np.asarray(slope) * distance,
        )


def learn_growth(
    t: Trial, predict: Callable, *, level: bool = False, progress: Progress = silent
) -> Growth:
    """Leave lanes out, predict them, and see how the error grows with distance.

    Parameters
    ----------
    t : Trial
    predict : callable
        ``predict(nodes, xy) -> depth`` at xy of shape (n, 2), NaN where it cannot.
    level : bool
        See :class:`Growth`.
    progress : callable

    Returns
    -------
    Growth

    Notes
    -----
    The points of one lane are near-copies of their neighbours, so that leaving single points
    out makes any surface look several times better than it is (Roberts et al. 2017). Lanes
    that cross the others, run to check a survey (IHO 2020), are left out together: the gaps
    between the others stay as they are, so that the misfits there are those of the surface,
    at every distance. Where none cross, squares one lane spacing wide and every third lane
    are left out; the lanes leave wider gaps, which errs on the safe side.

    The variance grows linearly with distance, as on a random walk (a linear variogram;
    Matheron 1963) whose steps are as large as the departure D of the soundings around,
    within about a lane spacing, from the plane that fits them best. The rate is the one by
    which two standard deviations, of the surface and of the sounding left out, hold 95.45 %
    of the misfits. What is left of the noise at soundings is seen by adding noise to them.

    With fewer than 60 misfits, as on a single lane, a usual rate is taken, and the slope
    across is taken to be as steep as that along.

    References
    ----------
    International Hydrographic Organization (2020). S-44 Standards for Hydrographic
    Surveys, edition 6, chapter 5 (cross-lines).
    Matheron, G. (1963). Principles of geostatistics. Economic Geology 58(8), 1246-1266.
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    nodes, spacing = t.nodes, t.spacing
    free = nodes.kind == SOUNDING
    noise = _usual_noise(t)
    around = _grid_around(t.grid, spacing)
    spread = around.like(_scatter_around(nodes.x, nodes.y, t.square, around, spacing, noise))
    spread = spread.sample(*nodes.xy.T)
    own = spread / np.sqrt(t.count)
    folds = [
        out for out in _folds(nodes, spacing) if out.any() and np.count_nonzero(~out) >= 4
    ]
    # Noise added to the soundings, and what of it shows in the surface.
    added = np.where(free, own * np.random.default_rng(0).standard_normal(len(nodes)), 0.0)
    seen = np.flatnonzero(free)[:: max(np.count_nonzero(free) // _SEEN, 1)]
    wanted = [(nodes.select(~out), nodes.xy[out]) for out in folds]
    wanted += [(replace(nodes, depth=nodes.depth + more), nodes.xy[seen]) for more in (added, 0.0)]
    *predicted, noisy, quiet = threads.side_by_side(predict, wanted, span(progress, 0.0, 0.8))
    found = [np.empty((4, 0))]
    for out, (kept, xy), depth in zip(folds, wanted, predicted):
        misfit = depth - nodes.depth[out]
        distance = cKDTree(kept.xy).query(xy)[0]
        departure = around.like(_departure(kept, around, spacing, level)[0]).sample(*xy.T)
        known = np.isfinite(misfit) & (distance > 0)
        found.append(np.stack([misfit, distance * departure**2, own[out], spread[out]])[:, known])
    misfit, growth, own_left, at_node = np.concatenate(found, axis=1)
    if len(misfit) < _LEAST_RESIDUALS:
        return Growth(noise, 1.0, _USUAL_RATE / float(np.sqrt(spacing)), 1.0, 0, level)
    moved = (noisy - quiet) / spread[seen]
    share = float(np.sqrt(np.nanmean(moved**2)))
    # Each misfit is within two standard deviations from some rate on.
    needed = (misfit / 2.0) ** 2 - own_left**2 - (share * at_node) ** 2
    needed = needed.clip(0.0) / np.maximum(growth, 1e-12)
    progress(1.0)
    rate = float(np.sqrt(np.quantile(needed, _TWO_SIGMA)))
    return Growth(noise, share, rate, 0.0, len(misfit), level)


def _folds(nodes: Nodes, spacing: float) -> list:
    """Return masks of the soundings to leave out in turn."""
    free = nodes.kind == SOUNDING
    across = free & cross_lines(nodes)
    if np.count_nonzero(across) >= _LEAST_RESIDUALS:
        return [across]

    def squares(side):
        col, row = np.floor(nodes.x / side), np.floor(nodes.y / side)
        return free & (col % 2 == 0) & (row % 2 == 0)

    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        return [squares(spacing), free & (nodes.lane > 0) & (lane.ravel() % 3 == 0)]
    return [squares(spacing), squares(2.0 * spacing)]


def _grid_around(grid: Grid, spacing: float) -> Grid:
    """Return the coarse grid on which the survey around places is described."""
    cell = spacing / _CELLS_A_SPACING
    west, south, east, north = grid.bounds
    return grid_over((west - cell, south - cell, east + cell, north + cell), cell)


def _usual_noise(t: Trial) -> float:
    """Return the scatter that most soundings show, or what is taken if they show none."""
    seen = t.square[np.isfinite(t.square)]
    stated = t.nodes.uncert[np.isfinite(t.nodes.uncert)]
    # The median of the square of a normal deviate of unit variance is 0.455.
    noise = float(np.sqrt(np.median(seen) / 0.455)) if len(seen) else 0.0
    if len(stated):
        return max(noise, 1e-3) if len(seen) else float(np.median(stated))
    return max(noise, LEAST_NOISE)


def _scatter_around(x, y, square, around: Grid, spacing: float, noise: float) -> np.ndarray:
    """Return the root mean square scatter of the soundings around each cell, m."""
    known = np.isfinite(square)
    if not known.any():
        return np.full(around.shape, noise)
    (mean,) = _around(x[known], y[known], around, spacing, square[known])
    # Depths logged in coarse steps may show no scatter at all.
    return np.sqrt(np.maximum(mean, (0.5 * noise) ** 2))


def _around(x, y, around: Grid, spacing: float, *values) -> list:
    """Return Gaussian-weighted means of values around each cell, each cell counting alike.

    Where no point is within reach, the mean nearest to it.
    """
    row, col = (np.rint(at).astype(np.int64) for at in around.rows_cols(x, y))
    # The shore goes on beyond the grid.
    here = (row >= 0) & (row < around.shape[0]) & (col >= 0) & (col < around.shape[1])
    key, size = (row * around.shape[1] + col)[here], around.values.size
    count = np.bincount(key, minlength=size).reshape(around.shape)
    reach = _REACH * spacing / around.dx

    def smooth(band):
        return gaussian_filter(band, reach, truncate=4.0, mode="constant")

    weight = smooth((count > 0).astype(float))
    near = weight > 1e-6
    fill = None
    if not near.all():
        fill = tuple(distance_transform_edt(~near, return_distances=False, return_indices=True))
    means = []
    for value in values:
        total = np.bincount(key, value[here], size).reshape(around.shape)
        mean = smooth(total / np.maximum(count, 1)) / np.maximum(weight, 1e-6)
        means.append(mean if fill is None else mean[fill])
    return means


def _departure(nodes: Nodes, around: Grid, spacing: float, level: bool) -> tuple:
    """Return departure of the nodes around each cell from a plane, m, and its slope.

    If ``level``, the departure from their mean depth.
    """
    x, y = (nodes.x - around.west) / spacing, (nodes.y - around.north) / spacing
    z = nodes.depth - nodes.depth.mean()
    x, y, z, xx, yy, xy, xz, yz, zz = _around(
        nodes.x, nodes.y, around, spacing,
        x, y, z, x * x, y * y, x * y, x * z, y * z, z * z,
    )  # fmt: skip
    xx, yy, xy, xz, yz, zz = xx - x * x, yy - y * y, xy - x * y, xz - x * z, yz - y * z, zz - z * z
    ridge = _RIDGE * (xx + yy) + 1e-9
    xx, yy = xx + ridge, yy + ridge
    size = xx * yy - xy**2
    east, north = (yy * xz - xy * yz) / size, (xx * yz - xy * xz) / size
    square = zz if level else zz - east * xz - north * yz
    return np.sqrt(np.maximum(square, 0.0)), np.hypot(east, north) / spacing


def to_known_depth(f: Frame, distance) -> np.ndarray:
    """Return the distance to the nearest sounding or to the shore, whose depth is known, m."""
    if f.mask.all():
        return distance
    return np.minimum(distance, distance_transform_edt(f.mask, sampling=f.grid.dx))


def _onto(coarse: Grid, fine: Grid) -> np.ndarray:
    """Return a coarse grid, linear between its centres, on the cells of a fine one."""
    out = coarse.values.astype(np.float32)
    row, _ = coarse.rows_cols(coarse.west, fine.y)
    _, col = coarse.rows_cols(fine.x, coarse.north)
    for axis, at in ((0, row), (1, col)):
        at = at.clip(0, out.shape[axis] - 1)
        low = np.floor(at).astype(int)
        part = (at - low).astype(np.float32)
        part = part[:, None] if axis == 0 else part
        high = np.minimum(low + 1, out.shape[axis] - 1)
        first = out.take(low, axis=axis)
        last = out.take(high, axis=axis)
        last -= first
        last *= part
        first += last
        out = first
    return out


def uncertainty(f: Frame, distance, growth: Growth) -> np.ndarray:
    """Return the standard uncertainty of each cell, m; NaN where ``distance`` is.

    Parameters
    ----------
    f : Frame
        Its mask gives the distance to the shore, a line of known depth.
    distance : array, shape (rows, cols)
        To the nearest sounding, m.
    growth : Growth

    Notes
    -----
    Level, draft and sound speed err alike in neighbouring soundings, which neither their
    scatter nor misfits of lanes left out can show: at least half is kept of what the
    soundings around state beyond their scatter.
    """
    s, around = f.soundings, _grid_around(f.grid, f.spacing)
    square = scatter(s, f.spacing)
    seen = _scatter_around(s.x, s.y, square, around, f.spacing, growth.noise)
    departure, slope = _departure(f.nodes, around, f.spacing, growth.level)
    known = to_known_depth(f, distance)
    sigma = _onto(around.like((growth.rate * departure) ** 2), f.grid)
    if growth.across:
        sigma += _onto(around.like((growth.across * slope) ** 2), f.grid) * known
    sigma = sigma * known
    sigma += _onto(around.like((growth.share * seen) ** 2), f.grid)
    np.sqrt(sigma, out=sigma)
    stated = np.isfinite(s.uncert)
    if stated.any():
        (square,) = _around(s.x[stated], s.y[stated], around, f.spacing, s.uncert[stated] ** 2)
        shared = _SHARED * np.sqrt(np.maximum(square - seen**2, 0.0))
        np.maximum(sigma, _onto(around.like(shared), f.grid), out=sigma)
    return sigma
