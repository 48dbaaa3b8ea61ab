"""The file of a lake's store: its locks, and one transaction at a time."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from .._i18n import tr
from .._io.flushing import flush
from .._io.sqlite_uri import read_only_uri
from .._io.staging import staging_folder
from .._io.windows_names import check_name
from ..core.errors import LakefloorError
from ..core.geopackage import allow_updates
from ..core.progress import silent
from .errors import absent, explained, not_named_gpkg
from .layout import check_layout, complete
from .new_file import make_tables

#: How long to wait for another program that holds the store, s.
LOCK_TIMEOUT_S = 30.0


def connect(path):
    """Return a connection that commits nothing by itself, and whose commits are on the disk."""
    db = sqlite3.connect(str(path), timeout=0.5, isolation_level=None)
    db.execute("PRAGMA cache_size = -65536")
    db.execute("PRAGMA synchronous = FULL")
    allow_updates(db)
    return db


def _connect_to_look(path):
    """Return a connection that leaves the file as it is.

    Where another program has the store open with a write-ahead log, or was cut off, whoever closes
    it last writes the log into the file: that is not for a look to do. Without a log, a connection
    that may write leaves no files behind, and rolls a hot journal back.
    """
    if not Path(f"{path}-wal").exists():
        return connect(path)
    where = read_only_uri(path.resolve())
    return sqlite3.connect(where, uri=True, timeout=0.5, isolation_level=None)


@contextmanager
def reading(path):
    """Yield a connection that sees one state of a store, of any layout known."""
    path = Path(path)
    _refuse_absent(path)
    with explained(path), closing(_connect_to_look(path)) as db:
        # One read transaction: whatever others write meanwhile, it sees one state.
        db.execute("BEGIN")
        _patiently(lambda: db.execute("SELECT count(*) FROM sqlite_master").fetchone(), silent)
        check_layout(db, path)
        yield db


def copy_store(path, target):
    """Write a store, as it is at one moment, to a file that does not exist yet."""
    target = Path(target)
    with reading(path) as db, explained(target), closing(sqlite3.connect(str(target))) as copy:
        db.backup(copy)


@contextmanager
def writing(path, crs, progress, prepare=None):
    """Yield a connection within the one transaction that changes the store, made where absent.

    ``prepare`` takes the connection first: a store of an older layout is brought up there.
    """
    path = Path(os.path.realpath(path))
    if path.is_dir():
        raise LakefloorError(tr("'{}' is a folder. Choose a file name.").format(path))
    if path.exists():
        _refuse_absent(path)
        with _transaction(path, progress, prepare) as db:
            yield db
        return
    if path.suffix.lower() != ".gpkg":
        raise not_named_gpkg(path)
    check_name(path)
    with staging_folder(path.parent) as folder:
        staged = folder / path.name
        with explained(path):
            make_tables(staged, crs)
            with closing(connect(staged)) as db:
                complete(db, crs)
        with _transaction(staged, progress) as db:
            yield db
        put_in_place(staged, path)


@contextmanager
def _transaction(path, progress, prepare=None):
    with explained(path), closing(connect(path)) as db:
        _patiently(lambda: db.execute("BEGIN IMMEDIATE"), progress)
        try:
            check_layout(db, path)
            if prepare is not None:
                prepare(db)
            yield db
            # From here on no cancel: either all of it is there, or nothing.
            _patiently(lambda: db.execute("COMMIT"), silent)
        except BaseException:
            if db.in_transaction:
                # Where the disk failed, it may be undone already, or is when it is opened next.
                with suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
            raise


def _patiently(action, progress):
    """Do what needs a lock, waiting for others up to :data:`LOCK_TIMEOUT_S`."""
    end = time.monotonic() + LOCK_TIMEOUT_S
    while True:
        try:
            return action()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            progress(0.0)


def put_in_place(staged, path):
    """Move a new store into place, never over another that was made meanwhile."""
    try:
        try:
            os.link(staged, path)
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links
            if path.exists():
                raise FileExistsError from None
            os.rename(staged, path)
        with suppress(OSError):
            flush(path.parent)
    except FileExistsError:
        raise LakefloorError(
            tr("Another program has made '{}' meanwhile. Run again to add to it.").format(path.name)
        ) from None


def _refuse_absent(path):
    """Refuse a file that is not there, or not yet on this computer."""
    try:
        status = path.stat()
    except OSError as error:
        if not path.parent.is_dir() or not path.exists():
            raise absent(path) from None
        raise LakefloorError(
            tr("Cannot open '{}' ({}). Check the permissions of the file and its folder.").format(
                path.name, error.strerror
            )
        ) from error
    if not path.is_file():
        raise absent(path)
    if not status.st_size:
        raise LakefloorError(
            tr(
                "'{}' is not a GeoPackage: it is empty (0 bytes). If a program synchronizes the "
                "folder, let it download the file. Otherwise restore a backup."
            ).format(path.name)
        )
    if is_elsewhere(status, lambda: _begins(path)):
        raise LakefloorError(
            tr(
                "'{}' is not on this computer yet: only its name is. Let the program that "
                'synchronizes the folder download it ("always keep on this device"), then run '
                "again."
            ).format(path.name)
        )


def _begins(path):
    with open(path, "rb") as file:
        return file.read(16)


#: Of a file whose content is elsewhere: FILE_ATTRIBUTE_OFFLINE, _RECALL_ON_OPEN and
#: _RECALL_ON_DATA_ACCESS of Windows.
_ELSEWHERE = 0x1000 | 0x40000 | 0x400000


def is_elsewhere(status, head) -> bool:
    """Say whether a file is only a name here, by its ``os.stat`` and, where need be, its head.

    The head is looked at only where the disk holds no block of the file: closing a file takes away
    the locks that the same program holds on it through SQLite.
    """
    if getattr(status, "st_file_attributes", 0) & _ELSEWHERE:
        return True
    return getattr(status, "st_blocks", 1) == 0 and not head().strip(b"\0")
