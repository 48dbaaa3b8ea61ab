"""Smooth surface in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException
from shapely.affinity import translate

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).resolve().parent))
import made_lake
from test_gridding import EAST, NORTH, layer_of, read


@pytest.fixture(scope="module")
def survey():
    return made_lake.survey(40.0, ping=4.0)


@pytest.fixture
def soundings(provider, survey):
    return layer_of(survey)


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [translate(made_lake.shoreline(10.0), EAST, NORTH).wkt])


def error_of(depth):
    x, y = np.meshgrid(depth.x - EAST, depth.y - NORTH)
    error = depth.values - made_lake.true_depth(x, y)
    return error[np.isfinite(error) & (np.hypot(x, y) > 60.0)]


def test_lake_with_its_shoreline(run, feedback, soundings, shoreline, tmp_path):
    path = str(tmp_path / "depth.tif")
    parameters = {"INPUT": soundings, "SHORELINE": shoreline, "OUTPUT": path}
    result = run("smoothsurface", parameters, feedback)
    dataset, (depth, sigma, distance) = read(path)
    assert dataset.GetMetadata()["DATUM_NAME"] == "summer level"
    assert result["CELL_SIZE_USED"] == depth.dx == 5.0
    error = error_of(depth)
    assert np.sqrt(np.mean(error**2)) < 0.3
    assert result["LANE_OUT_RMSE"] > np.sqrt(np.mean(error**2))
    assert 5.0 < result["SMOOTHING_USED"] < 80.0
    assert result["ALONG_STRIKE"] > 0
    assert "Lanes left out are predicted" in feedback.text
    assert (np.isfinite(sigma.values) == np.isfinite(depth.values)).all()
    assert np.nanmax(distance.values) <= result["MAX_GAP_USED"] + 1e-3


def test_given_smoothing_is_used(run, soundings):
    rough = []
    for smoothing in (5.0, 60.0):
        result = run(
            "smoothsurface",
            {"INPUT": soundings, "SMOOTHING": smoothing, "OUTPUT": "TEMPORARY_OUTPUT"},
        )
        assert result["SMOOTHING_USED"] == pytest.approx(smoothing, rel=0.01)
        _, (depth, *_) = read(result["OUTPUT"])
        rough.append(np.nanmean(np.diff(depth.values, n=2) ** 2))
    assert rough[1] < 0.5 * rough[0]


def test_break_lines_change_the_surface(run, soundings, memory_layer):
    line = memory_layer("LineString", [f"LINESTRING({EAST - 200} {NORTH - 60}, {EAST} {NORTH})"])
    depths = []
    for lines in (None, line):
        parameters = {"INPUT": soundings, "BREAKLINES": lines, "OUTPUT": "TEMPORARY_OUTPUT"}
        _, (depth, *_) = read(run("smoothsurface", parameters)["OUTPUT"])
        depths.append(depth.sample([EAST - 166.4], [NORTH - 46.7])[0])
    assert np.isfinite(depths).all()
    assert depths[0] != depths[1]


def test_cancelled_run_leaves_nothing(run, feedback, soundings, tmp_path):
    feedback.cancel()
    path = tmp_path / "depth.tif"
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("smoothsurface", {"INPUT": soundings, "OUTPUT": str(path)}, feedback)
    assert not list(tmp_path.iterdir())
