"""Uncertainty of a surface against the error on lakes whose depth is known."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from lakefloor.algorithms.core.grid import grid_over
from lakefloor.algorithms.core.polygons import inside
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface import sample_windows
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.idw import idw_surface
from lakefloor.algorithms.core.surface.nodes import SOUNDING, Nodes
from lakefloor.algorithms.core.surface.roughness import grid_around, scatter, unevenness
from lakefloor.algorithms.core.surface.sample_windows import choose_windows, cross_lines
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.surface.surface_uncertainty import Growth, _likeliest, _onto
from lakefloor.algorithms.core.surface.tin import learn_tin, tin_surface

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "benchmarks")]
import made_lake
import made_reservoir
from rough_lakes import RoughLake


def smooth(*args, **options):
    return smooth_surface(*args, **options)[0]


def runs_north(survey):
    """Mark the pings of lanes that run south-north."""
    out = np.zeros(len(survey), dtype=bool)
    for number in np.unique(survey.lane):
        of = survey.lane == number
        out[of] = np.ptp(survey.y[of]) > np.ptp(survey.x[of])
    return out


def errors(surface, true_depth):
    """Error and standard uncertainty of the cells, m, and distance to the soundings, m."""
    g = surface.depth
    x, y = np.meshgrid(g.x, g.y)
    known = np.isfinite(g.values)
    assert (np.isfinite(surface.uncertainty.values) == known).all()
    error = np.abs(g.values - true_depth(x, y))[known]
    return error, surface.uncertainty.values[known], surface.distance.values[known]


def check_honest(surface, true_depth, spacing):
    error, sigma, away = errors(surface, true_depth)
    within = error <= 2.0 * sigma
    assert 0.9 <= within.mean() <= 0.995
    # Near lanes and between them.
    for low, high in ((0.0, 0.15), (0.15, 0.3), (0.3, 0.6)):
        part = (away >= low * spacing) & (away < high * spacing)
        assert part.sum() > 500
        assert within[part].mean() >= 0.87
    # Not bought by a sigma that is far too wide.
    assert np.median(sigma) < 1.2 * np.sqrt(np.mean(error**2))


@pytest.mark.parametrize("make", [tin_surface, idw_surface, smooth])
@pytest.mark.parametrize(("spacing", "noise"), [(20.0, 0.05), (20.0, 0.15), (40.0, 0.05)])
def test_two_standard_deviations_hold_some_95_percent_of_the_errors(make, spacing, noise):
    survey = made_lake.survey(spacing, noise=noise, margin=15.0, seed=7)
    surface = make(survey, shoreline=made_lake.shoreline(), cell=spacing / 8.0)
    check_honest(surface, made_lake.true_depth, spacing)


@pytest.mark.parametrize("make", [tin_surface, idw_surface, smooth])
def test_so_they_do_in_a_winding_valley(make):
    survey = made_reservoir.survey(20.0, seed=3)
    surface = make(survey, shoreline=made_reservoir.shoreline(), cell=2.5)
    check_honest(surface, made_reservoir.true_depth, 20.0)


@pytest.mark.parametrize("make", [tin_surface, idw_surface, smooth])
@pytest.mark.parametrize(
    ("rough", "spacing", "noise"),
    [(0.5, 20.0, 0.05), (0.3, 10.0, 0.0), (0.02, 10.0, 0.2), (0.05, 20.0, 0.2), (0.2, 20.0, 0.1)],
)
def test_so_they_do_on_smooth_and_rough_bottoms_and_under_noise(make, rough, spacing, noise):
    """Beside lanes a smooth surface errs by what it smooths away, and under noise by little."""
    lake = RoughLake(301, rough)
    surface = make(
        lake.survey(spacing, noise, 301),
        shoreline=lake.shoreline(),
        cell=spacing / 6.0,
        spacing=spacing,
    )
    error, sigma, away = errors(surface, lake.true_depth)
    within = error <= 2.0 * sigma
    assert 0.90 <= within.mean() <= 0.99
    for low, high in ((0.0, 0.25), (0.25, 0.5)):
        part = (away >= low * spacing) & (away < high * spacing)
        assert 0.88 <= within[part].mean() <= 0.995


def test_so_they_do_between_the_last_lane_and_a_steep_shore():
    """IDW keeps to the depth of the shore there, which falls away."""
    shoreline = made_reservoir.shoreline()
    surface = idw_surface(made_reservoir.survey(10.0, seed=3), shoreline=shoreline, cell=2.5)
    error, sigma, away = errors(surface, made_reservoir.true_depth)
    to_shore = distance_transform_edt(inside(shoreline, surface.depth), sampling=2.5)
    beside = to_shore[np.isfinite(surface.depth.values)] < away
    assert beside.sum() > 500
    assert 0.9 <= np.mean(error[beside] <= 2.0 * sigma[beside]) <= 0.99


@pytest.mark.parametrize("make", [tin_surface, smooth])
def test_so_they_do_without_cross_lines(make):
    """Every third lane then tells of gaps twice as wide."""
    survey = made_lake.survey(20.0)
    survey = survey.select(~runs_north(survey))
    surface = make(survey, shoreline=made_lake.shoreline(), cell=2.5)
    error, sigma, _ = errors(surface, made_lake.true_depth)
    assert np.mean(error <= 2.0 * sigma) >= 0.93
    assert np.median(sigma) < 1.5 * np.sqrt(np.mean(error**2))


def test_half_of_what_soundings_state_beyond_their_scatter_is_kept():
    survey = made_lake.survey(40.0)
    surface = tin_surface(survey.replace(uncert=np.full(len(survey), 0.8)))
    # Most of it cannot be seen in the survey: half of sqrt(0.8^2 - 0.05^2).
    assert np.nanquantile(surface.uncertainty.values, 0.01) == pytest.approx(0.4, abs=0.02)


def test_soundings_that_state_no_uncertainty_have_it_learnt_from_their_scatter():
    survey = made_lake.survey(10.0, noise=0.3)
    unstated = survey.replace(uncert=np.full(len(survey), np.nan))
    surface = tin_surface(unstated, shoreline=made_lake.shoreline())
    error, sigma, _ = errors(surface, made_lake.true_depth)
    assert 0.9 <= np.mean(error <= 2.0 * sigma) <= 0.99


def test_uncertainty_grows_away_from_the_soundings_and_falls_to_the_shore():
    survey = made_lake.survey(40.0)
    surface = tin_surface(survey, shoreline=made_lake.shoreline())
    d, u = surface.distance.values, surface.uncertainty.values
    assert np.nanmean(u[d > 15]) > 1.5 * np.nanmean(u[d < 4])
    wet = np.isfinite(d)
    on_shore = wet & ~np.roll(wet, 1, axis=1)
    assert np.mean(u[on_shore]) < np.nanmean(u[d > 10])


def test_a_plane_is_known_far_from_soundings():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 400, 2.0), np.arange(0, 401, 20.0)))
    survey = Soundings.build(x, y, 3 + 0.02 * x + 0.03 * y, uncert=0.02)
    surface = tin_surface(survey, cell=2.0)
    assert np.nanmax(surface.uncertainty.values) < 0.02


def test_tie_lines_are_found_whatever_the_heading():
    survey = made_lake.survey(20.0)
    across = runs_north(survey)
    assert 0.1 < across.mean() < 0.3
    for turn in (0.0, 0.7, 2.0):
        x = np.cos(turn) * survey.x - np.sin(turn) * survey.y
        y = np.sin(turn) * survey.x + np.cos(turn) * survey.y
        depth = np.zeros(len(x))
        nodes = Nodes.build(x, y, depth, SOUNDING, lane=survey.lane)
        np.testing.assert_array_equal(cross_lines(nodes), across)


def flat_plane(east=0.0, north=0.0):
    """A coarse grid around the pings below, and the slopes of a plane on it."""
    around = grid_over((-100.0, -100.0, 50_000.0, 100.0), 1000.0)
    return around, [np.full(around.shape, slope) for slope in (east, north)]


def test_scatter_is_the_noise_of_pings_and_none_on_a_straight_slope():
    rng = np.random.default_rng(3)
    x = np.cumsum(rng.uniform(0.5, 3.0, 20_000))
    slope = Soundings.build(x, 0 * x, 2.0 + 0.1 * x)
    assert np.nanmax(scatter(slope, 20.0, *flat_plane(0.1))) < 1e-16
    noisy = slope.replace(depth=slope.depth + rng.normal(0, 0.2, len(x)))
    assert np.nanmean(scatter(noisy, 20.0, *flat_plane(0.1))) == pytest.approx(0.04, rel=0.05)
    assert np.isnan(scatter(noisy, 20.0, *flat_plane())[[0, -1]]).all()
    # No line runs between pings that are far apart.
    assert np.isnan(scatter(noisy, 0.5, *flat_plane())).all()


def test_scatter_holds_what_an_error_of_position_does_on_a_side_slope():
    """A position that errs by p shows a depth that errs by p times the slope."""
    rng = np.random.default_rng(4)
    x = np.arange(0.0, 40_000.0, 2.0)
    # The lane runs straight along the contour; the positions logged do not.
    survey = Soundings.build(x, rng.normal(0, 0.7, len(x)), np.full(len(x), 5.0))
    found = scatter(survey, 20.0, *flat_plane(0.0, 0.2))
    assert np.nanmean(found) == pytest.approx((0.2 * 0.7) ** 2, rel=0.12)
    # A boat that weaves across the slope, and knows where it is, does not err.
    y = 3.0 * np.sin(x / 5.0)
    weaving = Soundings.build(x, y, 5.0 + 0.2 * y)
    assert np.nanmax(scatter(weaving, 20.0, *flat_plane(0.0, 0.2))) < 1e-16


def test_departure_from_a_plane_and_slope():
    """Of a x^2 in a normal window of deviation s it is a s^2 sqrt(2): var(x^2) = 2 s^4.

    Of a plane of slope g the ridge r leaves g s sqrt(2 r / (1 + 2 r)).
    """
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 400, 2.5), np.arange(0, 400, 20.0)))
    for depth, off, slopes in (
        (3 + 0.03 * x + 0.04 * y, 0.05 * 12.0 * np.sqrt(0.04 / 1.04), (0.03, 0.04)),
        (1e-3 * (x - 200.0) ** 2, 1e-3 * 12.0**2 * np.sqrt(2.0), (0.0, 0.0)),
    ):
        f = frame(Soundings.build(x, y, depth), cell=2.5, spacing=20.0)
        around = grid_around(f.grid, 20.0)
        found = [
            around.like(v).sample([200.0], [200.0])[0]
            for v in unevenness(f.nodes, around, 20.0, False)
        ]
        assert found == pytest.approx([off, *slopes], rel=0.06, abs=0.01)


def test_parts_of_a_variance_are_found_whatever_a_spike_does():
    """Normal deviates of known variance: 0.01 + 0.04 p + 0.09 q."""
    rng = np.random.default_rng(6)
    parts = rng.uniform(0.0, 2.0, (2, 20_000))
    told = np.full(20_000, 0.01)
    square = (told + 0.04 * parts[0] + 0.09 * parts[1]) * rng.standard_normal(20_000) ** 2
    for spikes in (0, 5):
        square[:spikes] = 400.0
        _, found = _likeliest(square, told, parts)
        assert found == pytest.approx([0.04, 0.09], rel=0.15)
    # What is told explains all.
    square = told * rng.standard_normal(20_000) ** 2
    assert (_likeliest(square, told, parts)[1] < 1e-3).all()


def test_growth_of_an_older_surface_means_what_it_did():
    """``sigma^2 = (share N)^2 + (rate D)^2 d``, the share alike everywhere."""
    old = Growth(0.05, 0.8, 0.1, 0.0, 99)
    assert old.of(9.0, 2.0) == pytest.approx(0.1 * 2.0 * 3.0)
    np.testing.assert_allclose(old.share_squared(np.array([0.0, 9.0]), 20.0), 0.64)
    new = Growth(0.05, 0.8, 0.1, 0.0, 99, near=0.2, power=2.0, between=0.4)
    assert new.of(9.0, 2.0) == pytest.approx(2.0 * np.hypot(0.2, 0.9))
    shares = new.share_squared(np.array([0.0, 2.5, 5.0, 9.0]), 20.0)
    np.testing.assert_allclose(shares, [0.64, 0.4, 0.16, 0.16])


def test_a_coarse_plane_is_the_same_plane_on_finer_cells():
    f = frame(made_lake.survey(40.0), cell=4.0)
    around = grid_around(f.grid, f.spacing)
    coarse = around.like(2.0 + 0.1 * around.x + 0.2 * around.y[:, None])
    expected = 2.0 + 0.1 * f.grid.x + 0.2 * f.grid.y[:, None]
    np.testing.assert_allclose(_onto(coarse, f.grid), expected, atol=1e-3)


def test_a_single_lane_falls_back_on_its_slope():
    x = np.arange(0.0, 200.0, 2.0)
    survey = Soundings.build(x, 0 * x, 3.0 + 0.1 * x, uncert=0.1)
    surface = smooth(survey, cell=2.0, max_gap=20.0)
    # The bottom may fall as steeply to the side: 0.1 m a metre.
    sigma = surface.uncertainty.sample([100.0], [1.0])[0]
    assert surface.distance.values.max() <= 20.0
    assert sigma == pytest.approx(0.1, abs=0.06)


def test_a_large_survey_is_sampled_and_agrees_with_the_whole(monkeypatch):
    f = frame(made_lake.survey(20.0), shoreline=made_lake.shoreline())
    monkeypatch.setattr(sample_windows, "_NODES", 100_000)
    assert choose_windows(f, f.mask).grid.shape == f.grid.shape
    whole = learn_tin(f)
    monkeypatch.setattr(sample_windows, "_NODES", 8_000)
    assert choose_windows(f, f.mask).grid.shape != f.grid.shape
    part = learn_tin(f)
    assert 300 < part.residuals < 0.8 * whole.residuals
    assert part.of(10.0, 0.1) == pytest.approx(whole.of(10.0, 0.1), rel=0.15)
