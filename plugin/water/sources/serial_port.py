"""A serial port, read through POSIX: raw, alone, without waiting."""

from __future__ import annotations

import errno
import fcntl
import grp
import os
import termios
from pathlib import Path

from qgis.PyQt.QtCore import QSocketNotifier

from ....algorithms._i18n import tr
from .ports import BY_ID, lasting_name, port_paths
from .source import Source

#: Bytes read at a time, and so many times before other work has its turn.
_PIECE, _PIECES = 65536, 64

#: Groups that own a port but are not meant to be joined by people.
_NOT_JOINED = ("root", "tty", "wheel", "nogroup")


class SerialPort(Source):
    """A serial port of Linux or macOS.

    A device that comes back under another name is found by its lasting name, and where it has none
    by being the only port that is new since it went.
    """

    def __init__(self, spec):
        super().__init__(spec)
        self._path, self._descriptor, self._notifier = spec.place.strip(), -1, None
        self._lasting, self._ports_before = None, None

    def _attempt(self):
        trouble = ""
        for path in self._places():
            try:
                self._descriptor = open_port(path, self.spec.baud)
            except OSError as error:
                trouble = trouble or _why(path, error, self.spec.baud)
                continue
            self._begin(path)
            return
        if self._ports_before is None:
            self._ports_before = {path for path in port_paths() if str(path) != self._path}
        self._lost(trouble or _not_there(self.spec.title))

    def _begin(self, path):
        moved = self.state and not _same(path, self._path)
        self._path, self._ports_before = path, None
        self._lasting = self._lasting or lasting_name(path)
        self._notifier = QSocketNotifier(self._descriptor, QSocketNotifier.Type.Read, self)
        self._notifier.activated.connect(self._read)
        text = tr("{} is open at {} baud.").format(self.spec.title, self.spec.baud)
        if moved:
            text += " " + tr("The device is now at {}.").format(path)
        self._opened(text)

    def _places(self):
        """Yield where to try: the lasting name, the port as it was, the only one that is new."""
        if self._lasting is None and Path(self._path).parent == BY_ID:
            self._lasting = Path(self._path)
        if self._lasting is not None and self._lasting.exists():
            yield str(self._lasting.resolve())
        if Path(self._path).exists():
            if self._lasting is None or lasting_name(self._path) in (None, self._lasting):
                yield self._path
        elif self._lasting is None and self._ports_before is not None:
            new = [path for path in port_paths() if path not in self._ports_before]
            if len(new) == 1:
                yield str(new[0])

    def _read(self, *_):
        pieces, trouble = [], ""
        try:
            for _ in range(_PIECES):
                pieces.append(os.read(self._descriptor, _PIECE))
                if not pieces[-1]:
                    trouble = _not_there(self.spec.title)
                    break
        except BlockingIOError:
            pass
        except OSError as error:
            trouble = _why(self._path, error, self.spec.baud)
        self._came(b"".join(pieces))
        if trouble and self._notifier is not None:
            self._lost(trouble)

    def _look(self):
        """Find the port gone where its driver does not say so."""
        try:
            is_there = os.stat(self._path).st_rdev == os.fstat(self._descriptor).st_rdev
        except OSError:
            is_there = False
        if not is_there:
            self._lost(_not_there(self.spec.title))

    def _silence(self):
        return tr("Check the device, its cable, and whether it sends at {} baud.").format(
            self.spec.baud
        )

    def _release(self):
        if self._notifier is None:
            return
        self._notifier.setEnabled(False)
        self._notifier.deleteLater()
        self._notifier = None
        close_port(self._descriptor)
        self._descriptor = -1
        if self._ports_before is None:
            self._ports_before = {path for path in port_paths() if str(path) != self._path}


def open_port(path: str, baud: int) -> int:
    """Open a port raw (8 bits, no parity, no flow control) for oneself, and return its descriptor.

    Raises OSError, with EBUSY where another program has it and EINVAL for a rate it cannot.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
    try:
        if not os.isatty(descriptor):
            raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
        # The lock keeps those out who ask for one, the other all that are not the superuser: of
        # two readers each would get a part.
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY)) from error
        # A pseudo-terminal would stay closed to others after a crash, until its other end closes.
        if not os.path.realpath(path).startswith("/dev/pts/"):
            fcntl.ioctl(descriptor, termios.TIOCEXCL)
        _make_raw(descriptor, baud)
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def close_port(descriptor: int):
    """Give a port free for others."""
    try:
        fcntl.ioctl(descriptor, termios.TIOCNXCL)
    except OSError:
        pass  # the device is gone
    finally:
        os.close(descriptor)


def _make_raw(descriptor, baud):
    speed = getattr(termios, f"B{baud}", None)
    if speed is None:
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
    try:
        control = termios.tcgetattr(descriptor)[6]
        # One byte is enough to be woken; nothing at all means then that the device hung up.
        control[termios.VMIN], control[termios.VTIME] = 1, 0
        lines = termios.CS8 | termios.CREAD | termios.CLOCAL
        raw = [0, 0, lines, 0, speed, speed, control]
        termios.tcsetattr(descriptor, termios.TCSANOW, raw)
    except termios.error as error:
        raise OSError(*error.args) from error


def _same(one, other):
    return os.path.realpath(one) == os.path.realpath(other)


def _not_there(title):
    return tr("{} is not there. Plug the device in; it goes on by itself.").format(title)


def _why(path, error, baud):
    """Return what keeps a port from being read, and what to do."""
    if error.errno in (errno.EACCES, errno.EPERM):
        return _no_permission(path)
    if error.errno == errno.EBUSY:
        return tr("Another program uses {}. Close that program; it goes on by itself.").format(path)
    if error.errno == errno.ENOTTY:
        return tr("{} is not a serial port. Choose the port of the device.").format(path)
    if error.errno == errno.EINVAL:
        return tr("{} cannot be read at {} baud. Choose another rate.").format(path, baud)
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO):
        return _not_there(path)
    return tr("{} cannot be read ({}). Check the device and its cable.").format(
        path, error.strerror
    )


def _no_permission(path):
    try:
        group = grp.getgrgid(os.stat(path).st_gid).gr_name
    except (OSError, KeyError):
        group = ""
    if not group or group in _NOT_JOINED:
        return tr("You may not read {}. Ask for access to it on this computer.").format(path)
    return tr(
        "You may not read {0}. Run 'sudo usermod -aG {1} $USER' in a terminal, then log in again."
    ).format(path, group)
