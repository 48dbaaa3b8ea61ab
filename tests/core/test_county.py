"""The county of lakes (example_project/county): its settings, shapes and files, without QGIS."""

import importlib
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Point

COUNTY = Path(__file__).resolve().parents[2] / "example_project" / "county"


def load(name):
    sys.path.insert(0, str(COUNTY))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(COUNTY))


settings, shapes, report, make_lakes = map(load, ("settings", "shapes", "report", "make_lakes"))

GOOD = "model:\n  LOG_FOLDER: logs\n  SHORELINE: shore.gpkg\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "shore.gpkg").touch()
    return tmp_path


def _read(folder, text):
    (folder / "lake.yaml").write_text(text, encoding="utf-8")
    return settings.read(folder)


def test_settings_find_the_files_of_the_lake(folder):
    read = _read(folder, GOOD + "  DRAFT: 0.4\n  GAUGE:\n  TITLE: 12\nshoreline_crs: EPSG:32615\n")
    assert read == {
        "model": {
            "LOG_FOLDER": folder / "logs",
            "SHORELINE": folder / "shore.gpkg",
            "DRAFT": 0.4,
            "TITLE": "12",
        },
        "shoreline_crs": "EPSG:32615",
    }


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("model: [", "lake.yaml is not valid YAML, line 1. Correct it, then run again."),
        ("- model\n", "lake.yaml has no parameters under 'model'."),
        ("model: 3\n", "lake.yaml has no parameters under 'model'."),
        ("model:\n  LOG_FOLDER: logs\n", "lake.yaml gives no SHORELINE under 'model'. Add it."),
        (GOOD + "gauge: x\n", "'gauge' of lake.yaml is not known. There are model, "),
        (GOOD + "  DRAFFT: 1\n", "'DRAFFT' of 'model' in lake.yaml is not known."),
        (GOOD + "  DRAFT: deep\n", "DRAFT in lake.yaml is 'deep', which is not a number."),
        (GOOD + "  DRAFT: yes\n", "DRAFT in lake.yaml is 'True', which is not a number."),
        (GOOD + "  GAUGE: g.csv\n", "The file 'g.csv' that lake.yaml gives as GAUGE is missing."),
        (GOOD.replace("logs", "log"), "The folder 'log' that lake.yaml gives as LOG_FOLDER is"),
    ],
)
def test_settings_that_cannot_be_used_are_refused_in_one_sentence(folder, text, sentence):
    with pytest.raises(settings.LakeError, match=re.escape(sentence)):
        _read(folder, text)


def test_a_lake_without_settings_is_refused(folder):
    with pytest.raises(settings.LakeError, match=r"There is no lake\.yaml in"):
        settings.read(folder)


@pytest.mark.parametrize("lake", shapes.COUNTY, ids=lambda lake: lake.key)
def test_shores_and_distances_are_those_of_shapely(lake):
    polygon = lake.polygon
    assert polygon.is_valid
    assert len(polygon.interiors) == len(lake.islands)
    cell = np.sqrt(polygon.area / 20000.0)
    x, y, depth = lake.sample(cell)
    assert len(x) * cell**2 == pytest.approx(polygon.area, rel=5e-3)
    assert depth.min() > 0.0
    rng = np.random.default_rng(1)
    for i in rng.choice(len(x), 60, replace=False):
        point = Point(x[i], y[i])
        assert polygon.contains(point)
        assert float(lake.to_shore(x[i], y[i])) == pytest.approx(
            polygon.boundary.distance(point), abs=1e-6
        )


def test_the_county_has_a_dozen_lakes_thirty_times_apart_in_size():
    areas = [lake.polygon.area for lake in shapes.COUNTY]
    assert len({lake.key for lake in shapes.COUNTY}) == len({x.place for x in shapes.COUNTY}) == 12
    assert max(areas) / min(areas) > 30.0


def test_the_boat_stays_in_the_water_and_goes_everywhere():
    for lake in shapes.COUNTY:
        for run in make_lakes.courses(lake):
            assert (lake.depth_m(*make_lakes.boat.densify(run, 5.0).T) > 0.4).all()
            assert lake.polygon.contains(Point(run[0]))


def test_files_come_out_alike_and_settings_can_be_read(tmp_path):
    lake = shapes.COUNTY[3]
    files = make_lakes.build(lake)
    assert files == make_lakes.build(lake)
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    read = settings.read(tmp_path)
    assert read["truth"]["area_m2"] == pytest.approx(lake.polygon.area, abs=1.0)
    assert read["shoreline_crs"] == "EPSG:32615"


def _lake(**figures):
    square = [[[0, 0], [100, 0], [100, 50], [0, 50], [0, 0]]]
    return {
        "lake": "a", "title": "A <b>", "error": None,
        "area_m2": 5000.0, "area_m2_sd": 50.0,
        "volume_m3": 12334.8184, "volume_m3_sd": 123.348184, "max_depth_m": 6.096,
        "mean_depth_m": 3.048, "mapped_percent": 100.0, "accepted": 1234, "warnings": [],
        "supported_percent": None, "uncertainty_m": 0.1, "true_volume_m3": 12000.0,
        "outline": {"size": [100, 50], "areas": [[0.0, square]]}, **figures,
    }  # fmt: skip


def test_the_page_says_the_figures_in_its_unit():
    broken = {"lake": "b", "title": "B", "error": "The file 'x' is missing. Add it."}
    lakes = [report.completed(lake) for lake in (_lake(), _lake(mapped_percent=40.0), broken)]
    assert [lake["result"] for lake in lakes] == ["mapped", "mapped in part", "not mapped"]
    page = report.page(lakes, "feet")
    assert "2 of 3 lakes are mapped." in page
    assert "<td>10</td><td>± 2.0%</td><td>20.0</td><td>10.0</td>" in page
    assert "A &lt;b&gt;" in page
    assert "A <b>" not in page
    assert "Only 40% of the lake has a depth." in page
    assert "The file &#x27;x&#x27; is missing. Add it." in page
    metric = report.page(lakes, "meters")
    assert "<td>0.5</td><td>12</td><td>± 2.0%</td><td>6.1</td><td>3.0</td>" in metric
    nothing = report.page([report.completed(broken)], "feet")
    assert "No lake is mapped." in nothing


def test_errors_against_the_truth():
    lake = report.completed(_lake(true_area_m2=4000.0, true_max_depth_m=6.0))
    assert lake["volume_error_percent"] == pytest.approx(100.0 * (12334.8184 / 12000.0 - 1.0))
    assert lake["area_error_percent"] == pytest.approx(25.0)
    assert lake["max_depth_error_m"] == pytest.approx(0.096)


def test_colors_run_from_the_first_to_the_last():
    assert report.color(0.0) == report.RAMP[0]
    assert report.color(1.0) == report.color(7.0) == report.RAMP[-1]


def test_the_picture_has_north_up_and_the_longer_side_fills_it():
    svg = report.picture(_lake(), 10.0)
    assert 'viewBox="0 0 210 110"' in svg
    assert "M5.0,105.0 205.0,105.0 205.0,5.0 5.0,5.0" in svg
