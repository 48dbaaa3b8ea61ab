"""Read depth, position and time from a log of NMEA 0183 sentences.

References
----------
NMEA 0183, Standard for Interfacing Marine Electronic Devices (also IEC
61162-1): sentences DBT, DBS, DBK, DPT, GGA, RMC, GLL, ZDA, VTG, MTW and XDR.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import repeat

import numpy as np

from ..errors import LakefloorError
from ..number_text import counted, written
from ..progress import Progress, rising, silent, span
from ..soundings import Soundings
from ..times import DAY_MS, midnights
from .arrivals import LineClock
from .gps_weeks import without_week_rollover
from .nmea_sentences import DEPTH_KINDS, UNIT_FIELDS, collect_sentences
from .parsed_log import ParsedLog, UnreadTally, reasons_with_counts

#: Water temperature holds for this long around its sentence, s.
TEMPERATURE_HOLD_S = 60.0

#: Hardness belongs to the ping that it came with, s.
HARDNESS_HOLD_S = 2.0

#: How the note begins on a log that is dated by its name.
NO_DATE = "The log states no date"

_FROM = {"DPT": "transducer", "DBT": "transducer", "DBS": "surface", "DBK": "keel"}
_UNIT_NAMES = ("ft", "m", "fathom")


@dataclass(frozen=True)
class _Depths:
    """The depths of one talker and kind of sentence, in order of arrival.

    Attributes
    ----------
    at : array, shape (n,)
        Running numbers of their sentences.
    raw, offset : array, shape (n,)
        m; ``offset`` is that of DPT, NaN where none is stated.
    source : str
        Talker and kind, such as ``SDDPT``.
    """

    at: np.ndarray
    raw: np.ndarray
    offset: np.ndarray
    source: str


@dataclass(frozen=True)
class _Fixes:
    """Fixes in order of arrival: running numbers, ms since 1970, degrees, decimals written."""

    at: np.ndarray
    ms: np.ndarray
    lon: np.ndarray
    lat: np.ndarray
    decimals: np.ndarray


def parse_nmea_log(
    data: bytes,
    *,
    max_fix_gap_s: float = 10.0,
    name_date: np.datetime64 | None = None,
    clock: LineClock | None = None,
    progress: Progress = silent,
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
    clock : LineClock, optional
        When each line arrived.
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
    resolved (of equals DPT, DBS, DBT, DBK). Of feet, meters and fathoms the
    finest field is read.

    A depth sentence bears no time. It gets one in proportion to its place
    among the sentences between the two fixes around it; that leaves a
    delay that is constant in a log and no longer than the interval between
    fixes. Where it is known when lines arrived, it is in proportion to that instead, and fixes of
    two sessions have nothing between them. Its position is interpolated in time between fixes.
    Fixes, and with them times, come from the talker that gives most of them; other talkers
    fill its gaps.

    Examples
    --------
    >>> body = "$GPRMC,14000{},A,4500.00,N,09300.00,W,4.0,90.0,090726,,\\r\\n"
    >>> log = body.format(1) + "$SDDBT,,f,3.0,M,,F\\r\\n" + body.format(2)
    >>> soundings = parse_nmea_log(log.encode()).soundings
    >>> str(soundings.time[0]), float(soundings.depth[0]), float(soundings.x[0])
    ('2026-07-09T14:00:01.500', 3.0, -93.0)
    """
    tally, notes = UnreadTally(), []
    progress = rising(progress)
    log = collect_sentences(data, tally, notes, span(progress, 0.0, 0.9))
    _require_depths_and_fixes(log, tally)
    depths = _choose_depth(log, notes)
    _count_blanks(log, depths.source, tally, lambda _: progress(0.91))
    max_gap = 1000.0 * max_fix_gap_s
    fixes, dated = _dated_fixes(log, name_date, max_gap, notes)
    progress(0.93)
    arrived = None if clock is None else clock.arrived(log.start)
    ms = _times_between(depths.at, fixes, max_gap, arrived)
    lon, lat = _positions(ms, fixes, max_gap)
    keep = ~np.isnan(lon)
    progress(0.94)
    _count_lost(log, depths, keep, max_fix_gap_s, tally, lambda _: progress(0.95))
    speed = _nearest(log.motion, 1, ms, fixes, max_gap)
    progress(0.96)
    course = _nearest(log.motion, 2, ms, fixes, max_gap)
    progress(0.97)
    water_temp = _nearest(log.temperature, 1, ms, fixes, 1000.0 * TEMPERATURE_HOLD_S)
    hardness = _nearest(log.hardness, 1, ms, fixes, 1000.0 * HARDNESS_HOLD_S)
    added = np.where(depths.offset > 0.0, depths.offset, 0.0)
    _note_offsets(depths, log, added[keep], keep, notes)
    time = np.full(len(keep), np.datetime64("NaT", "ms"))
    if dated:
        time[keep] = np.round(ms[keep]).astype("int64").astype("datetime64[ms]")
    soundings = Soundings.build(
        lon,
        lat,
        depths.raw + added,
        raw_depth=depths.raw,
        time=time,
        speed=speed,
        course=course,
        water_temp=water_temp,
        hardness=hardness,
        corrections=_corrections(depths.source, added),
    )
    progress(1.0)
    line = log.line[depths.at[keep]]
    return ParsedLog(soundings.select(keep), "NMEA 0183", tuple(notes), tally, line)


def _require_depths_and_fixes(log, tally):
    """Refuse a log without a depth or without a valid position."""
    if log.depths and len(log.fixes[0]):
        return
    if not log.depths:
        for source in log.blanks:
            _count_blanks(log, source, tally, silent)
    refused = f" Not read: {reasons_with_counts(tally.counts)}." if tally.counts else ""
    if not log.depths:
        raise LakefloorError(
            "The log has no DBT, DPT, DBS or DBK sentence with a depth. Switch these sentences on "
            f"at the sounder.{refused}"
        )
    raise LakefloorError(
        "The log has no position: there is no valid GGA, RMC or GLL sentence. Connect the GPS "
        f"receiver to the logger, and wait for a fix.{refused}"
    )


def _count_lost(log, depths, keep, max_fix_gap_s, tally, progress):
    """Count the depths without a position, and refuse a log that has no others."""
    shown = written(max_fix_gap_s, "g")
    reason = f"no position: no two fixes within {shown} s around it"
    log.count_unread(depths.at[~keep], repeat(reason), tally, progress)
    if not keep.any():
        raise LakefloorError(
            f"None of the depths ({len(keep)}) lies between two fixes at most {shown} s apart. "
            "Allow a longer maximum time between fixes."
        )


def _corrections(source, added):
    """Return what ``corrections`` say of each depth, given what was added to it, m."""
    corrections = np.full(len(added), f"from={_FROM[source[2:]]}", dtype=object)
    for value in np.unique(added[added > 0.0]):
        corrections[added == value] += f";offset_m={value:.3f}"
    return corrections


def _count_blanks(log, source, tally, progress):
    at = log.blanks.get(source, np.zeros(0, dtype=int))
    log.count_unread(at, repeat("no depth in the sentence"), tally, progress)


def _choose_depth(log, notes) -> _Depths:
    measured = {}
    for source, columns in log.depths.items():
        steps = [
            np.inf if d < 0 else factor * 10.0**-d
            for d, (_, factor) in zip(columns.decimals.max(axis=0).tolist(), UNIT_FIELDS)
        ]
        measured[source] = (len(columns.at), min(steps), np.argsort(steps, kind="stable"))
    most = max(count for count, _, _ in measured.values())
    source = min(
        (s for s, (count, _, _) in measured.items() if 2 * count >= most),
        key=lambda s: (measured[s][1], DEPTH_KINDS.index(s[2:]), -measured[s][0], s),
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
    columns = log.depths[source]
    raw = np.full(len(columns.at), np.nan)
    for u in order:
        raw = np.where(np.isnan(raw), columns.value[:, u] * UNIT_FIELDS[u][1], raw)
    return _Depths(columns.at, raw, columns.offset, source)


def _dated_fixes(log, name_date, max_gap, notes):
    """Return the fixes of one receiver, others in its gaps, and whether their dates are known."""
    timed_ms, dated = _clock(log, name_date, notes)
    at, talker, lon, lat, decimals = log.fixes
    ms = timed_ms[np.searchsorted(log.timed[0], at)]
    used = _one_receiver(talker, ms, max_gap, notes)
    return _Fixes(*(c[used] for c in (at, ms, lon, lat, decimals))), dated


def _clock(log, name_date, notes):
    """Return milliseconds since 1970 of each timed sentence, and whether their dates are known."""
    _, tod, day, from_zda = log.timed
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
        return ms, True
    ms = tod + DAY_MS * midnights(tod / 1000.0)
    if name_date is None:
        notes.append(
            "Neither the log (RMC or ZDA) nor its name states a date, so the soundings have no "
            "times."
        )
        return ms, False
    notes.append(f"{NO_DATE} (RMC or ZDA), so {name_date} from its name is used.")
    return ms + name_date.astype("datetime64[D]").astype(int) * float(DAY_MS), True


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


def _times_between(at, fixes, max_gap, arrived=None):
    """Return milliseconds at running numbers ``at``; NaN outside or in a gap of time.

    ``arrived`` is the session and the time, us, of each running number.
    """
    fix_at, fix_ms = fixes.at, fixes.ms
    if len(fix_at) < 2:
        return np.full(len(at), np.nan)
    right = np.searchsorted(fix_at, at)
    inside = (right > 0) & (right < len(fix_at))
    right = np.clip(right, 1, len(fix_at) - 1)
    before, after = fix_at[right - 1], fix_at[right]
    gap = fix_ms[right] - fix_ms[right - 1]
    share = (at - before) / (after - before)
    ok = inside & (np.abs(gap) <= max_gap)
    if arrived is not None:
        session, us = arrived
        ok &= (session[before] == session[at]) & (session[at] == session[after])
        between = us[after] - us[before]
        # What came at once is spread evenly, as in a log without times.
        timed = np.isfinite(between) & (between > 0.0)
        passed = np.where(timed, us[at] - us[before], 0.0)
        share = np.where(timed, (passed / np.where(timed, between, 1.0)).clip(0.0, 1.0), share)
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


def _positions(ms, fixes, max_gap):
    """Interpolate positions in time; NaN outside the fixes or in a gap."""
    # Of several fixes for one moment, the one with most decimals.
    order = np.lexsort((-fixes.decimals, fixes.ms))
    order = order[np.r_[True, np.diff(fixes.ms[order]) > 0]]
    # Through the 180 degree meridian the way is the short one.
    fix_ms, lat = fixes.ms[order], fixes.lat[order]
    lon = np.unwrap(fixes.lon[order], period=360.0)
    right = np.clip(np.searchsorted(fix_ms, ms), min(1, len(fix_ms) - 1), len(fix_ms) - 1)
    ok = (fix_ms[right] - fix_ms[right - 1] <= max_gap) & (ms >= fix_ms[0]) & (ms <= fix_ms[-1])
    ok |= ms == fix_ms[right]  # the first fix behind a gap is one all the same
    lon, lat = np.interp(ms, fix_ms, lon), np.interp(ms, fix_ms, lat)
    lon = np.where(np.abs(lon) > 180.0, (lon + 180.0) % 360.0 - 180.0, lon)
    return np.where(ok, lon, np.nan), np.where(ok, lat, np.nan)


def _nearest(table, column, ms, fixes, hold):
    """Return the value logged nearest in time, NaN beyond ``hold`` milliseconds."""
    known = ~np.isnan(table[column])
    out = np.full(len(ms), np.nan)
    if not known.any():
        return out
    at, value = table[0][known], table[column][known]
    when = np.interp(at, fixes.at, fixes.ms)
    order = np.argsort(when, kind="stable")
    when, value = when[order], value[order]
    right = np.clip(np.searchsorted(when, ms), 0, len(when) - 1)
    left = np.clip(right - 1, 0, None)
    pick = np.where(np.abs(when[left] - ms) <= np.abs(when[right] - ms), left, right)
    near = np.abs(when[pick] - ms) <= hold
    out[near] = value[pick[near]]
    return out


def _note_offsets(depths, log, added, keep, notes):
    """Say what DPT states of the transducer, and whether it was added to the depths kept."""
    source, offset = depths.source, depths.offset[keep]
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
    stated = [columns.offset for s, columns in log.depths.items() if s.endswith("DPT")]
    stated = np.unique(np.concatenate([np.zeros(0), *stated]))
    stated = stated[stated > 0]
    if stated.size:
        shown = ", ".join(f"{written(v, '.2f')} m" for v in stated)
        notes.append(
            f"DPT states the transducer {shown} below the waterline, which is not added to "
            f"{source}. Give it as the draft in Correct depths."
        )
