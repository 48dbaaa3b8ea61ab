"""Changes of the lake's store are undone: row for row as before, but for the history."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from osgeo import gdal
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).parent))
from older_stores import write_store
from test_store import CRS, DATUM, JULY, JUNE, MAY, all_of, state, visit

from lakefloor.algorithms import _store
from lakefloor.algorithms._store.undoing import MOST_STEPS
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.algorithms.core.visits import by_hand
from lakefloor.algorithms.core.visits.by_hand import VisitPart
from lakefloor.algorithms.core.visits.log_book import VisitFacts


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


def rows_of(path):
    """Return every row of soundings, visits and the spatial index, read with SQL alone."""
    with closing(sqlite3.connect(str(path))) as db:
        return {
            query: db.execute(query).fetchall()
            for query in (
                "SELECT * FROM soundings ORDER BY fid",
                "SELECT * FROM visits ORDER BY fid",
                "SELECT * FROM decisions ORDER BY fid",
                "SELECT id, minx, maxx, miny, maxy FROM rtree_soundings_geom ORDER BY id",
                "SELECT table_name, feature_count FROM gpkg_ogr_contents "
                "WHERE table_name != 'history' ORDER BY 1",
                "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents "
                "WHERE table_name = 'soundings'",
            )
        }


WEST = VisitPart(box(399_990.0, 5_149_990.0, 400_040.0, 5_150_310.0))

CHANGES = {
    "add": lambda path: _store.add(path, JULY, CRS, facts={"july": VisitFacts(("a.csv",), "Ada")}),
    "newer wins": lambda path: _store.add(
        path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True
    ),
    "extend": lambda path: _store.add(
        path, visit("june", "2025-06-14", n=3300, seed=1, dx=1.0), CRS
    ),
    "replace": lambda path: _store.add(
        path, MAY.replace(depth=MAY.depth + 0.1), CRS, mode="replace"
    ),
    "remove": lambda path: _store.remove(path, ["june"]),
    "hold back": lambda path: _store.set_aside(path, WEST, by_hand.HOLD_BACK, words="weeds"),
    "remove a part": lambda path: _store.set_aside(path, WEST, by_hand.REMOVE),
    "edit": lambda path: _store.edit_log_book(path, ["may"], VisitFacts(owner="Ben")),
    "reject": lambda path: _store.decide(path, range(5, 3000, 7), "reject", reason="fish"),
    "switch off": lambda path: _store.switch_visits(path, ["june"], on=False),
    "rename": lambda path: _store.rename_visit(path, "june", "first day of June"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_each_change_is_undone(path, change):
    # The last of the visit comes as a longer log in "extend".
    _store.add(path, concatenate([MAY, JUNE.select(slice(0, 2500))]), CRS)
    before, _ = rows_of(path), state(path)
    history = state(path)[1]
    change(path)
    assert rows_of(path) != before
    done = _store.undo(path)
    assert rows_of(path) == before
    after = state(path)[1]
    assert after[: len(history)] == history  # only ever added to
    entered = after[len(history) : len(after) - len(done.changes)]
    assert done.changes == entered
    assert after[len(after) - len(done.changes) :] == [("undone", v, n) for _, v, n in entered]
    assert done.left == _store.undo_count(path) == 1
    # The store goes on as if nothing had been.
    change(path)
    assert all_of(path) is not None
    state(path)


def test_of_several_changes_the_newest_is_undone_first(path):
    _store.add(path, MAY, CRS)
    may = rows_of(path)
    _store.add(path, JUNE, CRS)
    june = rows_of(path)
    _store.add(path, JULY, CRS)
    _store.add(path, JULY, CRS)  # adds nothing, and so is no change
    assert [change.actions for change in _store.undoable(path)] == [
        (("added", "july", 3000),),
        (("added", "june", 3000),),
        (("added", "may", 3000),),
    ]
    assert _store.undo(path).changes == [("added", "july", 3000)]
    assert rows_of(path) == june
    # Another change in between, which is undone too.
    _store.set_aside(path, WEST, by_hand.HOLD_BACK, words="weeds")
    held = _store.undoable(path)[0]
    assert (held.action, held.visits) == ("held back", ("may", "june"))
    assert held.soundings == sum(n for _, _, n in _store.undo(path).changes)
    assert _store.undo(path).changes == [("added", "june", 3000)]
    assert rows_of(path) == may
    assert _store.undo(path).left == 0
    with pytest.raises(LakefloorError, match="undone already"):
        _store.undo(path)


def test_of_many_changes_the_oldest_fall_off(path):
    _store.add(path, MAY, CRS)
    states = []
    for k in range(MOST_STEPS + 3):
        states.append(rows_of(path))
        _store.edit_log_book(path, ["may"], VisitFacts(remark=f"remark {k}"))
    assert _store.undo_count(path) == len(_store.undoable(path)) == MOST_STEPS
    for before in states[: -MOST_STEPS - 1 : -1]:
        _store.undo(path)
        assert rows_of(path) == before
    with pytest.raises(LakefloorError, match="too long ago"):
        _store.undo(path)


def test_large_changes_fall_off_sooner(path, monkeypatch):
    monkeypatch.setattr("lakefloor.algorithms._store.undoing._MOST_BYTES", 2 * 3000 * 40 + 1)
    _store.add(path, MAY, CRS)
    for k in range(5):
        _store.switch_visits(path, ["may"], on=bool(k % 2))
    # As many as take up less, and the newest.
    assert [change.action for change in _store.undoable(path)] == [
        "switched off",
        "switched on",
        "switched off",
    ]


def test_the_first_visit_is_undone(path):
    _store.add(path, MAY, CRS)
    done = _store.undo(path)
    assert (done.soundings_before, done.soundings_after) == (3000, 0)
    assert _store.contents(path).visits == []
    assert _store.add(path, JUNE, CRS).added == 3000


def test_tables_of_what_can_be_undone_are_not_shown(path):
    _store.add(path, MAY, CRS)
    _store.remove(path, ["may"])
    dataset = gdal.OpenEx(str(path))
    names = [dataset.GetLayer(k).GetName() for k in range(dataset.GetLayerCount())]
    assert names == ["soundings", "visits", "history"]


def test_a_failed_change_leaves_what_can_be_undone(path):
    _store.add(path, MAY, CRS)
    before = rows_of(path)
    _store.add(path, JUNE, CRS)

    def refuse(done):
        raise Cancelled

    with pytest.raises(Cancelled):
        _store.add(path, JULY, CRS, before_commit=refuse)
    _store.undo(path)
    assert rows_of(path) == before


def test_a_cancel_is_heard_while_much_is_taken_back(path):
    _store.add(path, MAY, CRS)
    _store.add(path, visit("large", "2026-07-01", n=60_000, seed=3), CRS)
    before = path.read_bytes()
    calls = []

    def cancel(fraction):
        calls.append(fraction)
        if len(calls) > 2:
            raise Cancelled

    with pytest.raises(Cancelled):
        _store.undo(path, progress=cancel)
    assert set(calls) == {0.1}
    assert path.read_bytes() == before
    assert _store.undo(path).soundings_after == 3000


def test_an_edit_of_another_program_is_never_undone(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JUNE, CRS)
    dataset = gdal.OpenEx(str(path), gdal.OF_UPDATE | gdal.OF_VECTOR)
    layer = dataset.GetLayer("soundings")
    feature = layer.GetFeature(6)
    feature.SetField("status", "odd")
    layer.SetFeature(feature)
    layer = dataset = None
    before = rows_of(path)
    with pytest.raises(LakefloorError, match="edited by another program"):
        _store.undo(path)
    assert rows_of(path) == before


def test_a_restored_backup_and_an_upgraded_store_have_nothing_to_undo(path, tmp_path):
    _store.add(path, MAY, CRS)
    (tmp_path / "usb").mkdir()
    copy = _store.back_up(path, tmp_path / "usb")
    _store.add(path, JUNE, CRS)
    _store.restore(copy, path)
    with pytest.raises(LakefloorError, match="restored"):
        _store.undo(path)
    older = write_store(tmp_path / "older.gpkg", 2)
    before = older.read_bytes()
    with pytest.raises(LakefloorError, match="upgraded"):
        _store.undo(older)
    assert older.read_bytes() == before
    assert list(tmp_path.glob("older-layout*")) == []


def test_what_is_damaged_is_not_put_back(path):
    _store.add(path, MAY, CRS)
    _store.remove(path, ["may"])
    with closing(sqlite3.connect(str(path))) as db:
        db.execute("UPDATE undo_soundings SET depth_m = 99 WHERE fid = 7")
        db.commit()
    with pytest.raises(LakefloorError, match="damaged"):
        _store.undo(path)
    assert _store.contents(path).visits == []


def test_soundings_without_a_place_are_put_back(path):
    lost = MAY.replace(
        x=np.where(np.arange(3000) == 5, np.nan, MAY.x),
        y=np.where(np.arange(3000) == 5, np.nan, MAY.y),
        status=np.where(np.arange(3000) == 5, "no position", MAY.status),
    )
    _store.add(path, lost, CRS)
    before = rows_of(path)
    _store.remove(path, ["may"])
    _store.undo(path)
    assert rows_of(path) == before


# -- any sequence --------------------------------------------------------------------------------

#: Short visits on days of their own, each with the log that is longer by half.
SMALL = {
    name: visit(name, f"2024-05-{10 + k}", n=90, seed=k, dx=float(k), corrections=DATUM)
    for k, name in enumerate("abcd")
}

part = st.builds(
    lambda west, width, south: VisitPart(
        box(400_000 + west, 5_150_000 + south, 400_000 + west + width, 5_150_400)
    ),
    st.floats(-3, 3),
    st.floats(0.5, 6),
    st.floats(-10, 80),
)
step = st.one_of(
    st.tuples(st.just("add"), st.sampled_from("abcd"), st.integers(30, 90), st.booleans()),
    st.tuples(st.just("replace"), st.sampled_from("abcd"), st.integers(60, 90), st.booleans()),
    st.tuples(st.just("remove"), st.sampled_from("abcd")),
    st.tuples(
        st.just("aside"),
        part,
        st.sampled_from(
            [
                by_hand.HOLD_BACK,
                by_hand.REJECT,
                by_hand.REMOVE,
                by_hand.ACCEPT,
                by_hand.MARK_CHANGED,
            ]
        ),
    ),
    st.tuples(st.just("edit"), st.sampled_from("abcd"), st.text("xyz", max_size=3)),
    st.tuples(
        st.just("decide"),
        st.sampled_from(["reject", "accept", "clear"]),
        st.lists(st.integers(1, 400), min_size=1, max_size=40),
        st.sampled_from(["", "fish"]),
    ),
    st.tuples(st.just("switch"), st.sampled_from("abcd"), st.booleans()),
    st.tuples(st.just("rename"), st.sampled_from("abcd"), st.sampled_from("abcd")),
)


_REFUSED = (
    "has no visit",
    "not in the lake database any more",
    "already has a visit",
    "has other soundings than these",
)


def take(path, what, *values):
    """Change a store; say whether it was a change, if only one that the history keeps."""
    before = (rows_of(path), _store.undo_count(path)) if path.exists() else None
    try:
        if what in ("add", "replace"):
            name, count, shallow = values
            s = SMALL[name].select(slice(0, count))
            s = s.replace(depth=s.depth - 0.8 * shallow)
            _store.add(path, s, CRS, mode=what, newer_wins=shallow)
        elif what == "remove":
            _store.remove(path, list(values))
        elif what == "decide":
            decision, rows, reason = values
            _store.decide(path, rows, decision, reason=reason)
        elif what == "switch":
            _store.switch_visits(path, [values[0]], on=values[1])
        elif what == "rename":
            _store.rename_visit(path, *values)
        elif what == "aside":
            where, action = values
            _store.set_aside(path, where, action, words="2024-05-12")
        else:
            _store.edit_log_book(path, [values[0]], VisitFacts(remark=values[1]))
    except LakefloorError as error:
        if not any(words in str(error) for words in _REFUSED):
            raise
    return before != (rows_of(path), _store.undo_count(path))


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(step, min_size=1, max_size=6))
def test_undo_is_the_state_before_whatever_was_done(tmp_path, steps):
    path = tmp_path / "any.gpkg"
    path.unlink(missing_ok=True)
    _store.add(path, concatenate([SMALL["a"].select(slice(0, 60)), SMALL["b"]]), CRS)
    before = []
    for what, *values in steps:
        held, looked = rows_of(path), _store.state_of(path)
        if take(path, what, *values):
            before.append((held, looked))
        state(path)
        for found in _store.contents(path).visits:
            assert len(all_of(path, visits=[found.name])) == found.soundings
        check_rows(path)
    for held, looked in before[::-1]:
        _store.undo(path)
        assert rows_of(path) == held
        assert _store.state_of(path) == looked
        check_rows(path)


def check_rows(path):
    """Compare the counts that the store keeps with its soundings."""
    shown = {row.name: row for row in _store.visits_of(path)}
    for entry in _store.log_book(path):
        row = shown[entry.visit.name]
        assert {kind: getattr(row, kind) for kind in entry.counts} == entry.counts
        if not row.on:
            assert row.accepted == 0
