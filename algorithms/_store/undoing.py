"""The last change of a store can be undone.

While a store is changed, triggers of that one connection keep each row of ``soundings`` as it was
before it is altered or deleted, and the table of visits as it was; rows that enter are told by
their numbers. So whatever changes a store can be undone without knowing of it, and entering costs
nothing more. The three tables ``undo_...`` hold the last change only: they are made anew by the
next one. They are not listed in ``gpkg_contents``, so that QGIS does not show them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

from .._i18n import tr
from ..core.errors import LakefloorError
from .layout import columns_of, log
from .rows import decoding, last_number, put_back

_TABLES = ("undo_last", "undo_visits", "undo_soundings")


@dataclass
class Undone:
    """What was undone.

    Attributes
    ----------
    changes : list of (str, str, int)
        Action, visit and number of soundings, as the history has them, in order of time.
    soundings_before, soundings_after : int
        Of the store.
    notes : list of str
        What the user should know.
    """

    changes: list = field(default_factory=list)
    soundings_before: int = 0
    soundings_after: int = 0
    notes: list = field(default_factory=list)


def nothing_to_undo(path) -> LakefloorError:
    """Return the one sentence about a store whose last change cannot be undone."""
    return LakefloorError(
        tr(
            "The last change of lake database '{}' cannot be undone: it was undone already, or the "
            "database was restored, upgraded or edited by another program since. Go back to a "
            "backup with 'Restore lake database'."
        ).format(Path(path).name)
    )


def forget(db):
    """Leave nothing to undo."""
    for table in _TABLES:
        db.execute(f"DROP TABLE IF EXISTS {table}")


def keep_for_undo(db):
    """Keep what this transaction changes from now on; asked again, go on doing so.

    To be called before the first change of a transaction, and only where there is one: until then
    the change before can be undone.
    """
    kept = "SELECT count(*) FROM sqlite_temp_master WHERE name = 'undo_deleted'"
    if db.execute(kept).fetchone() != (0,):
        return
    forget(db)
    last, columns = last_number(db), columns_of(db, "soundings")
    others = [f'"{name}"' for name in columns if name != "fid"]
    # Without types of columns, values stay exactly as they are.
    db.execute(f"CREATE TABLE undo_soundings (fid INTEGER PRIMARY KEY, {', '.join(others)})")
    db.execute("CREATE TABLE undo_visits AS SELECT * FROM visits")
    db.execute("CREATE TABLE undo_last (sounding INTEGER, history INTEGER)")
    db.execute("INSERT INTO undo_last SELECT ?, max(fid) FROM history", (last,))
    row = ", ".join(f"OLD.{name}" for name in ("fid", *others))
    for name, event in (("undo_deleted", "DELETE"), ("undo_altered", "UPDATE")):
        db.execute(
            f"CREATE TEMP TRIGGER {name} BEFORE {event} ON soundings WHEN OLD.fid <= {last} "
            f"BEGIN INSERT OR IGNORE INTO undo_soundings VALUES ({row}); END"
        )


def last_change(db) -> tuple | None:
    """Return the numbers of the last sounding and row of history before the last change.

    None where it cannot be undone.
    """
    there = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not there >= set(_TABLES):
        return None
    with decoding():
        ((sounding, history),) = db.execute("SELECT sounding, history FROM undo_last").fetchall()
        return int(sounding), int(history)


def changes_since(db, history) -> list:
    """Return the rows of history after one: number, time, action, visit, soundings, fingerprint."""
    return db.execute(
        "SELECT fid, time, action, visit, soundings, fingerprint FROM history WHERE fid > ? "
        "ORDER BY fid",
        (history,),
    ).fetchall()


def take_back(db, last, parameters):
    """Put a store back to what it was before its last change; say so in the history.

    Returns
    -------
    list
        Numbers of visits of which soundings were put back.
    """
    sounding, history = last
    numbers = [n for (n,) in db.execute("SELECT DISTINCT visit_id FROM undo_soundings")]
    db.execute("DELETE FROM soundings WHERE fid > ?", (sounding,))
    put_back(db, "undo_soundings")
    db.execute("DELETE FROM visits")
    names = ", ".join(f'"{name}"' for name in columns_of(db, "undo_visits"))
    db.execute(f"INSERT INTO visits ({names}) SELECT {names} FROM undo_visits")
    for number, time, action, visit, count, mark in changes_since(db, history):
        words = {**parameters, "row": number, "action": action, "time": time}
        log(db, "undone", visit, count, mark, json.dumps(words, sort_keys=True))
    forget(db)
    return numbers
