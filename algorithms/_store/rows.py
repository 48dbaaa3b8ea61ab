"""Soundings of a store, in SQL, as arrays."""

from __future__ import annotations

from contextlib import contextmanager

import numpy as np

from ..core.geopackage import point_blobs, positions, time_texts
from ..core.soundings import ACCEPTED, SCHEMA, Soundings
from ..core.visits.store_visits import CHECKSUM_ROWS, SUPERSEDED
from .errors import damaged
from .layout import columns_of

BATCH = 20_000


@contextmanager
def decoding():
    """Turn what no row of a store can hold into the sentence about damage."""
    try:
        yield
    except (
        ValueError,
        TypeError,
        AttributeError,
        OverflowError,
        IndexError,
        RuntimeError,
    ) as error:
        raise damaged() from error


def last_number(db, table="soundings") -> int:
    """Return the largest number of a row that was ever given in a table; none is given twice."""
    ((last,),) = db.execute(f"SELECT max(fid) FROM {table}")
    ((given,),) = db.execute(
        "SELECT max(seq) FROM (SELECT seq FROM sqlite_sequence WHERE name = ? UNION ALL SELECT 0)",
        (table,),
    )
    return max(last or 0, given)


def srs_of(db) -> int:
    """Return the number of the store's CRS in its table ``gpkg_spatial_ref_sys``."""
    ((srs,),) = db.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'soundings'"
    )
    return srs


def insert_soundings(db, soundings, number, progress):
    """Write the soundings of a visit, and their places into the spatial index.

    Returns
    -------
    int
        Number of the first row; the others follow it.
    """
    first, srs = last_number(db) + 1, srs_of(db)
    columns = ["fid", "geom", "visit_id", *SCHEMA]
    marks = ", ".join("?" * len(columns))
    insert = f"INSERT INTO soundings ({', '.join(columns)}) VALUES ({marks})"
    total = len(soundings)
    with _counted_at_once(db, total):
        _insert_rows(db, insert, soundings, first, number, srs, progress)
    progress(1.0)
    return first


@contextmanager
def _counted_at_once(db, rows):
    """Do without the triggers of inserted rows; what they do is done here in one go.

    That of the spatial index needs functions that SQLite itself lacks. That of GDAL adds to the
    count of features with every row.
    """
    triggers = db.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name IN "
        "('rtree_soundings_geom_insert', 'trigger_insert_feature_count_soundings')"
    ).fetchall()
    for name, _ in triggers:
        db.execute(f"DROP TRIGGER {name}")
    yield
    if any("feature_count" in name for name, _ in triggers):
        db.execute(
            "UPDATE gpkg_ogr_contents SET feature_count = feature_count + ? "
            "WHERE table_name = 'soundings'",
            (rows,),
        )
    for _, sql in triggers:
        db.execute(sql)


def _insert_rows(db, insert, soundings, first, number, srs, progress):
    total = len(soundings)
    for start in range(0, total, BATCH):
        progress(start / total)
        part = soundings.select(slice(start, start + BATCH))
        fids = range(first + start, first + start + len(part))
        fields = [_values(getattr(part, attr), kind) for attr, kind in SCHEMA.values()]
        placed = np.isfinite(part.x) & np.isfinite(part.y)
        db.executemany(
            insert, zip(fids, point_blobs(part.x, part.y, srs), [number] * len(part), *fields)
        )
        _index(db, np.flatnonzero(placed) + fids.start, part.x[placed], part.y[placed])


def _index(db, ids, x, y):
    """Put points into the spatial index."""
    x, y = x.tolist(), y.tolist()
    db.executemany(
        "INSERT INTO rtree_soundings_geom VALUES (?, ?, ?, ?, ?)", zip(ids.tolist(), x, x, y, y)
    )


def put_back(db, table, step):
    """Write rows of a table of former soundings, which has their columns, over those of now."""
    gone = (
        f"SELECT fid, geom FROM {table} WHERE step = {step} "
        "AND fid NOT IN (SELECT fid FROM soundings)"
    )
    ((count,),) = db.execute(f"SELECT count(*) FROM ({gone})")
    for rows in pages(db.execute(f"{gone} AND geom IS NOT NULL ORDER BY fid")):
        with decoding():
            ids, blobs = zip(*rows)
            x, y = positions(blobs)
        placed = np.isfinite(x) & np.isfinite(y)
        _index(db, np.array(ids)[placed], x[placed], y[placed])
    names = ", ".join(f'"{name}"' for name in columns_of(db, table) if name != "step")
    with _counted_at_once(db, count):
        db.execute(
            f"INSERT OR REPLACE INTO soundings ({names}) SELECT {names} FROM {table} "
            f"WHERE step = {step} ORDER BY fid"
        )


def delete_soundings(db, number):
    """Delete the soundings of a visit."""
    db.execute("DELETE FROM soundings WHERE visit_id = ?", (number,))


def _values(values, kind):
    if kind == "datetime":
        return time_texts(values)
    return values.tolist()  # SQLite takes NaN as NULL


def pages(cursor):
    """Yield rows in lists of :data:`BATCH`."""
    while True:
        rows = cursor.fetchmany(BATCH)
        if not rows:
            return
        yield rows


def blocks_in(db, visit, box):
    """Return the first row id of a visit and the numbers of its blocks that a box meets.

    None where the visit has to be read whole, since its rows are not numbered without a gap.
    """
    first, last, count = db.execute(
        "SELECT min(fid), max(fid), count(*) FROM soundings WHERE visit_id = ?", (visit.number,)
    ).fetchone()
    if not count or last - first + 1 != count or count != visit.soundings:
        return None
    rows = db.execute(
        f"SELECT fid FROM soundings WHERE visit_id = ? AND {_IN_BOX}",
        [visit.number, *_corners(box)],
    ).fetchall()
    return first, np.unique((np.array(rows, np.int64).ravel() - first) // CHECKSUM_ROWS)


def read_pages(db, number, span=None):
    """Yield soundings of a visit in pages, each with its number of rows; ``span`` of row ids."""
    query = f"SELECT geom, {', '.join(SCHEMA)} FROM soundings WHERE visit_id = ?"
    values = [number]
    if span is not None:
        query += " AND fid BETWEEN ? AND ?"
        values += span
    words = {}
    for rows in pages(db.execute(f"{query} ORDER BY fid", values)):
        with decoding():
            geometry, *columns = zip(*rows)
            x, y = positions(geometry)
            known = {
                attr: _column(column, attr, kind, words)
                for column, (attr, kind) in zip(columns, SCHEMA.values())
            }
            page = Soundings.build(x, y, known.pop("depth"), **known)
        yield page, len(rows)


def _column(values, attr, kind, words):
    if kind == "datetime":
        return as_times(values)
    if kind == "text":
        empty = ACCEPTED if attr == "status" else ""
        if not all(v is None or isinstance(v, str) for v in values):
            raise TypeError("no text")
        return np.array(
            [words.setdefault(v, v) if v is not None else empty for v in values], dtype=object
        )
    if kind == "int":
        return np.array([0 if v is None else v for v in values], dtype=np.int32)
    return np.array(values, dtype=float)


def as_times(values) -> np.ndarray:
    """Return times of a GeoPackage as datetime64[ms]."""
    texts = ["NaT" if v is None else v.rstrip("Z") for v in values]
    if "+" in "".join(texts):
        raise ValueError("a time with a zone")
    return np.array(texts, "datetime64[ms]")


def depths(db, visit, box=None, before=None):
    """Return row ids and the accepted soundings of a visit, as far as needed to compare depths.

    Parameters
    ----------
    visit : Visit
        With a position at least.
    box : tuple, optional
        West, south, east, north, m; by default all.
    before : str, optional
        Name of a newer visit: what that has superseded is taken as it was before.

    Raises
    ------
    DamagedError
        If soundings of the visit are missing.
    """
    query = "SELECT fid, geom, depth_m, uncert_m, status FROM soundings WHERE visit_id = ?"
    values = [visit.number]
    counted = {ACCEPTED, f"{SUPERSEDED}{before}"} if before is not None else {ACCEPTED}
    some = box is not None and by_index(visit, box)
    if some:
        query += f" AND {_IN_BOX}"
        values += _corners(box)
    fids, columns, count = [np.empty(0, np.int64)], [[np.empty(0)] * 4], 0
    for rows in pages(db.execute(query, values)):
        count += len(rows)
        rows = [row[:4] for row in rows if row[4] in counted and row[1] is not None]
        if not rows:
            continue
        with decoding():
            fid, geometry, depth, uncert = zip(*rows)
            x, y = positions(geometry)
            columns.append((x, y, np.array(depth, float), np.array(uncert, float)))
            fids.append(np.array(fid, np.int64))
    if not some and count != visit.soundings:
        raise damaged()
    fid = np.concatenate(fids)
    x, y, depth, uncert = (np.concatenate(c) for c in zip(*columns))
    if box is not None:
        west, south, east, north = box
        inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
        fid, x, y, depth, uncert = (v[inside] for v in (fid, x, y, depth, uncert))
    return fid, Soundings.build(x, y, depth, uncert=uncert)


def by_index(visit, box) -> bool:
    """Say whether a part of a visit is read by the spatial index: reading most so takes longer."""
    return _area(box) < 0.25 * _area(visit.box)


def check_count(db, visit):
    """Refuse a store that has not as many soundings of a visit as its row says."""
    query = "SELECT count(*) FROM soundings WHERE visit_id = ?"
    if db.execute(query, (visit.number,)).fetchone() != (visit.soundings,):
        raise damaged()


def check_places(db, box):
    """Refuse a store whose spatial index has rows in a box that the table does not have."""
    held, there = db.execute(
        "SELECT (SELECT count(*) FROM rtree_soundings_geom "
        "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?), "
        f"(SELECT count(*) FROM soundings WHERE {_IN_BOX})",
        2 * _corners(box),
    ).fetchone()
    if held != there:
        raise damaged()


def _area(box):
    west, south, east, north = box
    return (east - west) * (north - south)


#: Rows whose place in the spatial index touches a box.
_IN_BOX = (
    "fid IN (SELECT id FROM rtree_soundings_geom "
    "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?)"
)


def _corners(box):
    west, south, east, north = box
    return [west, east, south, north]
