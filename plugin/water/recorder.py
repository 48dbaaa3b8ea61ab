"""The recorder: reads sources in a thread of its own, keeps every byte, and tells what it hears."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timezone

from qgis.PyQt.QtCore import QCoreApplication, QObject, Qt, QThread, pyqtSignal

from ...algorithms._i18n import tr
from ...algorithms._lake.recording import FreeSpace, Recording, RecordingWriter
from ...algorithms.core.errors import LakefloorError
from .recorder_work import RecorderWork

__all__ = ["Recorder", "RecorderState"]


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
        Why nothing can be written at present, "" as long as it can.
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

    It knows neither project nor panel: as long as QGIS lives, bytes are kept.
    """

    #: New soundings, and what is known now (Heard).
    heard = pyqtSignal(object)
    #: How it goes (RecorderState).
    state_changed = pyqtSignal(object)
    #: Bytes of the sources, for QGIS's own displays.
    raw = pyqtSignal(bytes)

    _mark = pyqtSignal(object)
    _change = pyqtSignal(object)
    _end = pyqtSignal(object)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.recording = None
        self._thread = self._work = None
        QCoreApplication.instance().aboutToQuit.connect(self.leave)

    @property
    def is_recording(self) -> bool:
        """Whether an outing is recorded."""
        return self._thread is not None

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
            If an outing is recorded already, or nothing can be written.
        """
        if self.is_recording:
            raise LakefloorError(tr("An outing is being recorded already. End it first."))
        if resume is None:
            keyed = {f"source-{i}": spec for i, spec in enumerate(specs, 1)}
            kept = {key: spec.to_dict() for key, spec in keyed.items()}
            writer = RecordingWriter.begin(lake, kept, facts)
        else:
            keyed = _keyed(resume, specs)
            writer = RecordingWriter.resume(resume, {k: s.to_dict() for k, s in keyed.items()})
            writer.change(**facts)
        self.recording = writer.recording
        self._thread = QThread()
        self._work = RecorderWork(writer, keyed, resume is not None)
        self._work.moveToThread(self._thread)
        self._thread.started.connect(self._work.begin)
        self._work.heard.connect(self.heard)
        self._work.raw.connect(self.raw)
        self._work.told.connect(self._tell)
        self._mark.connect(self._work.mark)
        self._change.connect(self._work.change)
        self._end.connect(self._work.end, Qt.ConnectionType.BlockingQueuedConnection)
        self._thread.start(QThread.Priority.HighPriority)

    def stop(self, **facts):
        """End the outing, with what is said of it at the end."""
        self._finish(facts)

    def leave(self):
        """Stop without an end, as when QGIS is closed: the outing can be resumed."""
        self._finish(None)

    def mark(self, mark: dict):
        """Keep a mark."""
        if self.is_recording:
            self._mark.emit(mark)

    def change(self, **facts):
        """Keep what the person says of the outing."""
        if self.is_recording:
            self._change.emit(facts)

    def _finish(self, facts):
        if not self.is_recording:
            return
        self._end.emit(facts)
        for signal, slot in ((self._mark, "mark"), (self._change, "change"), (self._end, "end")):
            signal.disconnect(getattr(self._work, slot))
        self._thread.quit()
        self._thread.wait()
        self._thread = self._work = None

    def _tell(self, sources, count, free, problem):
        since = self._began()
        self.state_changed.emit(RecorderState(sources, count, free, problem, since))

    def _began(self):
        try:
            return datetime.fromisoformat(self.recording.content["started"])
        except (KeyError, TypeError, ValueError):
            return datetime.now(timezone.utc)


def _keyed(recording, specs) -> dict:
    """Return the sources of a recording that goes on: those it had keep their keys."""
    from .sources import SourceSpec

    known = {key: SourceSpec.from_dict(v) for key, v in recording.sources.items() if v}
    keyed, free = {}, len(recording.sources) + 1
    for spec in specs:
        key = next((k for k, s in known.items() if s == spec and k not in keyed), None)
        if key is None:
            key, free = f"source-{free}", free + 1
        keyed[key] = spec
    return keyed
