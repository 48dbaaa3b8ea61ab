"""The work on a lake from its folder, headless, as the panel has it done: steps, records, states."""

import json
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsPointXY, QgsProcessingException, QgsVectorLayer

from lakefloor.algorithms import _store
from lakefloor.algorithms._lake import published
from lakefloor.algorithms._lake.facts import Boat, LakeFacts, read_facts
from lakefloor.algorithms._lake.filling import begin, end, give_up
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._lake.portable import numbers_of, portable, without_places
from lakefloor.algorithms._lake.runs import all_runs, current_run, remove_old_runs
from lakefloor.algorithms._lake.sources import fingerprints
from lakefloor.algorithms._lake.states import step_states
from lakefloor.algorithms._lake.steps import ROLES
from lakefloor.algorithms.core.errors import LakefloorError

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import EAST, NORTH, make_lake

FACTS = LakeFacts(
    name="Lac Rond 湖",
    place="Invented County",
    unit="meters",
    time_zone="America/Chicago",
    level_unit="meters",
    datum_reading=1.0,
    datum_name="dock gauge",
    boat=Boat("skiff", 0.4, 20.0, 1480.0),
)


def _take(run, lake, step, options=None, feedback=None):
    prepared = begin(lake, step, options)
    try:
        results = run(prepared.algorithm.partition(":")[2], prepared.parameters, feedback)
    except QgsProcessingException as error:
        return end(prepared, None, str(error))
    return end(prepared, results)


def _states(lake):
    return {s.key: s.state for s in step_states(lake, fingerprints(lake))}


def _texts(lake):
    """Return all that the files of a lake say in words: records and facts."""
    return "".join(p.read_text(encoding="utf-8") for p in sorted(lake.path.rglob("*.json")))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Files of a small lake as people have them."""
    folder = tmp_path_factory.mktemp("given")
    make_lake(folder, along_m=4.0)
    return folder


@pytest.fixture(scope="module")
def mapped(made, tmp_path_factory, provider):
    """A lake after its first steps, and what was seen on the way."""
    import processing
    from number_signs import Recorder

    def run(name, parameters, feedback=None):
        return processing.run(f"lakefloor:{name}", parameters, feedback=feedback or Recorder())

    seen = {}
    lake = new_lake(
        tmp_path_factory.mktemp("lakes"),
        FACTS,
        shoreline=made / "shoreline.geojson",
        gauge=made / "gauge.csv",
        logs=[made / "logs"],
    )
    seen["new"] = _states(lake)
    seen["visits"] = _take(run, lake, "visits", {"LOG_FOLDER": str(lake.logs)})
    seen["added"] = _states(lake)
    seen["map"] = _take(run, lake, "map", {"INTERVAL": 1.0})
    seen["structure"] = _take(run, lake, "structure", {"INTERVAL": 1.0, "SPOTS": 5})
    # An interval so fine that the soundings do not support it everywhere.
    outing = {"LAUNCH": f"{EAST},{NORTH - 125.0} [EPSG:32615]", "TIME": 20.0, "INTERVAL": 0.1}
    seen["outing"] = _take(run, lake, "outing", outing)
    seen["mapped"] = _states(lake)
    return lake, seen, run


def test_from_a_new_lake_to_its_map(mapped):
    lake, seen, _ = mapped
    assert seen["new"] == {
        "shoreline": "done", "visits": "ready", "map": "not yet", "structure": "not yet",
        "outing": "not yet",
    }  # fmt: skip
    assert seen["added"] == {**seen["new"], "visits": "done", "map": "ready"}
    assert set(seen["mapped"].values()) == {"done"}
    assert [v.name for v in _store.contents(lake.database).visits] == ["2025-05-17", "2025-06-20"]


@pytest.mark.parametrize("step", ["visits", "map", "structure", "outing"])
def test_a_run_leaves_the_layers_of_its_step_and_nothing_else(mapped, step):
    lake, seen, _ = mapped
    record = seen[step]
    assert record.failure == ""
    roles = {role for role, of in ROLES.items() if of == step}
    left = set(record.outputs)
    assert left & set(ROLES) >= roles - {"bottom_type_areas"}
    assert left & set(ROLES) <= roles
    folder = lake.path / step / record.stamp
    assert {p.name for p in folder.iterdir() if not p.name.endswith(".aux.xml")} == {
        "run.json",
        *(Path(path).name for path in record.outputs.values()),
    }
    for role, path in record.outputs.items():
        if path.endswith(".gpkg"):
            assert QgsVectorLayer(str(lake.path / path), role, "ogr").isValid()
        elif path.endswith(".tif"):
            assert gdal.Open(str(lake.path / path)) is not None
    assert all_runs(lake, step) == [record]


def test_records_hold_numbers_and_the_lake_s_own_values(mapped):
    _, seen, _ = mapped
    assert seen["visits"].numbers["addtodatabase:ADDED"] > 500
    given = seen["visits"].parameters
    assert given["DRAFT"] == 0.4
    assert given["ASSUMED_SOUND_SPEED"] == 1480.0
    assert given["DATUM_ELEVATION"] == 1.0
    assert given["TIME_ZONE"] == "America/Chicago"
    assert given["DATABASE"] == "lake_database.gpkg"
    assert given["LOG_FOLDER"] == "logs"
    assert given["GAUGE"] == "gauge.csv"
    assert seen["map"].parameters["TITLE"] == "Lac Rond 湖"
    assert seen["map"].parameters["LAKE"] == "Invented County"
    assert seen["map"].parameters["UNIT"] == "meters"
    assert seen["map"].inputs.keys() == {"shoreline", "database"}
    assert seen["structure"].inputs["map"] == seen["map"].stamp
    assert seen["structure"].algorithm == "lakefloor:structureandbottomtype"


def test_nothing_in_a_lake_says_where_it_lies_or_whose_it_is(mapped):
    lake, _, _ = mapped
    texts = _texts(lake)
    assert str(lake.path.parent) not in texts
    assert str(Path.home()) not in texts
    assert '"/' not in texts.replace('"/"', "")


def test_documents_lie_where_people_look_for_them(mapped):
    lake, seen, _ = mapped
    assert set(seen["map"].documents) == {"map_sheet", "lake_report", "lake_report_page"}
    assert seen["map"].documents["map_sheet"].startswith("sheets/Map sheet 2")
    assert seen["map"].documents["lake_report"].startswith("reports/Lake report 2")
    assert seen["outing"].documents["route"].endswith(".gpx")
    for step in ("map", "structure", "outing"):
        for name, path in seen[step].documents.items():
            original = lake.path / seen[step].outputs[name]
            assert (lake.path / path).read_bytes() == original.read_bytes()


@pytest.fixture
def lake(mapped, tmp_path):
    """A copy of the mapped lake under another name and place: nothing in it is absolute."""
    folder = tmp_path / ("Ж " * 40).strip() / "moved, renamed & copied"
    shutil.copytree(mapped[0].path, folder)
    return LakeFolder(folder)


def test_a_moved_lake_is_as_it_was_and_goes_on(lake, mapped, run):
    assert set(_states(lake).values()) == {"done"}
    with pytest.raises(LakefloorError, match="no parameter 'NONSENSE'"):
        begin(lake, "map", {"NONSENSE": 1})
    second = _take(run, lake, "map", {"INTERVAL": 2.0})
    assert second.failure == ""
    assert current_run(lake, "map") == second
    first = mapped[1]["map"]
    assert second.parameters["OLD_SURFACE"] == first.outputs["surface"]
    # The earlier result stands until somebody removes it.
    assert (lake.path / first.outputs["surface"]).exists()
    # The same soundings and shoreline make the same surface.
    before, after = (
        gdal.Open(str(lake.path / r.outputs["surface"])).ReadAsArray() for r in (first, second)
    )
    np.testing.assert_allclose(before, after)
    states = _states(lake)
    assert (states["map"], states["structure"]) == ("done", "out of date")
    assert remove_old_runs(lake, "map") == []
    assert [r.stamp for r in all_runs(lake, "map")] == [second.stamp]


def test_what_changes_a_source_makes_its_results_out_of_date(lake, run):
    run("removevisit", {"DATABASE": str(lake.database), "VISITS": "2025-06-20"})
    states = step_states(lake, fingerprints(lake))
    assert [(s.key, s.state, s.why) for s in states[2:4]] == [
        ("map", "out of date", ("database",)),
        ("structure", "out of date", ("map",)),
    ]
    run("undolastchange", {"DATABASE": str(lake.database)})
    assert set(_states(lake).values()) == {"done"}


def test_a_run_that_fails_leaves_only_why(lake, run):
    before = current_run(lake, "map")
    wrong = {"INTERVAL": -1.0}
    record = _take(run, lake, "map", wrong)
    assert record.failure
    assert record.outputs == record.numbers == record.documents == {}
    assert os.listdir(lake.path / "map" / record.stamp) == ["run.json"]
    assert current_run(lake, "map") == before
    (state,) = [s for s in step_states(lake, fingerprints(lake)) if s.key == "map"]
    assert (state.state, state.why) == ("failed", (record.failure,))


def test_a_failure_does_not_say_where_the_lake_lies(lake):
    prepared = begin(lake, "map")
    (prepared.folder / "surface.tif").write_text("half")
    record = end(prepared, None, f"Cannot write '{prepared.folder}/surface.tif' of {Path.home()}.")
    assert record.failure == f"Cannot write 'map/{record.stamp}/surface.tif' of ~."
    assert str(lake.path) not in _texts(lake)


def test_a_run_that_did_not_write_what_it_says_fails(lake):
    prepared = begin(lake, "map")
    (output,) = [name for name, role in prepared.roles.items() if role == "surface"]
    record = end(prepared, {output: prepared.parameters[output]})
    assert "'surface.tif' was not written" in record.failure


def test_a_cancelled_run_leaves_nothing(lake):
    before = sorted(os.listdir(lake.path / "map"))
    prepared = begin(lake, "map")
    (prepared.folder / "surface.tif").write_text("half")
    give_up(prepared)
    assert sorted(os.listdir(lake.path / "map")) == before


def test_a_cancelled_run_whose_files_are_held_leaves_no_result(lake, monkeypatch):
    prepared = begin(lake, "map")
    (prepared.folder / "surface.tif").write_text("half")
    monkeypatch.setattr("lakefloor.algorithms._lake.filling.discard_run", lambda folder: False)
    give_up(prepared)
    assert list(prepared.folder.iterdir()) == []
    assert len(all_runs(lake, "map")) == 1


def test_a_document_that_is_open_elsewhere_gets_a_copy_beside(lake, monkeypatch):
    """An open file: ERROR_SHARING_VIOLATION, 32 (Microsoft, System Error Codes)."""
    prepared = begin(lake, "map")
    sheet = prepared.folder / "map_sheet.pdf"
    sheet.write_bytes(b"%PDF new")
    (before,) = (lake.sheets).glob("Map sheet *")
    earlier = before.read_bytes()

    def held(source, target):
        error = PermissionError(13, "used by another process", str(target))
        error.winerror = 32
        raise error

    monkeypatch.setattr(published.os, "replace", held)
    copies = published.publish(lake, {"map_sheet": sheet})
    assert copies["map_sheet"].endswith(" (2).pdf")
    assert (lake.path / copies["map_sheet"]).read_bytes() == b"%PDF new"
    assert before.read_bytes() == earlier
    monkeypatch.undo()
    assert published.publish(lake, {"map_sheet": sheet})["map_sheet"] == f"sheets/{before.name}"
    assert before.read_bytes() == b"%PDF new"
    assert len(list(lake.sheets.glob("Map sheet *"))) == 2
    # A full disk takes no copy; the run is whole without it.
    monkeypatch.setattr(published.shutil, "copyfile", held)
    assert published.publish(lake, {"map_sheet": sheet}) == {}


def test_a_level_goes_before_the_gauge_and_a_lake_without_one_has_no_datum(lake):
    prepared = begin(lake, "visits", {"LOG_FOLDER": "x", "LEVEL": 1.2})
    assert "GAUGE" not in prepared.parameters
    assert prepared.parameters["DATUM_ELEVATION"] == 1.0
    given = {"LOG_FOLDER": "x", "LEVEL": 1.2, "GAUGE": str(lake.gauge)}
    assert "GAUGE" not in begin(lake, "visits", given).parameters
    lake.gauge.unlink()
    prepared = begin(lake, "visits", {"LOG_FOLDER": "x", "DATUM_ELEVATION": 1.0})
    assert "DATUM_ELEVATION" not in prepared.parameters
    prepared = begin(lake, "visits", {"LOG_FOLDER": "x"})
    assert "DATUM_ELEVATION" not in prepared.parameters
    assert [p.name for p in (lake.path / "visits").iterdir()] != []


def test_a_step_says_what_it_needs_first(made, tmp_path):
    lake = new_lake(tmp_path, LakeFacts(name="Empty"))
    with pytest.raises(LakefloorError, match="the shoreline, a visit in the lake database"):
        begin(lake, "map")
    assert not (lake.path / "map").exists()


def test_without_hardness_structure_is_of_the_surface_alone(lake, monkeypatch):
    monkeypatch.setattr("lakefloor.algorithms._lake.filling.has_values", lambda path, name: False)
    prepared = begin(lake, "structure", {"INTERVAL": 1.0})
    assert prepared.algorithm == "lakefloor:structurefromasurface"
    assert "SOUNDINGS" not in prepared.parameters


# -- what is kept of a run ------------------------------------------------------------------


def test_parameters_are_kept_without_places(tmp_path):
    layer = QgsVectorLayer(f"{tmp_path}/lake/marks.gpkg|layername=m", "m", "ogr")
    base = tmp_path / "lake"
    kept = portable(
        {
            "A": f"{base}/logs/a.csv",
            "B": [f"{tmp_path}/card/b.csv", "C:\\Users\\someone\\c.csv", "\\\\server\\d.csv"],
            "LAYER": layer,
            "TEXT": "feet",
            "NUMBER": 1.5,
            "NOTHING": None,
            "NAN": float("nan"),
            "POINT": QgsPointXY(1, 2),
        },
        base,
    )
    json.dumps(kept, allow_nan=False)
    assert kept["A"] == "logs/a.csv"
    assert kept["B"] == ["b.csv", "c.csv", "d.csv"]
    assert kept["LAYER"] == "marks.gpkg|layername=m"
    assert (kept["TEXT"], kept["NUMBER"], kept["NOTHING"], kept["NAN"]) == ("feet", 1.5, None, None)
    assert without_places(f"in {base}: {base}/x", base) == "in lake: x"


def test_numbers_of_steps_are_kept():
    found = numbers_of(
        {"A": 1, "B": "x", "C": float("nan"), "D": True, "CHILD_RESULTS": {"add": {"N": 2.5}}}
    )
    assert found == {"A": 1, "add:N": 2.5}


def test_a_new_lake_has_its_facts(mapped):
    assert read_facts(mapped[0].path) == FACTS
