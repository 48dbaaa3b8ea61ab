"""Grids on which the positions of a coarsened copy lie, whatever the CRS they came through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Fewest distinct places that show a grid.
_LEAST = 20

#: Places around the middle one from which the sides of a cell are found.
_LOCAL = 400

#: So far may a place lie off its node, in cells; and so many of them may lie farther.
_OFF_NODE, _STRAYS = 0.04, 0.02

#: Directions in which the places reach less than this part of the farthest tell nothing.
_UNTOLD = 1e-3

#: Positions are written to the centimeter or finer, m; smaller cells than these show nothing, m.
_WRITTEN_M, _SMALLEST_M = 0.011, 0.2


@dataclass(frozen=True)
class Squares:
    """Square cells along the axes; ``origin``, shape (2,), is a corner, ``side`` in m."""

    origin: np.ndarray
    side: float

    def cells(self, place: np.ndarray) -> np.ndarray:
        """Return column and row of the cell that each place, m, lies in; int, shape (n, 2)."""
        return np.floor(place / self.side - self.origin / self.side).astype(np.int64)


@dataclass(frozen=True)
class Bent:
    """Columns and rows of a grid as polynomials of the second degree in place.

    ``middle``, shape (2,), and ``scale`` in m; ``factors``, shape (6, 2).
    """

    middle: np.ndarray
    scale: float
    factors: np.ndarray

    def cells(self, place: np.ndarray) -> np.ndarray:
        """Return column and row of the cell that each place, m, lies in; int, shape (n, 2)."""
        return np.rint(self.columns_rows(place)).astype(np.int64)

    def columns_rows(self, place: np.ndarray) -> np.ndarray:
        """Return column and row of each place, whole at the nodes, shape (n, 2)."""
        return _terms((place - self.middle) / self.scale) @ self.factors


def lattice_of(place: np.ndarray) -> Squares | Bent | None:
    """Return the grid on whose nodes places lie, or None where they lie on none.

    Parameters
    ----------
    place : array, shape (n, 2)
        m.

    Notes
    -----
    Squares along the axes are tried first: their edges are known exactly. Otherwise the sides of a
    cell are the shortest steps between neighbors, at a right angle or in two directions. From the
    middle outward, each place is given its node and the grid is fitted to them by least squares.
    Terms of the second degree take up what another map projection bends.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(6) * 10.0, np.arange(6) * 10.0)
    >>> turned = np.column_stack([x.ravel(), y.ravel()]) @ [[0.8, 0.6], [-0.6, 0.8]]
    >>> len(np.unique(lattice_of(turned).cells(turned), axis=0))
    36
    """
    place = np.unique(place[np.isfinite(place).all(1)], axis=0)
    if len(place) < _LEAST:
        return None
    middle = place[np.argmin(((place - np.median(place, axis=0)) ** 2).sum(1))]
    away = np.hypot(*(place - middle).T)
    order = np.argsort(away, kind="stable")
    place, away = place[order], away[order]
    steps = _steps(place[:_LOCAL])
    first = _shortest(steps)
    if first is None:
        return None
    squares = _squares(place, float(np.abs(first).max()))
    if squares is not None:
        return squares
    across = np.abs(steps @ [-first[1], first[0]]) / (np.hypot(*first) * np.hypot(*steps.T))
    for second in (np.array([-first[1], first[0]]), _shortest(steps[across > 0.5])):
        if second is None:
            continue
        found = _bent(place, away, np.array([first, second]))
        if found is not None:
            return found
    return None


def _squares(place, side) -> Squares | None:
    """Return squares along the axes whose centers or corners are the places."""
    side = round(side, 2)
    for center in (0.5, 0.0):
        at = place / side - center
        if (np.abs(at - np.rint(at)).max(1) * side > _WRITTEN_M).mean() <= _STRAYS:
            return Squares(np.full(2, side * (center - 0.5)), side)
    return None


def _bent(place, away, sides) -> Bent | None:
    """Return the grid with these sides of a cell, a row each, fitted from the middle outward."""
    middle, scale = place[0], float(away[-1])
    longer = np.hypot(*sides.T).max()
    factors = np.zeros((6, 2))
    factors[1:3] = np.linalg.inv(sides) * scale
    reach = 6.0 * longer
    while True:
        part = place[: max(np.searchsorted(away, reach, "right"), min(len(place), _LEAST))]
        at = Bent(middle, scale, factors).columns_rows(part)
        node = np.rint(at)
        if (np.abs(at - node).max(1) > 0.25).mean() > _STRAYS:
            return None
        degree = 6 if len(part) >= 3 * _LEAST and reach > 20.0 * longer else 3
        # What a single lane does not tell stays as it was.
        weight = (scale / min(reach, scale)) ** np.array([0, 1, 1, 2, 2, 2])[:degree]
        terms = _terms((part - middle) / scale)[:, :degree] * weight
        factors = factors.copy()
        factors[:degree] += weight[:, None] * np.linalg.lstsq(terms, node - at, rcond=_UNTOLD)[0]
        if len(part) == len(place):
            break
        reach *= 1.6
    found = Bent(middle, scale, factors)
    at = found.columns_rows(place)
    off = np.abs(at - np.rint(at)).max(1) > _OFF_NODE
    return None if off.mean() > _STRAYS else found


def _terms(at):
    u, v = at.T
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def _steps(place):
    """Return the steps between neighbors, shape (n, 2), m; a step and its opposite are one."""
    from scipy.spatial import cKDTree

    _, at = cKDTree(place).query(place, k=min(13, len(place)))
    steps = (place[at[:, 1:]] - place[:, None]).reshape(-1, 2)
    back = (steps[:, 0] < -1e-9) | ((np.abs(steps[:, 0]) <= 1e-9) & (steps[:, 1] < 0.0))
    return np.where(back[:, None], -steps, steps)


def _shortest(steps):
    """Return the mean of the steps that are as the shortest that is no accident."""
    if len(steps) < _LEAST // 2:
        return None
    length = np.hypot(*steps.T)
    shortest = np.sort(length)[len(length) // 50]
    like = steps[np.abs(length - shortest) < 0.03 * shortest + 0.02]
    near = like[np.hypot(*(like - like[0]).T) < 0.1 * shortest + 0.02]
    mean = near.mean(0)
    return mean if np.hypot(*mean) >= _SMALLEST_M else None
