"""What a person does in the first hour, in a real window; run by run.sh, a part a QGIS."""

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(os.environ["LAKEFLOOR_ROOT"]) / "tests" / "window"))
from hands import Freezes, Hands, go, picture, say
from qgis.core import QgsProject
from qgis.PyQt.QtWidgets import QMessageBox
from qgis.utils import iface, plugins

LAKES, ROOT = Path(os.environ["LAKEFLOOR_LAKES"]), Path(os.environ["LAKEFLOOR_ROOT"])
EXAMPLE = ROOT / "example_project"
hands, freezes = Hands(), Freezes()


def plugin():
    return plugins["lakefloor"]


def door():
    return plugin().window.door


def layers():
    return {layer.name(): layer for layer in QgsProject.instance().mapLayers().values()}


def idle():
    runs = door().runner.runs
    return bool(runs) and all(run.is_over for run in runs)


def watch():
    window = getattr(plugins.get("lakefloor"), "window", None)
    if window is not None and window._door is not None:
        failed = [run.error for run in window.door.runner.runs if run.state == "failed"]
        assert not failed, failed


def states():
    seen = door().work.seen
    return {state.key: state.state for state in seen.states} if seen else {}


def quit_qgis():
    """Close QGIS as a person does; what would be lost is asked for, and nothing should be."""
    assert not QgsProject.instance().isDirty(), "the project was not saved"
    say("all held")
    iface.actionExit().trigger()


def _installed():
    import pyplugin_installer

    iface.mainWindow().showMaximized()
    if "lakefloor" not in plugins:
        pyplugin_installer.instance().installFromZipFile(os.environ["LAKEFLOOR_ZIP"])
    yield lambda: "lakefloor" in plugins
    yield 1


def first_map():
    """The README's first map: from the zip to the PDF."""
    yield from _installed()
    hands.begin()
    freezes.begin()
    hands.click_action(plugin().window.action)
    yield 1
    picture("1_welcome")
    hands.click(door().panel.welcome.example)
    yield lambda: door().runner.runs
    yield lambda: any(run.state == "running" and run.progress > 0.3 for run in door().runner.runs)
    picture("2_running")
    lake = LAKES / "Lake Marrowby"
    yield lambda: idle() and list((lake / "sheets").glob("*.pdf"))
    say(f"from the installed plugin to the PDF: {hands.clicks} clicks, {hands.seconds:.0f} s")
    yield lambda: states().get("map") == "done"
    yield 3
    say("longest freezes of the window:", freezes.text())
    picture("3_mapped")
    names = set(layers())
    assert {"Shoreline", "Depth contours", "Depth surface", "Soundings"} <= names, names
    assert QgsProject.instance().fileName() == str(lake / "Lake Marrowby.qgz")
    assert not any(str(LAKES) in text for text in _texts_of(lake / "Lake Marrowby.qgz"))
    quit_qgis()


def _texts_of(project):
    import zipfile

    with zipfile.ZipFile(project) as content:
        for name in content.namelist():
            yield content.read(name).decode("utf-8", "replace")


def come_back():
    """The next day: all is there; a rerun, a cancel, a visit removed and brought back."""
    iface.mainWindow().showMaximized()
    lake = LAKES / "Lake Marrowby"
    iface.addProject(str(lake / "Lake Marrowby.qgz"))
    yield lambda: states().get("map") == "done"
    yield 2
    picture("4_reopened")
    assert all(layer.isValid() for layer in layers().values())
    before = set(QgsProject.instance().mapLayers())
    assert [visit.on for visit in door().work.seen.visits] == [True] * 3
    yield from _a_visit_goes_and_comes_back()
    freezes.begin()
    yield from _map_again()
    say("a rerun, longest freezes:", freezes.text())
    assert set(QgsProject.instance().mapLayers()) == before, "layers were doubled or lost"
    yield from _cancel()
    yield 2
    assert all(layer.isValid() for layer in layers().values())
    picture("5_rerun")
    quit_qgis()


def _a_visit_goes_and_comes_back():
    visits = door().panel.page.visits
    visits.table.selectRow(1)
    name = visits.chosen()
    accept = QMessageBox.question
    QMessageBox.question = lambda *_, **__: QMessageBox.StandardButton.Ok
    hands.click(visits._remove)
    QMessageBox.question = accept
    yield lambda: len(door().work.seen.visits) == 2
    assert states()["map"] == "out of date", states()
    picture("6_removed")
    hands.click(visits._undo)
    yield lambda: len(door().work.seen.visits) == 3
    assert states()["map"] == "done", states()
    assert name in [visit.name for visit in door().work.seen.visits]


def _map_again():
    count = len(door().runner.runs)
    door().take_step("map")
    yield lambda: len(door().runner.runs) > count
    yield idle
    yield lambda: states().get("map") == "done"
    yield 2


def _cancel():
    stamp = door().work.seen.newest.stamp
    door().take_step("map")
    yield (
        lambda: door().runner.runs[-1].state == "running" and door().runner.runs[-1].progress > 0.2
    )
    door().runner.cancel(door().runner.runs[-1])
    yield lambda: door().runner.runs[-1].is_over
    assert door().runner.runs[-1].state == "cancelled", door().runner.runs[-1].state
    yield 2
    assert door().work.seen.newest.stamp == stamp
    assert states()["map"] == "done", states()


def own_lake():
    """A lake of one's own from three things: logs, shoreline, draft."""
    yield from _installed()
    hands.begin()
    freezes.begin()
    hands.click_action(plugin().window.action)
    yield 1
    hands.click(door().panel.welcome.new)
    yield lambda: door()._form is not None and door()._form.isVisible()
    form = door()._form
    hands.type_in(form.name, "Étang de la Lune 月の湖")
    hands.type_in(form.draft.lineEdit(), "0.3")
    hands.type_in(form.shoreline.lineEdit(), EXAMPLE / "shoreline.geojson")
    hands.type_in(form.logs.line, EXAMPLE / "logs" / "2025-08-09.csv")
    yield 0.5
    picture("7_new_lake")
    from qgis.PyQt.QtWidgets import QDialogButtonBox

    box = form.findChild(QDialogButtonBox)
    hands.click(next(b for b in box.buttons() if box.buttonRole(b) == box.ButtonRole.AcceptRole))
    yield lambda: len(door().runner.runs) == 3
    yield idle
    lake = LAKES / "Étang de la Lune 月の湖"
    yield lambda: list((lake / "sheets").glob("*.pdf"))
    say(f"own lake from three things: {hands.clicks} clicks, {hands.seconds:.0f} s")
    yield lambda: states().get("map") == "done"
    yield 3
    say("longest freezes of the window:", freezes.text())
    picture("8_own_lake")
    assert {"Shoreline", "Depth contours", "Depth surface", "Soundings"} <= set(layers())
    quit_qgis()


PARTS = {"first_map": first_map, "come_back": come_back, "own_lake": own_lake}
go(PARTS[os.environ["LAKEFLOOR_PART"]](), watch)
