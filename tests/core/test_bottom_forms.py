"""Bottom forms are found where they were planted, and nowhere else.

Checks from outside: prominence against scipy.signal.peak_prominences, opening against
scipy.ndimage.grey_opening, position index against GDAL, top-hats and reliefs against calculus.
"""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from scipy.signal import find_peaks, peak_prominences
from scipy.special import erf
from shapely.geometry import Point

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid, Surface, empty_grid
from lakefloor.algorithms.core.structure.bottom_forms import bottom_forms
from lakefloor.algorithms.core.structure.landforms import opening, rises
from lakefloor.algorithms.core.structure.structure_names import FORM_ATTRIBUTES, FORMS
from lakefloor.algorithms.core.terrain import position, slope

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "example_project")]
import truth
from lakes_for_forms import Lake, Planted, planted_lake, score, terrace_score, terraced_lake


def grid_of(function, width=800.0, height=600.0, cell=4.0):
    grid = Grid(np.zeros((round(height / cell), round(width / cell))), 0.0, height, cell, cell)
    return grid.like(function(*np.meshgrid(grid.x, grid.y)))


def bell(x, y, at, size):
    return np.exp(-0.5 * (((x - at[0]) / size) ** 2 + ((y - at[1]) / size) ** 2))


def sure(grid, uncertainty=0.02, distance=None, **options):
    """Forms of a grid whose uncertainty is known."""
    surface = Surface(grid, grid.like(np.full(grid.shape, uncertainty)), distance)
    return bottom_forms(surface, **options)


def table(areas, form):
    """Return the attributes of one form, a dict each, with its polygon."""
    rows = [dict(zip(areas.attributes, values)) for values in zip(*areas.attributes.values())]
    return [
        {**row, "polygon": polygon}
        for row, polygon in zip(rows, areas.polygons)
        if row["form"] == form
    ]


# -- maxima and key saddles -------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 9.0, width=32), min_size=5, max_size=60, unique=True))
def test_prominence_along_a_line_is_that_of_scipy(values):
    # With a floor at both ends the key saddle is on the side of the higher ground, as on a map.
    line = np.array([-1e3, *values, -1e3])
    peaks, _ = find_peaks(line)
    expected, _, _ = peak_prominences(line, peaks)
    tree = rises(line[None, :], beyond=-np.inf)
    real = np.isfinite(tree.top) & np.isin(tree.top_cell, peaks)
    got = dict(zip(tree.top_cell[real].tolist(), tree.prominence[real].tolist()))
    highest = peaks[np.argmax(line[peaks])]
    for peak, prominence in zip(peaks.tolist(), expected.tolist()):
        assert got[peak] == (np.inf if peak == highest else pytest.approx(prominence))


def test_key_saddles_of_a_small_grid_worked_by_hand():
    # Three tops, 9, 7 and 5. From 7 the way to 9 leads over 4; from 5 that to 7 over 3, by which
    # time 7 and 9 are one.
    z = np.array([[0, 0, 0, 0, 0, 0, 0], [0, 9, 4, 7, 3, 5, 0], [0, 0, 0, 0, 0, 0, 0]], dtype=float)
    tree = rises(z, beyond=-np.inf)
    at = {float(top): k for k, top in enumerate(tree.top)}
    assert tree.parent[at[7.0]] == at[9.0]
    assert tree.saddle[at[7.0]] == 4.0
    assert tree.saddle_cell[at[7.0]] == 9
    assert tree.parent[at[5.0]] == at[9.0]
    assert tree.saddle[at[5.0]] == 3.0
    (window, mask), (_, around) = tree.areas([at[7.0], at[9.0]], [4.0, 3.5])
    got = np.zeros(z.shape, dtype=bool)
    got[window] = mask
    assert np.flatnonzero(got).tolist() == [10]
    assert around.sum() == 3


def test_a_rise_at_the_edge_is_not_closed():
    z = np.zeros((9, 9))
    z[0, 4] = 5.0
    z[4, 4] = 3.0
    tree = rises(z)
    inner = tree.top_cell >= 0
    assert sorted(tree.top[inner & (tree.prominence > 0)]) == [3.0]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_areas_are_components_above_the_level(seed, holes):
    rng = np.random.default_rng(seed)
    z = ndimage.gaussian_filter(rng.normal(size=(30, 40)), 2.0)
    if holes:
        z[10:14, 20:26] = np.nan
    tree = rises(z, apart=True)
    chosen = np.flatnonzero((tree.top_cell >= 0) & (tree.prominence > 0.05))
    levels = tree.saddle[chosen]
    for k, level, (window, mask) in zip(chosen, levels, tree.areas(chosen, levels)):
        label, _ = ndimage.label(z > level, np.ones((3, 3)))
        expected = label == label.flat[tree.top_cell[k]]
        got = np.zeros(z.shape, dtype=bool)
        got[window] = mask
        assert (got == expected).all()
        # Closed: neither the edge nor a gap is touched.
        edge = np.pad(np.isnan(z), 1, constant_values=True)
        near = ndimage.binary_dilation(edge, np.ones((3, 3)))[1:-1, 1:-1]
        assert not (got & near).any()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_highest_within_is_that_of_labelled_levels(seed, ties):
    rng = np.random.default_rng(seed)
    z = ndimage.gaussian_filter(rng.normal(size=(14, 18)), 1.0)
    z = np.round(z, 1) if ties else z
    values = z - rng.exponential(0.3, z.shape)
    tree = rises(z, beyond=-np.inf)
    got = np.maximum(tree.saddle, tree.highest_within(values))
    for k in np.flatnonzero(tree.top_cell >= 0):
        for level in np.unique(values):
            label, _ = ndimage.label(z >= level, np.ones((3, 3)))
            around = label == label.flat[tree.top_cell[k]]
            reached = tree.top[k] >= level and (values[around] >= level).any()
            if level > tree.saddle[k]:
                assert reached == (got[k] >= level)


# -- top-hats -------------------------------------------------------------------------------


@pytest.mark.parametrize("half", [2.0, 5.0, 12.0])
def test_opening_is_the_least_of_those_of_scipy(half):
    rough = ndimage.gaussian_filter(np.random.default_rng(1).normal(size=(60, 70)), 2)
    reach = 2 * int(half) + 2
    wide = np.pad(rough, reach, mode="edge")
    expected = rough
    for down, right in [(0, 1), (1, 0)] + [
        (d, s * r) for d, r in ((1, 1), (1, 2), (2, 1), (1, 3), (3, 1)) for s in (1, -1)
    ]:
        n = round(half / np.hypot(down, right))
        line = np.zeros((2 * n * down + 1, 2 * n * abs(right) + 1), dtype=bool)
        for i in range(2 * n + 1):
            line[i * down, i * right if right >= 0 else (2 * n - i) * -right] = True
        opened = ndimage.grey_opening(wide, footprint=line)[reach:-reach, reach:-reach]
        expected = np.minimum(expected, opened)
    inner = np.s_[reach:-reach, reach:-reach]
    assert opening(rough, half, 1.0, 1.0)[inner] == pytest.approx(expected[inner], abs=1e-12)


@pytest.mark.parametrize("turn", [0.0, 0.2, 0.4, 0.785, 1.3])
def test_straight_slopes_and_shelves_have_no_top_hat(turn):
    n = np.cos(turn) * np.arange(120.0) + np.sin(turn) * np.arange(100.0)[:, None]
    for z in (0.1 * n, 4.0 * np.tanh((n - 60.0) / 8.0)):
        inner = np.s_[30:-30, 30:-30]
        assert (z - opening(z, 12.0, 1.0, 1.0))[inner] == pytest.approx(0.0, abs=1e-12)


def test_top_hat_of_a_roof_is_slope_times_half_chord():
    # A chord of half length c lies across a ridge of slope s from s c below the crest.
    z = -0.2 * np.abs(np.arange(-60.0, 61.0)) + np.zeros((80, 1))
    hat = z - opening(z, 15.0, 1.0, 1.0)
    assert hat[40, 60] == pytest.approx(0.2 * 15)
    assert hat[40, 60 + 20] == pytest.approx(0.0)


@pytest.mark.parametrize("azimuth", [0.0, 10.0, 22.5, 37.0, 45.0])
def test_top_hat_on_a_round_shelf_is_the_fall_within_the_sagitta(azimuth):
    # Contours of radius 80 on a slope of 10 %, chord of half length 24: 24^2 / 160 = 3.6 cells;
    # up to 9.2 degrees between the directions of chords cost at most tan^2(9.2) 80 / 2 = 1.05.
    x, y = np.meshgrid(np.arange(-140.0, 141.0), np.arange(-140.0, 141.0))
    z = -0.1 * np.hypot(x, y)
    hat = z - opening(z, 24.0, 1.0, 1.0)
    r, c = np.rint(80.0 * np.sin(np.radians(azimuth))), np.rint(80.0 * np.cos(np.radians(azimuth)))
    assert 0.1 * (3.6 - 1.05) - 0.06 <= hat[140 + int(r), 140 + int(c)] <= 0.1 * 3.6 + 0.06


# -- position index -------------------------------------------------------------------------


def test_position_of_a_bowl_worked_by_hand():
    # Depth r^2: the eight neighbours lie at 1 and 2, mean 1.5. The 40 cells from 2 to 4 cells away
    # have a mean of 9.3, by counting: 4 x 4, 8 x 5, 4 x 8, 4 x 9, 8 x 10, 8 x 13, 4 x 16.
    r2 = np.add.outer(np.arange(-9.0, 10.0) ** 2, np.arange(-9.0, 10.0) ** 2)
    grid = Grid(r2, 0.0, 19.0, 1.0, 1.0)
    assert position(grid, 0.0, 1.5).values[9, 9] == pytest.approx(1.5)
    assert position(grid, 2.0, 4.0).values[9, 9] == pytest.approx(
        (4 * 4 + 8 * 5 + 4 * 8 + 4 * 9 + 8 * 10 + 8 * 13 + 4 * 16) / 40
    )


def test_position_of_any_plane_is_nil_and_gaps_are_left_out():
    grid = grid_of(lambda x, y: 0.3 * x - 0.1 * y, 80.0, 80.0, 2.0)
    assert position(grid, 4.0, 10.0).values[6:-6, 6:-6] == pytest.approx(0.0, abs=1e-9)
    values = grid.values.copy()
    values[:, 20:] = np.nan
    gap = position(grid.like(values), 0.0, 3.0).values
    assert np.isnan(gap[:, 20:]).all()
    # The cells to the east, 0.6 m deeper, are missing: five left, mean 0.6 x 3 / 5 shallower.
    assert gap[20, 19] == pytest.approx(-0.36)


def test_position_and_slope_are_those_of_gdal():
    gdal = pytest.importorskip("osgeo.gdal")
    rough = ndimage.gaussian_filter(np.random.default_rng(3).normal(size=(50, 60)), 2) * 20
    grid = Grid(rough, 0.0, 100.0, 2.0, 2.0)
    source = gdal.GetDriverByName("MEM").Create("", 60, 50, 1, gdal.GDT_Float64)
    source.SetGeoTransform((0.0, 2.0, 0.0, 100.0, 0.0, -2.0))
    source.GetRasterBand(1).WriteArray(rough)
    inner = np.s_[1:-1, 1:-1]

    def peer(what, **options):
        made = gdal.DEMProcessing("", source, what, format="MEM", **options)
        return made.ReadAsArray()[inner]

    # GDAL takes elevations, up; ours are depths, down.
    assert -position(grid, 0.0, 2.9).values[inner] == pytest.approx(peer("TPI"), abs=1e-5)
    for method, alg in (("horn", "Horn"), ("zevenbergen", "ZevenbergenThorne")):
        got = slope(grid, method)[0].values[inner]
        assert got == pytest.approx(peer("slope", alg=alg), abs=1e-4)


def test_ring_without_cells_is_refused():
    with pytest.raises(LakefloorError, match="no cell"):
        position(grid_of(lambda x, y: x, 40.0, 40.0), 0.5, 1.0)


# -- one form at a time -----------------------------------------------------------------------


def floor(x, y):
    """A floor that falls by 0.2 % towards the south, with a shore in the north."""
    return 8.0 * np.tanh((610.0 - y) / 50.0) - 0.002 * y


def test_twin_humps_have_the_saddle_that_calculus_gives():
    # Two bells of height 4 and size 40, 120 m apart: half way, 4 x 2 exp(-0.5 x 1.5^2) = 2.597 m.
    grid = grid_of(
        lambda x, y: (
            floor(x, y)
            - 4.0 * bell(x, y, (340.0, 300.0), 40.0)
            - 3.5 * bell(x, y, (460.0, 300.0), 40.0)
        )
    )
    areas, codes, _, _, radii = sure(grid)
    assert radii == (20.0, 100.0)
    high, low = table(areas, "hump")
    base = floor(400.0, 300.0)
    pass_depth = base - 7.5 * np.exp(-0.5 * 1.5**2)
    assert low["saddle_depth_m"] == pytest.approx(pass_depth, abs=0.12)
    assert low["top_depth_m"] == pytest.approx(grid.values[50:100, 105:130].min(), abs=1e-9)
    assert low["relief_m"] == pytest.approx(low["saddle_depth_m"] - low["top_depth_m"])
    assert high["relief_m"] > low["relief_m"]
    assert high["polygon"].contains(Point(460.0, 300.0)), "the higher hump holds the lower one"
    (saddle,) = [s for s in table(areas, "saddle") if abs(s["spot_y"] - 300.0) < 30.0]
    assert saddle["spot_x"] == pytest.approx(402.0, abs=8.0)
    assert saddle["saddle_depth_m"] == pytest.approx(pass_depth, abs=0.12)
    for at in (high, low):
        row, col = (int(v) for v in np.rint(grid.rows_cols(at["spot_x"], at["spot_y"])))
        assert codes.values[row, col] == 1 + FORMS.index("hump")
    # The axis of the pair runs east-west.
    assert abs(high["orientation_deg"] - 90.0) < 10.0


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize("turn", [0.0, 0.5, 1.2, 2.2])
def test_every_pass_between_twins_is_a_saddle(sign, turn):
    # Two equal bells d apart meet half way at 2 exp(-d^2 / (8 s^2)) of their height (calculus).
    along = 55.0 * np.cos(turn), 55.0 * np.sin(turn)
    grid = grid_of(
        lambda x, y: (
            floor(x, y)
            + sign
            * 2.5
            * sum(bell(x, y, (400.0 + k * along[0], 280.0 + k * along[1]), 35.0) for k in (-1, 1))
        )
    )
    (saddle,) = table(sure(grid)[0], "saddle")
    assert np.hypot(saddle["spot_x"] - 400.0, saddle["spot_y"] - 280.0) < 10.0
    expected = floor(400.0, 280.0) + sign * 5.0 * np.exp(-(110.0**2) / (8 * 35.0**2))
    assert saddle["saddle_depth_m"] == pytest.approx(expected, abs=0.15)


def test_two_holes_are_two_up_to_their_sill():
    grid = grid_of(
        lambda x, y: (
            floor(x, y)
            + 3.0 * bell(x, y, (330.0, 300.0), 40.0)
            + 2.5 * bell(x, y, (470.0, 300.0), 40.0)
        )
    )
    holes = table(sure(grid)[0], "hole")
    assert [h["number"] for h in holes] == [1, 2]
    sill = floor(400.0, 300.0) + 5.5 * np.exp(-0.5 * 1.75**2)
    for hole in holes:
        assert hole["saddle_depth_m"] == pytest.approx(sill, abs=0.15)
        assert hole["relief_m"] == pytest.approx(hole["bottom_depth_m"] - hole["saddle_depth_m"])
    assert holes[0]["spot_x"] == pytest.approx(330.0, abs=8.0)
    assert not holes[0]["polygon"].intersects(Point(470.0, 300.0))


@pytest.mark.parametrize("azimuth", [0.0, 35.0, 90.0, 160.0, 225.0, 310.0])
@pytest.mark.parametrize("form", ["point", "inside turn"])
def test_point_and_inside_turn_head_for_deep_water(form, azimuth):
    """A shelf edge with a bulge, turned: deep water lies towards the azimuth."""
    east, north = np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))
    reach = 55.0 if form == "point" else -55.0

    def depth(x, y):
        out = (x - 400.0) * east + (y - 400.0) * north
        along = (x - 400.0) * north - (y - 400.0) * east
        n = out - reach * np.exp(-0.5 * (along / 40.0) ** 2)
        return 5.0 + 2.5 * np.tanh(n / 20.0) + 0.004 * n

    areas = sure(grid_of(depth, 800.0, 800.0))[0]
    (found,) = [f for f in table(areas, form) if f["relief_m"] > 1.0]
    away = (found["orientation_deg"] - azimuth + 180.0) % 360.0 - 180.0
    assert abs(away) < 10.0
    assert found["polygon"].distance(Point(400.0 + reach * east, 400.0 + reach * north)) < 10.0
    assert found["bottom_depth_m"] > found["top_depth_m"] + 1.0
    assert not table(areas, "hump")
    assert not table(areas, "hole")


@pytest.mark.parametrize(
    "depth",
    [
        lambda x, y: 0.01 * x + 0.02 * y + 1.0,
        lambda x, y: 6.0 + 3.0 * np.tanh((x + 0.7 * y - 600.0) / 25.0),
        lambda x, y: 5.0 + 0.0 * x,
        lambda x, y: np.where(
            np.hypot(x - 400, y - 300) < 290,
            9.0 * (1 - (np.hypot(x - 400, y - 300) / 290) ** 2),
            np.nan,
        ),
    ],
    ids=["plane", "straight shelf", "level", "bowl"],
)
def test_plain_ground_has_no_structure(depth):
    areas = sure(grid_of(depth))[0]
    for form in ("point", "inside turn", "hump", "saddle"):
        assert not table(areas, form), form


def test_flats_steep_break_and_basin():
    # A shelf at 2 m 150 m wide, a face of 20 %, a floor at 9 m that rises on all sides.
    def depth(x, y):
        inshore = 1.8 * np.tanh((600.0 - y) / 20.0) + 3.5 * (1 + np.tanh((430.0 - y) / 17.5))
        walls = np.minimum(np.minimum(x, 800.0 - x), y + 20.0)
        return inshore * np.tanh(walls / 60.0)

    areas, codes, *_ = sure(grid_of(depth))
    (basin,) = table(areas, "basin")
    assert basin["bottom_depth_m"] == pytest.approx(8.8, abs=0.1)
    assert basin["polygon"].contains(Point(400.0, 200.0))
    (flat,) = table(areas, "flat")
    assert flat["polygon"].contains(Point(400.0, 510.0))
    assert flat["slope_pct"] < 3.0
    face = [f for f in table(areas, "steep break") if f["polygon"].distance(Point(400, 430)) == 0]
    assert len(face) == 1
    # 20 % in the middle; 10 % and more within 0.88 x 17.5 m of it (calculus of tanh).
    assert face[0]["slope_pct"] > 10.0
    assert codes.values[round(170 / 4), 100] == 1 + FORMS.index("steep break")


# -- honesty ----------------------------------------------------------------------------------


def test_relief_below_the_uncertainty_is_not_drawn():
    grid = grid_of(lambda x, y: floor(x, y) - 1.0 * bell(x, y, (400.0, 300.0), 50.0))
    assert len(table(sure(grid, 0.1)[0], "hump")) == 1
    # 2 sqrt 2 x 0.4 = 1.13 m.
    assert not table(sure(grid, 0.4)[0], "hump")
    assert not table(sure(grid, 0.1, min_relief_m=1.2)[0], "hump")


def test_confidence_is_the_probability_of_half_the_relief():
    grid = grid_of(lambda x, y: floor(x, y) - 2.0 * bell(x, y, (400.0, 300.0), 60.0))
    (hump,) = table(sure(grid, 0.5)[0], "hump")
    u = np.sqrt(2.0) * 0.5
    assert hump["confidence"] == pytest.approx(erf(hump["relief_m"] / (2**1.5 * u)), abs=0.02)


def test_a_rise_and_a_hollow_at_a_gap_are_neither_hump_nor_hole():
    def depth(x, y):
        z = floor(x, y) - 3.0 * bell(x, y, (200.0, 250.0), 40.0)
        return z + 3.0 * bell(x, y, (600.0, 250.0), 40.0)

    whole = grid_of(depth)
    assert len(table(sure(whole)[0], "hump")) == len(table(sure(whole)[0], "hole")) == 1
    values = whole.values.copy()
    rows, cols = (whole.y < 250.0), slice(None)
    values[rows, cols] = np.nan
    areas = sure(whole.like(values))[0]
    assert not table(areas, "hump")
    assert not [h for h in table(areas, "hole") if h["spot_y"] < 300.0]


def test_an_island_is_no_point_and_no_hump():
    def depth(x, y):
        island = np.hypot(x - 400.0, y - 300.0)
        z = 8.0 * np.tanh((610.0 - y) / 50.0) * np.tanh((island - 40.0) / 60.0)
        return np.where(island > 40.0, z, np.nan)

    areas = sure(grid_of(depth))[0]
    for form in ("point", "hump", "hole", "inside turn"):
        assert not table(areas, form), form


def test_noise_alone_is_no_structure():
    rng = np.random.default_rng(5)
    rough = ndimage.gaussian_filter(rng.normal(size=(150, 200)), 2.0)
    grid = grid_of(lambda x, y: 8.0 + 0.002 * y)
    noisy = grid.like(grid.values + 0.1 * rough / rough.std())
    areas = bottom_forms(Surface(noisy, uncertainty=grid.like(np.full(grid.shape, 0.1))))[0]
    assert not [f for f in areas.attributes["form"] if f not in ("flat", "basin")]


def test_recall_and_precision_on_planted_lakes():
    """Reliefs from 3.2 standard deviations, widths from 2.1 lane spacings of 20 m."""
    total = {}
    for noise in (0.0, 0.1, 0.15):
        for seed in range(20, 24):
            lake = planted_lake(seed, noise=noise or 0.1)
            grid = lake.grid(noise=noise, seed=seed)
            areas, _, _, _, radii = sure(
                grid,
                noise or 0.01,
                distance=grid.like(np.full(grid.shape, 5.0)),
                min_relief_m=0.05 if noise else 0.3,
            )
            assert radii == (20.0, 100.0)
            for form, counts in score(lake, areas, radii[1]).items():
                total[form] = np.add(total.get(form, 0), counts)
    for form, (planted, found, drawn, right) in total.items():
        assert found >= 0.9 * planted, (form, found, planted)
        assert right >= 0.9 * drawn, (form, right, drawn)


def test_recall_and_precision_of_flats_breaks_and_basins():
    """Seeds and noise as they come; a sill of 0.6 m is four standard deviations of 0.15 m."""
    total = {}
    for noise in (0.0, 0.1):
        for seed in (300, 301, 302):
            lake = terraced_lake(seed)
            grid = lake.grid(noise=noise, seed=seed)
            areas = sure(grid, noise or 0.01, distance=grid.like(np.full(grid.shape, 5.0)))[0]
            for form, counts in terrace_score(lake, grid, areas).items():
                total[form] = np.add(total.get(form, 0), counts)
    for form, (planted, found, drawn, right) in total.items():
        assert planted >= 10
        assert found >= 0.85 * planted, (form, found, planted)
        assert right >= 0.85 * drawn, (form, right, drawn)


def test_a_noisy_floor_is_a_basin_whose_deepest_cell_lies_at_its_edge():
    # A floor of 340 m by 300 m, wider than two broad radii. A pit of the noise's size in its
    # corner, where no chord of 200 m fits, makes it no hole.
    def depth(x, y):
        walls = np.minimum(np.minimum(x - 230.0, 570.0 - x), np.minimum(y - 150.0, 450.0 - y))
        return 5.0 + 2.0 * np.tanh(walls / 15.0) + 0.25 * bell(x, y, (255.0, 175.0), 15.0)

    areas = sure(grid_of(depth), 0.1)[0]
    assert not table(areas, "hole")
    (basin,) = [b for b in table(areas, "basin") if b["polygon"].contains(Point(400.0, 300.0))]
    # The walls' slope is 2 / 15 sech^2(t / 15): 3 % at t = 20 m.
    assert basin["area_m2"] > 0.8 * (340.0 - 40.0) * (300.0 - 40.0)


def test_a_narrow_sill_closes_a_basin():
    # On a slope of 6 % a floor 280 m wide behind a bar 30 m wide and 1 m high.
    def depth(x, y):
        south = 600.0 - y
        z = 0.06 * south
        within = (
            0.25
            * (1 + np.tanh((x - 240) / 8))
            * (1 + np.tanh((560 - x) / 8))
            * 0.25
            * (1 + np.tanh((south - 140) / 8))
            * (1 + np.tanh((430 - south) / 8))
        )
        return z + within * (0.06 * 430.0 + 1.0 - z)

    areas = sure(grid_of(depth))[0]
    (basin,) = table(areas, "basin")
    assert basin["polygon"].contains(Point(400.0, 320.0))
    assert not table(areas, "flat")


def test_the_example_lake():
    west, south, east, north = truth.shoreline_polygon().bounds
    grid = empty_grid((west, south, east, north), 4.0)
    grid = grid.like(truth.depth_m(*np.meshgrid(grid.x, grid.y)))
    areas = sure(grid, 0.06, distance=grid.like(np.full(grid.shape, 4.0)))[0]
    x0, y0 = truth.ORIGIN

    def near(form, x, y, within):
        return [f for f in table(areas, form) if f["polygon"].distance(Point(x, y)) <= within]

    (hump,) = table(areas, "hump")
    away = hump["spot_x"] - x0 - truth.HUMP["x"], hump["spot_y"] - y0 - truth.HUMP["y"]
    assert np.hypot(*away) < 6.0
    wet = np.meshgrid(np.arange(-80.0, -40.0), np.arange(40.0, 85.0))
    assert hump["top_depth_m"] == pytest.approx(
        np.nanmin(truth.depth_m(wet[0] + x0, wet[1] + y0)), abs=0.1
    )
    assert len(table(areas, "hole")) == 2
    for hole in (truth.MAIN_HOLE, truth.SECOND_HOLE):
        assert len(near("hole", x0 + hole["x"], y0 + hole["y"], 5.0)) == 1
    # The flat in the east, the shelf, the turn of the drop-off outwards and inwards.
    assert len(near("flat", x0 + 265.0, y0, 5.0)) == 1
    assert len(near("flat", x0 - 180.0, y0 - 140.0, 5.0)) == 1
    ((turn_out, turn_in),) = [truth.face_parallel(0.0, -45.0, 78.0, 123.0)]
    north = [(f["orientation_deg"] + 180.0) % 360.0 - 180.0 for f in near("point", *turn_out, 8.0)]
    assert np.abs(north).min() < 15.0
    assert near("inside turn", *turn_in, 8.0)
    assert near("point", *truth.shore_ring(720)[2 * 255], 12.0), "the point of the shore"
    long_break = max(table(areas, "steep break"), key=lambda f: f["length_m"])
    assert long_break["length_m"] > 300.0
    steep = [f for f in table(areas, "steep break") if f["polygon"].distance(Point(*turn_out)) < 1]
    assert len(steep) == 1


# -- the rest --------------------------------------------------------------------------------


def test_attributes_numbers_and_polygons_agree():
    lake = planted_lake(31)
    areas, codes, fine, broad, _ = sure(lake.grid())
    assert tuple(areas.attributes) == FORM_ATTRIBUTES
    order = [FORMS.index(f) for f in areas.attributes["form"]]
    assert order == sorted(order)
    for form in set(areas.attributes["form"]):
        rows = table(areas, form)
        assert [r["number"] for r in rows] == list(range(1, len(rows) + 1))
        key = "area_m2" if form in ("flat", "basin") else "relief_m"
        assert [r[key] for r in rows] == sorted((r[key] for r in rows), reverse=True)
        for r in rows:
            assert r["name"] == f"{form} {r['number']}"
            assert r["polygon"].is_valid
            assert r["area_m2"] == pytest.approx(r["polygon"].area)
            assert r["top_depth_m"] <= r["bottom_depth_m"]
            assert 0.0 <= r["confidence"] <= 1.0
            assert 0.0 <= r["orientation_deg"] < 360.0
            assert np.isfinite(r["saddle_depth_m"]) == (form in ("hump", "hole", "saddle"))
    assert set(np.unique(codes.values[np.isfinite(codes.values)])) <= set(range(9))
    assert (np.isfinite(codes.values) == np.isfinite(lake.grid().values)).all()
    hump = table(areas, "hump")[0]
    assert broad.sample(np.array([hump["spot_x"]]), np.array([hump["spot_y"]]))[0] > 0.2
    assert np.isfinite(fine.values).sum() > 0


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_lake_gives_turned_forms(turns):
    grid = Lake(
        [Planted("point", 200.0, 0.0, 40.0, 45.0), Planted("hump", 150.0, 400.0, 30.0, 1.5)]
    ).grid(5.0)
    square = Grid(grid.values[: 100 + 20, :120], 0.0, 600.0, 5.0, 5.0)
    before = sure(square)[0].attributes
    after = sure(square.like(np.rot90(square.values, turns)))[0].attributes
    assert before["form"] == after["form"]
    for name in ("relief_m", "top_depth_m", "area_m2"):
        assert after[name] == pytest.approx(before[name], rel=0.05, abs=0.05)
    for form, a, b in zip(before["form"], before["orientation_deg"], after["orientation_deg"]):
        if form in ("point", "inside turn"):
            assert abs((b - (a - 90.0 * turns) + 180.0) % 360.0 - 180.0) < 5.0


def test_fine_cells_are_worked_on_in_blocks():
    def depth(x, y):
        return floor(x, y) - 3.0 * bell(x, y, (400.0, 300.0), 50.0)

    coarse = sure(grid_of(depth, cell=4.0))
    fine = sure(grid_of(depth, cell=1.5), fine_m=20.0)
    assert coarse[-1] == fine[-1] == (20.0, 100.0)
    (one,), (two,) = table(coarse[0], "hump"), table(fine[0], "hump")
    assert two["top_depth_m"] == pytest.approx(one["top_depth_m"], abs=0.02)
    assert two["area_m2"] == pytest.approx(one["area_m2"], rel=0.05)
    assert fine[1].shape == (400, 533)
    assert fine[1].values[200, 267] == 1 + FORMS.index("hump")
    assert fine[3].values[200, 267] == pytest.approx(coarse[3].values[75, 100], abs=0.1)


def test_same_input_same_output():
    grid = planted_lake(7).grid(noise=0.1, seed=7)
    one, two = (bottom_forms(Surface(grid)) for _ in range(2))
    assert one[0].attributes["relief_m"] == two[0].attributes["relief_m"]
    assert np.array_equal(one[1].values, two[1].values, equal_nan=True)


def test_no_depth_no_forms():
    grid = Grid(np.full((20, 20), np.nan), 0.0, 0.0, 2.0, 2.0)
    areas, codes, *_ = bottom_forms(Surface(grid))
    assert len(areas) == 0
    assert tuple(areas.attributes) == FORM_ATTRIBUTES
    assert np.isnan(codes.values).all()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"min_relief_m": 0.0}, "minimum relief"),
        ({"steep_percent": -1.0}, "steep break"),
        ({"flat_percent": np.nan}, "flat"),
        ({"fine_m": 30.0, "broad_m": 20.0}, "broad radius"),
        ({"fine_m": 1.0}, "smaller than a cell"),
    ],
)
def test_bad_limits_are_refused(options, message):
    with pytest.raises(LakefloorError, match=message):
        bottom_forms(Surface(grid_of(floor)), **options)


def test_grids_of_another_shape_are_refused():
    other = Grid(np.zeros((3, 3)), 0, 0, 1, 1)
    with pytest.raises(LakefloorError, match="shape"):
        bottom_forms(Surface(grid_of(floor), other))


def test_cancel_is_honoured():
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        bottom_forms(Surface(grid_of(floor)), progress=stop)
