"""Rows into an empty table of a GeoPackage, as columns and in one transaction.

QGIS's sink makes the file, so that its layout is the sink's own; here it gets its rows as GDAL
would write them: the index, the extent and the number of features are brought up to date at the
end.

References
----------
OGC 12-128r18, GeoPackage Encoding Standard 1.3, 1.1.3 (contents), F.3 (spatial index).
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing, contextmanager
from itertools import chain, islice, repeat
from pathlib import Path
from typing import NamedTuple

import numpy as np
from qgis.core import QgsWkbTypes
from qgis.PyQt.QtCore import QMetaType

from ..core.geometry_blobs import geometry_blobs
from ..core.geopackage import quoted
from ..core.spatial_index import ROOT, pack_nodes, round_outward
from .sqlite_uri import read_only_uri
from .sqlite_values import stored

#: Kind of a column by the type that GDAL declares for it; of any other kind none is written here.
_KINDS = {
    "MEDIUMINT": "int",
    "INTEGER": "int",
    "REAL": "double",
    "TEXT": "text",
    "BOOLEAN": "bool",
    "DATE": "date",
    "DATETIME": "datetime",
    "BLOB": "bytes",
}

_QT = QMetaType.Type
#: Types of QGIS for each of these kinds.
_TYPES = {
    "int": {_QT.Int, _QT.LongLong},
    "double": {_QT.Double},
    "text": {_QT.QString},
    "bool": {_QT.Bool},
    "date": {_QT.QDate},
    "datetime": {_QT.QDateTime},
    "bytes": {_QT.QByteArray},
}

#: Geometries that are plain in a GeoPackage: in the plane, without curves.
_SHAPES = {
    QgsWkbTypes.Type.NoGeometry,
    QgsWkbTypes.Type.Point,
    QgsWkbTypes.Type.LineString,
    QgsWkbTypes.Type.Polygon,
    QgsWkbTypes.Type.MultiPoint,
    QgsWkbTypes.Type.MultiLineString,
    QgsWkbTypes.Type.MultiPolygon,
}

#: So many values are bound to one statement; SQLite before 3.32 takes no more than 999.
_BOUND = 999

#: How far the numbers of a spatial index, of 32 bits, may be from those of the shapes, a share.
_OF_SINGLES = 2.0**-20

_PRAGMAS = ("journal_mode = OFF", "synchronous = OFF", "cache_size = -65536")


class Table(NamedTuple):
    """A table of a GeoPackage, as far as its rows need it.

    Attributes
    ----------
    name, fid : str
        Of the table and of its column of row numbers.
    columns : list of (str, str)
        Name and declared type of each field.
    shape : str or None
        Column of the geometry.
    srs_id : int
    index : str or None
        The table of the spatial index.
    triggers : list of (str, str)
        Name and statement of those that follow each row that comes in.
    """

    name: str
    fid: str
    columns: list
    shape: str | None
    srs_id: int
    index: str | None
    triggers: list

    @property
    def kinds(self) -> list:
        """Kind of each field, None for one that is not known here."""
        return [_KINDS.get(re.sub(r"\(\d+\)$", "", declared)) for _, declared in self.columns]

    @property
    def names(self) -> list:
        """Row number, geometry and fields."""
        shape = [] if self.shape is None else [self.shape]
        return [self.fid, *shape, *(name for name, _ in self.columns)]


def takes(layer) -> bool:
    """Tell whether the fields and geometry of a layer are of the kinds that are written here."""
    known = set().union(*_TYPES.values())
    return layer.wkb_type in _SHAPES and all(field.type() in known for field in layer.fields)


def table_in(path: Path, layer) -> Table | None:
    """Return the only table of a new GeoPackage, None if it is not just as a layer asks for."""
    table = find_table(path)
    if table is None:
        return None
    fields = [(field.name(), field.type()) for field in layer.fields]
    if (
        [name for name, _ in fields] != [name for name, _ in table.columns]
        or not all(of in _TYPES.get(kind, ()) for (_, of), kind in zip(fields, table.kinds))
        or (table.shape is None) != (layer.wkb_type == QgsWkbTypes.Type.NoGeometry)
    ):
        return None
    return table


def find_table(path: Path, name: str | None = None) -> Table | None:
    """Return a table of a GeoPackage, by default its only one; None if there is more to it."""
    try:
        with closing(sqlite3.connect(read_only_uri(path.absolute()), uri=True)) as db:
            tables = [each for (each,) in db.execute("SELECT table_name FROM gpkg_contents")]
            if name is None and len(tables) == 1:
                (name,) = tables
            return _described(db, name) if name in tables else None
    except sqlite3.Error:
        return None


def _described(db, name):
    info = db.execute(f"PRAGMA table_info({quoted(name)})").fetchall()
    shapes = db.execute(
        "SELECT column_name, srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
    ).fetchall()
    shape, srs_id = shapes[0] if shapes else (None, 0)
    keys = [column for _, column, _, _, _, key in info if key]
    masters = db.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    index = f"rtree_{name}_{shape}"
    triggers = [
        (trigger, sql)
        for kind, trigger, of, sql in masters
        if kind == "trigger" and of == name and re.search(r"\bINSERT\s+ON\b", sql, re.I)
    ]
    known = {f"{index}_insert", f"trigger_insert_feature_count_{name}"}
    if len(keys) != 1 or {trigger for trigger, _ in triggers} - known:
        return None
    return Table(
        name,
        keys[0],
        [(column, kind) for _, column, kind, *_ in info if column not in (*keys, shape)],
        shape,
        srs_id,
        index if any(kind == "table" and each == index for kind, each, *_ in masters) else None,
        triggers,
    )


def insert_rows(
    path: Path, table: Table, shape_code: int, parts, progress=lambda done: None, fields=None
) -> int:
    """Write rows into a table that is empty; return their number.

    The file has no journal meanwhile: what fails or is stopped leaves one that is of no use.

    Parameters
    ----------
    shape_code : int
        Of its geometries, as in WKB.
    parts : iterable of Rows
        Values of each column as an array, or as a list of what QGIS has.
    progress : callable
        Called with the number of rows after each part; may raise to stop.
    fields : QgsFields, optional
        Convert what is of another type, as in a table that is being edited.

    Raises
    ------
    sqlite3.Error
        If they cannot be written, as on a full disk.
    RuntimeError
        If a value is of another type than its field, and cannot be converted.
    """
    with _filling(path, table) as db:
        count, ids, boxes, extent = _fill(db, table, shape_code, fields, parts, progress)
        if table.index is not None and ids.size:
            _fill_index(db, table.index, ids, boxes)
        if count:
            _note(db, table, count, extent if ids.size else None)
    return count


def copy_rows(
    path: Path, name: str, part: Path, of: str | None = None, numbered: bool = False
) -> int | None:
    """Copy the rows of a table of a GeoPackage into an empty one of another.

    Parameters
    ----------
    name : str
        Of the empty table.
    part : Path
        Where the rows are.
    of : str, optional
        Their table, by default the only one.
    numbered : bool
        Whether to copy them only if they are numbered from 1, without a gap.

    Returns
    -------
    int or None
        Their number; None where the two tables are not alike and nothing was copied. For journal
        and errors see :func:`insert_rows`.
    """
    given, table = find_table(part, of), find_table(path, name)
    if (
        given is None
        or table is None
        or (given.names, given.columns, given.srs_id, given.index is None)
        != (table.names, table.columns, table.srs_id, table.index is None)
    ):
        return None
    with _filling(path, table, part) as db:
        names, rows = ", ".join(map(quoted, table.names)), f"given.{quoted(given.name)}"
        ids, boxes, extent = _places(db, given)
        if (numbered and not _is_numbered(db, rows, table.fid)) or not _agree(boxes, extent):
            return None
        count = db.execute(
            f"INSERT INTO main.{quoted(name)} ({names}) SELECT {names} FROM {rows}"
        ).rowcount
        if ids.size:
            _fill_index(db, table.index, ids, boxes)
        if count:
            _note(db, table, count, extent)
    return count


def _places(db, given) -> tuple:
    """Return the ids and boxes in the spatial index of a table, and the extent, None if unknown."""
    rows = np.empty(0, [("id", np.int64), ("box", np.float32, (4,))])
    if given.index is not None:
        query = f"SELECT id, minx, maxx, miny, maxy FROM given.{quoted(given.index)}"
        rows = np.fromiter(((i, box) for i, *box in db.execute(query)), rows.dtype)
    ((*extent,),) = db.execute(
        "SELECT min_x, min_y, max_x, max_y FROM given.gpkg_contents WHERE table_name = ?",
        (given.name,),
    )
    return rows["id"], rows["box"], None if None in extent else extent


def _agree(boxes, extent) -> bool:
    """Tell whether an extent is that of boxes; a program that deletes rows may leave a wider one."""
    if not len(boxes):
        return True
    if extent is None:
        return False
    west, east, south, north = boxes.T
    return np.allclose(
        [west.min(), south.min(), east.max(), north.max()], extent, rtol=_OF_SINGLES, atol=0.0
    )


def _is_numbered(db, rows, fid) -> bool:
    """Tell whether rows are numbered from 1, without a gap."""
    fid = quoted(fid)
    query = f"SELECT min({fid}), max({fid}), count(*) FROM {rows}"
    ((first, last, count),) = db.execute(query)
    return not count or (first, last) == (1, count)


@contextmanager
def _filling(path, table, part=None):
    """Yield a connection in a transaction in which rows come in unnoticed; ``part`` is attached."""
    with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
        for pragma in _PRAGMAS:
            db.execute(f"PRAGMA {pragma}")
        if part is not None:
            db.execute("ATTACH ? AS given", (str(part),))
        db.execute("BEGIN")
        for trigger, _ in table.triggers:
            db.execute(f"DROP TRIGGER {quoted(trigger)}")
        yield db
        for _, sql in table.triggers:
            db.execute(sql)
        db.execute("COMMIT")


def _fill(db, table, shape_code, fields, parts, progress):
    """Insert the rows; return their number, the ids and boxes of the placed, and the extent."""
    into, kinds = f"{quoted(table.name)} ({', '.join(map(quoted, table.names))})", table.kinds
    fields = repeat(None) if fields is None else list(fields)
    done, ids, boxes = 0, [np.empty(0, np.int64)], [np.empty((0, 4), np.float32)]
    extent = np.array([np.inf, np.inf, -np.inf, -np.inf])
    for rows in parts:
        columns = [range(done + 1, done + rows.count + 1)]
        if table.shape:
            wkb, bounds = rows.places
            columns.append(geometry_blobs(wkb, bounds, shape_code, table.srs_id))
            placed = np.flatnonzero(~np.isnan(bounds[:, 0]))
            if placed.size:
                bounds = bounds[placed]
                ids.append(done + 1 + placed)
                boxes.append(round_outward(bounds))
                extent[:2] = np.minimum(extent[:2], bounds[:, :2].min(axis=0))
                extent[2:] = np.maximum(extent[2:], bounds[:, 2:].max(axis=0))
        columns += [stored(*column) for column in zip(rows.columns, kinds, fields)]
        _insert(db, into, columns)
        done += rows.count
        progress(done)
    return done, np.concatenate(ids), np.concatenate(boxes), extent.tolist()


def _insert(db, into, columns):
    """Insert rows given as columns, many with each statement, which halves the time."""
    row = f"({', '.join('?' * len(columns))})"
    together = max(_BOUND // len(columns), 1)
    values = chain.from_iterable(zip(*columns))
    batches = iter(lambda: tuple(islice(values, together * len(columns))), ())
    rest = ()

    def full():
        nonlocal rest
        for batch in batches:
            if len(batch) < together * len(columns):
                rest = batch
                return
            yield batch

    db.executemany(f"INSERT INTO {into} VALUES {', '.join([row] * together)}", full())
    if rest:
        some = len(rest) // len(columns)
        db.execute(f"INSERT INTO {into} VALUES {', '.join([row] * some)}", rest)


def _fill_index(db, index, ids, boxes):
    """Fill a spatial index that is empty: as nodes, or by SQLite itself where it wants that."""
    try:
        _pack(db, index, ids, boxes)
        if db.execute("SELECT rtreecheck(?)", (index,)).fetchone() == ("ok",):
            return
    except (sqlite3.OperationalError, ValueError):
        pass  # its tables may be closed to writing, or of another make
    ((made,),) = db.execute("SELECT sql FROM sqlite_master WHERE name = ?", (index,))
    db.execute(f"DROP TABLE {quoted(index)}")
    db.execute(made)
    _insert(db, quoted(index), [ids.tolist(), *boxes.T.tolist()])


def _pack(db, index, ids, boxes):
    node, rowid, parent = (quoted(f"{index}_{part}") for part in ("node", "rowid", "parent"))
    ((size,),) = db.execute(f"SELECT length(data) FROM {node} WHERE nodeno = {ROOT}")
    nodes = pack_nodes(ids, boxes, size)
    db.execute(f"UPDATE {node} SET data = ? WHERE nodeno = {ROOT}", nodes.blobs[:1])
    below = range(ROOT + 1, ROOT + len(nodes.blobs))
    if below:
        _insert(db, f"{node} (nodeno, data)", [below, nodes.blobs[1:]])
        _insert(db, f"{parent} (nodeno, parentnode)", [below, nodes.parents[1:].tolist()])
    _insert(db, f"{rowid} (rowid, nodeno)", [ids.tolist(), nodes.leaves.tolist()])


def _note(db, table, count, extent):
    """Bring up to date what the file says of the table."""
    db.execute(
        "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (count, table.name)
    )
    db.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now') "
        "WHERE table_name = ?",
        (table.name,),
    )
    if extent is not None:
        db.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
            "WHERE table_name = ?",
            (*extent, table.name),
        )
