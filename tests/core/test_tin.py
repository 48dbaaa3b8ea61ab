"""TIN surfaces against scipy, published errors and surfaces known exactly."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree
from shapely.geometry import Point, Polygon, box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import empty_grid
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface import tin
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.nodes import Nodes
from lakefloor.algorithms.core.surface.tin import (
    draw_tin,
    learn_tin,
    rasterize,
    tin_at,
    tin_surface,
    triangulate,
)

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

# Nodes of the 33-point set of Franke (1979), Naval Postgraduate School NPS-53-79-003,
# as used in Renka and Brown (1999), ACM TOMS 25, 78-94.
FRANKE_33 = np.fromstring(
    """.05 .45 0 .5 0 1 0 0 .1 .15 .1 .75 .15 .3 .2 .1 .25 .2 .3 .35 .35 .85 .5 0 .5 1 .55 .95
    .6 .25 .6 .65 .6 .85 .65 .7 .7 .2 .7 .65 .7 .9 .75 .1 .75 .35 .75 .85 .8 .4 .8 .65 .85 .25
    .9 .35 .9 .8 .95 .9 1 0 1 .5 1 1""",
    sep=" ",
).reshape(33, 2)


def franke(x, y):
    """Franke's principal test function (Franke 1982, Math. Comp. 38, 181-200)."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def tin_on_grid(xy, z, grid):
    triangles = triangulate(xy)
    return rasterize(xy[triangles], z[triangles][..., None], grid)


def test_franke_nodes_have_the_published_statistics():
    z = franke(*FRANKE_33.T)
    # min, mean and max as printed by TEST_INTERP_2D (J. Burkardt) for this set.
    assert [z.min(), z.mean(), z.max()] == pytest.approx([0.0358696, 0.408824, 1.18919], rel=1e-5)


def test_franke_error_is_that_of_linear_interpolation_in_scipy():
    z = franke(*FRANKE_33.T)
    grid = empty_grid((0.0, 0.0, 1.0, 1.0), 1 / 33)
    # Cell centres moved onto the lattice i/32 of the published comparison.
    grid = type(grid)(np.full((33, 33), np.nan), -1 / 64, 1 + 1 / 64, 1 / 32, 1 / 32)
    depth, covered = tin_on_grid(FRANKE_33, z, grid)
    x, y = np.meshgrid(grid.x, grid.y)
    error = depth - franke(x, y)
    assert covered.all()
    # Computed with scipy LinearNDInterpolator on the same nodes; four of them lie on one
    # circle, and the diagonal chosen there moves the fifth decimal.
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.07007, abs=2e-5)
    assert np.abs(error).max() == pytest.approx(0.22146, abs=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_scan_conversion_equals_scipy_at_every_cell(seed):
    rng = np.random.default_rng(seed)
    # At the eastings and northings of a real zone.
    xy = rng.uniform(0, 300, (400, 2)) + [481_000.0, 5_210_000.0]
    z = rng.uniform(0, 20, 400)
    grid = empty_grid((480_980.0, 5_209_990.0, 481_320.0, 5_210_310.0), 2.0)
    depth, covered = tin_on_grid(xy, z, grid)
    x, y = np.meshgrid(grid.x, grid.y)
    middle = xy.mean(axis=0)
    expected = LinearNDInterpolator(xy - middle, z)(x - middle[0], y - middle[1])
    assert (covered == np.isfinite(expected)).all()
    np.testing.assert_allclose(depth, expected, atol=1e-6)


def test_lattice_nodes_on_cell_centres_are_met_exactly():
    x, y = np.meshgrid(np.arange(0.5, 20), np.arange(0.5, 20))
    z = np.random.default_rng(0).uniform(0, 9, x.size)
    grid = empty_grid((0, 0, 20, 20), 1.0)
    depth, covered = tin_on_grid(np.column_stack([x.ravel(), y.ravel()]), z, grid)
    assert covered.all()
    np.testing.assert_allclose(depth, z.reshape(20, 20)[::-1], atol=1e-9)


def lattice(depth, step=5.0, size=200.0, shift=(0.0, 0.0)):
    x, y = (a.ravel() for a in np.meshgrid(*2 * [np.arange(0.0, size + 1, step)]))
    return Soundings.build(x + shift[0], y + shift[1], depth(x, y), uncert=0.05)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (481_000.0, 5_210_000.0)])
def test_a_plane_is_reproduced_exactly(shift):
    surface = tin_surface(lattice(lambda x, y: 2 + 0.03 * x + 0.04 * y, shift=shift), cell=2.0)
    g = surface.depth
    x, y = np.meshgrid(g.x - shift[0], g.y - shift[1])
    assert np.isfinite(g.values).all()
    np.testing.assert_allclose(g.values, 2 + 0.03 * x + 0.04 * y, atol=1e-7)


def test_a_constant_stays_exactly_constant():
    survey = made_lake.survey(40.0)
    surface = tin_surface(survey.replace(depth=np.full(len(survey), 4.1)))
    values = surface.depth.values
    assert (values[np.isfinite(values)] == 4.1).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.5, 1.0, 3.0, 7.0]))
def test_never_deeper_or_shoaler_than_the_soundings(seed, cell):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 60))
    s = Soundings.build(*rng.uniform(0, 50, (2, n)), rng.uniform(0, 20, n))
    surface = tin_surface(s, cell=cell, max_gap=30.0)
    values = surface.depth.values[np.isfinite(surface.depth.values)]
    if len(values):
        assert values.min() >= s.depth.min()
        assert values.max() <= s.depth.max()
    bands = [np.isfinite(b.values) for b in (surface.depth, surface.uncertainty, surface.distance)]
    assert (bands[0] == bands[1]).all()
    assert (bands[0] == bands[2]).all()


def test_a_mirrored_lake_gives_the_mirrored_surface():
    s, lake = made_lake.survey(40.0), made_lake.shoreline()
    flipped = Polygon(
        [(-x, y) for x, y in lake.exterior.coords],
        [[(-x, y) for x, y in ring.coords] for ring in lake.interiors],
    )
    a = tin_surface(s, cell=5.0, shoreline=lake, max_gap=100.0).depth
    b = tin_surface(s.replace(x=-s.x), cell=5.0, shoreline=flipped, max_gap=100.0).depth
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-500.0, 500, 40), np.arange(-400.0, 400, 40)))
    difference = a.sample(x, y) - b.sample(-x, y)
    difference = difference[np.isfinite(difference)]
    # Blocks fall differently, so nodes differ by centimetres; the shelf is steep.
    assert len(difference) > 300
    assert np.median(np.abs(difference)) < 0.03
    assert np.sqrt(np.mean(difference**2)) < 0.25


def cone(spacing=100.0, radius=500.0, deepest=30.0):
    """Nine lanes over a cone-shaped lake, ended 40 m from its shore."""
    lanes = []
    for y in np.arange(-400.0, 401.0, spacing):
        reach = np.sqrt(radius**2 - y**2) - 40.0
        x = np.linspace(-reach, reach, int(reach / 2.5))
        lanes.append(np.column_stack([x, np.full(len(x), y)]))
    x, y = np.vstack(lanes).T
    return Soundings.build(x, y, deepest * (1 - np.hypot(x, y) / radius))


def volume(surface):
    g = surface.depth
    return np.nansum(g.values) * g.dx * g.dy


def test_cone_volume_with_and_without_the_shoreline():
    exact = np.pi * 500.0**2 * 30.0 / 3.0
    lake = Point(0, 0).buffer(500.0, 64)
    raw = cone()
    grid = empty_grid((-500, -500, 500, 500), 5.0)
    depth, _ = tin_on_grid(np.column_stack([raw.x, raw.y]), raw.depth, grid)
    without = np.nansum(depth) * 25.0 / exact
    within = volume(tin_surface(raw, cell=5.0, max_gap=250.0, shoreline=lake)) / exact
    # Prisms under the Delaunay triangles of such a cone, summed with scipy 1.16: 95.68 % of
    # the volume without the shoreline, 99.11 % with it as zero depth.
    assert without == pytest.approx(0.9568, abs=0.003)
    assert within == pytest.approx(0.9911, abs=0.003)


def test_islands_are_holes_and_the_shore_has_no_depth():
    s, lake = made_lake.survey(20.0), made_lake.shoreline()
    surface = tin_surface(s, shoreline=lake)
    g = surface.depth
    assert np.isnan(g.sample([made_lake.ISLAND_X], [made_lake.ISLAND_Y]))[0]
    for ring in (lake.exterior, lake.interiors[0]):
        shore = np.array([ring.interpolate(t).coords[0] for t in np.linspace(0, ring.length, 60)])
        depth = g.sample(*shore.T)
        # The nearest cell lies within some 2 m of the shore, on slopes up to 1:2.
        assert np.nanmax(depth) < 1.0
    x, y = np.meshgrid(g.x, g.y)
    wet = np.isfinite(g.values)
    assert wet.sum() * g.dx * g.dy == pytest.approx(lake.area, rel=0.005)
    error = (g.values - made_lake.true_depth(x, y))[wet]
    assert np.sqrt(np.mean(error**2)) < 0.2


def test_shore_depth_is_that_of_the_shoreline():
    lake = Point(0, 0).buffer(500.0, 64)
    surface = tin_surface(cone(), cell=5.0, max_gap=250.0, shoreline=lake, shore_depth=-0.4)
    assert np.nanmin(surface.depth.values) == pytest.approx(-0.4, abs=0.35)
    assert np.nanmin(surface.depth.values) >= -0.4


def test_nothing_is_drawn_beyond_the_maximum_gap():
    surface = tin_surface(cone(), cell=5.0, max_gap=30.0)
    d = surface.distance.values
    assert np.nanmax(d) <= 30.0
    between = np.isnan(surface.depth.sample([0.0], [50.0]))
    assert between.all()
    assert np.isfinite(surface.depth.sample([0.0], [110.0])).all()


def test_distance_is_that_to_the_nearest_sounding():
    s = cone()
    surface = tin_surface(s, cell=10.0, max_gap=80.0)
    x, y = np.meshgrid(surface.distance.x, surface.distance.y)
    exact, _ = cKDTree(np.column_stack([s.x, s.y])).query(np.column_stack([x.ravel(), y.ravel()]))
    over = surface.distance.values.ravel() - exact
    over = over[np.isfinite(over)]
    # One sounding stands for all of a cell, the worst where lanes run along edges of cells.
    assert over.min() > -1e-4
    assert over.max() < 10.0 * 2.0**0.5
    assert np.median(over) < 1.0


def test_a_bay_without_soundings_is_not_drawn_as_a_shelf():
    lake = box(0, 0, 400, 200).union(box(400, 60, 560, 140))  # a bay 160 m long to the east
    x, y = (a.ravel() for a in np.meshgrid(np.arange(10, 391, 4.0), np.arange(10, 191, 20.0)))
    s = Soundings.build(x, y, np.full(x.size, 8.0))
    surface = tin_surface(s, shoreline=lake, cell=2.0, max_gap=200.0)
    assert np.isnan(surface.depth.sample([540.0], [100.0]))[0]
    assert np.isfinite(surface.depth.sample([200.0, 395.0], [100.0, 100.0])).all()


def ridge():
    """A ridge that runs askew of the lanes, 20 m apart, shoal by 8 m along its crest."""
    x, y = np.meshgrid(np.arange(0.0, 300.0, 2.0), np.arange(0.0, 301.0, 20.0))
    x[1::2] = x[1::2, ::-1]

    def depth(x, y):
        return 2.0 + 0.4 * np.minimum(np.abs(x - 0.8 * y - 20.0), 20.0)

    return Soundings.build(x.ravel(), y.ravel(), depth(x, y).ravel()), depth


def test_a_break_line_along_a_crest_lessens_the_error():
    s, depth = ridge()
    crest = np.array([(20.0, 0.0), (260.0, 300.0)])
    error = []
    for lines in ([], [crest]):
        g = tin_surface(s, cell=2.0, breaklines=lines).depth
        x, y = np.meshgrid(g.x, g.y)
        on_crest = np.abs(x - 0.8 * y - 20.0) < 3.0
        error.append(np.sqrt(np.nanmean(((g.values - depth(x, y)) ** 2)[on_crest])))
    assert error[1] < 0.5 * error[0]


def test_a_single_lane_within_a_shoreline_works_once_sizes_are_given():
    x = np.linspace(-80, 80, 81)
    s = Soundings.build(x, np.zeros(81), 5.0 - np.abs(x) / 20)
    lake = Point(0, 0).buffer(100.0)
    surface = tin_surface(s, cell=2.0, max_gap=100.0, shoreline=lake)
    assert surface.depth.sample([0.0], [50.0])[0] == pytest.approx(2.5, abs=0.2)
    with pytest.raises(LakefloorError, match="along one line"):
        tin_surface(s, cell=2.0, max_gap=100.0)


def test_rejected_soundings_do_not_count():
    s = lattice(lambda x, y: 5 + 0 * x)
    s.depth[::7] = 99.0
    s.status[::7] = "spike"
    values = tin_surface(s, cell=2.0).depth.values
    assert np.nanmax(values) == 5.0


def test_the_same_input_gives_the_same_numbers():
    a, b = (tin_surface(made_lake.survey(40.0), shoreline=made_lake.shoreline()) for _ in "ab")
    for name in ("depth", "uncertainty", "distance"):
        np.testing.assert_array_equal(getattr(a, name).values, getattr(b, name).values)


def test_progress_rises_to_one_and_cancels():
    seen = []
    tin_surface(made_lake.survey(40.0), progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0

    def stop(fraction):
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        tin_surface(made_lake.survey(40.0), progress=stop)


def test_pieces_make_the_surface_of_the_whole():
    survey = made_lake.survey(20.0)
    f = frame(survey, shoreline=made_lake.shoreline(), cell=2.0)
    assert len(f.nodes) > tin._FEW_NODES
    depth = draw_tin(f, learn_tin(f)).depth.values
    triangles = triangulate(f.nodes.xy)
    whole, _ = rasterize(f.nodes.xy[triangles], f.nodes.depth[triangles][..., None], f.grid)
    known = np.isfinite(depth) & np.isfinite(whole)
    assert known.sum() > 0.9 * f.mask.sum()
    np.testing.assert_allclose(depth[known], whole[known], atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_tin_at_points_equals_scipy(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 80))
    xy = rng.uniform(0, 60, (n, 2)) * rng.uniform(0.01, 1.0, 2) + [481_000.0, 5_210_000.0]
    nodes = Nodes.build(*xy.T, rng.uniform(0, 20, n), 0)
    wanted = rng.uniform(xy.min(axis=0) - 5.0, xy.max(axis=0) + 5.0, (300, 2))
    middle = xy.mean(axis=0)
    expected = LinearNDInterpolator(xy - middle, nodes.depth)(wanted - middle)
    found = tin_at(nodes, wanted)
    assert (np.isfinite(found) == np.isfinite(expected)).all()
    np.testing.assert_allclose(found, expected, atol=1e-6)
    assert np.isnan(tin_at(nodes.select([0, 1]), wanted)).all()
