"""GeoPackages that hold what they are given and no more."""

import sqlite3
from contextlib import closing
from xml.etree import ElementTree

import numpy as np
from osgeo import gdal, ogr, osr

from .._i18n import tr
from ..core.errors import LakefloorError
from .bulk_rows import find_table, insert_rows
from .gdal_errors import done, made, strict, without_sql
from .layer_rows import ROWS, Places, Rows

#: Stands where the standard asks for a time of the last change.
NO_TIME = "1970-01-01T00:00:00.000Z"

_TYPES = {"double": ogr.OFTReal, "text": ogr.OFTString}
_GEOMETRIES = {
    "point": ogr.wkbPoint,
    "line": ogr.wkbMultiLineString,
    "polygon": ogr.wkbMultiPolygon,
}


#: Parts of a style that draw; forms, actions and map tips may name files of the user.
_DRAWING = ("renderer-v2", "labeling", "blendMode", "featureBlendMode", "layerOpacity")


def keep_drawing_only(path):
    """Take out of the styles in a GeoPackage all that does not draw, and their owner.

    Raises
    ------
    LakefloorError
        If the file cannot be written.
    """
    try:
        with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
            db.execute("PRAGMA secure_delete = ON")
            for number, qml in db.execute("SELECT id, styleQML FROM layer_styles").fetchall():
                style = ElementTree.fromstring(qml)
                for part in list(style):
                    if part.tag not in _DRAWING:
                        style.remove(part)
                db.execute(
                    "UPDATE layer_styles SET styleQML = ?, owner = '', description = '' "
                    "WHERE id = ?",
                    (ElementTree.tostring(style, "unicode"), number),
                )
            db.execute("VACUUM")
    except sqlite3.Error as error:
        raise _cannot(path, error) from error


def write_geopackage(path, layers, epsg: int, check=lambda: None):
    """Write layers and read them back.

    Parameters
    ----------
    path : Path
        Of a file that does not exist.
    layers : list of (str, str, list, list)
        Name, geometry (``point``, ``line``, ``polygon``), fields as (name, ``double`` or
        ``text``), and rows as (WKB, values).
    epsg : int
    check : callable
        Called once per batch of rows; may raise to stop.

    Raises
    ------
    LakefloorError
        If the file cannot be written in full.
    """
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(epsg)
    srs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    try:
        with strict():
            _write(path, layers, srs, check)
        with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
            db.execute("PRAGMA secure_delete = ON")
            db.execute("UPDATE gpkg_contents SET last_change = ?", (NO_TIME,))
            db.execute("VACUUM")
            whole = db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            counts = [
                db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name, *_ in layers
            ]
    except (RuntimeError, sqlite3.Error) as error:
        raise _cannot(path, without_sql(str(error))) from error
    if not whole or counts != [len(rows) for *_, rows in layers]:
        raise _cannot(path, tr("it is not whole"))


def _cannot(path, reason):
    return LakefloorError(
        tr("Cannot write '{}' ({}). Nothing was written. Check that the disk has room.").format(
            path.name, reason
        )
    )


def _write(path, layers, srs, check):
    _make_tables(path, layers, srs)
    for name, geometry, fields, rows in layers:
        table = find_table(path, name)
        if table is None:
            _fill(path, name, fields, rows, check)
            continue
        parts = (rows[start : start + ROWS] for start in range(0, len(rows), ROWS))
        columns = (_columns(part, geometry) for part in parts)
        insert_rows(path, table, _GEOMETRIES[geometry], columns, lambda _: check())


def _make_tables(path, layers, srs):
    dataset = layer = None
    try:
        dataset = made(gdal.GetDriverByName("GPKG").Create(str(path), 0, 0, 0, gdal.GDT_Unknown))
        for name, geometry, fields, _ in layers:
            layer = made(
                dataset.CreateLayer(
                    name, srs, _GEOMETRIES[geometry], ["FID=fid", "GEOMETRY_NAME=geom"]
                )
            )
            for field, kind in fields:
                done(layer.CreateField(ogr.FieldDefn(field, _TYPES[kind])))
    finally:
        # A layer must not outlive its data set, nor that its folder.
        layer = dataset = None


def _columns(rows, geometry) -> Rows:
    shapes, values = zip(*rows)
    if geometry == "point":
        places = np.frombuffer(b"".join(shapes), [("head", "V5"), ("xy", "<f8", (2,))])["xy"]
        bounds = np.hstack([places, places])
    else:
        from shapely import wkb

        bounds = np.array([wkb.loads(shape).bounds for shape in shapes])
    return Rows(len(rows), Places(shapes, bounds), list(map(list, zip(*values))))


def _fill(path, name, fields, rows, check):
    """Fill a table row by row."""
    dataset = layer = feature = None
    try:
        dataset = made(gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE))
        layer = made(dataset.GetLayerByName(name))
        done(layer.StartTransaction())
        for i, (shape, values) in enumerate(rows):
            if i % ROWS == 0:
                check()
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetGeometry(ogr.CreateGeometryFromWkb(shape))
            for (field, _), value in zip(fields, values):
                if value is not None:
                    feature.SetField(field, value)
            done(layer.CreateFeature(feature))
        done(layer.CommitTransaction())
    finally:
        # A feature must not outlive its layer, nor a layer its data set, nor that its folder.
        feature = layer = dataset = None
