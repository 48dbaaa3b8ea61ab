"""Where the bottom has changed between two visits."""

import doctest

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits import bottom_change as module
from lakefloor.algorithms.core.visits.bottom_change import ChangeTest, bottom_change
from lakefloor.algorithms.core.visits.change_growth import Bottom, changed_patches

from .rough_lakes import RoughLake

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


def grown(older, newer):
    """Return patches, and which accepted soundings of each older visit they supersede."""
    test = ChangeTest()
    found = [bottom_change(one, newer, test) for one in older]
    bottoms = [Bottom(one, test.depth_m) for one in older]
    return changed_patches(Bottom(newer, test.depth_m), bottoms, found, test)


def dug(x, y, depth=1.2, radius=26.0):
    return slope_5_percent(x, y) + depth * (np.hypot(x - 13.0, y + 8.0) < radius)


def in_the_hole(soundings, radius):
    return np.hypot(soundings.x - EAST - 13.0, soundings.y - NORTH + 8.0) < radius


@pytest.mark.parametrize("spacing", [5.0, 10.0, 20.0])
def test_all_that_is_older_in_a_hole_is_superseded_and_nothing_far_from_it(spacing):
    older = [
        survey(slope_5_percent, seed, along, position=0.3) for seed, along in ((1, "x"), (2, "y"))
    ]
    newer = survey(dug, 3, "y", spacing=spacing, position=0.3)
    patches, superseded = grown(older, newer)
    assert len(patches) == 1
    assert patches.change[0] == pytest.approx(1.2, abs=0.35)
    assert patches.area[0] == pytest.approx(np.pi * 26.0**2, rel=0.35)
    for one, mask in zip(older, superseded):
        inside, outside = in_the_hole(one, 23.0), ~in_the_hole(one, 26.0 + spacing)
        assert inside.sum() > 50
        assert mask[inside].mean() > 0.97
        assert not mask[outside].any()


def test_a_part_that_the_newer_visit_did_not_see_is_not_emptied():
    older = survey(slope_5_percent, 1, "x", position=0.3)
    newer = survey(dug, 3, "y", spacing=5.0, position=0.3)
    seen = newer.select(newer.x - EAST < 13.0)
    patches, (mask,) = grown([older], seen)
    assert len(patches) == 1
    away = older.x - EAST - 13.0
    assert mask[in_the_hole(older, 23.0) & (away < -3.0)].mean() > 0.97
    assert not mask[away > 13.0].any()


def test_a_visit_too_sparse_for_any_block_is_superseded_with_the_others():
    dense = survey(slope_5_percent, 1, "x", position=0.3)
    sparse = survey(slope_5_percent, 2, "y", spacing=20.0, position=0.3)
    sparse = sparse.select(np.arange(len(sparse)) % 12 == 0)
    newer = survey(dug, 3, "y", spacing=5.0, position=0.3)
    assert len(bottom_change(sparse, newer)) == 0
    _, (_, mask) = grown([dense, sparse], newer)
    inside = in_the_hole(sparse, 23.0)
    assert inside.sum() >= 3
    assert mask[inside].all()
    assert not mask[~in_the_hole(sparse, 34.0)].any()


def test_a_narrow_trench_that_no_block_shows_is_a_patch():
    def trench(x, y):
        return slope_5_percent(x, y) + 1.4 * (np.abs(y + x / 2.0 - 3.0) < 7.0) * (np.abs(x) < 60.0)

    older = survey(slope_5_percent, 1, "x", position=0.3)
    newer = survey(trench, 3, "y", spacing=5.0, position=0.3)
    patches, (mask,) = grown([older], newer)
    x, y = older.x - EAST, older.y - NORTH
    inside = (np.abs(y + x / 2.0 - 3.0) < 5.0) & (np.abs(x) < 55.0)
    assert mask[inside].mean() > 0.9
    assert mask[~inside].mean() < 0.1
    assert patches.change[0] > 0.8


def test_patches_of_both_signs_and_none_without_change():
    def both(x, y):
        return with_bar(x, y) + 1.2 * (np.hypot(x - 70.0, y - 70.0) < 20.0)

    older = survey(slope_5_percent, 1, "x", position=0.3)
    patches, _ = grown([older], survey(both, 3, "y", spacing=5.0, position=0.3))
    assert sorted(np.sign(patches.change)) == [-1.0, 1.0]
    assert len(patches.areas()) == 2
    patches, (mask,) = grown([older], survey(slope_5_percent, 3, "y", spacing=5.0, position=0.3))
    assert len(patches) == 0
    assert not mask.any()


def rough_visit(lake, spacing, seed):
    """Sail a rough lake; errors of position and depth go together along the track."""
    visit = lake.survey(spacing, 0.05, seed)
    rng, n = np.random.default_rng(seed + 1000), len(visit)
    x, y, depth = (
        v
        + size * gaussian_filter1d(rng.normal(0.0, 1.0, n), 20.0) * (2.0 * np.pi**0.5 * 20.0) ** 0.5
        for v, size in ((visit.x, 0.7), (visit.y, 0.7), (visit.depth, 0.03))
    )
    return visit.replace(x=x, y=y, depth=depth, uncert=np.full(n, 0.07))


@pytest.mark.parametrize("seed", [7, 8, 72])
def test_an_unchanged_drop_off_between_lanes_supersedes_nothing(seed):
    """In these lakes a block or two seems to have changed, as one in twenty may."""
    lake = RoughLake(500 + seed, 0.2)
    older = rough_visit(lake, 40.0, 2 * seed)
    newer = rough_visit(lake, (10.0, 20.0)[seed % 2], 2 * seed + 1)
    assert 1 <= bottom_change(older, newer).changed.sum() <= 8
    patches, (mask,) = grown([older], newer)
    assert len(patches) == 0
    assert not mask.any()


def test_a_level_that_is_off_changes_no_block():
    older = survey(slope_5_percent, 1, position=0.3)
    newer = survey(lambda x, y: dug(x, y) + 0.2, 3, "y", spacing=10.0, position=0.3)
    found = bottom_change(older, newer)
    assert found.shift == pytest.approx(0.2, abs=0.03)
    x, y = (v[found.changed] * found.block_m + 10.0 for v in (found.col, found.row))
    assert len(x) >= 2
    assert np.all(np.hypot(x - EAST - 13.0, y - NORTH + 8.0) < 45.0)
    patches, (mask,) = grown([older], newer)
    assert len(patches) == 1
    assert not mask[~in_the_hole(older, 40.0)].any()


def test_soundings_along_one_line_grow_nothing_and_are_no_error():
    older = survey(slope_5_percent, 1)
    line = Soundings.build(
        EAST + np.arange(-50.0, 50.0), np.full(100, NORTH), 9.0 + np.zeros(100), uncert=0.05
    )
    patches, (mask,) = grown([older], line)
    assert len(mask) == len(older)
    assert len(patches) == len(patches.areas())
    assert len(grown([older], line.select([]))[0]) == 0


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
        assert len(found.areas()) == 0
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
