"""Points of known depth that a surface is drawn through: soundings and shoreline."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from ..blocks import block_mean
from ..polygons import rings
from ..soundings import Soundings, distinct

SOUNDING, SHORE, BREAKLINE = 0, 1, 2
#: Nodes a lane spacing, along lanes and along the shore.
NODES_PER_SPACING = 4.0
# Side of the squares in which a shoreline is thinned, in node distances.
_SHORE_SQUARE = 8.0


@dataclass(frozen=True)
class Nodes:
    """Points of known depth; every field has shape (n,).

    Attributes
    ----------
    x, y, depth, uncert : float
        m. ``uncert`` is one standard deviation of depth, NaN where not stated.
    kind : int8
        :data:`SOUNDING`, :data:`SHORE` or :data:`BREAKLINE`.
    lane : int
        Number of the lane over all visits, 0 for none.
    """

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    uncert: np.ndarray
    kind: np.ndarray
    lane: np.ndarray

    @classmethod
    def build(
        cls,
        x: ArrayLike,
        y: ArrayLike,
        depth: ArrayLike,
        kind: ArrayLike,
        uncert: ArrayLike = np.nan,
        lane: ArrayLike = 0,
    ) -> Nodes:
        """Return nodes; a scalar is repeated."""
        n = len(x)
        return cls(
            np.asarray(x, dtype=float),
            np.asarray(y, dtype=float),
            np.broadcast_to(np.asarray(depth, dtype=float), (n,)),
            np.broadcast_to(np.asarray(uncert, dtype=float), (n,)),
            np.broadcast_to(np.int8(kind), (n,)),
            np.broadcast_to(np.asarray(lane, dtype=np.int64), (n,)),
        )

    def __len__(self) -> int:
        return len(self.x)

    @property
    def xy(self) -> np.ndarray:
        """Positions, shape (n, 2)."""
        return np.column_stack([self.x, self.y])

    def select(self, rows: np.ndarray) -> Nodes:
        """Return the rows picked by a mask or an index array."""
        return Nodes(*(value[rows] for value in vars(self).values()))


def join(parts: Iterable[Nodes]) -> Nodes:
    """Return the nodes of all ``parts`` in order."""
    return Nodes(*(np.concatenate(column) for column in zip(*(vars(p).values() for p in parts))))


def sounding_nodes(soundings: Soundings, block: float) -> Nodes:
    """Return one node for each square block of ``block`` m that holds soundings."""
    x, y, depth, uncert, first = block_mean(
        soundings.x, soundings.y, block, soundings.depth, soundings.uncert
    )
    number = lane_numbers(soundings.visit[first], soundings.lane[first])
    return Nodes.build(x, y, depth, SOUNDING, uncert, number)


def lane_numbers(visit: np.ndarray, lane: np.ndarray) -> np.ndarray:
    """Return one number for each lane of each visit, shape (n,); 0 stays "no lane"."""
    _, number = distinct(visit)
    lane = lane.astype(np.int64)
    return np.where(lane > 0, number * (lane.max(initial=0) + 1) + lane, 0)


def thin_nodes(nodes: Nodes, block: float) -> Nodes:
    """Return nodes with the soundings among them averaged within blocks of ``block`` m."""
    some = nodes.select(nodes.kind == SOUNDING)
    if not len(some):
        return nodes
    x, y, depth, uncert, first = block_mean(some.x, some.y, block, some.depth, some.uncert)
    means = Nodes.build(x, y, depth, SOUNDING, uncert, some.lane[first])
    return join([means, nodes.select(nodes.kind != SOUNDING)])


def densify(line: np.ndarray, step: float) -> np.ndarray:
    """Return a line, shape (k, d), with vertices added so that none are over ``step`` apart.

    Every column is interpolated alike.

    >>> densify([[0, 0], [3, 0], [3, 1]], 1.5).tolist()
    [[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [3.0, 1.0]]
    """
    line = np.asarray(line, dtype=float)
    length = np.hypot(*np.diff(line[:, :2], axis=0).T)
    line = line[np.concatenate([[True], length > 0])]
    length = length[length > 0]
    pieces = np.ceil(length / step - 1e-9).astype(int).clip(1)
    start = np.repeat(np.arange(len(pieces)), pieces)
    part = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    fraction = (part / pieces[start])[:, None]
    inner = line[start] + fraction * (line[start + 1] - line[start])
    return np.vstack([inner, line[-1:]])


def shore_nodes(shoreline: BaseGeometry, step: float, depth: float, tolerance: float) -> Nodes:
    """Return nodes of known depth along the rings of a polygon.

    Parameters
    ----------
    shoreline : shapely Polygon or MultiPolygon
    step : float
        Largest distance between nodes, m.
    depth : float
        Depth of the shoreline, m.
    tolerance : float
        Bends of the ring below this are left out, m (Douglas and Peucker).

    Notes
    -----
    Where the shoreline is edited in one place, the nodes elsewhere stay as they are to the
    last bit. Rings are thinned square by square, and neither their order, their sense nor
    the vertex where they start shows in the nodes.
    """
    vertices = [
        densify(_thinned(ring, _SHORE_SQUARE * step, tolerance), step)[:-1]
        for part in getattr(shoreline, "geoms", [shoreline])
        for ring in rings(orient(part))
    ]
    x, y = np.concatenate(vertices).T
    return Nodes.build(x, y, depth, SHORE).select(np.lexsort((y, x)))


def _thinned(ring, square: float, tolerance: float) -> np.ndarray:
    """Return a closed ring without its small bends, thinned in pieces cut at squares.

    Vertices where the ring enters another square are kept. A ring within a single square is
    cut at its westernmost vertex and at the one farthest from there.
    """
    ring = ring[:-1]
    within = np.floor(ring / square)
    cuts = np.flatnonzero((within != np.roll(within, 1, axis=0)).any(axis=1))
    start = cuts[0] if len(cuts) else np.lexsort((ring[:, 1], ring[:, 0]))[0]
    ring = np.roll(ring, -start, axis=0)
    cuts = cuts - start if len(cuts) else [0, np.argmax(np.hypot(*(ring - ring[0]).T))]
    ring = np.vstack([ring, ring[:1]])
    kept = []
    for first, last in zip(cuts, [*cuts[1:], len(ring) - 1]):
        piece = ring[first : last + 1]
        if len(piece) > 2:
            thinner = LineString(piece).simplify(tolerance, preserve_topology=False)
            piece = np.asarray(thinner.coords)
        kept.append(piece[:-1])
    return np.vstack([*kept, ring[:1]])
