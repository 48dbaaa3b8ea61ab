"""What is said of a store that cannot be used."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager

from .._i18n import tr
from ..core.errors import LakefloorError


class DamagedError(LakefloorError):
    """A store whose parts contradict each other, or hold what no program writes."""


def damaged(path=None) -> DamagedError:
    """Return the one sentence about a damaged store; ``path`` may be filled in further out."""
    error = DamagedError(
        tr(
            "Lake database '{}' is damaged, or another program has changed its tables. Go back to "
            "a backup with 'Restore lake database'."
        ).format(path.name if path else "?")
    )
    error.whose = path
    return error


def absent(path) -> LakefloorError:
    """Return the one sentence about a store that is not there."""
    return LakefloorError(
        tr("There is no lake database '{}'. Choose an existing one.").format(path)
    )


def not_named_gpkg(path) -> LakefloorError:
    """Return the one sentence about a store of another ending."""
    return LakefloorError(
        tr("A lake database is a GeoPackage. Give '{}' a name that ends in .gpkg.").format(
            path.name
        )
    )


@contextmanager
def explained(path):
    """Turn an error of SQLite into one that a user can act on."""
    try:
        yield
    except DamagedError as error:
        if error.whose is None:
            raise damaged(path) from error
        raise
    except UnicodeDecodeError as error:  # Python at a message of SQLite that quotes the damage
        raise damaged(path) from error
    except (sqlite3.Error, sqlite3.Warning) as error:
        text = str(error)
        for sign, message in (
            (
                "locked",
                tr(
                    "Lake database '{}' is in use by another program or run. Wait until it "
                    "is done, or close it there, then run again."
                ),
            ),
            (
                "readonly",
                tr("Lake database '{}' is read-only. Allow writing to the file, or use a copy."),
            ),
            (
                "full",
                tr("The disk of '{}' is full. Nothing was changed. Make room, then run again."),
            ),
            (
                "unable to open",
                tr("Cannot open '{}' or write in its folder. Check the permissions of both."),
            ),
            (
                "not a database",
                tr("'{}' is not a GeoPackage. Choose a lake database, or type a new name."),
            ),
            (
                "I/O",
                tr(
                    "Cannot read or write '{}'. Check that its disk is connected and not full, "
                    "then run again."
                ),
            ),
        ):
            if sign in text:
                raise LakefloorError(message.format(path.name)) from error
        raise damaged(path) from error
