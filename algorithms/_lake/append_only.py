"""A file to whose end bytes are written; until they are on the disk for sure, they are kept in memory.

A disk that is full, or a stick that is pulled out, may take back what was written to it but not yet
brought to the disk. So what lies behind the last success is written once more when there is room.
"""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

__all__ = ["AppendOnly"]

#: What a file system says that knows no bringing to the disk.
_UNKNOWN = (errno.EINVAL, getattr(errno, "ENOTSUP", errno.EINVAL))


class AppendOnly:
    """A file that only grows.

    Attributes
    ----------
    path : Path
    kept : int
        Bytes of the file that are on the disk for sure; they are never touched again.
    waiting : bytearray
        Bytes behind them, of which the first :attr:`written` were handed to the system.
    """

    def __init__(self, path: Path):
        self.path, self.waiting, self.written = path, bytearray(), 0
        self._descriptor = None
        self.kept = path.stat().st_size if path.exists() else 0

    @property
    def size(self) -> int:
        """Bytes of the file once all is written."""
        return self.kept + len(self.waiting)

    def add(self, data: bytes):
        """Let bytes wait for :meth:`write`."""
        self.waiting += data

    def write(self):
        """Hand what waits to the system.

        Raises
        ------
        OSError
            If it does not take all; :meth:`write` goes on where it stopped.
        """
        while self.written < len(self.waiting):
            self.written += os.write(self._opened(), self.waiting[self.written :])

    def sync(self):
        """Bring to the disk what was written.

        Raises
        ------
        OSError
            If it did not get there; :meth:`close` lets it be written once more.
        """
        if not self.written:
            return
        try:
            os.fsync(self._opened())
        except OSError as error:
            if error.errno not in _UNKNOWN:
                raise
        del self.waiting[: self.written]
        self.kept, self.written = self.kept + self.written, 0

    def close(self):
        """Close the file; what is not on the disk for sure counts as not written."""
        descriptor, self._descriptor, self.written = self._descriptor, None, 0
        if descriptor is not None:
            with suppress(OSError):
                os.close(descriptor)

    def _opened(self):
        if self._descriptor is None:
            flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
            # Where it was once, a new file in its place would have a hole for a beginning.
            flags |= 0 if self.kept else os.O_CREAT
            descriptor = os.open(self.path, flags, 0o666)
            try:
                self._cut(descriptor)
            except OSError:
                os.close(descriptor)
                raise
            self._descriptor = descriptor
        return self._descriptor

    def _cut(self, descriptor):
        """Cut off what is not there for sure, as it is written once more."""
        size = os.fstat(descriptor).st_size
        if size < self.kept:
            raise OSError(errno.EIO, "the file is shorter than it was", str(self.path))
        if size > self.kept:
            os.ftruncate(descriptor, self.kept)
