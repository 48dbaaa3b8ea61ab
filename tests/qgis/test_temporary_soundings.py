"""Soundings that nobody names a file for: a temporary GeoPackage, handed on as QGIS expects."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import processing
import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSource,
    QgsProcessingUtils,
    QgsProject,
    QgsVectorFileWriter,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QCoreApplication

TEMPORARY = "TEMPORARY_OUTPUT"


def soundings(memory_layer, n=40):
    x = np.arange(n) * 5.0 + 400_000
    return memory_layer(
        "Point",
        [f"POINT({each} 5150000)" for each in x],
        fields="field=visit:string&field=depth_m:double&field=corrections:string",
        rows=[["May", 3.0 + 0.01 * i, ""] for i in range(n)],
        name="Pings",
    )


def _file(layer):
    assert isinstance(layer, QgsVectorLayer)
    assert layer.isValid()
    path = Path(layer.source().partition("|")[0])
    assert Path(QgsProcessingUtils.tempFolder()) in path.parents
    assert path.suffix == ".gpkg"
    # Nothing is left beside it of how it was made.
    assert [each.name for each in path.parent.iterdir()] == [path.name]
    return path


def test_a_script_gets_a_layer(run, memory_layer):
    layer = run("correctdepths", {"INPUT": soundings(memory_layer), "OUTPUT": TEMPORARY})["OUTPUT"]
    _file(layer)
    assert layer.name() == "Corrected soundings"
    assert layer.featureCount() == 40
    again = run("correctdepths", {"INPUT": soundings(memory_layer), "OUTPUT": TEMPORARY})["OUTPUT"]
    assert _file(again) != _file(layer)


def test_a_layer_in_memory_is_still_one_if_it_is_asked_for(run, memory_layer):
    layer = run("correctdepths", {"INPUT": soundings(memory_layer), "OUTPUT": "memory:mine"})
    assert layer["OUTPUT"].dataProvider().name() == "memory"
    assert layer["OUTPUT"].name() == "mine"
    assert layer["OUTPUT"].featureCount() == 40


@pytest.fixture
def project():
    yield QgsProject.instance()
    QgsProject.instance().clear()


def _loaded(context, feedback):
    """Load what a run asks for, as QGIS's dialogs do."""
    details = context.layersToLoadOnCompletion()
    named = {key: (each.name, each.project) for key, each in details.items()}
    layers = {}
    for key, (name, into) in named.items():
        layer = QgsProcessingUtils.mapLayerFromString(key, context)
        each = context.layerToLoadOnCompletionDetails(key)
        each.setOutputLayerName(layer)
        into.addMapLayer(context.temporaryLayerStore().takeMapLayer(layer))
        if each.postProcessor():
            each.postProcessor().postProcessLayer(layer, context, feedback)
        layers[name] = layer
    return layers


def _dialog_output(project, name=""):
    output = QgsProcessingOutputLayerDefinition(TEMPORARY, project)
    output.destinationName = name
    return output


def test_the_toolbox_loads_it_with_its_name_and_style(run, memory_layer, project, feedback):
    before = len(project.mapLayers())
    for name, shown in (("", "Corrected soundings"), ("As I say", "As I say")):
        context = QgsProcessingContext()
        context.setProject(project)
        output = _dialog_output(project, name)
        algorithm = QgsApplication.processingRegistry().createAlgorithmById(
            "lakefloor:correctdepths"
        )
        pings = soundings(memory_layer)
        _, ok = algorithm.run({"INPUT": pings, "OUTPUT": output}, context, feedback)
        assert ok, feedback.text
        layers = _loaded(context, feedback)
        assert list(layers) == [shown]
        assert layers[shown].renderer().type() != "singleSymbol"
        _file(layers[shown])
    assert len(project.mapLayers()) == before + 2


def _model():
    """Correct depths, then clean them."""
    model = QgsProcessingModelAlgorithm("steps", "tests")
    model.addModelParameter(
        QgsProcessingParameterFeatureSource("pings", "Pings"), QgsProcessingModelParameter("pings")
    )
    source = QgsProcessingModelChildParameterSource
    first = QgsProcessingModelChildAlgorithm("lakefloor:correctdepths")
    first.setChildId("first")
    first.addParameterSources("INPUT", [source.fromModelParameter("pings")])
    second = QgsProcessingModelChildAlgorithm("lakefloor:cleansoundings")
    second.setChildId("second")
    second.addParameterSources("INPUT", [source.fromChildOutput("first", "OUTPUT")])
    output = QgsProcessingModelOutput("Clean", "Clean")
    output.setChildId("second")
    output.setChildOutputName("OUTPUT")
    second.setModelOutputs({"Clean": output})
    for child in (first, second):
        # As the designer does.
        for definition in child.algorithm().parameterDefinitions():
            if definition.name() not in child.parameterSources() and not definition.isDestination():
                value = source.fromStaticValue(definition.defaultValue())
                child.addParameterSources(definition.name(), [value])
        model.addChildAlgorithm(child)
    return model


def test_steps_of_a_model_hand_on_files(provider, memory_layer, project, feedback):
    model = _model()
    for _ in range(2):
        context = QgsProcessingContext()
        context.setProject(project)
        (name,) = [each.name() for each in model.destinationParameterDefinitions()]
        pings = soundings(memory_layer)
        parameters = {"pings": pings, name: _dialog_output(project)}
        results, ok = model.run(parameters, context, feedback)
        assert ok, feedback.text
        steps = results["CHILD_RESULTS"]
        assert Path(steps["first"]["OUTPUT"]).suffix == ".gpkg"
        assert Path(steps["first"]["OUTPUT"]).exists()
        layers = _loaded(context, feedback)
        assert list(layers) == ["Clean"]
        _file(layers["Clean"])
        assert layers["Clean"].renderer().type() != "singleSymbol"


def test_a_background_task_hands_it_to_the_main_thread(provider, memory_layer, project, feedback):
    context = QgsProcessingContext()
    context.setProject(project)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("lakefloor:correctdepths")
    done, pings = [], soundings(memory_layer)
    task = QgsProcessingAlgRunnerTask(
        algorithm, {"INPUT": pings, "OUTPUT": _dialog_output(project)}, context, feedback
    )
    task.executed.connect(lambda ok, results: done.append((ok, results)))
    QgsApplication.taskManager().addTask(task)
    while not done:
        QCoreApplication.processEvents()
    assert done[0][0], feedback.text
    (layer,) = _loaded(context, feedback).values()
    assert layer.thread() == QCoreApplication.instance().thread()
    assert sum(1 for _ in layer.getFeatures()) == 40


def test_a_batch_makes_a_file_for_each_row(provider, memory_layer, project, feedback):
    """As QGIS's batch dialog does: one run after the other in one context."""
    context = QgsProcessingContext()
    context.setProject(project)
    files = set()
    for n in (10, 20):
        result = processing.run(
            "lakefloor:correctdepths",
            {"INPUT": soundings(memory_layer, n), "OUTPUT": TEMPORARY},
            feedback=feedback,
            context=context,
        )
        assert result["OUTPUT"].featureCount() == n
        files.add(_file(result["OUTPUT"]))
    assert len(files) == 2


def test_a_failed_run_leaves_no_temporary_file(run, memory_layer, monkeypatch):
    from lakefloor.algorithms._io import layer_sinks

    made = []

    def fail(path, *arguments):
        made.append(path)
        raise layer_sinks.sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(layer_sinks, "insert_rows", fail)
    with pytest.raises(Exception, match="disk is full"):
        run("correctdepths", {"INPUT": soundings(memory_layer), "OUTPUT": TEMPORARY})
    (path,) = made
    assert not path.exists()
    assert not list(path.parent.parent.parent.glob("*"))


_SCRIPT = """
import json, os, sys
sys.path[:0] = {paths!r}
from qgis.core import QgsApplication, QgsProcessingUtils
app = QgsApplication([], False)
app.initQgis()
import checkout, processing
from processing.core.Processing import Processing
Processing.initialize()
from lakefloor.plugin.provider import LakefloorProvider
provider = LakefloorProvider()
app.processingRegistry().addProvider(provider)
made = processing.run("lakefloor:correctdepths", {{"INPUT": {path!r}, "OUTPUT": {temporary!r}}})
source = made["OUTPUT"].source().partition("|")[0]
print(json.dumps([source, QgsProcessingUtils.tempFolder(), os.path.exists(source)]), flush=True)
del made
app.exitQgis()
"""


def test_it_goes_with_the_program(memory_layer, tmp_path):
    root = Path(__file__).resolve().parents[2]
    plain = str(tmp_path / "plain.geojson")
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "GeoJSON"
    QgsVectorFileWriter.writeAsVectorFormatV3(
        soundings(memory_layer), plain, QgsProject.instance().transformContext(), options
    )
    script = _SCRIPT.format(
        paths=[str(root / ".ci"), "/usr/share/qgis/python/plugins"], path=plain, temporary=TEMPORARY
    )
    ran = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
        timeout=300,
    )
    lines = [line for line in ran.stdout.splitlines() if line.startswith("[")]
    assert lines, ran.stderr[-2000:]
    source, folder, existed = json.loads(lines[0])
    assert existed
    assert source.startswith(folder)
    assert not Path(source).exists()
