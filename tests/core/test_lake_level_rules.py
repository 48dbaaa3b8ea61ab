"""Datums compared and named, visits put in order of time, what is said of a reduction."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.datums import is_water_of_a_day, one_datum, water_of
from lakefloor.algorithms.core.correcting.gauge import LevelRecord
from lakefloor.algorithms.core.correcting.lake_level import (
    day_of,
    land_notes,
    reduce_to_datum,
    visits_in_time,
)
from lakefloor.algorithms.core.soundings import Soundings


def pings(depth, time=None, **known):
    depth = np.asarray(depth, float)
    n = depth.size
    time = (
        np.full(n, "NaT", "datetime64[ms]") if time is None else np.asarray(time, "datetime64[ms]")
    )
    return Soundings.build(np.zeros(n), np.zeros(n), depth, time=time, **known)


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [
        (("pool", 1.0), ("pool", 1.0), True),
        (("pool", 1.0), ("pool", 1.0009), True),
        (("pool", 1.0), ("pool", 1.0011), False),
        (("pool", 1.0), ("pool", 0.9989), False),
        (("pool", 1.0), ("OHW", 1.0), False),
        (("pool", None), ("pool", None), True),
        (("pool", None), ("pool", 1.0), False),
        (("pool", None), ("OHW", None), False),
        (None, ("pool", 1.0), False),
        (("pool", 1.0), None, False),
        (None, None, False),
    ],
)
def test_datums_are_one_to_a_millimeter(a, b, same):
    assert one_datum(a, b) is same
    assert one_datum(b, a) is same


def test_visits_stand_in_order_of_their_first_good_time():
    day = "2026-05-{:02d}T08:00"
    rows = [
        # visit, day, status: the earliest time of "late" is of a rejected sounding.
        ("untimed", None, "accepted"),
        ("late", 1, "spike"),
        ("late", 9, "accepted"),
        ("one", 3, "accepted"),
        ("two", 5, "accepted"),
        ("two", 4, "accepted"),
        ("bad", 2, "spike"),
    ]
    time = [np.datetime64("NaT") if d is None else np.datetime64(day.format(d)) for _, d, _ in rows]
    soundings = pings(
        np.ones(7),
        time,
        visit=np.array([v for v, _, _ in rows], object),
        status=np.array([s for _, _, s in rows], object),
    )
    assert [name for name, _ in visits_in_time(soundings)] == [
        "one",
        "two",
        "late",
        "untimed",
        "bad",
    ]


def test_a_summary_has_the_extremes_and_counts_land():
    soundings = pings(
        [3.0, 0.1, 5.0, 5.0],
        visit=np.array(["May", "May", "July", "July"], object),
        status=np.array(["accepted", "accepted", "accepted", "spike"], object),
    )
    done = reduce_to_datum(soundings, {"May": 1.2, "July": 0.9}, datum_elevation_m=1.0)
    assert (done.summary["lowest_level_m"], done.summary["highest_level_m"]) == (0.9, 1.2)
    assert done.summary["mean_reduction_m"] == pytest.approx((-0.2 - 0.2 + 0.1) / 3)
    assert done.summary["land"] == 1
    assert done.summary["visits"]["July"] == {"soundings": 2, "level_m": pytest.approx(0.9)}


def test_what_weighs_most_is_said_first():
    done = reduce_to_datum(pings(np.full(20, 1.0), visit="May"), 3.0, datum_elevation_m=1.0)
    assert len(done.notes) == 2
    assert "2.00 m above" in done.notes[0]
    assert "100.0%" in done.notes[1]


@pytest.mark.parametrize(("above", "said"), [(0, False), (1, False), (2, True)])
def test_one_sounding_in_a_hundred_may_come_out_above_the_shoreline(above, said):
    depth = np.full(100, 0.4)
    depth[:above] = -0.1
    assert bool(land_notes(pings(depth))) is said
    assert land_notes(pings([-1.0], status="spike")) == []


def test_the_water_of_a_day_is_known_by_its_name():
    name = water_of("2026-05-14")
    assert name.endswith(" of 2026-05-14")
    assert is_water_of_a_day(name)
    assert not is_water_of_a_day("OHW")


@pytest.mark.parametrize(
    ("visit", "day"),
    [
        ("2026-05-14 north", "2026-05-14"),
        ("north; deep", "visit 'north, deep'"),
        (" ", "an unnamed visit"),
    ],
)
def test_the_day_of_a_visit_without_times_is_in_its_name(visit, day):
    assert day_of(visit, pings([3.0], visit=visit)) == day


def test_a_record_made_by_hand_has_skipped_nothing():
    time = np.array(["2026-05-14T08:00", "2026-05-14T10:00"], "datetime64[ms]")
    record = LevelRecord(time, np.array([1.0, 2.0]))
    assert record.skipped == 0
    asked = np.array(["2026-05-14T07:00", "2026-05-14T08:30", "2026-05-14T11:00"], "datetime64[ms]")
    assert record.at(asked) == pytest.approx([1.0, 1.25, 2.0])
