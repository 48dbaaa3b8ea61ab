"""GeoPackages that results go into: whose they are, and how tables get into them."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr

from .._compat import KEEPS_MILLISECONDS
from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.geopackage import allow_updates, quoted
from ..core.visits.store_visits import STORE
from .bulk_rows import copy_rows
from .gdal_errors import done, made, strict, without_sql
from .sqlite_uri import read_only_uri
from .whole import check_whole

#: Description of each table that Lakefloor wrote.
MARK = "Written by Lakefloor"

#: How long to wait for another program that holds a file, s.
LOCK_TIMEOUT_S = 30.0

#: Rows written between two looks at cancel.
_ROWS = 2000

#: Primary result codes of SQLite.
_BUSY, _LOCKED = 5, 6


def descriptions(path) -> dict:
    """Return the description of each table; sqlite3.Error if it is no GeoPackage."""
    with closing(sqlite3.connect(read_only_uri(path.absolute()), uri=True, timeout=2.0)) as db:
        rows = db.execute("SELECT table_name, description FROM gpkg_contents").fetchall()
    return {name: text or "" for name, text in rows}


def mark(path):
    """Say in a new GeoPackage that Lakefloor wrote it, unless it is a store.

    The file is one that is brought to the disk later.

    Raises
    ------
    LakefloorError
        If it cannot be written.
    """
    try:
        with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
            db.execute("PRAGMA synchronous = OFF")
            stores = db.execute(
                "SELECT count(*) FROM gpkg_contents WHERE description LIKE ?", (STORE + "%",)
            )
            if not stores.fetchone()[0]:
                db.execute("UPDATE gpkg_contents SET description = ?", (MARK,))
    except sqlite3.Error as error:
        raise LakefloorError(
            tr(
                "Cannot write '{}'. Nothing was kept. Check that the disk is not full, then run "
                "again."
            ).format(path.name)
        ) from error


def put_tables(path: Path, tables, scratch: Path, check=lambda: None):
    """Write tables into a GeoPackage; its other tables stay as they are.

    They are put into a copy, which is read again. The copy then takes the place of the content by
    SQLite's own backup, which is one transaction: whoever has the file open sees the new state,
    and a kill leaves the old one.

    Parameters
    ----------
    path : Path
        Made where it is absent.
    tables : list of (str, Path, int)
        Name, the GeoPackage whose only table it is to be a copy of, and its number of rows.
    scratch : Path
        Where the copy may be made.
    check : callable
        Called now and then; may raise to stop.

    Raises
    ------
    LakefloorError
        If it cannot be written; it is as before then.
    """
    if not path.exists():
        _fill(path, tables)
        return
    try:
        with closing(_connect(path)) as db:
            with closing(sqlite3.connect(str(scratch))) as copy:
                db.backup(copy)
            before = db.execute("PRAGMA data_version").fetchone()
            _fill(scratch, tables)
            check_whole(scratch, None, check)
            if db.execute("PRAGMA data_version").fetchone() != before:
                raise sqlite3.OperationalError(tr("another program has just changed it"))
        with closing(sqlite3.connect(str(scratch))) as copy, closing(_connect(path)) as db:
            copy.backup(db, progress=_patience())
    except sqlite3.Error as error:
        raise _cannot(path, error) from error


def restore_milliseconds(path: Path, field: str, times, check=lambda: None):
    """Write times into a GeoPackage again where this QGIS has cut them to whole seconds.

    Parameters
    ----------
    path : Path
        Other files are left as they are.
    field : str
        Of the first table.
    times : array of datetime64[ms]
        In feature order.
    check : callable
        Called every few thousand rows; may raise to stop.
    """
    if KEEPS_MILLISECONDS or path.suffix.lower() != ".gpkg":
        return
    with closing(sqlite3.connect(str(path))) as db:
        allow_updates(db)
        # None where QGIS closed the file cut short, on a full disk.
        (table,) = db.execute("SELECT table_name FROM gpkg_contents").fetchone() or ("",)
        table = quoted(table)
        for start in range(0, len(times), _ROWS):
            check()
            part = times[start : start + _ROWS]
            keyed = ((f"{t}Z", i) for i, t in enumerate(part, start + 1) if not np.isnat(t))
            db.executemany(f'UPDATE {table} SET "{field}" = ? WHERE fid = ?', keyed)
        db.commit()


def _connect(path):
    db = sqlite3.connect(str(path), timeout=5.0, isolation_level=None)
    db.execute("PRAGMA synchronous = FULL")
    return db


def _patience():
    """Return a callback that ends a backup which waits too long for another program's lock."""
    end = time.monotonic() + LOCK_TIMEOUT_S

    def report(status, remaining, total):
        if status in (_BUSY, _LOCKED) and time.monotonic() > end:
            raise sqlite3.OperationalError("database is locked")

    return report


def _cannot(path, error):
    return LakefloorError(
        tr(
            "Cannot write into '{}' ({}). It is unchanged. Save or end edits of its layers, close "
            "other programs that write to it, and make room on the disk. Then run again."
        ).format(path, without_sql(str(error)))
    )


def _fill(path, tables):
    try:
        for name, part, count in tables:
            with strict():
                _make_table(path, name, part)
                copied = copy_rows(path, name, part)
                if copied is None:
                    copied = _copy(part, path, name)
            if copied != count:
                raise RuntimeError(tr("it is incomplete"))
    except (RuntimeError, sqlite3.Error) as error:
        raise _cannot(path, error) from error


def _make_table(path, name, part):
    """Make a table like the only one of another GeoPackage, without rows."""
    source = package = layer = None
    try:
        source = made(gdal.OpenEx(str(part), gdal.OF_VECTOR))
        given = source.GetLayer(0)
        if path.exists():
            package = made(gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE))
        else:
            package = made(
                gdal.GetDriverByName("GPKG").Create(str(path), 0, 0, 0, gdal.GDT_Unknown)
            )
        layer = made(
            package.CreateLayer(
                name,
                given.GetSpatialRef(),
                given.GetGeomType(),
                ["OVERWRITE=YES", "FID=fid", "GEOMETRY_NAME=geom", f"DESCRIPTION={MARK}"],
            )
        )
        fields = given.GetLayerDefn()
        for number in range(fields.GetFieldCount()):
            done(layer.CreateField(fields.GetFieldDefn(number)))
    finally:
        # A layer must not outlive its data set.
        layer = given = fields = source = package = None


def _copy(part, path, name) -> int:
    """Copy the only table of a GeoPackage row by row; return its number of rows."""
    source = package = layer = feature = row = None
    try:
        source = made(gdal.OpenEx(str(part), gdal.OF_VECTOR))
        package = made(gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE))
        layer = made(package.GetLayerByName(name))
        done(layer.StartTransaction())
        for row in source.GetLayer(0):
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetFrom(row)
            feature.SetFID(row.GetFID())
            done(layer.CreateFeature(feature))
        done(layer.CommitTransaction())
        return layer.GetFeatureCount()
    finally:
        # A feature must not outlive its layer, nor a layer its data set.
        feature = row = layer = package = source = None
