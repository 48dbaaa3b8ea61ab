"""What a sounder and a receiver sent, and when, taken from a log of any kind."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..errors import LakefloorError
from ..reading.log_kinds import HEAD, kind_of_head
from ..reading.nmea_sentences import collect_sentences, is_nmea, sentence_checksum
from ..reading.parsed_log import UnreadTally
from ..reading.recorded_log import (
    in_order_of_arrival,
    is_beside_a_log,
    line_ends,
    recorded_sources,
    recording_of,
)
from ..reading.text_log import TextLogOptions, parse_text_log
from ..soundings import Soundings
from ..times import DAY_MS, seconds_of
from ..units import FATHOM, FOOT, KNOT

#: A break in a log is played as one of so many seconds.
LONGEST_BREAK_S = 20.0
#: Between the sentences of a moment, s, as a slow line sends them.
_STEP_S = 0.01
#: Rate of lines of a log without times, 1/s.
_RATE = 5.0


@dataclass(frozen=True)
class Timeline:
    """Pieces of a log with the moments at which they are sent; n of them, in order.

    Attributes
    ----------
    seconds : array, shape (n,)
        From the first, s.
    chunks : list of bytes
    unplugged : array, shape (m,)
        Moments at which the plug is pulled and put in again, s.
    """

    seconds: np.ndarray
    chunks: list
    unplugged: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __len__(self) -> int:
        return len(self.chunks)

    @property
    def data(self) -> bytes:
        """All bytes in order."""
        return b"".join(self.chunks)

    def select(self, rows: np.ndarray) -> Timeline:
        """Return some of the pieces, as sent at their moments."""
        rows = np.arange(len(self))[rows]
        chunks = [self.chunks[i] for i in rows.tolist()]
        return replace(self, seconds=self.seconds[rows], chunks=chunks)


def timeline(
    paths: str | Path | Iterable, *, longest_break_s: float = LONGEST_BREAK_S, as_text: bool = False
) -> Timeline:
    """Return how logs are played, one after the other.

    Parameters
    ----------
    paths : path or iterable of paths
        NMEA 0183 is played byte for byte, by the times of its fixes; a recording as it arrived.
        GPX and delimited text are played as the sentences of :func:`sentences_of`.
    longest_break_s : float
        Longer breaks are shortened to this, s.
    as_text : bool
        Whether delimited text is played line by line as it is, by the times of its rows.

    Raises
    ------
    LakefloorError
        If a file is no log.
    """
    paths = [paths] if isinstance(paths, (str, Path)) else list(paths)
    seconds, chunks, begin = [], [], 0.0
    for path in map(Path, paths):
        part = _of_recording(path) if path.is_dir() else _of_file(path, as_text)
        steps = np.diff(part.seconds, prepend=part.seconds[:1])
        at = begin + np.cumsum(np.clip(steps, 0.0, longest_break_s))
        seconds.append(at)
        chunks += part.chunks
        begin = float(at[-1]) + 1.0
    return Timeline(np.concatenate(seconds) if seconds else np.zeros(0), chunks)


def _of_file(path, as_text):
    data = _bytes_of(path)
    kind = kind_of_head(data[:HEAD])
    if kind == "NMEA 0183":
        return _of_sentences(data)
    if as_text and kind == "delimited text":
        return _of_rows(data)
    return sentences_of(_soundings_of(path))


def _of_recording(folder):
    """Return the lines of all sources of a recording as they arrived."""
    sources, _ = recorded_sources(folder)
    data, clock = in_order_of_arrival(sources)
    stops = [*clock.start[1:].tolist(), len(data)]
    chunks = [data[a:b] for a, b in zip(clock.start.tolist(), stops)]
    steps = np.nan_to_num(np.diff(clock.us, prepend=clock.us[:1])) / 1e6
    # The clocks of two sessions are not comparable.
    steps[np.diff(clock.session, prepend=clock.session[:1]) != 0] = LONGEST_BREAK_S
    return Timeline(np.cumsum(np.maximum(steps, 0.0)), chunks)


def on_two_devices(whole: Timeline) -> tuple[Timeline, Timeline]:
    """Return a timeline as a receiver and a sounder send it on two ports.

    The sounder sends depths and what goes with them; all else is the receiver's.
    """
    depths = (b"DPT", b"DBT", b"DBS", b"DBK", b"MTW", b"XDR")
    of_sounder = np.array([chunk[3:6] in depths for chunk in whole.chunks], dtype=bool)
    return whole.select(~of_sounder), whole.select(of_sounder)


def sentences_of(soundings: Soundings) -> Timeline:
    """Return soundings as sentences of NMEA 0183: GGA, RMC, DPT, MTW and, with hardness, XDR.

    Parameters
    ----------
    soundings : Soundings
        ``x`` and ``y`` are longitude and latitude, degrees. Where some have a time, those without
        are left out; where none has, they come one a second.
    """
    seconds, chunks = [], []
    timed = ~np.isnat(soundings.time)
    if timed.any():
        soundings = soundings.select(timed)
        ms = soundings.time.astype("datetime64[ms]").astype(np.int64)
    else:
        ms = (1000 * np.arange(len(soundings))).astype(np.int64)
    order = np.argsort(ms, kind="stable")
    for i in order.tolist():
        bodies = [*_place(soundings, i, int(ms[i])), f"SDDPT,{soundings.raw_depth[i]:.2f},0.0"]
        if np.isfinite(soundings.hardness[i]):
            bodies.append(f"SDXDR,G,{soundings.hardness[i]:.3f},,HARDNESS")
        if np.isfinite(soundings.water_temp[i]):
            bodies.append(f"YXMTW,{soundings.water_temp[i]:.1f},C")
        for number, body in enumerate(bodies):
            seconds.append(ms[i] / 1000.0 + _STEP_S * number)
            chunks.append(sentence(body))
    at = np.array(seconds)
    return Timeline(at - at[0] if len(at) else at, chunks)


def sentence(body: str) -> bytes:
    """Return a sentence with its checksum and line end.

    >>> sentence("SDDPT,2.4,-0.3")
    b'$SDDPT,2.4,-0.3*7F\\r\\n'
    """
    return f"${body}*{sentence_checksum(body):02X}\r\n".encode("ascii")


def feet_meters_fathoms(depth_m: float) -> str:
    """Return a depth as DBT gives it."""
    return f"{depth_m / FOOT:.1f},f,{depth_m:.2f},M,{depth_m / FATHOM:.2f},F"


def _place(soundings, i, ms):
    clock = np.datetime64(ms, "ms").astype(object)
    lat, lon = _angle(soundings.y[i], 2, "NS"), _angle(soundings.x[i], 3, "EW")
    time = f"{clock:%H%M%S}.{clock.microsecond // 1000:03d}"
    speed = soundings.speed[i] / KNOT if np.isfinite(soundings.speed[i]) else None
    course = soundings.course[i]
    motion = (
        f"{'' if speed is None else f'{speed:.2f}'},{'' if course != course else f'{course:.1f}'}"
    )
    yield f"GPGGA,{time},{lat},{lon},1,09,0.9,,M,,M,,"
    yield f"GPRMC,{time},A,{lat},{lon},{motion},{clock:%d%m%y},,,A"


def _angle(degrees, figures, letters):
    size = abs(float(degrees))
    whole, minutes = int(size), round(60.0 * (size - int(size)), 6)
    if minutes >= 60.0:
        whole, minutes = whole + 1, 0.0
    return f"{whole:0{figures}d}{minutes:09.6f},{letters[int(degrees < 0)]}"


def _of_sentences(data):
    """Return an NMEA log line by line, timed by its fixes."""
    starts, chunks = _lines(data)
    log = collect_sentences(data, UnreadTally(), [], lambda _: None)
    number, ms = log.timed[0], log.timed[1]
    line = np.searchsorted(starts, log.start[number], side="right") - 1
    first = np.r_[True, np.diff(ms) != 0] if len(ms) else np.zeros(0, dtype=bool)
    line, ms = line[first], ms[first]
    passed = (np.diff(ms) + DAY_MS / 2) % DAY_MS - DAY_MS / 2
    at = np.r_[0.0, np.cumsum(np.maximum(passed, 0.0))] / 1000.0
    every = np.arange(len(chunks))
    if len(line) < 2:
        return Timeline(every / _RATE, chunks)
    return Timeline(np.interp(every, line, at), chunks)


def _of_rows(data):
    """Return delimited text line by line, timed by its rows."""
    _, chunks = _lines(data)
    parsed = parse_text_log(data, TextLogOptions())
    seconds = seconds_of(parsed.soundings.time)
    timed = np.isfinite(seconds)
    every, line, at = np.arange(len(chunks)), parsed.line[timed] - 1, seconds[timed]
    if len(line) < 2:
        return Timeline(every / _RATE, chunks)
    return Timeline(np.interp(every, line, np.maximum.accumulate(at - at[0])), chunks)


def _lines(data):
    """Return where the lines of a log begin, and the lines with their ends."""
    stops = np.unique(np.append(line_ends(data), len(data))).tolist()
    starts = [0, *stops[:-1]]
    return starts, [data[a:b] for a, b in zip(starts, stops)]


def _bytes_of(path):
    try:
        return path.read_bytes()
    except OSError as error:
        raise LakefloorError(
            f"'{path}' cannot be opened ({error.strerror}). Choose another log."
        ) from error


def _soundings_of(path):
    from .. import crs
    from ..reading.logs import read_logs

    reading = read_logs(path)
    s = reading.soundings
    lon, lat = crs.transform(s.x, s.y, reading.epsg, 4326)
    return s.replace(x=lon, y=lat)


def logs_of(paths: Sequence) -> list:
    """Return logs in order, with those inside of folders; the folder of a recording is one log."""
    found = []
    for path in map(Path, paths):
        inside = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
        found += [_log_of(p) for p in inside if not (p.name[:1] == "." or is_beside_a_log(p))]
    return list(dict.fromkeys(found))


def _log_of(path):
    """Return the folder of the recording that a raw log of sentences is of, else the log."""
    folder = recording_of(path)
    return path if folder is None or not is_nmea(_bytes_of(path)) else folder
