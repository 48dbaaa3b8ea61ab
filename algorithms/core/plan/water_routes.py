"""Shortest routes that stay in the water: round islands, along concave shores."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import shortest_path
from shapely.geometry import MultiPolygon, Point
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from ..chart.contour_domain import polygons_of
from ..errors import LakefloorError
from ..number_text import written
from ..polygons import contains, rings
from ..progress import Progress, silent

_PAIRS = 4_000_000
_ON_LINE = 1e-9
# Routes may run along the edge of the water: points this near to it count as within, m.
_EDGE = 1e-3
_MOST_ENDS = 4000
_MOST_CORNERS = 1500


@dataclass(frozen=True)
class Water:
    """Water that a boat may cross, made ready for routes by :func:`prepare_water`.

    Attributes
    ----------
    polygon : MultiPolygon
    corners : array, shape (m, 2)
        Where a shortest route may bend: the corners of land that point into the water, m.
    between : array, shape (m, m)
        Lengths of the shortest routes between corners, m; infinite where there is none.
    before : array of int, shape (m, m)
        The corner before the last on each of those routes.
    vertices : array, shape (e, 2)
        Of the shore, m; ``following``, shape (e,), is the row of the next one on its ring.
    rim : list of array, shape (k, 2)
        Rings a hair outside the shore.
    """

    polygon: MultiPolygon
    corners: np.ndarray
    between: np.ndarray
    before: np.ndarray
    vertices: np.ndarray
    following: np.ndarray
    rim: list


def navigable(
    lake: BaseGeometry, buffer_m: float, too_shallow: BaseGeometry | None = None
) -> tuple[MultiPolygon, MultiPolygon]:
    """Return where lanes may lie and where the boat may pass between them.

    Parameters
    ----------
    lake : Polygon or MultiPolygon
        Islands as holes, m.
    buffer_m : float
        How far lanes keep off the shore, m.
    too_shallow : polygon, optional
        Water known to be shallower than the boat may enter.

    Returns
    -------
    lanes, passage : MultiPolygon
        Passage keeps at least a quarter of the buffer off the shore, and lanes half of it off
        shallow water. Lanes lie within the passage.

    Raises
    ------
    LakefloorError
        If the buffer is not above 0, or leaves no water.
    """
    if not (np.isfinite(buffer_m) and buffer_m > 0):
        raise LakefloorError(f"The shore buffer is {written(buffer_m, 'g')} m. Give one above 0 m.")
    lanes, passage = lake.buffer(-buffer_m), lake.buffer(-buffer_m / 2.0)
    if lanes.is_empty:
        raise LakefloorError(
            f"A shore buffer of {written(buffer_m, 'g')} m leaves no water: the lake is nowhere "
            f"wider than {written(2.0 * buffer_m, 'g')} m. Give a smaller shore buffer, or check "
            "the polygon."
        )
    if too_shallow is not None and not too_shallow.is_empty:
        passage = passage.difference(too_shallow)
        lanes = lanes.difference(too_shallow.buffer(buffer_m / 2.0))
        if lanes.is_empty:
            raise LakefloorError(
                "No water is deep enough and far enough from the shore. Depths are meters, "
                "positive down. Give a smaller minimum depth or shore buffer."
            )
    # Simplified by at most a quarter of the buffer, so that lanes stay within.
    return polygons_of(lanes), polygons_of(passage.simplify(buffer_m / 4.0))


def prepare_water(passage: BaseGeometry, progress: Progress = silent) -> Water:
    """Return water ready for :func:`distances` and :func:`route`.

    Parameters
    ----------
    passage : Polygon or MultiPolygon
        Where the boat may go, m; its corners should be few, see :func:`navigable`.

    Raises
    ------
    LakefloorError
        If the shore has too many corners.

    Notes
    -----
    A shortest path among polygons is a chain of straight lines that bends only at corners
    that point into the free space (Lozano-Perez and Wesley 1979): those corners, each joined
    to those it sees, are a graph, searched by Dijkstra's method.

    References
    ----------
    Lozano-Perez, T. and Wesley, M. A. (1979). An algorithm for planning collision-free paths
    among polyhedral obstacles. Communications of the ACM 22(10), 560-570.
    """
    polygon = MultiPolygon([orient(part) for part in polygons_of(passage).geoms])
    corners, vertices, following, count = [], [], [], 0
    for ring in rings(polygon):
        xy = ring[:-1]
        into, out = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
        # Water is on the left of every ring, so land juts out where the ring turns right.
        corners.append(xy[into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0] < 0])
        vertices.append(xy)
        following.append(count + (np.arange(len(xy)) + 1) % len(xy))
        count += len(xy)
    corners = np.concatenate(corners)
    if len(corners) > _MOST_CORNERS:
        raise LakefloorError(
            f"The simplified shore has {len(corners)} corners, but routes can be searched among at "
            f"most {_MOST_CORNERS}. Give a larger shore buffer, or simplify the polygon."
        )
    water = Water(
        polygon,
        corners,
        np.zeros((0, 0)),
        np.zeros((0, 0), dtype=int),
        np.concatenate(vertices),
        np.concatenate(following),
        rings(polygon.buffer(_EDGE, join_style=2)),
    )
    if not len(corners):
        return water
    seen = _seen(water, corners, corners, progress, on_shore=True)
    # Missing edges of a graph are zeros.
    between, before = shortest_path(
        np.where(np.isfinite(seen), seen, 0.0), directed=False, return_predecessors=True
    )
    return replace(water, between=between, before=before)


def distances(water: Water, points: ArrayLike, progress: Progress = silent) -> np.ndarray:
    """Return lengths of the shortest routes between all points, shape (n, n), m.

    Parameters
    ----------
    water : Water
    points : array, shape (n, 2)
        Within the water, m.
    progress : callable

    Returns
    -------
    array, shape (n, n)
        Infinite where there is no way by water.

    Raises
    ------
    LakefloorError
        If there are too many points.
    """
    points = np.asarray(points, dtype=float).reshape(-1, 2)
    if len(points) > _MOST_ENDS:
        raise LakefloorError(
            f"The plan has {len(points) // 2} lanes, but at most {_MOST_ENDS // 2} can be put in "
            "order. Split the area, or give a larger lane spacing."
        )
    out = _seen(water, points, points, progress)
    np.fill_diagonal(out, 0.0)
    if not len(water.corners):
        return out
    to_corner = _seen(water, points, water.corners)
    for start in range(0, len(points), 200):
        progress(start / len(points))
        rows = slice(start, start + 200)
        via = np.full((len(to_corner[rows]), len(water.corners)), np.inf)
        for k in range(len(water.corners)):
            np.minimum(via, to_corner[rows, k, None] + water.between[k], out=via)
        for k in range(len(water.corners)):
            np.minimum(out[rows], via[:, k, None] + to_corner[None, :, k], out=out[rows])
    return np.minimum(out, out.T)


def distances_from(water: Water, start: ArrayLike, points: ArrayLike) -> np.ndarray:
    """Return lengths of the shortest routes from one place to others, shape (n,), m.

    Parameters
    ----------
    water : Water
    start : array, shape (2,)
    points : array, shape (n, 2)
        All within the water, m.

    Returns
    -------
    array, shape (n,)
        Infinite where there is no way by water.
    """
    start, points = np.asarray(start, float)[None], np.asarray(points, float).reshape(-1, 2)
    straight = _seen(water, start, points)[0]
    hidden = np.flatnonzero(~np.isfinite(straight))
    if not len(water.corners) or not hidden.size:
        return straight
    to_corner = (_seen(water, start, water.corners)[0][:, None] + water.between).min(axis=0)
    straight[hidden] = (_seen(water, points[hidden], water.corners) + to_corner).min(axis=1)
    return straight


def route(water: Water, start: ArrayLike, end: ArrayLike) -> np.ndarray:
    """Return the shortest route between two points, shape (k, 2), ends included.

    >>> from shapely.geometry import box
    >>> bay = prepare_water(box(0, 0, 30, 20).difference(box(10, 0, 20, 10)))
    >>> route(bay, (5, 5), (25, 5)).round(1).tolist()
    [[5.0, 5.0], [10.0, 10.0], [20.0, 10.0], [25.0, 5.0]]

    Raises
    ------
    LakefloorError
        If there is no way by water.
    """
    start, end = np.asarray(start, float), np.asarray(end, float)
    straight = _seen(water, start[None], end[None])[0, 0]
    if np.isfinite(straight):
        return np.stack([start, end])
    out = _seen(water, start[None], water.corners)[0]
    back = _seen(water, end[None], water.corners)[0]
    total = out[:, None] + water.between + back
    if not total.size or not np.isfinite(total.min()):
        raise LakefloorError(
            "There is no way by water between two places of the plan. Give a smaller shore buffer."
        )
    first, last = np.unravel_index(np.argmin(total), total.shape)
    chain = [last]
    while chain[-1] != first:
        chain.append(water.before[first, chain[-1]])
    return np.concatenate([start[None], water.corners[chain[::-1]], end[None]])


def into_water(water: Water, point: ArrayLike, limit: float, what: str) -> np.ndarray:
    """Return the place in the water nearest to a point, shape (2,), m.

    Parameters
    ----------
    point : array, shape (2,)
    limit : float
        How far it may be away, m.
    what : str
        Name of the point for the message.

    Raises
    ------
    LakefloorError
        If it is farther from the water.
    """
    at = Point(point)
    away = water.polygon.distance(at)
    if not away <= limit:
        raise LakefloorError(
            f"{what} is {away:.0f} m from water that the boat may enter, more than "
            f"{written(limit, 'g')} m. Set it on this lake or its shore, in the right coordinate "
            "reference system."
        )
    if away == 0:
        return np.asarray(point, dtype=float)
    part = min(water.polygon.geoms, key=at.distance)
    ring = min((part.exterior, *part.interiors), key=at.distance)
    return np.array(ring.interpolate(ring.project(at)).coords[0])


def _side(start, end, points):
    """Return on which side of lines (n,) points (k,) lie: 1 left, -1 right, 0 on it; (n, k)."""
    along = end - start
    cross = along[:, 0, None] * (points[None, :, 1] - start[:, 1, None]) - along[:, 1, None] * (
        points[None, :, 0] - start[:, 0, None]
    )
    limit = _ON_LINE * np.maximum(np.abs(along).max(axis=1), 1.0)[:, None]
    return (cross > limit).astype(np.int8) - (cross < -limit).astype(np.int8)


def _seen(water: Water, a, b, progress: Progress = silent, on_shore=False) -> np.ndarray:
    """Return distances (n, k) between points that see each other, infinite between others.

    Points of ``a`` that are also those of ``b`` lie off the shore unless ``on_shore``.
    """
    out = np.full((len(a), len(b)), np.inf)
    if not out.size:
        return out
    origin = water.vertices.mean(axis=0)
    vertices, a, b = water.vertices - origin, a - origin, b - origin
    after = water.following
    same = np.array_equal(a, b)
    side_a = _side(vertices, vertices[after], a)
    side_b = side_a if same else _side(vertices, vertices[after], b)
    row, col = np.triu_indices(len(a), 1) if same else np.divmod(np.arange(out.size), len(b))
    step = max(_PAIRS // len(vertices), 1)
    for start in range(0, len(row), step):
        progress(start / len(row))
        i, j = row[start : start + step], col[start : start + step]
        side = _side(a[i], b[j], vertices)
        crossed = (side * side[:, after] < 0) & (side_a[:, i] * side_b[:, j] < 0).T
        clear = ~crossed.any(axis=1)
        i, j = i[clear], j[clear]
        p, q = a[i], b[j]
        length = np.hypot(*(q - p).T)
        # A line that crosses no edge may still run over land from corner to corner.
        ahead = (np.minimum(0.1 / np.maximum(length, 1e-9), 0.25))[:, None] * (q - p)
        within = np.ones(len(i), dtype=bool)
        places = [(p + q) / 2.0] if same and not on_shore else [p + ahead, (p + q) / 2.0, q - ahead]
        for place in places:
            within &= contains(water.rim, *(place + origin).T)
        i, j, length = i[within], j[within], length[within]
        out[i, j] = length
        if same:
            out[j, i] = length
    return out
