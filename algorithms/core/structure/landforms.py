"""Closed rises of a surface with their key saddles, and what is narrower than a disc."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

_BLOCK = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Rises:
    """The maxima of a surface as a tree: each hangs on the higher one it first joins.

    ``n`` regions: one a maximum, and one (or one a separate part) for what is
    without value, which counts as higher or lower than everything.

    Attributes
    ----------
    z : array, shape (rows + 2, cols + 2)
        The surface with a border; infinite where there is no value.
    region : array of int, shape of ``z``
        The maximum to which a cell climbs.
    top : array, shape (n,)
        Height of each maximum.
    top_cell, saddle_cell : array of int, shape (n,)
        Flat index into the grid without border; -1 where there is none.
    parent : array of int, shape (n,)
        The higher region that each joins at its key saddle; -1 for the root.
    saddle : array, shape (n,)
        Height of the key saddle, the highest pass to higher ground; minus
        infinity for the root.
    """

    z: np.ndarray
    region: np.ndarray
    top: np.ndarray
    top_cell: np.ndarray
    parent: np.ndarray
    saddle: np.ndarray
    saddle_cell: np.ndarray

    @property
    def prominence(self) -> np.ndarray:
        """Height of each maximum above its key saddle; infinite where it is the highest."""
        above = np.where(np.isfinite(self.top), self.top, 0.0)
        return np.where(np.isfinite(self.top), above - self.saddle, np.inf)

    def areas(self, chosen, levels):
        """Yield what lies above a level around maxima: (window, mask) within the unpadded grid.

        Parameters
        ----------
        chosen : sequence of int
            Regions.
        levels : sequence of float
            For each, a height at or above its key saddle.
        """
        children = _children(self.parent)
        windows = ndimage.find_objects(self.region + 1)
        member = np.zeros(len(self.top), dtype=bool)
        for k, level in zip(chosen, levels):
            inner, stack = [k], [k]
            while stack:
                for child in children[stack.pop()]:
                    # Saddles fall on the way to the root, so no path is cut off early.
                    if self.saddle[child] > level:
                        inner.append(child)
                        stack.append(child)
            window = tuple(
                slice(
                    max(min(windows[i][axis].start for i in inner), 1),
                    min(max(windows[i][axis].stop for i in inner), self.z.shape[axis] - 1),
                )
                for axis in (0, 1)
            )
            member[inner] = True
            mask = member[self.region[window]] & (self.z[window] > level)
            mask &= np.isfinite(self.z[window])
            member[inner] = False
            yield tuple(slice(s.start - 1, s.stop - 1) for s in window), mask


def rises(z, apart: bool = False, beyond: float = np.inf) -> Rises:
    """Find the maxima of a surface and the key saddle of each.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Heights; NaN where there is no value.
    apart : bool
        Whether parts without value inside the surface, such as islands, are rises of
        their own, each joined to the rest at its key saddle; otherwise they and
        what lies around the surface are one.
    beyond : {inf, -inf}
        Height of what has no value.

    Notes
    -----
    Every cell points to the highest of its eight neighbours, ties going to the
    later cell, so that following the pointers ends at a maximum. Two regions meet
    at the highest of the lower cells of the pairs along their border. Regions are
    then joined from the highest such pass down, the lower maximum ending there.
    Its height above that pass is its prominence, which is the persistence of the
    component of the sets above a level. With ``beyond`` infinite a rise is closed by
    lower ground all round down to its key saddle, and never by the edge of the
    surface.

    References
    ----------
    Edelsbrunner, H., Letscher, D. and Zomorodian, A. (2002). Topological
    persistence and simplification. Discrete and Computational Geometry 28(4),
    511-533.
    """
    padded = np.pad(z, 1, constant_values=np.nan)
    hole = np.isnan(padded)
    parts, count = ndimage.label(hole, _BLOCK) if apart else (hole.astype(np.int32), 1)
    padded[hole] = beyond
    flat = padded.ravel()
    cols = padded.shape[1]

    climb = _highest_neighbours(padded)
    part = parts.ravel()
    first = np.full(count + 1, -1, dtype=np.int64)
    holes = np.flatnonzero(part)[::-1]
    first[part[holes]] = holes
    climb[holes] = first[part[holes]]
    while True:
        further = climb[climb]
        if np.array_equal(further, climb):
            break
        climb = further
    tops = np.flatnonzero(climb == np.arange(len(climb)))
    number = np.empty(len(climb), dtype=np.int32)
    number[tops] = np.arange(len(tops), dtype=np.int32)
    region = number[climb]

    parent, saddle, saddle_cell = _joined(flat, region, tops, cols)
    return Rises(
        padded, region.reshape(padded.shape), flat[tops],
        np.where(np.isfinite(flat[tops]), _unpadded(tops, cols), -1),
        parent, saddle, np.where(parent >= 0, _unpadded(saddle_cell, cols), -1),
    )  # fmt: skip


def _unpadded(cell, cols):
    row, col = np.divmod(cell, cols)
    return (row - 1) * (cols - 2) + col - 1


def _highest_neighbours(z) -> np.ndarray:
    """Return, flat, the index of the highest of each cell and its neighbours, the last of equals.

    Cells of the border point to themselves.
    """
    rows, cols = z.shape
    index = np.arange(z.size, dtype=np.int64).reshape(z.shape)
    out = index.copy()
    best = z[:-2, :-2].copy()
    target = index[:-2, :-2].copy()
    for row in range(3):
        for col in range(3):
            other = z[row : row + rows - 2, col : col + cols - 2]
            higher = other >= best
            np.copyto(best, other, where=higher)
            np.copyto(target, index[row : row + rows - 2, col : col + cols - 2], where=higher)
    out[1:-1, 1:-1] = target
    return out.ravel()


def _joined(flat, region, tops, cols) -> tuple:
    """Join regions from the highest pass down; return parent, saddle and saddle cell of each."""
    n = len(tops)
    keys, levels, cells = [], [], []
    for offset in (1, cols - 1, cols, cols + 1):
        one = np.flatnonzero(region[:-offset] != region[offset:])
        a, b = region[one].astype(np.int64), region[one + offset].astype(np.int64)
        keys.append(np.minimum(a, b) * n + np.maximum(a, b))
        lower = flat[one] <= flat[one + offset]
        cells.append(np.where(lower, one, one + offset))
        levels.append(flat[cells[-1]])
    key, level, cell = (np.concatenate(each) for each in (keys, levels, cells))
    order = np.lexsort((cell, -level, key))
    order = order[np.append(True, np.diff(key[order]) != 0)] if len(order) else order
    order = order[np.lexsort((key[order], -level[order]))]

    # Of all that is infinite, the border is the highest: it has the first cell.
    rank = np.empty(n, dtype=np.int64)
    rank[np.lexsort((-tops, flat[tops]))] = np.arange(n)
    rank = rank.tolist()
    group = list(range(n))
    parent = np.full(n, -1)
    saddle, saddle_cell = np.full(n, -np.inf), np.full(n, -1)

    def root_of(k):
        while group[k] != k:
            group[k] = group[group[k]]
            k = group[k]
        return k

    ones, others = np.divmod(key[order], n)
    for a, b, i in zip(ones.tolist(), others.tolist(), order.tolist()):
        a, b = root_of(a), root_of(b)
        if a == b:
            continue
        if rank[a] > rank[b]:
            a, b = b, a
        group[a] = parent[a] = b
        saddle[a], saddle_cell[a] = level[i], cell[i]
    return parent, saddle, saddle_cell


def _children(parent) -> list:
    children = [[] for _ in parent]
    for k, above in enumerate(parent.tolist()):
        if above >= 0:
            children[above].append(k)
    return children


def opening(z, radius_rows: float, radius_cols: float) -> np.ndarray:
    """Return a surface without the rises into which a disc does not fit.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Heights without NaN; may be infinite.
    radius_rows, radius_cols : float
        Radius of the disc, cells.

    Returns
    -------
    array, shape (rows, cols)
        For each cell the greatest height at which a disc that covers the cell lies
        wholly within the ground at or above that height. The disc is an octagon.

    Notes
    -----
    A grey-scale opening by a flat disc; ``z`` minus it is the white top-hat. It is
    nil wherever the lines of equal height bend outwards no more sharply than the
    disc, whatever the slope and the profile across them: a straight slope or the
    rim of a straight shelf has none.

    References
    ----------
    Meyer, F. (1979). Iterative image transformations for an automatic screening of
    cervical smears. Journal of Histochemistry and Cytochemistry 27(1), 128-135.
    Rodriguez, F., Maire, E., Courjault-Rade, P. and Darrozes, J. (2002). The black
    top hat function applied to a DEM. Geophysical Research Letters 29(6), 1085.
    """
    # A regular octagon is the sum of two axial segments, which reach tan(22.5 degrees) of
    # its radius, and two diagonal ones, which together reach the rest.
    diagonal = 2 * round(0.2929 * min(radius_rows, radius_cols))
    axial = [max(round(r) - diagonal, 0) for r in (radius_rows, radius_cols)]
    pad = [2 * (half + diagonal) for half in axial]
    grown = np.pad(z, [(p, p) for p in pad], mode="edge")
    for fold in (np.minimum, np.maximum):
        grown = _folded(grown, axial, diagonal, fold)
    return grown[pad[0] : grown.shape[0] - pad[0], pad[1] : grown.shape[1] - pad[1]]


def _folded(z, axial, diagonal, fold) -> np.ndarray:
    """Return the least (or greatest) value within the octagon around each cell."""
    filters = ndimage.minimum_filter1d, ndimage.maximum_filter1d
    run = filters[0] if fold is np.minimum else filters[1]
    for axis in (0, 1):
        if axial[axis]:
            z = run(z, 2 * axial[axis] + 1, axis=axis, mode="nearest")
    if diagonal:
        z = _along_diagonal(z, diagonal, fold)
        z = _along_diagonal(z[:, ::-1], diagonal, fold)[:, ::-1]
    return z


def _along_diagonal(z, length, fold) -> np.ndarray:
    """Fold ``length`` + 1 cells along the main diagonal, centred; ``length`` is even."""
    half = length // 2
    neutral = np.inf if fold is np.minimum else -np.inf
    out = np.pad(z, half, constant_values=neutral)
    done = 1
    while done < length + 1:
        step = min(done, length + 1 - done)
        out = fold(out[step:, step:], out[:-step, :-step])
        done += step
    return out
