"""Rows of a lake's store, in SQL, as arrays."""

from __future__ import annotations

import sqlite3
import zlib
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from osgeo import ogr

from ._i18n import tr
from ._layers import SCHEMA
from ._store_file import VISITS, damaged, layout_of, now, stamp, state_of
from .core.correcting.datums import datum_of
from .core.errors import LakefloorError
from .core.soundings import ACCEPTED, Soundings, concatenate
from .core.visits.store_content import Logged, fingerprint

_BATCH = 20_000

#: Soundings that share one part of a visit's checksum; divides _BATCH.
_BLOCK = 1000

#: A point as GeoPackage stores it: header without envelope, then little-endian WKB.
_POINT = np.dtype([
    ("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"),
    ("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8"),
])


@dataclass(frozen=True)
class Visit:
    """One row of the table of visits.

    Times are datetime64[ms], NaT where no sounding has one; ``box`` is west, south, east, north
    in m, or None where no sounding has a position; ``datum`` is name and elevation in m, or None;
    ``checksum`` is that of the soundings, eight digits for each thousand, or None where it does not
    hold (layout 1, or another program has edited the store).
    """

    number: int
    name: str
    fingerprint: str
    soundings: int
    without_time: int
    start: np.datetime64
    stop: np.datetime64
    box: tuple | None
    datum: tuple | None
    checksum: str | None


def stored_visits(db):
    """Return the visits in order of time; those without time come first."""
    sums = layout_of(db) > 1 and state_of(db)[1]
    rows = db.execute(
        "SELECT fid, visit, fingerprint, soundings, without_time, time_from, time_to, west, south, "
        f"east, north, datum, datum_elev_m, {'checksum' if sums else 'NULL'} FROM visits"
    ).fetchall()
    with _decoding():
        visits = [_visit(*row) for row in rows]
        if any(sums and v.checksum is None for v in visits):
            raise ValueError("no checksum")
    return sorted(visits, key=lambda v: (v.start.astype(np.int64), v.number))


def _visit(fid, name, mark, count, without, start, stop, *place):
    (west, south, east, north), (datum, elevation, checksum) = place[:4], place[4:]
    for text in (name, mark):
        if not isinstance(text, str):
            raise TypeError("no text")
    if not 0 <= without <= count:
        raise ValueError("counts")
    box = None if west is None else tuple(float(v) for v in (west, south, east, north))
    # A datum that is the water of a day stands at a height that nobody knows.
    height = None if elevation is None else float(elevation)
    return Visit(fid, name, mark, int(count), int(without), *_times([start, stop]), box,
                 None if datum is None else (str(datum), height), checksum)


@contextmanager
def _decoding():
    """Turn what no row of a store can hold into the sentence about damage."""
    try:
        yield
    except (ValueError, TypeError, AttributeError, OverflowError, IndexError,
            RuntimeError) as error:
        raise damaged() from error


def new_visit(db, name):
    return db.execute("INSERT INTO visits (visit) VALUES (?)", (name,)).lastrowid


def enter(db, number, name, part, parameters, progress):
    """Write the soundings of a visit and its row; return the fingerprint."""
    part = part.replace(visit=np.full(len(part), name, object))
    _insert(db, part, number, progress)
    return _describe(db, number, name, part, now(), parameters)


def _describe(db, number, name, part, added, parameters):
    """Write the row of a visit; return the fingerprint."""
    mark = fingerprint(part.time, part.raw_depth)
    timed = part.time[~np.isnat(part.time)]
    box = box_of(part) or [None] * 4
    datum = datum_of(part) or (None, None)
    values = (
        name, mark, len(part), len(part) - timed.size,
        *_time_texts(np.array([timed.min(), timed.max()]) if timed.size
                     else np.full(2, np.datetime64("NaT", "ms"))),
        *box, *datum, added, parameters, checksum(part),
    )
    names = ", ".join(f"{column} = ?" for column in VISITS)
    db.execute(f"UPDATE visits SET {names} WHERE fid = ?", (*values, number))
    return mark


def checksum(part) -> str:
    """Return the CRC-32 of each thousand soundings of a visit, in hexadecimal."""
    return "".join(f"{_sum_of(part.select(slice(start, start + _BLOCK))):08x}"
                   for start in range(0, len(part), _BLOCK))


def _sum_of(block):
    total, placed = 0, np.isfinite(block.x) & np.isfinite(block.y)
    for values in (np.where(placed, block.x, np.nan), np.where(placed, block.y, np.nan),
                   *(getattr(block, attr) for attr, _ in SCHEMA.values())):
        if values.dtype == object:
            packed = "\0".join(map(str, values)).encode("utf-8", "replace")
        elif values.dtype.kind == "f":
            # One bit pattern for what is not there, and none for a negative zero.
            packed = (np.where(np.isnan(values), np.nan, values) + 0.0).tobytes()
        else:
            packed = np.ascontiguousarray(values).tobytes()
        total = zlib.crc32(packed, total)
    return total


def sum_up(db, visit):
    """Write the checksum of a visit whose soundings got another status."""
    total = "".join(checksum(page) for page, _ in _read_pages(db, visit.number))
    db.execute("UPDATE visits SET checksum = ? WHERE fid = ?", (total, visit.number))


def take_over(db, progress):
    """Describe all visits as they are, after another program has edited the store."""
    ((lost,),) = db.execute("SELECT count(*) FROM soundings WHERE visit_id IS NULL "
                            "OR visit_id NOT IN (SELECT fid FROM visits)")
    if lost:
        raise LakefloorError(
            tr("The store's table 'soundings' has {} rows whose visit_id is in no row of table "
               "'visits'. Delete them there, or give them the fid of their visit, then run "
               "again.").format(lost)
        )
    rows = db.execute("SELECT fid, visit, added, parameters FROM visits").fetchall()
    for number, name, added, parameters in rows:
        progress(0.0)
        pages = [page for page, _ in _read_pages(db, number)]
        if not pages:
            db.execute("DELETE FROM visits WHERE fid = ?", (number,))
            continue
        if not isinstance(name, str):
            raise damaged()
        db.execute("UPDATE soundings SET visit = ? WHERE visit_id = ? AND visit IS NOT ?",
                   (name, number, name))
        whole = concatenate(pages)
        whole = whole.replace(visit=np.full(len(whole), name, object))
        _describe(db, number, name, whole, added, parameters)
    stamp(db)


def verify(db, progress):
    """Refuse a store whose tables, indexes and counts do not agree.

    Raises
    ------
    DamagedError
    """
    stopped = []

    # Called while SQLite is at work, so that a cancel is heard.
    def going():
        try:
            progress(0.0)
        except BaseException as error:
            stopped.append(error)
        return len(stopped)

    db.set_progress_handler(going, 1_000_000)
    try:
        if db.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
            raise damaged()
        verify_index(db)
    except sqlite3.OperationalError:
        if stopped:
            raise stopped[0] from None
        raise
    finally:
        db.set_progress_handler(None, 0)
    verify_counts(db, stored_visits(db))


def verify_counts(db, visits):
    """Refuse a store that does not hold as many soundings of each visit as it says.

    What another program has edited is taken as it is.
    """
    if state_of(db)[1]:
        counted = dict(db.execute("SELECT visit_id, count(*) FROM soundings GROUP BY visit_id"))
        if counted != {v.number: v.soundings for v in visits}:
            raise damaged()


def verify_index(db):
    """Refuse a store whose spatial index contradicts itself; see :func:`verify`."""
    if db.execute("SELECT rtreecheck('rtree_soundings_geom')").fetchone() != ("ok",):
        raise damaged()


def _insert(db, soundings, number, progress):
    ((srs,),) = db.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'soundings'")
    ((last,),) = db.execute("SELECT max(fid) FROM soundings")
    ((given,),) = db.execute(
        "SELECT max(seq) FROM (SELECT seq FROM sqlite_sequence WHERE name = 'soundings' "
        "UNION ALL SELECT 0)")
    first = max(last or 0, given) + 1
    columns = ["fid", "geom", "visit_id", *SCHEMA]
    marks = ", ".join("?" * len(columns))
    insert = f"INSERT INTO soundings ({', '.join(columns)}) VALUES ({marks})"
    # The index is filled here in one go: its trigger needs functions that SQLite itself lacks.
    ((trigger,),) = db.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger' "
                               "AND name = 'rtree_soundings_geom_insert'")
    db.execute("DROP TRIGGER rtree_soundings_geom_insert")
    total = len(soundings)
    for start in range(0, total, _BATCH):
        progress(start / total)
        part = soundings.select(slice(start, start + _BATCH))
        fids = range(first + start, first + start + len(part))
        fields = [_values(getattr(part, attr), kind) for attr, kind in SCHEMA.values()]
        placed = np.isfinite(part.x) & np.isfinite(part.y)
        db.executemany(insert, zip(fids, _points(part.x, part.y, placed, srs),
                                   [number] * len(part), *fields))
        x, y = part.x[placed].tolist(), part.y[placed].tolist()
        ids = (np.flatnonzero(placed) + fids.start).tolist()
        db.executemany("INSERT INTO rtree_soundings_geom VALUES (?, ?, ?, ?, ?)",
                       zip(ids, x, x, y, y))
    db.execute(trigger)
    progress(1.0)


def delete_soundings(db, number):
    db.execute("DELETE FROM soundings WHERE visit_id = ?", (number,))


def _values(values, kind):
    if kind == "datetime":
        return _time_texts(values)
    return values.tolist()  # SQLite takes NaN as NULL


def _time_texts(times):
    texts = np.datetime_as_string(np.asarray(times, "datetime64[ms]"), unit="ms").tolist()
    return [None if text == "NaT" else f"{text}Z" for text in texts]


def _points(x, y, placed, srs):
    points = np.zeros(x.size, _POINT)
    points["magic"], points["flags"], points["srs"] = b"GP", 1, srs
    points["order"], points["type"], points["x"], points["y"] = 1, 1, x, y
    size, raw = _POINT.itemsize, points.tobytes()
    return [raw[i * size : (i + 1) * size] if here else None
            for i, here in enumerate(placed.tolist())]


def _positions(blobs):
    """Return x and y of GeoPackage points, NaN where there is none."""
    size = _POINT.itemsize
    if all(blob is not None and len(blob) == size and blob[3] == 1 for blob in blobs):
        points = np.frombuffer(b"".join(blobs), _POINT)
        return points["x"].astype(float), points["y"].astype(float)
    x, y = np.full(len(blobs), np.nan), np.full(len(blobs), np.nan)
    for i, blob in enumerate(blobs):
        if blob is None:
            continue
        envelope = (0, 32, 48, 48, 64)[(blob[3] >> 1) & 7]
        point = ogr.CreateGeometryFromWkb(bytes(blob[8 + envelope :]))
        if not point.IsEmpty():
            x[i], y[i] = point.GetX(), point.GetY()
    return x, y


def _pages(cursor):
    while True:
        rows = cursor.fetchmany(_BATCH)
        if not rows:
            return
        yield rows


def parts(db, visit, box=None):
    """Yield soundings of one visit in pages, each with its number of rows.

    With a box, west, south, east, north in m: at least those within it.

    Raises
    ------
    DamagedError
        If these are not the soundings that the visit holds; at the latest after the last page.
    """
    if box is not None and (wanted := _blocks_in(db, visit, box)) is not None:
        yield from _read_blocks(db, visit, *wanted)
        return
    total, count = [], 0
    for page, rows in _read_pages(db, visit.number):
        if visit.checksum is not None:
            total.append(checksum(page))
        count += rows
        yield page, rows
    if count != visit.soundings and state_of(db)[1]:
        raise damaged()
    if visit.checksum not in (None, "".join(total)):
        raise damaged()


def _blocks_in(db, visit, box):
    """Return the first row id of a visit and the numbers of its blocks that a box meets.

    None where the visit has to be read whole, since its rows are not numbered without a gap.
    """
    first, last, count = db.execute(
        "SELECT min(fid), max(fid), count(*) FROM soundings WHERE visit_id = ?",
        (visit.number,)).fetchone()
    if not count or last - first + 1 != count or count != visit.soundings:
        return None
    rows = db.execute(f"SELECT fid FROM soundings WHERE visit_id = ? AND {_IN_BOX}",
                      [visit.number, *_corners(box)]).fetchall()
    return first, np.unique((np.array(rows, np.int64).ravel() - first) // _BLOCK)


def _read_blocks(db, visit, first, blocks):
    # Blocks side by side are read together, no more than make a page.
    new = np.flatnonzero(np.diff(blocks) > 1) + 1
    for run in np.split(blocks, new):
        for start in range(0, run.size, _BATCH // _BLOCK):
            low, high = run[start], run[start : start + _BATCH // _BLOCK][-1]
            span = int(first + low * _BLOCK), int(first + (high + 1) * _BLOCK - 1)
            for page, rows in _read_pages(db, visit.number, span):
                if visit.checksum is not None and (
                    checksum(page) != visit.checksum[8 * low : 8 * (high + 1)]
                ):
                    raise damaged()
                yield page, rows


def _read_pages(db, number, span=None):
    query = f"SELECT geom, {', '.join(SCHEMA)} FROM soundings WHERE visit_id = ?"
    values = [number]
    if span is not None:
        query += " AND fid BETWEEN ? AND ?"
        values += span
    words = {}
    for rows in _pages(db.execute(f"{query} ORDER BY fid", values)):
        with _decoding():
            geometry, *columns = zip(*rows)
            x, y = _positions(geometry)
            known = {
                attr: _column(column, attr, kind, words)
                for column, (attr, kind) in zip(columns, SCHEMA.values())
            }
            page = Soundings.build(x, y, known.pop("depth"), **known)
        yield page, len(rows)


def _column(values, attr, kind, words):
    if kind == "datetime":
        return _times(values)
    if kind == "text":
        empty = ACCEPTED if attr == "status" else ""
        if not all(v is None or isinstance(v, str) for v in values):
            raise TypeError("no text")
        return np.array([words.setdefault(v, v) if v is not None else empty for v in values],
                        dtype=object)
    if kind == "int":
        return np.array([0 if v is None else v for v in values], dtype=np.int32)
    return np.array(values, dtype=float)


def _times(values):
    texts = ["NaT" if v is None else v.rstrip("Z") for v in values]
    if "+" in "".join(texts):
        raise ValueError("a time with a zone")
    return np.array(texts, "datetime64[ms]")


def logged(db, part, stored, progress):
    """Yield what may be the same soundings, from the visits that meet this one in time.

    Where either has soundings without time, the visits that meet this one in place are read too.
    """
    timed = part.time[~np.isnat(part.time)]
    # A program that drops milliseconds moves a time by less than this.
    second = np.timedelta64(1, "s")
    first, last = (timed.min() - second, timed.max() + second) if timed.size else (None, None)
    untimed = timed.size < len(part)
    box = box_of(part)
    query = "SELECT geom, time, raw_depth_m, depth_m FROM soundings WHERE visit_id = ?"
    for visit in stored:
        meets = timed.size and not np.isnat(visit.start) and (
            visit.start <= last and visit.stop >= first)
        if not meets and not ((untimed or visit.without_time) and _near(visit.box, box)):
            continue
        times, depths_ = [], []
        for rows in _pages(db.execute(query, (visit.number,))):
            progress(0.0)
            with _decoding():
                geometry, time_, raw, depth = zip(*rows)
                x, y = _positions(geometry)
                times.append(_times(time_))
                depths_.append(np.array(raw, float))
                page = Logged(np.full(len(rows), visit.number), x, y, times[-1], depths_[-1],
                              np.array(depth, float))
            yield page
        if fingerprint(*map(np.concatenate, (times, depths_))) != visit.fingerprint:
            raise damaged()


def box_of(part):
    """Return west, south, east, north of soundings, m; None where none has a position."""
    placed = np.isfinite(part.x) & np.isfinite(part.y)
    if not placed.any():
        return None
    x, y = part.x[placed], part.y[placed]
    return tuple(float(f(v)) for f, v in ((np.min, x), (np.min, y), (np.max, x), (np.max, y)))


def _near(a, b):
    """Say whether boxes come within a meter; what has no position may be anywhere."""
    if a is None or b is None:
        return True
    return a[0] - 1 <= b[2] and a[2] + 1 >= b[0] and a[1] - 1 <= b[3] and a[3] + 1 >= b[1]


def update_extent(db):
    boxes = [v.box for v in stored_visits(db) if v.box]
    extent = [None] * 4
    if boxes:
        west, south, east, north = zip(*boxes)
        extent = [min(west), min(south), max(east), max(north)]
    db.execute(
        "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
        "WHERE table_name = 'soundings'", extent)
    stamp(db)


def depths(db, visit, box=None):
    """Return row ids and the accepted soundings of a visit, as far as needed to compare depths.

    Parameters
    ----------
    visit : Visit
        With a position at least.
    box : tuple, optional
        West, south, east, north, m; by default all.
    """
    query = ("SELECT fid, geom, depth_m, uncert_m FROM soundings "
             "WHERE visit_id = ? AND status = ? AND geom IS NOT NULL")
    values = [visit.number, ACCEPTED]
    # Where most of the visit is wanted, reading all of it is faster than the index.
    if box is not None and _area(box) < 0.25 * _area(visit.box):
        query += f" AND {_IN_BOX}"
        values += _corners(box)
    fids, columns = [np.empty(0, np.int64)], [[np.empty(0)] * 4]
    for rows in _pages(db.execute(query, values)):
        with _decoding():
            fid, geometry, depth, uncert = zip(*rows)
            x, y = _positions(geometry)
            columns.append((x, y, np.array(depth, float), np.array(uncert, float)))
            fids.append(np.array(fid, np.int64))
    fid = np.concatenate(fids)
    x, y, depth, uncert = (np.concatenate(c) for c in zip(*columns))
    if box is not None:
        west, south, east, north = box
        inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
        fid, x, y, depth, uncert = (v[inside] for v in (fid, x, y, depth, uncert))
    return fid, Soundings.build(x, y, depth, uncert=uncert)


def _area(box):
    west, south, east, north = box
    return (east - west) * (north - south)


#: Rows whose place in the spatial index touches a box.
_IN_BOX = ("fid IN (SELECT id FROM rtree_soundings_geom "
           "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?)")


def _corners(box):
    west, south, east, north = box
    return [west, east, south, north]
