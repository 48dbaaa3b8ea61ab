"""Visits reduced by lake levels where these were read; the others stay at the water of a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..correcting.gauge import LevelRecord
from ..correcting.lake_level import LONGEST_GAP_D, reduce_to_datum, without_reading
from ..progress import Progress, silent
from ..soundings import Soundings, concatenate, of_visits
from .unknown_level import on_own_waters


def reduce_where_read(
    soundings: Soundings,
    levels: LevelRecord | Mapping | float,
    *,
    hold: bool = False,
    max_gap_d: float = LONGEST_GAP_D,
    code: int | str | None = None,
    progress: Progress = silent,
    **datum,
) -> tuple:
    """Reduce the visits to which lake levels apply, and mark the others as of unknown level.

    Parameters
    ----------
    soundings, levels, hold, max_gap_d, code, progress
        As for :func:`.lake_level.reduce_to_datum`. A visit that has one accepted sounding without
        a level has none.
    **datum
        ``datum_elevation_m`` and ``datum_name``.

    Returns
    -------
    reduced : Reduced or None
        In the order given; its summary is that of the visits that are reduced. None if no visit
        can be.
    notes : tuple of str
        What is without a level, and why.

    Raises
    ------
    LakefloorError
        As :func:`.lake_level.reduce_to_datum`, except for levels that are missing.
    """
    missing = without_reading(soundings, levels, hold=hold, max_gap_d=max_gap_d)
    lost = np.zeros(len(soundings), bool)
    for rows, _, _ in missing:
        lost |= np.isin(soundings.visit, list(set(soundings.visit[rows])))
    notes = tuple(what for _, what, _ in missing)
    if lost.any():
        notes += (
            f"No lake level is known for {of_visits(soundings.visit[lost])}. Depths count from the "
            "water of the day until they are fitted to the lake.",
        )
        if lost.all():
            return None, notes
    done = reduce_to_datum(
        soundings.select(~lost),
        levels,
        hold=hold,
        max_gap_d=max_gap_d,
        code=code,
        progress=progress,
        **datum,
    )
    if lost.any():
        order = np.argsort(np.concatenate([np.flatnonzero(~lost), np.flatnonzero(lost)]))
        rest = on_own_waters(soundings.select(lost), code)
        done = replace(done, soundings=concatenate([done.soundings, rest]).select(order))
    return done, notes
