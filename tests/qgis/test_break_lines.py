"""Break-lines as a user runs them."""

import numpy as np
import pytest
from osgeo import gdal, osr
from qgis.core import QgsApplication, QgsProcessingException, QgsRasterLayer, QgsVectorLayer

from lakefloor.algorithms._io.rasters import BANDS

SIZE, CELL = 100, 2.0


@pytest.fixture
def depth_raster(tmp_path):
    """Write bands of depth and more as a raster layer."""

    def write(*bands, descriptions=None, epsg=32615, cell=CELL, west=500000.0, north=5000200.0):
        path = str(tmp_path / "depth.tif")
        rows, cols = bands[0].shape
        dataset = gdal.GetDriverByName("GTiff").Create(
            path, cols, rows, len(bands), gdal.GDT_Float32
        )
        dataset.SetGeoTransform((west, cell, 0.0, north, 0.0, -cell))
        srs = osr.SpatialReference()
        srs.ImportFromEPSG(epsg)
        dataset.SetProjection(srs.ExportToWkt())
        for i, values in enumerate(bands):
            band = dataset.GetRasterBand(i + 1)
            band.SetNoDataValue(-9999.0)
            band.WriteArray(np.where(np.isnan(values), -9999.0, values))
            if descriptions:
                band.SetDescription(descriptions[i])
        dataset = None
        layer = QgsRasterLayer(path, "depth")
        assert layer.isValid()
        return layer

    return write


def face(height=4.0, width=10.0):
    """A face along the middle of the grid, falling eastwards."""
    x, _ = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    return 5.0 + height / 2.0 * np.tanh((x + 0.5 - SIZE / 2.0) * CELL / width)


def features(layer):
    return {feature["kind"]: feature for feature in layer.getFeatures()}


def test_three_lines_with_their_attributes(run, depth_raster):
    result = run("breaklines", {"INPUT": depth_raster(face()), "OUTPUT": "TEMPORARY_OUTPUT"})
    layer = result["OUTPUT"]
    assert layer.crs().authid() == "EPSG:32615"
    assert result["DROP_OFFS"] == 1
    found = features(layer)
    assert sorted(found) == ["crest", "steepest", "toe"]
    # tanh face: crest and toe lie atanh(1 / sqrt 3) w = 6.58 m either side (calculus).
    for kind, x in (("crest", -6.58479), ("steepest", 0.0), ("toe", 6.58479)):
        box = found[kind].geometry().boundingBox()
        assert box.center().x() == pytest.approx(500100.0 + x, abs=1.0)
        assert box.height() > 180.0
        assert found[kind]["length_m"] == pytest.approx(found[kind].geometry().length(), rel=1e-6)
        assert found[kind]["slope_max_pct"] == pytest.approx(20.0, rel=0.1)
        assert found[kind]["height_m"] == pytest.approx(4.0 / np.sqrt(3.0), rel=0.1)
        assert found[kind]["drop_off"] == 1
        assert 0.9 < found[kind]["confidence"] <= 1.0
    assert result["LENGTH_M"] == pytest.approx(found["steepest"]["length_m"])


def test_bands_of_a_surface_are_used(run, depth_raster):
    depth = face()
    doubtful = depth_raster(
        depth, np.full_like(depth, 1.5), np.full_like(depth, 2.0), descriptions=BANDS
    )
    result = run("breaklines", {"INPUT": doubtful, "OUTPUT": "TEMPORARY_OUTPUT"})
    # erf(2.309 / (2 sqrt 2 sqrt 2 1.5)) = erf(0.385) = 0.414 (table of the error function).
    assert features(result["OUTPUT"])["crest"]["confidence"] == pytest.approx(0.414, abs=0.03)


def test_file_is_complete_and_nothing_else_is_left(run, depth_raster, tmp_path):
    target = tmp_path / "break_lines.gpkg"
    run("breaklines", {"INPUT": depth_raster(face()), "OUTPUT": str(target)})
    layer = QgsVectorLayer(str(target), "lines")
    assert layer.featureCount() == 3
    assert {path.suffix for path in tmp_path.iterdir()} <= {".tif", ".gpkg", ".xml"}


def test_flat_bottom_gives_an_empty_layer_and_a_message(run, depth_raster, feedback):
    result = run(
        "breaklines",
        {"INPUT": depth_raster(np.full((SIZE, SIZE), 5.0)), "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert result["OUTPUT"].featureCount() == 0
    assert result["OUTPUT"].fields().indexFromName("height_m") >= 0
    assert (result["DROP_OFFS"], result["LENGTH_M"]) == (0, 0.0)
    assert "No drop-off" in feedback.text


def test_raster_without_depths_gives_an_empty_layer(run, depth_raster):
    empty = depth_raster(np.full((SIZE, SIZE), np.nan))
    result = run("breaklines", {"INPUT": empty, "OUTPUT": "TEMPORARY_OUTPUT"})
    assert result["DROP_OFFS"] == 0


def test_limits_and_scale_are_passed_on(run, depth_raster):
    raster = depth_raster(face())

    def count(**limits):
        return run("breaklines", {"INPUT": raster, "OUTPUT": "TEMPORARY_OUTPUT", **limits})[
            "DROP_OFFS"
        ]

    assert count(MIN_SLOPE=25.0) == 0
    assert count(MIN_HEIGHT=3.0) == 0
    assert count(MIN_LENGTH=300.0) == 0
    assert count(SMOOTHING_SCALE=3.0) == 1
    assert count(SMOOTHING_SCALE=40.0) == 0


def test_degrees_are_projected(run, depth_raster, feedback):
    # 0.00002 degrees are 2.2 m of latitude and 1.6 m of longitude at 45 degrees.
    raster = depth_raster(face(), epsg=4326, cell=0.00002, west=-93.0, north=45.0)
    result = run("breaklines", {"INPUT": raster, "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert result["DROP_OFFS"] == 1
    assert not result["OUTPUT"].crs().isGeographic()
    length = features(result["OUTPUT"])["steepest"]["length_m"]
    assert length == pytest.approx(SIZE * 2.22264, rel=0.1)


def test_cancel_leaves_nothing(run, depth_raster, tmp_path, recorder):
    raster = depth_raster(face())
    target = tmp_path / "out" / "lines.gpkg"
    target.parent.mkdir()
    with pytest.raises(QgsProcessingException):
        run("breaklines", {"INPUT": raster, "OUTPUT": str(target)}, recorder(cancel_at=20))
    assert list(target.parent.iterdir()) == []


@pytest.mark.parametrize("name", ["MIN_SLOPE", "MIN_HEIGHT", "MIN_LENGTH"])
def test_limits_of_zero_are_refused(run, depth_raster, name):
    with pytest.raises(QgsProcessingException):
        run("breaklines", {"INPUT": depth_raster(face()), "OUTPUT": "TEMPORARY_OUTPUT", name: 0.0})


def test_every_parameter_has_help(provider):
    algorithm = QgsApplication.processingRegistry().algorithmById("lakefloor:breaklines")
    assert all(
        parameter.help()
        for parameter in algorithm.parameterDefinitions()
        if not parameter.isDestination()
    )
    assert "crest" in algorithm.shortHelpString()
