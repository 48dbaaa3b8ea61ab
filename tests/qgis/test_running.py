"""Runs in the background: how they go, wait, end, are cancelled, and outlive what is around them."""

import sys
import time
from pathlib import Path

import pytest
from qgis.core import (
    QgsApplication,
    QgsFeature,
    QgsFeatureRequest,
    QgsGeometry,
    QgsProcessingUtils,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QCoreApplication

from lakefloor.plugin.running import Run, Runner

sys.path.insert(0, str(Path(__file__).resolve().parent))
from every_algorithm import make_lake


@pytest.fixture
def lake(tmp_path):
    make_lake(tmp_path / "lake")
    return tmp_path


@pytest.fixture
def runner(provider):
    made = Runner()
    yield made
    made.stop()
    until(lambda: not made._tasks)
    QgsProject.instance().clear()


def until(holds, seconds=120.0):
    """Let the window go on until something holds."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came"
        QCoreApplication.processEvents()
        time.sleep(0.002)


def over(*runs):
    until(lambda: all(run.is_over for run in runs))
    return runs[0]


def read_logs(lake, name="soundings"):
    return {"FOLDER": str(lake / "lake" / "logs"), "OUTPUT": str(lake / f"{name}.gpkg")}


def map_lake(provider, lake, folder):
    folder.mkdir(exist_ok=True)
    ends = {"sink": "gpkg", "rasterDestination": "tif"}
    return {
        "LOG_FOLDER": str(lake / "lake" / "logs"),
        "SHORELINE": str(lake / "lake" / "shoreline.geojson"),
        "GAUGE": str(lake / "lake" / "gauge.csv"),
        "LEVEL_UNIT": "m",
        "DATUM_ELEVATION": 1.0,
        "mapsheet:Map sheet": str(folder / "sheet.pdf"),
        "lakeproject:Lake project": str(folder / "lake.qgz"),
        **{
            d.name(): str(folder / f"{number}.{ends[d.type()]}")
            for number, d in enumerate(
                provider.algorithm("logstolakemap").destinationParameterDefinitions()
            )
            if d.type() in ends
        },
    }


def test_a_run_is_done(runner, lake):
    told, ended = [], []
    QgsProject.instance().clear()
    runner.changed.connect(lambda run: told.append(run.state))
    run = runner.start(
        "lakefloor:readlogs", read_logs(lake), "Read the logs", lake, finished=ended.append
    )
    assert isinstance(run, Run)
    assert run.state == "waiting"
    assert over(run).state == "done", run.error
    assert ended == [run]
    assert told[0] == "waiting"
    assert told[-1] == "done"
    assert run.progress == 1.0
    assert run.started < run.ended
    assert QgsVectorLayer(run.results["OUTPUT"]).featureCount() > 100
    assert run.results["OUTPUT"] == read_logs(lake)["OUTPUT"]
    assert {kind for kind, _ in run.log} <= {"heading", "fact", "warning", "error"}
    assert not QgsProject.instance().mapLayers()


def test_without_a_lake_layers_come_into_the_project(runner, lake):
    run = over(runner.start("lakefloor:readlogs", read_logs(lake)))
    assert run.state == "done", run.error
    (layer,) = QgsProject.instance().mapLayers().values()
    assert layer.thread() == QCoreApplication.instance().thread()
    assert layer.source().startswith(read_logs(lake)["OUTPUT"])
    # Lakefloor's style of soundings, not QGIS's single symbol of a random color.
    assert layer.renderer().type() != "singleSymbol"


def test_a_model_ends_with_its_named_outputs(runner, provider, lake):
    values = map_lake(provider, lake, lake / "out")
    run = over(runner.start("lakefloor:logstolakemap", values, "Map", lake))
    assert run.state == "done", run.error
    wanted = {name: value for name, value in values.items() if ":" in name}
    assert {name: run.results.get(name) for name in wanted} == wanted
    assert all(Path(value).exists() for value in wanted.values())
    headings = [text for kind, text in run.log if kind == "heading"]
    assert len(headings) >= len(provider.algorithm("logstolakemap").childAlgorithms())
    assert not [text for _, text in run.log if text.startswith(("{", "OK. Execution"))]


@pytest.mark.parametrize("of_a_lake", [True, False])
def test_a_temporary_result_is_named_where_somebody_comes_by_it(runner, provider, lake, of_a_lake):
    values = map_lake(provider, lake, lake / "out")
    (slope,) = (name for name in values if name.startswith("bottomslope:"))
    values[slope] = "TEMPORARY_OUTPUT"
    run = over(runner.start("lakefloor:logstolakemap", values, lake=lake if of_a_lake else None))
    assert run.state == "done", run.error
    said = [text for _, text in run.log if text.startswith("Temporary")]
    assert said == (
        []
        if of_a_lake
        else ["Temporary, and gone when QGIS closes: Bottom slope. Save what you want to keep."]
    )


def test_a_model_draws_its_sheet_outside_the_main_thread(runner, provider, lake, monkeypatch):
    from lakefloor.algorithms.share import map_sheet

    threads, export = [], map_sheet.export_pdf

    def watched(layout, path):
        from qgis.PyQt.QtCore import QThread

        here = QThread.currentThread()
        threads.append((here != QCoreApplication.instance().thread(), layout.thread() == here))
        export(layout, path)

    monkeypatch.setattr(map_sheet, "export_pdf", watched)
    values = map_lake(provider, lake, lake / "out")
    run = over(runner.start("lakefloor:logstolakemap", values, "Map", lake))
    assert run.state == "done", run.error
    assert threads == [(True, True)]


def test_a_failure_has_its_sentence(runner, lake):
    (lake / "lake" / "logs" / "may.csv").write_text("no log at all\n")
    (lake / "lake" / "logs" / "june.csv").unlink()
    ended = []
    run = over(
        runner.start("lakefloor:readlogs", read_logs(lake), lake=lake, finished=ended.append)
    )
    assert run.state == "failed"
    assert "may.csv" in run.error
    assert ended == [run]
    assert any(kind == "error" for kind, _ in run.log)
    assert not Path(read_logs(lake)["OUTPUT"]).exists()


def test_a_model_fails_with_the_sentence_of_its_step(runner, provider, lake):
    for path in (lake / "lake" / "logs").iterdir():
        path.write_text("no log at all\n")
    run = over(runner.start("lakefloor:logstolakemap", map_lake(provider, lake, lake / "out")))
    assert run.state == "failed"
    assert "june.csv" in run.error or "may.csv" in run.error, run.error
    assert list((lake / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("algorithm", "values", "says"),
    [
        ("lakefloor:readlogs", {}, "FOLDER|Folder|folder"),
        ("lakefloor:nosuchthing", {}, "no algorithm 'lakefloor:nosuchthing'"),
        ("native:printlayouttopdf", {"LAYOUT": "none", "OUTPUT": "a.pdf"}, "toolbox"),
    ],
)
def test_what_cannot_begin_is_said(runner, lake, algorithm, values, says):
    import re

    run = over(runner.start(algorithm, values, lake=lake))
    assert run.state == "failed"
    assert re.search(says, run.error), run.error


def test_a_cancel_reads_as_one(runner, provider, lake):
    values = map_lake(provider, lake, lake / "out")
    run = runner.start("lakefloor:logstolakemap", values, "Map", lake)
    until(lambda: run.progress > 0.3)
    runner.cancel(run)
    assert over(run).state == "cancelled"
    assert run.error == "Cancelled. Nothing was written."
    assert run.text == run.error
    assert not Path(values["mapsheet:Map sheet"]).exists()
    assert not [text for kind, text in run.log if kind == "error"]


def test_a_cancel_names_what_was_written_before(runner, provider, lake):
    values = map_lake(provider, lake, lake / "out")
    run = runner.start("lakefloor:logstolakemap", values, "Map")
    until(lambda: any(path.suffix == ".gpkg" for path in (lake / "out").iterdir()))
    runner.cancel(run)
    assert over(run).state == "cancelled"
    assert run.error.startswith("Cancelled. These files were written before: ")
    named = run.error.partition(": ")[2].rstrip(".").split(", ")
    assert {path.name for path in (lake / "out").iterdir() if path.is_file()} == set(named)
    assert not QgsProject.instance().mapLayers()


def test_a_cancel_in_qgis_s_own_list_of_tasks_counts(runner, lake):
    run = runner.start("lakefloor:readlogs", read_logs(lake), "Read", lake)
    manager = QgsApplication.taskManager()
    until(lambda: "Read" in [task.description() for task in manager.activeTasks()])
    (task,) = (task for task in manager.activeTasks() if task.description() == "Read")
    task.cancel()
    assert over(run).state == "cancelled"


def test_writing_runs_of_a_lake_wait_for_each_other(runner, lake):
    together = []
    runner.changed.connect(
        lambda _: together.append(sum(run.state == "running" and run.writes for run in runner.runs))
    )
    ended = []
    runs = [
        runner.start(
            "lakefloor:readlogs", read_logs(lake, number), lake=folder, finished=ended.append
        )
        for number, folder in enumerate([lake, lake, Path(f"{lake}/."), lake])
    ]
    assert [run.state for run in runs] == ["waiting"] * 4
    over(*runs)
    assert [run.state for run in runs] == ["done"] * 4, [run.error for run in runs]
    assert max(together) == 1
    assert ended == runs
    for before, after in zip(runs, runs[1:]):
        assert before.ended <= after.started


def test_reading_runs_and_other_lakes_are_free(runner, lake):
    writing = runner.start("lakefloor:readlogs", read_logs(lake, 1), lake=lake)
    reading = runner.start("lakefloor:readlogs", read_logs(lake, 2), lake=lake, writes=False)
    elsewhere = runner.start("lakefloor:readlogs", read_logs(lake, 3), lake=lake / "other")
    until(lambda: all(run.state != "waiting" for run in (writing, reading, elsewhere)))
    assert reading.started < over(writing, reading, elsewhere).ended
    assert elsewhere.started < writing.ended


def test_what_waits_is_cancelled_at_once(runner, lake):
    first, second = (
        runner.start("lakefloor:readlogs", read_logs(lake, n), lake=lake) for n in (1, 2)
    )
    until(lambda: first.state == "running")
    runner.cancel(second)
    assert second.state == "cancelled"
    assert second.error == "Cancelled. Nothing was written."
    assert over(first).state == "done"
    assert not Path(read_logs(lake, 2)["OUTPUT"]).exists()


def test_one_that_fails_does_not_hold_up_the_next(runner, lake):
    def broken(run):
        raise ValueError("in what follows a run")

    runner.warm()
    until(lambda: runner._is_warm)
    first = runner.start("lakefloor:readlogs", {}, lake=lake, finished=broken)
    second = runner.start("lakefloor:readlogs", read_logs(lake), lake=lake)
    with pytest.raises(ValueError, match="what follows"):  # noqa: PT012 (part by part)
        while not first.is_over:
            runner._begin()
    assert over(first, second).state == "failed"
    assert second.state == "done", second.error


def test_unloading_during_a_run_ends_it(provider, lake):
    runner = Runner()
    values = map_lake(provider, lake, lake / "out")
    run = runner.start("lakefloor:logstolakemap", values, "Map", lake)
    waiting = runner.start("lakefloor:readlogs", read_logs(lake), lake=lake)
    until(lambda: run.progress > 0.2)
    (task,) = runner._tasks.values()
    before = time.monotonic()
    runner.stop(60.0)
    assert time.monotonic() - before < 50.0
    assert task.left.is_set()
    assert waiting.state == "cancelled"
    runner.deleteLater()
    until(lambda: run.is_over)
    assert run.state == "cancelled"


def test_stopping_waits_no_longer_than_told(provider, lake, monkeypatch):
    import threading

    from lakefloor.algorithms.soundings.read_logs import ReadLogs

    entered, go_on = threading.Event(), threading.Event()

    def compute(*_):
        entered.set()
        go_on.wait(60.0)

    monkeypatch.setattr(ReadLogs, "compute", compute)
    runner = Runner()
    run = runner.start("lakefloor:readlogs", read_logs(lake), lake=lake)
    until(entered.is_set)
    before = time.monotonic()
    runner.stop(0.5)
    assert time.monotonic() - before < 20.0
    assert not run.is_over
    go_on.set()
    over(run)


def in_project(path, name):
    layer = QgsVectorLayer(str(path), name, "ogr")
    assert QgsProject.instance().addMapLayer(layer)
    return layer


@pytest.mark.parametrize("given", ["id", "name", "layer"])
def test_a_project_may_be_closed_meanwhile(runner, lake, given):
    shore = in_project(lake / "lake" / "shoreline.geojson", "the shore")
    value = {"id": shore.id(), "name": shore.name(), "layer": shore}[given]
    run = runner.start(
        "lakefloor:surveylanes",
        {"INPUT": value, "LANE_SPACING": 5.0, "OUTPUT": str(lake / "lanes.gpkg")},
        lake=lake,
    )
    until(lambda: run.state != "waiting")
    QgsProject.instance().clear()
    assert over(run).state == "done", run.error
    assert QgsVectorLayer(run.results["OUTPUT"]).featureCount() > 3


def test_a_layer_that_is_gone_is_missed(runner, lake):
    shore = in_project(lake / "lake" / "shoreline.geojson", "the shore")
    values = {"INPUT": shore, "LANE_SPACING": 5.0, "OUTPUT": str(lake / "lanes.gpkg")}
    run = runner.start("lakefloor:surveylanes", values, lake=lake)
    QgsProject.instance().clear()
    assert over(run).state == "failed"
    assert "no longer in the project" in run.error


def test_layers_are_read_as_they_stand(runner, lake, memory_layer):
    """With edits that are not saved yet and with what is selected, as from the toolbox."""
    from qgis.core import QgsProcessingFeatureSourceDefinition

    box = "POLYGON((500000 5000000,500400 5000000,500400 5000400,500000 5000400,500000 5000000))"
    far = box.replace("500", "510")
    layer = memory_layer("Polygon", [box, far])
    QgsProject.instance().addMapLayer(layer)
    layer.selectByIds([1])
    values = {"LANE_SPACING": 100.0, "OUTPUT": str(lake / "lanes.gpkg")}

    def lanes_of(**given):
        run = over(runner.start("lakefloor:surveylanes", {**values, **given}, lake=lake))
        assert run.state == "done", run.error
        return QgsVectorLayer(run.results["OUTPUT"]).extent()

    selected = QgsProcessingFeatureSourceDefinition(layer.id(), selectedFeaturesOnly=True)
    assert lanes_of(INPUT=selected).xMaximum() < 501000.0
    layer.startEditing()
    layer.deleteFeature(1)
    assert lanes_of(INPUT=layer.id()).xMinimum() > 505000.0
    # A polygon that is not saved yet comes first in the layer.
    new = QgsFeature()
    new.setGeometry(QgsGeometry.fromWkt(box.replace("500", "520")))
    layer.addFeature(new)
    layer.selectByIds([2])
    assert 505000.0 < lanes_of(INPUT=selected).xMinimum() < 515000.0
    layer.selectByIds([new.id()])
    assert lanes_of(INPUT=selected).xMinimum() > 515000.0
    layer.rollBack()
    assert next(layer.getFeatures(QgsFeatureRequest(1))).isValid()


def test_a_window_is_not_flooded(runner, provider, lake, monkeypatch):
    from lakefloor.algorithms.soundings.read_logs import ReadLogs

    def talks(self, inputs, outputs):
        for number in range(20_000):
            inputs.say(f"line {number}")
            inputs.progress(number / 20_000)

    monkeypatch.setattr(ReadLogs, "compute", talks)
    told = []
    runner.changed.connect(told.append)
    run = over(runner.start("lakefloor:readlogs", read_logs(lake), lake=lake))
    assert run.state == "done", run.error
    lines = [text for _, text in run.log if text.startswith("line ")]
    assert lines == [f"line {number}" for number in range(20_000)]
    seconds = (run.ended - run.started).total_seconds()
    assert len(told) < 5 + 10.0 * seconds


def test_what_is_for_programs_is_left_out_of_the_log(runner, lake):
    from lakefloor.plugin.running.feedback import RunFeedback

    feedback = RunFeedback()
    feedback.pushInfo("Input Parameters:")
    feedback.pushCommandInfo("{ A: 1 }")
    feedback.pushDebugInfo("Prepare algorithm: a")
    feedback.setProgressText("Step 1\n")
    feedback.pushInfo("OK. Execution took 0.318 s (5 outputs).")
    feedback.pushInfo("OK. Execution took 1.5 s (1 output(s)).")
    feedback.pushInfo("")
    feedback.pushInfo("two\nlines")
    feedback.pushWarning("look")
    feedback.reportError("wrong")
    assert feedback.take() == [
        ("heading", "Step 1"),
        ("fact", "two"),
        ("fact", "lines"),
        ("warning", "look"),
        ("error", "wrong"),
    ]
    assert feedback.take() == []


def test_nothing_is_left_of_a_run(runner, lake):
    run = over(runner.start("lakefloor:readlogs", read_logs(lake), lake=lake))
    assert not runner._tasks
    assert not runner._finished
    store = QgsProcessingUtils.tempFolder()
    assert str(store) not in str(run.results)
