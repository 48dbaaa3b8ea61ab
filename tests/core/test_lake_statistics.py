"""Lake statistics against the handbooks' figures for simple forms and a lake of known truth."""

import sys
from pathlib import Path

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, box

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.figures.closed_basins import closed_basins
from lakefloor.algorithms.core.figures.lake_statistics import lake_statistics
from lakefloor.algorithms.core.figures.shores import shoreline_spread
from lakefloor.algorithms.core.grid import Grid, Surface, empty_grid
from lakefloor.algorithms.core.polygons import inside
from lakefloor.algorithms.core.surface.nodes import densify
from lakefloor.algorithms.core.units import ACRE, ACRE_FOOT, FOOT
from lakefloor.algorithms.core.wording.statistics_notes import statistics_notes

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "example_project")]
import truth
from bowls import SHAPES, circle

#: A hundred acres and thirty feet.
RADIUS = float(np.sqrt(100.0 * ACRE / np.pi))
DEEPEST = 30.0 * FOOT


def round_lake(shape="paraboloid", cell=3.0):
    n = int(RADIUS / cell) + 3  # a cell in the very middle, where a cone is deepest
    side, edge = np.empty((2 * n + 1,) * 2), (n + 0.5) * cell
    grid = Grid(side, -edge, edge, cell, cell)
    q = np.hypot(*np.meshgrid(grid.x, grid.y)) / RADIUS
    depth = grid.like(np.where(q < 1.0, DEEPEST * SHAPES[shape](q), np.nan))
    return Surface(depth, None, None), circle(RADIUS)


def flat_lake(shore, depth=2.0, cell=None):
    west, south, east, north = shore.bounds
    grid = empty_grid(shore.bounds, cell or min(east - west, north - south) / 40.0)
    return Surface(grid.like(np.where(inside(shore, grid), depth, np.nan)), None, None)


def values(statistics):
    return {name: figure.value for name, figure in statistics.figures.items()}


def test_a_paraboloid_of_a_hundred_acres_and_thirty_feet():
    got = values(lake_statistics(*round_lake()))
    assert got["area"] / ACRE == pytest.approx(100.0, rel=1e-9)
    assert got["volume"] / ACRE_FOOT == pytest.approx(1500.0, rel=1e-3)
    assert got["max_depth"] / FOOT == pytest.approx(30.0, abs=0.01)
    assert got["mean_depth"] / FOOT == pytest.approx(15.0, rel=1e-3)
    # Hutchinson (1957): relative depth 50 z sqrt(pi) / sqrt(A); here 1.273862 %.
    assert got["relative_depth"] == pytest.approx(1.273862, rel=1e-3)
    assert got["volume_development"] == pytest.approx(1.5, rel=2e-3)
    assert got["development"] == pytest.approx(1.0, rel=1e-4)
    assert got["mapped_share"] == pytest.approx(100.0, abs=1e-6)
    assert got["islands"] == 0


@pytest.mark.parametrize(
    ("shape", "development", "littoral", "mean_slope"),
    [
        # Volume development 3 zmean / zmax is 1, 1.5 and 2; area shallower than half the
        # greatest depth 75, 50 and 25 %: elementary geometry. Mean slope of the cone z / R,
        # of the paraboloid 4 z / 3 R.
        ("cone", 1.0, 75.0, 100.0 * DEEPEST / RADIUS),
        ("paraboloid", 1.5, 50.0, 400.0 / 3.0 * DEEPEST / RADIUS),
        ("half-ellipsoid", 2.0, 25.0, None),
    ],
)
def test_shape_and_littoral_share(shape, development, littoral, mean_slope):
    got = values(lake_statistics(*round_lake(shape), littoral_depth=15.0 * FOOT))
    assert got["volume_development"] == pytest.approx(development, rel=2e-3)
    assert got["littoral_share"] == pytest.approx(littoral, abs=0.1)
    assert got["littoral_area"] / ACRE == pytest.approx(littoral, abs=0.1)
    if mean_slope:
        assert got["mean_slope"] == pytest.approx(mean_slope, rel=5e-3)


def test_three_feet_lower():
    # A paraboloid 30 ft deep keeps 90 % of its area and 0.9^2 of its volume.
    lake = round_lake()
    got = values(lake_statistics(*lake, level=-3.0 * FOOT))
    assert got["area"] / ACRE == pytest.approx(90.0, rel=1e-3)
    assert got["volume"] / ACRE_FOOT == pytest.approx(1215.0, rel=1e-3)
    assert got["max_depth"] / FOOT == pytest.approx(27.0, abs=0.01)
    assert got["shoreline"] == pytest.approx(2 * np.pi * RADIUS * np.sqrt(0.9), rel=2e-3)
    assert got["development"] == pytest.approx(1.0, rel=2e-3)


@pytest.mark.parametrize(
    ("shore", "development"),
    [
        # L / (2 sqrt(pi A)) by hand; the ellipse's perimeter from the complete elliptic
        # integral, 9.688448 for half axes 2 and 1.
        (box(0, 0, 200, 200), 1.128379),
        (box(0, 0, 400, 100), 1.410474),
        (affinity.scale(Point(0, 0).buffer(100.0, 256), 2.0, 1.0), 1.090334),
        # Lake Mendota, Wisconsin, as published by the University of Wisconsin: 39.4 km2 and
        # 35.2 km of shore, 1.58; here a rectangle of that area and perimeter.
        (box(0, 0, 14_967.4, 2_632.4), 1.58),
    ],
)
def test_shoreline_development(shore, development):
    got = values(lake_statistics(flat_lake(shore), shore))
    assert got["development"] == pytest.approx(
        development, rel=3e-3 if development == 1.58 else 1e-5
    )


def test_islands_are_no_lake_and_their_shore_counts_apart():
    island = box(80, 80, 120, 120)
    shore = box(0, 0, 200, 200).difference(island)
    got = values(lake_statistics(flat_lake(shore, cell=2.0), shore))
    assert got["area"] == pytest.approx(200**2 - 40**2)
    assert got["shoreline"] == pytest.approx(800.0)
    assert got["island_shoreline"] == pytest.approx(160.0)
    assert got["islands"] == 1
    area = 200**2 - 40**2
    assert got["development"] == pytest.approx(800.0 / 2 / np.sqrt(np.pi * area))
    assert got["development_islands"] == pytest.approx(960.0 / 2 / np.sqrt(np.pi * area))


def test_layers_add_up():
    statistics = lake_statistics(*round_lake(), layer=FOOT, littoral_depth=15.0 * FOOT)
    layers, got = statistics.layers, values(statistics)
    assert len(layers.top) == 30
    assert layers.top[1:] == pytest.approx(layers.bottom[:-1])
    assert layers.bottom[-1] == pytest.approx(got["max_depth"])
    assert layers.area.sum() == pytest.approx(got["area"], rel=1e-6)
    assert layers.volume.sum() == pytest.approx(got["volume"], rel=1e-6)
    assert layers.volume_below[0] == pytest.approx(got["volume"])
    assert layers.area[:15].sum() == pytest.approx(got["littoral_area"], rel=1e-6)
    # A paraboloid has the same area in each layer.
    assert layers.area / ACRE == pytest.approx(100.0 / 30.0, rel=0.03)
    # With layers of one foot the handbooks' formula is 0.07 % short of a paraboloid.
    assert got["frustum_volume"] / ACRE_FOOT == pytest.approx(1498.97, rel=1e-3)


def test_uncertainties():
    surface, shore = round_lake(cell=6.0)
    grid = surface.depth
    surface = Surface(
        grid, grid.like(np.full(grid.shape, 0.2)), grid.like(np.full(grid.shape, 10.0))
    )
    figures = lake_statistics(surface, shore, datum_sd=0.03).figures
    area = 100.0 * ACRE
    # Distances of 10 m on the median are lanes 40 m apart; errors fade over as much.
    random = np.sqrt(np.pi * 40.0**2 * 0.2**2 * area)
    volume_sd = np.hypot(0.03 * area, random)
    assert figures["volume"].sd == pytest.approx(volume_sd, rel=1e-3)
    assert figures["mean_depth"].sd == pytest.approx(volume_sd / area, rel=1e-3)
    assert figures["max_depth"].sd == pytest.approx(np.hypot(0.03, 0.2), rel=1e-6)
    # Of depth over the root of area.
    assert figures["relative_depth"].sd / figures["relative_depth"].value == pytest.approx(
        np.hypot(
            figures["max_depth"].sd / figures["max_depth"].value,
            0.5 * figures["area"].sd / figures["area"].value,
        )
    )
    assert figures["mean_slope"].sd == pytest.approx(
        100.0 * 0.2 * np.sqrt(2 * np.pi / area), rel=1e-3
    )
    assert figures["shoreline"].sd is None


def test_an_unknown_sound_speed_does_not_average_out():
    surface, shore = round_lake()
    grid = surface.depth
    surface = Surface(
        grid, grid.like(np.full(grid.shape, 0.2)), grid.like(np.full(grid.shape, 10.0))
    )
    plain, share = lake_statistics(surface, shore), 0.026
    found = lake_statistics(surface, shore, scale_sd=share)
    for name in ("volume", "mean_depth", "max_depth", "mean_slope"):
        value, sd = found.figures[name][2:]
        assert sd == pytest.approx(np.hypot(share * value, plain.figures[name].sd), rel=1e-3)
    # The share of the volume below is that of all: a ratio of depths stays as it is.
    assert found.figures["volume_development"].sd == pytest.approx(
        plain.figures["volume_development"].sd, abs=1e-3
    )
    # 1.96 times 2.6%.
    said = " ".join(statistics_notes(found, surface, shore))
    assert "all depths too large or too small by up to 5.1% alike" in said
    assert "sound speed" not in " ".join(statistics_notes(plain, surface, shore))


def test_two_basins():
    # Two holes, 8 m and 6 m deep, in a bottom at 3 m.
    shore = box(0, 0, 600, 300)
    grid = empty_grid(shore.bounds, 2.0)
    x, y = np.meshgrid(grid.x, grid.y)
    west, east = np.hypot(x - 150, y - 150) / 80.0, np.hypot(x - 450, y - 150) / 60.0
    depth = 3.0 + 5.0 * np.clip(1 - west**2, 0, None) + 3.0 * np.clip(1 - east**2, 0, None)
    basins = lake_statistics(Surface(grid.like(depth), None, None), shore, layer=1.0).basins
    step = FOOT
    closing = np.ceil(3.0 / step) * step
    assert basins["closing_depth"] == pytest.approx([closing, closing])
    assert basins["max_depth"] == pytest.approx([8.0, 6.0], abs=0.01)
    # Paraboloids: area pi r^2 and half of area times depth, above the closing contour.
    for i, (radius, height) in enumerate(((80.0, 5.0), (60.0, 3.0))):
        left = 1.0 - (closing - 3.0) / height
        area = np.pi * radius**2 * left
        assert basins["area"][i] == pytest.approx(area, rel=0.015)
        assert basins["volume"][i] == pytest.approx(0.5 * area * height * left, rel=5e-3)
    assert (basins["x"][0], basins["y"][0]) == pytest.approx((150.0, 150.0), abs=1.5)


def test_noise_makes_no_basins_and_one_hollow_is_one_lake():
    surface, shore = round_lake()
    rng = np.random.default_rng(3)
    noisy = surface.depth.like(surface.depth.values + rng.normal(0, 0.05, surface.depth.shape))
    levels = np.arange(0.0, DEEPEST, FOOT)
    assert closed_basins(noisy, shore, levels, min_depth=FOOT)["area"] == []
    assert closed_basins(surface.depth, shore, levels)["area"] == []


def test_the_invented_lake():
    shore = truth.shoreline_polygon()
    grid = empty_grid(shore.bounds, 2.0)
    depth = grid.like(truth.depth_m(*np.meshgrid(grid.x, grid.y)))
    _, _, known = truth.sample_grid(1.0)
    statistics = lake_statistics(Surface(depth, None, None), shore)
    got = values(statistics)
    assert got["area"] == pytest.approx(244_900, rel=1e-3)
    assert got["volume"] == pytest.approx(known.sum(), rel=2e-4)
    assert got["max_depth"] == pytest.approx(known.max(), abs=0.005)
    assert got["littoral_share"] == pytest.approx(100.0 * np.mean(known < 15.0 * FOOT), abs=0.05)
    assert got["islands"] == 1
    assert len(statistics.basins["area"]) == 2


def test_gaps_are_said_in_words():
    surface, shore = round_lake(cell=6.0)
    x, _ = np.meshgrid(surface.depth.x, surface.depth.y)
    half = surface.depth.like(np.where(x > 0, np.nan, surface.depth.values))
    statistics = lake_statistics(Surface(half, None, None), shore)
    assert statistics.figures["mapped_share"].value == pytest.approx(50.0, abs=1.5)
    assert statistics.figures["area"].value == pytest.approx(100.0 * ACRE)
    notes = statistics_notes(statistics, Surface(half, None, None), shore)
    assert any("of the lake at the datum has no depth" in note for note in notes)
    assert statistics.figures["mean_depth"].value == pytest.approx(15.0 * FOOT, rel=0.03)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"level": -9.5}, "no water"),
        ({"level": np.nan}, "must be a number"),
        ({"level": 0.5}, "land"),
        ({"littoral_depth": 0.0}, "littoral depth"),
        ({"layer": -1.0}, "depth layer"),
        ({"layer": 0.001}, "2000"),
    ],
)
def test_refusals(change, words):
    with pytest.raises(LakefloorError, match=words):
        lake_statistics(*round_lake(cell=20.0), **change)


# -- the shoreline's uncertainty ----------------------------------------------------


def test_spread_of_a_square_by_hand():
    # Each corner's neighbours lie a diagonal apart: 4 (200^2 + 200^2) / 4 s^2; each corner's
    # directions are at right angles: 4 times 2 s^2.
    ring = np.asarray(box(0, 0, 200, 200).exterior.coords)
    area, length = shoreline_spread([ring], 1.0)
    assert area == pytest.approx(np.sqrt(80_000.0))
    assert length == pytest.approx(np.sqrt(8.0))


def test_spread_as_thrown():
    # Corners of an L moved at random 4000 times, against the figures stated.
    corners = np.array([(0, 0), (90, 0), (90, 40), (30, 40), (30, 120), (0, 120)], dtype=float)
    rng = np.random.default_rng(7)
    thrown = corners + rng.normal(scale=0.5, size=(4000, *corners.shape))
    x, y = np.moveaxis(thrown, 2, 0)
    areas = 0.5 * (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)
    lengths = np.hypot(x - np.roll(x, -1, axis=1), y - np.roll(y, -1, axis=1)).sum(axis=1)
    area, length = shoreline_spread([np.vstack([corners, corners[:1]])], 0.5)
    assert areas.std() == pytest.approx(area, rel=0.05)
    assert lengths.std() == pytest.approx(length, rel=0.05)


def test_vertices_between_corners_change_nothing():
    sparse = np.asarray(box(0, 0, 200, 100).exterior.coords)
    dense = densify(sparse, 2.0)
    assert shoreline_spread([dense], 1.0) == pytest.approx(shoreline_spread([sparse], 1.0))


def test_the_shoreline_is_part_of_area_length_and_development_but_not_of_volume():
    shore = box(0, 0, 200, 200)
    sure, unsure = (
        lake_statistics(flat_lake(shore), shore, shoreline_sd=sd).figures for sd in (0.0, 2.0)
    )
    assert sure["shoreline"].sd is None
    assert unsure["area"].sd == pytest.approx(np.hypot(2 * np.sqrt(80_000), sure["area"].sd))
    assert unsure["shoreline"].sd == pytest.approx(2 * np.sqrt(8))
    relative = np.hypot(unsure["shoreline"].sd / 800, 0.5 * unsure["area"].sd / 40_000)
    assert unsure["development"].sd == pytest.approx(unsure["development"].value * relative)
    assert unsure["volume"] == sure["volume"]
    lower = lake_statistics(flat_lake(shore), shore, shoreline_sd=2.0, level=-1.0)
    assert lower.figures["shoreline"].sd is None
    assert "The uncertainties do not include how exactly the shoreline is drawn." in (
        statistics_notes(lower, flat_lake(shore), shore)
    )
    with pytest.raises(LakefloorError, match="shoreline must be 0 m or more"):
        lake_statistics(flat_lake(shore), shore, shoreline_sd=-1.0)


def test_an_uncertainty_without_a_value_is_told_as_none():
    surface, shore = round_lake()
    blank = Surface(surface.depth, surface.depth.like(surface.depth.values * np.nan), None)
    notes = statistics_notes(lake_statistics(blank, shore), blank, shore)
    assert (
        "The surface has no uncertainty band. Uncertainties are those of the datum alone."
    ) in notes
