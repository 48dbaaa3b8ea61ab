"""A raster written window by window, as GDAL reads it from another handle at once."""

import shutil

import numpy as np
import pytest

gdal = pytest.importorskip("osgeo.gdal", reason="GDAL writes rasters")
osr = pytest.importorskip("osgeo.osr")

from lakefloor.algorithms._io.window_raster import WindowRaster
from lakefloor.algorithms.core.errors import LakefloorError

CELL, CELLS = 2.0, 256


@pytest.fixture
def raster(tmp_path):
    crs = osr.SpatialReference()
    crs.ImportFromEPSG(32615)
    return WindowRaster(tmp_path, "depth", crs.ExportToWkt(), CELL, CELLS, ("depth (m)", "sigma"))


def window(seed):
    values = np.random.default_rng(seed).uniform(1.0, 9.0, (2, CELLS, CELLS)).astype(np.float32)
    values[:, :40] = np.nan
    return values


def read(raster, key):
    """Return a window by its place on the ground."""
    dataset = gdal.Open(str(raster.path))
    west, dx, _, north, _, dy = dataset.GetGeoTransform()
    left = round((key[0] * CELLS * CELL - west) / dx)
    top = round((-key[1] * CELLS * CELL - north) / dy)
    return dataset.ReadAsArray(left, top, CELLS, CELLS)


def test_each_window_is_whole_in_the_file_as_soon_as_it_is_written(raster):
    for seed, key in enumerate([(781, -10059), (782, -10059), (781, -10059), (780, -10058)]):
        raster.write(key, window(seed))
        np.testing.assert_array_equal(read(raster, key), window(seed))
    dataset = gdal.Open(str(raster.path))
    assert dataset.GetRasterBand(1).GetDescription() == "depth (m)"
    assert np.isnan(dataset.GetRasterBand(1).GetNoDataValue())
    assert dataset.GetSpatialRef().GetAuthorityCode(None) == "32615"


def test_a_larger_file_has_the_windows_of_the_smaller_at_their_places(raster):
    keys = [(781, -10059), (790, -10059), (781, -10040), (-3, 2)]
    files = []
    for seed, key in enumerate(keys):
        assert raster.write(key, window(seed))
        files.append(raster.path)
        for before, known in enumerate(keys[: seed + 1]):
            np.testing.assert_array_equal(read(raster, known), window(before))
    assert len(set(files)) == len(keys)
    assert not raster.write(keys[0], window(9))
    # A layer may still read the one before; it is written no more.
    assert all(path.exists() for path in files)


def test_windows_that_were_never_written_take_no_room(raster):
    raster.write((0, 0), window(0))
    raster.write((60, 60), window(1))
    # 70 x 70 windows of 512 KB would be 2.5 GB.
    assert raster.path.stat().st_size < 3 * window(0).nbytes


def test_a_file_that_is_gone_is_told(raster, tmp_path):
    raster.write((0, 0), window(0))
    shutil.rmtree(tmp_path)
    with pytest.raises(LakefloorError, match="Cannot write the map on the water"):
        raster.write((0, 0), window(1))
    with pytest.raises(LakefloorError, match="Cannot write the map on the water"):
        raster.write((90, 0), window(1))
