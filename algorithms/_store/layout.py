"""Tables of a lake's store, and what is written in them of its layout and state.

Layout 1 is that of Lakefloor 0.1.0. Layout 2 adds to ``visits`` a checksum of what each holds, and
to the description of ``history`` the identity of the store, kept in all its copies, and when
Lakefloor last changed it, by which an edit of another program is told from damage. Layout 3 adds
to ``visits`` the columns of the log-book. Layout 4 adds to them how many soundings are mapped and
whether the visit is switched off, and the table ``decisions``: what a person decided on single
soundings, by the ping, see :mod:`.core.visits.decisions`. That table is not listed in
``gpkg_contents``, so that no other program edits it by accident.
"""

from __future__ import annotations

import json
import re
import uuid
from datetime import datetime, timezone

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.visits.store_visits import STORE, SUPERSEDED
from .errors import damaged

#: Description of the table of visits, which tells a store from other GeoPackages.
LAYOUT_WORDS = f"{STORE}, layout "

LAYOUT = 4

#: Description of the history: the identity of the store, and when Lakefloor last changed it.
_STATE = re.compile(r"store (?P<identity>[0-9a-f]{32}), as of (?P<changed>\S+)")

#: As in the partial index, for SQLite to see that it serves.
IS_SUPERSEDED = f"substr(status, 1, {len(SUPERSEDED)}) = '{SUPERSEDED}'"

#: Columns of the log-book, in the order of :class:`.core.visits.log_book.VisitFacts`.
LOG_BOOK = {
    "files": "text",
    "owner": "text",
    "sounder": "text",
    "beam_deg": "double",
    "draft_m": "double",
    "level_m": "double",
    "level_from": "text",
    "offset_m": "double",
    "offset_sd_m": "double",
    "hardness_gain": "double",
    "remark": "text",
}

#: What is said of the soundings of a visit.
DESCRIPTION = {
    "visit": "text",
    "fingerprint": "text",
    "soundings": "int",
    "without_time": "int",
    "time_from": "datetime",
    "time_to": "datetime",
    "west": "double",
    "south": "double",
    "east": "double",
    "north": "double",
    "datum": "text",
    "datum_elev_m": "double",
    "added": "datetime",
    "parameters": "text",
    "checksum": "text",
}

#: How many soundings of a visit are mapped, and why the others are not, and when a person switched
#: it off.
COUNTS = {"accepted": "int", "held_back": "int", "superseded": "int", "rejected": "int"}
SWITCH = {"off_since": "datetime"}

VISITS = {**DESCRIPTION, **LOG_BOOK, **COUNTS, **SWITCH}

#: A ping as it was logged, the row that it is now, what was decided, why, by whom and when, and
#: what cleaning said.
DECISIONS = (
    "sounding",
    "geom",
    "time",
    "raw_depth_m",
    "depth_m",
    "decision",
    "reason",
    "who",
    "decided",
    "said",
)

#: Statements that make the table of decisions. A ping that is deleted keeps what was decided on it.
_MAKE_DECISIONS = (
    """CREATE TABLE decisions (fid INTEGER PRIMARY KEY AUTOINCREMENT, sounding INTEGER, geom BLOB,
    time TEXT, raw_depth_m REAL, depth_m REAL, decision TEXT, reason TEXT, who TEXT, decided TEXT,
    said TEXT)""",
    "CREATE UNIQUE INDEX decisions_sounding ON decisions (sounding)",
    """CREATE TRIGGER decisions_stay AFTER DELETE ON soundings BEGIN
    UPDATE decisions SET sounding = NULL WHERE sounding = OLD.fid; END""",
)

HISTORY = {
    "time": "datetime",
    "action": "text",
    "visit": "text",
    "soundings": "int",
    "fingerprint": "text",
    "parameters": "text",
}


def check_layout(db, path) -> int:
    """Return the layout of a store; refuse what is no store, or one of a newer layout."""
    (packed,) = db.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'gpkg_contents'"
    ).fetchone()
    if not packed:
        raise LakefloorError(
            tr("'{}' is not a GeoPackage. Choose a lake database, or type a new name.").format(
                path.name
            )
        )
    found = db.execute(
        "SELECT description FROM gpkg_contents WHERE table_name = 'visits'"
    ).fetchone()
    if found is None or not str(found[0]).startswith(STORE):
        raise LakefloorError(
            tr(
                "GeoPackage '{}' is not a lake database. Choose a lake database. To make a "
                "new one, type a new name in Add visit to lake database."
            ).format(path.name)
        )
    number = str(found[0])[len(LAYOUT_WORDS) :]
    if not (str(found[0]).startswith(LAYOUT_WORDS) and re.fullmatch("[1-9][0-9]{0,3}", number)):
        raise damaged(path)
    if int(number) > LAYOUT:
        raise LakefloorError(
            tr(
                "Lake database '{}' was made by a newer Lakefloor: it has layout {}, and this one "
                "knows layouts up to {}. Update the plugin, then run again."
            ).format(path.name, number, LAYOUT)
        )
    names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
    if not names >= {
        "soundings",
        "visits",
        "history",
        "rtree_soundings_geom",
        "rtree_soundings_geom_insert",
        "gpkg_geometry_columns",
        "gpkg_spatial_ref_sys",
    }:
        raise damaged(path)
    return int(number)


def layout_of(db) -> int:
    """Return the layout of what is known to be a store."""
    ((text,),) = db.execute("SELECT description FROM gpkg_contents WHERE table_name = 'visits'")
    return int(text[len(LAYOUT_WORDS) :])


def provenance_of(db) -> tuple:
    """Return the identity of a store, and whether Lakefloor itself was the last to change it.

    The identity of a store of layout 1 is drawn from when it was made. Other programs date the
    table that they edit, and that table alone.
    """
    rows = db.execute(
        "SELECT table_name, description, last_change FROM gpkg_contents "
        "WHERE table_name IN ('soundings', 'visits', 'history')"
    ).fetchall()
    changed = {moment for _, _, moment in rows}
    if layout_of(db) == 1:
        made = db.execute(
            "SELECT time, parameters FROM history WHERE action = 'made' ORDER BY fid LIMIT 1"
        ).fetchone()
        if made is None:
            raise damaged()
        return uuid.uuid5(uuid.NAMESPACE_OID, repr(made)).hex, len(changed) == 1
    described = {name: text for name, text, _ in rows}
    found = _STATE.fullmatch(described.get("history") or "")
    if not found:
        raise damaged()
    return found["identity"], changed == {found["changed"]}


def stamp(db, identity=None):
    """Say in the store that Lakefloor has changed it now."""
    identity, moment = identity or provenance_of(db)[0], now()
    db.execute(
        "UPDATE gpkg_contents SET last_change = ? "
        "WHERE table_name IN ('soundings', 'visits', 'history')",
        (moment,),
    )
    db.execute(
        "UPDATE gpkg_contents SET description = ? WHERE table_name = 'history'",
        (f"store {identity}, as of {moment}",),
    )


def complete(db, crs):
    """Give the empty tables of a new store their indexes, rules and first row of history."""
    db.executescript(
        f"""BEGIN;
        CREATE INDEX soundings_visit ON soundings (visit_id);
        CREATE INDEX soundings_superseded ON soundings (status) WHERE {IS_SUPERSEDED};
        CREATE UNIQUE INDEX visits_name ON visits (visit);
        CREATE TRIGGER history_stays BEFORE UPDATE ON history
        BEGIN SELECT RAISE(ABORT, 'rows of the history are only ever added'); END;
        CREATE TRIGGER history_is_kept BEFORE DELETE ON history
        BEGIN SELECT RAISE(ABORT, 'rows of the history are only ever added'); END;
        CREATE TRIGGER raw_depth_stays BEFORE UPDATE OF raw_depth_m ON soundings
        WHEN OLD.raw_depth_m IS NOT NEW.raw_depth_m
        BEGIN SELECT RAISE(ABORT, 'raw depth is never changed'); END;
        UPDATE gpkg_ogr_contents SET feature_count = 0;
        COMMIT;"""
    )
    make_decisions(db)
    log(db, "made", None, None, None, json.dumps({"crs": crs}))
    stamp(db, uuid.uuid4().hex)


def make_decisions(db):
    """Make the empty table of decisions on single soundings."""
    for statement in _MAKE_DECISIONS:
        db.execute(statement)


def columns_of(db, table) -> list:
    """Return the names of the columns of a table."""
    return [name for _, name, *_ in db.execute(f"PRAGMA table_info({table})")]


def log(db, action, visit, count, mark, parameters):
    """Add a row to the history."""
    values = (now(), action, visit, count, mark, parameters)
    db.execute(f"INSERT INTO history ({', '.join(HISTORY)}) VALUES (?, ?, ?, ?, ?, ?)", values)


def now() -> str:
    """Return the time as the store writes it: UTC, to the millisecond."""
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
