"""A whole outing through the real recorder: from a socket into the lake database, and a resume."""

import socket
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from qgis.core import QgsProject
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtWidgets import QMainWindow

from lakefloor.algorithms import _store
from lakefloor.algorithms._lake.facts import Boat, LakeFacts
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._lake.recording import recordings
from lakefloor.algorithms._project.showing import show_lake
from lakefloor.plugin.door.seen import look
from lakefloor.plugin.door.taking import StepTaker
from lakefloor.plugin.door.work import LakeWork
from lakefloor.plugin.running import Runner
from lakefloor.plugin.water.mark_key import MarkKey
from lakefloor.plugin.water.outing import Outing
from lakefloor.plugin.water.sources import SourceSpec

ROOT = Path(__file__).resolve().parents[2]
LOG = (ROOT / "example_project" / "logs" / "2025-05-17_1.nmea").read_bytes()
LINES = LOG.splitlines(keepends=True)[:4000]


class Device:
    """Sends lines to whoever connects, and goes on where it was when somebody comes back."""

    def __init__(self, lines, pause=0.0):
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._lines, self._pause, self.sent, self.limit = lines, pause, 0, len(lines)
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            try:
                while True:
                    if self.sent < self.limit:
                        connection.sendall(b"".join(self._lines[self.sent : self.sent + 40]))
                        self.sent = min(self.sent + 40, len(self._lines))
                    time.sleep(self._pause or 0.002)
            except OSError:
                continue

    def stop(self):
        self._socket.close()


def until(holds, seconds=60.0):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came"
        QCoreApplication.processEvents()
        time.sleep(0.005)


@pytest.fixture
def lake(tmp_path):
    facts = LakeFacts("Lake Marrowby", unit="feet", time_zone="America/Chicago", boat=Boat("", 0.3))
    return new_lake(tmp_path, facts)


@pytest.fixture
def device():
    device = Device(LINES)
    yield device
    device.stop()


@pytest.fixture
def window(provider, lake):
    """What the door has: a runner, a taker, the open lake and an outing."""
    main, canvas = QMainWindow(), QgsMapCanvas()
    iface = SimpleNamespace(mainWindow=lambda: main, mapCanvas=lambda: canvas)
    runner, work, key = Runner(), LakeWork(), MarkKey(main)
    taker, said, forms, runs = StepTaker(runner), [], [], []
    taker.told.connect(lambda *given: said.append(given))
    outing = Outing(iface, work, taker, key)
    outing.told.connect(lambda *given: said.append(given))
    outing.form_made.connect(forms.append)
    runner.changed.connect(runs.append)
    assert work.open(lake.path)
    yield SimpleNamespace(
        outing=outing, work=work, runner=runner, said=said, forms=forms, runs=runs, main=main
    )
    outing.stop()
    key.tear_down()
    runner.stop()
    until(lambda: not runner._tasks)
    work.stop()
    QgsProject.instance().clear()


def go(window, device):
    window.outing.ask_start()
    form = window.forms.pop()
    form.sources.set_specs([SourceSpec("tcp", f"127.0.0.1:{device.port}")])
    form.accept()
    assert window.outing.session.is_recording, window.said


def in_database(lake):
    return sum(visit.soundings for visit in _store.visits_of(lake.database))


def test_what_a_device_sends_is_in_the_lake_database_after_one_button(window, lake, device):
    go(window, device)
    session, page = window.outing.session, window.outing.page
    until(lambda: session.soundings > 200)
    assert page.figures.depth.value.text().endswith(" ft")
    page.mark.click()
    until(lambda: device.sent == len(LINES))
    until(lambda: session.soundings > 740)
    page.end.click()
    window.forms.pop().add.click()
    until(lambda: window.runs and all(run.is_over for run in window.runs))
    (recording,) = recordings(lake)
    assert not recording.is_open
    assert recording.raw("source-1").read_bytes() == b"".join(LINES)
    assert window.runs[-1].state == "done", (window.said, window.runs[-1].error)
    assert in_database(lake) > 740
    assert recording.marks()[0]["kind"] == page.kind_chosen()
    assert window.said == []


@pytest.mark.parametrize(("start", "end"), [(2.7, 2.6), (None, 2.6), (None, None)])
def test_levels_that_were_read_are_those_of_the_visit(window, lake, device, start, end):
    """The table has readings of another year; the log is of May 2025, by its GPS."""
    lake.gauge.write_text("time_utc,level_ft\n2024-05-10T13:05:00Z,2.88\n")
    window.outing.ask_start()
    form = window.forms.pop()
    form.sources.set_specs([SourceSpec("tcp", f"127.0.0.1:{device.port}")])
    if start is not None:
        form.level.setValue(start)
    form.accept()
    session = window.outing.session
    until(lambda: session.soundings > 200)
    window.outing.page.end.click()
    form = window.forms.pop()
    if end is not None:
        form.level.setValue(end)
    form.add.click()
    until(lambda: window.runs and all(run.is_over for run in window.runs))
    assert window.runs[-1].state == "done", (window.said, window.runs[-1].error)
    (visit,) = _store.visits_of(lake.database)
    if end is None:
        assert visit.level_m is None
    else:
        low, high = sorted(0.3048 * level for level in (start or end, end))
        # Kept to the millimeter.
        assert low - 1e-3 <= visit.level_m <= high + 1e-3
    assert lake.gauge.read_text().count("2025-05-17") == sum(v is not None for v in (start, end))


def test_an_outing_that_was_cut_off_goes_on_and_is_one_visit(window, lake, device):
    device.limit = 2000
    go(window, device)
    session = window.outing.session
    until(lambda: session.soundings > 200)
    heard = session.soundings
    window.outing.session.leave()
    (recording,) = look(lake).outings
    assert recording.is_open
    device.limit = len(LINES)
    window.outing.resume(recording)
    until(lambda: session.soundings > heard + 300)
    assert session.given["draft_m"] == 0.3
    window.outing.page.end.click()
    window.forms.pop().add.click()
    until(lambda: window.runs and all(run.is_over for run in window.runs))
    assert window.runs[-1].state == "done", (window.said, window.runs[-1].error)
    assert len(_store.visits_of(lake.database)) == 1
    assert look(lake).outings == []


def roles(project):
    return {layer.customProperty("lakefloor/role") for layer in project.mapLayers().values()}


def test_the_map_leaves_a_project_that_was_closed_and_comes_back_whole(window, lake, device):
    project = QgsProject.instance()
    show_lake(project, lake)
    device.limit = 1200
    go(window, device)
    session = window.outing.session
    wanted = {"water_depth", "water_contours", "water_soundings"}
    until(lambda: wanted <= roles(project))
    until(lambda: session.soundings > 200)
    assert project.write(str(lake.path / "Lake Marrowby.qgz"))
    project.clear()
    window.outing.put_away()
    device.limit = len(LINES)
    until(lambda: session.soundings > 500)
    settle = time.monotonic() + 1.5
    until(lambda: time.monotonic() > settle)
    assert project.mapLayers() == {}
    # The project was saved during the outing, with the layers as they were.
    assert project.read(str(lake.path / "Lake Marrowby.qgz"))
    window.outing.bring_back()
    until(lambda: wanted <= roles(project))
    (points,) = (
        layer
        for layer in project.mapLayers().values()
        if layer.customProperty("lakefloor/role") == "water_soundings"
    )
    # A sounding a second at 5 mph: each is farther from the last than points are left out.
    until(lambda: points.featureCount() > 480)
    window.outing.page.end.click()
    window.forms.pop().later.click()
    assert not wanted & roles(project)
    assert project.write()


def test_sources_are_changed_while_the_outing_goes_on(window, lake, device):
    device.limit = 0
    go(window, device)
    session = window.outing.session
    other = Device(LINES[:1000])
    window.outing.page.change.click()
    form = window.forms.pop()
    assert form.sources.specs() == session.specs
    assert form.sources.listen.isHidden()
    form.sources.set_specs([SourceSpec("tcp", f"127.0.0.1:{other.port}")])
    form.accept()
    until(lambda: session.soundings > 150)
    (recording,) = recordings(lake)
    assert len(recording.sources) == 2
    assert recording.raw("source-2").stat().st_size > 0
    window.outing.page.end.click()
    window.forms.pop().later.click()
    other.stop()


def test_an_outing_that_was_left_open_is_ended_and_brought_in(window, lake, device):
    go(window, device)
    session = window.outing.session
    until(lambda: session.soundings > 200)
    session.leave()
    (recording,) = look(lake).outings
    window.outing.end_open(recording)
    until(lambda: window.runs and all(run.is_over for run in window.runs))
    assert window.runs[-1].state == "done", (window.said, window.runs[-1].error)
    assert not recording.is_open
    assert in_database(lake) > 0


def test_a_visit_that_fails_leaves_the_recording(window, lake, device):
    go(window, device)
    session = window.outing.session
    until(lambda: session.soundings > 100)
    lake.database.write_text("no database")
    window.outing.page.end.click()
    window.forms.pop().add.click()
    until(lambda: window.runs and all(run.is_over for run in window.runs))
    assert window.said
    (recording,) = recordings(lake)
    assert not recording.is_open
    lake.database.unlink()
    run = window.outing._taker.take("visits", lake, {"LOG_FOLDER": str(recording.path)})
    until(lambda: run.is_over)
    assert run.state == "done", run.error
    assert in_database(lake) > 0


def test_marks_stand_above_the_map_on_the_water(window, lake, device):
    project = QgsProject.instance()
    show_lake(project, lake)
    go(window, device)
    until(lambda: "water_depth" in roles(project))
    window.outing.page.mark.click()
    order = [
        layer.customProperty("lakefloor/role") for layer in project.layerTreeRoot().layerOrder()
    ]
    assert order.index("marks") < order.index("water_depth")
    window.outing.page.end.click()
    window.forms.pop().later.click()
    groups = [group.name() for group in project.layerTreeRoot().findGroups(True)]
    assert "On the water" not in groups
