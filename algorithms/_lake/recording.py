"""The recording of an outing: a folder whose raw bytes only grow.

Bytes of a device are written before the record of their arrival, and both are brought to the disk
once a second: whatever ends the recording, at most its last second is missing. A disk that is full
or gone is said; meanwhile bytes wait in memory, as many as :data:`WAITING`.
"""

from __future__ import annotations

import errno
import json
import shutil
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timezone

from .._i18n import tr
from .._io.flushing import flush
from .._io.whole_files import free_name, write_text_whole
from ..core.errors import LakefloorError
from ..core.reading.arrivals import arrival_record
from ..core.reading.recorded_log import RECORDING_FILE
from .append_only import AppendOnly
from .facts import read_facts
from .interrupted import complete
from .lock import REFRESH_S, holder_of, refresh_lock, release_lock, take_lock
from .recording_folder import Recording, recordings
from .rescue import rescue

__all__ = ["WAITING", "FreeSpace", "Recording", "RecordingWriter", "recordings"]

_LAYOUT = 1
#: Bytes that wait in memory while nothing can be written: hours of a sounder and a receiver.
WAITING = 32 << 20
#: Time over which the rate of what arrives is taken, s.
_RATE_S = 60.0
#: What the system says of a disk without room.
_FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))


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


class RecordingWriter:
    """Writes a recording; to be used from one thread.

    Attributes
    ----------
    recording : Recording
    session : int
        Number of this start, from 1.
    problem : str
        Why nothing can be written at present and what to do; "" as long as it can.
    lost : int
        Bytes that found no room in memory either.
    rescued : Path or None
        Folder with what could not be written into the recording when it was closed.
    """

    def __init__(self, recording: Recording, content: dict, session: int):
        self.recording, self.session = recording, session
        self.problem, self.lost, self.rescued = "", 0, None
        self._content = {**content, "session": session}
        self._content_waits, self._told_lost = True, 0
        # In the order in which they are brought to the disk: raw bytes before their records.
        self._raw, self._arrivals, self._lines = {}, {}, {}
        self._rates = deque()
        self._held_at = time.monotonic()

    # -- from start to end ----------------------------------------------------

    @classmethod
    def begin(cls, lake, sources: dict, facts: dict | None = None, now: datetime | None = None):
        """Make the folder of a new recording.

        Parameters
        ----------
        lake : LakeFolder
        sources : dict
            Key of each source -> what was chosen (dict); with ``is_text`` where it sends
            delimited text.
        facts : dict, optional
            What the person says of the outing.
        now : datetime, optional
            UTC, by which it is named.

        Raises
        ------
        LakefloorError
            If the folder cannot be written.
        """
        now = now or datetime.now(timezone.utc)
        content = {
            "layout": _LAYOUT,
            "lake": read_facts(lake.path).id,
            "started": _iso(now),
            "ended": None,
            "sources": dict(sources),
            "facts": dict(facts or {}),
        }
        try:
            lake.logs.mkdir(exist_ok=True)
            path = free_name(lake.logs / now.strftime("%Y-%m-%d_%H%M%SZ"))
            path.mkdir()
            flush(lake.logs)
        except OSError as error:
            raise _cannot_record(lake.logs, error) from error
        writer = cls(Recording(path), content, 1)
        _hold(writer.recording)
        writer._start(sources)
        return writer

    @classmethod
    def resume(cls, recording: Recording, sources: dict | None = None):
        """Go on with a recording that was not ended, or was too early.

        What an interruption left half written is made whole: see :func:`.interrupted.complete`.

        Raises
        ------
        LakefloorError
            If it cannot be written, or somebody else writes it.
        """
        content = recording.content
        if not isinstance(content.get("layout", 0), int) or content.get("layout", 0) > _LAYOUT:
            raise LakefloorError(
                tr("'{}' was written by a newer version of Lakefloor. Update it first.").format(
                    recording.path
                )
            )
        _hold(recording)
        try:
            completed = complete(recording)
        except OSError as error:
            release_lock(recording)
            raise _cannot_record(recording.path, error) from error
        known = content.get("session", 0)
        session = 1 + max(completed.session, known if isinstance(known, int) else 0)
        content = {"layout": _LAYOUT, "started": None, **content, "ended": None}
        content["sources"] = {**recording.sources, **(sources or {})}
        writer = cls(recording, content, session)
        writer._start({*recording.keys, *content["sources"]})
        writer.event("resumed", tr("The recording goes on."))
        for key, count in completed.untimed.items():
            text = tr("{} bytes count as arrived when the recording was interrupted.")
            writer.event("completed", text.format(count), key)
        return writer

    def _start(self, keys):
        try:
            self._write_content()
            for key in sorted(keys):
                self._raw[key] = AppendOnly(self.recording.raw(key))
                self._arrivals[key] = AppendOnly(self.recording.arrivals_file(key))
                self._raw[key].path.touch()
                self._arrivals[key].path.touch()
            flush(self.recording.path)
        except OSError as error:
            release_lock(self.recording)
            raise _cannot_record(self.recording.path, error) from error

    def change(self, **facts):
        """Keep what the person says of the outing."""
        self._content["facts"] = {**(self._content.get("facts") or {}), **facts}
        self._content_waits = True
        self.flush()

    def end(self, **facts):
        """End the recording; a second call does nothing.

        Raises
        ------
        LakefloorError
            If bytes that wait can be written nowhere; they still wait then.
        """
        self._content["ended"] = _iso(datetime.now(timezone.utc))
        self.change(**facts)
        self.leave()

    def leave(self):
        """Close the files; the recording stays open, to be resumed.

        What cannot be written into the recording goes into a folder of its own, :attr:`rescued`.

        Raises
        ------
        LakefloorError
            If bytes that wait can be written nowhere; they still wait then.
        """
        self.flush()
        if self.waits:
            parts = (self._content, self._raw, self._arrivals, self._lines)
            self.rescued = rescue(self.recording.path.name, *parts)
        for file in self._files():
            file.close()
        with suppress(OSError):
            release_lock(self.recording)
            flush(self.recording.path)

    # -- what arrives ---------------------------------------------------------

    def add(self, key: str, data: bytes, monotonic_us: int, utc_us: int):
        """Write bytes of a source, and behind them the record of their arrival."""
        if not data:
            return
        if self.waits + len(data) > WAITING:
            self.lost += len(data)
            return
        raw, arrivals = self._raw[key], self._arrivals[key]
        raw.add(data)
        arrivals.add(arrival_record(self.session, raw.size, monotonic_us, utc_us))
        self._write(raw, arrivals)

    def event(self, kind: str, text: str, source: str = "", monotonic_us: int | None = None):
        """Keep what happened: its kind in one word, and a sentence."""
        if monotonic_us is None:
            monotonic_us = time.monotonic_ns() // 1000
        line = {"utc": _iso(datetime.now(timezone.utc)), "monotonic_us": monotonic_us}
        line.update(session=self.session, kind=kind, source=source, text=text)
        self._put("events.jsonl", line)

    def mark(self, mark: dict):
        """Keep a mark; it is on the disk when this returns, unless nothing can be written."""
        file = self._put("marks.jsonl", mark)
        if not self.problem:
            try:
                file.sync()
            except OSError as error:
                self._fail(error)

    def flush(self):
        """Bring to the disk what was written; where nothing could be written, try again."""
        try:
            self._refresh_lock()
            if self._content_waits:
                self._write_content()
            self._bring()
            if self._recover():
                self._bring()
        except OSError as error:
            self._fail(error)

    def free(self) -> FreeSpace:
        """Return the room that is left, and for how long it suffices."""
        try:
            left = shutil.disk_usage(self.recording.path).free
        except OSError:
            left = 0
        now, rates = time.monotonic(), self._rates
        size = sum(file.size for file in self._files())
        if not rates or now - rates[-1][0] >= 1.0:
            rates.append((now, size))
        while len(rates) > 1 and rates[1][0] < now - _RATE_S:
            rates.popleft()
        then, before = rates[0]
        rate = (size - before) / max(now - then, 1.0)
        return FreeSpace(left, left / rate if rate > 0 else float("inf"))

    @property
    def bytes(self) -> int:
        """Bytes of the sources in all sessions."""
        return sum(file.size for file in self._raw.values())

    @property
    def waits(self) -> int:
        """Bytes that are not on the disk for sure."""
        return sum(len(file.waiting) for file in self._files())

    # -- files ----------------------------------------------------------------

    def _files(self):
        yield from self._raw.values()
        yield from self._arrivals.values()
        yield from self._lines.values()

    def _put(self, name, content):
        file = self._lines.setdefault(name, AppendOnly(self.recording.path / name))
        file.add((json.dumps(content, ensure_ascii=False) + "\n").encode("utf-8"))
        self._write(file)
        return file

    def _write(self, *files):
        if self.problem:
            return
        try:
            for file in files:
                file.write()
        except OSError as error:
            self._fail(error)

    def _bring(self):
        for file in self._files():
            file.write()
        for file in self._files():
            file.sync()

    def _write_content(self):
        text = json.dumps(self._content, indent=2, ensure_ascii=False) + "\n"
        write_text_whole(self.recording.path / RECORDING_FILE, text)
        self._content_waits = False

    def _refresh_lock(self):
        """Say once a minute that this recording is written, unless somebody else has taken it."""
        now = time.monotonic()
        if now - self._held_at < REFRESH_S:
            return
        try:
            holder = refresh_lock(self.recording)
        except LakefloorError as error:
            raise OSError(errno.EACCES, str(error)) from error
        if holder is not None:
            raise OSError(errno.EACCES, tr("it is recorded on {} now").format(holder.machine))
        self._held_at = now

    def _fail(self, error):
        """Let all wait that is not on the disk for sure."""
        for file in self._files():
            file.close()
        was, path = self.problem, self.recording.path
        if error.errno in _FULL:
            self.problem = tr(
                "The disk is full. What arrives waits in memory. Make room where '{}' is."
            ).format(path)
        else:
            self.problem = tr(
                "Cannot write to '{}' ({}). What arrives waits in memory. If the disk was pulled "
                "out, connect it again."
            ).format(path, error.strerror)
        if not was:
            self.event("disk", self.problem)

    def _recover(self) -> bool:
        """Note what was, now that all is written; return whether there was something."""
        was, lost, self.problem = self.problem, self.lost - self._told_lost, ""
        if was:
            self.event("disk", tr("Writing goes on; what waited in memory was written."))
        if lost:
            self._told_lost = self.lost
            text = tr("{} bytes found no room, neither on the disk nor in memory.")
            self.event("lost", text.format(lost))
        return bool(was or lost)


def _hold(recording):
    """Take the lock of a recording.

    Raises
    ------
    LakefloorError
        If somebody writes it.
    """
    holder = holder_of(recording)
    if holder is None or not holder.own:  # not even by this window, which would write it twice
        holder = take_lock(recording)
    if holder is not None:
        raise LakefloorError(
            tr("'{}' is being recorded already{}. End the outing there first.").format(
                recording.path.name,
                "" if holder.own else tr(" in another window of {}").format(holder.machine),
            )
        )


def _iso(moment) -> str:
    return moment.isoformat(timespec="milliseconds")


def _cannot_record(path, error):
    return LakefloorError(
        tr(
            "Cannot record in '{}' ({}). Check that the disk is not full and that you may write to "
            "the folder."
        ).format(path, error.strerror)
    )
