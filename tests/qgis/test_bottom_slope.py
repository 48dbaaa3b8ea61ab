"""Bottom slope against GDAL's and QGIS's own slope."""

import numpy as np
import pytest
from osgeo import gdal, osr
from qgis.core import QgsProcessingException

SIZE = 40


@pytest.fixture
def depth_raster(tmp_path):
    """Write a raster of depth; returns its path."""

    def write(values, cell=2.0, epsg=32615, west=500000.0, north=5000000.0, descriptions=()):
        bands = np.atleast_3d(values) if np.ndim(values) == 2 else np.moveaxis(values, 0, -1)
        rows, cols, count = bands.shape
        path = str(tmp_path / f"depth_{epsg}_{cell}_{count}.tif")
        dataset = gdal.GetDriverByName("GTiff").Create(path, cols, rows, count, gdal.GDT_Float64)
        dataset.SetGeoTransform((west, cell, 0.0, north, 0.0, -cell))
        if epsg:
            srs = osr.SpatialReference()
            srs.ImportFromEPSG(epsg)
            dataset.SetProjection(srs.ExportToWkt())
        for i in range(count):
            band = dataset.GetRasterBand(i + 1)
            band.SetNoDataValue(-9999.0)
            band.WriteArray(np.where(np.isnan(bands[..., i]), -9999.0, bands[..., i]))
            if descriptions:
                band.SetDescription(descriptions[i])
        dataset = None
        return path

    return write


def bottom(cell=2.0):
    x, y = np.meshgrid(np.arange(SIZE) * cell, np.arange(SIZE) * cell)
    return 6.0 + 3.0 * np.tanh((x - 40.0) / 9.0) + np.sin(y / 11.0) + 0.002 * x * y


def read(path, band):
    dataset = gdal.Open(path)
    values = dataset.GetRasterBand(band).ReadAsArray().astype(float)
    return np.where(values == -9999.0, np.nan, values)


@pytest.mark.parametrize(
    ("method", "algorithm"), [("eight neighbors", "Horn"), ("four neighbors", "ZevenbergenThorne")]
)
@pytest.mark.parametrize(("band", "unit"), [(1, "degree"), (2, "percent")])
def test_agrees_with_gdal(run, depth_raster, tmp_path, method, algorithm, band, unit):
    path = depth_raster(bottom())
    result = run(
        "bottomslope", {"INPUT": path, "METHOD": method, "OUTPUT": str(tmp_path / "slope.tif")}
    )
    peer = str(tmp_path / "gdal.tif")
    gdal.DEMProcessing(peer, path, "slope", alg=algorithm, slopeFormat=unit)
    ours, theirs = read(result["OUTPUT"], band), read(peer, 1)
    assert (np.isnan(ours) == np.isnan(theirs)).all()
    # GDAL writes single precision.
    assert ours == pytest.approx(theirs, rel=1e-5, abs=1e-5, nan_ok=True)


def test_agrees_with_qgis(run, depth_raster, tmp_path):
    import processing

    path = depth_raster(bottom())
    ours = read(run("bottomslope", {"INPUT": path, "OUTPUT": str(tmp_path / "s.tif")})["OUTPUT"], 1)
    theirs = read(
        processing.run(
            "native:slope", {"INPUT": path, "Z_FACTOR": 1.0, "OUTPUT": str(tmp_path / "q.tif")}
        )["OUTPUT"],
        1,
    )
    # QGIS estimates the outer ring too, from fewer neighbours; there we give nothing.
    assert ours[1:-1, 1:-1] == pytest.approx(theirs[1:-1, 1:-1], rel=1e-5, abs=1e-4)
    assert np.isnan(ours[0]).all()


def test_numbers_of_a_plane(run, depth_raster, tmp_path):
    x, y = np.meshgrid(np.arange(SIZE) * 2.0, np.arange(SIZE) * 2.0)
    result = run(
        "bottomslope", {"INPUT": depth_raster(0.3 * x + 0.4 * y), "OUTPUT": str(tmp_path / "s.tif")}
    )
    # |(0.3, 0.4)| = 50 %.
    assert result["MAX_SLOPE"] == pytest.approx(50.0)
    assert result["MEAN_SLOPE"] == pytest.approx(50.0)


def test_degrees_are_projected(run, depth_raster, tmp_path, feedback):
    # 0.0001 degree of latitude is 11.13 m: a fall of 1 m a row is about 9 %, never 10 000.
    rows = np.repeat(np.arange(SIZE, dtype=float)[:, None], SIZE, axis=1)
    path = depth_raster(rows, cell=0.0001, epsg=4326, west=-93.0, north=45.0)
    result = run("bottomslope", {"INPUT": path, "OUTPUT": str(tmp_path / "s.tif")}, feedback)
    # A degree of latitude at 45 degrees is 111.132 km (WGS 84), the UTM scale there 0.9996.
    assert result["MEAN_SLOPE"] == pytest.approx(100.0 / (11.1132 * 0.9996), rel=0.02)
    assert "326" in feedback.text or "UTM" in feedback.text


def test_raster_without_crs_is_refused(run, depth_raster, tmp_path):
    target = tmp_path / "s.tif"
    with pytest.raises(QgsProcessingException, match=r"(?i)crs|coordinate reference"):
        run("bottomslope", {"INPUT": depth_raster(bottom(), epsg=None), "OUTPUT": str(target)})
    assert not target.exists()


def test_tiny_raster_is_refused(run, depth_raster, tmp_path):
    with pytest.raises(QgsProcessingException, match="3 x 3"):
        run(
            "bottomslope",
            {"INPUT": depth_raster(np.ones((2, 2))), "OUTPUT": str(tmp_path / "s.tif")},
        )


def test_raster_without_depths_has_no_slope(run, depth_raster, tmp_path):
    result = run(
        "bottomslope",
        {"INPUT": depth_raster(np.full((9, 9), np.nan)), "OUTPUT": str(tmp_path / "s.tif")},
    )
    assert result["MAX_SLOPE"] is None
    assert np.isnan(read(result["OUTPUT"], 1)).all()


def test_cancel_leaves_nothing(run, depth_raster, tmp_path, recorder):
    path = depth_raster(bottom())
    target = tmp_path / "out" / "s.tif"
    target.parent.mkdir()
    with pytest.raises(QgsProcessingException):
        run("bottomslope", {"INPUT": path, "OUTPUT": str(target)}, recorder(cancel_at=0))
    assert list(target.parent.iterdir()) == []
