"""Lanes of boustrophedon tracks with known truth."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.lanes import number_lanes


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
            (length if up else 0.0) + (1 if up else -1) * radius * np.sin(phi), 0,
        )

    total = lanes * length + (lanes - 1) * arc
    x, y, lane = np.array([place(s) for s in np.arange(0.0, total, speed)]).T
    angle = np.radians(heading_deg)
    return (
        x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle),
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
        np.r_[x, x], np.r_[y, y], np.r_[clock(len(x)), clock(len(x))],
        np.repeat(["b", "a"], len(x)),
    )
    np.testing.assert_array_equal(twice[: len(x)], twice[len(x):])
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
