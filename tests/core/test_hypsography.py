"""Areas and volumes against elementary geometry and the handbooks."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from lakefloor.algorithms.core.ellipsoid import polygon_area
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.figures.hypsography import (
    below_level,
    curve_of_bands,
    deepest_within,
    hypsograph,
    layer_volumes,
)
from lakefloor.algorithms.core.grid import Grid, Surface, empty_grid
from lakefloor.algorithms.core.polygons import contains, inside, rings
from lakefloor.algorithms.core.surface.error_reach import error_reach

sys.path.insert(0, str(Path(__file__).parent))
from bowls import AREA, DEEPEST, RADIUS, SHAPES, VOLUME, bowl, circle

DEPTHS = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0]


# -- the truncated-cone formula ---------------------------------------------------


def test_one_truncated_cone():
    # h/3 (A1 + A2 + sqrt(A1 A2)) by hand: 10/3 (100 + 25 + 50).
    assert layer_volumes([0.0, 10.0], [100.0, 25.0])[0] == pytest.approx(583.3333, abs=5e-5)


@pytest.mark.parametrize(
    ("shape", "expected"),
    [("cone", 1000.0), ("paraboloid", 1479.9213), ("half-ellipsoid", 1955.6808)],
)
def test_layers_of_analytic_bodies(shape, expected):
    # Area 100, depth 30, contours every 5: the formula (Hutchinson 1957, p. 166) worked by
    # hand from A(z). It is exact for a cone only: 1.3 % and 2.2 % short of the others.
    depth = np.arange(0.0, 35.0, 5.0)
    assert layer_volumes(depth, 100.0 * AREA[shape](depth / 30.0)).sum() == pytest.approx(
        expected, abs=5e-5
    )


def test_a_small_lake_of_a_public_data_set():
    # Lake WBIC_1007500 of GLEON/lakeattributes 0.10.2 (CC0), upper five contours, m and m2;
    # the volume by hand: 3 ft / 3 times the sums of areas and their geometric means.
    depth = np.array([0.0, 3.0, 6.0, 9.0, 12.0]) * 0.3048
    area = [570144.0, 502739.0, 465116.0, 422311.0, 410709.0]
    by_hand = 0.3048 * (
        (570144 + 502739 + 535381.76)
        + (502739 + 465116 + 483561.74)
        + (465116 + 422311 + 443197.03)
        + (422311 + 410709 + 416469.60)
    )
    assert layer_volumes(depth, area).sum() == pytest.approx(by_hand, rel=1e-7)


@pytest.mark.parametrize(
    ("depth", "area", "words"),
    [
        ([0.0], [1.0], "two or more"),
        ([0.0, 0.0], [2.0, 1.0], "must rise"),
        ([0.0, 1.0, 2.0], [2.0, 1.0, 1.5], "depth 2 m"),
        ([0.0, 1.0], [2.0, np.nan], "depth 1 m"),
    ],
)
def test_tables_that_are_no_lake(depth, area, words):
    with pytest.raises(LakefloorError, match=words):
        layer_volumes(depth, area)


# -- the surface ------------------------------------------------------------------


@pytest.mark.parametrize("shape", list(SHAPES))
def test_volume_of_analytic_bodies_within_a_thousandth(shape):
    curve = hypsograph(bowl(shape), circle(), DEPTHS)
    whole = np.pi * RADIUS**2
    assert curve.area[0] == pytest.approx(whole, rel=1e-12)
    assert curve.volume[0] == pytest.approx(VOLUME[shape] * whole * DEEPEST, rel=1e-3)
    expected = whole * AREA[shape](np.array(DEPTHS) / DEEPEST)
    assert curve.area == pytest.approx(expected, rel=2e-3)
    assert curve.max_depth == pytest.approx(DEEPEST, abs=0.2)


def test_hypsograph_of_a_cone():
    # Share of area and of volume below 0, 5, ... m of a cone 30 m deep: squares and cubes.
    curve = hypsograph(bowl("cone"), circle(), DEPTHS)
    share = 100.0 * curve.area / curve.area[0]
    below = 100.0 * curve.volume / curve.volume[0]
    assert share == pytest.approx([100, 69.444, 44.444, 25, 11.111, 2.778], abs=0.02)
    assert below == pytest.approx([100, 57.870, 29.630, 12.5, 3.704, 0.463], abs=0.02)


def test_contours_and_slope_of_a_cone():
    # Contour at depth z: 2 pi R (1 - z / zm). Slope zm / R = 0.06 everywhere, which is also
    # what the handbooks' sum of contour lengths gives.
    curve = hypsograph(bowl("cone"), circle(), DEPTHS)
    circles = 2.0 * np.pi * RADIUS * (1.0 - np.array(DEPTHS) / DEEPEST)
    assert curve.length == pytest.approx(circles, rel=1e-3)
    assert curve.slope[:5] == pytest.approx(0.06, rel=2e-3)
    handbook = 5.0 * (circles[0] / 2.0 + circles[1:].sum()) / (np.pi * RADIUS**2)
    assert curve.slope[0] == pytest.approx(handbook, rel=2e-3)


@pytest.mark.parametrize(
    ("shape", "cell", "within"),
    [(shape, 10.0, 1e-3) for shape in SHAPES]
    # A bowl is above the chords between its cells; that error grows as the cell squared.
    + [
        ("cone", 20.0, 1e-3),
        ("paraboloid", 20.0, 2e-3),
        ("half-ellipsoid", 20.0, 4e-3),
        ("cone", 40.0, 4e-3),
        ("paraboloid", 40.0, 5e-3),
        ("half-ellipsoid", 40.0, 1e-2),
    ],
)
def test_coarse_cells_keep_the_area_and_nearly_the_volume(shape, cell, within):
    curve = hypsograph(bowl(shape, cell), circle(), [0.0])
    whole = np.pi * RADIUS**2
    assert curve.area[0] == pytest.approx(whole, rel=1e-12)
    assert curve.volume[0] == pytest.approx(VOLUME[shape] * whole * DEEPEST, rel=within)


def test_a_beach_that_flattens_out_to_the_shore():
    # Depth falls as the distance from the shore to the power 3/2: 2 pi times the integral of
    # (R - d) d^1.5 over d is 2 pi R^3.5 (1 / 2.5 - 1 / 3.5).
    grid = bowl("cone", 10.0)
    away = np.clip(RADIUS - np.hypot(*np.meshgrid(grid.x, grid.y)), 0.0, None)
    beach = grid.like(np.where(away > 0, DEEPEST * (away / RADIUS) ** 1.5, np.nan))
    volume = 2.0 * np.pi * DEEPEST * RADIUS**2 * (1 / 2.5 - 1 / 3.5)
    curve = hypsograph(beach, circle(), [0.0])
    assert curve.volume[0] == pytest.approx(volume, rel=1e-3)


def test_cells_that_are_not_square():
    square = bowl("paraboloid", 5.0)
    oblong = Grid(square.values[:, ::2], square.west - 2.5, square.north, 10.0, 5.0)
    curve = hypsograph(oblong, circle(), [0.0, 10.0])
    assert curve.volume[0] == pytest.approx(np.pi * RADIUS**2 * 15.0, rel=1e-3)
    assert curve.area[1] == pytest.approx(np.pi * RADIUS**2 * 2.0 / 3.0, rel=1e-3)


def test_an_island_takes_its_area_and_its_shore_is_depth_zero():
    # A basin with vertical walls, of which the raster knows as far as the last cells.
    grid = empty_grid((0.0, 0.0, 400.0, 400.0), 2.0)
    lake = box(50, 50, 350, 350).difference(box(150, 150, 250, 250))
    wet = inside(lake, grid)
    curve = hypsograph(grid.like(np.where(wet, 5.0, np.nan)), lake, [0.0, 4.9])
    assert curve.area[0] == pytest.approx(300**2 - 100**2, rel=1e-12)
    shore = 4 * 300 + 4 * 100
    # The first cell centres stand one metre off the shore. The most bent profile that is drawn,
    # a root, runs through 1/4 and 1/2 of the depth at 1/16 and 1/4 of a metre: by hand a strip
    # 0.640625 full, where a straight slope would have half and the wall the whole.
    assert curve.volume[0] == pytest.approx(5.0 * (80_000 - shore * 0.359375), rel=5e-4)
    assert curve.length[0] == pytest.approx(shore, rel=2e-3)


def test_cells_that_stop_short_of_the_shore_are_joined_to_it():
    grid = bowl("cone")
    x, y = np.meshgrid(grid.x, grid.y)
    short = grid.like(np.where(np.hypot(x, y) < RADIUS - 7.0, grid.values, np.nan))
    curve = hypsograph(short, circle(), [0.0])
    assert curve.mapped_area == pytest.approx(curve.shoreline_area, rel=1e-6)
    assert curve.volume[0] == pytest.approx(np.pi * RADIUS**2 * 10.0, rel=1e-3)


def test_a_gap_is_left_out_and_its_share_told():
    grid = bowl("cone")
    x, _ = np.meshgrid(grid.x, grid.y)
    gap = grid.like(np.where(x > 0.0, np.nan, grid.values))
    curve = hypsograph(gap, circle(), [0.0])
    assert curve.mapped_area / curve.shoreline_area == pytest.approx(0.5, abs=0.01)
    # The mapped half ends at the last cell centres, up to a cell short of the middle.
    assert 0.975 < curve.volume[0] / (np.pi * RADIUS**2 * 5.0) < 1.0


def test_a_raster_that_covers_a_part_of_the_lake():
    grid = bowl("cone")
    half = Grid(grid.values[:, : grid.shape[1] // 2], grid.west, grid.north, grid.dx, grid.dy)
    curve = hypsograph(half, circle(), [0.0])
    assert curve.mapped_area / curve.shoreline_area == pytest.approx(0.5, abs=0.01)
    assert curve.area[0] == pytest.approx(curve.mapped_area)


def test_areas_are_on_the_ellipsoid():
    x, y = 500_000.0, 5_100_000.0
    lake = circle(x=x, y=y)
    plane = hypsograph(bowl("cone", 10.0, x, y), lake, [0.0, 10.0])
    true = hypsograph(bowl("cone", 10.0, x, y), lake, [0.0, 10.0], crs=32615)
    assert true.shoreline_area == pytest.approx(polygon_area(lake, 32615), rel=1e-12)
    assert true.area[0] == pytest.approx(true.shoreline_area, rel=1e-6)
    # On the central meridian the scale of UTM is 0.9996.
    assert true.volume / plane.volume == pytest.approx(0.9996**-2, rel=1e-6)
    assert true.length / plane.length == pytest.approx(1.0 / 0.9996, rel=1e-6)
    assert true.slope / plane.slope == pytest.approx(0.9996, rel=1e-6)


def test_turned_and_mirrored_lakes_have_the_same_figures():
    grid = bowl("paraboloid", 10.0)
    lake = affinity.scale(circle(), 1.0, 1.0).difference(Point(-120.0, 60.0).buffer(80.0))
    want = hypsograph(grid, lake, DEPTHS)
    mid_x, mid_y = (grid.bounds[0] + grid.bounds[2]) / 2, (grid.bounds[1] + grid.bounds[3]) / 2
    mirrored = affinity.scale(lake, -1.0, 1.0, origin=(mid_x, mid_y))
    got = hypsograph(grid.like(grid.values[:, ::-1]), mirrored, DEPTHS)
    assert got.volume == pytest.approx(want.volume, rel=1e-5)
    assert got.area == pytest.approx(want.area, rel=1e-5)


# -- uncertainty ------------------------------------------------------------------


def test_a_datum_error_is_area_times_error():
    # 0.3 ft on 100 acres is 30 acre-feet, however well the bottom was measured.
    acre, foot = 4046.8564224, 0.3048
    radius = np.sqrt(100.0 * acre / np.pi)
    grid = empty_grid((-radius, -radius, radius, radius), 10.0)
    q = np.hypot(*np.meshgrid(grid.x, grid.y)) / radius
    depth = grid.like(np.where(q < 1, 9.0 * (1 - q**2), np.nan))
    curve = hypsograph(depth, circle(radius), [0.0], datum_sd=0.3 * foot)
    assert curve.volume_sd[0] / (acre * foot) == pytest.approx(30.0, rel=1e-6)
    # A paraboloid loses area evenly with depth: dA/dz = A / zm.
    assert curve.area_sd[0] == pytest.approx(100.0 * acre / 9.0 * 0.3 * foot, rel=0.02)


@pytest.mark.parametrize("shape", list(SHAPES))
def test_an_error_of_the_scale_is_that_of_a_lake_so_much_deeper(shape):
    # The lake itself, all depths 1 % greater or less, is what such an error looks like.
    grid, share = bowl(shape), 0.01
    curve = hypsograph(grid, circle(), DEPTHS, scale_sd=share)
    deep, shoal = (
        hypsograph(grid.like(grid.values * k), circle(), DEPTHS) for k in (1.0 + share, 1.0 - share)
    )
    assert curve.volume_sd == pytest.approx((deep.volume - shoal.volume) / 2, rel=0.01)
    assert curve.volume_sd[0] == pytest.approx(share * curve.volume[0], rel=1e-6)
    assert curve.area_sd[1:] == pytest.approx((deep.area - shoal.area)[1:] / 2, rel=0.05)
    assert curve.max_depth_sd == pytest.approx(share * curve.max_depth, rel=1e-6)
    # Layers change together, so their uncertainties add up.
    at = np.arange(len(DEPTHS))
    assert curve.layer_sd(at).sum() == pytest.approx(
        curve.volume_sd[0] - curve.volume_sd[-1], rel=1e-6
    )


def test_errors_of_the_surface_average_out():
    # Random fields of the correlation that is assumed, 200 times: the spread of their
    # integral against the figure stated.
    from scipy.ndimage import gaussian_filter

    cell, length, sd = 10.0, 40.0, 0.2
    grid = bowl("cone", cell)
    lake = circle()
    curve = hypsograph(
        grid,
        lake,
        [0.0, 15.0],
        uncertainty=grid.like(np.full(grid.shape, sd)),
        correlation_length=length,
    )
    rng = np.random.default_rng(5)
    deep = np.where(np.isfinite(grid.values), grid.values, -1.0)
    sums = []
    for _ in range(200):
        # White noise smoothed by a Gaussian of length / 2 has the correlation
        # exp(-(d / length)^2).
        field = gaussian_filter(rng.normal(size=grid.shape), length / 2.0 / cell, mode="wrap")
        field *= sd * 2.0 * np.sqrt(np.pi) * length / 2.0 / cell
        sums.append([field[deep > 0].sum() * cell**2, field[deep >= 15].sum() * cell**2])
    assert curve.volume_sd == pytest.approx(np.std(sums, axis=0), rel=0.15)


def test_one_error_of_the_whole_lake_is_the_most():
    grid = bowl("cone", 10.0)
    same = grid.like(np.full(grid.shape, 0.1))
    whole = hypsograph(grid, circle(), [0.0, 20.0], uncertainty=same)
    assert whole.volume_sd == pytest.approx(0.1 * whole.area, rel=1e-6)
    long = hypsograph(grid, circle(), [0.0, 20.0], uncertainty=same, correlation_length=5000.0)
    assert long.volume_sd == pytest.approx(whole.volume_sd, rel=1e-6)


# -- properties -------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    depths=st.lists(st.floats(0.0, 9.0), min_size=3, max_size=6, unique=True),
)
def test_area_falls_with_depth_and_volumes_between_depths_add_up(seed, depths):
    rng = np.random.default_rng(seed)
    grid = empty_grid((0.0, 0.0, 30.0, 24.0), 1.0)
    values = rng.uniform(0.0, 10.0, grid.shape)
    values[rng.random(grid.shape) < 0.02] = np.nan
    lake = Polygon([(2.3, 2.1), (27.0, 3.2), (28.4, 20.0), (15.1, 22.7), (3.0, 18.8)])
    z = np.sort(depths)
    z = z[np.append(True, np.diff(z) > 1e-6)]
    curve = hypsograph(grid.like(values), lake, z)
    assert np.all(np.diff(curve.area) <= 1e-9)
    # The volume of a layer lies between its thickness times the lower and the upper area.
    layer = -np.diff(curve.volume)
    assert np.all(layer >= np.diff(z) * curve.area[1:] - 1e-9)
    assert np.all(layer <= np.diff(z) * curve.area[:-1] + 1e-9)
    parts = sum(
        hypsograph(grid.like(values), lake, [a]).volume[0]
        - hypsograph(grid.like(values), lake, [b]).volume[0]
        for a, b in zip(z[:-1], z[1:])
    )
    assert parts == pytest.approx(curve.volume[0] - curve.volume[-1], abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_points_in_rings_as_shapely_has_them(seed):
    rng = np.random.default_rng(seed)
    shape = Point(0, 0).buffer(5.0, 3).difference(Point(1, 1).buffer(2.0, 2))
    x, y = rng.uniform(-6, 6, (2, 80))
    expected = [shape.contains(Point(a, b)) for a, b in zip(x, y)]
    assert contains(rings(shape), x, y).tolist() == expected


# -- what cannot be used ----------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"depths": [1.0, 1.0]}, "rise"),
        ({"depths": []}, "rise"),
        ({"datum_sd": -1.0}, "0 m or more"),
        ({"scale_sd": 1.0}, "share from 0"),
        ({"correlation_length": 0.0}, "above 0 m"),
        ({"shoreline": Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])}, "not valid"),
        ({"shoreline": box(9000, 0, 9100, 100)}, "same lake"),
        ({"uncertainty": empty_grid((0, 0, 5, 5), 1.0)}, "same rows"),
    ],
)
def test_refusals(change, words):
    given_ = {"depth": bowl("cone", 50.0), "shoreline": circle(), "depths": [0.0], **change}
    with pytest.raises(LakefloorError, match=words):
        hypsograph(given_.pop("depth"), given_.pop("shoreline"), given_.pop("depths"), **given_)


def test_depths_above_the_datum_within_the_shoreline_are_told():
    grid = bowl("cone", 10.0)
    curve = hypsograph(grid.like(grid.values - 3.0), circle(), [0.0])
    # A ring a tenth of the radius wide: 19 % of the area.
    assert curve.exposed == pytest.approx(0.19, abs=0.01)
    assert curve.area[0] == pytest.approx(np.pi * RADIUS**2, rel=1e-9)


def test_cancel():
    def stop(fraction):
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        hypsograph(bowl("cone"), circle(), [0.0], progress=stop)


def test_polygon_of_the_bowls_has_the_area_of_the_circle():
    assert circle().area == pytest.approx(np.pi * RADIUS**2, rel=1e-12)


# -- uncertainty, and the short ways ----------------------------------------------


def cone_area(z):
    return np.pi * RADIUS**2 * (1.0 - np.asarray(z, float) / DEEPEST) ** 2


def test_an_area_errs_by_its_rate_of_change_times_the_error_of_depth():
    # The rate is that between one standard uncertainty up and down, by the formula of a cone.
    depth, z = bowl("cone"), np.array([5.0, 15.0])
    for datum, own in ((0.4, 0.0), (0.0, 0.3), (0.3, 0.4)):
        curve = hypsograph(
            depth, circle(), z, datum_sd=datum, uncertainty=depth.like(np.full(depth.shape, own))
        )
        both = np.hypot(datum, own)
        rate = (cone_area(z - both) - cone_area(z + both)) / (2.0 * both)
        assert curve.area_sd == pytest.approx(rate * both, rel=5e-3)
        assert curve.max_depth_sd == pytest.approx(both, rel=1e-6)


def test_land_is_not_needed_where_the_datum_is_less_sure_than_the_first_depth():
    curve = hypsograph(bowl("cone"), circle(), [0.5, 5.0], datum_sd=2.0)
    # From the shore at 0 m, not from 1.5 m above it.
    rate = (cone_area([0.0, 3.0]) - cone_area([2.5, 7.0])) / np.array([2.5, 4.0])
    assert curve.area_sd == pytest.approx(2.0 * rate, rel=5e-3)


def test_cells_without_uncertainty_do_not_silence_the_others():
    depth = bowl("cone")
    whole = np.full(depth.shape, 0.5)
    partly = whole.copy()
    partly[0, :] = np.nan
    one, other = (
        hypsograph(depth, circle(), [5.0], uncertainty=depth.like(v)) for v in (whole, partly)
    )
    np.testing.assert_allclose(one.area_sd, other.area_sd)


def test_without_uncertainty_nothing_is_uncertain():
    curve = hypsograph(bowl("cone"), circle(), DEPTHS)
    assert (curve.volume_sd == 0.0).all()
    assert (curve.area_sd == 0.0).all()
    assert curve.max_depth_sd == 0.0


def test_area_and_volume_of_a_raster_below_a_level():
    depth = bowl("cone")
    for level in (3.0, 12.0):
        area, volume = below_level(depth, level)
        assert area == pytest.approx(cone_area(level), rel=2e-3)
        assert volume == pytest.approx(cone_area(level) * (DEEPEST - level) / 3.0, rel=2e-3)


def test_deepest_cell_within_a_shoreline():
    depth = bowl("cone", cell=20.0)
    assert deepest_within(depth, circle()) == np.nanmax(depth.values)
    apart = Polygon([(200, -300), (450, -300), (450, 300), (200, 300)])
    assert deepest_within(depth, apart) == pytest.approx(
        DEEPEST * (1.0 - 200.0 / RADIUS), abs=DEEPEST * 20.0 / RADIUS
    )
    with pytest.raises(LakefloorError):
        deepest_within(depth, box(5000, 5000, 5100, 5100))


def test_errors_fade_over_the_lane_spacing_within_the_shoreline():
    depth = bowl("cone", cell=20.0)
    assert error_reach(Surface(depth, depth, depth, 25.0)) == 25.0
    # Lanes 30 m apart within the shore, 200 m apart beyond it.
    pond = circle(200.0)
    far, near = (
        np.abs(depth.x % lanes - lanes / 2.0) * np.ones((depth.shape[0], 1))
        for lanes in (200.0, 30.0)
    )
    within, beyond = (
        depth.like(np.where(inside(pond, depth), near, other)) for other in (np.nan, far)
    )
    expected = error_reach(Surface(depth, depth, within, None))
    assert expected == pytest.approx(30.0, rel=0.4)  # cells of 20 m
    assert error_reach(Surface(depth, depth, beyond, None), pond) == expected
    assert error_reach(Surface(depth, depth, beyond, None)) > 3.0 * expected
    assert error_reach(Surface(depth, depth, None, None), pond) == np.inf


def test_the_curve_of_bands_by_hand():
    # 30, 20 and 10 m2 between 0, 1, 2.5 and 4 m; of limits less than a micrometer apart one counts.
    depth, area = curve_of_bands([0.0, 2.5, 1.0000004], [1.0, 4.0, 2.5], [30.0, 10.0, 20.0])
    assert depth.tolist() == [0.0, 1.0, 2.5, 4.0]
    assert area.tolist() == [60.0, 30.0, 10.0, 0.0]
    # A deepest band without a lower limit ends at its upper one.
    depth, area = curve_of_bands([0.0, 1.0], [1.0, np.nan], [30.0, 20.0])
    assert (depth.tolist(), area.tolist()) == ([0.0, 1.0], [50.0, 20.0])
    assert curve_of_bands([0.0], [np.nan], [30.0]) is None
