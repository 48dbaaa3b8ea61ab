"""UTM zones against pyproj and worked positions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.errors import LakefloorError


@pytest.mark.parametrize(
    ("lon", "lat", "epsg", "east", "north"),
    # PROJ 9.5.1, to 0.1 mm.
    [
        (-93.0, 45.0, 32615, 500000.0000, 4982950.4002),
        (-94.25, 46.5, 32615, 404085.5271, 5150362.3541),
        (-89.4, 43.1, 32616, 304693.6132, 4774715.4963),
        (-90.0, 45.0, 32616, 263553.9739, 4987329.5047),
    ],
)
def test_worked_positions(lon, lat, epsg, east, north):
    assert crs.utm_epsg([lon], [lat]) == epsg
    x, y = crs.project([lon], [lat], epsg)
    assert (x[0], y[0]) == pytest.approx((east, north), abs=2e-4)


@settings(max_examples=30, deadline=None)
@given(st.integers(-179_999_999, 179_999_999), st.integers(-79_999_999, 83_999_999))
def test_zone_agrees_with_the_epsg_areas_of_use(micro_lon, micro_lat):
    lon, lat = micro_lon / 1e6, micro_lat / 1e6
    found = query_utm_crs_info("WGS 84", AreaOfInterest(lon, lat, lon, lat))
    assert crs.utm_epsg([lon], [lat]) in {int(info.code) for info in found}


def test_zone_edge_and_stray_fixes():
    assert crs.utm_epsg([-90.0001], [45.0]) == 32615
    lon, lat = np.full(1000, -93.0), np.full(1000, 45.0)
    lon[:3], lat[:3] = [10.0, np.nan, -20.0], [0.0, 45.0, -45.0]
    assert crs.utm_epsg(lon, lat) == 32615


@pytest.mark.parametrize(
    ("lon", "lat", "reason"),
    [
        ([np.nan], [np.nan], "no position"),
        ([500000.0], [4982950.0], "not on the globe"),
        ([-179.9, 179.9], [50.0, 50.0], "180 degree"),
        ([-93.0, -88.0], [45.0, 45.0], "one lake"),
        ([0.0], [85.0], "outside the UTM"),
    ],
)
def test_refusals(lon, lat, reason):
    with pytest.raises(LakefloorError, match=reason):
        crs.utm_epsg(lon, lat)


def test_unknown_and_unsuitable_systems():
    with pytest.raises(LakefloorError, match="not known"):
        crs.transform([0.0], [0.0], 4326, 999999)
    assert crs.is_metric(32615)
    assert not crs.is_metric(4326)
    assert not crs.is_metric(2264)  # NAD83 / North Carolina (ftUS)
