"""Who works on a lake: a file with the machine and the time, so that two do not write at once."""

from __future__ import annotations

import contextlib
import json
import os
import platform
from dataclasses import dataclass
from datetime import datetime, timezone

__all__ = ["LakeLock", "holder_of", "release_lock", "take_lock"]


@dataclass(frozen=True)
class LakeLock:
    """Who holds a lake: machine, number of the process there, and UTC time (ISO 8601)."""

    machine: str
    process: int
    time: str

    @property
    def own(self) -> bool:
        """Whether this very process holds it."""
        return (self.machine, self.process) == (platform.node(), os.getpid())


def take_lock(lake, by_force=False) -> LakeLock | None:
    """Take the lock of a lake; return None if it is ours now, else who holds it.

    A lock that a process of this machine left when it ended is taken over.
    """
    held = holder_of(lake)
    if held is not None and held.own:
        return None
    if held is not None and (by_force or _has_ended(held)):
        with contextlib.suppress(FileNotFoundError):
            lake.lock.unlink()
    now = datetime.now(timezone.utc).isoformat(timespec="seconds")
    content = {"machine": platform.node(), "process": os.getpid(), "time": now}
    try:
        with open(lake.lock, "x", encoding="utf-8") as file:
            json.dump(content, file)
    except FileExistsError:
        return holder_of(lake)
    return None


def release_lock(lake):
    """Give the lock of a lake back, if it is ours."""
    held = holder_of(lake)
    if held is not None and held.own:
        with contextlib.suppress(FileNotFoundError):
            lake.lock.unlink()


def holder_of(lake) -> LakeLock | None:
    """Return who holds a lake, or None."""
    try:
        return LakeLock(**json.loads(lake.lock.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _has_ended(held) -> bool:
    if held.machine != platform.node() or os.name == "nt":
        # On Windows os.kill ends a process instead of asking for it.
        return False
    try:
        os.kill(held.process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
