"""Grids against scipy's interpolation, and their geometry."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Grid, empty_grid, grid_over


def made(seed=0, shape=(7, 9)):
    return Grid(np.random.default_rng(seed).normal(size=shape), 499_000.0, 5_000_014.0, 1.5, 2.0)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 99), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_samples_between_centres_agree_with_scipy(seed, east, north):
    grid = made(seed)
    x = np.array([grid.x[0] + east * np.ptp(grid.x)])
    y = np.array([grid.y[-1] + north * np.ptp(grid.y)])
    scipys = RegularGridInterpolator((grid.y[::-1], grid.x), grid.values[::-1])
    assert grid.sample(x, y) == pytest.approx(scipys(np.column_stack([y, x])), abs=1e-8)


def test_samples_at_the_rim_next_to_holes_and_off_the_grid():
    grid = made()
    grid.values[3, 4] = np.nan
    west, south, east, north = grid.bounds
    # The outer half of a rim cell has the cell's own value.
    corner = grid.sample(np.array([west + 0.1]), np.array([north - 0.1]))
    assert corner == grid.values[0, 0]
    # Next to a hole the nearest cell speaks alone, and the hole says nothing.
    beside = grid.sample(grid.x[[3, 3, 4]] + [0.1, 0.7, 0.0], grid.y[[3, 3, 3]])
    np.testing.assert_array_equal(beside, [grid.values[3, 3], grid.values[3, 3], np.nan])
    off = grid.sample(np.array([west - 0.1, east + 0.1, np.nan]), np.array([north, south, north]))
    assert np.isnan(off).all()


@settings(max_examples=100, deadline=None)
@given(
    west=st.floats(-8e5, 8e5),
    south=st.floats(-1e7, 1e7),
    width=st.floats(0.0, 900.0),
    height=st.floats(0.0, 900.0),
    cell=st.sampled_from([0.1, 0.3, 0.5, 1.0, 7.0, 100.0]),
)
def test_a_grid_covers_its_extent_and_falls_on_others_of_its_cell(west, south, width, height, cell):
    grid = grid_over((west, south, west + width, south + height), cell)
    left, bottom, right, top = grid.bounds
    slack = 1e-6 * cell + 1e-8
    assert west - cell - slack < left <= west + slack
    assert south - cell - slack < bottom <= south + slack
    assert west + width - slack <= right
    assert south + height - slack <= top
    # One row or column more than needed only where the extent is nil.
    assert right - (west + width) < cell + slack or grid.shape[1] == 1
    for edge in (left, top):
        assert edge / cell == pytest.approx(round(edge / cell), abs=1e-6)
    assert np.isnan(grid.values).all()
    assert not grid.values.flags.writeable


@pytest.mark.parametrize(
    ("bounds", "cell", "reason"),
    [
        ((0, 0, 1, 1), 0.0, "above 0 m"),
        ((0, 0, 1, 1), np.nan, "above 0 m"),
        ((0, np.inf, 1, 1), 1.0, "not a number"),
        ((0, 0, 1e9, 1e9), 1.0, "too large"),
    ],
)
def test_grids_that_cannot_be(bounds, cell, reason):
    with pytest.raises(LakefloorError, match=reason):
        grid_over(bounds, cell)


def test_values_of_another_shape_are_refused():
    with pytest.raises(LakefloorError, match=r"shape \(2, 2\), expected \(3, 4\)"):
        empty_grid((0.0, 0.0, 4.0, 3.0), 1.0).like(np.zeros((2, 2)))
