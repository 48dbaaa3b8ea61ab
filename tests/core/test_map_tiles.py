"""Tiles on the Web Mercator square."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.map_tiles import TILE, tiling

#: OGC 17-083r2, Two Dimensional Tile Matrix Set, WebMercatorQuad: corner of the square, m, and
#: scale denominators by zoom level, for pixels of 0.28 mm.
CORNER = 20_037_508.3427892
SCALES = {0: 559_082_264.029, 5: 17_471_320.751, 8: 2_183_915.094}

LAKE = (-93.2, 44.95, -93.15, 45.0)


@pytest.mark.parametrize("zoom", SCALES)
def test_pixels_are_those_of_the_standard(zoom):
    found, pixel = tiling(*LAKE, zoom), 0.28e-3 * SCALES[zoom]
    assert found.pixel == pytest.approx(pixel, rel=1e-9)
    assert found.ground == pytest.approx(pixel * math.cos(math.radians(44.975)), rel=1e-9)


def test_level_zero_is_the_whole_square():
    assert tiling(*LAKE, 0).extent == pytest.approx((-CORNER, -CORNER, CORNER, CORNER))


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-179.0, 178.0),
    st.floats(-75.0, 75.0),
    st.floats(0.001, 0.2),
    st.floats(0.001, 0.2),
    st.integers(8, 15),
)
def test_tiles_hold_the_place_and_no_more(west, south, width, height, zoom):
    """Against the projection of PROJ: whole tiles, of which none lies off the place's margin."""
    east, north = west + width, south + height
    found = tiling(west, south, east, north, zoom)
    to_mercator = Transformer.from_crs(4326, 3857, always_xy=True)
    (left, right), (bottom, top) = to_mercator.transform([west, east], [south, north])
    margin = 0.02 * max(right - left, top - bottom)
    tile = found.pixel * TILE
    for edge, place, sign in zip(found.extent, (left, bottom, right, top), (-1, -1, 1, 1)):
        assert -1e-4 <= sign * (edge - place) - margin <= tile + 1e-4
        number = (edge + CORNER) / tile
        assert number == pytest.approx(round(number), abs=1e-6)


def test_too_large_a_picture_names_the_level_that_fits():
    with pytest.raises(LakefloorError, match="Choose level") as refused:
        tiling(*LAKE, 22)
    fits = int(str(refused.value).split("Choose level ")[1].split()[0])
    assert tiling(*LAKE, fits).extent
    with pytest.raises(LakefloorError):
        tiling(*LAKE, fits + 2)
