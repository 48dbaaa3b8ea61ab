"""Difference of surfaces against closed formulas, GUM sums, and lakes with known change."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm
from scipy.stats import t as student_t

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Surface, empty_grid
from lakefloor.algorithms.core.surface.change_by_chance import Chance
from lakefloor.algorithms.core.surface.surface_difference import datum_shift, surface_difference
from lakefloor.algorithms.core.surface.tin import tin_surface

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).resolve().parent))
import made_lake
from rough_lakes import RoughLake


def plane(x, y):
    return 3.0 + 0.02 * x - 0.01 * y


def surface(depth=plane, cell=2.0, bounds=(0.0, 0.0, 100.0, 60.0), sd=0.05, away=5.0):
    grid = empty_grid(bounds, cell)
    z = depth(*np.meshgrid(grid.x, grid.y)) + np.zeros(grid.shape)
    known = np.isfinite(z)
    return Surface(
        grid.like(z),
        None if sd is None else grid.like(np.where(known, sd, np.nan)),
        None if away is None else grid.like(np.where(known, away, np.nan)),
    )


def test_a_plane_moved_by_a_fifth_of_a_metre():
    newer = surface(lambda x, y: plane(x, y) + 0.2)
    d = surface_difference(newer, surface(), datum_sd=0.0)
    # 100 m x 60 m x 0.2 m.
    assert d.net == pytest.approx(1200.0, rel=1e-12)
    assert d.gained == pytest.approx(1200.0, rel=1e-12)
    assert (d.lost, d.area, d.area_deeper, d.area_shallower) == (0.0, 6000.0, 6000.0, 0.0)
    assert d.mean == pytest.approx(0.2)
    assert d.resampled == ""
    assert (d.significance.values == 1).all()
    assert d.level_suspected
    back = surface_difference(surface(), newer, datum_sd=0.0)
    assert (back.gained, back.lost) == (0.0, pytest.approx(1200.0))
    assert (back.significance.values == -1).all()


def test_uncertainty_of_volume_worked_by_hand():
    newer = surface(lambda x, y: plane(x, y) + 0.5, sd=0.06)
    d = surface_difference(newer, surface(sd=0.08), datum_sd=0.03)
    # Joint: sqrt(0.06^2 + 0.08^2 + 2 * 0.03^2) m.
    np.testing.assert_allclose(d.uncertainty.values, np.sqrt(0.01 + 0.0018))
    # 5 m away in the median: errors fade over 20 m. Variance of the sum of errors that agree
    # within circles of 20 m: pi 20^2 * area * 0.1^2; of the datums: (area * 0.03 sqrt 2)^2.
    assert d.correlation_length == pytest.approx(20.0)
    random = np.pi * 400.0 * 6000.0 * 0.01
    datum = (6000.0 * 0.03) ** 2 * 2.0
    assert d.net_sd == pytest.approx(np.sqrt(random + datum))
    assert d.mean_sd == pytest.approx(np.sqrt(random + datum) / 6000.0)
    # Without distances one error for the whole surface: area * 0.1.
    alike = surface_difference(newer, surface(sd=0.08, away=None), datum_sd=0.0)
    assert alike.net_sd == pytest.approx(600.0)


def test_volume_of_a_scour_hole_is_that_of_its_paraboloid():
    def hole(x, y):
        q = ((x - 50.0) ** 2 + (y - 30.0) ** 2) / 20.0**2
        return plane(x, y) + 2.0 * np.clip(1.0 - q, 0.0, None)

    newer = surface(hole, cell=0.5)
    d = surface_difference(newer, surface(cell=0.5), datum_sd=0.0)
    assert d.net == pytest.approx(np.pi * 20.0**2 * 2.0 / 2.0, rel=1e-3)
    # The rim, shallower than 1.96 sqrt(2) 0.05 m, is not called changed.
    limit = norm.ppf(0.975) * np.sqrt(2) * 0.05
    assert d.area_deeper == pytest.approx(np.pi * 20.0**2 * (1 - limit / 2.0), rel=5e-3)
    assert d.gained == pytest.approx(np.pi * 20.0**2 * (2.0 - limit**2 / 2.0) / 2.0, rel=5e-3)
    assert d.area_shallower == 0
    assert not d.level_suspected


@pytest.mark.parametrize("confidence", [0.68, 0.95, 0.99])
def test_share_called_changed_by_chance_is_that_of_the_normal_distribution(confidence):
    rng = np.random.default_rng(4)
    bounds = (0.0, 0.0, 600.0, 600.0)
    newer, older = (
        surface(
            lambda x, y, s=s: plane(x, y) + s * rng.standard_normal(x.shape), bounds=bounds, sd=s
        )
        for s in (0.1, 0.2)
    )
    d = surface_difference(newer, older, confidence=confidence, datum_sd=0.0)
    assert d.factor == pytest.approx(norm.interval(confidence)[1])
    n = d.change.values.size
    changed = np.count_nonzero(d.significance.values)
    assert changed / n == pytest.approx(
        1 - confidence, abs=4 * np.sqrt(confidence * (1 - confidence) / n)
    )
    # What is expected allows for tails heavier than those of normal errors: by scipy's own t.
    errors = student_t(5, d.chance.shift, d.chance.scale * np.hypot(0.1, 0.2))
    limit = d.factor * np.hypot(0.1, 0.2)
    share = errors.sf(limit) + errors.cdf(-limit)
    assert d.area_by_chance == pytest.approx(share * d.area)
    beyond = errors.expect(lambda e: e, lb=limit) - errors.expect(lambda e: e, ub=-limit)
    assert d.volume_by_chance == pytest.approx(beyond * d.area / 2.0)
    assert share >= 1.0 - confidence


def test_stated_uncertainty_of_the_net_volume_covers_its_errors():
    # 60 pairs of surfaces; errors are one within squares of 20 m and independent beyond.
    rng = np.random.default_rng(1)
    bounds, score = (0.0, 0.0, 400.0, 400.0), []
    for _ in range(60):
        block = np.kron(rng.standard_normal((20, 20)), np.ones((5, 5))) * 0.2
        newer = surface(lambda x, y, b=block: plane(x, y) + b, cell=4.0, bounds=bounds, sd=0.2)
        d = surface_difference(newer, surface(cell=4.0, bounds=bounds, sd=0.0), datum_sd=0.0)
        score.append(d.net / d.net_sd)
    # The circle of influence is pi times the square: on the safe side, by no more than that.
    assert 1 / np.pi < np.std(score) < 1.0


@pytest.fixture(scope="module")
def first_survey():
    return tin_surface(made_lake.survey(30.0, ping=4.0), shoreline=made_lake.shoreline(), cell=6.0)


def rough_surface(lake, spacing, seed, change=0.0):
    """A survey of a lake in which errors go together along the track, as a TIN."""
    survey = lake.survey(spacing, 0.05, seed, ping=3.0)
    rng, n = np.random.default_rng(seed + 1000), len(survey)
    x, y, depth = (
        v
        + size * gaussian_filter1d(rng.normal(0.0, 1.0, n), 20.0) * (2.0 * np.pi**0.5 * 20.0) ** 0.5
        for v, size in ((survey.x, 0.7), (survey.y, 0.7), (survey.depth, 0.03))
    )
    if callable(change):
        change = change(survey.x, survey.y)
    survey = survey.replace(x=x, y=y, depth=depth + change, uncert=np.full(n, 0.07))
    return tin_surface(survey, shoreline=lake.shoreline(), cell=spacing / 5.0)


@pytest.fixture(scope="module")
def unchanged():
    """Differences of two surveys of twelve lakes, the newer of which is up to 5 cm off."""
    found = []
    for seed in range(12):
        lake = RoughLake(300 + seed, (0.1, 0.2, 0.35)[seed % 3])
        older = rough_surface(lake, (20.0, 10.0)[seed % 2], 2 * seed)
        newer = rough_surface(lake, 20.0, 2 * seed + 1, 0.05 * np.cos(seed))
        found.append((surface_difference(newer, older), 0.05 * np.cos(seed)))
    return found


def test_what_is_expected_by_chance_occurs(unchanged):
    occurred = sum(d.area_deeper + d.area_shallower for d, _ in unchanged)
    expected = sum(d.area_by_chance for d, _ in unchanged)
    assert 0.5 < expected / occurred < 2.0
    occurred, expected = (
        sum(d.gained + d.lost for d, _ in unchanged),
        sum(2.0 * d.volume_by_chance for d, _ in unchanged),
    )
    assert 0.5 < expected / occurred < 2.0


def test_lakes_that_did_not_change_have_no_patches(unchanged):
    # One in twenty lakes may have one: two or more of twelve come with a probability of 0.12.
    assert sum(d.patch_count > 0 for d, _ in unchanged) <= 1
    for d, offset in unchanged:
        assert abs(d.net / d.area - offset) < 2.5 * d.mean_sd
        assert d.shift == pytest.approx(offset, abs=0.03)
        assert not d.level_suspected


@pytest.mark.parametrize(("before", "after"), [(40.0, 20.0), (20.0, 40.0), (30.0, 25.0)])
def test_a_drop_off_that_lanes_miss_is_no_patch(before, after):
    older, newer = (
        tin_surface(
            made_lake.survey(spacing, ping=4.0, seed=seed),
            shoreline=made_lake.shoreline(),
            cell=spacing / 5.0,
        )
        for spacing, seed in ((before, 52), (after, 2))
    )
    d = surface_difference(newer, older)
    assert d.area_deeper + d.area_shallower > 1000.0
    assert d.patch_count == 0
    # Whoever does not say where soundings are cannot say that none are near.
    assert surface_difference(newer, replace(older, distance=None)).patch_count > 0


def test_a_dredged_hole_is_a_patch_with_its_volume():
    right = []
    for seed in range(8):
        lake, depth = RoughLake(400 + seed, 0.15), (0.8, 1.6)[seed % 2]
        place = 60.0 * np.cos(seed), 60.0 * np.sin(seed)
        radius = np.sqrt(1500.0 / depth / (np.pi / 2.0))

        def hole(x, y, depth=depth, place=place, radius=radius):
            away = np.hypot(x - place[0], y - place[1])
            return depth * np.clip(1.0 - (away / radius) ** 2, 0.0, None) + 0.04

        older = rough_surface(lake, 10.0, 2 * seed)
        d = surface_difference(rough_surface(lake, 10.0, 2 * seed + 1, hole), older)
        p = d.patches
        assert np.hypot(p.x[0] - place[0], p.y[0] - place[1]) < 0.5 * radius
        assert p.outlines[0].area == pytest.approx(p.area[0])
        assert 0.5 * depth < p.largest[0] < 1.8 * depth
        assert p.probability[0] < 0.01
        assert p.volume_sd[0] < 0.25 * 1500.0
        right.append(abs(p.volume[0] - 1500.0) < 2.0 * p.volume_sd[0])
    # The volume of a paraboloid, half its height times its area. Seven of eight or more within
    # two standard uncertainties come with a probability of 0.94 where nineteen of twenty do.
    assert sum(right) >= 7


def test_scores_are_as_improbable_as_the_errors():
    change = np.array([-3.0, -0.4, 0.1, 0.35, 1.7, 12.0])
    scores = Chance(0.1, 0.0, 0.8, 10.0).scores(change, np.full(6, 0.2))
    np.testing.assert_allclose(
        norm.sf(np.abs(scores)), student_t.sf(np.abs(change - 0.1) / 0.16, 5), rtol=1e-3
    )
    np.testing.assert_array_equal(np.sign(scores), [-1.0, -1.0, 0.0, 1.0, 1.0, 1.0])


def test_a_level_that_is_off_is_no_patch_and_hides_none():
    def scour(x, y):
        return plane(x, y) + 0.5 - 1.2 * np.exp(-((x - 30.0) ** 2 + (y - 30.0) ** 2) / 72.0)

    rng = np.random.default_rng(3)
    rough = rng.normal(0.0, 0.04, (30, 50))
    d = surface_difference(surface(lambda x, y: scour(x, y) + rough), surface())
    assert d.level_suspected
    assert d.shift == pytest.approx(0.5, abs=0.03)
    assert d.patch_count == 1
    # 2 pi s^2 times the height of a Gaussian.
    assert d.largest_volume == pytest.approx(-1.2 * 2.0 * np.pi * 36.0, abs=2 * d.largest_volume_sd)
    assert surface_difference(surface(lambda x, y: plane(x, y) + 0.5), surface()).patch_count == 0


def test_a_known_deposit_is_found_with_its_volume(first_survey):
    def deposit(x, y):
        return 1.5 * np.exp(-((x - 100.0) ** 2 + y**2) / (2 * 80.0**2))

    second = made_lake.survey(25.0, ping=4.0, seed=2)
    second = second.replace(depth=second.depth - deposit(second.x, second.y))
    newer = tin_surface(second, shoreline=made_lake.shoreline(), cell=5.0)
    d = surface_difference(newer, first_survey, datum_sd=0.0)
    x, y = np.meshgrid(d.change.x, d.change.y)
    known = np.isfinite(d.change.values)
    truth = -deposit(x, y)[known].sum() * d.change.dx**2
    assert d.net == pytest.approx(truth, abs=2.0 * d.net_sd)
    assert -truth > 3.0 * d.net_sd
    middle = np.hypot(x - 100.0, y) < 60.0
    assert np.mean(d.significance.values[middle] == -1) > 0.8


def test_the_coarser_surface_gives_the_cells_and_the_other_is_bilinear():
    def bumps(x, y):
        return 5.0 + np.sin(x / 7.0) * np.cos(y / 5.0)

    fine = surface(bumps, cell=1.0, bounds=(10.0, 5.0, 90.0, 45.0))
    coarse = surface(bumps, cell=3.0)
    d = surface_difference(fine, coarse)
    assert d.resampled == "newer"
    assert d.change.dx == 3.0
    g = fine.depth
    reference = RegularGridInterpolator((g.y[::-1], g.x), g.values[::-1])
    x, y = np.meshgrid(d.change.x, d.change.y)
    inner = (x > 10.5) & (x < 89.5) & (y > 5.5) & (y < 44.5)
    expected = reference((y[inner], x[inner])) - bumps(x[inner], y[inner])
    np.testing.assert_allclose(d.change.values[inner], expected, atol=1e-12)
    other = surface_difference(coarse, fine)
    assert other.resampled == "older"
    np.testing.assert_allclose(other.change.values, -d.change.values)


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.9, 0.9), st.floats(-0.9, 0.9), st.floats(-2.0, 2.0))
def test_a_plane_is_the_same_wherever_the_cells_fall(east, south, shift):
    moved = surface()
    x, y = np.meshgrid(moved.depth.x + east, moved.depth.y - south)
    depth = replace(
        moved.depth,
        values=plane(x, y) + shift,
        west=moved.depth.west + east,
        north=moved.depth.north - south,
    )
    parts = [
        replace(g, west=g.west + east, north=g.north - south)
        for g in (moved.uncertainty, moved.distance)
    ]
    d = surface_difference(Surface(depth, *parts), surface())
    inner = d.change.values[1:-1, 1:-1]
    np.testing.assert_allclose(inner, shift, atol=1e-9)


def test_gaps_are_not_compared_and_parts_add_up():
    newer = surface(lambda x, y: np.where(x < 20, np.nan, plane(x, y) + 0.3 * np.sign(x - 50)))
    older = surface(lambda x, y: np.where(x > 80, np.nan, plane(x, y)))
    d = surface_difference(newer, older)
    assert d.area == pytest.approx(60.0 * 60.0)
    assert d.gained == pytest.approx(30.0 * 60.0 * 0.3)
    assert d.lost == pytest.approx(30.0 * 60.0 * 0.3)
    assert d.net == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(d.significance.values[:, :10]).all()
    assert np.array_equal(np.isnan(d.change.values), np.isnan(d.uncertainty.values))


def test_datums():
    assert datum_shift(("summer pool", 150.0), ("summer pool", 150.0)) == 0.0
    # The same bottom, at 140 m: 10 m below a datum at 150 m, 9.7 m below one at 149.7 m.
    with pytest.raises(LakefloorError, match=r"\+0.3 m"):
        datum_shift(("summer pool", 150.0), ("winter pool", 149.7))
    with pytest.raises(LakefloorError, match="Give the shift"):
        datum_shift(("summer pool", 150.0), ("summer pool", 149.0))
    with pytest.raises(LakefloorError, match="older surface states no"):
        datum_shift(("summer pool", 150.0), None)
    # Water levels of two days that nobody read: no shift follows from them.
    may, june = ("water level of 2026-05-14", None), ("water level of 2026-06-20", None)
    assert datum_shift(may, may) == 0.0
    with pytest.raises(LakefloorError, match=r"to the newer datum\.$"):
        datum_shift(june, may)
    with pytest.raises(LakefloorError, match="'summer pool' at 150 m. Give the shift"):
        datum_shift(may, ("summer pool", 150.0))
    older = surface(lambda x, y: plane(x, y) - 0.3)
    assert surface_difference(surface(), older, shift=0.3).net == pytest.approx(0.0, abs=1e-9)


def test_areas_on_the_ellipsoid():
    bounds = (499_950.0, 5_099_970.0, 500_050.0, 5_100_030.0)
    # On the central meridian of a UTM zone map lengths are 0.9996 of the true ones.
    d = surface_difference(surface(bounds=bounds), surface(bounds=bounds), crs=32615)
    assert d.area == pytest.approx(6000.0 / 0.9996**2, rel=1e-6)


def test_refusals():
    with pytest.raises(LakefloorError, match="newer surface states no uncertainty"):
        surface_difference(surface(sd=None), surface())
    assert surface_difference(surface(sd=None), surface(), newer_sd=0.1).area == 6000.0
    with pytest.raises(LakefloorError, match="older surface states no uncertainty"):
        surface_difference(surface(), surface(sd=None))
    with pytest.raises(LakefloorError, match="do not overlap"):
        surface_difference(surface(), surface(bounds=(500.0, 0.0, 600.0, 60.0)))
    with pytest.raises(LakefloorError, match="no cell with depth in common"):
        surface_difference(
            surface(lambda x, y: np.where(x < 40, 1.0, np.nan)),
            surface(lambda x, y: np.where(x > 60, 1.0, np.nan)),
        )
    for wrong in (
        {"confidence": 1.0},
        {"confidence": 0.2},
        {"datum_sd": -1.0},
        {"older_sd": np.nan},
        {"shift": np.inf},
    ):
        with pytest.raises(LakefloorError):
            surface_difference(surface(), surface(), **wrong)

    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        surface_difference(surface(), surface(), progress=stop)
