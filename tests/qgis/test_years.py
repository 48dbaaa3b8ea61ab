"""The lake over the years: the map as of a day, from a store that was visited in three years."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsVectorLayer

sys.path.insert(0, str(Path(__file__).parent))
from lakes import UTM15, X, Y, shore
from years import DAYS, NAMES, PIT_X, PIT_Y, bottom, make_store

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import ACCEPTED, concatenate


@pytest.fixture(scope="module")
def lake(provider, tmp_path_factory):
    """The store, and what it held after each visit."""
    path = tmp_path_factory.mktemp("lake") / "lake.gpkg"
    return path, [concatenate(parts) for parts in make_store(path)]


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [shore().wkt], UTM15.authid())


def same(one, other):
    for name in vars(one):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@pytest.mark.parametrize("k", range(3))
@pytest.mark.parametrize("later", [0, 300])
def test_as_of_a_day_is_what_the_store_held_then(lake, k, later):
    path, then = lake
    day = np.datetime64(DAYS[k]) + later
    known = concatenate(_store.read(path, as_of=day))
    same(known, then[k])
    rejected = {str(s) for s in known.status} - {ACCEPTED}
    assert rejected == ({"superseded by october"} if k == 2 else set())


def test_before_the_first_visit_nothing_was_known(run, lake):
    path, _ = lake
    assert list(_store.read(path, as_of=np.datetime64("2019-06-14"))) == []
    with pytest.raises(
        QgsProcessingException, match="no soundings of these visits, extent and day"
    ):
        run(
            "readdatabase",
            {"DATABASE": str(path), "AS_OF": "2019-06-14", "OUTPUT": "TEMPORARY_OUTPUT"},
        )


def test_read_as_of_with_visits_extent_and_days(run, lake, feedback):
    path, (june, august, october) = lake

    def read(**options):
        return run(
            "readdatabase",
            {"DATABASE": str(path), "OUTPUT": "TEMPORARY_OUTPUT", **options},
            feedback,
        )

    assert read(AS_OF="2021-12-31")["SOUNDINGS"] == len(august)
    assert "as it was known at the end of 2021-12-31" in feedback.text
    assert not feedback.warnings
    assert read(AS_OF="2030-01-01")["SOUNDINGS"] == len(october) == read()["SOUNDINGS"]
    assert read(AS_OF="2021-12-31", FROM="2020-01-01")["SOUNDINGS"] == len(august) - len(june)
    assert read(AS_OF="2021-12-31", TO="2020-01-01")["SOUNDINGS"] == len(june)
    made = read(AS_OF="2021-12-31", VISITS="june")
    assert (made["SOUNDINGS"], made["VISIT_COUNT"]) == (len(june), 1)
    assert {f["status"] for f in made["OUTPUT"].getFeatures()} == {ACCEPTED}
    box = f"{PIT_X - 20},{PIT_X + 20},{PIT_Y - 20},{PIT_Y + 20} [{UTM15.authid()}]"
    part = read(AS_OF="2021-12-31", EXTENT=box)["OUTPUT"]
    assert {f["visit"] for f in part.getFeatures()} == set(NAMES[:2])
    assert {f["status"] for f in part.getFeatures()} == {ACCEPTED}
    with pytest.raises(QgsProcessingException, match="after the day as of which"):
        read(AS_OF="2021-12-31", FROM="2022-01-01")
    with pytest.raises(QgsProcessingException, match="no soundings of these visits"):
        read(AS_OF="2021-12-31", VISITS="october")


def test_a_visit_without_times_is_kept_and_said(run, lake, tmp_path, feedback):
    (june,) = [lake[1][0]]
    path = tmp_path / "old.gpkg"
    nat = np.full(len(june), np.datetime64("NaT", "ms"))
    _store.add(path, june.replace(time=nat), UTM15.authid())
    made = run(
        "readdatabase",
        {"DATABASE": str(path), "AS_OF": "1990-01-01", "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert made["SOUNDINGS"] == len(june)
    assert "No sounding of visit 'june' has a time" in "\n".join(feedback.warnings)


def depth_at(path, x, y):
    """Return the depth of a surface in the cell of a place, as GDAL reads it."""
    raster = gdal.Open(str(path))
    west, dx, _, north, _, dy = raster.GetGeoTransform()
    cell = raster.GetRasterBand(1).ReadAsArray(int((x - west) / dx), int((y - north) / dy), 1, 1)
    return float(cell[0, 0])


def test_the_map_of_a_year_and_its_update(run, lake, shoreline, tmp_path):
    """The pit shows in the map of 2023 alone; a map of 2021 is brought up to date."""
    path, _ = lake

    def surface(day, **options):
        soundings = str(tmp_path / f"{day}.gpkg")
        run("readdatabase", {"DATABASE": str(path), "AS_OF": day, "OUTPUT": soundings})
        return run(
            "smoothsurface",
            {
                "INPUT": soundings,
                "SHORELINE": shoreline,
                "CELL_SIZE": 5.0,
                "MAX_GAP": 40.0,
                "OUTPUT": str(tmp_path / f"{day}{len(options)}.tif"),
                **options,
            },
        )

    before, after = surface("2021-12-31"), surface("2023-12-31")
    assert depth_at(before["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, False), abs=0.15
    )
    assert depth_at(after["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, True), abs=0.15
    )
    updated = surface("2023-12-31", SURFACE_TO_UPDATE=before["OUTPUT"])
    assert updated["TILES_DRAWN"] == 1
    assert depth_at(updated["OUTPUT"], PIT_X, PIT_Y) == pytest.approx(
        bottom(PIT_X, PIT_Y, True), abs=0.15
    )
    again = surface("2021-12-31", SURFACE_TO_UPDATE=before["OUTPUT"])
    assert again["TILES_DRAWN"] == 0
    # The north-east was not surveyed in 2019.
    early = surface("2019-12-31")
    assert early["AREA_M2"] < 0.8 * before["AREA_M2"]
    assert QgsVectorLayer(str(tmp_path / "2019-12-31.gpkg"), "june", "ogr").featureCount() > 0
    assert np.isfinite(depth_at(early["OUTPUT"], X - 100.0, Y))
