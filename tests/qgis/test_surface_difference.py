"""Difference of two surfaces in the real QGIS, against GDAL."""

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsRasterLayer

from lakefloor.algorithms import _styling
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS, CHANGE_BANDS
from lakefloor.algorithms.core.grid import empty_grid

WEST, SOUTH = 499_900.0, 5_099_950.0
DATUM = {"DATUM_NAME": "summer level", "DATUM_ELEVATION_M": "364.25"}


def bottom(x, y):
    return 6.0 + 0.02 * (x - WEST) + np.sin((x - WEST) / 23.0) * np.cos((y - SOUTH) / 17.0)


@pytest.fixture
def raster(tmp_path, qgis_app):
    from qgis.core import QgsCoordinateReferenceSystem

    def make(name, depth=bottom, cell=2.0, bands=3, metadata=DATUM, crs="EPSG:32615"):
        grid = empty_grid((WEST, SOUTH, WEST + 200.0, SOUTH + 100.0), cell)
        z = depth(*np.meshgrid(grid.x, grid.y))
        grids = [grid.like(z), grid.like(z * 0.0 + 0.05), grid.like(z * 0.0 + 5.0)][:bands]
        path = tmp_path / f"{name}.tif"
        write_raster(path, grids, BANDS[:bands], QgsCoordinateReferenceSystem(crs), metadata)
        return QgsRasterLayer(str(path), name)

    return make


def read(path):
    dataset = gdal.Open(path)
    bands = [dataset.GetRasterBand(i + 1) for i in range(dataset.RasterCount)]
    values = [
        np.where(b.ReadAsArray() == b.GetNoDataValue(), np.nan, b.ReadAsArray()) for b in bands
    ]
    return dataset, [b.GetDescription() for b in bands], values


def test_a_bottom_raised_by_a_fifth_of_a_metre(run, feedback, raster, tmp_path):
    newer, older = raster("newer", lambda x, y: bottom(x, y) - 0.2), raster("older")
    path = str(tmp_path / "change.tif")
    result = run(
        "surfacedifference",
        {"INPUT": newer, "OLDER_SURFACE": older, "DATUM_UNCERTAINTY": 0.0, "OUTPUT": path},
        feedback,
    )
    # 200 m x 100 m on the map; lengths there are 0.9996 of the true ones.
    area = 200.0 * 100.0 / 0.9996**2
    assert result["AREA_M2"] == pytest.approx(area, rel=1e-6)
    assert result["LOST_M3"] == pytest.approx(0.2 * area, rel=1e-5)
    assert result["NET_M3"] == pytest.approx(-0.2 * area, rel=1e-5)
    assert result["GAINED_M3"] == 0.0
    assert result["SHALLOWER_M2"] == pytest.approx(area, rel=1e-6)
    assert result["MEAN_CHANGE_M"] == pytest.approx(-0.2, abs=1e-6)
    # 0.05 m each; alike within circles of four times the 5 m to the nearest sounding.
    assert result["NET_SD_M3"] == pytest.approx(
        np.sqrt(np.pi * 20.0**2 * area * 2 * 0.05**2), rel=1e-5
    )
    dataset, names, (change, sigma, sign) = read(path)
    assert names == list(CHANGE_BANDS)
    assert dataset.GetMetadata()["DATUM_NAME"] == "summer level"
    np.testing.assert_allclose(change, -0.2, atol=2e-6)
    np.testing.assert_allclose(sigma, np.sqrt(2) * 0.05, rtol=1e-6)
    assert (sign == -1).all()
    assert "Check the lake levels and datums" in feedback.text
    assert "Apart from this shift, no patch" in feedback.text
    assert (result["PATCH_COUNT"], result["MAIN_PATCH_M3"]) == (0, None)
    assert result["SHIFT_M"] == pytest.approx(-0.2, abs=1e-6)
    assert "acre-feet" in feedback.text


def test_change_is_that_of_the_raster_calculator_of_qgis(run, raster, tmp_path):
    import processing

    newer = raster("newer", lambda x, y: bottom(x, y) + 0.3 * np.sin(x / 40.0))
    older = raster("older")
    path = str(tmp_path / "change.tif")
    run("surfacedifference", {"INPUT": newer, "OLDER_SURFACE": older, "OUTPUT": path})
    expected = processing.run(
        "gdal:rastercalculator",
        {
            "INPUT_A": newer,
            "BAND_A": 1,
            "INPUT_B": older,
            "BAND_B": 1,
            "FORMULA": "A-B",
            "RTYPE": 5,
            "OUTPUT": str(tmp_path / "calculated.tif"),
        },
    )["OUTPUT"]
    _, _, (reference,) = read(expected)
    _, _, (change, _, sign) = read(path)
    np.testing.assert_allclose(change, reference, atol=2e-6)
    # The normal distribution's two-sided 95 % point, 1.959964 (any statistical table).
    limit = 1.959964 * np.sqrt(2 * 0.05**2 + 2 * 0.03**2)
    np.testing.assert_array_equal(sign, np.sign(reference) * (np.abs(reference) > limit))


def test_finer_surface_is_resampled_as_gdal_does_it(run, feedback, raster, tmp_path):
    # At the centre of 5 x 5 cells bilinear interpolation gives the middle one, as GDAL picks it.
    newer, older = raster("newer", cell=1.0), raster("older", lambda x, y: 0.0 * x, cell=5.0)
    path = str(tmp_path / "change.tif")
    run("surfacedifference", {"INPUT": newer, "OLDER_SURFACE": older, "OUTPUT": path}, feedback)
    dataset, _, (change, *_) = read(path)
    reference = gdal.Translate(
        "", newer.source(), format="MEM", width=40, height=20, resampleAlg="nearest", bandList=[1]
    ).ReadAsArray()
    assert dataset.GetGeoTransform()[1] == 5.0
    np.testing.assert_allclose(change, reference, atol=1e-5)
    assert "newer surface is interpolated bilinearly" in feedback.text


def test_datums(run, feedback, raster):
    newer = raster("newer")
    winter = raster(
        "older",
        lambda x, y: bottom(x, y) - 0.5,
        metadata={"DATUM_NAME": "winter level", "DATUM_ELEVATION_M": "363.75"},
    )
    parameters = {"INPUT": newer, "OLDER_SURFACE": winter, "OUTPUT": "TEMPORARY_OUTPUT"}
    with pytest.raises(QgsProcessingException, match=r"\+0.5 m"):
        run("surfacedifference", parameters)
    result = run("surfacedifference", {**parameters, "DATUM_SHIFT": 0.5}, feedback)
    assert result["NET_M3"] == pytest.approx(0.0, abs=0.1)
    assert "as given" in feedback.text
    assert "No patch of the bottom has changed more than chance" in feedback.text
    with pytest.raises(QgsProcessingException, match="states no lake datum"):
        run("surfacedifference", {**parameters, "OLDER_SURFACE": raster("plain", metadata={})})
    with pytest.raises(QgsProcessingException, match="is not a number"):
        run(
            "surfacedifference",
            {
                **parameters,
                "OLDER_SURFACE": raster(
                    "odd", metadata={"DATUM_NAME": "summer level", "DATUM_ELEVATION_M": "high"}
                ),
            },
        )


def test_patches_are_polygons_with_their_volumes(run, feedback, raster, tmp_path):
    rng = np.random.default_rng(5)

    def dredged(x, y):
        # Two boxes on the cells: 20 m x 10 m by 1.5 m deeper, 10 m x 10 m by 1 m shallower.
        x, y = x - WEST, y - SOUTH
        first = (x > 40) & (x < 60) & (y > 40) & (y < 50)
        second = (x > 140) & (x < 150) & (y > 20) & (y < 30)
        noise = rng.normal(0.0, 0.04, x.shape)
        return bottom(x + WEST, y + SOUTH) + 1.5 * first - 1.0 * second + noise

    result = run(
        "surfacedifference",
        {
            "INPUT": raster("newer", dredged),
            "OLDER_SURFACE": raster("older"),
            "OUTPUT": str(tmp_path / "change.tif"),
            "PATCHES": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    first, second = rows = sorted(result["PATCHES"].getFeatures(), key=lambda f: f["number"])
    assert result["PATCH_COUNT"] == 2
    assert [row["direction"] for row in rows] == ["deeper", "shallower"]
    scale = 0.9996**2  # areas on the map to those on the ground, at the zone's meridian
    for row, area, height in ((first, 200.0, 1.5), (second, 100.0, -1.0)):
        # A few cells of noise may join the rim.
        assert row["area_m2"] * scale == pytest.approx(row.geometry().area(), rel=1e-3)
        assert area <= row.geometry().area() <= area + 40.0
        assert abs(row["volume_m3"] - area * height) < 2.0 * row["volume_sd_m3"]
        assert abs(row["largest_m"]) == pytest.approx(abs(height), abs=0.2)
        assert 0.0 <= row["chance_pct"] < 0.1
        place = row.geometry().boundingBox()
        assert place.xMinimum() < row["middle_x"] < place.xMaximum()
        assert place.yMinimum() < row["middle_y"] < place.yMaximum()
    assert result["PATCHES_M2"] == pytest.approx(first["area_m2"] + second["area_m2"])
    assert result["MAIN_PATCH_M3"] == pytest.approx(first["volume_m3"])
    assert "Patches that have changed more than chance makes: 2" in feedback.text
    assert "No patch" not in feedback.text


def test_refusals_leave_nothing(run, recorder, raster, tmp_path):
    newer, plain = raster("newer"), raster("plain", bands=1)
    path = tmp_path / "change.tif"
    parameters = {"INPUT": newer, "OLDER_SURFACE": plain, "OUTPUT": str(path)}
    with pytest.raises(QgsProcessingException, match="older surface states no uncertainty"):
        run("surfacedifference", parameters)
    with pytest.raises(QgsProcessingException, match="Warp 'other'"):
        run("surfacedifference", {**parameters, "OLDER_SURFACE": raster("other", crs="EPSG:32616")})
    cancelled = recorder()
    cancelled.cancel()
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("surfacedifference", {**parameters, "OLDER_UNCERTAINTY": 0.1}, cancelled)
    assert not path.exists()
    assert run("surfacedifference", {**parameters, "OLDER_UNCERTAINTY": 0.1})["AREA_M2"] > 0
    assert path.exists()


def test_style_is_pale_at_no_change_and_differs_by_sign(run, raster, tmp_path):
    newer = raster("newer", lambda x, y: bottom(x, y) + 0.4 * np.sin(x / 40.0))
    path = str(tmp_path / "change.tif")
    run("surfacedifference", {"INPUT": newer, "OLDER_SURFACE": raster("older"), "OUTPUT": path})
    layer = QgsRasterLayer(path, "change")
    _styling.apply_style(layer, "difference")
    shader = layer.renderer().shader()
    assert shader.minimumValue() == -shader.maximumValue()
    ramp = shader.rasterShaderFunction().sourceColorRamp()
    low, middle, high = (ramp.color(f) for f in (0.0, 0.5, 1.0))
    assert middle.lightnessF() > 0.9 > max(low.lightnessF(), high.lightnessF())
    assert low.red() > low.blue()
    assert high.blue() > high.red()


def test_a_small_hole_keeps_chance_pale_in_the_rest_of_a_lake(run, raster, tmp_path):
    def dredged(x, y):
        middle = np.hypot(x - x.mean(), y - y.mean()) < 10.0
        return bottom(x, y) + np.where(middle, 2.0, 0.02 * np.sin(x / 10.0))

    newer, path = raster("newer", dredged), str(tmp_path / "change.tif")
    run("surfacedifference", {"INPUT": newer, "OLDER_SURFACE": raster("older"), "OUTPUT": path})
    layer = QgsRasterLayer(path, "change")
    cells = gdal.Open(path)
    assert np.mean(np.abs(cells.GetRasterBand(3).ReadAsArray()) == 1.0) < 0.02
    _styling.apply_style(layer, "difference")
    assert layer.renderer().shader().maximumValue() == pytest.approx(2.0, abs=0.05)


def test_no_shift_has_no_sign(run, feedback, raster, tmp_path):
    def dredged(x, y):
        middle = np.hypot(x - x.mean(), y - y.mean()) < 10.0
        return bottom(x, y) + np.where(middle, 2.0, -0.001)

    path = str(tmp_path / "change.tif")
    parameters = {"INPUT": raster("newer", dredged), "OLDER_SURFACE": raster("older")}
    result = run("surfacedifference", {**parameters, "OUTPUT": path}, feedback)
    assert result["PATCH_COUNT"] == 1
    assert result["SHIFT_M"] < 0.0
    assert "the unchanged bottom, +0.00" in feedback.text
