"""The file of a lake's store: its layout, its locks and its one transaction at a time."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from contextlib import closing, contextmanager
from datetime import datetime, timezone
from pathlib import Path

from osgeo import gdal, ogr, osr

from ._gdal import done, made, strict
from ._i18n import tr
from ._layers import SCHEMA
from ._staging import staging_folder
from .core.errors import LakefloorError
from .core.progress import silent

#: How long to wait for another program that holds the store, s.
LOCK_TIMEOUT_S = 30.0

#: Description of the table of visits, which tells a store from other GeoPackages.
_LAYOUT = "Lakefloor store, layout 1"

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
}

_HISTORY = {
    "time": "datetime", "action": "text", "visit": "text", "soundings": "int",
    "fingerprint": "text", "parameters": "text",
}


def _connect(path):
    db = sqlite3.connect(str(path), timeout=0.5, isolation_level=None)
    db.execute("PRAGMA cache_size = -65536")
    db.execute("PRAGMA synchronous = FULL")
    # Triggers of the spatial index are compiled with every update, though none fires here.
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        db.create_function(name, 1, lambda geometry: None)
    return db


@contextmanager
def reading(path):
    path = Path(path)
    if not path.is_file():
        raise LakefloorError(tr("There is no store '{}'.").format(path))
    with _explained(path), closing(_connect(path)) as db:
        # One read transaction: whatever others write meanwhile, it sees one state.
        db.execute("BEGIN")
        _patiently(lambda: db.execute("SELECT count(*) FROM sqlite_master").fetchone(), silent)
        _check(db, path)
        yield db


def copy_store(path, target):
    """Write a store, as it is at one moment, to a file that does not exist yet."""
    target = Path(target)
    with reading(path) as db, _explained(target), closing(sqlite3.connect(str(target))) as copy:
        db.backup(copy)


@contextmanager
def writing(path, crs, progress):
    """Yield a connection within the one transaction that changes the store, made where absent."""
    path = Path(path)
    if path.is_dir():
        raise LakefloorError(tr("'{}' is a folder; choose a file name.").format(path))
    if path.exists():
        with _transaction(path, progress) as db:
            yield db
        return
    if path.suffix.lower() != ".gpkg":
        raise LakefloorError(
            tr("A store is a GeoPackage: give '{}' a name that ends in .gpkg.").format(path.name)
        )
    with staging_folder(path.parent) as folder:
        staged = folder / path.name
        with _explained(path):
            _make(staged, crs)
        with _transaction(staged, progress) as db:
            yield db
        _put_in_place(staged, path)


@contextmanager
def _transaction(path, progress):
    with _explained(path), closing(_connect(path)) as db:
        _patiently(lambda: db.execute("BEGIN IMMEDIATE"), progress)
        try:
            _check(db, path)
            yield db
            # From here on no cancel: either all of it is there, or nothing.
            _patiently(lambda: db.execute("COMMIT"), silent)
        except BaseException:
            if db.in_transaction:
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


def _put_in_place(staged, path):
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
    except FileExistsError:
        raise LakefloorError(
            tr("'{}' was made by another program meanwhile. Run again to add to it.").format(
                path.name)
        ) from None


def _check(db, path):
    """Refuse what is no store of the layout known here."""
    (packed,) = db.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'gpkg_contents'").fetchone()
    if not packed:
        raise LakefloorError(
            tr("'{}' is not a GeoPackage. Choose the lake's store, or a new name.").format(
                path.name)
        )
    found = db.execute(
        "SELECT description FROM gpkg_contents WHERE table_name = 'visits'").fetchone()
    if found is None or not str(found[0]).startswith("Lakefloor store"):
        raise LakefloorError(
            tr("GeoPackage '{}' is not a lake's store. Choose the store, or a new name.").format(
                path.name)
        )
    if found[0] != _LAYOUT:
        raise LakefloorError(
            tr("Store '{}' was made by a newer Lakefloor ({}). Update the plugin.").format(
                path.name, found[0])
        )


@contextmanager
def _explained(path):
    """Turn an error of SQLite into one that a user can act on."""
    try:
        yield
    except sqlite3.Error as error:
        text = str(error)
        for sign, message in (
            ("locked", tr("Store '{}' is in use by another program or run. Wait until it is done, "
                          "or close it there, then run again.")),
            ("readonly", tr("Store '{}' is read-only. Allow writing to the file, or use a copy.")),
            ("full", tr("The disk of '{}' is full. Nothing was changed; make room and run again.")),
            ("unable to open", tr("Cannot open '{}', or write in its folder. Check the "
                                  "permissions of both.")),
            ("not a database", tr("'{}' is not a GeoPackage. Choose the lake's store, or a new "
                                  "name.")),
            ("malformed", tr("Store '{}' is damaged. Take the latest backup; do not use it on.")),
            ("I/O", tr("Cannot read or write '{}'. Is its disk full, or taken out?")),
        ):
            if sign in text:
                raise LakefloorError(message.format(path.name)) from error
        raise LakefloorError(tr("Store '{}': {}.").format(path.name, text)) from error


def log(db, action, visit, count, mark, parameters):
    values = (now(), action, visit, count, mark, parameters)
    db.execute(f"INSERT INTO history ({', '.join(_HISTORY)}) VALUES (?, ?, ?, ?, ?, ?)", values)


def now():
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def crs_of(db):
    ((organization, code, definition),) = db.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "NATURAL JOIN gpkg_geometry_columns WHERE table_name = 'soundings'")
    return f"EPSG:{code}" if organization.upper() == "EPSG" else definition


def same_crs(a, b):
    return a == b or bool(_srs(a).IsSame(_srs(b)))


def _srs(text):
    srs = osr.SpatialReference()
    try:
        known = srs.SetFromUserInput(text) == 0
    except RuntimeError:
        known = False
    if not known:
        raise LakefloorError(tr("CRS '{}' is unknown.").format(text))
    srs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    return srs


def _make(path, crs):
    """Make an empty store with GDAL, whose tables and spatial index are standard."""
    try:
        with strict():
            _make_layers(path, crs)
    except RuntimeError as error:
        raise LakefloorError(tr("Cannot make '{}' ({}).").format(path.name, error)) from error
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


def _make_layers(path, crs):
    driver = gdal.GetDriverByName("GPKG")
    dataset = made(driver.Create(str(path), 0, 0, 0, gdal.GDT_Unknown))
    tables = (
        ("soundings", {"visit_id": "int", **{f: kind for f, (_, kind) in SCHEMA.items()}}, ""),
        ("visits", VISITS, _LAYOUT),
        ("history", _HISTORY, ""),
    )
    for name, fields, description in tables:
        srs, kind = (_srs(crs), ogr.wkbPoint) if name == "soundings" else (None, ogr.wkbNone)
        layer = made(dataset.CreateLayer(name, srs, kind, [f"DESCRIPTION={description}"]))
        for field_name, field_kind in fields.items():
            done(layer.CreateField(ogr.FieldDefn(field_name, _OGR_TYPES[field_kind])))
