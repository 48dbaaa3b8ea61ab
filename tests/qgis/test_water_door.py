"""The way from the panel to an outing and back, and what stays open meanwhile."""

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from qgis.core import QgsProject, QgsVectorLayer
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtWidgets import QMainWindow

from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.plugin.door import water as door_water
from lakefloor.plugin.door.open_outing import OpenOuting
from lakefloor.plugin.door.panel import LakePanel
from lakefloor.plugin.door.work import LakeWork

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import wait_for
from water_stand_ins import Kept, NotingMap, QuietRecorder

from lakefloor.plugin.water import outing as outings
from lakefloor.plugin.water.sources import SourceSpec


@pytest.fixture
def lakes(tmp_path):
    made = []
    for name in ("Lake Marrowby", "Lake Tern"):
        (tmp_path / name).mkdir()
        write_facts(tmp_path / name, LakeFacts(name))
        made.append(tmp_path / name)
    return made


@pytest.fixture
def door(qgis_app, qgis_new_project, monkeypatch):
    """The parts of the door that an outing needs."""
    monkeypatch.setattr(outings, "_recorder", QuietRecorder)
    monkeypatch.setattr(outings, "_mapping", NotingMap)
    window, canvas = QMainWindow(), QgsMapCanvas()
    iface = SimpleNamespace(mainWindow=lambda: window, mapCanvas=lambda: canvas)
    taken, told, forms = [], [], []
    work, panel = LakeWork(), LakePanel(window)
    taker = SimpleNamespace(take=lambda *given: taken.append(given))
    water = door_water.Water(iface, work, taker, panel)
    water.told.connect(lambda *given: told.append(given))
    water.form_made.connect(forms.append)
    work.opened.connect(lambda: panel.show_lake(work))
    yield SimpleNamespace(
        water=water, work=work, panel=panel, taken=taken, told=told, forms=forms, window=window
    )
    water.stop()
    work.stop()
    QgsProject.instance().clear()


def go(door):
    door.panel.page.water_asked.emit()
    form = door.forms.pop()
    form.sources.set_specs([SourceSpec("tcp", "127.0.0.1:10110")])
    form.accept()
    assert door.water.is_recording


def shown(door):
    return door.panel.stack.currentWidget().widget()


def test_nothing_of_an_outing_is_loaded_before_one_is_asked_for(door, lakes):
    door.work.open(lakes[0])
    assert door.water._outing is None
    assert not door.water.is_recording
    assert not door.water.holds_another(lakes[1])


def test_the_page_on_the_water_is_shown_and_left(door, lakes):
    door.work.open(lakes[0])
    go(door)
    page = door.water.outing.page
    assert shown(door) is page
    page.back.click()
    assert shown(door) is door.panel.page
    door.panel.page.water_asked.emit()
    assert shown(door) is page
    # A look at the lake's files does not take the page away.
    door.panel.show_lake(door.work)
    assert shown(door) is page
    page.end_asked.emit()
    door.forms.pop().add.click()
    assert shown(door) is door.panel.page
    assert [step for step, *_ in door.taken] == ["visits"]


def test_the_lake_stays_open_while_an_outing_is_recorded(door, lakes):
    door.work.open(lakes[0])
    go(door)
    assert not door.water.holds_another(lakes[0])
    assert door.water.holds_another(lakes[1])
    assert door.water.holds_another(None)
    assert "Lake Marrowby" in door.told[0][0]
    assert "End the outing first" in door.told[0][0]


def test_the_button_says_where_it_leads(door):
    page = door.panel.page
    page.show_water(False, True)
    assert page.water.text() == "Go on the water…"
    page.show_water(True, True)
    assert page.water.text() == "Back to the outing"
    page.show_water(False, False)
    assert not page.water.isEnabled()


def test_an_outing_that_was_not_ended_is_offered(qgis_app, lakes):
    view, asked = OpenOuting(), []
    view.asked.connect(lambda *given: asked.append(given))
    facts = LakeFacts("Lake Marrowby", time_zone="America/Chicago")
    view.show_outings([], facts)
    assert view.isHidden()
    kept = Kept(LakeFolder(lakes[0]).logs / "2026-07-09_140003Z")
    view.show_outings([kept], facts)
    # US Central Daylight Time is UTC-5 (IANA time zone database).
    assert "9 Jul 2026 09:00" in view._text.text()
    view.resume.click()
    view.end.click()
    assert asked == [(kept, True), (kept, False)]


# -- with the whole door ------------------------------------------------------


@pytest.fixture
def whole(qgis_iface, qgis_new_project, provider, monkeypatch):
    """The door itself; runs are noted, not started."""
    from lakefloor.plugin.door.door import Door

    monkeypatch.setattr(outings, "_recorder", QuietRecorder)
    monkeypatch.setattr(outings, "_mapping", NotingMap)
    door, door_told = Door(qgis_iface), []
    door.water.told.connect(lambda *given: door_told.append(given))
    door.said, door.taken = door_told, []
    monkeypatch.setattr(door.taker, "take", lambda *given: door.taken.append(given))
    yield door
    door.stop()
    QgsProject.instance().clear()


def go_out(door):
    door.panel.page.water.click()
    door._form.sources.set_specs([SourceSpec("tcp", "127.0.0.1:10110")])
    door._form.accept()
    assert door.water.is_recording


def end_it(door):
    door.water.outing.page.end.click()
    door._form.later.click()
    assert not door.water.is_recording


def test_with_its_project_closed_the_outing_goes_on_and_its_lake_stays_open(whole, lakes):
    whole.open(lakes[0])
    assert wait_for(lambda: whole.work.seen is not None)
    go_out(whole)
    recorder = whole.water.outing.session.recorder
    QgsProject.instance().clear()
    assert recorder.is_recording
    assert whole.water.outing.session.mapping.asked[-1] == "away"
    assert whole.work.folder.path == lakes[0]
    end_it(whole)
    assert wait_for(lambda: whole.work.folder is None)


def test_another_lake_is_not_opened_meanwhile(whole, lakes):
    whole.open(lakes[0])
    assert wait_for(lambda: whole.work.seen is not None)
    go_out(whole)
    whole.open(lakes[1])
    whole.close_lake()
    assert whole.work.folder.path == lakes[0]
    assert len(whole.said) == 2
    end_it(whole)
    whole.open(lakes[1])
    assert whole.work.folder.path == lakes[1]


def test_what_is_left_behind_is_open_for_the_next_time(whole, lakes):
    whole.open(lakes[0])
    assert wait_for(lambda: whole.work.seen is not None)
    go_out(whole)
    recorder = whole.water.outing.session.recorder
    whole.water.outing.stop()
    assert recorder.left
    assert recorder.ended is None
    whole.water._outing = None


def test_what_an_outing_left_in_a_saved_project_is_taken_out(whole, lakes):
    project = QgsProject.instance()
    whole.open(lakes[0])
    left = QgsVectorLayer("Point", "Soundings of today", "memory")
    left.setCustomProperty("lakefloor/lake", whole.work.facts.id)
    left.setCustomProperty("lakefloor/role", "water_soundings")
    project.addMapLayer(left)
    assert project.write(str(lakes[0] / "Lake Marrowby.qgz"))
    project.clear()
    assert project.read(str(lakes[0] / "Lake Marrowby.qgz"))
    assert whole.work.folder.path == lakes[0]
    assert wait_for(lambda: project.mapLayers() == {})
    assert not project.isDirty()
