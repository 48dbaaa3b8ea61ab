"""GeoPackages that results go into: whose they are, and how tables get into them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from osgeo import gdal, ogr

from ._gdal import done, made, strict
from ._i18n import tr
from .core.errors import LakefloorError

#: Description of each table that Lakefloor wrote.
MARK = "Written by Lakefloor"

#: Beginning of what a store says of its table of visits.
STORE = "Lakefloor store"


def descriptions(path) -> dict:
    """Return the description of each table; sqlite3.Error if it is no GeoPackage."""
    with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True, timeout=2.0)) as db:
        rows = db.execute("SELECT table_name, description FROM gpkg_contents").fetchall()
    return {name: text or "" for name, text in rows}


def mark(path):
    """Say in a new GeoPackage that Lakefloor wrote it, unless it is a store.

    Raises
    ------
    LakefloorError
        If it cannot be written.
    """
    try:
        with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
            stores = db.execute(
                "SELECT count(*) FROM gpkg_contents WHERE description LIKE ?", (STORE + "%",))
            if not stores.fetchone()[0]:
                db.execute("UPDATE gpkg_contents SET description = ?", (MARK,))
    except sqlite3.Error as error:
        raise LakefloorError(
            tr("Cannot write '{}'. Nothing was kept; is the disk full?").format(path.name)
        ) from error


def put_tables(path: Path, tables):
    """Write tables into a GeoPackage, in one transaction; its other tables stay as they are.

    Parameters
    ----------
    path : Path
        Made where it is absent.
    tables : list of (str, Path, int)
        Name, the GeoPackage whose only table it is to be a copy of, and its number of rows.

    Raises
    ------
    LakefloorError
        If it cannot be written; it is as before then.
    """
    try:
        with strict():
            _put(path, tables)
    except RuntimeError as error:
        raise LakefloorError(
            tr("Cannot write into '{}' ({}). It is as it was. If another program is writing to it, "
               "or it is being edited, end that, then run again.").format(path, error)
        ) from error


def _put(path, tables):
    package = None
    begun = False
    try:
        if path.exists():
            package = made(gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE))
        else:
            package = made(gdal.GetDriverByName("GPKG").Create(
                str(path), 0, 0, 0, gdal.GDT_Unknown))
        done(package.StartTransaction())
        begun = True
        for name, part, count in tables:
            if _copy(part, package, name) != count:
                raise RuntimeError(tr("it is not whole"))
        done(package.CommitTransaction())
        begun = False
    finally:
        if begun:
            package.RollbackTransaction()
        package = None


def _copy(part, package, name) -> int:
    """Copy the only table of a GeoPackage; CopyLayer would not do within a transaction."""
    source = layer = feature = row = None
    try:
        source = made(gdal.OpenEx(str(part), gdal.OF_VECTOR))
        given = source.GetLayer(0)
        layer = made(package.CreateLayer(name, given.GetSpatialRef(), given.GetGeomType(), [
            "OVERWRITE=YES", "FID=fid", "GEOMETRY_NAME=geom", f"DESCRIPTION={MARK}"]))
        fields = given.GetLayerDefn()
        for number in range(fields.GetFieldCount()):
            done(layer.CreateField(fields.GetFieldDefn(number)))
        for row in given:
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetFrom(row)
            feature.SetFID(row.GetFID())
            done(layer.CreateFeature(feature))
        return layer.GetFeatureCount()
    finally:
        # A feature must not outlive its layer, nor a layer its data set.
        feature = row = layer = given = fields = source = None
