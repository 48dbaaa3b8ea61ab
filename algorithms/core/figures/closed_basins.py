"""Closed basins of a lake."""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from ..grid import Grid
from ..polygons import inside
from ..progress import Progress, silent
from .hypsography import below_level

_BLOCK = np.ones((3, 3), dtype=bool)


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
    cells = _Cells(np.where(lake, depth.values, -np.inf))
    closed: list[dict] = []
    opened: list[tuple[int, dict | None]] = []
    before = np.inf
    for step, level in enumerate(levels[::-1].tolist()):
        progress(step / len(levels))
        parts, owner = cells.parts(level, before, [cell for cell, _ in opened])
        held = {}
        for number, (_, basin) in zip(owner, opened):
            held.setdefault(number, []).append(basin)
        opened, before = [], level
        for number, cell in enumerate(parts, 1):
            found = held.get(number, [])
            # A hole too shallow to count does not part the basin around it.
            real = [b for b in found if b and b["max_depth"] - b["closing_depth"] >= min_depth]
            if len(real) > 1 or None in found:
                closed += real
                opened.append((cell, None))
            else:
                deepest = float(cells.z.flat[cell])
                opened.append((cell, {"closing_depth": level, "max_depth": deepest, "cell": cell}))
    closed += [b for _, b in opened if b and b["max_depth"] - b["closing_depth"] >= min_depth]
    names = ("closing_depth", "max_depth", "area", "volume", "x", "y")
    out = {name: [] for name in names}
    if len(closed) < 2:
        return out
    rows = [_measured(basin, cells, depth, crs) for basin in closed]
    for row in sorted(rows, key=lambda row: -row[3]):
        for name, value in zip(names, row):
            out[name].append(value)
    return out


class _Cells:
    """The cells of a lake, and the parts in which those at a depth or deeper hang together.

    Attributes
    ----------
    z : array, shape (rows, cols)
        Depth, m; -inf beyond the lake.
    """

    def __init__(self, z):
        self.z = z
        self._rising = np.argsort(z, axis=None, kind="stable")
        self._reach = z.max(axis=1), z.max(axis=0)
        self._last = None, None

    def parts(self, level: float, before: float, known: list) -> tuple:
        """Return the deepest cell of each part at a level, and the part of each known cell.

        ``known`` are the deepest cells of the parts at a deeper level, ``before``.
        """
        first, last = np.searchsorted(self.z.ravel(), (level, before), sorter=self._rising)
        known = np.array(known, dtype=np.intp)
        # All others lie in the part of a known cell, and are shallower than it.
        rising = known[np.lexsort((known, self.z.flat[known]))]
        asked = np.concatenate([self._rising[first:last], rising])
        label, count = self._labels(level)
        deepest = np.zeros(count + 1, dtype=np.intp)
        # Of several cells of a part the one written last, the deepest, stays.
        deepest[self._at(label, level, asked)] = asked
        return deepest[1:].tolist(), self._at(label, level, known).tolist()

    def part_of(self, cell: int, level: float) -> tuple:
        """Return the window around the part of a cell, and which of its cells belong to it."""
        label, _ = self._labels(level)
        number = int(self._at(label, level, cell))
        mask = np.zeros(self.z.shape, dtype=bool)
        mask[self._window(level)] = label == number
        inner = _spans(mask.any(axis=1), mask.any(axis=0))
        place = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in inner)
        return place, mask[place]

    def _labels(self, level) -> tuple:
        """Return the numbers of the parts in the window of a level, and how many there are."""
        if self._last[0] != level:
            window = self.z[self._window(level)]
            self._last = level, ndimage.label(window >= level, structure=_BLOCK)
        return self._last[1]

    def _window(self, level) -> tuple:
        """Return the rows and columns that the cells at a level or deeper span."""
        return _spans(*(reach >= level for reach in self._reach))

    def _at(self, label, level, cells) -> np.ndarray:
        rows, cols = np.divmod(cells, self.z.shape[1])
        down, right = self._window(level)
        return label[rows - down.start, cols - right.start]


def _spans(*masks) -> tuple:
    """Return from the first to the last place where each mask is true, as slices."""
    found = (np.flatnonzero(mask) for mask in masks)
    return tuple(slice(int(at[0]), int(at[-1]) + 1) if at.size else slice(0, 0) for at in found)


def _measured(basin, cells, depth: Grid, crs) -> tuple:
    """Return the figures of a basin, its cells cut out of the surface."""
    level = basin["closing_depth"]
    (rows, cols), mask = cells.part_of(basin["cell"], level)
    # The neighbors of the basin's cells are shallower, and place its edge.
    near = ndimage.binary_dilation(mask, _BLOCK)
    part = Grid(
        np.where(near, depth.values[rows, cols], np.nan),
        depth.west + cols.start * depth.dx,
        depth.north - rows.start * depth.dy,
        depth.dx,
        depth.dy,
    )
    row, col = np.unravel_index(basin["cell"], depth.shape)
    return (
        level,
        basin["max_depth"],
        *below_level(part, level, crs),
        float(depth.x[col]),
        float(depth.y[row]),
    )
