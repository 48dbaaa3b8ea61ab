"""Bottom type on made lakes of known hardness, gain and trend, and on the example lake."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2] / "example_project"))
import generate
import hard_lakes
import truth
from shapely.geometry import box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid, empty_grid
from lakefloor.algorithms.core.hardness.bottom_type import bottom_type
from lakefloor.algorithms.core.hardness.bottom_type_map import class_areas
from lakefloor.algorithms.core.hardness.observations import away_from_edges, observations_of
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.terrain import slope

CELL = 5.0


def centres(grid):
    return np.meshgrid(grid.x, grid.y)


def share_right(result, hardness, limits):
    """Return the share of mapped cells whose class is the true one."""
    true = np.digitize(hardness(*centres(result.bottom)), limits)
    numbers = np.array([1, 3]) if len(limits) == 1 else np.array([1, 2, 3])
    known = np.isfinite(result.bottom.values)
    return np.mean(numbers[true][known] == result.bottom.values[known])


@pytest.fixture(scope="module")
def patches():
    soundings = hard_lakes.survey(hard_lakes.patches, per_decade=-0.15, per_degree=-0.01)
    return bottom_type(soundings, hard_lakes.depth_grid(), cell=CELL)


def test_gains_trends_and_classes_are_recovered(patches):
    # Planted: gains 1, 0.8, 1.15; -0.15 a decade of depth, -0.01 a degree of slope; 0.3 and 0.65.
    assert patches.gains.gain == pytest.approx([1.0, 0.8, 1.15], abs=0.06)
    assert patches.gains.gain_free.tolist() == [False, True, True]
    assert patches.trend.depth == pytest.approx(-0.15, abs=0.015)
    assert patches.trend.slope == pytest.approx(-0.01, abs=0.004)
    assert patches.classes == ("soft", "hard")
    assert np.diff(patches.mixture.mean) == pytest.approx([0.35], abs=0.015)
    assert share_right(patches, hard_lakes.patches, [0.475]) > 0.975
    assert sum(patches.shares.values()) == pytest.approx(1.0)
    known = patches.uncertainty.values[np.isfinite(patches.uncertainty.values)]
    assert np.mean(known <= patches.median_uncertainty) == pytest.approx(0.5, abs=0.01)
    assert patches.gains.after < 0.7 * patches.gains.before


def test_hardness_is_freed_from_depth_and_its_uncertainty_is_honest(patches):
    known = np.isfinite(patches.hardness.values)
    x, y = centres(patches.hardness)
    # Reduced to the reference depth and to flat bottom.
    shift = -0.15 * np.log10(patches.trend.reference_depth / 7.0)
    error = (patches.hardness.values - hard_lakes.patches(x, y) - shift)[known]
    sigma = patches.uncertainty.values[known]
    assert np.sqrt(np.mean(error**2)) < 0.05
    # Two standard uncertainties hold about 95 % where errors are normal.
    assert 0.90 < np.mean(np.abs(error) < 2.0 * sigma) < 0.999
    soft = hard_lakes.patches(x, y)[known] < 0.31
    decades = np.log10(hard_lakes.depth_m(x, y))[known]
    assert abs(np.polyfit(decades[soft], error[soft], 1)[0]) < 0.02
    far = patches.distance.values[known] > 8.0
    assert sigma[far].mean() > sigma[~far].mean()


def test_without_adjustment_the_visits_pass_for_classes(patches):
    soundings = hard_lakes.survey(hard_lakes.patches, per_decade=-0.15, per_degree=-0.01)
    raw = bottom_type(soundings, hard_lakes.depth_grid(), cell=CELL, adjust=False)
    assert (raw.gains.gain == 1.0).all()
    assert raw.mixture.sd.max() > 1.3 * patches.mixture.sd.max()


def test_three_bottoms_are_three_classes():
    # Noise and visits as before; the classes follow depth from west to east.
    result = bottom_type(
        hard_lakes.survey(hard_lakes.bands, per_decade=-0.1), hard_lakes.depth_grid(), cell=CELL
    )
    assert result.classes == ("soft", "medium", "hard")
    assert result.trend.depth == pytest.approx(-0.1, abs=0.02)
    assert share_right(result, hard_lakes.bands, [0.325, 0.575]) > 0.95
    assert [len(m) for m in result.tried] == [1, 2, 3]


def test_one_bottom_is_one_class_and_nothing_is_drawn():
    result = bottom_type(
        hard_lakes.survey(lambda x, y: 0.45 + 0.0 * x, per_decade=-0.15),
        hard_lakes.depth_grid(),
        cell=CELL,
    )
    assert len(result.mixture) == 1
    assert result.classes == ()
    assert np.isnan(result.bottom.values).all()
    assert result.shares == {}
    assert len(class_areas(result)) == 0
    assert any("single class" in note for note in result.notes)
    # The trend is found all the same.
    assert result.trend.depth == pytest.approx(-0.15, abs=0.02)


def small(**traits):
    x, y = hard_lakes.lanes("y")
    return hard_lakes.visit("2025-05-10", x, y, hard_lakes.patches, 7, **traits)


def test_thresholds_given_and_samples():
    rng = np.random.default_rng(0)
    x, y = rng.uniform(20, 380, 60), rng.uniform(20, 280, 60)
    hard = hard_lakes.patches(x, y)
    clear = np.abs(hard - 0.475) > 0.17
    samples = x[clear], y[clear], np.where(hard > 0.475, 2, 0)[clear]
    given = bottom_type(
        small(), hard_lakes.depth_grid(), cell=CELL, method="thresholds", thresholds=(0.4, 0.5)
    )
    assert given.classes == ("soft", "medium", "hard")
    assert given.thresholds == pytest.approx([0.4, 0.5])
    found = bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, samples=samples)
    assert found.classes == ("soft", "hard")
    assert found.calibration.kappa > 0.8
    assert 0.33 < found.thresholds[0] < 0.62
    assert any("Calibrated with" in note for note in found.notes)
    # Medium lies where hardness is about the middle, at the edges only.
    assert given.shares["medium"] < 0.15


def test_areas_are_those_of_the_cells(patches):
    areas = class_areas(patches)
    assert areas.attributes["bottom"] == ["soft", "hard"]
    for polygon, area in zip(areas.polygons, areas.attributes["area_m2"]):
        assert polygon.is_valid
        assert polygon.area == pytest.approx(area)
    assert sum(areas.attributes["share"]) == pytest.approx(1.0)


def test_shoreline_is_the_mask():
    shore = box(0.0, 0.0, 200.0, 300.0)
    result = bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, shoreline=shore)
    x, _ = centres(result.hardness)
    assert (x[np.isfinite(result.hardness.values)] < 200.0).all()
    assert (np.isfinite(result.uncertainty.values) == np.isfinite(result.hardness.values)).all()
    with pytest.raises(LakefloorError, match="within the shoreline"):
        bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, shoreline=box(900, 0, 950, 50))


def test_saturated_echoes_are_warned_of():
    # Gain so high that a hard bottom is cut off at 1.
    loud = bottom_type(small(gain=2.0), hard_lakes.depth_grid(), cell=CELL)
    assert loud.logged.saturated[0] > 0.05
    assert any("saturated" in note for note in loud.notes)
    assert not any(
        "saturated" in note
        for note in bottom_type(small(), hard_lakes.depth_grid(), cell=CELL).notes
    )


def test_steep_bottom_is_left_out():
    grid = hard_lakes.depth_grid()
    x, _ = centres(grid)
    # A face of 1 in 2, 26.6 degrees, between 190 and 200 m.
    steep = grid.like(grid.values + np.clip(x - 190.0, 0.0, 10.0) / 2.0)
    soundings = small()
    result = bottom_type(soundings, steep, cell=CELL)
    obs = result.logged.observations
    face = (obs.x > 193.0) & (obs.x < 197.0)
    assert not result.used[face].any()
    assert result.used[(obs.x < 180.0) | (obs.x > 210.0)].all()
    assert any("steeper than 8 degrees" in note for note in result.notes)
    assert bottom_type(soundings, steep, cell=CELL, max_slope_deg=90.0).used.all()


def test_very_shallow_water_is_left_out():
    result = bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, min_depth_m=4.0)
    obs = result.logged.observations
    assert (result.used == (obs.depth >= 4.0)).all()
    assert any("shallower than 4 m" in note for note in result.notes)


def test_a_visit_that_meets_no_other_is_left_out():
    near = hard_lakes.visit("a", *hard_lakes.lanes("y", east=180.0), hard_lakes.patches, 1)
    far = hard_lakes.visit("b", *hard_lakes.lanes("y", west=220.0), hard_lakes.patches, 2, gain=0.7)
    result = bottom_type(concatenate([near, far]), hard_lakes.depth_grid(), cell=CELL)
    assert result.gains.solved.sum() == 1
    assert any("left out" in note for note in result.notes)
    left = result.gains.visit[~result.gains.solved][0]
    x, _ = centres(result.hardness)
    mapped = x[np.isfinite(result.hardness.values)]
    assert mapped.max() < 260.0 if left == "b" else mapped.min() > 140.0


def test_pings_of_a_parked_boat_are_few_observations():
    rng = np.random.default_rng(3)
    soundings = small()
    parked = Soundings.build(
        *(np.array([[110.0], [150.0]]) + 0.3 * rng.standard_normal((2, 3000))),
        np.full(3000, 5.0),
        hardness=np.full(3000, 0.9),
        visit="2025-05-10",
    )
    grid = hard_lakes.depth_grid()
    logged = observations_of(concatenate([soundings, parked]), grid, slope(grid)[0])
    alone = observations_of(soundings, grid, slope(grid)[0])
    added = len(logged.observations) - len(alone.observations)
    assert added < 0.05 * 3000
    assert logged.observations.pings.sum() == len(soundings) + 3000
    # Footprint of a beam of 20 degrees at depth d: 2 d tan 10 = 0.3527 d.
    assert alone.footprint == pytest.approx(0.3527 * np.median(alone.observations.depth), rel=0.02)


def test_edges_do_not_make_a_class():
    soundings = small(noise=0.01, texture=0.0)
    grid = hard_lakes.depth_grid()
    logged = observations_of(soundings, grid, slope(grid)[0])
    obs = logged.observations
    clear = away_from_edges(obs, logged.noise)
    away = np.min(
        [np.abs(np.hypot(obs.x - x, obs.y - y) - r) for x, y, r in hard_lakes.PATCHES], axis=0
    )
    assert not clear[away < 2.0].any()
    assert clear[away > 45.0].mean() > 0.9


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"method": "guess"}, "unknown"),
        ({"thresholds": (0.6, 0.4)}, "the lower one first"),
        ({"max_slope_deg": 0.0}, "maximum slope"),
        ({"beam_deg": -1.0}, "beam width"),
        ({"max_slope_deg": 0.001}, "flatter than"),
    ],
)
def test_parameters_out_of_range(change, words):
    with pytest.raises(LakefloorError, match=words):
        bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, **change)


def test_bad_hardness_is_named():
    soundings = small()
    grid = hard_lakes.depth_grid()
    for hardness, words in (
        (np.full(len(soundings), np.nan), "has a hardness"),
        (100.0 * soundings.hardness, "within 0 and 1"),
    ):
        with pytest.raises(LakefloorError, match=words):
            bottom_type(soundings.replace(hardness=hardness), grid)
    away = Grid(grid.values, grid.west + 9000.0, grid.north, grid.dx, grid.dy)
    with pytest.raises(LakefloorError, match="to the same lake"):
        bottom_type(soundings, away)


def test_cancel():
    def progress(fraction):
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        bottom_type(small(), hard_lakes.depth_grid(), cell=CELL, progress=progress)


def example():
    """The two visits of the example lake that logged hardness, its depths and shoreline."""
    parts = []
    for name, sail, seed in (
        ("2025-08-09", generate.visit_b, 9082025),
        ("2026-06-20", generate.visit_c, 20062026),
    ):
        outing = sail(generate.random_source(seed))
        x, y = (outing.position + truth.ORIGIN).T
        parts.append(
            Soundings.build(x, y, outing.depth, hardness=np.round(outing.hardness, 2), visit=name)
        )
    shore = truth.shoreline_polygon()
    grid = empty_grid(shore.bounds, 2.0)
    return concatenate(parts), grid.like(truth.depth_m(*centres(grid))), shore


def test_example_lake():
    soundings, depth, shore = example()
    result = bottom_type(soundings, depth, shoreline=shore, cell=3.0)
    assert result.classes == ("soft", "hard")
    # Planted: 0.28 and 0.74; a gain of 0.92 that the scant overlap hardly tells.
    assert result.mixture.mean == pytest.approx([0.28, 0.74], abs=0.05)
    assert share_right(result, truth.hardness_truth, [0.51]) > 0.96
