"""Copies of logs in the folder of a lake: each content once, and no other file."""

from __future__ import annotations

import os
import shutil
from collections import defaultdict
from contextlib import suppress
from pathlib import Path

from .._i18n import tr
from .._io.flushing import flush
from ..core.errors import Cancelled, LakefloorError
from ..core.progress import Progress, silent
from ..core.reading.log_kinds import kind_of_log
from ._whole_files import free_name
from .folder import file_name
from .sources import content_digest

__all__ = ["copy_logs", "is_log"]


def is_log(path, sure=True) -> bool:
    """Say whether a file is a log, by its content.

    One that is not ``sure`` may be a text whose columns have to be named.
    """
    try:
        return kind_of_log(path, sure=sure) is not None
    except LakefloorError:
        return False


def copy_logs(lake, paths, progress: Progress = silent) -> list:
    """Copy logs into the folder of a lake.

    Files are recognized by their content: what is no log is left out, and a log that is there
    already, under whatever name, is not copied again. One with the name of another gets a name with
    a number. Of a folder only what is read as a log by itself is taken.

    Parameters
    ----------
    lake : LakeFolder
    paths : str, Path or iterable of them
        Files, and folders that are searched with their subfolders.
    progress : callable

    Returns
    -------
    list of Path
        The new copies.

    Raises
    ------
    LakefloorError
        If a log cannot be copied. Those before it stay: each is whole.
    """
    files = [path for path in _files(paths) if lake.logs not in path.parents]
    by_size = defaultdict(list)
    for path in lake.logs.rglob("*") if lake.logs.is_dir() else ():
        if path.is_file():
            by_size[path.stat().st_size].append(path)
    copies = []
    for number, path in enumerate(files):
        progress(number / len(files))
        try:
            same_size = by_size[path.stat().st_size]
            digest = content_digest(path) if same_size else ""
            if any(content_digest(other) == digest for other in same_size):
                continue
            copy = _copy(path, lake.logs, lambda: progress(number / len(files)))  # noqa: B023
        except OSError as error:
            raise LakefloorError(
                tr(
                    "Cannot copy '{}' into '{}' ({}). Check that the disk is not full and that you "
                    "may write to the folder."
                ).format(path.name, lake.logs, error.strerror)
            ) from error
        same_size.append(copy)
        copies.append(copy)
    progress(1.0)
    return copies


def _files(paths):
    """Return the logs among files and in folders, each once."""
    found = []
    for path in map(Path, [paths] if isinstance(paths, (str, Path)) else paths):
        if path.is_dir():
            inside = [
                p
                for p in sorted(path.rglob("*"))
                if p.is_file() and not any(n.startswith(".") for n in p.relative_to(path).parts)
            ]
            found += [p.absolute() for p in inside if is_log(p)]
        elif path.is_file():
            found += [path.absolute()] if is_log(path, sure=False) else []
        else:
            raise LakefloorError(
                tr("There is no file or folder '{}'. Choose another.").format(path)
            )
    return list(dict.fromkeys(found))


def _copy(path, folder, check):
    """Copy a log beside its place, then give it a name that is not taken."""
    folder.mkdir(exist_ok=True)
    ending = file_name(path.suffix, "")[:20]
    name = folder / (file_name(path.stem, "log") + (f".{ending}" if ending else ""))
    beside = folder / f".{os.getpid()}.new"
    try:
        with open(path, "rb") as source, open(beside, "wb") as target:
            while block := source.read(1 << 20):
                check()
                target.write(block)
        flush(beside)
        with suppress(OSError):
            shutil.copystat(path, beside)
        copy = free_name(name)
        os.rename(beside, copy)
        return copy
    except (OSError, Cancelled):
        with suppress(OSError):
            beside.unlink()
        raise
