"""A log and its copies are in a lake database once, whichever came first."""

import numpy as np
import pytest

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.exchange.shared_copy import coarse_soundings
from lakefloor.algorithms.core.soundings import Soundings, concatenate

UTM = "EPSG:32615"


def outing(seed, name="may", day="2025-05-01"):
    """Lanes 20 m apart whose positions wander by meters, a ping each 2 m; a few are rejected."""
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, 201.0, 2.0)
    x = np.repeat(20.0 * np.arange(8), along.size)
    y = np.concatenate([along[:: 1 if k % 2 else -1] for k in range(8)])
    wander = np.cumsum(rng.normal(0.0, 0.2, (x.size, 2)), axis=0)
    x, y = x + wander[:, 0], y + wander[:, 1]
    depth = 6.0 + 0.02 * x + np.sin(x / 40.0) + rng.normal(0.0, 0.03, x.size)
    spike = np.arange(x.size) % 41 == 0
    depth += 4.0 * spike
    return Soundings.build(
        500_000.0 + x,
        5_000_000.0 + y,
        depth,
        raw_depth=depth - 0.3,
        time=np.datetime64(f"{day}T14:00:00.250", "ms")
        + np.arange(x.size) * np.timedelta64(1, "s"),
        visit=name,
        uncert=0.05,
        status=np.where(spike, "spike", "accepted").astype(object),
        corrections="datum=pool;datum_elev_m=290",
    )


def copy_of(s, level=0.37, cell=None, datum="datum=other;datum_elev_m=289.63"):
    s = s.select(s.accepted)
    x, y, depth = coarse_soundings(s.x, s.y, s.depth, cell=cell)
    depth = np.round(depth + level, 3)
    return Soundings.build(x, y, depth, visit="friend", corrections=datum)


def held(path):
    return concatenate(_store.read(path))


@pytest.mark.parametrize("cell", [None, 10.0])
def test_own_log_first_then_a_copy_of_it_on_another_datum(tmp_path, cell):
    path, log = tmp_path / "lake.gpkg", outing(0)
    _store.add(path, log, UTM)
    copy = copy_of(log, cell=cell)
    for mode in ("add", "replace"):
        done = _store.add(path, copy, UTM, mode=mode)
        assert (done.added, done.already_there, done.removed) == (0, len(copy), 0)
        assert not any("replace" in note for note in done.notes)
    assert len(held(path)) == len(log)


@pytest.mark.parametrize("mode", ["add", "replace"])
@pytest.mark.parametrize("cell", [None, 10.0])
def test_a_copy_first_then_the_log_takes_its_place(tmp_path, cell, mode):
    path, log = tmp_path / "lake.gpkg", outing(0)
    copy = copy_of(log, cell=cell)
    _store.add(path, copy, UTM)
    done = _store.add(path, log, UTM, mode=mode)
    assert (done.added, done.removed) == (len(log), len(copy))
    assert any("are a copy of visit 'may'" in note for note in done.notes)
    now = held(path)
    assert len(now) == len(log)
    assert set(now.visit) == {"may"}
    assert np.array_equal(np.sort(now.raw_depth), np.sort(log.raw_depth))
    assert [v.name for v in _store.contents(path).visits] == ["may"]
    again = _store.add(path, copy, UTM)
    assert again.added == 0


def test_what_else_a_copy_holds_stays(tmp_path):
    path, mine, theirs = tmp_path / "lake.gpkg", outing(0), outing(1, "june", "2025-06-01")
    both = concatenate([copy_of(mine, datum="datum=pool;datum_elev_m=290"),
                        copy_of(theirs, datum="datum=pool;datum_elev_m=290")])  # fmt: skip
    _store.add(path, both, UTM)
    done = _store.add(path, mine, UTM)
    assert done.added == len(mine)
    assert done.removed == pytest.approx(mine.accepted.sum(), abs=2)
    now = held(path)
    assert (now.visit == "friend").sum() == len(both) - done.removed


def test_another_pass_enters(tmp_path):
    path, mine, theirs = tmp_path / "lake.gpkg", outing(0), outing(1, "june", "2025-06-01")
    _store.add(path, mine, UTM)
    copy = copy_of(theirs, datum="datum=pool;datum_elev_m=290")
    done = _store.add(path, copy, UTM)
    assert (done.added, done.already_there) == (len(copy), 0)


def test_a_copy_merges_into_nothing_new(run, tmp_path):
    log = outing(0)
    own, other, merged = (str(tmp_path / f"{name}.gpkg") for name in ("own", "other", "merged"))
    _store.add(own, log, UTM)
    _store.add(other, copy_of(log), UTM)
    results = run("mergedatabases", {"DATABASE": own, "OTHER_DATABASE": other, "OUTPUT": merged})
    assert (results["ADDED"], results["ALREADY_THERE"]) == (0, log.accepted.sum())
    # The other way round the log takes the place of the copy, at the level of the copy.
    back = str(tmp_path / "back.gpkg")
    results = run("mergedatabases", {"DATABASE": other, "OTHER_DATABASE": own, "OUTPUT": back})
    assert results["ADDED"] == len(log)
    now = held(back)
    assert len(now) == len(log)
    assert results["OFFSET"] == pytest.approx(-0.37, abs=0.005)
    assert np.allclose(np.sort(now.depth), np.sort(log.depth + 0.37), atol=0.005)
