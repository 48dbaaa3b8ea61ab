"""The next lane: the best by gain a minute from the boat, kept, within the time, and done at last."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt
from shapely.geometry import LineString, Point, box

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Surface, empty_grid
from lakefloor.algorithms.core.plan.boat import Boat
from lakefloor.algorithms.core.plan.candidate_lanes import candidate_lanes, cells_near, gain
from lakefloor.algorithms.core.plan.lane_rates import best_lane, strip_gains
from lakefloor.algorithms.core.plan.lane_water import Start, between_lanes, open_water
from lakefloor.algorithms.core.plan.next_lane import next_lane
from lakefloor.algorithms.core.plan.next_outing import next_outing
from lakefloor.algorithms.core.plan.survey_gaps import coarse_surface
from lakefloor.algorithms.core.plan.survey_lanes import survey_lanes
from lakefloor.algorithms.core.plan.water_routes import (
    distances,
    distances_from,
    navigable,
    prepare_water,
    route,
)

from .lake_shapes import SHAPES

FOOT = 0.3048
LAKE = box(0, 0, 400, 200)
SPACING = 20.0


class Sounded:
    """A lake whose uncertainty grows with the distance to what was driven."""

    def __init__(self, lake, cell=4.0, growth=0.006, depth=5.0):
        self.grid = empty_grid(lake.bounds, cell)
        self._dry, self._growth, self.depth = np.ones(self.grid.shape, bool), growth, depth

    def drive(self, *lines):
        for line in map(LineString, lines):
            at = np.array([line.interpolate(m).coords[0] for m in np.arange(0, line.length, 1.0)])
            row, col = (np.rint(v).astype(int) for v in self.grid.rows_cols(*at.T))
            rows, cols = self.grid.shape
            self._dry[row.clip(0, rows - 1), col.clip(0, cols - 1)] = False
        return self

    @property
    def surface(self):
        away = distance_transform_edt(self._dry) * self.grid.dx
        sigma = np.hypot(0.05, self._growth * away)
        return Surface(*map(self.grid.like, (self.depth + 0.0 * away, sigma, away)))


def half():
    """Lanes 20 m apart west of 150 m."""
    return Sounded(LAKE).drive(*[[(6, y), (150, y)] for y in range(10, 200, 20)])


def ask(sounded, boat_xy=(150.0, 100.0), **given):
    options = {"interval_m": FOOT, "lake": LAKE, "spacing": SPACING, **given}
    return next_lane(sounded.surface, boat_xy=boat_xy, **options)


def test_the_lane_lies_in_unsounded_water_and_its_figures_are_those_of_the_way():
    advice = ask(half())
    lane = advice.lane
    assert lane.line[:, 0].min() > 140.0
    assert LAKE.buffer(-5.0 + 1e-6).covers(LineString(lane.line))
    # 5 mph is 2.2352 m/s; a turn takes 10 s.
    assert lane.to_start_m == pytest.approx(np.hypot(*(lane.line[0] - (150.0, 100.0))))
    assert lane.length_m == pytest.approx(LineString(lane.line).length)
    assert lane.minutes * 60.0 == pytest.approx((lane.to_start_m + lane.length_m) / 2.2352 + 10.0)
    first, last = (np.hypot(*(end - (150.0, 100.0))) for end in lane.line)
    assert first <= last
    assert 0.3 < advice.supported < 0.5
    assert lane.why.startswith("Closes ")
    assert lane.why.endswith(" from a sounding.")
    assert " ha " in lane.why
    assert " acres " in ask(half(), unit="ft").lane.why


def test_done_where_all_is_sounded_and_more_for_a_finer_interval():
    whole = Sounded(LAKE).drive(*[[(2, y), (398, y)] for y in range(2, 200, 16)])
    advice = ask(whole)
    assert advice.lane is None
    assert advice.in_time
    assert advice.supported > 0.98
    assert ask(half().drive([(150, 2), (398, 2)]), interval_m=2.0 * FOOT).lane is not None


def test_water_beyond_the_surface_is_to_be_mapped_too():
    sounded = half()
    whole = sounded.surface
    part = Surface(
        *(
            type(band)(band.values[:, :45], band.west, band.north, band.dx, band.dy)
            for band in whole.bands
        )
    )
    given = {"interval_m": FOOT, "boat_xy": (150.0, 100.0), "lake": LAKE, "spacing": SPACING}
    of_part, of_whole = next_lane(part, **given), next_lane(whole, **given)
    assert of_part.supported == pytest.approx(of_whole.supported, abs=0.02)
    assert of_part.lane.line[:, 0].max() > 180.0


def test_a_surface_that_is_sure_from_afar_does_not_call_unsounded_water_done():
    sounded = half()
    flat = sounded.surface
    sure = Surface(flat.depth, flat.depth.like(0.03 + 0.0 * flat.depth.values), flat.distance)
    found = next_lane(sure, interval_m=FOOT, boat_xy=(150.0, 100.0), lake=LAKE, spacing=SPACING)
    assert found.lane.line[:, 0].max() > 200.0
    assert found.supported < 0.6


def test_no_lane_is_asked_for_where_soundings_do_not_help():
    """A bottom so rough that it is uncertain at the soundings too."""
    every = Sounded(LAKE).drive(*[[(0, y), (400, y)] for y in range(2, 200, 8)]).surface
    rough = Surface(every.depth, every.depth.like(0.4 + 0.0 * every.depth.values), every.distance)
    found = next_lane(rough, interval_m=FOOT, boat_xy=(150.0, 100.0), lake=LAKE, spacing=SPACING)
    assert found.lane is None


@settings(max_examples=15)
@given(
    name=st.sampled_from(["convex", "two islands", "crescent", "star"]),
    seed=st.integers(0, 10_000),
    minutes=st.sampled_from([None, 6.0]),
)
def test_the_choice_is_the_best_of_all_candidates(name, seed, minutes):
    """Beside looking at every candidate closely, one by one."""
    lake, random = SHAPES[name], np.random.default_rng(seed)
    lanes = survey_lanes(lake, spacing=70.0, heading=random.uniform(0, 180), cross_share=0.0).lines
    sounded = Sounded(lake).drive(*lanes.coords)
    boat, surface = Boat(), sounded.surface
    water = open_water(surface, lake, boat, SPACING)
    at = lanes.coords[random.integers(len(lanes.coords))][-1]
    start = Start.of(water, boat, at, minutes_left=minutes)
    field = coarse_surface(surface, lake, (), SPACING)
    gap = field.sigma > 0.304 * FOOT
    runs = candidate_lanes(field, gap, water.within, SPACING, 22.352, 0.0)[:300]
    found, _ = best_lane(field, gap, runs, start)
    ends = np.concatenate([at[None], *runs])
    there = distances(water.ways, ends)[0, 1:].reshape(-1, 2)
    rates = []
    for run, (one, other) in zip(runs, there):
        seconds = min(one, other) / boat.speed + LineString(run).length / boat.speed + 10.0
        # Back to where the boat is now, from the other end.
        back = max(one, other) / boat.speed
        if minutes is None or seconds + back <= 60.0 * minutes:
            rates.append(gain(field, field.distance, cells_near(field, gap, run)) / seconds)
    if found is None:
        assert not rates
    else:
        # Pieces may be driven as one, which is better than each.
        assert found.rate >= 0.97 * max(rates, default=0.0)


@settings(max_examples=20)
@given(seed=st.integers(0, 10_000))
def test_the_strip_beside_a_lane_holds_about_what_it_gains(seed):
    random = np.random.default_rng(seed)
    sounded = Sounded(LAKE).drive(*[[(0, y), (400, y)] for y in range(2, 200, 48)])
    field = coarse_surface(sounded.surface, LAKE, (), SPACING)
    gap = field.sigma > 0.304 * FOOT
    a, turn = random.uniform((120, 60), (240, 140)), random.uniform(0.0, 6.3)
    length = random.uniform(50, 90)
    run = np.stack([a, a + length * np.array([np.cos(turn), 0.6 * np.sin(turn)])])
    exact = gain(field, field.distance, cells_near(field, gap, run))
    # What the ends reach beyond the lane is not in the strip; gaps are a few cells wide.
    assert strip_gains(field, gap, [run])[0] == pytest.approx(exact, rel=0.4, abs=60.0)


def test_ways_from_one_place_are_those_between_all():
    water = prepare_water(navigable(SHAPES["two islands"], 5.0)[1])
    random = np.random.default_rng(2)
    points = [
        p for p in random.uniform((0, 0), (600, 350), (60, 2)) if water.polygon.covers(Point(p))
    ]
    whole = distances(water, points)
    assert distances_from(water, points[0], points[1:]) == pytest.approx(whole[0, 1:])


def test_a_lane_that_was_proposed_is_kept_on_the_way_there_and_on_it():
    sounded, boat = half(), np.array([150.0, 100.0])
    first = ask(sounded, boat).lane
    for part in np.linspace(0.0, 1.0, 12):
        place = boat + part * (first.line[0] - boat)
        again = ask(sounded, place, kept=first.line).lane
        assert again.line == pytest.approx(first.line, abs=8.0)
    for part in (0.2, 0.5, 0.8):
        place = first.line[0] + part * (first.line[1] - first.line[0])
        sounded.drive([first.line[0], place])
        rest = ask(sounded, place, kept=first.line).lane
        left = (1.0 - part) * first.length_m
        if left > 60.0:
            assert LineString(first.line).buffer(6.0).covers(LineString(rest.line))
            assert rest.to_start_m < 30.0


def test_a_lane_that_was_driven_or_is_far_behind_is_not_kept():
    sounded = half()
    first = ask(sounded).lane
    sounded.drive(first.line)
    second = ask(sounded, first.line[1], kept=first.line).lane
    assert LineString(second.line).distance(LineString(first.line).centroid) > 15.0
    lake = box(0, 0, 2000, 200)
    long = Sounded(lake).drive([(0, 100), (2000, 100)])
    near_west = [[20.0, 40.0], [220.0, 40.0]]
    moved = ask(long, (1900.0, 60.0), lake=lake, kept=near_west).lane
    assert moved.line[:, 0].min() > 1000.0


def test_a_lane_that_is_passed_over_is_not_proposed_again():
    first = ask(half()).lane
    passed = []
    for _ in range(4):
        lane = ask(half(), passed_over=passed).lane
        assert all(
            LineString(lane.line).intersection(LineString(line).buffer(5.0)).length
            < 0.5 * lane.length_m
            for line in passed
        )
        passed.append(lane.line)
    assert passed[0] == pytest.approx(first.line)


def test_a_lane_fits_into_the_time_with_the_way_back():
    launch = np.array([10.0, 100.0])
    free = ask(half(), launch=launch).lane
    for left in (3.0, 4.0, 6.0, 10.0):
        advice = ask(half(), launch=launch, minutes_left=left)
        if advice.lane is None:
            assert not advice.in_time
            continue
        back = np.hypot(*(advice.lane.line[1] - launch)) / 2.2352 / 60.0
        assert advice.lane.minutes + back <= left + 1e-9
    assert ask(half(), launch=launch, minutes_left=0.5).in_time is False
    assert ask(half(), launch=launch, minutes_left=600.0).lane.line == pytest.approx(free.line)


def test_shallow_water_is_left_out():
    sounded = half()
    x, _ = np.meshgrid(sounded.grid.x, sounded.grid.y)
    sounded.depth = np.where((x > 200.0) & (x < 300.0), 0.4, 5.0)
    for boat_xy in ((150.0, 100.0), (350.0, 50.0)):
        lane = ask(sounded, boat_xy, boat=Boat(min_depth=0.6)).lane
        assert LineString(lane.line).intersection(box(202, 0, 298, 200)).is_empty


@pytest.mark.parametrize("apart", [20.0, 44.0])
def test_without_a_shoreline_lanes_are_proposed_between_those_driven_alone(apart):
    grid = Sounded(box(-300, -300, 500, 500))
    grid.drive(*[[(0, y), (200, y)] for y in np.arange(0.0, 4.5 * apart, apart)])
    surface = grid.surface
    far = surface.distance.values > 60.0
    bands = [band.like(np.where(far, np.nan, band.values)) for band in surface.bands]
    hull = box(-12, -12, 212, 4.0 * apart + 12.0)
    assert hull.buffer(4.0).covers(between_lanes(Surface(*bands), SPACING, 60.0))
    advice = next_lane(
        Surface(*bands), interval_m=FOOT, boat_xy=(-50.0, 0.0), spacing=SPACING, max_gap=60.0
    )
    if apart == 20.0:
        assert advice.lane is None
    else:
        assert hull.covers(LineString(advice.lane.line))
        assert abs(advice.lane.line[:, 1].mean() % apart - 0.5 * apart) < 8.0


def test_a_single_lane_without_a_shoreline_or_a_boat_far_off_is_told():
    with pytest.raises(LakefloorError, match="The boat is .* m from water"):
        ask(half(), (9000.0, 9000.0))
    with pytest.raises(LakefloorError, match="contour interval is 0"):
        ask(half(), interval_m=0.0)
    with pytest.raises(LakefloorError, match="lane spacing is -1"):
        ask(half(), spacing=-1.0)


def test_the_same_answer_for_a_boat_that_stands():
    one, other = ask(half()), ask(half())
    assert np.array_equal(one.lane.line, other.lane.line)


def driven_to_the_end(lake, lanes):
    """Drive what is proposed until nothing is left; return length, minutes and share supported."""
    sounded, at = Sounded(lake).drive(*lanes.coords), lanes.coords[-1][-1]
    before, water = sounded.surface, prepare_water(navigable(lake, 5.0)[1])
    length = minutes = 0.0
    for number in range(80):
        advice = ask(sounded, at, lake=lake)
        if advice.lane is None:
            return before, length, minutes, advice.supported, number
        lane = advice.lane
        assert lake.covers(LineString(lane.line))
        sounded.drive(route(water, at, lane.line[0]), lane.line)
        length, minutes, at = (
            length + lane.to_start_m + lane.length_m,
            minutes + lane.minutes,
            lane.line[1],
        )
    raise AssertionError("it never ends")


@pytest.mark.parametrize("name", ["convex", "two islands", "real-like", "comb"])
def test_lanes_driven_one_by_one_close_the_gaps_in_about_the_time_of_a_planned_outing(name):
    lake = SHAPES[name]
    lanes = survey_lanes(lake, spacing=60.0, heading=30.0, cross_share=0.0).lines
    before, _, minutes, supported, count = driven_to_the_end(lake, lanes)
    assert count >= 8
    assert supported > (0.9 if name == "comb" else 0.95)
    outing = next_outing(
        before,
        interval_m=FOOT,
        launch=lanes.coords[-1][-1],
        minutes=minutes / 1.3,
        lake=lake,
        spacing=SPACING,
    )
    # An outing planned in one go does not do as much in three quarters of the time.
    assert 1.0 - outing.gap_after / lake.area < supported + 0.01
