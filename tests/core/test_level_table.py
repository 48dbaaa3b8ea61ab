"""Level tables and drawdowns against elementary geometry."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, box

from lakefloor.algorithms.core.ellipsoid import polygon_area
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.figures.level_table import (
    level_report,
    level_table,
    uncovered,
    water_at,
)
from lakefloor.algorithms.core.grid import Grid, Surface, empty_grid
from lakefloor.algorithms.core.units import FOOT

sys.path.insert(0, str(Path(__file__).parent))
from bowls import DEEPEST, RADIUS, bowl, circle


def only(depth):
    return Surface(depth, None, None)


def cone(level):
    """Area and volume of a cone that goes on above the datum, by its formula."""
    area = np.pi * RADIUS**2 * (1.0 + np.asarray(level) / DEEPEST) ** 2
    return area, area * (DEEPEST + level) / 3.0


def test_below_the_datum_in_tenths_of_a_foot():
    table = level_table(only(bowl("cone")), circle(), step=0.1 * FOOT, lowest=-10.0 * FOOT)
    assert len(table.level) == 101
    assert table.level[-1] == 0.0
    assert table.level / FOOT == pytest.approx(np.arange(-100, 1) / 10.0)
    area, volume = cone(table.level)
    assert table.area == pytest.approx(area, rel=1e-3)
    assert table.volume == pytest.approx(volume, rel=1e-3)
    assert table.shoreline == pytest.approx(2.0 * np.sqrt(np.pi * area), rel=2e-3)


def test_down_to_the_deepest_point():
    table = level_table(only(bowl("cone", 10.0)), circle(), step=1.0)
    assert table.level[0] == -29.0
    assert np.all(np.diff(table.area) > 0)
    assert np.all(np.diff(table.volume) > 0)


def test_above_the_datum_where_the_land_is_known():
    depth = bowl("cone", land=60.0)  # land up to 3.6 m
    table = level_table(only(depth), circle(), step=0.5, lowest=-2.0, highest=6.0)
    assert table.level.tolist() == [-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    assert table.cut_short
    assert (table.datum_area, table.datum_volume) == pytest.approx(cone(0.0), rel=1e-3)
    area, volume = cone(table.level)
    assert table.area == pytest.approx(area, rel=2e-3)
    assert table.volume == pytest.approx(volume, rel=1e-3)


def test_land_that_is_not_known_ends_the_table_at_the_datum():
    table = level_table(only(bowl("cone", 20.0)), circle(), step=0.5, lowest=-1.0, highest=3.0)
    assert table.level.tolist() == [-1.0, -0.5, 0.0]
    with pytest.raises(LakefloorError, match="land"):
        level_table(only(bowl("cone", 20.0)), circle(), step=0.5, lowest=0.5, highest=3.0)


def test_a_hollow_on_land_counts_once_the_water_gets_there():
    # A trough 10 m wide joined to the lake over a sill 1 m above the datum.
    shore = box(20, 20, 60, 60)
    grid = empty_grid((0, 0, 120, 80), 1.0)
    x, y = np.meshgrid(grid.x, grid.y)
    depth = np.where((x > 20) & (x < 60) & (y > 20) & (y < 60), 4.0, -3.0)
    depth[(x > 70) & (x < 100) & (y > 30) & (y < 50)] = -0.5
    depth[(x > 60) & (x < 70) & (y > 35) & (y < 45)] = -1.0
    table = level_table(only(grid.like(depth)), shore, step=0.25, lowest=-1.0, highest=2.0)
    at = dict(zip(table.level.tolist(), table.area.tolist()))
    # Below the sill nothing but the foot of the banks is flooded; over it the hollow joins.
    assert at[0.75] < 1600 + 4 * 40 * 1.0
    assert at[1.0] - at[0.75] > 0.9 * (30 * 20 + 10 * 10)
    rises = np.diff(table.volume)
    assert rises[table.level[1:] > 1.0] == pytest.approx(
        0.25 * (table.area[:-1] + table.area[1:])[table.level[1:] > 1.0] / 2, rel=0.01
    )


def test_uncertainty_of_a_level_table():
    table = level_table(only(bowl("cone", 10.0)), circle(), step=1.0, lowest=-5.0, datum_sd=0.1)
    assert table.volume_sd == pytest.approx(0.1 * table.area)
    # dA/dz of a cone: 2 A / (zm - z).
    assert table.area_sd[:-1] == pytest.approx(
        (0.1 * 2.0 * table.area / (DEEPEST + table.level))[:-1], rel=0.02
    )


def test_what_a_drawdown_uncovers():
    depth = bowl("cone")
    areas = uncovered(depth, circle(), 3.0)
    assert len(areas) == 1
    # Of a cone 30 m deep 3 m uncover 1 - 0.9^2.
    assert areas.attributes["area_m2"][0] == pytest.approx(0.19 * np.pi * RADIUS**2, rel=2e-3)
    assert areas.attributes["drawdown_m"] == [3.0]
    assert not areas.polygons[0].contains(Point(0, 0))
    assert areas.polygons[0].contains(Point(RADIUS * 0.95, 0))


def test_the_uncovered_area_is_on_the_ellipsoid_and_agrees_with_the_table():
    x, y = 500_000.0, 5_100_000.0
    depth, shore = bowl("cone", 5.0, x, y), circle(x=x, y=y)
    areas = uncovered(depth, shore, 2.0, crs=32615)
    assert areas.attributes["area_m2"][0] == pytest.approx(polygon_area(areas.polygons[0], 32615))
    table = level_table(only(depth), shore, step=1.0, lowest=-3.0, crs=32615)
    lost = table.area[-1] - table.area[table.level == -2.0][0]
    assert areas.attributes["area_m2"][0] == pytest.approx(lost, rel=2e-3)


def test_a_drawdown_below_the_bottom_uncovers_all():
    areas = uncovered(bowl("cone", 20.0), circle(), 40.0)
    assert areas.attributes["area_m2"][0] == pytest.approx(np.pi * RADIUS**2, rel=1e-6)
    assert water_at(bowl("cone", 20.0), circle(), -40.0).is_empty


def test_report_of_table_and_drawdown_agrees_with_the_cone():
    steps = []
    report = level_report(
        only(bowl("cone")), circle(), step=1.0, drawdown=3.0, lowest=-5.0, progress=steps.append
    )
    whole, dry = cone(0.0)[0], cone(0.0)[0] - cone(-3.0)[0]
    assert report.uncovered_area == pytest.approx(dry, rel=2e-3)
    assert report.uncovered_percent == pytest.approx(100.0 * dry / whole, rel=2e-3)
    assert report.table.uncovered_area[::-1] == pytest.approx(
        whole - cone(-np.arange(6.0))[0], rel=2e-3, abs=2e-3 * whole
    )
    assert report.table.mapped_percent == pytest.approx(100.0, abs=0.1)
    assert steps == sorted(steps)
    assert steps[-1] == 1.0
    with pytest.raises(LakefloorError, match="drawdown must be above 0"):
        level_report(only(bowl("cone")), circle(), step=1.0, drawdown=0.0)


@pytest.mark.parametrize("drawdown", [0.1, 0.3048, 3.0])
def test_the_row_of_the_drawdown_and_its_polygon_have_one_area(drawdown):
    # At 0.1 m the uncovered strip is narrower than a cell, and its outline differs from the table.
    report = level_report(only(bowl("cone")), circle(), step=drawdown, drawdown=drawdown)
    row = np.argmin(np.abs(report.table.level + drawdown))
    assert report.uncovered.attributes["area_m2"] == [report.table.uncovered_area[row]]
    drawn = sum(p.area for p in report.uncovered.polygons)
    assert drawn == pytest.approx(report.uncovered_area, rel=0.02)


def test_water_at_levels():
    depth = bowl("cone", land=60.0)
    for level in (-10.0, -1.0, 0.0, 2.0):
        assert water_at(depth, circle(), level).area == pytest.approx(cone(level)[0], rel=2e-3)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), step=st.sampled_from([0.1, 0.25, 0.7]))
def test_tables_never_lose_water_as_it_rises(seed, step):
    rng = np.random.default_rng(seed)
    grid = empty_grid((0.0, 0.0, 30.0, 30.0), 1.0)
    lake = box(8.2, 8.3, 21.7, 20.9)
    x, y = np.meshgrid(grid.x, grid.y)
    away = np.maximum(np.abs(x - 15), np.abs(y - 14.6)) - 6.5
    depth = np.where(away > 0, -0.3 * away, 3.0) + rng.uniform(-0.3, 0.3, grid.shape)
    table = level_table(Surface(grid.like(depth), None, None), lake, step=step, highest=1.5)
    assert np.all(np.diff(table.area) >= -1e-9)
    assert np.all(np.diff(table.volume) >= table.area[:-1] * np.diff(table.level) - 1e-6)
    assert table.level[-1] <= 1.5 + 1e-9


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"step": 0.0}, "above 0 m"),
        ({"step": 1e-4}, "at most"),
        ({"step": 0.1, "lowest": 1.0}, "must be below"),
    ],
)
def test_refusals(change, words):
    with pytest.raises(LakefloorError, match=words):
        level_table(only(bowl("cone", 50.0)), circle(), **change)
    with pytest.raises(LakefloorError, match="drawdown"):
        uncovered(bowl("cone", 50.0), circle(), -1.0)


def test_an_empty_raster():
    empty = Grid(np.full((5, 5), np.nan), 0.0, 0.0, 1.0, 1.0)
    with pytest.raises(LakefloorError, match="No cell"):
        level_table(only(empty), circle(), step=0.1)


@pytest.mark.parametrize("strange", [np.inf, 3.0 * DEEPEST])
def test_the_table_ends_at_the_deepest_point_of_the_lake_not_of_the_raster(strange):
    grid = bowl("cone")
    values = grid.values.copy()
    values[0, 0] = strange
    assert not Point(grid.x[0], grid.y[0]).within(circle())
    whole = level_table(only(grid), circle(), step=1.0)
    got = level_table(only(grid.like(values)), circle(), step=1.0)
    assert got.level.tolist() == whole.level.tolist()
    assert got.volume.tolist() == whole.volume.tolist()
