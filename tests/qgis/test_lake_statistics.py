"""Lake statistics in the real QGIS."""

import base64
import csv
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsDistanceArea, QgsGeometry, QgsProcessingException, QgsProject

sys.path.insert(0, str(Path(__file__).parent))
from lakes import DEEPEST, RADIUS, UTM15, files_of, paraboloid, shore

from lakefloor.algorithms.share.lake_statistics import LakeStatistics

ACRE, FOOT = 4046.8564224, 0.3048
#: On the central meridian of a UTM zone map lengths are 0.9996 of the true ones.
TRUE_AREA = np.pi * RADIUS**2 / 0.9996**2


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [shore().wkt])


def statistics(run, surface, shoreline, feedback=None, **options):
    return run("lakestatistics", {"INPUT": surface, "SHORELINE": shoreline, **options}, feedback)


def test_a_paraboloid(run, tmp_path, shoreline):
    result = statistics(run, paraboloid(tmp_path), shoreline)
    assert result["AREA_M2"] == pytest.approx(TRUE_AREA, rel=1e-4)
    assert result["VOLUME_M3"] == pytest.approx(TRUE_AREA * DEEPEST / 2, rel=1e-3)
    assert result["MAX_DEPTH_M"] == pytest.approx(DEEPEST, abs=0.01)
    assert result["MEAN_DEPTH_M"] == pytest.approx(DEEPEST / 2, rel=1e-3)
    assert result["VOLUME_DEVELOPMENT"] == pytest.approx(1.5, rel=2e-3)
    assert result["DEVELOPMENT"] == pytest.approx(1.0, rel=1e-3)
    # 15 ft of 9 m, and area falls evenly with depth.
    assert result["LITTORAL_PERCENT"] == pytest.approx(100 * 15 * FOOT / DEEPEST, abs=0.1)
    assert result["MAPPED_PERCENT"] == pytest.approx(100.0)
    # The datum's 0.03 m over all the lake, and 0.15 m with lanes 20 m apart.
    assert result["VOLUME_SD_M3"] == pytest.approx(
        np.sqrt((0.03 * TRUE_AREA) ** 2 + np.pi * 20.0**2 * 0.15**2 * TRUE_AREA), rel=1e-3
    )


def test_area_and_shore_are_those_that_qgis_measures_on_the_ellipsoid(run, tmp_path, shoreline):
    result = statistics(run, paraboloid(tmp_path), shoreline)
    measure = QgsDistanceArea()
    measure.setSourceCrs(UTM15, QgsProject.instance().transformContext())
    measure.setEllipsoid("EPSG:7030")
    polygon = QgsGeometry.fromWkt(shore().wkt)
    assert result["AREA_M2"] == pytest.approx(measure.measureArea(polygon), rel=1e-6)
    assert result["SHORELINE_M"] == pytest.approx(measure.measurePerimeter(polygon), rel=1e-6)


def test_files(run, tmp_path, shoreline, feedback):
    paths = {
        "CSV": tmp_path / "figures.csv",
        "REPORT": tmp_path / "report.html",
        "LAYERS": tmp_path / "layers.csv",
    }
    result = statistics(
        run,
        paraboloid(tmp_path),
        shoreline,
        feedback,
        **{name: str(path) for name, path in paths.items()},
    )
    with paths["CSV"].open(encoding="utf-8", newline="") as file:
        rows = {row["figure"]: row for row in csv.DictReader(file)}
    assert float(rows["area"]["value_si"]) == pytest.approx(result["AREA_M2"], rel=1e-9)
    assert float(rows["area"]["value"]) == pytest.approx(result["AREA_M2"] / ACRE, rel=1e-9)
    assert rows["area"]["unit"] == "acres"
    assert float(rows["volume"]["value"]) == pytest.approx(
        result["VOLUME_M3"] / ACRE / FOOT, rel=1e-9
    )
    assert rows["volume"]["unit"] == "acre-ft"
    assert float(rows["shoreline"]["standard_uncertainty_si"]) == pytest.approx(
        result["SHORELINE_SD_M"], rel=1e-9
    )
    assert rows["frustum_volume"]["standard_uncertainty"] == ""

    with paths["LAYERS"].open(encoding="utf-8", newline="") as file:
        layers = list(csv.DictReader(file))
    assert len(layers) == 6  # 29.5 ft in layers of 5 ft
    assert float(layers[1]["depth_from"]) == 5.0
    assert sum(float(row["volume_m3"]) for row in layers) == pytest.approx(result["VOLUME_M3"])

    page = paths["REPORT"].read_text(encoding="utf-8")
    HTMLParser().feed(page)
    assert "Summer &lt;pool&gt;" in page
    assert "29.5 ft" in page
    assert "acre-ft" in page
    pictures = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    assert len(pictures) == 2
    assert all(base64.b64decode(p).startswith(b"\x89PNG") for p in pictures)
    assert "Not for navigation" in page
    # One confidence: 95%, 1.96 times the standard uncertainty; a percent sign without a blank.
    half = re.search(r"<td>Volume</td><td>[^<]+</td><td>± ([\d.,]+) acre-ft</td>", page)[1]
    assert float(half.replace(",", "")) == pytest.approx(
        1.96 * result["VOLUME_SD_M3"] / ACRE / FOOT, rel=0.05
    )
    assert "standard uncertaint" not in page
    assert not re.search(r"\d %", page)
    assert "The lake covers" in feedback.text


def test_a_lower_level_in_metres(run, tmp_path, shoreline):
    result = statistics(
        run,
        paraboloid(tmp_path),
        shoreline,
        UNIT="m",
        LAKE_LEVEL=-1.8,
        LITTORAL_DEPTH=3.6,
        REPORT=str(tmp_path / "r.html"),
    )
    # Down a fifth of the greatest depth: 0.8 of the area, 0.64 of the volume.
    assert result["AREA_M2"] == pytest.approx(0.8 * TRUE_AREA, rel=1e-3)
    assert result["VOLUME_M3"] == pytest.approx(0.64 * TRUE_AREA * DEEPEST / 2, rel=1e-3)
    assert result["LITTORAL_PERCENT"] == pytest.approx(50.0, abs=0.1)
    # What is not known is empty, so that a model or script finds every number.
    assert result["SHORELINE_SD_M"] is None
    assert set(LakeStatistics.NUMBERS) <= set(result)
    assert "1.8 m below Summer" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_degrees_are_projected(run, tmp_path, memory_layer):
    import processing

    shoreline = memory_layer("Polygon", [shore().wkt])
    geographic = processing.run(
        "native:reprojectlayer",
        {"INPUT": shoreline, "TARGET_CRS": "EPSG:4326", "OUTPUT": "TEMPORARY_OUTPUT"},
    )["OUTPUT"]
    result = statistics(run, paraboloid(tmp_path), geographic)
    assert result["AREA_M2"] == pytest.approx(TRUE_AREA, rel=1e-4)


def test_refusals(run, tmp_path, memory_layer, shoreline):
    surface = paraboloid(tmp_path)
    with pytest.raises(QgsProcessingException, match="no water"):
        statistics(run, surface, shoreline, LAKE_LEVEL=-40)
    with pytest.raises(QgsProcessingException, match="land"):
        statistics(run, surface, shoreline, LAKE_LEVEL=1)
    with pytest.raises(QgsProcessingException, match="same lake"):
        statistics(run, surface, memory_layer("Polygon", ["POLYGON((0 0, 9 0, 9 9, 0 0))"]))
    bow = (
        "POLYGON((499800 5099800, 500200 5100200, 500200 5099800, 499800 5099900, 499800 5099800))"
    )
    with pytest.raises(QgsProcessingException, match="not valid"):
        statistics(run, surface, memory_layer("Polygon", [bow]))


def test_a_cancelled_run_leaves_nothing(run, tmp_path, shoreline, recorder):
    surface = paraboloid(tmp_path)
    report = tmp_path / "report.html"
    with pytest.raises(QgsProcessingException):
        statistics(run, surface, shoreline, recorder(cancel_at=30), REPORT=str(report))
    assert files_of(tmp_path) == ["paraboloid.tif"]
