"""Gauge readings far apart: what the level may have done between them, and what is refused."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.correcting.gauge import (
    WANDERING_M2_PER_DAY,
    LevelRecord,
    level_record,
)
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.correcting.uncertainty_budget import uncertainty_budget
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, parse_corrections
from lakefloor.algorithms.core.visits.missing_levels import reduce_where_read

START = np.datetime64("2026-05-01T00:00", "ms")


def after(days):
    """Return times so many days after the start."""
    return START + np.round(np.atleast_1d(days) * 86_400_000.0).astype("timedelta64[ms]")


def pings(days, visit="trip", **known):
    days = np.atleast_1d(np.asarray(days, float))
    place = np.arange(days.size, dtype=float)
    known = {"uncert": 0.05, **known}
    return Soundings.build(
        place, place, np.full(days.size, 6.0), time=after(days), visit=visit, **known
    )


# -- how far the level wanders ------------------------------------------------


def test_the_uncertainty_is_that_of_simulated_levels():
    """Brute force: 4000 Brownian levels, read twice; the error of the line between the readings."""
    rng = np.random.default_rng(3)
    step = 1.0 / 24.0
    days = np.arange(1, 24 * 9 + 1) * step
    level = np.cumsum(
        rng.normal(0.0, np.sqrt(WANDERING_M2_PER_DAY * step), (4000, days.size)), axis=1
    )
    read = [23, 24 * 7 - 1]
    records = [LevelRecord(after(days[read]), one[read]) for one in level]
    errors = level - np.array([record.at(after(days)) for record in records])
    stated = records[0].std_error(after(days))
    assert stated[read] == pytest.approx([0.0, 0.0], abs=1e-12)
    # The spread of 4000 is itself known to 1.1%, at each of 216 hours.
    np.testing.assert_allclose(errors.std(axis=0), stated, rtol=0.06, atol=1e-9)
    # In the middle of six days q 3 x 3 / 6, two days beyond the last reading 2 q.
    assert stated[24 * 4 - 1] == pytest.approx(0.015 * np.sqrt(1.5))
    assert stated[-1] == pytest.approx(0.015 * np.sqrt(2.0))


def hydrograph(rng, days=360, a_day=24):
    """Levels, m, each hour, of a lake with rain that runs in over a day, an outlet, evaporation."""
    n = days * a_day
    rain = np.where(rng.random(n) < 1.0 / (5.0 * a_day), rng.exponential(0.008, n), 0.0)
    memory = np.exp(-np.arange(5 * a_day) / (1.0 * a_day))
    inflow = np.convolve(2.5 * rain, memory / memory.sum())[:n]
    level, out = 0.3, np.empty(n)
    for i in range(n):
        level += inflow[i] - (0.02 * max(level, 0.0) + 0.003) / a_day
        out[i] = level
    return out


@pytest.mark.parametrize("gap", [1, 2, 7, 30])
def test_the_uncertainty_holds_on_a_hydrograph(gap):
    """Rain of 8 mm each fifth day that raises the lake 2.5 times as much: common in the trade."""
    level = hydrograph(np.random.default_rng(8))
    days = np.arange(level.size) / 24.0
    read = np.arange(0, level.size, 24 * gap)
    record = LevelRecord(after(days[read]), level[read])
    inside = (days < days[read[-1]]) & ~np.isin(np.arange(level.size), read)
    error, stated = (record.at(after(days)) - level)[inside], record.std_error(after(days))[inside]
    assert np.mean(np.abs(error) < 2.0 * stated) > 0.9
    size = np.sqrt(np.mean((error / stated) ** 2))
    assert size < 1.0
    # Over days the wind, which is not in here, has its part; over weeks the rain makes it all.
    assert gap < 7 or size > 0.3


@pytest.mark.parametrize(
    ("levels", "unit", "step"),
    [
        ([2.40, 2.34], "ft", 0.01 * 0.3048),
        ([2.4, 2.3], "ft", 0.1 * 0.3048),
        ([3.0, 3.0], "ft", 0.1 * 0.3048),
        ([231.0, 230.0], "cm", 0.01),
        ([99.5, 99.0], "in", 0.1 * 0.0254),
        ([2.123456, 2.3], "m", 0.0),
    ],
)
def test_readings_are_rounded_to_their_decimals(levels, unit, step):
    record = level_record(after([0.0, 1.0]), levels, unit)
    assert record.step == pytest.approx(step)
    # JCGM 100:2008, F.2.2.1: a step has the variance of a rectangle of its width.
    assert record.std_error(after(0.0))[0] == pytest.approx(step / np.sqrt(12.0))


def test_the_uncertainty_enters_depths_corrections_and_budget():
    record = LevelRecord(after([0.0, 2.0]), np.array([1.0, 1.1]))
    done = reduce_to_datum(pings([0.0, 1.0]), record, datum_elevation_m=1.0).soundings
    # By hand: 15 mm x sqrt(1 / 2) = 10.6 mm in the middle.
    assert done.uncert == pytest.approx([0.05, np.hypot(0.05, 0.0106066)])
    first, middle = (parse_corrections(text) for text in done.corrections)
    assert "level_sd_m" not in first
    assert middle["level_sd_m"] == "0.011"
    wide = done.replace(
        corrections=np.array([t.replace("=0.011", "=0.300") for t in done.corrections], object)
    )
    before, now = (uncertainty_budget(s).soundings.uncert for s in (done, wide))
    assert now[0] == before[0]
    assert now[1] ** 2 - before[1] ** 2 == pytest.approx(0.300**2 - 0.011**2)


def test_single_levels_and_levels_by_visit_are_as_certain_as_before():
    for levels in (1.0, {"trip": 1.0}):
        done = reduce_to_datum(pings([0.0, 300.0]), levels, datum_elevation_m=1.0).soundings
        assert done.uncert == pytest.approx([0.05, 0.05])
        assert "level_sd_m" not in done.corrections[0]


# -- too long a gap -----------------------------------------------------------


def test_readings_eleven_months_apart_are_not_joined():
    record = level_record(after([0.0, 334.0]), [2.88, 3.32], "ft")
    with pytest.raises(LakefloorError) as refused:
        reduce_to_datum(pings([150.0, 150.1]), record)
    assert str(refused.value) == (
        "2 soundings of visit 'trip' lie between readings 334 days apart: 2.88 ft at "
        "2026-05-01T00:00 UTC and 3.32 ft at 2027-03-31T00:00 UTC. The maximum gap is 2 days, and "
        "a reading alone counts for half of that. Add a reading of that day. To add the visit to a "
        "lake database without one, choose 'fit to the lake'. 'Reduce to lake datum' can also take a "
        "longer maximum gap."
    )
    done = reduce_to_datum(pings([150.0]), record, datum_elevation_m=0.0, max_gap_d=334.0)
    assert done.soundings.corrections[0].endswith("level_sd_m=0.136")


def test_readings_of_each_outing_alone_are_enough():
    """Who reads the gauge each morning on the water has readings weeks apart."""
    record = LevelRecord(after([0.3, 60.3]), np.array([1.0, 0.7]))
    trips = np.array(["a", "a", "b", "b"], object)
    done = reduce_to_datum(pings([0.3, 0.7, 60.3, 60.3], trips), record, datum_elevation_m=1.0)
    assert done.soundings.depth == pytest.approx([6.0, 6.0, 6.3, 6.3], abs=0.003)


@pytest.mark.parametrize(
    ("day", "gap", "longest", "refused"),
    [
        (1.0, 2.0, 2.0, False),
        (1.0, 2.1, 2.0, False),
        (1.05, 2.1, 2.0, True),
        (1.05, 2.1, 2.1, False),
        (2.0, 30.0, 2.0, True),
        (29.0, 30.0, 2.0, False),
        (28.9, 30.0, 2.0, True),
    ],
)
def test_a_reading_counts_for_half_the_longest_gap(day, gap, longest, refused):
    record = LevelRecord(after([0.0, gap]), np.array([1.0, 1.0]))
    if refused:
        with pytest.raises(LakefloorError, match="lie between readings"):
            reduce_to_datum(pings(day), record, max_gap_d=longest)
    else:
        reduce_to_datum(pings(day), record, max_gap_d=longest)


def test_a_reading_that_is_held_counts_no_longer():
    record = level_record(after([5.0, 6.0]), [2.4, 2.5], "ft")
    done = reduce_to_datum(pings([4.2, 6.9]), record, datum_elevation_m=0.0, hold=True)
    assert done.summary["held"] == 2
    assert done.soundings.depth == pytest.approx([6.0 - 2.4 * 0.3048, 6.0 - 2.5 * 0.3048])
    # 0.8 and 0.9 days beyond the ends.
    assert [parse_corrections(t)["level_sd_m"] for t in done.soundings.corrections] == [
        "0.016",
        "0.017",
    ]
    with pytest.raises(
        LakefloorError,
        match=r"1 soundings of visit 'trip' are up to 3\.5 days from the last reading, 2\.5 ft at "
        r"2026-05-07T00:00 UTC\. A reading is held for 1 day, half of the maximum gap\. Add",
    ):
        reduce_to_datum(pings([5.5, 9.5]), record, hold=True)
    with pytest.raises(LakefloorError, match=r"5 days from the first reading, 2\.4 ft"):
        reduce_to_datum(pings([0.0, 5.5]), record, hold=True)
    with pytest.raises(LakefloorError, match="outside the gauge readings"):
        reduce_to_datum(pings([4.9]), record)
    with pytest.raises(LakefloorError, match="is not above 0 days"):
        reduce_to_datum(pings([5.5]), record, max_gap_d=0.0)


def test_rejected_soundings_in_a_gap_stop_nothing():
    record = LevelRecord(after([0.0, 300.0]), np.array([1.0, 1.0]))
    status = np.array(["accepted", "spike"], object)
    done = reduce_to_datum(pings([0.1, 150.0], status=status), record, datum_elevation_m=1.0)
    assert datum_of(done.soundings) == ("lake datum", 1.0)


# -- visits without a reading, to be fitted -----------------------------------


def test_visits_in_a_gap_may_count_from_their_own_water():
    record = LevelRecord(after([0.0, 0.5, 100.0]), np.array([1.0, 1.1, 0.8]))
    trips = np.array(["lost", "known", "lost", "late"], object)
    given = pings([50.0, 0.2, 0.4, 130.0], trips)
    done, notes = reduce_where_read(given, record, datum_elevation_m=1.0, datum_name="dock")
    np.testing.assert_array_equal(done.soundings.visit, trips)
    assert done.soundings.depth == pytest.approx([6.0, 5.96, 6.0, 6.0])
    datums = [parse_corrections(text)["datum"] for text in done.soundings.corrections]
    assert datums == [
        "water level of 2026-05-01",
        "dock",
        "water level of 2026-05-01",
        "water level of 2026-09-08",
    ]
    assert done.datum == ("dock", 1.0)
    assert "'late', between" in notes[0]
    assert "lie between readings 100 days apart" in notes[1]
    assert "No lake level is known for visits 'late', 'lost'" in notes[2]


def test_where_no_visit_has_a_reading_nothing_is_reduced():
    record = LevelRecord(after([0.0, 300.0]), np.array([1.0, 1.0]))
    assert reduce_where_read(pings([50.0]), record)[0] is None
    done, notes = reduce_where_read(pings([0.5]), record, datum_elevation_m=1.0)
    assert notes == ()
    assert datum_of(done.soundings) == ("lake datum", 1.0)
    some, notes = reduce_where_read(
        pings([0.0, 1.0], np.array(["a", "b"], object)), {"a": 1.2}, datum_elevation_m=1.0
    )
    assert some.soundings.depth == pytest.approx([5.8, 6.0])
    assert "There is no lake level for visit 'b'" in notes[0]


def test_a_single_reading_is_named_and_the_way_out_is_there_in_every_dialog():
    record = LevelRecord(after([5.0]), np.array([1.0]))
    with pytest.raises(LakefloorError) as refused:
        reduce_to_datum(pings([5.1]), record)
    assert "gauge readings (one reading, 1 m at 2026-05-06T00:00 UTC). " in str(refused.value)
    assert "or enter one lake level instead of them." in str(refused.value)
    # Where the visit is to be fitted, the reason is said without a way out that was taken.
    _, notes = reduce_where_read(pings([5.1]), record)
    assert notes[0].endswith("2026-05-06T00:00 UTC).")
