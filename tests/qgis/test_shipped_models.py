"""The shipped models try what can be tried before their first step."""

import gc
import sys
from pathlib import Path

import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingModelAlgorithm,
    QgsProcessingOutputLayerDefinition,
    QgsProject,
)

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.plugin.shipped_model import ShippedModel

sys.path.insert(0, str(Path(__file__).parent))
from every_algorithm import make_lake
from lakes import RADIUS, X, Y, paraboloid, shore

MAP = "logstolakemap"


def _models(provider):
    return [a for a in provider.algorithms() if isinstance(a, QgsProcessingModelAlgorithm)]


def test_copies_are_of_the_same_class_and_say_the_same(provider):
    assert len(_models(provider)) >= 5
    for model in _models(provider):
        copy = QgsApplication.processingRegistry().createAlgorithmById(model.id()).create()
        gc.collect()
        assert isinstance(model, ShippedModel)
        assert isinstance(copy, ShippedModel)
        for say in ("id", "displayName", "group", "tags", "shortHelpString", "helpContent"):
            assert getattr(copy, say)() == getattr(model, say)()
        assert copy.sourceFilePath() == model.sourceFilePath()
        assert copy.validate() == (True, [])
        for kind in ("parameterDefinitions", "outputDefinitions"):
            names = [[d.name() for d in getattr(each, kind)()] for each in (model, copy)]
            assert names[0] == names[1]
        assert "Lakefloor" in copy.provider().name()


def test_models_have_ids_for_commands_and_names_for_people(provider):
    assert {model.name(): model.displayName() for model in _models(provider)} == {
        "logstolakemap": "Logs to lake map",
        "addavisit": "Add a visit",
        "structurefromasurface": "Structure from a surface",
        "structureandbottomtype": "Structure and bottom type",
        "logstodatabase": "Logs to lake database",
        "maplakedatabase": "Map of lake database",
        "planthenextouting": "Plan the next outing",
    }
    for model in _models(provider):
        assert len(model.tags()) > 10
        assert model.shortHelpString().startswith("<p>")


@pytest.fixture
def lake(tmp_path):
    make_lake(tmp_path / "lake")
    (tmp_path / "out").mkdir()
    return tmp_path / "lake"


def _map(lake, **destinations):
    out = lake.parent / "out"
    files = {
        "uncertaintybudget:Soundings": "soundings.gpkg", "tinsurface:TIN surface": "tin.tif",
        "idwsurface:IDW surface": "idw.tif", "smoothsurface:Smooth surface": "smooth.tif",
        "depthcontours:Depth contours": "contours.gpkg", "depthareas:Depth areas": "areas.gpkg",
        "bottomslope:Bottom slope": "slope.tif", "breaklines:Breaklines": "breaks.gpkg",
        "mapsheet:Map sheet": "sheet.pdf", "lakeproject:Lake project": "lake.qgz",
    }  # fmt: skip
    return {
        "LOG_FOLDER": str(lake / "logs"),
        "SHORELINE": str(lake / "shoreline.geojson"),
        "GAUGE": str(lake / "gauge.csv"),
        "LEVEL_UNIT": "m",
        "DATUM_ELEVATION": 1.0,
        **{name: str(out / file) for name, file in files.items()},
        **destinations,
    }


def _refusal(provider, recorder, name, parameters):
    """Return why a model is refused, in its dialog and when it is run; nothing was begun."""
    model = provider.algorithm(name).create()
    context, feedback = QgsProcessingContext(), recorder()
    context.setProject(QgsProject.instance())
    acceptable, wrong = model.checkParameterValues(parameters, context)
    assert not acceptable
    _, done = model.run(parameters, context, feedback)
    assert not done
    assert wrong in feedback.text
    assert feedback.messages == []
    return wrong


def _place(lake, name):
    return str(lake.parent / "out" / name)


@pytest.mark.parametrize(
    ("output", "file", "word"),
    [
        ("mapsheet:Map sheet", "missing/sheet.pdf", "does not exist"),
        ("mapsheet:Map sheet", "sheet.docx", r"end in \.pdf"),
        ("lakeproject:Lake project", "lake.gpkg", r"end in \.qgz"),
        ("smoothsurface:Smooth surface", "smooth.surface", "cannot be written as"),
        ("depthcontours:Depth contours", "taken.gpkg", "is a folder"),
        (
            "depthcontours:Depth contours",
            "store.gpkg",
            "is a lake database, which no result may replace",
        ),
        (
            "depthcontours:Depth contours",
            "soundings.gpkg",
            "go to the same file, '.*soundings.gpkg'",
        ),
        (
            "depthcontours:Depth contours",
            "../lake/shoreline.geojson",
            "which is 'Shoreline' of this",
        ),
    ],
)
def test_destination_is_refused_before_the_first_step(provider, recorder, lake, output, file, word):
    out = lake.parent / "out"
    (out / "taken.gpkg").mkdir()
    store = out / "store.gpkg"
    _store.add(store, Soundings.build([5e5] * 3, [5e6] * 3, [1.0, 2.0, 3.0]), "EPSG:32615")
    import re

    held = store.read_bytes()
    wrong = _refusal(provider, recorder, MAP, _map(lake, **{output: _place(lake, file)}))
    assert re.search(word, wrong), wrong
    assert sorted(p.name for p in out.iterdir()) == ["store.gpkg", "taken.gpkg"]
    assert store.read_bytes() == held


def test_save_to_geopackage_knows_the_store_too(provider, recorder, lake):
    store = lake.parent / "out" / "store.gpkg"
    _store.add(store, Soundings.build([5e5] * 3, [5e6] * 3, [1.0, 2.0, 3.0]), "EPSG:32615")
    for target in (
        f"ogr:dbname='{store}' table=\"contours\" (geom)",
        QgsProcessingOutputLayerDefinition(str(store)),
    ):
        wrong = _refusal(
            provider, recorder, MAP, _map(lake, **{"depthcontours:Depth contours": target})
        )
        assert "is a lake database" in wrong


def test_rule_of_a_step_is_told_before_the_first(provider, recorder, lake):
    wrong = _refusal(provider, recorder, MAP, _map(lake, TIME_ZONE="Nowhere/At all"))
    assert "Nowhere" in wrong
    wrong = _refusal(provider, recorder, MAP, _map(lake, LEVEL=1.0))
    assert "not both" in wrong


def test_what_is_no_store_is_not_added_to(provider, recorder, lake):
    visit = {
        "DATABASE": str(lake / "points.gpkg"),
        "LOG_FOLDER": str(lake / "logs"),
        "SHORELINE": str(lake / "shoreline.geojson"),
        "GAUGE": str(lake / "gauge.csv"),
        "LEVEL_UNIT": "m",
        "DATUM_ELEVATION": 1.0,
    }
    for output in provider.algorithm("addavisit").destinationParameterDefinitions():
        visit[output.name()] = "TEMPORARY_OUTPUT"
    assert "not a lake database" in _refusal(provider, recorder, "addavisit", visit)


def test_surface_brought_up_to_date_may_be_replaced(provider, lake):
    old = paraboloid(lake.parent).source()
    visit = {
        "DATABASE": _place(lake, "store.gpkg"),
        "LOG_FOLDER": str(lake / "logs"),
        "SHORELINE": str(lake / "shoreline.geojson"),
        "GAUGE": str(lake / "gauge.csv"),
        "LEVEL_UNIT": "m",
        "DATUM_ELEVATION": 1.0,
        "OLD_SURFACE": old,
        "smoothsurface:Smooth surface": old,
    }
    model = provider.algorithm("addavisit").create()
    for output in model.destinationParameterDefinitions():
        visit.setdefault(output.name(), "TEMPORARY_OUTPUT")
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    assert model.checkParameterValues(visit, context) == (True, "")
    assert list((lake.parent / "out").iterdir()) == []


def test_failing_model_brings_no_layer_into_the_project(provider, recorder, tmp_path, memory_layer):
    """QGIS's dialogs load what a run asked for, also when it failed: steps before did so."""
    shown = QgsProcessingOutputLayerDefinition("TEMPORARY_OUTPUT", QgsProject.instance())
    parameters = {
        "SURFACE": paraboloid(tmp_path),
        "SHORELINE": memory_layer("Polygon", [shore().wkt]),
        "breaklines:Breaklines": shown,
        "nextouting:Lanes of the next outing": shown,
        "nextouting:Survey gaps": shown,
    }
    model = provider.algorithm("planthenextouting").create()
    for launch, expected in ((f"{X},{Y - RADIUS}", True), ("0,0", False)):
        context, feedback = QgsProcessingContext(), recorder()
        context.setProject(QgsProject.instance())
        _, done = model.run({**parameters, "LAUNCH": f"{launch} [EPSG:32615]"}, context, feedback)
        assert done == expected, feedback.text
        assert len(context.layersToLoadOnCompletion()) == (3 if expected else 0)


def test_failing_algorithm_brings_no_layer_into_the_project(
    provider, recorder, tmp_path, memory_layer
):
    shown = QgsProcessingOutputLayerDefinition("TEMPORARY_OUTPUT", QgsProject.instance())
    algorithm = provider.algorithm("depthprofile").create()
    context, feedback = QgsProcessingContext(), recorder()
    context.setProject(QgsProject.instance())
    _, done = algorithm.run(
        {
            "INPUT": paraboloid(tmp_path),
            "LINES": memory_layer("LineString", [f"LINESTRING({X - 200} {Y},{X + 200} {Y})"]),
            "OUTPUT": shown,
            "REPORT": str(tmp_path / "no folder" / "profile.html"),
        },
        context,
        feedback,
    )
    assert not done
    assert not context.layersToLoadOnCompletion()
