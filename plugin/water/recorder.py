"""The recorder: reads sources in a thread of its own, keeps every byte, and tells what it hears."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timezone

from qgis.PyQt.QtCore import QCoreApplication, QObject, QThread, QTimer, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._lake.lock import REFRESH_S, holder_of, refresh_lock, release_lock, take_lock
from ...algorithms._lake.recording import FreeSpace, Recording, RecordingWriter
from ...algorithms.core.errors import LakefloorError
from .recorder_work import RecorderWork
from .text_sources import is_text

__all__ = ["Recorder", "RecorderState"]

#: A disk that does not answer is waited for so long at the end, s.
_LAST_S = 20.0


@dataclass(frozen=True)
class RecorderState:
    """How a recording goes.

    Attributes
    ----------
    sources : dict
        Key -> (state, sentence).
    bytes : int
        That the sources have sent in all.
    free : FreeSpace or None
    problem : str
        Why nothing can be written at present, or will soon; "" as long as all is well.
    since : datetime
        UTC.
    """

    sources: dict = field(default_factory=dict)
    bytes: int = 0
    free: FreeSpace | None = None
    problem: str = ""
    since: datetime | None = None


class Recorder(QObject):
    """Records one outing at a time; lives in the main thread.

    It knows neither project nor panel: as long as QGIS lives, bytes are kept, and the lake is held.

    Attributes
    ----------
    recording : Recording or None
        That which is written, or was last.
    """

    #: New soundings, and what is known now (Heard); four times a second.
    heard = pyqtSignal(object)
    #: How it goes (RecorderState).
    state_changed = pyqtSignal(object)
    #: Whole lines of the sources, for QGIS's own displays.
    raw = pyqtSignal(bytes)

    _end = pyqtSignal()

    def __init__(self, parent=None):
        super().__init__(parent)
        self.recording = None
        self._thread = self._work = self._writer = self._lake = None
        self._is_lock_ours, self._state = False, RecorderState()
        self._minute = QTimer(self)
        self._minute.setInterval(int(1000 * REFRESH_S))
        self._minute.timeout.connect(self._hold_lake)
        QCoreApplication.instance().aboutToQuit.connect(self.leave)

    @property
    def is_recording(self) -> bool:
        """Whether an outing is recorded."""
        return self._writer is not None

    def start(self, lake, specs, facts, resume: Recording | None = None):
        """Begin to record, or go on with a recording that was not ended.

        Parameters
        ----------
        lake : LakeFolder
        specs : list of SourceSpec
        facts : dict
            What the person said of the outing.
        resume : Recording, optional

        Raises
        ------
        LakefloorError
            If an outing is recorded already, somebody else holds the lake, or nothing can be
            written.
        """
        if self.is_recording:
            raise LakefloorError(tr("An outing is being recorded already. End it first."))
        self._take_lake(lake)
        keyed = _keyed(resume, specs)
        kept = {key: _kept(spec) for key, spec in keyed.items()}
        try:
            if resume is None:
                writer = RecordingWriter.begin(lake, kept, facts)
            else:
                writer = RecordingWriter.resume(resume, kept)
                writer.change(**facts)
        except LakefloorError:
            self._leave_lake()
            raise
        self._writer, self.recording = writer, writer.recording
        self._state = RecorderState(since=_began(self.recording))
        self._thread = QThread()
        self._work = RecorderWork(writer, keyed)
        self._work.moveToThread(self._thread)
        self._thread.started.connect(self._work.begin)
        self._end.connect(self._work.end)
        self._work.heard.connect(self.heard)
        self._work.raw.connect(self.raw)
        self._work.told.connect(self._tell)
        self._minute.start()
        self._thread.start(QThread.Priority.HighPriority)

    def stop(self, **facts):
        """End the outing, with what is said of it at the end.

        Raises
        ------
        LakefloorError
            If bytes that wait can be written nowhere. They still wait; it may be called again.
        """
        self._finish(True, facts)

    def leave(self):
        """Stop without an end, as when QGIS is closed: the outing can be resumed.

        That bytes can be written nowhere is told; it may be called again.
        """
        try:
            self._finish(False, {})
        except LakefloorError as error:
            self._say(str(error))

    def mark(self, mark: dict):
        """Keep a mark; it is brought to the disk at once."""
        if self._work is not None:
            self._work.disk.ask(self._writer.mark, mark)

    def change(self, **facts):
        """Keep what the person says of the outing."""
        if self._work is not None:
            self._work.disk.ask(lambda: self._writer.change(**facts))

    # -- the end --------------------------------------------------------------

    def _finish(self, ends, facts):
        if not self.is_recording:
            return
        self._close_sources()
        writer = self._writer
        if ends:
            writer.end(**facts)
        else:
            writer.leave()
        self._minute.stop()
        self._writer = None
        self._leave_lake()
        if writer.rescued is not None:
            text = tr(
                "What could not be written into the recording is in '{}'. Copy it to the logs of the "
                "lake."
            )
            self._say(text.format(writer.rescued))

    def _close_sources(self):
        """End the threads; the writer is ours then."""
        work = self._work
        if work is None:
            return
        if self._thread is not None:
            self._end.emit()
            if not self._thread.wait(int(1000 * _LAST_S)):
                raise LakefloorError(tr("A source does not close. Unplug it, then end again."))
            self._end.disconnect(work.end)
            self._thread = None
        if not work.disk.finish(_LAST_S):
            raise LakefloorError(
                tr("The disk does not answer. What arrived waits in memory. Try to end again.")
            )
        self._work = None

    # -- the lake -------------------------------------------------------------

    def _take_lake(self, lake):
        held = holder_of(lake)
        self._is_lock_ours = held is None or not held.own
        holder = take_lock(lake)
        if holder is not None:
            raise LakefloorError(
                tr("Another window has this lake open ({}). Close it there first.").format(
                    holder.machine
                )
            )
        self._lake = lake

    def _hold_lake(self):
        """Hold the lake, also where its panel has given it back."""
        with suppress(LakefloorError):
            refresh_lock(self._lake)

    def _leave_lake(self):
        if self._is_lock_ours:
            with suppress(OSError):
                release_lock(self._lake)
        self._lake = None

    # -- what is told ---------------------------------------------------------

    def _tell(self, sources, count, free, problem):
        self._state = RecorderState(sources, count, free, problem, self._state.since)
        self.state_changed.emit(self._state)

    def _say(self, problem):
        state = self._state
        self._tell(state.sources, state.bytes, state.free, problem)


def _began(recording):
    try:
        return datetime.fromisoformat(recording.content["started"])
    except (KeyError, TypeError, ValueError):
        return datetime.now(timezone.utc)


def _kept(spec) -> dict:
    """Return what a recording keeps of a source."""
    kept = spec.to_dict()
    return {**kept, "is_text": True} if is_text(spec) else kept


def _keyed(recording, specs) -> dict:
    """Return the sources by key; of a recording that goes on, those it had keep theirs."""
    from .sources import SourceSpec

    had = {} if recording is None else recording.sources
    known = {key: SourceSpec.from_dict(kept) for key, kept in had.items()}
    taken = set() if recording is None else set(recording.keys)
    free = (key for key in (f"source-{i}" for i in range(1, 10_000)) if key not in taken)
    keyed = {}
    for spec in specs:
        same = (k for k, was in known.items() if _place(was) == _place(spec) and k not in keyed)
        keyed[next(same, None) or next(free)] = spec
    return keyed


def _place(spec):
    return spec.kind, spec.place
