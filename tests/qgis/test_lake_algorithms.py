"""Lake folders from the toolbox: made, filled, looked at, backed up and restored."""

import os
import sys
from pathlib import Path

import pytest
from qgis.core import (
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProject,
    QgsVectorLayer,
)

from lakefloor.algorithms._lake.facts import Boat, LakeFacts, read_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import take_lock

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import make_lake


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("given")
    make_lake(folder, along_m=4.0)
    return folder


@pytest.fixture
def lake(run, made, tmp_path):
    made_lake = run(
        "newlake",
        {
            "NAME": "  Lac  Émeraude ",
            "FOLDER": str(tmp_path),
            "SHORELINE": str(made / "shoreline.geojson"),
            "GAUGE": str(made / "gauge.csv"),
            "LOG_FOLDER": str(made / "logs"),
            "LOGS": [str(made / "logs" / "may.csv")],
            "UNIT": "meters",
            "PLACE": "Invented County",
            "TIME_ZONE": "America/Chicago",
            "LEVEL_UNIT": "meters",
            "DATUM_ELEVATION": 1.0,
            "DATUM_NAME": "pool",
            "BOAT": "skiff",
            "DRAFT": 0.4,
            "BEAM_WIDTH": 20.0,
            "ASSUMED_SOUND_SPEED": 1463.0,
        },
    )
    assert made_lake["LOG_COUNT"] == 2
    return LakeFolder(Path(made_lake["LAKE"]))


def _rows(path):
    layer = QgsVectorLayer(str(path), "steps", "ogr")
    return {f["step"]: f for f in layer.getFeatures()}


def test_a_lake_has_the_facts_that_were_given(lake, tmp_path):
    facts = read_facts(lake.path)
    assert lake.path == tmp_path / "Lac Émeraude"
    assert facts == LakeFacts(
        name="Lac Émeraude",
        id=facts.id,
        place="Invented County",
        unit="meters",
        time_zone="America/Chicago",
        level_unit="meters",
        datum_reading=1.0,
        datum_name="pool",
        boat=Boat("skiff", 0.4, 20.0, 1463.0),
    )


def test_a_shoreline_may_be_one_polygon_of_many(run, memory_layer, tmp_path):
    wkts = [f"POLYGON(({x} 0, {x + 5} 0, {x + 5} 5, {x} 0))" for x in range(0, 400, 10)]
    layer = memory_layer("Polygon", wkts)
    given = {"NAME": "Pond", "FOLDER": str(tmp_path)}
    with pytest.raises(QgsProcessingException, match="too many for one lake"):
        run("newlake", {**given, "SHORELINE": layer})
    assert os.listdir(tmp_path) == []
    QgsProject.instance().addMapLayer(layer, False)
    layer.selectByIds([7])
    run("newlake", {**given, "SHORELINE": QgsProcessingFeatureSourceDefinition(layer.id(), True)})
    shoreline = QgsVectorLayer(str(tmp_path / "Pond" / "shoreline.gpkg"), "s", "ogr")
    assert shoreline.featureCount() == 1


def test_steps_are_listed_with_their_state(run, lake, made, tmp_path, feedback):
    result = run(
        "lakesteps", {"LAKE": str(lake.path), "OUTPUT": str(tmp_path / "a.gpkg")}, feedback
    )
    rows = _rows(tmp_path / "a.gpkg")
    assert [(k, r["state"]) for k, r in rows.items()] == [
        ("shoreline", "done"), ("visits", "ready"), ("map", "not yet"), ("structure", "not yet"),
        ("outing", "not yet"),
    ]  # fmt: skip
    assert rows["map"]["why"] == "database"
    assert (result["DONE"], result["OUT_OF_DATE"]) == (1, 0)
    assert "map: not yet (missing: database)" in feedback.text
    with pytest.raises(QgsProcessingException, match="not the folder of a lake"):
        run("lakesteps", {"LAKE": str(made), "OUTPUT": str(tmp_path / "b.gpkg")})


def test_files_are_brought_in_and_each_is_named(run, lake, made, tmp_path, feedback):
    given = {
        "LAKE": str(lake.path),
        "FILES": [str(made / "marks.geojson"), str(made / "old.geojson")],
    }
    result = run("bringintolake", given, feedback)
    assert (result["BROUGHT"], result["LEFT"]) == (1, 1)
    assert "'marks.geojson' is now 'marks.gpkg'." in feedback.text
    assert "'old.geojson' was left where it is." in feedback.text
    assert run("bringintolake", {"LAKE": str(lake.path), "FOLDER": str(made / "logs")})["LEFT"] == 2


def test_a_lake_is_backed_up_and_restored(run, lake, tmp_path, feedback):
    assert take_lock(lake) is None
    backup = run("backuplake", {"LAKE": str(lake.path)}, feedback)
    assert Path(backup["BACKUP"]).parent == lake.backups
    assert backup["SIZE_MB"] == pytest.approx(Path(backup["BACKUP"]).stat().st_size / 1e6)
    assert "tracks" in feedback.text
    (tmp_path / "away").mkdir()
    given = {"BACKUP": backup["BACKUP"], "FOLDER": str(tmp_path / "away")}
    restored = LakeFolder(Path(run("restorelake", given)["LAKE"]))
    assert restored.path == tmp_path / "away" / "Lac Émeraude"
    assert read_facts(restored.path) == read_facts(lake.path)
    assert not restored.lock.exists()
    with pytest.raises(QgsProcessingException, match="does not exist"):
        run("backuplake", {"LAKE": str(lake.path), "FOLDER": str(tmp_path / "none")})


def test_a_synced_or_network_place_is_warned_of(run, tmp_path, feedback):
    (tmp_path / "Nextcloud").mkdir()
    run("newlake", {"NAME": "Pond", "FOLDER": str(tmp_path / "Nextcloud")}, feedback)
    assert "synchronizes" in "".join(feedback.warnings)


def test_a_cancel_makes_no_lake(run, made, tmp_path, recorder):
    given = {"NAME": "Pond", "FOLDER": str(tmp_path), "LOG_FOLDER": str(made / "logs")}
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("newlake", given, recorder(cancel_at=10))
    assert os.listdir(tmp_path) == []
