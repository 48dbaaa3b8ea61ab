"""Read depth, position and time from a log of NMEA 0183 sentences.

References
----------
NMEA 0183, Standard for Interfacing Marine Electronic Devices (also IEC
61162-1): sentences DBT, DBS, DBK, DPT, GGA, RMC, GLL, ZDA, VTG and MTW.
"""

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from .. import units
from ..errors import LakefloorError
from ..number_text import counted, written
from ..progress import rising, silent, span, watched
from ..soundings import Soundings
from ..times import DAY_MS, calendar_ms, full_year, midnights, without_week_rollover
from .parsed_log import NO_FIX, UNFINISHED, ParsedLog, UnreadTally, reasons_with_counts

#: Water temperature holds for this long around its sentence, s.
TEMPERATURE_HOLD_S = 60.0

_SENTENCE = re.compile(rb"\$([A-Z][A-Z0-9])([A-Z]{3}),([^\r\n$*]*)(\*[0-9A-Fa-f]{0,2})?")
_USED = {b"DBT", b"DBS", b"DBK", b"DPT", b"GGA", b"RMC", b"GLL", b"ZDA", b"VTG", b"MTW"}
_DEPTH_KINDS = ("DPT", "DBS", "DBT", "DBK")
_FROM = {"DPT": "transducer", "DBT": "transducer", "DBS": "surface", "DBK": "keel"}
_INVALID = "no valid fix (status V or quality 0)"
_NOT_BY_SATELLITE = "no fix by satellite (estimated, manual or simulated)"
#: Quality of GGA, and mode of RMC and GLL, of a position that no satellite gave.
_ESTIMATES = {b"6", b"7", b"8", b"E", b"M", b"S", b"N"}
_UNIT_FIELDS = ((b"f", units.FOOT), (b"M", 1.0), (b"F", units.FATHOM))
_UNIT_NAMES = ("ft", "m", "fathom")


def is_nmea(data: bytes) -> bool:
    """Tell whether a file's bytes hold at least one sentence this module reads."""
    return any(m[2] in _USED for m in _SENTENCE.finditer(data[:1_000_000]))


def checksum(body) -> int:
    """Return the exclusive or of the characters between ``$`` and ``*``."""
    value = 0
    for character in body.encode("latin-1") if isinstance(body, str) else body:
        value ^= character
    return value


def angle(text, hemisphere) -> float:
    """Return signed degrees of ``dddmm.mmmm`` and a hemisphere letter; NaN if malformed."""
    if isinstance(text, str):
        text, hemisphere = text.encode(), hemisphere.encode()
    whole = text.partition(b".")[0]
    if len(whole) < 3 or hemisphere not in (b"N", b"S", b"E", b"W"):
        return np.nan
    degrees, minutes = _number(whole[:-2]), _number(text[len(whole) - 2 :])
    limit = 90.0 if hemisphere in b"NS" else 180.0
    value = degrees + minutes / 60.0
    if not (0.0 <= minutes < 60.0 and 0.0 <= value <= limit):
        return np.nan
    return -value if hemisphere in b"SW" else value


def _number(text) -> float:
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan


def _time_of_day(text) -> float:
    """Return milliseconds since midnight of ``hhmmss.sss``; NaN if malformed."""
    hour, minute, second = _number(text[:2]), _number(text[2:4]), _number(text[4:])
    if not (len(text) >= 6 and 0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 61):
        return np.nan
    return (hour * 60.0 + minute) * 60_000.0 + round(second * 1000.0)


@lru_cache(maxsize=4096)
def _date(day, month, year) -> int:
    """Return days since 1970; -1 if malformed."""
    date = calendar_ms(full_year(_number(year)), _number(month), _number(day), 0.0)
    return -1 if np.isnat(date) else int(date.astype("datetime64[D]").astype(int))


def _decimals(text) -> int:
    return len(text.partition(b".")[2].strip())


@dataclass
class _Log:
    """Columns collected in order of arrival; ``at`` is the sentence's running number."""

    timed: list = field(default_factory=list)
    fixes: list = field(default_factory=list)
    motion: list = field(default_factory=list)
    temperature: list = field(default_factory=list)
    depths: dict = field(default_factory=dict)
    blanks: dict = field(default_factory=dict)


def parse_nmea(
    data: bytes, *, max_fix_gap_s: float = 10.0, name_date=None, progress=silent
) -> ParsedLog:
    """Return the soundings of one NMEA 0183 log.

    Parameters
    ----------
    data : bytes
        The log. Anything between sentences is skipped, such as a logger's
        prefix before ``$`` or binary messages.
    max_fix_gap_s : float
        Longest gap between two fixes across which a position is interpolated, s.
    name_date : datetime64[D], optional
        Date in the file's name; used where the log itself has none.
    progress : callable

    Returns
    -------
    ParsedLog
        One sounding for each depth that has a position.

    Raises
    ------
    LakefloorError
        If the log has no depth or no valid position.

    Notes
    -----
    Sentences with a wrong checksum are not used. A sentence without one is
    used, unless most sentences of its kind in the log carry one: then it was
    cut short. A position that the receiver estimated, that was entered by hand or simulated
    is no fix.

    Depth comes from one talker and kind of sentence, never mixed: of those
    that give at least half as many depths as the most frequent one, the finest
    resolved (of equals DPT, DBS, DBT, DBK). Of feet, metres and fathoms the
    finest field is read.

    A depth sentence bears no time. It gets one in proportion to its place
    among the sentences between the two fixes around it; that leaves a
    delay that is constant in a log and no longer than the interval between
    fixes. Its position is interpolated in time between fixes. Fixes, and with
    them times, come from the talker that gives most of them; other talkers
    fill its gaps.
    """
    tally, notes = UnreadTally(), []
    progress = rising(progress)
    log = _collect(data, tally, notes, span(progress, 0.0, 0.8))
    if not log.depths:
        for source in log.blanks:
            _count_blanks(log, source, tally)
    refused = f" Not read: {reasons_with_counts(tally.counts)}." if tally.counts else ""
    if not log.depths:
        raise LakefloorError(
            "The log has no DBT, DPT, DBS or DBK sentence with a depth. Switch these sentences on "
            f"at the sounder.{refused}"
        )
    if not log.fixes:
        raise LakefloorError(
            "The log has no position: there is no valid GGA, RMC or GLL sentence. Connect the GPS "
            f"receiver to the logger, and wait for a fix.{refused}"
        )
    at, raw, offset, line, text, source = _choose_depth(log, notes, span(progress, 0.8, 0.9))
    _count_blanks(log, source, tally)
    max_gap = 1000.0 * max_fix_gap_s
    timed_at, timed_ms, dated = _clock(log, name_date, notes, lambda _: progress(0.91))
    progress(0.92)
    index, talker, fix_lon, fix_lat, decimals = (
        np.array(c) for c in zip(*watched(log.fixes, lambda _: progress(0.93)))
    )
    fix_at, fix_ms = timed_at[index], timed_ms[index]
    used = _one_receiver(talker, fix_ms, max_gap, notes)
    fix_at, fix_ms = fix_at[used], fix_ms[used]
    ms = _times_between(at, fix_at, fix_ms, max_gap)
    lon, lat = _positions(ms, fix_ms, fix_lon[used], fix_lat[used], decimals[used], max_gap)
    lost = np.isnan(lon)
    progress(0.94)
    reason = f"no position: no two fixes within {written(max_fix_gap_s, 'g')} s around it"
    for i in watched(np.flatnonzero(lost), lambda _: progress(0.95)):
        tally.add(line[i], reason, text[i])
    speed = _nearest(log.motion, 1, ms, fix_at, fix_ms, max_gap)
    progress(0.96)
    course = _nearest(log.motion, 2, ms, fix_at, fix_ms, max_gap)
    progress(0.97)
    water_temp = _nearest(log.temperature, 1, ms, fix_at, fix_ms, 1000.0 * TEMPERATURE_HOLD_S)
    keep = ~lost
    if not keep.any():
        raise LakefloorError(
            f"None of the depths ({len(raw)}) lies between two fixes at most "
            f"{written(max_fix_gap_s, 'g')} s apart. Allow a longer maximum time between fixes."
        )
    added = np.where(offset > 0.0, offset, 0.0)
    corrections = np.full(len(raw), f"from={_FROM[source[2:]]}", dtype=object)
    for value in np.unique(added[added > 0.0]):
        corrections[added == value] += f";offset_m={value:.3f}"
    _note_offsets(source, log, added[keep], offset[keep], notes)
    time = np.full(len(raw), np.datetime64("NaT", "ms"))
    if dated:
        time[keep] = np.round(ms[keep]).astype("int64").astype("datetime64[ms]")
    soundings = Soundings.build(
        lon, lat, raw + added, raw_depth=raw, time=time, speed=speed, course=course,
        water_temp=water_temp, corrections=corrections,
    )
    progress(1.0)
    return ParsedLog(soundings.select(keep), "NMEA 0183", tuple(notes), tally, line[keep])


def line_numbers(data: bytes, positions):
    """Return the 1-based line of each byte position; CR, LF and CRLF end a line."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    line_feed = buffer == 10
    lone_return = (buffer == 13) & ~np.r_[line_feed[1:], False]
    ends = np.flatnonzero(line_feed | lone_return)
    return np.searchsorted(ends, positions) + 1


def _collect(data, tally, notes, progress) -> _Log:
    sentences = watched(_SENTENCE.finditer(data), span(progress, 0.0, 0.2), len(data) // 40)
    found = list(sentences)
    if not found:
        raise LakefloorError("The file has no NMEA 0183 sentence. Choose another log.")
    starts = np.array([m.start() for m in watched(found, lambda _: progress(0.2))])
    lines = line_numbers(data, starts)
    intact, bare = _verify(data, found, lines, tally, span(progress, 0.2, 0.5))
    log = _Log()
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
    stated = np.array([
        int(m[4][1:], 16) if m[4] and len(m[4]) == 3 else -1 for m in seen(0.3, 0.6)
    ])
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
    if kind in _DEPTH_KINDS:
        cells = (b"", f[0], b"") if kind == "DPT" else _unit_cells(f)
        if any(_number(cell) == _number(cell) for cell in cells):
            offset = _number(f[1]) if kind == "DPT" else np.nan
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
        speed = _number(f[4]) * units.KNOT
        if speed != speed:
            speed = _number(f[6]) * units.KMH
        log.motion.append((at, speed, _number(f[0])))
    elif kind == "MTW":
        celsius = _number(f[0])
        if f[1] in (b"C", b""):
            log.temperature.append((at, celsius))
        else:
            tally.add(line, "water temperature not in Celsius", match[0])


def _unit_cells(f):
    by_letter = {f[i + 1]: f[i] for i in (0, 2, 4)}
    return tuple(by_letter.get(letter, b"") for letter, _ in _UNIT_FIELDS)


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
    lat, lon = angle(where[0], where[1]), angle(where[2], where[3])
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
        speed = _number(f[6]) * units.KNOT
        log.motion.append((at, speed, _number(f[7])))
    log.fixes.append((len(log.timed), talker, lon, lat, _decimals(where[0])))
    log.timed.append((at, ms, day, 0))


def _count_blanks(log, source, tally):
    for line, text in log.blanks.get(source, ()):
        tally.add(line, "no depth in the sentence", text)


def _choose_depth(log, notes, progress):
    measured = {}
    for source, rows in log.depths.items():
        decimals = [
            max((_decimals(r[2][u]) for r in watched(rows, progress) if r[2][u]), default=None)
            for u in range(3)
        ]
        steps = [
            np.inf if d is None else factor * 10.0**-d
            for d, (_, factor) in zip(decimals, _UNIT_FIELDS)
        ]
        measured[source] = (len(rows), min(steps), np.argsort(steps, kind="stable"))
    most = max(count for count, _, _ in measured.values())
    source = min(
        (s for s, (count, _, _) in measured.items() if 2 * count >= most),
        key=lambda s: (measured[s][1], _DEPTH_KINDS.index(s[2:]), -measured[s][0], s),
    )
    _, step, order = measured[source]
    notes.append(
        f"Depths come from {source} ({_UNIT_NAMES[order[0]]} field, in steps of "
        f"{written(step, '.3g')} m, below the {_FROM[source[2:]]})."
    )
    for other in sorted(set(measured) - {source}):
        notes.append(
            f"{counted(measured[other][0], 'depth')} of {other} not used: sources are never mixed."
        )
    rows = log.depths[source]
    raw = np.full(len(rows), np.nan)
    for u in order:
        value = np.array([_number(row[2][u]) for row in watched(rows, progress)])
        value *= _UNIT_FIELDS[u][1]
        raw = np.where(np.isnan(raw), value, raw)
    at, line, offset = (
        np.array([row[i] for row in watched(rows, progress)]) for i in (0, 1, 3)
    )
    return at.astype(float), raw, offset, line, [row[4] for row in rows], source


def _clock(log, name_date, notes, progress):
    """Return running number and milliseconds since 1970 of each timed sentence."""
    columns = zip(*watched(log.timed, progress))
    at, tod, day, from_zda = (np.array(c, dtype=float) for c in columns)
    progress(0.0)
    has_day = day >= 0
    if (has_day & (from_zda == 0)).any():
        has_day &= from_zda == 0
    if has_day.any():
        days = day[has_day].astype("int64").astype("datetime64[D]")
        corrected = without_week_rollover(days, name_date)
        late = corrected != days
        if late.any():
            i = int(np.argmax(late))
            notes.append(
                f"GPS week rollover: {counted(late.sum(), 'date')} moved by "
                f"{int((corrected - days)[i].astype(int)) // 7} weeks (first: {days[i]} read as "
                f"{corrected[i]})."
            )
        ms = _spread_dates(tod, has_day, corrected.astype("int64") * float(DAY_MS))
        return at, ms, True
    ms = tod + DAY_MS * midnights(tod / 1000.0)
    if name_date is None:
        notes.append(
            "Neither the log (RMC or ZDA) nor its name states a date, so the soundings have no "
            "times.")
        return at, ms, False
    notes.append(f"The log states no date (RMC or ZDA), so {name_date} from its name is used.")
    return at, ms + name_date.astype("datetime64[D]").astype(int) * float(DAY_MS), True


def _spread_dates(tod, has_day, midnight):
    """Date each time of day from the dated sentence before or after, the nearer in clock time.

    The difference is wrapped to half a day, which carries it over midnight.
    """
    dated = np.flatnonzero(has_day)
    dated_ms = midnight + tod[dated]
    after = np.searchsorted(dated, np.arange(len(tod)))

    def through(reference):
        reference = np.clip(reference, 0, len(dated) - 1)
        wrapped = (tod - tod[dated[reference]] + DAY_MS / 2) % DAY_MS - DAY_MS / 2
        return dated_ms[reference] + wrapped, np.abs(wrapped)

    (before_ms, before_off), (after_ms, after_off) = through(after - 1), through(after)
    return np.where(after_off <= before_off, after_ms, before_ms)


def _times_between(at, fix_at, fix_ms, max_gap):
    """Return milliseconds at running numbers ``at``; NaN outside or in a gap of time."""
    if len(fix_at) < 2:
        return np.full(len(at), np.nan)
    right = np.searchsorted(fix_at, at)
    inside = (right > 0) & (right < len(fix_at))
    right = np.clip(right, 1, len(fix_at) - 1)
    gap = fix_ms[right] - fix_ms[right - 1]
    share = (at - fix_at[right - 1]) / (fix_at[right] - fix_at[right - 1])
    ok = inside & (np.abs(gap) <= max_gap)
    return np.where(ok, fix_ms[right - 1] + share * gap, np.nan)


def _one_receiver(talker, fix_ms, max_gap, notes):
    """Mask of the fixes of the talker that gives most, and of others in its gaps."""
    counts = Counter(talker.tolist())
    main = min(counts, key=lambda t: (-counts[t], t))
    other = talker != main
    if not other.any():
        return ~other
    own = np.sort(fix_ms[~other])
    right = np.searchsorted(own, fix_ms)
    left_ms = np.where(right > 0, own[np.clip(right - 1, 0, None)], -np.inf)
    right_ms = np.where(right < len(own), own[np.clip(right, None, len(own) - 1)], np.inf)
    used = ~other | (right_ms - left_ms > max_gap)
    notes.append(
        f"Positions come from talker {main}. Of {counted(other.sum(), 'fix', 'fixes')} of other "
        f"talkers ({', '.join(sorted(set(counts) - {main}))}), {int((used & other).sum())} fill "
        "its time gaps."
    )
    return used


def _positions(ms, fix_ms, lon, lat, decimals, max_gap):
    """Interpolate positions in time; NaN outside the fixes or in a gap."""
    # Of several fixes for one moment, the one with most decimals.
    order = np.lexsort((-decimals, fix_ms))
    order = order[np.r_[True, np.diff(fix_ms[order]) > 0]]
    # Through the 180 degree meridian the way is the short one.
    fix_ms, lon, lat = fix_ms[order], np.unwrap(lon[order], period=360.0), lat[order]
    right = np.clip(np.searchsorted(fix_ms, ms), min(1, len(fix_ms) - 1), len(fix_ms) - 1)
    ok = (fix_ms[right] - fix_ms[right - 1] <= max_gap) & (ms >= fix_ms[0]) & (ms <= fix_ms[-1])
    lon, lat = np.interp(ms, fix_ms, lon), np.interp(ms, fix_ms, lat)
    lon = np.where(np.abs(lon) > 180.0, (lon + 180.0) % 360.0 - 180.0, lon)
    return np.where(ok, lon, np.nan), np.where(ok, lat, np.nan)


def _nearest(rows, column, ms, fix_at, fix_ms, hold):
    """Return the value logged nearest in time, NaN beyond ``hold`` milliseconds."""
    rows = [row for row in rows if row[column] == row[column]]
    out = np.full(len(ms), np.nan)
    if not rows:
        return out
    at, value = (np.array([row[i] for row in rows], dtype=float) for i in (0, column))
    when = np.interp(at, fix_at, fix_ms)
    order = np.argsort(when, kind="stable")
    when, value = when[order], value[order]
    right = np.clip(np.searchsorted(when, ms), 0, len(when) - 1)
    left = np.clip(right - 1, 0, None)
    pick = np.where(np.abs(when[left] - ms) <= np.abs(when[right] - ms), left, right)
    near = np.abs(when[pick] - ms) <= hold
    out[near] = value[pick[near]]
    return out


def _note_offsets(source, log, added, offset, notes):
    if source.endswith("DPT"):
        if (added > 0).any():
            shown = ", ".join(f"{written(v, '.2f')} m" for v in np.unique(added[added > 0]))
            notes.append(
                f"The distance from transducer to waterline that DPT states was added: {shown}."
            )
        if (offset < 0).any():
            notes.append(
                "DPT states the distance from transducer to keel; depths stay below the transducer."
            )
        return
    stated = {r[3] for s, rows in log.depths.items() if s.endswith("DPT") for r in rows}
    stated = sorted(v for v in stated if v > 0)
    if stated:
        shown = ", ".join(f"{written(v, '.2f')} m" for v in stated)
        notes.append(
            f"DPT states the transducer {shown} below the waterline, which is not added to "
            f"{source}. Give it as the draft in Correct depths."
        )
