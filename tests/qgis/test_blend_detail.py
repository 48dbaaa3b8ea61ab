"""Blend a survey into an older map, in the real QGIS."""

import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsRasterLayer, QgsVectorLayer

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
sys.path[:0] = [str(EXAMPLE), str(Path(__file__).resolve().parent)]
import truth
from lakes import UTM15, files_of

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import Grid, empty_grid

DATUM = {"DEPTH_UNIT": "m", "DATUM_NAME": "summer level", "DATUM_ELEVATION_M": 364.25}


@pytest.fixture(scope="module")
def lake():
    grid = empty_grid(truth.shoreline_polygon().bounds, 4.0)
    return grid.like(truth.depth_m(*np.meshgrid(grid.x, grid.y)))


@pytest.fixture
def detail(provider, lake, tmp_path_factory):
    """The western half, as a surface."""
    x, _ = np.meshgrid(lake.x, lake.y)
    depth = np.where(x < truth.ORIGIN[0], lake.values, np.nan)
    known = np.isfinite(depth)
    sigma, distance = (np.where(known, value, np.nan) for value in (0.1, 4.0))
    bands = [lake.like(v) for v in (depth, sigma, distance)]
    path = tmp_path_factory.mktemp("detail") / "detail.tif"
    write_raster(path, bands, BANDS, UTM15, DATUM)
    return QgsRasterLayer(str(path), "detail")


@pytest.fixture
def raster(provider, lake, tmp_path_factory):
    """A raster of the whole lake, 1.1 times too deep and 0.3 m more."""
    path = tmp_path_factory.mktemp("general") / "general.tif"
    write_raster(
        path, [lake.like(1.1 * lake.values + 0.3)], ["depth"], UTM15, {"DATUM_NAME": "winter level"}
    )
    return QgsRasterLayer(str(path), "general")


@pytest.fixture
def contours(provider):
    return QgsVectorLayer(str(EXAMPLE / "old_contours.geojson"), "old contours", "ogr")


@pytest.fixture
def shoreline(memory_layer):
    return memory_layer("Polygon", [truth.shoreline_polygon().wkt])


def read(path):
    dataset = gdal.Open(path)
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    bands = []
    for number in range(1, dataset.RasterCount + 1):
        band = dataset.GetRasterBand(number)
        values = band.ReadAsArray().astype(float)
        values[values == band.GetNoDataValue()] = np.nan
        bands.append(Grid(values, west, north, dx, -dy))
    return dataset, bands


def test_old_contours_of_the_example_lake(run, feedback, detail, contours, shoreline, tmp_path):
    result = run(
        "blendsurvey",
        {
            "INPUT": detail,
            "OLDER_CONTOURS": contours,
            "DEPTH_FIELD": "depth_ft",
            "SHORELINE": shoreline,
            "OUTPUT": str(tmp_path / "blend.tif"),
            "DIFFERENCE": str(tmp_path / "difference.tif"),
            "REPORT": str(tmp_path / "report.html"),
        },
        feedback,
    )
    dataset, (depth, sigma, distance) = read(result["OUTPUT"])
    assert [dataset.GetRasterBand(i).GetDescription() for i in (1, 2, 3)] == list(BANDS)
    assert dataset.GetMetadata()["DATUM_NAME"] == "summer level"
    x, y = np.meshgrid(depth.x, depth.y)
    error = depth.values - truth.depth_m(x, y)
    surveyed = x < truth.ORIGIN[0]
    assert np.nanmax(np.abs(error[surveyed & np.isfinite(distance.values)])) < 2.0
    assert np.nanmedian(np.abs(error[surveyed])) < 1e-6
    # As drawn the map errs by 0.68 m beyond; this half does not tell its bias for the whole lake.
    assert np.sqrt(np.nanmean(error[~surveyed] ** 2)) < 0.68
    assert result["RMSE_AFTER"] <= result["RMSE_BEFORE"]
    assert result["TRANSITION_WIDTH_USED"] == pytest.approx(32.0)
    assert (np.isfinite(sigma.values) == np.isfinite(depth.values)).all()
    _, (difference,) = read(result["DIFFERENCE"])
    squares = difference.values[np.isfinite(difference.values)] ** 2
    assert np.sqrt(squares.mean()) == pytest.approx(result["RMSE_BEFORE"], rel=0.01)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for text in (
        "How good was the older map", "scale", f"{result['SCALE']:.3f} \u00b1",
        "independent samples",
        "not significant, not removed", "data:image/png", "(ft)",
    ):  # fmt: skip
        assert text in page
    assert "m as given" in feedback.text
    assert files_of(tmp_path) == ["blend.tif", "difference.tif", "report.html"]


def test_a_raster_of_known_bias(run, feedback, detail, raster, lake, tmp_path):
    result = run(
        "blendsurvey",
        {
            "INPUT": detail,
            "OLDER_RASTER": raster,
            "TRANSITION_WIDTH": 50.0,
            "OUTPUT": str(tmp_path / "blend.tif"),
        },
        feedback,
    )
    _, (depth, *_) = read(result["OUTPUT"])
    assert (result["OFFSET"], result["SCALE"]) == pytest.approx((0.3, 1.1), abs=1e-5)
    assert np.nanmax(np.abs(depth.values - lake.values)) < 1e-5
    assert result["TRANSITION_WIDTH_USED"] == 50.0
    assert "at the datum 'summer level', the older map at 'winter level'" in feedback.text
    assert files_of(tmp_path) == ["blend.tif"]


def test_what_is_missing_or_wrong_is_said(run, detail, raster, contours, memory_layer, tmp_path):
    text = memory_layer(
        "LineString", ["LINESTRING(0 0, 9 9)"], fields="field=note:string", rows=[["deep"]]
    )
    elsewhere = QgsRasterLayer(raster.source(), "elsewhere")
    from qgis.core import QgsCoordinateReferenceSystem

    elsewhere.setCrs(QgsCoordinateReferenceSystem("EPSG:32616"))
    for change, message in (
        ({}, "map is missing. Give either a raster or contours"),
        (
            {"OLDER_RASTER": raster, "OLDER_CONTOURS": contours, "DEPTH_FIELD": "depth_ft"},
            "is given twice",
        ),
        ({"OLDER_CONTOURS": contours}, "Choose the field"),
        ({"OLDER_CONTOURS": text, "DEPTH_FIELD": "note"}, "have no depth"),
        ({"OLDER_CONTOURS": contours, "DEPTH_FIELD": "source"}, "have no depth"),
        ({"OLDER_RASTER": elsewhere}, "Warp 'elsewhere' to EPSG:32615"),
        ({"OLDER_RASTER": raster, "INPUT": raster}, "no bands of uncertainty"),
        ({"OLDER_RASTER": raster, "TRANSITION_WIDTH": 0.0}, "above 0 m"),
    ):
        with pytest.raises(QgsProcessingException, match=message):
            run("blendsurvey", {"INPUT": detail, "OUTPUT": str(tmp_path / "b.tif"), **change})
    assert not list(tmp_path.iterdir())


def test_cancel_leaves_nothing(run, recorder, detail, raster, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "blendsurvey",
            {"INPUT": detail, "OLDER_RASTER": raster, "OUTPUT": str(tmp_path / "b.tif")},
            recorder(cancel_at=30),
        )
    assert not list(tmp_path.iterdir())
