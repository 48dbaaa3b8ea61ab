"""Polygons on grids and around points, against shapely."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay
from shapely.geometry import MultiPolygon, Point, Polygon, box
from shapely.ops import unary_union

from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.polygons import contains, inside, rings

QUARTERS = st.integers(-40, 40).map(lambda quarters: quarters / 4.0)


@st.composite
def areas(draw):
    """Stars, some with a hole, some of two parts; corners on quarters, as cell centres are."""
    parts = []
    for _ in range(draw(st.integers(1, 2))):
        centre = np.array([draw(QUARTERS), draw(QUARTERS)])
        angle = np.linspace(0.0, 2.0 * np.pi, draw(st.integers(3, 9)), endpoint=False)
        reach = [draw(st.integers(2, 20)) / 2.0 for _ in angle]
        star = centre + np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
        star = Polygon(np.round(4.0 * star) / 4.0).buffer(0)
        parts.append(star.difference(Point(centre).buffer(draw(st.sampled_from([0.0, 1.0])), 2)))
    union = unary_union(parts)
    return union if union.geom_type in ("Polygon", "MultiPolygon") else MultiPolygon()


@settings(max_examples=80, deadline=None)
@given(areas())
def test_cells_and_points_agree_with_shapely_off_the_edge(area):
    grid = Grid(np.zeros((47, 53)), -13.25, 11.75, 0.5, 0.5)
    x, y = (v.ravel() for v in np.meshgrid(grid.x, grid.y))
    points = [Point(p) for p in zip(x, y)]
    sure = np.array([area.is_empty or area.boundary.distance(p) > 1e-9 for p in points])
    expected = np.array([area.contains(p) for p in points])
    np.testing.assert_array_equal(inside(area, grid).ravel()[sure], expected[sure])
    np.testing.assert_array_equal(contains(rings(area), x, y)[sure], expected[sure])


@settings(max_examples=40, deadline=None)
@given(
    st.lists(QUARTERS, min_size=1, max_size=4, unique=True),
    st.lists(QUARTERS, min_size=1, max_size=4, unique=True),
)
def test_of_areas_that_meet_each_cell_belongs_to_one(east, north):
    # The edges run through cell centres: none may count twice or be lost.
    across, up = [-11.0, *sorted(east), 11.0], [-11.0, *sorted(north), 11.0]
    grid = Grid(np.zeros((40, 40)), -10.25, 9.75, 0.5, 0.5)
    x, y = (v.ravel() for v in np.meshgrid(grid.x, grid.y))
    cells, points = np.zeros(grid.shape, dtype=int), np.zeros(x.size, dtype=int)
    for west, right in zip(across, across[1:]):
        for south, top in zip(up, up[1:]):
            tile = box(west, south, right, top)
            cells += inside(tile, grid)
            points += contains(rings(tile), x, y)
    assert (cells == 1).all()
    assert (points == 1).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_of_triangles_that_meet_each_cell_belongs_to_one(seed):
    """Slanting edges through cell centres: each is met from both sides, in either sense."""
    rng = np.random.default_rng(seed)
    corners = np.array([(-30, -30), (-30, 30), (30, -30), (30, 30)])
    places = np.unique(np.vstack([corners, rng.integers(-29, 30, (60, 2))]), axis=0)
    # Cells whose size binary numbers only come near to.
    grid = Grid(np.zeros((60, 60)), -10.1, 9.9, 1.0 / 3.0, 1.0 / 3.0)
    cells = np.zeros(grid.shape, dtype=int)
    for triangle in places[Delaunay(places).simplices]:
        cells += inside(Polygon(triangle), grid)
    assert (cells == 1).all()


def test_nothing_lies_in_an_empty_polygon():
    grid = Grid(np.zeros((2, 3)), 0.0, 2.0, 1.0, 1.0)
    assert rings(Polygon()) == []
    assert not inside(Polygon(), grid).any()
    assert not contains([], np.array([0.5]), np.array([0.5])).any()
    assert contains(rings(box(0, 0, 1, 1)), np.empty(0), np.empty(0)).shape == (0,)
