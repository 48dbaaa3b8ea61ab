"""Survey lanes: spacing, heading, coverage, order and ways by water."""

import sys
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import empty_grid
from lakefloor.algorithms.core.plan.boat import Boat
from lakefloor.algorithms.core.plan.lane_layout import (
    across_contours,
    down_slope,
    long_axis,
    parallel_lanes,
    spacing_for,
)
from lakefloor.algorithms.core.plan.survey_lanes import survey_lanes
from lakefloor.algorithms.core.plan.tour import improve, least_links, links, order_lanes
from lakefloor.algorithms.core.plan.water_routes import distances, navigable, prepare_water, route
from lakefloor.algorithms.core.polygons import contains, rings

sys.path.insert(0, str(Path(__file__).parent))
from lake_shapes import SHAPES


def lanes_of(plan, kind="lane"):
    return [xy for xy, k in zip(plan.lines.coords, plan.lines.attributes["kind"]) if k == kind]


# -- spacing and heading ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "interval"), [(40.0, 1.0, 0.3048), (100.0, 5.1, 0.3048)]
)
def test_spacing_keeps_linear_interpolation_within_half_an_interval(width, height, interval):
    # numpy.interp is the reference: straight lines between soundings on the two worst lanes.
    spacing = spacing_for(width, height, interval)
    worst = 0.0
    for phase in np.linspace(0.0, 1.0, 41):
        nodes = (np.arange(-40, 41) + phase) * spacing
        x = np.linspace(-width / 2, width / 2, 2001)

        def hump(at):
            inside = np.abs(at) < width / 2
            return np.where(inside, height / 2 * (1 + np.cos(2 * np.pi * at / width)), 0.0)

        error = np.abs(np.interp(x, nodes, hump(nodes)) - hump(x))
        worst = max(worst, error.max())
    assert worst <= 0.5 * interval
    assert worst > 0.8 * 0.5 * interval  # and no closer than it needs to be


def test_spacing_is_never_wider_than_the_thing_itself():
    assert spacing_for(10.0, 0.1, 1.0) == 10.0
    with pytest.raises(LakefloorError, match="contour interval is 0 m.*above 0 m"):
        spacing_for(10.0, 1.0, 0.0)


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 147.0])
def test_heading_lies_across_contours(bearing):
    angle = np.radians(bearing)
    along = np.array([np.sin(angle), np.cos(angle)])
    lines = [np.array([[0.0, k], [0.0, k]]) + np.outer([0.0, 100.0], along) for k in range(5)]
    # Digitised to and fro: a contour has no sense of direction.
    lines[1] = lines[1][::-1]
    assert across_contours(lines) == pytest.approx((bearing + 90.0) % 180.0, abs=1e-6)
    grid = empty_grid((0, 0, 60, 60), 2.0)
    x, y = np.meshgrid(grid.x, grid.y)
    plane = grid.like(0.1 * (x * along[1] - y * along[0]) + 5.0)
    assert down_slope(plane) == pytest.approx((bearing + 90.0) % 180.0, abs=1e-4)


def test_round_lakes_have_no_heading_across_contours():
    assert np.isnan(across_contours([np.asarray(Point(0, 0).buffer(50).exterior.coords)]))
    assert np.isnan(across_contours([]))


def test_long_axis():
    assert long_axis(box(0, 0, 300, 100)) == pytest.approx(90.0)
    assert long_axis(box(0, 0, 100, 300)) == pytest.approx(0.0)


# -- ways by water ----------------------------------------------------------------------------


def test_way_round_a_square_island_is_the_hand_computed_one():
    lake = box(0, 0, 100, 100).difference(box(40, 40, 60, 60))
    water = prepare_water(lake)
    a, b = np.array([20.0, 50.0]), np.array([80.0, 50.0])
    # From (20, 50) to the corner (40, 40), along the island to (60, 40), and on to (80, 50).
    expected = 2.0 * np.hypot(20.0, 10.0) + 20.0
    assert distances(water, [a, b])[0, 1] == pytest.approx(expected)
    way = route(water, a, b)
    assert LineString(way).length == pytest.approx(expected)
    assert lake.buffer(1e-6).covers(LineString(way))


def test_way_round_a_concave_shore():
    lake = SHAPES["U"]
    water = prepare_water(lake)
    a, b = np.array([75.0, 400.0]), np.array([420.0, 400.0])
    # Corners of the headland: (150, 150) and (340, 150).
    expected = np.hypot(75, 250) + 190.0 + np.hypot(80, 250)
    assert distances(water, [a, b])[0, 1] == pytest.approx(expected)


def test_no_way_over_land():
    water = prepare_water(MultiPolygon([box(0, 0, 10, 10), box(20, 0, 30, 10)]))
    assert np.isinf(distances(water, [(5, 5), (25, 5)])[0, 1])
    with pytest.raises(LakefloorError, match="no way by water"):
        route(water, (5, 5), (25, 5))


@pytest.mark.parametrize("name", ["two islands", "comb", "star", "real-like"])
def test_ways_are_no_longer_than_those_on_a_fine_grid(name):
    # Dijkstra on a grid with eight neighbours is an independent, slightly longer way.
    lake = SHAPES[name]
    _, passage = navigable(lake, 5.0)
    west, south, east, north = passage.bounds
    step = 8.0
    x, y = np.meshgrid(np.arange(west, east, step), np.arange(south, north, step))
    wet = contains(rings(passage), x.ravel(), y.ravel()).reshape(x.shape)
    number = np.full(x.shape, -1)
    number[wet] = np.arange(wet.sum())
    rows, cols, costs = [], [], []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        shifted = np.full(x.shape, -1)
        target = number[dr:, dc:] if dc >= 0 else number[dr:, :dc]
        if dc >= 0:
            shifted[: x.shape[0] - dr, : x.shape[1] - dc] = target
        else:
            shifted[: x.shape[0] - dr, -dc:] = target
        both = (number >= 0) & (shifted >= 0)
        rows.append(number[both])
        cols.append(shifted[both])
        costs.append(np.full(both.sum(), step * np.hypot(dr, dc)))
    graph = coo_matrix(
        (np.concatenate(costs), (np.concatenate(rows), np.concatenate(cols))),
        shape=(wet.sum(), wet.sum()),
    ).tocsr()
    chosen = np.linspace(0, wet.sum() - 1, 12).astype(int)
    points = np.column_stack([x[wet], y[wet]])[chosen]
    on_grid = dijkstra(graph, directed=False, indices=chosen)[:, chosen]
    ours = distances(prepare_water(passage), points)
    straight = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    assert (ours >= straight - 1e-9).all()
    known = np.isfinite(on_grid)
    assert np.isfinite(ours).all()
    assert known.mean() > 0.5
    # Grid steps may cut a corner of land by up to a cell.
    assert (ours[known] <= on_grid[known] * 1.0 + 2.0 * step).all()
    far = known & (on_grid > 0)
    # Eight directions lengthen a way by at most 1 / cos(22.5 deg) = 1.0824.
    assert (on_grid[far] / ours[far]).max() < 1.0824 + 0.12


# -- the order --------------------------------------------------------------------------------


def _random_ends(rng, n):
    ends = rng.uniform(0, 100, (2 * n, 2))
    return np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1))


def _best_by_trial(between):
    n = len(between) // 2
    best = np.inf
    for order in permutations(range(1, n)):
        for flips in product((0, 1), repeat=n - 1):
            tour = [(0, 1)] + [(2 * k + f, 2 * k + 1 - f) for k, f in zip(order, flips)]
            best = min(best, links(np.array(tour), between))
    return best


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(2, 5), st.booleans())
def test_bound_and_order_against_all_orders(seed, n, is_open):
    between = _random_ends(np.random.default_rng(seed), n)
    if is_open:
        between[:2] = between[:, :2] = 0.0
    best = _best_by_trial(between)
    tour = order_lanes(between)
    assert sorted(tour.ravel().tolist()) == list(range(2 * n))
    assert tour[0].tolist() == [0, 1]
    assert least_links(between) <= best + 1e-6
    assert links(tour, between) >= best - 1e-9
    assert links(tour, between) <= 1.1 * best + 1e-9


def test_improving_never_lengthens():
    between = _random_ends(np.random.default_rng(3), 40)
    tour = np.column_stack([np.arange(0, 80, 2), np.arange(1, 80, 2)])
    assert links(improve(tour, between), between) < 0.6 * links(tour, between)


@pytest.mark.parametrize("name", SHAPES)
def test_total_within_a_tenth_of_the_lower_bound(name):
    lake = SHAPES[name]
    plan = survey_lanes(lake, spacing=25.0)
    assert plan.least_m <= plan.total_m <= 1.10 * plan.least_m
    # The bound holds no less than the lanes themselves, and those make up the area.
    assert plan.least_m > plan.lane_m + plan.cross_m
    assert plan.lane_m == pytest.approx(lake.buffer(-5.0).area / 25.0, rel=0.06)
    assert all(lake.covers(LineString(xy)) for xy in plan.lines.coords)
    # One unbroken path.
    for before, after in zip(plan.lines.coords[:-1], plan.lines.coords[1:]):
        assert np.hypot(*(before[-1] - after[0])) < 1e-6
    attributes = plan.lines.attributes
    lengths = [LineString(xy).length for xy in plan.lines.coords]
    assert attributes["length_m"] == pytest.approx(lengths)
    assert sum(lengths) == pytest.approx(plan.total_m)
    assert sorted(n for n in attributes["lane"] if n) == list(
        range(1, plan.lanes + plan.cross_lines + 1)
    )


def test_a_rectangle_is_run_to_and_fro():
    plan = survey_lanes(box(0, 0, 310, 110), spacing=25.0, cross_share=0.0, boat=Boat(buffer_m=5.0))
    assert plan.heading == pytest.approx(90.0)
    assert (plan.lanes, plan.lane_m) == (4, pytest.approx(4 * 300.0))
    assert plan.transit_m == pytest.approx(3 * 25.0)
    assert plan.total_m == pytest.approx(plan.least_m)
    headings = [
        h
        for h, k in zip(plan.lines.attributes["heading_deg"], plan.lines.attributes["kind"])
        if k == "lane"
    ]
    assert abs(headings[0] - headings[1]) == pytest.approx(180.0)
    # 1275 m at 5 mph = 2.2352 m/s, and four turns of 10 s.
    assert plan.minutes == pytest.approx((1275.0 / 2.2352 + 40.0) / 60.0)


def test_hundred_acres_at_a_hundred_feet():
    # 100 acres / 100 ft = 43560 ft = 8.25 statute miles of lane; 2.0625 h at 4 mph (arithmetic).
    side = np.sqrt(100 * 4046.8564224)
    foot, mile = 0.3048, 1609.344
    buffer = 0.5
    lake = box(0, 0, side + 2 * buffer, side + 2 * buffer)
    boat = Boat(speed=4 * 0.44704, turn_s=0.0, buffer_m=buffer)
    plan = survey_lanes(lake, spacing=100 * foot, boat=boat)
    assert plan.lane_m / mile == pytest.approx(8.25, rel=0.03)
    assert plan.cross_m / plan.lane_m == pytest.approx(0.1, abs=0.03)
    assert plan.minutes / 60.0 == pytest.approx((8.25 * 1.1 + plan.transit_m / mile) / 4, rel=0.03)


def test_no_place_is_farther_than_half_a_spacing_from_the_line_of_a_lane():
    within = box(0, 0, 203, 97)
    lanes, dropped = parallel_lanes(within, 90.0, 15.0)
    y = np.sort([lane[0, 1] for lane in lanes])
    assert np.diff(y) == pytest.approx(15.0)
    assert y[0] <= 7.5 + 1e-9
    assert 97 - y[-1] <= 7.5 + 1e-9
    assert not dropped


def test_islands_split_lanes():
    lake = box(0, 0, 300, 100).difference(box(120, 30, 180, 70))
    plan = survey_lanes(lake, spacing=20.0, heading=90.0, cross_share=0.0)
    # Lanes at 10, 30, 50, 70 and 90 m; the island with its buffer reaches from 25 to 75 m.
    middle = [xy for xy in lanes_of(plan) if 25 < xy[0, 1] < 75]
    assert len(middle) == 6
    assert all(max(xy[:, 0]) <= 115.0 + 1e-6 or min(xy[:, 0]) >= 185.0 - 1e-6 for xy in middle)


def test_spacing_follows_from_what_is_to_be_found():
    lake = box(0, 0, 300, 100)
    plan = survey_lanes(lake, to_find=(40.0, 1.0, 0.5), cross_share=0.0)
    # (2 width / pi) sqrt(interval / (2 height))
    assert plan.spacing == pytest.approx(40.0 / np.pi)
    assert survey_lanes(lake, spacing=20.0, to_find=(40.0, 1.0, 0.5)).spacing == 20.0
    with pytest.raises(LakefloorError, match="contour interval is 0 m.*above 0 m"):
        survey_lanes(lake, to_find=(40.0, 1.0, 0.0))
    with pytest.raises(LakefloorError, match="Give the lane spacing"):
        survey_lanes(lake)


def test_shallow_water_is_not_entered():
    lake = box(0, 0, 300, 200)
    grid = empty_grid(lake.bounds, 5.0)
    x, _ = np.meshgrid(grid.x, grid.y)
    depth = grid.like(np.where(np.abs(x - 150.0) < 20.0, 0.5, 4.0))
    with_shoal = survey_lanes(
        lake, spacing=20.0, depth=depth, boat=Boat(min_depth=1.0), heading=0.0, cross_share=0.0
    )
    # The shoal parts the lake: one side is run, the other cannot be reached.
    assert with_shoal.unreached > 0
    path = np.concatenate(with_shoal.lines.coords)
    assert (np.abs(path[:, 0] - 150.0) >= 20.0 - 1.25).all()
    assert (
        survey_lanes(lake, spacing=20.0, depth=depth, heading=0.0, cross_share=0.0).unreached == 0
    )


def test_tour_from_a_launch_comes_back():
    lake = SHAPES["ring with an island"]
    plan = survey_lanes(lake, spacing=40.0, launch=(305.0, 0.0))
    first, last = plan.lines.coords[0][0], plan.lines.coords[-1][-1]
    assert first == pytest.approx(last)
    assert Point(first).distance(lake.boundary) < 1e-6
    assert plan.least_m <= plan.total_m <= 1.1 * plan.least_m
    assert all(lake.buffer(1e-6).covers(LineString(xy)) for xy in plan.lines.coords)
    assert plan.lines.attributes["kind"][0] == "transit"


def test_area_within_a_lake():
    lake, area = SHAPES["ring with an island"], box(-350, -40, 350, 60)
    plan = survey_lanes(area, lake=lake, spacing=20.0, heading=0.0)
    for xy in lanes_of(plan):
        assert area.buffer(1e-6).covers(LineString(xy))
    assert all(lake.covers(LineString(xy)) for xy in plan.lines.coords)


def test_same_plan_every_time():
    a, b = (survey_lanes(SHAPES["star"], spacing=30.0) for _ in range(2))
    assert all(np.array_equal(p, q) for p, q in zip(a.lines.coords, b.lines.coords))


def test_moved_and_turned_lake_has_the_same_lengths():
    lake = SHAPES["L"]
    angle = np.radians(33.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    xy = np.asarray(lake.exterior.coords) @ turn.T + (4e5, 5e6)
    plain, moved = (survey_lanes(p, spacing=25.0) for p in (lake, Polygon(xy)))
    assert moved.lane_m == pytest.approx(plain.lane_m, rel=1e-3)
    assert moved.heading == pytest.approx((plain.heading - 33.0) % 180.0, abs=1e-3)


# -- bad input --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"spacing": 0.0}, "lane spacing is 0 m. Give one above 0"),
        ({"spacing": 400.0}, "smaller than the lane spacing of 400 m"),
        ({"spacing": 0.01}, "makes 19000 lanes"),
        ({"boat": Boat(buffer_m=0.0)}, "shore buffer is 0 m. Give one above 0"),
        ({"boat": Boat(buffer_m=150.0)}, "leaves no water"),
        ({"cross_share": 1.5}, "150% of that of the lanes"),
        ({"launch": (900.0, 0.0)}, "launch point is 60[23] m from water"),
        ({"lake": box(1000, 0, 1200, 200)}, "outside the lake"),
    ],
)
def test_refusals(changes, message):
    with pytest.raises(LakefloorError, match=message):
        survey_lanes(box(0, 0, 300, 200), **{"spacing": 20.0, **changes})


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"speed": 0.0}, "not that of a survey boat"),
        ({"speed": 300.0}, "not that of a survey boat"),
        ({"transit_speed": 0.0}, "not that of a survey boat"),
        ({"turn_s": -1.0}, "turn time is -1 s"),
        ({"min_depth": np.nan}, "minimum depth is nan m"),
    ],
)
def test_what_no_boat_is(changes, message):
    with pytest.raises(LakefloorError, match=message):
        Boat(**changes)


def test_cancel():
    def stop(fraction):
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        survey_lanes(SHAPES["comb"], spacing=20.0, progress=stop)
