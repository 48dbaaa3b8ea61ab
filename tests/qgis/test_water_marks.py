"""Marks of a boat that runs: where they are, where they are kept, and how they are taken back."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from qgis.core import QgsProject
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import (
    QApplication,
    QComboBox,
    QDoubleSpinBox,
    QLineEdit,
    QMainWindow,
    QPlainTextEdit,
    QPushButton,
    QTreeWidget,
    QVBoxLayout,
    QWidget,
)

from lakefloor.algorithms._project.showing import show_lake
from lakefloor.algorithms.core.correcting.latency import shift_along
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.live_log import Now
from lakefloor.plugin.tools.lake_layers import layers_of
from lakefloor.plugin.water.mark_key import MarkKey
from lakefloor.plugin.water.marking import Marking
from lakefloor.plugin.water.track import Track, meters_between

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import make_lake

LON, LAT = -93.0, 45.0
#: 5 mph northward, in degrees a second: 111,320 m a degree.
#: A place is not corrected by less than 5 cm.
NEAR = 0.06
SPEED = 2.2352 / 111_320.0


@pytest.fixture
def lake(tmp_path, qgis_app, qgis_new_project):
    lake = make_lake(tmp_path / "Lake Marrowby")
    show_lake(lake.project, lake.folder)
    yield lake
    QgsProject.instance().clear()


@pytest.fixture
def marking(lake):
    kept = []
    marking = Marking(kept.append, lake)
    marking.kept = kept
    marking.begin(0.0, 0.3)
    return marking


def drive(marking, seconds, step=1.0, start=0.0):
    """Drive northward at 5 mph, a fix each step."""
    for t in np.arange(start, seconds + 1e-9, step):
        marking.follow(round(1e6 * (t + 100.0)), LON, LAT + SPEED * t)


def place(seconds):
    return (LON, LAT + SPEED * seconds)


def us(seconds):
    return round(1e6 * (seconds + 100.0))


# -- the track ----------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.integers(1, 2_000), min_size=2, max_size=30),
    st.floats(0.0, 1.0),
    st.integers(0, 2**31),
)
def test_between_fixes_the_place_is_that_of_numpy(steps, part, seed):
    times = np.cumsum(np.array(steps)) * 1000
    rng = np.random.default_rng(seed)
    lon, lat = LON + rng.random(times.size) * 1e-4, LAT + rng.random(times.size) * 1e-4
    track = Track()
    for t, x, y in zip(times, lon, lat):
        track.add(int(t), x, y)
    at = int(times[0] + part * (times[-1] - times[0]))
    expected = [np.interp(at, times, values) for values in (lon, lat)]
    np.testing.assert_allclose(track.at(at), expected, rtol=0.0, atol=1e-12)


def test_after_the_last_fix_the_boat_goes_on_for_two_seconds():
    track = Track()
    for t in range(11):
        track.add(us(t), *place(t))
    assert meters_between(track.at(us(11.5)), place(11.5)) < 0.001
    assert meters_between(track.at(us(15.0)), place(12.0)) < 0.001
    assert track.at(us(25.0)) is None


def test_no_place_is_made_up_in_a_pause():
    track = Track()
    for t in (0, 1, 2, 60, 61):
        track.add(us(t), *place(t))
    assert track.at(us(30)) is None
    assert track.at(us(3)) == place(2)
    assert track.places == [place(60), place(61)]


def test_the_track_of_eight_hours_takes_no_more_than_that_of_minutes():
    track = Track()
    for t in range(8 * 3600):
        track.add(us(t), *place(t))
    assert len(track.places) == 121


# -- marks --------------------------------------------------------------------


def test_a_mark_is_kept_at_once_and_shown(marking, lake):
    drive(marking, 10.0)
    marking.drop("Fish", None, 4.0, us(10.0))
    assert [m["kind"] for m in marking.kept] == ["Fish"]
    layer = layers_of(lake, "marks")[0]
    (feature,) = layer.getFeatures()
    assert feature["symbol"] == "Fish"
    assert feature["depth_m"] == pytest.approx(4.0)
    assert feature["name"].startswith("Fish ")
    point = feature.geometry().asPoint()
    assert meters_between((point.x(), point.y()), place(10.0)) < 0.01
    # On the disk already, and no edit session that a person would have to save.
    assert not layer.isEditable()


def test_the_time_is_that_of_the_gps(marking, lake):
    marking.begin(0.0, 0.3, "America/Chicago")
    drive(marking, 10.0)
    now = Now(fix_us=us(10.0), gps_time=np.datetime64("2026-07-09T14:00:10.000", "ms"))
    marking.drop("Fish", now, None, us(10.4))
    assert marking.kept[0]["utc"] == "2026-07-09T14:00:10.400Z"
    # US Central Daylight Time is UTC-5 (IANA time zone database).
    assert marking.kept[0]["name"] == "Fish 09:00:10"
    (feature,) = layers_of(lake, "marks")[0].getFeatures()
    told = feature["time"].toUTC().toString(Qt.DateFormat.ISODate)
    assert told.startswith("2026-07-09T14:00:10")


@pytest.mark.parametrize("tau", [0.0, 0.8, 1.7, -0.9])
def test_the_place_is_that_of_the_corrections_at_home(marking, lake, tau):
    """The time offset moves a place along the track as the correction of depths does."""
    marking.begin(tau, 0.3)
    t = np.arange(0.0, 41.0)
    lon, lat = LON + 1e-5 * np.sin(t / 5.0), LAT + SPEED * t
    pressed = 20.3
    for i in range(t.size):
        if t[i] > pressed and not marking.marks:
            marking.drop("Rock", None, None, us(pressed))
        marking.follow(us(t[i]), lon[i], lat[i])
    dx, dy = shift_along((t, lon, lat), np.array([pressed]), tau)
    expected = (np.interp(pressed, t, lon) + dx[0], np.interp(pressed, t, lat) + dy[0])
    assert meters_between(marking.marks[0].place, expected) < NEAR
    (feature,) = layers_of(lake, "marks")[0].getFeatures()
    point = feature.geometry().asPoint()
    assert meters_between((point.x(), point.y()), expected) < NEAR
    assert meters_between((marking.kept[-1]["lon"], marking.kept[-1]["lat"]), expected) < NEAR


def test_a_boat_that_turns_after_the_key_was_pressed_leaves_the_mark_on_its_track(marking, lake):
    drive(marking, 10.0)
    marking.drop("Rock", None, None, us(10.9))
    # It did not go on northward, but turned about.
    marking.follow(us(11.0), *place(9.5))
    assert meters_between(marking.marks[0].place, place(9.55)) < 0.01
    assert [m["number"] for m in marking.kept] == [1, 1]


def test_without_a_position_nothing_is_marked(marking):
    with pytest.raises(LakefloorError, match="no position"):
        marking.drop("Fish", None, 4.0, us(0.0))
    assert marking.kept == []


def test_the_last_mark_is_taken_back(marking, lake):
    drive(marking, 10.0)
    marking.drop("Fish", None, 4.0, us(9.0))
    marking.drop("Rock", None, 4.0, us(10.0))
    marking.undo()
    names = [f["symbol"] for f in layers_of(lake, "marks")[0].getFeatures()]
    assert names == ["Fish"]
    assert marking.kept[-1] == {"number": 2, "removed": True}
    marking.undo()
    marking.undo()
    assert layers_of(lake, "marks")[0].featureCount() == 0


def test_marks_of_a_person_who_edits_are_not_touched(marking, lake):
    drive(marking, 10.0)
    marking.drop("Fish", None, 4.0, us(9.0))
    layer = layers_of(lake, "marks")[0]
    layer.startEditing()
    first = next(layer.getFeatures())
    layer.changeAttributeValue(first.id(), layer.fields().indexFromName("note"), "mine")
    marking.drop("Rock", None, 4.0, us(10.0))
    assert layer.isEditable()
    assert layer.commitChanges()
    rows = {f["symbol"]: f["note"] for f in layer.getFeatures()}
    assert rows["Fish"] == "mine"
    assert set(rows) == {"Fish", "Rock"}


def test_with_its_project_closed_marks_go_into_the_file(marking, lake):
    drive(marking, 10.0)
    QgsProject.instance().clear()
    marking.drop("Fish", None, 4.0, us(10.0))
    assert QgsProject.instance().mapLayers() == {}
    show_lake(QgsProject.instance(), lake.folder)
    assert [f["symbol"] for f in layers_of(lake, "marks")[0].getFeatures()] == ["Fish"]


def test_a_layer_that_cannot_be_written_costs_no_mark(marking, lake):
    told = []
    marking.told.connect(lambda *given: told.append(given))
    lake.folder.marks.write_text("no database")
    drive(marking, 10.0)
    marking.drop("Fish", None, 4.0, us(10.0))
    assert [m["kind"] for m in marking.kept] == ["Fish"]
    assert told
    assert told[0][1] is True
    marking.undo()
    assert marking.kept[-1]["removed"]


def test_what_is_kept_is_json(marking):
    drive(marking, 3.0)
    marking.drop("Fish", None, None, us(3.0))
    assert json.loads(json.dumps(marking.kept[0]))["depth_m"] is None


# -- the key ------------------------------------------------------------------


@pytest.fixture
def window(qgis_app):
    window = QMainWindow()
    inside = QWidget()
    column = QVBoxLayout(inside)
    window.fields = {
        "line": QLineEdit(),
        "note": QPlainTextEdit(),
        "number": QDoubleSpinBox(),
        "typed": QComboBox(),
        "list": QComboBox(),
        "button": QPushButton("b"),
        "tree": QTreeWidget(),
    }
    window.fields["typed"].setEditable(True)
    for widget in window.fields.values():
        column.addWidget(widget)
    window.setCentralWidget(inside)
    window.show()
    QApplication.setActiveWindow(window)
    key = MarkKey(window)
    key.listen(True)
    window.key, window.pressed = key, []
    key.pressed.connect(lambda: window.pressed.append(1))
    yield window
    key.tear_down()
    window.close()


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("button", 1),
        ("tree", 1),
        ("list", 1),
        ("line", 0),
        ("note", 0),
        ("number", 0),
        ("typed", 0),
    ],
)
def test_the_key_marks_unless_a_person_types(window, name, count):
    widget = window.fields[name]
    widget.setFocus()
    QApplication.processEvents()
    QTest.keyClick(QApplication.focusWidget() or widget, Qt.Key.Key_M)
    assert len(window.pressed) == count


def test_the_key_can_be_changed_in_the_keyboard_settings(window):
    from qgis.gui import QgsGui

    manager = QgsGui.shortcutsManager()
    assert window.key.text() == "M"
    (action,) = [a for a in manager.listActions() if a.objectName() == "lakefloorMarkBoat"]
    assert manager.setKeySequence(action, "F9")
    window.fields["button"].setFocus()
    QTest.keyClick(window.fields["button"], Qt.Key.Key_F9)
    assert window.pressed == [1]
    assert window.key.text() == "F9"
    # A key that types nothing does nothing either while a person types.
    window.fields["line"].setFocus()
    QTest.keyClick(window.fields["line"], Qt.Key.Key_F9)
    assert window.pressed == [1]
    manager.setKeySequence(action, "M")


def test_outside_an_outing_the_key_is_left_to_others(window):
    window.key.listen(False)
    window.fields["button"].setFocus()
    QTest.keyClick(window.fields["button"], Qt.Key.Key_M)
    assert window.pressed == []
