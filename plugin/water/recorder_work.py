"""What the recorder does in its thread: sources are read, bytes kept, soundings taken from them."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

import numpy as np
from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal, pyqtSlot

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.reading.live_log import LiveReader, Now
from ...algorithms.core.reading.recorded_log import parse_recording
from ...algorithms.core.soundings import Soundings
from ...algorithms.core.times import date_in_name
from .sources import open_source
from .sources.source import GONE, OPEN, SILENT

#: How often soundings are taken, the state is told, and files are brought to the disk, ms.
_TAKE_MS, _TELL_MS, _SYNC_S = 250, 1000, 0.5
#: The computer's clock has been set, or the computer slept, where it leaves the other by so much, s.
_JUMP_S = 2.0
#: A computer's clock is wrong where it is so far from the time of the fixes, s.
_WRONG_S = 5.0
#: The end of a growing file by which it is found again, bytes.
_TAIL = 4096


@dataclass(frozen=True)
class Heard:
    """What was heard since the last time.

    Attributes
    ----------
    soundings : Soundings
        ``x`` and ``y`` are longitude and latitude, degrees.
    now : Now
    monotonic_us : int
        When it was taken, us.
    """

    soundings: Soundings
    now: Now
    monotonic_us: int


class RecorderWork(QObject):
    """Reads the sources of one recording; lives in the recorder's thread.

    Parameters
    ----------
    writer : RecordingWriter
    specs : dict of str to SourceSpec
        By key.
    resumed : bool
        Whether the recording has soundings already, which are told first.
    """

    heard = pyqtSignal(object)
    raw = pyqtSignal(bytes)
    #: States of the sources, bytes, free space, problem.
    told = pyqtSignal(object, object, object, str)

    _read = pyqtSignal(object)

    def __init__(self, writer, specs, resumed):
        super().__init__()
        self._writer, self._specs, self._resumed = writer, specs, resumed
        self._reader = LiveReader(name_date=date_in_name(writer.recording.path.name))
        self._sources, self._states, self._timers = {}, {}, []
        self._clocks = self._gps_gap = None
        self._over = threading.Event()

    @pyqtSlot()
    def begin(self):
        """Open the sources."""
        self._read.connect(self._tell_read)
        if self._resumed:
            self._note("resumed", tr("The recording goes on."))
            threading.Thread(target=self._read_back, daemon=True).start()
        threading.Thread(target=self._sync, daemon=True).start()
        for key, spec in self._specs.items():
            source = self._sources[key] = open_source(spec, self._tail(key))
            source.arrived.connect(lambda data, key=key: self._take(key, bytes(data)))
            source.changed.connect(lambda *how, key=key: self._follow(key, *how))
            source.open()
        for pace, do in ((_TAKE_MS, self._listen), (_TELL_MS, self._look)):
            timer = QTimer(self)
            timer.setInterval(pace)
            timer.timeout.connect(do)
            timer.start()
            self._timers.append(timer)

    @pyqtSlot(object)
    def end(self, facts):
        """Close the sources and end the recording, or leave it open where there are no facts."""
        for timer in self._timers:
            timer.stop()
        for source in self._sources.values():
            source.close()
        self._listen()
        self._over.set()
        if facts is None:
            self._writer.leave()
        else:
            self._writer.end(**facts)
        for source in self._sources.values():
            source.deleteLater()

    @pyqtSlot(object)
    def mark(self, mark):
        """Keep a mark."""
        self._writer.mark(mark)

    @pyqtSlot(object)
    def change(self, facts):
        """Keep what is said of the outing."""
        self._writer.change(**facts)

    # -- what comes -----------------------------------------------------------

    def _take(self, key, data):
        us, utc = time.monotonic_ns() // 1000, time.time_ns() // 1000
        self._writer.add(key, data, us, utc)
        self._reader.feed(key, data, us, utc, self._writer.session)
        self.raw.emit(data)

    def _follow(self, key, state, text):
        before = self._states.get(key, ("", ""))[0]
        self._states[key] = state, text
        if state == GONE and before in (OPEN, SILENT):
            self._note("unplugged", text, key)
        elif state == OPEN and before in (GONE, SILENT):
            self._note("back", text, key)
        elif state == SILENT:
            self._note("silent", text, key)
        self._tell()

    def _listen(self):
        soundings = self._reader.take()
        self.heard.emit(Heard(soundings, self._reader.now, time.monotonic_ns() // 1000))

    def _look(self):
        self._watch_clocks()
        before = self._writer.problem
        self._writer.settle()
        if before and not self._writer.problem:
            self._note("disk", tr("Writing goes on. {}").format(before))
        self._tell()

    def _tell(self):
        writer = self._writer
        self.told.emit(dict(self._states), writer.bytes, writer.free(), writer.problem)

    def _note(self, kind, text, key=""):
        self._writer.event(kind, text, key)

    # -- clocks ---------------------------------------------------------------

    def _watch_clocks(self):
        """Keep what a clock does that is no flow of time."""
        now = time.monotonic(), time.time()
        if self._clocks is not None:
            passed, shown = (a - b for a, b in zip(now, self._clocks))
            if passed > _JUMP_S + _TELL_MS / 1000.0 or abs(shown - passed) > _JUMP_S:
                text = tr(
                    "Between two looks {:.1f} s passed, and the computer's clock went {:.1f} s."
                )
                self._note("asleep" if shown >= passed else "clock", text.format(passed, shown))
        self._clocks = now
        fix = self._reader.now
        if fix.fix_us is None or np.isnat(fix.gps_time):
            return
        at_fix = 1e6 * now[1] - (1e6 * now[0] - fix.fix_us)
        gap = at_fix / 1e6 - fix.gps_time.astype("datetime64[ms]").astype(np.int64) / 1e3
        if abs(gap) > _WRONG_S and (self._gps_gap is None or abs(gap - self._gps_gap) > _WRONG_S):
            self._gps_gap = gap
            text = tr(
                "The computer's clock is {:.0f} s from the time of the GPS receiver, which counts."
            )
            self._note("clock", text.format(gap))

    # -- beside the thread ----------------------------------------------------

    def _sync(self):
        """Bring files to the disk; a slow disk holds up nobody who takes the time of what comes."""
        while not self._over.wait(_SYNC_S):
            self._writer.sync()

    def _read_back(self):
        """Read what the recording holds already."""
        try:
            soundings = parse_recording(self._writer.recording.path).soundings
        except (LakefloorError, OSError):
            return
        self._read.emit(soundings)

    @pyqtSlot(object)
    def _tell_read(self, soundings):
        self.heard.emit(Heard(soundings, self._reader.now, time.monotonic_ns() // 1000))

    def _tail(self, key) -> bytes:
        """Return the end of what was recorded from a source."""
        try:
            with open(self._writer.recording.raw(key), "rb") as file:
                file.seek(-min(_TAIL, file.seek(0, 2)), 2)
                return file.read()
        except OSError:
            return b""
