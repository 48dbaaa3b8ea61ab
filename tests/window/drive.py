"""What a person does in the first hour, in a real window; run by run.sh, a part a QGIS."""

import faulthandler
import os
import sys
import zipfile
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(os.environ["LAKEFLOOR_ROOT"]) / "tests" / "window"))
import outing
from hands import Hands, close, freezes, go, picture, say
from map_seen import MapSeen, labels, legend
from qgis.core import QgsProject
from qgis.gui import QgsMapToolPan
from qgis.PyQt.QtCore import QPoint
from qgis.PyQt.QtWidgets import QApplication, QDialogButtonBox, QMessageBox, QToolButton
from qgis.utils import iface, plugins

LAKES, ROOT = Path(os.environ["LAKEFLOOR_LAKES"]), Path(os.environ["LAKEFLOOR_ROOT"])
EXAMPLE = ROOT / "example_project"
MARROWBY = LAKES / "Lake Marrowby"
#: Of the map of the example lake, at least.
NAMES = {"Shoreline", "Drop-off lines", "Depth contours", "Soundings", "Depth surface"}
hands = Hands()
faulthandler.enable()


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


def step_button(key):
    return door().panel.page.steps._rows[key].button


def quit_qgis():
    """Close QGIS as a person does; what would be lost is asked for, and nothing should be."""
    assert not QgsProject.instance().isDirty(), "the project was not saved"
    close(iface.actionExit())


def _fill_the_screen():
    # There is no window manager that would.
    iface.mainWindow().setGeometry(QApplication.primaryScreen().geometry())


def _installed():
    """Install from ZIP, through the function that the dialog of QGIS calls."""
    import pyplugin_installer

    _fill_the_screen()
    if "lakefloor" not in plugins:
        pyplugin_installer.instance().installFromZipFile(os.environ["LAKEFLOOR_ZIP"])
    yield lambda: "lakefloor" in plugins
    assert plugin().window._door is None, "the panel is made before it is asked for"
    hands.begin()
    freezes.begin()
    hands.click_action(plugin().window.action)
    yield lambda: door().panel.welcome.example.isVisible()


# -- the first map ---------------------------------------------------------------


def first_map():
    """The README's first map: from the zip to the PDF."""
    yield from _installed()
    picture("1_welcome")
    hands.click(door().panel.welcome.example)
    yield lambda: any(run.state == "running" and run.progress > 0.3 for run in door().runner.runs)
    picture("2_running")
    yield lambda: idle() and list((MARROWBY / "sheets").glob("*.pdf"))
    say(f"from the installed plugin to the PDF: {hands.clicks} clicks, {hands.seconds:.0f} s")
    yield lambda: states().get("map") == "done"
    yield from _drawn()
    say("longest freezes of the window:", freezes.text())
    picture("3_mapped")
    _all_is_there()
    assert QgsProject.instance().fileName() == str(MARROWBY / "Lake Marrowby.qgz")
    assert not any(str(LAKES) in text for text in _texts_of(MARROWBY / "Lake Marrowby.qgz"))
    quit_qgis()


def _texts_of(project):
    with zipfile.ZipFile(project) as content:
        for name in content.namelist():
            yield content.read(name).decode("utf-8", "replace")


def _drawn():
    """Wait until the map is still."""
    canvas, still = iface.mapCanvas(), []

    def looked():
        still.append(not canvas.isDrawing() and not QgsProject.instance().isDirty())
        return len(still) > 20 and all(still[-20:])

    yield looked


def _all_is_there():
    """The layers, legends, themes and labels; water, shores and contours where they are in truth."""
    with freezes.not_counted():
        there = layers()
        assert set(there) >= NAMES, set(there)
        assert all(layer.isValid() for layer in there.values())
        assert {"Check", "Print"} <= set(QgsProject.instance().mapThemeCollection().mapThemes())
        lines = legend(iface, there["Depth contours"])
        assert {"index contour", "contour"} <= set(lines), lines
        depths = [float(t.split()[0]) for t in legend(iface, there["Depth surface"]) if " m" in t]
        assert len(depths) >= 3, depths
        assert depths == sorted(depths), depths
        written = labels(iface.mapCanvas(), there["Depth contours"])
        assert len(written) >= 10, written
        assert {"5", "10"} <= set(written), written
        _map_is_true(MapSeen(iface.mapCanvas()), interval=0.5)


def _map_is_true(seen, interval):
    water, land = seen.share_of_water()
    assert water > 0.98, water
    assert land < 0.01, land
    assert seen.pieces_of_land() == 2, "the land around, and one island"
    light = seen.light_by_depth()
    assert len(light) > 6, light
    assert all(deeper < than for than, deeper in zip(light, light[1:])), light
    shore = seen.share_of_shore()
    assert shore > 0.97, shore
    contours, between = seen.shares_of_contours(interval)
    say(
        f"the map: {water:.1%} of the water and {shore:.1%} of the shores are there, and at least",
        f"{min(contours.values()):.0%} of each of {len(contours)} contours; between, {between:.0%}",
    )
    # Where the bottom is almost flat, a contour may lie some meters from the true one.
    assert min(contours.values()) > 0.6, contours
    assert median(contours.values()) > 0.95, contours
    assert between < 0.3, between


# -- the next day ------------------------------------------------------------------


def come_back():
    """All is there; a visit removed and brought back, a cancel, a rerun, a review of pings."""
    yield from _opened()
    assert states() == {**states(), "visits": "done", "map": "done"}, states()
    picture("4_reopened")
    _all_is_there()
    before = set(QgsProject.instance().mapLayers())
    assert [visit.on for visit in door().work.seen.visits] == [True] * 3
    yield from _a_visit_goes_and_comes_back()
    yield from _a_visit_is_turned_off()
    freezes.begin()
    yield from _cancel()
    yield from _map_again()
    say("a cancel and a rerun, longest freezes:", freezes.text())
    assert set(QgsProject.instance().mapLayers()) == before, "layers were doubled or lost"
    picture("5_rerun")
    yield from _review()
    quit_qgis()


def _opened():
    _fill_the_screen()
    iface.addProject(str(MARROWBY / "Lake Marrowby.qgz"))
    yield lambda: states().get("map") is not None and door().panel.page.isVisible()
    yield from _drawn()


def _a_visit_goes_and_comes_back():
    visits = door().panel.page.visits
    visits.table.selectRow(1)
    name = visits.chosen()
    hands.answer(QMessageBox.StandardButton.Ok)
    hands.click(visits._remove)
    yield lambda: len(door().work.seen.visits) == 2
    assert states()["map"] == "out of date", states()
    picture("6_removed")
    hands.click(visits._undo)
    yield lambda: len(door().work.seen.visits) == 3
    assert states()["map"] == "done", states()
    assert name in [visit.name for visit in door().work.seen.visits]


def _a_visit_is_turned_off():
    hands.click_cell(door().panel.page.visits.table, 2, 0)
    yield lambda: [visit.on for visit in door().work.seen.visits] == [True, True, False]
    assert states()["map"] == "out of date", states()


def _cancel():
    stamp = door().work.seen.newest.stamp
    hands.click(step_button("map"))
    yield (
        lambda: door().runner.runs[-1].state == "running" and door().runner.runs[-1].progress > 0.2
    )
    run = door().runner.runs[-1]
    hands.click(door().panel.run.findChild(QToolButton))
    yield lambda: run.is_over
    assert run.state == "cancelled", run.state
    yield lambda: step_button("map").isEnabled() and not door().work._looks
    assert door().work.seen.newest.stamp == stamp
    assert states()["map"] == "out of date", states()
    assert all(layer.isValid() for layer in layers().values())


def _map_again():
    """Map once more: a style that was touched stays, the others follow the new depths."""
    contours, surface = layers()["Depth contours"], layers()["Depth surface"]
    for rule in contours.renderer().rootRule().children():
        rule.setLabel(f"{rule.label()}, mine")
    contours.emitStyleChanged()
    QgsProject.instance().setDirty()
    old, source = _ramp(surface), surface.source()
    count = len(door().runner.runs)
    hands.click(step_button("map"))
    yield lambda: len(door().runner.runs) > count and idle()
    yield lambda: states().get("map") == "done" and surface.source() != source
    yield from _drawn()
    assert surface.isValid()
    labels_now = [rule.label() for rule in contours.renderer().rootRule().children()]
    assert all(label.endswith(", mine") for label in labels_now), labels_now
    assert _ramp(surface) != old, "a style that was not touched was not renewed"


def _ramp(layer):
    function = layer.renderer().shader().rasterShaderFunction()
    return [(item.value, item.color.name()) for item in function.colorRampItemList()]


def _review():
    """Pings in a rectangle on the map are selected and rejected with a reason."""
    project = QgsProject.instance()
    root, model = project.layerTreeRoot(), iface.layerTreeView().layerTreeModel()
    project.mapThemeCollection().applyTheme("Check", root, model)
    yield lambda: not iface.mapCanvas().isDrawing()
    accepted = _accepted()
    action = next(tool for tool in door().tools if hasattr(tool, "decide"))
    hands.click_action(action)
    yield lambda: action.window is not None and action.window.isVisible()
    window = action.window
    hands.click(window.by_rectangle)
    view = iface.mapCanvas().viewport()
    middle = view.rect().center()
    hands.drag(view, middle - QPoint(60, 40), middle + QPoint(20, 30))
    yield lambda: layers()["Soundings"].selectedFeatureCount() > 1
    chosen = layers()["Soundings"].selectedFeatureCount()
    hands.type_in(window._reason.lineEdit(), "weeds")
    hands.type_in(window._who, "Tilda")
    picture("7_selected")
    hands.click(window.reject_them)
    yield lambda: states().get("map") == "out of date" and window.isEnabled()
    yield lambda: layers()["Soundings"].selectedFeatureCount() == 0
    lost = accepted - _accepted()
    say(f"a review: {chosen:,} pings selected, {lost:,} rejected that were accepted")
    assert 0 < lost <= chosen
    window.close()
    iface.mapCanvas().setMapTool(QgsMapToolPan(iface.mapCanvas()))
    yield lambda: any("weeds" in text for text in legend(iface, layers()["Soundings"]))
    picture("8_rejected")
    QgsProject.instance().write()
    yield from _drawn()


def _accepted():
    return sum(visit.accepted for visit in door().work.seen.visits)


def undo_it():
    """The day after: what was decided on pings is undone, and the map is up to date again."""
    yield from _opened()
    assert states()["map"] == "out of date", states()
    accepted = _accepted()
    hands.click(door().panel.page.visits._undo)
    yield lambda: states().get("map") == "done"
    assert _accepted() > accepted
    soundings = layers()["Soundings"]
    yield lambda: not any("weeds" in str(each["status"]) for each in soundings.getFeatures())
    yield lambda: not iface.mapCanvas().isDrawing()
    picture("9_undone")
    QgsProject.instance().write()
    yield from _drawn()
    quit_qgis()


def on_the_water():
    """An outing at the desk, from the form to the visit in the lake database."""
    yield from _opened()
    yield from outing.story(door, quit_qgis)


# -- a lake of one's own -----------------------------------------------------------


def own_lake():
    """A lake of one's own from three things: logs, shoreline, draft."""
    name = "Étang de la Lune 月の湖"
    yield from _installed()
    hands.click(door().panel.welcome.new)
    yield lambda: door()._form is not None and door()._form.isVisible()
    form = door()._form
    hands.type_in(form.name, name)
    hands.type_in(form.draft.lineEdit(), "0.3")
    hands.type_in(form.shoreline.lineEdit(), EXAMPLE / "shoreline.geojson")
    hands.type_in(form.logs.line, EXAMPLE / "logs" / "2025-05-17_2.nmea")
    yield 0.2
    picture("10_new_lake")
    box = form.findChild(QDialogButtonBox)
    hands.click(next(b for b in box.buttons() if box.buttonRole(b) == box.ButtonRole.AcceptRole))
    yield lambda: list((LAKES / name / "sheets").glob("*.pdf"))
    say(f"own lake from three things: {hands.clicks} clicks, {hands.seconds:.0f} s")
    yield lambda: idle() and states().get("map") == "done"
    yield from _drawn()
    say("longest freezes of the window:", freezes.text())
    picture("11_own_lake")
    assert set(layers()) >= NAMES - {"Drop-off lines"}, set(layers())
    seen = MapSeen(iface.mapCanvas())
    water, land = seen.share_of_water()
    say(f"the map: {water:.1%} of the water colored")
    assert water > 0.4, water
    assert land < 0.01, land
    assert seen.share_of_shore() > 0.97
    quit_qgis()


PARTS = {story.__name__: story for story in (first_map, come_back, undo_it, on_the_water, own_lake)}
go(PARTS[os.environ["LAKEFLOOR_PART"]](), watch)
