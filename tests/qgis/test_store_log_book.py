"""The log-book of the lake's store: kept through all that is done with it, shown, corrected."""

import csv
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).parent))
from test_store import CRS, DATUM, JULY, JUNE, MAY, all_of, state, visit
from test_store_algorithms import layer  # noqa: F401  a fixture

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.algorithms.core.visits import by_hand
from lakefloor.algorithms.core.visits.by_hand import VisitPart
from lakefloor.algorithms.core.visits.log_book import VisitFacts
from lakefloor.algorithms.core.visits.merging import merge_soundings

ADA = VisitFacts(
    ("may.csv", "may 2.csv"), "Ada", "an old one", 20.0, offset_m=0.02, offset_sd_m=0.01,
    hardness_gain=1.1, remark="windy",
)  # fmt: skip


@pytest.fixture
def path(tmp_path):
    return tmp_path / "lake.gpkg"


def facts(path, name="may"):
    (entry,) = [e for e in _store.log_book(path) if e.visit.name == name]
    return entry.facts


def test_what_is_given_and_what_follows_from_the_soundings(path):
    said = np.full(3000, f"{DATUM};draft_m=0.3", object)
    _store.add(path, concatenate([MAY.replace(corrections=said), JUNE]), CRS, facts={"may": ADA})
    expected = replace(ADA, draft_m=0.3, level_m=290.2, level_from="one lake level")
    assert facts(path) == expected
    assert facts(path, "june") == VisitFacts(level_m=290.2, level_from="one lake level")
    with closing(sqlite3.connect(str(path))) as db:
        row = db.execute(
            "SELECT files, owner, sounder, beam_deg, draft_m, level_m, level_from, offset_m, "
            "offset_sd_m, hardness_gain, remark FROM visits WHERE visit = 'may'"
        ).fetchone()
    assert row == (
        "may.csv; may 2.csv", "Ada", "an old one", 20.0, 0.3, 290.2, "one lake level", 0.02, 0.01,
        1.1, "windy",
    )  # fmt: skip


def test_what_grows_is_kept_and_what_is_new_wins(path):
    half = MAY.select(slice(0, 2000))
    _store.add(path, half, CRS, facts={"may": ADA})
    later = MAY.replace(
        corrections=np.where(
            np.arange(3000) < 2000, DATUM, DATUM.replace("290.200", "290.500")
        ).astype(object)
    )
    _store.add(path, later, CRS, facts={"may": VisitFacts(("may 3.csv",), remark="calm")})
    grown = facts(path)
    assert grown.files == ("may.csv", "may 2.csv", "may 3.csv")
    assert (grown.owner, grown.remark, grown.offset_m) == ("Ada", "calm", 0.02)
    assert (grown.level_m, grown.level_from) == (290.3, "gauge readings")  # 2000 and 1000 of them
    # A new reading has another offset from the rest: the old one is not said of it.
    _store.add(path, MAY, CRS, mode="replace", facts={"may": VisitFacts(("all.csv",))})
    read = facts(path)
    assert (read.files, read.owner, read.sounder) == (("all.csv",), "Ada", "an old one")
    assert (read.offset_m, read.hardness_gain, read.level_m) == (None, None, 290.2)
    # An owner of their own: not the same visit, though it goes on after it.
    on = visit("may", "2024-05-14", seed=9)
    on = on.replace(time=on.time + np.timedelta64(2, "h"))
    ben = {"may": VisitFacts(owner="Ben")}
    assert _store.add(path, on, CRS, facts=ben).visits == ["may (2)"]
    assert facts(path, "may (2)").owner == "Ben"


def test_kept_through_a_backup_a_restore_and_a_merge(path, tmp_path):
    _store.add(path, MAY, CRS, facts={"may": ADA})
    expected = facts(path)
    (tmp_path / "usb").mkdir()
    copy = _store.back_up(path, tmp_path / "usb")
    assert facts(copy) == expected
    _store.remove(path, ["may"])
    _store.restore(copy, path)
    assert facts(path) == expected
    friend = tmp_path / "friend.gpkg"
    ben = replace(ADA, files=("june.csv",), owner="Ben")
    _store.add(friend, JUNE, CRS, facts={"june": ben})
    merged = merge_soundings(_store.read_whole(path), _store.read_whole(friend), level="none")
    out = tmp_path / "both.gpkg"
    _store.write_merged(path, out, merged, facts=_store.facts_by_visit(friend))
    assert facts(out) == expected
    theirs = facts(out, "june")
    assert (theirs.owner, theirs.files, theirs.beam_deg) == ("Ben", ("june.csv",), 20.0)
    # What a friend's visit stood off from the rest of the friend's own store says nothing here.
    assert (theirs.offset_m, theirs.hardness_gain) == (None, None)


def test_a_friends_visit_of_the_same_name_and_day_stays_the_friends(path, tmp_path):
    _store.add(path, MAY, CRS)
    friend = tmp_path / "friend.gpkg"
    theirs = visit("may", "2024-05-14", seed=9)
    _store.add(friend, theirs.replace(time=theirs.time + np.timedelta64(2, "h")), CRS)
    merged = merge_soundings(_store.read_whole(path), _store.read_whole(friend), level="none")
    out = tmp_path / "both.gpkg"
    assert _store.write_merged(path, out, merged).visits == ["may (2)"]


def test_an_edit_of_another_program_is_taken_over(path):
    _store.add(path, MAY, CRS, facts={"may": ADA})
    dataset = gdal.OpenEx(str(path), gdal.OF_UPDATE | gdal.OF_VECTOR)
    table = dataset.GetLayer("visits")
    feature = table.GetFeature(1)
    feature.SetField("remark", "rain")
    table.SetFeature(feature)
    table = dataset = None
    assert facts(path).remark == "rain"
    _store.add(path, JUNE, CRS)
    assert facts(path) == replace(facts(path), remark="rain", owner="Ada", offset_m=0.02)
    state(path)


def test_a_visit_renamed_by_another_program_still_supersedes(path):
    later = JULY.replace(depth=JULY.depth - 0.8)
    _store.add(path, concatenate([MAY, later]), CRS, newer_wins=True)
    before = all_of(path)
    count = int((before.status == "superseded by july").sum())
    assert count
    dataset = gdal.OpenEx(str(path), gdal.OF_UPDATE | gdal.OF_VECTOR)
    table = dataset.GetLayer("visits")
    feature = next(f for f in table if f.GetField("visit") == "july")
    feature.SetField("visit", "summer")
    table.SetFeature(feature)
    table = dataset = None
    _store.edit_log_book(path, ["summer"], VisitFacts(remark="windy"))
    back = all_of(path)
    assert int((back.status == "superseded by summer").sum()) == count
    assert "superseded by july" not in set(back.status)
    assert _store.remove(path, ["summer"])["restored"] == count


def test_days_and_counts(path):
    """At 94 W the day begins at 06:17 UTC; an evening of two hours crosses it."""
    start = np.datetime64("2024-05-15T05:30:00", "ms")
    night = MAY.replace(
        time=start + np.arange(3000) * np.timedelta64(2400, "ms"),
        status=np.where(np.arange(3000) % 3, "accepted", "spike").astype(object),
    )
    _store.add(path, night, CRS)
    _store.add(path, JULY, CRS)
    part = VisitPart(box(399_000, 5_149_000, 400_020, 5_160_000))
    held = _store.set_aside(path, part, by_hand.HOLD_BACK, words="weeds").visits
    later = VisitPart(box(400_050, 5_149_000, 500_000, 5_160_000), stop=JULY.time[0])
    marked = _store.set_aside(path, later, by_hand.MARK_CHANGED, words="2026-07-01").visits
    first, second = _store.log_book(path)
    assert first.days == ["2024-05-14", "2024-05-15"]
    assert second.days == ["2026-07-01"]
    assert first.counts == {
        "accepted": 2000 - held["may"] - marked["may"],
        "held_back": held["may"],
        "superseded": marked["may"],
        "rejected": 1000,
    }
    assert second.counts["held_back"] == held["july"] > 0
    assert "july" not in marked


def test_a_visit_without_times_or_places_has_a_row(path):
    lost = MAY.replace(
        time=np.full(3000, np.datetime64("NaT", "ms")), x=np.full(3000, np.nan)
    ).select(slice(0, 5))
    _store.add(path, lost, CRS)
    (entry,) = _store.log_book(path)
    assert (entry.days, entry.counts["accepted"]) == ([], 5)


# -- from the toolbox --------------------------------------------------------------------------


def test_the_toolbox_writes_shows_and_corrects_it(run, path, layer, tmp_path, feedback):  # noqa: F811
    said = np.full(3000, f"{DATUM};draft_m=0.3", object)
    run(
        "addtodatabase",
        {
            "INPUT": layer(MAY.replace(corrections=said), "may log"),
            "DATABASE": str(path),
            "OWNER": " Ada ",
            "SOUNDER": "an old one",
            "BEAM_WIDTH": 20.0,
        },
    )
    run("addtodatabase", {"INPUT": layer(JUNE, "june log"), "DATABASE": str(path)})
    table = tmp_path / "log.csv"
    result = run(
        "logbook",
        {"DATABASE": str(path), "OUTPUT": str(table), "HISTORY": "TEMPORARY_OUTPUT"},
        feedback,
    )
    assert (result["VISIT_COUNT"], result["SOUNDINGS"]) == (2, 6000)
    with table.open(encoding="utf-8", newline="") as file:
        may, june = csv.DictReader(file)
    assert may["visit"] == "may"
    assert (may["date"], may["days"], may["accepted"]) == ("2024-05-14", "1", "3000")
    assert (may["owner"], may["sounder"], float(may["beam_deg"])) == ("Ada", "an old one", 20.0)
    assert (float(may["draft_m"]), float(may["level_m"])) == (0.3, 290.2)
    assert may["files"] == "may log.gpkg"
    assert (june["owner"], june["draft_m"], june["files"]) == ("", "", "june log.gpkg")
    actions = [row["action"] for row in result["HISTORY"].getFeatures()]
    assert actions == ["made", "added", "added"]
    before = all_of(path)
    edit = {"DATABASE": str(path), "VISITS": "may; june"}
    run("editlogbook", {**edit, "OWNER": "Ben", "REMARK": "two visits"}, feedback)
    assert (facts(path).owner, facts(path).sounder) == ("Ben", "an old one")
    assert facts(path, "june").remark == "two visits"
    run("undolastchange", {"DATABASE": str(path)})
    assert facts(path).owner == "Ada"
    assert facts(path, "june").remark is None
    run("editlogbook", {**edit, "VISITS": "may", "OWNER": "Ben", "CLEAR": True})
    cleared = facts(path)
    assert (cleared.owner, cleared.sounder, cleared.beam_deg) == ("Ben", None, None)
    assert (cleared.draft_m, cleared.files) == (0.3, ("may log.gpkg",))
    assert (all_of(path).depth == before.depth).all()
    assert [a for a, _, _ in state(path)[1]][-4:] == ["edited", "undone", "undone", "edited"]
    with pytest.raises(QgsProcessingException, match="nothing to write"):
        run("editlogbook", edit)
    with pytest.raises(QgsProcessingException, match="no visit 'july'"):
        run("editlogbook", {**edit, "VISITS": "july", "OWNER": "Ben"})


def test_the_toolbox_carries_it_through_a_merge(run, path, layer, tmp_path):  # noqa: F811
    friend, out = tmp_path / "friend.gpkg", tmp_path / "both.gpkg"
    _store.add(path, MAY, CRS, facts={"may": ADA})
    _store.add(friend, JUNE, CRS, facts={"june": VisitFacts(owner="Ben")})
    run(
        "mergedatabases",
        {
            "DATABASE": str(path),
            "OTHER_DATABASE": str(friend),
            "OFFSETS": "none",
            "OUTPUT": str(out),
        },
    )
    assert (facts(out).owner, facts(out, "june").owner) == ("Ada", "Ben")


def test_an_edit_that_changes_nothing_leaves_the_file(path):
    _store.add(path, MAY, CRS, facts={"may": ADA})
    before = path.read_bytes()
    assert _store.edit_log_book(path, ["may"], VisitFacts(owner="Ada")) == ([], [])
    assert path.read_bytes() == before


def test_an_edit_that_changes_nothing_is_said(run, path, feedback):
    _store.add(path, concatenate([MAY, JUNE]), CRS, facts={"may": ADA})
    edit = {"DATABASE": str(path), "VISITS": "may; june", "OWNER": "Ada"}
    run("editlogbook", edit, feedback)
    assert "Visits in the log-book edited: june." in feedback.text
    run("editlogbook", edit, feedback)
    assert "says this already" in " ".join(feedback.warnings)


def test_the_table_has_no_more_digits_than_tell(run, path, tmp_path):
    measured = VisitFacts(
        offset_m=0.00373967092249742, offset_sd_m=0.0087867, hardness_gain=1.01936
    )
    _store.add(path, MAY, CRS, facts={"may": measured})
    run("logbook", {"DATABASE": str(path), "OUTPUT": str(tmp_path / "log.csv")})
    with (tmp_path / "log.csv").open(encoding="utf-8", newline="") as file:
        (may,) = csv.DictReader(file)
    assert [may[n] for n in ("offset_m", "offset_sd_m", "hardness_gain")] == [
        "0.004",
        "0.009",
        "1.02",
    ]
