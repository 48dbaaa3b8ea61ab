"""Points as a GeoPackage stores them."""

import doctest
import sqlite3
import struct

import numpy as np
import pytest
from shapely import wkb
from shapely.geometry import Point

from lakefloor.algorithms.core import geopackage
from lakefloor.algorithms.core.geopackage import (
    allow_updates,
    is_placed,
    point_blobs,
    point_wkb,
    positions,
)

X, Y = np.array([500_000.25, np.nan, -3.5]), np.array([5_000_000.75, 1.0, 0.0])


def test_examples():
    assert doctest.testmod(geopackage).failed == 0


def test_wkb_is_that_of_shapely():
    shapes = [wkb.loads(blob) for blob in point_wkb(X[[0, 2]], Y[[0, 2]])]
    assert [(s.x, s.y) for s in shapes] == [(500_000.25, 5_000_000.75), (-3.5, 0.0)]
    assert point_wkb(np.empty(0), np.empty(0)) == []


def test_bytes_of_a_point_are_those_of_the_standard():
    """OGC 12-128r18, 2.1.3.1: GP, version 0, flags with the byte order, srs_id, then the WKB."""
    blob, nothing, _ = point_blobs(X, Y, 32615)
    assert blob[:2] == b"GP"
    assert blob[2:4] == b"\x00\x01"
    assert struct.unpack("<i", blob[4:8]) == (32615,)
    assert wkb.loads(blob[8:]).equals(Point(500_000.25, 5_000_000.75))
    assert nothing is None


def test_positions_come_back():
    x, y = positions(point_blobs(X, Y, -1))
    np.testing.assert_array_equal(x, X)
    np.testing.assert_array_equal(y, [Y[0], np.nan, Y[2]])
    x, y = positions(point_blobs(X[:1], Y[:1], 4326))
    assert (x.tolist(), y.tolist()) == ([500_000.25], [5_000_000.75])
    assert [v.size for v in positions([])] == [0, 0]


def header(flags, envelope=()):
    return b"GP\x00" + bytes([flags]) + bytes(4) + struct.pack(f"<{len(envelope)}d", *envelope)


@pytest.mark.parametrize(
    "blob",
    [
        header(0b0011, (1.0, 1.0, 2.0, 2.0)) + struct.pack("<BI2d", 1, 1, 1.0, 2.0),
        header(0b0101, (1.0, 1.0, 2.0, 2.0, 9.0, 9.0))
        + struct.pack("<BI3d", 1, 1001, 1.0, 2.0, 9.0),
        header(0b1001, (1.0, 1.0, 2.0, 2.0, 9.0, 9.0, 7.0, 7.0))
        + struct.pack("<BI4d", 1, 3001, 1.0, 2.0, 9.0, 7.0),
        header(0b0001) + struct.pack(">BI2d", 0, 1, 1.0, 2.0),
        header(0b0001) + struct.pack("<BI3d", 1, 0x80000001, 1.0, 2.0, 9.0),
    ],
)
def test_other_ways_of_writing_a_point_are_read(blob):
    assert [v.tolist() for v in positions([blob])] == [[1.0], [2.0]]


def test_an_empty_point_has_no_position():
    blob = header(0b10001) + struct.pack("<BI2d", 1, 1, np.nan, np.nan)
    assert np.isnan(positions([blob])).all()


@pytest.mark.parametrize("blob", [
    b"", b"GP", "GP\x00\x01", 7,
    header(0b0001) + struct.pack("<BI2d", 1, 2, 1.0, 2.0),  # a line
    header(0b0001) + struct.pack("<BId", 1, 1, 1.0),  # cut short
    header(0b1111) + struct.pack("<BI2d", 1, 1, 1.0, 2.0),  # an envelope of no known kind
])  # fmt: skip
def test_what_is_no_point_is_refused(blob):
    with pytest.raises(ValueError, match="no (point|geometry)"):
        positions([blob])


def test_rows_that_an_index_holds():
    db = sqlite3.connect(":memory:")
    db.execute('CREATE TABLE t (fid INTEGER PRIMARY KEY, "the ""geom" BLOB)')
    empty = header(0b10001) + struct.pack("<BI2d", 1, 1, np.nan, np.nan)
    db.executemany("INSERT INTO t VALUES (?, ?)", enumerate([*point_blobs(X, Y, 1), empty]))
    assert db.execute(f"""SELECT fid FROM t WHERE {is_placed('the "geom')}""").fetchall() == [
        (0,),
        (2,),
    ]


def test_triggers_of_a_spatial_index_let_other_columns_change():
    db = sqlite3.connect(":memory:")
    db.executescript("""
        CREATE TABLE t (fid INTEGER PRIMARY KEY, geom BLOB, a TEXT);
        CREATE TABLE i (id INTEGER, x REAL);
        INSERT INTO t VALUES (1, NULL, 'old');
        CREATE TRIGGER moved AFTER UPDATE OF fid ON t WHEN OLD.fid <> NEW.fid
            AND NEW.geom NOTNULL AND NOT ST_IsEmpty(NEW.geom)
        BEGIN INSERT INTO i VALUES (NEW.fid, ST_MinX(NEW.geom) + ST_MaxX(NEW.geom)
            + ST_MinY(NEW.geom) + ST_MaxY(NEW.geom)); END;
        CREATE TRIGGER changed AFTER UPDATE ON t WHEN OLD.fid <> NEW.fid
            AND NOT ST_IsEmpty(NEW.geom) BEGIN SELECT RAISE(ABORT, 'fired'); END;
    """)
    with pytest.raises(sqlite3.OperationalError, match="ST_IsEmpty"):
        db.execute("UPDATE t SET a = 'new'")
    allow_updates(db)
    db.execute("UPDATE t SET a = 'new'")
    assert db.execute("SELECT a FROM t").fetchall() == [("new",)]
