"""Soundings whose place, depth or time cannot be."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..number_text import counted, written
from ..soundings import ACCEPTED, Soundings

#: No lake is deeper, m: Baikal, the deepest, has 1642 m (from memory).
DEEPEST_M = 2000.0

#: No lake reaches farther from its middle, m: Baikal is 636 km long (from memory).
FARTHEST_M = 1_000_000.0

#: No survey lasts longer, years.
_LONGEST_SURVEY = 50

#: Of more than this part of the soundings, it is not a few of them that are wrong.
_FEW = 0.2

_METERS_PER_DEGREE = 111_320.0


def impossible_soundings(
    parts: Sequence[Soundings], now: np.datetime64, degrees: bool = False
) -> tuple[list[list[tuple[int, str, str]]], list[tuple[int, str]]]:
    """Find soundings whose place, depth or time cannot be.

    Parameters
    ----------
    parts : sequence of Soundings
        Of one lake: the files of one import.
    now : datetime64
        UTC; no log is younger, with a day for clocks that are wrong.
    degrees : bool
        Whether ``x`` and ``y`` are longitude and latitude rather than meters.

    Returns
    -------
    found : list of list of (int, str, str)
        For each part the rows, with the reason and the value in words.
    notes : list of (int, str)
        Numbers of parts of which so many times cannot be that they are kept, and what to say.
    """
    x, y, time, depth = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("x", "y", "time", "depth")
    )
    sound = np.concatenate([part.status == ACCEPTED for part in parts])
    east, north = x - _middle(x), y - _middle(y)
    if degrees:
        east = (east + 180.0) % 360.0 - 180.0
        east *= _METERS_PER_DEGREE * np.cos(np.radians(_middle(y)))
        north = north * _METERS_PER_DEGREE
    away = np.hypot(east, north)
    far = away > FARTHEST_M
    if far.mean() > _FEW:
        far[:] = False  # rather several lakes, which is for others to refuse
    deep = sound & (np.abs(depth) > DEEPEST_M)
    timed = ~np.isnat(time)
    future = timed & (time > now + np.timedelta64(1, "D"))
    old = np.zeros(len(time), dtype=bool)
    if timed.any():
        middle = np.sort(time[timed])[timed.sum() // 2]
        span = np.timedelta64(_LONGEST_SURVEY * 365, "D")
        old = timed & (np.abs(time - middle) > span)
    found, notes, start = [], [], 0
    for k, part in enumerate(parts):
        rows = slice(start, start + len(part))
        start += len(part)
        ahead = future[rows]
        if ahead.mean() > _FEW:
            notes.append(
                (
                    k,
                    f"Times in the future: {counted(ahead.sum(), 'sounding')}, such as "
                    f"{part.time[ahead][0]}Z. The clock was wrong, and so are the dates.",
                )
            )
            ahead = np.zeros(len(part), dtype=bool)
        found.append(
            _rows_with_reasons(part, away[rows], far[rows], deep[rows], ahead, old[rows] & ~ahead)
        )
    return found, notes


def _rows_with_reasons(part, away, far, deep, ahead, old):
    """Return the rows of masks with the reason and the value, one reason for each row."""
    unreal = {}
    for mask, reason, shown in (
        (
            far,
            f"position more than {FARTHEST_M / 1000:.0f} km from the others",
            lambda i: (
                f"{written(part.x[i], '.10g')}, {written(part.y[i], '.10g')} "
                f"({away[i] / 1000.0:.0f} km away)"
            ),
        ),
        (
            deep,
            f"depth of more than {DEEPEST_M:.0f} m, which no lake has",
            lambda i: f"{written(part.depth[i], '.10g')} m",
        ),
        (ahead, "time in the future", lambda i: f"{part.time[i]}Z"),
        (
            old,
            f"time more than {_LONGEST_SURVEY} years from the others",
            lambda i: f"{part.time[i]}Z",
        ),
    ):
        for i in np.flatnonzero(mask).tolist():
            unreal.setdefault(i, (i, reason, shown(i)))
    return sorted(unreal.values())


def _middle(values) -> float:
    """Return the median as one of the values, so that two far groups have no middle between."""
    return float(np.sort(values)[len(values) // 2])
