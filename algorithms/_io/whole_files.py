"""Small files that are written whole or not at all, and names that are not taken."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from pathlib import Path

from .flushing import flush

__all__ = ["free_name", "rename_patiently", "write_text_whole"]

#: What Windows says of a file that another program has open: access denied, sharing violation.
_HELD = (5, 32)
#: Programs that look at what is new, such as virus scanners, hold it for a moment, s.
_MOMENTS = (0.05, 0.15, 0.4)


def write_text_whole(path: Path, text: str):
    """Write a text in UTF-8 into a file; until it is whole, the file before stays.

    Raises
    ------
    OSError
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with open(beside, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        flush(beside)
        rename_patiently(beside, path, os.replace)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def free_name(path: Path) -> Path:
    """Return a path, or one beside it with a number in its name, where nothing is yet."""
    number, free = 1, path
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.stem} ({number}){path.suffix}")
    return free


def rename_patiently(source: Path, target: Path, rename=os.rename):
    """Rename a file or folder, also one that another program only has a look at.

    Raises
    ------
    OSError
    """
    for moment in _MOMENTS:
        try:
            return rename(source, target)
        except PermissionError as error:
            if getattr(error, "winerror", None) not in _HELD:
                raise
            time.sleep(moment)
    return rename(source, target)
