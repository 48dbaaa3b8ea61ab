"""Parts of visits are held back, rejected, removed, marked as changed, and accepted again."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingException
from qgis.PyQt.QtCore import QDate, QDateTime, QTime
from shapely.geometry import Polygon, box

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, JULY, JUNE, MAY, all_of, state, visit

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.algorithms.core.visits import by_hand
from lakefloor.algorithms.core.visits.by_hand import VisitPart
from lakefloor.algorithms.core.visits.merging import merge_soundings

#: A polygon that is no box, 60 m wide.
CORNERS = [(400_010, 5_150_050), (400_070, 5_150_060), (400_050, 5_150_200), (400_015, 5_150_150)]
WEEDS = VisitPart(Polygon(CORNERS))


MOMENT = QDateTime(QDate(2024, 5, 14), QTime(14, 1, 40, 250))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


def inside(s, corners=CORNERS):
    """Tell which soundings lie in a convex polygon whose corners run counter-clockwise."""
    held = np.ones(len(s), bool)
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1]):
        held &= (x1 - x0) * (s.y - y0) - (y1 - y0) * (s.x - x0) > 0
    return held


def last_of(path, count=1):
    return state(path)[1][-count:]


def test_held_back_and_accepted_again(path):
    spiky = MAY.replace(status=np.where(np.arange(3000) % 10, "accepted", "spike").astype(object))
    _store.add(path, concatenate([spiky, JUNE]), CRS)
    before = all_of(path)
    done = _store.set_aside(path, WEEDS, by_hand.HOLD_BACK, words="weeds")
    back = all_of(path)
    wanted = inside(before) & (before.status == "accepted")
    np.testing.assert_array_equal(back.status == "held back: weeds", wanted)
    np.testing.assert_array_equal(back.status == "spike", before.status == "spike")
    assert done.changed == wanted.sum() > 300
    assert last_of(path, 2) == [
        ("held back", "may", done.visits["may"]),
        ("held back", "june", done.visits["june"]),
    ]
    # A person may think otherwise; what a person said before does not count then.
    again = _store.set_aside(path, WEEDS, by_hand.REJECT, visits=["may"], words="weeds")
    assert again.visits == {"may": done.visits["may"]}
    assert _store.set_aside(path, WEEDS, by_hand.REJECT, visits=["may"], words="weeds").changed == 0
    _store.set_aside(path, WEEDS, by_hand.ACCEPT)
    assert all_of(path).status.tolist() == before.status.tolist()


def test_a_time_span_of_one_visit(path):
    timeless = np.where(np.arange(3000) == 7, np.datetime64("NaT", "ms"), MAY.time)
    _store.add(path, concatenate([MAY.replace(time=timeless), JUNE]), CRS)
    start, stop = MAY.time[100], MAY.time[200]
    _store.set_aside(path, VisitPart(start=start, stop=stop), by_hand.REJECT, words="turn")
    back = all_of(path)
    wanted = (back.time >= start) & (back.time < stop)
    assert wanted.sum() == 100
    np.testing.assert_array_equal(back.status == "rejected by hand: turn", wanted)


def test_a_removed_part_stays_out_when_its_log_comes_again(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    gone = inside(MAY)
    done = _store.set_aside(path, WEEDS, by_hand.REMOVE, visits=["may"], words="road")
    assert done.visits == {"may": gone.sum()}
    assert len(all_of(path)) == 6000 - gone.sum()
    assert last_of(path) == [("removed in part", "may", gone.sum())]
    state(path)
    before = path.read_bytes()
    again = _store.add(path, MAY, CRS)
    assert (again.added, again.already_there) == (0, 3000 - gone.sum())
    assert f"removed by hand stay out: {gone.sum()}" in " ".join(again.notes)
    assert path.read_bytes() == before
    # A longer log adds only what is new.
    longer = visit("may", "2024-05-14", n=3300)
    longer = longer.replace(x=np.r_[MAY.x, longer.x[3000:]])
    longer = concatenate([MAY, longer.select(slice(3000, None))])
    more = _store.add(path, longer, CRS)
    assert more.added == 300 - inside(longer.select(slice(3000, None))).sum()
    # Replacing brings the whole log back, and says so.
    whole = _store.add(path, MAY, CRS, mode="replace")
    assert "enter again with the new reading" in " ".join(whole.notes)
    assert len(all_of(path, visits=["may"])) == 3000
    assert _store.add(path, MAY, CRS).notes[0].endswith("in visit 'may'.")


def test_a_removed_part_stays_out_when_a_friends_copy_is_merged(path, tmp_path):
    """The friend has the log under another name, and a boat of their own was there later."""
    _store.add(path, MAY, CRS)
    friend, out = tmp_path / "friend.gpkg", tmp_path / "both.gpkg"
    copy = MAY.replace(visit=np.full(3000, "copy", object))
    theirs = visit("theirs", "2024-05-14", seed=4, dx=1.0)
    theirs = theirs.replace(time=theirs.time + np.timedelta64(1, "h"))
    _store.add(friend, concatenate([copy, theirs]), CRS)
    gone = _store.set_aside(path, WEEDS, by_hand.REMOVE).changed
    merged = merge_soundings(_store.read_whole(path), _store.read_whole(friend), level="none")
    done = _store.write_merged(path, out, merged)
    assert (done.visits, done.added) == (["theirs"], 3000)
    assert f"removed by hand stay out: {gone}" in " ".join(done.notes)
    assert state(out)[0] == {"may": 3000 - gone, "theirs": 3000}


def test_an_undone_removal_leaves_no_trace_for_what_enters(path):
    _store.add(path, MAY.select(slice(0, 2000)), CRS)
    _store.set_aside(path, WEEDS, by_hand.REMOVE)
    _store.undo(path)
    assert _store.add(path, MAY, CRS).added == 1000


def test_all_of_a_visit_removed_is_a_removed_visit(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    bar = JULY.replace(depth=JULY.depth - 0.8)
    superseded = _store.add(path, bar, CRS, newer_wins=True).superseded
    everywhere = VisitPart(box(0, 0, 1e7, 1e7))
    done = _store.set_aside(path, everywhere, by_hand.REMOVE, visits=["july"])
    assert done.restored == superseded > 0
    assert set(all_of(path).status) == {"accepted"}
    assert [v.name for v in _store.contents(path).visits] == ["may", "june"]
    assert last_of(path) == [("removed", "july", 3000)]


def test_what_was_set_aside_stays_so_in_a_new_reading(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    _store.set_aside(path, WEEDS, by_hand.HOLD_BACK, visits=["may"], words="weeds")
    held = inside(MAY)
    # Read again with another time offset, another draft, and one sounding found to be a spike.
    spike = np.flatnonzero(held)[0]
    reading = MAY.replace(
        x=MAY.x + 3.0,
        depth=MAY.depth + 0.1,
        status=np.where(np.arange(3000) == spike, "spike", "accepted").astype(object),
    )
    done = _store.add(path, reading, CRS, mode="replace")
    assert f"set aside by hand stay so in the new reading: {held.sum() - 1}" in " ".join(done.notes)
    status = all_of(path, visits=["may"]).status
    wanted = held & (np.arange(3000) != spike)
    np.testing.assert_array_equal(status == "held back: weeds", wanted)
    assert status[spike] == "spike"


def changed(path, day="2025-10-12"):
    """Mark the bottom as changed; the day begins at 06:15 UTC at 94 W."""
    stop = np.datetime64(f"{day}T06:15", "ms")
    part = VisitPart(WEEDS.area, stop=stop, untimed=True)
    return _store.set_aside(path, part, by_hand.MARK_CHANGED, words=day)


def test_all_that_is_older_than_a_change_is_superseded_also_what_comes_later(path):
    untimed = np.where(np.arange(3000) == 1255, np.datetime64("NaT", "ms"), MAY.time)
    may = MAY.replace(time=untimed)
    _store.add(path, concatenate([may, JULY]), CRS)
    changed(path)
    back = all_of(path)
    older = inside(back) & (back.visit == "may")
    np.testing.assert_array_equal(back.status == "bottom changed 2025-10-12", older)
    assert np.isnat(back.time[older]).any() == inside(may.select(slice(1255, 1256)))[0]
    # An older log that was found in a drawer, and the next year's.
    late, next_year = JUNE, visit("next", "2027-05-01", seed=5, dx=3.0)
    done = _store.add(path, concatenate([late, next_year]), CRS)
    assert f"{inside(late).sum()} are older than a change" in " ".join(done.notes)
    back = all_of(path)
    np.testing.assert_array_equal(
        back.status == "bottom changed 2025-10-12",
        inside(back) & (back.time < JULY.time[0]) | (inside(back) & np.isnat(back.time)),
    )
    # A visit of that name supersedes nothing by it, and its removal brings nothing back.
    named = visit("2025-10-12", "2027-06-01", seed=6, dx=3.5)
    _store.add(path, named, CRS)
    assert _store.remove(path, ["2025-10-12"])["restored"] == 0
    # Accepted again, older logs enter as they are from then on.
    _store.set_aside(path, WEEDS, by_hand.ACCEPT)
    assert set(all_of(path).status) == {"accepted"}
    last = visit("last", "2023-06-01", seed=7, dx=2.5)
    _store.add(path, last, CRS)
    assert set(all_of(path).status) == {"accepted"}


def test_of_two_changes_the_earlier_day_stays_in_any_order(path):
    _store.add(path, MAY, CRS)
    for day in ("2026-10-12", "2025-10-12", "2027-10-12"):
        changed(path, day)
    _store.add(path, JUNE, CRS)
    marked = all_of(path)
    np.testing.assert_array_equal(marked.status == "bottom changed 2025-10-12", inside(marked))
    # What was known between two changes did not hold after the first.
    between = list(_store.read(path, as_of=np.datetime64("2026-01-01")))
    assert set(concatenate(between).status) == {"accepted", "bottom changed 2025-10-12"}


def test_superseded_soundings_too_are_older_than_a_change(path):
    _store.add(path, MAY, CRS)
    later = visit("later", "2026-07-01", seed=4, dx=1.0)
    _store.add(path, later.replace(depth=later.depth - 0.8), CRS, newer_wins=True)
    back = all_of(path)
    over = inside(back) & (back.status == "superseded by later")
    assert over.any()
    changed(path)
    assert (all_of(path).status[over] == "superseded by later").all()
    # Between the change and the visit they did not hold, before it they did.
    for day, status in (("2025-10-11", "accepted"), ("2025-12-31", "bottom changed 2025-10-12")):
        (then,) = _store.read(path, as_of=np.datetime64(day))
        assert set(then.status[inside(then)]) == {status}
    restored = _store.remove(path, ["later"])["restored"]
    left = all_of(path)
    assert set(left.status[inside(left)]) == {"bottom changed 2025-10-12"}
    assert restored == (back.status == "superseded by later").sum() - over.sum()
    _store.undo(path)
    assert (all_of(path).status[over] == "superseded by later").all()


def test_what_a_person_rejected_stays_so_before_a_change_too(path):
    _store.add(path, MAY, CRS)
    _store.set_aside(path, WEEDS, by_hand.REJECT, words="weeds")
    changed(path)
    (then,) = _store.read(path, as_of=np.datetime64("2025-01-01"))
    np.testing.assert_array_equal(then.status == "rejected by hand: weeds", inside(then))


def test_a_change_that_concerns_nothing_yet_holds_for_what_comes_later(path):
    _store.add(path, JULY, CRS)
    done = changed(path, "2022-10-12")
    assert (done.changed, done.remembered) == (0, True)
    older = visit("older", "2022-06-01", seed=9, dx=2.0)
    _store.add(path, older, CRS)
    back = all_of(path)
    np.testing.assert_array_equal(
        back.status == "bottom changed 2022-10-12", inside(back) & (back.visit == "older")
    )
    _store.undo(path)
    _store.set_aside(path, WEEDS, by_hand.MARK_CHANGED, words="2021-10-12", visits=["july"])
    assert not changed(path, "2022-10-12").visits
    assert _store.undo(path).changes == [("bottom changed", None, 0)]
    _store.add(path, older, CRS)
    assert (all_of(path).status == "bottom changed 2022-10-12").any()


def test_soundings_superseded_by_what_is_set_aside_are_said(path):
    _store.add(path, MAY, CRS)
    _store.add(path, JULY.replace(depth=JULY.depth - 0.8), CRS, newer_wins=True)
    back = all_of(path)
    there = inside(back) & (back.status == "superseded by july")
    assert there.any()
    done = _store.set_aside(path, WEEDS, by_hand.HOLD_BACK, visits=["july"], words="weeds")
    assert f"'july' superseded there are still not mapped: {there.sum()}." in " ".join(done.notes)
    done = _store.set_aside(path, WEEDS, by_hand.ACCEPT_SUPERSEDED)
    assert (done.changed, done.notes) == (there.sum(), [])


def test_accepting_one_visit_leaves_the_change_for_others(path):
    _store.add(path, concatenate([MAY, visit("april", "2024-04-01", seed=8)]), CRS)
    changed(path)
    _store.set_aside(path, WEEDS, by_hand.ACCEPT, visits=["may"])
    done = _store.add(path, JUNE, CRS)
    assert "are older than a change" in " ".join(done.notes)
    back = all_of(path)
    np.testing.assert_array_equal(
        back.status == "bottom changed 2025-10-12", inside(back) & (back.visit != "may")
    )


def test_a_change_that_was_undone_marks_nothing_later(path):
    _store.add(path, MAY, CRS)
    changed(path)
    _store.undo(path)
    _store.add(path, JUNE, CRS)
    assert set(all_of(path).status) == {"accepted"}


def test_superseded_soundings_stay_so_unless_they_are_meant(path):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    bar = JULY.replace(depth=JULY.depth - 0.8)
    _store.add(path, bar, CRS, newer_wins=True)
    before = all_of(path)
    _store.set_aside(path, WEEDS, by_hand.HOLD_BACK, words="weeds")
    _store.set_aside(path, WEEDS, by_hand.ACCEPT)
    assert all_of(path).status.tolist() == before.status.tolist()
    _store.set_aside(path, WEEDS, by_hand.ACCEPT_SUPERSEDED)
    back = all_of(path)
    assert set(back.status[inside(back)]) == {"accepted"}
    outside = ~inside(back)
    assert back.status[outside].tolist() == before.status[outside].tolist()


def test_damage_is_found_before_a_status_is_written(path):
    _store.add(path, MAY, CRS)
    with closing(sqlite3.connect(str(path))) as db:
        allow_updates(db)
        db.execute("UPDATE soundings SET depth_m = depth_m + 1 WHERE fid = 9")
        db.commit()
    before = path.read_bytes()
    for action in (by_hand.HOLD_BACK, by_hand.REMOVE):
        with pytest.raises(LakefloorError, match="damaged"):
            _store.set_aside(path, WEEDS, action, words="weeds")
    assert path.read_bytes() == before


def test_nothing_there_changes_nothing(path):
    _store.add(path, MAY, CRS)
    before = path.read_bytes()
    assert _store.set_aside(path, VisitPart(box(0, 0, 1, 1)), by_hand.REMOVE).changed == 0
    assert path.read_bytes() == before
    with pytest.raises(LakefloorError, match="no visit 'april'"):
        _store.set_aside(path, WEEDS, by_hand.REMOVE, visits=["april"])
    with pytest.raises(LakefloorError, match="There is no lake database"):
        _store.set_aside(path.with_name("absent.gpkg"), WEEDS, by_hand.REMOVE)


# -- from the toolbox --------------------------------------------------------------------------


@pytest.fixture
def area(memory_layer):
    text = ", ".join(f"{x} {y}" for x, y in [*CORNERS, CORNERS[0]])
    return memory_layer("Polygon", [f"POLYGON(({text}))"], CRS, name="weeds")


def test_the_toolbox_sets_aside_and_undoes(run, path, area, feedback):
    _store.add(path, concatenate([MAY, JUNE]), CRS)
    held = all_of(path)
    result = run(
        "setaside",
        {"DATABASE": str(path), "AREA": area, "VISITS": "may", "REASON": " thick \n weeds "},
        feedback,
    )
    assert result["CHANGED_SOUNDINGS"] == inside(MAY).sum()
    assert result["VISIT_COUNT"] == 1
    assert "held back: thick weeds" in set(all_of(path).status)
    undone = run("undolastchange", {"DATABASE": str(path)}, feedback)
    assert (undone["SOUNDINGS_BEFORE"], undone["SOUNDINGS_AFTER"]) == (6000, 6000)
    assert f"Undone: 'held back' of visit 'may', soundings: {inside(MAY).sum()}." in feedback.text
    assert all_of(path).status.tolist() == held.status.tolist()
    run(
        "setaside",
        {
            "DATABASE": str(path),
            "ACTION": "bottom changed",
            "AREA": area,
            "CHANGE_DAY": "2025-01-01",
        },
    )
    back = all_of(path)
    np.testing.assert_array_equal(
        back.status == "bottom changed 2025-01-01", inside(back) & (back.visit == "may")
    )
    run("setaside", {"DATABASE": str(path), "ACTION": "accept again", "AREA": area})
    # The log of May runs from 14:00:00.250 on, two pings a second.
    span = {"FROM_TIME": "2024-05-14T14:00:50.250", "TO_TIME": "2024-05-14T14:01:40.250"}
    removed = run("setaside", {"DATABASE": str(path), "ACTION": "remove", **span}, feedback)
    assert removed["CHANGED_SOUNDINGS"] == 100
    times = all_of(path, visits=["may"]).time
    assert MAY.time[99] in times
    assert MAY.time[100] not in times
    assert MAY.time[199] not in times
    assert MAY.time[200] in times
    # The same in the time of a zone, and as a dialog gives it.
    run("undolastchange", {"DATABASE": str(path)})
    zoned = {"FROM_TIME": "2024-05-14T09:00:50.250-05:00", "TO_TIME": MOMENT}
    held_back = run("setaside", {"DATABASE": str(path), **zoned})
    assert held_back["CHANGED_SOUNDINGS"] == 100
    with pytest.raises(QgsProcessingException, match="All soundings of the lake"):
        run("setaside", {"DATABASE": str(path)})
    nowhere = {"DATABASE": str(path), "FROM_TIME": "2030-01-01T00:00:00"}
    assert run("setaside", nowhere, feedback)["CHANGED_SOUNDINGS"] == 0
    assert "nothing was changed" in feedback.text


def test_an_area_in_degrees_is_projected(run, path, memory_layer):
    """93 W is the central meridian of UTM zone 15, easting 500 000 m."""
    s = MAY.replace(x=MAY.x + 100_000.0 - 40.0)
    _store.add(path, s, CRS)
    west = "POLYGON((-94 40, -93 40, -93 50, -94 50, -94 40))"
    layer = memory_layer("Polygon", [west], "EPSG:4326", name="west")
    run("setaside", {"DATABASE": str(path), "AREA": layer, "ACTION": "reject"})
    status = all_of(path).status
    assert set(status) == {"accepted", "rejected by hand: no reason given"}
    np.testing.assert_array_equal(status != "accepted", s.x < 500_000.0)
