"""Who works on a lake: a file with the machine and the time, so that two do not write at once.

The holder keeps the file open with a lock of the system, and writes the time into it once a minute
(:func:`refresh_lock`). On the same machine the system's lock tells whether the holder still lives:
it ends with the process, however that ended. From another machine only the time tells, since
network drives and synchronized folders know no such locks: a holder that has not been heard of for
:data:`SILENT_S` is gone. Who takes a lake by force writes its own name into the file; the former
holder finds that at its next refresh, and stops writing.
"""

from __future__ import annotations

import errno
import json
import os
import platform
import time
import uuid
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timezone

from .._i18n import tr
from .._io.same_place import place_of
from ..core.errors import LakefloorError

__all__ = [
    "REFRESH_S",
    "SILENT_S",
    "LakeLock",
    "holder_of",
    "refresh_lock",
    "release_lock",
    "take_lock",
]

#: How often the holder says that it is there, and when it counts as gone, s. Programs that
#: synchronize folders take minutes to hand a file on.
REFRESH_S, SILENT_S = 60.0, 900.0

#: A byte behind the text, which Windows would not let others read where it is locked.
_BYTE = 1 << 20
_BUSY = (errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK)

_LONG_AGO = datetime(1970, 1, 1, tzinfo=timezone.utc)

#: Of this process: path of the file -> (descriptor that keeps it open, token written in it).
_held = {}


@dataclass(frozen=True)
class LakeLock:
    """Who holds a lake: machine, number of the process there, and UTC time (ISO 8601).

    The time is that of the last sign of life. Of a file that cannot be read the machine is "".
    """

    machine: str
    process: int
    time: str
    token: str = ""

    @property
    def own(self) -> bool:
        """Whether this very process holds it."""
        return any(self.token == token for _, token in _held.values()) and self.token != ""

    @property
    def silent(self) -> bool:
        """Whether the holder has not been heard of for long."""
        try:
            heard = datetime.fromisoformat(self.time)
        except ValueError:
            return False
        return (datetime.now(timezone.utc) - heard).total_seconds() > SILENT_S


def take_lock(lake, by_force=False) -> LakeLock | None:
    """Take the lock of a lake; return None if it is ours now, else who holds it.

    What a process left when it ended is taken over; ``by_force`` takes it from one that lives.

    Raises
    ------
    LakefloorError
        If the folder is read-only, or the file cannot be written.
    """
    held = holder_of(lake)
    if held is not None and held.own:
        return None
    descriptor, new = _opened(lake.lock)
    try:
        alone = _lock(descriptor, tries=20 if new else 1)
        held = holder_of(lake)  # as it is now that nobody of this machine changes it
        if not (new or by_force or held is None or _has_ended(held, alone)):
            _close(descriptor)
            return held
        token = uuid.uuid4().hex
        _write(descriptor, token)
    except OSError as error:
        _close(descriptor)
        raise _cannot_write(lake, error) from error
    _held[_key(lake)] = descriptor, token
    return None


def refresh_lock(lake) -> LakeLock | None:
    """Say that the holder is still there; return None, or who has taken the lake meanwhile.

    To be called every :data:`REFRESH_S`. The lock is no longer ours where another is returned.
    """
    descriptor, token = _held.get(_key(lake), (None, ""))
    held = holder_of(lake)
    if held is not None and held.token != token:
        _let_go(lake)
        return held
    if descriptor is None:
        return take_lock(lake)
    if held is None or not _is_same(lake.lock, descriptor):
        # Removed by hand, or put in place again by what synchronizes the folder.
        _let_go(lake)
        return take_lock(lake, by_force=True)
    with suppress(OSError):  # a drive that is away for a minute
        _lock(descriptor)  # where it was taken by force, the former holder has let go now
        _write(descriptor, token)
    return None


def release_lock(lake):
    """Give the lock of a lake back, if it is ours."""
    descriptor, token = _held.get(_key(lake), (None, ""))
    held = holder_of(lake)
    own = held is not None and held.own
    if own:
        with suppress(OSError):
            _write(descriptor, token, _LONG_AGO)  # where it cannot be removed
    _let_go(lake)  # Windows removes no file that is open
    if own:
        with suppress(OSError):
            lake.lock.unlink()


def holder_of(lake) -> LakeLock | None:
    """Return who holds a lake, or None."""
    try:
        text = lake.lock.read_text(encoding="utf-8")
        content = json.loads(text.strip("\0 \n") or "{}")
        held = LakeLock(**{k: v for k, v in content.items() if k in LakeLock.__annotations__})
        if isinstance(held.machine, str) and isinstance(held.time, str):
            return held
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError, TypeError, AttributeError):
        pass
    # Somebody's, cut short or not yet handed on whole: as old as the file.
    try:
        moment = datetime.fromtimestamp(lake.lock.stat().st_mtime, timezone.utc)
    except OSError:
        return None
    return LakeLock("", 0, moment.isoformat(timespec="seconds"))


def _has_ended(held, alone) -> bool:
    """Say whether a holder is gone; ``alone`` is whether nobody here has the file locked.

    None stands for a file system without locks.
    """
    if held.machine == platform.node() and alone is not None:
        return alone
    return held.silent


def _opened(path):
    """Open the file, and say whether it was made now."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
    try:
        try:
            return os.open(path, flags | os.O_EXCL, 0o666), True
        except FileExistsError:
            return os.open(path, flags, 0o666), False
    except OSError as error:
        raise LakefloorError(
            tr(
                "Cannot write '{}' ({}). The lake can be looked at, but not changed. Allow writing "
                "to its folder, or copy it to another place."
            ).format(path, error.strerror)
        ) from error


def _cannot_write(lake, error):
    return LakefloorError(
        tr("Cannot write '{}' ({}). Check that the disk is not full.").format(
            lake.lock, error.strerror
        )
    )


def _lock(descriptor, tries=1):
    """Lock a file; return whether it is ours now, None where the file system knows no locks."""
    for _ in range(tries - 1):
        if _lock(descriptor) is not False:
            break
        time.sleep(0.01)  # another process is only having a look
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(descriptor, _BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return False if error.errno in _BUSY else None
    return True


def _write(descriptor, token, moment=None):
    """Write who holds the lake, in one piece and always as long, so that no reader sees half."""
    moment = (moment or datetime.now(timezone.utc)).isoformat(timespec="seconds")
    lock = LakeLock(platform.node(), os.getpid(), moment, token)
    data = json.dumps(asdict(lock)).encode("utf-8")
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, data)
    os.ftruncate(descriptor, len(data))


def _key(lake):
    return place_of(lake.lock)


def _is_same(path, descriptor) -> bool:
    with suppress(OSError):
        return os.path.samestat(os.stat(path), os.fstat(descriptor))
    return False


def _let_go(lake):
    descriptor, _ = _held.pop(_key(lake), (None, ""))
    if descriptor is not None:
        _close(descriptor)


def _close(descriptor):
    with suppress(OSError):
        os.close(descriptor)
