"""Smooth surfaces against splines of scipy, published errors and lakes known exactly."""

import sys
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator
from shapely.geometry import Polygon, box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.surface import sample_windows
from lakefloor.algorithms.core.surface import thin_plate as plate_module
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.surface.thin_plate import Held, per_cell, thin_plate
from lakefloor.algorithms.core.surface.tin import tin_surface

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).resolve().parent))
import made_lake
from test_tin import FRANKE_33, franke


def lanes(depth, spacing=20.0, size=400.0, ping=2.0, noise=0.0, seed=0, **known):
    """Parallel lanes west-east over a square, and a cross-line."""
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, size + 0.1, ping)
    starts = np.append(np.arange(0.0, size + 0.1, spacing), np.nan)
    x = np.concatenate([along if np.isfinite(s) else np.full(len(along), size / 2) for s in starts])
    y = np.concatenate([np.full(len(along), s) if np.isfinite(s) else along for s in starts])
    z = depth(x, y) + noise * rng.standard_normal(len(x))
    number = np.repeat(np.arange(len(starts)) + 1, len(along))
    return Soundings.build(x, y, z, lane=number, visit="a", **{"uncert": 0.05, **known})


def on_cells(surface, depth):
    """Return error of the cells, and where it is known."""
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    error = surface.depth.values - depth(x, y)
    return error, np.isfinite(error)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_the_equations_are_symmetric_and_match_their_diagonal():
    rng = np.random.default_rng(0)
    wet = rng.random((14, 17)) > 0.1
    held = Held(
        rng.uniform(-0.5, 13.5, 40), rng.uniform(-0.5, 16.5, 40), rng.normal(size=40), np.ones(40)
    )
    angle = rng.uniform(0, 2 * np.pi, wet.shape)
    soft = rng.random(wet.shape) > 0.9, rng.random(wet.shape) > 0.9
    plate = plate_module._Plate(wet, held, 2.0, soft, 10.0, (np.cos(angle), np.sin(angle)))
    n = plate.diagonal.size
    with ThreadPoolExecutor() as pool:
        unit = np.eye(n, dtype=np.float32).reshape(n, *plate.shape)
        matrix = np.array([plate.times(e, pool)[0].ravel() for e in unit])
    np.testing.assert_allclose(matrix, matrix.T, atol=1e-4)
    np.testing.assert_allclose(np.diag(matrix), plate.diagonal.ravel(), atol=1e-4)
    assert np.linalg.eigvalsh(matrix.astype(float)).min() > -1e-3
    # A plane does not bend, whatever the strike.
    plane = np.add.outer(np.arange(plate.shape[0]), 2.0 * np.arange(plate.shape[1]))
    plate.weight[:] = 0.0
    with ThreadPoolExecutor() as pool:
        assert np.abs(plate.times(plane.astype(np.float32), pool)[0]).max() < 1e-3


def test_franke_error_is_near_that_of_the_thin_plate_spline():
    y, x = np.mgrid[0:33, 0:33] / 32.0
    z = franke(*FRANKE_33.T)
    held = Held(FRANKE_33[:, 1] * 32, FRANKE_33[:, 0] * 32, z, np.full(33, 1e4))
    drawn = thin_plate(np.ones((33, 33), dtype=bool), held, cell=1 / 32, give=100.0, spacing=0.2)
    error = rms(drawn - franke(x, y))
    spline = RBFInterpolator(FRANKE_33, z, kernel="thin_plate_spline", degree=1)
    reference = spline(np.column_stack([x.ravel(), y.ravel()])).reshape(33, 33)
    assert rms(reference - franke(x, y)) == pytest.approx(0.04208, abs=1e-5)
    # Between the spline and minimum curvature without tension by GMT 6.4 surface on the same
    # nodes and lattice, 0.04740.
    assert 0.04208 < error < 0.04740
    assert rms(drawn - reference) < 0.3 * error


@pytest.mark.parametrize("give", [0.03, 0.1])
def test_noisy_soundings_of_differing_weight_give_the_smoothing_spline(give):
    """Against scipy.interpolate.RBFInterpolator with smoothing.

    r^2 log r / (8 pi) is the fundamental solution of the biharmonic equation (Wahba 1990,
    section 2.4, from memory), so that the spline whose bending counts by 1 / give^2 has a
    smoothing of 8 pi variance / give^2; it is also the kriging of that generalised covariance
    with the variance as nugget.
    """
    rng = np.random.default_rng(1)
    cell, size, margin = 2.0, 129, 35
    xy = rng.uniform(margin, size - margin, (150, 2))
    sigma = rng.choice([0.1, 0.5], 150)
    z = 5.0 + 2.0 * np.sin(xy[:, 0] / 12.5) * np.cos(xy[:, 1] / 15.0) + rng.normal(0.0, sigma)
    drawn = thin_plate(
        np.ones((size, size), dtype=bool),
        Held(xy[:, 1], xy[:, 0], z, sigma**-2.0),
        cell=cell,
        give=give,
        spacing=20.0,
    )
    r, c = (part.ravel() for part in np.mgrid[margin : size - margin, margin : size - margin])
    at = np.column_stack([c, r]) * cell
    spline, exact = (
        RBFInterpolator(xy * cell, z, kernel="thin_plate_spline", degree=1, smoothing=smoothing)(at)
        for smoothing in (8.0 * np.pi * sigma**2 / give**2, 0.0)
    )
    smoothed = rms(exact - spline)
    assert smoothed > 0.2
    assert rms(drawn[r, c] - spline) < 0.08 * smoothed


def test_without_noise_the_surface_runs_through_the_soundings():
    def depth(x, y):
        return 6.0 + 2.0 * np.sin(x / 40.0) * np.cos(y / 50.0)

    survey = lanes(depth, uncert=0.01)
    surface, _ = smooth_surface(survey, smoothing=0.0)
    misfit = surface.depth.sample(survey.x, survey.y) - survey.depth
    assert np.isfinite(misfit).mean() > 0.9
    assert rms(misfit[np.isfinite(misfit)]) < 0.01


def test_a_plane_is_drawn_exactly():
    def depth(x, y):
        return 3.0 + 0.02 * x + 0.01 * y

    surface, _ = smooth_surface(lanes(depth))
    error, known = on_cells(surface, depth)
    assert np.abs(error[known]).max() < 2e-3


@pytest.mark.parametrize(("spacing", "cell"), [(10.0, 2.0), (20.0, 2.5), (40.0, 5.0)])
def test_error_is_well_below_that_of_a_tin(spacing, cell):
    survey, shore = made_lake.survey(spacing), made_lake.shoreline()
    tin = tin_surface(survey, shoreline=shore, cell=cell)
    smooth, fit = smooth_surface(survey, shoreline=shore, cell=cell)
    errors = [on_cells(surface, made_lake.true_depth)[0] for surface in (tin, smooth)]
    x, y = np.meshgrid(smooth.depth.x, smooth.depth.y)
    # The formula of the depth has a cusp at its origin.
    common = np.isfinite(errors[0] + errors[1]) & (np.hypot(x, y) > 60.0)
    assert rms(errors[1][common]) < 0.65 * rms(errors[0][common])
    # Twice the spacing is harder than this one.
    assert fit.lane_out_rmse > rms(errors[1][common])


def test_turning_the_survey_turns_the_surface():
    survey = made_lake.survey(40.0)
    turned = survey.replace(x=-survey.y, y=survey.x)
    options = {"cell": 5.0, "max_gap": 60.0}
    one, _ = smooth_surface(survey, **options)
    other, _ = smooth_surface(turned, **options)
    x, y = (part.ravel() for part in np.meshgrid(one.depth.x, one.depth.y))
    difference = other.depth.sample(-y, x) - one.depth.values.ravel()
    # Between lanes; beyond the last lane nothing but bending holds the surface.
    between = np.isfinite(difference) & (one.distance.values.ravel() < 20.0)
    assert between.mean() > 0.4
    assert rms(difference[between]) < 0.03


def test_an_uncertain_sounding_is_outweighed():
    def depth(x, y):
        return 5.0 + 0.0 * x

    survey = lanes(depth)
    wild = Soundings.build([101.0], [101.0], [9.0], uncert=100.0, lane=0, visit="a")
    surface, _ = smooth_surface(concatenate([survey, wild]))
    assert surface.depth.sample([101.0], [101.0])[0] == pytest.approx(5.0, abs=0.01)


def test_nothing_is_deeper_than_the_soundings_or_above_the_shore():
    def depth(x, y):
        return 4.0 + 3.0 * np.tanh((x - 200.0) / 6.0)

    shore = box(-20.0, -20.0, 420.0, 420.0)
    survey = lanes(depth)
    surface, _ = smooth_surface(survey, shoreline=shore)
    assert np.nanmax(surface.depth.values) <= survey.depth.max() + 1e-6
    assert np.nanmin(surface.depth.values) >= 0.0
    # Away from the shore, on the shelf, too.
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    shelf = (x > 60) & (x < 170) & (y > 60) & (y < 340)
    assert np.abs(surface.depth.values[shelf] - 1.0).max() < 0.15


def test_a_step_between_two_break_lines_stays_sharp():
    def depth(x, y):
        return np.where(x + 0.3 * y < 250.0, 2.0, 8.0)

    survey = lanes(depth, size=400.0)
    y = np.array([-10.0, 410.0])
    crest = np.column_stack([248.0 - 0.3 * y, y, [2.0, 2.0]])
    toe = np.column_stack([252.0 - 0.3 * y, y, [8.0, 8.0]])
    plain, _ = smooth_surface(survey, cell=2.0)
    sharp, _ = smooth_surface(survey, cell=2.0, breaklines=[crest, toe])
    x, y = np.meshgrid(sharp.depth.x, sharp.depth.y)
    beside = np.abs(x + 0.3 * y - 250.0)
    near = (beside > 4.5) & (beside < 20.0) & (x > 20) & (x < 380) & (y > 20) & (y < 380)
    errors = [rms(s.depth.values[near] - depth(x, y)[near]) for s in (plain, sharp)]
    assert errors[1] < 0.1
    assert errors[1] < 0.4 * errors[0]


def test_nothing_is_carried_across_land():
    def depth(x, y):
        return np.where(y < 200.0, 2.0, 9.0)

    survey = lanes(depth, spacing=25.0, size=400.0)
    survey = survey.select(np.abs(survey.y - 200.0) > 12.0)
    # Two basins with a strip of land between, 8 m wide, joined far in the east.
    lake = Polygon(box(-10, -10, 520, 410).exterior, [box(-5, 196, 500, 204).exterior.coords])
    surface, _ = smooth_surface(survey, shoreline=lake, cell=2.0)
    d = surface.depth
    assert np.isnan(d.sample([100.0], [200.0])[0])
    assert d.sample([100.0, 100.0], [170.0, 230.0]) == pytest.approx([2.0, 9.0], abs=0.4)
    assert np.nanmax(np.where(d.y[:, None] < 196.0, d.values, np.nan)) < 3.0


def test_nothing_is_drawn_beyond_the_gap():
    surface, _ = smooth_surface(made_lake.survey(40.0), max_gap=25.0, cell=5.0)
    assert np.nanmax(surface.distance.values) <= 25.0
    assert (np.isfinite(surface.depth.values) == np.isfinite(surface.distance.values)).all()


def test_a_large_survey_is_sampled_in_windows_and_agrees(monkeypatch):
    survey = made_lake.survey(20.0)
    _, whole = smooth_surface(survey, cell=4.0)
    monkeypatch.setattr(sample_windows, "_NODES", 8_000)
    _, part = smooth_surface(survey, cell=4.0)
    assert part.lane_out_rmse == pytest.approx(whole.lane_out_rmse, rel=0.6)
    assert part.give == whole.give


def test_same_input_same_numbers():
    survey = made_lake.survey(40.0)
    one, two = (smooth_surface(survey, cell=5.0)[0] for _ in range(2))
    for a, b in zip(vars(one).values(), vars(two).values()):
        np.testing.assert_array_equal(getattr(a, "values", a), getattr(b, "values", b))


def test_a_mean_of_pings_in_a_cell_is_weighted_and_counts_no_more_than_a_few():
    held = Held(
        np.full(3, 2.1), np.array([3.0, 3.2, 3.1]), np.array([1.0, 4.0, 4.0]), np.array([8, 1, 1.0])
    )
    mean = per_cell(held, (5, 5), most=2.0)
    assert mean.depth == pytest.approx([1.6])
    assert mean.col == pytest.approx([3.03])
    assert mean.weight == pytest.approx([10.0 * 2 / 3])


def test_bad_input_is_named():
    survey = made_lake.survey(40.0)
    with pytest.raises(LakefloorError, match="Smoothing must be 0 m or more"):
        smooth_surface(survey, smoothing=-1.0)
    with pytest.raises(LakefloorError, match="do not overlap"):
        smooth_surface(survey, shoreline=box(9e5, 9e5, 9.1e5, 9.1e5))
    with pytest.raises(LakefloorError, match="Cell size must be above 0"):
        smooth_surface(survey, cell=0.0)


def test_a_single_lane_gets_a_surface_with_given_sizes():
    x = np.arange(0.0, 200.0, 2.0)
    survey = Soundings.build(x, 0 * x, 3.0 + 0.01 * x)
    surface, fit = smooth_surface(survey, cell=2.0, max_gap=15.0)
    assert np.isnan(fit.lane_out_rmse)
    assert surface.depth.sample([101.0], [1.0])[0] == pytest.approx(4.0, abs=0.05)
    assert np.isfinite(surface.uncertainty.values[np.isfinite(surface.depth.values)]).all()


def test_cancel_stops_at_once():
    def cancel(fraction):
        if fraction > 0.65:
            raise Cancelled

    with pytest.raises(Cancelled):
        smooth_surface(made_lake.survey(40.0), progress=cancel)


@pytest.mark.parametrize("draw", [smooth_surface, tin_surface])
def test_an_uncertainty_of_nothing_states_nothing(draw):
    def depth(x, y):
        return 4.0 + x / 100.0 + np.sin(y / 40.0)

    def drawn(uncert):
        made = draw(lanes(depth, noise=0.03, uncert=uncert))
        made = made[0] if isinstance(made, tuple) else made
        assert np.isfinite(made.depth.values).sum() > 1000
        return made.depth.values, made.uncertainty.values

    odd = np.arange(len(lanes(depth))) % 2 == 1
    for like in (np.nan, np.where(odd, np.nan, 0.05)):
        expected = drawn(like)
        for unfilled in (0.0, -1.0):
            got = drawn(np.where(np.isfinite(like), like, unfilled))
            np.testing.assert_array_equal(got, expected)
    # What is beyond belief weighs no more than a millimetre does.
    np.testing.assert_array_equal(drawn(1e-300), drawn(1e-3))


def test_soundings_beside_the_grid_leave_the_uncertainty_known():
    depth = lambda x, y: 6.0 + np.sin(x / 30.0) + np.cos(y / 25.0)  # noqa: E731
    soundings = lanes(depth, noise=0.05)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        half, _ = smooth_surface(soundings, shoreline=box(0.0, 0.0, 200.0, 400.0), cell=4.0)
    within, _ = smooth_surface(
        soundings.select(soundings.x <= 200.0), shoreline=box(0.0, 0.0, 200.0, 400.0), cell=4.0
    )
    ours, theirs = (np.nanmedian(s.uncertainty.values) for s in (half, within))
    assert ours == pytest.approx(theirs, rel=0.2)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("beyond", [5.0, 40.0])
def test_a_sounding_beyond_the_grid_changes_neither_depths_nor_uncertainty(beyond):
    """As the squares of a coarsened copy that lie half on land: they have no cells around them."""
    x, y = (
        v.ravel() for v in np.meshgrid(np.arange(5.0, 300.0, 10.0), np.arange(5.0, 300.0, 10.0))
    )
    inside = Soundings.build(x, y, 3.0 + np.sin(x / 40.0) * np.cos(y / 50.0), visit="copy")
    stray = Soundings.build([300.0 + beyond], [150.0], [3.0], visit="copy")
    drawn, whole = (
        smooth_surface(s, cell=4.0, shoreline=box(0.0, 0.0, 298.0, 300.0), max_gap=25.0)[0]
        for s in (concatenate([inside, stray]), inside)
    )
    assert np.isfinite(drawn.uncertainty.values).sum() == np.isfinite(whole.depth.values).sum()
    medians = [np.nanmedian(each.uncertainty.values) for each in (drawn, whole)]
    assert medians[0] == pytest.approx(medians[1], rel=0.1)
