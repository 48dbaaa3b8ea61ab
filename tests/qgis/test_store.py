"""The lake's store as a file: additive, whole at any moment, shared by two writers."""

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import QgsVectorLayer
from scipy.spatial import cKDTree
from shapely.geometry import MultiPoint
from shapely.ops import unary_union

from lakefloor.algorithms import _store
from lakefloor.algorithms._store import file as store_file
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.store_content import fingerprint

TESTS = Path(__file__).resolve().parents[1]
CRS = "EPSG:32615"
DATUM = "from=surface;datum=ordinary high water;datum_elev_m=290;level_m=290.200"
FIELDS = ("x", "y", "time", "raw_depth", "depth", "uncert", "lane", "speed", "hardness")


def visit(name, day, n=3000, seed=0, dx=0.0, shift=0.0, corrections=DATUM):
    """Sail lanes 8 m apart over a plane; depths in 0.1 ft, times to the millisecond."""
    rng = np.random.default_rng(seed)
    k = np.arange(n)
    lane = k // 300
    y = 5_150_000.0 + np.where(lane % 2, 300 - k % 300, k % 300)
    x = 400_000.0 + lane * 8.0 + dx + rng.normal(0, 0.2, n)
    depth = 3 + 0.01 * (x - 400_000) + 0.005 * (y - 5_150_000) + shift + rng.normal(0, 0.03, n)
    return Soundings.build(
        x,
        y,
        np.round(depth / 0.03048) * 0.03048,
        visit=name,
        time=np.datetime64(f"{day}T14:00:00.250", "ms") + k * np.timedelta64(500, "ms"),
        uncert=0.05,
        lane=lane,
        corrections=corrections,
        speed=2.2,
    )


MAY, JUNE, JULY = (
    visit("may", "2024-05-14"),
    visit("june", "2025-06-14", seed=1, dx=1.0),
    visit("july", "2026-07-01", seed=2, dx=2.0),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


def all_of(path, **options):
    return concatenate(_store.read(path, **options))


def state(path):
    """Return what a store holds, and that its parts agree with each other."""
    db = sqlite3.connect(str(path))
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        visits = dict(db.execute("SELECT visit, soundings FROM visits"))
        counted = dict(db.execute("SELECT visit, count(*) FROM soundings GROUP BY visit"))
        assert visits == counted
        total = sum(visits.values())
        assert db.execute("SELECT count(*) FROM rtree_soundings_geom").fetchone() == (total,)
        assert db.execute("SELECT rtreecheck('rtree_soundings_geom')").fetchone() == ("ok",)
        triggers = db.execute(
            "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' "
            "AND name LIKE 'rtree_soundings_geom_%'"
        ).fetchone()
        assert triggers[0] >= 6
        assert db.execute(
            "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = 'soundings'"
        ).fetchone() == (total,)
        assert db.execute(
            "SELECT count(*) FROM visits JOIN soundings ON visits.fid = visit_id "
            "WHERE visits.visit != soundings.visit"
        ).fetchone() == (0,)
        return visits, db.execute("SELECT action, visit, soundings FROM history").fetchall()
    finally:
        db.close()


# -- contents ----------------------------------------------------------------------------------


def test_what_went_in_comes_out(path):
    lost = MAY.replace(
        x=np.where(np.arange(3000) == 5, np.nan, MAY.x),
        y=np.where(np.arange(3000) == 5, np.nan, MAY.y),
        status=np.where(np.arange(3000) == 5, "no position", MAY.status),
        time=np.where(np.arange(3000) == 9, np.datetime64("NaT", "ms"), MAY.time),
    )
    done = _store.add(path, lost, CRS, parameters={"draft_m": 0.3})
    assert (done.added, done.already_there, done.visits) == (3000, 0, ["may"])
    back = all_of(path)
    lost = lost.select(np.append(np.delete(np.arange(3000), 9), 9))  # without a time: last
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(back, name), getattr(lost, name), err_msg=name)
    for name in ("visit", "status", "corrections"):
        assert (getattr(back, name) == getattr(lost, name)).all()
    held = _store.contents(path)
    assert held.crs == CRS
    (only,) = held.visits
    assert only.fingerprint == fingerprint(lost.time, lost.raw_depth)
    assert only.datum == ("ordinary high water", 290.0)
    assert only.stop == lost.time[-2]
    assert list(path.parent.iterdir()) == [path]


def test_gdal_and_qgis_see_plain_layers(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    dataset = gdal.OpenEx(str(path))
    names = [dataset.GetLayer(i).GetName() for i in range(dataset.GetLayerCount())]
    assert names == ["soundings", "visits", "history"]
    layer = dataset.GetLayer("soundings")
    assert layer.GetGeomType() == ogr.wkbPoint
    assert layer.GetFeatureCount() == 6000
    assert layer.TestCapability(ogr.OLCFastSpatialFilter)
    assert layer.GetSpatialRef().GetAuthorityCode(None) == "32615"
    np.testing.assert_allclose(
        layer.GetExtent(),
        [min(MAY.x.min(), JUNE.x.min()), max(MAY.x.max(), JUNE.x.max()), 5_150_000, 5_150_300],
    )
    layer.SetSpatialFilterRect(400_000, 5_150_000, 400_010, 5_150_050)
    both = concatenate([MAY, JUNE])
    # The index keeps single precision: at this northing it is up to half a metre too wide.
    few, most = (
        ((both.x >= 400_000 - m) & (both.x <= 400_010 + m) & (both.y <= 5_150_050 + m)).sum()
        for m in (0.0, 0.6)
    )
    assert 0 < few <= layer.GetFeatureCount() <= most
    feature = layer.GetFeature(1)
    assert feature.GetField("time").startswith("2024/05/14 14:00:00.25")
    assert feature.GetGeometryRef().GetX() == MAY.x[0]
    layer = dataset = feature = None
    for name in names:
        qgis_layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
        assert qgis_layer.isValid()
        assert qgis_layer.featureCount() > 0


def test_the_same_log_again_changes_nothing(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    before = path.read_bytes()
    again = concatenate([JUNE, MAY]).select(np.random.default_rng(3).permutation(6000))
    again = again.replace(
        visit=np.where(again.visit == "may", "renamed", "other"),
        x=again.x + 3.0,  # moved by a time offset
        depth=again.depth + 0.4,
        status=np.where(np.arange(6000) % 7, again.status, "spike"),
    )
    done = _store.add(path, again, CRS)
    assert (done.added, done.already_there) == (0, 6000)
    assert "other depths for 3000" in " ".join(done.notes)
    assert path.read_bytes() == before


def test_the_order_of_rows_makes_no_other_store(path):
    """Also where it grows: the rows stand as they were logged, whatever order they came in."""
    rng = np.random.default_rng(4)
    held = MAY.replace(time=MAY.time.astype("datetime64[s]").astype("datetime64[ms]"))
    other = path.with_name("other.gpkg")
    for part in (held.select(slice(1000, None)), concatenate([held, JUNE])):
        _store.add(path, part, CRS)
        _store.add(other, part.select(rng.permutation(len(part))), CRS)
    for name in (*FIELDS, "visit", "status"):
        np.testing.assert_array_equal(
            getattr(all_of(other), name), getattr(all_of(path), name), err_msg=name
        )
    assert [v.fingerprint for v in _store.contents(other).visits] == [
        v.fingerprint for v in _store.contents(path).visits
    ]
    assert state(other) == state(path)


def test_of_a_longer_log_only_the_new_enters(path):
    _store.add(path, MAY.select(slice(500, 2000)), CRS)
    longer = MAY.replace(visit=np.full(3000, "whole day", object))
    done = _store.add(path, longer, CRS)
    assert (done.added, done.already_there, done.visits) == (1500, 1500, ["may"])
    back = all_of(path)
    np.testing.assert_array_equal(back.time, MAY.time)  # in order of time again
    assert state(path)[1][1:] == [("added", "may", 1500), ("extended", "may", 1500)]
    (only,) = _store.contents(path).visits
    assert only.fingerprint == fingerprint(MAY.time, MAY.raw_depth)


def test_a_season_that_holds_a_visit_adds_the_others(path):
    _store.add(path, JUNE, CRS)
    done = _store.add(path, concatenate([MAY, JUNE, JULY]), CRS)
    assert (done.added, done.already_there) == (6000, 3000)
    assert [v.name for v in _store.contents(path).visits] == ["may", "june", "july"]


def test_one_name_for_two_outings(path):
    _store.add(path, MAY, CRS)
    other = visit("may", "2024-05-16", seed=9, dx=500.0)
    done = _store.add(path, other, CRS)
    assert done.visits == ["may (2)"]
    assert "has other soundings. The new ones enter as 'may (2)'" in done.notes[0]
    third = visit("may", "2024-05-20", seed=10)
    with pytest.raises(LakefloorError, match="has other soundings than these"):
        _store.add(path, third, CRS, mode="replace")
    assert state(path)[0] == {"may": 3000, "may (2)": 3000}


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (0, 2, 1)])
def test_files_of_one_day_that_come_one_by_one_are_one_visit(path, order):
    """Also where the one in the middle comes last; the store is that of the whole day."""
    files = [
        MAY.select(slice(1000 * k, 1000 * k + 1000)).replace(
            time=MAY.time[1000 * k : 1000 * k + 1000] + k * np.timedelta64(2, "h")
        )
        for k in range(3)
    ]
    for k in order:
        _store.add(path, files[k], CRS)
    whole = path.with_name("whole.gpkg")
    _store.add(whole, concatenate(files), CRS)
    (one,), (other,) = _store.contents(path).visits, _store.contents(whole).visits
    assert (one.name, one.soundings, one.fingerprint) == ("may", 3000, other.fingerprint)
    assert one.checksum == other.checksum
    actions = [action for action, _, _ in state(path)[1]]
    assert actions == ["made", "added", "extended", "extended"]


@pytest.mark.parametrize(
    "change",
    [
        {"time": MAY.time + np.timedelta64(10, "m")},  # two sounders at once
        {"time": MAY.time + np.timedelta64(20, "h")},
        {
            "time": MAY.time + np.timedelta64(2, "h"),
            "corrections": np.full(3000, f"{DATUM};draft_m=0.5", object),
        },
    ],
    ids=["at once", "another day", "another draft"],
)
def test_other_soundings_of_the_same_name_are_a_visit_of_their_own(path, change):
    _store.add(path, MAY.replace(corrections=np.full(3000, f"{DATUM};draft_m=0.3", object)), CRS)
    other = visit("may", "2024-05-14", seed=9, corrections=f"{DATUM};draft_m=0.3")
    assert _store.add(path, other.replace(**change), CRS).visits == ["may (2)"]


def test_an_evening_across_midnight_goes_on(path):
    """19:00 at 94 W is 01:00 UTC of the next day."""
    _store.add(path, MAY.replace(time=MAY.time + np.timedelta64(9, "h")), CRS)
    late = visit("may", "2024-05-14", seed=9)
    late = late.replace(time=late.time + np.timedelta64(14, "h"))
    assert _store.add(path, late, CRS).visits == ["may"]


def test_a_log_read_in_another_time_zone(path):
    _store.add(path, MAY, CRS)
    zoned = MAY.replace(time=MAY.time + np.timedelta64(5, "h"))
    with pytest.raises(LakefloorError, match="another time zone or CRS"):
        _store.add(path, zoned, CRS)
    done = _store.add(path, zoned, CRS, mode="replace")
    assert (done.added, done.removed) == (3000, 3000)
    np.testing.assert_array_equal(all_of(path).time, zoned.time)


def test_replace_takes_new_depths_under_the_same_visit(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    better = MAY.replace(depth=MAY.depth + 0.1)
    done = _store.add(path, better, CRS, mode="replace", parameters={"draft_m": 0.4})
    assert (done.added, done.removed, done.visits) == (3000, 3000, ["may"])
    np.testing.assert_array_equal(all_of(path, visits=["may"]).depth, better.depth)
    np.testing.assert_array_equal(all_of(path, visits=["june"]).depth, JUNE.depth)
    assert state(path)[1][-2:] == [("replaced", "may", 3000), ("added", "may", 3000)]
    db = sqlite3.connect(str(path))
    assert db.execute("SELECT parameters FROM visits WHERE visit = 'may'").fetchone() == (
        '{"draft_m": 0.4}',
    )
    db.close()


def test_a_stored_visit_keeps_its_name(path):
    """A log whose visits are named by another day, since the evening crosses midnight UTC."""
    _store.add(path, visit("2025-05-18", "2025-05-18"), CRS)
    again = visit("2025-05-17", "2025-05-18")
    assert _store.add(path, again, CRS).already_there == 3000
    done = _store.add(path, again.replace(depth=again.depth + 0.1), CRS, mode="replace")
    assert done.visits == ["2025-05-18"]
    assert "keeps that name" in " ".join(done.notes)
    assert state(path)[0] == {"2025-05-18": 3000}


def test_two_boats_abreast_are_both_kept(path):
    """The same seconds, the same depth throughout, another place, and so the same fingerprint."""
    first = visit("first boat", "2024-05-14")
    first = Soundings.build(
        first.x,
        first.y,
        np.full(3000, 3.048),
        time=first.time,
        visit="first boat",
        corrections=DATUM,
    )
    second = first.replace(x=first.x + 12.0, visit=np.full(3000, "second boat", object))
    _store.add(path, first, CRS)
    assert _store.add(path, second, CRS).added == 3000
    assert state(path)[0] == {"first boat": 3000, "second boat": 3000}


def test_read_by_visit_extent_and_time(path):
    _store.add(path, concatenate([MAY, JUNE, JULY]), CRS)
    both = concatenate([MAY, JUNE, JULY])
    box = (400_020.0, 5_150_010.0, 400_045.0, 5_150_090.0)
    inside = (both.x >= box[0]) & (both.x <= box[2]) & (both.y >= box[1]) & (both.y <= box[3])
    np.testing.assert_array_equal(all_of(path, box=box).x, both.x[inside])
    start, stop = np.datetime64("2025-06-14T14:05"), np.datetime64("2026-01-01")
    later = (both.time >= start) & (both.time < stop)
    np.testing.assert_array_equal(all_of(path, start=start, stop=stop).time, both.time[later])
    assert all_of(path, visits=["july", "may"]).visit.tolist() == ["may"] * 3000 + ["july"] * 3000
    assert list(_store.read(path, box=(0, 0, 1, 1))) == []
    with pytest.raises(LakefloorError, match=r"'august'\. Choose .*: 'may', 'june', 'july'"):
        next(_store.read(path, visits=["august"]))


def test_newer_wins_and_removal_brings_back(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    bar = JULY.replace(
        depth=JULY.depth
        - 0.8 * np.exp(-((JULY.x - 400_040) ** 2 + (JULY.y - 5_150_150) ** 2) / (2 * 30.0**2))
    )
    reported = _store.add(path, bar, CRS)
    assert [(a, b) for a, b, _ in reported.changes] == [("may", "july"), ("june", "july")]
    assert set(all_of(path).status) == {"accepted"}
    _store.remove(path, ["july"])
    done = _store.add(path, bar, CRS, newer_wins=True)
    status = all_of(path).status
    assert (status == "superseded by july").sum() == done.superseded > 500
    assert not done.notes
    middle = all_of(path, box=(400_035, 5_150_140, 400_045, 5_150_160))
    assert set(middle.visit[middle.accepted]) == {"july"}
    # The same bar without its depths: replaced, the older soundings are accepted again.
    done = _store.add(path, JULY, CRS, mode="replace", newer_wins=True)
    assert done.restored > 500
    assert set(all_of(path).status) == {"accepted"}
    _store.add(path, bar, CRS, mode="replace", newer_wins=True)
    gone = _store.remove(path, ["july"])
    assert gone["removed"] == 3000
    assert gone["restored"] > 500
    assert set(all_of(path).status) == {"accepted"}
    assert state(path)[0] == {"may": 3000, "june": 3000}


def test_an_older_visit_that_comes_late_loses(path):
    bar = JULY.replace(depth=JULY.depth - 0.8)
    _store.add(path, bar, CRS)
    done = _store.add(path, MAY, CRS, newer_wins=True)
    assert [(a, b) for a, b, _ in done.changes] == [("may", "july")]
    assert "A wrong lake level or draft is more likely" in done.notes[0]
    back = all_of(path)
    assert set(back.status[back.visit == "july"]) == {"accepted"}
    assert "superseded by july" in set(back.status[back.visit == "may"])


def test_history_and_raw_depth_stay(path):
    _store.add(path, MAY, CRS)
    db = sqlite3.connect(str(path))
    allow_updates(db)
    for statement in (
        "DELETE FROM history",
        "UPDATE history SET action = 'x'",
        "UPDATE soundings SET raw_depth_m = 1",
    ):
        with pytest.raises(sqlite3.IntegrityError, match=r"never changed|only ever added"):
            db.execute(statement)
    db.close()


# -- what cannot be used -----------------------------------------------------------------------


def test_one_datum(path):
    _store.add(path, MAY, CRS)
    before = path.read_bytes()
    for corrections, told in (
        ("from=surface", "not reduced"),
        (DATUM.replace("290;", "290.3;"), "290.3 m"),
        (DATUM.replace("ordinary", "low"), "low high water"),
    ):
        with pytest.raises(LakefloorError, match=f"has one datum.*{told}"):
            _store.add(path, visit("june", "2025-06-14", seed=1, corrections=corrections), CRS)
    mixed = JUNE.replace(
        corrections=np.where(np.arange(3000) < 10, "from=surface", JUNE.corrections)
    )
    with pytest.raises(LakefloorError, match="not at one lake datum"):
        _store.add(path, mixed, CRS)
    assert path.read_bytes() == before
    # The whole lake may move to another datum at once.
    moved = MAY.replace(corrections=np.full(3000, DATUM.replace("290;", "291;"), object))
    assert _store.add(path, moved, CRS, mode="replace").added == 3000


def test_files_that_are_no_store(path, tmp_path):
    path.write_text("no database")
    plain = tmp_path / "plain.gpkg"
    gdal.GetDriverByName("GPKG").Create(str(plain), 0, 0, 0, gdal.GDT_Unknown).CreateLayer("visits")
    empty = tmp_path / "empty.gpkg"
    empty.touch()
    for file, told in (
        (path, "is not a GeoPackage"),
        (empty, "is not a GeoPackage"),
        (plain, "is not a lake database"),
        (tmp_path, "is a folder"),
        (tmp_path / "lake.shp", r"ends in \.gpkg"),
        (tmp_path / "no" / "lake.gpkg", "does not exist"),
    ):
        before = file.read_bytes() if file.is_file() else None
        with pytest.raises(LakefloorError, match=told):
            _store.add(file, MAY, CRS)
        assert (file.read_bytes() if file.is_file() else None) == before
    for call in (lambda p: list(_store.read(p)), lambda p: _store.remove(p, ["may"])):
        with pytest.raises(LakefloorError, match="There is no lake database"):
            call(tmp_path / "absent.gpkg")
        with pytest.raises(LakefloorError, match="is not a lake database"):
            call(plain)


def test_a_store_of_a_newer_layout(path):
    _store.add(path, MAY, CRS)
    db = sqlite3.connect(str(path))
    db.execute(
        "UPDATE gpkg_contents SET description = 'Lakefloor store, layout 9' "
        "WHERE table_name = 'visits'"
    )
    db.commit()
    db.close()
    with pytest.raises(LakefloorError, match="newer Lakefloor"):
        _store.contents(path)


def test_a_damaged_store(path):
    _store.add(path, MAY, CRS)
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = b"\xff" * (len(content) // 2 - 4096)
    path.write_bytes(content)
    with pytest.raises(LakefloorError, match=r"damaged|not a"):
        _store.add(path, JUNE, CRS)


def test_another_crs_is_refused(path):
    _store.add(path, MAY, CRS)
    with pytest.raises(LakefloorError, match="lake database is in EPSG:32615"):
        _store.add(path, JUNE, "EPSG:32616")


@pytest.mark.parametrize("exists", [False, True])
def test_cancel_leaves_the_old_state(path, exists):
    if exists:
        _store.add(path, MAY, CRS)
    before = path.read_bytes() if exists else None
    calls = []

    def cancel(fraction):
        calls.append(fraction)
        if fraction > 0.6:
            raise Cancelled

    with pytest.raises(Cancelled):
        _store.add(path, concatenate([JUNE, JULY]), CRS, progress=cancel)
    assert len(calls) > 3
    assert (path.read_bytes() if path.exists() else None) == before
    assert sorted(p.name for p in path.parent.iterdir()) == (["lake.gpkg"] if exists else [])


def mounted(folder, options):
    folder.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        ).returncode
    ):
        pytest.skip("needs the right to mount")


@pytest.fixture
def small_disk(tmp_path):
    folder = tmp_path / "disk"
    mounted(folder, "size=2m")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk(small_disk):
    path = small_disk / "lake.gpkg"
    large = visit("large", "2024-05-14", n=12_000)
    with pytest.raises(LakefloorError, match=r"disk.*full"):
        _store.add(path, large, CRS)
    assert list(small_disk.iterdir()) == []
    _store.add(path, MAY, CRS)
    before = path.read_bytes()
    with pytest.raises(LakefloorError, match=r"disk.*full"):
        _store.add(path, visit("june", "2025-06-14", n=12_000), CRS)
    assert path.read_bytes() == before
    assert list(small_disk.iterdir()) == [path]
    state(path)


def test_a_read_only_store(small_disk):
    path = small_disk / "lake.gpkg"
    _store.add(path, MAY, CRS)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(LakefloorError, match=r"read-only|Cannot open"):
        _store.add(path, JUNE, CRS)
    with pytest.raises(LakefloorError, match="Cannot write into"):
        _store.add(small_disk / "new.gpkg", JUNE, CRS)
    assert len(all_of(path)) == 3000


# -- other programs at the same time -----------------------------------------------------------

HEAD = f"""
import sys
sys.path.insert(0, {str(TESTS)!r})
import conftest
import importlib.util
spec = importlib.util.spec_from_file_location("t", {str(Path(__file__).resolve())!r})
t = importlib.util.module_from_spec(spec)
spec.loader.exec_module(t)
path = sys.argv[1]
"""


def start(body, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", HEAD + textwrap.dedent(body), *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(process):
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    return out


def test_kill_at_any_moment_leaves_the_old_or_the_new_state(path, tmp_path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    old = tmp_path / "old.gpkg"
    shutil.copy(path, old)
    worker = """
        bar = t.visit("july", "2026-07-01", n=30_000, seed=2, shift=-0.8)
        while True:
            print("go", flush=True)
            t._store.add(path, bar, t.CRS, newer_wins=True)
            t._store.remove(path, ["july"])
    """
    # States between which the worker goes, as (visits, accepted): without july and with it.
    seen = set()
    rng = random.Random(5)
    allowed = {(6000, 6000)}
    probe = tmp_path / "probe.gpkg"
    shutil.copy(path, probe)
    bar = visit("july", "2026-07-01", n=30_000, seed=2, shift=-0.8)
    superseded = _store.add(probe, bar, CRS, newer_wins=True).superseded
    assert superseded > 0
    allowed.add((36_000, 36_000 - superseded))
    journals = 0
    for _ in range(6):
        process = start(worker, path)
        try:
            assert process.stdout.readline() == "go\n", process.stderr.read()
            time.sleep(rng.uniform(0.05, 1.2))
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        journal = path.with_name("lake.gpkg-journal")
        journals += journal.exists() and journal.stat().st_size > 0
        total = sum(state(path)[0].values())
        back = all_of(path)
        assert total == len(back)
        seen.add((len(back), int(back.accepted.sum())))
        np.testing.assert_array_equal(back.depth[back.visit == "june"], JUNE.depth)
    assert seen <= allowed
    assert journals, "no kill fell within a transaction"


def test_kill_while_a_store_is_made_leaves_none_or_a_whole_one(tmp_path):
    path = tmp_path / "new.gpkg"
    worker = """
        print("go", flush=True)
        t._store.add(path, t.visit("july", "2026-07-01", n=30_000), t.CRS)
    """
    rng = random.Random(6)
    for _ in range(3):
        process = start(worker, path)
        assert process.stdout.readline() == "go\n", process.stderr.read()
        time.sleep(rng.uniform(0.02, 0.8))
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        if path.exists():
            assert state(path)[0] == {"july": 30_000}
            path.unlink()
    assert _store.add(path, MAY, CRS).added == 3000


def test_two_writers_take_turns(path):
    _store.add(path, MAY, CRS)
    worker = """
        letter, year = sys.argv[2], int(sys.argv[3])
        for k in range(5):
            name = f"{letter}{k}"
            t._store.add(path, t.visit(name, f"{year}-01-1{k}", seed=year + k), t.CRS)
            if k % 2:
                t._store.remove(path, [name])
    """
    both = [start(worker, path, "a", 2030), start(worker, path, "b", 2040)]
    for process in both:
        finish(process)
    assert set(state(path)[0]) == {"may", "a0", "a2", "a4", "b0", "b2", "b4"}


def test_two_makers_of_one_store(path, monkeypatch):
    made = store_file.make_tables

    def slow(staged, crs):
        made(staged, crs)
        if not path.exists():
            monkeypatch.setattr(store_file, "make_tables", made)
            _store.add(path, MAY, CRS)

    monkeypatch.setattr(store_file, "make_tables", slow)
    with pytest.raises(LakefloorError, match="Another program has made 'lake.gpkg' meanwhile"):
        _store.add(path, JUNE, CRS)
    assert state(path)[0] == {"may": 3000}


@pytest.mark.parametrize("lock", ["BEGIN IMMEDIATE", "BEGIN EXCLUSIVE"])
def test_a_locked_store_is_told(path, monkeypatch, lock):
    _store.add(path, MAY, CRS)
    monkeypatch.setattr(store_file, "LOCK_TIMEOUT_S", 1.0)
    holder = start(
        f"""
        import sqlite3
        db = sqlite3.connect(path, isolation_level=None)
        db.execute("{lock}")
        print("held", flush=True)
        sys.stdin.read()
    """,
        path,
    )
    try:
        assert holder.stdout.readline() == "held\n", holder.stderr.read()
        with pytest.raises(LakefloorError, match="in use by another program"):
            _store.add(path, JUNE, CRS)
        if lock == "BEGIN EXCLUSIVE":
            with pytest.raises(LakefloorError, match="in use by another program"):
                _store.contents(path)
    finally:
        os.kill(holder.pid, signal.SIGKILL)
        holder.communicate()
    assert _store.add(path, JUNE, CRS).added == 3000


def test_a_reader_sees_one_state_while_another_writes(path):
    _store.add(path, concatenate([MAY, JUNE, JULY]), CRS)
    parts = _store.read(path)
    first = next(parts)
    writer = start("t._store.remove(path, ['july'])", path)
    time.sleep(0.5)
    assert len(first) + sum(len(p) for p in parts) == 9000
    finish(writer)
    assert set(state(path)[0]) == {"may", "june"}


def test_a_store_that_qgis_has_open(path):
    _store.add(path, MAY, CRS)
    layer = QgsVectorLayer(f"{path}|layername=soundings", "soundings", "ogr")
    features = layer.getFeatures()
    next(features)
    _store.add(path, JUNE, CRS)
    del features
    layer.dataProvider().reloadData()
    assert layer.featureCount() == 6000
    assert sum(1 for _ in layer.getFeatures()) == 6000


def test_a_small_visit_on_a_large_lake_supersedes_what_is_around_it(path):
    """The few older soundings near it are found by the index: the same as without."""
    wide = visit("wide", "2024-05-14", n=30_000)  # 800 m of lanes
    spot = visit("spot", "2026-07-01", n=1500, seed=2, dx=1.0, shift=-0.8)
    _store.add(path, wide, CRS)
    done = _store.add(path, spot, CRS, newer_wins=True)
    ((_, _, found),) = done.changes
    ((_, patches),) = done.patches
    assert found.changed.sum() > 10
    superseded = all_of(path, visits=["wide"]).status == "superseded by spot"
    assert done.superseded == superseded.sum() > 500
    away, _ = cKDTree(np.column_stack([spot.x, spot.y])).query(np.column_stack([wide.x, wide.y]))
    assert away[superseded].max() < 13.0  # half of 1.25 blocks
    places = MultiPoint(np.column_stack([wide.x, wide.y])[superseded])
    assert unary_union(patches.outlines).buffer(1e-6).covers(places)
    # Close to a sounding of the other visit, 0.8 m shallower, none is right.
    assert superseded[away < 3.0].mean() > 0.98


def test_visits_named_by_utc_days_are_recognised_when_named_by_the_lakes(path):
    # An evening at 94 W: 18:30 to 21:00 on 13 May, which is the 14th in UTC.
    start = np.datetime64("2024-05-14T00:30:00.250", "ms")
    logged = visit("", "2024-05-14", n=3000)
    logged = logged.replace(time=start + (logged.time - logged.time[0]))
    before, after = (
        logged.replace(visit=np.full(len(logged), name, object))
        for name in ("2024-05-14", "2024-05-13")
    )
    split = before.replace(
        visit=np.where(np.arange(3000) < 1200, "2024-05-13", "2024-05-14").astype(object)
    )
    for k, stored in enumerate((before, split)):
        store = path.with_name(f"{k}.gpkg")
        _store.add(store, stored, CRS)
        held = state(store)
        for again in (after, logged):
            done = _store.add(store, again, CRS)
            assert (done.added, done.already_there) == (0, 3000)
            assert state(store) == held
    assert [v.name for v in _store.contents(path.with_name("0.gpkg")).visits] == ["2024-05-14"]
    # A visit without a name is dated by the lake.
    _store.add(path, logged, CRS)
    assert [v.name for v in _store.contents(path).visits] == ["2024-05-13"]
