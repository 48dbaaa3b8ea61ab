"""Closed basins of a lake."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from ..grid import Grid
from ..polygons import inside
from ..progress import Progress, silent
from .hypsography import below_level


def closed_basins(
    depth: Grid,
    shoreline: BaseGeometry,
    levels: np.ndarray,
    *,
    crs: int | str | None = None,
    min_depth: float = 0.0,
    progress: Progress = silent,
) -> dict:
    """Return the closed basins of a lake.

    Parameters
    ----------
    depth : Grid
        Depth below the datum, m; NaN where there is none.
    shoreline : Polygon or MultiPolygon
    levels : array, shape (n,)
        Depths of the contours, m below the datum, rising.
    crs : int or str, optional
        As for :func:`lake_statistics`.
    min_depth : float
        Minimum depth of a basin below its closing contour, m.

    Returns
    -------
    dict of str to list
        Largest volume first: ``closing_depth``, ``max_depth`` (m below the datum), ``area``
        within the closing contour (m2), ``volume`` below it (m3), ``x``, ``y`` of the deepest
        cell. Empty lists where the lake is one basin.

    Notes
    -----
    The closing contour is the shallowest of the contours that parts a basin from any other
    basin.
    """
    lake = inside(shoreline, depth) & np.isfinite(depth.values)
    z = np.where(lake, depth.values, -np.inf)
    block = np.ones((3, 3), dtype=bool)
    rising = np.argsort(z, axis=None, kind="stable")
    closed: list[dict] = []
    opened: list[tuple[int, dict | None]] = []
    for step, level in enumerate(levels[::-1]):
        progress(step / len(levels))
        label, count = ndimage.label(z >= level, structure=block)
        places = ndimage.find_objects(label)
        here = rising[len(rising) - np.count_nonzero(label) :]
        # Of several cells of a component the one written last, the deepest, stays.
        deepest = np.zeros(count + 1, dtype=int)
        deepest[label.flat[here]] = here
        held = {}
        for cell, basin in opened:
            held.setdefault(int(label.flat[cell]), []).append(basin)
        opened = []
        for number, cell in enumerate(deepest[1:].tolist(), 1):
            found = held.get(number, [])
            # A hole too shallow to count does not part the basin around it.
            real = [b for b in found if b and b["max_depth"] - b["closing_depth"] >= min_depth]
            if len(real) > 1 or None in found:
                closed += real
                opened.append((cell, None))
                continue
            place = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in places[number - 1])
            opened.append(
                (
                    cell,
                    {
                        "closing_depth": float(level),
                        "max_depth": float(z.flat[cell]),
                        "cell": cell,
                        "place": place,
                        "mask": label[place] == number,
                    },
                )
            )
    closed += [b for _, b in opened if b and b["max_depth"] - b["closing_depth"] >= min_depth]
    names = ("closing_depth", "max_depth", "area", "volume", "x", "y")
    out = {name: [] for name in names}
    if len(closed) < 2:
        return out
    rows = [_measured(basin, depth, crs) for basin in closed]
    for row in sorted(rows, key=lambda row: -row[3]):
        for name, value in zip(names, row):
            out[name].append(value)
    return out


def _measured(basin, depth: Grid, crs) -> tuple:
    """Return the figures of a basin, its cells cut out of the surface."""
    rows, cols = basin["place"]
    # The neighbors of the basin's cells are shallower, and place its edge.
    near = ndimage.binary_dilation(basin["mask"], np.ones((3, 3), dtype=bool))
    part = Grid(
        np.where(near, depth.values[rows, cols], np.nan),
        depth.west + cols.start * depth.dx,
        depth.north - rows.start * depth.dy,
        depth.dx,
        depth.dy,
    )
    row, col = np.unravel_index(basin["cell"], depth.shape)
    level = basin["closing_depth"]
    return (
        level,
        basin["max_depth"],
        *below_level(part, level, crs),
        float(depth.x[col]),
        float(depth.y[row]),
    )
