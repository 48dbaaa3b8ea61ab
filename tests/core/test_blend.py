"""An older map and a detailed survey as one surface."""

import importlib
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from shapely.geometry import box

from lakefloor.algorithms.core.blending.blend import blend_survey, smooth_step
from lakefloor.algorithms.core.blending.older_map import contour_map
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Lines, Surface, empty_grid
from lakefloor.algorithms.core.polygons import inside

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
sys.path.insert(0, str(EXAMPLE))
truth = importlib.import_module("truth")

CELL = 4.0


def bottom(x, y):
    """A made bottom, m, with slopes that face all ways."""
    return 6.0 + 2.0 * np.sin(x / 37.0) * np.cos(y / 29.0) + 0.01 * x + 1.5 * np.cos(y / 61.0)


def grid_of(function, bounds, cell=CELL):
    grid = empty_grid(bounds, cell)
    return grid.like(function(*np.meshgrid(grid.x, grid.y)))


def survey(depth, part, sigma=0.05):
    """The part of a depth grid that was surveyed; ``part`` is a mask."""
    values = np.where(part, depth.values, np.nan)
    known = np.isfinite(values)
    return Surface(
        depth.like(values),
        depth.like(np.where(known, sigma, np.nan)),
        depth.like(np.where(known, 2.0, np.nan)),
    )


def within(grid, west, south, east, north):
    x, y = np.meshgrid(grid.x, grid.y)
    return (x > west) & (x < east) & (y > south) & (y < north)


LAKE = (0.0, 0.0, 400.0, 320.0)
BOX = (120.0, 100.0, 280.0, 220.0)


@pytest.fixture(scope="module")
def made():
    true = grid_of(bottom, LAKE)
    return true, survey(true, within(true, *BOX))


def test_a_known_bias_is_recovered_and_removed_exactly(made):
    true, detail = made
    found = blend_survey(detail, true.like(1.1 * true.values + 0.3))
    assert found.offset.value == pytest.approx(0.3, abs=1e-9)
    assert found.scale.value == pytest.approx(1.1, abs=1e-9)
    assert found.offset.removed
    assert found.scale.removed
    assert np.abs(found.surface.depth.values - true.values).max() < 1e-7
    known = detail.depth.values[np.isfinite(detail.depth.values)]
    assert found.rmse_before == pytest.approx(np.sqrt(np.mean((0.1 * known + 0.3) ** 2)))
    assert found.rmse_after < 1e-7
    assert np.nanmax(np.abs(found.difference.values - (0.1 * detail.depth.values + 0.3))) < 1e-12


def test_a_map_without_bias_is_left_as_it_is(made):
    true, detail = made
    rng = np.random.default_rng(7)
    general = true.like(true.values + rng.normal(0.0, 0.2, true.shape))
    found = blend_survey(detail, general)
    assert not (found.offset.removed)
    assert not (found.scale.removed)
    assert (found.older.values == general.values).all()
    assert any("not changed" in note for note in found.notes)


def test_bias_and_standard_errors_against_scipy(made):
    """On white noise the blocks' standard errors are those of ordinary least squares.

    Reference: scipy.stats.linregress, and scipy.stats.siegelslopes as another robust line.
    """
    true, detail = made
    rng = np.random.default_rng(3)
    general = true.like(1.1 * true.values + 0.8 + rng.normal(0.0, 0.3, true.shape))
    found = blend_survey(detail, general)
    part = np.isfinite(detail.depth.values)
    d, g = detail.depth.values[part], general.values[part]
    line = stats.linregress(d, g)
    assert found.scale.value == pytest.approx(line.slope, abs=line.stderr)
    assert found.offset.value == pytest.approx(line.intercept, abs=line.intercept_stderr)
    assert found.scale.uncert == pytest.approx(line.stderr, rel=0.15)
    assert found.offset.uncert == pytest.approx(line.intercept_stderr, rel=0.15)
    # One cell in twelve is a blunder of 5 m: least squares is drawn off, the robust lines are not.
    bad = general.like(general.values + 5.0 * (rng.random(general.shape) < 1 / 12))
    found = blend_survey(detail, bad)
    siegel = stats.siegelslopes(bad.values[part], d)
    assert found.scale.value == pytest.approx(siegel.slope, abs=4 * line.stderr)
    at_mean = found.offset.value + found.scale.value * d.mean()
    squares = stats.linregress(d, bad.values[part])
    straight = 1.1 * d.mean() + 0.8
    assert (
        abs(at_mean - straight)
        < 0.15
        < abs(squares.intercept + squares.slope * d.mean() - straight)
    )


def test_errors_that_hang_together_make_the_bias_less_sure(made):
    """Offset of maps with errors 30 m long: its scatter over many maps is the standard error.

    Only maps for which the same terms were found to matter are compared: the choice between
    offset and scale is a further uncertainty, which no standard error holds.
    """
    from scipy.ndimage import gaussian_filter

    true, detail = made
    rng = np.random.default_rng(11)
    found = []
    for _ in range(40):
        noise = gaussian_filter(rng.normal(size=true.shape), 5.0)
        found.append(blend_survey(detail, true.like(true.values + 1.0 + 0.4 * noise / noise.std())))
    alike = [f.offset for f in found if f.offset.removed and not f.scale.removed]
    assert len(alike) > 15
    claimed = np.median([offset.uncert for offset in alike])
    assert 0.5 < claimed / np.std([offset.value for offset in alike]) < 2.0


def general_of(true, rng, bias=0.0, tilt=0.0):
    """A map with errors some 50 m long of 0.4 m, a bias and a tilt across the lake, m."""
    from scipy.ndimage import gaussian_filter

    noise = gaussian_filter(rng.normal(size=true.shape), 4.0)
    x = (np.meshgrid(true.x, true.y)[0] - true.x.mean()) / np.ptp(true.x)
    return true.like(true.values + 0.4 * noise / noise.std() + bias + tilt * x)


@pytest.mark.parametrize(
    ("bias", "tilt", "least", "most"),
    [(0.0, 0.0, 0.98, 1.01), (0.0, 1.0, 0.95, 1.05), (1.2, 0.0, 0.2, 0.7)],
)
def test_a_correction_that_one_corner_does_not_support_is_not_carried_over_the_lake(
    bias, tilt, least, most
):
    """Mean square error of the blend beyond the transition against that of the map as given.

    Over thirty maps; a map that is biased gains, one that is not must not lose.
    """
    true = grid_of(bottom, (0.0, 0.0, 600.0, 500.0), 6.0)
    detail = survey(true, within(true, 30.0, 40.0, 270.0, 230.0))
    rng = np.random.default_rng(4)
    squares = []
    for _ in range(30):
        general = general_of(true, rng, bias, tilt)
        found = blend_survey(detail, general, width_m=30.0)
        far = found.weight.values == 0.0
        squares.append(
            [rms((z - true.values)[far]) ** 2 for z in (general.values, found.surface.depth.values)]
        )
    before, after = np.sqrt(np.mean(squares, axis=0))
    assert least <= after / before <= most


def test_displacement_is_found_and_removed_if_asked():
    true = grid_of(bottom, LAKE, 2.0)
    detail = survey(true, within(true, *BOX))
    moved = grid_of(lambda x, y: 1.1 * bottom(x - 6.5, y + 4.5) + 0.3, LAKE, 2.0)
    kept = blend_survey(detail, moved)
    assert (kept.east.value, kept.north.value) == pytest.approx((6.5, -4.5), abs=0.05)
    assert not kept.east.removed
    assert any("shifted" in note for note in kept.notes)
    found = blend_survey(detail, moved, remove_shift=True)
    assert found.east.removed
    assert found.north.removed
    assert found.scale.value == pytest.approx(1.1, abs=0.01)
    assert found.rmse_after < 0.05 < 0.2 < kept.rmse_after


def test_survey_inside_older_map_beyond_and_no_step_between(made):
    true, detail = made
    general = true.like(true.values + 0.8 * np.sin(np.arange(true.shape[1]) / 9.0))
    width = 40.0
    found = blend_survey(detail, general, width_m=width)
    part = np.isfinite(detail.depth.values)
    z, g = found.surface.depth.values, found.older.values
    assert (z[part] == detail.depth.values[part]).all()
    west, south, east, north = BOX
    x, y = np.meshgrid(true.x, true.y)
    # Distance from the outermost surveyed cell centres, 2 m within the box.
    away = np.hypot(
        np.maximum(np.maximum(west + 2 - x, x - east + 2), 0.0),
        np.maximum(np.maximum(south + 2 - y, y - north + 2), 0.0),
    )
    beyond = away >= width
    assert (z[beyond] == g[beyond]).all()
    w = found.weight.values
    assert (w[part] == 1.0).all()
    assert (w[beyond] == 0.0).all()
    # The cubic step of the distance: 3 t^2 - 2 t^3.
    t = np.clip(away / width, 0.0, 1.0)
    assert w == pytest.approx(1.0 - (3.0 * t**2 - 2.0 * t**3), abs=1e-12)
    # From one cell to the next the blend changes by no more than both of its sources do, and
    # what is restored of a misfit of 0.8 m by its share of the fade: 1.5 of misfit a width.
    misfit = np.abs(detail.depth.values - g)[part].max()
    for axis in (0, 1):
        step = np.abs(np.diff(z, axis=axis)).max()
        own = max(np.abs(np.diff(source, axis=axis)).max() for source in (true.values, g))
        change = np.abs(np.diff(np.where(part, true.values - g, np.nan), axis=axis))
        assert step < own + 1.5 * misfit * CELL / width + np.nanmax(change)
    abrupt = np.where(part, detail.depth.values, g)
    assert np.abs(np.diff(abrupt, axis=0)).max() > 2 * np.abs(np.diff(z, axis=0)).max() - own


@given(st.floats(-1.0, 2.0))
def test_weights_sum_to_one_and_have_no_kink(t):
    assert smooth_step(t) + smooth_step(1.0 - t) == pytest.approx(1.0, abs=1e-12)
    h = 1e-6
    slope = (smooth_step(t + h) - smooth_step(t - h)) / (2 * h)
    assert slope == pytest.approx(6.0 * t * (1.0 - t) if 0 < t < 1 else 0.0, abs=1e-5)


def test_uncertainty_and_distance(made):
    true, detail = made
    rng = np.random.default_rng(5)
    general = true.like(true.values + rng.normal(0.0, 0.4, true.shape))
    found = blend_survey(detail, general, width_m=30.0)
    part = np.isfinite(detail.depth.values)
    sigma, distance = found.surface.uncertainty.values, found.surface.distance.values
    assert (sigma[part] == 0.05).all()
    assert (distance[part] == 2.0).all()
    error = np.abs(found.surface.depth.values - true.values)
    assert 0.90 <= np.mean(error[~part] < 2 * sigma[~part]) <= 0.99
    # One cell off the middle of the box's western side, then two.
    row, col = true.shape[0] // 2, int(np.flatnonzero(part.any(axis=0))[0])
    assert distance[row, col - 2 : col] == pytest.approx([2.0 + 2 * CELL, 2.0 + CELL])


def test_depth_classes_count_every_cell_of_the_overlap(made):
    true, detail = made
    found = blend_survey(detail, true.like(1.1 * true.values + 0.3), depth_step_m=1.0)
    assert sum(c.cells for c in found.by_depth) == found.cells
    for c in found.by_depth:
        assert 0.1 * c.low + 0.3 <= c.mean_before <= 0.1 * c.high + 0.3
        assert c.rmse_after == pytest.approx(0.0, abs=1e-7)


@pytest.fixture(scope="module")
def old_map():
    change = pyproj.Transformer.from_crs(4326, truth.EPSG, always_xy=True)
    features = json.loads((EXAMPLE / "old_contours.geojson").read_text())["features"]
    lines = [
        np.column_stack(change.transform(*np.array(f["geometry"]["coordinates"]).T))
        for f in features
    ]
    depths = np.array([f["properties"]["depth_ft"] * 0.3048 for f in features])
    return Lines(lines, {"depth": depths})


@pytest.fixture(scope="module")
def lake():
    return grid_of(truth.depth_m, truth.shoreline_polygon().bounds, 3.0)


def rms(values):
    return float(np.sqrt(np.nanmean(values**2)))


@pytest.mark.parametrize(
    ("part", "beyond", "around"),
    [
        # Near by a survey tells what is wrong with the map; elsewhere it makes it no worse.
        ((-350.0, -250.0, 0.0, 250.0), 1.0, 0.70),
        ((-150.0, -100.0, 50.0, 100.0), 1.0, 0.65),
        ((0.0, -60.0, 250.0, 100.0), 0.96, 0.65),
        ((0.0, -250.0, 350.0, 250.0), 1.0, 0.80),
        ((-250.0, 0.0, 50.0, 200.0), 1.0, 0.65),
    ],
)
def test_old_contours_of_the_example_lake(lake, old_map, part, beyond, around):
    east, north = truth.ORIGIN
    window = within(lake, part[0] + east, part[1] + north, part[2] + east, part[3] + north)
    detail = survey(lake, window)
    shore = truth.shoreline_polygon()
    found = blend_survey(detail, old_map, shoreline=shore)
    raw = contour_map(old_map, lake, shoreline=shore).values - lake.values
    error = found.surface.depth.values - lake.values
    out = np.isnan(detail.depth.values) & np.isfinite(raw)
    band = out & (found.weight.values > 0)
    print(
        f"beyond: {rms(raw[out]):.2f} -> {rms(error[out]):.2f} m, "
        f"around: {rms(raw[band]):.2f} -> {rms(error[band]):.2f} m"
    )
    # Whoever drew the map had all depths 10 % too deep.
    assert found.scale.value == pytest.approx(1.10, abs=2.0 * found.scale.uncert)
    assert rms(error[out]) < beyond * rms(raw[out])
    assert rms(error[band]) < around * rms(raw[band])
    assert np.nanmax(np.abs(error[window])) == 0.0
    assert found.rmse_after <= found.rmse_before
    sigma = found.surface.uncertainty.values
    assert np.mean(np.abs(error[out]) < 2 * sigma[out]) > 0.80
    assert np.isfinite(found.surface.depth.values[inside(shore, lake)]).all()


def test_what_cannot_be_blended_is_said(made):
    true, detail = made
    far = replace(true, west=true.west + 5000.0)
    with pytest.raises(LakefloorError, match="few cells in common: 0,"):
        blend_survey(detail, far)
    with pytest.raises(LakefloorError, match="Width of the transition must be above 0"):
        blend_survey(detail, true, width_m=0.0)
    line = np.array([[0.0, 0.0], [400.0, 300.0]])
    for depths, message in (
        ([np.nan], "have no depth"), ([2.0], "All contours have the depth 2 m"),
        ([-2.0], "positive down"), ([], "no contour line"),
    ):  # fmt: skip
        lines = Lines([line] * len(depths), {"depth": np.array(depths)})
        with pytest.raises(LakefloorError, match=message):
            blend_survey(detail, lines)
    lines = Lines([line], {"depth": np.array([2.0])})
    with pytest.raises(LakefloorError, match="within the shoreline"):
        blend_survey(detail, lines, shoreline=box(5000, 5000, 5100, 5100))


def test_a_level_bottom_has_no_scale(made):
    true, detail = made
    level = survey(true.like(np.full(true.shape, 4.0)), np.isfinite(detail.depth.values))
    found = blend_survey(level, true.like(np.full(true.shape, 4.5)))
    assert found.offset.value == pytest.approx(0.5)
    assert np.isnan(found.scale.uncert)
    assert np.abs(found.surface.depth.values - 4.0).max() < 1e-7
    assert any("flat" in note for note in found.notes)


def test_cancel_is_honoured(made):
    true, detail = made

    def cancel(fraction):
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        blend_survey(detail, true, progress=cancel)
