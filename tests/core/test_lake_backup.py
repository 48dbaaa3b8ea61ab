"""A lake as one file and back, its sources' fingerprints and the copies of its logs."""

import json
import os
import sqlite3
import stat
import time
import zipfile
from contextlib import closing
from datetime import datetime, timezone
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("osgeo", reason="GDAL makes the file of a lake database")

from lakefloor.algorithms import _store
from lakefloor.algorithms._io.rows_digest import rows_digest
from lakefloor.algorithms._lake import backing_up as backing_up_module
from lakefloor.algorithms._lake import sources
from lakefloor.algorithms._lake.facts import LakeFacts, read_facts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import release_lock, take_lock
from lakefloor.algorithms._lake.logs import copy_logs, is_log
from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run
from lakefloor.algorithms._lake.sources import fingerprints
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.soundings import Soundings

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"


def _soundings(day, visit, count=200):
    time_ = np.datetime64(day, "ms") + np.arange(count) * np.timedelta64(1, "s")
    x, y = 5e5 + np.arange(count), np.full(count, 5e6 + 40.0 * len(visit))
    depth = 4.0 + np.sin(np.arange(count) / len(visit))
    return Soundings.build(x, y, depth, time=time_, visit=visit)


def _package(path, rows=3):
    """Write a GeoPackage as GDAL makes it."""
    from osgeo import ogr, osr

    srs = osr.SpatialReference()
    srs.ImportFromEPSG(32615)
    dataset = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
    layer = dataset.CreateLayer("marks", srs, ogr.wkbPoint)
    layer.CreateField(ogr.FieldDefn("name", ogr.OFTString))
    for i in range(rows):
        feature = ogr.Feature(layer.GetLayerDefn())
        feature.SetField("name", f"mark {i}")
        feature.SetGeometry(ogr.CreateGeometryFromWkt(f"POINT ({i} 0)"))
        layer.CreateFeature(feature)


@pytest.fixture
def lake(tmp_path):
    folder = tmp_path / "湖 Émeraude"
    folder.mkdir()
    write_facts(folder, LakeFacts(name="湖 Émeraude"))
    lake = LakeFolder(folder)
    _store.add(lake.database, _soundings("2025-05-17", "may"), "EPSG:32615")
    _package(lake.marks)
    lake.gauge.write_text("time,level_ft\n2025-05-17T12:00:00Z,2.1\n")
    run = begin_run(lake, "map")
    (run / "surface.tif").write_bytes(b"II*\0" + bytes(5000))
    finish_run(run, RunRecord("map", run.name, outputs={"surface": f"map/{run.name}/surface.tif"}))
    return lake


def _content(folder):
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.suffix != ".gpkg"
    }


# -- back up and restore ----------------------------------------------------------------


def test_a_lake_comes_back_from_its_backup_whole(lake, tmp_path):
    assert take_lock(lake) is None
    under_way = begin_run(lake, "map")
    (under_way / "half.tif").write_text("half")
    made = backing_up_module.back_up(lake, tmp_path)
    assert made.parent == tmp_path
    assert made.name.startswith("湖 Émeraude 2")
    names = zipfile.ZipFile(made).namelist()
    assert not [n for n in names if n.endswith(".lock") or "half" in n]
    restored = backing_up_module.restore(made, tmp_path)
    assert restored.path.name == "湖 Émeraude (2)"
    release_lock(lake)
    (under_way / "half.tif").unlink()
    assert _content(restored.path) == _content(lake.path)
    assert read_facts(restored.path) == read_facts(lake.path)
    assert fingerprints(restored) == fingerprints(lake)
    _store.back_up(restored.database, tmp_path)  # reads it from end to end


def test_the_backups_of_a_lake_lie_in_it_and_are_not_packed_again(lake):
    first = backing_up_module.back_up(lake)
    second = backing_up_module.back_up(lake)
    assert first.parent == second.parent == lake.backups
    assert first.name != second.name
    assert not [n for n in zipfile.ZipFile(second).namelist() if "backups" in n]


def test_what_a_program_has_written_but_not_yet_put_into_the_file_is_packed(lake, tmp_path):
    """SQLite in write-ahead mode, as QGIS edits a GeoPackage (sqlite.org/wal.html)."""
    with closing(sqlite3.connect(lake.marks)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE notes (text)")
        db.execute("INSERT INTO notes VALUES ('hump')")
        db.commit()
        assert Path(f"{lake.marks}-wal").stat().st_size
        restored = backing_up_module.restore(backing_up_module.back_up(lake, tmp_path), tmp_path)
    with closing(sqlite3.connect(restored.marks)) as db:
        assert db.execute("SELECT text FROM notes").fetchall() == [("hump",)]


def test_a_damaged_database_is_not_backed_up(lake, tmp_path):
    with closing(sqlite3.connect(lake.database)) as db:
        db.execute("UPDATE visits SET soundings = 7")
        db.commit()
    with pytest.raises(LakefloorError, match="damaged"):
        backing_up_module.back_up(lake, tmp_path)
    assert not list(tmp_path.glob("*.zip"))


def test_a_backup_on_a_full_disk_leaves_nothing(lake, tmp_path, monkeypatch):
    def full(path):
        raise OSError(28, "No space left on device")

    to = tmp_path / "away"
    to.mkdir()
    monkeypatch.setattr(backing_up_module, "flush", full)
    with pytest.raises(LakefloorError, match="No space left"):
        backing_up_module.back_up(lake, to)
    assert list(to.iterdir()) == []


def test_a_backup_that_is_read_back_wrong_does_not_count(lake, tmp_path, monkeypatch):
    pack = backing_up_module._pack

    def torn(base, files, packed, *more):
        pack(base, files, packed, *more)
        data = bytearray(packed.read_bytes())
        data[200] ^= 0xFF
        packed.write_bytes(data)

    to = tmp_path / "away"
    to.mkdir()
    monkeypatch.setattr(backing_up_module, "_pack", torn)
    with pytest.raises(LakefloorError, match="no new backup"):
        backing_up_module.back_up(lake, to)
    assert list(to.iterdir()) == []


@pytest.mark.parametrize("work", ["back_up", "restore"])
def test_a_cancel_leaves_nothing(lake, tmp_path, work):
    made, to = backing_up_module.back_up(lake, tmp_path), tmp_path / "away"
    to.mkdir()

    def cancel(fraction):
        if fraction > 0.2:
            raise Cancelled

    of = lake if work == "back_up" else made
    with pytest.raises(Cancelled):
        getattr(backing_up_module, work)(of, to, cancel)
    assert list(to.iterdir()) == []


def _zip(path, **members):
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in {"lake/lake.json": '{"name": "L"}', **members}.items():
            archive.writestr(name, text)
    return path


@pytest.mark.parametrize(
    "name",
    ["lake/../../evil", "lake//evil", "lake/c:/evil", "lake/x\\..\\evil", "lake/LAKE.JSON",
     "lake/./x", "lake/" + "x" * 500],
)  # fmt: skip
def test_a_zip_file_with_paths_out_of_the_folder_is_refused(tmp_path, name):
    to = tmp_path / "to"
    to.mkdir()
    with pytest.raises(LakefloorError, match="cannot belong to a lake"):
        backing_up_module.restore(_zip(tmp_path / "x.zip", **{name: "x"}), to)
    assert list(to.iterdir()) == []
    assert not (tmp_path / "evil").exists()


def test_a_zip_file_with_a_link_is_refused(tmp_path):
    path = _zip(tmp_path / "x.zip")
    link = zipfile.ZipInfo("lake/link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(link, "/etc")
    with pytest.raises(LakefloorError, match="cannot belong"):
        backing_up_module.restore(path, tmp_path)


def test_what_is_no_backup_is_refused(tmp_path):
    path = tmp_path / "x.zip"
    path.write_bytes(b"PK\x03\x04 and more")
    with pytest.raises(LakefloorError, match="no zip file"):
        backing_up_module.restore(path, tmp_path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a/b/lake.json", "{}")
    with pytest.raises(LakefloorError, match="no backup of a lake"):
        backing_up_module.restore(path, tmp_path)
    for text, told in (("{}", "'lake.json' does not name"), ("{", "Cannot read 'lake.json'")):
        with pytest.raises(LakefloorError, match=f"'x.zip' holds a lake .*{told}"):
            backing_up_module.restore(_zip(path, **{"lake/lake.json": text}), tmp_path)
    with pytest.raises(LakefloorError, match="could not be unpacked"):
        backing_up_module.restore(tmp_path / "none.zip", tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["x.zip"]


def test_a_lake_that_somebody_packed_by_hand_is_restored(tmp_path):
    path = _zip(tmp_path / "Pond.zip", **{"__MACOSX/lake/._x": "", "lake/logs/a.csv": "1"})
    assert (backing_up_module.restore(path, tmp_path).logs / "a.csv").read_text() == "1"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("lake.json", '{"name": "L"}')
    assert backing_up_module.restore(path, tmp_path).path.name == "Pond"


# -- fingerprints -----------------------------------------------------------------------


def test_a_fingerprint_is_of_what_a_file_holds(lake):
    before = fingerprints(lake)
    assert set(before) == {"gauge", "marks", "database"}
    # What opening does: another date, a style, another journal.
    with closing(sqlite3.connect(lake.marks)) as db:
        db.execute("UPDATE gpkg_contents SET last_change = '2026-01-01T00:00:00.000Z'")
        db.execute("CREATE TABLE layer_styles (id INTEGER PRIMARY KEY, styleQML TEXT)")
        db.execute("INSERT INTO layer_styles VALUES (1, 'x')")
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles')"
        )
        db.commit()
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("VACUUM")
    assert fingerprints(lake) == before
    with closing(sqlite3.connect(lake.marks)) as db:
        allow_updates(db)
        db.execute("UPDATE marks SET name = 'other' WHERE fid = 2")
        db.commit()
        changed = fingerprints(lake)  # also while it is in the write-ahead log
    assert changed["marks"] != before["marks"]
    assert {**changed, "marks": before["marks"]} == before


def test_the_database_has_its_fingerprint_again_when_a_visit_is_undone(lake):
    before = fingerprints(lake)["database"]
    _store.add(lake.database, _soundings("2025-06-20", "june"), "EPSG:32615")
    assert fingerprints(lake)["database"] != before
    _store.undo(lake.database)
    assert fingerprints(lake)["database"] == before


def test_a_file_is_read_once(lake, monkeypatch):
    before = fingerprints(lake)
    old = time.time() - 60.0
    for name in before:
        os.utime(getattr(lake, name), (old, old))
    assert fingerprints(lake) == before

    def never(path):
        raise AssertionError(path)

    monkeypatch.setattr(sources, "_SOURCES", dict.fromkeys(sources._SOURCES, never))
    assert fingerprints(lake) == before
    # One that was written a moment ago may be written again within the same tick of its clock.
    os.utime(lake.gauge)
    with pytest.raises(AssertionError, match="gauge"):
        fingerprints(lake)


def test_a_source_that_cannot_be_read_is_there(lake):
    lake.marks.write_bytes(b"no GeoPackage")
    lake.database.write_bytes(b"")
    found = fingerprints(lake)
    assert found["marks"] == found["database"] == "unreadable"
    for name in found:
        os.utime(getattr(lake, name), (1.7e9, 1.7e9))
    fingerprints(lake)
    assert "unreadable" not in (lake.path / sources.KNOWN_FILE).read_text()
    (lake.path / sources.KNOWN_FILE).write_text("[[")
    assert fingerprints(lake) == found


def test_a_lake_that_may_only_be_read_has_fingerprints(lake, monkeypatch):
    def denied(*args):
        raise PermissionError(13, "Permission denied")

    before = fingerprints(lake)
    (lake.path / sources.KNOWN_FILE).unlink(missing_ok=True)
    monkeypatch.setattr(sources, "write_text_whole", denied)
    assert fingerprints(lake) == before
    assert not (lake.path / sources.KNOWN_FILE).exists()


def test_a_lake_that_another_holds_is_only_looked_at(lake):
    for name in ("marks", "gauge", "database"):
        os.utime(getattr(lake, name), (1.7e9, 1.7e9))
    now = datetime.now(timezone.utc).isoformat()
    held = {"machine": "another", "process": 1, "time": now, "token": "t"}
    lake.lock.write_text(json.dumps(held))
    before = sorted(os.listdir(lake.path))
    found = fingerprints(lake)
    assert sorted(os.listdir(lake.path)) == before
    lake.lock.unlink()
    assert fingerprints(lake) == found
    assert (lake.path / sources.KNOWN_FILE).exists()


def test_a_digest_does_not_hang_on_the_order_of_tables(tmp_path):
    _package(tmp_path / "a.gpkg")
    _package(tmp_path / "b.gpkg", rows=4)
    assert rows_digest(tmp_path / "a.gpkg") != rows_digest(tmp_path / "b.gpkg")
    assert rows_digest(str(tmp_path / "a.gpkg")) == rows_digest(tmp_path / "a.gpkg")


# -- logs -------------------------------------------------------------------------------


def test_logs_are_known_by_their_content(tmp_path):
    logs = [p for p in (EXAMPLE / "logs").rglob("*") if p.is_file()]
    assert logs
    assert all(is_log(p) for p in logs)
    for other in ("gauge.csv", "marks.gpx", "shoreline.geojson", "README.md", "generate.py"):
        assert not is_log(EXAMPLE / other), other


def test_logs_are_copied_once_and_other_files_not_at_all(lake, tmp_path):
    card = tmp_path / "card"
    (card / "sub").mkdir(parents=True)
    text = "time,lat,lon,depth_m\n2025-05-17T13:00:00Z,45.1,-93.2,3.5\n"
    (card / "a.csv").write_text(text)
    (card / "sub" / "a.csv").write_text(text.replace("3.5", "3.6"))
    (card / "same.csv").write_text(text)
    (card / "photo.jpg").write_bytes(b"\xff\xd8\xff" + bytes(100))
    (card / "notes.txt").write_text("Fished the hump.\n")
    (card / ".hidden.csv").write_text(text.replace("3.5", "3.7"))
    os.utime(card / "a.csv", (1.7e9, 1.7e9))
    copies = copy_logs(lake, card)
    assert sorted(p.name for p in copies) == ["a (2).csv", "a.csv"]
    assert sorted(p.name for p in lake.logs.iterdir()) == ["a (2).csv", "a.csv"]
    assert (lake.logs / "a.csv").stat().st_mtime == 1.7e9
    assert copy_logs(lake, [card, card / "a.csv", lake.logs]) == []
    # What a person names is taken also where its columns must be named.
    (card / "bare.txt").write_text("1 2 3\n4 5 6\n")
    (card / "aux.txt").write_text(text.replace("3.5", "3.8"))
    copies = copy_logs(lake, [card / "bare.txt", card / "aux.txt", card / "photo.jpg"])
    assert [p.name for p in copies] == ["bare.txt", "aux_.txt"]
    with pytest.raises(LakefloorError, match="no file or folder"):
        copy_logs(lake, card / "none")


def test_the_copy_of_a_log_on_a_protected_card_is_not_protected(lake, tmp_path):
    """Windows removes no file that is write-protected, and the folder of a lake is its user's."""
    log = tmp_path / "a.csv"
    log.write_text("time,lat,lon,depth_m\n2025-05-17T13:00:00Z,45.1,-93.2,3.5\n")
    os.utime(log, (1.7e9, 1.7e9))
    log.chmod(0o444)
    (copy,) = copy_logs(lake, log)
    assert copy.stat().st_mode & 0o200
    assert copy.stat().st_mtime == 1.7e9


def test_a_log_that_cannot_be_copied_leaves_no_half(lake, tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text("lat,lon,depth_m\n45,-93,2\n")

    def full(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lakefloor.algorithms._lake.logs.flush", full)
    with pytest.raises(LakefloorError, match="No space left"):
        copy_logs(lake, tmp_path / "a.csv")
    assert not lake.logs.exists()
    assert not list(lake.path.glob(".lakefloor-*"))
