"""Files that the state before has made open in this one."""

import gzip
import shutil
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal

sys.path.insert(0, str(Path(__file__).parent))
from older_stores import CORRECTIONS, CRS, LOG_BOOK, VISITS, rows_of, write_store

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.log_book import VisitFacts

HERE = Path(__file__).parent

#: Of the stores that are written now.
LAYOUT = 4

#: A triangulated surface, cells of 2 m and gaps up to 20 m, of the soundings of
#: store_layout_1.gpkg.gz; both made by Lakefloor 0.1.0.
SURFACE = HERE / "surface_0_1_0.tif"
STORE = HERE / "store_layout_1.gpkg.gz"


@pytest.fixture
def soundings(run, tmp_path):
    store = tmp_path / "lake.gpkg"
    store.write_bytes(gzip.decompress(STORE.read_bytes()))
    return run("readdatabase", {"DATABASE": str(store), "OUTPUT": str(tmp_path / "all.gpkg")})[
        "OUTPUT"
    ]


@pytest.fixture
def surface(tmp_path):
    """A copy, since QGIS writes statistics beside what it opens."""
    return shutil.copy(SURFACE, tmp_path / "surface.tif")


def depths(path):
    dataset = gdal.Open(str(path))
    values = dataset.GetRasterBand(1).ReadAsArray()
    return np.where(values == dataset.GetRasterBand(1).GetNoDataValue(), np.nan, values)


def test_a_surface_is_read(run, surface):
    contours = run("depthcontours", {"INPUT": str(surface), "OUTPUT": "TEMPORARY_OUTPUT"})
    assert contours["OUTPUT"].featureCount() > 0
    areas = run("depthareas", {"INPUT": str(surface), "OUTPUT": "TEMPORARY_OUTPUT"})
    assert areas["OUTPUT"].featureCount() > 0


def test_a_surface_is_brought_up_to_date_or_drawn_whole(
    run, soundings, surface, tmp_path, feedback
):
    out = tmp_path / "new.tif"
    run(
        "tinsurface",
        {
            "INPUT": soundings,
            "SURFACE_TO_UPDATE": str(surface),
            "CELL_SIZE": 2.0,
            "MAX_GAP": 20.0,
            "OUTPUT": str(out),
        },
        feedback,
    )
    assert "Tiles drawn" in feedback.text or "cannot be updated" in feedback.text
    new, old = depths(out), depths(surface)
    # The lake that was invented for it falls from 2.2 m, 0.8 m of fill taken off, by 0.3 m.
    assert np.isfinite(new).sum() > 0.9 * np.isfinite(old).sum() > 100
    assert np.nanmin(new) > 1.9
    assert np.nanmax(new) < 3.5


# -- stores of each layout ----------------------------------------------------------------------


@pytest.fixture(params=[1, 2, 3, 4])
def older(request, tmp_path):
    return write_store(tmp_path / "lake.gpkg", request.param)


def layout_of(path):
    with closing(sqlite3.connect(str(path))) as db:
        ((text,),) = db.execute("SELECT description FROM gpkg_contents WHERE table_name = 'visits'")
    return int(text[-1])


def test_an_older_store_is_read_value_by_value_and_left_as_it_is(older):
    before = older.read_bytes()
    assert _store.contents(older).crs == CRS
    assert [(v.name, v.soundings) for v in _store.contents(older).visits] == [
        (name, count) for name, (_, count, _) in VISITS.items()
    ]
    for name in VISITS:
        rows, back = rows_of(name), concatenate(_store.read(older, visits=[name]))
        assert back.time.astype(str).tolist() == [r[4].rstrip("Z") for r in rows]
        for number, attr in (
            (0, "x"),
            (1, "y"),
            (3, "lane"),
            (5, "raw_depth"),
            (6, "depth"),
            (7, "uncert"),
            (9, "water_temp"),
            (10, "speed"),
            (12, "status"),
            (13, "corrections"),
        ):
            assert getattr(back, attr).tolist() == [r[number] for r in rows], attr
        assert np.isnan(back.hardness).all()
        assert np.isnan(back.course).all()
    some = concatenate(_store.read(older, box=(400_010.0, 5_150_010.0, 400_020.0, 5_150_020.0)))
    assert (
        len(some)
        == sum(
            400_010.0 <= r[0] <= 400_020.0 and 5_150_010.0 <= r[1] <= 5_150_020.0
            for name in VISITS
            for r in rows_of(name)
        )
        > 0
    )
    assert older.read_bytes() == before


def test_an_older_store_grows_shrinks_and_is_backed_up(older, tmp_path):
    old, held = layout_of(older), concatenate(_store.read(older))
    folder = tmp_path / "usb"
    folder.mkdir()
    copy = _store.back_up(older, folder)
    assert layout_of(copy) == old
    again = _store.add(older, held, CRS)
    assert (again.added, again.already_there) == (0, 1740)
    may = held.select(held.visit == "may")
    july = Soundings.build(
        may.x + 500.0,
        may.y,
        may.depth + 0.01 * np.arange(1500),
        visit="july",
        time=may.time + np.timedelta64(400, "D"),
        corrections=CORRECTIONS,
    )
    done = _store.add(older, july, CRS)
    assert (done.visits, done.added) == (["july"], 1500)
    assert layout_of(older) == LAYOUT
    assert any("upgraded" in note for note in again.notes + done.notes) == (old < LAYOUT)
    gone = _store.remove(older, ["evening; June"])
    assert (gone["removed"], gone["restored"]) == (240, 15)
    back = concatenate(_store.read(older, visits=["may"]))
    assert set(back.status) == {"accepted", "spike"}
    kept = _store.restore(copy, older)
    assert kept.is_file()
    assert concatenate(_store.read(older)).status.tolist() == held.status.tolist()


def test_the_log_book_of_an_older_store_says_what_its_soundings_do(older):
    """Read as it is, and after it was upgraded by a change."""
    was = layout_of(older)
    before = older.read_bytes()
    entries = _store.log_book(older)
    assert older.read_bytes() == before
    facts = entries[0].facts
    assert (facts.level_m, facts.level_from) == (290.2, "one lake level")
    assert facts.owner == ("Ada" if was > 2 else None)
    assert [e.counts for e in entries] == [
        {"accepted": 1455, "held_back": 0, "superseded": 15, "rejected": 30},
        {"accepted": 235, "held_back": 0, "superseded": 0, "rejected": 5},
    ]
    _store.edit_log_book(older, ["may"], VisitFacts(remark="windy"))
    after = [replace(e, visit=replace(e.visit, checksum=None)) for e in _store.log_book(older)]
    entries = [replace(e, visit=replace(e.visit, checksum=None)) for e in entries]
    assert after[0] == replace(entries[0], facts=facts.updated(VisitFacts(remark="windy")))
    assert after[1] == entries[1]
    if was > 2:
        assert tuple(entries[1].facts.columns()) == LOG_BOOK
    if was < LAYOUT:
        (kept,) = older.parent.glob(f"lake-layout-{was}-*.gpkg")
        assert layout_of(kept) == was


def test_an_older_store_is_merged_and_read_by_the_toolbox(older, run, tmp_path):
    friend = write_store(tmp_path / "friend.gpkg", 2)
    out = tmp_path / "merged.gpkg"
    merged = run(
        "mergedatabases",
        {
            "DATABASE": str(older),
            "OTHER_DATABASE": str(friend),
            "OFFSETS": "none",
            "OUTPUT": str(out),
        },
    )
    assert (merged["ADDED"], merged["ALREADY_THERE"]) == (0, 1740)
    assert layout_of(out) == LAYOUT
    read = run("readdatabase", {"DATABASE": str(older), "OUTPUT": str(tmp_path / "all.gpkg")})
    assert (read["SOUNDINGS"], read["VISIT_COUNT"]) == (1740, 2)
