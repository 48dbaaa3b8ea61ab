"""Compare gridding methods in the real QGIS."""

import base64
import csv
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException
from shapely.affinity import translate

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).resolve().parent))
import made_lake
from test_gridding import EAST, NORTH, layer_of, read

FOOT = 0.3048


@pytest.fixture(scope="module")
def survey():
    return made_lake.survey(40.0, ping=5.0)


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [translate(made_lake.shoreline(10.0), EAST, NORTH).wkt])


def test_lake_with_its_shoreline(run, feedback, survey, shoreline, tmp_path):
    paths = {"TABLE": tmp_path / "errors.csv", "REPORT": tmp_path / "report.html"}
    soundings = layer_of(survey)
    result = run(
        "comparemethods",
        {
            "INPUT": soundings,
            "SHORELINE": shoreline,
            "CELL_SIZE": 10.0,
            **{name: str(path) for name, path in paths.items()},
        },
        feedback,
    )
    assert result["BEST"] == "smooth"
    assert result["CLEAR"] == 1
    assert result["LANES"] == len(np.unique(survey.lane))
    assert result["LANE_SPACING_USED"] == pytest.approx(40.0, rel=0.1)
    # The surface itself against the truth of the invented lake.
    path = run(
        "smoothsurface",
        {
            "INPUT": soundings,
            "SHORELINE": shoreline,
            "CELL_SIZE": 10.0,
            "OUTPUT": str(tmp_path / "depth.tif"),
        },
    )["OUTPUT"]
    _, (depth, *_) = read(path)
    x, y = np.meshgrid(depth.x - EAST, depth.y - NORTH)
    truth = np.sqrt(np.nanmean((depth.values - made_lake.true_depth(x, y)) ** 2))
    # The truth is over all cells, the rim along the shore among them; lanes are left out inside.
    assert 0.7 < result["EXPECTED_RMSE"] / truth < 1.05
    assert result["LANE_OUT_RMSE"] > 1.5 * result["EXPECTED_RMSE"]
    # The interval is the least usual one of which the error is at most 0.304 (NMAS, 90 %
    # within half an interval).
    usual = [i for i in (0.5, 1.0, 2.0, 5.0) if result["EXPECTED_RMSE"] <= 0.304 * i * FOOT]
    assert result["INTERVAL_FT"] == usual[0]
    usual = [i for i in (0.25, 0.5, 1.0, 2.0) if result["EXPECTED_RMSE"] <= 0.304 * i]
    assert result["INTERVAL_M"] == usual[0]

    with paths["TABLE"].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["method"] for row in rows} == {"tin", "idw", "smooth"}
    wide = next(r for r in rows if r["method"] == "smooth" and r["error"].startswith("lanes"))
    assert float(wide["rmse_m"]) == pytest.approx(result["LANE_OUT_RMSE"])
    counts = [
        int(r["soundings"]) for r in rows if r["method"] == "tin" and r["error"] == "by distance"
    ]
    assert sum(counts) == result["LEFT_OUT"]

    page = paths["REPORT"].read_text(encoding="utf-8")
    HTMLParser().feed(page)
    assert "Smooth surface is expected to have the smallest error" in page
    assert f"{result['LANE_OUT_RMSE'] / FOOT:.2f} ft" in page
    pictures = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    assert len(pictures) == 1
    assert base64.b64decode(pictures[0]).startswith(b"\x89PNG")
    assert "Not for navigation" in page
    assert "If lanes were twice as far apart" in feedback.text


def test_without_lane_numbers_in_metres(run, feedback, survey, tmp_path):
    small = survey.select(np.hypot(survey.x, survey.y) < 250.0)
    small = small.replace(lane=np.zeros(len(small), dtype=np.int32))
    report = tmp_path / "report.html"
    result = run(
        "comparemethods",
        {
            "INPUT": layer_of(small),
            "CELL_SIZE": 10.0,
            "UNIT": "m",
            "REPORT": str(report),
            "TABLE": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    assert result["LANES"] == 0
    assert "squares two lane spacings wide" in feedback.text
    assert " m, and 95% of the errors" in report.read_text(encoding="utf-8")
    assert result["TABLE"].featureCount() > 6


def test_refusals_leave_nothing(run, recorder, survey, tmp_path):
    path = tmp_path / "errors.csv"
    few = survey.select(np.hypot(survey.x - 50.0, survey.y) < 60.0)
    with pytest.raises(QgsProcessingException, match="A comparison needs"):
        run("comparemethods", {"INPUT": layer_of(few), "TABLE": str(path)})
    small = layer_of(survey.select(np.hypot(survey.x, survey.y) < 250.0))
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "comparemethods",
            {"INPUT": small, "CELL_SIZE": 10.0, "TABLE": str(path)},
            recorder(cancel_at=20),
        )
    assert not path.exists()
