"""The recording of an outing as one log: lines of all its sources, in the order in which they came.

A recording is a folder with the raw bytes of each source, and beside them when they came; see
:mod:`.arrivals`. A line came with its last byte. What came in one piece has come by and by since the
piece before, but within :data:`SPREAD_US`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..errors import LakefloorError
from ..number_text import counted
from ..progress import Progress, silent
from ..times import date_in_name
from .arrivals import ARRIVALS_ENDING, Arrivals, LineClock, parse_arrivals
from .nmea_log import parse_nmea_log
from .nmea_sentences import is_nmea
from .parsed_log import ParsedLog

#: The file by which a folder is known as a recording.
RECORDING_FILE = "recording.json"
#: Files of a recording that are no logs, and go with it.
_TOLD = (RECORDING_FILE, "events.jsonl", "marks.jsonl")
_BESIDE = {*_TOLD, "recording.lock"}
#: A piece has come within so long, us.
SPREAD_US = 1_000_000

_RETURN, _FEED = b"\r\n"


def recording_of(path: str | Path) -> Path | None:
    """Return the folder of the recording that a folder or the raw log of a source is of, or None."""
    path = Path(path)
    if path.is_dir():
        return path if (path / RECORDING_FILE).is_file() else None
    if path.with_suffix(ARRIVALS_ENDING).is_file() and path.suffix != ARRIVALS_ENDING:
        return path.parent
    return None


def is_beside_a_log(path: Path) -> bool:
    """Tell whether a file of a recording is no log itself."""
    if path.suffix == ARRIVALS_ENDING:
        return True
    return path.name in _BESIDE and (path.parent / RECORDING_FILE).is_file()


def raw_logs(folder: Path) -> list[Path]:
    """Return the files with the raw bytes of the sources of a recording, in order of name."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_file()
        and path.suffix != ARRIVALS_ENDING
        and path.with_suffix(ARRIVALS_ENDING).is_file()
    )


def recording_files(folder: Path) -> list[Path]:
    """Return the files of a recording that belong together: raw logs, arrivals, what is told."""
    raw = raw_logs(folder)
    beside = [path.with_suffix(ARRIVALS_ENDING) for path in raw]
    return raw + beside + [folder / name for name in _TOLD if (folder / name).is_file()]


@dataclass(frozen=True)
class RecordedLines:
    """The lines of one source, n of them, in order.

    Attributes
    ----------
    data : bytes
    start, stop : array of int, shape (n,)
        Where they stand in the data.
    session : array of int, shape (n,)
    us : array, shape (n,)
        Monotonic time of their arrival, us; NaN where it is not known.
    """

    data: bytes
    start: np.ndarray
    stop: np.ndarray
    session: np.ndarray
    us: np.ndarray


def recorded_lines(data: bytes, arrivals: Arrivals) -> RecordedLines:
    """Return the lines of a source with the times of their arrival.

    Lines end with CR, LF or CRLF, with a session, and with the data.
    """
    stop = line_ends(data)
    ends = arrivals.end
    last = np.flatnonzero(np.diff(arrivals.session, append=-1)) if len(arrivals) else []
    stop = np.unique(np.r_[stop, ends[last].clip(max=len(data)), len(data)].astype(np.int64))
    stop = stop[stop > 0]
    start = np.r_[0, stop[:-1]].astype(np.int64)
    if not len(arrivals):
        nothing = np.full(len(stop), np.nan)
        return RecordedLines(data, start, stop, np.zeros(len(stop), np.int64), nothing)
    piece = arrivals.piece_of(stop - 1).clip(max=len(arrivals) - 1)
    before = np.maximum(piece - 1, 0)
    begin = np.where(piece > 0, ends[before], 0)
    own = arrivals.monotonic_us[piece]
    known = (piece > 0) & (arrivals.session[before] == arrivals.session[piece])
    since = np.where(known, np.maximum(arrivals.monotonic_us[before], own - SPREAD_US), own)
    part = ((stop - begin) / (ends[piece] - begin)).clip(0.0, 1.0)
    return RecordedLines(data, start, stop, arrivals.session[piece], since + part * (own - since))


def line_ends(data: bytes) -> np.ndarray:
    """Return where the lines of a log end, behind their CR, LF or CRLF."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    feed, cr = buffer == _FEED, buffer == _RETURN
    alone = cr.copy()
    alone[:-1] &= ~feed[1:]
    return np.flatnonzero(feed | alone) + 1


def in_order_of_arrival(sources: Iterable[RecordedLines]) -> tuple[bytes, LineClock]:
    """Return the lines of several sources as one log, in the order in which they came."""
    sources = list(sources)
    session, us, source, start, stop = (
        np.concatenate(column)
        for column in zip(
            *(
                (s.session, s.us, np.full(len(s.start), i), s.start, s.stop)
                for i, s in enumerate(sources)
            )
        )
    )
    order = np.lexsort((start, source, np.nan_to_num(us), session))
    lines = [
        sources[i].data[a:b] for i, a, b in zip(*(c[order].tolist() for c in (source, start, stop)))
    ]
    if len(sources) > 1 or len(np.unique(session)) > 1:
        lines = [line if line.endswith((b"\n", b"\r")) else line + b"\n" for line in lines]
    begin = np.cumsum([0, *map(len, lines)])[:-1]
    return b"".join(lines), LineClock(begin, session[order], us[order])


def recorded_sources(
    folder: Path, before_session: int | None = None
) -> tuple[list[RecordedLines], int]:
    """Return the sources of a recording that speak NMEA 0183, and how many records are broken.

    Raises
    ------
    LakefloorError
        If there is none, or if a file cannot be opened.
    """
    sources, broken = [], 0
    for path in raw_logs(folder):
        try:
            data = path.read_bytes()
            beside = path.with_suffix(ARRIVALS_ENDING).read_bytes()
        except OSError as error:
            raise LakefloorError(
                f"'{path.name}' cannot be opened ({error.strerror}). Check that you may read it."
            ) from error
        arrivals, wrong = parse_arrivals(beside)
        if before_session is not None:
            arrivals = arrivals.before(before_session)
            data = data[: arrivals.end[-1] if len(arrivals) else 0]
        if not is_nmea(data):
            continue
        broken += wrong
        sources.append(recorded_lines(data, arrivals))
    if not sources:
        raise LakefloorError("The recording has no NMEA 0183 sentence. Choose another log.")
    return sources, broken


def parse_recording(
    folder: Path,
    *,
    max_fix_gap_s: float = 10.0,
    before_session: int | None = None,
    progress: Progress = silent,
) -> ParsedLog:
    """Return the soundings of a recording from all of its sources that speak NMEA 0183.

    With ``before_session`` only what came before that session is read, as while it still grows.

    Raises
    ------
    LakefloorError
        As :func:`.parse_nmea_log` and :func:`recorded_sources`.
    """
    sources, broken = recorded_sources(folder, before_session)
    data, clock = in_order_of_arrival(sources)
    parsed = parse_nmea_log(
        data,
        max_fix_gap_s=max_fix_gap_s,
        name_date=date_in_name(folder.name),
        clock=clock,
        progress=progress,
    )
    notes = [f"Recorded from {counted(len(sources), 'source')}; depths are timed by their arrival."]
    if broken:
        notes.append(
            f"{counted(broken, 'record')} of arrival times cannot be read; the lines there are timed "
            "by those around."
        )
    return replace(parsed, notes=(*notes, *parsed.notes))
