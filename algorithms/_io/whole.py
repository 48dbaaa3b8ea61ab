"""Files that were written are read again, whole, before they replace anything.

On a full disk GDAL, Qt and QGIS may close a file cut short and call it done.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
import zlib
from contextlib import closing
from pathlib import Path
from xml.parsers import expat

from osgeo import gdal

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.geopackage import is_placed, quoted
from .gdal_errors import strict

#: Formats of one layer, in which as many features are found as were written.
_COUNTED = (".gpkg", ".geojson", ".json", ".shp", ".fgb", ".sqlite", ".tab", ".csv", ".kml")
_DATABASES = (".gpkg", ".sqlite", ".mbtiles")
_CHUNK = 1 << 22


class _TornError(Exception):
    """The file is not whole."""


def check_whole(path: Path, count=None, check=lambda: None):
    """Read a file, or each file of a folder, from beginning to end.

    Parameters
    ----------
    path : Path
    count : int, optional
        Features that a vector file holds.
    check : callable
        Called between parts of a large file; may raise to stop.

    Raises
    ------
    LakefloorError
        If it cannot be read, is cut short or holds another number of features.
    """
    if path.is_dir():
        for part in sorted(path.iterdir()):
            check_whole(part, None, check)
        return
    try:
        _read(path, count, check)
    except (
        _TornError,
        OSError,
        RuntimeError,
        ValueError,
        sqlite3.Error,
        zlib.error,
        zipfile.BadZipFile,
        expat.ExpatError,
    ) as error:
        raise LakefloorError(
            tr(
                "'{}' could not be written in full ({}). Nothing was kept. Make room on the disk, "
                "or choose another, then run again."
            ).format(path.name, _reason(error))
        ) from error


def _reason(error):
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, _TornError) and error.args:
        return str(error)
    return tr("it is cut short or damaged")


def _read(path, count, check):
    kind = path.suffix.lower()
    if kind in _DATABASES:
        _read_database(path)
    if kind in (".tif", ".tiff"):
        _read_raster(path, check)
    elif count is not None:
        _read_features(path, count if kind in _COUNTED else None, check)
    elif kind == ".gpkg":
        _read_features(path, None, check)
    if kind in _READERS:
        _READERS[kind](path)
    elif kind not in _DATABASES:
        _read_bytes(path, check)


def _read_bytes(path, check):
    """Read any file from beginning to end."""
    with path.open("rb") as file:
        while file.read(_CHUNK):
            check()


def _read_database(path):
    """Look through a database, and see that index and count of a GeoPackage tell all rows."""
    with closing(sqlite3.connect(str(path))) as db:
        if db.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
            raise _TornError
        # Zeros at the end of the last page are not missed by SQLite.
        ((pages,),), ((size,),) = db.execute("PRAGMA page_count"), db.execute("PRAGMA page_size")
        if path.stat().st_size < pages * size:
            raise _TornError
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
        if "gpkg_ogr_contents" in tables:
            for table, count in db.execute(
                "SELECT table_name, feature_count FROM gpkg_ogr_contents"
            ).fetchall():
                if count not in (None, _count(db, table)):
                    raise _TornError
        if "gpkg_geometry_columns" in tables:
            for table, column in db.execute(
                "SELECT table_name, column_name FROM gpkg_geometry_columns"
            ).fetchall():
                index = f"rtree_{table}_{column}"
                if index in tables and _count(db, index) != _count(db, table, _is_placed(column)):
                    raise _TornError


def _count(db, table, condition="1"):
    ((count,),) = db.execute(f"SELECT count(*) FROM {quoted(table)} WHERE {condition}")
    return count


def _is_placed(column):
    """Return the SQL condition of :func:`is_placed`, which looks at odd geometries only."""
    # Those of version 1 whose flags are below 16: none is empty, and comparing takes no time.
    usual = "{0} >= x'475000' AND {0} < x'47500010'".format(quoted(column))
    return f"({usual}) OR ({is_placed(column)})"


def _read_features(path, count, check):
    with strict():
        dataset = layer = None
        try:
            # A GeoPackage may hold tiles and no layer.
            flags = 0 if path.suffix.lower() == ".gpkg" else gdal.OF_VECTOR
            dataset = gdal.OpenEx(str(path), flags)
            if dataset is None:
                if count == 0:
                    return  # some formats hold no layer without features
                raise _TornError
            for number in range(dataset.GetLayerCount()):
                layer = dataset.GetLayer(number)
                found = _count_features(layer, check)
                if count is not None and number == 0 and found != count:
                    raise _TornError(tr("it has {} of {} features").format(found, count))
        finally:
            layer = dataset = None


def _count_features(layer, check):
    """Read all features of a layer; return their number."""
    found = 0
    if hasattr(layer, "GetArrowStream") and layer.TestCapability("FastGetArrowStream"):
        stream = layer.GetArrowStream()
        while (batch := stream.GetNextRecordBatch()) is not None:
            found += batch.GetLength()
            check()
        return found
    while layer.GetNextFeature() is not None:
        found += 1
        if found % 2000 == 0:
            check()
    return found


def _read_raster(path, check):
    """Read each block of each band; a block that was never written counts as torn."""
    with strict():
        dataset = gdal.OpenEx(str(path), gdal.OF_RASTER)
        if dataset is None or not dataset.RasterCount:
            raise _TornError
        for number in range(1, dataset.RasterCount + 1):
            band = dataset.GetRasterBand(number)
            width, height = band.GetBlockSize()
            across, down = -(-band.XSize // width), -(-band.YSize // height)
            for y in range(down):
                check()
                for x in range(across):
                    if not band.GetMetadataItem(f"BLOCK_OFFSET_{x}_{y}", "TIFF"):
                        raise _TornError
                top = y * height
                rows = min(height, band.YSize - top)
                if band.ReadRaster(0, top, band.XSize, rows) is None:
                    raise _TornError
        band = dataset = None


def _read_pdf(path):
    """Follow the tables of a PDF: each object begins where they say, after the end of another.

    ISO 32000-1:2008, 7.5.4 and 7.5.5; of a table kept as a stream only the place is looked at.
    """
    data = path.read_bytes()
    found = re.findall(rb"startxref\s+(\d+)\s+%%EOF\s*\Z", data[-1024:])
    if not data.startswith(b"%PDF-") or not found:
        raise _TornError
    at, seen = int(found[0]), set()
    while at is not None and at not in seen:
        seen.add(at)
        if not data.startswith(b"xref", at):
            if not re.match(rb"\d+ \d+ obj", data[at : at + 40]):
                raise _TornError
            return
        end = data.index(b"trailer", at)
        for entry in re.finditer(rb"(\d{10}) \d{5} n", data[at:end]):
            place = int(entry[1])
            if not re.match(rb"\s*\d+ \d+ obj", data[place : place + 40]):
                raise _TornError
            before = data[max(0, place - 40) : place].rstrip()
            if seen == {at} and b"obj" in before and not before.endswith(b"endobj"):
                raise _TornError
        older = re.search(rb"/Prev (\d+)", data[end : data.index(b"startxref", end)])
        at = int(older[1]) if older else None


def _read_png(path):
    """Check the sum of each chunk (ISO/IEC 15948:2004, 5.3) up to the last."""
    data = path.read_bytes()
    if data[:8] != b"\x89PNG\r\n\x1a\n":
        raise _TornError
    at = 8
    while True:
        if at + 12 > len(data):
            raise _TornError
        size = int.from_bytes(data[at : at + 4], "big")
        body, name = data[at + 4 : at + 8 + size], data[at + 4 : at + 8]
        if zlib.crc32(body) != int.from_bytes(data[at + 8 + size : at + 12 + size], "big"):
            raise _TornError
        if name == b"IEND":
            return
        at += 12 + size


def _parse(data):
    parser = expat.ParserCreate()
    parser.Parse(data, True)


def _read_xml(path):
    _parse(path.read_bytes())


def _read_page(path):
    if not path.read_bytes().rstrip().endswith(b"</html>"):
        raise _TornError


def _read_table(path):
    data = path.read_bytes()
    if not data.endswith((b"\n", b"\r")):
        raise _TornError


def _read_archive(path):
    with zipfile.ZipFile(path) as archive:
        if archive.testzip() is not None or not archive.namelist():
            raise _TornError
        for name in archive.namelist():
            if name.endswith(".qgs"):
                _parse(archive.read(name))


_READERS = {
    ".pdf": _read_pdf,
    ".png": _read_png,
    ".svg": _read_xml,
    ".gpx": _read_xml,
    ".kml": _read_xml,
    ".qgs": _read_xml,
    ".xml": _read_xml,
    ".html": _read_page,
    ".csv": _read_table,
    ".qgz": _read_archive,
    ".zip": _read_archive,
    ".kmz": _read_archive,
}

__all__ = ["check_whole"]
