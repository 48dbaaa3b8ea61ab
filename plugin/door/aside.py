"""Short work beside the window: reading and changing the lake database without a freeze."""

from __future__ import annotations

import threading
from collections import deque

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._libraries import import_libraries
from ...algorithms.core.errors import LakefloorError


class Aside(QObject):
    """Does one piece of work after another in a thread, and brings the results to the window."""

    _over = pyqtSignal(object, object, object)

    def __init__(self, parent=None):
        super().__init__(parent)
        self._waiting, self._thread = deque(), None
        self._over.connect(self._bring)

    def do(self, work, then, failed):
        """Do some work.

        Parameters
        ----------
        work : callable
            Called in a thread, without arguments.
        then : callable
            Called in the main thread with what the work returned.
        failed : callable
            Called there with a sentence if the work raised LakefloorError or OSError.
        """
        self._waiting.append((work, then, failed))
        self._begin()

    @property
    def busy(self) -> bool:
        """Whether there is work."""
        return self._thread is not None

    def stop(self):
        """Forget what waits, and wait for what is being done."""
        self._waiting.clear()
        if self._thread is not None:
            self._thread.join()

    def _begin(self):
        if self._thread is None and self._waiting:
            piece = self._waiting.popleft()
            self._thread = threading.Thread(target=self._do, args=piece, daemon=True)
            self._thread.start()

    def _do(self, work, then, failed):
        try:
            # The work needs them, and two threads may not begin with them at once.
            import_libraries()
            result = work()
        except (LakefloorError, OSError) as error:
            self._over.emit(failed, str(error), None)
        except Exception as error:
            self._over.emit(failed, f"{type(error).__name__}: {error}", None)
            raise
        else:
            self._over.emit(then, result, None)

    def _bring(self, call, result, _):
        self._thread = None
        call(result)
        self._begin()
