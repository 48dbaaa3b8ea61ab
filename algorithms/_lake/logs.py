"""Copies of logs in the folder of a lake: each content once, and no other file.

A recording is a folder, and is copied as one.
"""

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
from ..core.reading.recorded_log import is_beside_a_log, raw_logs, recording_files, recording_of
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
    a number. Of a folder only what is read as a log by itself is taken. Of a recording all is
    copied, also where only one of its files is given.

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
        if path.is_file() or recording_of(path):
            by_size[_size(path)].append(path)
    staged = []
    for number, path in enumerate(p for p in files if lake.logs not in p.parents):
        step = span(progress, number / len(files), (number + 1) / len(files))
        try:
            same_size = by_size[_size(path)]
            digest = _digest(path) if same_size else ""
            if any(_digest(other) == digest for other in same_size):
                continue
            copy = _copy(path, staging / f"log {number}", step)
        except OSError as error:
            raise _cannot_copy(path, lake, error) from error
        same_size.append(copy)
        staged.append((path, copy))
    return staged


def place_log(lake, path, staged) -> Path:
    """Put the copy of a log among those of a lake, under a name that is not taken."""
    ending = "" if path.is_dir() else file_name(path.suffix, "")[:20]
    name = file_name(path.name if path.is_dir() else path.stem, "log")
    name += f".{ending}" if ending else ""
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


def _size(path):
    """Return the bytes of a log, or of all raw logs of a recording."""
    return sum(part.stat().st_size for part in _contents(path))


def _digest(path) -> tuple:
    return (path.is_dir(), *sorted(content_digest(part) for part in _contents(path)))


def _contents(path) -> list:
    return raw_logs(path) if path.is_dir() else [path]


def _files(paths, progress):
    """Return the logs among files and in folders, each once; of a recording its folder."""
    found = _logs(paths, progress)
    found = [(recording_of(path) or path).absolute() for path in found]
    return list(dict.fromkeys(found))


def _logs(paths, progress):
    found = []
    for path in map(Path, [paths] if isinstance(paths, (str, Path)) else paths):
        progress(0.0)
        if path.is_dir():
            inside = [
                p
                for p in sorted(path.rglob("*"))
                if p.is_file() and not any(n.startswith(".") for n in p.relative_to(path).parts)
            ]
            found += [p for p in inside if progress(0.0) or _is_taken(p)]
        elif path.is_file():
            found += [path] if _is_taken(path, sure=False) else []
        else:
            raise LakefloorError(
                tr("There is no file or folder '{}'. Choose another.").format(path)
            )
    return found


def _is_taken(path, sure=True):
    return not is_beside_a_log(path) and is_log(path, sure)


def _copy(path, copy, check):
    if path.is_dir():
        copy.mkdir()
        for part in recording_files(path):
            _copy(part, copy / part.name, check)
        return copy
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
