"""Latency, sound speed and draft, against worked examples and by their properties."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, parse_corrections
from lakefloor.algorithms.core.units import FOOT, fahrenheit_to_celsius

START = np.datetime64("2026-05-14T08:00:00", "ms")


def times(seconds):
    return START + np.round(np.asarray(seconds, dtype=float) * 1000).astype("timedelta64[ms]")


def pings(depth, **known):
    depth = np.asarray(depth, dtype=float)
    known = {"visit": "May", "time": times(np.arange(depth.size)), **known}
    return Soundings.build(2.0 * np.arange(depth.size), np.zeros(depth.size), depth, **known)


def depth_of(soundings, **options):
    return correct_depths(soundings, **options).soundings.depth


# -- sound speed and draft ----------------------------------------------------

AT_55F = {"temperature_c": float(fahrenheit_to_celsius(55.0)), "draft_m": FOOT}


def test_indicated_below_the_transducer():
    # Worked by hand with Marczak (1997): 30.00 ft at 55 F, draft 1 ft: 30 * 0.971967 + 1.
    depth = depth_of(pings([30.0 * FOOT]), **AT_55F)
    assert depth / FOOT == pytest.approx([30.159], abs=6e-4)


@pytest.mark.parametrize(
    ("corrections", "options"),
    [
        ("offset_m=0.3048", {"draft_m": 5.0}),  # stated in the log: it is the draft
        ("from=surface", {}),  # the instrument's offset is taken to be the draft
        ("", {"instrument_offset_m": FOOT}),
    ],
)
def test_offset_already_in_the_depth_is_not_scaled(corrections, options):
    # Worked by hand: 30.00 ft that already hold 1 ft of draft: 29 * 0.971967 + 1.
    depth = depth_of(pings([30.0 * FOOT], corrections=corrections), **{**AT_55F, **options})
    assert depth / FOOT == pytest.approx([29.187], abs=6e-4)


def test_depth_from_the_keel_takes_the_draft_of_the_keel():
    # Worked by hand: transducer 0.2 m above the keel, keel 0.5 m below the waterline, 10 m
    # below the transducer at the instrument's own sound speed: 10 - 0.2 + 0.5 = 10.3.
    stated = pings([9.8], corrections="offset_m=-0.2")
    assert depth_of(stated, draft_m=0.5, real_speed_ms=1500.0) == pytest.approx([10.3])
    # Slower water by 1 %: 10 * 0.99 - 0.2 + 0.5.
    assert depth_of(stated, draft_m=0.5, real_speed_ms=1485.0) == pytest.approx([10.2])
    unstated = pings([9.8], corrections="from=keel")
    assert depth_of(unstated, draft_m=0.5, real_speed_ms=1500.0) == pytest.approx([10.3])


def test_wrong_draft_in_the_instrument_is_exchanged():
    # Worked by hand: 10.5 m hold 0.5 m, the true draft is 0.3 m: 10 + 0.3.
    depth = depth_of(pings([10.5]), draft_m=0.3, instrument_offset_m=0.5, real_speed_ms=1500.0)
    assert depth == pytest.approx([10.3])


@pytest.mark.parametrize(
    ("feet", "fahrenheit", "expected"),
    # Marczak (1997) against 1500 m/s, worked with numpy.
    [
        (20, 40, 18.982),
        (20, 55, 19.439),
        (30, 40, 28.473),
        (30, 75, 29.874),
        (50, 55, 48.598),
        (50, 75, 49.790),
    ],
)
def test_published_speed_against_the_assumed_one(feet, fahrenheit, expected):
    temperature = np.full(1, fahrenheit_to_celsius(fahrenheit))
    depth = depth_of(pings([feet * FOOT], water_temp=temperature), draft_m=0.0)
    assert depth / FOOT == pytest.approx([expected], abs=6e-4)


def test_other_assumed_speed():
    # 4800 ft/s = 1463.04 m/s at 40 F reads 2.69 % too deep (worked by hand).
    depth = depth_of(
        pings([10.0]),
        draft_m=0.0,
        assumed_speed_ms=1463.04,
        temperature_c=float(fahrenheit_to_celsius(40.0)),
    )
    assert depth == pytest.approx([9.731], abs=6e-4)


def test_logged_temperature_is_smoothed_and_its_gaps_filled():
    n = 400
    noisy = np.full(n, 20.0)
    noisy[::7] += 0.5
    noisy[100] = 85.0  # a probe's glitch
    noisy[200:260] = np.nan
    done = correct_depths(pings(np.full(n, 10.0), water_temp=noisy), draft_m=0.0)
    # 1482.3795 m/s: Marczak (1997) at 20 degrees.
    np.testing.assert_allclose(done.soundings.depth, 10.0 * 1482.3795 / 1500.0, atol=1e-6)
    assert set(done.soundings.corrections) == {"time_offset_s=0;draft_m=0;sound_speed=1500->1482.4"}
    assert done.summary["visits"]["May"]["temperature_c"] == pytest.approx(20.0)


def test_each_visit_has_its_own_temperature():
    two = pings(
        [10.0, 10.0, 10.0, 10.0],
        visit=np.array(["April", "July"] * 2, dtype=object),
        water_temp=np.array([5.0, 25.0, np.nan, np.nan]),
    )
    # Marczak (1997): 1426.1695 and 1496.7277 m/s.
    expected = np.array([1426.1695, 1496.7277] * 2) / 150.0
    np.testing.assert_allclose(depth_of(two, draft_m=0.0), expected, atol=1e-6)


def test_visit_without_temperature_is_named_or_left_on_request():
    mixed = pings(
        [10.0, 10.0],
        visit=np.array(["cold", "bare"], dtype=object),
        water_temp=np.array([5.0, np.nan]),
    )
    plain = correct_depths(mixed, draft_m=0.0)
    # Marczak (1997) at 4 and 25 degrees C, 1421.6331 and 1496.7277 m/s: middle 1459.1804, half
    # the range 37.5473 m/s (by hand).
    assert plain.soundings.depth[1] == pytest.approx(10.0 * 1459.1804 / 1500.0, abs=1e-5)
    assert plain.summary["no_temperature"] == ["bare"]
    assert plain.summary["uncorrected"] == []
    assert plain.soundings.corrections[1].endswith("sound_speed=1500->1459.2;sound_speed_sd=37.55")
    assert "sound_speed_sd" not in plain.soundings.corrections[0]
    depth = plain.soundings.depth[1]
    assert plain.soundings.uncert[1] == pytest.approx(
        np.sqrt(0.05**2 + (0.01 * depth) ** 2 + (10.0 * 37.5473 / 1500.0) ** 2), abs=1e-5
    )
    done = correct_depths(mixed, draft_m=0.0, skip_without_temperature=True)
    assert done.soundings.depth[1] == 10.0
    assert done.soundings.corrections[1].endswith("sound_speed=not corrected")
    assert done.summary["uncorrected"] == ["bare"]
    # Water of 4 degrees would make it 10 * (1 - 1421.6331 / 1500) = 0.5225 m too deep; a third
    # of that square joins 5 cm and 1 % (worked by hand).
    assert done.soundings.uncert[1] == pytest.approx(
        np.sqrt(0.05**2 + 0.1**2 + 0.522446**2 / 3), abs=1e-5
    )


@settings(deadline=None)
@given(st.floats(4.0, 25.0), st.floats(0.5, 40.0))
def test_unknown_temperature_is_within_its_uncertainty(temperature, depth):
    truth = depth_of(pings([depth]), temperature_c=temperature)
    done = correct_depths(pings([depth]), uncert_fixed_m=1e-9, uncert_share=0.0).soundings
    assert abs(done.depth[0] - truth[0]) <= done.uncert[0] + 1e-6


def test_logged_fahrenheit_is_told():
    with pytest.raises(LakefloorError, match=r"'May'.*median 75.*Fahrenheit"):
        correct_depths(pings([10.0] * 3, water_temp=75.0))


# -- uncertainty --------------------------------------------------------------


def test_uncertainty_of_surface_temperature_alone():
    # Worked by hand: a true 50 ft, 20 ft at 75 F over 30 ft at 45 F, reads 51.424 ft; surface
    # temperature alone makes it 51.208 ft, 1.208 ft too deep, a third of whose square counts.
    layered = pings([51.424 * FOOT], water_temp=float(fahrenheit_to_celsius(75.0)))
    done = correct_depths(
        layered,
        draft_m=0.0,
        mixed_depth_m=20.0 * FOOT,
        deep_temperature_c=float(fahrenheit_to_celsius(45.0)),
        uncert_fixed_m=0.1,
        uncert_share=0.0,
    ).soundings
    assert done.depth / FOOT == pytest.approx([51.208], abs=1e-3)
    layering = np.sqrt(done.uncert**2 - 0.1**2) * np.sqrt(3.0)
    assert layering / FOOT == pytest.approx([1.208], abs=1e-3)


def test_uncertainty_where_the_speed_is_known():
    # Worked by hand: sqrt(0.05^2 + (0.01 * 12)^2) = 0.13.
    done = correct_depths(pings([12.0]), draft_m=0.0, real_speed_ms=1500.0).soundings
    assert done.uncert == pytest.approx([0.13])


# -- latency ------------------------------------------------------------------


def test_latency_between_opposite_runs():
    # Worked by hand: v = 2 m/s, logged position 0.5 s old: opposite runs over one feature are
    # 2 v tau = 2.0 m apart before the correction and together after it.
    t = np.arange(0.0, 100.0)
    east = 2.0 * t
    x = np.concatenate([east - 1.0, 198.0 - east + 1.0])
    track = Soundings.build(
        x, np.zeros(200), np.full(200, 8.0), visit="May", time=times(np.r_[t, t + 200.0])
    )
    over = [50, 149]  # both at 100 m in truth
    assert track.x[over[1]] - track.x[over[0]] == pytest.approx(2.0)
    done = correct_depths(track, time_offset_s=0.5, real_speed_ms=1500.0)
    np.testing.assert_allclose(done.soundings.x, np.r_[east, 198.0 - east], atol=1e-9)
    assert done.soundings.x[over] == pytest.approx([100.0, 100.0])
    assert done.summary["mean_shift_m"] == pytest.approx(1.0)


def test_latency_follows_a_curved_track_in_any_order():
    # Logged position on a circle of 50 m at 2 m/s, 1 s old; chords of 0.2 s miss the circle by
    # less than 1 mm.
    t = np.arange(0.0, 60.0, 0.2)
    angle = 2.0 * (t - 1.0) / 50.0
    true = 2.0 * t / 50.0
    order = np.random.default_rng(1).permutation(t.size)
    logged = Soundings.build(
        50 * np.cos(angle), 50 * np.sin(angle), np.full(t.size, 8.0), visit="May", time=times(t)
    ).select(order)
    done = correct_depths(logged, time_offset_s=1.0, real_speed_ms=1500.0).soundings
    inner = t[order] <= t.max() - 1.0
    np.testing.assert_allclose(done.x[inner], 50 * np.cos(true[order][inner]), atol=1e-3)
    np.testing.assert_allclose(done.y[inner], 50 * np.sin(true[order][inner]), atol=1e-3)


def test_pause_and_wild_positions_do_not_bend_the_track():
    t = np.r_[np.arange(0.0, 10.0), np.arange(600.0, 610.0)]
    x = np.r_[2.0 * np.arange(10), 500.0 - 2.0 * np.arange(10)]
    status = np.full(20, "accepted", dtype=object)
    logged_x = x.copy()
    logged_x[5] = 9000.0
    status[5] = "position jump"
    track = Soundings.build(
        logged_x, np.zeros(20), np.full(20, 8.0), visit="May", time=times(t), status=status
    )
    done = correct_depths(track, time_offset_s=2.0, real_speed_ms=1500.0).soundings
    expected = np.r_[x[:10] + 4.0, x[10:] - 4.0]
    expected[5] = 9004.0
    np.testing.assert_allclose(done.x, expected, atol=1e-9)


def test_latency_needs_a_running_clock():
    with pytest.raises(LakefloorError, match="3 of visit 'May' have none"):
        correct_depths(
            pings([8.0] * 3, time=np.datetime64("NaT")), time_offset_s=0.5, real_speed_ms=1500.0
        )
    with pytest.raises(LakefloorError, match="clock stands still"):
        correct_depths(pings([8.0] * 3, time=START), time_offset_s=0.5, real_speed_ms=1500.0)
    stuck = pings([8.0] * 200, time=times(np.r_[np.arange(100), np.full(100, 99)]))
    with pytest.raises(LakefloorError, match="clock stands still"):
        correct_depths(stuck, time_offset_s=0.5, real_speed_ms=1500.0)
    without = depth_of(pings([8.0] * 3, time=START), real_speed_ms=1500.0, draft_m=0.0)
    assert without == pytest.approx([8.0] * 3)


def test_where_depth_counts_from_is_told():
    origins = np.array(["from=surface;offset_m=0.3", "from=keel", "", "from=unknown"], object)
    done = correct_depths(pings([8.0] * 4, corrections=origins), real_speed_ms=1500.0)
    assert done.summary["measured_from"] == {"surface": 1, "keel": 1, "unknown": 2}


# -- what is kept, and what is never done twice -------------------------------


def test_never_corrected_twice():
    once = correct_depths(pings([8.0, 9.0]), real_speed_ms=1460.0).soundings
    with pytest.raises(LakefloorError, match=r"visit 'May' were corrected before \(2 soundings\)"):
        correct_depths(once, real_speed_ms=1460.0)
    # One correction is enough.
    with pytest.raises(LakefloorError, match=r"visit 'May' were corrected before \(1 sounding\)"):
        correct_depths(pings([8.0], corrections="draft_m=0.300"), real_speed_ms=1460.0)
    reduced = pings([8.0], corrections="datum=OHW;datum_elev_m=1;level_m=2.000")
    with pytest.raises(LakefloorError, match="'May' are already reduced to a lake datum"):
        correct_depths(reduced, real_speed_ms=1460.0)


def test_start_again_from_raw_depths():
    # As a log with depth below the transducer and an offset beside it is read.
    logged = pings(np.linspace(5.0, 9.0, 50), corrections="from=transducer;offset_m=0.3")
    logged = logged.replace(depth=logged.depth + 0.3)
    wrong = correct_depths(logged, real_speed_ms=1400.0, time_offset_s=2.0).soundings
    wrong = wrong.replace(
        depth=wrong.depth - 1.0,
        corrections=np.array([c + ";datum=OHW;level_m=1.0" for c in wrong.corrections], object),
    )
    again = correct_depths(wrong, real_speed_ms=1460.0, time_offset_s=0.5, from_raw=True)
    direct = correct_depths(logged, real_speed_ms=1460.0, time_offset_s=0.5).soundings
    np.testing.assert_allclose(again.soundings.depth, direct.depth)
    np.testing.assert_allclose(again.soundings.x, direct.x)
    assert list(again.soundings.corrections) == list(direct.corrections)
    assert again.summary["dropped"] == [
        "datum",
        "draft_m",
        "level_m",
        "sound_speed",
        "time_offset_s",
    ]


def test_rejected_soundings_are_corrected_and_stay_rejected():
    two = pings([10.0, 10.0], status=np.array(["accepted", "spike"], dtype=object))
    done = correct_depths(two, real_speed_ms=1485.0, draft_m=0.0).soundings
    assert done.depth == pytest.approx([9.9, 9.9])
    assert list(done.status) == ["accepted", "spike"]


depths = st.lists(st.floats(0.5, 60.0), min_size=1, max_size=30)


@given(depths, st.floats(0.0, 2.0), st.floats(0.0, 2.0), st.floats(0.0, 30.0))
def test_linear_in_draft_order_and_raw_kept(values, draft, more, temperature):
    logged = pings(values)
    one = correct_depths(logged, draft_m=draft, temperature_c=temperature).soundings
    two = correct_depths(logged, draft_m=draft + more, temperature_c=temperature).soundings
    np.testing.assert_allclose(two.depth - one.depth, more, atol=1e-12)
    np.testing.assert_array_equal(one.raw_depth, logged.raw_depth)
    np.testing.assert_array_equal(one.x, logged.x)
    assert np.all(np.diff(one.depth[np.argsort(values)]) >= -1e-12)
    assert np.all(one.uncert >= 0.05)


@given(depths, st.floats(1400.0, 1550.0))
def test_record_tells_what_was_done(values, speed):
    done = correct_depths(pings(values), real_speed_ms=speed, draft_m=0.25).soundings
    pairs = parse_corrections(done.corrections[0])
    assumed, real = (float(v) for v in pairs["sound_speed"].split("->"))
    undone = (done.depth - float(pairs["draft_m"])) * assumed / real
    # The speed is written to 0.1 m/s: 2 mm in 60 m.
    np.testing.assert_allclose(undone, values, atol=3e-3)


# -- bad input ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"draft_m": -0.1}, "Draft -0.1 m"),
        ({"draft_m": 12.0}, "Draft 12 m.*inches, enter 0.30"),
        ({"draft_m": float("nan")}, "Draft nan m"),
        ({"assumed_speed_ms": 4800.0}, r"feet per second, enter 1463\.04"),
        ({"real_speed_ms": 0.0}, "actual sound speed of 0 m/s"),
        ({"real_speed_ms": 1450.0, "temperature_c": 10.0}, "not both"),
        ({"temperature_c": 75.0}, r"Fahrenheit, enter 23\.9"),
        ({"time_offset_s": 500.0}, "Time offset 500 s"),
        ({"uncert_fixed_m": -1.0}, "fixed part of -1 m and 1% of depth"),
        ({"uncert_share": 1.01}, "and 101% of depth"),
        ({"instrument_offset_m": 99.0}, "added by the sounder, 99 m"),
        ({"mixed_depth_m": -1.0}, "mixed water"),
    ],
)
def test_impossible_parameters(options, message):
    with pytest.raises(LakefloorError, match=message):
        correct_depths(pings([8.0]), **options)


def test_nothing_to_correct():
    with pytest.raises(LakefloorError, match="no soundings"):
        correct_depths(pings([]))


def test_cancel():
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        correct_depths(pings([8.0]), real_speed_ms=1450.0, progress=stop)


def test_a_visit_of_one_sounding_is_not_taken_for_a_stopped_clock():
    one = Soundings.build([0.0], [0.0], [5.0], time=np.datetime64("2026-07-09T10:00"), visit="a")
    with pytest.raises(LakefloorError, match="Visit 'a' is a single sounding"):
        correct_depths(one, temperature_c=20.0, time_offset_s=0.5)
    assert len(correct_depths(one, temperature_c=20.0).soundings) == 1


# -- a temperature or a speed given by the user -------------------------------


@pytest.mark.parametrize("logged", [np.nan, 5.0])
def test_a_given_temperature_holds_for_all_soundings(logged):
    two = pings(
        [10.0, 10.0],
        visit=np.array(["bare", "logged"], object),
        water_temp=np.array([np.nan, logged]),
    )
    done = correct_depths(
        two, draft_m=0.5, temperature_c=20.0, mixed_depth_m=4.0, deep_temperature_c=5.0
    )
    # Marczak (1997): 1482.3795 m/s at 20 degrees, 1426.1695 at 5.
    below = 10.0 * 1482.3795 / 1500.0
    assert done.soundings.depth == pytest.approx([below + 0.5] * 2, abs=1e-5)
    assert set(done.soundings.corrections) == {
        "time_offset_s=0;draft_m=0.5;sound_speed=1500->1482.4"
    }
    # A temperature at the surface says little of the water below: 4 m surely, then 5 degrees.
    layering = (below - 4.0) * (1.0 - 1426.1695 / 1482.3795) / np.sqrt(3.0)
    depth = below + 0.5
    assert done.soundings.uncert == pytest.approx(
        [np.sqrt(0.05**2 + (0.01 * depth) ** 2 + layering**2)] * 2, abs=1e-5
    )
    assert done.summary["mean_sound_speed_ms"] == pytest.approx(1482.3795, abs=1e-3)
    assert done.summary["uncorrected"] == done.summary["no_temperature"] == []
    for name in ("bare", "logged"):
        assert done.summary["visits"][name] == pytest.approx(
            {
                "soundings": 1,
                "temperature_c": 20.0,
                "sound_speed_ms": 1482.3795,
                "correction_m": depth - 10.0,
            },
            abs=1e-3,
        )


@pytest.mark.parametrize("logged", [np.nan, 5.0])
def test_a_given_speed_holds_for_all_soundings(logged):
    two = pings(
        [10.0, 20.0],
        visit=np.array(["bare", "logged"], object),
        water_temp=np.array([np.nan, logged]),
    )
    done = correct_depths(two, draft_m=0.0, real_speed_ms=1425.0, mixed_depth_m=1.0)
    assert done.soundings.depth == pytest.approx([9.5, 19.0])
    assert set(done.soundings.corrections) == {"time_offset_s=0;draft_m=0;sound_speed=1500->1425.0"}
    # The mean speed of the water is known: no term for its layers or for lack of a temperature.
    assert done.soundings.uncert == pytest.approx(np.hypot(0.05, [0.095, 0.19]))
    assert done.summary["mean_sound_speed_ms"] == pytest.approx(1425.0)
    assert done.summary["uncorrected"] == done.summary["no_temperature"] == []
    assert done.summary["visits"]["logged"] == {
        "soundings": 1,
        "temperature_c": None,
        "sound_speed_ms": 1425.0,
        "correction_m": -1.0,
    }
    assert (done.summary["min_correction_m"], done.summary["max_correction_m"]) == (-1.0, -0.5)
    assert done.summary["mean_correction_m"] == pytest.approx(-0.75)


def test_what_a_summary_says_is_of_accepted_soundings():
    three = pings([10.0, 20.0, 40.0], status=np.array(["accepted", "accepted", "spike"], object))
    done = correct_depths(three, draft_m=0.0, real_speed_ms=1425.0)
    assert done.summary["mean_correction_m"] == pytest.approx(-0.75)
    assert done.summary["min_correction_m"] == pytest.approx(-1.0)
    none = correct_depths(
        three.replace(status=np.full(3, "spike", object)), draft_m=0.0, real_speed_ms=1425.0
    )
    assert none.summary["min_correction_m"] == pytest.approx(-2.0)


def test_by_default_water_below_six_metres_may_have_seven_degrees():
    done = correct_depths(pings([20.0], water_temp=25.0), draft_m=0.0).soundings
    below = 20.0 * 1496.7277 / 1500.0
    # Marczak (1997) at 7 degrees: 1434.92 m/s.
    layering = (below - 6.0) * (1.0 - 1434.92 / 1496.7277) / np.sqrt(3.0)
    assert done.uncert == pytest.approx(
        [np.sqrt(0.05**2 + (0.01 * below) ** 2 + layering**2)], abs=2e-4
    )
    none = correct_depths(pings([20.0], water_temp=25.0), draft_m=0.0, mixed_depth_m=0.0)
    assert none.soundings.uncert[0] > done.uncert[0]


@pytest.mark.parametrize(
    ("options", "message", "hint"),
    [
        ({"draft_m": 100.0}, "Draft 100 m", "inches, enter 2.54"),
        ({"draft_m": 120.0}, "Draft 120 m", ""),
        ({"real_speed_ms": 5400.0}, "5400 m/s", "feet per second, enter 1645.92"),
        ({"real_speed_ms": 5500.0}, "5500 m/s", ""),
        ({"time_offset_s": 70.0}, "Time offset 70 s", ""),
    ],
)
def test_hints_are_given_where_they_lead_into_the_range(options, message, hint):
    with pytest.raises(LakefloorError, match=message) as caught:
        correct_depths(pings([8.0]), **options)
    assert hint in str(caught.value)
    assert hint or "enter" not in str(caught.value)


def test_latency_on_a_track_to_the_north_with_pings_that_share_a_fix():
    t = np.repeat(np.arange(0.0, 40.0), 2)
    north = Soundings.build(np.zeros(80), 1.5 * t, np.full(80, 8.0), visit="May", time=times(t))
    done = correct_depths(north, time_offset_s=-2.0, real_speed_ms=1500.0)
    np.testing.assert_allclose(done.soundings.y, 1.5 * t - 3.0, atol=1e-9)
    np.testing.assert_allclose(done.soundings.x, 0.0, atol=1e-12)


@pytest.mark.parametrize(("pause", "carried"), [(9.0, True), (12.0, False)])
def test_velocity_is_not_carried_across_a_pause_of_ten_seconds(pause, carried):
    # East at 2 m/s, a pause, then back west: half a second after the pause begins the boat is on
    # the straight line between both fixes, or still going east.
    t = np.r_[np.arange(0.0, 20.0), 19.0 + pause + np.arange(20.0)]
    x = np.r_[2.0 * np.arange(20), 38.0 - 2.0 * np.arange(20)]
    track = Soundings.build(x, np.zeros(40), np.full(40, 8.0), visit="May", time=times(t))
    done = correct_depths(track, time_offset_s=0.5, real_speed_ms=1500.0).soundings
    assert done.x[19] == pytest.approx(38.0 if carried else 39.0)


def test_a_running_median_of_the_surface_probe():
    # Two visits' worth of lengths: the median over at most 61 pings, an odd number of them.
    warm = np.r_[np.full(100, 15.0), np.full(100, 20.0)]
    done = correct_depths(pings(np.full(200, 10.0), water_temp=warm), draft_m=0.0).soundings
    speed = done.depth * 150.0
    # Marczak (1997): 1465.93 m/s at 15 degrees, 1482.38 at 20; the step stays where it is.
    assert speed[[0, 99]] == pytest.approx([1465.93, 1465.93], abs=0.05)
    assert speed[[100, 199]] == pytest.approx([1482.38, 1482.38], abs=0.05)
    few = correct_depths(
        pings(np.full(5, 10.0), water_temp=np.array([15.0, 20, 20, 15, 15])), draft_m=0.0
    ).soundings
    assert few.depth[2] * 150.0 == pytest.approx(1465.93, abs=0.05)


@pytest.mark.parametrize("offset", [0.5, 1.0, -1.0])
def test_latency_needs_the_time_of_every_good_sounding(offset):
    time = times(np.arange(4.0))
    time[2] = np.datetime64("NaT")
    with pytest.raises(LakefloorError, match="1 of visit 'May' have none"):
        correct_depths(pings([8.0] * 4, time=time), time_offset_s=offset, real_speed_ms=1500.0)
    status = np.array(["accepted", "accepted", "spike", "accepted"], object)
    rejected = pings([8.0] * 4, time=time, status=status)
    done = correct_depths(rejected, time_offset_s=offset, real_speed_ms=1500.0).soundings
    np.testing.assert_allclose(done.x, 2.0 * np.arange(4) + 2.0 * offset * np.array([1, 1, 0, 1]))


def test_a_pause_no_longer_than_three_time_offsets_is_bridged():
    t = np.r_[np.arange(0.0, 20.0), 39.0 + np.arange(20.0)]
    x = np.r_[2.0 * np.arange(20), 38.0 - 2.0 * np.arange(20)]
    track = Soundings.build(x, np.zeros(40), np.full(40, 8.0), visit="May", time=times(t))
    done = correct_depths(track, time_offset_s=10.0, real_speed_ms=1500.0).soundings
    # Ten of the twenty seconds of a pause at one place, not twenty metres beyond it.
    assert done.x[19] == pytest.approx(38.0)
