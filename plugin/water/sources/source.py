"""What all sources have in common: they open, tell how they are, and come back by themselves."""

from __future__ import annotations

import time

from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal

from ....algorithms._i18n import tr
from .spec import SourceSpec

#: States of a source.
OPENING, OPEN, SILENT, GONE = "opening", "open", "silent", "gone"

#: After so many seconds without a byte a source is silent.
SILENT_S = 5.0

#: A source looks at itself, and tries again where it is gone, so often, ms.
LOOK_MS = 1000


class Source(QObject):
    """Bytes as they come from a device.

    It is made, opened, used and closed in one thread, that of the recorder. A source that is gone
    tries to come back about once a second until it is closed. A kind of source has
    :meth:`_attempt`, :meth:`_release` and where need be :meth:`_look`.
    """

    #: Bytes, exactly as they came; a piece may end anywhere in a sentence.
    arrived = pyqtSignal(bytes)
    #: State and a sentence that says what is so and what to do.
    changed = pyqtSignal(str, str)

    def __init__(self, spec: SourceSpec):
        super().__init__()
        self.spec, self.state, self.text = spec, "", ""
        self._clock, self._heard_at, self._is_connected, self._open_text = None, 0.0, False, ""

    def open(self):
        """Open it, and keep it open."""
        if self._clock is not None:
            return
        self._say(OPENING, tr("Opening {}.").format(self.spec.title))
        problem = self.spec.problem()
        if problem:
            self._say(GONE, problem)
            return
        self._clock = QTimer(self)
        self._clock.setInterval(LOOK_MS)
        self._clock.timeout.connect(self._on_clock)
        self._clock.start()
        self._attempt()

    def close(self):
        """Close it; nothing comes any more."""
        if self._clock is None:
            return
        self._clock.stop()
        self._clock.deleteLater()
        self._clock, self._is_connected = None, False
        self._release()
        self._say(GONE, tr("{} is closed.").format(self.spec.title))

    # -- what a kind of source does --------------------------------------------------

    def _attempt(self):
        """Try to open it: ends, now or later, in :meth:`_opened` or :meth:`_lost`."""
        raise NotImplementedError

    def _release(self):
        """Give the device free."""
        raise NotImplementedError

    def _look(self):
        """Look about once a second whether it is still there."""

    def _silence(self) -> str:
        """Return what to do where nothing comes."""
        return tr("Check that the device is on and sends.")

    # -- what it tells ---------------------------------------------------------------

    def _opened(self, text):
        self._is_connected, self._heard_at, self._open_text = True, time.monotonic(), text
        self._say(OPEN, text)

    def _came(self, data):
        if not data:
            return
        self._heard_at = time.monotonic()
        if self.state != OPEN:
            self._say(OPEN, self._open_text)
        self.arrived.emit(data)

    def _lost(self, text):
        self._is_connected = False
        self._release()
        self._say(GONE, text)

    def _say(self, state, text):
        if (state, text) != (self.state, self.text):
            self.state, self.text = state, text
            self.changed.emit(state, text)

    def _on_clock(self):
        if not self._is_connected:
            self._attempt()
            return
        self._look()
        if not self._is_connected or time.monotonic() - self._heard_at < SILENT_S:
            return
        quiet = tr("Nothing has come from {} for {:.0f} seconds. {}")
        self._say(SILENT, quiet.format(self.spec.title, SILENT_S, self._silence()))
