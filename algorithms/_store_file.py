"""The file of a lake's store: its layout, its locks and its one transaction at a time.

Layout 1 is that of Lakefloor 0.1.0. Layout 2 adds to ``visits`` a checksum of what each holds, and
to the description of ``history`` the identity of the store, kept in all its copies, and when
Lakefloor last changed it, by which an edit of another program is told from damage.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import time
import uuid
from contextlib import closing, contextmanager, suppress
from datetime import datetime, timezone
from pathlib import Path

from osgeo import gdal, ogr, osr

from ._gdal import done, made, strict
from ._i18n import tr
from ._layers import SCHEMA
from ._staging import staging_folder
from .core.errors import LakefloorError
from .core.geopackage import allow_updates
from .core.progress import silent

#: How long to wait for another program that holds the store, s.
LOCK_TIMEOUT_S = 30.0

#: Description of the table of visits, which tells a store from other GeoPackages.
LAYOUT_WORDS = "Lakefloor store, layout "
LAYOUT = 2

#: Description of the history: the identity of the store, and when Lakefloor last changed it.
_STATE = re.compile(r"store (?P<identity>[0-9a-f]{32}), as of (?P<changed>\S+)")

SUPERSEDED = "superseded by "

#: As in the partial index, for SQLite to see that it serves.
IS_SUPERSEDED = f"substr(status, 1, {len(SUPERSEDED)}) = '{SUPERSEDED}'"

_OGR_TYPES = {
    "text": ogr.OFTString, "int": ogr.OFTInteger, "double": ogr.OFTReal,
    "datetime": ogr.OFTDateTime,
}

VISITS = {
    "visit": "text", "fingerprint": "text", "soundings": "int", "without_time": "int",
    "time_from": "datetime", "time_to": "datetime",
    "west": "double", "south": "double", "east": "double", "north": "double",
    "datum": "text", "datum_elev_m": "double", "added": "datetime", "parameters": "text",
    "checksum": "text",
}

_HISTORY = {
    "time": "datetime", "action": "text", "visit": "text", "soundings": "int",
    "fingerprint": "text", "parameters": "text",
}


def _connect(path):
    db = sqlite3.connect(str(path), timeout=0.5, isolation_level=None)
    db.execute("PRAGMA cache_size = -65536")
    db.execute("PRAGMA synchronous = FULL")
    allow_updates(db)
    return db


class DamagedError(LakefloorError):
    """A store whose parts contradict each other, or hold what no program writes."""


def damaged(path=None) -> DamagedError:
    """Return the one sentence about a damaged store; ``path`` may be filled in further out."""
    error = DamagedError(
        tr("Lake database '{}' is damaged, or another program has changed its tables. Go back to "
           "a backup with 'Restore lake database'.").format(path.name if path else "?")
    )
    error.whose = path
    return error


def absent(path) -> LakefloorError:
    """Return the one sentence about a store that is not there."""
    return LakefloorError(
        tr("There is no lake database '{}'. Choose an existing one.").format(path))


def not_named_gpkg(path) -> LakefloorError:
    """Return the one sentence about a store of another ending."""
    return LakefloorError(
        tr("A lake database is a GeoPackage. Give '{}' a name that ends in .gpkg.").format(
            path.name)
    )


@contextmanager
def reading(path):
    """Yield a connection that sees one state of a store, of any layout known."""
    path = Path(path)
    _refuse_absent(path)
    with explained(path), closing(_connect(path)) as db:
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
    with staging_folder(path.parent) as folder:
        staged = folder / path.name
        with explained(path):
            _make(staged, crs)
        with _transaction(staged, progress) as db:
            yield db
        put_in_place(staged, path)


@contextmanager
def _transaction(path, progress, prepare=None):
    with explained(path), closing(_connect(path)) as db:
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
        flush_folder(path.parent)
    except FileExistsError:
        raise LakefloorError(
            tr("Another program has made '{}' meanwhile. Run again to add to it.").format(
                path.name)
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
                path.name, error.strerror)
        ) from error
    if not path.is_file():
        raise absent(path)
    if not status.st_size:
        raise LakefloorError(
            tr("'{}' is not a GeoPackage: it is empty (0 bytes). If a program synchronizes the "
               "folder, let it download the file. Otherwise restore a backup.").format(path.name)
        )
    if is_elsewhere(status, lambda: _begins(path)):
        raise LakefloorError(
            tr("'{}' is not on this computer yet: only its name is. Let the program that "
               "synchronizes the folder download it (\"always keep on this device\"), then run "
               "again.").format(path.name)
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


def flush_folder(folder):
    """Have the disk hold the names in a folder, where the system can."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def check_layout(db, path) -> int:
    """Return the layout of a store; refuse what is no store, or one of a newer layout."""
    (packed,) = db.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'gpkg_contents'").fetchone()
    if not packed:
        raise LakefloorError(
            tr("'{}' is not a GeoPackage. Choose a lake database, or type a new name.").format(
                path.name)
        )
    found = db.execute(
        "SELECT description FROM gpkg_contents WHERE table_name = 'visits'").fetchone()
    if found is None or not str(found[0]).startswith("Lakefloor store"):
        raise LakefloorError(
            tr("GeoPackage '{}' is not a lake database. Choose a lake database, or type a new "
               "name.").format(path.name)
        )
    number = str(found[0])[len(LAYOUT_WORDS):]
    if not (str(found[0]).startswith(LAYOUT_WORDS) and re.fullmatch("[1-9][0-9]{0,3}", number)):
        raise damaged(path)
    if int(number) > LAYOUT:
        raise LakefloorError(
            tr("Lake database '{}' was made by a newer Lakefloor: it has layout {}, and this one "
               "knows layouts up to {}. Update the plugin, then run again.").format(
                path.name, number, LAYOUT)
        )
    names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
    if not names >= {"soundings", "visits", "history", "rtree_soundings_geom",
                     "rtree_soundings_geom_insert", "gpkg_geometry_columns",
                     "gpkg_spatial_ref_sys"}:
        raise damaged(path)
    return int(number)


def layout_of(db) -> int:
    ((text,),) = db.execute("SELECT description FROM gpkg_contents WHERE table_name = 'visits'")
    return int(text[len(LAYOUT_WORDS):])


def state_of(db) -> tuple:
    """Return the identity of a store, and whether Lakefloor itself was the last to change it.

    The identity of a store of layout 1 is drawn from when it was made. Other programs date the
    table that they edit, and that table alone.
    """
    rows = db.execute("SELECT table_name, description, last_change FROM gpkg_contents "
                      "WHERE table_name IN ('soundings', 'visits', 'history')").fetchall()
    changed = {moment for _, _, moment in rows}
    if layout_of(db) == 1:
        made = db.execute("SELECT time, parameters FROM history WHERE action = 'made' "
                          "ORDER BY fid LIMIT 1").fetchone()
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
    identity, moment = identity or state_of(db)[0], now()
    db.execute(
        "UPDATE gpkg_contents SET last_change = ? "
        "WHERE table_name IN ('soundings', 'visits', 'history')", (moment,))
    db.execute("UPDATE gpkg_contents SET description = ? WHERE table_name = 'history'",
               (f"store {identity}, as of {moment}",))


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
            ("locked", tr("Lake database '{}' is in use by another program or run. Wait until it "
                          "is done, or close it there, then run again.")),
            ("readonly", tr("Lake database '{}' is read-only. Allow writing to the file, or use a "
                            "copy.")),
            ("full", tr("The disk of '{}' is full. Nothing was changed. Make room, then run "
                        "again.")),
            ("unable to open", tr("Cannot open '{}' or write in its folder. Check the "
                                  "permissions of both.")),
            ("not a database", tr("'{}' is not a GeoPackage. Choose a lake database, or type a "
                                  "new name.")),
            ("I/O", tr("Cannot read or write '{}'. Check that its disk is connected and not full, "
                       "then run again.")),
        ):
            if sign in text:
                raise LakefloorError(message.format(path.name)) from error
        raise damaged(path) from error


def log(db, action, visit, count, mark, parameters):
    values = (now(), action, visit, count, mark, parameters)
    db.execute(f"INSERT INTO history ({', '.join(_HISTORY)}) VALUES (?, ?, ?, ?, ?, ?)", values)


def now():
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def crs_of(db):
    rows = db.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "NATURAL JOIN gpkg_geometry_columns WHERE table_name = 'soundings'").fetchall()
    try:
        ((organization, code, definition),) = rows
        crs = f"EPSG:{int(code)}" if organization.upper() == "EPSG" else str(definition)
        _srs(crs)
    except (AttributeError, TypeError, ValueError, LakefloorError):
        raise damaged() from None
    return crs


def same_crs(a, b):
    return a == b or bool(_srs(a).IsSame(_srs(b)))


def _srs(text):
    srs = osr.SpatialReference()
    try:
        known = srs.SetFromUserInput(text) == 0
    except RuntimeError:
        known = False
    if not known:
        raise LakefloorError(tr("CRS '{}' is unknown. Choose another one.").format(text))
    srs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    return srs


def _make(path, crs):
    """Make an empty store with GDAL, whose tables and spatial index are standard."""
    try:
        with strict():
            _make_layers(path, crs)
    except RuntimeError as error:
        raise LakefloorError(
            tr("Cannot make '{}' ({}). Check that the disk is not full and that you may write to "
               "the folder.").format(path.name, error)
        ) from error
    with closing(_connect(path)) as db:
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
        log(db, "made", None, None, None, json.dumps({"crs": crs}))
        stamp(db, uuid.uuid4().hex)


def _make_layers(path, crs):
    driver = gdal.GetDriverByName("GPKG")
    dataset = made(driver.Create(str(path), 0, 0, 0, gdal.GDT_Unknown))
    tables = (
        ("soundings", {"visit_id": "int", **{f: kind for f, (_, kind) in SCHEMA.items()}}, ""),
        ("visits", VISITS, f"{LAYOUT_WORDS}{LAYOUT}"),
        ("history", _HISTORY, ""),
    )
    for name, fields, description in tables:
        srs, kind = (_srs(crs), ogr.wkbPoint) if name == "soundings" else (None, ogr.wkbNone)
        layer = made(dataset.CreateLayer(name, srs, kind, [f"DESCRIPTION={description}"]))
        for field_name, field_kind in fields.items():
            done(layer.CreateField(ogr.FieldDefn(field_name, _OGR_TYPES[field_kind])))
