"""Depth surface by inverse distance weighting (IDW) with a search by sector."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from .. import threads
from ..errors import LakefloorError
from ..grid import Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .surface_nodes import (
    NODES_PER_SPACING,
    Frame,
    frame,
    row_blocks,
    thin,
)
from .surface_trial import trial
from .surface_uncertainty import Growth, learn_growth, uncertainty

_SEARCHED = 4
_TILE = 2
_POINTS = 20_000


def idw_surface(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline=None,
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    spacing: float | None = None,
    power: float = 2.0,
    neighbours: int = 12,
    sectors: int = 4,
    progress: Progress = silent,
) -> Surface:
    """Return a depth surface of distance-weighted means of the soundings around a cell.

    Parameters
    ----------
    soundings, cell, shoreline, max_gap, shore_depth, spacing, progress
        As for :func:`~.tin.tin_surface`.
    power, neighbours, sectors
        As for :func:`idw_at`.

    Returns
    -------
    Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Never
        deeper or shoaler than the nodes around a cell.

    Raises
    ------
    LakefloorError
        As :func:`~.surface_nodes.frame` and :func:`idw_at`.

    Notes
    -----
    Tiles of 2 x 2 cells share one search for neighbours, made at their centre; weights
    are those of each cell.
    """
    check_search(power, neighbours, sectors)
    f = frame(
        soundings,
        cell=cell,
        shoreline=shoreline,
        max_gap=max_gap,
        shore_depth=shore_depth,
        spacing=spacing,
    )
    progress(0.05)
    search = {"power": power, "neighbours": neighbours, "sectors": sectors}
    growth = learn_idw(f, **search, progress=span(progress, 0.05, 0.2))
    return draw_idw(f, growth, **search, progress=span(progress, 0.2, 1.0))


def learn_idw(
    f: Frame,
    *,
    power: float = 2.0,
    neighbours: int = 12,
    sectors: int = 4,
    progress: Progress = silent,
) -> Growth:
    """Return what IDW of the whole survey needs to know: how its error grows.

    Parameters
    ----------
    f : Frame
        Of the whole survey.
    power, neighbours, sectors
        As for :func:`idw_at`.
    progress : callable
    """
    search = {"power": power, "neighbours": neighbours, "sectors": sectors}
    block = f.spacing / NODES_PER_SPACING

    def predict(nodes, xy):
        nodes = thin(nodes, block)
        return idw_at(nodes.xy, nodes.depth, xy, **search)

    return learn_growth(trial(f, np.isfinite(f.distance)), predict, level=True, progress=progress)


def draw_idw(
    f: Frame,
    learned: Growth,
    *,
    power: float = 2.0,
    neighbours: int = 12,
    sectors: int = 4,
    progress: Progress = silent,
) -> Surface:
    """Draw a surface by IDW with what was learned from the whole survey.

    Parameters
    ----------
    f : Frame
        Of the whole survey or, by :meth:`Frame.window`, of a part of it.
    learned : Growth
        From :func:`learn_idw` of the whole, with the same search.
    power, neighbours, sectors
        As for :func:`idw_at`.
    progress : callable

    Returns
    -------
    Surface

    Notes
    -----
    A part that starts on an even row and column, with a halo of two maximum gaps, equals the
    whole wherever the nodes searched lie within the halo, which they do between lanes.
    """
    distance = f.distance
    progress(0.1)
    tree = cKDTree(f.nodes.xy)
    depth = np.full(f.grid.shape, np.nan)
    wanted = np.isfinite(distance)

    def work(rows):
        r, c = np.nonzero(wanted[rows])
        r += rows.start
        if not len(r):
            return r, c, np.empty(0)
        xy = np.column_stack([f.grid.x[c], f.grid.y[r]])
        tile = (r // _TILE) * (f.grid.shape[1] // _TILE + 1) + c // _TILE
        _, member, count = np.unique(tile, return_inverse=True, return_counts=True)
        centre = np.column_stack([np.bincount(member, xy[:, k]) / count for k in (0, 1)])
        chosen = _by_sector(tree, centre, neighbours, sectors)
        return r, c, _weigh(f.nodes.xy, f.nodes.depth, chosen[member], xy, power)

    rows_at_once = list(row_blocks(f.grid, _POINTS, _TILE))
    with threads.pool() as pool:
        for done, (r, c, value) in enumerate(pool.map(work, rows_at_once)):
            progress(0.1 + 0.85 * done / len(rows_at_once))
            depth[r, c] = value
    sigma = uncertainty(f, distance, learned)
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance))


def check_search(power: float, neighbours: int, sectors: int) -> None:
    """Raise :class:`LakefloorError` if parameters of :func:`idw_at` cannot be used."""
    if not (np.isfinite(power) and power > 0):
        raise LakefloorError(f"Power must be above 0; got {power}.")
    if sectors < 1 or neighbours < sectors:
        raise LakefloorError(
            f"Give at least one neighbour for each of the {sectors} sectors; got {neighbours}."
        )


def idw_at(
    nodes, depth, xy, power: float = 2.0, neighbours: int = 12, sectors: int = 4
) -> np.ndarray:
    """Return the inverse-distance-weighted mean of node values at points.

    Parameters
    ----------
    nodes : array, shape (n, 2)
        Positions of the nodes, m.
    depth : array, shape (n,)
        Their values, m.
    xy : array, shape (m, 2)
        Points, m.
    power : float
        Weight is distance to the power ``-power``.
    neighbours : int
        Most nodes used for a point: an equal share of the nearest ones from each
        sector, among the ``4 * neighbours`` nearest of all.
    sectors : int
        Equal sectors around a point, counted from west, so that the many pings of one
        lane do not shut out the next lane.

    Returns
    -------
    array, shape (m,)
        Within the range of the nodes used; the value of a node at the node itself.

    Raises
    ------
    LakefloorError
        If ``power`` is not above 0, or ``neighbours`` below ``sectors`` or that below 1.

    References
    ----------
    Shepard, D. (1968). A two-dimensional interpolation function for irregularly-spaced
    data. Proceedings of the 23rd ACM National Conference, 517-524.
    """
    check_search(power, neighbours, sectors)
    nodes, xy = np.asarray(nodes, dtype=float), np.asarray(xy, dtype=float)
    chosen = _by_sector(cKDTree(nodes), xy, neighbours, sectors)
    return _weigh(nodes, np.asarray(depth, dtype=float), chosen, xy, power)


def _by_sector(tree, points, neighbours: int, sectors: int) -> np.ndarray:
    """Return rows of the nodes to use, shape (n, neighbours), filled up with -1."""
    k = min(_SEARCHED * neighbours, tree.n)
    _, near = tree.query(points, k=np.arange(1, k + 1))
    offset = tree.data[near] - points[:, None]
    turn = np.arctan2(offset[..., 1], offset[..., 0]) / (2.0 * np.pi) + 0.5
    sector = np.minimum((turn * sectors).astype(np.int8), sectors - 1)
    used = np.zeros(near.shape, dtype=bool)
    for number in range(sectors):
        member = sector == number
        used |= member & (np.cumsum(member, axis=1) <= neighbours // sectors)
    chosen = np.full((len(points), neighbours), -1)
    row, column = np.nonzero(used)
    chosen[row, np.cumsum(used, axis=1)[row, column] - 1] = near[row, column]
    return chosen


def _weigh(nodes, values, chosen, points, power: float) -> np.ndarray:
    """Return weighted means of ``values``, shape (n,), at points, shape (m,)."""
    void = chosen < 0
    squared = (nodes[:, 0][chosen] - points[:, :1]) ** 2
    squared += (nodes[:, 1][chosen] - points[:, 1:]) ** 2
    squared[void] = np.inf
    # Distances relative to the nearest one, so that no power of them overflows.
    nearest = squared.min(axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = (squared / nearest) ** (-0.5 * power)
    weight = np.where(nearest == 0, squared == 0, weight)
    weight /= weight.sum(axis=1, keepdims=True)
    value = values[chosen]
    mean = (weight * value).sum(axis=1)
    low = np.where(void, np.inf, value).min(axis=1)
    high = np.where(void, -np.inf, value).max(axis=1)
    return mean.clip(low, high)
