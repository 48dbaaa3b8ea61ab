"""Copies of one log told from other logs of the same lanes: by places, and by depths but for level.

A copy on another datum has the positions of the log and its depths but for one difference. A second
pass over the same lanes has neither: its positions stray by meters and its depths by centimeters.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from .lattice import Bent, Squares, lattice_of
from .pairing import Nearby, pair_points

#: Places of one ping in a log and in its copy differ by less, m.
SAME_PLACE_M = 0.1

#: Another datum of positions moves all of them alike, up to this, m.
MOVED_M = 3.0

#: Depths of a log and its copy differ by one level, but for rounding to a centimeter, m.
_SAME_DEPTH_M = 0.006

#: Reading a time loses milliseconds; some programs drop them all, ms.
_CLOCK_MS, _SECOND_MS = 5.0, 1001.0

#: Means of cells are rounded to the millimeter, m.
_SAME_MEAN_M = 0.00075

#: Fewer soundings, cells or changes of depth can agree by chance.
_LEAST = 20

#: This part of the soundings of the log or of its copy agree where both are.
_AGREE = 0.8

#: This part of the cells of a coarse copy have the mean of the log; others were cut, or are mixed.
_CELLS_AGREE = 0.6

#: Side of the squares in which it is counted how many agree, m.
_SQUARE_M = 20.0

#: Soundings from which a common shift is found, and neighbors of each that are looked at.
_SAMPLE, _NEIGHBORS = 3000, 24


#: How what is asked for stands to what is held: equal, a copy of it, or what it was copied from.
SAME, COPY, ORIGINAL = 0, 1, 2


class Cloud(NamedTuple):
    """Soundings as points: ``place``, shape (n, 2), m; ``depth`` and ``tick``, shape (n,).

    ``tick`` is the time, in units in which those of one ping differ by less than 1, or None where
    times are not known.
    """

    place: np.ndarray
    depth: np.ndarray
    tick: np.ndarray | None = None

    def pick(self, rows: np.ndarray) -> Cloud:
        """Return some of the points, by a mask or their numbers."""
        tick = None if self.tick is None else self.tick[rows]
        return Cloud(self.place[rows], self.depth[rows], tick)

    def moved(self, shift: np.ndarray, level: float) -> Cloud:
        """Return the points shifted and at another level, both m."""
        return self._replace(place=self.place - shift, depth=self.depth - level)


class Side(Protocol):
    """Arrays of soundings in order of outing: places and final depths, m, times, ms.

    ``mm`` is the depth as logged, mm.
    """

    place: np.ndarray
    depth: np.ndarray
    mm: np.ndarray
    ms: np.ndarray
    timed: np.ndarray
    outing: np.ndarray
    accepted: np.ndarray


class Found:
    """What soundings that are asked for are among those held; each array has shape (n,).

    Attributes
    ----------
    match : int array
        Row of what is held, -1 where there is none.
    depth : array
        Depth held, m.
    kind : int array
        :data:`COPY` or :data:`ORIGINAL` of what is held, else :data:`SAME`.
    """

    def __init__(self, n):
        self.match, self.depth = np.full(n, -1), np.full(n, np.nan)
        self.kind = np.zeros(n, np.int8)


def find_copies(asked: Side, held: Side, found: Found) -> None:
    """Find copies of what is held, and what is held as a copy, among soundings not found yet.

    Parameters
    ----------
    asked, held : Side
    found : Found
        Filled in.
    """
    _find_by_pings(asked, held, found)
    _find_by_cells(asked, held, found)


def _find_by_pings(asked, held, found):
    free = np.ones(len(held.depth), bool)
    free[found.match[found.match >= 0]] = False
    for with_times, with_those in ((True, True), (False, True), (True, False), (False, False)):
        theirs = list(_outings(held, free & (held.timed == with_those)))
        for rows in _outings(asked, (found.match < 0) & (asked.timed == with_times)):
            left, around = np.ones(len(rows), bool), Nearby(asked.place[rows], MOVED_M)
            for others in theirs:
                others = others[free[others] & around.of(held.place[others])]
                some = left & Nearby(held.place[others], MOVED_M).of(asked.place[rows])
                at = rows[some]
                if min(at.size, others.size) < _LEAST:
                    continue
                clock = _clock(asked.ms[at], held.ms[others]) if with_times and with_those else None
                match = pair_copied(_cloud(asked, at, clock), _cloud(held, others, clock))
                there = match >= 0
                found.match[at[there]] = others[match[there]]
                found.depth[at[there]] = held.depth[others[match[there]]]
                free[others[match[there]]] = left[np.flatnonzero(some)[there]] = False


def _find_by_cells(asked, held, found):
    for rows in _outings(asked, ~asked.timed & (found.match < 0)):
        lattice = lattice_of(asked.place[rows])
        for others in _sources(held) if lattice is not None else ():
            cells = cells_in_common(_cloud(asked, rows), _cloud(held, others), lattice)
            _take_cells(found, rows, others, cells, asked.depth, COPY)
    for others in _outings(held, ~held.timed):
        rows = np.flatnonzero(asked.accepted)
        lattice = lattice_of(held.place[others]) if (found.match[rows] < 0).any() else None
        for rows in _sources(asked) if lattice is not None else ():
            cells = cells_in_common(_cloud(held, others), _cloud(asked, rows), lattice)
            if cells is not None:
                cells = cells[1], cells[0], -cells[2]
            _take_cells(found, rows, others, cells, asked.depth, ORIGINAL)


def _take_cells(found, rows, others, cells, depth, kind):
    """Note for ``rows`` not found yet, in cells that ``others`` share, one of these."""
    if cells is None:
        return
    mine, theirs, level = cells
    first = np.full(max(mine.max(initial=-1), theirs.max(initial=-1)) + 1, -1)
    first[theirs[theirs >= 0][::-1]] = others[theirs >= 0][::-1]
    new = (mine >= 0) & (found.match[rows] < 0)
    at = rows[new]
    found.match[at], found.depth[at] = first[mine[new]], depth[at] - level
    found.kind[at] = kind


def _sources(side):
    """Yield the rows of which a coarse copy may be made: all with times, or of one outing."""
    rows = np.flatnonzero(side.accepted & (side.timed | ~side.timed.any()))
    if rows.size:
        yield rows
    outings = list(_outings(side, side.accepted))
    yield from outings if len(outings) > 1 else ()


def _outings(side, rows):
    """Yield the numbers of the rows of each outing, as far as their depths are known."""
    rows = np.flatnonzero(rows & np.isfinite(side.depth))
    if rows.size >= _LEAST:
        starts = np.flatnonzero(np.diff(side.outing[rows])) + 1
        yield from (part for part in np.split(rows, starts) if part.size >= _LEAST)


def _cloud(side, rows, clock=None):
    tick = None if clock is None else side.ms[rows] / clock
    return Cloud(side.place[rows], side.depth[rows], tick)


def _clock(*sides) -> float:
    """Return by how much times of one ping may differ, ms.

    A second and more, if either lost its milliseconds and both have one ping a second.
    """
    seconds = [ms // 1000 for ms in sides]
    lost = any((ms == 1000 * second).all() for ms, second in zip(sides, seconds))
    single = all(np.unique(second).size >= 0.9 * second.size for second in seconds)
    return _SECOND_MS if lost and single else _CLOCK_MS


def pair_copied(asked: Cloud, held: Cloud) -> np.ndarray:
    """Pair the soundings of two visits where one is a copy of the other.

    Parameters
    ----------
    asked, held : Cloud
        Depths known. Where both have times, they are of one clock.

    Returns
    -------
    int array, shape (n,)
        Row of ``held`` that each of ``asked`` is, or -1; all -1 where neither is a copy.

    Notes
    -----
    Two soundings agree where their places do, to 10 cm, and their depths but for one level, to
    6 mm or half the step in which they are written. The visits are one where 20 soundings or more
    agree, and, in the squares of 20 m where any do, four in five of the soundings of one of the
    two. If none is found, all places are shifted alike by up to 3 m, as another datum of positions
    does: the shift is the one that most pairs of neighbors have in common, in place and depth. Then
    20 of the changes of depth must agree as well.

    Examples
    --------
    >>> place = np.column_stack([np.arange(40.0) ** 1.2, np.zeros(40)])
    >>> log = Cloud(place, 5.0 + np.sin(place[:, 0]))
    >>> copy = Cloud(place[::2], log.depth[::2] + 0.3)
    >>> bool((pair_copied(copy, log) == np.arange(0, 40, 2)).all())
    True
    """
    best, most = np.full(len(asked.depth), -1), min(len(asked.depth), len(held.depth))
    if most < _LEAST:
        return best
    within = max(_SAME_DEPTH_M, *(0.55 * _step(side.depth) for side in (asked, held)))
    for find in (_level_in_place, _shift_and_level):
        found = find(asked, held, within)
        if found is None:
            continue
        shift, level = found
        match = _paired(asked.moved(shift, level), held, within)
        count = (match >= 0).sum()
        changes = np.any(shift) and _changes(held.depth[match[match >= 0]], within) < _LEAST
        if changes or count < _LEAST or not agree(asked.place - shift, held.place, match):
            continue
        if count > (best >= 0).sum():
            best = match
        if count == most:
            break
    return best


def cells_in_common(coarse: Cloud, fine: Cloud, lattice: Squares | Bent) -> tuple | None:
    """Find the cells of a coarsened copy in which the soundings are that it was made of.

    Parameters
    ----------
    coarse : Cloud
        Soundings on the nodes of a grid.
    fine : Cloud
        The accepted soundings of one log or several.
    lattice : Squares or Bent
        From :func:`.lattice.lattice_of`.

    Returns
    -------
    tuple or None
        For each row of ``coarse`` and of ``fine`` the number of their common cell, -1 where there
        is none, and by how much ``coarse`` reads deeper, m; None where the one is not made of the
        other.

    Notes
    -----
    It is where, in 20 cells or more and in three of five of all that hold both, the mean depths are
    equal but for one level, to the rounding of a millimeter. Means of another pass differ by
    its noise, and by the slope of the bottom from where its soundings lie. And where any cells
    hold both, four in five of the cells of one of the two do.
    """
    cells = np.concatenate([lattice.cells(side.place) for side in (coarse, fine)])
    cell = np.unique(cells, axis=0, return_inverse=True)[1].ravel()
    split, size = len(coarse.depth), cell.max() + 1
    count = [np.bincount(part, minlength=size) for part in (cell[:split], cell[split:])]
    total = [
        np.bincount(part, side.depth, size)
        for part, side in ((cell[:split], coarse), (cell[split:], fine))
    ]
    both = (count[0] > 0) & (count[1] > 0)
    apart = total[0][both] / count[0][both] - total[1][both] / count[1][both]
    if apart.size < _LEAST:
        return None
    level = _most_common(apart, _SAME_MEAN_M)
    equal = np.abs(apart - level) <= _SAME_MEAN_M
    if equal.sum() < _LEAST or equal.mean() < _CELLS_AGREE:
        return None
    # Of small cells, another pass meets a few only. Four cells are a square here.
    node = np.zeros((size, 2))
    node[cell] = cells * (_SQUARE_M / 4.0)
    match = np.where(both, 0, -1)[count[0] > 0]
    if not agree(node[count[0] > 0], node[count[1] > 0], match):
        return None
    number = np.where(both[cell], cell, -1)
    return number[:split], number[split:], level


def _level_in_place(asked, held, within):
    """Return no shift, and the level at which most soundings of one place agree."""
    from scipy.spatial import cKDTree

    distance, at = cKDTree(_points(held)).query(_points(asked), distance_upper_bound=1.0, p=np.inf)
    near = np.isfinite(distance)
    if near.sum() < _LEAST:
        return None
    apart = asked.depth[near] - held.depth[at[near]]
    return np.zeros(2), _most_common(apart, within)


def _shift_and_level(asked, held, within):
    """Return the shift and the level that most pairs of neighbors have in common."""
    from scipy.spatial import cKDTree

    rows = np.unique(np.linspace(0, len(asked.depth) - 1, _SAMPLE).astype(int))
    some = asked.pick(rows)
    k = min(_NEIGHBORS, len(held.depth))
    distance, at = cKDTree(_points(held, MOVED_M)).query(
        _points(some, MOVED_M), k=k, distance_upper_bound=1.0
    )
    a, n = np.nonzero(np.isfinite(distance.reshape(len(rows), k)))
    if not len(a):
        return None
    b = at.reshape(len(rows), k)[a, n]
    apart = np.column_stack([some.place[a] - held.place[b], some.depth[a] - held.depth[b]])
    unit = np.array([SAME_PLACE_M, SAME_PLACE_M, 2.0 * within])
    common, count = None, 0
    # What lies on the edge of one box is in the midst of the other.
    for half in (0.0, 0.5):
        box = np.unique(np.floor(apart / unit + half), axis=0, return_inverse=True)[1].ravel()
        votes = np.bincount(box)
        if votes.max() > count:
            common, count = np.median(apart[box == votes.argmax()], axis=0), votes.max()
    return None if count < _LEAST else (common[:2], common[2])


def _points(cloud, size=SAME_PLACE_M):
    """Return points that are within 1 of each other where places, and times, may agree."""
    points = cloud.place / size
    return points if cloud.tick is None else np.column_stack([points, cloud.tick])


def _paired(asked, held, within):
    points = (np.column_stack([_points(c), c.depth / within]) for c in (asked, held))
    return pair_points(*points)


def agree(place: np.ndarray, others: np.ndarray, match: np.ndarray) -> bool:
    """Tell whether so many soundings agree, where any do, that visits are one.

    Parameters
    ----------
    place, others : array, shape (n, 2) and (m, 2)
        Places of the soundings of either, m.
    match : int array, shape (n,)
        Not -1 where one agrees.
    """
    there = np.flatnonzero(match >= 0)
    if not len(there):
        return False
    square = np.floor(np.concatenate([place, others]) / _SQUARE_M)
    square = np.unique(square, axis=0, return_inverse=True)[1].ravel()
    ours, theirs = square[: len(place)], square[len(place) :]
    some = np.zeros(square.max() + 1, bool)
    some[ours[there]] = True
    return len(there) >= _AGREE * min(some[ours].sum(), some[theirs].sum())


def _changes(depth, within) -> int:
    return int((np.abs(np.diff(depth)) > within).sum())


def _step(depth) -> float:
    """Return the step in which depths are written, m, 0 where it is finer than a centimeter."""
    gap = np.diff(np.unique(np.round(depth, 4)))
    gap = gap[gap > 2e-4]
    if not gap.size or not 0.01 < gap.min() < 0.2:
        return 0.0
    steps = gap / gap.min()
    return float(gap.min()) if (np.abs(steps - np.rint(steps)) < 0.05).all() else 0.0


def _most_common(values, within):
    """Return the middle of the densest values, those that differ by twice ``within`` at most."""
    values = np.sort(values)
    end = np.searchsorted(values, values + 2.0 * within, "right")
    start = int(np.argmax(end - np.arange(len(values))))
    return float(np.median(values[start : end[start]]))
