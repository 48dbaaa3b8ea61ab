"""Stores of the layouts before, written here with SQL alone, as Lakefloor and GDAL 3.6 left them.

Nothing of Lakefloor's own code takes part: what the state before has written must open, however
the code changes. A layout that is released is added here and stays.
"""

import hashlib
import json
import sqlite3
import struct
import zlib
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

CRS = "EPSG:32615"
IDENTITY = "0123456789abcdef0123456789abcdef"
CORRECTIONS = "from=surface;datum=dock;datum_elev_m=290;level_m=290.200"

#: Visits by name: first ping, soundings, how much shallower the bottom is.
VISITS = {
    "may": ("2024-05-14T14:00:00.250", 1500, 0.0),
    "evening; June": ("2025-06-14T18:00:00.250", 240, 0.8),
}

_MADE, _ADDED = "2026-01-02T10:00:00.000Z", "2026-01-02T10:00:01.500Z"

_TABLES = """
PRAGMA application_id = 1196444487;
PRAGMA user_version = 10200;
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL,srs_id INTEGER NOT NULL PRIMARY KEY,
 organization TEXT NOT NULL,organization_coordsys_id INTEGER NOT NULL,definition  TEXT NOT NULL,
 description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY,data_type TEXT NOT NULL,
 identifier TEXT UNIQUE,description TEXT DEFAULT '',last_change DATETIME NOT NULL DEFAULT
 (strftime('%Y-%m-%dT%H:%M:%fZ','now')),min_x DOUBLE, min_y DOUBLE,max_x DOUBLE, max_y DOUBLE,
 srs_id INTEGER,CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id)
 REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_ogr_contents(table_name TEXT NOT NULL PRIMARY KEY,
 feature_count INTEGER DEFAULT NULL);
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL,column_name TEXT NOT NULL,
 geometry_type_name TEXT NOT NULL,srs_id INTEGER NOT NULL,z TINYINT NOT NULL,m TINYINT NOT NULL,
 CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name));
CREATE TABLE gpkg_extensions (table_name TEXT,column_name TEXT,extension_name TEXT NOT NULL,
 definition TEXT NOT NULL,scope TEXT NOT NULL,
 CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE "soundings" ( "fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "geom" POINT,
 "visit_id" MEDIUMINT, "visit" TEXT, "lane" MEDIUMINT, "time" DATETIME, "raw_depth_m" REAL,
 "depth_m" REAL, "uncert_m" REAL, "hardness" REAL, "water_temp_c" REAL, "speed_ms" REAL,
 "course_deg" REAL, "status" TEXT, "corrections" TEXT);
CREATE TABLE "visits" ( "fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "visit" TEXT,
 "fingerprint" TEXT, "soundings" MEDIUMINT, "without_time" MEDIUMINT, "time_from" DATETIME,
 "time_to" DATETIME, "west" REAL, "south" REAL, "east" REAL, "north" REAL, "datum" TEXT,
 "datum_elev_m" REAL, "added" DATETIME, "parameters" TEXT);
CREATE TABLE "history" ( "fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "time" DATETIME,
 "action" TEXT, "visit" TEXT, "soundings" MEDIUMINT, "fingerprint" TEXT, "parameters" TEXT);
CREATE VIRTUAL TABLE "rtree_soundings_geom" USING rtree(id, minx, maxx, miny, maxy);
INSERT INTO gpkg_contents VALUES
 ('soundings', 'features', 'soundings', '', '', NULL, NULL, NULL, NULL, 32615),
 ('visits', 'attributes', 'visits', '', '', NULL, NULL, NULL, NULL, 0),
 ('history', 'attributes', 'history', '', '', NULL, NULL, NULL, NULL, 0);
INSERT INTO gpkg_geometry_columns VALUES ('soundings', 'geom', 'POINT', 32615, 0, 0);
INSERT INTO gpkg_extensions VALUES ('soundings', 'geom', 'gpkg_rtree_index',
 'http://www.geopackage.org/spec120/#extension_rtree', 'write-only');
"""

#: Statements that make the tables of a layout from those of the one before.
_LATER = {
    2: 'ALTER TABLE "visits" ADD COLUMN "checksum" TEXT;',
    3: "".join(
        f'ALTER TABLE "visits" ADD COLUMN "{name}" {kind};'
        for name, kind in (
            ("files", "TEXT"),
            ("owner", "TEXT"),
            ("sounder", "TEXT"),
            ("beam_deg", "REAL"),
            ("draft_m", "REAL"),
            ("level_m", "REAL"),
            ("level_from", "TEXT"),
            ("offset_m", "REAL"),
            ("offset_sd_m", "REAL"),
            ("hardness_gain", "REAL"),
            ("remark", "TEXT"),
        )
    ),
    4: "".join(
        f'ALTER TABLE "visits" ADD COLUMN "{name}" {kind};'
        for name, kind in (
            ("accepted", "MEDIUMINT"),
            ("held_back", "MEDIUMINT"),
            ("superseded", "MEDIUMINT"),
            ("rejected", "MEDIUMINT"),
            ("off_since", "DATETIME"),
        )
    )
    + """CREATE TABLE decisions (fid INTEGER PRIMARY KEY AUTOINCREMENT, sounding INTEGER, geom BLOB,
    time TEXT, raw_depth_m REAL, depth_m REAL, decision TEXT, reason TEXT, who TEXT, decided TEXT,
    said TEXT);
    CREATE UNIQUE INDEX decisions_sounding ON decisions (sounding);
    CREATE TRIGGER decisions_stay AFTER DELETE ON soundings BEGIN
    UPDATE decisions SET sounding = NULL WHERE sounding = OLD.fid; END;""",
}

#: What the log-book of layout 3 says of each visit.
LOG_BOOK = ("may.csv; may 2.csv", "Ada", None, 20.0, None, 290.2, "one lake level") + (None,) * 4

_RULES = """
CREATE INDEX soundings_visit ON soundings (visit_id);
CREATE INDEX soundings_superseded ON soundings (status)
 WHERE substr(status, 1, 14) = 'superseded by ';
CREATE UNIQUE INDEX visits_name ON visits (visit);
CREATE TRIGGER "rtree_soundings_geom_insert" AFTER INSERT ON "soundings"
 WHEN (new."geom" NOT NULL AND NOT ST_IsEmpty(NEW."geom"))
 BEGIN INSERT OR REPLACE INTO "rtree_soundings_geom" VALUES (NEW."fid",ST_MinX(NEW."geom"),
 ST_MaxX(NEW."geom"),ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_soundings_geom_update1" AFTER UPDATE OF "geom" ON "soundings"
 WHEN OLD."fid" = NEW."fid" AND (NEW."geom" NOTNULL AND NOT ST_IsEmpty(NEW."geom"))
 BEGIN INSERT OR REPLACE INTO "rtree_soundings_geom" VALUES (NEW."fid",ST_MinX(NEW."geom"),
 ST_MaxX(NEW."geom"),ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_soundings_geom_update2" AFTER UPDATE OF "geom" ON "soundings"
 WHEN OLD."fid" = NEW."fid" AND (NEW."geom" ISNULL OR ST_IsEmpty(NEW."geom"))
 BEGIN DELETE FROM "rtree_soundings_geom" WHERE id = OLD."fid"; END;
CREATE TRIGGER "rtree_soundings_geom_update3" AFTER UPDATE ON "soundings"
 WHEN OLD."fid" != NEW."fid" AND (NEW."geom" NOTNULL AND NOT ST_IsEmpty(NEW."geom"))
 BEGIN DELETE FROM "rtree_soundings_geom" WHERE id = OLD."fid";
 INSERT OR REPLACE INTO "rtree_soundings_geom" VALUES (NEW."fid",ST_MinX(NEW."geom"),
 ST_MaxX(NEW."geom"),ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_soundings_geom_update4" AFTER UPDATE ON "soundings"
 WHEN OLD."fid" != NEW."fid" AND (NEW."geom" ISNULL OR ST_IsEmpty(NEW."geom"))
 BEGIN DELETE FROM "rtree_soundings_geom" WHERE id IN (OLD."fid", NEW."fid"); END;
CREATE TRIGGER "rtree_soundings_geom_delete" AFTER DELETE ON "soundings"
 WHEN old."geom" NOT NULL
 BEGIN DELETE FROM "rtree_soundings_geom" WHERE id = OLD."fid"; END;
CREATE TRIGGER history_stays BEFORE UPDATE ON history
 BEGIN SELECT RAISE(ABORT, 'rows of the history are only ever added'); END;
CREATE TRIGGER history_is_kept BEFORE DELETE ON history
 BEGIN SELECT RAISE(ABORT, 'rows of the history are only ever added'); END;
CREATE TRIGGER raw_depth_stays BEFORE UPDATE OF raw_depth_m ON soundings
 WHEN OLD.raw_depth_m IS NOT NEW.raw_depth_m
 BEGIN SELECT RAISE(ABORT, 'raw depth is never changed'); END;
"""

_COUNTED = """
INSERT INTO gpkg_ogr_contents VALUES ('{0}', (SELECT count(*) FROM "{0}"));
CREATE TRIGGER "trigger_insert_feature_count_{0}" AFTER INSERT ON "{0}"
 BEGIN UPDATE gpkg_ogr_contents SET feature_count = feature_count + 1
 WHERE lower(table_name) = lower('{0}'); END;
CREATE TRIGGER "trigger_delete_feature_count_{0}" AFTER DELETE ON "{0}"
 BEGIN UPDATE gpkg_ogr_contents SET feature_count = feature_count - 1
 WHERE lower(table_name) = lower('{0}'); END;
"""


def rows_of(name):
    """Return the soundings of a visit as the table has them: x, y, then the fields."""
    start, count, fill = VISITS[name]
    begin, rows = datetime.fromisoformat(start), []
    for k in range(count):
        lane, along = divmod(k, 60)
        x, y = 400_000.0 + 6.0 * lane, 5_150_000.0 + (along if lane % 2 else 59 - along)
        depth = round((4.0 + 0.02 * (x - 400_000.0) + 0.3 * ((k * 7) % 5) - fill) * 64) / 64
        status = (
            "superseded by evening; June"
            if name == "may" and k % 100 == 3
            else ("spike" if k % 50 == 7 else "accepted")
        )
        time = (begin + k * timedelta(milliseconds=500)).isoformat(timespec="milliseconds") + "Z"
        rows.append(
            (
                x,
                y,
                name,
                lane,
                time,
                depth + 0.25,
                depth,
                0.05,
                None,
                18.5,
                2.25,
                None,
                status,
                CORRECTIONS,
            )
        )
    return rows


def write_store(path, layout):
    """Write a store of a layout with :data:`VISITS`; return its path."""
    later = "".join(_LATER[k] for k in range(2, layout + 1))
    with closing(sqlite3.connect(str(path), isolation_level=None)) as db:
        db.executescript("BEGIN;" + _TABLES + later + "COMMIT;")
        db.execute("BEGIN")
        db.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _systems())
        db.execute(
            "INSERT INTO history VALUES (NULL, ?, 'made', NULL, NULL, NULL, ?)",
            (_MADE, json.dumps({"crs": CRS})),
        )
        for number, name in enumerate(VISITS, start=1):
            _add(db, number, name, layout)
        db.execute("UPDATE gpkg_contents SET last_change = ?", (_ADDED,))
        db.execute(
            "UPDATE gpkg_contents SET description = ? WHERE table_name = 'visits'",
            (f"Lakefloor store, layout {layout}",),
        )
        if layout > 1:
            db.execute(
                "UPDATE gpkg_contents SET description = ? WHERE table_name = 'history'",
                (f"store {IDENTITY}, as of {_ADDED}",),
            )
        db.execute("COMMIT")
        db.executescript(
            "BEGIN;"
            + _RULES
            + "".join(_COUNTED.format(table) for table in ("soundings", "visits", "history"))
            + "COMMIT;"
        )
    return Path(path)


def _systems():
    from osgeo import osr

    utm = osr.SpatialReference()
    utm.ImportFromEPSG(32615)
    return [
        ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", None),
        ("Undefined geographic SRS", 0, "NONE", 0, "undefined", None),
        (utm.GetName(), 32615, "EPSG", 32615, utm.ExportToWkt(), None),
    ]


def _add(db, number, name, layout):
    rows = rows_of(name)
    first = db.execute("SELECT coalesce(max(fid), 0) + 1 FROM soundings").fetchone()[0]
    for fid, (x, y, *fields) in enumerate(rows, start=first):
        blob = b"GP\x00\x01" + struct.pack("<i", 32615) + struct.pack("<BI2d", 1, 1, x, y)
        db.execute(
            "INSERT INTO soundings VALUES (?, ?, ?" + ", ?" * 12 + ")", (fid, blob, number, *fields)
        )
        db.execute("INSERT INTO rtree_soundings_geom VALUES (?, ?, ?, ?, ?)", (fid, x, x, y, y))
    xs, ys, times = [r[0] for r in rows], [r[1] for r in rows], [r[4] for r in rows]
    values = [
        number,
        name,
        _fingerprint(rows),
        len(rows),
        0,
        min(times),
        max(times),
        min(xs),
        min(ys),
        max(xs),
        max(ys),
        "dock",
        290.0,
        _ADDED,
        "{}",
    ]
    if layout > 1:
        values.append(
            "".join(f"{_checksum(rows[i : i + 1000]):08x}" for i in range(0, len(rows), 1000))
        )
    if layout > 2:
        values += LOG_BOOK
    if layout > 3:
        texts = [r[12] for r in rows]
        superseded = sum(text.startswith("superseded") for text in texts)
        accepted = texts.count("accepted")
        values += [accepted, 0, superseded, len(texts) - accepted - superseded, None]
    db.execute(f"INSERT INTO visits VALUES ({', '.join('?' * len(values))})", values)
    db.execute(
        "INSERT INTO history VALUES (NULL, ?, 'added', ?, ?, ?, '{}')",
        (_ADDED, name, len(rows), values[2]),
    )


def _ms(text):
    return round(
        (datetime.fromisoformat(text.rstrip("Z")) - datetime(1970, 1, 1))
        / timedelta(milliseconds=1)
    )


def _fingerprint(rows):
    """SHA-256 of the sorted pairs of time since the first, ms, and raw depth, mm."""
    first = min(_ms(r[4]) for r in rows)
    pairs = sorted((_ms(r[4]) - first, round(r[5] * 1000.0)) for r in rows)
    return hashlib.sha256(b"".join(struct.pack("<qq", *pair) for pair in pairs)).hexdigest()


def _checksum(rows):
    """CRC-32 of a thousand soundings, column by column."""
    total = 0
    for number, column in enumerate(zip(*rows)):
        if number == 3:
            packed = struct.pack(f"<{len(column)}i", *column)
        elif number == 4:
            packed = struct.pack(f"<{len(column)}q", *map(_ms, column))
        elif isinstance(column[0], str):
            packed = "\0".join(column).encode("utf-8")
        else:
            packed = struct.pack(
                f"<{len(column)}d", *(float("nan") if v is None else v for v in column)
            )
        total = zlib.crc32(packed, total)
    return total
