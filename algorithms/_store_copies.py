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

from ._i18n import tr
from ._staging import staging_folder
from ._store_file import (
    LAYOUT,
    LAYOUT_WORDS,
    check_layout,
    copy_store,
    log,
    put_in_place,
    stamp,
    state_of,
)
from .core.errors import LakefloorError


def bring_up(db, path):
    """Change a store of layout 1 to layout 2, but for the checksums; return its copy's path.

    The store is copied aside before.
    """
    identity = state_of(db)[0]
    kept = keep_aside(path, "layout-1")
    try:
        db.execute("ALTER TABLE visits ADD COLUMN checksum TEXT")
        db.execute("UPDATE gpkg_contents SET description = ? WHERE table_name = 'visits'",
                   (f"{LAYOUT_WORDS}{LAYOUT}",))
        log(db, "upgraded", None, None, None, json.dumps({"layout": LAYOUT, "kept": kept.name}))
        stamp(db, identity)
    except BaseException:
        kept.unlink()
        raise
    return kept


#: What stands in the names of copies that Lakefloor makes beside a store.
_ASIDE = re.compile(r"-(backup|layout-1|before-restore)-\d{4}-\d{2}-\d{2}([ -].*)?")


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


def keep_aside(path, what, folder=None) -> Path:
    """Copy a store as it is now; return the copy's path.

    The copy has a new name with the date, is flushed to the disk and moved into place when it is
    complete.
    """
    folder = Path(folder or path.parent)
    staging = staging_folder(folder)
    try:
        staged = staging / path.name
        copy_store(path, staged)
        flush(staged)
        name = aside_name(path, folder, what)
        put_in_place(staged, name)
        return name
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def flush(path):
    """Have the disk hold what was written to a file."""
    try:
        with open(path, "rb+") as file:
            os.fsync(file.fileno())
    except OSError as error:
        raise LakefloorError(
            tr("Cannot write '{}' ({}). Nothing was changed; is the disk full?").format(
                path.name, error.strerror)
        ) from error


def beside(path) -> list:
    """Return what the user should know of the files beside a store, in one sentence each.

    A copy of the same store, a journal and a write-ahead log. Call it before the store is opened.
    """
    path, notes = Path(path), []
    if Path(f"{path}-wal").is_file():
        notes.append(
            tr("Beside store '{}' lies '{}': another program has the store open, or was cut off. "
               "Close that program, and move or copy the two only together.").format(
                path.name, f"{path.name}-wal")
        )
    journal = Path(f"{path}-journal")
    if journal.is_file() and journal.stat().st_size:
        notes.append(
            tr("Beside store '{}' lies '{}': another program is writing, or a run was cut off. "
               "What was cut off is undone when the store is opened; do not delete that file.")
            .format(path.name, journal.name)
        )
    notes += [
        tr("'{}' beside store '{}' is a copy of the same store, from a program that keeps folders "
           "in step or made by hand. If it holds visits that are missing here, run Merge stores; "
           "then move it to another folder.").format(other.name, path.name)
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
            if _ASIDE.fullmatch(b[len(a):]) or _identity(other) != mine:
                continue
            found.append(other)
    return found


def _identity(path):
    """Return the identity of a store, None for any other file or one that is locked."""
    with suppress(LakefloorError, sqlite3.Error, OSError, UnicodeError):
        # Nothing is made or undone by looking.
        where = f"{path.resolve().as_uri()}?mode=ro"
        with closing(sqlite3.connect(where, uri=True, timeout=0.0)) as db:
            db.execute("BEGIN")
            check_layout(db, path)
            return state_of(db)[0]
    return None
