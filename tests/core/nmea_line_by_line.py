"""NMEA 0183 read in the plainest way: a pattern for a sentence, one sentence after the other.

What :mod:`lakefloor.algorithms.core.reading.nmea_sentences` does by columns, for tests that compare.
"""

import re
from bisect import bisect
from collections import Counter

import numpy as np

from lakefloor.algorithms.core import units
from lakefloor.algorithms.core.number_text import finite_number
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.nmea_values import (
    days_since_1970,
    nmea_angle,
    short_date,
    time_of_day,
)
from lakefloor.algorithms.core.reading.parsed_log import UnreadTally

SENTENCE = re.compile(rb"\$([A-Z][A-Z0-9])([A-Z]{3}),([^\r\n$*]*)(\*[0-9A-Fa-f]{0,2})?")


class LineByLine:
    """The columns of a log as lists of rows, and what was not read."""

    def __init__(self, data):
        self.depths, self.blanks = {}, {}
        self.fixes, self.timed, self.motion, self.temperature = [], [], [], []
        self.hardness = []
        self.tally, self.unchecked = UnreadTally(), 0
        found = list(SENTENCE.finditer(data))
        ends = [m.start() for m in re.finditer(rb"\r\n|\r|\n", data)]
        self.lines = [bisect(ends, m.start()) + 1 for m in found]
        self.texts = [m[0] for m in found]
        intact = self._check(data, found)
        for at, match in enumerate(found):
            if intact[at]:
                self._take(at, match)

    def _refuse(self, at, reason):
        self.tally.add(self.lines[at], reason, self.texts[at])

    def _check(self, data, found):
        bare = [not (m[4] and len(m[4]) == 3) for m in found]
        sums = Counter((m[1], m[2], is_bare) for m, is_bare in zip(found, bare))
        intact = [True] * len(found)
        for at, m in enumerate(found):
            if not bare[at]:
                reason = "wrong checksum"
                if int(m[4][1:], 16) == sentence_checksum(m[1] + m[2] + b"," + m[3]):
                    continue
            elif m.end() == len(data):
                reason = "unfinished line at the end of the file"
            elif m[4] or sums[m[1], m[2], False] > sums[m[1], m[2], True]:
                reason = "cut short: no checksum where others have one"
            else:
                self.unchecked += 1
                continue
            intact[at] = False
            self._refuse(at, reason)
        return intact

    def _take(self, at, match):
        talker, kind = match[1].decode(), match[2].decode()
        f = match[3].split(b",")
        f += [b""] * (12 - len(f))
        if kind in ("DPT", "DBT", "DBS", "DBK"):
            self._take_depth(at, talker + kind, f)
        elif kind == "RMC":
            self._take_fix(at, talker, f[0], f[1] == b"A", f[2:6], f[11], f)
        elif kind == "GGA":
            self._take_fix(at, talker, f[0], f[5] not in (b"", b"0"), f[1:5], f[5])
        elif kind == "GLL":
            self._take_fix(at, talker, f[4], f[5] == b"A", f[0:4], f[6])
        elif kind == "ZDA":
            ms, day = time_of_day(f[0]), int(days_since_1970(*map(finite_number, f[1:4])))
            if self.fixes and ms == ms and day >= 0:
                self.timed.append((at, ms, day, 1))
        elif kind == "VTG":
            speed = finite_number(f[4]) * units.KNOT
            if speed != speed:
                speed = finite_number(f[6]) * units.KMH
            self.motion.append((at, speed, finite_number(f[0])))
        elif kind == "MTW":
            if f[1] in (b"C", b""):
                self.temperature.append((at, finite_number(f[0])))
            else:
                self._refuse(at, "water temperature not in Celsius")
        elif kind == "XDR":
            self._take_hardness(at, f)

    def _take_hardness(self, at, f):
        for i in (0, 4, 8):
            kind, value, unit, name = f[i : i + 4]
            hardness = (0.01 if unit == b"P" else 1.0) * finite_number(value)
            if kind == b"G" and b"HARDNESS" in name.upper() and 0.0 <= hardness <= 1.0:
                self.hardness.append((at, hardness))

    def _take_depth(self, at, source, f):
        if source.endswith("DPT"):
            texts, offset = [b"", f[0], b""], finite_number(f[1])
        else:
            of_unit = {f[i + 1]: f[i] for i in (0, 2, 4)}
            texts, offset = [of_unit.get(unit, b"") for unit in (b"f", b"M", b"F")], np.nan
        values = [finite_number(text) for text in texts]
        if np.isnan(values).all():
            self.blanks.setdefault(source, []).append(at)
        else:
            places = [decimals(text) if text else -1 for text in texts]
            self.depths.setdefault(source, []).append((at, values, places, offset))

    def _take_fix(self, at, talker, clock, valid, where, how, rmc=None):
        lat, lon, ms = nmea_angle(*where[:2]), nmea_angle(*where[2:]), time_of_day(clock)
        letters = where[1] in (b"N", b"S") and where[3] in (b"E", b"W")
        if not valid:
            self._refuse(at, "no valid fix (status V or quality 0)")
        elif how in (b"6", b"7", b"8", b"E", b"M", b"S", b"N"):
            self._refuse(at, "no fix by satellite (estimated, manual or simulated)")
        elif not letters or np.isnan([lat, lon, ms]).any():
            self._refuse(at, "malformed position or time")
        elif lat == lon == 0.0:
            self._refuse(at, "position 0, 0 (the GPS receiver had no fix)")
        else:
            day = -1
            if rmc:
                day = short_date(rmc[8])
                self.motion.append((at, finite_number(rmc[6]) * units.KNOT, finite_number(rmc[7])))
            self.fixes.append((at, talker, lon, lat, decimals(where[0])))
            self.timed.append((at, ms, day, 0))


def decimals(text):
    """Return with how many decimals a number is written."""
    return len(text.partition(b".")[2].strip())
