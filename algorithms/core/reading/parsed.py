"""What a log parser hands over: the soundings it read, and what it could not read."""

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from ..soundings import Soundings

#: Examples kept of each reason; the counts are always exact.
EXAMPLES = 20

_EXCERPT = 80


@dataclass(frozen=True)
class Unread:
    """One line that could not be used: its 1-based number, the reason, and its text."""

    line: int
    reason: str
    text: str


class Tally:
    """Counts of what was not read by reason, with the first examples of each."""

    def __init__(self):
        self.counts = Counter()
        self.examples = []

    def add(self, line, reason, text):
        """Count one line; ``text`` is str or bytes."""
        self.counts[reason] += 1
        if self.counts[reason] <= EXAMPLES:
            if isinstance(text, bytes):
                text = text.decode("ascii", "replace")
            shown = "".join(c if c.isprintable() else "?" for c in text.strip())
            if len(shown) > _EXCERPT:
                shown = shown[: _EXCERPT - 3] + "..."
            self.examples.append(Unread(int(line), reason, shown))


class Assumed(str):
    """A note on what the log does not state, so that it had to be assumed: a warning."""

    __slots__ = ()


#: What is added to ``corrections`` where the depth unit was assumed, so that maps can say so.
UNIT_ASSUMED = "depth_unit=assumed m"


def relative_hardness(hardness):
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
    return hardness / scale, [f"hardness reaches {top:g}: divided by {scale:g}"]


@dataclass(frozen=True)
class Parsed:
    """One log as read.

    Attributes
    ----------
    soundings : Soundings
        ``x`` and ``y`` still hold WGS 84 longitude and latitude, degrees.
    kind : str
        The kind of file, for the report.
    notes : tuple of str
        What was guessed, chosen or mended, in words; :class:`Assumed` where the log does not
        state it.
    unread : Tally
        What was not read.
    """

    soundings: Soundings
    kind: str
    notes: tuple = ()
    unread: Tally = field(default_factory=Tally)
