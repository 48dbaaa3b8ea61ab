"""Today's lake level from depths alone: where the boat crosses what was sounded before."""

from __future__ import annotations

import numpy as np

from ..soundings import Soundings, concatenate
from ..visits.near_pairs import PAIR_REACH_M, pairs_of, places_of
from ..visits.visit_offset import fit_visit

#: Soundings of today are kept so far apart, m, and twice as far whenever there are so many.
_APART_M, _MOST = 2.0, 2000
#: It is fitted again when so many times as many are kept, and first with so many.
_MORE, _FIRST = 1.3, 10
#: Squares by which earlier soundings are found, m, and how many around a place tell its slope.
_SQUARE_M, _AROUND = 20.0, 1
#: Of those that tell the slope alone, one of so many is used.
_ONE_OF = 5
#: A level that is no surer than this tells nothing, m.
_WORST_M = 0.25
#: What no number of places makes surer: the bottom and the sounder differ from visit to visit, m.
_FLOOR_M = 0.02


class LevelFit:
    """Fits today's depths to earlier ones; its work grows with what is near those, by and by.

    Parameters
    ----------
    earlier : Soundings or None
        In meters, relative to the lake datum.
    """

    def __init__(self, earlier: Soundings | None):
        self._near = self._squares = self._earlier = None
        self.count = 0
        self._kept: list[Soundings] = []
        self._size, self._fitted_at, self._found = 0, 0, None
        self._last, self._apart = np.full(2, np.inf), _APART_M
        if earlier is None:
            return
        known = earlier.accepted & np.isfinite(earlier.x) & np.isfinite(earlier.y)
        if not known.any():
            return
        self.count = int(known.sum())
        rows = np.flatnonzero(known)
        square = _keys(earlier.x[rows], earlier.y[rows], _SQUARE_M)
        order = np.argsort(square, kind="stable")
        self._earlier, self._squares = earlier.select(rows[order]), square[order]
        self._near = np.unique(_keys(earlier.x[rows], earlier.y[rows], PAIR_REACH_M))

    def add(self, soundings: Soundings) -> None:
        """Take soundings of today, in the same system and in their order."""
        if self._near is None or not len(soundings):
            return
        near = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
        near &= _found(self._near, soundings.x, soundings.y, PAIR_REACH_M, 1)
        rows = [i for i in np.flatnonzero(near) if self._moves_on(soundings.x[i], soundings.y[i])]
        if not rows:
            return
        self._kept.append(soundings.select(np.array(rows)))
        self._size += len(rows)
        if self._size > _MOST:
            whole = concatenate(self._kept)
            self._kept = [whole.select(np.arange(0, len(whole), 2))]
            self._size, self._apart = len(self._kept[0]), 2.0 * self._apart
            self._fitted_at = min(self._fitted_at, int(self._size / _MORE))

    def fitted(self) -> tuple | None:
        """Return what is to be added to today's depths, its standard uncertainty (m), and the places.

        None where too few places were crossed, or where they do not tell the level.

        Notes
        -----
        The offset of a visit among earlier ones, see :func:`~.visit_offset.fit_visit`: with it, one
        shift of the positions is solved, which on a slope looks like a level.
        """
        if self._size >= max(_MORE * self._fitted_at, _FIRST):
            self._fitted_at, self._found = self._size, self._fit()
        return self._found

    def _fit(self):
        today = concatenate(self._kept)
        older = self._around(today)
        places = places_of(older, today, pairs_of(older, today))
        fit = fit_visit(places)
        sigma = float(np.hypot(fit.offset_sd, _FLOOR_M))
        if not sigma <= _WORST_M:
            return None
        return -fit.offset, sigma, fit.places

    def _around(self, today) -> Soundings:
        """Return earlier soundings near those of today, and some farther ones that tell the slope."""
        wanted = np.unique(_around(today.x, today.y, _SQUARE_M, _AROUND))
        assert self._earlier is not None
        older = self._earlier.select(_held(wanted, self._squares))
        close = np.unique(_around(today.x, today.y, PAIR_REACH_M, 1))
        used = _held(close, _keys(older.x, older.y, PAIR_REACH_M))
        used[::_ONE_OF] = True
        return older.select(used)

    def _moves_on(self, x, y) -> bool:
        place = np.array([x, y])
        if np.hypot(*(place - self._last)) < self._apart:
            return False
        self._last = place
        return True


def _keys(x, y, side, east=0, north=0) -> np.ndarray:
    """Return a number for the square of each place, or for one some squares from it."""
    col, row = (np.floor(v / side).astype(np.int64) for v in (x, y))
    return (col + east) * (1 << 31) + (row + north)


def _around(x, y, side, reach) -> np.ndarray:
    """Return the squares of places and those around them, shape ((2 reach + 1)^2, n)."""
    steps = range(-reach, reach + 1)
    return np.array([_keys(x, y, side, east, north) for east in steps for north in steps])


def _found(keys, x, y, side, reach) -> np.ndarray:
    """Tell of places whether one of the squares around them is among sorted keys."""
    with np.errstate(invalid="ignore"):
        return _held(keys, _around(np.nan_to_num(x), np.nan_to_num(y), side, reach)).any(axis=0)


def _held(keys, values) -> np.ndarray:
    """Tell which values are among sorted keys."""
    return keys[np.minimum(np.searchsorted(keys, values), len(keys) - 1)] == values
