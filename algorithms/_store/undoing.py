"""The changes of a store can be undone, the newest first.

While a store is changed, triggers of that one connection keep each row of ``soundings`` as it was
before it is deleted, the visit and the status of each that is altered, the rows of ``decisions``,
and the table of visits as it was; rows that enter are told by their numbers. So whatever changes a
store can be undone without knowing of it, and entering costs nothing more.

Each change is a step of a stack, in the tables ``undo_...``, which stays when the program is closed.
The stack is bounded: of many steps, or large ones, the oldest fall off when the next is made. The
tables are not listed in ``gpkg_contents``, so that QGIS does not show them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from .._i18n import tr
from ..core.errors import LakefloorError
from .layout import DECISIONS, columns_of, log
from .rows import decoding, last_number, put_back

_TABLES = ("undo_last", "undo_visits", "undo_soundings", "undo_statuses", "undo_decisions")

#: So many changes can be undone, and of large ones as many as take up this much space, but one.
MOST_STEPS = 50
_MOST_BYTES = 64_000_000

#: About what a row takes up, bytes.
_BYTES = {"undo_soundings": 350, "undo_statuses": 40, "undo_decisions": 160}


@dataclass
class Undone:
    """What was undone.

    Attributes
    ----------
    changes : list of (str, str, int)
        Action, visit and number of soundings, as the history has them, in order of time.
    soundings_before, soundings_after : int
        Of the store.
    left : int
        How many changes can still be undone.
    notes : list of str
        What the user should know.
    """

    changes: list = field(default_factory=list)
    soundings_before: int = 0
    soundings_after: int = 0
    left: int = 0
    notes: list = field(default_factory=list)


@dataclass(frozen=True)
class Change:
    """A change that can be undone.

    Attributes
    ----------
    time : str
        UTC, as in the history.
    actions : tuple of (str, str, int)
        Action, visit and number of soundings, as the history has them, in order of time.
    """

    time: str
    actions: tuple

    @property
    def action(self) -> str:
        """What was done, in the words of the history."""
        return self.actions[-1][0]

    @property
    def visits(self) -> tuple:
        """Names of the visits to which it was done."""
        return tuple(v for a, v, _ in self.actions if a == self.action and v is not None)

    @property
    def soundings(self) -> int | None:
        """How many soundings it was done to, None where the history does not say."""
        counts = [n for a, _, n in self.actions if a == self.action and n is not None]
        return sum(counts) if counts else None


class Step(NamedTuple):
    """A step of the stack: its number, and the last rows of some tables before it."""

    number: int
    sounding: int
    decision: int
    history: int


def nothing_to_undo(path) -> LakefloorError:
    """Return the one sentence about a store of which nothing can be undone."""
    return LakefloorError(
        tr(
            "Nothing in lake database '{}' can be undone: all was undone already, or is too long "
            "ago. After the database was restored, upgraded or edited by another program, nothing "
            "from before can be undone. Go back to a backup with 'Restore lake database'."
        ).format(Path(path).name)
    )


def forget(db):
    """Leave nothing to undo."""
    for table in _TABLES:
        db.execute(f"DROP TABLE IF EXISTS {table}")


def keep_for_undo(db):
    """Keep what this transaction changes from now on; asked again, go on doing so.

    To be called before the first change of a transaction, and only where there is one.
    """
    kept = "SELECT count(*) FROM sqlite_temp_master WHERE name = 'undo_deleted'"
    if db.execute(kept).fetchone() != (0,):
        return
    _make_tables(db)
    _let_fall(db)
    ((number,),) = db.execute("SELECT coalesce(max(step), 0) + 1 FROM undo_last")
    last, decision = last_number(db), last_number(db, "decisions")
    db.execute(
        "INSERT INTO undo_last SELECT ?, ?, ?, max(fid), NULL FROM history",
        (number, last, decision),
    )
    db.execute(f"INSERT INTO undo_visits SELECT {number}, * FROM visits")
    whole, ping = (
        ", ".join(f'OLD."{name}"' for name in columns_of(db, f"undo_{table}")[1:])
        for table in ("soundings", "decisions")
    )
    for name, event, table, into, values, most in (
        ("undo_deleted", "DELETE", "soundings", "soundings", whole, last),
        (
            "undo_altered",
            "UPDATE OF visit, status",
            "soundings",
            "statuses",
            "OLD.fid, OLD.visit, OLD.status",
            last,
        ),
        ("undo_cleared", "DELETE", "decisions", "decisions", ping, decision),
        ("undo_decided", "UPDATE", "decisions", "decisions", ping, decision),
    ):
        db.execute(
            f"CREATE TEMP TRIGGER {name} BEFORE {event} ON {table} WHEN OLD.fid <= {most} "
            f"BEGIN INSERT OR IGNORE INTO undo_{into} VALUES ({number}, {values}); END"
        )


def _make_tables(db):
    """Make the tables of an empty stack where there are none."""
    if _is_there(db):
        return
    forget(db)
    others = ", ".join(f'"{name}"' for name in columns_of(db, "soundings") if name != "fid")
    key = "step INTEGER, fid INTEGER"
    unique = "PRIMARY KEY (step, fid)) WITHOUT ROWID"
    db.execute(
        "CREATE TABLE undo_last (step INTEGER PRIMARY KEY, sounding INTEGER, decision INTEGER, "
        "history INTEGER, bytes INTEGER)"
    )
    db.execute("CREATE TABLE undo_visits AS SELECT 0 AS step, * FROM visits WHERE 0")
    # Without types of columns, values stay exactly as they are.
    db.execute(f"CREATE TABLE undo_soundings ({key}, {others}, {unique}")
    db.execute(f"CREATE TABLE undo_statuses ({key}, visit, status, {unique}")
    db.execute(f"CREATE TABLE undo_decisions ({key}, {', '.join(DECISIONS)}, {unique}")


def _is_there(db):
    there = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return there >= set(_TABLES)


def _let_fall(db):
    """Let the oldest steps fall off, so that the stack stays bounded."""
    for (number,) in db.execute("SELECT step FROM undo_last WHERE bytes IS NULL").fetchall():
        size = sum(
            each
            * db.execute(f"SELECT count(*) FROM {table} WHERE step = ?", (number,)).fetchone()[0]
            for table, each in _BYTES.items()
        )
        db.execute("UPDATE undo_last SET bytes = ? WHERE step = ?", (size, number))
    steps = db.execute("SELECT step, bytes FROM undo_last ORDER BY step DESC").fetchall()
    total = 0
    for k, (number, size) in enumerate(steps):
        total += size
        if k >= MOST_STEPS - 1 or (k and total > _MOST_BYTES):
            for table in _TABLES:
                db.execute(f"DELETE FROM {table} WHERE step <= ?", (number,))
            return


def steps(db) -> list:
    """Return the steps of the stack, the newest first."""
    if not _is_there(db):
        return []
    with decoding():
        return [
            Step(*map(int, row))
            for row in db.execute(
                "SELECT step, sounding, decision, history FROM undo_last ORDER BY step DESC"
            )
        ]


def changes_of(db, step, newer=None) -> list:
    """Return the rows of history of a step: number, time, action, visit, soundings, fingerprint.

    ``newer`` is the step after it that can be undone, if there is one.
    """
    rows = db.execute(
        "SELECT fid, time, action, visit, soundings, fingerprint, parameters FROM history "
        "WHERE fid > ? ORDER BY fid",
        (step.history,),
    ).fetchall()
    with decoding():
        undone = {json.loads(row[6])["row"] for row in rows if row[2] == "undone"}
    return [
        row[:6]
        for row in rows
        if row[2] != "undone"
        and row[0] not in undone
        and (newer is None or row[0] <= newer.history)
    ]


def undoable_changes(db) -> list:
    """Return the changes that can be undone, the newest first, each a :class:`Change`."""
    found, newer = [], None
    for step in steps(db):
        rows = changes_of(db, step, newer)
        found.append(Change(rows[0][1], tuple(row[2:5] for row in rows)))
        newer = step
    return found


def take_back(db, step, parameters):
    """Put a store back to what it was before its newest change; say so in the history.

    Returns
    -------
    set of int
        Numbers of visits of which soundings were put back.
    dict of int to list
        Of others, the numbers of the rows that have another status or name again.
    """
    at = (step.number,)
    db.execute("DELETE FROM soundings WHERE fid > ?", (step.sounding,))
    put_back(db, "undo_soundings", step.number)
    db.execute(
        "UPDATE soundings SET (visit, status) = (SELECT u.visit, u.status FROM undo_statuses u "
        "WHERE u.step = ? AND u.fid = soundings.fid) "
        "WHERE fid IN (SELECT fid FROM undo_statuses WHERE step = ?)",
        2 * at,
    )
    db.execute("DELETE FROM decisions WHERE fid > ?", (step.decision,))
    _put_rows_back(db, "decisions", at)
    db.execute("DELETE FROM visits")
    _put_rows_back(db, "visits", at)
    for number, time, action, visit, count, mark in changes_of(db, step):
        words = {**parameters, "row": number, "action": action, "time": time}
        log(db, "undone", visit, count, mark, json.dumps(words, sort_keys=True))
    query = "SELECT DISTINCT visit_id FROM undo_soundings WHERE step = ?"
    whole, some = {number for (number,) in db.execute(query, at)}, {}
    for number, fid in db.execute(
        "SELECT s.visit_id, s.fid FROM undo_statuses u JOIN soundings s ON s.fid = u.fid "
        "WHERE u.step = ?",
        at,
    ):
        if number not in whole:
            some.setdefault(number, []).append(fid)
    for table in _TABLES:
        db.execute(f"DELETE FROM {table} WHERE step = ?", at)
    return whole, some


def _put_rows_back(db, table, at):
    names = ", ".join(f'"{name}"' for name in columns_of(db, f"undo_{table}")[1:])
    db.execute(
        f"INSERT OR REPLACE INTO {table} ({names}) SELECT {names} FROM undo_{table} WHERE step = ?",
        at,
    )
