"""Where soundings lie outside a shoreline, beside what shapely says of every one of them."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Point, Polygon, box

from lakefloor.algorithms.core import outside_shore
from lakefloor.algorithms.core.outside_shore import outside_groups

LAKE = MultiPolygon(
    [
        Polygon(
            [(0, 0), (400, 30), (380, 300), (150, 260), (20, 310)],
            [[(100, 100), (160, 100), (160, 160), (100, 160)]],
        ),
        box(600, 0, 700, 80),
    ]
)
PLACES = st.lists(st.tuples(st.floats(-200, 900), st.floats(-200, 500)), min_size=1, max_size=60)


def test_examples():
    assert doctest.testmod(outside_shore).failed == 0


@given(PLACES)
def test_counts_and_distances_are_those_of_shapely(places):
    x, y = np.array(places).T
    # What lies on the shore to the last digit may be either.
    near = [LAKE.boundary.distance(Point(p)) < 1e-6 for p in places]
    out = [p for p, on in zip(places, near) if not on and not LAKE.contains(Point(p))]
    groups = outside_groups(x[~np.array(near)], y[~np.array(near)], LAKE)
    assert sum(group.soundings for group in groups) == len(out)
    if out:
        farthest = max(LAKE.distance(Point(p)) for p in out)
        assert max(group.farthest for group in groups) == pytest.approx(farthest, abs=0.6)


@given(PLACES)
def test_groups_are_apart_and_the_largest_comes_first(places):
    x, y = np.array(places).T
    groups = outside_groups(x, y, LAKE)
    assert [g.soundings for g in groups] == sorted((g.soundings for g in groups), reverse=True)
    for group in groups:
        west, south, east, north = group.box
        held = (x >= west) & (x <= east) & (y >= south) & (y <= north)
        assert np.count_nonzero(held) >= group.soundings


def test_on_an_island_is_outside():
    (group,) = outside_groups(np.array([130.0]), np.array([130.0]), LAKE)
    assert group.soundings == 1
    assert group.farthest == pytest.approx(30.0, abs=0.6)


def test_nothing_outside():
    assert outside_groups(np.array([50.0]), np.array([50.0]), LAKE) == []
