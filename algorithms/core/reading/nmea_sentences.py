"""The sentences of NMEA 0183 in a log, checked and put into columns.

References
----------
NMEA 0183, Standard for Interfacing Marine Electronic Devices (also IEC
61162-1): sentences DBT, DBS, DBK, DPT, GGA, RMC, GLL, ZDA, VTG and MTW.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from .. import units
from ..errors import LakefloorError
from ..number_text import counted, finite_number
from ..progress import Progress, span, watched
from ..times import calendar_ms, full_year
from .parsed_log import NO_FIX, UNFINISHED, UnreadTally

_SENTENCE = re.compile(rb"\$([A-Z][A-Z0-9])([A-Z]{3}),([^\r\n$*]*)(\*[0-9A-Fa-f]{0,2})?")
_USED = {b"DBT", b"DBS", b"DBK", b"DPT", b"GGA", b"RMC", b"GLL", b"ZDA", b"VTG", b"MTW"}
DEPTH_KINDS = ("DPT", "DBS", "DBT", "DBK")
_INVALID = "no valid fix (status V or quality 0)"
_NOT_BY_SATELLITE = "no fix by satellite (estimated, manual or simulated)"
#: Quality of GGA, and mode of RMC and GLL, of a position that no satellite gave.
_ESTIMATES = {b"6", b"7", b"8", b"E", b"M", b"S", b"N"}
UNIT_FIELDS = ((b"f", units.FOOT), (b"M", 1.0), (b"F", units.FATHOM))


def is_nmea(data: bytes) -> bool:
    """Tell whether a file's bytes hold at least one sentence this module reads."""
    return any(m[2] in _USED for m in _SENTENCE.finditer(data[:1_000_000]))


def sentence_checksum(body: str | bytes) -> int:
    """Return the exclusive or of the characters between ``$`` and ``*``.

    Examples
    --------
    >>> f"{sentence_checksum('SDDPT,2.4,-0.3'):02X}"
    '7F'
    """
    value = 0
    for character in body.encode("latin-1") if isinstance(body, str) else body:
        value ^= character
    return value


def nmea_angle(text: str | bytes, hemisphere: str | bytes) -> float:
    """Return signed degrees of ``dddmm.mmmm`` and a hemisphere letter; NaN if malformed.

    Examples
    --------
    >>> nmea_angle("09330.0", "W")
    -93.5
    """
    digits, letter = (v.encode() if isinstance(v, str) else v for v in (text, hemisphere))
    whole = digits.partition(b".")[0]
    if len(whole) < 3 or letter not in (b"N", b"S", b"E", b"W"):
        return np.nan
    degrees, minutes = finite_number(whole[:-2]), finite_number(digits[len(whole) - 2 :])
    limit = 90.0 if letter in b"NS" else 180.0
    value = degrees + minutes / 60.0
    if not (0.0 <= minutes < 60.0 and 0.0 <= value <= limit):
        return np.nan
    return -value if letter in b"SW" else value


def _time_of_day(text) -> float:
    """Return milliseconds since midnight of ``hhmmss.sss``; NaN if malformed."""
    hour, minute, second = (finite_number(part) for part in (text[:2], text[2:4], text[4:]))
    if not (len(text) >= 6 and 0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 61):
        return np.nan
    return (hour * 60.0 + minute) * 60_000.0 + round(second * 1000.0)


@lru_cache(maxsize=4096)
def _date(day, month, year) -> int:
    """Return days since 1970; -1 if malformed."""
    day, month, year = (finite_number(part) for part in (day, month, year))
    date = calendar_ms(full_year(year), month, day, 0.0)
    return -1 if np.isnat(date) else int(date.astype("datetime64[D]").astype(int))


def decimals_written(text: bytes) -> int:
    """Return how many decimals a number is written with."""
    return len(text.partition(b".")[2].strip())


@dataclass
class SentenceColumns:
    """Columns collected in order of arrival; ``at`` is the sentence's running number."""

    timed: list = field(default_factory=list)
    fixes: list = field(default_factory=list)
    motion: list = field(default_factory=list)
    temperature: list = field(default_factory=list)
    depths: dict = field(default_factory=dict)
    blanks: dict = field(default_factory=dict)


def line_numbers(data: bytes, positions: np.ndarray) -> np.ndarray:
    """Return the 1-based line of each byte position; CR, LF and CRLF end a line."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    line_feed = buffer == 10
    lone_return = (buffer == 13) & ~np.r_[line_feed[1:], False]
    ends = np.flatnonzero(line_feed | lone_return)
    return np.searchsorted(ends, positions) + 1


def collect_sentences(
    data: bytes, tally: UnreadTally, notes: list, progress: Progress
) -> SentenceColumns:
    """Return the sentences of a log that are used, and count those that are damaged.

    Raises
    ------
    LakefloorError
        If there is no sentence.
    """
    sentences = watched(_SENTENCE.finditer(data), span(progress, 0.0, 0.2), len(data) // 40)
    found = list(sentences)
    if not found:
        raise LakefloorError("The file has no NMEA 0183 sentence. Choose another log.")
    starts = np.array([m.start() for m in watched(found, lambda _: progress(0.2))])
    lines = line_numbers(data, starts)
    intact, bare = _verify(data, found, lines, tally, span(progress, 0.2, 0.5))
    log = SentenceColumns()
    pairs = watched(zip(found, lines), span(progress, 0.5, 1.0), len(found))
    for at, (match, line) in enumerate(pairs):
        if intact[at] and match[2] in _USED:
            _take(log, at, int(line), match, tally)
    unchecked = int((bare & intact).sum())
    if unchecked:
        notes.append(f"{counted(unchecked, 'sentence')} without a checksum used unchecked.")
    return log


def _verify(data, found, lines, tally, progress):
    """Return masks: sentences to use, and those without a checksum."""

    def seen(start, stop):
        return watched(found, span(progress, start, stop))

    bounds = np.array([(m.start() + 1, m.end(3)) for m in seen(0.0, 0.3)])
    buffer = np.frombuffer(data + b"\0", dtype=np.uint8)
    computed = np.bitwise_xor.reduceat(buffer, bounds.ravel())[::2]
    stated = np.array(
        [int(m[4][1:], 16) if m[4] and len(m[4]) == 3 else -1 for m in seen(0.3, 0.6)]
    )
    bare = stated < 0
    with_sum, without = Counter(), Counter()
    for match, is_bare in zip(seen(0.6, 0.9), bare):
        (without if is_bare else with_sum)[match[1] + match[2]] += 1
    intact = stated == computed
    for i in watched(np.flatnonzero(~intact), span(progress, 0.9, 1.0)):
        match = found[i]
        if not bare[i]:
            tally.add(lines[i], "wrong checksum", match[0])
        elif match.end() == len(data):
            tally.add(lines[i], UNFINISHED, match[0])
        elif match[4] or with_sum[match[1] + match[2]] > without[match[1] + match[2]]:
            tally.add(lines[i], "cut short: no checksum where others have one", match[0])
        else:
            intact[i] = True
    return intact, bare


def _take(log, at, line, match, tally):
    talker, kind = match[1].decode(), match[2].decode()
    f = match[3].split(b",")
    f += [b""] * (12 - len(f))
    if kind in DEPTH_KINDS:
        cells = (b"", f[0], b"") if kind == "DPT" else _unit_cells(f)
        if any(finite_number(cell) == finite_number(cell) for cell in cells):
            offset = finite_number(f[1]) if kind == "DPT" else np.nan
            log.depths.setdefault(talker + kind, []).append((at, line, cells, offset, match[0]))
        else:
            log.blanks.setdefault(talker + kind, []).append((line, match[0]))
    elif kind in ("GGA", "RMC", "GLL"):
        _take_fix(log, at, line, talker, kind, f, match[0], tally)
    elif kind == "ZDA":
        ms, day = _time_of_day(f[0]), _date(f[1], f[2], f[3])
        # Before the first fix a receiver may report the date it was made.
        if log.fixes and ms == ms and day >= 0:
            log.timed.append((at, ms, day, 1))
    elif kind == "VTG":
        speed = finite_number(f[4]) * units.KNOT
        if speed != speed:
            speed = finite_number(f[6]) * units.KMH
        log.motion.append((at, speed, finite_number(f[0])))
    elif kind == "MTW":
        celsius = finite_number(f[0])
        if f[1] in (b"C", b""):
            log.temperature.append((at, celsius))
        else:
            tally.add(line, "water temperature not in Celsius", match[0])


def _unit_cells(f):
    by_letter = {f[i + 1]: f[i] for i in (0, 2, 4)}
    return tuple(by_letter.get(letter, b"") for letter, _ in UNIT_FIELDS)


def _take_fix(log, at, line, talker, kind, f, text, tally):
    if kind == "RMC":
        clock, valid, where, how = f[0], f[1] == b"A", f[2:6], f[11]
    elif kind == "GGA":
        clock, valid, where, how = f[0], f[5] not in (b"", b"0"), f[1:5], f[5]
    else:
        clock, valid, where, how = f[4], f[5] == b"A", f[0:4], f[6]
    if not valid or how in _ESTIMATES:
        tally.add(line, _NOT_BY_SATELLITE if valid else _INVALID, text)
        return
    lat, lon = nmea_angle(where[0], where[1]), nmea_angle(where[2], where[3])
    if where[1] not in (b"N", b"S") or where[3] not in (b"E", b"W"):
        lat = np.nan
    ms = _time_of_day(clock)
    if not (lat == lat and lon == lon and ms == ms):
        tally.add(line, "malformed position or time", text)
        return
    if lat == 0.0 and lon == 0.0:
        tally.add(line, NO_FIX, text)
        return
    day = -1
    if kind == "RMC":
        day = _date(f[8][0:2], f[8][2:4], f[8][4:6]) if len(f[8]) == 6 else -1
        speed = finite_number(f[6]) * units.KNOT
        log.motion.append((at, speed, finite_number(f[7])))
    log.fixes.append((len(log.timed), talker, lon, lat, decimals_written(where[0])))
    log.timed.append((at, ms, day, 0))
