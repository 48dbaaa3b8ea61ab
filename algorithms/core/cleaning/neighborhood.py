"""Depths against those of other places: other lanes, other passes, other visits."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..progress import Progress, silent
from ..threads import processors
from .track_gates import starts_of_runs

#: Neighbors asked.
COUNT = 16
#: Neighbors to a radius, along each track.
NODES = 4.0
#: Fewest neighbors that can contradict.
FEWEST_NEIGHBORS = 4
#: Share of the neighbors that must contradict.
MAJORITY = 0.8
#: Gentlest slope granted between neighbors, rise over run.
GENTLEST = 0.15
#: Pings that speak for one piece of track.
SPOKESMEN = 9
#: Pings worked on at a time.
_CHUNK = 50_000


def spaced_along(along: np.ndarray, run: np.ndarray, spacing: float) -> np.ndarray:
    """Return the index of one ping for each ``spacing`` meters of each run of track.

    ``along`` (m) and ``run`` have shape (n,).
    """
    bins = np.floor(along / spacing).astype(np.int64)
    starts = starts_of_runs(run, bins)
    return (starts + np.append(starts[1:], len(along)) - 1) // 2


def contradicted(
    x: np.ndarray,
    y: np.ndarray,
    depth: np.ndarray,
    along: np.ndarray,
    visit: np.ndarray,
    piece: np.ndarray,
    pieces: np.ndarray,
    witness: np.ndarray | None = None,
    *,
    radius: float,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
    progress: Progress = silent,
) -> np.ndarray:
    """Return which pieces of track the soundings of other places contradict.

    Each piece is spoken for by up to nine of its pings. A neighbor contradicts a ping if
    their depths differ by more than ``n_sigma * floor + slope * distance``, where the
    slope is twice the upper quartile of those between the neighbors themselves, and at
    most ``steepest``; at least half of that where the neighbors are all to one side, since an
    outermost lane may be the only one to have seen a drop-off. A piece is contradicted if
    most of its pings are, each by at least four neighbors in five; neighbors count by
    the inverse square of their distance.

    Parameters
    ----------
    x, y, depth, along : float, shape (n,)
        Position, depth and distance along the track, m.
    visit, piece : int, shape (n,)
        Visit and piece of track of each ping; pieces are numbered in order.
    pieces : int, shape (q,)
        The pieces asked about.
    witness : bool, shape (n,), optional
        The pings that are asked; all by default.
    radius : float
        How far neighbors may be, m.

    Returns
    -------
    bool, shape (q,)
    """
    if not len(pieces):
        return np.zeros(0, dtype=bool)
    asked, owner = _spokesmen(piece, pieces)
    against = np.zeros(len(asked))
    for part, node, distance, other in _neighbors(
        x, y, along, visit, piece, asked, witness, radius, progress
    ):
        rows = asked[part]
        against[part] = _share_against(
            x[rows],
            y[rows],
            depth[rows],
            x[node],
            y[node],
            depth[node],
            distance,
            other,
            n_sigma * floor[rows],
            steepest,
            0.5 * radius / NODES,
        )
    return (against >= MAJORITY)[owner].mean(axis=1) > 0.5


def depth_below_neighbors(
    x: np.ndarray,
    y: np.ndarray,
    depth: np.ndarray,
    along: np.ndarray,
    visit: np.ndarray,
    piece: np.ndarray,
    pieces: np.ndarray,
    *,
    radius: float,
) -> tuple:
    """Return how far pieces of track lie off their neighbors, whether that proves anything or not.

    Parameters as in `contradicted`.

    Returns
    -------
    excess : float, shape (q,)
        Median difference, m, of the pings that speak for a piece from the middle of their
        neighbors, positive where the piece is deeper; NaN without neighbors.
    distance : float, shape (q,)
        Median distance, m, of those neighbors.
    """
    if not len(pieces):
        return np.zeros(0), np.zeros(0)
    asked, owner = _spokesmen(piece, pieces)
    excess, reach = np.full((2, len(asked)), np.nan)
    for part, node, distance, other in _neighbors(x, y, along, visit, piece, asked, None, radius):
        some = other.any(axis=1)
        part, node, distance, other = part[some], node[some], distance[some], other[some]
        middle = np.nanmedian(np.where(other, depth[node], np.nan), axis=1)
        excess[part] = depth[asked[part]] - middle
        reach[part] = np.nanmedian(np.where(other, distance, np.nan), axis=1)
    found = np.full((2, len(pieces)), np.nan)
    heard = np.isfinite(excess)[owner].any(axis=1)
    found[:, heard] = np.nanmedian(np.stack([excess, reach])[:, owner[heard]], axis=2)
    return found[0], found[1]


def _spokesmen(piece, pieces):
    """Return the pings that speak for pieces, and which of these each piece has; (q, 9)."""
    starts = starts_of_runs(piece)
    where = np.searchsorted(piece[starts], pieces)
    head = starts[where]
    tail = np.append(starts[1:], len(piece))[where] - 1
    speakers = np.round(np.linspace(head, tail, SPOKESMEN)).astype(int).T
    asked, owner = np.unique(speakers, return_inverse=True)
    return asked, owner.reshape(speakers.shape)


def _neighbors(x, y, along, visit, piece, asked, witness, radius, progress=silent):
    """Yield the neighbors of ``asked`` pings, part by part.

    Each part is an index into ``asked``, and of its pings the neighbors, their distances
    and which of them count, nearest first; these three have shape (part, k).
    """
    spacing = radius / NODES
    nodes = spaced_along(along, piece, spacing)
    if witness is not None:
        nodes = nodes[witness[nodes]]
    if not len(nodes):
        return
    tree = cKDTree(np.column_stack([x[nodes], y[nodes]]))
    parts = np.array_split(np.arange(len(asked)), max(1, -(-len(asked) // _CHUNK)))
    near = min(4 * COUNT, len(nodes))
    for done, part in enumerate(parts):
        rows = asked[part]
        distance, index = tree.query(
            np.column_stack([x[rows], y[rows]]),
            k=near,
            distance_upper_bound=radius,
            workers=processors(),
        )
        distance, index = distance.reshape(len(rows), -1), index.reshape(len(rows), -1)
        node = nodes[np.minimum(index, len(nodes) - 1)]
        away = np.abs(along[node] - along[rows, None])
        other = np.isfinite(distance) & (piece[node] != piece[rows, None])
        other &= (visit[node] != visit[rows, None]) | (away > 2.0 * distance + spacing)
        other &= np.cumsum(other, axis=1) <= COUNT
        yield part, node, distance, other
        progress((done + 1) / len(parts))


def _share_against(x, y, depth, xn, yn, dn, distance, other, noise, steepest, close):
    """Share of the neighbors that contradict; 0 where they are too few.

    Slopes are taken from neighbors at least ``close`` apart, m: closer by, the noise of
    depth and position makes slopes of its own.
    """
    count = other.sum(axis=1)
    dx, dy = xn - x[:, None], yn - y[:, None]
    angle = np.sort(np.where(other, np.arctan2(dy, dx), np.inf), axis=1)
    last = angle[np.arange(len(x)), np.maximum(count - 1, 0)]
    with np.errstate(invalid="ignore"):
        gaps = np.diff(angle, axis=1)
        widest = np.max(np.where(np.isfinite(gaps), gaps, 0.0), axis=1, initial=0.0)
        widest = np.maximum(widest, angle[:, 0] + 2.0 * np.pi - last)
    gentlest = np.where(widest < np.pi, GENTLEST, max(GENTLEST, 0.5 * steepest))

    share = np.zeros(len(x))
    rows = np.flatnonzero(count >= FEWEST_NEIGHBORS)
    for part in np.array_split(rows, -(-len(rows) // 5000)) if len(rows) else ():
        use = other[part]
        order = np.argsort(~use, axis=1, kind="stable")[:, :COUNT]
        pick = np.take_along_axis
        use = pick(use, order, 1)
        px, py = pick(xn[part], order, 1), pick(yn[part], order, 1)
        pd, far = pick(dn[part], order, 1), pick(distance[part], order, 1)
        apart = np.hypot(px[:, :, None] - px[:, None, :], py[:, :, None] - py[:, None, :])
        pair = use[:, :, None] & use[:, None, :] & (apart >= close)
        with np.errstate(invalid="ignore", divide="ignore"):
            slopes = np.abs(pd[:, :, None] - pd[:, None, :]) / apart
        slopes = np.sort(np.where(pair, slopes, np.inf).reshape(len(part), -1), axis=1)
        pairs = np.isfinite(slopes).sum(axis=1)
        quartile = slopes[np.arange(len(part)), np.maximum(3 * pairs // 4 - 1, 0)]
        slope = np.clip(2.0 * quartile, gentlest[part], steepest)
        limit = noise[part, None] + slope[:, None] * far
        differs = np.abs(pd - depth[part, None]) > limit
        weight = use / np.maximum(far, close) ** 2
        share[part] = (weight * differs).sum(axis=1) / weight.sum(axis=1)
    return share
