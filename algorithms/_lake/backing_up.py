"""The folder of a lake as one file, and back: to keep it elsewhere, or to hand it on."""

from __future__ import annotations

import os
import re
import shutil
import stat
import zipfile
import zlib
from contextlib import suppress
from datetime import datetime
from pathlib import Path, PurePosixPath

from .. import _store
from .._i18n import tr
from .._io.flushing import flush
from .._io.rows_digest import copy_package
from .._io.staging import PREFIX, staging_folder
from .._io.whole_files import free_name, rename_patiently
from ..core.errors import LakefloorError, excerpt
from ..core.progress import Progress, silent, span
from .facts import FACTS_FILE, read_facts
from .folder import LakeFolder, file_name
from .making import put_folder_in_place, require_room_for_names
from .runs import unfinished_runs
from .sources import KNOWN_FILE
from .steps import STEPS

__all__ = ["back_up", "restore"]

_BLOCK = 1 << 20
#: What SQLite and this plugin keep beside files while they are open; the copies need none of it.
_PASSING = re.compile(r".*-(wal|shm|journal)|lake.*\.lock|\..*\.new|\.old-.*", re.IGNORECASE)


def back_up(lake: LakeFolder, to=None, progress: Progress = silent) -> Path:
    """Pack the folder of a lake into a zip file, which is read again before it counts.

    Databases are copied as they are at one moment, also while QGIS has them open. The lock, runs
    that are under way and earlier backups are left out.

    Parameters
    ----------
    lake : LakeFolder
    to : str or Path, optional
        A folder; by default that of the lake's backups.
    progress : callable

    Returns
    -------
    Path
        Named after the lake and the day.

    Raises
    ------
    LakefloorError
        If a file cannot be read, or the zip cannot be written; there is none then.
    """
    facts = read_facts(lake.path)
    to = Path(to) if to is not None else lake.backups
    try:
        if to == lake.backups:
            to.mkdir(exist_ok=True)
        day = datetime.now().strftime("%Y-%m-%d")
        with staging_folder(to) as staging:
            packed = staging / "backup.zip"
            files = _files(lake)
            _pack(lake.path, files, packed, file_name(facts.name), span(progress, 0.0, 0.7))
            _look_over(packed, len(files), span(progress, 0.7, 1.0))
            flush(packed)
            progress(1.0)  # the last look: from here on it is made
            final = free_name(to / f"{file_name(facts.name)} {day}.zip")
            rename_patiently(packed, final)
    except (OSError, zipfile.BadZipFile, zlib.error) as error:
        raise LakefloorError(
            tr(
                "The lake could not be backed up ({}). There is no new backup. Check that the disk "
                "is not full, and that no other program writes to the lake."
            ).format(error)
        ) from error
    return final


def _files(lake) -> list:
    """Return the files that make up a lake, relative to its folder."""
    left_out = {lake.backups, *(f for step in STEPS for f in unfinished_runs(lake, step.key))}
    found = []
    for folder, names, files in os.walk(lake.path):
        names[:] = sorted(
            n
            for n in names
            if Path(folder) / n not in left_out and not n.startswith((PREFIX, ".old-"))
        )
        found += [
            (Path(folder) / n).relative_to(lake.path)
            for n in sorted(files)
            if not _PASSING.fullmatch(n) and n != KNOWN_FILE
        ]
    return found


def _pack(base, files, packed, name, progress):
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for number, path in enumerate(files):
            step = span(progress, number / len(files), (number + 1) / len(files))
            source = _as_of_one_moment(base / path, packed.with_name("database"))
            info = zipfile.ZipInfo(f"{name}/{path.as_posix()}", _moment(base / path))
            info.compress_type = zipfile.ZIP_DEFLATED
            with source.open("rb") as data, archive.open(info, "w", force_zip64=True) as target:
                while block := data.read(_BLOCK):
                    step(0.5)
                    target.write(block)


def _as_of_one_moment(path, copy) -> Path:
    """Return the file to pack: of a database a copy of what it holds now."""
    with path.open("rb") as file:
        if file.read(15) != b"SQLite format 3":
            return path
    with suppress(FileNotFoundError):
        copy.unlink()
    copy_package(path, copy)
    if path.name == LakeFolder(path.parent).database.name:
        _store.contents(copy)  # a damaged one must not look like the latest good backup
    return copy


def _moment(path):
    """Return when a file was changed, as a zip states it: from 1980 on."""
    return max(datetime.fromtimestamp(path.stat().st_mtime).timetuple()[:6], (1980, 1, 1, 0, 0, 0))


def _look_over(packed, count, progress):
    """Read a zip file from end to end, with the sum of each file."""
    with zipfile.ZipFile(packed) as archive:
        infos = archive.infolist()
        for number, info in enumerate(infos):
            with archive.open(info) as data:
                while data.read(_BLOCK):
                    progress(number / len(infos))
    if len(infos) != count:
        raise zipfile.BadZipFile(tr("it is incomplete"))


def restore(backup, parent, progress: Progress = silent) -> LakeFolder:
    """Unpack the folder of a lake from a zip file, whole or not at all.

    It gets the name that it had, with a number where there is such a folder already.

    Parameters
    ----------
    backup : str or Path
    parent : str or Path
        The folder into which it is put.
    progress : callable

    Raises
    ------
    LakefloorError
        If the file is no backup of a lake, is damaged, holds paths that lead out of the folder, or
        the disk has no room. Nothing is there then.
    """
    backup, parent = Path(backup), Path(parent)
    try:
        with zipfile.ZipFile(backup) as archive, staging_folder(parent) as staging:
            root, members = _members(archive, backup)
            _require_room(members, parent, backup)
            folder = free_name(parent.absolute() / file_name(root or backup.stem))
            require_room_for_names(folder)
            made = staging / folder.name
            made.mkdir()
            for number, (info, path) in enumerate(members):
                _unpack(archive, info, made / path, lambda: progress(number / len(members)))  # noqa: B023
            _require_facts(made, backup)
            progress(1.0)
            put_folder_in_place(made, folder)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise LakefloorError(
            tr("'{}' is no zip file, or it is damaged ({}). Choose another backup.").format(
                backup.name, error
            )
        ) from error
    except OSError as error:
        raise LakefloorError(
            tr(
                "'{}' could not be unpacked into '{}' ({}). Nothing was kept. Check that the disk "
                "is not full and that you may write there."
            ).format(backup.name, parent, error.strerror or error)
        ) from error
    return LakeFolder(folder)


def _require_facts(made, backup):
    """Refuse a backup whose lake cannot be read, by the name of the file that the user knows."""
    try:
        read_facts(made)
    except LakefloorError as error:
        said = str(error).replace(str(made / FACTS_FILE), FACTS_FILE)
        raise LakefloorError(
            tr("'{}' holds a lake that cannot be read. Choose another backup. {}").format(
                backup.name, said
            )
        ) from error


def _members(archive, backup):
    """Return the name of the folder in a zip file, and its files with their paths in there."""
    files = [info for info in archive.infolist() if not info.is_dir()]
    facts = [i.filename for i in files if PurePosixPath(i.filename).name == FACTS_FILE]
    facts = sorted(facts, key=lambda name: name.count("/"))
    if not facts or facts[0].count("/") > 1:
        raise LakefloorError(
            tr("'{}' is no backup of a lake: it has no file '{}'. Choose another file.").format(
                backup.name, FACTS_FILE
            )
        )
    root, _, _ = facts[0].rpartition("/")
    members, seen = [], set()
    for info in files:
        if root and not info.filename.startswith(f"{root}/"):
            continue  # what some systems put beside a folder that is packed
        path = info.filename[len(root) + 1 :] if root else info.filename
        # Of two names that differ in the case of letters, some systems keep one.
        if not _is_plain(path) or path.casefold() in seen or stat.S_ISLNK(info.external_attr >> 16):
            raise LakefloorError(
                tr(
                    "'{}' holds a file that cannot belong to a lake: '{}'. Nothing was unpacked. "
                    "Choose a backup from a source that you trust."
                ).format(backup.name, excerpt(info.filename))
            )
        seen.add(path.casefold())
        members.append((info, path))
    return root, members


def _is_plain(path) -> bool:
    """Say whether a path stays within its folder, on every system."""
    parts = path.split("/")
    return not (
        set(parts) & {"", ".", ".."} or any(sign in path for sign in "\\:\0") or len(path) > 400
    )


def _require_room(members, parent, backup):
    needed = sum(info.file_size for info, _ in members)
    if needed > shutil.disk_usage(parent).free:
        raise LakefloorError(
            tr("'{}' needs {:.0f} MB, which '{}' does not have free. Make room, or choose another "
               "place.").format(backup.name, needed / 1e6, parent)
        )  # fmt: skip


def _unpack(archive, info, path, check):
    path.parent.mkdir(parents=True, exist_ok=True)
    with archive.open(info) as data, path.open("xb") as target:
        while block := data.read(_BLOCK):
            check()
            target.write(block)
    flush(path)
    with suppress(OSError, ValueError, OverflowError):
        moment = datetime(*info.date_time).timestamp()
        os.utime(path, (moment, moment))
