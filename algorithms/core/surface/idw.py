"""Depth surface by inverse distance weighting (IDW) with a search by sector."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from .. import threads
from ..errors import LakefloorError
from ..grid import Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .frame import Frame, frame
from .nodes import NODES_PER_SPACING, thin_nodes
from .sample_windows import choose_windows
from .surface_uncertainty import Growth, learn_growth, uncertainty
from .thin_plate import halve

# Nodes searched for each one used: where a sector is short of them, more.
_SEARCHED = (2, 4)
_POINTS = 10_000
# Squares of cells that share a search are not wider than tiles start apart.
_MOST_HALVINGS = 6


@dataclass(frozen=True)
class Search:
    """Which nodes count for a point, and how much.

    Attributes
    ----------
    power : float
        Weight is distance to the power ``-power``.
    neighbours : int
        Most nodes used for a point: an equal share of the nearest ones from each
        sector, among the ``4 * neighbours`` nearest of all.
    sectors : int
        Equal sectors around a point, counted from west, so that the many pings of one
        lane do not shut out the next lane.

    Raises
    ------
    LakefloorError
        If ``power`` is not above 0, or ``neighbours`` below ``sectors`` or that below 1.
    """

    power: float = 2.0
    neighbours: int = 12
    sectors: int = 4

    def __post_init__(self) -> None:
        if not (np.isfinite(self.power) and self.power > 0):
            raise LakefloorError(f"Power must be above 0, not {self.power}.")
        if self.sectors < 1 or self.neighbours < self.sectors:
            raise LakefloorError(
                f"{self.neighbours} neighbors are too few for {self.sectors} sectors. Give at "
                "least one for each."
            )


def idw_surface(
    soundings: Soundings,
    *,
    power: float = 2.0,
    neighbours: int = 12,
    sectors: int = 4,
    progress: Progress = silent,
    **where: Any,
) -> Surface:
    """Return a depth surface of distance-weighted means of the soundings around a cell.

    Parameters
    ----------
    soundings : Soundings
        As for :func:`~.tin.tin_surface`.
    power, neighbours, sectors
        As for :class:`Search`.
    progress : callable
    **where
        ``cell``, ``shoreline``, ``max_gap``, ``shore_depth`` and ``spacing``, as for
        :func:`~.frame.frame`.

    Returns
    -------
    Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Never
        deeper or shoaler than the nodes around a cell.

    Raises
    ------
    LakefloorError
        As :func:`~.frame.frame` and :class:`Search`.

    Notes
    -----
    Squares of cells, no wider than the blocks in which soundings are averaged, share one search
    for neighbors, made at their middle; weights are those of each cell.
    """
    search = asdict(Search(power, neighbours, sectors))
    f = frame(soundings, **where)
    progress(0.05)
    growth = learn_idw(f, **search, progress=span(progress, 0.05, 0.2))
    return draw_idw(f, growth, **search, progress=span(progress, 0.2, 1.0))


def learn_idw(f: Frame, *, progress: Progress = silent, **search: Any) -> Growth:
    """Return what IDW of the whole survey needs to know: how its error grows.

    Parameters
    ----------
    f : Frame
        Of the whole survey.
    progress : callable
    **search
        As for :class:`Search`.
    """
    block = f.spacing / NODES_PER_SPACING

    def predict(nodes, xy):
        nodes = thin_nodes(nodes, block)
        return idw_at(nodes.xy, nodes.depth, xy, **search)

    windows = choose_windows(f, np.isfinite(f.distance))
    return learn_growth(windows, predict, level=True, progress=progress)


def draw_idw(f: Frame, learned: Growth, *, progress: Progress = silent, **search: Any) -> Surface:
    """Draw a surface by IDW with what was learned from the whole survey.

    Parameters
    ----------
    f : Frame
        Of the whole survey or, by :meth:`Frame.window`, of a part of it.
    learned : Growth
        From :func:`learn_idw` of the whole, with the same search.
    progress : callable
    **search
        As for :class:`Search`.

    Returns
    -------
    Surface

    Notes
    -----
    A part that starts on a multiple of 64 rows and columns, with a halo of two maximum gaps,
    equals the whole wherever the nodes searched lie within the halo, as they do between lanes.
    """
    chosen = Search(**search)
    distance = f.distance
    wanted = np.zeros(f.grid.shape, dtype=bool)
    wanted[f.wanted] = np.isfinite(distance[f.wanted])
    progress(0.1)
    tree = cKDTree(f.nodes.xy)
    cell = f.grid.dx
    # A spacing that was estimated may be a little below one that fits.
    halvings = int(np.log2(1.1 * f.spacing / NODES_PER_SPACING / cell))
    halvings = min(max(halvings, 0), _MOST_HALVINGS)
    side, shared = 2**halvings, wanted
    for _ in range(halvings):
        shared = halve(shared)
    row, col = (side * at for at in np.nonzero(shared))
    middle = np.column_stack(
        [f.grid.west + (col + 0.5 * side) * cell, f.grid.north - (row + 0.5 * side) * cell]
    )
    depth = np.full([size + side for size in f.grid.shape], np.nan)

    def work(part):
        x, y, value = _neighbors(tree, f.nodes.depth, middle[part], chosen)
        for down, right in np.ndindex(side, side):
            east, south = ((at + 0.5 - 0.5 * side) * cell for at in (right, down))
            mean = _mean(x - east, y + south, value, chosen.power)
            depth[row[part] + down, col[part] + right] = mean

    parts = [slice(start, start + _POINTS) for start in range(0, len(row), _POINTS)]
    with threads.pool() as pool:
        for done, _ in enumerate(pool.map(work, parts)):
            progress(0.1 + 0.85 * done / len(parts))
    depth = np.where(wanted, depth[: wanted.shape[0], : wanted.shape[1]], np.nan)
    sigma = uncertainty(f, distance, learned)
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance), f.spacing)


def idw_at(
    nodes: np.ndarray,
    depth: np.ndarray,
    xy: np.ndarray,
    power: float = 2.0,
    neighbours: int = 12,
    sectors: int = 4,
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
    power, neighbours, sectors
        As for :class:`Search`.

    Returns
    -------
    array, shape (m,)
        Within the range of the nodes used; the value of a node at the node itself.

    Raises
    ------
    LakefloorError
        As :class:`Search`.

    References
    ----------
    Shepard, D. (1968). A two-dimensional interpolation function for irregularly-spaced
    data. Proceedings of the 23rd ACM National Conference, 517-524.

    Examples
    --------
    A point three times as far from one node as from the other counts it one ninth as much.

    >>> nodes, depth = np.array([[0.0, 0.0], [4.0, 0.0]]), np.array([2.0, 12.0])
    >>> round(float(idw_at(nodes, depth, np.array([[1.0, 0.0]]))[0]), 6)
    3.0
    """
    search = Search(power, neighbours, sectors)
    xy, depth = np.asarray(xy, dtype=float), np.asarray(depth, dtype=float)
    dx, dy, value = _neighbors(cKDTree(nodes), depth, xy, search)
    return _mean(dx, dy, value, search.power)


def _neighbors(tree: cKDTree, depth, points, search: Search) -> tuple:
    """Return how far east and north of points the nodes to use lie, and their depths, m.

    Each has shape (k, n). Where a sector has too few nodes its last ones lie at infinity, with
    the depth of another node of the same point.
    """
    neighbours, sectors = search.neighbours, search.sectors
    share = neighbours // sectors
    chosen = np.full((sectors * share, len(points)), -1)
    rest = np.arange(len(points))
    for searched in _SEARCHED:
        k = min(searched * neighbours, tree.n)
        # Points run along the memory, since they are many and the nodes of each are few.
        near = np.ascontiguousarray(tree.query(points[rest], k=np.arange(1, k + 1))[1].T)
        x, y = (tree.data[:, axis][near] - points[rest, axis] for axis in (0, 1))
        turn = np.arctan2(y, x) / (2.0 * np.pi) + 0.5
        sector = np.minimum((turn * sectors).astype(np.int16), sectors - 1)
        incomplete = np.zeros(len(rest), dtype=bool)
        for number in range(sectors):
            found = np.zeros(len(rest), dtype=np.int16)
            for member, node in zip(sector == number, near):
                taken = np.flatnonzero(member & (found < share))
                chosen[number * share + found[taken], rest[taken]] = node[taken]
                found += member
            incomplete |= found < share
        rest = rest[incomplete]
        if not len(rest) or k == tree.n:
            break
    void = chosen < 0
    chosen = np.where(void, chosen.max(axis=0), chosen)
    x, y = (tree.data[:, axis][chosen] - points[:, axis] for axis in (0, 1))
    x[void] = np.inf
    return x, y, depth[chosen]


def _mean(x, y, value, power: float) -> np.ndarray:
    """Return weighted means, shape (n,), of values at x and y from a point, shape (k, n)."""
    squared = x * x + y * y
    nearest = squared.min(axis=0)
    # Distances relative to the nearest one, so that no power of them overflows.
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = (squared / nearest) ** (-0.5 * power)
    at_node = nearest == 0
    weight[:, at_node] = squared[:, at_node] == 0
    mean = (weight * value).sum(axis=0) / weight.sum(axis=0)
    return mean.clip(value.min(axis=0), value.max(axis=0))
