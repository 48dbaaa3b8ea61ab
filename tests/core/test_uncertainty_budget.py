"""Uncertainty budget: worked sums, slopes against planes, coverage on the example lake."""

import csv
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.cleaning import cleaning
from lakefloor.algorithms.core.correcting import corrections, gauge, lake_level
from lakefloor.algorithms.core.correcting.slopes import plane_slopes
from lakefloor.algorithms.core.correcting.sound_speed import fresh_water_sound_speed
from lakefloor.algorithms.core.correcting.uncertainty_budget import (
    TERMS,
    common_share,
    uncertainty_budget,
)
from lakefloor.algorithms.core.correcting.vertical_uncertainty import (
    assumed_speed,
    combine,
    instrument,
    layering,
    on_slope,
    temperature,
)
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.reading import logs
from lakefloor.algorithms.core.soundings import Soundings, concatenate, each_visit
from lakefloor.algorithms.core.units import FOOT

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
NOTHING = {
    "instrument_fixed_m": 0.0,
    "instrument_share": 0.0,
    "temperature_error_c": 0.0,
    "draft_m": 0.0,
    "level_m": 0.0,
    "position_m": 0.0,
    "time_offset_s": 0.0,
    "sound_speed_measured": True,
}


def plane(slope=0.1, direction=0.0, spacing=5.0, **known):
    """Lanes over an even slope of 10 m mean depth; ``direction`` is that of the fall."""
    x, y = (
        a.ravel() for a in np.meshgrid(np.arange(0.0, 100.0, 2.0), np.arange(0.0, 60.0, spacing))
    )
    run = np.cos(direction) * (x - 50.0) + np.sin(direction) * (y - 30.0)
    known = {
        "visit": "May",
        "corrections": "draft_m=0.3;sound_speed=1500->1465.9;datum=dock",
        **known,
    }
    return Soundings.build(x, y, 10.0 + slope * run, **known)


# -- the terms ----------------------------------------------------------------


def test_worked_budget():
    # Worked by hand in feet, one standard deviation: sounder 0.10, sound speed 0.15, draft 0.05,
    # level 0.05 make 0.194; with 1.6 m of position on a slope of 10 % (0.525) 0.560.
    four = combine(0.10, 0.15, 0.05, 0.05)
    assert four == pytest.approx(0.194, abs=5e-4)
    assert on_slope(1.6, 0.10) / FOOT == pytest.approx(0.525, abs=5e-4)
    assert combine(four, on_slope(1.6, 0.10) / FOOT) == pytest.approx(0.560, abs=5e-4)


def test_worked_budget_of_soundings():
    # The same, its sound speed put into the instrument's fixed part: sqrt(.10^2 + .15^2).
    budget = uncertainty_budget(
        plane(),
        **{
            **NOTHING,
            "instrument_fixed_m": np.hypot(0.10, 0.15) * FOOT,
            "draft_m": 0.05 * FOOT,
            "level_m": 0.05 * FOOT,
            "position_m": 1.6,
        },
    )
    np.testing.assert_allclose(budget.soundings.uncert / FOOT, 0.560, atol=5e-4)
    shares = {name: share for name, _, share in budget.terms}
    assert tuple(shares) == TERMS
    assert sum(shares.values()) == pytest.approx(1.0)
    # 0.525^2 / 0.560^2.
    assert shares["position on slope"] == pytest.approx(0.879, abs=2e-3)


def test_one_degree_of_temperature():
    # Marczak (1997): c = 1457.951 m/s at 55 F and rises by 2.06 m/s for 1 degree F, which at
    # 50 ft is 50 * 2.06 / 1457.951 = 0.0706 ft (worked by hand).
    error = temperature(50.0, 1457.951, 1.0 / 1.8)
    assert error == pytest.approx(0.0706, abs=5e-4)


def test_layers_and_assumed_speed():
    # Worked by hand: 20 ft at 75 F over 30 ft at 45 F; surface temperature alone makes 1.208 ft
    # too deep, a third of whose square counts. Marczak (1997): 1493.710 and 1435.872 m/s.
    assert layering(51.208, 1493.710, 20.0, (45.0 - 32.0) / 1.8) * np.sqrt(3.0) == pytest.approx(
        1.208, abs=2e-3
    )
    # 10 m at 1500 m/s against 1421.6331 m/s at 4 degrees: 0.5225 m.
    assert assumed_speed(10.0, 1500.0) * np.sqrt(3.0) == pytest.approx(0.5224, abs=1e-4)
    # 0.05 m and 1 % of 12 m: 0.13 m.
    assert instrument(12.0, 0.05, 0.01) == pytest.approx(0.13)


def test_each_term_alone():
    level_water = plane(speed=2.0)
    for option, name, expected in (
        ("instrument_fixed_m", "sounder", 1.0),
        ("draft_m", "draft", 1.0),
        ("level_m", "lake level", 1.0),
        ("position_m", "position on slope", 0.1),
        ("time_offset_s", "time offset on slope", 0.2),  # 1 s * 2 m/s * 0.1
    ):
        budget = uncertainty_budget(level_water, **{**NOTHING, option: 1.0})
        np.testing.assert_allclose(budget.soundings.uncert, expected, rtol=1e-6)
        assert {n for n, rms, _ in budget.terms if rms > 0.0} == {name}


def test_water_below_the_transducer_is_known_from_the_corrections():
    # 10 m at datum, level 0.5 m above it, draft 0.3 m: 10.2 m of water below the transducer.
    # 1465.9 m/s is 15 degrees; the speed's rise there is half its change from 14 to 16 degrees
    # (Marczak 1997).
    still = plane(
        slope=0.0,
        corrections="draft_m=0.3;sound_speed=1500->1465.9;datum=dock;datum_elev_m=1;level_m=1.500",
    )
    budget = uncertainty_budget(still, **{**NOTHING, "temperature_error_c": 1.0})
    rise = 0.5 * (fresh_water_sound_speed(16.0) - fresh_water_sound_speed(14.0))
    np.testing.assert_allclose(budget.soundings.uncert, 10.2 * rise / 1465.9, rtol=2e-3)


def test_depths_left_at_the_assumed_speed():
    kept = plane(slope=0.0, corrections="draft_m=0;sound_speed=not corrected")
    budget = uncertainty_budget(kept, **NOTHING)
    np.testing.assert_allclose(budget.soundings.uncert, assumed_speed(10.0, 1500.0))
    assert budget.summary["not_reduced"] == len(kept)


def test_without_a_temperature_it_is_the_uncertainty_of_the_correction():
    bare = plane(slope=0.0, corrections="from=transducer")
    done = corrections.correct_depths(
        bare, draft_m=0.0, uncert_fixed_m=1e-9, uncert_share=0.0
    ).soundings
    budget = uncertainty_budget(done, **{**NOTHING, "sound_speed_measured": False})
    # 37.5473 m/s of 1459.1804 m/s are 2.573 % (Marczak 1997 at 4 and 25 degrees C, by hand).
    np.testing.assert_allclose(budget.soundings.uncert, 0.02573 * done.depth, rtol=5e-4)
    np.testing.assert_allclose(budget.soundings.uncert, done.uncert, rtol=5e-4)
    # Depths that nobody corrected are no better known.
    raw = uncertainty_budget(bare, **{**NOTHING, "sound_speed_measured": False})
    np.testing.assert_allclose(raw.soundings.uncert, 0.02573 * bare.depth, rtol=5e-4)


def test_what_depths_have_in_common_is_known_from_the_corrections():
    cold = Soundings.build([0.0, 1.0], [0.0, 0.0], [5.0, 5.0], corrections="from=transducer")
    warm = cold.replace(water_temp=np.full(2, 20.0))
    blind = corrections.correct_depths(cold, draft_m=0.3).soundings
    # Half of 1421.6 to 1496.7 m/s, the span of lakes, in its middle (Marczak 1997).
    assert common_share(blind) == pytest.approx(37.55 / 1459.18, abs=1e-4)
    # A uniform error between the sounder's 1500 m/s and the coldest water, 1421.6 m/s.
    left = corrections.correct_depths(cold, draft_m=0.3, skip_without_temperature=True).soundings
    assert common_share(left) == pytest.approx((1 - 1421.63 / 1500.0) / np.sqrt(3.0), abs=1e-5)
    measured = corrections.correct_depths(warm, draft_m=0.3).soundings
    assert common_share(measured) == 0.0
    assert common_share(cold) == 0.0
    both = concatenate([measured, blind])
    assert common_share(both) == pytest.approx(common_share(blind) / 2)
    out = both.replace(status=np.array(["spike", "spike", "accepted", "accepted"], dtype=object))
    assert common_share(out) == pytest.approx(common_share(blind))
    assert common_share(cold.select(slice(0, 0))) == 0.0


def test_the_error_of_an_offset_between_visits_stays_in_the_budget():
    fitted = plane(
        slope=0.0,
        corrections="draft_m=0;sound_speed=1500->1465.9;"
        "level_offset_m=-0.8000;level_offset_sd_m=0.0600;datum=water level of May",
    )
    budget = uncertainty_budget(fitted, **{**NOTHING, "level_m": 0.08})
    np.testing.assert_allclose(budget.soundings.uncert, 0.10)
    # 10 m at the datum are 9.2 m of water on the day.
    warm = uncertainty_budget(fitted, **{**NOTHING, "temperature_error_c": 1.0}).soundings
    rise = 0.5 * (fresh_water_sound_speed(16.0) - fresh_water_sound_speed(14.0))
    np.testing.assert_allclose(warm.uncert, np.hypot(0.06, 9.2 * rise / 1465.9), rtol=2e-3)


def test_running_twice_changes_nothing():
    once = uncertainty_budget(plane()).soundings
    twice = uncertainty_budget(once).soundings
    np.testing.assert_array_equal(once.uncert, twice.uncert)
    np.testing.assert_array_equal(once.depth, plane().depth)


# -- slope --------------------------------------------------------------------


@given(slope=st.floats(0.0, 1.0), direction=st.floats(0.0, 6.3))
def test_slope_of_a_plane_in_any_direction(slope, direction):
    s = plane(slope, direction)
    found, one_way = plane_slopes(s.x, s.y, s.depth, s.x, s.y, 10.0)
    np.testing.assert_allclose(found, slope, atol=1e-9)
    assert not one_way.any()


def test_slope_withstands_blunders():
    s = plane(0.1)
    depth = s.depth.copy()
    depth[::23] += 6.0
    found, _ = plane_slopes(s.x, s.y, depth, s.x, s.y, 10.0)
    # Least squares are off by 0.6 here.
    assert np.abs(found - 0.1).max() < 0.05


def test_single_track_takes_the_slope_across_as_along():
    # Root 2 times the slope along: the mean square slope of a bottom that falls in all
    # directions alike is twice that along one line.
    x = np.arange(0.0, 200.0, 2.0)
    turn = np.radians(30.0)
    found, one_way = plane_slopes(
        np.cos(turn) * x, np.sin(turn) * x, 5.0 + 0.1 * x, np.cos(turn) * x, np.sin(turn) * x, 10.0
    )
    np.testing.assert_allclose(found, 0.1 * np.sqrt(2.0), rtol=1e-6)
    assert one_way.all()


def test_slope_from_a_surface():
    s = plane(0.1, spacing=60.0)  # a single lane
    cols = np.arange(-20, 140) + 0.5
    surface = Grid(np.tile(10.0 + 0.3 * (cols - 50.0), (100, 1)), -20.0, 80.0, 1.0, 1.0)
    budget = uncertainty_budget(s, **{**NOTHING, "position_m": 1.0}, surface=surface)
    np.testing.assert_allclose(budget.soundings.uncert, 0.3, rtol=1e-6)
    # Where the surface ends, the soundings themselves give it: 0.1 along, so 0.1414.
    west = Grid(surface.values[:, :60], -20.0, 80.0, 1.0, 1.0)
    budget = uncertainty_budget(s, **{**NOTHING, "position_m": 1.0}, surface=west)
    np.testing.assert_allclose(budget.soundings.uncert[s.x > 60.0], 0.1 * np.sqrt(2), rtol=1e-6)


def test_visits_at_other_levels_are_no_slope():
    # Two visits over one level bottom, 0.5 m apart in level, not reduced.
    low, high = (plane(0.0, corrections="draft_m=0.3", visit=v) for v in ("low", "high"))
    both = concatenate([low, high.replace(depth=high.depth + 0.5, y=high.y + 2.5)])
    budget = uncertainty_budget(both, **{**NOTHING, "position_m": 1.0, "draft_m": 0.01})
    np.testing.assert_allclose(budget.soundings.uncert, 0.01, atol=1e-9)


def test_missing_speed_is_taken_from_the_track():
    t = np.datetime64("2026-05-14T08:00:00", "ms") + np.arange(50) * np.timedelta64(1000, "ms")
    x = 3.0 * np.arange(50)
    one = Soundings.build(x, np.zeros(50), 5.0 + 0.1 * x, visit="May", time=t)
    budget = uncertainty_budget(one, **{**NOTHING, "time_offset_s": 1.0})
    np.testing.assert_allclose(budget.soundings.uncert, 3.0 * 0.1 * np.sqrt(2.0), rtol=1e-6)


def test_rejected_soundings_have_an_uncertainty_and_do_not_count():
    s = plane(0.1)
    depth, status = s.depth.copy(), s.status.copy()
    depth[5], status[5] = 50.0, "spike along track"
    budget = uncertainty_budget(
        s.replace(depth=depth, status=status), **{**NOTHING, "position_m": 1.0}
    )
    np.testing.assert_allclose(budget.soundings.uncert, 0.1, rtol=1e-6)
    assert budget.summary["visits"]["May"]["soundings"] == len(s) - 1


# -- bad input ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"position_m": -1.0}, "Position uncertainty is -1. Enter a number of at least 0"),
        ({"level_m": np.nan}, "Lake level uncertainty is nan"),
        ({"radius_m": 0.0}, "radius for the slope is 0 m"),
        (NOTHING, "All parts of the uncertainty are 0"),
    ],
)
def test_bad_parameters(options, message):
    with pytest.raises(LakefloorError, match=message):
        uncertainty_budget(plane(), **options)


def test_no_soundings():
    with pytest.raises(LakefloorError, match="no soundings"):
        uncertainty_budget(plane().select(slice(0, 0)))
    with pytest.raises(LakefloorError, match=r"None of the .* is accepted"):
        uncertainty_budget(plane(status="spike along track"))


def test_few_soundings_take_no_slope():
    lone = Soundings.build([0.0, 500.0], [0.0, 0.0], [5.0, 9.0], visit=["May", "July"])
    budget = uncertainty_budget(lone, **{**NOTHING, "draft_m": 0.1, "position_m": 1.0})
    np.testing.assert_allclose(budget.soundings.uncert, 0.1)
    assert budget.summary["no_slope"] == 2


def test_cancel():
    def cancel(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        uncertainty_budget(plane(), progress=cancel)


# -- the example lake ---------------------------------------------------------


@pytest.fixture(scope="module")
def example():
    """Soundings at lake datum, and their errors against the lake's true bottom."""
    soundings = cleaning.clean(logs.read_logs([str(EXAMPLE / "logs")]).soundings).soundings
    with open(EXAMPLE / "gauge.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    record = gauge.level_record(
        gauge.gauge_times([row["time_utc"] for row in rows]),
        gauge.gauge_numbers([row["level_ft"] for row in rows]),
        "ft",
    )
    reduced = lake_level.reduce_to_datum(
        corrections.correct_depths(soundings).soundings, record, datum_elevation_m=2.0 * FOOT
    ).soundings
    sys.path.insert(0, str(EXAMPLE))
    try:
        import truth
    finally:
        sys.path.remove(str(EXAMPLE))
    return reduced, reduced.depth - truth.depth_m(reduced.x, reduced.y)


def share_within_two(soundings, error):
    shares = {}
    for name, rows in each_visit(soundings):
        use = rows[soundings.accepted[rows] & np.isfinite(error[rows])]
        shares[name] = np.mean(np.abs(error[use]) < 2.0 * soundings.uncert[use])
    return shares


def test_two_standard_deviations_hold_95_percent_of_each_visit(example):
    # Normal law: 95.4 %. The example's own errors: depth 0.03 m + 0.3 % of depth (0.045 m at the
    # mean depth of 5 m), position 0.6 m in each direction, gauge read to 0.01 ft, one
    # temperature in the whole column; draft and time offset as stated.
    soundings, error = example
    budget = uncertainty_budget(
        soundings,
        instrument_fixed_m=0.04,
        instrument_share=0.004,
        temperature_error_c=0.1,
        sound_speed_measured=True,
        draft_m=0.0,
        level_m=0.003,
        position_m=0.6,
        time_offset_s=0.0,
    )
    before, after = (share_within_two(s, error) for s in (soundings, budget.soundings))
    assert min(before.values()) < 0.85  # the slope was missing
    for name, share in after.items():
        assert 0.90 < share < 0.97, name


def test_defaults_are_on_the_safe_side_of_a_good_receiver(example):
    soundings, error = example
    shares = share_within_two(uncertainty_budget(soundings).soundings, error)
    assert min(shares.values()) > 0.95


def test_speed_where_several_pings_share_a_fix():
    # Ten pings a second, one fix a second, 2 m/s along a slope of 0.05 that is seen along the
    # track alone: 0.2 s x 2 m/s x 0.05 root 2.
    ping = np.arange(1000)
    fix = (ping // 10).astype(float)
    s = Soundings.build(
        2.0 * fix,
        0.0 * fix,
        5.0 + 0.1 * fix,
        visit="a",
        time=np.datetime64("2026-07-09", "ms") + (100 * ping).astype("m8[ms]"),
    )
    terms = {name: rms for name, rms, _ in uncertainty_budget(s, time_offset_s=0.2).terms}
    assert terms["time offset on slope"] == pytest.approx(0.2 * 2.0 * 0.05 * np.sqrt(2.0), rel=1e-3)
