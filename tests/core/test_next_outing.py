"""Survey gaps and next outing: the law of uncertainty, gaps, lanes within their time, and the proof."""

import sys
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import LineString, Point, box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Surface, empty_grid
from lakefloor.algorithms.core.plan.boat import Boat
from lakefloor.algorithms.core.plan.device_route import lanes_gpx
from lakefloor.algorithms.core.plan.next_outing import LINE_ATTRIBUTES, next_outing
from lakefloor.algorithms.core.plan.survey_gaps import (
    GAP_ATTRIBUTES,
    UncertaintyLaw,
    fit_uncertainty_law,
)
from lakefloor.algorithms.core.plan.survey_lanes import survey_lanes
from lakefloor.algorithms.core.soundings import Soundings, concatenate

sys.path.insert(0, str(Path(__file__).parent))
from lake_shapes import SHAPES

FOOT = 0.3048
LAKE = box(0, 0, 400, 200)


def surface(sounded=150.0, steep=False, cell=4.0):
    """A lake sounded in lanes 20 m apart west of ``sounded``, and not at all east of it."""
    grid = empty_grid(LAKE.bounds, cell)
    x, y = np.meshgrid(grid.x, grid.y)
    lanes = np.abs(y % 20.0 - 10.0)
    distance = np.hypot(lanes, np.maximum(x - sounded, 0.0))
    sigma = np.hypot(0.05, 0.01 * distance)
    depth = np.full(x.shape, 5.0)
    if steep:
        depth = depth + np.clip((y - 160.0) * 0.3, -3.0, 3.0)
    return Surface(grid.like(depth), grid.like(sigma), grid.like(distance))


def plan(given=None, **changes):
    options = {"interval_m": FOOT, "launch": (0.0, 100.0), "minutes": 20.0, "lake": LAKE, **changes}
    return next_outing(surface() if given is None else given, **options)


# -- the law ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noise", "scale", "power"),
    [(0.03, 0.01, 1.0), (0.0625, 0.03125, 1.0), (0.2, 0.01, 1.5), (0.05, 0.05, 0.6)],
)
def test_law_is_recovered(noise, scale, power):
    distance = np.linspace(0.0, 40.0, 4000)
    law = fit_uncertainty_law(np.hypot(noise, scale * distance**power), distance)
    found, true = law.of(distance), np.hypot(noise, scale * distance**power)
    assert np.abs(found / true - 1.0).max() < 0.05


def test_flat_uncertainty_has_no_growth():
    law = fit_uncertainty_law(np.full(500, 0.3), np.linspace(0, 20, 500))
    assert law.scale == 0.0
    assert law.of(15.0) == pytest.approx(0.3)


def test_nearer_soundings_follow_the_law():
    law = UncertaintyLaw(0.05, 0.02, 1.0)
    at = law.of(20.0)
    # Half the distance: sqrt(0.05^2 + (0.02 * 10)^2).
    assert law.nearer(at, 20.0, 10.0) == pytest.approx(np.hypot(0.05, 0.2))
    assert law.nearer(at, 20.0, 0.0) == pytest.approx(0.05)
    # A sounding farther off changes nothing.
    assert law.nearer(at, 20.0, 30.0) == pytest.approx(at)


# -- gaps and lanes ---------------------------------------------------------------------------


def test_gaps_lie_where_the_interval_is_not_supported():
    found = plan()
    limit = 0.5 / 1.6448536 * FOOT  # nine in ten within half an interval: NMAS (1947)
    assert found.limit == pytest.approx(limit, rel=1e-5)
    # sigma = limit at sqrt(limit^2 - 0.05^2) / 0.01 = 7.8 m from a sounding.
    far = np.sqrt(limit**2 - 0.05**2) / 0.01
    assert found.gap_before == pytest.approx(
        (250.0 - far) * 200.0 + 150.0 * 200.0 * (1.0 - far / 10.0), rel=0.12
    )
    assert set(found.gaps.attributes) == set(GAP_ATTRIBUTES)
    assert set(found.lines.attributes) == set(LINE_ATTRIBUTES)
    # Ranked by gain, and the best is in the unsounded half.
    gains = found.gaps.attributes["gain_m3"]
    assert gains == sorted(gains, reverse=True)
    assert found.gaps.polygons[0].centroid.x > 150.0
    assert "from a sounding" in found.gaps.attributes["why"][0]


def test_lanes_go_into_the_gap_and_keep_to_the_time():
    found = plan()
    assert 0.9 * 20.0 < found.minutes <= 20.0 + 1e-6
    lanes = [
        np.asarray(xy)
        for xy, k in zip(found.lines.coords, found.lines.attributes["kind"])
        if k == "lane"
    ]
    # West of 150 m the strips between lanes, 4 m wide, are gaps too: the way out may follow one.
    assert (
        sum(LineString(xy).intersection(box(145, 0, 400, 200)).length for xy in lanes)
        > 0.8 * found.lane_m
    )
    path = found.lines.coords
    assert path[0][0] == pytest.approx((0.0, 100.0))
    assert path[-1][-1] == pytest.approx((0.0, 100.0))
    for before, after in zip(path[:-1], path[1:]):
        assert np.hypot(*(before[-1] - after[0])) < 1e-6
    assert all(LAKE.covers(LineString(xy)) for xy in path)
    assert found.mean_after < found.mean_before
    assert found.gap_after < found.gap_before
    # Time is what the figures say: 5 mph = 2.2352 m/s and 10 s a turn.
    seconds = (found.lane_m + found.transit_m) / 2.2352 + 10.0 * found.lanes
    assert found.minutes == pytest.approx(seconds / 60.0)


def test_expected_uncertainty_is_that_of_the_law_at_the_new_distance():
    given = surface()
    found = plan(given, spacing=40.0)
    grid = given.depth
    x, y = np.meshgrid(grid.x, grid.y)
    away = np.full(x.shape, np.inf)
    for xy in found.lines.coords:
        line = LineString(xy)
        away = np.minimum(
            away, np.reshape([line.distance(Point(p)) for p in zip(x.flat, y.flat)], x.shape)
        )
    expected = np.hypot(0.05, 0.01 * np.minimum(given.distance.values, away)).mean()
    assert found.mean_after == pytest.approx(expected, rel=0.05)
    assert found.mean_before == pytest.approx(given.uncertainty.values.mean(), rel=0.01)


def test_more_time_gains_more():
    budgets = (10.0, 20.0, 40.0)
    found = [plan(minutes=minutes) for minutes in budgets]
    assert all(p.minutes <= minutes + 1e-6 for p, minutes in zip(found, budgets))
    after = [p.mean_after for p in found]
    assert after == sorted(after, reverse=True)
    assert len(set(after)) == 3


def test_steep_bottom_and_lines_draw_the_first_lanes():
    # All sounded: what is left are the strips between lanes, at y = 0, 20, ... 200.
    plain, steep = (plan(surface(sounded=400.0, steep=s), minutes=12.0) for s in (False, True))

    def in_band(found):
        # A 30 % slope lies within 10 m of y = 160.
        return sum(
            LineString(xy).intersection(box(0, 150, 400, 170)).length
            for xy, k in zip(found.lines.coords, found.lines.attributes["kind"])
            if k == "lane"
        )

    assert in_band(plain) < 60.0
    assert in_band(steep) > 300.0
    line = np.array([[160.0, 180.0], [390.0, 180.0]])
    drawn = plan(structure=[line])
    assert any("transition" in why for why in drawn.gaps.attributes["why"])


@pytest.mark.parametrize("turn", [20.0, 75.0])
def test_lanes_run_midway_between_those_before_whatever_their_heading(turn):
    """A lake sounded evenly, 40 m apart: nothing gains more than the middle of two lanes."""
    grid = empty_grid((-300.0, -300.0, 300.0, 300.0), 4.0)
    x, y = np.meshgrid(grid.x, grid.y)
    aside = x * np.cos(np.radians(turn)) - y * np.sin(np.radians(turn))
    away = np.abs((aside + 20.0) % 40.0 - 20.0)
    lake = Point(0.0, 0.0).buffer(280.0, 32)
    found = next_outing(
        Surface(
            grid.like(5.0 + 0.0 * x), grid.like(np.hypot(0.05, 0.01 * away)), grid.like(away), 40.0
        ),
        interval_m=FOOT,
        launch=(0.0, -280.0),
        minutes=30.0,
        lake=lake,
    )
    assert found.spacing == 20.0
    lanes = [xy for xy, k in zip(found.lines.coords, found.lines.attributes["kind"]) if k == "lane"]
    along = np.array([np.sin(np.radians(turn)), np.cos(np.radians(turn))])
    parallel, midway = 0.0, 0.0
    for a, b in lanes:
        length = np.hypot(*(b - a))
        if abs((b - a) @ along) > 0.9999 * length:
            parallel += length
            at = a[0] * along[1] - a[1] * along[0]
            midway += length * (abs(at % 40.0 - 20.0) <= 8.0)
    assert parallel > 0.85 * found.lane_m
    assert midway > 0.99 * parallel
    # Four times the way of a turn, 10 s at 5 mph, where the lake is wide enough.
    assert min(np.hypot(*(b - a)) for a, b in lanes) > 4.0 * 22.352 - 1e-6


def test_water_without_a_surface_is_a_gap():
    whole = surface()
    x, _ = np.meshgrid(whole.depth.x, whole.depth.y)
    known = x < 180.0
    cut = Surface(
        *(
            g.like(np.where(known, g.values, np.nan))
            for g in (whole.depth, whole.uncertainty, whole.distance)
        )
    )
    found = plan(cut)
    assert found.gap_before == pytest.approx(plan().gap_before, rel=0.1)
    lanes = np.concatenate(found.lines.coords)
    assert lanes[:, 0].max() > 250.0
    # Without a shoreline, only what is drawn is known to be water.
    assert np.concatenate(plan(cut, lake=None).lines.coords)[:, 0].max() <= 180.0


def test_ways_go_round_islands():
    lake = LAKE.difference(Point(120, 100).buffer(60, 8))
    found = plan(lake=lake)
    assert found.lanes > 0
    assert all(lake.buffer(1e-6).covers(LineString(xy)) for xy in found.lines.coords)


def test_no_gaps_no_lanes():
    found = plan(interval_m=20.0)
    assert (len(found.gaps), len(found.lines), found.lanes, found.minutes) == (0, 0, 0, 0.0)
    assert found.mean_after == found.mean_before


def test_same_plan_every_time():
    a, b = plan(), plan()
    assert all(np.array_equal(p, q) for p, q in zip(a.lines.coords, b.lines.coords))
    assert a.gaps.attributes == b.gaps.attributes


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"interval_m": 0.0}, "contour interval is 0. Give one above 0"),
        ({"minutes": -1.0}, "time is -1. Give one above 0"),
        ({"launch": (-100.0, 100.0)}, "launch point is 10[23] m from water"),
        ({"minutes": 0.3}, "Give more time"),
        ({"spacing": -5.0}, "lane spacing is -5 m. Give one above 0"),
        ({"boat": Boat(buffer_m=120.0)}, "leaves no water"),
        ({"lake": box(9000, 0, 9400, 200), "launch": (9000, 100)}, "do not overlap"),
        ({"boat": Boat(min_depth=6.0)}, "deep enough"),
    ],
)
def test_refusals(changes, message):
    with pytest.raises(LakefloorError, match=message):
        plan(**changes)


def test_surface_without_uncertainty_is_refused():
    whole = surface()
    with pytest.raises(LakefloorError, match="no uncertainty band"):
        plan(Surface(whole.depth, None, None))


def test_cancel():
    def stop(fraction):
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        plan(progress=stop)


def test_a_plan_without_lanes_is_no_gpx():
    with pytest.raises(LakefloorError, match="no lane"):
        lanes_gpx(plan(interval_m=20.0).lines, 32615, "Next outing")


def test_gpx_of_lanes_is_read_back():
    from lakefloor.algorithms.core.crs import transform
    from lakefloor.algorithms.core.exchange.gpx_file import read_gpx
    from lakefloor.algorithms.core.grid import Lines

    found = plan()
    moved = Lines(
        [xy + (500_000.0, 5_100_000.0) for xy in found.lines.coords], found.lines.attributes
    )
    marks = read_gpx(lanes_gpx(moved, 32615, "Next outing"))
    (route,), (track,) = marks.routes, marks.tracks
    names = [point.name for point in route.points]
    assert names[0] == "START"
    assert names[-1] == "FINISH"
    assert len(set(names)) == len(names)
    assert sum(name.startswith("L") for name in names) == 2 * found.lanes
    (segment,) = track.segments
    x, y = transform(*np.asarray(segment).T, 4326, 32615)
    length = np.hypot(np.diff(x), np.diff(y)).sum()
    assert length == pytest.approx(found.lane_m + found.transit_m, rel=1e-4)


# -- the proof --------------------------------------------------------------------------------


def _sounded(truth, lines, rng):
    """Soundings every 2.2 m (5 mph at 1 Hz) along a path; noise of 0.05 m, positions 0.5 m."""
    places = []
    for xy in lines.coords:
        line = LineString(xy)
        places += [line.interpolate(at).coords[0] for at in np.arange(0.0, line.length, 2.2352)]
    places = np.array(places)
    depth = truth.depth_m(*places.T)
    wet = np.isfinite(depth)
    logged = places[wet] + rng.normal(0.0, 0.5, (wet.sum(), 2))
    return Soundings.build(*logged.T, depth[wet] + rng.normal(0.0, 0.05, wet.sum()), uncert=0.05)


def test_planned_outing_lowers_the_error_more_than_even_lanes_in_the_same_time():
    """On the example lake, whose true bottom is known: half an hour after a coarse survey."""
    lake = SHAPES["real-like"]
    import truth

    from lakefloor.algorithms.core.surface.tin import tin_surface

    rng = np.random.default_rng(1)
    heading = rng.uniform(0.0, 180.0)
    launch, minutes = truth.shore_ring()[300], 30.0
    first = _sounded(
        truth, survey_lanes(lake, spacing=60.0, heading=heading, cross_share=0.0).lines, rng
    )

    def grid(*parts):
        return tin_surface(concatenate(parts), cell=6.0, shoreline=lake, max_gap=200.0)

    def error(drawn):
        x, y = np.meshgrid(drawn.depth.x, drawn.depth.y)
        misfit = drawn.depth.values - truth.depth_m(x, y)
        assert np.isfinite(misfit).sum() * 36.0 > 0.97 * lake.area
        return np.sqrt(np.nanmean(misfit**2))

    before = grid(first)
    outing = next_outing(before, interval_m=FOOT, launch=launch, minutes=minutes, lake=lake)
    assert outing.minutes <= minutes
    planned = error(grid(first, _sounded(truth, outing.lines, np.random.default_rng(99))))
    for turned in (0.0, 90.0):
        # The same time spent on lanes evenly over the lake, along and across the first ones.
        options = [
            survey_lanes(
                lake, spacing=spacing, heading=heading + turned, cross_share=0.0, launch=launch
            )
            for spacing in (93.0, 100.0)
        ]
        even = max((p for p in options if p.minutes <= minutes), key=lambda p: p.minutes)
        assert even.minutes > 0.9 * minutes
        other = error(grid(first, _sounded(truth, even.lines, np.random.default_rng(99))))
        assert planned < other < error(before)
