"""The folder of a lake: its facts, names, runs and the states of its steps; no QGIS is needed."""

import json
import os
import time
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms._io.whole_files import rename_patiently
from lakefloor.algorithms._lake import facts as facts_module
from lakefloor.algorithms._lake import runs as runs_module
from lakefloor.algorithms._lake.facts import Boat, LakeFacts, read_facts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder, file_name, lake_of
from lakefloor.algorithms._lake.runs import (
    RunRecord,
    all_runs,
    begin_run,
    current_run,
    discard_run,
    finish_run,
    remove_old_runs,
    unfinished_runs,
)
from lakefloor.algorithms._lake.states import step_states
from lakefloor.algorithms._lake.steps import ROLES, STEPS, step
from lakefloor.algorithms.core.errors import LakefloorError


@pytest.fixture
def lake(tmp_path):
    folder = tmp_path / "Lac Émeraude 湖"
    folder.mkdir()
    write_facts(folder, LakeFacts(name="Lac Émeraude 湖"))
    return LakeFolder(folder)


# -- facts ----------------------------------------------------------------------


def test_facts_come_back_as_they_were_written(tmp_path):
    facts = LakeFacts(
        name='Озеро "Тихое"',
        place="Oster County",
        unit="meters",
        time_zone="Europe/Helsinki",
        datum_reading=2.25,
        boat=Boat("skiff", 0.42, 20.0, 1463.0),
    )
    write_facts(tmp_path, facts)
    assert read_facts(tmp_path) == facts
    assert [p.name for p in tmp_path.iterdir()] == ["lake.json"]
    assert "\\u" not in (tmp_path / "lake.json").read_text(encoding="utf-8")


def test_facts_of_a_later_version_of_this_layout_are_read(lake):
    content = json.loads((lake.path / "lake.json").read_text(encoding="utf-8"))
    content.update(colour="green", boat={"draft_m": 0.5, "engine": "oars"})
    # Some editors put a byte order mark before a text.
    (lake.path / "lake.json").write_text(json.dumps(content), encoding="utf-8-sig")
    assert read_facts(lake.path).boat == Boat(draft_m=0.5)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Cannot read"),
        ("[" * 100_000, "Cannot read"),
        ('{"name": "", "layout": 1}', "does not name"),
        ("[1]", "does not name"),
        ('{"name": "L", "layout": 2}', "newer version"),
        ('{"name": "L", "layout": "x"}', "newer version"),
        ('{"name": "L", "unit": "furlongs"}', "'unit'"),
        ('{"name": "L", "datum_reading": "two"}', "'datum_reading'"),
        ('{"name": "L", "datum_reading": NaN}', "'datum_reading'"),
        ('{"name": "L", "boat": {"draft_m": null}}', "'draft_m'"),
        ('{"name": "L", "id": 7}', "'id'"),
    ],
)
def test_facts_that_cannot_be_are_refused_in_words(lake, text, says):
    (lake.path / "lake.json").write_text(text, encoding="utf-8")
    with pytest.raises(LakefloorError, match=says):
        read_facts(lake.path)
    assert lake_of(lake.path) is None


def test_facts_stay_when_the_disk_is_full(lake, monkeypatch):
    before = read_facts(lake.path)

    def full(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lakefloor.algorithms._io.whole_files.flush", full)
    with pytest.raises(OSError, match="No space"):
        write_facts(lake.path, replace(before, name="another"))
    assert read_facts(lake.path) == before
    assert os.listdir(lake.path) == ["lake.json"]


def test_a_lake_is_found_from_its_files_by_its_id_also_when_moved(lake, tmp_path):
    facts = read_facts(lake.path)
    inner = lake.path / "map" / "2026-01-01_000000"
    inner.mkdir(parents=True)
    assert lake_of(inner / "surface.tif").path == lake.path
    assert lake_of(inner, facts.id).path == lake.path
    assert lake_of(inner, "0" * 32) is None
    assert lake_of(tmp_path / "elsewhere.tif") is None
    moved = tmp_path / "moved"
    os.rename(lake.path, moved)
    assert lake_of(moved / "map", facts.id).path == moved


# -- names ----------------------------------------------------------------------

#: Naming Files, Paths, and Namespaces (Microsoft, learn.microsoft.com/windows/win32/fileio).
_RESERVED = [
    *["CON", "PRN", "AUX", "NUL"],
    *(f"{d}{k}" for d in ("COM", "LPT") for k in range(1, 10)),
]


@pytest.mark.parametrize("name", [*_RESERVED, "com¹", "con.txt", "nul .gpkg", "Aux"])
def test_a_reserved_name_of_windows_is_changed(name):
    changed = file_name(name)
    assert changed != name
    assert changed.partition(".")[0].strip().upper() not in _RESERVED


@given(st.text(max_size=300))
def test_every_text_becomes_a_name_that_every_system_takes(text):
    name = file_name(text)
    assert name
    assert not set(name) & set('<>:"/\\|?*')
    assert not any(ord(c) < 32 for c in name)
    assert name == name.strip(". ")
    assert len(f"{name}.gpkg-journal".encode()) <= 255
    assert name.partition(".")[0].strip().upper() not in _RESERVED
    assert file_name(name) == name


def test_names_of_any_script_are_kept():
    for name in ("Lac d'Émeraude", "Озеро Тихое", "西湖", "بحيرة", "Jezioro Śniardwy #2 (50%)"):
        assert file_name(name) == name
    assert file_name("a/b: c?") == "a b c"


# -- runs -----------------------------------------------------------------------


def _run(lake, key="map", failure="", outputs=(), inputs=None, now=None):
    folder = begin_run(lake, key, now)
    paths = {}
    for role in outputs:
        (folder / f"{role}.tif").write_text("content")
        paths[role] = f"{key}/{folder.name}/{role}.tif"
    record = RunRecord(
        key, folder.name, outputs=paths, inputs=inputs or {}, ended="2026-11-30T22:00:00+00:00",
        failure=failure,
    )  # fmt: skip
    finish_run(folder, record)
    return record


def test_runs_follow_one_another_also_when_the_clock_is_set_back(lake):
    late = datetime(2026, 11, 30, 22, 0, tzinfo=timezone.utc)
    stamps = [_run(lake, now=late).stamp, _run(lake, now=late).stamp]
    stamps.append(_run(lake, now=late - timedelta(days=3)).stamp)
    assert stamps[0] == "2026-11-30_220000"
    assert stamps == sorted(set(stamps))
    assert [r.stamp for r in all_runs(lake, "map")] == stamps


def test_the_current_run_is_the_newest_that_is_whole(lake):
    first = _run(lake, outputs=["surface"])
    second = _run(lake, outputs=["surface"])
    _run(lake, failure="no soundings")
    begin_run(lake, "map")
    assert current_run(lake, "map") == second
    (lake.path / second.outputs["surface"]).unlink()
    assert current_run(lake, "map") == first
    assert len(unfinished_runs(lake, "map")) == 1


@pytest.mark.parametrize(
    "path", ["../other/x.tif", "/etc/passwd", "C:\\x.tif", "\\\\server\\x", "map\\..\\..\\x", "", 7]
)
def test_a_record_names_nothing_outside_its_lake(lake, path):
    record = _run(lake, outputs=["surface"])
    file = lake.path / "map" / record.stamp / "run.json"
    content = json.loads(file.read_text())
    content["outputs"]["slope"] = path
    content["something new"] = [1]
    file.write_text(json.dumps(content))
    assert list(all_runs(lake, "map")[0].outputs) == ["surface"]


@pytest.mark.parametrize("text", ["", "[]", "{", '{"outputs": []}', '{"failure": null}', "1"])
def test_a_record_that_cannot_be_read_is_no_run(lake, text):
    folder = begin_run(lake, "map")
    (folder / "run.json").write_text(text)
    assert all_runs(lake, "map") == []


def test_a_file_where_runs_belong_is_said(lake):
    (lake.path / "map").write_text("notes")
    with pytest.raises(LakefloorError, match=r"Cannot make a folder in '.*map' \(File exists\)"):
        begin_run(lake, "map")
    assert (lake.path / "map").read_text() == "notes"


def test_old_runs_are_removed_and_the_last_result_stays(lake):
    old = _run(lake, outputs=["surface"])
    _run(lake, failure="cut")
    current = _run(lake, outputs=["surface"])
    failed = _run(lake, failure="disk")
    under_way = begin_run(lake, "map")
    assert remove_old_runs(lake, "map") == []
    left = sorted(p.name for p in (lake.path / "map").iterdir())
    assert left == sorted([current.stamp, failed.stamp, under_way.name])
    assert old.stamp not in left
    assert remove_old_runs(lake, "structure") == []


def test_what_was_cut_off_yesterday_is_removed(lake):
    cut_off = begin_run(lake, "map")
    (cut_off / "surface.tif").write_text("half")
    yesterday = time.time() - 25 * 3600
    for path in (cut_off / "surface.tif", cut_off):
        os.utime(path, (yesterday, yesterday))
    remove_old_runs(lake, "map")
    assert not cut_off.exists()


def test_a_folder_that_windows_holds_stays_whole_and_goes_later(lake, monkeypatch):
    """An open file: ERROR_SHARING_VIOLATION, 32 (Microsoft, System Error Codes)."""
    old, current = _run(lake, outputs=["surface"]), _run(lake, outputs=["surface"])
    rename = os.rename

    def held(source, target):
        if Path(source).name == old.stamp:
            error = PermissionError(13, "used by another process", str(source))
            error.winerror = 32
            raise error
        rename(source, target)

    monkeypatch.setattr(runs_module.os, "rename", held)
    assert [p.name for p in remove_old_runs(lake, "map")] == [old.stamp]
    assert (lake.path / old.outputs["surface"]).exists()
    assert current_run(lake, "map") == current
    monkeypatch.undo()
    assert remove_old_runs(lake, "map") == []
    assert [p.name for p in (lake.path / "map").iterdir()] == [current.stamp]


def test_what_could_only_be_removed_in_part_goes_next_time(lake, monkeypatch):
    _run(lake, outputs=["surface"])
    _run(lake, outputs=["surface"])
    monkeypatch.setattr(runs_module.shutil, "rmtree", lambda path: (_ for _ in ()).throw(OSError()))
    remove_old_runs(lake, "map")
    assert len(all_runs(lake, "map")) == 1
    monkeypatch.undo()
    assert remove_old_runs(lake, "map") == []
    assert len(list((lake.path / "map").iterdir())) == 1


def test_a_run_in_a_folder_that_may_not_be_written_says_so(lake, monkeypatch):
    def denied(*args, **options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", denied)
    with pytest.raises(LakefloorError, match="Permission denied"):
        begin_run(lake, "map")


def test_a_run_that_is_given_up_leaves_nothing(lake):
    folder = begin_run(lake, "map")
    (folder / "surface.tif").write_text("half")
    assert discard_run(folder)
    assert discard_run(folder)
    assert list((lake.path / "map").iterdir()) == []


def test_long_paths_in_any_script(tmp_path):
    base = tmp_path
    while len(str(base)) < 230:
        base = base / ("Ж深" * 12)
    base.mkdir(parents=True)
    write_facts(base, LakeFacts(name="Ж深" * 60))
    lake = LakeFolder(base)
    record = _run(lake, outputs=["surface"])
    assert len(str(lake.path / record.outputs["surface"])) > 250
    assert current_run(lake, "map") == record
    lake.project.write_text("a project")
    assert lake.project.exists()


# -- states ---------------------------------------------------------------------


def _states(lake, **fingerprints):
    return {s.key: (s.state, s.why) for s in step_states(lake, fingerprints)}


def test_states_follow_files_and_runs(lake):
    sources = {"shoreline": "a", "database": "b"}
    assert _states(lake)["map"] == ("not yet", ("shoreline", "database"))
    assert _states(lake, **sources)["map"] == ("ready", ())
    assert _states(lake, **sources)["visits"] == ("done", ())
    first = _run(lake, outputs=["surface"], inputs=sources)
    assert _states(lake, **sources)["map"] == ("done", ())
    _run(lake, "structure", inputs={"map": first.stamp, "shoreline": "a"})
    assert _states(lake, **sources)["structure"] == ("done", ())
    changed = {**sources, "database": "c", "marks": "m"}
    assert _states(lake, **changed)["map"] == ("out of date", ("database", "marks"))
    # What rests on something outdated is outdated too.
    assert _states(lake, **changed)["structure"] == ("out of date", ("map",))
    assert _states(lake, **sources)["structure"] == ("done", ())
    _run(lake, failure="The disk is full.")
    assert _states(lake, **sources)["map"] == ("failed", ("The disk is full.",))
    assert current_run(lake, "map") == first


def test_every_role_is_of_a_step():
    assert set(ROLES.values()) <= {"", *(s.key for s in STEPS)}
    assert step("map").needs == ("shoreline", "database")
    assert facts_module.FACTS_FILE == "lake.json"


@pytest.mark.parametrize(("winerror", "tries"), [(32, 3), (5, 3), (1224, 1), (None, 1)])
def test_what_is_held_for_a_moment_is_renamed_all_the_same(tmp_path, winerror, tries):
    """ERROR_ACCESS_DENIED, 5, and ERROR_SHARING_VIOLATION, 32 (Microsoft, System Error Codes)."""
    (tmp_path / "a").write_text("a")
    seen = []

    def rename(source, target):
        seen.append(source)
        if len(seen) < 3:
            error = PermissionError(13, "held")
            error.winerror = winerror
            raise error
        os.rename(source, target)

    if tries == 3:
        rename_patiently(tmp_path / "a", tmp_path / "b", rename)
        assert (tmp_path / "b").read_text() == "a"
    else:
        with pytest.raises(PermissionError):
            rename_patiently(tmp_path / "a", tmp_path / "b", rename)
    assert len(seen) == tries


def test_what_stays_held_is_said(tmp_path):
    def rename(source, target):
        error = PermissionError(13, "held")
        error.winerror = 32
        raise error

    with pytest.raises(PermissionError):
        rename_patiently(tmp_path / "a", tmp_path / "b", rename)
