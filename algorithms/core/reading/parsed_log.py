"""What a log parser hands over: the soundings it read, and what it could not read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from ..errors import excerpt
from ..number_text import written
from ..soundings import Soundings
from ..units import LENGTH_NAMES

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
POSITION_MISSING = "no position or not a number"
NO_DEPTH = "no depth or not a number"
NO_FIX = "position 0, 0 (the GPS receiver had no fix)"
UNFINISHED = "unfinished line at the end of the file"


def unit_not_used(chosen: str, what: str, stated: str) -> Assumed:
    """Return a warning that a depth unit was chosen, but that the log states another one."""
    return Assumed(
        f"{what} states that depths are in {LENGTH_NAMES[stated]}, so the depth unit "
        f"{LENGTH_NAMES[chosen]} that you chose is not used. If the log is wrong, correct it there."
    )


DEPTH_UNIT_ASSUMED = Assumed("The depth unit is not stated, so meters are assumed.")

#: What is added to ``corrections`` where the depth unit was assumed, so that maps can say so.
UNIT_ASSUMED = "depth_unit=assumed m"


def temperature_unit_of(values: np.ndarray) -> str:
    """Return ``C`` or ``F``, whichever water temperatures, shape (n,), must be in; NaN is left out.

    Lakes stay below 40 degrees Celsius, and open water above 32 degrees Fahrenheit.
    """
    known = values[np.isfinite(values)]
    return "F" if known.size and np.median(known) > 40.0 else "C"


def temperature_unit_assumed(unit: str) -> Assumed:
    """Return the note on a unit that :func:`temperature_unit_of` found."""
    name = {"C": "Celsius", "F": "Fahrenheit"}[unit]
    return Assumed(f"The water temperature unit is not stated; the values suggest degrees {name}.")


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
