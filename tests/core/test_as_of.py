"""The lake as it was known: beside a loop over soundings that does what the words say."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings, concatenate
from lakefloor.algorithms.core.visits import as_of
from lakefloor.algorithms.core.visits.as_of import (
    Knowledge,
    of_visits_added,
    of_year,
    without_times,
)
from lakefloor.algorithms.core.visits.store_visits import SUPERSEDED, Visit

UTM = "EPSG:32615"
#: 500 000 m east is the middle of zone 15, 93 degrees west: its sun is 6 h 12 min behind UTC.
BOX = (499_900.0, 5_100_000.0, 500_100.0, 5_100_200.0)
NAT = np.datetime64("NaT", "ms")
DAY = np.timedelta64(1, "D")
SPIKE = "spike"


def at(text):
    return np.datetime64(text, "ms")


def visit(number, name, soundings):
    timed = soundings.time[~np.isnat(soundings.time)]
    first, last = (timed.min(), timed.max()) if timed.size else (NAT, NAT)
    return Visit(
        number,
        name,
        "",
        len(soundings),
        int(np.isnat(soundings.time).sum()),
        first,
        last,
        BOX,
        None,
        None,
    )


def log(name, times, status=ACCEPTED):
    n = len(times)
    return Soundings.build(
        500_000.0 + np.arange(n),
        np.full(n, 5_100_100.0),
        3.0 + 0.1 * np.arange(n),
        visit=name,
        time=np.array(times, "datetime64[ms]"),
        status=status,
    )


def same(one, other):
    for name in vars(one):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@st.composite
def lakes(draw):
    """Visits of some days, one after the other; some soundings are superseded by a later visit."""
    count = draw(st.integers(1, 5))
    days = np.cumsum(draw(st.lists(st.integers(1, 400), min_size=count, max_size=count)))
    parts = []
    for k in range(count):
        start = at("2015-06-01T15:00") + days[k] * DAY
        minutes = draw(st.lists(st.integers(0, 300), min_size=1, max_size=6))
        times = [start + np.timedelta64(m, "m") for m in sorted(minutes)]
        if draw(st.booleans()):
            times[draw(st.integers(0, len(times) - 1))] = NAT
        if k == 0 and draw(st.booleans()):
            times = [NAT] * len(times)
        reasons = [ACCEPTED, SPIKE, f"{SUPERSEDED}gone"]
        reasons += [f"{SUPERSEDED}visit {j}" for j in range(k + 1, count)]
        reasons += ["bottom changed 2017-08-09", "bottom changed in part"]
        status = draw(st.lists(st.sampled_from(reasons), min_size=len(times), max_size=len(times)))
        parts.append(log(f"visit {k}", times, np.array(status, object)))
    visits = [visit(k, f"visit {k}", part) for k, part in enumerate(parts)]
    return visits, concatenate(parts)


def as_the_words_say(visits, lake, day):
    """Return rows and their status on a day, sounding by sounding."""
    began = {v.name: v.start for v in visits}
    # The day of the sun at 93 degrees west, from midnight to midnight.
    end = np.datetime64(day, "ms") + DAY + np.timedelta64(6 * 60 + 12, "m")
    rows, status = [], []
    for k in range(len(lake)):
        start = began[lake.visit[k]]
        moment = start if np.isnat(lake.time[k]) else lake.time[k]
        if moment >= end:
            continue
        word = lake.status[k]
        if word.startswith(SUPERSEDED):
            by = began.get(word[len(SUPERSEDED) :])
            if by is not None and by >= end:
                word = ACCEPTED
        if word == "bottom changed 2017-08-09" and day < np.datetime64("2017-08-09"):
            word = ACCEPTED
        rows.append(k)
        status.append(word)
    return rows, status


@given(lakes(), st.integers(0, 2200))
def test_a_day_gives_what_was_surveyed_and_undoes_what_came_later(lake, days):
    visits, all_of_it = lake
    day = np.datetime64("2015-05-01") + days
    known = Knowledge.of(visits, UTM, day).of_soundings(all_of_it)
    rows, status = as_the_words_say(visits, all_of_it, day)
    same(known, all_of_it.select(np.array(rows, int)).replace(status=np.array(status, object)))


@given(lakes())
def test_the_last_day_is_now_and_so_is_no_day(lake):
    visits, all_of_it = lake
    for day in (None, np.datetime64("2030-01-01")):
        known = Knowledge.of(visits, UTM, day)
        assert known.of_soundings(all_of_it) is all_of_it
        assert all(known.has(v.name) for v in visits)


@given(lakes(), st.integers(0, 2200), st.integers(0, 500))
def test_an_earlier_day_may_be_read_from_what_was_known_later(lake, days, later):
    visits, all_of_it = lake
    early = np.datetime64("2015-05-01") + days
    one, two = (Knowledge.of(visits, UTM, day) for day in (early, early + later))
    same(one.of_soundings(two.of_soundings(all_of_it)), one.of_soundings(all_of_it))


@given(lakes(), st.integers(0, 2200))
def test_in_parts_and_as_a_whole_it_is_the_same(lake, days):
    visits, all_of_it = lake
    known = Knowledge.of(visits, UTM, np.datetime64("2015-05-01") + days)
    halves = [known.of_soundings(all_of_it.select(part)) for part in (slice(0, 3), slice(3, None))]
    same(concatenate(halves), known.of_soundings(all_of_it))


def three_years():
    parts = [
        log("one", ["2019-07-01T15:00"] * 3, np.array([f"{SUPERSEDED}two"] * 2 + [SPIKE], object)),
        log("two", ["2021-07-01T15:00"] * 2, np.array([ACCEPTED, f"{SUPERSEDED}three"], object)),
        log("three", ["2023-07-01T15:00"] * 2),
    ]
    visits = [visit(k, n, p) for k, (n, p) in enumerate(zip(("one", "two", "three"), parts))]
    return visits, concatenate(parts)


@pytest.mark.parametrize(
    ("day", "status"),
    [
        ("2019-06-30", []),
        ("2020-12-31", [ACCEPTED, ACCEPTED, SPIKE]),
        ("2021-12-31", [f"{SUPERSEDED}two"] * 2 + [SPIKE, ACCEPTED, ACCEPTED]),
        (
            "2023-12-31",
            [f"{SUPERSEDED}two"] * 2 + [SPIKE, ACCEPTED, f"{SUPERSEDED}three"] + [ACCEPTED] * 2,
        ),
    ],
)
def test_a_chain_of_visits_is_undone_link_by_link(day, status):
    visits, lake = three_years()
    assert (
        Knowledge.of(visits, UTM, np.datetime64(day)).of_soundings(lake).status.tolist() == status
    )


def test_without_a_visit_what_it_superseded_counts_again():
    visits, lake = three_years()
    known = Knowledge.of(visits, UTM, without=["two"])
    left = known.of_soundings(lake)
    assert not known.has("two")
    assert left.visit.tolist() == ["one"] * 3 + ["three"] * 2
    assert left.status.tolist() == [ACCEPTED, ACCEPTED, SPIKE, ACCEPTED, ACCEPTED]


def test_before_and_after_a_year():
    visits, lake = three_years()
    before, last, after = of_year(visits, UTM, 2021)
    assert last == np.datetime64("2021-12-31")
    assert after.of_soundings(lake).visit.tolist() == ["one"] * 3 + ["two"] * 2
    assert before.of_soundings(lake).visit.tolist() == ["one"] * 3
    assert before.of_soundings(lake).status.tolist() == [ACCEPTED, ACCEPTED, SPIKE]
    with pytest.raises(LakefloorError, match="no visit in 2022.*: 2019, 2021, 2023"):
        of_year(visits, UTM, 2022)


def test_before_and_after_visits():
    """As of the day of the last of them, with and without; the other visits are the same."""
    visits, lake = three_years()
    before, last, after = of_visits_added(visits, UTM, ["one", "two"])
    assert last == np.datetime64("2021-07-01")
    assert after.of_soundings(lake).visit.tolist() == ["one"] * 3 + ["two"] * 2
    assert len(before.of_soundings(lake)) == 0
    before, last, after = of_visits_added(visits, UTM, ["one"])
    assert after.of_soundings(lake).status.tolist() == [ACCEPTED, ACCEPTED, SPIKE]
    nothing = log("old", [NAT])
    old = visit(9, "old", nothing)
    before, last, after = of_visits_added([*visits, old], UTM, ["old"])
    assert last is None
    assert len(after.of_soundings(concatenate([lake, nothing]))) == len(lake) + 1
    assert len(before.of_soundings(concatenate([lake, nothing]))) == len(lake)


def test_the_day_ends_with_the_sun_at_the_lake():
    """At 93 degrees west midnight of mean solar time is 06:12 UTC: 15 degrees are an hour."""
    lake = log("night", ["2023-07-02T06:11:59", "2023-07-02T06:12:00"])
    known = Knowledge.of([visit(0, "night", lake)], UTM, np.datetime64("2023-07-01"))
    assert known.of_soundings(lake).depth.tolist() == [3.0]


def test_a_visit_without_times_is_the_oldest():
    old, new = log("old", [NAT, NAT]), log("new", ["2021-07-01T15:00"])
    visits = [visit(0, "old", old), visit(1, "new", new)]
    known = Knowledge.of(visits, UTM, np.datetime64("1990-01-01"))
    assert known.of_soundings(concatenate([old, new])).visit.tolist() == ["old", "old"]
    assert without_times(visits) == ["old"]


def test_examples():
    assert doctest.testmod(as_of).failed == 0
