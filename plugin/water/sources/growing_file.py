"""A file into which another program writes: what is added to it comes as from a device."""

from __future__ import annotations

import errno
import os

from qgis.PyQt.QtCore import QTimer

from ....algorithms._i18n import tr
from .source import Source

#: How often the file is looked at, ms.
_PACE_MS = 250
#: Bytes read at a time.
_PIECE = 2**20
#: Bytes before the place of reading by which a file that was written anew is known.
_MEMORY = 64
#: In so much of the end the beginning of an unfinished line is looked for.
_LINE = 4096


class GrowingFile(Source):
    """Reads what is added to a file from now on.

    What was in the file before belongs to an earlier time and is left to *Read logs*; of an
    unfinished last line the whole is read. A file that appears later, takes the place of the one
    before, or is written anew is read from its start. With the end of an earlier recording it
    goes on behind it.
    """

    def __init__(self, spec, tail=b""):
        super().__init__(spec)
        self._file, self._timer, self._place, self._memory = None, None, 0, b""
        self._path, self._tail, self._is_first = spec.place.strip(), tail, True

    def _attempt(self):
        try:
            self._file = _opened(self._path)
            if self._is_first:
                self._go_to(_beginning(self._file, self._tail))
            else:
                self._go_to(0)
        except FileNotFoundError:
            self._is_first = False
            text = tr("{} is not there. It is read as soon as the other program writes it.")
            self._lost(text.format(self.spec.title))
            return
        except OSError as error:
            text = tr("{} cannot be read ({}). Choose another file or correct its permissions.")
            self._lost(text.format(self.spec.title, error.strerror))
            return
        self._is_first = False
        self._timer = QTimer(self)
        self._timer.setInterval(_PACE_MS)
        self._timer.timeout.connect(self._read)
        self._timer.start()
        self._opened(tr("Reading what is added to {}.").format(self.spec.title))
        self._read()

    def _read(self):
        try:
            self._take()
            if self._file is not None and self._is_replaced():
                self._take()  # what came last before the change of files
                self._file.close()
                self._file = _opened(self._path)
                self._go_to(0)
                self._take()
        except FileNotFoundError:
            text = tr("{} was taken away. It is read as soon as it is there again.")
            self._lost(text.format(self.spec.title))
        except OSError as error:
            text = tr("{} cannot be read ({}). Check the drive or the network.")
            self._lost(text.format(self.spec.title, error.strerror))

    def _take(self):
        """Give what is new since the last look."""
        if self._is_written_anew():
            self._go_to(0)
        while self._file is not None:
            data = self._file.read(_PIECE)
            if not data:
                return
            self._place += len(data)
            self._memory = (self._memory + data)[-_MEMORY:]
            self._came(data)

    def _is_written_anew(self):
        """Tell whether the file no longer has what was read last where it stood."""
        if self._file is None:
            return False
        self._file.seek(self._place - len(self._memory))
        return self._file.read(len(self._memory)) != self._memory

    def _is_replaced(self):
        try:
            return not os.path.samestat(os.fstat(self._file.fileno()), os.stat(self._path))
        except FileNotFoundError:
            return True

    def _go_to(self, place):
        start = max(0, place - _MEMORY)
        self._file.seek(start)
        self._memory = self._file.read(place - start) if place else b""
        self._place = place

    def _silence(self):
        return tr("Check that the other program still writes it.")

    def _release(self):
        if self._timer is not None:
            self._timer.stop()
            self._timer.deleteLater()
        if self._file is not None:
            self._file.close()
        self._file, self._timer = None, None


def _opened(path):
    if os.path.exists(path) and not os.path.isfile(path):
        raise OSError(errno.EINVAL, tr("it is no file"))
    return open(path, "rb", buffering=0)


def _beginning(file, tail):
    """Return from where a file is read: behind what was recorded, else its last unfinished line."""
    size = file.seek(0, os.SEEK_END)
    found = _behind(file, tail, size) if tail else None
    if found is not None:
        return found
    start = max(0, size - _LINE)
    file.seek(start)
    end = file.read(size - start)
    line = end.rfind(b"\n") + 1
    return start + line if line else size


def _behind(file, tail, size):
    """Return the place behind the last time that ``tail`` stands in the file, None without one."""
    end = size
    while end > 0:
        start = max(0, end - _PIECE)
        file.seek(start)
        found = file.read(min(size, end + len(tail)) - start).rfind(tail)
        if found >= 0:
            return start + found + len(tail)
        end = start
    return None
