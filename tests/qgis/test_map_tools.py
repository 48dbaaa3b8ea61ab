"""Tools on the map, driven by the mouse: a profile along a line, and marks."""

import sys
from pathlib import Path

import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform, QgsPointXY, QgsProject
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

from lakefloor.algorithms.share.import_waypoints import ImportWaypoints
from lakefloor.plugin.tools import tools_for
from lakefloor.plugin.tools.line_tool import LineTool
from lakefloor.plugin.tools.marks import MARK_FIELDS, MarkAction, MarkForm

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import (
    CRS,
    NORTH,
    WEST,
    add_bottom_type,
    add_surface,
    click,
    faults_in_slots,
    make_lake,
    move_mouse,
    show,
    wait_for,
)

RIGHT = Qt.MouseButton.RightButton
START, END = (WEST + 110.0, NORTH - 50.0), (WEST + 190.0, NORTH - 50.0)


@pytest.fixture(autouse=True)
def no_faults():
    with faults_in_slots() as faults:
        yield
    assert not faults, faults[0]


@pytest.fixture
def lake(qgis_new_project, qgis_canvas, tmp_path):
    show(qgis_canvas)
    return make_lake(tmp_path / "Marrowby é")


def warnings(iface):
    from qgis.core import Qgis

    return iface.messageBar().get_messages(Qgis.MessageLevel.Warning)


@pytest.fixture(autouse=True)
def quiet_bar(qgis_iface):
    qgis_iface.messageBar().clear_messages()


# -- a line on the map --------------------------------------------------------


@pytest.fixture
def line(qgis_canvas):
    show(qgis_canvas)
    tool, drawn = LineTool(qgis_canvas), []
    tool.drawn.connect(drawn.append)
    qgis_canvas.setMapTool(tool)
    yield drawn
    tool.tear_down()


def test_a_right_click_ends_the_line(line, qgis_canvas):
    click(qgis_canvas, *START)
    move_mouse(qgis_canvas, *END)
    click(qgis_canvas, *END)
    click(qgis_canvas, WEST, NORTH, RIGHT)
    (drawn,) = line
    # A pixel is half a meter.
    assert drawn.length() == pytest.approx(80.0, abs=2.0)
    assert drawn.asPolyline()[0].distance(QgsPointXY(*START)) < 1.0


def test_esc_gives_the_line_up_and_backspace_takes_a_vertex_back(line, qgis_canvas):
    click(qgis_canvas, *START)
    click(qgis_canvas, *END)
    QTest.keyClick(qgis_canvas, Qt.Key.Key_Escape)
    click(qgis_canvas, WEST, NORTH, RIGHT)
    assert line == []
    for place in (START, (WEST + 5.0, NORTH - 5.0), END):
        click(qgis_canvas, *place)
        if place[0] == WEST + 5.0:
            QTest.keyClick(qgis_canvas, Qt.Key.Key_Backspace)
    click(qgis_canvas, WEST, NORTH, RIGHT)
    assert [len(drawn.asPolyline()) for drawn in line] == [2]


def test_one_click_is_no_line(line, qgis_canvas):
    click(qgis_canvas, *START)
    click(qgis_canvas, *START)
    click(qgis_canvas, WEST, NORTH, RIGHT)
    assert line == []


# -- a profile ----------------------------------------------------------------


@pytest.fixture
def profile(lake, provider, qgis_iface):
    running = pytest.importorskip("lakefloor.plugin.running")
    from lakefloor.plugin.tools.profile import ProfileAction

    action = ProfileAction(qgis_iface, lake, running.Runner())
    yield action
    action.tear_down()


def test_a_line_on_the_map_becomes_a_plot(lake, profile, qgis_canvas, tmp_path):
    add_surface(lake)
    add_bottom_type(lake)
    profile.trigger()
    click(qgis_canvas, *START)
    click(qgis_canvas, *END)
    click(qgis_canvas, *END, RIGHT)
    assert wait_for(lambda: profile._window is not None, 60_000)
    window = profile._window
    text = window.page.toPlainText()
    # From 1 m + 1.1 m to 1 m + 1.9 m.
    assert "shallowest depth\n2.1 m" in text
    assert "deepest depth\n2.9 m" in text
    assert "hard" in text
    window.save_to(tmp_path / "report.html")
    assert "data:image/png;base64," in (tmp_path / "report.html").read_text(encoding="utf-8")
    window.save_to(tmp_path / "no such folder" / "report.html")
    assert "No such file or directory" in window.bar.currentItem().text()
    # The result is no layer of the project, and the surface stays as it was.
    assert len(lake.project.mapLayers()) == 2


def test_a_line_off_the_map_is_refused_in_a_sentence(lake, profile, qgis_canvas, qgis_iface):
    add_surface(lake)
    profile.trigger()
    click(qgis_canvas, WEST + 10.0, NORTH - 10.0)
    click(qgis_canvas, WEST + 60.0, NORTH - 10.0)
    click(qgis_canvas, WEST, NORTH, RIGHT)
    assert wait_for(lambda: warnings(qgis_iface), 60_000)
    assert "No part of the line lies on mapped bottom" in warnings(qgis_iface)[0]


def test_without_a_surface_the_tool_says_so(profile, qgis_iface, qgis_canvas):
    profile.trigger()
    assert "There is no depth surface yet" in warnings(qgis_iface)[0]
    assert not profile.isChecked()


# -- marks --------------------------------------------------------------------


@pytest.fixture
def marks(lake, qgis_iface):
    action = MarkAction(qgis_iface, lake)
    yield action
    action.tear_down()


def set_mark(action, canvas, place, name):
    click(canvas, *place)
    form = action._form
    assert isinstance(form, MarkForm)
    QTest.keyClicks(form.name, name)
    form.kind.setCurrentText("Weeds")
    form.note.setPlainText("perch in June")
    form.accept()
    QApplication.processEvents()


def test_a_click_sets_a_mark_that_is_saved_when_the_tool_is_left(lake, marks, qgis_canvas):
    marks.trigger()
    set_mark(marks, qgis_canvas, START, "Old dock")
    (layer,) = lake.project.mapLayers().values()
    assert layer.isEditable()
    qgis_canvas.unsetMapTool(marks._tool)
    assert not layer.isEditable()
    (mark,) = layer.getFeatures()
    assert (mark["name"], mark["symbol"], mark["note"]) == ("Old dock", "Weed", "perch in June")
    # In WGS 84 as marks from a device; the place is that of the click, to a pixel.
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    assert layer.crs() == wgs84
    back = QgsCoordinateTransform(wgs84, CRS, QgsProject.instance())
    assert back.transform(mark.geometry().asPoint()).distance(QgsPointXY(*START)) < 1.5
    assert layer.source().startswith(str(lake.folder.marks))
    assert layer.customProperty("lakefloor/role") == "marks"
    assert [p.name for p in lake.folder.path.glob(".*")] == []


def test_undo_of_qgis_takes_a_mark_back(lake, marks, qgis_canvas):
    marks.trigger()
    set_mark(marks, qgis_canvas, START, "one")
    set_mark(marks, qgis_canvas, END, "two")
    (layer,) = lake.project.mapLayers().values()
    assert layer.undoStack().count() == 2
    layer.undoStack().undo()
    qgis_canvas.unsetMapTool(marks._tool)
    assert [f["name"] for f in layer.getFeatures()] == ["one"]


def test_a_form_that_is_cancelled_sets_no_mark(lake, marks, qgis_canvas):
    marks.trigger()
    click(qgis_canvas, *START)
    QTest.keyClick(marks._form, Qt.Key.Key_Escape)
    assert marks._form is None
    (layer,) = lake.project.mapLayers().values()
    assert layer.featureCount() == 0


def test_a_mark_needs_a_name(qgis_app):
    form = MarkForm(None)
    assert not form._ok.isEnabled()
    QTest.keyClicks(form.name, " ")
    assert not form._ok.isEnabled()
    QTest.keyClicks(form.name, "hump")
    form.kind.setCurrentText("my own kind")
    assert form._ok.isEnabled()
    assert form.values() == ("hump", "my own kind", "")


def test_marks_have_the_columns_of_imported_ones(run, tmp_path):
    gpx = tmp_path / "marks.gpx"
    gpx.write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="46.5" lon="-94.3"><name>A</name></wpt></gpx>',
        encoding="utf-8",
    )
    layer = run(ImportWaypoints.NAME, {"INPUT": str(gpx), "OUTPUT": "memory:"})["OUTPUT"]
    assert [field.name() for field in layer.fields()] == [name for name, _ in MARK_FIELDS]


def test_a_lake_that_is_read_only_takes_no_mark(lake, marks, qgis_iface):
    lake.read_only = True
    marks.trigger()
    assert "reading only" in warnings(qgis_iface)[0]
    assert not lake.folder.marks.exists()


def test_marks_that_lie_in_the_folder_are_taken_up(lake, marks, qgis_canvas, qgis_iface):
    marks.trigger()
    set_mark(marks, qgis_canvas, START, "first")
    qgis_canvas.unsetMapTool(marks._tool)
    lake.project.removeAllMapLayers()
    again = MarkAction(qgis_iface, lake)
    again.trigger()
    set_mark(again, qgis_canvas, END, "second")
    again.tear_down()
    (layer,) = lake.project.mapLayers().values()
    assert sorted(f["name"] for f in layer.getFeatures()) == ["first", "second"]


# -- all of them --------------------------------------------------------------


def test_each_tool_has_a_picture_and_says_what_it_needs(lake, qgis_iface):
    tools = tools_for(qgis_iface, lake, None)
    assert len({tool.text() for tool in tools}) == len(tools) == 4
    assert all(not tool.icon().isNull() and tool.toolTip() for tool in tools)
    lake.folder = None
    for tool in tools:
        tool.trigger()
        assert "No lake is open" in warnings(qgis_iface)[-1]
        assert not tool.isChecked()
        tool.tear_down()
    assert len(warnings(qgis_iface)) == 4
    assert lake.project.mapLayers() == {}
