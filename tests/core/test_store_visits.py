"""The rules of a lake's store, without a file."""

import doctest

import numpy as np
import pytest

from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings
from lakefloor.algorithms.core.visits import store_visits
from lakefloor.algorithms.core.visits.store_content import Known, fingerprint
from lakefloor.algorithms.core.visits.store_visits import (
    SUPERSEDED,
    Visit,
    checksum,
    entering,
    first_day,
    free_name,
    near,
    order_of_entering,
    resumes,
    times_of_days,
    twin_of,
    visit_continued,
    visits_by_datum,
    visits_replaced,
    visits_to_compare,
)

NAT = np.datetime64("NaT", "ms")


def at(text):
    return np.datetime64(text, "ms")


def visit(
    number=1,
    name="may",
    start="2024-05-14",
    stop="2024-05-15",
    box=(0.0, 0.0, 10.0, 10.0),
    soundings=100,
    mark="",
    datum=("dock", 1.0),
):
    return Visit(
        number,
        name,
        mark,
        soundings,
        0,
        at(start) if start else NAT,
        at(stop) if stop else NAT,
        box,
        datum,
        None,
    )


def log(n=100, seed=0):
    rng = np.random.default_rng(seed)
    return Soundings.build(
        np.arange(n) * 1.0,
        np.zeros(n),
        np.round(rng.uniform(2.0, 9.0, n), 2),
        visit="log",
        time=at("2024-05-14T12:00") + np.arange(n) * np.timedelta64(1, "s"),
    )


def known(*counts, n=100):
    """Say that the store holds some of n soundings: (number of the visit, how many)."""
    visits = np.concatenate([np.full(count, number) for number, count in counts] or [[]])
    held = np.full(n, -1)
    held[: visits.size] = visits
    return Known(held, np.full(n, np.nan))


def test_examples():
    assert doctest.testmod(store_visits).failed == 0


def test_a_checksum_sees_each_column_but_not_how_nothing_is_written():
    one = log(1500)
    assert len(checksum(one)) == 16
    assert checksum(one) == checksum(one.select(np.arange(1500)))
    for change in (
        {"x": one.x + 1e-9},
        {"depth": one.depth + 1e-9},
        {"lane": one.lane + 1},
        {"status": np.full(1500, "other", object)},
    ):
        first, second = checksum(one.replace(**change)), checksum(one)
        assert first[:8] != second[:8]
        assert first[8:] != second[8:]
    nothing = one.replace(hardness=np.where(one.lane == 0, -np.nan, one.hardness))
    assert checksum(nothing) == checksum(one)
    assert checksum(one.replace(y=-one.y)) == checksum(one.replace(y=one.y * 0.0))
    # A change in the second thousand does not show in the first.
    depth = one.depth.copy()
    depth[1200] += 1.0
    assert checksum(one.replace(depth=depth))[:8] == checksum(one)[:8]


def test_a_visit_meets_boxes_and_times():
    one = visit()
    assert one.meets(None)
    assert one.meets((10.0, 10.0, 20.0, 20.0))
    assert not one.meets((10.1, 0.0, 20.0, 20.0))
    assert not visit(box=None).meets((0.0, 0.0, 1.0, 1.0))
    assert one.spans(None, None)
    assert one.spans(at("2024-05-15"), None)
    assert not one.spans(at("2024-05-16"), None)
    assert not one.spans(None, at("2024-05-14"))
    assert not visit(start=None, stop=None).spans(None, at("2030-01-01"))
    assert near((0.0, 0.0, 1.0, 1.0), (2.0, 2.0, 3.0, 3.0))
    assert not near((0.0, 0.0, 1.0, 1.0), (2.1, 0.0, 3.0, 3.0))
    assert near(None, (0.0, 0.0, 1.0, 1.0))


def test_visits_enter_by_time_those_without_last():
    timed, other, untimed = log().time, log().time - np.timedelta64(1, "D"), np.full(3, NAT)
    entered = sorted([untimed, timed, other], key=order_of_entering)
    assert [e[0] for e in entered[:2]] == [other[0], timed[0]]
    assert first_day(log(), "EPSG:32615") == "2024-05-14"
    assert first_day(log().replace(time=np.full(100, NAT)), "EPSG:32615") is None


@pytest.mark.parametrize(
    ("held", "name"),
    [([], None), ([(1, 49)], None), ([(1, 50)], "may"), ([(1, 10), (2, 20)], "short")],
)
def test_half_of_the_smaller_makes_one_visit(held, name):
    stored = [visit(), visit(2, "short", soundings=40)]
    found = visit_continued(stored, known(*held), 100)
    assert (found and found.name) == name
    replaced = visits_replaced(stored, known(*held), log())
    assert [v.name for v in replaced] == ([name] if name else [])


def test_a_fingerprint_tells_of_another_reading_of_one_log():
    soundings = log()
    same = visit(mark=fingerprint(soundings.time, soundings.raw_depth))
    assert visits_replaced([visit(2), same], known(), soundings) == [same]
    assert twin_of([visit(2), same], soundings) is same
    flat = Soundings.build(soundings.x, soundings.y, np.full(100, 3.0), time=soundings.time)
    alike = visit(mark=fingerprint(flat.time, flat.raw_depth))
    assert twin_of([alike], flat) is None
    assert visits_replaced([alike], known(), flat) == []


def test_a_name_is_taken_once():
    stored = [visit(), visit(2, "may (2)")]
    assert free_name(stored, "june") == "june"
    assert free_name(stored, "may") == "may (3)"


def test_only_a_visit_that_is_there_can_supersede():
    status = np.array([ACCEPTED, f"{SUPERSEDED}june", f"{SUPERSEDED}july", "spike"], object)
    soundings = log(4).replace(status=status)
    assert entering(soundings, {"june"}).status.tolist() == [
        ACCEPTED,
        f"{SUPERSEDED}june",
        ACCEPTED,
        "spike",
    ]
    assert entering(soundings, set()).status.tolist() == [ACCEPTED] * 3 + ["spike"]
    assert entering(log(4), set()).status.tolist() == [ACCEPTED] * 4


@pytest.mark.parametrize(
    ("held", "new", "expected"),
    [
        (("14:00", "15:00"), ("15:30", "16:00"), True),  # after a pause
        (("14:00", "15:00"), ("12:00", "13:00"), True),  # before it
        (("14:00", "18:00"), ("15:30", "16:00"), True),  # in a pause
        (("15:30", "16:00"), ("14:00", "18:00"), True),  # around it
        (("14:00", "15:00", "16:00"), ("14:30", "15:30"), False),  # two sounders at work
        (("14:00", "15:00"), ("15:00", "16:00"), False),
        (("07:00", "08:00"), ("23:00", "23:30"), True),  # one day, though a long pause
        (("04:00", "05:00"), ("07:00", "08:00"), True),  # an evening across midnight at 93 W
        (("00:00", "01:00"), ("08:00", "09:00"), False),  # the next day after seven hours
        ((), ("14:00",), False),
        (("14:00", ""), ("15:30", "16:00"), False),
        (("14:00", "15:00"), ("", "16:00"), False),
    ],
)
def test_what_goes_on_with_a_visit(held, new, expected):
    def times(texts):
        found = [f"2024-05-14T{text}" if text else "NaT" for text in texts]
        return np.array(found, "datetime64[ms]")

    assert resumes(times(held), times(new), np.array([""] * len(new), object), -93.0) == expected


def test_midnight_is_that_of_the_clocks_where_the_log_states_them():
    """Eight hours apart, both runs are on one day of UTC; by the sun at 93 W they are not."""
    held, new = np.array([at("2024-05-14T00:00")]), np.array([at("2024-05-14T08:00")])
    assert resumes(held, new, np.array(["utc_offset_h=0"], object), -93.0)
    assert not resumes(held, new, np.array([""], object), -93.0)


def test_datums_are_one_to_the_millimeter():
    stored = [
        visit(name="a"),
        visit(name="b", datum=("dock", 1.0004)),
        visit(name="c", datum=None),
        visit(name="d", datum=("dock", None)),
    ]
    assert visits_by_datum(stored) == {
        ("dock", 1.0): ["a", "b"],
        None: ["c"],
        ("dock", None): ["d"],
    }


def test_pairs_are_older_and_newer_and_near():
    may, june = visit(), visit(2, "june", "2024-06-01", "2024-06-02", (12.0, 0.0, 20.0, 10.0))
    away = visit(3, "away", "2024-07-01", "2024-07-02", (99.0, 0.0, 120.0, 10.0))
    same_days = visit(4, "same", "2024-06-01", "2024-06-03")
    stored = [may, june, same_days, away]
    assert visits_to_compare(stored, {1, 2, 3, 4}, 5.0) == [(may, june), (may, same_days)]
    assert visits_to_compare(stored, {2}, 5.0) == [(may, june)]
    assert visits_to_compare(stored, {2}, 1.0) == []
    assert visits_to_compare([visit(box=None), june], {2}, 5.0) == []


def test_days_are_those_of_the_sun_at_the_lake():
    """93 W, the central meridian of UTM zone 15, is 6.2 hours behind Greenwich."""
    lake = [visit(box=(500_000.0, 5_000_000.0, 500_000.0, 5_000_000.0))]
    start, stop = times_of_days(
        lake, "EPSG:32615", np.datetime64("2024-05-14"), np.datetime64("2024-05-15")
    )
    assert abs(start - at("2024-05-14T06:12")) <= np.timedelta64(1, "s")
    assert stop - start == np.timedelta64(2, "D")
    assert times_of_days(lake, "EPSG:32615", None, None) == (None, None)
