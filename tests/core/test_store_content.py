"""What a store holds already is told by what was logged."""

import doctest
import hashlib
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits import pairing, store_content
from lakefloor.algorithms.core.visits.store_content import (
    Logged,
    find_known,
    fingerprint,
    same_outing,
    tells,
)

START = np.datetime64("2026-05-14T14:00:00.250", "ms")


def visit(n=200, seed=0, timed=True, x0=400_000.0):
    rng = np.random.default_rng(seed)
    k = np.arange(n)
    # Depths in steps of 0.1 ft, as many sounders log them: most occur several times.
    depth = np.round(rng.uniform(2, 6, n) / 0.03048) * 0.03048
    time = START + k * np.timedelta64(500, "ms") if timed else np.datetime64("NaT")
    return Soundings.build(
        x0 + 1.1 * k,
        5_150_000 + rng.normal(0, 1, n),
        depth,
        time=time,
        corrections="from=transducer",
        water_temp=18.0,
    )


def stored(soundings, number=7):
    return Logged(
        np.full(len(soundings), number),
        soundings.x,
        soundings.y,
        soundings.time,
        soundings.raw_depth,
        soundings.depth,
    )


def test_fingerprint_is_the_published_hash_of_times_and_depths():
    # Worked by hand: 0 ms 1.000 m, 500 ms 2.500 m, little-endian 64-bit, through SHA-256 of the
    # standard library (FIPS 180-4).
    s = Soundings.build(
        [0, 0],
        [0, 0],
        [2.5, 1.0],
        time=np.array(["2026-05-14T00:00:00.5", "2026-05-14T00:00:00"], "M8[ms]"),
    )
    packed = struct.pack("<4q", 0, 1000, 500, 2500)
    assert fingerprint(s.time, s.raw_depth) == hashlib.sha256(packed).hexdigest()


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 1000), timed=st.booleans(), hours=st.integers(-12, 12))
def test_fingerprint_ignores_order_names_corrections_and_zone(seed, timed, hours):
    s = visit(60, seed, timed)
    mark = fingerprint(s.time, s.raw_depth)
    shuffled = s.select(np.random.default_rng(seed).permutation(len(s)))
    assert fingerprint(shuffled.time, shuffled.raw_depth) == mark
    zoned = s.time + np.timedelta64(hours, "h")
    assert fingerprint(zoned, s.raw_depth) == mark
    other = s.raw_depth.copy()
    other[seed % 60] += 0.01
    assert fingerprint(s.time, other) != mark


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 1000), timed=st.booleans())
def test_the_same_log_is_known_whatever_was_done_to_it(seed, timed):
    s = visit(120, seed, timed)
    again = correct_depths(s, time_offset_s=2.5 if timed else 0.0, draft_m=0.5).soundings
    order = np.random.default_rng(seed).permutation(len(again))
    again = again.select(order).replace(
        status=np.full(len(s), "spike", object), visit=np.full(len(s), "other name", object)
    )
    known = find_known(again, [stored(s.select(slice(0, 50))), stored(s.select(slice(50, None)))])
    assert known.there.all()
    assert known.counts() == {7: 120}
    if timed:
        np.testing.assert_array_equal(known.depth, s.depth[order])


def test_repeated_pings_of_one_instant_are_all_known():
    s = Soundings.build([1.0] * 6, [2.0] * 6, [3.0] * 6, time=START)
    assert find_known(s, [stored(s)]).there.all()


def test_only_the_overlap_of_a_longer_log_is_known():
    s = visit()
    known = find_known(s, [stored(s.select(slice(0, 80)))])
    np.testing.assert_array_equal(known.there, np.arange(len(s)) < 80)


@pytest.mark.parametrize("timed", [True, False])
def test_other_logs_are_not_known(timed):
    s = visit(timed=timed)
    far = visit(timed=timed, x0=400_500.0)  # another boat at the same seconds and depths
    assert not find_known(s, [stored(far)]).there.any()
    # Another sounder on the same boat: depths that agree but for a step or two up or down.
    steps = np.random.default_rng(1).integers(1, 3, len(s)) * np.tile([-1, 1], len(s) // 2)
    other = Soundings.build(s.x, s.y, s.depth + 0.03048 * steps, time=s.time)
    assert not find_known(other, [stored(s)]).there.any()


def test_without_time_the_place_must_agree():
    s = visit(timed=False)
    near = s.replace(x=s.x + 0.01)  # a projection there and back
    away = np.random.default_rng(1).normal(1.0, 0.2, len(s))
    beside = s.replace(x=s.x + away)  # the same lane sailed again
    assert find_known(near, [stored(s)]).there.all()
    assert not find_known(beside, [stored(s)]).there.any()


def test_lost_depths_positions_and_absurd_values():
    s = Soundings.build([np.nan, 1.0, 2.0], [np.nan, 1.0, 2.0], [np.nan, 1e300, -1.0], time=START)
    assert find_known(s, [stored(s)]).there.all()
    assert not find_known(s, []).there.any()
    assert len(find_known(s.select([]), [stored(s)]).visit) == 0


def test_one_outing_shares_half_of_the_smaller():
    assert same_outing(50, 100, 1000)
    assert not same_outing(49, 100, 1000)
    assert not same_outing(0, 0, 10)
    assert tells(20)
    assert not tells(19)


# -- what other programs leave of a log --------------------------------------------------------


def run_of(n, seed, hz, depth, moving, start=START, x0=400_000.0):
    """Log ``hz`` pings a second: depths random, of few values or constant; under way or still."""
    rng = np.random.default_rng(seed)
    k = np.arange(n)
    raw = {
        "random": rng.uniform(2, 6, n),
        "few": 3.0 + 0.1 * rng.integers(0, 3, n),
        "constant": np.full(n, 3.048),
    }[depth]
    x = x0 + 2.0 * k / hz * moving
    time = start + (k * 1000.0 / hz).astype("m8[ms]")
    return Soundings.build(
        x, np.full(n, 5_150_000.0), np.round(raw / 0.03048) * 0.03048, time=time, visit="a"
    )


def cut(s, how):
    """Drop the milliseconds as programs do: QGIS writes whole seconds, others round."""
    half = np.timedelta64(500 if how == "rounded" else 0, "ms")
    return s.replace(time=(s.time + half).astype("M8[s]").astype("M8[ms]"))


def by_way_of_degrees(s, decimals):
    from pyproj import Transformer

    there = Transformer.from_crs("EPSG:32615", "EPSG:4326", always_xy=True)
    lon, lat = there.transform(s.x, s.y)
    x, y = there.transform(np.round(lon, decimals), np.round(lat, decimals), direction="INVERSE")
    return s.replace(x=x, y=y)


LOGS = {
    "n": st.integers(1, 150),
    "seed": st.integers(0, 1000),
    "hz": st.sampled_from([1, 2, 5, 10]),
    "depth": st.sampled_from(["random", "few", "constant"]),
    "moving": st.booleans(),
}


@settings(max_examples=60, deadline=None)
@given(
    **LOGS,
    how=st.sampled_from(["cut", "rounded"]),
    decimals=st.sampled_from([6, 7, 9]),
    copy_first=st.booleans(),
    share=st.floats(0.05, 1.0),
)
def test_a_copy_without_milliseconds_is_the_log(
    n, seed, hz, depth, moving, how, decimals, copy_first, share
):
    log = run_of(n, seed, hz, depth, moving)
    copy = by_way_of_degrees(cut(log, how), decimals)
    rng = np.random.default_rng(seed)
    few = rng.permutation(n)[: max(int(share * n), 1)]  # a part of it, shuffled
    old, new = (copy, log) if copy_first else (log, copy)
    assert find_known(new.select(few), [stored(old)]).there.all()
    # And of the whole, just as many as there are in the part that is stored.
    assert find_known(new, [stored(old.select(few))]).there.sum() == len(few)


@settings(max_examples=40, deadline=None)
@given(**LOGS, how=st.sampled_from(["cut", "rounded"]))
def test_pages_of_a_store_are_one_log(n, seed, hz, depth, moving, how):
    log = run_of(n, seed, hz, depth, moving)
    rows = np.random.default_rng(seed).permutation(n)
    pages = [stored(log.select(part)) for part in np.array_split(rows, 4) if part.size]
    assert find_known(cut(log, how), pages).there.all()
    assert find_known(log, pages).there.all()


@settings(max_examples=40, deadline=None)
@given(**LOGS)
def test_two_halves_are_two(n, seed, hz, depth, moving):
    """The first and the second half, and at 5 and 10 pings a second every other ping."""
    log = run_of(n, seed, hz, depth, moving)
    first = np.arange(n) < n // 2
    assert not find_known(log.select(~first), [stored(log.select(first))]).there.any()
    if hz >= 5 and n >= 100:
        odd = np.arange(n) % 2 == 1
        assert not find_known(log.select(odd), [stored(log.select(~odd))]).there.any()


@settings(max_examples=40, deadline=None)
@given(**LOGS, apart=st.sampled_from([1.0, 10.0, 60.0, 300.0]), cut_one=st.booleans())
def test_a_second_boat_at_the_same_seconds_is_another(n, seed, hz, depth, moving, apart, cut_one):
    log = run_of(n, seed, hz, depth, moving)
    other = run_of(n, seed + 1, hz, depth, moving)
    other = other.replace(y=other.y + apart)
    if cut_one:
        other = cut(other, "cut")
    assert not find_known(other, [stored(log)]).there.any()
    # Both in the store: each is found where it is.
    pages = [stored(log, 1), stored(other, 2)]
    known = find_known(cut(other, "cut"), pages)
    assert known.counts() == {2: n}


@settings(max_examples=20, deadline=None)
@given(**LOGS, days=st.integers(1, 400))
def test_the_same_lanes_on_another_day_are_another_outing(n, seed, hz, depth, moving, days):
    log = run_of(n, seed, hz, depth, moving)
    again = log.replace(time=log.time + np.timedelta64(days, "D"))
    assert not find_known(again, [stored(log)]).there.any()
    assert not find_known(cut(again, "cut"), [stored(log)]).there.any()


def test_a_longer_stop_at_one_place_adds_only_what_is_new():
    """Ten pings share second, place and depth: the first ones are those that are there."""
    log = run_of(300, 0, 10, "constant", False, start=np.datetime64("2026-05-14T14:00:00", "ms"))
    held = stored(log.select(slice(0, 125)))
    for again in (log, cut(log, "cut")):
        np.testing.assert_array_equal(find_known(again, [held]).there, np.arange(300) < 125)
    untimed = log.replace(time=np.full(300, np.datetime64("NaT", "ms")))
    np.testing.assert_array_equal(find_known(untimed, [held]).there, np.arange(300) < 125)


def test_a_millisecond_lost_in_reading_is_no_difference():
    log = visit()
    again = log.replace(time=log.time - (np.arange(len(log)) % 3).astype("m8[ms]"))
    assert find_known(again, [stored(log)]).there.all()


def test_a_copy_that_lost_its_times_is_known_by_place():
    log = visit()
    copy = by_way_of_degrees(log.replace(time=np.full(len(log), np.datetime64("NaT", "ms"))), 8)
    assert find_known(copy, [stored(log)]).there.all()
    assert find_known(log, [stored(copy)]).there.all()


def test_a_moved_log_is_known_by_its_depths():
    """Another datum of the positions moves a log by metres; a boat abreast has other depths."""
    log = visit(400)
    slow = log.replace(time=START + np.arange(400) * np.timedelta64(1100, "ms"))
    for kept, again in ((log, log), (slow, slow), (slow, cut(slow, "cut"))):
        moved = again.replace(x=again.x + 1.3, y=again.y - 0.8)
        assert find_known(moved, [stored(kept)]).there.all()
        assert find_known(moved.select(slice(50, 150)), [stored(kept)]).there.all()
    # Two boats over a plane 8 m apart, whose depths agree in more than half of the seconds.
    k = np.arange(2000)
    rng = np.random.default_rng(4)
    boats = []
    for y in (0.0, 8.0):
        depth = 3.0 + 0.003 * k + 0.001 * y + rng.normal(0, 0.008, k.size)
        boats.append(
            Soundings.build(
                4e5 + 2.0 * k,
                5e6 + np.full(k.size, y),
                np.round(depth / 0.03048) * 0.03048,
                time=START + k * np.timedelta64(1, "s"),
            )
        )
    assert (boats[0].raw_depth == boats[1].raw_depth).mean() > 0.5
    assert not find_known(boats[1], [stored(boats[0])]).there.any()


def test_many_pings_crowd_one_place():
    """Places written coarsely, without times: pairing does not go through them one by one."""
    rng = np.random.default_rng(0)
    log = Soundings.build(rng.uniform(0, 0.04, 5000), rng.uniform(0, 0.04, 5000), [3.0] * 5000)
    again = log.replace(x=np.full(5000, 0.02), y=np.full(5000, 0.02))
    assert find_known(again, [stored(log)]).there.all()
    assert find_known(again, [stored(log.select(slice(0, 2000)))]).there.sum() == 2000
    # A boat that lay still: a tree of equal points would look at each for each.
    still = Soundings.build(np.zeros(60_000), np.zeros(60_000), np.full(60_000, 3.0))
    assert find_known(still, [stored(still)]).there.all()


def test_examples():
    assert doctest.testmod(store_content).failed == doctest.testmod(pairing).failed == 0
