"""Drawing the shoreline: QGIS's own tools, a polygon of another layer, and the checks."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import Qgis, QgsFeature, QgsGeometry, QgsProject, QgsRectangle
from qgis.PyQt.QtTest import QTest

from lakefloor.plugin.tools.shoreline import ShorelineAction
from lakefloor.plugin.tools.shoreline_checks import area_of, shape_findings

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import NORTH, WEST, add_points, faults_in_slots, make_lake, show, wait_for

SOUTH, EAST = NORTH - 100.0, WEST + 200.0


def polygon(*corners):
    return "POLYGON((" + ",".join(f"{WEST + x} {SOUTH + y}" for x, y in corners) + "))"


SHORE = polygon((0, 0), (200, 0), (200, 100), (0, 100), (0, 0))
BOW_TIE = polygon((0, 0), (200, 100), (200, 0), (0, 100), (0, 0))


@pytest.fixture(autouse=True)
def no_faults():
    with faults_in_slots() as faults:
        yield
    assert not faults, faults[0]


@pytest.fixture
def lake(qgis_new_project, qgis_canvas, qgis_iface, tmp_path):
    qgis_iface.messageBar().clear_messages()
    show(qgis_canvas)
    return make_lake(tmp_path / "Marrowby")


@pytest.fixture
def action(lake, qgis_iface):
    made = ShorelineAction(qgis_iface, lake)
    yield made
    made.tear_down()


def add_polygon(layer, wkt):
    feature = QgsFeature(layer.fields())
    feature.setGeometry(QgsGeometry.fromWkt(wkt))
    assert layer.addFeature(feature)


def shoreline_of(lake):
    (layer,) = (
        layer
        for layer in lake.project.mapLayers().values()
        if layer.customProperty("lakefloor/role") == "shoreline"
    )
    return layer


def listed(action):
    findings = action.guide._findings
    return [findings.item(row).text() for row in range(findings.count())]


def add_soundings(lake, places):
    rows = [[1.5, "accepted"]] * len(places)
    return add_points(
        lake, "soundings", places, "field=depth_m:double&field=status:string(80)", rows
    )


def test_the_guide_makes_a_layer_that_is_drawn_on_and_saves_it(lake, action):
    action.trigger()
    layer = shoreline_of(lake)
    assert layer.isEditable()
    assert layer.crs().authid() == "EPSG:32615"
    assert listed(action) == []
    action.guide.check.click()
    assert listed(action) == ["There is no polygon yet. Draw one along the shore."]
    add_polygon(layer, SHORE)
    action.guide.check.click()
    assert listed(action) == ["Nothing is wrong with the shoreline."] or wait_for(
        lambda: listed(action) == ["Nothing is wrong with the shoreline."]
    )
    # 20,000 m2 are 2 ha.
    assert action.guide._state.text() == "1 polygon, 0 islands, 2.0 ha"
    action.guide.save.click()
    action.guide.close()
    assert not layer.isEditable()
    assert layer.featureCount() == 1
    assert layer.source().startswith(str(lake.folder.shoreline))


def test_drawing_starts_the_tools_of_qgis_on_the_shoreline(lake, action, qgis_iface):
    action.trigger()
    for button, name in (
        (action.guide.draw, "actionAddFeature"),
        (action.guide.island, "actionAddRing"),
        (action.guide.vertices, "actionVertexTool"),
    ):
        started = getattr(qgis_iface, name)().trigger
        started.reset_mock()
        button.click()
        started.assert_called_once_with()


def test_a_shore_that_crosses_itself_is_shown_where(lake, action, qgis_canvas):
    action.trigger()
    add_polygon(shoreline_of(lake), BOW_TIE)
    action.look()
    texts = listed(action)
    assert any("crosses or touches itself" in text for text in texts)
    item = action.guide._findings.item(0)
    action.guide._findings.itemClicked.emit(item)
    center = qgis_canvas.extent().center()
    assert (center.x() - WEST, center.y() - SOUTH) == pytest.approx((100.0, 50.0), abs=0.5)


def test_an_island_drawn_as_a_polygon_is_refused_as_when_mapping(lake, action):
    action.trigger()
    layer = shoreline_of(lake)
    add_polygon(layer, SHORE)
    add_polygon(layer, polygon((50, 50), (60, 50), (60, 60), (50, 60), (50, 50)))
    (finding,) = shape_findings(layer)
    assert "Islands must be holes" in finding.text


def test_soundings_outside_are_listed_and_shown(lake, action, qgis_canvas):
    inside = [(WEST + x, SOUTH + 50.0) for x in np.linspace(5.0, 195.0, 50)]
    outside = [(WEST + 100.0, NORTH + d) for d in (2.0, 5.0, 9.0)] + [(EAST + 400.0, SOUTH)]
    add_soundings(lake, inside + outside)
    action.trigger()
    add_polygon(shoreline_of(lake), SHORE)
    action.guide.check.click()
    assert wait_for(lambda: len(listed(action)) == 2, 20_000)
    assert listed(action) == [
        "3 soundings outside, up to 9 m from the shore",
        "1 sounding outside, up to 400 m from the shore",
    ]
    action.guide._findings.itemActivated.emit(action.guide._findings.item(1))
    assert qgis_canvas.extent().contains(
        QgsRectangle(EAST + 399.0, SOUTH - 1.0, EAST + 401.0, SOUTH + 1.0)
    )


def test_the_selected_polygon_of_another_layer_is_taken(lake, action, memory_layer):
    other = memory_layer("MultiPolygonZ", [], crs="EPSG:4326", name="Lakes of the county")
    to_degrees = QgsGeometry.fromWkt(SHORE)
    from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform

    to_degrees.transform(
        QgsCoordinateTransform(
            QgsCoordinateReferenceSystem("EPSG:32615"), other.crs(), QgsProject.instance()
        )
    )
    features = []
    for shift in (0.0, 0.1):
        moved = QgsGeometry(to_degrees)
        moved.translate(shift, 0.0)
        feature = QgsFeature(other.fields())
        feature.setGeometry(moved.coerceToType(other.wkbType())[0])
        features.append(feature)
    other.dataProvider().addFeatures(features)
    lake.project.addMapLayer(other)
    action.trigger()
    action.take_from(other)  # nothing is selected
    layer = shoreline_of(lake)
    assert layer.featureCount() == 0
    other.select(1)
    action.guide._others.setLayer(other)
    action.guide._use.click()
    assert layer.featureCount() == 1
    area, parts, islands = area_of(layer)
    assert (parts, islands) == (1, 0)
    assert area == pytest.approx(20_000.0, rel=1e-4)
    # One step of undo.
    layer.undoStack().undo()
    assert layer.featureCount() == 0


def test_snapping_is_off_while_drawing_and_back_afterwards(lake, action):
    before = lake.project.snappingConfig()
    before.setEnabled(True)
    lake.project.setSnappingConfig(before)
    action.trigger()
    assert not lake.project.snappingConfig().enabled()
    action.guide.close()
    assert lake.project.snappingConfig().enabled()


def test_edits_that_are_not_saved_are_said(lake, action, qgis_iface):
    action.trigger()
    add_polygon(shoreline_of(lake), SHORE)
    action.guide.close()
    assert shoreline_of(lake).isModified()
    (text,) = qgis_iface.messageBar().get_messages(Qgis.MessageLevel.Warning)
    assert "not saved" in text
    shoreline_of(lake).rollBack()


def test_closing_while_it_looks_leaves_nothing_behind(lake, action):
    add_soundings(lake, [(WEST + 1.0, SOUTH + 1.0)] * 2000)
    action.trigger()
    add_polygon(shoreline_of(lake), SHORE)
    action.guide.check.click()
    action.guide.close()
    QTest.qWait(500)
    assert action.guide is None
    shoreline_of(lake).rollBack()


def test_a_lake_that_was_closed_closes_the_guide(lake, action, qgis_iface):
    action.trigger()
    lake.folder = None
    action.guide.check.click()
    assert action.guide is None
    (text,) = qgis_iface.messageBar().get_messages(Qgis.MessageLevel.Warning)
    assert "The lake was closed" in text


def test_the_soundings_are_shown_beneath_what_is_drawn(lake, action, qgis_canvas):
    soundings = add_soundings(lake, [(WEST + x, SOUTH + x) for x in range(0, 100, 5)])
    node = lake.project.layerTreeRoot().findLayer(soundings.id())
    node.setItemVisibilityChecked(False)
    qgis_canvas.setExtent(QgsRectangle(WEST + 50.0, SOUTH + 50.0, WEST + 52.0, SOUTH + 51.0))
    action.trigger()
    assert node.isVisible()
    assert qgis_canvas.extent().contains(soundings.extent())
    # Where a shoreline is drawn already, the map stays where it is.
    add_polygon(shoreline_of(lake), SHORE)
    action.leave()
    near = QgsRectangle(WEST + 50.0, SOUTH + 50.0, WEST + 52.0, SOUTH + 51.0)
    shoreline_of(lake).commitChanges()
    qgis_canvas.setExtent(near)
    action.trigger()
    assert not qgis_canvas.extent().contains(soundings.extent())
