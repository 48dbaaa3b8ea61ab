"""Lanes on the water: when one ends, the cross-line, and proposals that close the gaps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import geometry, prepared

from lakefloor.algorithms.core.growing.cross_line import best_cross_line, crossed, has_cross_line
from lakefloor.algorithms.core.growing.growing_map import GrowingMap
from lakefloor.algorithms.core.growing.lane_ends import LaneEnds
from lakefloor.algorithms.core.growing.planning import plan_next
from lakefloor.algorithms.core.growing.settings import MapSettings
from lakefloor.algorithms.core.lanes import number_lanes
from lakefloor.algorithms.core.plan.survey_lanes import survey_lanes
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.smooth_surface import learn_smooth

from .made_surveys import blob

SPACING = 20.0


def path(*corners, step=2.2):
    """Return the places of a boat along a broken line."""
    parts = []
    for (x0, y0), (x1, y1) in zip(corners[:-1], corners[1:]):
        count = max(int(np.hypot(x1 - x0, y1 - y0) / step), 1)
        t = np.arange(count) / count
        parts.append(np.column_stack([x0 + t * (x1 - x0), y0 + t * (y1 - y0)]))
    return np.concatenate(parts)


def rows(count, length=200.0):
    """Return the corners of a track of lanes side by side."""
    corners = []
    for i in range(count):
        ends = [(0.0, SPACING * i), (length, SPACING * i)]
        corners += ends if i % 2 == 0 else ends[::-1]
    return corners


@given(
    count=st.integers(2, 7),
    turn=st.floats(0.0, 6.28),
    piece=st.integers(1, 50),
    seed=st.integers(0, 99),
)
@settings(max_examples=40)
def test_each_lane_ends_once_whatever_its_heading_and_the_pieces_it_comes_in(
    count, turn, piece, seed
):
    places = path(*rows(count), (-30.0, SPACING * count), (-60.0, SPACING * count - 40.0))
    places += np.random.default_rng(seed).normal(0.0, 0.3, places.shape)
    c, s = np.cos(turn), np.sin(turn)
    places = places @ np.array([[c, s], [-s, c]])
    ends = LaneEnds()
    ended = sum(ends.add(*places[at : at + piece].T) for at in range(0, len(places), piece))
    assert len(ends.lanes) in (count, count + 1)
    assert 1 <= ended <= len(ends.lanes)
    length = np.median([np.hypot(*(line[1] - line[0])) for line in ends.lanes])
    assert length == pytest.approx(200.0, abs=25.0)


def test_a_boat_that_stands_ends_no_lane():
    ends = LaneEnds()
    draw = np.random.default_rng(1)
    x, y = draw.normal(0.0, 0.8, (2, 3000))
    assert not ends.add(x, y)
    assert not ends.lanes


def test_a_cross_line_crosses_half_of_the_lanes():
    ends = LaneEnds()
    ends.add(*path(*rows(6)).T)
    assert not ends.cross_line()
    ends.add(*path((0.0, 110.0), (100.0, 140.0), (100.0, -60.0), (60.0, -60.0), (60.0, 40.0)).T)
    assert ends.cross_line()


def sounded(places, start=0):
    depth = 5.0 + 2.0 * np.sin(places[:, 0] / 40.0) + 1.5 * np.cos(places[:, 1] / 35.0)
    depth += np.random.default_rng([3, start]).normal(0.0, 0.05, len(depth))
    return Soundings.build(*places.T, depth)


@pytest.mark.parametrize("seed", [12, 31])
def test_driving_the_proposed_lanes_ends_with_done(seed):
    """A lake of which half was sounded; the boat drives what is proposed."""
    lake = blob(np.random.default_rng(seed), 170.0)
    whole = path(*[(x, y) for x, y in np.array(rows(20, 380.0)) - 190.0])
    learned = learn_smooth(frame(sounded(whole), spacing=SPACING))
    growing = GrowingMap(
        MapSettings("EPSG:32615", 2.0, SPACING, 2.5 * SPACING, learned, shoreline=lake)
    )
    west, south, east, _ = lake.bounds
    first = path(
        *[
            p
            for i, y in enumerate(np.arange(south + 30, 0.0, SPACING))
            for p in ([(west, y), (east, y)] if i % 2 == 0 else [(east, y), (west, y)])
        ]
    )
    inside = prepared.prep(lake.buffer(-6.0))
    first = np.array([p for p in first if inside.contains(geometry.Point(p))])
    growing.add(sounded(first), 1)
    boat, kept, driven, supported = first[-1], None, 0.0, []
    for number in range(60):
        plan = plan_next(growing, boat, interval_m=0.3, kept=kept)
        assert "error" not in plan, plan
        supported.append(plan["supported"])
        if plan["line"] is None:
            break
        assert plan["length_m"] == pytest.approx(np.hypot(*np.diff(plan["line"], axis=0)[0]))
        assert plan["to_start_m"] >= np.hypot(*(plan["line"][0] - boat)) - 2.0 * SPACING
        growing.add(sounded(path(*plan["line"]), number + 1), number + 2)
        driven += plan["length_m"]
        boat = plan["line"][1]
    assert plan["done"]
    assert supported[-1] > supported[0]
    # Lanes half a spacing apart over all of the lake are this long.
    assert driven < 2.0 * lake.area / SPACING


def test_a_boat_far_from_the_water_gets_a_sentence():
    lake = blob(np.random.default_rng(4), 150.0)
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=lake))
    growing.add(sounded(path(*rows(4, 90.0))), 1)
    plan = plan_next(growing, (5000.0, 5000.0), interval_m=0.3)
    assert plan["line"] is None
    assert plan["error"].endswith(".")


def test_one_lane_without_a_shoreline_says_what_is_missing_in_words_of_the_water():
    """Nobody is asked for a shore buffer, which the page on the water has no field for."""
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0))
    growing.add(sounded(path((0.0, 0.0), (200.0, 0.0))), 1)
    plan = plan_next(growing, (200.0, 0.0), interval_m=0.3)
    assert plan["line"] is None
    assert "side by side" in plan["error"]
    assert "buffer" not in plan["error"]


# -- the cross-line -------------------------------------------------------------------------------


@settings(max_examples=60)
@given(count=st.integers(3, 12), turn=st.floats(0.0, 6.28), seed=st.integers(0, 999))
def test_the_best_cross_line_is_one(count, turn, seed):
    """Lanes to and fro, of uneven ends, whatever their heading."""
    draw = np.random.default_rng(seed)
    lanes = []
    for number in range(count):
        ends = np.array([[draw.uniform(0, 60), 0.0], [draw.uniform(140, 200), 0.0]])
        ends += [0.0, SPACING * number]
        lanes.append(ends[:: -1 if number % 2 else 1])
    c, s = np.cos(turn), np.sin(turn)
    lanes = np.array(lanes) @ np.array([[c, s], [-s, c]])
    assert not has_cross_line(lanes)
    line, crosses = best_cross_line(lanes)
    assert crosses == count == int(crossed(line, lanes).sum())
    assert has_cross_line(np.concatenate([lanes, line[None]]))
    # Square to the lanes, and little longer than they are wide.
    along = (lanes[0, 1] - lanes[0, 0]) / np.hypot(*(lanes[0, 1] - lanes[0, 0]))
    assert abs((line[1] - line[0]) @ along) < 1e-6 * np.hypot(*(line[1] - line[0]))
    assert np.hypot(*(line[1] - line[0])) == pytest.approx(SPACING * (count - 1) + 30.0)


def test_the_best_cross_line_stays_in_the_water():
    water = geometry.box(0, 0, 200, 200).difference(geometry.box(60, -1, 140, 150))
    lanes = np.array([[[5.0, y], [55.0, y]] for y in range(10, 150, 20)])
    line, crosses = best_cross_line(lanes, water)
    assert crosses == len(lanes)
    assert water.covers(geometry.LineString(line))
    assert best_cross_line(lanes[:2], water) is None
    assert best_cross_line(lanes, geometry.box(500, 500, 600, 600)) is None


def test_two_lanes_and_lanes_at_an_acute_angle_are_no_cross_line():
    assert not has_cross_line(np.zeros((0, 2, 2)))
    lanes = np.array([[[0.0, y], [200.0, y]] for y in (0, 20, 40)])
    slanting = np.array([[[60.0, -10.0], [160.0, 60.0]]])
    assert not has_cross_line(np.concatenate([lanes, slanting]))
    upright = np.array([[[60.0, -10.0], [110.0, 60.0]]])
    assert has_cross_line(np.concatenate([lanes, upright]))


def test_a_pause_in_the_soundings_ends_a_lane():
    ends = LaneEnds()
    assert not ends.add(*path((0.0, 0.0), (100.0, 0.0)).T)
    assert ends.add(*path((300.0, 0.0), (400.0, 0.0)).T)
    assert len(ends.lanes) == 1
    assert ends.current[0] == pytest.approx((300.0, 0.0))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lanes_are_those_that_are_numbered_at_home(seed):
    """The same track, while it is driven and afterwards."""
    lake = blob(np.random.default_rng(seed), 220.0)
    plan = survey_lanes(lake, spacing=30.0, heading=40.0 * seed, cross_share=0.1)
    corners = [tuple(place) for line in plan.lines.coords for place in line]
    corners = [c for c, d in zip(corners, corners[1:]) if np.hypot(c[0] - d[0], c[1] - d[1]) > 1.0]
    places = path(*corners)
    places += np.random.default_rng(seed).normal(0.0, 0.4, places.shape)
    ends = LaneEnds()
    ends.add(*places.T)
    nothing = np.full(len(places), np.datetime64("NaT", "ms"))
    numbered = number_lanes(*places.T, nothing, np.full(len(places), "a", dtype=object)).max()
    assert abs(len(ends.lanes) - numbered) <= max(0.2 * numbered, 1)


def test_of_a_large_lake_the_water_around_the_boat_is_planned_in():
    lake = geometry.box(0.0, 0.0, 12_000.0, 6_000.0)
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=lake))
    growing.add(sounded(path(*[(x + 3000.0, y + 3000.0) for x, y in rows(8)])), 1)
    plan = plan_next(growing, (3100.0, 3150.0), interval_m=0.3)
    assert plan["is_part"]
    assert np.abs(plan["line"] - (3100.0, 3150.0)).max() < 1200.0
    assert plan["supported"] < 0.2


def test_the_cross_line_is_proposed_when_the_lanes_are_done():
    lake = geometry.box(0.0, 0.0, 200.0, 100.0)
    corners = [(x, y / 2.0 + 5.0) for x, y in rows(10)]
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=lake))
    growing.add(sounded(path(*corners)), 1)
    ends = LaneEnds()
    ends.add(*path(*corners).T)
    given = {"interval_m": 3.0, "lanes": ends.lanes}
    plan = plan_next(growing, (200.0, 95.0), **given)
    assert plan["done"]
    assert plan["cross"]["crosses"] >= len(ends.lanes) - 1
    assert plan["cross"]["to_start_m"] == pytest.approx(
        np.hypot(*(plan["cross"]["line"][0] - (200.0, 95.0)))
    )
    ends.lanes.append(plan["cross"]["line"])
    assert plan_next(growing, (200.0, 95.0), **given)["cross"] is None


def test_water_that_is_known_to_be_shallow_is_left_out():
    lake = geometry.box(0.0, 0.0, 300.0, 200.0)
    places = path(*[(x, y * 2.0 + 10.0) for x, y in rows(5)])
    made = sounded(places)
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=lake))
    growing.add(made.replace(depth=np.where(places[:, 0] < 100.0, 0.4, 5.0)), 1)
    plan = plan_next(growing, (150.0, 100.0), interval_m=0.3, min_depth=0.8)
    assert plan["line"][:, 0].min() > 95.0


def test_a_stray_far_away_spans_no_grid_to_there():
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0))
    growing.add(sounded(path(*rows(6))), 1)
    plan = plan_next(growing, (100.0, 50.0), interval_m=0.3)
    growing.add(Soundings.build([60_000.0], [-80_000.0], [4.0]), 2)
    again = plan_next(growing, (100.0, 50.0), interval_m=0.3)
    assert "error" not in again
    assert (again["line"] is None) == (plan["line"] is None)
    assert again["is_part"]
