"""What a source says while a person listens: which sentences, how often, and what is missing."""

from __future__ import annotations

import re
from collections import Counter

from ....algorithms._i18n import tr
from ....algorithms.core.errors import LakefloorError
from ....algorithms.core.progress import silent
from ....algorithms.core.reading.nmea_sentences import collect_sentences
from ....algorithms.core.reading.parsed_log import UnreadTally

_SENTENCE = re.compile(rb"\$(P[A-Z0-9]{2,7}|[A-Z][A-Z0-9][A-Z]{3}),[^\r\n$]*")

#: Without a line end, more than this is no text.
_LONGEST = 4096


class Hearing:
    """The sentences of one source; depth and position are found by the reader of logs.

    Attributes
    ----------
    counts : Counter
        Sentences by talker and kind, such as ``SDDPT``.
    latest : dict
        The newest sentence of each.
    unread : Counter
        Sentences that are not used, by reason.
    bytes : int
        All that came.
    has_depth, has_position : bool
        Whether there was one.
    """

    def __init__(self):
        self.counts, self.latest, self.unread, self.bytes = Counter(), {}, Counter(), 0
        self.has_depth = self.has_position = False
        self._begun = b""

    def feed(self, data: bytes):
        """Hear what came."""
        self.bytes += len(data)
        whole, end, begun = (self._begun + data).rpartition(b"\n")
        self._begun = begun[-_LONGEST:]
        if not end:
            return
        for found in _SENTENCE.finditer(whole):
            name = found[1].decode("ascii")
            self.counts[name] += 1
            self.latest[name] = found[0].decode("ascii", "replace").strip()
        tally = UnreadTally()
        try:
            columns = collect_sentences(whole + b"\n", tally, [], silent)
        except LakefloorError:
            return  # no sentence among them
        self.unread.update(tally.counts)
        self.has_depth = self.has_depth or bool(columns.depths)
        self.has_position = self.has_position or len(columns.fixes[0]) > 0


def contents(name: str) -> str:
    """Return what a talker's kind of sentence holds, "" for one that is not used."""
    return {
        "DPT": tr("Depth"),
        "DBT": tr("Depth"),
        "DBS": tr("Depth"),
        "DBK": tr("Depth"),
        "GGA": tr("Position"),
        "GLL": tr("Position"),
        "RMC": tr("Position, speed and course"),
        "VTG": tr("Speed and course"),
        "ZDA": tr("Date and time"),
        "MTW": tr("Water temperature"),
        "XDR": tr("Measurements, such as bottom hardness"),
    }.get(name[2:] if not name.startswith("P") else "", "")


def missing(hearings) -> str:
    """Return what none of the sources has given yet, and what to do; "" if nothing is missing."""
    hearings = list(hearings)
    has_depth = any(each.has_depth for each in hearings)
    has_position = any(each.has_position for each in hearings)
    if has_depth and has_position:
        return ""
    if not any(each.counts for each in hearings):
        return tr("No sentence yet. Switch the devices on, and check port and baud rate.")
    if has_position:
        return tr("No depth yet. Lower the transducer, or add the source of the sounder.")
    if has_depth:
        return tr("No position yet. Wait for the GPS receiver, or add its source.")
    return tr("Neither depth nor position yet. Wait, or add the sources of sounder and receiver.")
