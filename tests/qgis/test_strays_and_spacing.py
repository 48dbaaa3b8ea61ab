"""Strays, shorelines of other lakes, a lane spacing given, and absurd cells, in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsFeature, QgsGeometry, QgsPoint, QgsProcessingException, QgsVectorLayer
from shapely.affinity import translate

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
    for key in ("CELL", "GAP", "AREA_M2", "SOUNDINGS"):
        assert both[key] == alone[key]
    assert "6 soundings lie 4." in feedback.text
    assert "km from all others and were left out" in feedback.text


def test_with_a_shoreline_they_are_counted_from_it(run, feedback, survey, six, shoreline):
    for name in ("tinsurface", "comparemethods"):
        run(
            name,
            {"INPUT": layer_of(survey, six), "SHORELINE": shoreline, "CELL_SIZE": 10.0,
             "OUTPUT": "TEMPORARY_OUTPUT", "TABLE": "memory:"},
            feedback,
        )  # fmt: skip
        assert "km from this lake and were left out." in feedback.text


def test_the_shoreline_of_another_lake_is_refused(run, survey, memory_layer, tmp_path):
    other = translate(made_lake.shoreline(10.0), EAST + 1150.0, NORTH)
    with pytest.raises(QgsProcessingException, match=r"lie off the shoreline.*another lake"):
        run(
            "tinsurface",
            {"INPUT": layer_of(survey), "SHORELINE": memory_layer("Polygon", [other.wkt]),
             "OUTPUT": str(tmp_path / "depth.tif")},
        )  # fmt: skip
    assert not list(tmp_path.iterdir())


def test_a_lane_spacing_given_overrules_the_estimate(run, feedback, survey):
    layer = layer_of(survey)
    given = run(
        "tinsurface", {"INPUT": layer, "LANE_SPACING": 80.0, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback
    )
    assert (given["CELL"], given["GAP"]) == (10.0, 200.0)
    assert "does not fit" not in feedback.text
    run("tinsurface", {"INPUT": layer, "LANE_SPACING": 300.0, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback)
    assert "A lane spacing of 300.0 m does not fit the soundings" in feedback.text
    compared = run(
        "comparemethods", {"INPUT": layer, "LANE_SPACING": 50.0, "CELL_SIZE": 10.0,
                           "TABLE": "memory:"},
    )  # fmt: skip
    assert compared["SPACING"] == 50.0
    with pytest.raises(QgsProcessingException, match="lane spacing must be above 0"):
        run("idwsurface", {"INPUT": layer, "LANE_SPACING": 0.0, "OUTPUT": "TEMPORARY_OUTPUT"})


def test_absurd_cells_are_refused_or_told(run, feedback, survey, tmp_path):
    layer = layer_of(survey)
    with pytest.raises(QgsProcessingException, match="Choose a smaller cell size, such as 5 m"):
        run("tinsurface", {"INPUT": layer, "CELL_SIZE": 600.0, "MAX_GAP": 2000.0,
                           "OUTPUT": str(tmp_path / "depth.tif")})
    assert not list(tmp_path.iterdir())
    run("tinsurface", {"INPUT": layer, "CELL_SIZE": 60.0, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert "Choose a cell size of about 5 m" in feedback.text


def test_cleaning_sets_them_aside_with_a_warning(run, feedback, survey, six):
    out = run(
        "cleansoundings",
        {"INPUT": layer_of(six, survey), "OUTPUT": "memory:", "COUNTS": "memory:"}, feedback,
    )  # fmt: skip
    status = [feature["status"] for feature in out["OUTPUT"].getFeatures()]
    assert status[:6] == ["isolated"] * 6
    assert "isolated" not in status[6:]
    assert {f["reason"]: f["soundings"] for f in out["COUNTS"].getFeatures()}["isolated"] == 6
    assert "6 soundings lie 4." in feedback.text
