"""QGIS's own displays see the position: our bytes go into its registry of GPS connections."""

from __future__ import annotations

from qgis.core import QgsApplication, QgsNmeaConnection
from qgis.PyQt.QtCore import QCoreApplication, QIODevice, QObject, pyqtSlot

#: Marks our connection among those of QGIS.
_MARK = "lakefloor_tee"

#: What waits for QGIS is kept up to so many bytes, then the oldest is dropped: it is only shown.
_KEPT = 65536


class Tee(QObject):
    """Feeds QGIS with what a source reads; lives in the main thread."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self._pipe, self._connection = None, None
        QCoreApplication.instance().aboutToQuit.connect(self.stop)

    def start(self):
        """Show QGIS a connection."""
        if self._connection is not None:
            return
        self._pipe = _Pipe()
        self._pipe.open(QIODevice.OpenModeFlag.ReadOnly)
        self._connection = QgsNmeaConnection(self._pipe)
        self._connection.setProperty(_MARK, True)
        self._connection.connect()
        QgsApplication.gpsConnectionRegistry().registerConnection(self._connection)

    @pyqtSlot(bytes)
    def feed(self, data: bytes):
        """Give QGIS bytes."""
        if self._pipe is not None:
            self._pipe.add(data)

    @pyqtSlot()
    def stop(self):
        """Take the connection out of QGIS."""
        if self._connection is None:
            return
        connection, self._connection, self._pipe = self._connection, None, None
        QgsApplication.gpsConnectionRegistry().unregisterConnection(connection)
        connection.close()
        connection.deleteLater()


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
        del self._waiting[:-_KEPT]
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
