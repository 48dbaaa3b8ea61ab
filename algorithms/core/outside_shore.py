"""Where soundings lie outside a shoreline."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from .blocks import square_blocks
from .polygons import contains, rings
from .polylines import evenly_spaced

#: Soundings that are nearer to each other than this belong to one group, m.
_SIDE = 50.0
#: The shore is looked at every so many meters, or at so many places at most.
_STEP, _MOST_PLACES = 1.0, 200_000


class OutsideGroup(NamedTuple):
    """Soundings outside a shoreline that lie near each other.

    ``soundings`` is how many; ``farthest`` how far the farthest is from the shore, m; ``box`` is west,
    south, east, north, m.
    """

    soundings: int
    farthest: float
    box: tuple


def outside_groups(x: np.ndarray, y: np.ndarray, shoreline: BaseGeometry) -> list:
    """Return groups of soundings that lie outside a shoreline, those with the most first.

    Parameters
    ----------
    x, y : array, shape (n,)
        m, finite.
    shoreline : shapely Polygon or MultiPolygon
        Islands are outside.

    Returns
    -------
    list of OutsideGroup
        Distances are to within half a meter on shores shorter than 200 km.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> x, y = np.array([5.0, 12.0, 13.0, 5.0]), np.array([5.0, 5.0, 6.0, 300.0])
    >>> [(group.soundings, round(group.farthest)) for group in outside_groups(x, y, box(0, 0, 10, 10))]
    [(2, 3), (1, 290)]
    """
    edges = rings(shoreline)
    out = ~contains(edges, x, y)
    x, y = x[out], y[out]
    if not len(x):
        return []
    length = sum(np.hypot(*np.diff(edge, axis=0).T).sum() for edge in edges)
    step = max(_STEP, length / _MOST_PLACES)
    shore = np.concatenate([evenly_spaced(edge[:-1], True, step) for edge in edges])
    away = cKDTree(shore).query(np.column_stack([x, y]))[0]
    order, starts = _grouped(x, y)
    groups = [
        OutsideGroup(
            len(rows),
            float(away[rows].max()),
            tuple(float(v) for v in (x[rows].min(), y[rows].min(), x[rows].max(), y[rows].max())),
        )
        for rows in np.split(order, starts[1:])
    ]
    return sorted(groups, key=lambda group: (-group.soundings, group.box))


def _grouped(x, y) -> tuple:
    """Return rows in order of their group, and where each group begins: blocks that touch."""
    col, row, block, _ = square_blocks(x, y, _SIDE)
    places = cKDTree(np.column_stack([col, row]))
    one, other = places.query_pairs(1.5, p=np.inf, output_type="ndarray").T
    graph = coo_matrix((np.ones(len(one), dtype=bool), (one, other)), (len(col), len(col)))
    group = connected_components(graph, directed=False)[1][block]
    order = np.argsort(group, kind="stable")
    return order, np.flatnonzero(np.diff(group[order], prepend=-1))
