"""Standard uncertainty of an interpolated surface, learnt from soundings left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from .progress import Progress, silent
from .surface_nodes import SOUNDING, Frame, Nodes

#: Standard uncertainty taken for soundings that state none and show none, m. A tenth of
#: a foot is the step in which most sounders log.
LEAST_NOISE = 0.03
_LEAST_RESIDUALS = 60
_MOST_NODES = 20_000
_WINDOW = 24.0
_TWO_SIGMA = 0.9545


@dataclass(frozen=True)
class Growth:
    """Error of a surface against distance d to the nearest known depth.

    ``sigma(d)^2 = noise^2 + (scale * d^power)^2``, m.

    Attributes
    ----------
    noise, scale, power : float
    residuals : int
        Number of left-out soundings behind the figures; 0 if taken from slope.
    """

    noise: float
    scale: float
    power: float
    residuals: int

    def of(self, distance) -> np.ndarray:
        """Return the part of the standard uncertainty that grows with distance, m."""
        return self.scale * np.asarray(distance) ** self.power

    def noise_of(self, nodes: Nodes) -> np.ndarray:
        """Return the standard uncertainty at the nodes themselves, m."""
        return np.fmax(nodes.uncert, self.noise)


def estimate_growth(
    nodes: Nodes,
    spacing: float,
    predict: Callable,
    progress: Progress = silent,
) -> Growth:
    """Leave soundings out in whole pieces, predict them, and fit error against distance.

    Parameters
    ----------
    nodes : Nodes
        Thinned soundings; nodes of shoreline and break-lines are never left out.
    spacing : float
        Lane spacing, m.
    predict : callable
        ``predict(nodes, xy) -> depth`` at xy of shape (n, 2), NaN where it cannot.
    progress : callable

    Returns
    -------
    Growth
        Fitted so that two standard deviations hold 95 % of the residuals.

    Notes
    -----
    The points of one lane are near-copies of their neighbours, so leaving single points
    out makes any surface look several times better than it is. Three kinds of piece are
    left out in turn: squares one and two lane spacings wide, a quarter of them each, and
    every second lane where lanes are numbered (Roberts et al. 2017). The first show
    the growth at short distances, the last the error across lanes. In each class of
    distance the 95.45th percentile of the absolute residual is taken as two standard
    deviations, since the error of a bottom with drop-offs has long tails, and the law is
    fitted to the classes.

    With fewer than 60 residuals, as on a single lane, the growth is the median slope
    along the soundings times the distance.

    References
    ----------
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    distance, residual = leave_out(nodes, spacing, predict, progress)
    stated = nodes.uncert[nodes.kind == SOUNDING]
    stated = stated[np.isfinite(stated)]
    floor = float(np.median(stated)) if len(stated) else LEAST_NOISE
    if len(residual) < _LEAST_RESIDUALS:
        return _growth_from_slope(nodes, floor)
    classes = np.array_split(np.argsort(distance, kind="stable"), min(len(residual) // 30, 24))
    d = np.array([np.median(distance[rows]) for rows in classes])
    sigma = np.array([np.quantile(np.abs(residual[rows]), _TWO_SIGMA) for rows in classes]) / 2.0
    sigma = np.maximum(sigma, 1e-4)

    def misfit(p):
        return 0.5 * np.log(np.exp(2 * p[0]) + np.exp(2 * p[1]) * d ** (2 * p[2])) - np.log(sigma)

    start = (np.log(sigma.min()), np.log(sigma.max() / d.max()), 1.0)
    fit = least_squares(
        misfit,
        start,
        bounds=((-20.0, -20.0, 0.5), (np.log(sigma.max()) + 1e-9, 20.0, 2.0)),
        loss="soft_l1",
        f_scale=0.2,
    )
    # A residual holds the noise of the sounding left out and that of the surface alike.
    noise, scale, power = np.exp(fit.x[0]) / np.sqrt(2.0), np.exp(fit.x[1]), fit.x[2]
    return Growth(max(float(noise), floor), float(scale), float(power), len(residual))


def leave_out(
    nodes: Nodes, spacing: float, predict: Callable, progress: Progress = silent
) -> tuple:
    """Return distance to the nearest kept node and residual (m) of left-out soundings."""
    rows, inner = _sample(nodes, spacing)
    nodes = nodes.select(rows)
    free = (nodes.kind == SOUNDING) & inner
    folds = []
    for side in (spacing, 2.0 * spacing):
        col, row = np.floor(nodes.x / side), np.floor(nodes.y / side)
        folds.append(free & (col % 2 == 0) & (row % 2 == 0))
    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        folds.append(free & (nodes.lane > 0) & (lane % 2 == 0))
    distances, residuals = [np.empty(0)], [np.empty(0)]
    for number, out in enumerate(folds):
        progress(number / len(folds))
        if not out.any() or np.count_nonzero(~out) < 4:
            continue
        kept, left = nodes.select(~out), nodes.select(out)
        residual = predict(kept, left.xy) - left.depth
        distance = cKDTree(kept.xy).query(left.xy)[0]
        known = np.isfinite(residual) & (distance > 0)
        distances.append(distance[known])
        residuals.append(residual[known])
    progress(1.0)
    return np.concatenate(distances), np.concatenate(residuals)


def _sample(nodes: Nodes, spacing: float) -> tuple:
    """Return rows of enough nodes in whole windows, and which are clear of window edges."""
    if len(nodes) <= _MOST_NODES:
        return slice(None), np.ones(len(nodes), dtype=bool)
    side = _WINDOW * spacing
    col, row = np.floor(nodes.x / side), np.floor(nodes.y / side)
    _, window = np.unique(np.column_stack([col, row]), axis=0, return_inverse=True)
    every = int(np.ceil(len(nodes) / _MOST_NODES))
    rows = np.flatnonzero(window.ravel() % every == 0)
    inner = np.ones(len(rows), dtype=bool)
    for position, index in ((nodes.x, col), (nodes.y, row)):
        within = position[rows] / side - index[rows]
        inner &= (within > 3.0 / _WINDOW) & (within < 1.0 - 3.0 / _WINDOW)
    return rows, inner


def _growth_from_slope(nodes: Nodes, floor: float) -> Growth:
    soundings = nodes.select(nodes.kind == SOUNDING)
    reach, other = cKDTree(soundings.xy).query(soundings.xy, k=2)
    rise = np.abs(soundings.depth[other[:, 1]] - soundings.depth)
    return Growth(floor, float(np.median(rise / reach[:, 1])), 1.0, 0)


def uncertainty(frame: Frame, distance, noise, growth: Growth) -> np.ndarray:
    """Return the standard uncertainty of each cell, m; NaN where ``distance`` is.

    Parameters
    ----------
    frame : Frame
        Its mask gives the distance to the shore, a line of known depth.
    distance : array, shape (rows, cols)
        To the nearest sounding, m.
    noise : array, shape (rows, cols)
        Standard uncertainty of the soundings, interpolated, m.
    growth : Growth
    """
    known = distance
    if not frame.mask.all():
        known = np.minimum(distance, distance_transform_edt(frame.mask, sampling=frame.grid.dx))
    return np.hypot(noise, growth.of(known))
