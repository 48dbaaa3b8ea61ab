"""Soundings that are none of this lake: isolated from the others, or far from its shoreline."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from .blocks import square_blocks
from .errors import LakefloorError
from .number_text import written
from .polygons import contains, rings
from .soundings import Soundings
from .spacing import spacing_of_points, usable

#: Soundings farther than this from a shoreline are none of its lake, m.
OFF_SHORE = 100.0
#: A shoreline that holds a smaller share of the soundings is that of another lake.
LEAST_WITHIN = 0.1
# A cluster stands apart by so many lane spacings, and by so many meters, or more.
_APART_SPACINGS, _APART = 10.0, 100.0
# A few pings: at most so many, over at most so many spacings or meters.
_FEW, _FEW_SPACINGS, _FEW_REACH = 50, 5.0, 50.0
# A part of a survey: at least this share of the size of the largest; or blocks of two spacings with
# all eight blocks around them sounded, at least so many and at least this share of its blocks.
_PART, _LEAST_INNER, _INNER = 0.5, 4, 0.1
# Fewer soundings have no middle, and of more than this share none is a stray.
_LEAST, _MOST_SHARE = 20, 0.2
_SHORE_STEP = 25.0


def isolated(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return how far soundings that are no part of the survey lie from it, m; 0 for all others.

    Parameters
    ----------
    x, y : array, shape (n,)
        m, finite.

    Returns
    -------
    array, shape (n,)
        The same distance for all soundings of a cluster.

    Notes
    -----
    What is within ten lane spacings, and 100 m, of the survey belongs to it. Beyond, a few pings
    about one place are strays. A longer track is one if it lies farther off than the survey is
    wide, and is short against the survey, and does not cover an area in lanes: a second basin
    stays, and so does a bay that was visited once.

    Examples
    --------
    >>> along, across = np.meshgrid(np.arange(0.0, 101.0, 2.0), np.arange(0.0, 160.0, 20.0))
    >>> away = isolated(np.append(along, 5000.0), np.append(across, 5000.0))
    >>> int((away > 0.0).sum()), round(float(away[-1]) / 1000.0, 1)
    (1, 6.9)
    """
    away = np.zeros(len(x))
    if len(x) < _LEAST:
        return away
    x, y = x - np.median(x), y - np.median(y)
    try:
        spacing = spacing_of_points(x, y)
    except LakefloorError:
        spacing = _APART / _APART_SPACINGS
    side = max(_APART, _APART_SPACINGS * spacing)
    # Soundings less than a side apart lie in the same block or in two that touch.
    cluster = _touching(x, y, side)
    if not cluster.any():
        return away
    fine = max(2.0 * spacing, np.ptp(np.concatenate([x, y])) * 1e-8)
    col, row, _, first = square_blocks(x, y, fine)
    owner, places = cluster[first], np.column_stack([col, row]) * fine
    size = np.bincount(owner)
    inner = np.bincount(owner, _surrounded(col, row), len(size))
    count = np.bincount(cluster)
    order = np.argsort(-size, kind="stable")
    kept = [order[0]]
    extent = np.hypot(*np.ptp(places[owner == order[0]], axis=0))
    found = {}
    for number in order[1:]:
        own = places[owner == number]
        gap = cKDTree(places[np.isin(owner, kept)]).query(own)[0].min()
        reach = np.hypot(*np.ptp(own, axis=0))
        few = count[number] <= _FEW and reach <= max(_FEW_SPACINGS * spacing, _FEW_REACH)
        surveyed = inner[number] >= max(_LEAST_INNER, _INNER * size[number])
        part = surveyed or size[number] >= _PART * size[order[0]]
        if few or (gap > extent and not part):
            found[number] = gap
        else:
            kept.append(number)
    if sum(count[number] for number in found) > _MOST_SHARE * len(x):
        return away
    survey = cKDTree(np.column_stack([x, y])[np.isin(cluster, kept)])
    for number in found:
        own = cluster == number
        away[own] = survey.query(np.column_stack([x[own], y[own]]))[0].min()
    return away


def _touching(x, y, side: float) -> np.ndarray:
    """Return the number of the cluster of each sounding: blocks that touch make one."""
    col, row, block, _ = square_blocks(x, y, side)
    one, other = (
        cKDTree(np.column_stack([col, row])).query_pairs(1.5, p=np.inf, output_type="ndarray").T
    )
    graph = coo_matrix((np.ones(len(one), dtype=bool), (one, other)), (len(col), len(col)))
    return connected_components(graph, directed=False)[1][block]


def _surrounded(col, row) -> np.ndarray:
    """Mark the blocks whose eight neighbors are there too."""
    tree = cKDTree(np.column_stack([col, row]))
    return tree.query_ball_point(tree.data, 1.5, p=np.inf, return_length=True) == 9


def off_shore(x: np.ndarray, y: np.ndarray, shoreline: BaseGeometry) -> np.ndarray:
    """Return how far soundings off the shoreline lie from it, m; 0 for those near or within.

    Parameters
    ----------
    x, y : array, shape (n,)
        m.
    shoreline : shapely Polygon or MultiPolygon

    Raises
    ------
    LakefloorError
        If nearly all soundings lie off the shoreline.
    """
    parts = getattr(shoreline, "geoms", [shoreline])
    edges = [ring for part in parts for ring in rings(part)]
    outside = np.flatnonzero(~contains(edges, x, y))
    away = np.zeros(len(x))
    if not len(outside):
        return away
    shore = np.concatenate([_dense(np.asarray(ring)[:, :2]) for ring in edges])
    away[outside] = cKDTree(shore).query(np.column_stack([x[outside], y[outside]]))[0]
    if len(outside) > (1.0 - LEAST_WITHIN) * len(x):
        raise LakefloorError(
            f"{_all(len(outside), len(x))} soundings lie off the shoreline, half of them "
            f"{distance_text(np.median(away[outside]))} or more from it. Check that the shoreline "
            "is that of this lake, and the CRS of both layers."
        )
    away[away <= OFF_SHORE] = 0.0
    return away


def of_this_lake(soundings: Soundings, shoreline: BaseGeometry | None = None) -> tuple:
    """Return the usable soundings without strays, and sentences about what was left out.

    Parameters and errors are those of :func:`without_strays` and :func:`~.spacing.usable`.
    """
    kept, notes = without_strays(usable(soundings), shoreline)
    return (usable(kept) if notes else kept), notes


def without_strays(soundings: Soundings, shoreline: BaseGeometry | None = None) -> tuple:
    """Return soundings without strays, and sentences about what was left out.

    Parameters
    ----------
    soundings : Soundings
        Rejected ones, and those without a position, are kept.
    shoreline : shapely Polygon or MultiPolygon, optional
        Strays are what lies far off it; without one, what is isolated.

    Returns
    -------
    Soundings, list of str

    Raises
    ------
    LakefloorError
        As :func:`off_shore`.
    """
    placed = np.flatnonzero(
        soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
    )
    x, y = soundings.x[placed], soundings.y[placed]
    if shoreline is None:
        away = isolated(x, y)
        notes = [
            f"{lie(count, far)} from all others and were left out. If they belong to the lake, "
            "give its shoreline."
            for count, far in clusters(away)
        ]
    else:
        away = off_shore(x, y, shoreline)
        notes = [
            f"{lie(count, far)} from this lake and were left out." for count, far in clusters(away)
        ]
    if not notes:
        return soundings, []
    kept = np.ones(len(soundings), dtype=bool)
    kept[placed[away > 0.0]] = False
    return soundings.select(kept), notes


def clusters(away: np.ndarray) -> list:
    """Return (count, distance in m) of the soundings that lie about equally far off, nearest first.

    Distances within a factor of two count together, and the median is given.

    Examples
    --------
    >>> clusters(np.array([0.0, 100.0, 110.0, 900.0]))
    [(2, 105.0), (1, 900.0)]
    """
    far = np.sort(away[away > 0.0])
    found = []
    while len(far):
        some = far[far <= 2.0 * far[0]]
        found.append((len(some), float(np.median(some))))
        far = far[len(some) :]
    return found


def distance_text(meters: float) -> str:
    """Return a distance for a message: "85 m", "3.0 km"."""
    return f"{meters:.0f} m" if meters < 999.5 else f"{written(meters / 1000.0, '.1f')} km"


def lie(count: int, meters: float) -> str:
    """Return "867 soundings lie 3.0 km"."""
    what = "soundings lie" if count != 1 else "sounding lies"
    return f"{written(count, ',')} {what} {distance_text(meters)}"


def _all(count: int, total: int) -> str:
    if count == total:
        return f"All {written(count, ',')}"
    return f"{written(count, ',')} of the {written(total, ',')}"


def _dense(ring) -> np.ndarray:
    """Return a closed ring with vertices at most :data:`_SHORE_STEP` m apart."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.union1d(length, np.arange(0.0, length[-1], _SHORE_STEP))
    return np.column_stack([np.interp(at, length, values) for values in ring.T])
