"""What a log parser hands over: the soundings it read, and what it could not read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from ..errors import excerpt
from ..number_text import counted, written
from ..soundings import ACCEPTED, Soundings

#: Examples kept of each reason; the counts are always exact.
EXAMPLES = 20


@dataclass(frozen=True)
class Unread:
    """One line that could not be used: its 1-based number, the reason, and its text."""

    line: int
    reason: str
    text: str


class UnreadTally:
    """Counts of what was not read by reason, with the first examples of each."""

    def __init__(self) -> None:
        self.counts = Counter()
        self.examples = []

    def add(self, line: int, reason: str, text: str | bytes) -> None:
        """Count one line; ``text`` is str or bytes."""
        self.counts[reason] += 1
        if self.counts[reason] <= EXAMPLES:
            self.examples.append(Unread(int(line), reason, excerpt(text)))


class Assumed(str):
    """A note on what the log does not state, so that it had to be assumed: a warning."""

    __slots__ = ()


def reasons_with_counts(counts: Mapping[str, int]) -> str:
    """Return counts by reason for a message, as in ``no depth: 3; no position: 1``."""
    return "; ".join(f"{reason}: {written(number, ',')}" for reason, number in counts.items())


#: Reasons for which a line or point is no sounding.
NO_POSITION = "no position or not a number"
NO_DEPTH = "no depth or not a number"
NO_FIX = "position 0, 0 (the GPS receiver had no fix)"
UNFINISHED = "unfinished line at the end of the file"

DEPTH_UNIT_ASSUMED = Assumed("The depth unit is not stated, so meters are assumed.")

#: What is added to ``corrections`` where the depth unit was assumed, so that maps can say so.
UNIT_ASSUMED = "depth_unit=assumed m"


def temperature_unit_of(values: np.ndarray) -> str:
    """Return ``C`` or ``F``, whichever water temperatures, shape (n,), must be in; NaN is left out.

    Lakes stay below 40 degrees Celsius, and open water above 32 degrees Fahrenheit.
    """
    return "F" if np.nanmedian(values) > 40.0 else "C"


def temperature_unit_assumed(unit: str) -> Assumed:
    """Return the note on a unit that :func:`temperature_unit_of` found."""
    name = {"C": "Celsius", "F": "Fahrenheit"}[unit]
    return Assumed(
        f"The water temperature unit is not stated; the values suggest degrees {name}.")


def relative_hardness(hardness: ArrayLike) -> tuple[np.ndarray, list[str]]:
    """Return hardness on the scale 0..1, shape (n,), and notes of what was divided.

    What is not finite is NaN. Values above 1 are taken as percent, above 100 as bytes (0..255),
    and above 255 they are divided by the greatest.
    """
    hardness = np.asarray(hardness, dtype=float)
    hardness = np.where(np.isfinite(hardness), hardness, np.nan)
    top = np.nanmax(hardness, initial=0.0)
    if top <= 1.0:
        return hardness, []
    scale = 100.0 if top <= 100.0 else 255.0 if top <= 255.0 else top
    return hardness / scale, [
        f"Hardness reaches {written(top, 'g')}, so it was divided by {written(scale, 'g')}."
    ]


#: No lake is deeper, m: Baikal, the deepest, has 1642 m (from memory).
DEEPEST_M = 2000.0

#: No lake reaches farther from its middle, m: Baikal is 636 km long (from memory).
FARTHEST_M = 1_000_000.0

#: No survey lasts longer, years.
_LONGEST_SURVEY = 50

#: Of more than this part of the soundings, it is not a few of them that are wrong.
_FEW = 0.2

_METRES_PER_DEGREE = 111_320.0


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
        Whether ``x`` and ``y`` are longitude and latitude rather than metres.

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
        east *= _METRES_PER_DEGREE * np.cos(np.radians(_middle(y)))
        north = north * _METRES_PER_DEGREE
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
            notes.append((k, f"Times in the future: {counted(ahead.sum(), 'sounding')}, such as "
                          f"{part.time[ahead][0]}Z. The clock was wrong, and so are the dates."))
            ahead = np.zeros(len(part), dtype=bool)
        unreal = []
        for mask, reason, say in (
            (far[rows], f"position more than {FARTHEST_M / 1000:.0f} km from the others",
             lambda i, part=part, km=away[rows] / 1000.0:
                 f"{written(part.x[i], '.10g')}, {written(part.y[i], '.10g')} "
                 f"({km[i]:.0f} km away)"),
            (deep[rows], f"depth of more than {DEEPEST_M:.0f} m, which no lake has",
             lambda i, part=part: f"{written(part.depth[i], '.10g')} m"),
            (ahead, "time in the future", lambda i, part=part: f"{part.time[i]}Z"),
            (old[rows] & ~ahead, f"time more than {_LONGEST_SURVEY} years from the others",
             lambda i, part=part: f"{part.time[i]}Z"),
        ):
            unreal += [(int(i), reason, say(i)) for i in np.flatnonzero(mask)]
        # One reason is enough for each row.
        found.append(sorted({row: (row, why, text) for row, why, text in unreal[::-1]}.values()))
    return found, notes


def _middle(values) -> float:
    """Return the median as one of the values, so that two far groups have no middle between."""
    return float(np.sort(values)[len(values) // 2])


@dataclass(frozen=True)
class ParsedLog:
    """One log as read.

    Attributes
    ----------
    soundings : Soundings
        ``x`` and ``y`` still hold WGS 84 longitude and latitude, degrees.
    kind : str
        The kind of file, for the report.
    notes : tuple of str
        What was guessed, chosen or corrected, in sentences; :class:`Assumed` where the log does not
        state it.
    unread : UnreadTally
        What was not read.
    line : array of int, shape (n,)
        Line of each sounding in the file, from 1.
    offset_h : array, shape (n,)
        Offset from UTC that the log states with a time, h; NaN where it states none or UTC
        itself, which says nothing of the lake.
    """

    soundings: Soundings
    kind: str
    notes: tuple = ()
    unread: UnreadTally = field(default_factory=UnreadTally)
    line: np.ndarray = None
    offset_h: np.ndarray = None
