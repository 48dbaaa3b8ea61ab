"""The beam from its width, found or given, through the lake database, to the surface."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException

from lakefloor.algorithms.core.soundings import Soundings

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "core"))
from test_beam_width import bottom, poles, survey

EAST, NORTH = 481_000.0, 5_210_000.0
FIELDS = (
    "field=depth_m:double&field=uncert_m:double&field=lane:integer&field=visit:string"
    "&field=status:string&field=corrections:string"
)
TEMPORARY = "TEMPORARY_OUTPUT"


@pytest.fixture(scope="module")
def heard() -> Soundings:
    return survey(20.0, seed=7)


@pytest.fixture
def layer_of(memory_layer, heard):
    def make(corrections):
        return memory_layer(
            "Point",
            [f"POINT({x + EAST} {y + NORTH})" for x, y in zip(heard.x, heard.y)],
            "EPSG:32615",
            FIELDS,
            [
                [float(d), 0.05, int(lane), "May", "accepted", corrections]
                for d, lane in zip(heard.depth, heard.lane)
            ],
        )

    return make


@pytest.fixture
def soundings(layer_of):
    return layer_of("draft_m=0;datum=pool;level_m=0")


def read(path):
    dataset = gdal.Open(path)
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    bands = [dataset.GetRasterBand(n).ReadAsArray().astype(float) for n in (1, 2)]
    rows, cols = np.indices(bands[0].shape)
    x, y = west + (cols + 0.5) * dx - EAST, north + (rows + 0.5) * dy - NORTH
    wet = bands[0] > -1000.0
    return bands[0], bands[1], bottom(x, y), wet


def steep(truth):
    return np.hypot(*np.gradient(truth, 2.5)) > 0.2


@pytest.mark.parametrize("name", ["tinsurface", "idwsurface", "smoothsurface"])
def test_slopes_are_right_where_the_width_is_given(run, soundings, feedback, tmp_path, name):
    bias = {}
    for width in (None, 0.0, 20.0):
        made = str(tmp_path / f"{name} {width}.tif")
        run(
            name,
            {"INPUT": soundings, "CELL_SIZE": 2.5, "BEAM_WIDTH": width, "OUTPUT": made},
            feedback,
        )
        depth, sd, truth, wet = read(made)
        on = wet & steep(truth)
        bias[width] = np.mean((depth - truth)[on]), np.median(sd[on])
    assert bias[None][0] == pytest.approx(bias[0.0][0])
    assert bias[0.0][0] < -0.25
    assert abs(bias[20.0][0]) < 0.1
    # What is not known is allowed for, what is known to be nothing is not.
    assert bias[None][1] > bias[0.0][1]
    assert "The beam of 20 degrees is undone" in feedback.text
    assert "The beam width of the sounder is not known (2,7" in feedback.text


def test_correct_depths_notes_the_width(run, layer_of):
    soundings = layer_of("")
    corrected = run(
        "correctdepths", {"INPUT": soundings, "BEAM_WIDTH": 20.0, "DRAFT": 0.0, "OUTPUT": TEMPORARY}
    )["OUTPUT"]
    rows = list(corrected.getFeatures())
    assert all("beam_deg=20" in row["corrections"] for row in rows)
    plain = run("correctdepths", {"INPUT": soundings, "DRAFT": 0.0, "OUTPUT": TEMPORARY})["OUTPUT"]
    # The width is a fact of the sounder: no depth changes by it.
    assert [row["depth_m"] for row in rows] == [row["depth_m"] for row in plain.getFeatures()]


def test_the_log_book_states_the_width(run, soundings, tmp_path):
    store = str(tmp_path / "lake.gpkg")
    run(
        "addtodatabase",
        {
            "INPUT": soundings,
            "DATABASE": store,
            "BEAM_WIDTH": 14.0,
            "FINDINGS": "enter all the same",
        },
    )
    found = run("readdatabase", {"DATABASE": store, "OUTPUT": TEMPORARY})["OUTPUT"]
    assert {"beam_deg=14" in f["corrections"] for f in found.getFeatures()} == {True}


def test_places_then_depths_then_the_width(run, soundings, memory_layer, feedback):
    first = run("findbeamwidth", {"INPUT": soundings, "PLACES": TEMPORARY}, feedback)
    assert first["BEAM_WIDTH"] is None
    places = list(first["PLACES"].getFeatures())
    assert [p["name"] for p in places] == [f"Steep {n}" for n in range(1, 8)] + [
        f"Flat {n}" for n in range(8, 11)
    ]
    assert all(p["depth_m"] <= 10.0 for p in places)
    assert "Places to measure: 10" in feedback.text

    class Where:
        x = np.array([p.geometry().asPoint().x() - EAST for p in places] * 3)
        y = np.array([p.geometry().asPoint().y() - NORTH for p in places] * 3)

    x, y, depth = poles(Where, 3)
    layer = memory_layer(
        "Point",
        [f"POINT({a + EAST} {b + NORTH})" for a, b in zip(x, y)],
        "EPSG:32615",
        "field=feet:double",
        [[float(d) / 0.3048] for d in depth],
    )
    found = run(
        "findbeamwidth",
        {
            "INPUT": soundings,
            "MEASURED": layer,
            "DEPTH_FIELD": "feet",
            "LAKE_LEVEL": 0.0,
            "COMPARED": TEMPORARY,
        },
        feedback,
    )
    assert found["MIN_WIDTH"] <= 20.0
    assert found["MAX_WIDTH"] is None or found["MAX_WIDTH"] >= 20.0
    assert 10.0 < found["BEAM_WIDTH"] < 35.0
    assert found["MEASURED_USED"] == 30
    rows = list(found["COMPARED"].getFeatures())
    assert len(rows) == 30
    off = [r["measured_m"] - r["undone_m"] for r in rows]
    assert abs(np.mean(off)) < abs(np.mean([r["measured_m"] - r["sounded_m"] for r in rows]))


def test_measured_depths_want_their_field(run, soundings):
    with pytest.raises(QgsProcessingException, match="Choose the field of the measured depths"):
        run("findbeamwidth", {"INPUT": soundings, "MEASURED": soundings, "PLACES": TEMPORARY})


def test_a_negative_depth_is_named(run, soundings, memory_layer):
    layer = memory_layer(
        "Point", [f"POINT({EAST} {NORTH})"], "EPSG:32615", "field=feet:double", [[-3.0]]
    )
    with pytest.raises(QgsProcessingException, match="row 1: field 'feet' holds a negative depth"):
        run("findbeamwidth", {"INPUT": soundings, "MEASURED": layer, "DEPTH_FIELD": "feet"})
