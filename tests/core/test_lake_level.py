"""Reduction to a lake datum, against a worked example and by its properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.correcting.gauge import (
    GaugeFields,
    gauge_levels,
    gauge_numbers,
    gauge_times,
    level_record,
    visit_levels,
)
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate, parse_corrections
from lakefloor.algorithms.core.units import FOOT, unit_factor

DAY = "2026-05-14"


def at(*clock):
    return np.array([f"{DAY}T{c}" for c in clock], dtype="datetime64[ms]")


def pings(depth, clock=None, **known):
    depth = np.asarray(depth, dtype=float)
    time = np.full(depth.size, np.datetime64("NaT"), "datetime64[ms]") if clock is None else clock
    return Soundings.build(
        np.zeros(depth.size), np.zeros(depth.size), depth, time=time, **{"visit": "May", **known}
    )


def gauge():
    # Out of order, one reading twice, one without value.
    return level_record(
        at("12:00", "08:00", "16:00", "10:00", "12:00"), [2.34, 2.40, 2.50, np.nan, 2.34], "ft"
    )


# -- worked example -----------------------------------------------------------


def test_readings_interpolated_in_time():
    # Worked by hand: 08:00 2.40 ft, 12:00 2.34 ft, 16:00 2.50 ft, datum 2.00 ft: 20.00 ft at
    # 09:00, 13:30 and 15:00 are 19.615, 19.600 and 19.540 ft.
    logged = pings(np.full(3, 20.0 * FOOT), at("09:00", "13:30", "15:00"))
    done = reduce_to_datum(logged, gauge(), datum_elevation_m=2.0 * FOOT, datum_name="OHW")
    np.testing.assert_allclose(done.soundings.depth / FOOT, [19.615, 19.600, 19.540], atol=1e-9)
    # 2.385 ft = 0.727 m; 2 ft = 0.6096 m. One hour after a reading and three before the next, a
    # wandering of 15 mm in a day makes 15 sqrt(1 x 3 / 4 / 24) = 2.65 mm, readings in hundredths
    # of a foot 0.70 mm.
    assert done.soundings.corrections[0] == (
        "datum=OHW;datum_elev_m=0.6096;level_m=0.727;level_sd_m=0.003"
    )
    assert datum_of(done.soundings) == ("OHW", pytest.approx(0.6096))
    assert done.summary["mean_reduction_m"] / FOOT == pytest.approx(-(0.385 + 0.4 + 0.46) / 3)
    assert gauge().skipped == 1


def test_low_water_makes_depths_greater():
    # Worked by hand: 0.5 m below the datum adds 0.5 m.
    done = reduce_to_datum(pings([3.0]), 289.5, datum_elevation_m=290.0)
    assert done.soundings.depth == pytest.approx([3.5])


def test_one_level_for_each_visit():
    logged = pings([3.0, 3.0], visit=np.array(["May", "July"], dtype=object))
    done = reduce_to_datum(logged, {"May": 1.2, "July": 0.9, "unused": 5.0}, datum_elevation_m=1.0)
    assert done.soundings.depth == pytest.approx([2.8, 3.1])
    with pytest.raises(LakefloorError, match="no lake level for visit 'July'"):
        reduce_to_datum(logged, {"May": 1.2})


def test_land_at_datum_is_kept_and_counted():
    done = reduce_to_datum(pings([0.3, 0.6]), 0.5, datum_elevation_m=0.0)
    assert done.soundings.depth == pytest.approx([-0.2, 0.1])
    assert done.summary["land"] == 1


@pytest.mark.parametrize(
    ("unit", "metres"),
    # NIST SP 811 (2008), appendix B.
    [("m", 1.0), ("ft", 0.3048), ("us-ft", 0.3048006096), ("cm", 0.01), ("in", 0.0254)],
)
def test_units(unit, metres):
    assert unit_factor(unit) == pytest.approx(metres, rel=1e-9)
    assert level_record(at("08:00"), [3.0], unit).level == pytest.approx([3.0 * metres])
    with pytest.raises(LakefloorError, match="Unit 'furlong'"):
        unit_factor("furlong")


# -- time span ----------------------------------------------------------------


def test_outside_the_readings_is_refused_or_held():
    logged = pings(
        [5.0, 5.0, 5.0],
        at("07:00", "12:00", "17:30"),
        visit=np.array(["early", "noon", "late"], dtype=object),
    )
    with pytest.raises(
        LakefloorError,
        match=r"2 soundings of visits 'early', 'late', between 2026-05-14T07:00 and "
        r"2026-05-14T17:30 UTC.*2026-05-14T08:00 to 2026-05-14T16:00 UTC.*also hold the first",
    ):
        reduce_to_datum(logged, gauge())
    done = reduce_to_datum(logged, gauge(), datum_elevation_m=0.0, hold=True)
    np.testing.assert_allclose((5.0 - done.soundings.depth) / FOOT, [2.40, 2.34, 2.50], atol=1e-9)
    assert done.summary["held"] == 2


def test_readings_at_the_very_ends_count():
    done = reduce_to_datum(pings([5.0, 5.0], at("08:00", "16:00")), gauge(), datum_elevation_m=0.0)
    np.testing.assert_allclose((5.0 - done.soundings.depth) / FOOT, [2.40, 2.50], atol=1e-9)


def test_rejected_soundings_do_not_stop_the_work():
    status = np.array(["accepted", "no position", "spike"], dtype=object)
    time = np.array([f"{DAY}T12:00", "1980-01-06T00:00", "NaT"], dtype="datetime64[ms]")
    done = reduce_to_datum(pings([5.0] * 3, time, status=status), gauge(), datum_elevation_m=0.0)
    assert list(done.soundings.status) == list(status)
    assert np.isfinite(done.soundings.depth).all()
    assert datum_of(done.soundings) == ("lake datum", 0.0)
    assert done.summary["held"] == 0


def test_soundings_without_time():
    with pytest.raises(LakefloorError, match="2 soundings of visit 'May' have no time"):
        reduce_to_datum(pings([5.0, 5.0]), gauge())


# -- bad readings -------------------------------------------------------------


def test_bad_readings_are_named():
    with pytest.raises(LakefloorError, match=r"1 and 3 give two lake levels, 2\.4 and 2\.5 ft"):
        level_record(at("08:00", "09:00", "08:00"), [2.4, 2.4, 2.5], "ft")
    with pytest.raises(LakefloorError, match="row 2 has a lake level but no time"):
        level_record(np.array([f"{DAY}T08:00", "NaT"], "datetime64[ms]"), [2.4, 2.4])
    with pytest.raises(LakefloorError, match="holds no lake level"):
        level_record(at("08:00"), [np.nan])
    with pytest.raises(LakefloorError, match="holds no lake level"):
        level_record(np.array([], "datetime64[ms]"), [])
    with pytest.raises(LakefloorError, match="2 times and 1 lake levels"):
        level_record(at("08:00", "09:00"), [2.4])


def test_wrong_unit_or_datum_is_told():
    # Levels in feet taken for metres on a lake at 290 m.
    with pytest.raises(LakefloorError, match=r"951\.460 m is more than 60 m from the lake datum"):
        reduce_to_datum(pings([5.0]), 951.46, datum_elevation_m=290.0)
    with pytest.raises(LakefloorError, match="nan m is more than"):
        reduce_to_datum(pings([5.0]), float("nan"))
    with pytest.raises(LakefloorError, match="is not a number"):
        reduce_to_datum(pings([5.0]), 1.0, datum_elevation_m=float("nan"))


def test_datum_name():
    with pytest.raises(LakefloorError, match="has a semicolon"):
        reduce_to_datum(pings([5.0]), 1.0, datum_name="a;b=c")
    for name in ("", "  "):
        done = reduce_to_datum(pings([5.0]), 1.0, datum_elevation_m=0.0, datum_name=name)
        assert done.datum == ("lake datum", 0.0)


def test_datum_that_nobody_gave_is_the_level_of_the_first_visit():
    logged = pings(
        [5.0, 5.0, 5.0, 5.0],
        at("15:00", "09:00", "09:30", "08:30"),
        visit=np.array(["late", "early", "early", "gone"], dtype=object),
        status=np.array(["accepted"] * 3 + ["spike"], dtype=object),
    )
    levels = {"late": 2.0, "early": 1.2, "gone": 9.0}
    done = reduce_to_datum(logged, levels)
    assert done.datum == (f"lake level of {DAY}", 1.2)
    np.testing.assert_allclose(done.soundings.depth, [4.2, 5.0, 5.0, -2.8])
    assert datum_of(done.soundings) == done.datum
    assert reduce_to_datum(logged, levels, datum_name="pool").datum == ("pool", 1.2)


def test_the_level_of_the_first_visit_is_the_mean_of_its_good_soundings():
    logged = pings(
        [5.0, 5.0, 5.0],
        at("08:00", "09:00", "16:00"),
        status=np.array(["accepted", "accepted", "spike"], dtype=object),
    )
    # By hand: 2.400 and 2.385 ft in the mean, to a tenth of a millimeter; without any good
    # sounding all count, 2.50 ft at 16:00 too.
    assert reduce_to_datum(logged, gauge()).datum[1] == round(2.3925 * FOOT, 4) == 0.7292
    alike = reduce_to_datum(logged.replace(status=np.full(3, "spike", dtype=object)), gauge())
    assert alike.datum[1] == pytest.approx((2.400 + 2.385 + 2.500) / 3.0 * FOOT, abs=6e-5)


@pytest.mark.parametrize(
    ("depth", "level", "datum", "told"),
    [
        ([5.0, 6.0], 3.4, 2.0, None),
        ([5.0, 6.0], 3.6, 2.0, "up to 1.60 m above the lake datum"),
        ([5.0, 6.0], 0.0, 2.0, "up to 2.00 m below the lake datum"),
        ([0.1] + [5.0] * 199, 2.5, 2.0, None),
        ([0.1] * 3 + [5.0] * 197, 2.5, 2.0, "1.5% of the"),
    ],
)
def test_what_is_unlikely_is_told(depth, level, datum, told):
    notes = reduce_to_datum(pings(depth), level, datum_elevation_m=datum).notes
    assert [note for note in notes if told and told in note] == list(notes)
    assert bool(notes) == (told is not None)


def test_times_as_text():
    # 14 May 2026 in Chicago is 5 hours behind UTC (daylight saving time); by hand.
    texts = [
        "2026-05-14T08:00",
        "2026-05-14 08:00:30",
        "2026-05-14T08:00Z",
        "2026-05-14T08:00-06:00",
        "2026-05-14",
        "soon",
    ]
    expected = np.array(
        [f"{DAY}T13:00", f"{DAY}T13:00:30", f"{DAY}T08:00", f"{DAY}T14:00", f"{DAY}T17:00", "NaT"],
        dtype="datetime64[ms]",
    )
    np.testing.assert_array_equal(gauge_times(texts, "America/Chicago"), expected)
    with pytest.raises(LakefloorError, match="Time zone 'Lake/Town'"):
        gauge_times(texts, "Lake/Town")


def test_levels_as_text():
    np.testing.assert_array_equal(
        gauge_numbers(["2.40", " 2,5 ", "", None, 3]), [2.4, 2.5, np.nan, np.nan, 3.0]
    )
    with pytest.raises(LakefloorError, match="Row 2 of the gauge table: 'low' is not a number"):
        gauge_numbers(["2.4", "low"])


def test_table_of_visits():
    levels = visit_levels(["May", "July ", "May", "idle"], [2.0, 3.0, 2.0, np.nan], "ft")
    assert levels == pytest.approx({"May": 0.6096, "July": 0.9144})
    with pytest.raises(LakefloorError, match=r"Row 2 .* 'May' a second lake level, 3 after 2 m"):
        visit_levels(["May", "May"], [2.0, 3.0])


# -- never twice, never mixed -------------------------------------------------


def test_never_reduced_twice():
    once = reduce_to_datum(pings([5.0, 6.0]), 1.0).soundings
    with pytest.raises(LakefloorError, match=r"'May' are already reduced.*2 soundings"):
        reduce_to_datum(once, 1.0)


def test_datum_of_mixed_soundings():
    low, high = (
        reduce_to_datum(
            pings([5.0], visit=visit), 1.0, datum_elevation_m=0.0, datum_name=name
        ).soundings
        for visit, name in (("A", "low water"), ("B", "high water"))
    )
    raw = pings([5.0], visit="C")
    assert datum_of(raw) is None
    assert datum_of(low) == ("low water", 0.0)
    with pytest.raises(LakefloorError, match=r"'B' 'high water' at 0 m; visit 'A' 'low water'"):
        datum_of(concatenate([low, high]))
    with pytest.raises(LakefloorError, match="visit 'C' not reduced"):
        datum_of(concatenate([low, raw]))


@given(
    st.lists(st.floats(0.0, 60.0), min_size=1, max_size=30),
    st.floats(-30.0, 500.0),
    st.floats(-5.0, 5.0),
)
def test_reduced_and_back(depths, datum, change):
    logged = pings(depths)
    done = reduce_to_datum(logged, datum + change, datum_elevation_m=datum).soundings
    back = reduce_to_datum(
        done.replace(corrections=logged.corrections), datum - change, datum_elevation_m=datum
    ).soundings
    np.testing.assert_allclose(back.depth, logged.depth, atol=1e-9)
    np.testing.assert_array_equal(done.raw_depth, logged.raw_depth)
    np.testing.assert_array_equal(done.time, logged.time)
    assert np.all(np.diff(done.depth[np.argsort(depths)]) >= -1e-9)
    pairs = parse_corrections(done.corrections[0])
    written = float(pairs["level_m"]) - float(pairs["datum_elev_m"])
    np.testing.assert_allclose(done.depth + written, logged.depth, atol=1e-3)


@given(
    st.lists(
        st.tuples(st.integers(0, 10_000), st.floats(-3.0, 3.0)),
        min_size=2,
        max_size=20,
        unique_by=lambda reading: reading[0],
    ),
    st.randoms(use_true_random=False),
)
def test_order_of_readings_does_not_matter(readings, random):
    start = np.datetime64(f"{DAY}T00:00", "ms")

    def record(rows):
        minutes, levels = zip(*rows)
        return level_record(start + np.array(minutes) * np.timedelta64(1, "m"), levels)

    shuffled = list(readings)
    random.shuffle(shuffled)
    probe = start + np.arange(0, 10_000, 500) * np.timedelta64(1, "m")
    np.testing.assert_array_equal(record(readings).at(probe), record(shuffled).at(probe))
    minutes, levels = zip(*readings)
    own = record(readings).at(start + np.array(minutes) * np.timedelta64(1, "m"))
    np.testing.assert_allclose(own, levels, atol=1e-12)


def test_nothing_to_reduce_and_cancel():
    with pytest.raises(LakefloorError, match="no soundings"):
        reduce_to_datum(pings([]), 1.0)

    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        reduce_to_datum(pings([5.0]), 1.0, progress=stop)


# -- the table of gauge readings ----------------------------------------------


def test_a_table_by_the_names_of_its_fields():
    found = gauge_levels(
        {
            "Date": ["2026-05-14", "2026-05-14", None],
            "Time": ["08:00", "16:00", ""],
            "Water level (ft)": ["2,40", 2.5, None],
        },
        GaugeFields(time="", level="", visit=""),
        unit="ft",
    )
    assert found.source.endswith("field 'Water level (ft)' in feet, by field 'Time'.")
    assert list(found.levels.time) == [
        np.datetime64("2026-05-14T08:00", "ms"),
        np.datetime64("2026-05-14T16:00", "ms"),
    ]
    np.testing.assert_allclose(found.levels.level, [2.40 * FOOT, 2.5 * FOOT])
    assert found.notes == ("Gauge rows without a level, left out: 1",)


def test_a_table_of_visits_and_a_unit_that_the_name_contradicts():
    found = gauge_levels(
        {"visit": ["May", "July"], "stage_ft": [1.0, 2.0]}, GaugeFields(), unit="m"
    )
    assert found.levels == {"May": 1.0, "July": 2.0}
    assert "looks like feet, but the level unit is meters" in found.notes[0]


def test_a_table_without_the_fields_is_named():
    with pytest.raises(LakefloorError, match=r"'pier' has no field that looks like level.*'a'"):
        gauge_levels({"a": [1.0]}, GaugeFields(), unit="m", table="pier")
    with pytest.raises(LakefloorError, match="looks like time or visit"):
        gauge_levels({"level": [1.0]}, GaugeFields(), unit="m")


@pytest.mark.parametrize("field", ["time", "Date"])
def test_clock_times_without_a_field_of_dates_beside_them_are_no_times(field):
    with pytest.raises(LakefloorError, match="Gauge row 1 has a lake level but no time"):
        gauge_levels({field: ["08:00", "16:00"], "level": [1.0, 2.0]}, GaugeFields(), unit="m")
