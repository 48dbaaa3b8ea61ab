"""Make layouts and their parts outside the main thread.

A layout is a scene of Qt, and each scene enters itself into a list of the application when it is
made, and leaves it when it goes. That list is not made for two threads. So the main thread
stands still meanwhile. Everything else that a layout needs belongs to the thread that made it.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QCoreApplication, QObject, QThread, pyqtSignal, pyqtSlot

#: How long the main thread is waited for, s. Where it does not come, it waits for this thread.
_PATIENCE = 5.0
#: How long it stands still at most, s. It takes thousandths.
_MOST = 1.0
_one_at_a_time = threading.Lock()
_LABELS = threading.Lock()


class _Ask(QObject):
    """Belongs to the main thread, which stands still in :meth:`stand_still`."""

    asked = pyqtSignal(object, object)

    def __init__(self):
        super().__init__()
        self.asked.connect(self.stand_still)
        self.moveToThread(QCoreApplication.instance().thread())

    @pyqtSlot(object, object)
    def stand_still(self, stands, go_on):
        stands.set()
        go_on.wait(_MOST)


@contextmanager
def main_thread_parked():
    """Do in another thread what the main thread must not do meanwhile."""
    application = QCoreApplication.instance()
    if application is None or QThread.currentThread() == application.thread():
        yield
        return
    stands, go_on = threading.Event(), threading.Event()
    with _one_at_a_time:
        ask = _Ask()
        ask.asked.emit(stands, go_on)
        stands.wait(_PATIENCE)
        try:
            yield
        finally:
            go_on.set()
            ask.deleteLater()


@contextmanager
def no_word_of_web_pages():
    """Make a label in another thread without a line in QGIS's log.

    QGIS 3.22 warns there of each label that it cannot be a web page, which none here is.
    """
    application = QCoreApplication.instance()
    if application is None or QThread.currentThread() == application.thread():
        yield
        return
    with _LABELS:
        spoke = QgsApplication.messageLog().blockSignals(True)
        try:
            yield
        finally:
            QgsApplication.messageLog().blockSignals(spoke)
