"""What a store holds already is told by what was logged."""

import hashlib
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.soundings import Soundings
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
    return Soundings.build(x0 + 1.1 * k, 5_150_000 + rng.normal(0, 1, n), depth, time=time,
                           corrections="from=transducer", water_temp=18.0)


def stored(soundings, number=7):
    return Logged(np.full(len(soundings), number), soundings.x, soundings.y, soundings.time,
                  soundings.raw_depth, soundings.depth)


def test_fingerprint_is_the_published_hash_of_times_and_depths():
    # Worked by hand: 0 ms 1.000 m, 500 ms 2.500 m, little-endian 64-bit, through SHA-256 of the
    # standard library (FIPS 180-4).
    s = Soundings.build([0, 0], [0, 0], [2.5, 1.0],
                        time=np.array(["2026-05-14T00:00:00.5", "2026-05-14T00:00:00"], "M8[ms]"))
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
    again = again.select(order).replace(status=np.full(len(s), "spike", object),
                                        visit=np.full(len(s), "other name", object))
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
    deeper = Soundings.build(s.x, s.y, s.depth + 0.03048, time=s.time)
    assert not find_known(deeper, [stored(s)]).there.any()


def test_without_time_the_place_must_agree():
    s = visit(timed=False)
    near = s.replace(x=s.x + 0.01)  # a projection there and back
    beside = s.replace(x=s.x + 0.5)  # the same lane sailed again
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
