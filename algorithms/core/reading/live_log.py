"""Soundings of a log that is still growing: the last lines are read as the whole log is at home."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import LakefloorError
from ..lanes import STOPPED_MS
from ..soundings import Soundings, concatenate
from .arrivals import LineClock
from .gps_weeks import without_week_rollover
from .nmea_log import NO_DATE, parse_nmea_log
from .nmea_sentences import UNIT_FIELDS, collect_sentences, is_nmea
from .parsed_log import UnreadTally
from .recorded_log import SPREAD_US, line_ends
from .text_log import TextLogOptions, parse_text_log

#: Lines of so long a time are read again with those that follow, s.
KEPT_S = 75.0
#: But of a log that comes fast no more lines, beyond those of twice the longest gap of fixes.
_MOST_LINES = 4000
#: What is known now comes from the last, s.
NOW_S = 12.0
#: Bytes without a line end that are kept.
_LONGEST = 4096
#: Rows of delimited text by which its columns and units are told; and that wait until they are.
_FIRST_ROWS, _WAITING_ROWS = 20, 200


@dataclass(frozen=True)
class Now:
    """What the sources say at this moment; None where nothing was heard.

    Attributes
    ----------
    lon, lat : float or None
        Degrees.
    speed_ms, course_deg : float or None
        Over ground; a boat that stands still has no course.
    depth_m : float or None
        As measured, m.
    depth_from : str
        What it counts from: transducer, surface, keel or unknown.
    hardness, water_temp_c : float or None
    gps_time : datetime64[ms]
        Of the newest fix; NaT where it has no date.
    fix_us, depth_us : int or None
        When the newest came, monotonic, us.
    fix_ok : bool
        Whether the receiver's last word was a valid fix.
    counts : dict of str to int
        What was not read, by reason.
    sources : dict of str to int
        Sentences by talker and kind, or ``text``.
    """

    lon: float | None = None
    lat: float | None = None
    speed_ms: float | None = None
    course_deg: float | None = None
    depth_m: float | None = None
    depth_from: str = "unknown"
    hardness: float | None = None
    water_temp_c: float | None = None
    gps_time: np.datetime64 = field(default_factory=lambda: np.datetime64("NaT", "ms"))
    fix_us: int | None = None
    depth_us: int | None = None
    fix_ok: bool = False
    counts: dict = field(default_factory=dict)
    sources: dict = field(default_factory=dict)


@dataclass(frozen=True)
class _Line:
    session: int
    us: float
    number: int
    text: bytes


class _Source:
    """The bytes of one source: whole lines with the time of their arrival."""

    def __init__(self):
        self.session, self.us = 0, None
        self.kind, self._rest = "", b""

    def last_line(self):
        """Return what is left at the end of a session as a line, or None."""
        rest, self._rest = self._rest, b""
        return (self.session, self.us, rest + b"\n") if rest else None

    def lines(self, data, session, us):
        """Yield the lines that are whole now, as (session, us, text); see :mod:`.recorded_log`."""
        is_first = session != self.session or self.us is None
        since = us if is_first else max(self.us, us - SPREAD_US)
        before = len(self._rest)
        text = self._rest + data
        stops = line_ends(text).tolist()
        if stops and stops[-1] == len(text) and text.endswith(b"\r"):
            stops.pop()  # its line feed may follow
        begin = 0
        for stop in stops:
            # A line of which all had come but its end is as old as the piece before.
            part = min(max((stop - before) / len(data), 0.0), 1.0)
            yield session, since + part * (us - since), text[begin:stop]
            begin = stop
        self._rest = text[begin:]
        if len(self._rest) > _LONGEST:
            yield session, us, self._rest + b"\n"
            self._rest = b""
        self.session, self.us = session, us


class LiveReader:
    """Reads a log while it grows.

    Parameters
    ----------
    max_fix_gap_s : float
        As for :func:`.parse_nmea_log`.

    Notes
    -----
    The lines of the last :data:`KEPT_S` are read by :func:`.parse_nmea_log`, as the whole recording
    is at home. A sounding is handed out once, as soon as a fix has come behind it. At home the same
    row has the same values as long as the whole log chooses the sounder and the receiver that its
    last minutes choose; only temperature, course and speed may be those of a sentence that came
    later and is nearer. Work and memory do not grow with the log.

    Examples
    --------
    >>> reader = LiveReader()
    >>> body = "$GPRMC,14000{},A,4500.00,N,09300.00,W,4.0,90.0,090726,,\\r\\n"
    >>> log = body.format(1) + "$SDDBT,,f,3.0,M,,F\\r\\n" + body.format(2)
    >>> for i, line in enumerate(log.splitlines(keepends=True)):
    ...     reader.feed("source-1", line.encode(), 500_000 * i, 0)
    >>> soundings = reader.take()
    >>> str(soundings.time[0]), float(soundings.depth[0]), float(reader.now.depth_m)
    ('2026-07-09T14:00:01.500', 3.0, 3.0)
    """

    def __init__(self, max_fix_gap_s: float = 10.0, name_date: np.datetime64 | None = None):
        self._options = {"max_fix_gap_s": max_fix_gap_s, "name_date": name_date}
        self._sources, self._held, self._lines = {}, [], deque()
        self._text, self._count, self._number, self._taken = {}, 0, 0, -1
        self._session: int | None = None
        self._newest, self._kinds, self._stale = 0, Counter(), True
        self._ended, self._last_time = [], None
        self.now = Now()

    def feed(
        self, key: str, data: bytes, monotonic_us: int, utc_us: int = 0, session: int = 0
    ) -> None:
        """Take bytes of a source as they came."""
        if not data:
            return
        if session != self._session:
            self._end_session()
            self._session, self._newest = session, monotonic_us
        source = self._sources.setdefault(key, _Source())
        for line in source.lines(data, session, float(monotonic_us)):
            self._sort(source, key, line)
        self._newest = max(self._newest, monotonic_us)
        self._stale = True

    def take(self) -> Soundings:
        """Return the soundings that are new; ``x`` and ``y`` are longitude and latitude, degrees."""
        if not self._stale:
            return _none()
        self._stale = False
        self._order()
        ended, self._ended = self._ended, []
        found = [*ended, self._read_nmea(), *(self._read_text(key) for key in self._text)]
        found = [part for part in found if len(part)]
        self._look()
        return concatenate(found) if found else _none()

    def _end_session(self):
        """Read what there is to its end: what follows has another clock, and nothing between."""
        for key, source in self._sources.items():
            line = source.last_line()
            if line:
                self._sort(source, key, line)
        self._order(np.inf)
        self._ended.append(self._read_nmea())
        self._lines.clear()

    # -- lines ----------------------------------------------------------------

    def _sort(self, source, key, line):
        session, us, text = line
        if not source.kind and text.strip():
            source.kind = "NMEA 0183" if b"$" in text or b"!" in text else "text"
        if source.kind == "text":
            kept = self._text.setdefault(key, _TextLines())
            if is_nmea(text):  # the rest of a line stood before the first sentence
                source.kind = "NMEA 0183"
                self._text.pop(key)
            else:
                kept.add(text)
                return
        self._held.append((session, us, self._count, text))
        self._count += 1

    def _order(self, sure=None):
        """Bring lines into the order of their arrival, as far as nothing can come between."""
        # Before the new ones join: each is read once at least, however long that took.
        self._forget()
        self._held.sort(key=lambda line: line[:3])
        if sure is None:
            heard = [s.us for s in self._sources.values() if s.session == self._session]
            sure = max(min(heard, default=0.0), self._newest - SPREAD_US)
        ready = [line for line in self._held if line[1] <= sure]
        self._held = [line for line in self._held if line[1] > sure]
        for session, us, _, text in ready:
            self._lines.append(_Line(session, us, self._number, text))
            self._number += 1
            name = text[text.find(b"$") + 1 :][:5]
            if b"$" in text:
                self._kinds[name.decode("ascii", "replace")] += 1

    def _forget(self):
        """Let go of lines that are too old to tell anything of the newest that was read."""
        if not self._lines:
            return
        newest = self._lines[-1].us
        near = newest - 2e6 * self._options["max_fix_gap_s"]
        while self._lines[0].us < newest - 1e6 * KEPT_S or (
            len(self._lines) > _MOST_LINES and self._lines[0].us < near
        ):
            self._lines.popleft()

    def _log(self, since_us=-np.inf):
        """Return the lines since a moment as a log, and when they came."""
        lines = [line for line in self._lines if line.us >= since_us]
        data = b"".join(line.text for line in lines)
        start = np.cumsum([0, *(len(line.text) for line in lines)])[:-1]
        session = np.array([line.session for line in lines], dtype=np.int64)
        us = np.array([line.us for line in lines], dtype=float)
        return data, LineClock(start, session, us), lines

    # -- soundings ------------------------------------------------------------

    def _read_nmea(self):
        data, clock, lines = self._log()
        if not is_nmea(data):
            return _none()
        try:
            parsed = parse_nmea_log(data, clock=clock, **self._options)
        except LakefloorError:
            return _none()
        number = lines[0].number + _line_numbers(data, clock.start, parsed.line)
        new = number > self._taken
        self._taken = max(self._taken, int(number.max(initial=-1)))
        return self._dated(parsed.soundings.select(new), parsed.notes)

    def _dated(self, soundings, notes):
        """Count the midnights that were passed since the beginning, where the log has no dates."""
        time = soundings.time[~np.isnat(soundings.time)]
        if not len(time):
            return soundings
        if self._last_time is not None and any(note.startswith(NO_DATE) for note in notes):
            late = self._last_time - time[0]
            days = max(round(late / np.timedelta64(1, "D")), 0)
            soundings = soundings.replace(time=soundings.time + np.timedelta64(days, "D"))
            time = time + np.timedelta64(days, "D")
        self._last_time = time[-1]
        return soundings

    def _read_text(self, key):
        text = self._text[key]
        try:
            return text.take(TextLogOptions(name_date=self._options["name_date"]))
        except LakefloorError:
            return _none()

    def _look(self):
        """Say what is known now."""
        data, clock, _ = self._log(self._newest - 1e6 * NOW_S)
        known = replace(
            self.now, sources={**self._kinds, **{k: len(t) for k, t in self._text.items()}}
        )
        if is_nmea(data):
            known = _seen(known, data, clock, self._options["name_date"])
        newest = [t.newest for t in self._text.values() if t.newest is not None and len(t.newest)]
        if newest:
            known = _seen_text(known, newest[-1], self._newest)
        self.now = known


class _TextLines:
    """Delimited text as it comes: lines by which units are known, and those not read yet."""

    def __init__(self):
        self._first, self._hardest, self._rows, self._count = [], [], [], 0
        self.newest = None

    def __len__(self):
        return self._count

    def add(self, line):
        self._rows.append(line)
        self._count += 1

    def take(self, options):
        if not self._rows:
            return _none()
        known = self._first + self._hardest
        rows = known + self._rows
        try:
            parsed = parse_text_log(b"".join(rows), options)
        except LakefloorError:
            # It may be the head alone, or rows that say too little by themselves.
            self._rows[_FIRST_ROWS:-_WAITING_ROWS] = []
            raise
        soundings = parsed.soundings.select(parsed.line > len(known))
        # Units are told by the first rows, and that of hardness by the hardest bottom.
        self._first += self._rows[: _FIRST_ROWS - len(self._first)]
        hardness = np.nan_to_num(parsed.soundings.hardness, nan=-1.0)
        if hardness.max(initial=-1.0) >= 0.0:
            self._hardest = [rows[parsed.line[np.argmax(hardness)] - 1]]
        self._rows = []
        if len(soundings):
            self.newest = soundings.select(np.array([-1]))
        return soundings


def _none() -> Soundings:
    nothing = np.zeros(0)
    return Soundings.build(nothing, nothing, nothing)


def _line_numbers(data, start, line):
    """Return the places in a list of lines of line numbers that count from 1."""
    ends = np.append(line_ends(data), len(data))
    begin = np.r_[0, ends][np.asarray(line, dtype=int) - 1]
    return np.searchsorted(start, begin, side="right") - 1


def _seen(known, data, clock, name_date):
    tally = UnreadTally()
    try:
        log = collect_sentences(data, tally, [], lambda _: None)
    except LakefloorError:
        return known
    _, us = clock.arrived(log.start)
    found = {"counts": dict(tally.counts)}
    fixes, motion = log.fixes, log.motion
    if len(fixes[0]):
        found.update(
            lon=float(fixes[2][-1]), lat=float(fixes[3][-1]), fix_us=_whole(us[fixes[0][-1]])
        )
        found["gps_time"] = _moment(log, fixes[0][-1], name_date)
        refused = [
            e.reason for e in tally.examples if "fix" in e.reason or "position 0" in e.reason
        ]
        found["fix_ok"] = not refused or _whole(us[fixes[0][-1]]) >= us[-1] - 2e6
    else:
        found["fix_ok"] = False
    if len(motion[0]):
        known_speed = motion[1][np.isfinite(motion[1])]
        speed = float(known_speed[-1]) if len(known_speed) else None
        course = motion[2][np.isfinite(motion[2])]
        moving = speed is not None and speed >= STOPPED_MS and len(course)
        found.update(speed_ms=speed, course_deg=float(course[-1]) if moving else None)
    if log.depths:
        name = max(log.depths, key=lambda n: (len(log.depths[n].at), n))
        columns = log.depths[name]
        values = [columns.value[-1, u] * UNIT_FIELDS[u][1] for u in (1, 0, 2)]
        depth = next((v for v in values if np.isfinite(v)), None)
        place = {"DPT": "transducer", "DBT": "transducer", "DBS": "surface", "DBK": "keel"}[
            name[2:]
        ]
        found.update(depth_m=depth, depth_from=place, depth_us=_whole(us[columns.at[-1]]))
    for name, table in (("water_temp_c", log.temperature), ("hardness", log.hardness)):
        values = table[1][np.isfinite(table[1])]
        if len(values):
            found[name] = float(values[-1])
    return replace(known, **found)


def _moment(log, at, name_date):
    """Return the UTC of a fix where a date is known."""
    number, tod, day, _ = log.timed
    dated = np.flatnonzero(day >= 0)
    row = np.flatnonzero(number == at)
    if not len(dated) or not len(row):
        return np.datetime64("NaT", "ms")
    near = dated[-1]
    wrapped = (tod[row[-1]] - tod[near] + 43_200_000) % 86_400_000 - 43_200_000
    date = without_week_rollover(day[near].astype("int64").astype("datetime64[D]"), name_date)
    return date.astype("datetime64[ms]") + round(float(tod[near] + wrapped))


def _seen_text(known, newest, us):
    row = len(newest) - 1

    def value(column):
        return float(column[row]) if np.isfinite(column[row]) else None

    speed = value(newest.speed)
    moving = speed is None or speed >= STOPPED_MS
    return replace(
        known,
        lon=value(newest.x),
        lat=value(newest.y),
        speed_ms=speed,
        course_deg=value(newest.course) if moving else None,
        depth_m=value(newest.raw_depth),
        hardness=value(newest.hardness),
        water_temp_c=value(newest.water_temp),
        gps_time=newest.time[row],
        fix_us=us,
        depth_us=us,
        fix_ok=True,
    )


def _whole(us) -> int | None:
    return int(us) if np.isfinite(us) else None
