"""Areas and lengths on the ellipsoid against pyproj.Geod and published formulas."""

import numpy as np
import pytest
from pyproj import Geod, Transformer
from shapely.geometry import MultiPolygon, Polygon, box

from lakefloor.algorithms.core.ellipsoid import area_scale, geodesic_length, polygon_area
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import empty_grid

UTM15 = 32615


def _projected(lon, lat):
    return np.column_stack(Transformer.from_crs(4326, UTM15, always_xy=True).transform(lon, lat))


def test_area_is_that_of_the_geodesic_polygon():
    # A hundredth of a degree each way at 46 N, a little east of the zone's middle:
    # pyproj.Geod and the plane of UTM differ by 0.08 % there.
    lon, lat = np.array([-93.0, -92.99, -92.99, -93.0]), np.array([46.0, 46.0, 46.01, 46.01])
    expected, _ = Geod(ellps="WGS84").polygon_area_perimeter(lon, lat)
    ring = Polygon(_projected(lon, lat))
    assert polygon_area(ring, UTM15) == pytest.approx(expected, rel=1e-9)
    assert ring.area / expected == pytest.approx(0.9996**2, rel=2e-6)


def test_box_of_a_published_size():
    # One second of arc of the meridian at 45 N is 30.87 m on any ellipsoid in use
    # (Snyder 1987, table 1: 111,131.78 m a degree on GRS 80 from 44.5 to 45.5 N).
    line = _projected(np.array([-93.0, -93.0]), np.array([44.5, 45.5]))
    assert geodesic_length(line, UTM15) == pytest.approx(111_131.78, abs=0.05)


def test_holes_and_parts():
    outer, hole, other = (
        box(5e5, 5e6, 501e3, 5.001e6),
        box(5003e2, 50003e2, 5005e2, 50006e2),
        box(503e3, 5e6, 504e3, 5.001e6),
    )
    whole = polygon_area(MultiPolygon([outer.difference(hole), other]), UTM15)
    parts = [polygon_area(p, UTM15) for p in (outer, other, hole)]
    assert whole == pytest.approx(parts[0] + parts[1] - parts[2], rel=1e-12)


@pytest.mark.parametrize("x", [2e5, 377e3, 5e5, 8e5])
def test_scale_of_cells_agrees_with_the_area_of_their_outline(x):
    grid = empty_grid((x, 5.1e6, x + 4000.0, 5.103e6), 500.0)
    square = box(x + 1000.0, 5.101e6, x + 1100.0, 5.1011e6)
    scale = area_scale(grid, UTM15).sample(np.array([x + 1050.0]), np.array([5.10105e6]))
    assert square.area / scale[0] == pytest.approx(polygon_area(square, UTM15), rel=1e-7)


@pytest.mark.parametrize("crs", ["EPSG:999999", 4326, 2264, 4978, "nonsense"])
def test_coordinate_systems_that_give_no_area(crs):
    with pytest.raises(LakefloorError, match="Coordinate reference system"):
        polygon_area(box(0, 0, 1, 1), crs)
