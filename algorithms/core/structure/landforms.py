"""Closed rises of a surface with their key saddles, and what is narrower than a chord."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..progress import Progress, silent, span, watched

_BLOCK = np.ones((3, 3), dtype=bool)
#: Steps along the directions of chords, rows and columns; both ways where they slant.
_STEPS = ((0, 1), (1, 0), (1, 1), (1, 2), (2, 1), (1, 3), (3, 1))


@dataclass(frozen=True)
class Rises:
    """The maxima of a surface as a tree: each hangs on the higher ground it first joins.

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
        The region with the highest maximum of what each joins at its key saddle; -1
        for the root.
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

    def areas(self, chosen: Sequence[int], levels: Sequence[float]) -> Iterator[tuple]:
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

    def highest_within(self, values: np.ndarray) -> np.ndarray:
        """Return the greatest height at which each maximum is joined to a cell of that value.

        Parameters
        ----------
        values : array, shape (rows, cols)
            Nowhere above the surface.

        Returns
        -------
        array, shape (n,)
            The greatest ``h`` for which the component above ``h`` around the maximum holds a
            cell of a value of ``h`` or more, but for what only joins through higher maxima.
        """
        n = len(self.top)
        out = np.full(n, -np.inf)
        region = self.region[1:-1, 1:-1]
        known = np.isfinite(self.z[1:-1, 1:-1])
        np.maximum.at(out, region[known], values[known])
        out = out.tolist()
        parent, saddle = self.parent.tolist(), self.saddle.tolist()
        # A maximum hangs on a higher one, so that it is done before it is asked.
        for k in np.lexsort((-np.arange(n), self.top)).tolist():
            if parent[k] >= 0:
                out[parent[k]] = max(out[parent[k]], min(out[k], saddle[k]))
        return np.array(out)


def rises(
    z: np.ndarray, apart: bool = False, beyond: float = np.inf, progress: Progress = silent
) -> Rises:
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
    Every cell points to the highest of its eight neighbors, ties going to the
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

    climb = _highest_neighbors(padded)
    part = parts.ravel()
    first = np.full(count + 1, -1, dtype=np.int64)
    holes = np.flatnonzero(part)[::-1]
    first[part[holes]] = holes
    climb[holes] = first[part[holes]]
    while True:
        further = climb[climb]
        if np.array_equal(further, climb):
            break
        progress(0.2)
        climb = further
    tops = np.flatnonzero(climb == np.arange(len(climb)))
    number = np.empty(len(climb), dtype=np.int32)
    number[tops] = np.arange(len(tops), dtype=np.int32)
    region = number[climb]

    parent, saddle, saddle_cell = _joined(flat, region, tops, cols, span(progress, 0.2, 1.0))
    return Rises(
        padded,
        region.reshape(padded.shape),
        flat[tops],
        np.where(np.isfinite(flat[tops]), _unpadded(tops, cols), -1),
        parent,
        saddle,
        np.where(parent >= 0, _unpadded(saddle_cell, cols), -1),
    )


def _unpadded(cell, cols):
    row, col = np.divmod(cell, cols)
    return (row - 1) * (cols - 2) + col - 1


def _highest_neighbors(z) -> np.ndarray:
    """Return, flat, the index of the highest of each cell and its neighbors, the last of equals.

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


def _joined(flat, region, tops, cols, progress) -> tuple:
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
    pairs = zip(ones.tolist(), others.tolist(), order.tolist())
    for a, b, i in watched(pairs, progress, len(order)):
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


def opening(
    z: np.ndarray, half_m: float, dy: float, dx: float, progress: Progress = silent
) -> np.ndarray:
    """Return a surface without the rises that are narrower than a chord.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Heights without NaN; may be infinite.
    half_m : float
        Half the length of the chord, m.
    dy, dx : float
        Cell size, m.

    Returns
    -------
    array, shape (rows, cols)
        For each cell the greatest height such that in each of 12 directions a chord
        through the cell lies wholly in the ground at or above that height.

    Notes
    -----
    The least of gray-scale openings by segments; ``z`` minus it is a white top-hat.
    It is nil on every slope that falls in one direction, whatever the profile: a
    straight slope or the rim of a straight shelf has none. Where lines of equal height
    bend outwards with a radius r, by a chord of half length c it is as high as the
    bottom falls within the sagitta, c^2 / (2 r).

    References
    ----------
    Soille, P. and Talbot, H. (2001). Directional morphological filtering. IEEE
    Transactions on Pattern Analysis and Machine Intelligence 23(11), 1313-1329.
    Rodriguez, F., Maire, E., Courjault-Rade, P. and Darrozes, J. (2002). The black
    top hat function applied to a DEM. Geophysical Research Letters 29(6), 1085.
    """
    out = z
    for down, right in watched(_STEPS, progress, every=1):
        count = 2 * round(half_m / np.hypot(down * dy, right * dx))
        if not count:
            continue
        for flip in (False, True) if down and right else (False,):
            seen = z[:, ::-1] if flip else z
            opened = _opened_along(seen, count, down, right)
            out = np.minimum(out, opened[:, ::-1] if flip else opened)
    return out


def _opened_along(z, count: int, down: int, right: int) -> np.ndarray:
    """Open by ``count`` + 1 cells a step apart; beyond the edge heights go on as at it."""
    rows, cols = z.shape
    pad = [count * down, count * right]
    # Each cell of a run that is shorter than the segment within the grid sees its edge's value.
    whole = np.pad(z, [(p, p) for p in pad], mode="edge")
    for fold in (np.minimum, np.maximum):
        done = 1
        while done < count + 1:
            add = min(done, count + 1 - done)
            r, c = add * down, add * right
            whole = fold(whole[r:, c:], whole[: whole.shape[0] - r, : whole.shape[1] - c])
            done += add
    return whole[:rows, :cols]
