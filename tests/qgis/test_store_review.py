"""Single soundings are rejected and accepted by hand, visits switched off and renamed."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import (
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProject,
    QgsVectorLayer,
)
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, JULY, JUNE, MAY, all_of, state

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.algorithms.core.visits import by_hand
from lakefloor.algorithms.core.visits.by_hand import VisitPart

#: Every tenth of the pings of May is a spike to the cleaning of that day.
SPIKY = MAY.replace(status=np.where(np.arange(3000) % 10, "accepted", "spike").astype(object))
EVERYWHERE = VisitPart(box(0, 0, 1e7, 1e7))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


@pytest.fixture
def lake(path):
    _store.add(path, concatenate([SPIKY, JUNE]), CRS)
    return path


def status_of(path, soundings):
    """Return the statuses that a store has of soundings, told by their time."""
    held = all_of(path)
    order = np.argsort(held.time)
    at = order[np.searchsorted(held.time[order], soundings.time)]
    assert (held.time[at] == soundings.time).all()
    return held.status[at]


def chosen(path, rows, s=MAY):
    """Return some pings, and their rows in the store."""
    pings = s.select(np.array(rows))
    return pings, _store.find_rows(path, pings)


# -- decisions ---------------------------------------------------------------------------------


def test_reject_accept_and_back_to_what_cleaning_said(lake):
    before = all_of(lake)
    pings, rows = chosen(lake, [0, 1, 2, 10, 20])
    done = _store.decide(lake, rows, "reject", reason=" a  fish ", who="Ada")
    assert (done.visits, done.changed, done.kept, done.unchanged) == ({"may": 5}, 5, 0, 0)
    assert status_of(lake, pings).tolist() == ["rejected by hand: a fish"] * 5
    assert state(lake)[1][-1] == ("reviewed: rejected", "may", 5)
    assert _store.history(lake)[-1][-1] == '{"reason": "a fish", "who": "Ada"}'
    # The rest is as it was, raw depths too.
    after, others = all_of(lake), ~np.isin(before.time, pings.time)
    np.testing.assert_array_equal(after.raw_depth, before.raw_depth)
    assert after.status[others].tolist() == before.status[others].tolist()
    assert _store.decide(lake, rows, "reject", reason="a fish").unchanged == 5

    done = _store.decide(lake, rows[:4], "accept", who="Ben")
    assert (done.decided, done.changed) == (4, 4)
    assert status_of(lake, pings).tolist() == ["accepted"] * 4 + ["rejected by hand: a fish"]
    kept = _store.decisions(lake)
    assert [(d.decision, d.who, d.reason) for d in kept] == [
        ("reject", "Ada", "a fish"),
        *[("accept", "Ben", "")] * 4,
    ]
    assert [d.said for d in kept] == ["spike", "spike", "accepted", "accepted", "spike"]
    assert (kept[0].x, kept[0].y, kept[0].time) == (pings.x[4], pings.y[4], pings.time[4])

    done = _store.decide(lake, rows, "clear")
    assert (done.decided, done.unchanged) == (5, 0)
    assert all_of(lake).status.tolist() == before.status.tolist()
    assert _store.decisions(lake) == []


def test_decisions_survive_a_replacement_and_another_cleaning(lake):
    wrong, wrong_rows = chosen(lake, range(100, 160))
    right, right_rows = chosen(lake, range(500, 560, 10))
    assert set(right.status) == {"accepted"}  # of the log; cleaning calls each a spike
    _store.decide(lake, wrong_rows, "reject", reason="fish", who="Ada")
    _store.decide(lake, right_rows, "accept", who="Ada")
    # Read anew: other depths, a position 3 m beside as a time offset moves it, all is a spike.
    again = MAY.replace(
        x=MAY.x + 3.0,
        depth=MAY.depth + 0.1,
        status=np.where(np.arange(3000) % 2, "accepted", "too steep").astype(object),
    )
    done = _store.add(lake, again, CRS, mode="replace")
    assert any("one by one have that status again" in note for note in done.notes)
    assert set(status_of(lake, wrong)) == {"rejected by hand: fish"}
    assert set(status_of(lake, right)) == {"accepted"}
    others = MAY.select(~np.isin(MAY.time, np.concatenate([wrong.time, right.time])))
    expected = again.status[np.isin(MAY.time, others.time)]
    assert status_of(lake, others).tolist() == expected.tolist()
    assert {(d.who, d.said) for d in _store.decisions(lake)} == {
        ("Ada", "accepted"),
        ("Ada", "too steep"),
    }
    # They know where their pings are now, and what cleaning says now.
    rows = [d.row for d in _store.decisions(lake)]
    assert sorted(rows) == sorted(
        _store.find_rows(lake, again.select(np.isin(MAY.time, concatenate([wrong, right]).time)))
    )
    _store.decide(lake, rows, "clear")
    assert status_of(lake, MAY).tolist() == again.status.tolist()


def test_decisions_survive_the_removal_of_the_visit(lake):
    pings, rows = chosen(lake, [3, 4, 5])
    _store.decide(lake, rows, "reject", reason="fish")
    _store.remove(lake, ["may"])
    assert [d.row for d in _store.decisions(lake)] == [None] * 3
    done = _store.add(lake, SPIKY, CRS)
    assert any("one by one" in note for note in done.notes)
    assert set(status_of(lake, pings)) == {"rejected by hand: fish"}
    assert (status_of(lake, MAY) == "rejected by hand: fish").sum() == 3


def test_decisions_stay_with_their_pings_when_a_log_goes_on(path):
    _store.add(path, SPIKY.select(slice(1000, 3000)), CRS)
    pings, rows = chosen(path, range(1500, 1520))
    _store.decide(path, rows, "reject", reason="fish")
    _store.add(path, SPIKY, CRS)
    assert set(status_of(path, pings)) == {"rejected by hand: fish"}
    assert sorted(d.row for d in _store.decisions(path)) == sorted(_store.find_rows(path, pings))
    _store.decide(path, _store.find_rows(path, pings), "clear")
    assert status_of(path, SPIKY).tolist() == SPIKY.status.tolist()


def test_what_is_superseded_keeps_its_status_until_it_is_not(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True)
    beneath = np.flatnonzero(status_of(path, MAY) == "superseded by july")
    assert beneath.size > 100
    pings, rows = chosen(path, beneath[:50])
    done = _store.decide(path, rows, "reject", reason="fish")
    assert (done.decided, done.changed, done.kept) == (50, 0, 50)
    assert set(status_of(path, pings)) == {"superseded by july"}
    _store.remove(path, ["july"])
    assert set(status_of(path, pings)) == {"rejected by hand: fish"}
    assert (status_of(path, MAY) == "rejected by hand: fish").sum() == 50


def test_what_is_beneath_is_not_mapped_on_an_earlier_day_either(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True)
    beneath = np.flatnonzero(status_of(path, MAY) == "superseded by july")
    _, rows = chosen(path, beneath[:50])
    _store.decide(path, rows, "reject")
    day = np.datetime64("2025-01-01")
    then = all_of(path, as_of=day)
    assert set(then.visit) == {"may"}
    expected = np.isin(then.time, MAY.time[beneath[:50]])
    np.testing.assert_array_equal(then.status == "rejected by hand: no reason given", expected)
    assert (then.status[~expected] == "accepted").all()
    _store.switch_visits(path, ["may"], on=False)
    then = all_of(path, as_of=day)
    np.testing.assert_array_equal(then.status == "rejected by hand: no reason given", expected)
    assert set(then.status[~expected]) == {"held back: visit switched off"}


def test_a_part_that_is_accepted_later_counts(lake):
    pings, rows = chosen(lake, [1, 2, 3])
    _store.decide(lake, rows, "reject", reason="fish")
    _store.set_aside(lake, EVERYWHERE, by_hand.ACCEPT)
    assert set(status_of(lake, pings)) == {"accepted"}
    _store.add(lake, SPIKY.replace(depth=SPIKY.depth + 0.1), CRS, mode="replace")
    assert set(status_of(lake, pings)) == {"accepted"}


def test_rows_that_are_gone_are_refused(lake):
    before = lake.read_bytes()
    with pytest.raises(LakefloorError, match="not in the lake database any more: 2"):
        _store.decide(lake, [1, 2, 99_998, 99_999], "reject")
    with pytest.raises(LakefloorError, match="unknown"):
        _store.decide(lake, [1], "perhaps")
    assert lake.read_bytes() == before


def test_a_damaged_sounding_is_not_decided_on(lake):
    _, rows = chosen(lake, [7])
    with closing(sqlite3.connect(str(lake))) as db:
        allow_updates(db)
        db.execute("UPDATE soundings SET depth_m = 99 WHERE fid = ?", (int(rows[0]) + 1,))
        db.commit()
    with pytest.raises(LakefloorError, match="damaged"):
        _store.decide(lake, rows, "reject")


def test_rows_are_found_by_what_was_logged(lake):
    with closing(sqlite3.connect(str(lake))) as db:
        order = db.execute("SELECT fid, time FROM soundings").fetchall()
    fid = {np.datetime64(text.rstrip("Z"), "ms"): number for number, text in order}
    asked = concatenate([JUNE.select(slice(40, 60)), MAY.select(slice(0, 3000, 300))])
    asked = asked.select(np.random.default_rng(3).permutation(len(asked)))
    expected = [fid[t] for t in asked.time]
    assert _store.find_rows(lake, asked).tolist() == expected
    # Read of a layer in another CRS and with fewer digits, under another name.
    moved = asked.replace(x=asked.x + 0.004, y=asked.y - 0.004, visit=JULY.visit[: len(asked)])
    assert _store.find_rows(lake, moved).tolist() == expected
    assert set(_store.find_rows(lake, JULY)) == {-1}


# -- visits ------------------------------------------------------------------------------------


def test_a_visit_is_switched_off_and_on(lake):
    _store.set_aside(lake, VisitPart(box(0, 0, 400_040, 1e7)), by_hand.HOLD_BACK, words="weeds")
    before = all_of(lake)
    held = (before.visit == "may") & (before.status == "accepted")
    assert 0 < held.sum() < 2700
    done = _store.switch_visits(lake, ["may"], on=False, who="Ada")
    assert done.visits == {"may": held.sum()}
    off = all_of(lake)
    assert set(off.status[held]) == {"held back: visit switched off"}
    assert off.status[~held].tolist() == before.status[~held].tolist()
    assert [row.on for row in _store.visits_of(lake)] == [False, True]
    assert _store.switch_visits(lake, ["may"], on=False).visits == {}
    # Nothing done to it meanwhile has any of it mapped.
    _store.set_aside(lake, EVERYWHERE, by_hand.ACCEPT)
    _, rows = chosen(lake, [10, 20])
    _store.decide(lake, rows, "accept")
    _store.add(lake, SPIKY.replace(depth=SPIKY.depth + 0.1), CRS, mode="replace")
    assert "accepted" not in set(all_of(lake, visits=["may"]).status)
    assert _store.visits_of(lake)[0].accepted == 0
    done = _store.switch_visits(lake, ["may"], on=True)
    after = status_of(lake, SPIKY)
    expected = SPIKY.status.copy()
    expected[[10, 20]] = "accepted"
    assert after.tolist() == expected.tolist()
    assert done.visits == {"may": 2702}
    actions = [action for action, *_ in state(lake)[1]]
    assert actions.count("switched off") == actions.count("switched on") == 1


def test_what_a_visit_superseded_is_said_when_it_is_off(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True)
    done = _store.switch_visits(path, ["july"], on=False)
    assert any("superseded are still not mapped" in note for note in done.notes)


def test_what_was_changed_while_a_visit_was_off_is_not_mapped_again(lake):
    _store.switch_visits(lake, ["may"], on=False)
    day = np.datetime64("2025-01-01")
    part = VisitPart(box(0, 0, 1e7, 1e7), stop=day.astype("datetime64[ms]"), untimed=True)
    _store.set_aside(lake, part, by_hand.MARK_CHANGED, words=str(day))
    _store.switch_visits(lake, ["may"], on=True)
    assert set(status_of(lake, SPIKY)) == {"bottom changed 2025-01-01", "spike"}


def test_a_visit_gets_another_name_everywhere(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True)
    beneath = int((status_of(path, MAY) == "superseded by july").sum())
    history = _store.history(path)
    done = _store.rename_visit(path, "july", "  July,  the 1st ", who="Ada")
    assert (done.name, done.soundings, done.superseded) == ("July, the 1st", 3000, beneath)
    assert (status_of(path, MAY) == "superseded by July, the 1st").sum() == beneath
    assert set(all_of(path, visits=["July, the 1st"]).visit) == {"July, the 1st"}
    assert _store.history(path)[: len(history)] == history
    assert _store.history(path)[-1][1:3] == ("renamed", "july")
    assert _store.history(path)[-1][-1] == '{"to": "July, the 1st", "who": "Ada"}'
    assert _store.remove(path, ["July, the 1st"])["restored"] == beneath
    state(path)


def test_a_name_that_is_taken_or_empty_is_refused(lake):
    before = lake.read_bytes()
    with pytest.raises(LakefloorError, match="already has a visit 'june'"):
        _store.rename_visit(lake, "may", "june")
    with pytest.raises(LakefloorError, match="empty"):
        _store.rename_visit(lake, "may", "  ")
    with pytest.raises(LakefloorError, match="no visit 'april'"):
        _store.rename_visit(lake, "april", "x")
    assert _store.rename_visit(lake, "may", "may").soundings == 0
    assert lake.read_bytes() == before


def test_what_was_removed_of_a_visit_stays_out_under_its_new_name(path):
    _store.add(path, MAY, CRS)
    part = VisitPart(box(399_000, 5_149_000, 400_040, 5_151_000))
    gone = _store.set_aside(path, part, by_hand.REMOVE).changed
    assert gone > 100
    _store.rename_visit(path, "may", "spring")
    done = _store.add(path, MAY, CRS)
    assert done.added == 0
    assert any("stay out" in note for note in done.notes)
    assert len(all_of(path)) == 3000 - gone


# -- a glance ----------------------------------------------------------------------------------


def test_the_state_tells_changes_of_the_map_alone(lake):
    states = [_store.state_of(lake)]
    assert _store.state_of(lake) == states[0]
    _store.edit_log_book(lake, ["may"], by_hand_facts())
    assert _store.state_of(lake) == states[0]
    _, rows = chosen(lake, [5])
    for change in (
        lambda: _store.decide(lake, rows, "reject", reason="fish"),
        lambda: _store.switch_visits(lake, ["june"], on=False),
        lambda: _store.add(lake, JULY, CRS),
        lambda: _store.remove(lake, ["may"]),
    ):
        change()
        states.append(_store.state_of(lake))
    assert len(set(states)) == 5
    for before in states[-2::-1]:
        _store.undo(lake)
        assert _store.state_of(lake) == before


def by_hand_facts():
    from lakefloor.algorithms.core.visits.log_book import VisitFacts

    return VisitFacts(remark="windy")


def test_the_state_tells_an_edit_of_another_program(lake):
    before = _store.state_of(lake)
    dataset = gdal.OpenEx(str(lake), gdal.OF_UPDATE | gdal.OF_VECTOR)
    layer = dataset.GetLayer("soundings")
    feature = layer.GetFeature(6)
    feature.SetField("status", "odd")
    layer.SetFeature(feature)
    layer = dataset = None
    assert _store.state_of(lake) != before
    assert _store.visits_of(lake)[0].rejected == 301


def test_visits_at_a_glance(lake):
    may, june = _store.visits_of(lake)
    assert (may.name, may.date, may.soundings, may.accepted, may.rejected) == (
        "may",
        "2024-05-14",
        3000,
        2700,
        300,
    )
    assert may.share_rejected == 0.1
    assert (may.level_m, may.level_from, may.on) == (290.2, "one lake level", True)
    assert (june.held_back, june.superseded, june.share_rejected) == (0, 0, 0.0)


WRITER = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1])
db.execute("PRAGMA journal_mode = WAL")
db.execute("UPDATE visits SET remark = 'windy'")
db.commit()
print("written", flush=True)
sys.stdin.readline()
"""


@pytest.mark.parametrize("cut_off", [False, True])
def test_a_look_changes_no_file_while_another_program_has_it_open(lake, cut_off):
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(lake)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert writer.stdout.readline().strip() == b"written"
    if cut_off:
        writer.kill()
        writer.communicate()
    before = {p.name: p.read_bytes() for p in lake.parent.iterdir() if "-shm" not in p.name}
    assert set(before) == {"lake.gpkg", "lake.gpkg-wal"}
    moment = lake.stat().st_mtime_ns
    assert len(_store.visits_of(lake)) == 2
    assert len(_store.state_of(lake)) == 32
    assert _store.undo_count(lake) == 1
    after = {p.name: p.read_bytes() for p in lake.parent.iterdir() if "-shm" not in p.name}
    assert after == before
    assert lake.stat().st_mtime_ns == moment
    if not cut_off:
        writer.communicate(b"done")


def test_a_look_at_a_closed_file_leaves_nothing_beside_it(lake):
    with closing(sqlite3.connect(str(lake))) as db:
        db.execute("PRAGMA journal_mode = WAL")
    before = lake.read_bytes()
    _store.visits_of(lake)
    _store.state_of(lake)
    assert [p.name for p in lake.parent.iterdir()] == ["lake.gpkg"]
    assert lake.read_bytes() == before


# -- from the toolbox --------------------------------------------------------------------------


@pytest.fixture
def layer(lake, run, tmp_path):
    """The soundings of the lake as a layer in a file of its own, with rows of its own."""
    out = str(tmp_path / "layer.gpkg")
    run("readdatabase", {"DATABASE": str(lake), "VISITS": "may", "OUTPUT": out})
    return QgsVectorLayer(out, "Soundings of all visits", "ogr")


def only(layer, rows):
    """Return a layer with some features selected, as an input of these alone."""
    QgsProject.instance().addMapLayer(layer)
    layer.selectByIds([row + 1 for row in rows])
    return QgsProcessingFeatureSourceDefinition(layer.id(), selectedFeaturesOnly=True)


def test_selected_soundings_are_reviewed(lake, run, layer, feedback):
    chosen_rows = [5, 6, 7, 10]
    feature = {f.id() - 1: f["time"] for f in layer.getFeatures()}
    pings = MAY.select(np.array(chosen_rows))
    assert [feature[row].toMSecsSinceEpoch() for row in chosen_rows] == pings.time.astype(
        np.int64
    ).tolist()
    asked = {"INPUT": only(layer, chosen_rows), "DATABASE": str(lake), "REASON": "fish"}
    done = run("reviewsoundings", {**asked, "WHO": "Ada"}, feedback)
    assert (done["DECIDED"], done["CHANGED_SOUNDINGS"], done["NOT_FOUND"]) == (4, 4, 0)
    assert "Visit 'may': soundings decided on: 4." in feedback.text
    assert set(status_of(lake, pings)) == {"rejected by hand: fish"}
    assert {d.who for d in _store.decisions(lake)} == {"Ada"}
    assert run("reviewsoundings", asked, feedback)["DECIDED"] == 0
    assert "nothing was changed" in feedback.text
    run("reviewsoundings", {**asked, "DECISION": "accept"})
    assert set(status_of(lake, pings)) == {"accepted"}
    run("reviewsoundings", {**asked, "DECISION": "as cleaned"})
    assert status_of(lake, pings).tolist() == ["accepted"] * 3 + ["spike"]
    undone = run("undolastchange", {"DATABASE": str(lake)})
    assert undone["UNDO_COUNT"] == 3
    assert set(status_of(lake, pings)) == {"accepted"}


def test_soundings_in_another_crs_are_recognized(lake, run, layer, tmp_path, feedback):
    moved = in_degrees(layer, tmp_path / "degrees.gpkg")
    done = run("reviewsoundings", {"INPUT": moved, "DATABASE": str(lake)}, feedback)
    assert (done["DECIDED"], done["NOT_FOUND"]) == (3000, 0)


def in_degrees(layer, out):
    options = gdal.VectorTranslateOptions(dstSRS="EPSG:4326", reproject=True)
    gdal.VectorTranslate(str(out), layer.source().split("|")[0], options=options)
    return QgsVectorLayer(str(out), "degrees", "ogr")


def test_soundings_of_another_lake_are_refused(lake, run, tmp_path, feedback):
    other = tmp_path / "other.gpkg"
    _store.add(other, JULY, CRS)
    with pytest.raises(QgsProcessingException, match="None of the soundings"):
        run("reviewsoundings", {"INPUT": f"{other}|layername=soundings", "DATABASE": str(lake)})
    both = tmp_path / "both.gpkg"
    _store.add(both, concatenate([JULY.select(slice(0, 40)), JUNE.select(slice(0, 60))]), CRS)
    done = run(
        "reviewsoundings", {"INPUT": f"{both}|layername=soundings", "DATABASE": str(lake)}, feedback
    )
    assert (done["DECIDED"], done["NOT_FOUND"]) == (60, 40)
    assert "Soundings that are not in the lake database: 40." in feedback.text


def test_the_log_book_renames_and_switches(lake, run, feedback):
    asked = {"DATABASE": str(lake), "VISITS": "may"}
    run(
        "editlogbook",
        {**asked, "NEW_NAME": "spring", "SWITCH": "switch off", "WHO": "Ada"},
        feedback,
    )
    assert "Visit 'may' is off. Soundings not mapped: 2700." in feedback.text
    assert "Visit 'may' is now 'spring'." in feedback.text
    row = _store.visits_of(lake)[0]
    assert (row.name, row.on, row.accepted, row.held_back) == ("spring", False, 0, 2700)
    assert [change.action for change in _store.undoable(lake)[:2]] == ["renamed", "switched off"]
    run("editlogbook", {**asked, "VISITS": "spring", "SWITCH": "switch on"}, feedback)
    assert "Soundings mapped again: 2700." in feedback.text
    for names, new, words in (
        ("spring; june", "x", "for one visit, but 2"),
        ("june", "spring", "already has a visit 'spring'"),
    ):
        with pytest.raises(QgsProcessingException, match=words):
            run("editlogbook", {**asked, "VISITS": names, "NEW_NAME": new})


def test_a_layer_that_is_open_shows_the_decision(lake):
    """QGIS itself holds the database open, with a write-ahead log once it has edited."""
    layer = QgsVectorLayer(f"{lake}|layername=soundings", "soundings", "ogr")
    assert layer.startEditing()
    assert layer.commitChanges()
    before = _store.state_of(lake)
    rows = [5, 6]
    _store.decide(lake, rows, "reject", reason="fish")
    assert _store.state_of(lake) != before
    layer.dataProvider().reloadData()
    assert [layer.getFeature(row)["status"] for row in rows] == ["rejected by hand: fish"] * 2
    _store.undo(lake)
    assert _store.state_of(lake) == before
