"""Bottom forms as a user runs them."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsApplication,
    QgsExpression,
    QgsProcessingException,
    QgsRasterLayer,
    QgsVectorLayer,
)

sys.path.insert(0, str(Path(__file__).parent))
from lakes import UTM15, files_of

from lakefloor.algorithms import _styling
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.structure.structure_names import FORMS

CELL, ROWS, COLS = 4.0, 130, 200


def lake(folder, uncertainty=0.05, hump=3.0, bands=3):
    """A level floor at 8 m with a shore in the north, a hump in the west and a hole in the east."""
    grid = Grid(np.zeros((ROWS, COLS)), 500_000.0, 5_100_000.0, CELL, CELL)
    x, y = np.meshgrid(grid.x - grid.west, grid.north - grid.y)
    depth = 8.0 * np.tanh(y / 60.0) + 0.002 * y

    def bell(at):
        return np.exp(-0.5 * (((x - at) / 30.0) ** 2 + ((y - 300.0) / 30.0) ** 2))

    depth = depth - hump * bell(200.0) + 2.5 * bell(600.0)
    surface = [depth, np.full_like(depth, uncertainty), np.full_like(depth, 5.0)]
    path = folder / "lake.tif"
    write_raster(
        path,
        [grid.like(v) for v in surface[:bands]],
        BANDS[:bands],
        UTM15,
        {"DATUM_NAME": "Summer pool"},
    )
    return QgsRasterLayer(str(path), "lake")


def by_form(layer):
    forms = {}
    for feature in layer.getFeatures():
        forms.setdefault(feature["form"], []).append(feature)
    return forms


def test_objects_raster_and_numbers(run, tmp_path, feedback):
    raster = tmp_path / "forms.tif"
    result = run(
        "bottomforms",
        {"INPUT": lake(tmp_path), "OUTPUT": "TEMPORARY_OUTPUT", "OUTPUT_RASTER": str(raster)},
        feedback,
    )
    assert (result["HUMPS"], result["HOLES"], result["BASINS"]) == (1, 1, 1)
    assert (result["FINE_RADIUS_M"], result["BROAD_RADIUS_M"]) == (20.0, 100.0)
    forms = by_form(result["OUTPUT"])
    assert set(forms) <= set(FORMS)
    (hump,), (hole,) = forms["hump"], forms["hole"]
    # The formula: 8 tanh(5) + 0.6 - 3 = 5.60 m on the hump, + 2.5 m in the hole.
    assert hump["top_depth_m"] == pytest.approx(5.6, abs=0.05)
    assert hole["bottom_depth_m"] == pytest.approx(11.1, abs=0.05)
    assert hump["relief_m"] == pytest.approx(hump["saddle_depth_m"] - hump["top_depth_m"])
    assert np.hypot(hump["spot_x"] - 500_200.0, hump["spot_y"] - 5_099_700.0) < 6.0
    assert hump.geometry().area() == pytest.approx(hump["area_m2"])
    assert hump["name"] == "hump 1"
    assert 0.9 < hump["confidence"] <= 1.0
    assert "hump: 1" in feedback.text

    data = gdal.Open(str(raster))
    assert data.GetMetadata()["DATUM_NAME"] == "Summer pool"
    assert [data.GetMetadata()[f"FORM_{i}"] for i in range(1, 9)] == list(FORMS)
    codes = data.GetRasterBand(1).ReadAsArray()
    assert codes.shape == (ROWS, COLS)
    assert codes[75, 50] == 1 + FORMS.index("hump")
    assert codes[75, 150] == 1 + FORMS.index("hole")
    assert data.GetRasterBand(3).ReadAsArray()[75, 50] > 1.0


def test_uncertain_surface_shows_less(run, tmp_path):
    # 3 m and 2.5 m are less than 2 sqrt 2 times 1.1 m.
    result = run(
        "bottomforms", {"INPUT": lake(tmp_path, uncertainty=1.1), "OUTPUT": "TEMPORARY_OUTPUT"}
    )
    assert (result["HUMPS"], result["HOLES"]) == (0, 0)


def test_plain_raster_and_limits(run, tmp_path, feedback):
    raster = lake(tmp_path, bands=1)
    base = {"INPUT": raster, "OUTPUT": "TEMPORARY_OUTPUT"}
    assert run("bottomforms", base, feedback)["HUMPS"] == 1
    assert "roughness" in feedback.text
    assert run("bottomforms", {**base, "MIN_RELIEF": 5.0})["HUMPS"] == 0
    chosen = run("bottomforms", {**base, "FINE_RADIUS": 30.0, "BROAD_RADIUS": 90.0})
    assert (chosen["FINE_RADIUS_M"], chosen["BROAD_RADIUS_M"]) == (30.0, 90.0)
    assert run("bottomforms", {**base, "STEEP_SLOPE": 90.0})["STEEP_BREAKS"] == 0


def test_surface_made_from_soundings_chains(run, tmp_path, memory_layer):
    x, y = np.meshgrid(np.arange(0.0, 400.0, 8.0), np.arange(0.0, 400.0, 20.0))
    depth = 9.0 - 4.0 * np.exp(-((x - 200.0) ** 2 + (y - 200.0) ** 2) / (2 * 35.0**2))
    soundings = memory_layer(
        "Point",
        [f"POINT({500000 + a} {5100000 + b})" for a, b in zip(x.flat, y.flat)],
        fields="field=depth_m:double",
        rows=[[float(d)] for d in depth.flat],
    )
    surface = run("tinsurface", {"INPUT": soundings, "OUTPUT": str(tmp_path / "tin.tif")})
    forms = run("bottomforms", {"INPUT": surface["OUTPUT"], "OUTPUT": "TEMPORARY_OUTPUT"})
    (hump,) = by_form(forms["OUTPUT"])["hump"]
    assert hump["top_depth_m"] == pytest.approx(5.0, abs=0.3)


def test_no_depths_give_an_empty_layer(run, tmp_path, feedback):
    path = tmp_path / "empty.tif"
    write_raster(
        path, [Grid(np.full((30, 30), np.nan), 5e5, 5.1e6, CELL, CELL)], ("depth (m)",), UTM15, {}
    )
    result = run(
        "bottomforms",
        {"INPUT": QgsRasterLayer(str(path), "empty"), "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert result["OUTPUT"].featureCount() == 0
    assert result["OUTPUT"].fields().indexFromName("relief_m") >= 0
    assert "No form" in feedback.text


def test_broad_radius_below_the_fine_one_is_refused(run, tmp_path):
    with pytest.raises(QgsProcessingException, match="broad radius"):
        run(
            "bottomforms",
            {
                "INPUT": lake(tmp_path),
                "OUTPUT": "TEMPORARY_OUTPUT",
                "FINE_RADIUS": 50.0,
                "BROAD_RADIUS": 20.0,
            },
        )


def test_fine_radius_below_a_cell_is_refused(run, tmp_path):
    with pytest.raises(QgsProcessingException, match="smaller than a cell"):
        run(
            "bottomforms",
            {"INPUT": lake(tmp_path), "OUTPUT": "TEMPORARY_OUTPUT", "FINE_RADIUS": 1.0},
        )


def test_cancel_leaves_nothing(run, tmp_path, recorder):
    raster = lake(tmp_path)
    folder = tmp_path / "out"
    folder.mkdir()
    with pytest.raises(QgsProcessingException):
        run(
            "bottomforms",
            {
                "INPUT": raster,
                "OUTPUT": str(folder / "forms.gpkg"),
                "OUTPUT_RASTER": str(folder / "forms.tif"),
            },
            recorder(cancel_at=20),
        )
    assert files_of(folder) == []


def test_styles_name_every_form(run, tmp_path):
    target, raster = tmp_path / "forms.gpkg", tmp_path / "forms.tif"
    run(
        "bottomforms",
        {"INPUT": lake(tmp_path), "OUTPUT": str(target), "OUTPUT_RASTER": str(raster)},
    )
    layer = QgsVectorLayer(str(target), "forms")
    _styling.apply_style(layer, "bottom_forms", unit="ft")
    assert {c.value() for c in layer.renderer().categories()} == set(FORMS)
    settings = layer.labeling().settings()
    expression = QgsExpression(settings.fieldName)
    context = layer.createExpressionContext()
    texts = []
    for feature in layer.getFeatures():
        context.setFeature(feature)
        expression.prepare(context)
        texts.append(expression.evaluate(context))
    # 5.6 m are 18.4 ft.
    assert any(text.startswith("hump 1, 18.") and text.endswith(" ft") for text in texts)
    assert "basin 1" in texts
    codes = QgsRasterLayer(str(raster), "codes")
    _styling.apply_style(codes, "bottom_form_codes")
    assert [c.label for c in codes.renderer().classes()] == list(FORMS)


def test_every_parameter_has_help(provider):
    algorithm = QgsApplication.processingRegistry().algorithmById("lakefloor:bottomforms")
    assert all(
        parameter.help()
        for parameter in algorithm.parameterDefinitions()
        if not parameter.isDestination()
    )
    assert all(form in algorithm.shortHelpString() for form in FORMS)
