"""Points paired with the nearest of others, each of which is taken once."""

from __future__ import annotations

import numpy as np

#: Rounds of pairing by the nearest, after which points that crowd one place are paired by cells.
_ROUNDS = 12


class Nearby:
    """Squares in and around which points lie, shape (n, 2): which others may be within ``reach``."""

    def __init__(self, place: np.ndarray, reach: float):
        self.reach = reach
        square = np.unique(self._square(place), axis=0)
        around = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        self.keys = np.unique(np.concatenate([self._key(square + step) for step in around]))

    def of(self, place: np.ndarray) -> np.ndarray:
        """Return a mask, shape (m,), of the points that lie in one of the squares."""
        if not self.keys.size:
            return np.zeros(len(place), bool)
        key = self._key(self._square(place))
        return self.keys[np.minimum(np.searchsorted(self.keys, key), self.keys.size - 1)] == key

    def _square(self, place):
        return np.floor(place / self.reach).astype(np.int64)

    def _key(self, square):
        return square[:, 0] * 2**31 + square[:, 1]


def pair_points(asked: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Return for each point the number of the held one that it is, or -1; each is taken once.

    Points, shape (n, d) and (m, d), agree where they are less than 1 apart in each coordinate.
    The nearest are paired first, those at one place in the order in which they are given.

    Examples
    --------
    >>> pair_points(np.array([[0.0], [0.4], [5.0]]), np.array([[0.5], [9.0]])).tolist()
    [-1, 0, -1]
    """
    from scipy.spatial import cKDTree

    match = np.full(len(asked), -1)
    left, free = np.arange(len(asked)), np.arange(len(held))
    # Many points around one place would take many rounds: what these leave is paired by cells.
    for cell in [None] * _ROUNDS + [0.0, 0.5]:
        ours, theirs = asked[left], held[free]
        if cell is not None:
            ours, theirs = np.floor(ours + cell), np.floor(theirs + cell)
        order, starts = groups(theirs)
        distance, at = cKDTree(theirs[order[starts[:-1]]]).query(
            ours, distance_upper_bound=1.0 if cell is None else 0.5, p=np.inf
        )
        near = np.flatnonzero(np.isfinite(distance))
        near = near[np.lexsort((distance[near], at[near]))]
        group, rows = at[near], left[near]
        rank = np.arange(group.size) - np.searchsorted(group, group)
        enough = rank < (starts[group + 1] - starts[group])
        match[rows[enough]] = free[order[starts[group[enough]] + rank[enough]]]
        # What no free point is near of stays so, but not in a cell.
        left, free = np.sort(rows[~enough]), free[~np.isin(free, match)]
        if not left.size or not free.size:
            break
    return match


def groups(points: np.ndarray) -> tuple:
    """Return the order that brings equal points together, and where each group starts and ends."""
    order = np.lexsort(points.T)
    new = np.ones(len(points) + 1, bool)
    new[1:-1] = (np.diff(points[order], axis=0) != 0.0).any(1)
    return order, np.flatnonzero(new)
