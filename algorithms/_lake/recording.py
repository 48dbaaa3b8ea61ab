"""The recording of an outing: a folder whose raw bytes only grow.

Bytes of a device are written before the record of their arrival, both are on the disk once a second,
and nothing that was written is ever changed: whatever ends the recording, at most its last second is
missing. A disk that is full or gone is said; the bytes wait in memory, as many as :data:`WAITING`.
"""

from __future__ import annotations

import json
import os
import shutil
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path

from .._i18n import tr
from .._io.whole_files import free_name, write_text_whole
from ..core.errors import LakefloorError
from ..core.reading.arrivals import (
    ARRIVALS_ENDING,
    RECORD,
    Arrivals,
    arrival_record,
    parse_arrivals,
)
from ..core.reading.recorded_log import RECORDING_FILE

__all__ = ["FreeSpace", "Recording", "RecordingWriter", "recordings"]

_LAYOUT = 1
#: Bytes that wait in memory while nothing can be written: some hours of a sounder and a receiver.
WAITING = 32 << 20
#: Time over which the rate of what arrives is taken, s.
_RATE_S = 60.0


@dataclass(frozen=True)
class FreeSpace:
    """Room that is left on a disk.

    Attributes
    ----------
    bytes : int
    seconds : float
        For how long it suffices at the present rate; infinite while nothing arrives.
    """

    bytes: int
    seconds: float


@dataclass(frozen=True)
class Recording:
    """The folder of a recording, as it is on the disk."""

    path: Path

    @property
    def content(self) -> dict:
        """What was said of it: sources, times of start and end, levels; {} where it cannot be read."""
        with suppress(OSError, ValueError):
            content = json.loads((self.path / RECORDING_FILE).read_text(encoding="utf-8"))
            if isinstance(content, dict):
                return content
        return {}

    @property
    def is_open(self) -> bool:
        """Whether it was never ended."""
        return not self.content.get("ended")

    @property
    def facts(self) -> dict:
        """What the person said of the outing."""
        return dict(self.content.get("facts") or {})

    @property
    def sources(self) -> dict:
        """Key -> what was chosen, in order."""
        kept = dict(self.content.get("sources") or {})
        for path in sorted(self.path.glob(f"*{ARRIVALS_ENDING}")):
            kept.setdefault(path.stem, {})
        return kept

    def raw(self, key: str) -> Path:
        """Return the file with the raw bytes of a source."""
        return self.path / f"{key}.nmea"

    def arrivals_file(self, key: str) -> Path:
        """Return the file with the times at which they came."""
        return self.path / f"{key}{ARRIVALS_ENDING}"

    def arrivals(self, key: str) -> Arrivals:
        """Return when the bytes of a source came; nothing where there is no such file."""
        with suppress(OSError):
            return parse_arrivals(self.arrivals_file(key).read_bytes())[0]
        return parse_arrivals(b"")[0]

    def marks(self) -> list:
        """Return the marks that were set, in order; a line that was cut short is left out."""
        return _lines(self.path / "marks.jsonl")

    def events(self) -> list:
        """Return what happened, in order."""
        return _lines(self.path / "events.jsonl")


def recordings(lake) -> list:
    """Return the recordings of a lake, the oldest first."""
    found = lake.logs.glob(f"*/{RECORDING_FILE}") if lake.logs.is_dir() else ()
    return [Recording(path.parent) for path in sorted(found)]


class RecordingWriter:
    """Writes a recording; to be used from one thread.

    Attributes
    ----------
    recording : Recording
    session : int
        Of this start, from 1.
    problem : str
        Why nothing can be written at present, "" as long as it can.
    """

    def __init__(self, recording, content, session):
        self.recording, self._content, self.session = recording, content, session
        self.problem = ""
        self._files, self._ends, self._waiting, self._waits = {}, {}, [], 0
        self._files_lock = threading.Lock()
        self._dropped, self._taken, self._rates = 0, 0, [(time.monotonic(), 0)]

    # -- from start to end ----------------------------------------------------

    @classmethod
    def begin(cls, lake, sources: dict, facts: dict | None = None, now: datetime | None = None):
        """Make the folder of a new recording.

        Parameters
        ----------
        lake : LakeFolder
        sources : dict
            Key of each source -> what was chosen.
        facts : dict, optional
        now : datetime, optional
            UTC, by which it is named.

        Raises
        ------
        LakefloorError
            If the folder cannot be written.
        """
        now = now or datetime.now(timezone.utc)
        try:
            lake.logs.mkdir(exist_ok=True)
            path = free_name(lake.logs / now.strftime("%Y-%m-%d_%H%M%SZ"))
            path.mkdir()
            content = {"layout": _LAYOUT, "started": now.isoformat(timespec="milliseconds")}
            content.update(ended=None, sources=dict(sources), facts=dict(facts or {}))
            writer = cls(Recording(path), content, 1)
            writer._write_content()
            for key in sources:
                writer._open(key)
        except OSError as error:
            raise _cannot_write(lake.logs, error) from error
        return writer

    @classmethod
    def resume(cls, recording: Recording, sources: dict | None = None):
        """Go on with a recording that was not ended.

        What the last second left half written is completed: bytes whose time is not known count
        as arrived right behind those before.

        Raises
        ------
        LakefloorError
            If it cannot be written.
        """
        content = {**recording.content, "ended": None, "layout": _LAYOUT}
        content["sources"] = {**recording.sources, **(sources or {})}
        past = [recording.arrivals(key) for key in content["sources"]]
        session = 1 + max((int(a.session.max()) for a in past if len(a)), default=0)
        writer = cls(recording, content, session)
        try:
            for key in content["sources"]:
                writer._mend(key)
                writer._open(key)
            writer._write_content()
        except OSError as error:
            raise _cannot_write(recording.path, error) from error
        return writer

    def change(self, **facts):
        """Keep what the person says of the outing."""
        self._content["facts"] = {**self._content.get("facts", {}), **facts}
        self._write_content()

    def end(self, **facts):
        """End the recording."""
        self._content["facts"] = {**self._content.get("facts", {}), **facts}
        self.flush()
        self._content["ended"] = datetime.now(timezone.utc).isoformat(timespec="milliseconds")
        self._write_content()
        self.leave()

    def leave(self):
        """Close the files; the recording stays open, to be resumed."""
        self.flush()
        self._close()

    # -- what arrives ---------------------------------------------------------

    def add(self, key: str, data: bytes, monotonic_us: int, utc_us: int):
        """Write bytes of a source, and behind them the record of their arrival."""
        if not data:
            return
        if self._waits + len(data) > WAITING:
            self._dropped += len(data)
            return
        self._ends[key] += len(data)
        record = arrival_record(self.session, self._ends[key], monotonic_us, utc_us)
        self._put(self.recording.raw(key), data)
        self._put(self.recording.arrivals_file(key), record)
        self._taken += len(data) + len(record)

    def event(self, kind: str, text: str, source: str = "", monotonic_us: int | None = None):
        """Keep what happened."""
        us = time.monotonic_ns() // 1000 if monotonic_us is None else monotonic_us
        now = datetime.now(timezone.utc).isoformat(timespec="milliseconds")
        line = {"utc": now, "monotonic_us": us, "session": self.session}
        self._put_line("events.jsonl", {**line, "kind": kind, "source": source, "text": text})

    def mark(self, mark: dict):
        """Keep a mark; it is on the disk when this returns, or waits as all else."""
        self._put_line("marks.jsonl", mark)
        self.flush()

    def flush(self):
        """Bring all that was written to the disk; where nothing could be written, try again."""
        self.settle()
        self.sync()

    def settle(self):
        """Where nothing could be written, try again."""
        if self.problem:
            self._reopen()
            self._drain()
        if not self._waiting and self._dropped:
            lost, self._dropped = self._dropped, 0
            self.event(
                "lost", tr("{} bytes were lost while nothing could be written.").format(lost)
            )

    def sync(self):
        """Bring what was written to the disk; may be called from another thread than the rest."""
        try:
            with self._files_lock:
                descriptors = [os.dup(descriptor) for descriptor in self._files.values()]
        except OSError as error:
            self._fail(error)
            return
        for descriptor in descriptors:
            try:
                os.fsync(descriptor)
            except OSError as error:
                self._fail(error)
            finally:
                with suppress(OSError):
                    os.close(descriptor)

    def free(self) -> FreeSpace:
        """Return the room that is left, and for how long it suffices."""
        try:
            left = shutil.disk_usage(self.recording.path).free
        except OSError:
            left = 0
        now = time.monotonic()
        self._rates.append((now, self._taken))
        while len(self._rates) > 2 and self._rates[1][0] < now - _RATE_S:
            self._rates.pop(0)
        (then, before), taken = self._rates[0], self._taken
        rate = (taken - before) / max(now - then, 1e-3)
        return FreeSpace(left, left / rate if rate > 0 else float("inf"))

    @property
    def bytes(self) -> int:
        """How many bytes the sources have sent in all sessions."""
        return sum(self._ends.values())

    # -- files ----------------------------------------------------------------

    def _open(self, key):
        for path in (self.recording.raw(key), self.recording.arrivals_file(key)):
            self._descriptor(path)
        self._ends[key] = self.recording.raw(key).stat().st_size

    def _descriptor(self, path):
        if path.name not in self._files:
            flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
            descriptor = os.open(path, flags, 0o666)
            with self._files_lock:
                self._files[path.name] = descriptor
        return self._files[path.name]

    def _close(self):
        with self._files_lock:
            for name in list(self._files):
                with suppress(OSError):
                    os.close(self._files.pop(name))

    def _put(self, path, data):
        self._waiting.append([path, data])
        self._waits += len(data)
        if not self.problem:
            self._drain()

    def _put_line(self, name, content):
        text = json.dumps(content, ensure_ascii=False) + "\n"
        self._put(self.recording.path / name, text.encode("utf-8"))

    def _drain(self):
        """Write what waits, in its order, as far as it goes."""
        try:
            while self._waiting:
                path, data = self._waiting[0]
                written = os.write(self._descriptor(path), data)
                self._waits -= written
                if written < len(data):
                    self._waiting[0][1] = data[written:]
                else:
                    self._waiting.pop(0)
            self.problem = ""
        except OSError as error:
            self._fail(error)

    def _fail(self, error):
        self.problem = tr(
            "Cannot write '{}' ({}). What arrives is kept in memory. Make room on the disk, or put "
            "it back."
        ).format(self.recording.path.name, error.strerror)

    def _reopen(self):
        """Open the files again, as a disk that was away has others."""
        self._close()

    def _mend(self, key):
        """Complete what the last second of an earlier session left."""
        raw, kept = self.recording.raw(key), self.recording.arrivals_file(key)
        size = raw.stat().st_size if raw.exists() else 0
        if not kept.exists():
            kept.touch()
        arrivals = self.recording.arrivals(key)
        whole = kept.stat().st_size // RECORD * RECORD
        if len(arrivals) and arrivals.end[-1] > size:
            # The power failed between the two files: their records would be taken for what follows.
            whole = RECORD * int((arrivals.end <= size).sum())
        if whole != kept.stat().st_size:
            os.truncate(kept, whole)
        last = arrivals.end[arrivals.end <= size]
        if size > (last[-1] if len(last) else 0):
            n = len(last) - 1
            at = (arrivals.session[n], arrivals.monotonic_us[n] + 1, arrivals.utc_us[n] + 1)
            session, us, utc = map(int, at) if n >= 0 else (0, 0, int(1e6 * raw.stat().st_mtime))
            with open(kept, "ab") as file:
                file.write(arrival_record(session, size, us, utc))

    def _write_content(self):
        text = json.dumps(self._content, indent=2, ensure_ascii=False) + "\n"
        try:
            write_text_whole(self.recording.path / RECORDING_FILE, text)
        except OSError as error:
            if not self._files:
                raise
            self._fail(error)


def _lines(path) -> list:
    found = []
    with suppress(OSError):
        for line in path.read_bytes().splitlines():
            with suppress(ValueError):
                content = json.loads(line.decode("utf-8"))
                if isinstance(content, dict):
                    found.append(content)
    return found


def _cannot_write(path, error):
    return LakefloorError(
        tr(
            "Cannot record in '{}' ({}). Check that the disk is not full and that you may write to "
            "the folder."
        ).format(path, error.strerror)
    )
