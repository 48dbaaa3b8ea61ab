"""A first look at visits before they enter a store; nothing is written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..core.progress import Progress, silent, span
from ..core.soundings import Soundings, concatenate
from ..core.visits.first_look import Looked, first_look
from ..core.visits.store_visits import box_of, wider
from ..core.visits.unknown_level import Offset
from .lake_store import contents, read

#: What the store holds within this distance of the new soundings is read: a log whose positions
#: were moved since is known up to 100 m away.
_AROUND_M = 100.0


def look(
    path,
    soundings: Soundings,
    *,
    now: np.datetime64,
    mode: str = "add",
    unleveled: bool = False,
    newer_wins: bool = False,
    fits: Sequence[Offset] = (),
    shoreline=None,
    progress: Progress = silent,
) -> list[Looked]:
    """Look at soundings that are to enter a store, which may be absent.

    Parameters
    ----------
    path : str or Path
    soundings : Soundings
        At the datum of the store and in its CRS.
    now : datetime64
        UTC.
    mode : str
        As for :func:`.adding.add`.
    unleveled, newer_wins, fits, shoreline
        As for :func:`.first_look.first_look`.
    progress : callable

    Returns
    -------
    list of Looked
        See :func:`.first_look.first_look`.
    """
    visits, around = [], soundings.select(slice(0, 0))
    if Path(path).exists():
        visits = contents(path).visits
        around = _around(path, soundings, span(progress, 0.0, 0.3))
    return first_look(
        soundings,
        visits,
        around,
        now=now,
        replaces=mode == "replace",
        unleveled=unleveled,
        newer_wins=newer_wins,
        fits=fits,
        shoreline=shoreline,
        progress=span(progress, 0.3, 1.0),
    )


def _around(path, soundings, progress):
    """Return the soundings of a store that lie near new ones, read in parts."""
    box = box_of(soundings)
    if box is None:
        # Soundings without a place may still be there already, by their times.
        return concatenate([soundings.select(slice(0, 0)), *read(path, progress=progress)])
    near = _Squares(soundings)
    parts = [
        part.select(near.hold(part))
        for part in read(path, box=wider(box, _AROUND_M), progress=progress)
    ]
    return concatenate([soundings.select(slice(0, 0)), *parts])


class _Squares:
    """The squares that hold soundings, and those around them, as far as is read."""

    def __init__(self, soundings):
        placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
        self.origin = soundings.x[placed].min(), soundings.y[placed].min()
        own = np.unique(self._numbers(soundings)[placed], axis=0)
        around = [(east, north) for east in (-1, 0, 1) for north in (-1, 0, 1)]
        self.keys = np.unique(np.concatenate([self._keys(own + step) for step in around]))

    def hold(self, soundings):
        """Return a mask of the soundings in one of the squares."""
        return np.isin(self._keys(self._numbers(soundings)), self.keys)

    def _numbers(self, soundings):
        return np.column_stack(
            [
                np.floor((np.nan_to_num(v) - at) / _AROUND_M).astype(np.int64)
                for v, at in zip((soundings.x, soundings.y), self.origin)
            ]
        )

    @staticmethod
    def _keys(numbers):
        return numbers[:, 0] * 2**31 + numbers[:, 1]
