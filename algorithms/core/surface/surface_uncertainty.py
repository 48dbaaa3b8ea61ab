"""Standard uncertainty of an interpolated surface, learnt from soundings left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from ..progress import Progress, silent
from .surface_nodes import SOUNDING, Frame, Nodes

#: Standard uncertainty taken for soundings that state none and show none, m. A tenth of
#: a foot is the step in which most sounders log.
LEAST_NOISE = 0.03
_LEAST_RESIDUALS = 60
_MOST_NODES = 20_000
_WINDOW = 24.0
_TWO_SIGMA = 0.9545
# Steps of the widths of gaps, and cells to a lane spacing when they are measured.
_WIDTH_STEP = 1.25
_CELLS_A_SPACING = 6
_PLANE_NODES = 24
_LEAST_SHARE = 0.7
_BLOCK = 50_000


@dataclass(frozen=True)
class Growth:
    """Error of a surface: at its nodes, and into the gap between them.

    ``sigma^2 = node^2 + ((scale + steep S) g^power)^2``, m, with the slope S of the bottom
    and the reach g into the gap, m; see :func:`reach`. At a node that states its
    uncertainty u, ``node = share u``; otherwise ``node^2 = noise^2 + (position S)^2``.

    Attributes
    ----------
    share, noise, position, scale, steep, power : float
    residuals : int
        Number of left-out soundings behind the figures; 0 if taken from slope.
    """

    share: float
    noise: float
    position: float
    scale: float
    steep: float
    power: float
    residuals: int

    def of(self, reach, slope=0.0) -> np.ndarray:
        """Return the part of the standard uncertainty that grows into a gap, m."""
        return (self.scale + self.steep * np.asarray(slope)) * np.asarray(reach) ** self.power

    def at_node(self, stated, slope=0.0) -> np.ndarray:
        """Return the standard uncertainty at nodes, m; ``stated`` is NaN where they state none."""
        learnt = np.hypot(self.noise, self.position * np.asarray(slope))
        return np.where(np.isfinite(stated), self.share * np.asarray(stated), learnt)


def estimate_growth(
    nodes: Nodes,
    spacing: float,
    predict: Callable,
    progress: Progress = silent,
) -> Growth:
    """Leave soundings out in whole pieces, predict them, and fit error against reach.

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
    every second lane where lanes are numbered (Roberts et al. 2017). That widens the
    gaps, so the error is fitted against :func:`reach`, which knows how wide the gap was,
    and is then read at the gaps that are really there. In each class of reach the
    95.45th percentile of the absolute residual is taken as two standard deviations, since
    the error of a bottom with drop-offs has long tails, and the law is fitted to the
    classes.

    Soundings that agree with each other better than they claim have their stated
    uncertainty scaled down, but to no less than 0.7 of it: an error that all of them share, as
    of level, draft or sound speed, does not show in residuals.

    With fewer than 60 residuals, as on a single lane, the growth is the median slope
    along the soundings times the reach.

    References
    ----------
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    into, slope, stated, residual = leave_out(nodes, spacing, predict, progress)
    if len(residual) < _LEAST_RESIDUALS:
        return _growth_from_slope(nodes)
    classes = [
        rows
        for third in np.array_split(np.argsort(slope, kind="stable"), 3)
        for rows in np.array_split(
            third[np.argsort(into[third], kind="stable")], min(max(len(third) // 30, 1), 16)
        )
    ]
    g, s, u = (
        np.array([np.median(value[rows]) for rows in classes]) for value in (into, slope, stated)
    )
    sigma = np.array([np.quantile(np.abs(residual[rows]), _TWO_SIGMA) for rows in classes]) / 2.0
    sigma = np.maximum(sigma, 1e-4)

    def law(p):
        share, noise, position, scale, steep = np.exp(p[:5])
        return Growth(share, noise, position, scale, steep, p[5], len(residual))

    def misfit(p):
        fitted = law(p)
        # A residual holds the noise of the sounding left out and that of the surface alike.
        at_node = np.sqrt(2.0) * fitted.at_node(u, s)
        return np.log(np.hypot(at_node, fitted.of(g, s))) - np.log(sigma)

    largest = np.log(sigma.max()) + 1e-9
    grown = np.log(sigma.max() / g.max()) - 1.0
    fit = least_squares(
        misfit, (0.0, np.log(sigma.min()), -2.0, grown, -3.0, 1.0),
        bounds=((np.log(_LEAST_SHARE), np.log(1e-6), -20.0, -20.0, -20.0, 0.5),
                (2.0, largest, 3.0, 20.0, 20.0, 2.0)),
        loss="soft_l1", f_scale=0.2,
    )  # fmt: skip
    found = law(fit.x)
    if np.isfinite(u).all():
        # Every node states its uncertainty: these two were never asked.
        return replace(found, noise=LEAST_NOISE, position=0.0)
    return replace(found, noise=max(float(found.noise), LEAST_NOISE))


def stated_uncertainty(nodes: Nodes) -> np.ndarray:
    """Return what the nodes state, m; the others count as the usual one if any states it."""
    known = np.isfinite(nodes.uncert)
    usual = np.median(nodes.uncert[known]) if known.any() else np.nan
    return np.where(known, nodes.uncert, usual)


def leave_out(
    nodes: Nodes, spacing: float, predict: Callable, progress: Progress = silent
) -> tuple:
    """Return reach, slope, stated uncertainty and residual of soundings left out in pieces."""
    rows, inner = _sample(nodes, spacing)
    nodes = nodes.select(rows)
    steepness, stated = node_slope(nodes), stated_uncertainty(nodes)
    free = (nodes.kind == SOUNDING) & inner
    folds = []
    for side in (spacing, 2.0 * spacing):
        col, row = np.floor(nodes.x / side), np.floor(nodes.y / side)
        folds.append(free & (col % 2 == 0) & (row % 2 == 0))
    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        folds.append(free & (nodes.lane > 0) & (lane % 2 == 0))
    found = [np.empty((4, 0))]
    for number, out in enumerate(folds):
        progress(number / len(folds))
        if not out.any() or np.count_nonzero(~out) < 4:
            continue
        kept, left = nodes.select(~out), nodes.select(out)
        residual = predict(kept, left.xy) - left.depth
        distance = cKDTree(kept.xy).query(left.xy)[0]
        known = np.isfinite(residual) & (distance > 0)
        half = _half_gap_at(kept.xy, left.xy, spacing / _CELLS_A_SPACING)
        columns = [reach(distance, half), steepness[out], stated[out], residual]
        found.append(np.stack(columns)[:, known])
    progress(1.0)
    return tuple(np.concatenate(found, axis=1))


def node_slope(nodes: Nodes) -> np.ndarray:
    """Return the slope of the bottom around each node, m per m.

    That of the plane through the 24 nearest nodes, which on lanes reach over to the next.
    """
    k = min(_PLANE_NODES, len(nodes))
    if k < 4:
        return np.zeros(len(nodes))
    xy = nodes.xy - nodes.xy.mean(axis=0)
    tree = cKDTree(xy)
    out = np.empty(len(nodes))
    for start in range(0, len(nodes), _BLOCK):
        rows = slice(start, start + _BLOCK)
        _, near = tree.query(xy[rows], k=k, workers=-1)
        offset = xy[near] - xy[near].mean(axis=1, keepdims=True)
        rise = nodes.depth[near] - nodes.depth[near].mean(axis=1, keepdims=True)
        xx, yy = np.moveaxis((offset**2).sum(axis=1), 1, 0)
        crossed = (offset[..., 0] * offset[..., 1]).sum(axis=1)
        xz, yz = np.moveaxis((offset * rise[..., None]).sum(axis=1), 1, 0)
        # Nodes along one line leave the slope across it open: take none.
        ridge = 1e-3 * (xx + yy) + 1e-12
        xx, yy = xx + ridge, yy + ridge
        determinant = xx * yy - crossed**2
        out[rows] = np.hypot(yy * xz - crossed * yz, xx * yz - crossed * xz) / determinant
    return out


def reach(distance, half_gap) -> np.ndarray:
    """Return how far into a gap places lie: ``sqrt(d (2h - d))``, m.

    Parameters
    ----------
    distance : array
        d, to the nearest known depth, m.
    half_gap : array
        h, half the width of the gap, m.

    Notes
    -----
    The error of linear interpolation across a gap of width 2h is at most half the
    curvature times d (2h - d) (Davis 1975): at the same distance from a lane it is larger
    in a wider gap. In the middle of the gap the reach is h.

    References
    ----------
    Davis, P. J. (1975). Interpolation and Approximation. Dover, theorem 3.1.1.
    """
    half_gap = np.maximum(half_gap, distance)
    return np.sqrt(distance * (2.0 * half_gap - distance))


def half_gap(distance, cell: float) -> np.ndarray:
    """Return half the width of the gap in which each cell lies.

    Parameters
    ----------
    distance : array, shape (rows, cols)
        To the nearest known depth, m.
    cell : float
        m.

    Returns
    -------
    array, shape (rows, cols)
        Radius of the largest circle free of known depths that holds the cell, m, in steps
        of a quarter.

    References
    ----------
    Hildebrand, T. and Ruegsegger, P. (1997). A new method for the model-independent
    assessment of thickness in three-dimensional images. Journal of Microscopy 185(1),
    67-75.
    """
    out = np.array(distance)
    radius, largest = 1.5 * cell, distance.max(initial=0.0)
    while radius <= largest:
        held = distance_transform_edt(distance < radius, sampling=cell) < radius
        out[held] = np.maximum(out[held], radius)
        radius *= _WIDTH_STEP
    return out


def _half_gap_at(known_xy, xy, cell: float) -> np.ndarray:
    """Return half the width of the gap around places, between scattered known depths, m."""
    low = np.minimum(known_xy.min(axis=0), xy.min(axis=0)) - cell
    size = np.ceil((np.maximum(known_xy.max(axis=0), xy.max(axis=0)) - low) / cell).astype(int) + 2
    free = np.ones(size, dtype=bool)
    free[tuple(((known_xy - low) / cell).astype(int).T)] = False
    width = half_gap(distance_transform_edt(free, sampling=cell), cell)
    return width[tuple(((xy - low) / cell).astype(int).T)]


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


def _growth_from_slope(nodes: Nodes) -> Growth:
    soundings = nodes.select(nodes.kind == SOUNDING)
    reach, other = cKDTree(soundings.xy).query(soundings.xy, k=2)
    rise = np.abs(soundings.depth[other[:, 1]] - soundings.depth)
    return Growth(1.0, LEAST_NOISE, 0.0, float(np.median(rise / reach[:, 1])), 0.0, 1.0, 0)


def to_known_depth(frame: Frame, distance) -> np.ndarray:
    """Return the distance to the nearest sounding or to the shore, whose depth is known, m."""
    if frame.shoreline is None or frame.mask.all():
        return distance
    return np.minimum(distance, distance_transform_edt(frame.mask, sampling=frame.grid.dx))


def refine(coarse, step: int, shape) -> np.ndarray:
    """Return a grid of which ``coarse`` holds every ``step``-th row and column."""
    rows, cols = shape
    return coarse.repeat(step, axis=0)[:rows].repeat(step, axis=1)[:, :cols]


def uncertainty(frame: Frame, distance, noise, slope, growth: Growth) -> np.ndarray:
    """Return the standard uncertainty of each cell, m; NaN where ``distance`` is.

    Parameters
    ----------
    frame : Frame
        Its mask gives the distance to the shore, a line of known depth.
    distance : array, shape (rows, cols)
        To the nearest sounding, m.
    noise, slope : array, shape (rows, cols)
        Standard uncertainty, m, and slope of the bottom at the nodes, interpolated.
    growth : Growth
    """
    known = to_known_depth(frame, distance)
    step = max(round(frame.spacing / _CELLS_A_SPACING / frame.grid.dx), 1)
    coarse = half_gap(np.nan_to_num(known[::step, ::step]), step * frame.grid.dx)
    wide = refine(coarse, step, known.shape)
    return np.hypot(noise, growth.of(reach(known, wide), slope))
