"""Geometries as a GeoPackage stores them, read by shapely and by the standard's own layout."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from shapely import wkb
from shapely.geometry import LineString, MultiPolygon, box

from lakefloor.algorithms.core.geometry_blobs import (
    empty_wkb,
    geometry_blobs,
    line_bounds,
    line_wkb,
)

coordinates = st.floats(-1e12, 1e12)
lines = st.lists(
    arrays.arrays(float, st.tuples(st.integers(2, 5), st.just(2)), elements=coordinates)
)


@given(lines)
def test_lines_are_those_of_shapely(lines):
    assert [wkb.loads(each).coords[:] for each in line_wkb(lines)] == [
        LineString(xy).coords[:] for xy in lines
    ]
    expected = [LineString(xy).bounds for xy in lines]
    np.testing.assert_array_equal(line_bounds(lines), np.array(expected).reshape(-1, 4))


def test_a_line_without_points_has_no_bounds():
    assert np.isnan(line_bounds([np.empty((0, 2))])).all()
    assert wkb.loads(line_wkb([np.empty((0, 2))])[0]).is_empty


@pytest.mark.parametrize("kind", [2, 3, 4, 5, 6])
def test_what_is_empty_is_so_to_shapely(kind):
    assert wkb.loads(empty_wkb(kind)).is_empty


def test_bytes_are_those_of_the_standard():
    """OGC 12-128r18, 2.1.3.1: GP, version 0, flags, srs_id, then the box as minx, maxx, ..."""
    shapes = [MultiPolygon([box(1, 2, 3, 5)]), MultiPolygon([box(-1, 0, 7, 8)])]
    bounds = np.array([shape.bounds for shape in shapes])
    blobs = geometry_blobs([shape.wkb for shape in shapes], bounds, 6, -1)
    for blob, (west, south, east, north), shape in zip(blobs, bounds, shapes):
        assert blob[:4] == b"GP\x00" + bytes([0b000_0_001_1])
        assert struct.unpack("<i4d", blob[4:40]) == (-1, west, east, south, north)
        assert wkb.loads(blob[40:]).equals(shape)


def test_points_and_what_is_empty_have_no_box():
    """Bit 4 of the flags says that a geometry is empty."""
    place = struct.pack("<BI2d", 1, 1, 5.0, 7.0)
    bounds = np.array([[5.0, 7.0, 5.0, 7.0], [np.nan] * 4])
    point, empty = geometry_blobs([place, empty_wkb(1)], bounds, 1, 32615)
    assert point == b"GP\x00\x01" + struct.pack("<i", 32615) + place
    assert empty[:8] == b"GP\x00\x11" + struct.pack("<i", 32615)
    assert np.isnan(struct.unpack("<2d", empty[13:])).all()
    assert geometry_blobs([place], bounds[:1], 1, 32615) == [point]
    (nothing,) = geometry_blobs([empty_wkb(5)], bounds[1:], 5, 32615)
    assert nothing == b"GP\x00\x11" + struct.pack("<i", 32615) + empty_wkb(5)
