"""Older soundings that come in after a visit that has superseded others are superseded too."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, JULY, JUNE, MAY, all_of, state

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings, concatenate
from lakefloor.algorithms.core.visits.as_of import Knowledge
from lakefloor.algorithms.core.visits.merging import merge_soundings

HOLE_X, HOLE_Y, RADIUS = 400_040.0, 5_150_150.0, 28.0
BY_JULY = "superseded by july"


def from_hole(s):
    return np.hypot(s.x - HOLE_X, s.y - HOLE_Y)


DUG = JULY.replace(depth=JULY.depth + 1.2 * (from_hole(JULY) < RADIUS))


@pytest.fixture
def path(tmp_path):
    """A store in which July, which found the hole, has superseded part of May."""
    path = tmp_path / "lake.gpkg"
    _store.add(path, MAY, CRS)
    assert _store.add(path, DUG, CRS, newer_wins=True).superseded > 100
    return path


def status_of(path, name):
    s = all_of(path, visits=[name])
    order = np.lexsort((s.y, s.x))
    return s.status[order].tolist()


def untimed(s):
    return Soundings.build(
        s.x, s.y, s.depth, visit="copy", uncert=s.uncert, corrections=s.corrections
    )


def test_a_log_found_later_is_superseded_as_if_it_had_been_there(path, tmp_path):
    done = _store.add(path, JUNE, CRS)
    in_time = tmp_path / "in_time.gpkg"
    _store.add(in_time, concatenate([MAY, JUNE]), CRS)
    _store.add(in_time, DUG, CRS, newer_wins=True)
    for name in ("june", "july"):
        assert status_of(path, name) == status_of(in_time, name)
    june = all_of(path, visits=["june"])
    marked = june.status == BY_JULY
    assert marked[from_hole(june) < RADIUS - 4.0].mean() > 0.98
    assert not marked[from_hole(june) > RADIUS + 8.0].any()
    assert done.superseded == marked.sum()
    assert f"It supersedes {done.superseded} of visit 'june' there too." in " ".join(done.notes)
    assert state(path)[1][-1] == (BY_JULY, "june", done.superseded)
    # Only what came in is spoken of.
    assert [(a, b) for a, b, _ in done.changes] == [("june", "july")]


def test_a_thinned_copy_without_times_is_superseded_and_counts_as_of_a_day_before(path, tmp_path):
    copy = untimed(JUNE).select(np.arange(len(JUNE)) % 9 == 0)
    merged = merge_soundings(all_of(path), copy, level="none", copy_name="copy")
    target = tmp_path / "merged.gpkg"
    done = _store.write_merged(target.with_name("lake.gpkg"), target, merged, "none")
    held = all_of(target, visits=["copy"])
    inside = from_hole(held) < RADIUS - 4.0
    assert inside.sum() > 20
    assert (held.status[inside] == BY_JULY).all()
    assert (held.status == BY_JULY).sum() == done.superseded
    visits = _store.contents(target).visits
    before = Knowledge.of(visits, CRS, np.datetime64("2025-12-31"))
    then = before.of_soundings(all_of(target))
    assert set(then.visit) == {"may", "copy"}
    assert set(then.status) == {ACCEPTED}


def test_undo_and_removal_stay_right(path):
    before = all_of(path)
    _store.add(path, JUNE, CRS)
    _store.undo(path)
    back = all_of(path)
    np.testing.assert_array_equal(back.status, before.status)
    np.testing.assert_array_equal(back.visit, before.visit)
    done = _store.add(path, JUNE, CRS)
    gone = _store.remove(path, ["july"])
    assert gone["restored"] == done.superseded + (before.status == BY_JULY).sum()
    assert set(all_of(path).status) == {ACCEPTED}
    state(path)


def test_a_newer_visit_that_only_reported_a_change_supersedes_nothing_later(tmp_path):
    path = tmp_path / "lake.gpkg"
    _store.add(path, MAY, CRS)
    _store.add(path, DUG, CRS)
    assert _store.add(path, JUNE, CRS).superseded == 0
    assert set(all_of(path).status) == {ACCEPTED}


def test_what_is_as_deep_as_the_hole_is_kept(path):
    """A copy without times may as well be newer than the hole."""
    copy = untimed(JUNE)
    copy = copy.replace(depth=copy.depth + 1.2 * (from_hole(copy) < RADIUS))
    _store.add(path, copy, CRS)
    held = all_of(path, visits=["copy"])
    assert (held.status[from_hole(held) < RADIUS - 4.0] == ACCEPTED).mean() > 0.98
