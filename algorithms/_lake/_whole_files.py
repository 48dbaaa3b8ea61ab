"""Small files that are written whole or not at all, and names that are not taken."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from .._io.flushing import flush

__all__ = ["free_name", "write_text_whole"]


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
        os.replace(beside, path)
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
