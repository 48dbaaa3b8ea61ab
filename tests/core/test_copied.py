"""A copy of a log is told from another pass over the same lanes, whatever its level."""

import doctest

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from lakefloor.algorithms.core.exchange.shared_copy import coarse_soundings
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits import copied, lattice
from lakefloor.algorithms.core.visits.copied import Cloud, cells_in_common, pair_copied
from lakefloor.algorithms.core.visits.lattice import lattice_of
from lakefloor.algorithms.core.visits.store_content import Logged, find_known

START = np.datetime64("2026-05-14T14:00:00.250", "ms")


def outing(seed, *, gps=1.5, noise=0.03, steps=0.0, rough=1.0, written=0.0, lanes=9):
    """Sail lanes 20 m apart, a ping each 2 m.

    Positions wander by ``gps`` m with a memory of a minute and jitter by 5 cm, each outing anew;
    depths have ``noise`` and are logged in ``steps``, both m. ``rough`` scales the relief of the
    bottom; positions are written to ``written`` m, as five decimals of a degree are.
    """
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, 201.0, 2.0)
    x = np.repeat(20.0 * np.arange(lanes), along.size)
    y = np.concatenate([along[:: 1 if k % 2 else -1] for k in range(lanes)])
    depth = 6.0 + rough * (0.02 * x + np.sin(x / 40.0) + 0.5 * np.cos(y / 30.0))
    depth += rng.normal(0.0, noise, x.size)
    memory = np.exp(-1.0 / 60.0)
    strays = rng.normal(0.0, gps * np.sqrt(1.0 - memory**2), (x.size, 2))
    strays[0] = rng.normal(0.0, gps, 2)
    for i in range(1, x.size):
        strays[i] += memory * strays[i - 1]
    place = np.column_stack([500_000.0 + x, 5_000_000.0 + y]) + strays
    place += rng.normal(0.0, 0.05, place.shape)
    if steps:
        depth = np.round(depth / steps) * steps
    if written:
        place = np.round(place / written) * written
    return Soundings.build(
        *place.T,
        depth,
        raw_depth=depth - 0.3,
        time=START + np.arange(x.size) * np.timedelta64(1, "s"),
        visit="log",
    )


def held(soundings, number=7):
    s = soundings
    return Logged(
        np.full(len(s), number), s.x, s.y, s.time, s.raw_depth, s.depth, accepted=s.accepted
    )


def through(epsg, s):
    """Reproject there, round to a centimeter, and back."""
    there = Transformer.from_crs(32615, epsg, always_xy=True)
    x, y = (np.round(v, 2) for v in there.transform(s.x, s.y))
    x, y = there.transform(x, y, direction="INVERSE")
    return s.replace(x=x, y=y)


def copy_of(s, *, level=0.37, every=1, part="whole", cell=None, moved=(0.0, 0.0)):
    """Share a log: no times, rounded, sorted by place, on another datum."""
    rows = np.arange(0, len(s), every)
    if part == "half":
        rows = rows[rows < len(s) // 2]
    elif part == "clipped":
        rows = rows[(s.x[rows] < 500_090.0) & (s.y[rows] < 5_000_130.0)]
    s = s.select(rows)
    x, y, depth = coarse_soundings(s.x, s.y, s.depth, cell=cell)
    return Soundings.build(x + moved[0], y + moved[1], np.round(depth + level, 3), visit="copy")


OUTINGS = {
    "seed": st.integers(0, 10_000),
    "steps": st.sampled_from([0.0, 0.01, 0.03048, 0.1]),
    "rough": st.sampled_from([0.05, 1.0, 3.0]),
    "written": st.sampled_from([0.0, 0.0, 1.0]),
}


@settings(max_examples=40, deadline=None)
@given(
    **OUTINGS,
    level=st.floats(-2.0, 2.0),
    every=st.sampled_from([1, 2, 5]),
    part=st.sampled_from(["whole", "half", "clipped"]),
    epsg=st.sampled_from([None, 32614, 26915, 3857]),
)
def test_a_copy_at_another_level_is_known_in_either_order(
    seed, steps, rough, written, level, every, part, epsg
):
    log = outing(seed, steps=steps, rough=rough, written=written)
    copy = copy_of(log, level=level, every=every, part=part)
    if epsg:
        copy = through(epsg, copy)
    known = find_known(copy, [held(log)])
    assert known.there.mean() > 0.99
    assert known.copied[known.there].all()
    assert not known.enters[known.there].any()
    assert np.median(copy.depth - known.depth) == pytest.approx(
        np.round(level, 3) if steps else level, abs=2e-3
    )
    back = find_known(log, [held(copy)])
    assert back.replaces.sum() > 0.99 * len(copy)
    assert back.enters.all()
    assert not back.without_copies().there.any()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), east=st.floats(-2.0, 2.0), north=st.floats(-2.0, 2.0))
def test_a_copy_on_another_datum_of_positions_is_known(seed, east, north):
    """NAD 83 and WGS 84 differ by one to two meters, which programs take for none or correct."""
    log = outing(seed)
    copy = copy_of(log, moved=(east, north), every=2)
    assert find_known(copy, [held(log)]).there.mean() > 0.99
    assert find_known(log, [held(copy)]).replaces.sum() > 0.99 * len(copy)


@settings(max_examples=25, deadline=None)
@given(
    **OUTINGS,
    cell=st.sampled_from([5.0, 10.0, 20.0]),
    part=st.sampled_from(["whole", "half", "clipped"]),
    epsg=st.sampled_from([None, 32614]),
)
def test_a_coarse_copy_is_known_in_either_order(seed, steps, rough, written, cell, part, epsg):
    log = outing(seed, steps=steps, rough=rough, written=written)
    if epsg:  # coarsened in the copy's own CRS
        there = Transformer.from_crs(32615, epsg, always_xy=True)
        x, y = there.transform(log.x, log.y)
        copy = copy_of(log.replace(x=x, y=y), cell=cell, part="half" if part == "half" else "whole")
        x, y = there.transform(copy.x, copy.y, direction="INVERSE")
        copy = copy.replace(x=x, y=y)
    else:
        copy = copy_of(log, cell=cell, part=part)
    if len(copy) < 30:
        return
    known = find_known(copy, [held(log)])
    assert known.there.all()
    assert known.copied.all()
    assert np.median(copy.depth - known.depth) == pytest.approx(0.37, abs=2e-3)
    back = find_known(log, [held(copy)])
    covered = {"whole": 1.0, "half": 0.45, "clipped": 0.25}["half" if epsg and part == "half"
               else "whole" if epsg else part]  # fmt: skip
    assert back.replaces.mean() >= 0.95 * covered


@settings(max_examples=60, deadline=None)
@given(
    **OUTINGS,
    gps=st.sampled_from([0.5, 1.5, 4.0]),
    every=st.sampled_from([1, 5]),
    cell=st.sampled_from([None, None, 5.0, 10.0, 20.0]),
    level=st.sampled_from([0.0, 0.21]),
)
def test_another_pass_over_the_lanes_is_no_copy(
    seed, steps, rough, written, gps, every, cell, level
):
    log = outing(seed, gps=gps, steps=steps, rough=rough, written=written)
    again = outing(seed + 20_000, gps=gps, steps=steps, rough=rough, written=written)
    copy = copy_of(again, level=level, every=every, cell=cell)
    # By chance a single ping lies within centimeters, with the depth as logged.
    assert find_known(copy, [held(log)]).there.mean() < 0.01
    assert find_known(log, [held(copy)]).there.mean() < 0.01


def test_a_copy_with_times_but_other_raw_depths_is_known():
    """Times as logged, depths as reduced elsewhere: the log stays as it is."""
    log = outing(3)
    copy = Soundings.build(log.x, log.y, log.depth + 0.4, time=log.time, visit="friend")
    for a, b in ((copy, log), (log, copy)):
        known = find_known(a, [held(b)])
        assert known.there.all()
        assert not known.enters.any()
    # The same where a program dropped the milliseconds.
    cut = copy.replace(time=copy.time.astype("M8[s]").astype("M8[ms]"))
    assert find_known(cut, [held(log)]).there.all()
    # A boat abreast has the same seconds, but neither places nor depths.
    abreast = copy.replace(x=copy.x + 1.0, depth=outing(4).depth)
    assert not find_known(abreast, [held(log)]).there.any()


def test_pings_in_between_are_other_soundings():
    """A boat that lay still, five pings a second: every other ping, at one place and depth."""
    n = np.arange(400)
    still = Soundings.build(
        np.full(400, 5e5),
        np.full(400, 5e6),
        np.full(400, 3.0),
        time=START + n * np.timedelta64(200, "ms"),
    )
    odd = still.select(n % 2 == 1).replace(depth=np.full(200, 3.3))
    assert not find_known(odd, [held(still.select(n % 2 == 0))]).there.any()


def test_own_and_foreign_soundings_of_one_copy_are_told_apart():
    mine, theirs = outing(1), outing(2)
    shared = [copy_of(s) for s in (mine, theirs)]
    x, y, depth = (np.concatenate([getattr(s, v) for s in shared]) for v in ("x", "y", "depth"))
    order = np.lexsort((x, y))
    known = find_known(Soundings.build(x[order], y[order], depth[order]), [held(mine)])
    assert known.there.sum() == pytest.approx(len(mine), abs=3)
    assert (order[known.there] < len(mine)).mean() > 0.99


@pytest.mark.parametrize("step", [0.01, 0.03048, 0.1])
def test_a_copy_with_coarser_depths_is_known(step):
    log = outing(6)
    copy = copy_of(log)
    copy = Soundings.build(copy.x, copy.y, np.round(copy.depth / step) * step)
    assert find_known(copy, [held(log)]).there.mean() > 0.95
    again = copy_of(outing(7))
    again = Soundings.build(again.x, again.y, np.round(again.depth / step) * step)
    assert find_known(again, [held(log)]).there.mean() < 0.01


def test_few_soundings_of_a_copy_are_known_if_most_are_there():
    log = outing(5)
    few = copy_of(log.select(slice(100, 108)), level=0.0)
    assert find_known(few, [held(log)]).there.all()
    half = few.replace(depth=few.depth + 0.2 * (np.arange(8) % 2))
    assert not find_known(half, [held(log)]).there.any()


@pytest.mark.parametrize("epsg", [32614, 26914, 3857])
def test_a_grid_is_found_through_another_projection(epsg):
    """Over 5 km the rows of a grid in UTM bend by meters in the next zone."""
    node = np.stack(np.meshgrid(np.arange(500), np.arange(0, 500, 25)), -1).reshape(-1, 2)
    there = Transformer.from_crs(32615, epsg, always_xy=True)
    x, y = there.transform(500_000.0 + 10.0 * node[:, 0], 5_000_000.0 + 10.0 * node[:, 1])
    place = np.column_stack([x, y])
    found = lattice_of(place)
    inner = place[:200]
    away = np.array(there.transform(*(np.array(there.transform(*inner.T, direction="INVERSE"))
                                      + [[4.0], [-4.0]]))).T  # fmt: skip
    assert (found.cells(inner) == found.cells(away)).all()
    assert len(np.unique(found.cells(place), axis=0)) == len(np.unique(node, axis=0))


def test_what_lies_anyhow_is_on_no_grid():
    rng = np.random.default_rng(0)
    assert lattice_of(rng.uniform(0, 500, (2000, 2))) is None
    assert lattice_of(np.zeros((50, 2))) is None
    assert lattice_of(np.column_stack([np.arange(50.0), np.zeros(50)])) is not None
    log = outing(0)
    assert lattice_of(np.column_stack([log.x, log.y])) is None


def test_examples():
    assert doctest.testmod(copied).failed == doctest.testmod(lattice).failed == 0
    assert (
        pair_copied(
            Cloud(np.zeros((3, 2)), np.zeros(3)), Cloud(np.zeros((3, 2)), np.zeros(3))
        ).max()
        == -1
    )
    squares = lattice_of(np.stack(np.meshgrid(np.arange(9.0), np.arange(9.0)), -1).reshape(-1, 2))
    few = Cloud(np.zeros((3, 2)), np.zeros(3))
    assert cells_in_common(few, few, squares) is None
