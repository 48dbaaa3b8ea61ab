"""Files that Lakefloor 0.1.0 has made open in this one."""

import gzip
import shutil
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal

HERE = Path(__file__).parent

#: A triangulated surface, cells of 2 m and gaps up to 20 m, of the soundings of
#: store_layout_1.gpkg.gz; both made by Lakefloor 0.1.0.
SURFACE = HERE / "surface_0_1_0.tif"
STORE = HERE / "store_layout_1.gpkg.gz"


@pytest.fixture
def soundings(run, tmp_path):
    store = tmp_path / "lake.gpkg"
    store.write_bytes(gzip.decompress(STORE.read_bytes()))
    return run("readstore", {"STORE": str(store), "OUTPUT": str(tmp_path / "all.gpkg")})["OUTPUT"]


@pytest.fixture
def surface(tmp_path):
    """A copy, since QGIS writes statistics beside what it opens."""
    return shutil.copy(SURFACE, tmp_path / "surface.tif")


def depths(path):
    dataset = gdal.Open(str(path))
    values = dataset.GetRasterBand(1).ReadAsArray()
    return np.where(values == dataset.GetRasterBand(1).GetNoDataValue(), np.nan, values)


def test_a_surface_is_read(run, surface):
    contours = run("depthcontours", {"INPUT": str(surface), "OUTPUT": "TEMPORARY_OUTPUT"})
    assert contours["OUTPUT"].featureCount() > 0
    areas = run("depthareas", {"INPUT": str(surface), "OUTPUT": "TEMPORARY_OUTPUT"})
    assert areas["OUTPUT"].featureCount() > 0


def test_a_surface_is_brought_up_to_date_or_drawn_whole(
    run, soundings, surface, tmp_path, feedback
):
    out = tmp_path / "new.tif"
    run("tinsurface", {"INPUT": soundings, "SURFACE_TO_UPDATE": str(surface), "CELL_SIZE": 2.0,
                       "MAX_GAP": 20.0, "OUTPUT": str(out)}, feedback)
    assert "Tiles drawn" in feedback.text or "cannot be updated" in feedback.text
    new, old = depths(out), depths(surface)
    # The lake that was invented for it falls from 2.2 m, 0.8 m of fill taken off, by 0.3 m.
    assert np.isfinite(new).sum() > 0.9 * np.isfinite(old).sum() > 100
    assert np.nanmin(new) > 1.9
    assert np.nanmax(new) < 3.5
