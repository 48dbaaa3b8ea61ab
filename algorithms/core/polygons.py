"""Polygons on grids."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from shapely.geometry.base import BaseGeometry
from shapely.validation import explain_validity

from .errors import LakefloorError
from .grid import Grid


def check_shoreline(shoreline: BaseGeometry) -> None:
    """Refuse a shoreline that is no valid polygon.

    Raises
    ------
    LakefloorError
        If it is no polygon, is empty, or crosses itself.
    """
    if shoreline.geom_type not in ("Polygon", "MultiPolygon") or shoreline.is_empty:
        raise LakefloorError(
            "The shoreline must be a polygon that is not empty. Choose another layer."
        )
    if not shoreline.is_valid:
        raise LakefloorError(
            f"The shoreline polygon is not valid ({explain_validity(shoreline)}). Correct it with "
            "the vertex tool or 'Fix geometries', then run again."
        )


def rings(polygon: BaseGeometry) -> list:
    """Return the exterior and interior rings as arrays, shape (k, 2), closed, m."""
    parts = getattr(polygon, "geoms", [polygon])
    return [
        np.asarray(ring.coords)[:, :2]
        for part in parts
        if not part.is_empty
        for ring in (part.exterior, *part.interiors)
    ]


def inside(polygon: BaseGeometry, grid: Grid) -> np.ndarray:
    """Tell which cell centers lie inside a polygon, by the even-odd rule on scan lines.

    Parameters
    ----------
    polygon : shapely Polygon or MultiPolygon
        Holes are outside.
    grid : Grid
        Gives the cell centers.

    Returns
    -------
    array of bool, shape (rows, cols)
    """
    rows, cols = grid.shape
    # A ring crosses the scan line of a row at some column; every center at or
    # beyond it flips, so a running parity along the row gives the answer.
    flips = np.zeros((rows, cols + 1), dtype=np.int32)
    for ring in rings(polygon):
        r, c = grid.rows_cols(ring[:, 0], ring[:, 1])
        # From north to south, so that rounding is the same whichever way a ring runs.
        start, turned = np.arange(len(r) - 1), r[:-1] > r[1:]
        north, south = start + turned, start + 1 - turned
        r0, c0, r1, c1 = r[north], c[north], r[south], c[south]
        first, last = (np.ceil(end).astype(int).clip(0, rows) for end in (r0, r1))
        count = last - first
        edge = np.repeat(np.arange(len(count)), count)
        row = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[edge]
        t = (row - r0[edge]) / (r1 - r0)[edge]
        crossing = c0[edge] + t * (c1 - c0)[edge]
        np.add.at(flips, (row, np.ceil(crossing).astype(int).clip(0, cols)), 1)
    return np.cumsum(flips[:, :-1], axis=1) % 2 == 1


def contains(ring_list: list, x: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Tell which points lie inside rings, by the even-odd rule.

    Parameters
    ----------
    ring_list : list of array, shape (k, 2)
        Closed, as :func:`rings` returns them.
    x, y : array, shape (n,)

    Returns
    -------
    array of bool, shape (n,)
    """
    order = np.argsort(y, kind="stable")
    x, y = np.asarray(x, dtype=float)[order], np.asarray(y, dtype=float)[order]
    flips = np.zeros(len(x), dtype=int)
    for ring in ring_list:
        (x0, y0), (x1, y1) = ring[:-1].T, ring[1:].T
        first = np.searchsorted(y, np.minimum(y0, y1))
        count = np.searchsorted(y, np.maximum(y0, y1)) - first
        edge = np.repeat(np.arange(len(count)), count)
        at = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[edge]
        t = (y[at] - y0[edge]) / (y1 - y0)[edge]
        crossing = x0[edge] + t * (x1 - x0)[edge]
        flips += np.bincount(at[crossing > x[at]], minlength=len(x))
    out = np.empty(len(x), dtype=bool)
    out[order] = flips % 2 == 1
    return out
