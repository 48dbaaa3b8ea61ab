"""Uncertainty of a surface against the error on a lake whose depth is known."""

import sys
from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface import surface_uncertainty
from lakefloor.algorithms.core.surface.idw import idw_surface
from lakefloor.algorithms.core.surface.surface_nodes import frame
from lakefloor.algorithms.core.surface.surface_uncertainty import (
    estimate_growth,
    half_gap,
    leave_out,
    node_slope,
    reach,
)
from lakefloor.algorithms.core.surface.tin import tin_at, tin_surface

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake


def coverage(surface):
    """Share of cells whose error is within two standard deviations, and median sigma."""
    g = surface.depth
    x, y = np.meshgrid(g.x, g.y)
    known = np.isfinite(g.values)
    error = np.abs(g.values - made_lake.true_depth(x, y))[known]
    sigma = surface.uncertainty.values[known]
    return np.mean(error <= 2.0 * sigma), np.median(sigma), np.sqrt(np.mean(error**2))


@pytest.mark.parametrize("make", [tin_surface, idw_surface])
@pytest.mark.parametrize("spacing", [10.0, 20.0, 40.0])
@pytest.mark.parametrize("noise", [0.05, 0.15])
def test_two_standard_deviations_hold_some_95_percent_of_the_errors(make, spacing, noise):
    survey = made_lake.survey(spacing, noise=noise, margin=15.0, seed=7)
    share, sigma, rmse = coverage(make(survey, shoreline=made_lake.shoreline()))
    assert share >= 0.87
    # Not bought by a sigma that is far too wide.
    assert sigma < 1.5 * rmse


def test_most_of_the_stated_uncertainty_of_the_soundings_is_kept():
    survey = made_lake.survey(40.0)
    surface = tin_surface(survey.replace(uncert=np.full(len(survey), 0.8)))
    assert 0.55 <= np.nanmin(surface.uncertainty.values) <= 0.8


def test_soundings_that_state_no_uncertainty_have_it_learnt_from_the_residuals():
    survey = made_lake.survey(10.0, noise=0.3)
    unstated = survey.replace(uncert=np.full(len(survey), np.nan))
    share, _, _ = coverage(tin_surface(unstated, shoreline=made_lake.shoreline()))
    assert share >= 0.87


def test_uncertainty_grows_away_from_the_soundings_and_falls_to_the_shore():
    survey = made_lake.survey(40.0)
    surface = tin_surface(survey, shoreline=made_lake.shoreline())
    d, u = surface.distance.values, surface.uncertainty.values
    assert np.nanmean(u[d > 15]) > 1.5 * np.nanmean(u[d < 4])
    wet = np.isfinite(d)
    on_shore = wet & ~np.roll(wet, 1, axis=1)
    assert np.mean(u[on_shore]) < np.nanmean(u[d > 10])


def test_left_out_pieces_lie_as_far_as_lanes_do():
    f = frame(made_lake.survey(20.0))
    into, slope, stated, residual = leave_out(f.nodes, f.spacing, tin_at)
    assert len(into) == len(slope) == len(stated) == len(residual) > 500
    # Single points left out would lie a quarter of a spacing from the next one.
    assert np.quantile(into, 0.9) > 0.6 * 20.0
    assert np.quantile(into, 0.1) < 0.6 * 20.0


def test_error_grows_faster_with_distance_on_a_smooth_bottom_than_on_a_rough_one():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 800, 3.0), np.arange(0, 800, 20.0)))
    smooth = 20 + 5 * np.sin(x / 60) * np.sin(y / 60)
    # Independent steps every 5 m: the error is soon as large as it gets.
    steps = np.random.default_rng(11).normal(0, 0.5, (161, 161))
    rough = 20 + steps[(y // 5).astype(int), (x // 5).astype(int)]
    power = []
    for depth in (smooth, rough):
        f = frame(Soundings.build(x, y, depth))
        growth = estimate_growth(f.nodes, f.spacing, tin_at)
        assert growth.residuals > 500
        power.append(growth.power)
    assert power[0] > 1.0
    assert power[1] < 0.7


def test_a_single_lane_falls_back_on_its_slope():
    x = np.arange(0.0, 200.0, 2.0)
    survey = Soundings.build(x, 0 * x, 3.0 + 0.1 * x, uncert=0.1)
    f = frame(survey, cell=2.0, max_gap=20.0)
    growth = estimate_growth(f.nodes, f.spacing, tin_at)
    assert growth.residuals == 0
    assert (growth.scale, growth.steep, growth.power) == pytest.approx((0.1, 0.0, 1.0))
    assert growth.share == 1.0


def test_a_large_survey_is_sampled_and_agrees_with_the_whole(monkeypatch):
    f = frame(made_lake.survey(20.0), shoreline=made_lake.shoreline())
    whole = estimate_growth(f.nodes, f.spacing, tin_at)
    monkeypatch.setattr(surface_uncertainty, "_MOST_NODES", len(f.nodes) // 3)
    part = estimate_growth(f.nodes, f.spacing, tin_at)
    assert 300 < part.residuals < 0.6 * whole.residuals
    assert part.of(10.0, 0.1) == pytest.approx(whole.of(10.0, 0.1), rel=0.5)


def test_half_gap_between_two_lanes_is_half_their_distance():
    """Worked by hand: lanes 20 m apart leave circles of 10 m radius between them."""
    distance = np.minimum(np.arange(21.0), np.arange(21.0)[::-1])
    half = half_gap(np.tile(distance, (200, 1)), 1.0)
    # The radius goes in steps of a quarter; places hard by a lane are in the same gap.
    assert np.all(half[100, 1:-1] <= 10.0)
    assert np.all(half[100, 3:-3] > 10.0 / 1.25 - 1e-9)


def test_reach_is_the_half_gap_in_the_middle_and_nothing_on_the_lane():
    np.testing.assert_allclose(reach(np.array([0.0, 5.0, 10.0]), 10.0), [0.0, 75.0**0.5, 10.0])


def test_slope_at_the_nodes_of_a_plane():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(0, 200, 5.0), np.arange(0, 200, 20.0)))
    f = frame(Soundings.build(x, y, 3 + 0.3 * x / 10 + 0.4 * y / 10))
    np.testing.assert_allclose(node_slope(f.nodes), 0.05, rtol=0.02)
