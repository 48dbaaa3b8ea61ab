"""Clean soundings: generated lakes with labelled blunders, each gate by itself, bad input."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.cleaning import reasons
from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings, concatenate
from lakefloor.algorithms.core.track import in_logged_order

sys.path.insert(0, str(Path(__file__).parent))
from lakes_for_cleaning import BOTTOMS, FOOT, survey

START = np.datetime64("2024-06-01T08:00:00", "ms")


def lane(depth, spacing=1.1, rate=2.0, visit="one", y=0.0, start=0.0, **known):
    """A straight lane of pings at ``rate`` a second, with a fix for each."""
    n = len(depth)
    time = START + ((start + np.arange(n) / rate) * 1000).astype("timedelta64[ms]")
    return Soundings.build(
        np.arange(n) * spacing, np.full(n, y), depth, **{"time": time, "visit": visit, **known}
    )


def noisy(n, level=6.0, seed=0, sigma=0.03):
    """A flat bottom with noise, in steps of 0.1 ft."""
    depth = level + np.random.default_rng(seed).normal(0, sigma, n)
    return np.round(depth / (0.1 * FOOT)) * 0.1 * FOOT


def rejected(result, reason=None):
    status = result.soundings.status
    return np.flatnonzero(status != ACCEPTED if reason is None else status == reason).tolist()


# -- generated lakes ----------------------------------------------------------


def pooled(rate, fix_rate, spacing, seeds=(0, 1)):
    """Recall of blunders and share of good soundings rejected, over all lakes and seeds."""
    caught = blunders = false = good = 0
    for bottom in BOTTOMS:
        for seed in seeds:
            soundings, _, kind = survey(bottom, seed, rate, fix_rate, spacing)
            kept = clean(soundings).soundings.accepted
            bad = kind != ""
            caught += np.count_nonzero(bad & ~kept)
            blunders += np.count_nonzero(bad)
            false += np.count_nonzero(~bad & ~kept)
            good += np.count_nonzero(~bad)
    return caught / blunders, false / good


@pytest.mark.parametrize(
    ("rate", "fix_rate", "spacing", "recall"),
    [(2, 1, 25, 0.98), (5, 5, 15, 0.98), (10, 1, 40, 0.98), (1, 1, 25, 0.98)],
)
def test_blunders_are_found_and_drop_offs_stay(rate, fix_rate, spacing, recall):
    # One ping a second at 5 mph resolves a drop-off of 45 degrees by two pings a lane; bursts
    # on its edge cannot all be told from it.
    found, false = pooled(rate, fix_rate, spacing)
    assert found >= recall
    assert false <= 0.005


@pytest.mark.parametrize("bottom", BOTTOMS)
def test_no_more_than_one_good_sounding_in_200_is_rejected_in_any_lake(bottom):
    for rate, fix_rate, spacing in ((1, 1, 25), (2, 1, 25), (5, 5, 15)):
        for blunders in (False, True):
            soundings, _, kind = survey(bottom, 3, rate, fix_rate, spacing, blunders)
            kept = clean(soundings).soundings.accepted
            assert np.mean(~kept[kind == ""]) <= 0.005


def test_the_steep_part_of_a_drop_off_stays():
    soundings, truth, kind = survey("drop-off", 5, rate=2.0)
    edge = (np.abs(truth - 8.5) < 4.5) & (kind == "")
    assert edge.sum() > 100
    assert np.mean(clean(soundings).soundings.accepted[edge]) >= 0.99


def test_every_kind_of_blunder_gets_a_reason_that_fits():
    soundings, _, kind = survey("gentle", 1, rate=2.0)
    status = clean(soundings).soundings.status
    fits = {
        "spike": {reasons.SPIKE},
        "double echo": {reasons.DOUBLE_ECHO, reasons.BURST, reasons.SPIKE, reasons.NEIGHBORS},
        "half echo": {reasons.BURST, reasons.SPIKE, reasons.NEIGHBORS},
        "dropped at speed": {reasons.NO_BOTTOM, reasons.TOO_FAST},
        "position jump": {reasons.POSITION_JUMP},
        "position frozen": {reasons.POSITION_FROZEN},
    }
    for name, fitting in fits.items():
        found = status[kind == name]
        assert np.mean([word in fitting for word in found]) >= 0.95, name


# -- no bottom, limits, held depths -------------------------------------------


def test_missing_zero_negative_and_placeholder_depths():
    depth = noisy(60)
    depth[[5, 6, 7]] = np.nan, 0.0, -1.0
    depth[20:23] = 99.9
    depth[30] = 999.0 * FOOT
    assert rejected(clean(lane(depth)), reasons.NO_BOTTOM) == [5, 6, 7, 20, 21, 22, 30]


def test_a_true_depth_equal_to_a_placeholder_stays():
    depth = np.linspace(99.0, 101.0, 201)
    assert 99.9 in np.round(depth, 6)
    assert clean(lane(depth)).soundings.accepted.all()


def test_the_sounder_s_own_placeholder_shows_itself_by_repetition():
    depth = noisy(300, level=12.0)
    places = [slice(40, 47), slice(120, 140), slice(200, 206), slice(250, 252)]
    for place in places:
        depth[place] = 0.4
    expected = np.concatenate([np.arange(300)[place] for place in places]).tolist()
    assert rejected(clean(lane(depth)), reasons.NO_BOTTOM) == expected


def test_limits_keep_their_own_values():
    depth = np.array([1.0, 1.5, 2.0, 2.5, 3.0])
    result = clean(lane(depth, spacing=2.0), min_depth=1.5, max_depth=2.5)
    assert rejected(result, reasons.OUTSIDE_LIMITS) == [0, 4]


def test_a_held_depth_is_found_and_its_first_ping_stays():
    x = np.arange(200)
    depth = 4.0 + 0.02 * x + np.random.default_rng(1).normal(0, 0.03, 200)
    depth[80:120] = depth[79]
    assert rejected(clean(lane(depth)), reasons.DEPTH_HELD) == list(range(80, 120))


def test_a_flat_bottom_of_equal_depths_before_a_drop_off_stays():
    depth = np.concatenate(
        [np.full(100, 3.048), 3.048 + 0.6096 * np.arange(1, 12), np.full(100, 9.7536)]
    )
    assert clean(lane(depth)).soundings.accepted.all()


# -- position, time, speed ----------------------------------------------------


def test_repeated_rows_are_found_whatever_the_visit_is_called():
    log = lane(noisy(50))
    again = log.replace(visit=np.full(50, "copy", dtype=object))
    result = clean(concatenate([log, again]))
    assert rejected(result) == list(range(50, 100))
    assert result.counts[reasons.REPEATED] == 50


def test_pings_that_share_a_coarse_time_stamp_are_no_repeats():
    depth = noisy(200, sigma=0.05)
    time = START + (np.arange(200) // 5).astype("timedelta64[s]")
    x = np.repeat(np.arange(40) * 2.2, 5)
    result = clean(Soundings.build(x, np.zeros(200), depth, time=time))
    assert result.counts[reasons.REPEATED] == 0
    assert result.counts[reasons.POSITION_JUMP] == 0


@pytest.mark.parametrize("step", [0.0, 2.2])
def test_a_log_read_twice_is_found_under_coarse_time_stamps_too(step):
    """Five pings a second, stamps of a second, depths in decimetres; a fix a ping, or a second."""
    k = np.arange(600)
    x = (k if step == 0.0 else k // 5 * 5) * 0.44
    log = Soundings.build(
        x,
        np.zeros(600),
        np.round(4.0 + 0.01 * k + np.sin(k / 9.0), 1),
        time=START + (k // 5).astype("timedelta64[s]"),
    )

    def repeated(soundings):
        mixed = soundings.select(np.random.default_rng(1).permutation(len(soundings)))
        counts = [
            clean(s).counts[reasons.REPEATED]
            for s in (in_logged_order(soundings), in_logged_order(mixed))
        ]
        assert counts[0] == counts[1]
        return counts[0]

    assert repeated(log) == 0
    assert repeated(concatenate([log, log])) == 600
    overlap = concatenate([log.select(slice(0, 400)), log.select(slice(200, None))])
    assert repeated(overlap) == pytest.approx(200, abs=10)


def test_a_displaced_block_is_a_jump_and_its_neighbours_are_not():
    log = lane(noisy(120))
    y = log.y.copy()
    y[50:58] += 80.0
    assert rejected(clean(log.replace(y=y))) == list(range(50, 58))


def test_several_pings_a_fix_and_coarse_positions_are_no_jumps():
    n = 2000
    x = np.arange(n) * 0.22  # 10 pings and one fix a second, at 2.2 m/s
    held = x[(np.arange(n) // 10) * 10]
    time = START + (np.arange(n) * 100).astype("timedelta64[ms]")
    for step in (0.18, 1.85):  # 0.0001 and 0.001 minutes of latitude
        coarse = np.round(held / step) * step
        log = Soundings.build(coarse, np.zeros(n), noisy(n), time=time, speed=2.2)
        assert clean(log).soundings.accepted.all()


def test_a_frozen_position_is_found_from_the_logged_speed_or_from_the_leap_after_it():
    for known in ({"speed": 2.2}, {}):
        log = lane(noisy(200), **known)
        x = log.x.copy()
        x[60:100] = x[60]
        assert rejected(clean(log.replace(x=x)), reasons.POSITION_FROZEN) == list(range(61, 100))


def test_a_boat_at_anchor_is_not_frozen():
    log = lane(noisy(200), speed=np.where((np.arange(200) > 60) & (np.arange(200) < 120), 0.0, 2.2))
    x = np.concatenate([np.arange(60), np.full(61, 60.0), np.arange(61, 140)]) * 1.1
    assert clean(log.replace(x=x)).soundings.accepted.all()


def test_speed_gates_use_logged_or_derived_speed():
    log = lane(noisy(100), speed=np.where(np.arange(100) < 20, 9.0, 2.2))
    assert rejected(clean(log), reasons.TOO_FAST) == list(range(20))
    assert rejected(clean(log, max_speed=None)) == []
    slow = clean(log, max_speed=None, min_speed=3.0)
    assert rejected(slow, reasons.TOO_SLOW) == list(range(20, 100))
    fast = lane(noisy(100), spacing=4.0)  # 8 m/s
    assert len(rejected(clean(fast), reasons.TOO_FAST)) == 100


def test_a_clock_that_stands_still_is_said_and_nothing_is_tested_by_it():
    n = 300
    log = lane(noisy(n), spacing=1.0, time=np.full(n, START))
    result = clean(log)
    assert result.soundings.accepted.all()
    assert "their clock stands still" in result.notes[0]
    assert result.notes[0].startswith(f"{n} of {n}")
    no_time = lane(noisy(n), time=np.datetime64("NaT"))
    assert "no time" in clean(no_time).notes[0]


# -- neighbours ---------------------------------------------------------------


def lanes(count=7, n=300, spacing=20.0):
    """Parallel lanes over a flat bottom, logged one after another."""
    return concatenate(
        [lane(noisy(n, seed=i), y=i * spacing, start=i * (n / 2.0 + 60.0)) for i in range(count)]
    )


def test_a_long_false_bottom_is_contradicted_by_other_lanes():
    log = lanes()
    depth = log.depth.copy()
    depth[3 * 300 + 100 : 3 * 300 + 180] += 9.0  # 88 m of track: no burst by its length
    result = clean(log.replace(depth=depth))
    assert rejected(result, reasons.NEIGHBORS) == list(range(1000, 1080))
    assert any("compared with neighbors within" in note for note in result.notes)


def test_a_channel_that_one_lane_follows_stays():
    log = lanes()
    depth = log.depth.copy()
    depth[900:1200] += 4.0
    assert clean(log.replace(depth=depth)).soundings.accepted.all()


def test_a_lane_that_differs_from_its_neighbours_is_named():
    log = lanes().replace(lane=np.repeat(np.arange(1, 8), 300))
    assert not any("Check" in note for note in clean(log).notes)
    depth = log.depth.copy()
    depth[900:1200] += 6.0
    result = clean(log.replace(depth=depth))
    assert result.soundings.accepted.all()
    named = [note for note in result.notes if "Check" in note]
    assert len(named) == 1
    assert named[0].startswith("Visit one, lane 4: 300 accepted soundings about 1")
    assert "6.0 m deeper than their neighbors" in named[0]


def test_a_false_lane_does_not_drag_down_the_one_beside_it():
    # Both begin and end with the bottom lost; other lanes tell which of them is false.
    honest, false = noisy(80, seed=8), np.random.default_rng(9).uniform(30.0, 60.0, 80)
    honest[[0, -1]] = false[[0, -1]] = 0.0
    log = concatenate(
        [lanes(n=100), lane(honest, y=50.0, start=2000.0), lane(false, y=51.0, start=2100.0)]
    )
    assert rejected(clean(log)) == [700, 779, *range(780, 860)]


def test_what_was_logged_between_two_losses_of_the_bottom_goes_if_most_of_it_is_false():
    log = lanes()
    depth = log.depth.copy()
    wild = np.random.default_rng(4).uniform(20.0, 40.0, 230)
    depth[920:1150] += np.round(np.repeat(wild[::2], 2), 1)
    depth[1000:1070] = noisy(70, level=8.5)  # neighbours alone would let this pass
    alone = depth.copy()
    depth[[918, 919, 1150, 1151]] = 0.0
    assert rejected(clean(log.replace(depth=depth))) == list(range(918, 1152))
    alone[920:1000] = alone[1070:1150] = 6.0
    assert clean(log.replace(depth=alone)).soundings.accepted[1000:1070].all()


# -- what holds for all -------------------------------------------------------


def test_raw_depth_depth_order_and_earlier_reasons_are_kept():
    soundings, _, _ = survey("gentle", 2, rate=1.0)
    status = soundings.status.copy()
    status[10:20] = "by hand"
    before = soundings.replace(status=status)
    result = clean(before)
    for name in ("x", "y", "time", "raw_depth", "depth", "visit", "lane"):
        assert np.array_equal(
            getattr(result.soundings, name),
            getattr(soundings, name),
            equal_nan=name in ("raw_depth", "depth"),
        )
    assert (result.soundings.status[10:20] == "by hand").all()
    assert result.counts["by hand"] == 10
    assert list(result.counts)[:2] == ["total", ACCEPTED]
    assert sum(result.counts.values()) - result.counts["total"] == len(soundings)
    assert (status == before.status).all()


def test_cleaning_anew_forgets_its_own_reasons_alone():
    log = lane(noisy(100), speed=np.where(np.arange(100) < 20, 9.0, 2.2))
    status = clean(log).soundings.status.copy()
    status[50] = "by hand"
    again = clean(log.replace(status=status), max_speed=None, anew=True)
    assert rejected(again) == [50]
    assert len(rejected(clean(log.replace(status=status), max_speed=None))) == 21


def test_interleaved_visits_give_the_same_as_one_after_the_other():
    first, _, _ = survey("gentle", 0, rate=1.0)
    second, _, _ = survey("flats", 1, rate=1.0)
    second = second.replace(x=second.x + 5000.0, visit=np.full(len(second), "two", dtype=object))
    both = concatenate([first, second])
    rows = np.argsort(
        np.concatenate([np.arange(len(first)), np.arange(len(second))]), kind="stable"
    )
    assert (clean(both.select(rows)).soundings.status == clean(both).soundings.status[rows]).all()


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 1000), st.sampled_from(sorted(BOTTOMS)), st.floats(0, 360))
def test_turning_or_moving_the_lake_changes_next_to_nothing(seed, bottom, degrees):
    # Rounding decides ties; hence a handful of soundings, not none.
    soundings, _, _ = survey(bottom, seed, rate=1.0)
    a = np.radians(degrees)
    turned = soundings.replace(
        x=5e5 + soundings.x * np.cos(a) - soundings.y * np.sin(a),
        y=4e6 + soundings.x * np.sin(a) + soundings.y * np.cos(a),
    )
    before, after = (clean(s).soundings.accepted for s in (soundings, turned))
    assert np.count_nonzero(before != after) <= 5


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 1000), st.sampled_from(sorted(BOTTOMS)))
def test_cleaning_twice_rejects_next_to_nothing_more(seed, bottom):
    soundings, _, _ = survey(bottom, seed, rate=1.0)
    once = clean(soundings).soundings
    twice = clean(once).soundings
    rejected_once = once.status != ACCEPTED
    assert (twice.status[rejected_once] == once.status[rejected_once]).all()
    assert np.count_nonzero(once.status != twice.status) <= 0.005 * len(once)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([np.nan, -1.0, 0.0, 0.4, 3.0, 3.1, 6.2, 99.9]),
            st.sampled_from([0.0, 1.0, 2.0, 500.0, np.nan]),
            st.integers(-2, 3),
            st.sampled_from(["one", "two", ""]),
        ),
        max_size=60,
    )
)
def test_any_log_gets_one_known_word_for_each_sounding(rows):
    depth, x, second, visit = zip(*rows) if rows else ((), (), (), ())
    time = START + np.array(second, dtype="timedelta64[s]")
    log = Soundings.build(
        np.array(x, float),
        np.zeros(len(rows)),
        np.array(depth, float),
        time=time,
        visit=np.array(visit, dtype=object),
    )
    result = clean(log)
    assert set(result.soundings.status) <= {ACCEPTED, *reasons.REASONS}
    assert result.counts["total"] == len(rows)
    assert result.counts[ACCEPTED] == np.count_nonzero(result.soundings.accepted)


# -- bad input ----------------------------------------------------------------


def test_no_soundings():
    result = clean(Soundings.build([], [], []))
    assert len(result.soundings) == 0
    assert result.counts["total"] == 0


def test_identical_points():
    result = clean(Soundings.build(np.full(50, 7.0), np.full(50, 8.0), np.full(50, 3.0)))
    assert result.soundings.accepted.all()


@pytest.mark.parametrize("n", [1, 2, 3, 5, 7, 12])
def test_short_lanes(n):
    assert clean(lane(noisy(n))).soundings.accepted.all()


def test_one_single_lane_says_that_it_has_no_neighbours():
    result = clean(lane(noisy(300)))
    assert result.soundings.accepted.all()
    assert any("no second lane" in note for note in result.notes)


def test_no_position():
    log = lane(noisy(30))
    x = log.x.copy()
    x[3] = np.nan
    assert rejected(clean(log.replace(x=x)), reasons.NO_POSITION) == [3]
    assert len(rejected(clean(log.replace(x=np.full(30, np.nan))), reasons.NO_POSITION)) == 30


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"min_depth": 5.0, "max_depth": 4.0}, "deepest depth"),
        ({"min_speed": 3.0, "max_speed": 2.0}, "maximum speed"),
        ({"half_window": 0}, "half window"),
        ({"n_sigma": 0.0}, "outlier limit is 0.0"),
        ({"noise_floor": 0.0}, "minimum noise is 0.0 m"),
        ({"max_slope": 90.0}, "maximum slope"),
    ],
)
def test_parameters_that_make_no_sense(parameters, message):
    with pytest.raises(LakefloorError, match=message):
        clean(lane(noisy(10)), **parameters)


@pytest.mark.parametrize("at", [0.0, 0.15, 0.5, 0.7])
def test_a_cancelled_run_stops(at):
    def stop(fraction):
        if fraction >= at:
            raise Cancelled

    with pytest.raises(Cancelled):
        clean(lanes(3), progress=stop)


def test_progress_runs_from_nought_to_one():
    seen = []
    clean(lanes(3), progress=seen.append)
    assert seen[0] == 0.0
    assert seen[-1] == 1.0
    assert seen == sorted(seen)


@pytest.mark.parametrize(
    "bad",
    [{"max_burst": -1.0}, {"max_burst": np.nan}, {"radius": -1.0}, {"max_jump_speed": np.nan}],
)
def test_lengths_and_speeds_that_make_no_sense_are_refused(bad):
    with pytest.raises(LakefloorError, match="Enter a number of at least 0"):
        clean(Soundings.build([0.0], [0.0], [1.0]), **bad)
