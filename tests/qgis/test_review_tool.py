"""Review of soundings on the map, down to the lake database and back to the layer."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import Qgis, QgsRectangle, QgsVectorLayer
from qgis.PyQt.QtTest import QTest

from lakefloor.algorithms import _store
from lakefloor.algorithms._styling import apply_style
from lakefloor.algorithms.core.soundings import Soundings

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import NORTH, WEST, add, faults_in_slots, make_lake, show, wait_for

running = pytest.importorskip("lakefloor.plugin.running")
if not hasattr(_store, "decide"):
    pytest.skip("the lake database keeps no decisions", allow_module_level=True)

from lakefloor.plugin.tools.review import ReviewAction

FISH = "rejected by hand: fish"
#: The ten pings from 20 to 29 m of the lane.
PART = QgsRectangle(WEST + 19.5, NORTH - 60.0, WEST + 29.5, NORTH - 40.0)


@pytest.fixture(autouse=True)
def no_faults(qgis_iface):
    qgis_iface.messageBar().clear_messages()
    with faults_in_slots() as faults:
        yield
    assert not faults, faults[0]


@pytest.fixture
def lake(run, qgis_new_project, qgis_canvas, tmp_path):
    show(qgis_canvas)
    lake = make_lake(tmp_path / "Marrowby é")
    depth = np.linspace(2.0, 4.0, 200)
    pings = Soundings.build(
        WEST + np.arange(200.0),
        np.full(200, NORTH - 50.0),
        depth,
        raw_depth=depth,
        time=np.datetime64("2026-06-01T12:00:00.000") + np.arange(200) * np.timedelta64(500, "ms"),
        visit="june",
        lane=1,
        uncert=0.1,
        corrections="datum=summer level:0",
    )
    _store.add(lake.folder.database, pings, "EPSG:32615")
    path = lake.folder.path / "map" / "2026-11-30_120000" / "soundings.gpkg"
    path.parent.mkdir(parents=True)
    run("readdatabase", {"DATABASE": str(lake.folder.database), "OUTPUT": str(path)})
    layer = add(lake, QgsVectorLayer(str(path), "Soundings"), "soundings")
    apply_style(layer, "soundings")
    return lake


@pytest.fixture
def review(lake, qgis_iface):
    action = ReviewAction(qgis_iface, lake, running.Runner())
    action.trigger()
    yield action
    action.tear_down()


def layer_of(lake):
    (layer,) = lake.project.mapLayers().values()
    return layer


def statuses(layer):
    return [f["status"] for f in layer.getFeatures()]


def ask(review, button, reason=""):
    review.window._reason.setCurrentText(reason)
    review.window._who.setText("Ada")
    button.click()
    assert not review.window.isEnabled()
    assert wait_for(review.window.isEnabled, 60_000)


def test_selected_soundings_are_rejected_and_shown_so(lake, review):
    layer = layer_of(lake)
    before = _store.state_of(lake.folder.database)
    layer.selectByRect(PART)
    assert review.window._counted.text() == "10 soundings selected"
    ask(review, review.window.reject_them, "fish")
    assert statuses(layer).count(FISH) == 10
    assert "10 soundings have another status now" in review.window._told.text()
    assert layer.selectedFeatureCount() == 0
    # They have a symbol of their own.
    assert FISH in [c.value() for c in layer.renderer().categories()]
    # The database has it with who and why, and what the map is made from has changed.
    kept = _store.decisions(lake.folder.database)
    assert {(d.decision, d.reason, d.who) for d in kept} == {("reject", "fish", "Ada")}
    assert sorted(d.x - WEST for d in kept) == list(range(20, 30))
    assert _store.state_of(lake.folder.database) != before


def test_a_review_is_undone_in_a_later_session(lake, review, qgis_iface):
    before = _store.state_of(lake.folder.database)
    layer_of(lake).selectByRect(PART)
    ask(review, review.window.reject_them, "fish")
    review.window.close()
    later = ReviewAction(qgis_iface, lake, running.Runner())
    later.trigger()
    assert later.window.undo.isEnabled()
    ask(later, later.window.undo)
    assert set(statuses(layer_of(lake))) == {"accepted"}
    assert _store.state_of(lake.folder.database) == before
    assert not later.window.undo.isEnabled()
    later.tear_down()


def test_accepted_and_taken_back(lake, review):
    layer = layer_of(lake)
    for button, reason, count in (
        (review.window.reject_them, "weeds", 10),
        (review.window.accept_them, "", 0),
        (review.window.reject_them, "weeds", 10),
        (review.window.clear_them, "", 0),
    ):
        layer.selectByRect(PART)
        ask(review, button, reason)
        assert statuses(layer).count("rejected by hand: weeds") == count


def test_what_other_changes_did_is_not_undone_from_here(review):
    # The last change is the visit that was added.
    assert not review.window.undo.isEnabled()


def test_nothing_selected_changes_nothing(lake, review):
    assert not review.window.reject_them.isEnabled()
    review.decide("reject")
    assert "Nothing is selected" in review.window._told.text()
    assert _store.decisions(lake.folder.database) == []


def test_selecting_starts_the_tools_of_qgis(lake, review, qgis_iface):
    for button, name in (
        (review.window.by_rectangle, "actionSelectRectangle"),
        (review.window.by_polygon, "actionSelectPolygon"),
    ):
        started = getattr(qgis_iface, name)().trigger
        started.reset_mock()
        button.click()
        started.assert_called_once_with()


def test_removing_the_layer_closes_the_review(lake, review):
    lake.project.removeAllMapLayers()
    QTest.qWait(50)
    assert review.window is None


def test_a_lake_that_was_closed_is_not_changed(lake, review):
    database = lake.folder.database
    layer_of(lake).selectByRect(PART)
    lake.folder = None
    review.window.reject_them.click()
    assert review.window is None
    assert _store.decisions(database) == []


def test_without_soundings_it_says_so(lake, review, qgis_iface):
    review.window.close()
    lake.project.removeAllMapLayers()
    review.trigger()
    (text,) = qgis_iface.messageBar().get_messages(Qgis.MessageLevel.Warning)
    assert "There are no soundings on the map yet" in text
    assert review.window is None


def test_a_lake_that_is_read_only_is_not_reviewed(lake, review, qgis_iface):
    review.window.close()
    lake.read_only = True
    review.trigger()
    assert review.window is None
