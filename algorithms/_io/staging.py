"""Files are made in hidden folders beside their places, and moved there together.

A :class:`Staging` is the transaction of one run. Each of its folders holds ``new``, which the run
fills, and ``old``, where what is replaced is set aside::

    .lakefloor-XXXXXXXX/
        run       locked as long as the run lives; says which folder has the journal
        journal   in the first folder of the run, while files are being moved
        new/ old/

The journal is on the disk before the first file moves and is removed after the last: that is the
moment at which the run counts. Where it is still there, the run was killed between, and
:func:`sweep` puts the old files back. Other folders of dead runs are removed.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import time
import uuid
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from .._i18n import tr
from ..core.errors import LakefloorError
from .flushing import flush

PREFIX = ".lakefloor-"

#: A folder without a lock is swept when it is this old, s.
_OLD_S = 24 * 3600.0

#: What belongs to a file that is replaced, and would be taken for a part of the new one:
#: SQLite's journals, statistics and pyramids of a raster.
_FOLLOWERS = ("-wal", "-shm", "-journal", ".aux.xml", ".ovr")
#: Indexes and the encoding of a shapefile.
_OF_SHAPEFILE = (".qix", ".sbn", ".sbx", ".cpg", ".qpj", ".prj")


class _Move(NamedTuple):
    """One file to be put in place; ``new`` or ``old`` may be None."""

    new: Path | None
    target: Path
    old: Path | None


class Staging:
    """The files of one run; use as a context manager around making them.

    Leaving it removes what was not committed.

    Parameters
    ----------
    passing : Path, optional
        A folder whose files end with the program: they need not be on the disk before they count.
    """

    def __init__(self, passing: Path | None = None):
        self._passing = passing
        self._folders = []  # (folder, descriptor of its lock), the first has the journal
        self._moves = None

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.close()
        return False

    def stage(self, final: Path) -> Path:
        """Return where to make what becomes ``final``; what is made beside it moves with it.

        Where ``final`` is a symbolic link, the file that it points to is replaced.

        Raises
        ------
        LakefloorError
            If the folder of ``final`` does not exist or cannot be written to.
        """
        if final.is_symlink():
            final = Path(os.path.realpath(final))
        parent = final.parent
        if not parent.is_dir():
            raise LakefloorError(
                tr("Folder '{}' does not exist. Make it, or choose another.").format(parent)
            )
        try:
            sweep(parent)
            first = self._folders[0][0] if self._folders else None
            self._folders.append(_locked_folder(parent, first))
        except OSError as error:
            raise LakefloorError(
                tr("Cannot write into '{}' ({}). Choose a folder that you may write to.").format(
                    parent, error.strerror
                )
            ) from error
        return self._folders[-1][0] / "new" / final.name

    def passes(self, path: Path) -> bool:
        """Tell whether a file ends with the program."""
        return self._passing is not None and self._passing in path.parents

    def parts(self):
        """Yield what is to be moved: where it was made, and where it goes."""
        for folder, _ in self._folders:
            for new in sorted((folder / "new").iterdir()):
                yield new, folder.parent / new.name

    def move(self):
        """Put everything in place; until :meth:`finish`, :meth:`close` takes it back.

        Raises
        ------
        LakefloorError
            If a target cannot be replaced. All are as before then.
        """
        self._moves = moves = []
        for folder, _ in self._folders:
            target = folder
            try:
                made = sorted((folder / "new").iterdir())
                if not self.passes(folder):
                    _flush_tree(folder / "new")
                for new in made:
                    target = folder.parent / new.name
                    old = folder / "old" / new.name if target.is_file() else None
                    for follower in _followers(target):
                        if new.with_name(follower.name) not in made and follower.is_file():
                            moves.append(_Move(None, follower, folder / "old" / follower.name))
                    moves.append(_Move(new, target, old))
            except OSError as error:
                raise cannot_replace(target, error) from error
        if not moves:
            return
        target = moves[0].target
        try:
            _write_journal(self._journal, moves)
            for _, target, old in moves:
                if old is not None:
                    _set_aside(target, old)
            for new, target, _ in moves:
                if new is not None:
                    if new.is_dir() and target.is_dir():
                        target.rmdir()
                    os.replace(new, target)
            for folder, _ in self._folders:
                target = folder.parent
                flush(target)
        except OSError as error:
            self.undo()
            raise cannot_replace(target, error) from error
        except BaseException:
            self.undo()
            raise

    def finish(self):
        """Count the run as done: from here on nothing is taken back."""
        if not self._moves:
            return
        try:
            self._journal.unlink()
        except OSError as error:
            raise cannot_replace(self._journal.parent.parent, error) from error
        self._moves = None
        with suppress(OSError):
            flush(self._journal.parent)

    def undo(self):
        """Put back what :meth:`move` replaced, unless the run is finished."""
        if self._moves and self._journal.exists():
            _undo(self._journal)
        self._moves = None

    def close(self):
        """Take back what is not finished, and remove the folders."""
        with suppress(OSError):
            self.undo()
        # The one with the journal goes last: the others' runs are judged by it.
        for folder, lock in reversed(self._folders):
            _remove(folder, lock)
        self._folders = []

    @property
    def _journal(self):
        return self._folders[0][0] / "journal"


@contextmanager
def staging_folder(parent: Path):
    """Yield a hidden folder in ``parent`` that is removed at the end, by whatever way.

    Raises
    ------
    LakefloorError
        As :meth:`Staging.stage`.
    """
    with Staging() as staging:
        yield staging.stage(parent / "file").parent


def sweep(parent) -> bool:
    """Put in order what killed runs left in a folder; runs that still live are left alone.

    Returns whether old files were put back.
    """
    put_back = False
    for folder in list(Path(parent).glob(PREFIX + "*")):
        with suppress(OSError, ValueError, KeyError, TypeError):
            if folder.is_dir() and not folder.is_symlink():
                put_back |= (folder / "journal").exists()
                _sweep(folder)
    return put_back


def write_file(path, data: bytes):
    """Write a file that is moved into place later; say what is wrong with the disk."""
    try:
        path.write_bytes(data)
    except OSError as error:
        raise LakefloorError(
            tr(
                "Cannot write '{}' ({}). Nothing was written. Check that the disk is not full, then "
                "run again."
            ).format(path.name, error.strerror)
        ) from error


def cannot_replace(target, error):
    """Return the error for a file that cannot be put in place."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
        return LakefloorError(
            tr(
                "Cannot write '{}' ({}). Nothing was changed. Make room on the disk, or choose "
                "another, then run again."
            ).format(target, error.strerror)
        )
    return LakefloorError(
        tr(
            "Cannot replace '{}' ({}). Nothing was changed. If it is a layer of the project, remove "
            "the layer. If another program has it open, close it there. Otherwise choose another "
            "file name."
        ).format(target, error.strerror)
    )


# -- moving ------------------------------------------------------------------------------------


def _followers(target):
    yield from (target.with_name(target.name + suffix) for suffix in _FOLLOWERS)
    if target.suffix.lower() == ".shp":
        yield from (target.with_suffix(suffix) for suffix in _OF_SHAPEFILE)


def _set_aside(target, old):
    """Keep the old file: beside its name where the system can, so that the name never lacks one."""
    # Windows tells by a rename whether a file is in use; what is open there cannot be replaced.
    whole = not target.name.endswith(_FOLLOWERS)
    if os.name != "nt" and whole:
        try:
            os.link(target, old)
            return
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
                raise
    os.replace(target, old)


def _write_journal(journal, moves):
    """Write down what is about to move, so that it can be taken back after a kill."""
    rows = []
    for new, target, old in moves:
        made = new and os.stat(new)
        rows.append(
            {
                "folder": _named((new or old).parent.parent, journal.parent.parent),
                "name": target.name,
                "old": old is not None,
                "made": made and [made.st_size, made.st_mtime_ns],
            }
        )
    draft = journal.with_name("draft")
    draft.write_text(json.dumps(rows), encoding="utf-8")
    flush(draft)
    os.replace(draft, journal)
    flush(journal.parent)


def _named(path, base) -> str:
    """Return a path as seen from a folder that may move; between drives of Windows is no way."""
    try:
        return os.path.relpath(path, base)
    except ValueError:
        return str(path)


def _undo(journal):
    """Put old files back; what somebody else has put in their place meanwhile stays."""
    base = journal.parent.parent
    for row in reversed(json.loads(journal.read_text(encoding="utf-8"))):
        folder, name = base / row["folder"], Path(row["name"]).name
        if not _is_ours(folder):
            continue
        target, old = folder.parent / name, folder / "old" / name
        if target.is_dir():
            continue
        found = os.stat(target) if target.exists() else None
        # A follower has nothing new in its place.
        own = found is None or [found.st_size, found.st_mtime_ns] == row["made"]
        if old.exists():
            if own or os.path.samefile(old, target):
                os.replace(old, target)
        elif not row["old"] and own and found is not None:
            target.unlink()
    journal.unlink()
    flush(base)


def _is_ours(folder) -> bool:
    """Tell whether a folder is one of a run: what is handed on by others may hold anything."""
    return (
        folder.name.startswith(PREFIX)
        and (folder / "run").is_file()
        and not any(part.is_symlink() for part in (folder, folder / "old", folder / "new"))
    )


def _flush_tree(folder):
    for path in folder.rglob("*"):
        flush(path)
    flush(folder)


# -- folders of runs, and of dead ones ------------------------------------------------------------


def _locked_folder(parent, first):
    """Make a folder and lock it; ``first`` is that with the journal, None for itself."""
    for attempt in range(20):
        # Of a folder for temporary files Windows lets its account alone read what is made in there,
        # and a file keeps that when it moves (documentation of os.mkdir: mode 0o700).
        folder = parent / f"{PREFIX}{uuid.uuid4().hex[:8]}"
        folder.mkdir()
        lock = None
        try:
            lock = _lock(folder / "run", create=True)
            # Another run may have taken a folder that is not yet locked for a dead one's.
            if lock is not None and _is_same(folder / "run", lock):
                os.write(lock, json.dumps(_named(first or folder, parent)).encode("utf-8"))
                (folder / "new").mkdir()
                (folder / "old").mkdir()
                return folder, lock
        except FileNotFoundError:
            if attempt == 19:
                raise
        except BaseException:
            _remove(folder, lock)
            raise
        _remove(folder, lock)
    raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))


def _sweep(folder):
    if not (folder / "run").exists():
        if time.time() - folder.stat().st_mtime > _OLD_S:
            shutil.rmtree(folder)
        else:
            folder.rmdir()  # if it is empty
        return
    lock = _lock(folder / "run")
    if lock is None:
        return
    try:
        first = folder
        with suppress(ValueError):
            first = folder.parent / json.loads((folder / "run").read_text(encoding="utf-8"))
        if first.name == folder.name:
            if (folder / "journal").exists():
                _undo(folder / "journal")
        else:
            if not first.parent.is_dir():
                return  # on a disk that is not there now
            if _is_ours(first):
                _sweep(first)
                if (first / "journal").exists():
                    return
    except BaseException:
        os.close(lock)
        raise
    _remove(folder, lock)


def _remove(folder, lock):
    """Remove a folder of one's own, unless a journal in it still counts."""
    try:
        if not (folder / "journal").exists():
            for part in ("new", "old"):
                shutil.rmtree(folder / part, ignore_errors=True)
    finally:
        # Windows removes no file that is open.
        if lock is not None:
            with suppress(OSError):
                os.close(lock)
        if not (folder / "journal").exists():
            shutil.rmtree(folder, ignore_errors=True)


def _is_same(path, descriptor) -> bool:
    return os.path.samestat(os.stat(path), os.fstat(descriptor))


def _lock(path, create=False):
    """Return a descriptor that holds the lock of a file, or None where another holds it.

    The system takes a lock away with the process that held it, however that ended.
    """
    descriptor = os.open(path, os.O_RDWR | (os.O_CREAT if create else 0), 0o600)
    try:
        if os.name == "nt":
            import msvcrt

            # A byte that nobody writes, for Windows locks what is read too.
            os.lseek(descriptor, 1 << 20, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            os.lseek(descriptor, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK):
            os.close(descriptor)
            return None
        if not create:  # a file system without locks: only old age tells
            stale = time.time() - os.stat(path).st_mtime > _OLD_S
            if not stale:
                os.close(descriptor)
                return None
    return descriptor
