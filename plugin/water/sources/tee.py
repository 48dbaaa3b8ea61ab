"""QGIS's own displays see the position: our bytes go into its registry of GPS connections.

QGIS takes what it cannot read for a position at 0, 0, and glues what is cut. So it is given whole
sentences of a position, and nothing before the first.
"""

from __future__ import annotations

import re
from functools import partial

from qgis.core import QgsApplication, QgsNmeaConnection
from qgis.PyQt import sip
from qgis.PyQt.QtCore import QCoreApplication, QIODevice, QObject, pyqtSlot

from ....algorithms.core.reading.nmea_sentences import sentence_checksum
from .gps_panel import show_in_panel, take_from_panel

#: Marks our connection among those of QGIS.
_MARK = "lakefloor_tee"
#: Says of it that QGIS's panel has it.
_SHOWN = "lakefloor_shown"

#: Sentences of a position, and those that say more of one.
_PLACES = (b"GGA", b"RMC", b"GNS")
_FURTHER = (*_PLACES, b"GLL", b"GSA", b"GSV", b"GST", b"VTG", b"HDT")

_SENTENCE = re.compile(rb"\$([A-Z]{2}([A-Z]{3}),[^$*!\r\n]*)\*([0-9A-Fa-f]{2})")

#: No sentence is longer; without a line end more than this is no text.
_LONGEST = 1024


#: Pipe -> what is registered with QGIS. QGIS deletes connections after the end of Python's part, and
#: fails then, so none may be left.
_connections = {}
#: What QGIS's panel may hold, so that we never delete it.
_given_away = []


class Tee(QObject):
    """Feeds QGIS with what a source reads; lives in the main thread."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self._pipe, self._begun, self._has_place = None, {}, False

    def start(self):
        """Show QGIS a connection."""
        if self._pipe is None:
            self._pipe, self._begun, self._has_place = _Pipe(), {}, False
            _register(self._pipe)
            # Where its window is deleted, this is too, and QGIS must not keep what it feeds.
            self.destroyed.connect(partial(_unregister, self._pipe))

    @pyqtSlot(bytes)
    @pyqtSlot(bytes, str)
    def feed(self, data: bytes, key: str = ""):
        """Give QGIS what these bytes of the source with that key have of positions."""
        if self._pipe not in _connections or sip.isdeleted(self._pipe):
            return
        whole, end, begun = (self._begun.get(key, b"") + data).rpartition(b"\n")
        self._begun[key] = begun[-_LONGEST:]
        told = b"".join(self._of_a_place(line) for line in whole.splitlines()) if end else b""
        if told:
            self._pipe.add(told)

    def _of_a_place(self, line):
        found = _SENTENCE.search(line)
        if found is None or found[2] not in _FURTHER:
            return b""
        if sentence_checksum(found[1]) != int(found[3], 16):
            return b""
        self._has_place = self._has_place or found[2] in _PLACES
        return found[0] + b"\r\n" if self._has_place else b""

    @pyqtSlot()
    def stop(self):
        """Take the connection out of QGIS."""
        pipe, self._pipe = self._pipe, None
        _unregister(pipe)


def is_tee(connection) -> bool:
    """Tell whether a connection of QGIS is ours."""
    return bool(connection.property(_MARK))


class _Pipe(QIODevice):
    """What was written into it is read from it, in order."""

    def __init__(self):
        super().__init__()
        self._waiting = bytearray()

    def add(self, data):
        self._waiting += data
        self.readyRead.emit()

    def isSequential(self):
        return True

    def bytesAvailable(self):
        return len(self._waiting) + super().bytesAvailable()

    def readData(self, longest):
        data = bytes(self._waiting[:longest])
        del self._waiting[:longest]
        return data

    def writeData(self, data):
        return -1


def _register(pipe):
    pipe.open(QIODevice.OpenModeFlag.ReadOnly)
    connection = QgsNmeaConnection(pipe)
    connection.setProperty(_MARK, True)
    connection.connect()
    QgsApplication.gpsConnectionRegistry().registerConnection(connection)
    if not _connections:
        # Of no object: QGIS deletes its window, with all in it, before it says so.
        QCoreApplication.instance().aboutToQuit.connect(_unregister_all)
    _connections[pipe] = connection
    connection.setProperty(_SHOWN, show_in_panel(connection))


def _unregister(pipe, *_):
    connection = _connections.pop(pipe, None)
    if connection is None:
        return
    if not _connections:
        QCoreApplication.instance().aboutToQuit.disconnect(_unregister_all)
    if sip.isdeleted(connection):
        return  # by the panel, when a person disconnected it
    if connection.property(_SHOWN) and not take_from_panel():
        _given_away.append(connection)  # a panel may hold it still
    if not sip.isdeleted(connection):
        QgsApplication.gpsConnectionRegistry().unregisterConnection(connection)
        connection.close()
        if connection not in _given_away:
            connection.deleteLater()


def _unregister_all(*_):
    for pipe in list(_connections):
        _unregister(pipe)
