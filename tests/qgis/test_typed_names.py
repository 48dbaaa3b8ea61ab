"""A file name without a folder goes to a place that a person finds; a command keeps its own."""

from pathlib import Path

import pytest
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingOutputLayerDefinition,
    QgsProject,
    QgsProperty,
    QgsSettings,
)

from lakefloor.algorithms import _settings
from lakefloor.algorithms._io import typed_names
from lakefloor.algorithms._io.params import with_current_values


@pytest.fixture
def lakes(tmp_path, qgis_app):
    folder = tmp_path / "lakes"
    folder.mkdir()
    _settings.choose(lakes_folder=folder)
    yield folder
    QgsSettings().remove("lakefloor")


@pytest.fixture
def window(monkeypatch, lakes, tmp_path):
    """A person before a window, whose QGIS was started from somewhere else."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    monkeypatch.setattr(typed_names, "in_window", lambda: True)
    return elsewhere


@pytest.fixture
def context(tmp_path):
    project = QgsProject()
    context = QgsProcessingContext()
    context.setProject(project)
    yield context
    context.setProject(None)


def _resolved(provider, name, parameters, context):
    return with_current_values(provider.algorithm(name).create(), parameters, context)


@pytest.mark.parametrize("typed", ["map.pdf", "./map.pdf", " ./map.pdf"])
def test_a_name_goes_to_the_folder_for_lakes_or_that_of_the_project(
    provider, window, lakes, context, tmp_path, typed
):
    """QGIS's field for a file hands ``map.pdf`` on as ``./map.pdf``."""
    given = {"OUTPUT": typed}
    assert _resolved(provider, "mapsheet", given, context)["OUTPUT"] == str(lakes / "map.pdf")
    own = tmp_path / "Möwensee"
    own.mkdir()
    context.project().setFileName(str(own / "lake.qgz"))
    assert _resolved(provider, "mapsheet", given, context)["OUTPUT"] == str(own / "map.pdf")
    deeper = _resolved(provider, "mapsheet", {"OUTPUT": "sheets/map.pdf"}, context)
    assert deeper["OUTPUT"] == str(own / "sheets" / "map.pdf")


def test_where_the_folder_for_lakes_is_not_there_it_is_home(
    provider, window, lakes, context, monkeypatch, tmp_path
):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    lakes.rmdir()
    given = _resolved(provider, "mapsheet", {"OUTPUT": "map.pdf"}, context)
    assert given["OUTPUT"] == str(tmp_path / "map.pdf")


def test_a_layer_keeps_what_was_said_of_it(provider, window, lakes, context):
    asked = QgsProcessingOutputLayerDefinition("./lanes.gpkg", context.project())
    asked.destinationName = "Lanes"
    asked.createOptions = {"fileEncoding": "UTF-8"}
    given = _resolved(provider, "surveylanes", {"OUTPUT": asked}, context)["OUTPUT"]
    assert given.sink.staticValue() == str(lakes / "lanes.gpkg")
    assert given.destinationName == "Lanes"
    assert given.createOptions == {"fileEncoding": "UTF-8"}
    assert asked.sink.staticValue() == "./lanes.gpkg"


def test_a_new_database_has_its_folder_too(provider, window, lakes, context):
    given = _resolved(provider, "addtodatabase", {"DATABASE": "lake.gpkg"}, context)
    assert given["DATABASE"] == str(lakes / "lake.gpkg")


def test_an_input_that_is_there_is_the_one_that_is_meant(provider, window, lakes, context):
    (window / "lake.gpkg").touch()
    given = _resolved(provider, "addtodatabase", {"DATABASE": "lake.gpkg"}, context)
    assert given["DATABASE"] == "lake.gpkg"


def test_a_home_folder_is_written_out(provider, window, lakes, context, monkeypatch, tmp_path):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    given = _resolved(provider, "mapsheet", {"OUTPUT": "~/map.pdf"}, context)
    assert given["OUTPUT"] == str(tmp_path / "map.pdf")


@pytest.mark.parametrize(
    "value",
    [
        None,
        "",
        "TEMPORARY_OUTPUT",
        "memory:lanes",
        "ogr:dbname='lake.gpkg' table=\"lanes\"",
        "postgis:table=lanes",
        QgsProperty.fromExpression("'lanes' || '.gpkg'"),
    ],
)
def test_what_is_no_typed_name_stays(provider, window, lakes, context, value):
    given = _resolved(provider, "surveylanes", {"OUTPUT": value}, context)
    assert given["OUTPUT"] == value


def test_a_full_path_stays(provider, window, lakes, context, tmp_path):
    full = str(tmp_path / "map.pdf")
    assert _resolved(provider, "mapsheet", {"OUTPUT": full}, context)["OUTPUT"] == full


def test_a_command_keeps_its_own_folder(provider, lakes, context):
    given = _resolved(provider, "mapsheet", {"OUTPUT": "map.pdf"}, context)
    assert given["OUTPUT"] == "map.pdf"


def test_the_file_is_there_and_the_log_says_where(
    provider, run, window, lakes, memory_layer, feedback
):
    lake = memory_layer("Polygon", ["POLYGON((0 0, 0 400, 400 400, 400 0, 0 0))"])
    result = run("surveylanes", {"INPUT": lake, "OUTPUT": "./lanes.gpkg"}, feedback)
    assert Path(result["OUTPUT"]) == lakes / "lanes.gpkg"
    assert (lakes / "lanes.gpkg").is_file()
    assert not list(window.iterdir())
    assert f"'{lakes / 'lanes.gpkg'}'" in feedback.text
