"""What tests of sources share: an event loop that waits for something, and an ear."""

import time

from qgis.PyQt.QtCore import QCoreApplication, QEvent, QEventLoop, QObject, pyqtSlot

#: What a device sends each second (checksums by NMEA 0183: exclusive or between $ and *).
SENTENCES = (
    b"$GPGGA,140003.00,4645.00000,N,09200.00000,W,1,08,1.0,300.0,M,-30.0,M,,*54\r\n"
    b"$SDDPT,5.0,0.0*52\r\n$YXMTW,17.5,C*11\r\n"
)


def wait_until(condition, seconds=10.0):
    """Let events happen until a condition holds; fail where it does not in time."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it has not happened in time"
        QCoreApplication.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 20)
        QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        time.sleep(0.002)


def wait(seconds):
    """Let events happen for so long."""
    until = time.monotonic() + seconds
    wait_until(lambda: time.monotonic() >= until, seconds + 10)


class Ear(QObject):
    """Keeps what a source gives."""

    def __init__(self, source):
        super().__init__()
        self.pieces, self.states = [], []
        source.arrived.connect(self.hear)
        source.changed.connect(self.see)

    @pyqtSlot(bytes)
    def hear(self, data):
        self.pieces.append(data)

    @pyqtSlot(str, str)
    def see(self, state, text):
        self.states.append((state, text))

    @property
    def data(self):
        return b"".join(self.pieces)

    @property
    def state(self):
        return self.states[-1][0]

    @property
    def text(self):
        return self.states[-1][1]
