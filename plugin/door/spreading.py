"""Work of the main thread is done part by part, so that the window can go on between the parts."""

from __future__ import annotations

from collections import deque

from qgis.PyQt.QtCore import QObject, QTimer

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError


class Spread(QObject):
    """Does one piece of work after another, of each a part whenever the window is idle."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self._waiting = deque()
        self._next = QTimer(self)
        self._next.setInterval(0)
        self._next.timeout.connect(self._go_on)

    def do(self, parts, then=None, failed=None, after=0):
        """Do some work.

        Parameters
        ----------
        parts : generator
            Does a part of the work each time it is asked.
        then : callable, optional
            Called with what was yielded last.
        failed : callable, optional
            Called with a sentence if the work raised LakefloorError or OSError.
        after : int
            Milliseconds to wait before.
        """
        if after:
            later = QTimer(self)  # so that it ends with this
            later.setSingleShot(True)
            later.timeout.connect(lambda: self.do(parts, then, failed))
            later.timeout.connect(later.deleteLater)
            later.start(after)
            return
        self._waiting.append([parts, then, failed, None])
        self._next.start()

    @property
    def busy(self) -> bool:
        """Whether there is work."""
        return bool(self._waiting)

    def forget(self):
        """Leave the rest undone, as what it is about is there no more."""
        waiting, self._waiting = self._waiting, deque()
        self._next.stop()
        for parts, *_ in waiting:
            parts.close()

    def _go_on(self):
        piece = self._waiting[0]
        parts, then, failed, last = piece
        try:
            piece[3] = next(parts)
            return
        except StopIteration:
            call, result = then, last
        except (LakefloorError, OSError) as error:
            call, result = failed, str(error)
        except RuntimeError:  # an object of Qt that is no more
            call, result = failed, tr("A layer was removed while it was renewed. Run that again.")
        except BaseException:
            self._drop(piece)
            raise
        self._drop(piece)
        if call is not None:
            call(result)

    def _drop(self, piece):
        if piece in self._waiting:
            self._waiting.remove(piece)
        if not self._waiting:
            self._next.stop()
