"""Where the bottom has changed between two visits."""

import doctest

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits import bottom_change as module
from lakefloor.algorithms.core.visits.bottom_change import ChangeTest, bottom_change

EAST, NORTH = 400_000.0, 5_150_000.0


def slope_5_percent(x, y):
    return 4.0 + 0.05 * x + 0.02 * y


def survey(bottom, seed, along="x", offset=0.0, spacing=15.0, noise=0.04, position=0.7, half=100.0):
    """Sail lanes over a square of 2 x ``half``; positions drift, depths are in 0.1 ft."""
    rng = np.random.default_rng(seed)
    s, lane = np.meshgrid(np.arange(-half, half, 2.0), np.arange(-half, half, spacing) + offset)
    s, lane = s.ravel(), lane.ravel()
    n = s.size
    lane = lane + 4.0 * np.convolve(rng.normal(0, 1, n), np.ones(50) / 50, "same")
    x, y = (s, lane) if along == "x" else (lane, s)
    depth = bottom(x, y) + rng.normal(0, noise, n)
    drift = [
        position * np.convolve(rng.normal(0, 1, n), np.ones(150) / 150**0.5, "same")
        for _ in range(2)
    ]
    return Soundings.build(
        EAST + x + drift[0], NORTH + y + drift[1], np.round(depth / 0.03048) * 0.03048, uncert=0.05
    )


def with_bar(x, y, height=1.0, radius=25.0):
    return slope_5_percent(x, y) - height * np.exp(-(x**2 + y**2) / (2 * radius**2))


def test_one_block_against_least_squares():
    """Step and standard error as numpy's own least squares gives them, within a wide prior.

    The model is that of Draper & Smith (1998), chapter 14: parallel planes.
    """
    rng = np.random.default_rng(4)
    n = 60
    x, y = rng.uniform(0, 20, (2, n))
    newer = np.arange(n) % 2 == 1
    depth = 5 + 0.1 * x - 0.05 * y + 0.5 * newer + rng.uniform(-0.05, 0.05, n)
    a, b = (Soundings.build(x[m], y[m], depth[m], uncert=1e-3) for m in (~newer, newer))
    found = bottom_change(a, b, ChangeTest(block_m=20.0, reach_m=30.0, position_m=0.0))
    design = np.column_stack([np.ones(n), newer, x, y])
    solution, *_ = np.linalg.lstsq(design, depth, rcond=None)
    misfit = depth - design @ solution
    assert found.change[0] == pytest.approx(solution[1], abs=0.01)
    assert found.slope[0] == pytest.approx(np.hypot(*solution[2:]), abs=2e-3)
    # Uniform misfits: the scale from the median absolute misfit is 1.4826 a/2, the standard
    # deviation a / sqrt 3, so that both terms are 1.284 times those of least squares.
    se = np.sqrt(misfit @ misfit / (n - 4) * np.linalg.inv(design.T @ design)[1, 1])
    scatter = np.std(misfit, ddof=4)
    assert found.uncert[0] == pytest.approx(1.284 * np.hypot(se, scatter), rel=0.1)
    assert (found.n_older[0], found.n_newer[0]) == (30, 30)


@pytest.mark.parametrize(("along", "offset"), [("x", 3.0), ("y", 0.0)])
def test_an_unchanged_bottom_is_left_alone(along, offset):
    older = survey(slope_5_percent, 1)
    newer = survey(slope_5_percent, 2, along, offset)
    found = bottom_change(older, newer)
    assert len(found) >= 40
    assert found.changed.mean() <= 0.05
    assert abs(np.median(found.change)) < 0.05


@pytest.mark.parametrize(("along", "offset"), [("x", 3.0), ("y", 0.0)])
def test_a_new_bar_is_found_and_only_it(along, offset):
    older, newer = survey(slope_5_percent, 1), survey(with_bar, 3, along, offset)
    found = bottom_change(older, newer)
    centre = np.column_stack([found.col, found.row]) * 20.0 + 10.0 - [EAST, NORTH]
    distance = np.hypot(*centre.T)
    # Parallel lanes 3 m apart leave a block open where a step may as well be a slope.
    assert found.changed[distance < 15].mean() >= (1.0 if along == "y" else 0.5)
    assert found.changed[distance > 75].mean() <= 0.05
    assert found.change[found.changed & (distance < 15)] == pytest.approx(-0.85, abs=0.25)
    assert not found.level_suspected
    # The other way round it is the same step, with the other sign.
    back = bottom_change(newer, older)
    np.testing.assert_allclose(back.change, -found.change, atol=5e-3)


def test_older_rows_are_those_in_the_squares():
    older, newer = survey(slope_5_percent, 1), survey(with_bar, 3, "y")
    older = older.replace(status=np.where(np.arange(len(older)) % 10, older.status, "spike"))
    found = bottom_change(older, newer)
    areas = found.areas()
    assert len(areas) == found.changed.sum() > 0
    inside = np.zeros(len(older), bool)
    for square in areas.polygons:
        west, south, east, north = square.bounds
        inside |= (older.x >= west) & (older.x < east) & (older.y >= south) & (older.y < north)
    np.testing.assert_array_equal(found.older_rows, np.flatnonzero(inside & older.accepted))


def test_lanes_apart_on_a_steep_bottom_are_no_change():
    """Two parallel lanes 4 m apart down a 1 in 3 side: a step is as likely a slope."""

    def steep(x, y):
        return 5 + y / 3

    s = np.arange(-50, 50, 1.0)
    older = Soundings.build(EAST + s, NORTH + 8 + 0 * s, steep(s, 8.0) + 0 * s, uncert=0.05)
    newer = Soundings.build(EAST + s, NORTH + 12 + 0 * s, steep(s, 12.0) + 0 * s, uncert=0.05)
    found = bottom_change(older, newer)
    assert len(found) >= 4
    assert not found.changed.any()
    # The same depths on the same line are a real change.
    moved = newer.replace(y=older.y)
    assert bottom_change(older, moved).changed.all()


def test_blunders_do_not_make_a_change():
    older, newer = survey(slope_5_percent, 1), survey(slope_5_percent, 2, "y")
    depth = newer.depth.copy()
    depth[::12] += 15.0
    found = bottom_change(older, newer.replace(depth=depth))
    assert found.changed.mean() <= 0.05


def test_a_wrong_level_is_suspected():
    older = survey(slope_5_percent, 1)
    newer = survey(lambda x, y: slope_5_percent(x, y) + 0.8, 2, "y")
    found = bottom_change(older, newer)
    assert found.level_suspected
    assert np.median(found.change) == pytest.approx(0.8, abs=0.05)


def test_nothing_to_compare():
    older = survey(slope_5_percent, 1)
    far = older.replace(x=older.x + 5000.0)
    for newer in (far, older.select([]), older.select(slice(0, 2))):
        found = bottom_change(older, newer)
        assert len(found) == 0
        assert len(found.older_rows) == len(found.areas()) == 0
        assert not found.level_suspected


def test_a_stated_uncertainty_decides():
    older, newer = survey(slope_5_percent, 1), survey(with_bar, 3, "y")
    sure = bottom_change(older, newer).changed.sum()
    vague = bottom_change(older, newer.replace(uncert=np.full(len(newer), 0.6))).changed.sum()
    assert vague < sure
    unknown = newer.replace(uncert=np.full(len(newer), np.nan))
    np.testing.assert_array_equal(
        bottom_change(older, unknown, ChangeTest(depth_m=0.6)).changed,
        bottom_change(older, newer.replace(uncert=np.full(len(newer), 0.6))).changed,
    )


@pytest.mark.parametrize(
    "bad",
    [
        {"block_m": 0.0},
        {"reach_m": -1.0},
        {"min_soundings": 2},
        {"confidence": 1.0},
        {"min_change_m": float("nan")},
        {"position_m": -1.0},
    ],
)
def test_parameters_out_of_range_are_told(bad):
    with pytest.raises(LakefloorError):
        ChangeTest(**bad)


def test_an_uncertainty_of_nothing_is_the_one_assumed():
    from lakefloor.algorithms.core.soundings import stated_uncertainty

    np.testing.assert_array_equal(
        stated_uncertainty([0.0, -0.1, np.nan, np.inf, 1e-9, 0.05]),
        [np.nan, np.nan, np.nan, np.nan, 1e-3, 0.05],
    )


def test_examples():
    assert doctest.testmod(module).failed == 0
