"""Slope against published formulas, worked examples and analytic surfaces.

Sources: Horn (1981), Proc. IEEE 69(1), 14-47; Zevenbergen and Thorne (1987), Earth Surf. Process.
Landforms 12(1), 47-56. The 3 x 3 windows below are worked by hand with their formulas.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.terrain import gradient, position, slope
from lakefloor.algorithms.core.units import FOOT

METHODS = ("horn", "zevenbergen")


def grid_of(function, cell=1.0, size=9, dy=None):
    """Return a grid whose first cell centre from the south-west is at (0, 0)."""
    dy = dy or cell
    grid = Grid(np.zeros((size, size)), -cell / 2.0, (size - 0.5) * dy, cell, dy)
    return grid.like(function(*np.meshgrid(grid.x, grid.y)))


def at(grid, values, x, y):
    rows, cols = grid.rows_cols(x, y)
    return values[round(float(rows)), round(float(cols))]


WINDOW = np.array([[50.0, 45.0, 50.0], [30.0, 30.0, 30.0], [8.0, 10.0, 10.0]])


@pytest.mark.parametrize(
    ("method", "to_east", "to_north", "degrees"),
    [
        # East (2*30 + 50 + 10 - 2*30 - 50 - 8) / 40 = 0.05, north (190 - 38) / 40 = 3.8.
        ("horn", 0.05, 3.8, 75.25766),
        # East (30 - 30) / 10 = 0, north (45 - 10) / 10 = 3.5.
        ("zevenbergen", 0.0, 3.5, 74.05460),
    ],
)
def test_worked_window(method, to_east, to_north, degrees):
    grid = Grid(WINDOW, 0.0, 15.0, 5.0, 5.0)
    east, north = gradient(grid, method)
    assert east[1, 1] == pytest.approx(to_east)
    assert north[1, 1] == pytest.approx(to_north)
    assert slope(grid, method)[0].values[1, 1] == pytest.approx(degrees, abs=1e-5)


@pytest.mark.parametrize("method", METHODS)
def test_plane_three_four_five(method):
    # |(0.3, 0.4)| = 0.5: 50 %, atan 0.5 = 26.565052 degrees.
    grid = grid_of(lambda x, y: 0.3 * x + 0.4 * y)
    east, north = gradient(grid, method)
    assert east[1:-1, 1:-1] == pytest.approx(0.3)
    assert north[1:-1, 1:-1] == pytest.approx(0.4)
    degrees, percent = slope(grid, method)
    assert percent.values[1:-1, 1:-1] == pytest.approx(50.0)
    assert degrees.values[1:-1, 1:-1] == pytest.approx(26.565052, abs=1e-6)


@pytest.mark.parametrize(
    ("method", "to_east", "degrees"), [("horn", 16.5, 88.40901), ("zevenbergen", 16.0, 88.39895)]
)
def test_curved_surface_x_y_squared(method, to_east, degrees):
    # z = x y^2 at (4, 4): analytic gradient (y^2, 2 x y) = (16, 32). Horn's outer rows see
    # y^2 + 1/2 on average (worked by hand); GDAL's gdaldem gives the same angles.
    grid = grid_of(lambda x, y: x * y**2)
    east, north = gradient(grid, method)
    assert at(grid, east, 4.0, 4.0) == pytest.approx(to_east)
    assert at(grid, north, 4.0, 4.0) == pytest.approx(32.0)
    assert at(grid, slope(grid, method)[0].values, 4.0, 4.0) == pytest.approx(degrees, abs=1e-5)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_cubic_has_the_known_truncation_error(method, cell):
    # z = x^3: the central difference is exactly 3 x^2 + h^2; 49 for x = 4, h = 1 (calculus: 48).
    grid = grid_of(lambda x, y: x**3, cell, 19)
    assert at(grid, gradient(grid, method)[0], 4.0, 4.0) == pytest.approx(48.0 + cell**2)


def test_depths_in_feet_on_a_metric_grid_would_be_wrong():
    # A fall of 1 in 10: atan 0.1 = 5.710593 degrees. Left in feet, the same depths give
    # atan(0.1 / 0.3048) = 18.1638 degrees: depth must be metres.
    grid = grid_of(lambda x, y: 0.1 * x, 10.0)
    assert slope(grid)[0].values[4, 4] == pytest.approx(5.710593, abs=1e-6)
    assert slope(grid.like(grid.values / FOOT))[0].values[4, 4] == pytest.approx(18.1638, abs=1e-4)


@pytest.mark.parametrize("method", METHODS)
def test_outer_ring_and_holes_have_no_slope(method):
    grid = grid_of(lambda x, y: x + y)
    values = grid.values.copy()
    values[4, 4] = np.nan
    percent = slope(grid.like(values), method)[1].values
    assert np.isnan(percent[[0, -1]]).all()
    assert np.isnan(percent[:, [0, -1]]).all()
    assert np.isnan(percent[4, 4])
    assert np.isnan(percent[4, 3])
    # A diagonal neighbour matters to Horn alone.
    assert np.isnan(percent[3, 3]) == (method == "horn")
    assert np.isfinite(percent[2, 2])


def test_cells_need_not_be_square():
    grid = grid_of(lambda x, y: 0.3 * x + 0.4 * y, 2.0, dy=5.0)
    assert slope(grid)[1].values[1:-1, 1:-1] == pytest.approx(50.0)


@settings(max_examples=40, deadline=None)
@given(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0), st.floats(0.5, 20.0), st.sampled_from(METHODS))
def test_any_plane_is_exact(a, b, cell, method):
    east, north = gradient(grid_of(lambda x, y: 7.0 + a * x + b * y, cell), method)
    assert east[1:-1, 1:-1] == pytest.approx(a, abs=1e-9)
    assert north[1:-1, 1:-1] == pytest.approx(b, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(METHODS))
def test_mirrored_and_turned_grids_follow(seed, method):
    values = np.random.default_rng(seed).uniform(0.0, 10.0, (8, 8))
    grid = Grid(values, 0.0, 8.0, 1.0, 1.0)
    expected = slope(grid, method)[1].values
    for turn in (np.fliplr, np.flipud, np.rot90, np.transpose):
        turned = slope(grid.like(turn(values)), method)[1].values
        assert turned == pytest.approx(turn(expected), nan_ok=True)
    # Up or down, a slope is as steep.
    assert slope(grid.like(-values), method)[1].values == pytest.approx(expected, nan_ok=True)


def test_blocks_leave_no_seam():
    grid = grid_of(lambda x, y: np.sin(x / 9.0) * y**2 / 500.0, 1.0, 1100)
    whole = np.hypot(*gradient(grid))
    strip = Grid(grid.values[500:530], 0.0, 30.0, 1.0, 1.0)
    assert whole[501:529] == pytest.approx(np.hypot(*gradient(strip))[1:-1], nan_ok=True)


@pytest.mark.parametrize("shape", [(1, 1), (2, 9), (9, 2)])
def test_small_grid_is_refused(shape):
    with pytest.raises(LakefloorError, match="3 x 3"):
        slope(Grid(np.zeros(shape), 0.0, 0.0, 1.0, 1.0))


def test_unknown_method_is_refused():
    with pytest.raises(LakefloorError, match="'sobel'"):
        slope(grid_of(lambda x, y: x), "sobel")


def test_empty_grid_has_no_slope():
    assert np.isnan(slope(Grid(np.full((5, 5), np.nan), 0.0, 5.0, 1.0, 1.0))[1].values).all()


def test_cancel_is_honoured():
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        slope(grid_of(lambda x, y: x), progress=stop)


def test_position_agrees_with_scipys_filter_of_each_neighbourhood():
    rng = np.random.default_rng(3)
    z = rng.normal(5.0, 1.0, (12, 17))
    z[rng.random(z.shape) < 0.1] = np.nan
    grid = Grid(z, 0.0, 24.0, 1.5, 2.0)
    away = np.hypot(*np.meshgrid(np.arange(-3, 4) * 1.5, np.arange(-2, 3) * 2.0))
    ring = (away >= 2.0) & (away <= 4.5)
    mean = ndimage.generic_filter(
        np.pad(z, 3, constant_values=np.nan),
        lambda v: np.nanmean(v) if np.isfinite(v).any() else np.nan,
        footprint=ring,
    )[3:-3, 3:-3]
    np.testing.assert_allclose(position(grid, 2.0, 4.5).values, mean - z, atol=1e-9)


def test_a_ring_wider_than_the_grid_takes_no_more_memory_and_is_that_of_all_cells():
    z = np.arange(12.0).reshape(3, 4)
    grid = Grid(z, 0.0, 3.0, 1.0, 1.0)
    got = position(grid, 0.0, 1e9).values
    np.testing.assert_allclose(got, (z.sum() - z) / 11.0 - z, atol=1e-9)
    assert np.isnan(position(grid, 10.0, 20.0).values).all()


@pytest.mark.parametrize(
    "ring", [(np.nan, 5.0), (0.0, np.nan), (3.0, 2.0), (-1.0, 2.0), (0.0, np.inf), (0.1, 0.5)]
)
def test_rings_that_hold_no_cell_are_refused(ring):
    with pytest.raises(LakefloorError, match="A ring from"):
        position(Grid(np.zeros((5, 5)), 0.0, 5.0, 1.0, 1.0), *ring)


def test_a_ring_reaches_cells_that_lie_exactly_at_its_outer_radius():
    # Cells of 0.5 m to the north and 1 m to the east; one cell of another depth, 3 m away.
    for row, col in ((10, 16), (10, 4), (4, 10), (16, 10)):
        values = np.zeros((21, 21))
        values[row, col] = 1.0
        grid = Grid(values, 0.0, 21.0 * 0.5, 0.5, 0.5)
        reached = position(grid, 2.9, 3.0).values[10, 10]
        assert reached > 0.0
        assert position(grid, 2.0, 2.9).values[10, 10] == pytest.approx(0.0, abs=1e-12)
    # 0.3 / 0.1 is a little less than 3 in binary numbers.
    values = np.zeros((9, 9))
    values[1, 4] = 1.0
    assert position(Grid(values, 0.0, 0.9, 0.1, 0.1), 0.25, 0.3).values[4, 4] > 0.0
