"""Strays, shorelines of other lakes, a lane spacing given, and absurd cells, in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsPoint,
    QgsProcessingException,
    QgsRasterLayer,
    QgsVectorLayer,
)
from shapely.affinity import translate

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS, SPACING_ITEM, read_raster
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.soundings import Soundings, concatenate

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

EAST, NORTH = 481_000.0, 5_210_000.0
FIELDS = "field=visit:string&field=depth_m:double&field=lane:integer&field=status:string"


def layer_of(*parts):
    survey = concatenate(parts)
    layer = QgsVectorLayer(f"Point?crs=EPSG:32615&{FIELDS}", "soundings", "memory")
    features = []
    for x, y, depth, lane in zip(survey.x, survey.y, survey.depth, survey.lane):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry(QgsPoint(x + EAST, y + NORTH)))
        feature.setAttributes(["made", float(depth), int(lane), "accepted"])
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    return layer


@pytest.fixture(scope="module")
def survey():
    return made_lake.survey(40.0, ping=4.0)


@pytest.fixture(scope="module")
def six():
    """Six good pings 4.4 km off."""
    return Soundings.build(5400.0 + np.arange(6.0), np.arange(6.0), np.full(6, 3.0), visit="made")


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [translate(made_lake.shoreline(10.0), EAST, NORTH).wkt])


@pytest.mark.parametrize("name", ["tinsurface", "idwsurface", "smoothsurface"])
def test_six_pings_far_off_change_nothing_and_are_told(run, recorder, survey, six, name):
    alone = run(name, {"INPUT": layer_of(survey), "OUTPUT": "TEMPORARY_OUTPUT"})
    feedback = recorder()
    both = run(name, {"INPUT": layer_of(survey, six), "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    for key in ("CELL_SIZE_USED", "MAX_GAP_USED", "AREA_M2", "SOUNDINGS"):
        assert both[key] == alone[key]
    assert "6 soundings lie 4." in feedback.text
    assert "km from all others and were left out" in feedback.text


def test_with_a_shoreline_they_are_counted_from_it(run, feedback, survey, six, shoreline):
    for name in ("tinsurface", "comparemethods"):
        run(
            name,
            {
                "INPUT": layer_of(survey, six),
                "SHORELINE": shoreline,
                "CELL_SIZE": 10.0,
                "OUTPUT": "TEMPORARY_OUTPUT",
                "TABLE": "memory:",
            },
            feedback,
        )
        assert "km from this lake and were left out." in feedback.text


def test_the_shoreline_of_another_lake_is_refused(run, survey, memory_layer, tmp_path):
    other = translate(made_lake.shoreline(10.0), EAST + 1150.0, NORTH)
    with pytest.raises(QgsProcessingException, match=r"lie off the shoreline.*of this lake"):
        run(
            "tinsurface",
            {
                "INPUT": layer_of(survey),
                "SHORELINE": memory_layer("Polygon", [other.wkt]),
                "OUTPUT": str(tmp_path / "depth.tif"),
            },
        )
    assert not list(tmp_path.iterdir())


def test_a_lane_spacing_given_overrules_the_estimate(run, feedback, survey):
    layer = layer_of(survey)
    given = run(
        "tinsurface", {"INPUT": layer, "LANE_SPACING": 80.0, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback
    )
    assert (given["CELL_SIZE_USED"], given["MAX_GAP_USED"]) == (10.0, 200.0)
    assert "does not fit" not in feedback.text
    run(
        "tinsurface",
        {"INPUT": layer, "LANE_SPACING": 300.0, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert "A lane spacing of 300.0 m does not fit the soundings" in feedback.text
    compared = run(
        "comparemethods",
        {"INPUT": layer, "LANE_SPACING": 50.0, "CELL_SIZE": 10.0, "TABLE": "memory:"},
    )
    assert compared["LANE_SPACING_USED"] == 50.0
    with pytest.raises(QgsProcessingException, match="lane spacing must be above 0"):
        run("idwsurface", {"INPUT": layer, "LANE_SPACING": 0.0, "OUTPUT": "TEMPORARY_OUTPUT"})


def test_absurd_cells_are_refused_or_told(run, feedback, survey, tmp_path):
    layer = layer_of(survey)
    with pytest.raises(QgsProcessingException, match="Choose a smaller cell size, such as 5 m"):
        run(
            "tinsurface",
            {
                "INPUT": layer,
                "CELL_SIZE": 600.0,
                "MAX_GAP": 2000.0,
                "OUTPUT": str(tmp_path / "depth.tif"),
            },
        )
    assert not list(tmp_path.iterdir())
    run("tinsurface", {"INPUT": layer, "CELL_SIZE": 60.0, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert "Choose a cell size of about 5 m" in feedback.text


def test_cleaning_sets_them_aside_with_a_warning(run, feedback, survey, six):
    out = run(
        "cleansoundings",
        {"INPUT": layer_of(six, survey), "OUTPUT": "memory:", "COUNTS": "memory:"},
        feedback,
    )
    status = [feature["status"] for feature in out["OUTPUT"].getFeatures()]
    assert status[:6] == ["isolated"] * 6
    assert "isolated" not in status[6:]
    assert {f["reason"]: f["soundings"] for f in out["COUNTS"].getFeatures()}["isolated"] == 6
    assert "6 soundings lie 4." in feedback.text


def stated(path):
    return float(gdal.Open(str(path)).GetMetadataItem(SPACING_ITEM))


@pytest.mark.parametrize("name", ["tinsurface", "idwsurface", "smoothsurface"])
def test_a_surface_says_the_lane_spacing_it_was_drawn_with(run, survey, tmp_path, name):
    layer, path, again = layer_of(survey), tmp_path / "depth.tif", tmp_path / "again.tif"
    common = {"INPUT": layer, "CELL_SIZE": 10.0}
    run(name, {**common, "OUTPUT": str(path)})
    assert stated(path) == pytest.approx(40.0, rel=0.1)
    run(name, {**common, "LANE_SPACING": 55.0, "OUTPUT": str(path)})
    assert stated(path) == 55.0
    # Brought up to date it keeps it, and drawn anew it says the new one.
    run(name, {**common, "SURFACE_TO_UPDATE": str(path), "OUTPUT": str(again)})
    assert stated(again) == 55.0
    run(
        name, {**common, "SURFACE_TO_UPDATE": str(path), "LANE_SPACING": 50.0, "OUTPUT": str(again)}
    )
    assert stated(again) == 50.0


def test_what_is_made_of_a_surface_uses_the_spacing_that_it_says(
    run, survey, shoreline, tmp_path, feedback
):
    layer = layer_of(survey)
    outing = {
        "TIME": 20.0,
        "LAUNCH": f"{EAST},{NORTH - 380.0} [EPSG:32615]",
        "SHORELINE": shoreline,
        "OUTPUT": "memory:",
        "GAPS": "memory:",
    }
    forms = {"OUTPUT": "memory:", "OUTPUT_RASTER": "TEMPORARY_OUTPUT"}
    for spacing in (40.0, 60.0):
        path = str(tmp_path / f"{spacing:g}.tif")
        run(
            "tinsurface",
            {"INPUT": layer, "CELL_SIZE": 5.0, "LANE_SPACING": spacing, "OUTPUT": path},
        )
        surface, _, metadata = read_raster(QgsRasterLayer(path), feedback)
        assert surface.spacing == spacing
        assert run("nextouting", {"INPUT": path, **outing})["LANE_SPACING_USED"] == spacing / 2.0
        assert run("bottomforms", {"INPUT": path, **forms})["FINE_RADIUS_M"] == spacing
        # One that does not say it is known by its distances.
        bare = tmp_path / f"bare{spacing:g}.tif"
        grids = [surface.depth, surface.uncertainty, surface.distance]
        del metadata[SPACING_ITEM]
        write_raster(bare, grids, BANDS, QgsCoordinateReferenceSystem("EPSG:32615"), metadata)
        found = run("bottomforms", {"INPUT": str(bare), **forms})["FINE_RADIUS_M"]
        assert found == pytest.approx(40.0, rel=0.25)


@pytest.mark.parametrize("text", ["", "far", "-3", "0", "nan", "inf"])
def test_a_spacing_that_is_no_length_counts_as_none(tmp_path, feedback, text):
    path = tmp_path / "depth.tif"
    grid = Grid(np.ones((4, 4)), EAST, NORTH, 5.0, 5.0)
    write_raster(
        path,
        [grid],
        ["depth (m)"],
        QgsCoordinateReferenceSystem("EPSG:32615"),
        {SPACING_ITEM: text},
    )
    assert read_raster(QgsRasterLayer(str(path)), feedback)[0].spacing is None
