"""An older map as a grid."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RBFInterpolator
from shapely.geometry import Point

from lakefloor.algorithms.core.blending.older_map import contour_map, least_bending
from lakefloor.algorithms.core.grid import Lines, empty_grid


def grid_of(function, bounds, cell):
    grid = empty_grid(bounds, cell)
    return grid.like(function(*np.meshgrid(grid.x, grid.y)))


def circles(depths, radius, centre=(0.0, 0.0)):
    """Contours of a round lake; ``radius`` of each depth."""
    angle = np.linspace(0.0, 2.0 * np.pi, 181)
    lines = [
        np.column_stack(
            [centre[0] + radius(d) * np.cos(angle), centre[1] + radius(d) * np.sin(angle)]
        )
        for d in depths
    ]
    return Lines(lines, {"depth": np.asarray(depths, dtype=float)})


def test_contours_of_a_cone_give_the_cone_between_them():
    lake = Point(0, 0).buffer(100.0, 90)
    lines = circles([2.0, 4.0, 6.0, 8.0], lambda d: 100.0 - 10.0 * d)
    drawn = contour_map(lines, empty_grid((-100, -100, 100, 100), 2.0), shoreline=lake)
    away = np.hypot(*np.meshgrid(drawn.x, drawn.y))
    between = (away > 21.0) & (away < 98.0)
    error = drawn.values - (10.0 - away / 10.0)
    assert np.nanmax(np.abs(error[between])) < 0.05
    # The TIN's floor at 8 m is replaced: deeper in the middle, no deeper than the next line.
    assert 8.5 < np.nanmax(drawn.values) <= 10.0
    assert np.isnan(drawn.values[away > 102.0]).all()


def test_holes_and_humps_of_a_paraboloid_are_rounded_out():
    for sign in (1.0, -1.0):
        level = np.array([2.0, 4.0, 6.0, 8.0])

        def radius(d, sign=sign):
            return 100.0 * np.sqrt(1.0 - d / 9.5) if sign > 0 else 100.0 * np.sqrt(d / 9.5)

        lines = circles(level, radius)
        drawn = contour_map(lines, empty_grid((-70, -70, 70, 70), 2.0))
        x, y = np.meshgrid(drawn.x, drawn.y)
        share = (np.hypot(x, y) / 100.0) ** 2
        true = 9.5 * (1.0 - share) if sign > 0 else 9.5 * share
        rim = radius(8.0 if sign > 0 else 2.0)
        middle = np.hypot(x, y) < rim
        error = (drawn.values - true)[middle]
        if sign > 0:
            flat = 8.0 - true[middle]
            assert np.sqrt(np.mean(error**2)) < 0.35 * np.sqrt(np.mean(flat**2))
        else:
            # Nothing tells the top of a hump at the shallowest line from land.
            assert np.isnan(error).all()


def test_least_bending_agrees_with_thin_plate_splines():
    """Against scipy.interpolate.RBFInterpolator(kernel="thin_plate_spline") in a small hole."""
    grid = grid_of(lambda x, y: 0.02 * x * y / 40.0 + np.sin(x / 30.0), (0, 0, 60, 60), 2.0)
    hole = np.hypot(*np.meshgrid(grid.x - 30.0, grid.y - 30.0)) < 9.0
    filled = least_bending(np.where(hole, 0.0, grid.values), hole, np.ones(grid.shape, bool))
    points = np.stack(np.meshgrid(grid.x, grid.y), axis=-1)
    spline = RBFInterpolator(points[~hole], grid.values[~hole], neighbors=120)(points[hole])
    assert np.abs(filled - spline).max() < 0.01 * np.ptp(grid.values)


@settings(max_examples=25, deadline=None)
@given(st.floats(-3, 3), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_least_bending_keeps_a_plane(level, east, north):
    grid = grid_of(lambda x, y: level + east * x + north * y, (0, 0, 40, 30), 2.0)
    hole = np.zeros(grid.shape, bool)
    hole[4:9, 5:14] = True
    filled = least_bending(np.where(hole, 9.0, grid.values), hole, np.ones(grid.shape, bool))
    assert filled == pytest.approx(grid.values[hole], abs=1e-5)
