"""Depth contours and areas: against hand-solved grids, contourpy and plane geometry."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, stats
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.ops import unary_union

from lakefloor.algorithms.core.chart.contour_domain import cells_polygon
from lakefloor.algorithms.core.chart.contours import depth_areas, depth_contours
from lakefloor.algorithms.core.chart.marching_squares import square_ranges, trace
from lakefloor.algorithms.core.chart.smoothing import smooth_within
from lakefloor.algorithms.core.chart.support import _without_flicker
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.polygons import inside

FOOT = 0.3048


def grid_of(values, cell=1.0, west=500_000.0, north=5_100_000.0):
    values = np.asarray(values, dtype=float)
    return Grid(values, west, north, cell, cell)


def segments(values, level):
    """Directed segments, shape (n, 4) as row, col, row, col, between the cell centres."""
    values = np.asarray(values, dtype=float)
    rows, cols = values.shape
    outside = values.min() - 10.0
    padded = np.pad(values, 1, constant_values=outside)
    r, c, squares, first = trace(padded, level, square_ranges(padded), outside)
    following = np.arange(len(r)) + 1
    following[first[1:] - 1] = first[:-1]
    row, col = np.divmod(squares, cols + 1)
    within = (row >= 1) & (row < rows) & (col >= 1) & (col < cols)
    return np.column_stack([r, c, r[following], c[following]])[within] - 1.0


def at_level(lines, depth):
    return [c for c, d in zip(lines.coords, lines.attributes["depth"]) if d == depth]


def rows_of(lines):
    names = list(lines.attributes)
    return [dict(zip(names, row)) for row in zip(*lines.attributes.values())]


# -- grids solved by hand ---------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "level", "expected"),
    [
        # Deeper to the east: the line runs south, deeper water on its left.
        ([[0, 1], [0, 1]], 0.5, [(0, 0.5, 1, 0.5)]),
        ([[1, 0], [1, 0]], 0.25, [(1, 0.75, 0, 0.75)]),
        # A quarter of the way from 3 to 7.
        ([[3, 3], [7, 7]], 4.0, [(0.25, 1, 0.25, 0)]),
        ([[1, 0], [0, 0]], 0.5, [(0.5, 0, 0, 0.5)]),
        # Saddles: at the mean of the corners or short of it the deep corners join.
        ([[1, 0], [0, 1]], 0.5, [(0.5, 0, 1, 0.5), (0.5, 1, 0, 0.5)]),
        ([[1, 0], [0, 1]], 0.25, [(0.75, 0, 1, 0.25), (0.25, 1, 0, 0.75)]),
        ([[1, 0], [0, 1]], 0.75, [(0.25, 0, 0, 0.25), (0.75, 1, 1, 0.75)]),
        ([[0, 1], [1, 0]], 0.5, [(0, 0.5, 0.5, 0), (1, 0.5, 0.5, 1)]),
        ([[0, 1], [1, 0]], 0.75, [(0, 0.75, 0.25, 1), (1, 0.25, 0.75, 0)]),
        # A single deep cell: a ring, counter-clockwise on the map.
        (
            [[0, 0, 0], [0, 1, 0], [0, 0, 0]],
            0.5,
            [(0.5, 1, 1, 0.5), (1, 0.5, 1.5, 1), (1.5, 1, 1, 1.5), (1, 1.5, 0.5, 1)],
        ),
        ([[0, 0], [0, 0]], 0.5, []),
    ],
)
def test_hand_solved(values, level, expected):
    found = segments(values, level)
    assert sorted(map(tuple, np.round(found, 9) + 0.0)) == sorted(expected)


@pytest.mark.parametrize("kind", ["basin", "hump", "step"])
@pytest.mark.parametrize("as_read_from", [np.float64, np.float32])
def test_plateau_at_exactly_the_level_is_ringed(kind, as_read_from):
    """A whole-foot plateau in soundings quantised to 0.1 ft, at a whole-foot level."""
    rest = {"basin": 4.9, "hump": 5.1, "step": 4.9}[kind]
    feet = np.full((12, 12), rest)
    feet[4:8, 4:8] = 5.0
    if kind == "step":
        feet[5:7, 5:7] = 5.3
    grid = grid_of((feet * FOOT).astype(as_read_from).astype(float))
    lines, _ = depth_contours(grid, interval=5, unit="ft", smoothing=0)
    (ring,) = at_level(lines, 5)
    assert lines.attributes["kind"] == ["hump" if kind == "hump" else "line"]
    # It runs along the plateau's outer cell centres, 3 m by 3 m.
    assert Polygon(ring).area == pytest.approx(9.0, rel=1e-3)


@pytest.mark.parametrize("rest", [4.7, 5.3])
def test_one_node_at_exactly_the_level_is_ringed_whichever_way_the_bottom_turns(rest):
    values = np.full((9, 9), rest)
    values[[0, -1]] = values[:, [0, -1]] = -1e9
    values[4, 5] = 5.0
    rows, columns, _, first = trace(values, 5.0, square_ranges(values), -1e9)
    rings = [slice(*ends) for ends in zip(first[:-1], first[1:])]
    # The other ring, where all is deeper, is that of the surface.
    assert len(rings) == (2 if rest > 5.0 else 1)
    (close,) = (ring for ring in rings if np.ptp(rows[ring]) < 1.0)
    assert rows[close] == pytest.approx(4.0, abs=1e-4)
    assert columns[close] == pytest.approx(5.0, abs=1e-4)


@pytest.mark.parametrize("level", [4.9, 4.999, 5.0])
def test_ring_does_not_vanish_as_the_level_reaches_the_plateau(level):
    values = np.full((12, 12), 4.8)
    values[4:8, 4:8] = 5.0
    lines, _ = depth_contours(grid_of(values), interval=level, unit="m", smoothing=0)
    assert len(lines) == 1


# -- against contourpy ------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_same_segments_as_contourpy(seed):
    """contourpy's serial algorithm, which resolves saddles by the same mean."""
    contourpy = pytest.importorskip("contourpy")
    random = np.random.default_rng(seed)
    values = ndimage.gaussian_filter(random.normal(size=(40, 55)), random.uniform(0.0, 3.0))
    reference = contourpy.contour_generator(z=values, name="serial")
    for level in np.quantile(values, [0.02, 0.3, 0.5, 0.8, 0.97]):
        expected = [np.hstack([line[:-1], line[1:]]) for line in reference.lines(level)]
        expected = np.concatenate(expected)[:, [1, 0, 3, 2]]
        found = segments(values, level)
        # The direction is a convention of each; compare segments as pairs of points.
        sets = [
            {tuple(sorted([tuple(s[:2]), tuple(s[2:])])) for s in np.round(all_, 3) + 0.0}
            for all_ in (expected, found)
        ]
        assert sets[0] == sets[1]
        lengths = [np.hypot(s[:, 2] - s[:, 0], s[:, 3] - s[:, 1]).sum() for s in (expected, found)]
        assert lengths[1] == pytest.approx(lengths[0], rel=1e-4)


# -- a cone -----------------------------------------------------------------------


def cone(cell, half=120.0):
    count = int(half / cell)
    axis = np.arange(-count, count + 1) * cell
    west = axis[0] - cell / 2
    return Grid(30.0 - 0.3 * np.hypot(axis[None, :], axis[:, None]), west, -west, cell, cell)


@pytest.mark.parametrize(
    ("cell", "perimeter", "area"),
    [(1.0, 314.1516, 7853.340), (2.0, 314.1286, 7851.351), (5.0, 313.9672, 7836.773)],
)
def test_cone(cell, perimeter, area):
    """Perimeter and area by contourpy 1.3.3; on the cone itself 314.1593 m and 7853.982 m2."""
    lines, _ = depth_contours(cone(cell), interval=15, unit="m", smoothing=0)
    (ring,) = at_level(lines, 15)
    # Vertices keep a hundred-thousandth of a cell away from cell centres.
    assert LineString(ring).length == pytest.approx(perimeter, abs=1e-4 + 3e-5 * cell)
    assert Polygon(ring).area == pytest.approx(area, abs=2e-3)
    assert Polygon(ring).exterior.is_ccw  # deeper water on the left
    areas = depth_areas(cone(cell), interval=15, unit="m", smoothing=0)
    deep = dict(zip(areas.attributes["depth_from"], areas.attributes["area_m2"]))
    assert deep[15.0] + deep.get(30.0, 0.0) == pytest.approx(area, abs=2e-3)


def test_attributes_of_a_cone_in_feet():
    lines, summary = depth_contours(cone(1.0, 90.0), interval=1, unit="ft", smoothing=0, min_area=0)
    rows = rows_of(lines)
    depths = [row["depth"] for row in rows]
    assert depths == sorted(depths)
    corner = 30.0 - 0.3 * np.hypot(90.0, 90.0)
    assert sorted(set(depths)) == list(range(int(np.ceil(corner / FOOT)), int(30 / FOOT) + 1))
    for row in rows:
        assert row["depth_m"] == pytest.approx(row["depth"] * FOOT, abs=1e-12)
        assert row["unit"] == "ft"
        assert row["label"] == f"{row['depth']:.0f}"
        assert row["index"] == int(row["depth"] % 5 == 0)
        assert row["supported"] is None
    assert summary["supported"] is None
    assert summary["length"] == pytest.approx(sum(LineString(c).length for c in lines.coords))
    spots = [row for row in rows if row["spot"] is not None]
    assert [row["depth"] for row in spots] == [max(depths)]
    assert spots[0]["spot"] == pytest.approx(30 / FOOT, abs=1e-3)
    assert (spots[0]["spot_x"], spots[0]["spot_y"]) == (0.0, 0.0)


def test_base_and_index_count_from_the_base():
    lines, _ = depth_contours(
        cone(5.0, 90.0), interval=2, unit="m", base=1, index_every=3, smoothing=0
    )
    index = {row["depth"]: row["index"] for row in rows_of(lines)}
    assert all(depth % 2 == 1 for depth in index)
    assert {depth for depth, on in index.items() if on} == {
        depth for depth in index if (depth - 1) % 6 == 0
    }


# -- properties -------------------------------------------------------------------


@st.composite
def surfaces(draw):
    """Noisy surfaces in feet, often quantised and with gaps, with or without a shoreline."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    shape = draw(st.integers(1, 18)), draw(st.integers(1, 18))
    values = ndimage.gaussian_filter(random.normal(size=shape), draw(st.sampled_from([0, 0.7, 2])))
    values = 2.0 + values / (values.std() or 1.0) * draw(st.sampled_from([0.3, 1.0, 3.0]))
    step = draw(st.sampled_from([None, 0.1, 0.5, 1.0]))
    if step:
        values = np.round(values / step) * step
    values[random.random(shape) < draw(st.sampled_from([0.0, 0.05, 0.4]))] = np.nan
    grid = Grid(values * FOOT, 500_000.0, 5_100_000.0, 2.0, 3.0)
    shoreline = None
    if draw(st.booleans()):
        west, south, east, north = grid.bounds
        angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
        radius = 0.25 + 0.3 * random.random(40)
        shoreline = Polygon(
            np.column_stack(
                [
                    0.5 * (west + east) + radius * (east - west) * np.cos(angle),
                    0.5 * (south + north) + radius * (north - south) * np.sin(angle),
                ]
            )
        )
    spread = draw(st.sampled_from([None, 0.0, 0.3, 2.0]))
    uncertainty = None if spread is None else grid.like(np.abs(random.normal(size=shape)) * spread)
    return grid, {"interval": 1, "uncertainty": uncertainty, "shoreline": shoreline, "min_area": 0}


def has_values(grid, shoreline):
    mask = np.isfinite(grid.values)
    return (mask if shoreline is None else mask & inside(shoreline, grid)).any()


@settings(max_examples=60, deadline=None)
@given(surfaces())
def test_lines_never_cross_and_areas_cover_the_map_once(surface):
    grid, options = surface
    if not has_values(grid, options["shoreline"]):
        with pytest.raises(LakefloorError, match=r"No cell|no cell"):
            depth_areas(grid, **options)
        return
    areas = depth_areas(grid, **options)
    union = unary_union(areas.polygons)
    assert all(polygon.is_valid for polygon in areas.polygons)
    assert sum(areas.attributes["area_m2"]) == pytest.approx(union.area, abs=1e-6)
    if options["shoreline"] is None:
        assert union.area == pytest.approx(np.isfinite(grid.values).sum() * 6.0, abs=1e-6)
    else:
        assert union.difference(options["shoreline"]).area < 1e-6
    try:
        lines, _ = depth_contours(grid, **options)
    except LakefloorError as error:
        if "No contour falls" not in str(error):
            raise
        return
    levels = {}
    for coords, depth in zip(lines.coords, lines.attributes["depth"]):
        line = LineString(coords)
        assert line.is_simple
        assert line.length > 0
        levels.setdefault(depth, []).append(line)
    merged = [MultiLineString(levels[depth]) for depth in sorted(levels)]
    for one, two in zip(merged[:-1], merged[1:]):
        assert not one.intersects(two)
    edges = unary_union([polygon.boundary for polygon in areas.polygons])
    assert max(edges.distance(Point(p)) for c in lines.coords for p in c) < 1e-6


def noisy_lake(size=60, cell=2.0, noise=0.15, seed=3):
    random = np.random.default_rng(seed)
    y, x = np.mgrid[-1 : 1 : size * 1j, -1 : 1 : size * 1j]
    values = 6.0 * (1.0 - 0.6 * x**2 - 0.7 * y**2) + noise * random.normal(size=(size, size))
    return grid_of(values, cell)


@pytest.mark.parametrize("spread", [0.05, 0.2])
def test_lines_move_no_further_than_the_uncertainty_allows(spread):
    grid = noisy_lake()
    lines, _ = depth_contours(
        grid, interval=1, unit="ft", uncertainty=grid.like(np.full(grid.shape, spread)), min_area=0
    )
    rough, _ = depth_contours(grid, interval=1, unit="ft", smoothing=0, min_area=0)
    assert sum(map(len, lines.coords)) < sum(map(len, rough.coords))
    west, south, east, north = grid.bounds
    moved = []
    for coords, level in zip(lines.coords, lines.attributes["depth_m"]):
        x, y = coords.T
        # Between cell centres the surface is linear along the edges, where vertices lie.
        known = (x > west + 1) & (x < east - 1) & (y > south + 1) & (y < north - 1)
        moved.append(np.abs(grid.sample(x[known], y[known]) - level))
    assert np.concatenate(moved).max() <= spread + 1e-3
    assert np.concatenate(moved).max() > 0.5 * spread


def test_smoothing_without_uncertainty_stays_within_a_tenth_of_the_interval():
    grid = noisy_lake()
    smooth = smooth_within(grid, 0.1 * FOOT)
    assert np.abs(smooth.values - grid.values).max() <= 0.1 * FOOT + 1e-12
    with_default, _ = depth_contours(grid, interval=1, unit="ft", min_area=0)
    by_hand, _ = depth_contours(smooth, interval=1, unit="ft", smoothing=0, min_area=0)
    assert all(np.array_equal(a, b) for a, b in zip(with_default.coords, by_hand.coords))


def test_smoothing_keeps_a_plane_and_gaps():
    y, x = np.mgrid[0:20, 0:30].astype(float)
    values = 0.3 * x - 0.2 * y + 10.0
    values[5:8, 10:14] = np.nan
    smooth = smooth_within(grid_of(values), 10.0)
    np.testing.assert_allclose(smooth.values, values, atol=1e-12)


def test_smoothing_of_one_peak_is_the_binomial_filter():
    """Sixteen rows of Pascal's triangle: C(16, 8 + k) / 2^16 along each axis."""
    values = np.zeros((31, 31))
    values[15, 15] = 1.0
    row = stats.binom.pmf(np.arange(17), 16, 0.5)
    smooth = smooth_within(grid_of(values), 1.0).values
    np.testing.assert_allclose(smooth[7:24, 7:24], np.outer(row, row), atol=1e-12)


def test_mirrored_lake_gives_mirrored_lines():
    grid = noisy_lake(30)
    one, _ = depth_contours(grid, interval=1)
    two, _ = depth_contours(grid.like(grid.values[:, ::-1]), interval=1)
    lengths = [np.sort([LineString(c).length for c in lines.coords]) for lines in (one, two)]
    np.testing.assert_allclose(lengths[0], lengths[1], atol=1e-6)


def test_deeper_water_is_on_the_left():
    grid = noisy_lake(noise=0.0)
    lines, _ = depth_contours(grid, interval=1, smoothing=0)
    for coords, level in zip(lines.coords, lines.attributes["depth_m"]):
        k = len(coords) // 2
        middle, along = 0.5 * (coords[k - 1] + coords[k]), coords[k] - coords[k - 1]
        left = middle + 0.3 * np.array([-along[1], along[0]]) / np.hypot(*along)
        assert grid.sample(*left[:, None])[0] > level


# -- humps, hollows, islands ------------------------------------------------------


def bowl_with(*features, size=101, cell=2.0):
    """A lake 10 m deep with Gaussian humps (negative height) and hollows (positive)."""
    axis = (np.arange(size) - size // 2) * cell
    x, y = axis[None, :], -axis[:, None]
    values = 10.0 * (1.0 - (x**2 + y**2) / 100.0**2)
    for height, cx, cy, width in features:
        values = values + height * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / width**2)
    return Grid(values, axis[0] - cell / 2, axis[-1] + cell / 2, cell, cell)


def test_humps_and_hollows_are_marked():
    grid = bowl_with((-4.0, 40.0, 0.0, 12.0), (3.0, -60.0, 0.0, 10.0))
    lines, summary = depth_contours(grid, interval=1, unit="m", smoothing=0)
    rows = rows_of(lines)
    centers = {"hump": Point(40.0, 0.0), "hollow": Point(-60.0, 0.0)}
    for kind, center in centers.items():
        found = [(c, r) for c, r in zip(lines.coords, rows) if r["kind"] == kind]
        assert found
        assert all(r["closed"] and Polygon(c).contains(center) for c, r in found)
        (spot,) = [r for _, r in found if r["spot"] is not None]
        extreme = min if kind == "hump" else max
        assert spot["depth"] == extreme(r["depth"] for _, r in found)
        near = grid.values[47:54, 65:76] if kind == "hump" else grid.values[47:54, 15:26]
        assert spot["spot"] == pytest.approx(getattr(np, extreme.__name__)(near), abs=1e-3)
        assert center.distance(Point(spot["spot_x"], spot["spot_y"])) < 6.0
    deepest = np.unravel_index(np.argmax(grid.values), grid.shape)
    around = [
        r
        for c, r in zip(lines.coords, rows)
        if r["closed"] and Polygon(c).contains(Point(grid.x[deepest[1]], grid.y[deepest[0]]))
    ]
    assert around
    assert {r["kind"] for r in around} == {"line"}
    assert summary["humps"] == summary["hollows"] == 0


def test_spots_are_taken_before_smoothing():
    values = np.full((21, 21), 5.2)
    values[8:13, 8:13] = 4.8
    values[10, 10] = 4.3
    grid = grid_of(values)
    lines, _ = depth_contours(
        grid, interval=5, unit="m", uncertainty=grid.like(np.full(grid.shape, 0.1))
    )
    assert lines.attributes["kind"] == ["hump"]
    assert lines.attributes["spot"] == [4.3]


@pytest.mark.parametrize("with_shoreline", [True, False])
def test_island_is_no_hump(with_shoreline):
    grid = bowl_with((-12.0, 40.0, 0.0, 15.0))
    shoreline = None
    values = grid.values.copy()
    if with_shoreline:
        shoreline = Point(0.0, 0.0).buffer(98.0).difference(Point(40.0, 0.0).buffer(9.0))
    else:
        values[values < 0] = np.nan
    lines, _ = depth_contours(
        grid.like(values), interval=1, unit="m", smoothing=0, shoreline=shoreline
    )
    rows = rows_of(lines)
    island = Point(40.0, 0.0)
    around = [
        r
        for c, r in zip(lines.coords, rows)
        if r["closed"] and Polygon(c).contains(island) and not Polygon(c).contains(Point(0, 0))
    ]
    assert around
    assert {r["kind"] for r in around} == {"line"}


def test_small_rings_are_dropped_and_counted():
    values = np.full((30, 30), 5.5)
    values[10, 10] = 4.5
    values[20:26, 20:26] = 4.5
    values[20, 5] = 6.5
    grid = grid_of(values)
    everything, none = depth_contours(grid, interval=1, unit="m", smoothing=0, min_area=0)
    kept, dropped = depth_contours(grid, interval=1, unit="m", smoothing=0)
    assert len(everything) == 3
    assert (none["humps"], none["hollows"]) == (0, 0)
    assert kept.attributes["kind"] == ["hump"]
    assert (dropped["humps"], dropped["hollows"]) == (1, 1)
    areas = depth_areas(grid, interval=1, unit="m", smoothing=0)
    assert areas.attributes["depth_from"] == [4.0, 5.0]
    ring = Polygon(kept.coords[0])
    assert areas.attributes["area_m2"][0] == pytest.approx(ring.area)


# -- shoreline and the edge of the data -------------------------------------------


def test_lines_keep_inside_the_shoreline_and_follow_it():
    grid = cone(2.0, 110.0)
    shoreline = Point(0.0, 0.0).buffer(100.0, 64)
    lines, _ = depth_contours(grid, interval=1, unit="ft", smoothing=0, shoreline=shoreline)
    assert min(lines.attributes["depth"]) == 1.0
    for coords, depth in zip(lines.coords, lines.attributes["depth_m"]):
        assert shoreline.buffer(1e-6).contains(LineString(coords))
        # The line of a depth on this cone is a circle.
        radius = np.hypot(*coords.T)
        np.testing.assert_allclose(radius, (30.0 - depth) / 0.3, atol=0.7)
    assert all(lines.attributes["closed"])
    areas = depth_areas(grid, interval=1, unit="ft", smoothing=0, shoreline=shoreline)
    assert areas.attributes["depth_from"][0] == 0.0
    assert sum(areas.attributes["area_m2"]) == pytest.approx(shoreline.area, rel=1e-9)


def test_flat_zero_depth_by_the_shore_draws_no_second_shore():
    grid = cone(2.0, 110.0)
    grid = grid.like(np.where(grid.values < 1.0, 0.0, grid.values))
    shoreline = Point(0.0, 0.0).buffer(100.0, 64)
    lines, _ = depth_contours(grid, interval=1, unit="m", shoreline=shoreline)
    assert 0.0 not in lines.attributes["depth"]


def test_land_at_datum_inside_the_shoreline_has_its_line():
    grid = bowl_with((-12.0, 40.0, 0.0, 15.0))
    shoreline = Point(0.0, 0.0).buffer(98.0)
    lines, _ = depth_contours(grid, interval=1, unit="m", shoreline=shoreline, smoothing=0)
    (ring,) = at_level(lines, 0)
    assert Polygon(ring).contains(Point(40.0, 0.0))
    areas = depth_areas(grid, interval=1, unit="m", shoreline=shoreline, smoothing=0)
    assert areas.attributes["depth_from"][0] < 0
    assert (
        areas.attributes["label"][0] == f"{areas.attributes['depth_from'][0]:g} to "
        f"{areas.attributes['depth_to'][0]:g} m"
    )


def test_lines_end_where_the_data_end():
    grid = noisy_lake()
    values = grid.values.copy()
    values[20:30, 25:45] = np.nan
    values[:, :4] = np.nan
    lines, _ = depth_contours(grid.like(values), interval=1)
    valid = cells_polygon(np.isfinite(values), grid)
    assert valid.area == pytest.approx(np.isfinite(values).sum() * 4.0)
    for coords, closed in zip(lines.coords, lines.attributes["closed"]):
        assert valid.buffer(1e-6).contains(LineString(coords))
        if not closed:
            assert valid.boundary.distance(Point(coords[0])) < 1e-6
            assert valid.boundary.distance(Point(coords[-1])) < 1e-6


@pytest.mark.parametrize(
    "mask",
    [
        [[1, 0], [0, 1]],
        [[0, 1], [1, 0]],
        [[1, 1, 1], [1, 0, 1], [1, 1, 0]],
        # An island cell whose four gaps meet at its corners.
        [[1, 1, 1, 1, 1], [1, 1, 0, 1, 1], [1, 0, 1, 0, 1], [1, 1, 0, 1, 1], [1, 1, 1, 1, 1]],
    ],
)
def test_outline_of_cells_that_meet_at_corners(mask):
    mask = np.array(mask, dtype=bool)
    grid = grid_of(mask)
    outline = cells_polygon(mask, grid)
    assert outline.is_valid
    squares = unary_union(
        [
            box(grid.x[c] - 0.5, grid.y[r] - 0.5, grid.x[c] + 0.5, grid.y[r] + 0.5)
            for r, c in zip(*np.nonzero(mask))
        ]
    )
    assert outline.symmetric_difference(squares).area == pytest.approx(0.0, abs=1e-9)


# -- support ----------------------------------------------------------------------


def test_support_follows_the_half_interval_rule():
    """NMAS: 90 % of depths within half an interval, so 0.5 / 1.644854 = 0.303978 intervals."""
    limit = 0.5 / stats.norm.ppf(0.95) * FOOT
    grid = noisy_lake(noise=0.0)
    for spread, expected in ((0.999 * limit, 1), (1.001 * limit, 0)):
        lines, summary = depth_contours(
            grid, interval=1, unit="ft", uncertainty=grid.like(np.full(grid.shape, spread))
        )
        assert set(lines.attributes["supported"]) == {expected}
        assert summary["supported"] == expected


def test_lines_are_split_where_support_ends():
    grid = cone(2.0)
    spread = np.where(grid.x[None, :] < 1.0, 0.05, 0.2) * np.ones((len(grid.y), 1))
    spread[60, 60:] = 0.05  # a supported row in unsupported water: too short to show
    lines, summary = depth_contours(
        grid, interval=1, unit="ft", uncertainty=grid.like(spread), smoothing=0
    )
    rows = rows_of(lines)
    parts = [(c, r) for c, r in zip(lines.coords, rows) if r["depth"] == 50.0]
    assert sorted(r["supported"] for _, r in parts) == [0, 1]
    assert len({r["line"] for _, r in parts}) == 1
    assert not any(r["closed"] for _, r in parts)
    assert sum(LineString(c).length for c, _ in parts) == pytest.approx(
        2.0 * np.pi * (30.0 - 50.0 * FOOT) / 0.3, rel=1e-3
    )
    for coords, row in parts:
        east = coords[len(coords) // 2, 0] > 0
        assert row["supported"] == (0 if east else 1)
    assert summary["supported"] == pytest.approx(0.5, abs=0.02)


def test_missing_uncertainty_is_not_supported():
    grid = noisy_lake(noise=0.0)
    lines, _ = depth_contours(grid, interval=1, uncertainty=grid.like(np.full(grid.shape, np.nan)))
    assert set(lines.attributes["supported"]) == {0}


# -- areas ------------------------------------------------------------------------


def test_areas_by_a_list_of_depths_are_open_at_both_ends():
    areas = depth_areas(cone(2.0, 80.0), levels=[10, 20], unit="m", smoothing=0)
    at = areas.attributes
    assert at["depth_to"] == [10.0, 20.0, None]
    assert at["depth_to_m"] == [10.0, 20.0, None]
    assert at["depth_from"][1:] == [10.0, 20.0]
    assert at["depth_from"][0] == pytest.approx(cone(2.0, 80.0).values.min(), abs=0.01)
    assert at["label"][1:] == ["10 to 20 m", "over 20 m"]
    # On the cone: the discs of radius 100/3 m and 200/3 m.
    assert at["area_m2"][2] == pytest.approx(np.pi * (100 / 3) ** 2, rel=2e-3)
    assert at["area_m2"][1] == pytest.approx(np.pi * ((200 / 3) ** 2 - (100 / 3) ** 2), rel=2e-3)


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (12, 9)])
def test_flat_surface_is_one_area(shape):
    areas = depth_areas(grid_of(np.full(shape, 2.4), 3.0), interval=1, unit="m")
    assert areas.attributes["label"] == ["2 to 3 m"]
    assert areas.attributes["area_m2"] == [pytest.approx(9.0 * shape[0] * shape[1])]


# -- what cannot be drawn ---------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        (np.full((4, 4), np.nan), {}, "no cell with a value"),
        (np.full((4, 4), 2.4), {}, "No contour falls between"),
        ([[2.4]], {}, "No contour falls between"),
        ([[1.0, 9.0]], {"interval": 0}, "must be above 0 m, not 0"),
        ([[1.0, 9.0]], {"interval": -1}, "must be above 0 m"),
        ([[1.0, 9.0]], {"interval": np.nan}, "must be above 0 m"),
        ([[1.0, 9.0]], {"interval": 0.001}, "at most 2000"),
        ([[1.0, 9.0]], {"unit": "rod"}, "Unit 'rod'"),
        ([[1.0, 9.0]], {"smoothing": 2}, "Smoothing must be from 0 to 1"),
        ([[1.0, 9.0]], {"index_every": 0}, "1 or more"),
        ([[1.0, 9.0]], {"min_area": -1}, "0 m² or more"),
        ([[1.0, 9.0]], {"base": np.inf}, "must be a number"),
        ([[1.0, 9.0]], {"uncertainty": grid_of([[1.0]])}, "same rows and columns"),
        ([[1.0, 9.0]], {"uncertainty": grid_of([[1.0, -1.0]])}, "below 0"),
        ([[1.0, 9.0]], {"shoreline": Point(0, 0).buffer(5)}, "lies within the shoreline"),
        ([[1.0, 9.0]], {"shoreline": LineString([(0, 0), (1, 1)])}, "must be a polygon"),
        (
            [[1.0, 9.0]],
            {"shoreline": Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])},
            r"not valid \(Self-intersection",
        ),
    ],
)
def test_errors_say_what_is_wrong(values, options, message):
    with pytest.raises(LakefloorError, match=message):
        depth_contours(grid_of(values), **{"interval": 1, "unit": "m", **options})


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "either an interval or a list"),
        ({"interval": 1, "levels": [1]}, "either an interval or a list"),
        ({"levels": [3, 2]}, "do not rise"),
        ({"levels": []}, "do not rise"),
    ],
)
def test_errors_of_areas(options, message):
    with pytest.raises(LakefloorError, match=message):
        depth_areas(grid_of([[1.0, 9.0]]), unit="m", **options)


@pytest.mark.parametrize("routine", [depth_contours, depth_areas])
@pytest.mark.parametrize("stop", [0.0, 0.2, 0.5, 0.75])
def test_cancel_and_progress(routine, stop):
    seen = []

    def watch(fraction):
        seen.append(fraction)

    def cancel(fraction):
        if fraction >= stop:
            raise Cancelled

    routine(noisy_lake(), interval=1, progress=watch)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > 30
    with pytest.raises(Cancelled):
        routine(noisy_lake(), interval=1, progress=cancel)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 6), min_size=1, max_size=40), st.integers(0, 12))
def test_short_runs_join_their_neighbours_the_shortest_first(lengths, least):
    runs = [[i, float(length), i % 2 == 0] for i, length in enumerate(lengths)]
    expected = [list(run) for run in runs]
    while len(expected) > 1:
        k = min(range(len(expected)), key=lambda i: expected[i][1])
        if expected[k][1] >= least:
            break
        a, b = max(k - 1, 0), min(k + 1, len(expected) - 1)
        state = expected[a if a != k else b][2]
        total = sum(run[1] for run in expected[a : b + 1])
        expected[a : b + 1] = [[expected[a][0], total, state]]
    assert _without_flicker(runs, least) == expected


def test_lines_around_an_island_or_a_gap_are_no_humps():
    # A round lake with a hump in the west, an island in the east and a gap of one cell, on ground
    # that rises towards it, in the south.
    x, y = np.meshgrid(np.arange(-99.0, 100.0, 2.0), np.arange(99.0, -100.0, -2.0))
    z = 10.0 - 0.0005 * (x**2 + y**2)
    for at in ((-50.0, 0.0), (50.0, 0.0), (0.0, -50.0)):
        z -= 4.0 * np.exp(-0.5 * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / 12.0**2)
    z[np.hypot(x - 50.0, y) < 6.0] = np.nan
    z[np.hypot(x - 1.0, y + 51.0) < 1.0] = np.nan
    lines, _ = depth_contours(Grid(z, -100.0, 100.0, 2.0, 2.0), interval=1.0, unit="m")
    closed = [
        (kind, xy.mean(axis=0))
        for kind, xy, ring in zip(
            lines.attributes["kind"], lines.coords, lines.attributes["closed"]
        )
        if ring
    ]
    for place, expected in (((-50, 0), "hump"), ((50, 0), "line"), ((0, -50), "line")):
        around = [kind for kind, middle in closed if np.hypot(*(middle - place)) < 15.0]
        assert around
        assert set(around) == {expected}


def test_the_range_of_a_square_is_that_of_its_four_corners():
    from lakefloor.algorithms.core.chart.marching_squares import square_ranges

    values = np.random.default_rng(12).normal(size=(7, 9))
    least, greatest = square_ranges(values)
    corners = [values[r : r + 2, c : c + 2] for r in range(6) for c in range(8)]
    np.testing.assert_array_equal(least, [square.min() for square in corners])
    np.testing.assert_array_equal(greatest, [square.max() for square in corners])
