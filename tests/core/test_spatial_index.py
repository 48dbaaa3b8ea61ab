"""SQLite's own R*Tree module reads what is packed, and says whether it is well formed."""

import sqlite3
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from lakefloor.algorithms.core.spatial_index import ROOT, pack_nodes, round_outward


def _tree(ids, bounds, page=4096):
    """Return a database with the index ``t`` over boxes."""
    db = sqlite3.connect(":memory:")
    db.execute(f"PRAGMA page_size = {page}")
    db.execute("CREATE VIRTUAL TABLE t USING rtree(id, minx, maxx, miny, maxy)")
    ((size,),) = db.execute("SELECT length(data) FROM t_node")
    nodes = pack_nodes(ids, round_outward(bounds), size)
    db.execute("DELETE FROM t_node")
    db.executemany("INSERT INTO t_node VALUES (?, ?)", enumerate(nodes.blobs, ROOT))
    db.executemany("INSERT INTO t_rowid VALUES (?, ?)", zip(ids.tolist(), nodes.leaves.tolist()))
    below = enumerate(nodes.parents.tolist()[1:], ROOT + 1)
    db.executemany("INSERT INTO t_parent VALUES (?, ?)", below)
    return db


def _found(db, west, south, east, north):
    query = "SELECT id FROM t WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?"
    return {i for (i,) in db.execute(query, (west, east, south, north))}


def _rows_in(window, bounds, ids):
    west, south, east, north = window
    inside = (bounds[:, 2] >= west) & (bounds[:, 0] <= east)
    return set(ids[inside & (bounds[:, 3] >= south) & (bounds[:, 1] <= north)].tolist())


def _hold(ids, bounds, windows):
    with closing(_tree(ids, bounds)) as db:
        assert db.execute("SELECT rtreecheck('t')").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM t").fetchone() == (len(ids),)
        # Each side may have moved outward to the next number of single precision, no farther.
        with np.errstate(over="ignore"):
            step = np.spacing(np.abs(bounds).astype(np.float32)).astype(float)
        grown = bounds + np.where(np.isfinite(step), step, np.inf) * (-1, -1, 1, 1)
        for window in windows:
            found = _found(db, *window)
            assert _rows_in(window, bounds, ids) <= found <= _rows_in(window, grown, ids)


def _random(n, rng, size=0.0):
    low = rng.uniform(0, 1000, (n, 2)) + (500_000, 5_000_000)
    return np.concatenate([low, low + rng.uniform(0, size, (n, 2))], axis=1)


def _windows(bounds, rng, count=30):
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    corners = np.sort(rng.uniform(low, high, (count, 2, 2)), axis=1)
    return corners.reshape(count, 4).tolist()


@pytest.mark.parametrize("n", [1, 2, 51, 52, 51 * 51, 51 * 51 + 1, 20_000])
@pytest.mark.parametrize("size", [0.0, 40.0], ids=["points", "boxes"])
def test_sqlite_finds_what_is_there(n, size):
    rng = np.random.default_rng(n)
    bounds = _random(n, rng, size)
    ids = np.sort(rng.choice(10 * n, n, replace=False)) + 1
    windows = _windows(bounds, rng)
    _hold(ids, bounds, windows)
    # What SQLite rounds itself is as large or larger.
    with closing(_tree(ids, bounds)) as db, closing(sqlite3.connect(":memory:")) as peer:
        peer.execute("CREATE VIRTUAL TABLE t USING rtree(id, minx, maxx, miny, maxy)")
        rows = np.column_stack([ids, bounds[:, [0, 2, 1, 3]]]).tolist()
        peer.executemany("INSERT INTO t VALUES (?, ?, ?, ?, ?)", rows)
        for window in windows:
            assert _found(db, *window) <= _found(peer, *window)


coordinates = st.one_of(
    st.floats(-1e3, 1e3),
    st.floats(-1e300, 1e300),
    st.sampled_from([0.0, 1.0, 500_000.01, 16_777_217.0, -16_777_217.0]),
)


@settings(max_examples=60)
@given(
    arrays.arrays(float, st.tuples(st.integers(1, 130), st.just(2)), elements=coordinates),
    st.booleans(),
    st.lists(st.tuples(*[coordinates] * 4), min_size=1, max_size=5),
)
def test_any_points_and_boxes(corners, as_boxes, windows):
    other = np.roll(corners, 1, axis=0) if as_boxes else corners
    bounds = np.concatenate([np.minimum(corners, other), np.maximum(corners, other)], axis=1)
    windows = [(min(a, c), min(b, d), max(a, c), max(b, d)) for a, b, c, d in windows]
    _hold(np.arange(1, len(bounds) + 1), bounds, windows)


@pytest.mark.parametrize("page", [512, 1024, 4096, 65536])
def test_nodes_are_of_the_size_that_sqlite_chose(page):
    bounds = _random(3000, np.random.default_rng(1))
    with closing(_tree(np.arange(1, 3001), bounds, page)) as db:
        assert db.execute("SELECT rtreecheck('t')").fetchone() == ("ok",)


def test_an_index_lives_on():
    """SQLite itself splits the full nodes, and merges what becomes too small."""
    rng = np.random.default_rng(4)
    bounds = _random(5000, rng)
    with closing(_tree(np.arange(1, 5001), bounds)) as db:
        added = _random(700, rng)
        db.executemany(
            "INSERT INTO t VALUES (?, ?, ?, ?, ?)",
            ((6000 + i, x, x, y, y) for i, (x, y) in enumerate(added[:, :2].tolist())),
        )
        db.execute("DELETE FROM t WHERE id % 3 <> 0")
        assert db.execute("SELECT rtreecheck('t')").fetchone() == ("ok",)
        left = [i for i in [*range(1, 5001), *range(6000, 6700)] if i % 3 == 0]
        assert [i for (i,) in db.execute("SELECT id FROM t ORDER BY id")] == left


def test_an_index_of_nothing():
    with closing(_tree(np.empty(0, np.int64), np.empty((0, 4)))) as db:
        assert db.execute("SELECT rtreecheck('t')").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM t").fetchone() == (0,)


@given(arrays.arrays(float, (5, 4), elements=coordinates))
def test_boxes_grow_and_never_shrink(bounds):
    west, east, south, north = round_outward(bounds).astype(float).T
    assert (west <= bounds[:, 0]).all()
    assert (south <= bounds[:, 1]).all()
    assert (east >= bounds[:, 2]).all()
    assert (north >= bounds[:, 3]).all()


def test_a_node_without_room_is_refused():
    with pytest.raises(ValueError, match="40 bytes"):
        pack_nodes(np.arange(3), np.zeros((3, 4), np.float32), 40)
