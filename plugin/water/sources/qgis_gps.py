"""The position that QGIS's own GPS panel has: what is left of a device's bytes, or a composed line.

QGIS reads the device, and passes on the sentences it knows, or only what it made of them. So the
bytes are those that QGIS tells, not those of the device.
"""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QObject, Qt, QTimer, pyqtSignal, pyqtSlot

from ....algorithms._i18n import tr
from .sentences import fix_sentences
from .source import GONE, LOOK_MS, Source
from .tee import is_tee


class QgisGps(Source):
    """Reads what QGIS's GPS panel, or its toolbar, is connected to."""

    #: Asks the one in the main thread to begin, and to end.
    _begin, _end = pyqtSignal(), pyqtSignal()

    def __init__(self, spec):
        super().__init__(spec)
        self._watch = None

    def _attempt(self):
        if self._watch is not None:
            return
        # QGIS's connections live in the main thread; only bytes cross from there.
        self._watch = _Watch()
        self._watch.moveToThread(QgsApplication.instance().thread())
        queued = Qt.ConnectionType.QueuedConnection
        self._begin.connect(self._watch.begin, queued)
        self._end.connect(self._watch.end, queued)
        self._watch.told.connect(self._on_told, queued)
        self._watch.connected.connect(self._on_connected, queued)
        self._begin.emit()

    @pyqtSlot(bytes)
    def _on_told(self, data):
        if self._watch is not None:
            self._came(data)

    @pyqtSlot(bool)
    def _on_connected(self, is_connected):
        if self._watch is None:
            return
        if is_connected:
            self._opened(tr("Positions are logged as QGIS's GPS panel gives them."))
            return
        self._is_connected = False
        self._say(GONE, tr("QGIS's GPS panel is not connected. Connect it to the device there."))

    def _silence(self):
        return tr("Check in QGIS's GPS panel that it has a position.")

    def _release(self):
        if self._watch is not None:
            self._end.emit()
            self._begin.disconnect(self._watch.begin)
            self._end.disconnect(self._watch.end)
            self._watch = None


class _Watch(QObject):
    """In the main thread: looks for a connection of QGIS, and hands on what it gives."""

    told = pyqtSignal(bytes)
    connected = pyqtSignal(bool)

    def __init__(self):
        super().__init__()
        self._connection, self._clock, self._was = None, None, None
        self._has_sentences, self._last = False, b""

    @pyqtSlot()
    def begin(self):
        # From here on it belongs to QGIS, so that no other thread takes it away.
        self.setParent(QgsApplication.instance())
        self._clock = QTimer(self)
        self._clock.setInterval(LOOK_MS)
        self._clock.timeout.connect(self._look)
        self._clock.start()
        self._look()

    @pyqtSlot()
    def end(self):
        self._leave()
        if self._clock is not None:
            self._clock.stop()
        self.deleteLater()

    def _look(self):
        found = gps_connections()
        if self._connection is not None and self._connection not in found:
            self._leave()
        if self._connection is None and found:
            self._connection, self._has_sentences = found[0], False
            self._connection.nmeaSentenceReceived.connect(self._on_sentence)
            self._connection.stateChanged.connect(self._on_state)
        is_connected = self._connection is not None
        if is_connected != self._was:
            self._was = is_connected
            self.connected.emit(is_connected)

    def _leave(self):
        if self._connection is None:
            return
        try:
            self._connection.nmeaSentenceReceived.disconnect(self._on_sentence)
            self._connection.stateChanged.disconnect(self._on_state)
        except (RuntimeError, TypeError):
            pass  # QGIS has deleted it
        self._connection = None

    def _on_sentence(self, text):
        # A connection that has sentences tells each before the position that it made of it.
        self._has_sentences = True
        self.told.emit(text.strip().encode("utf-8", "replace") + b"\r\n")

    def _on_state(self, information):
        if not self._has_sentences:
            sentences = fix_sentences(information)
            # The same position is told again with news of satellites.
            if sentences and sentences != self._last:
                self.told.emit(sentences)
            self._last = sentences


def gps_connections() -> list:
    """Return the connections of QGIS to GPS devices, without our own; main thread only."""
    registry = QgsApplication.gpsConnectionRegistry()
    return [each for each in registry.connectionList() if not is_tee(each)]
