"""Copies of a lake's store: kept aside, made as a backup, left by other programs."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

from .._i18n import tr
from .._io.flushing import flush
from .._io.sqlite_uri import read_only_uri
from .._io.staging import staging_folder
from ..core.errors import LakefloorError
from ..core.progress import silent
from .errors import DamagedError, explained, not_named_gpkg
from .file import copy_store, put_in_place, reading
from .layout import check_layout, log, provenance_of
from .undoing import forget
from .visits import parts, stored_visits, verify

#: What stands in the names of copies that Lakefloor makes beside a store.
_ASIDE = re.compile(r"-(backup|layout-[1-3]|before-restore)-\d{4}-\d{2}-\d{2}([ -].*)?")


def aside_name(path, folder, what) -> Path:
    """Return a name for a copy of a store that is not taken: what it is, and the day."""
    day = datetime.now().strftime("%Y-%m-%d")
    k = 1
    while True:
        more = f"-{k}" if k > 1 else ""
        name = folder / f"{path.stem}-{what}-{day}{more}.gpkg"
        if not os.path.lexists(name):
            return name
        k += 1


def keep_aside(path, what, folder=None, *, whole=False, progress=silent) -> Path:
    """Copy a store as it is now; return the copy's path.

    The copy has a new name with the date, is flushed to the disk and moved into place when it is
    complete; with ``whole`` it is read from end to end before.
    """
    folder = Path(folder or path.parent)
    with staging_folder(folder) as staging:
        staged = staging / path.name
        copy_store(path, staged)
        _flush_copy(staged)
        if whole:
            look_over(staged, progress)
        name = aside_name(path, folder, what)
        put_in_place(staged, name)
        return name


def _flush_copy(path):
    """Have the disk hold what was written to a file."""
    try:
        flush(path)
    except OSError as error:
        raise LakefloorError(
            tr(
                "Cannot write '{}' ({}). Nothing was changed. Check that the disk is not full, then "
                "run again."
            ).format(path.name, error.strerror)
        ) from error


def beside(path) -> list:
    """Return what the user should know of the files beside a store, in one sentence each.

    A copy of the same store, a journal and a write-ahead log. Call it before the store is opened.
    """
    path, notes = Path(path), []
    if Path(f"{path}-wal").is_file():
        notes.append(
            tr(
                "Beside lake database '{}' is '{}': QGIS or another program edits it, or was cut off. "
                "End editing there, and move or copy the two files only together."
            ).format(path.name, f"{path.name}-wal")
        )
    journal = Path(f"{path}-journal")
    if journal.is_file() and journal.stat().st_size:
        notes.append(
            tr(
                "Beside lake database '{}' is '{}': another program is writing, or a run was cut "
                "off. Opening the database undoes what was cut off, so do not delete that file."
            ).format(path.name, journal.name)
        )
    notes += [
        tr(
            "'{}' beside lake database '{}' is a copy of it, made by a program that synchronizes "
            "folders or by hand. If it has visits that are missing here, run 'Merge lake "
            "databases'. Then move it to another folder."
        ).format(other.name, path.name)
        for other in copies_of(path)
    ]
    return notes


def copies_of(path) -> list:
    """Return the files beside a store that are copies of it: its name with more, same identity.

    Copies that Lakefloor made itself, and that are named as such, do not count.
    """
    mine = _identity(path)
    if mine is None:
        return []
    found = []
    with suppress(OSError):
        for other in sorted(path.parent.iterdir()):
            a, b = sorted((path.stem.lower(), other.stem.lower()), key=len)
            related = a != b and re.search(rf"(^|\W|_){re.escape(a)}(\W|_|$)", b)
            if other.suffix.lower() != ".gpkg" or not related:
                continue
            if _ASIDE.fullmatch(b[len(a) :]) or _identity(other) != mine:
                continue
            found.append(other)
    return found


def _identity(path):
    """Return the identity of a store, None for any other file or one that is locked."""
    with suppress(LakefloorError, sqlite3.Error, OSError, UnicodeError):
        # Nothing is made or undone by looking.
        where = read_only_uri(path.resolve())
        with closing(sqlite3.connect(where, uri=True, timeout=0.0)) as db:
            db.execute("BEGIN")
            check_layout(db, path)
            return provenance_of(db)[0]
    return None


def look_over(path, progress=silent):
    """Read a store from end to end; return its visits and its identity.

    Raises
    ------
    LakefloorError
        If it is no store, or damaged.
    """
    with reading(path) as db:
        verify(db, progress)
        visits = stored_visits(db)
        total, done = sum(v.soundings for v in visits) or 1, 0
        for visit in visits:
            for _, count in parts(db, visit):
                done += count
                progress(min(done / total, 1.0))
        return visits, provenance_of(db)[0]


def back_up(path, folder, progress=silent) -> Path:
    """Copy a store to a folder, as it is at one moment, also while others use it.

    Returns
    -------
    Path
        The copy, named after the store and the day.

    Raises
    ------
    LakefloorError
        If the store is damaged, or the folder cannot be written to; no copy is there then.
    """
    return keep_aside(Path(path), "backup", folder, whole=True, progress=progress)


def restore(backup, path, progress=silent):
    """Put a backup in the place of a store, which is kept aside.

    Parameters
    ----------
    backup : str or Path
        A store: a backup, or any other copy.
    path : str or Path
        The store to be replaced, which may be absent or damaged.
    progress : callable

    Returns
    -------
    Path or None
        Where the replaced store is kept.

    Raises
    ------
    LakefloorError
        If the backup is no store or damaged, what is to be replaced is another store or no store,
        or it is in use. Nothing has changed then.
    """
    backup, path = Path(backup), Path(path)
    if path.is_dir() or path.suffix.lower() != ".gpkg":
        raise not_named_gpkg(path)
    if path.exists() and backup.exists() and path.samefile(backup):
        raise LakefloorError(
            tr(
                "The backup and the lake database are the same file. Choose the backup to restore "
                "from."
            )
        )
    with staging_folder(path.parent) as staging:
        staged = staging / path.name
        copy_store(backup, staged)
        _, identity = look_over(staged, progress)
        with explained(staged), closing(sqlite3.connect(str(staged))) as db:
            log(db, "restored", None, None, None, json.dumps({"backup": backup.name}))
            forget(db)
            db.commit()
        _flush_copy(staged)
        if not path.exists():
            put_in_place(staged, path)
            return None
        if _may_be_read(path, identity):
            return _exchange(staged, path)
        return _replace_damaged(staged, path)


def _may_be_read(path, identity):
    """Say whether the store to be replaced can still be read; refuse another one."""
    if not path.stat().st_size:
        return False
    try:
        with reading(path) as db:
            other = provenance_of(db)[0]
    except DamagedError:
        return False
    except LakefloorError as error:
        if isinstance(error.__cause__, sqlite3.DatabaseError) and not isinstance(
            error.__cause__, sqlite3.OperationalError
        ):
            return False
        raise
    if other != identity:
        raise LakefloorError(
            tr(
                "'{}' belongs to another lake than the backup, or was made separately. Give the "
                "restored lake database a new name."
            ).format(path.name)
        )
    return True


def _exchange(staged, path):
    """Write a store into another by SQLite, so that whoever has it open sees the change whole."""
    with explained(path), closing(sqlite3.connect(str(path), timeout=5.0)) as into:
        while True:
            (version,) = into.execute("PRAGMA data_version").fetchone()
            kept = keep_aside(path, "before-restore")
            if into.execute("PRAGMA data_version").fetchone() == (version,):
                break
            kept.unlink()  # another program has written meanwhile
        try:
            with closing(sqlite3.connect(str(staged))) as source:
                source.backup(into)
        except BaseException:
            kept.unlink()
            raise
    return kept


def _replace_damaged(staged, path):
    """Move a file that no one can read aside, with its journals, and a store to its place."""
    kept = aside_name(path, path.parent, "before-restore")
    try:
        for ending in ("-journal", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                os.rename(f"{path}{ending}", f"{kept}{ending}")
        try:
            os.link(path, kept)
        except OSError:  # a file system without hard links
            shutil.copy2(path, kept)
        os.replace(staged, path)
    except OSError as error:
        raise LakefloorError(
            tr("Cannot replace '{}' ({}). Close the programs that use it, then run again.").format(
                path.name, error.strerror
            )
        ) from error
    with suppress(OSError):
        flush(path.parent)
    return kept
