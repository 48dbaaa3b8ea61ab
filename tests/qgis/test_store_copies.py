"""Copies of the lake's store: older layouts, backups, and what other programs leave beside it."""

import gzip
import os
import random
import shutil
import signal
import sqlite3
import sys
import time
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from osgeo import ogr
from qgis.core import QgsProcessingException

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, JULY, JUNE, MAY, all_of, start, state, visit

from lakefloor.algorithms import _store
from lakefloor.algorithms._store import file as store_file
from lakefloor.algorithms._store import layout
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import concatenate

#: A store that Lakefloor 0.1.0 has made: visits "2024-05-14" and "evening; June" with 240
#: soundings each, the newer of which superseded 238 of the older.
LAYOUT_1 = Path(__file__).with_name("store_layout_1.gpkg.gz")
DAY = datetime.now().strftime("%Y-%m-")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


@pytest.fixture
def old(path):
    path.write_bytes(gzip.decompress(LAYOUT_1.read_bytes()))
    return path


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def is_layout(path):
    db = sqlite3.connect(str(path))
    ((text,),) = db.execute("SELECT description FROM gpkg_contents WHERE table_name = 'visits'")
    db.close()
    return int(text[-1])


# -- older and newer layouts -------------------------------------------------------------------


def test_a_store_of_layout_1_is_read_as_it_is(old):
    before = old.read_bytes()
    held = _store.contents(old)
    assert [(v.name, v.soundings) for v in held.visits] == [
        ("2024-05-14", 240),
        ("evening; June", 240),
    ]
    back = all_of(old)
    assert len(back) == 480
    assert (back.status == "superseded by evening; June").sum() == 238
    assert old.read_bytes() == before
    assert names(old.parent) == ["lake.gpkg"]


def test_a_store_of_layout_1_is_copied_aside_and_upgraded(old, run, recorder):
    before, held = old.read_bytes(), all_of(old)
    done = _store.add(old, JULY, CRS)
    assert done.added == 3000
    assert "upgraded" in done.notes[0]
    assert is_layout(old) == layout.LAYOUT
    (aside,) = (n for n in names(old.parent) if n != "lake.gpkg")
    assert aside.startswith(f"lake-layout-1-{DAY}")
    assert aside in done.notes[0]
    assert all_of(old.parent / aside).status.tolist() == held.status.tolist()
    assert is_layout(old.parent / aside) == 1
    back = all_of(old, visits=["2024-05-14", "evening; June"])
    for name in ("x", "y", "time", "raw_depth", "depth", "status"):
        np.testing.assert_array_equal(getattr(back, name), getattr(held, name), err_msg=name)
    visits, history = state(old)
    assert visits == {"2024-05-14": 240, "evening; June": 240, "july": 3000}
    assert [action for action, *_ in history][-2:] == ["upgraded", "added"]
    assert len(layout.now()) == 24
    # What was there is still known, and taken out as before; there is nothing to upgrade again.
    assert _store.add(old, held.select(slice(0, 240)), CRS).already_there == 240
    said = recorder()
    gone = run("removevisit", {"DATABASE": str(old), "VISITS": "evening; June"}, said)
    assert gone["RESTORED"] == 238
    assert "upgraded" not in said.text
    assert old.parent.joinpath(aside).read_bytes()[:16] == before[:16]
    assert len(names(old.parent)) == 2


def test_an_upgrade_that_is_refused_or_cut_off_leaves_the_old_store(old):
    before = old.read_bytes()
    with pytest.raises(LakefloorError, match="one datum"):
        _store.add(old, visit("x", "2026-01-01", corrections="from=surface"), CRS)

    def refuse(done):
        raise LakefloorError("no")

    with pytest.raises(LakefloorError, match="no"):
        _store.add(old, MAY, CRS, before_commit=refuse)
    with pytest.raises(LakefloorError, match="no visit"):
        _store.remove(old, ["other"])
    assert old.read_bytes() == before
    assert names(old.parent) == ["lake.gpkg"]


def test_a_kill_during_the_upgrade_leaves_one_layout_or_the_other(old):
    original = old.read_bytes()
    worker = """
        print("go", flush=True)
        t._store.remove(path, ["evening; June"])
    """
    rng, seen = random.Random(1), set()
    for _ in range(6):
        for name in names(old.parent):
            if name.startswith("lake"):
                (old.parent / name).unlink()
        old.write_bytes(original)
        process = start(worker, old)
        try:
            assert process.stdout.readline() == "go\n", process.stderr.read()
            time.sleep(rng.uniform(0.0, 0.06))
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        found = {1: 480, layout.LAYOUT: 240}
        assert len(all_of(old)) == found[is_layout(old)]
        seen.add(is_layout(old))
        if is_layout(old) == 1:
            assert _store.remove(old, ["evening; June"])["removed"] == 240
        assert state(old)[0] == {"2024-05-14": 240}
    assert seen


def test_a_newer_layout_is_refused_with_its_number(path):
    _store.add(path, MAY, CRS)
    db = sqlite3.connect(str(path))
    db.execute(
        "UPDATE gpkg_contents SET description = 'Lakefloor store, layout 9' "
        "WHERE table_name = 'visits'"
    )
    db.commit()
    db.close()
    for call in (
        lambda: _store.contents(path),
        lambda: _store.add(path, JUNE, CRS),
        lambda: _store.back_up(path, path.parent),
    ):
        with pytest.raises(LakefloorError, match=r"newer Lakefloor: it has layout 9.*up to 4"):
            call()


def test_a_merged_store_is_a_store_of_its_own(old, run, tmp_path, recorder):
    other = tmp_path / "friend.gpkg"
    july = visit("july", "2026-07-01", n=600, corrections=all_of(old).corrections[0])
    _store.add(other, july, CRS)
    out = tmp_path / "lake merged.gpkg"
    before = old.read_bytes()
    run(
        "mergedatabases",
        {"DATABASE": str(old), "OTHER_DATABASE": str(other), "OFFSETS": "none", "OUTPUT": str(out)},
    )
    assert old.read_bytes() == before
    assert is_layout(out) == layout.LAYOUT
    assert len(all_of(out)) == 1080
    assert _store.beside(old) == []
    assert names(tmp_path) == ["friend.gpkg", "lake merged.gpkg", "lake.gpkg"]


# -- edits of other programs -------------------------------------------------------------------


def test_rows_that_another_program_took_out_are_gone(path):
    """As deleting features in QGIS does; the next change takes the store as it is."""
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    time.sleep(0.01)
    dataset = ogr.Open(str(path), 1)
    layer = dataset.GetLayer("soundings")
    for fid in range(1, 11):
        layer.DeleteFeature(fid)
    feature = layer.GetFeature(11)
    feature.SetField("depth_m", 9.0)
    layer.SetFeature(feature)
    layer = feature = dataset = None
    back = all_of(path)
    assert len(back) == 5990
    assert back.depth[0] == 9.0
    done = _store.add(path, JULY, CRS)
    assert "Another program has edited" in done.notes[0]
    assert state(path)[0] == {"may": 2990, "june": 3000, "july": 3000}
    again = _store.add(path, MAY, CRS)
    assert (again.added, again.already_there) == (10, 2990)
    assert not any("edited" in note for note in again.notes)


def test_soundings_of_no_visit_are_told(path):
    _store.add(path, MAY, CRS)
    time.sleep(0.01)
    dataset = ogr.Open(str(path), 1)
    layer = dataset.GetLayer("soundings")
    feature = ogr.Feature(layer.GetLayerDefn())
    feature.SetField("depth_m", 3.0)
    layer.CreateFeature(feature)
    layer = feature = dataset = None
    assert len(all_of(path)) == 3000
    with pytest.raises(LakefloorError, match="in no row of table 'visits': 1. Delete"):
        _store.add(path, JUNE, CRS)


# -- backup and restore ------------------------------------------------------------------------


def test_backup_and_restore(path, run, tmp_path, recorder):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    held = all_of(path)
    folder = tmp_path / "usb"
    folder.mkdir()
    made = [run("backupdatabase", {"DATABASE": str(path), "FOLDER": str(folder)}) for _ in range(2)]
    assert [m["SOUNDINGS"] for m in made] == [6000, 6000]
    assert len(names(folder)) == 2
    assert all(n.startswith(f"lake-backup-{DAY}") for n in names(folder))
    beside = run("backupdatabase", {"DATABASE": str(path)})["BACKUP"]
    assert Path(beside).parent == tmp_path
    said = recorder()
    _store.add(path, JULY, CRS)
    newer = all_of(path)
    done = run("restoredatabase", {"BACKUP": made[0]["BACKUP"], "DATABASE": str(path)}, said)
    assert done["SOUNDINGS"] == 6000
    assert said.errors == []
    assert "is a copy of it" not in said.text
    assert (all_of(path).time == held.time).all()
    assert len(all_of(done["KEPT"])) == len(newer)
    assert Path(done["KEPT"]).name.startswith(f"lake-before-restore-{DAY}")
    assert state(path)[1][-1][0] == "restored"
    assert _store.add(path, JULY, CRS).added == 3000
    path.unlink()
    gone = run("restoredatabase", {"BACKUP": beside, "DATABASE": str(path)})
    assert gone["KEPT"] is None
    assert len(all_of(path)) == 6000


@pytest.mark.parametrize("wal", [False, True])
def test_a_backup_while_another_program_writes(path, tmp_path, wal):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    db = store_file.connect(path)
    if wal:
        db.execute("PRAGMA journal_mode = WAL")
    db.execute("BEGIN IMMEDIATE")
    db.execute("UPDATE soundings SET status = 'gone' WHERE visit = 'june'")
    try:
        notes = _store.beside(path)
        assert any("-wal" in note for note in notes) == wal
        made = _store.back_up(path, tmp_path)
        assert (all_of(made).status == "accepted").all()
        assert state(made)[0] == {"may": 3000, "june": 3000}
    finally:
        db.execute("ROLLBACK")
        db.close()


def test_restore_refuses(path, run, tmp_path, monkeypatch):
    monkeypatch.setattr(store_file, "LOCK_TIMEOUT_S", 0.5)
    _store.add(path, MAY, CRS)
    before = path.read_bytes()
    backup = _store.back_up(path, tmp_path)
    other, text = tmp_path / "other.gpkg", tmp_path / "text.gpkg"
    _store.add(other, JUNE, CRS)
    text.write_text("no store")
    plain = tmp_path / "plain.gpkg"
    ogr.GetDriverByName("GPKG").CreateDataSource(str(plain)).CreateLayer("mine")
    listed = names(tmp_path)
    for source, target, told in (
        (text, path, "not a GeoPackage"),
        (tmp_path / "no.gpkg", path, "no lake database"),
        (other, path, "another lake"),
        (plain, path, "not a lake database"),
        (backup, plain, "not a lake database"),
        (backup, tmp_path / "x.shp", "DATABASE"),
        (path, path, "same file"),
        (backup, tmp_path / "no" / "lake.gpkg", "does not exist"),
    ):
        with pytest.raises(QgsProcessingException, match=told):
            run("restoredatabase", {"BACKUP": str(source), "DATABASE": str(target)})
    db = sqlite3.connect(str(path), isolation_level=None)
    db.execute("BEGIN EXCLUSIVE")
    with pytest.raises(LakefloorError, match="in use"):
        _store.restore(backup, path)
    db.close()
    with pytest.raises(QgsProcessingException, match="does not exist"):
        run("backupdatabase", {"DATABASE": str(path), "FOLDER": str(tmp_path / "no")})
    assert path.read_bytes() == before
    assert names(tmp_path) == listed


@pytest.mark.parametrize("damage", ["header", "pages", "empty"])
def test_restore_over_a_damaged_store(path, tmp_path, damage):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    backup = _store.back_up(path, tmp_path)
    content = bytearray(path.read_bytes())
    if damage == "header":
        content[:100] = b"\xff" * 100
    elif damage == "pages":
        content[100:8192] = b"\xff" * 8092
    else:
        content = b""
    path.write_bytes(content)
    Path(f"{path}-journal").write_bytes(b"of the damaged one")
    kept = _store.restore(backup, path)
    assert kept.read_bytes() == bytes(content)
    assert not Path(f"{path}-journal").exists()
    assert state(path)[0] == {"may": 3000, "june": 3000}
    assert len(all_of(path)) == 6000


def test_a_damaged_store_is_not_backed_up(path, tmp_path):
    _store.add(path, MAY, CRS)
    db = store_file.connect(path)
    db.execute("UPDATE soundings SET depth_m = depth_m + 1 WHERE fid = 7")  # as a flipped bit
    db.close()
    with pytest.raises(LakefloorError, match="is damaged"):
        _store.back_up(path, tmp_path)
    assert names(tmp_path) == ["lake.gpkg"]


def test_a_kill_while_restoring_leaves_one_store_or_the_other(path, tmp_path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    backup = _store.back_up(path, tmp_path)
    _store.add(path, visit("july", "2026-07-01", n=20_000, seed=2), CRS)
    newer = tmp_path / "whole.bytes"
    shutil.copy(path, newer)
    worker = """
        from lakefloor.algorithms import _store
        print("go", flush=True)
        _store.restore(sys.argv[2], path)
    """
    rng, seen = random.Random(3), set()
    for _ in range(5):
        for name in names(tmp_path):
            if name.startswith(("lake.", "lake-before")):
                (tmp_path / name).unlink()
        shutil.copy(newer, path)
        process = start(worker, path, backup)
        try:
            assert process.stdout.readline() == "go\n", process.stderr.read()
            time.sleep(rng.uniform(0.0, 0.5))
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        total = sum(state(path)[0].values())
        assert total == len(all_of(path))
        seen.add(total)
    assert seen <= {6000, 26_000}


# -- what other programs leave beside a store --------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "lake (conflicted copy 2026-05-14).gpkg",
        "lake (1).gpkg",
        "lake-conflict-20260514.gpkg",
        "lake.sync-conflict-20260514-101500-ABCDEFG.gpkg",
        "lake_DESKTOP.gpkg",
        "Copy of lake.gpkg",
        "LAKE - copy.GPKG",
    ],
)
def test_a_copy_by_a_program_that_keeps_folders_in_step(path, run, recorder, name):
    _store.add(path, MAY, CRS)
    shutil.copy(path, path.with_name(name))
    _store.add(path.with_name(name), JUNE, CRS)
    for opened, other in ((path.name, name), (name, path.name)):
        said = recorder()
        run(
            "readdatabase",
            {"DATABASE": str(path.with_name(opened)), "OUTPUT": "TEMPORARY_OUTPUT"},
            said,
        )
        assert f"'{other}' beside lake database '{opened}' is a copy of it" in said.text


def test_what_is_no_copy(path):
    _store.add(path, MAY, CRS)
    _store.add(path.with_name("lake 2.gpkg"), JUNE, CRS)  # another store
    shutil.copy(path, path.with_name("lakeside.gpkg"))  # another name
    path.with_name("lake (3).gpkg").write_text("no store")
    path.with_name("lake (4).gpkg").mkdir()
    _store.back_up(path, path.parent)
    assert _store.beside(path) == []


def test_copies_of_an_older_layout_are_told(old):
    shutil.copy(old, old.with_name("lake (1).gpkg"))
    assert len(_store.beside(old)) == 1
    _store.remove(old, ["evening; June"])
    assert len(_store.beside(old)) == 1


def test_a_file_that_is_not_downloaded(path):
    path.touch()
    for call in (
        _store.contents,
        lambda p: _store.add(p, MAY, CRS),
        lambda p: _store.remove(p, ["may"]),
    ):
        with pytest.raises(LakefloorError, match=r"empty \(0 bytes\).*download"):
            call(path)
        os.truncate(path, 500_000)
        if path.stat().st_blocks == 0:
            with pytest.raises(LakefloorError, match="not on this computer yet"):
                call(path)
        os.truncate(path, 0)
    whole = b"SQLite format 3\0"
    for attributes, blocks, head, away in (
        (0x20, 8, whole, False),
        (0x1020, 8, whole, True),
        (0x400020, 8, whole, True),
        (0x40020, 8, whole, True),
        (0, 0, whole, False),
        (0, 0, b"\0" * 16, True),
    ):
        status = SimpleNamespace(st_file_attributes=attributes, st_blocks=blocks)
        assert store_file.is_elsewhere(status, lambda head=head: head) == away


def test_a_journal_beside_is_told(path):
    _store.add(path, MAY, CRS)
    assert _store.beside(path) == []
    db = store_file.connect(path)
    db.execute("BEGIN IMMEDIATE")
    db.execute("UPDATE soundings SET status = 'gone'")
    (note,) = _store.beside(path)
    assert "lake.gpkg-journal" in note
    assert "do not delete" in note
    db.close()
    assert _store.beside(path) == []
