"""The order of logging is found whatever the order of rows, and said to be unknown where it is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.correcting.uncertainty_budget import uncertainty_budget
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.shared_copy import shared_soundings
from lakefloor.algorithms.core.lanes import lanes_of
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.track import (
    follows_track,
    in_logged_order,
    logged_order,
    track_notes,
    without_track,
)
from lakefloor.algorithms.core.visits.crossing_report import check_crossings
from lakefloor.algorithms.core.visits.crossings import find_crossings
from lakefloor.algorithms.core.visits.level_network import level_survey

START = np.datetime64("2026-05-14T14:00:00.000")


def path(spacing=20.0, length=200.0, lanes=8, ping=2.0, noise=0.3, seed=1):
    """Lanes there and back with the turns between them, and one line across all, logged."""
    rng = np.random.default_rng(seed)
    corners = []
    for k in range(lanes):
        ends = [(0.0, k * spacing), (length, k * spacing)]
        corners += ends if k % 2 == 0 else ends[::-1]
    corners += [(length / 2 + 3.0, lanes * spacing), (length / 2 + 7.0, -spacing)]
    corners = np.array(corners)
    along = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    at = np.arange(0.0, along[-1], ping)
    x, y = (np.interp(at, along, c) + rng.normal(0.0, noise, at.size) for c in corners.T)
    return x, y, 4.0 + 0.01 * x + 0.5 * np.sin(y / 30.0)


def survey(visit="May", every_ms=1000, stamp_ms=1, known=1.0, start=START, seed=1, **options):
    """Soundings of :func:`path`; stamps are cut to ``stamp_ms``, and a share of them is known."""
    x, y, depth = path(seed=seed, **options)
    ms = (np.arange(x.size) * every_ms) // stamp_ms * stamp_ms
    time = start + ms.astype("timedelta64[ms]")
    time[np.random.default_rng(seed).uniform(size=x.size) > known] = np.datetime64("NaT")
    return Soundings.build(
        x,
        y,
        depth,
        time=time,
        visit=visit,
        uncert=0.1,
        hardness=np.random.default_rng(seed).uniform(0.2, 0.8, x.size),
    )


def shuffled(soundings, seed=0):
    return soundings.select(np.random.default_rng(seed).permutation(len(soundings)))


def assert_same(a, b):
    for name in Soundings.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


# -- rows in any order give one ------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(
    every=st.sampled_from([50, 100, 200, 1000]),
    stamp=st.sampled_from([1, 1000, 2000]),
    known=st.sampled_from([1.0, 0.995]),
    held=st.integers(1, 5),
    decimals=st.sampled_from([0, 1, 6]),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_order_of_rows_decides_nothing(every, stamp, known, held, decimals, seed):
    run = {"ping": 0.004 * every, "length": 60.0, "lanes": 4}  # 4 m/s
    one = survey(every_ms=every, stamp_ms=stamp, known=known, **run)
    # Fixes held over several pings, and depths in coarse steps, so that rows agree in all.
    fix = np.arange(len(one)) // held * held
    one = one.replace(
        x=one.x[fix],
        y=one.y[fix],
        depth=np.round(one.depth, decimals),
        hardness=np.round(one.hardness, decimals),
    )
    two = survey("April", every, stamp, seed=2, **run)
    both = concatenate([one, two])
    found = in_logged_order(both)
    assert_same(in_logged_order(shuffled(both, seed)), found)
    place = np.lexsort((both.y, both.x))
    assert_same(in_logged_order(both.select(place)), found)
    assert (logged_order(found) == np.arange(len(found))).all()
    assert sorted(found.depth) == sorted(both.depth)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "a", "b"]),
            st.sampled_from([0, 0, 1, 2, 500, 90_000]),
            st.sampled_from([0.0, 1.0, 2.5, 20.0, np.nan]),
            st.sampled_from([0.0, 7.0, np.nan]),
            st.sampled_from([1.0, 2.0, np.nan]),
        ),
        max_size=40,
    ),
    st.randoms(use_true_random=False),
)
def test_few_rows_of_all_kinds_are_put_in_one_order(rows, random):
    def order(some):
        visit, ms, x, y, depth = zip(*some) if some else ((),) * 5
        time = START + np.array(ms, dtype="timedelta64[ms]")
        # Of a visit whose clock stands still the rows are the only track there is.
        stamps = {(v, m) for v, m in zip(visit, ms)}
        if any(sum(v == w for w, _ in stamps) == 1 for v in visit):
            return None
        made = Soundings.build(x, y, depth, time=time, visit=np.array(visit, dtype=object))
        found = in_logged_order(made)
        return [list(getattr(found, name)) for name in ("visit", "x", "y", "depth")]

    mixed = list(rows)
    random.shuffle(mixed)
    np.testing.assert_equal(order(mixed), order(rows))


def test_visits_come_by_name_and_soundings_by_time():
    made = in_logged_order(shuffled(concatenate([survey("May"), survey("July", seed=2)])))
    assert list(made.visit) == sorted(made.visit)
    for name in ("May", "July"):
        assert (np.diff(made.time[made.visit == name]).astype(int) > 0).all()


@pytest.mark.parametrize("heading", [0.0, 90.0, 180.0, 233.0])
def test_pings_of_one_second_go_along_the_way(heading):
    along = np.arange(200) * 0.2
    x, y = along * np.sin(np.radians(heading)), along * np.cos(np.radians(heading))
    time = START + (np.arange(200) // 10 * 1000).astype("timedelta64[ms]")
    logged = Soundings.build(x, y, 5.0 + 0.01 * along, time=time)
    assert_same(in_logged_order(shuffled(logged)), logged)
    # Ten pings to a fix: the bottom, too, goes on the way that it went.
    for slope in (0.01, -0.01):
        held = np.arange(200) // 10 * 10
        steady = logged.replace(x=x[held], y=y[held], depth=5.0 + slope * along)
        steady = Soundings.build(steady.x, steady.y, steady.depth, time=time)
        assert_same(in_logged_order(shuffled(steady)), steady)


def test_a_sounding_without_a_time_comes_last_in_its_visit():
    logged = concatenate([survey("July"), survey("May", seed=2)])
    time = logged.time.copy()
    time[[3, 40]] = np.datetime64("NaT")
    found = in_logged_order(shuffled(logged.replace(time=time)))
    last = np.flatnonzero(found.visit == "July")[-2:]
    assert np.isnat(found.time[last]).all()
    assert not np.isnat(np.delete(found.time, last)).any()


@pytest.mark.parametrize("clock", ["none", "still", "of the day"])
def test_without_a_clock_the_rows_are_the_track(clock):
    logged = survey()
    time = {
        "none": np.datetime64("NaT", "ms"),
        "still": START,
        "of the day": np.datetime64("2026-05-14", "ms"),
    }[clock]
    logged = logged.replace(time=np.full(len(logged), time))
    assert_same(in_logged_order(logged), logged)
    assert not without_track(logged).any()
    assert track_notes(logged) == []
    # Once they are mixed up nothing tells the track; no order is then better than another.
    mixed = in_logged_order(shuffled(logged))
    assert without_track(mixed).all()
    assert_same(in_logged_order(shuffled(logged, seed=7)), mixed)
    assert_same(in_logged_order(mixed), mixed)


def test_minutes_keep_the_order_within_the_minute():
    logged = survey(stamp_ms=60_000)
    assert_same(in_logged_order(logged), logged)
    assert not without_track(logged).any()
    assert without_track(in_logged_order(shuffled(logged))).all()


@pytest.mark.parametrize("stamp_ms", [1, 1000])
def test_two_boats_at_once_stay_two_tracks(stamp_ms):
    one = survey(every_ms=500, stamp_ms=stamp_ms)
    two = survey(every_ms=700, stamp_ms=stamp_ms, seed=5)
    two = two.replace(x=two.x + 400.0)
    both = concatenate([one, two])
    found = in_logged_order(both)
    assert_same(in_logged_order(shuffled(both)), found)
    alone = [len(find_crossings(s)) for s in (one, two)]
    assert min(alone) >= 8
    assert len(find_crossings(found)) == sum(alone)
    # Stray fixes are no boat: they stay where they were logged.
    x = one.x.copy()
    x[50::40] += 3000.0
    stray = one.replace(x=x)
    assert (np.diff(in_logged_order(shuffled(stray)).time).astype(int) >= 0).all()


# -- whether rows follow a track -----------------------------------------------------------------


def test_what_follows_a_track():
    x, y, _ = path()
    rng = np.random.default_rng(3)
    assert follows_track(x, y)
    # Sawtooth lanes down a river, a fix of eight pings, a night at the mooring, stray fixes.
    t = np.arange(600.0)
    assert follows_track(t, 40.0 * np.abs((t / 40.0) % 2.0 - 1.0))
    assert follows_track(np.repeat(x, 8), np.repeat(y, 8))
    night = rng.normal(0.0, 0.5, (2, 2 * x.size))
    assert follows_track(np.append(x, x[-1] + night[0]), np.append(y, y[-1] + night[1]))
    strays = x.copy()
    strays[::100] += 5000.0
    assert follows_track(strays, y)


def test_what_does_not():
    x, y, _ = path(noise=0.5)
    mixed = np.random.default_rng(4).permutation(x.size)
    assert not follows_track(x[mixed], y[mixed])
    for keys in ((y, x), (x, y), (np.round(y, 1), np.round(x, 1))):
        place = np.lexsort(keys)
        assert not follows_track(x[place], y[place])


@pytest.mark.parametrize("cell", [None, 10.0, 25.0])
def test_a_shared_copy_has_no_track(cell):
    logged = concatenate([survey(length=400.0), survey(spacing=35.0, seed=2)])
    x, y, depth = shared_soundings(logged, ["depth"], area=None, cell=cell)
    copy = Soundings.build(x, y, depth)
    assert without_track(copy).all()
    found = in_logged_order(copy)
    assert without_track(found).all()
    assert_same(in_logged_order(shuffled(copy)), found)


def test_a_stretch_without_times_is_asked_for_itself():
    logged = survey()
    time = logged.time.copy()
    time[200:500] = np.datetime64("NaT")
    stretch = logged.replace(time=time)
    assert not without_track(in_logged_order(stretch)).any()
    lost = without_track(in_logged_order(shuffled(stretch)))
    assert lost.sum() == 300
    assert lost[-300:].all()


# -- what needs a track does without -------------------------------------------------------------


def untimed(soundings):
    return soundings.replace(time=np.full(len(soundings), np.datetime64("NaT", "ms")))


def test_crossings_are_those_of_the_visits_with_a_track():
    logged = survey()
    lost = in_logged_order(shuffled(untimed(survey("July", seed=2))))
    assert len(find_crossings(logged)) >= 8
    report = check_crossings(concatenate([lost, logged]))
    assert len(report.crossings) == len(find_crossings(logged))
    assert any("'July'" in note and "no usable times" in note for note in report.notes)
    alone = check_crossings(lost)
    assert len(alone.crossings) == 0
    assert len(alone.notes) == 1
    with pytest.raises(LakefloorError, match="no usable times"):
        level_survey(lost)


def test_cleaning_without_a_track_asks_each_sounding_alone():
    logged = survey()
    depth = logged.depth.copy()
    depth[[10, 300]] = -1.0
    depth[100] += 12.0
    made = Soundings.build(logged.x, logged.y, depth, visit="May")
    assert (clean(made).soundings.status == "spike along track").sum() == 1
    mixed = clean(in_logged_order(shuffled(made))).soundings
    assert (mixed.status != "accepted").sum() == 2


def test_lanes_are_numbered_whatever_the_order_of_rows():
    logged = survey()
    lanes = lanes_of(logged)
    assert set(lanes) >= set(range(1, 9))
    mixed = np.random.default_rng(2).permutation(len(logged))
    np.testing.assert_array_equal(lanes_of(logged.select(mixed)), lanes[mixed])
    assert not lanes_of(untimed(logged).select(mixed)).any()


def test_the_slope_around_a_sounding_needs_no_track():
    logged = survey(spacing=8.0, noise=0.0)
    x, y, depth = shared_soundings(logged, ["depth"], area=None, cell=4.0)
    copy = in_logged_order(Soundings.build(x, y, depth))
    # Uncertain positions make the slope, of the bottom of path(), the largest part.
    found = uncertainty_budget(copy, position_m=20.0).soundings.uncert
    slope = np.hypot(0.01, 0.5 / 30.0 * np.cos(copy.y / 30.0))
    assert np.corrcoef(found, slope)[0, 1] > 0.9
