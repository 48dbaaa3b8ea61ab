"""Lines of one window: contours that meet those of the neighbors, and break-lines."""

from __future__ import annotations

import numpy as np

from ..chart.marching_squares import square_ranges, trace
from ..chart.support import split_by_support
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..structure.breaklines import breaklines
from .settings import WINDOW_CELLS

#: Lines of fewer places are left out.
_SHORTEST = 4


def window_contours(depth: Grid, sigma: Grid, interval: float) -> list:
    """Return contours as (depth in m, whether supported, places of shape (k, 2)).

    Parameters
    ----------
    depth, sigma : Grid
        m; the cells of a window, and the first column and row of the neighbors to the east and
        the south. Where they have no depth, and off their edges, lines end.
    interval : float
        m.

    Notes
    -----
    Lines run over the squares between cell centers. The neighbor's lines begin on the column of
    centers where these end, at the same places to the last bit.
    """
    known = np.isfinite(depth.values)
    if not known.any():
        return []
    low, high = float(np.nanmin(depth.values)), float(np.nanmax(depth.values))
    outside = min(low, 0.0) - 1.0
    values = np.pad(np.where(known, depth.values, outside), 1, constant_values=outside)
    whole = np.pad(known, 1)
    whole = (whole[:-1, :-1] & whole[:-1, 1:] & whole[1:, :-1] & whole[1:, 1:]).ravel()
    ranges, found = square_ranges(values), []
    for step in range(int(np.ceil(low / interval)), int(np.floor(high / interval)) + 1):
        level = step * interval
        rows, cols, squares, first = trace(values, level, ranges, outside)
        x = depth.west + (cols - 0.5) * depth.dx
        y = depth.north - (rows - 0.5) * depth.dy
        for begin, end in zip(first[:-1], first[1:]):
            for xy in _open_parts(x[begin:end], y[begin:end], whole[squares[begin:end]]):
                parts = split_by_support(xy, sigma, interval)
                found += [(level, bool(supported), part) for part, supported in parts]
    return found


def _open_parts(x, y, kept):
    """Yield the parts of a ring whose segments are kept; the ring itself where all are."""
    xy = np.column_stack([x, y])
    if kept.all():
        yield np.vstack([xy, xy[:1]])
        return
    if not kept.any():
        return
    shift = int(np.flatnonzero(~kept)[0]) + 1
    xy, kept = np.roll(xy, -shift, axis=0), np.roll(kept, -shift)
    edges = np.flatnonzero(np.diff(np.r_[False, kept, False].astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2]):
        part = xy[np.arange(begin, end + 1) % len(xy)]
        if len(part) >= 2:
            yield part


def window_breaklines(surface: Surface, window: Grid) -> list:
    """Return the crests and toes of drop-offs as (kind, fall in m, places), cut to a window.

    Parameters
    ----------
    surface : Surface
        Of the window with a halo.
    window : Grid
    """
    try:
        lines = breaklines(surface)
    except LakefloorError:
        return []
    west, south, east, north = window.bounds
    found = []
    kinds, falls = lines.attributes["kind"], lines.attributes["height_m"]
    for xy, kind, fall in zip(lines.coords, kinds, falls):
        x, y = xy[:, 0], xy[:, 1]
        here = (x >= west) & (x < east) & (y <= north) & (y > south)
        edges = np.flatnonzero(np.diff(np.r_[False, here, False].astype(np.int8)))
        for begin, end in zip(edges[::2], edges[1::2]):
            if end - begin >= _SHORTEST:
                found.append((kind, float(fall), xy[begin : end + 1, :2]))
    return found


def with_neighbors(
    own: np.ndarray, east: np.ndarray | None, south: np.ndarray | None, corner: np.ndarray | None
) -> np.ndarray:
    """Return the cells of a window with the first column and row of its neighbors; NaN for none."""
    n = WINDOW_CELLS
    out = np.full((n + 1, n + 1), np.nan)
    out[:n, :n] = own
    if east is not None:
        out[:n, n] = east[:, 0]
    if south is not None:
        out[n, :n] = south[0]
    if corner is not None:
        out[n, n] = corner[0, 0]
    return out
