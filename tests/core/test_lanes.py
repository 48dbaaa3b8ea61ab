"""Lanes of boustrophedon tracks with known truth."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.lanes import STOPPED_MS, lanes_of, number_lanes, stopped
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.track import without_track


def boustrophedon(lanes=8, length=200.0, spacing=25.0, speed=2.2, heading_deg=0.0):
    """One fix a second along lanes joined by half circles; returns x, y and the true lane."""
    radius = spacing / 2.0
    arc = np.pi * radius

    def place(s):
        k = int(s // (length + arc))
        rest = s - k * (length + arc)
        up = k % 2 == 0
        if rest <= length:
            return k * spacing, rest if up else length - rest, k + 1
        phi = (rest - length) / radius
        return (
            k * spacing + radius * (1 - np.cos(phi)),
            (length if up else 0.0) + (1 if up else -1) * radius * np.sin(phi),
            0,
        )

    total = lanes * length + (lanes - 1) * arc
    x, y, lane = np.array([place(s) for s in np.arange(0.0, total, speed)]).T
    angle = np.radians(heading_deg)
    return (
        x * np.cos(angle) - y * np.sin(angle),
        x * np.sin(angle) + y * np.cos(angle),
        lane.astype(int),
    )


def clock(n, step_ms=1000):
    return np.datetime64("2026-07-09T14:00:00", "ms") + step_ms * np.arange(n)


@pytest.mark.parametrize("heading", [0.0, 37.0, 90.0])
@pytest.mark.parametrize("jitter", [0.0, 1.0])
def test_boustrophedon(heading, jitter):
    x, y, truth = boustrophedon(heading_deg=heading)
    rng = np.random.default_rng(7)
    x, y = x + rng.normal(0, jitter, len(x)), y + rng.normal(0, jitter, len(y))
    lane = number_lanes(x, y, clock(len(x)), np.full(len(x), "a"))
    assert lane.max() == 8
    straight = truth > 0
    assert (lane[straight] == truth[straight]).mean() > 0.97
    assert (lane[~straight] == 0).mean() > 0.4
    assert (np.diff(lane[lane > 0]) >= 0).all()


def test_quantised_positions_and_several_pings_a_fix():
    # Three decimals of a minute: 1.85 m steps, each fix repeated for four pings.
    x, y, truth = boustrophedon()
    x, y = np.round(x / 1.85) * 1.85, np.round(y / 1.85) * 1.85
    x, y, truth = np.repeat(x, 4), np.repeat(y, 4), np.repeat(truth, 4)
    lane = number_lanes(x, y, clock(len(x), 250), np.full(len(x), "a"))
    assert lane.max() == 8
    assert (lane[truth > 0] == truth[truth > 0]).mean() > 0.97


def test_a_stray_fix_does_not_break_a_lane():
    x, y, truth = boustrophedon(lanes=2)
    x[30] += 400.0
    lane = number_lanes(x, y, clock(len(x)), np.full(len(x), "a"))
    assert lane.max() == 2
    assert (lane[truth == 1][2:-8] == 1).all()


@pytest.mark.parametrize("side", [-60.0, 60.0])
@pytest.mark.parametrize("east", [False, True])
def test_two_stray_fixes_are_dropped_and_three_are_not(side, east):
    y = 2.0 * np.arange(100.0)
    for strays, lanes in ((2, {1}), (3, {0, 1, 2})):
        x = np.zeros(100)
        x[50 : 50 + strays] = side
        # Fixes too few for a run of 40 m, more than 50 m to the side, part the lane in two.
        place = (y, x) if east else (x, y)
        assert set(number_lanes(*place, clock(100), np.full(100, "a"))) == lanes


def test_gaps_and_stops_end_a_lane():
    y = np.arange(0.0, 400.0, 2.0)
    time = clock(len(y))
    late = time + np.where(np.arange(len(y)) >= 100, 120_000, 0)
    visit = np.full(len(y), "a")
    zero = np.zeros(len(y))
    assert set(number_lanes(zero, y, time, visit)) == {1}
    assert set(number_lanes(zero, y, late, visit)) == {1, 2}
    far = np.where(y >= 200.0, y + 300.0, y)
    assert set(number_lanes(zero, far, time, visit)) == {1, 2}
    rng = np.random.default_rng(3)
    stop = 200.0 + rng.normal(0, 0.5, 120)
    y = np.r_[y[:100], stop, y[100:]]
    lane = number_lanes(rng.normal(0, 0.5, len(y)), y, clock(len(y)), np.full(len(y), "a"))
    assert lane.max() == 2
    assert (lane[110:210] == 0).mean() > 0.9


def test_a_circle_is_no_lane_and_visits_count_apart():
    phi = np.linspace(0, 6 * np.pi, 400)
    x, y = 15 * np.cos(phi), 15 * np.sin(phi)
    assert not number_lanes(x, y, clock(400), np.full(400, "a")).any()
    x, y, _ = boustrophedon(lanes=2)
    twice = number_lanes(
        np.r_[x, x], np.r_[y, y], np.r_[clock(len(x)), clock(len(x))], np.repeat(["b", "a"], len(x))
    )
    np.testing.assert_array_equal(twice[: len(x)], twice[len(x) :])
    assert twice.max() == 2


def test_no_time_one_point_and_a_frozen_clock():
    x, y, truth = boustrophedon(lanes=3)
    nat = np.full(len(x), np.datetime64("NaT", "ms"))
    frozen = np.full(len(x), clock(1)[0])
    for time in (nat, frozen):
        lane = number_lanes(x, y, time, np.full(len(x), "a"))
        assert (lane[truth > 0] == truth[truth > 0]).mean() > 0.97
    assert number_lanes([1.0], [2.0], clock(1), ["a"]).tolist() == [0]
    assert number_lanes([], [], clock(0), []).tolist() == []
    with pytest.raises(LakefloorError, match="not above zero"):
        number_lanes(x, y, nat, nat, tolerance_m=0.0)


# -- heading and stops --------------------------------------------------------


def bent(*legs):
    """One fix each two metres along legs of (length m, heading degrees clockwise from north)."""
    x, y = [0.0], [0.0]
    for length, heading in legs:
        for _ in range(int(length / 2.0)):
            x.append(x[-1] + 2.0 * np.sin(np.radians(heading)))
            y.append(y[-1] + 2.0 * np.cos(np.radians(heading)))
    return np.array(x), np.array(y)


def lanes_along(legs, **options):
    x, y = bent(*legs)
    return number_lanes(x, y, clock(len(x)), np.full(len(x), "a"), **options)


@pytest.mark.parametrize("north", [0.0, 70.0, 200.0])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_lane_has_one_heading_and_not_many_small_turns(north, side):
    def turned(*legs):
        return lanes_along([(length, north + side * degrees) for length, degrees in legs])

    assert set(turned((100, 0), (100, 17))) == {1}
    assert set(turned((100, 0), (100, 23))) == {1, 2}
    # Each turn is of 15 degrees only, but the third leg lies 22.5 off the mean of the two before.
    assert set(turned((100, 0), (100, 15), (100, 30))) == {1, 2}
    # A long leg sets the heading: 14 degrees off its 2.5 and not 2 off the short leg's 18.
    assert set(turned((300, 0), (60, 18), (100, 16))) == {1}
    assert set(turned((300, 0), (60, 18), (100, 36))) == {1, 2}


def test_the_turn_allowed_is_the_one_asked_for():
    legs = [(100, 0), (100, 23)]
    assert set(lanes_along(legs, max_turn_deg=25.0)) == {1}
    assert set(lanes_along(legs, max_turn_deg=21.0)) == {1, 2}


@pytest.mark.parametrize("limit", [0.3, 1.0])
def test_a_boat_stops_below_the_speed_asked_for(limit):
    t = np.arange(0.0, 120.0)
    still = np.zeros(len(t))
    for factor, expected in ((0.95, True), (1.05, False)):
        way = factor * limit * t
        for x, y in ((way, still), (still, way), (0.6 * way, -0.8 * way)):
            assert (stopped(x, y, t, limit) == expected).all()
    assert STOPPED_MS == 0.3
    assert stopped(0.29 * t, still, t).all()
    assert not stopped(0.31 * t, still, t).any()


def test_the_mean_of_twenty_seconds_says_whether_a_boat_has_stopped():
    # 2 m/s up to 100 s, then at anchor: from 110 - 20 * 0.3 / 2 = 107 s on less than 6 m in 20 s.
    t = np.arange(0.0, 200.0)
    still = stopped(np.minimum(2.0 * t, 200.0), np.zeros(200), t)
    assert np.flatnonzero(still)[[0, -1]].tolist() == [108, 199]
    assert still.sum() == 92
    # A fix without a time stops nothing, and neither does a clock that runs back.
    t[150] = np.nan
    assert not stopped(np.minimum(2.0 * t, 200.0), np.zeros(200), t)[150]
    assert not stopped(np.zeros(3), np.zeros(3), np.array([0.0, 2.0, 1.0])).any()


def test_a_drift_ends_a_lane_and_a_slow_run_does_not():
    slow = {}
    for speed in (0.25, 0.35):
        y = np.cumsum(np.r_[np.full(60, 2.0), np.full(120, speed), np.full(60, 2.0)])
        slow[speed] = number_lanes(np.zeros(240), y, clock(240), np.full(240, "a"))
    assert set(slow[0.35]) == {1}
    assert set(slow[0.25]) == {0, 1, 2}
    assert (slow[0.25][75:165] == 0).all()


# -- gaps, few fixes and clocks -----------------------------------------------


def two_runs(gap_m=2.0, gap_s=1):
    """Two runs of 100 fixes, two metres and a second apart, with a gap between them."""
    y = 2.0 * np.arange(200.0)
    y[100:] += gap_m - 2.0
    time = clock(200)
    time[100:] += np.timedelta64(1000 * (gap_s - 1), "ms")
    return number_lanes(np.zeros(200), y, time, np.full(200, "a"))


@pytest.mark.parametrize(
    ("gap", "ends"),
    [
        ({"gap_m": 48.0}, False),
        ({"gap_m": 56.0}, True),
        ({"gap_s": 28}, False),
        ({"gap_s": 35}, True),
    ],
)
def test_a_gap_of_thirty_seconds_or_fifty_meters_ends_a_lane(gap, ends):
    lane = two_runs(**gap)
    if not ends:
        assert set(lane) == {1}
        return
    # Exactly at the gap, but for a fix or two that the running median moves.
    assert (lane[:98] == 1).all()
    assert (lane[102:] == 2).all()
    assert np.flatnonzero(np.diff(lane) != 0).tolist() == [99]


def test_three_fixes_make_a_lane_and_two_do_not():
    assert number_lanes([0, 0, 0], [0, 30, 60], clock(3), ["a"] * 3).tolist() == [1, 1, 1]
    assert number_lanes([0, 0], [0, 45], clock(2), ["a"] * 2).tolist() == [0, 0]
    # Two fixes by themselves between gaps, 45 m apart.
    y = np.r_[2.0 * np.arange(100), 500.0, 545.0]
    assert number_lanes(np.zeros(102), y, clock(102), ["a"] * 102)[-2:].tolist() == [0, 0]


def test_half_a_position_is_none():
    y = 2.0 * np.arange(100.0)
    x = np.zeros(100)
    x[40], y[60] = np.nan, np.nan
    lane = number_lanes(x, y, clock(100), np.full(100, "a"))
    assert lane[[40, 60]].tolist() == [0, 0]
    assert set(np.delete(lane, [40, 60])) == {1}


def test_a_stray_fix_of_several_pings_does_not_break_a_lane():
    y = np.repeat(2.0 * np.arange(100.0), 4)
    x = np.zeros(400)
    x[200:204] = 60.0
    lane = number_lanes(x, y, clock(400, 250), np.full(400, "a"))
    assert set(lane) == {1}


def test_a_boat_stands_between_the_first_and_the_last_fix():
    # It moves in the first and in the last second only.
    t = np.arange(0.0, 41.0)
    at_end, at_start = np.zeros(41), np.full(41, 100.0)
    at_end[-1], at_start[0] = 100.0, 0.0
    still = np.zeros(41)
    assert np.flatnonzero(~stopped(at_end, still, t))[0] == 30
    assert np.flatnonzero(~stopped(at_start, still, t))[-1] == 10


def test_pings_of_one_time_and_two_fixes_are_judged_too():
    t = np.repeat(np.arange(30.0), 2)
    assert stopped(np.zeros(60), np.zeros(60), t).all()
    assert stopped(np.zeros(2), np.zeros(2), np.array([0.0, 20.0])).all()
    assert not stopped(np.zeros(1), np.zeros(1), np.array([0.0])).any()


def test_lanes_of_soundings_in_any_order():
    x, y, truth = boustrophedon(lanes=3)
    order = np.random.default_rng(5).permutation(len(x))
    shuffled = Soundings.build(
        x[order], y[order], np.full(len(x), 5.0), time=clock(len(x))[order], visit="a"
    )
    lane = lanes_of(shuffled)
    kept = truth[order] > 0
    assert (lane[kept] == truth[order][kept]).mean() > 0.97
    # Points in an order that is no track: no lanes.
    rng = np.random.default_rng(6)
    points = Soundings.build(*rng.uniform(0, 500, (2, 200)), np.full(200, 5.0), visit="a")
    assert without_track(points).all()
    assert not lanes_of(points).any()


def test_a_run_may_stray_five_meters_by_default():
    """By hand: a hook of 16 m at 30 degrees bends 6.9 m off the line from end to end."""
    legs = [(100, 0), (16, 30)]
    lane = lanes_along(legs)
    assert lane[40] == 1
    assert lane[-1] == 0
    assert set(lanes_along(legs, tolerance_m=7.5)) == {1}
