"""Depth along lines, against closed formulas."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.structure.depth_profile import COLUMNS, depth_profiles, summary
from lakefloor.algorithms.core.structure.ground import Ground


def plane(cell=2.0, a=0.03, b=-0.02):
    grid = Grid(np.zeros((60, 80)), 0.0, 120.0, cell, cell)
    x, y = np.meshgrid(grid.x, grid.y)
    return grid.like(5.0 + a * x + b * y)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(2, 158), st.integers(2, 118)), min_size=2, max_size=5, unique=True
    ),
    st.floats(0.7, 9.0),
)
def test_plane_is_recovered_along_any_line(vertices, step):
    """Bilinear interpolation reproduces a plane exactly."""
    line = np.array(vertices, dtype=float)
    at = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    found = depth_profiles(Ground(plane()), [line], step_m=step)
    assert found["depth_m"] == pytest.approx(5.0 + 0.03 * found["x"] - 0.02 * found["y"])
    assert found["distance_m"][0] == 0.0
    assert found["distance_m"][-1] == pytest.approx(at[-1])
    assert (found["x"][-1], found["y"][-1]) == pytest.approx(tuple(line[-1]))
    gaps = np.diff(found["distance_m"])
    assert gaps[:-1] == pytest.approx(np.full(len(gaps) - 1, step))
    assert gaps[-1] <= step * 1.00001
    # Straight from station to station is no longer than along the line.
    chord = np.hypot(np.diff(found["x"]), np.diff(found["y"]))
    assert np.all(chord <= gaps + 1e-9)
    if len(line) == 2:
        dx, dy = (line[1] - line[0]) / at[-1]
        assert found["slope_pct"] == pytest.approx(
            np.full(len(found["x"]), 100 * (0.03 * dx - 0.02 * dy)), abs=1e-6
        )


def test_a_line_the_other_way_is_the_same_the_other_way_round():
    line = np.array([(10.0, 60.0), (90.0, 60.0)])
    there, back = (depth_profiles(Ground(plane()), [way]) for way in (line, line[::-1]))
    assert there["depth_m"] == pytest.approx(back["depth_m"][::-1])
    assert there["slope_pct"] == pytest.approx(-back["slope_pct"][::-1])
    # Deepening along the line is positive: 3 in a hundred eastwards.
    assert there["slope_pct"] == pytest.approx(np.full(41, 3.0))


def test_gaps_stay_gaps():
    grid = plane(b=0.0)
    values = grid.values.copy()
    values[:, 30:35] = np.nan  # from 60 m to 70 m
    ground = Ground(
        grid.like(values),
        uncertainty=grid.like(np.full(grid.shape, 0.2)),
        bottom_class=grid.like(np.full(grid.shape, 3.0)),
    )
    found = depth_profiles(ground, [np.array([(41.0, 60.0), (101.0, 60.0), (200.0, 60.0)])])
    hole = (found["x"] > 60.0) & (found["x"] < 70.0) | (found["x"] > 160.0)
    for name in ("depth_m", "uncert_m", "slope_pct", "bottom"):
        assert np.array_equal(np.isnan(found[name]), hole), name
    figures = summary(found, 1)
    assert figures["length_m"] == pytest.approx(159.0)
    # Stations stand every 2 m, at odd eastings: 41..59, 71..159.
    assert figures["mapped_m"] == pytest.approx(18.0 + 88.0)
    assert figures["shallowest_m"] == pytest.approx(5.0 + 0.03 * 41.0)
    assert figures["deepest_m"] == pytest.approx(5.0 + 0.03 * 159.0)
    assert figures["mean_m"] == pytest.approx(5.0 + 0.03 * (18 * 50.0 + 88 * 115.0) / 106.0)
    assert figures["steepest_pct"] == pytest.approx(3.0)


def test_bottom_type_is_that_of_the_cell_and_lines_are_numbered():
    grid = plane()
    east = np.meshgrid(grid.x, grid.y)[0]
    # A raster of its own, with cells of another size.
    other = Grid(np.zeros((24, 32)), 0.0, 120.0, 5.0, 5.0)
    classes = other.like(np.where(np.meshgrid(other.x, other.y)[0] < 75.0, 1.0, 3.0))
    ground = Ground(
        grid,
        bottom_class=classes,
        hardness=grid.like(east / 160.0),
        class_probability=classes.like(np.full((24, 32), 0.9)),
        distance=grid.like(np.full(grid.shape, 4.0)),
    )
    lines = [np.array([(10.0, 20.0), (140.0, 20.0)]), np.array([(50.0, 10.0), (50.0, 100.0)])]
    found = depth_profiles(ground, lines, step_m=1.0)
    assert set(found) == {"x", "y", *COLUMNS}
    assert list(np.unique(found["line"])) == [1, 2]
    first = found["line"] == 1
    assert np.array_equal(found["bottom"][first], np.where(found["x"][first] < 75.0, 1.0, 3.0))
    assert found["hardness"][first] == pytest.approx(found["x"][first] / 160.0)
    assert found["distance_m"][~first][0] == 0.0
    assert set(found["bottom_prob"]) == {0.9}
    assert set(found["sounding_m"]) == {4.0}


def test_step_longer_than_the_line_gives_its_ends():
    found = depth_profiles(Ground(plane()), [np.array([(10.0, 20.0), (13.0, 24.0)])], step_m=50.0)
    assert list(found["distance_m"]) == pytest.approx([0.0, 5.0])


@pytest.mark.parametrize(
    ("lines", "step", "message"),
    [
        ([], None, "no line"),
        ([np.array([(1.0, 1.0), (1.0, 1.0)])], None, "Line 1 has no length"),
        ([np.array([(1.0, 1.0), (np.nan, 1.0)])], None, "not a number"),
        ([np.array([(1.0, 1.0), (9.0, 1.0)])], 0.0, "above 0 m"),
        ([np.array([(1.0, 1.0), (90.0, 1.0)])], 1e-7, "too many samples"),
        ([np.array([(1001.0, 1.0), (1009.0, 1.0)])], None, "No part of the line lies on mapped"),
    ],
)
def test_what_cannot_be_drawn_is_refused(lines, step, message):
    with pytest.raises(LakefloorError, match=message):
        depth_profiles(Ground(plane()), lines, step_m=step)
