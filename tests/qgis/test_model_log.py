"""A model's log has headings, facts and a summary; a cancel is told as one, a failure with its step."""

import sys
import threading
from pathlib import Path

import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
    QgsTask,
)

from lakefloor.algorithms._compat import LOG_LEVEL
from lakefloor.plugin.model_log import as_heading, heading_text
from lakefloor.plugin.shipped_model import is_heading

sys.path.insert(0, str(Path(__file__).parent))
from lakes import RADIUS, X, Y, shore
from test_plan import made_surface

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"


class Shown(QgsProcessingFeedback):
    """What a log would show: (kind, text); cancelled at the first line that holds ``cancel_at``."""

    def __init__(self, cancel_at=None):
        super().__init__(False)
        self.lines, self.threads, self.cancel_at = [], set(), cancel_at
        self.percents = []
        self.progressChanged.connect(self.percents.append)

    def _add(self, kind, text):
        self.lines.append((kind, text))
        self.threads.add(threading.get_ident())
        if self.cancel_at and self.cancel_at in text:
            self.cancel()

    def setProgressText(self, text):
        self._add("progress", text)

    def pushInfo(self, info):
        self._add("fact", info)

    def pushFormattedMessage(self, html, text):
        self._add("formatted", text)

    def pushCommandInfo(self, info):
        self._add("command", info)

    def pushDebugInfo(self, info):
        self._add("debug", info)

    def pushWarning(self, warning):
        self._add("warning", warning)

    def reportError(self, error, fatalError=False):
        self._add("error", error)

    @property
    def texts(self):
        return [text for _, text in self.lines]

    @property
    def headings(self):
        return [heading_text(text) for text in self.texts if is_heading(text)]

    def after(self, heading):
        """Return the lines below the last heading that begins with a text."""
        (at,) = [
            i
            for i, t in enumerate(self.texts)
            if is_heading(t) and heading_text(t).startswith(heading)
        ]
        return self.texts[at + 1 :]


def _context():
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    return context


def _outing(tmp_path, memory_layer, launch=f"{X},{Y - RADIUS} [EPSG:32615]"):
    return {
        "SURFACE": made_surface(tmp_path),
        "SHORELINE": memory_layer("Polygon", [shore().wkt]),
        "LAUNCH": launch,
        "breaklines:Breaklines": "TEMPORARY_OUTPUT",
        "nextouting:Lanes of the next outing": str(tmp_path / "lanes.gpkg"),
        "nextouting:Survey gaps": "TEMPORARY_OUTPUT",
        "nextouting:Route for the GPS device": str(tmp_path / "route.gpx"),
    }


def _logs(tmp_path):
    return {
        "DATABASE": str(tmp_path / "lake.gpkg"),
        "LOG_FOLDER": str(EXAMPLE / "logs"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "DATUM_ELEVATION": 2.0,
        "addtodatabase:Bottom change": str(tmp_path / "change.gpkg"),
    }


def test_headings_are_recognized():
    assert is_heading(as_heading("Clean soundings (2 of 9)"))
    assert heading_text(as_heading("Clean soundings (2 of 9)")) == "Clean soundings (2 of 9)"
    for line in ("", "==", "accepted: 10 (100%)", "a == b", "== a"):
        assert not is_heading(line)
        assert heading_text(line) == line


def test_each_step_has_a_heading_and_nothing_of_qgis_is_between(provider, tmp_path, memory_layer):
    shown = Shown()
    results, done = provider.algorithm("planthenextouting").run(
        _outing(tmp_path, memory_layer), _context(), shown
    )
    assert done
    first, second, last = shown.headings
    assert {first[:-9], second[:-9]} == {"Breaklines (drop-offs)", "Survey gaps and next outing"}
    assert [first[-8:], second[-8:]] == ["(1 of 2)", "(2 of 2)"]
    assert last == "Done: Plan the next outing"
    kinds = {kind for kind, _ in shown.lines}
    assert kinds <= {"fact", "warning", "formatted"}
    assert not [t for t in shown.texts if "Parameters" in t or "Results" in t or "Execution" in t]
    assert shown.percents[-1] == pytest.approx(100.0)
    assert results["nextouting:Route for the GPS device"] == str(tmp_path / "route.gpx")
    closing = shown.after("Done")
    assert f"Route for the GPS device: {tmp_path / 'route.gpx'}" in closing
    assert f"Lanes of the next outing: {tmp_path / 'lanes.gpkg'}" in closing
    assert closing[-1].startswith("Temporary, and gone when QGIS closes: Breaklines, Survey gaps.")


def test_all_that_qgis_says_passes_when_the_user_wants_it(provider, tmp_path, memory_layer):
    shown, context = Shown(), _context()
    context.setLogLevel(LOG_LEVEL.Verbose)
    _, done = provider.algorithm("planthenextouting").run(
        _outing(tmp_path, memory_layer), context, shown
    )
    assert done
    assert "command" in {kind for kind, _ in shown.lines}
    assert len(shown.headings) == 3


def test_summary_says_what_was_rejected_how_sure_and_where(run, tmp_path):
    shown = Shown()
    run("logstodatabase", _logs(tmp_path), shown)
    closing = shown.after("Done: Logs to lake database")
    # 71 soundings are rejected, in kinds that planted.csv lists.
    assert any(
        line.startswith("Soundings rejected: 71 of 10,492 (") and "spike along track: 35" in line
        for line in closing
    )
    assert "Soundings added to the lake database: 10,492, already there: 0." in closing
    assert any(line.startswith("Standard uncertainty of the soundings: 0.") for line in closing)
    assert f"Lake database: {tmp_path / 'lake.gpkg'}" in closing
    warned = sum(kind == "warning" for kind, _ in shown.lines)
    assert f"Warnings: {warned}. Read them above before you use the results." in closing
    # Of the map: the lake is 0 to 10.99 m deep, 24.49 ha large, and holds 1.150 million m3.
    shown, files = (
        Shown(),
        {
            "readdatabase:Soundings of all visits": "TEMPORARY_OUTPUT",
            "smoothsurface:Smooth surface": str(tmp_path / "smooth.tif"),
            "depthcontours:Depth contours": "TEMPORARY_OUTPUT",
            "depthareas:Depth areas": "TEMPORARY_OUTPUT",
            "bottomslope:Bottom slope": "TEMPORARY_OUTPUT",
            "breaklines:Breaklines": "TEMPORARY_OUTPUT",
            "mapsheet:Map sheet": str(tmp_path / "sheet.pdf"),
            "lakereport:Lake report": str(tmp_path / "report.pdf"),
        },
    )
    run(
        "maplakedatabase",
        {
            "DATABASE": str(tmp_path / "lake.gpkg"),
            "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
            "UNIT": "meters",
            "INTERVAL": 0.5,
            **files,
        },
        shown,
    )
    closing = shown.after("Done: Map of lake database")
    assert "Soundings in the lake database: 10,492, visits: 3." in closing
    assert "Depth: 0.0 to 11.0 m, with a mean of 4.7 m." in closing
    (area,) = [line for line in closing if line.startswith("Area with depth")]
    assert area.startswith("Area with depth: 24.5 ha, volume: 1,14")
    assert any(line.startswith("Contours that the data support: ") for line in closing)
    (temporary,) = [line for line in closing if line.startswith("Temporary")]
    assert "Bottom slope" in temporary
    assert "Smooth surface" not in temporary


@pytest.mark.parametrize("at", ["Read logs", "Clean soundings", "Uncertainty budget", "Add visit"])
def test_a_cancel_reads_as_a_cancel(provider, tmp_path, at):
    shown, context = Shown(cancel_at=at), _context()
    results, done = provider.algorithm("logstodatabase").run(_logs(tmp_path), context, shown)
    assert done
    assert results == {}
    assert "error" not in {kind for kind, _ in shown.lines}
    assert shown.headings[-1] == "Cancelled"
    assert shown.after("Cancelled") == ["You cancelled this run. Nothing was written."]
    assert list(tmp_path.iterdir()) == []
    assert context.layersToLoadOnCompletion() == {}


def test_after_a_cancel_the_log_names_what_is_written(provider, tmp_path, memory_layer):
    parameters = _outing(tmp_path, memory_layer)
    parameters["breaklines:Breaklines"] = str(tmp_path / "breaks.gpkg")
    shown = Shown(cancel_at="(2 of 2)")
    assert provider.algorithm("planthenextouting").run(parameters, _context(), shown) == ({}, True)
    written = [path for path in tmp_path.glob("*.gp*")]
    told = shown.after("Cancelled")[1:]
    assert len(told) == len(written) >= 1
    assert all(str(path) in "".join(told) for path in written)


def test_an_algorithm_that_is_cancelled_returns_nothing_and_is_no_error(provider, tmp_path):
    shown, context = Shown(cancel_at="Positions are in"), _context()
    algorithm = provider.algorithm("readlogs")
    target = str(tmp_path / "soundings.gpkg")
    results, done = algorithm.run(
        {"FOLDER": str(EXAMPLE / "logs"), "OUTPUT": target}, context, shown
    )
    assert (results, done) == ({}, True)
    assert shown.lines[-1] == ("fact", "Cancelled. Nothing was written.")
    assert list(tmp_path.iterdir()) == []


def test_a_failure_is_told_once_with_the_name_of_its_step(provider, tmp_path, memory_layer):
    shown = Shown()
    parameters = _outing(tmp_path, memory_layer, launch="0,0 [EPSG:32615]")
    _, done = provider.algorithm("planthenextouting").run(parameters, _context(), shown)
    assert not done
    errors = [text for kind, text in shown.lines if kind == "error"]
    assert len(errors) == 1
    assert errors[0].startswith("Survey gaps and next outing: The launch")
    with pytest.raises(QgsProcessingException, match="^Survey gaps and next outing: The launch"):
        provider.algorithm("planthenextouting").run(
            parameters, _context(), Shown(), catchExceptions=False
        )


def _in_a_worker(work):
    """Run a function in a thread of QGIS while the main thread handles its events."""
    done = {}

    def call(task):
        done["result"] = work()
        return True

    task = QgsTask.fromFunction("worker", call)
    QgsApplication.taskManager().addTask(task)
    while task.status() not in (QgsTask.TaskStatus.Complete, QgsTask.TaskStatus.Terminated):
        QgsApplication.processEvents()
    return done["result"]


@pytest.mark.parametrize("cancelled", [False, True])
def test_in_a_worker_progress_and_cancel_pass(provider, tmp_path, cancelled):
    """Prepared in the main thread and run in another, cancelled from the main thread."""
    model = provider.algorithm("logstodatabase").create()
    context, shown, parameters = _context(), Shown(), _logs(tmp_path)
    assert model.prepare(parameters, context, shown)
    if cancelled:
        shown.progressChanged.connect(lambda percent: shown.cancel() if percent > 40 else None)
    context.pushToThread(None)

    def work():
        from qgis.PyQt.QtCore import QThread

        context.pushToThread(QThread.currentThread())
        try:
            return model.runPrepared(parameters, context, shown)
        finally:
            context.pushToThread(None)

    results = _in_a_worker(work)
    context.pushToThread(QgsApplication.instance().thread())
    assert shown.threads - {threading.get_ident()}
    if cancelled:
        assert results == {}
        assert shown.headings[-1] == "Cancelled"
        assert not (tmp_path / "lake.gpkg").exists()
    else:
        assert results["addtodatabase:ADDED"] == 10492
        assert len(shown.headings) == 7
        assert shown.percents[-1] == pytest.approx(100.0)
