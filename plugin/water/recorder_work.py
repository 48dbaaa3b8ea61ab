"""What the recorder does in its thread: sources are read, and what arrives gets its time.

Nothing there waits for a disk or for a computation: bytes are written, and soundings taken from
them, by two threads beside it (:mod:`.beside`).
"""

from __future__ import annotations

import os
import time
from functools import partial

from qgis.PyQt.QtCore import QObject, QThread, QTimer, pyqtSignal, pyqtSlot

from ...algorithms._i18n import tr
from .beside import Beside
from .clock_watch import ClockWatch, clocks
from .hearing_live import Hearing
from .sources import open_source
from .sources.source import GONE, OPEN, SILENT
from .text_sources import first_line, text_head

#: How often files are brought to the disk, and the state is told, s.
_FLUSH_S, _TELL_S = 0.5, 1.0
#: A disk that does not answer for so long is said, s.
_HANGS_S = 5.0
#: Pieces that wait for a disk that does not answer: hours of a sounder and a receiver.
_PIECES = 500_000
#: With less room than this a person is told to make some, s.
_SCARCE_S = 1800.0
#: The end of a growing file by which it is found again, bytes.
_TAIL = 4096


class RecorderWork(QObject):
    """Reads the sources of one recording; lives in the recorder's thread.

    Parameters
    ----------
    writer : RecordingWriter
        Belongs to the thread of :attr:`disk` from :meth:`begin` to the end of that.
    specs : dict of str to SourceSpec
        By key.

    Attributes
    ----------
    disk : Beside
        Does what concerns the writer.
    """

    heard = pyqtSignal(object)
    raw = pyqtSignal(bytes)
    #: States of the sources, bytes, free space, problem.
    told = pyqtSignal(object, object, object, str)

    def __init__(self, writer, specs):
        super().__init__()
        self._writer, self._specs = writer, specs
        self._sources, self._states, self._lines, self._timer = {}, {}, {}, None
        self._clocks, self._room, self._failed, self._left_out = ClockWatch(_TELL_S), None, "", 0
        self._is_scarce = False
        self.disk = Beside("recording", _FLUSH_S, self._flush, self._fail)
        self._hearing = Hearing(
            writer.recording, writer.session, self.heard.emit, self._note, self._fail
        )

    @pyqtSlot()
    def begin(self):
        """Open the sources."""
        self.disk.start()
        self._hearing.begin()
        for key, spec in self._specs.items():
            try:
                self._open(key, spec)
            except Exception as error:  # one source must not keep the others from being recorded
                self._follow(key, GONE, tr("{} fails ({}).").format(spec.title, error))
        self._timer = QTimer(self)
        self._timer.setInterval(int(1000 * _TELL_S))
        self._timer.timeout.connect(self._look)
        self._timer.start()

    @pyqtSlot()
    def end(self):
        """Close the sources, and end the thread."""
        if self._timer is not None:
            self._timer.stop()
        sources, self._sources = self._sources, {}
        for source in sources.values():
            source.changed.disconnect()  # that we close it is no event
            source.close()
            source.deleteLater()
        self._hearing.finish(_HANGS_S)
        QThread.currentThread().quit()

    def _open(self, key, spec):
        raw, tail = self._writer.recording.raw(key), self._tail(key)
        source = self._sources[key] = open_source(spec, tail)
        source.arrived.connect(partial(self._take, key))
        source.changed.connect(partial(self._follow, key))
        if raw.stat().st_size:
            self._hearing.hear(key, text_head(raw), *_now())
        else:
            self._take(key, first_line(spec))
        source.open()

    # -- what comes -----------------------------------------------------------

    def _take(self, key, data):
        at, data = _now(), bytes(data)
        if self.disk.asked < _PIECES:
            self.disk.ask(self._writer.add, key, data, *at)
        else:
            self._left_out += len(data)
        self._hearing.hear(key, data, *at)
        # Whole lines, so that those of one source do not come between the parts of another's.
        whole, end, self._lines[key] = (self._lines.get(key, b"")[-_TAIL:] + data).rpartition(b"\n")
        if end:
            self.raw.emit(whole + end)

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

    def _look(self):
        for event in self._clocks.look(*clocks()):
            self._note(*event)
        if self._left_out and self.disk.asked < _PIECES // 2:
            text = tr("{:,} bytes found no room while the disk did not answer.")
            self._note("lost", text.format(self._left_out))
            self._left_out = 0
        self._tell()

    def _tell(self):
        problem = self._writer.problem or self._failed
        quiet = time.monotonic() - self.disk.alive_at
        if quiet > _HANGS_S:
            text = tr("The disk has not answered for {:.0f} s. What arrives waits in memory.")
            problem = text.format(quiet)
        elif not problem and self._is_scarce:
            text = tr("The disk has room for {:.0f} more minutes. Make room on it.")
            problem = text.format(self._room[1].seconds / 60.0)
        count, free = self._room or (0, None)
        self.told.emit(dict(self._states), count, free, problem)

    # -- beside the thread ----------------------------------------------------

    def _flush(self):
        """Bring what was written to the disk, in the disk's thread."""
        self._writer.flush()
        self._failed = ""
        self._room = self._writer.bytes, self._writer.free()
        is_scarce = self._room[1].seconds < _SCARCE_S
        if is_scarce and not self._is_scarce:
            text = tr("The disk has room for {:.0f} more minutes.")
            self._writer.event("disk", text.format(self._room[1].seconds / 60.0))
        self._is_scarce = is_scarce

    def _fail(self, error):
        self._failed = tr("A part of the recorder failed ({}: {}). Recording goes on.").format(
            type(error).__name__, error
        )

    def _note(self, kind, text, key=""):
        self.disk.ask(self._writer.event, kind, text, key, time.monotonic_ns() // 1000)

    def _tail(self, key) -> bytes:
        """Return the end of what was recorded from a source, without the names of columns."""
        raw = self._writer.recording.raw(key)
        try:
            with open(raw, "rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(len(text_head(raw)), size - _TAIL))
                return file.read()
        except OSError:
            return b""


def _now():
    """Return monotonic time and UTC, us."""
    return time.monotonic_ns() // 1000, time.time_ns() // 1000
