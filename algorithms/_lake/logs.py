"""Copies of logs in the folder of a lake: each content once, and no other file."""

from __future__ import annotations

import os
from collections import defaultdict
from contextlib import suppress
from pathlib import Path

from .._i18n import tr
from .._io.flushing import flush
from .._io.staging import staging_folder
from .._io.whole_files import free_name, rename_patiently
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent, span
from ..core.reading.log_kinds import kind_of_log
from .folder import file_name
from .sources import content_digest

__all__ = ["copy_logs", "is_log", "place_log", "stage_logs"]


def is_log(path, sure=True) -> bool:
    """Say whether a file is a log, by its content.

    One that is not ``sure`` may be a text whose columns have to be named.
    """
    try:
        return kind_of_log(path, sure=sure) is not None
    except LakefloorError:
        return False


def copy_logs(lake, paths, progress: Progress = silent) -> list:
    """Copy logs into the folder of a lake, all of them or none.

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
        If a log cannot be copied.
    """
    with staging_folder(lake.path) as staging:
        staged = stage_logs(lake, _files(paths, progress), staging, progress)
        progress(1.0)
        return [place_log(lake, *each) for each in staged]


def stage_logs(lake, files, staging, progress: Progress = silent) -> list:
    """Copy logs into a folder from which :func:`place_log` takes them.

    Returns
    -------
    list of (Path, Path)
        The log and its copy, of those that the lake has not yet.
    """
    by_size = defaultdict(list)
    for path in lake.logs.rglob("*") if lake.logs.is_dir() else ():
        progress(0.0)
        if path.is_file():
            by_size[path.stat().st_size].append(path)
    staged = []
    for number, path in enumerate(p for p in files if lake.logs not in p.parents):
        step = span(progress, number / len(files), (number + 1) / len(files))
        try:
            same_size = by_size[path.stat().st_size]
            digest = content_digest(path) if same_size else ""
            if any(content_digest(other) == digest for other in same_size):
                continue
            copy = _copy(path, staging / f"log {number}", step)
        except OSError as error:
            raise _cannot_copy(path, lake, error) from error
        same_size.append(copy)
        staged.append((path, copy))
    return staged


def place_log(lake, path, staged) -> Path:
    """Put the copy of a log among those of a lake, under a name that is not taken."""
    ending = file_name(path.suffix, "")[:20]
    name = file_name(path.stem, "log") + (f".{ending}" if ending else "")
    try:
        lake.logs.mkdir(exist_ok=True)
        place = free_name(lake.logs / name)
        rename_patiently(staged, place)
    except OSError as error:
        raise _cannot_copy(path, lake, error) from error
    return place


def _cannot_copy(path, lake, error):
    return LakefloorError(
        tr(
            "Cannot copy '{}' into '{}' ({}). Check that the disk is not full and that you may write "
            "to the folder."
        ).format(path.name, lake.logs, error.strerror)
    )


def _files(paths, progress):
    """Return the logs among files and in folders, each once."""
    found = []
    for path in map(Path, [paths] if isinstance(paths, (str, Path)) else paths):
        progress(0.0)
        if path.is_dir():
            inside = [
                p
                for p in sorted(path.rglob("*"))
                if p.is_file() and not any(n.startswith(".") for n in p.relative_to(path).parts)
            ]
            found += [p.absolute() for p in inside if progress(0.0) or is_log(p)]
        elif path.is_file():
            found += [path.absolute()] if is_log(path, sure=False) else []
        else:
            raise LakefloorError(
                tr("There is no file or folder '{}'. Choose another.").format(path)
            )
    return list(dict.fromkeys(found))


def _copy(path, copy, check):
    with open(path, "rb") as source, open(copy, "wb") as target:
        while block := source.read(1 << 20):
            check(0.5)
            target.write(block)
    flush(copy)
    # The times alone: Windows removes no file that is write-protected, as on a card.
    with suppress(OSError):
        times = path.stat()
        os.utime(copy, ns=(times.st_atime_ns, times.st_mtime_ns))
    return copy
