"""Soundings in memory, by the window in which they lie."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from ..soundings import Soundings
from .settings import MapSettings

#: Of earlier soundings a window keeps so many, evenly along the tracks.
MOST_EARLIER = 30_000
#: Columns that are drawn from: place, depth, uncertainty, hardness, and the number of the lane.
HELD_COLUMNS = 6


def columns_of(soundings: Soundings, number: np.ndarray | None = None) -> np.ndarray:
    """Return what a map is drawn from, float64, shape (n, :data:`HELD_COLUMNS`).

    ``number`` tells lanes apart; 0 is none.
    """
    number = np.zeros(len(soundings)) if number is None else number
    s = soundings
    return np.column_stack([s.x, s.y, s.depth, s.uncert, s.hardness, number]).astype(float)


class HeldSoundings:
    """Soundings of earlier visits and of today; rows are :func:`columns_of`."""

    def __init__(self, settings: MapSettings):
        self._settings = settings
        self._earlier, self._today = {}, defaultdict(list)
        self.count = 0

    def put_earlier(self, rows: np.ndarray) -> None:
        """Keep soundings of earlier visits, in order of their tracks; once."""
        for key, part in self._by_window(rows):
            self._earlier[key] = part[:: max(-(-len(part) // MOST_EARLIER), 1)]
            self.count += len(self._earlier[key])

    def add(self, rows: np.ndarray) -> list:
        """Keep soundings of today; return the windows in which they lie."""
        keys = []
        for key, part in self._by_window(rows):
            self._today[key].append(part)
            keys.append(key)
        self.count += len(rows)
        return keys

    def _by_window(self, rows):
        if not len(rows):
            return
        window = self._settings.windows_of(rows[:, 0], rows[:, 1])
        keys, number = np.unique(window, axis=0, return_inverse=True)
        order = np.argsort(number.ravel(), kind="stable")
        bounds = np.searchsorted(number.ravel()[order], np.arange(len(keys) + 1))
        for key, first, last in zip(keys.tolist(), bounds[:-1], bounds[1:]):
            yield tuple(key), rows[order[first:last]]

    @property
    def windows_of_today(self) -> list:
        """Windows with soundings of today."""
        return list(self._today)

    def near(self, key: tuple, reach: float, shift: float) -> np.ndarray:
        """Return the soundings within a window and ``reach`` m around it.

        ``shift``, m, is added to the depths of today.
        """
        west, north = self._settings.corner(key)
        side, span = self._settings.side, int(np.ceil(reach / self._settings.side))
        parts = []
        for col in range(key[0] - span, key[0] + span + 1):
            for row in range(key[1] - span, key[1] + span + 1):
                parts += self._of((col, row), shift)
        if not parts:
            return np.zeros((0, HELD_COLUMNS))
        rows = np.concatenate(parts)
        x, y = rows[:, 0], rows[:, 1]
        here = (x >= west - reach) & (x < west + side + reach)
        here &= (y <= north + reach) & (y > north - side - reach)
        return rows[here]

    def all(self, shift: float) -> np.ndarray:
        """Return all soundings; ``shift``, m, is added to the depths of today."""
        keys = dict.fromkeys([*self._earlier, *self._today])
        parts = [part for key in keys for part in self._of(key, shift)]
        return np.concatenate(parts) if parts else np.zeros((0, HELD_COLUMNS))

    def _of(self, key, shift):
        found = [self._earlier[key]] if key in self._earlier else []
        if key in self._today:
            parts = self._today[key]
            if len(parts) > 1:
                parts[:] = [np.concatenate(parts)]
            today = parts[0]
            if shift:
                today = today.copy()
                today[:, 2] += shift
            found.append(today)
        return found


def soundings_of(rows: np.ndarray) -> Soundings:
    """Return rows as soundings."""
    x, y, depth, uncert, hardness, number = rows.T
    lane = number.astype(np.int32)
    return Soundings.build(x, y, depth, uncert=uncert, hardness=hardness, lane=lane)
