"""Soundings of a visit beside those of a store: what differs place by place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..blocks import square_blocks
from ..soundings import Soundings, distinct
from .overlaps import about_mean
from .position_shift import spans_of_shift

#: Soundings of two visits within this distance are compared, m.
PAIR_REACH_M = 5.0

#: Side of the blocks in which pairs count as one place: what disturbs pings a few meters apart, the
#: position above all, disturbs them alike, m.
_PLACE_M = 20.0

#: Length of a run over which a receiver is off by about the same, m: a minute or two of driving.
_RUN_M = 200.0

#: Side of the cells from whose soundings, three by three, the slope at a place is taken, m.
_SLOPE_CELL_M = 20.0

#: Standard deviation of the bottom's slope before soundings tell it, m per m, and of a depth, m:
#: across a single track nothing tells the slope, and it is then taken as 0.
_SLOPE_PRIOR, _DEPTH_SD_M = 0.3, 0.1

#: Soundings must spread this part as far across a track as along it to tell the slope across.
_ACROSS = 0.2


@dataclass(frozen=True)
class NearPairs:
    """Each sounding of a visit that has one of the store in reach, and the nearest of these.

    Arrays of shape (n,): ``newer`` and ``older`` are row numbers; ``difference`` is the depth of
    the newer less that of the older, m, freed of the slope between the two; ``gx`` and ``gy`` are
    the gradient of the depth there, m per m; ``blind`` marks where tracks lie side by side, so
    that nothing tells the slope across them, which is then taken as 0.
    """

    newer: np.ndarray
    older: np.ndarray
    difference: np.ndarray
    gx: np.ndarray
    gy: np.ndarray
    blind: np.ndarray

    def __len__(self) -> int:
        return len(self.newer)


@dataclass(frozen=True)
class NearPlaces:
    """Pairs of one place and one older visit as one observation, arrays of shape (m,).

    Attributes
    ----------
    difference, depth, newer_depth : array
        Medians over the place, m: newer less older depth, older depth, newer depth.
    gx, gy : array
        Gradient of the depth, m per m.
    blind : bool array
        As in :class:`NearPairs`, for half of the pairs or more.
    newer_lane : int array
        Number of the lane of the newer visit.
    newer_run, older_run : int array
        Numbers of the runs of both boats. Observations that share one may be wrong alike.
    newer_span, older_span : int array
        Numbers of the half hours through which the positions of a boat are wrong by one shift.
    """

    difference: np.ndarray
    depth: np.ndarray
    newer_depth: np.ndarray
    gx: np.ndarray
    gy: np.ndarray
    blind: np.ndarray
    newer_lane: np.ndarray
    newer_run: np.ndarray
    older_run: np.ndarray
    newer_span: np.ndarray
    older_span: np.ndarray

    def __len__(self) -> int:
        return len(self.difference)


def pairs_of(older: Soundings, newer: Soundings) -> NearPairs:
    """Pair each accepted sounding of a visit with the nearest of a store within 5 m.

    Parameters
    ----------
    older, newer : Soundings
        What the store holds around the visit, and the visit; in one CRS, at one datum.

    Notes
    -----
    The slope is that of a plane through the soundings of both within 20 to 40 m, each with a
    constant of its own, so that a difference of level does not lean on it.
    """
    a, b = (
        np.flatnonzero(s.accepted & np.isfinite(s.x) & np.isfinite(s.y)) for s in (older, newer)
    )
    none = (*(np.zeros(0, np.intp),) * 2, *(np.zeros(0),) * 3, np.zeros(0, bool))
    if not a.size or not b.size:
        return NearPairs(*none)
    here, there = (np.column_stack([s.x[r], s.y[r]]) for s, r in ((newer, b), (older, a)))
    away, nearest = cKDTree(there).query(here, distance_upper_bound=PAIR_REACH_M)
    near = np.isfinite(away)
    if not near.any():
        return NearPairs(*none)
    rows, held = b[near], a[nearest[near]]
    gx, gy, blind = _gradients(
        [(s.x[r], s.y[r], s.depth[r]) for s, r in ((older, a), (newer, b))],
        newer.x[rows],
        newer.y[rows],
    )
    apart = newer.x[rows] - older.x[held], newer.y[rows] - older.y[held]
    difference = newer.depth[rows] - older.depth[held] - gx * apart[0] - gy * apart[1]
    return NearPairs(rows, held, difference, gx, gy, blind)


def places_of(older: Soundings, newer: Soundings, pairs: NearPairs) -> NearPlaces:
    """Return the pairs of each 20 m block and older visit as one place."""
    if not len(pairs):
        return NearPlaces(*(np.zeros(0),) * 5, np.zeros(0, bool), *(np.zeros(0, np.intp),) * 5)
    x, y = newer.x[pairs.newer], newer.y[pairs.newer]
    *_, block, _ = square_blocks(x, y, _PLACE_M)
    visit = distinct(older.visit[pairs.older])[1]
    _, first, place = np.unique(
        block * (visit.max() + 1) + visit, return_index=True, return_inverse=True
    )

    def middle(values):
        return medians_by(place, values, len(first))

    return NearPlaces(
        middle(pairs.difference),
        middle(older.depth[pairs.older]),
        middle(newer.depth[pairs.newer]),
        middle(pairs.gx),
        middle(pairs.gy),
        middle(pairs.blind.astype(float)) > 0.0,
        newer.lane[pairs.newer[first]].astype(np.intp),
        _runs(newer, pairs.newer[first], x[first], y[first]),
        _runs(older, pairs.older[first], x[first], y[first]),
        spans_of_shift(newer)[pairs.newer[first]],
        spans_of_shift(older)[pairs.older[first]],
    )


def medians_by(group: np.ndarray, values: np.ndarray, count: int) -> np.ndarray:
    """Return the median of the values of each of ``count`` groups, each with one at least.

    Examples
    --------
    >>> medians_by(np.array([0, 1, 0, 0]), np.array([5.0, 2.0, 1.0, 3.0]), 2).tolist()
    [3.0, 2.0]
    """
    ranked = values[np.lexsort((values, group))]
    size = np.bincount(group, minlength=count)
    first = np.cumsum(size) - size
    return 0.5 * (ranked[first + (size - 1) // 2] + ranked[first + size // 2])


def _runs(soundings, rows, x, y):
    """Number the runs: lanes of a visit, and of each the part within a square of 200 m."""
    lane, visit = soundings.lane[rows], distinct(soundings.visit[rows])[1]
    square = square_blocks(x, y, _RUN_M)[2]
    key = np.column_stack([visit, lane, square])
    return np.unique(key, axis=0, return_inverse=True)[1].ravel()


def _gradients(groups, x, y):
    """Return the gradient of the depth (m per m) at places, and where it is half unknown.

    Each group is x, y and depth; it has a constant of its own.
    """
    origin = np.array([x.mean(), y.mean()])
    wanted, which = np.unique(_cells(x, y, origin), axis=0, return_inverse=True)
    total = np.zeros((5, len(wanted)))
    for gx, gy, depth in groups:
        cells, at = np.unique(_cells(gx, gy, origin), axis=0, return_inverse=True)
        u, v, z = gx - origin[0], gy - origin[1], depth - depth.mean()
        moments = [
            np.bincount(at.ravel(), value, len(cells))
            for value in (np.ones(len(u)), u, v, z, u * u, u * v, v * v, u * z, v * z)
        ]
        total += about_mean(_over_neighbors(cells, np.array(moments), wanted))
    uu, uv, vv, uz, vz = total
    middle, apart = 0.5 * (uu + vv), np.hypot(0.5 * (uu - vv), uv)
    blind = middle - apart <= _ACROSS**2 * (middle + apart)
    prior = (_DEPTH_SD_M / _SLOPE_PRIOR) ** 2
    uu, vv = np.maximum(uu, 0.0) + prior, np.maximum(vv, 0.0) + prior
    area = np.maximum(uu * vv - uv * uv, prior * prior)
    which = which.ravel()
    gx, gy = (uz * vv - vz * uv) / area, (vz * uu - uz * uv) / area
    # Of tracks side by side only the slope along them is real.
    turn = 0.5 * np.arctan2(2.0 * uv, uu - vv)
    along = gx * np.cos(turn) + gy * np.sin(turn)
    gx, gy = np.where(blind, along * np.cos(turn), gx), np.where(blind, along * np.sin(turn), gy)
    return gx[which], gy[which], blind[which]


def _cells(x, y, origin):
    return np.column_stack(
        [np.floor((v - at) / _SLOPE_CELL_M).astype(np.int64) for v, at in zip((x, y), origin)]
    )


def _over_neighbors(cells, moments, wanted):
    """Sum the moments of each wanted cell and the eight around it."""
    low = np.minimum(cells.min(axis=0), wanted.min(axis=0)) - 1
    width = max(cells[:, 1].max(), wanted[:, 1].max()) - low[1] + 2

    def keys(numbers):
        return (numbers[:, 0] - low[0]) * width + numbers[:, 1] - low[1]

    held, total = keys(cells), np.zeros((len(moments), len(wanted)))
    for east in (-1, 0, 1):
        for north in (-1, 0, 1):
            key = keys(wanted + (east, north))
            at = np.minimum(np.searchsorted(held, key), len(held) - 1)
            total += np.where(held[at] == key, moments[:, at], 0.0)
    return total
