"""What a newcomer meets in the first hour: other lakes, moved folders, runs that came out unseen."""

import getpass
import json
import os
import shutil
import sys
import zipfile
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import (
    QgsApplication,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtWidgets import QLabel

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run
from lakefloor.algorithms._lake.states import FAILED, StepState
from lakefloor.algorithms._project.saving import save_lake_project
from lakefloor.algorithms._project.showing import show_all
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.plugin.door import project as projects
from lakefloor.plugin.door.making import LakeMaker
from lakefloor.plugin.door.new_lake import NewLake, NewLakeDialog
from lakefloor.plugin.door.said_view import SaidView
from lakefloor.plugin.door.step_form import StepForm
from lakefloor.plugin.door.steps_view import StepsView
from lakefloor.plugin.running.feedback import RunFeedback

sys.path.insert(0, str(Path(__file__).parent))
from a_lake import CRS, grid, show


@pytest.fixture
def project(qgis_app):
    project = QgsProject.instance()
    project.clear()
    yield project
    project.clear()


@pytest.fixture
def iface(project):
    def new_project(ask):
        asked.append(ask)
        project.clear()
        return True

    asked = []
    return SimpleNamespace(newProject=new_project, asked=asked)


def lake_in(folder, name="Lake Marrowby"):
    folder.mkdir(parents=True)
    write_facts(folder, LakeFacts(name=name))
    return LakeFolder(folder)


def map_lake(lake, depth):
    """Leave what a run of the step "map" leaves: a depth surface."""
    folder = begin_run(lake, "map")
    depths = np.full((10, 10), float(depth))
    bands = [grid(depths), grid(0.0 * depths + 0.1), grid(0.0 * depths + 3.0)]
    write_raster(folder / "surface.tif", bands, BANDS, CRS, {})
    made = (folder / "surface.tif").relative_to(lake.path).as_posix()
    record = RunRecord(
        "map", folder.name, outputs={"surface": made}, ended="2026-06-20T14:00:00+00:00"
    )
    finish_run(folder, record)
    return record


def depth_shown(project):
    (layer,) = [each for each in project.mapLayers().values() if isinstance(each, QgsRasterLayer)]
    assert layer.isValid()
    at = layer.extent().center()
    return layer.dataProvider().sample(at, 1)[0]


def test_a_lake_does_not_come_into_the_project_of_another(iface, project, tmp_path):
    first, second = lake_in(tmp_path / "one", "One"), lake_in(tmp_path / "two", "Two")
    map_lake(first, 3.0)
    show_all(project, first)
    save_lake_project(project, first)
    assert projects.make_room(iface, first.path)
    assert project.mapLayers()
    assert iface.asked == []
    assert projects.make_room(iface, tmp_path)  # no lake: the panel says so, nothing is closed
    assert project.mapLayers()
    assert iface.asked == []
    assert projects.make_room(iface, second.path)
    assert not project.mapLayers()
    assert iface.asked == [True]  # changes are asked for


def test_a_project_of_the_users_own_stays_open(iface, project, tmp_path):
    lake = lake_in(tmp_path / "one")
    assert project.write(str(tmp_path / "mine.qgz"))
    assert projects.make_room(iface, lake.path)
    assert iface.asked == []


def test_a_lake_in_a_project_of_the_users_own_has_its_own_renewed_beside(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 3.0)
    show_all(project, lake)
    save_lake_project(project, lake)
    project.clear()
    assert project.write(str(tmp_path / "mine.qgz"))
    map_lake(lake, 4.0)
    show_all(project, lake)
    assert save_lake_project(project, lake) == lake.project
    assert project.fileName() == str(tmp_path / "mine.qgz")
    project.read(str(lake.project))
    assert depth_shown(project) == pytest.approx(4.0)


def test_what_came_out_while_another_project_was_open_is_shown_later(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 3.0)
    show_all(project, lake)
    save_lake_project(project, lake)
    project.clear()
    map_lake(lake, 4.0)
    project.read(str(lake.project))
    assert depth_shown(project) == pytest.approx(3.0)
    projects.catch_up(project, lake)
    assert depth_shown(project) == pytest.approx(4.0)
    save_lake_project(project, lake)
    projects.catch_up(project, lake)
    assert not project.isDirty()  # nobody is asked to save where nothing is new


def test_a_lake_that_was_moved_is_found_again_in_a_users_project(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 3.0)
    show_all(project, lake)
    mine = tmp_path / "mine.qgz"
    assert project.write(str(mine))
    project.clear()
    shutil.move(str(lake.path), str(tmp_path / "elsewhere"))
    project.read(str(mine))
    moved = LakeFolder(tmp_path / "elsewhere")
    projects.catch_up(project, moved)
    assert depth_shown(project) == pytest.approx(3.0)


def test_older_runs_go_when_nothing_reads_from_them(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    first = map_lake(lake, 3.0)
    show_all(project, lake)
    (layer,) = project.mapLayers().values()
    copy = layer.clone()
    project.addMapLayer(copy)
    second = map_lake(lake, 4.0)
    show_all(project, lake)
    projects.tidy(project, lake)
    assert sorted(os.listdir(lake.runs("map"))) == [first.stamp, second.stamp]
    project.removeMapLayer(copy.id())
    projects.tidy(project, lake)
    assert os.listdir(lake.runs("map")) == [second.stamp]


def test_a_person_saves_the_project_of_a_lake_without_the_accounts_name(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 3.0)
    show_all(project, lake)
    save_lake_project(project, lake)
    end = projects.guard(project)
    try:
        metadata = project.metadata()
        metadata.setAuthor(QgsApplication.userLoginName())
        project.setMetadata(metadata)
        assert project.write()
    finally:
        end()
    with zipfile.ZipFile(project.fileName()) as content:
        text = content.read(next(n for n in content.namelist() if n.endswith(".qgs"))).decode()
    for name in {QgsApplication.userLoginName(), getpass.getuser()}:
        assert f'"{name}"' not in text
        assert f">{name}<" not in text
    assert str(tmp_path) not in text


def test_a_new_project_does_not_replace_that_of_the_lake(project, tmp_path):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 3.0)
    shown = show_all(project, lake).layers["surface"]
    shown.setName("Bottom, as I like it")
    save_lake_project(project, lake)
    project.clear()  # such as "New project" while a run goes on
    map_lake(lake, 4.0)
    show_all(project, lake)
    save_lake_project(project, lake)
    assert project.fileName() == ""
    project.read(str(lake.project))
    assert depth_shown(project) == pytest.approx(4.0)
    assert [each.name() for each in project.mapLayers().values()] == ["Bottom, as I like it"]


# -- a new lake ---------------------------------------------------------------------------

SQUARE = [[0.0, 0.0], [0.01, 0.0], [0.01, 0.01], [0.0, 0.01], [0.0, 0.0]]


def shoreline_at(path, ring):
    polygon = {"type": "Polygon", "coordinates": [ring]}
    path.write_text(json.dumps({"type": "Feature", "properties": {}, "geometry": polygon}))
    return path


@pytest.mark.parametrize("east", [500_000.0, 25.0])
def test_a_shoreline_whose_crs_cannot_be_right_makes_no_lake(qgis_app, tmp_path, east):
    # Metres, or latitudes first, in a file that says degrees: RFC 7946 knows no other CRS.
    given = shoreline_at(tmp_path / "shore.geojson", [[east + x, 146.0 + y] for x, y in SQUARE])
    with pytest.raises(LakefloorError, match=r"CRS .* is in degrees"):
        new_lake(tmp_path, LakeFacts(name="One"), given)
    assert not (tmp_path / "One").exists()


def test_a_folder_without_logs_makes_no_lake(qgis_app, tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear.md").write_text("Dear diary")
    with pytest.raises(LakefloorError, match="No log was found in 'letters'"):
        new_lake(tmp_path, LakeFacts(name="One"), logs=[tmp_path / "letters"])
    assert not (tmp_path / "One").exists()


def test_what_was_filled_in_stands_there_again(qgis_app, tmp_path):
    first = NewLakeDialog()
    first.unit.setCurrentText("feet")
    first.name.setText("Étang")
    first.folder.setFilePath(str(tmp_path))
    first.boat.setCurrentText("skiff")
    first.draft.setValue(1.5)
    first.beam.setValue(20.0)
    first.datum.setValue(2.5)
    first.shoreline.setFilePath(str(shoreline_at(tmp_path / "shore.geojson", SQUARE)))
    first.logs.set_paths([tmp_path / "a.txt", tmp_path / "b c.txt"])
    first.copy_logs.setChecked(False)
    again = NewLakeDialog()
    again.fill(first.asked())
    assert replace(again.asked().facts, id="") == replace(first.asked().facts, id="")
    assert replace(again.asked(), facts=None) == replace(first.asked(), facts=None)


def test_a_shoreline_that_is_no_layer_is_refused_at_once(qgis_app, tmp_path):
    (tmp_path / "notes.geojson").write_text("hello")
    dialog = NewLakeDialog()
    dialog.name.setText("One")
    dialog.folder.setFilePath(str(tmp_path))
    dialog.shoreline.setFilePath(str(tmp_path / "notes.geojson"))
    dialog.accept()
    assert "cannot read 'notes.geojson'" in dialog.wrong.text()
    assert dialog.result() == dialog.DialogCode.Rejected


def test_a_lake_that_could_not_be_made_is_asked_for_again(qgis_app, tmp_path):
    maker, refused = LakeMaker(_Fails(), None), []
    maker.refused.connect(lambda asked, why: refused.append((asked, why)))
    asked = NewLake(tmp_path, LakeFacts(name="One"))
    maker.make(asked)
    assert refused == [(asked, "Not like this.")]


class _Fails:
    """A runner whose runs all fail."""

    def start(self, *_, finished, **__):
        finished(SimpleNamespace(state="failed", error="Not like this.", log=[]))


def test_what_to_do_about_a_failure_can_be_read(qgis_app):
    view = StepsView()
    why = f"{'The layer is not as it should be. ' * 8}Choose another."
    view.show_states([StepState("map", FAILED, "", (why,))])
    assert any(why in label.text() for label in view.findChildren(QLabel))


def test_a_step_has_one_heading():
    feedback = RunFeedback()
    feedback.setProgressText("Running Smooth surface [2/8]")
    feedback.pushInfo("")
    feedback.pushFormattedMessage("<b>Smooth surface (2 of 8)</b>", "== Smooth surface (2 of 8) ==")
    assert feedback.take() == [("heading", "Smooth surface (2 of 8)")]


def weak_in_a_corner(lake):
    """Make a surface of 600 by 400 m that is weak in its south-east."""
    doubt = np.full((200, 300), 0.1)
    doubt[150:180, 240:280] = 1.5
    bands = [grid(0.0 * doubt + 2.0), grid(doubt), grid(0.0 * doubt + 3.0)]
    write_raster(lake.path / "surface.tif", bands, BANDS, CRS, {})
    return QgsRasterLayer(str(lake.path / "surface.tif"), "Depth surface")


def test_the_weakest_place_of_a_surface_is_zoomed_to(project, tmp_path):
    layer = weak_in_a_corner(lake_in(tmp_path / "Žluté pleso"))
    box = projects.weakest_of(layer)()
    whole = layer.extent()
    assert whole.contains(box)
    weak = QgsRectangle(
        whole.xMinimum() + 480.0, whole.yMinimum() + 40.0,
        whole.xMinimum() + 560.0, whole.yMinimum() + 100.0,
    )  # fmt: skip
    assert weak.contains(box.center())
    assert box.width() < 0.2 * whole.width()


def test_the_largest_gap_is_zoomed_to(qgis_app, memory_layer):
    small = "POLYGON((0 0,1 0,1 1,0 1,0 0))"
    large = "POLYGON((10 10,15 10,15 14,10 14,10 10))"
    layer = memory_layer("Polygon", [small, large])
    assert projects.weakest_of(layer)() == QgsRectangle(10.0, 10.0, 15.0, 14.0)
    assert projects.weakest_of(memory_layer("Polygon", []))() is None


def test_all_lakes_of_a_project_are_found(project, tmp_path):
    lakes = [lake_in(tmp_path / name, name) for name in ("one", "two")]
    for number, lake in enumerate(lakes):
        map_lake(lake, 2.0 + number)
        show_all(project, lake)
    shutil.rmtree(lakes[0].path)
    assert projects.lakes_in(project) == lakes[1:]


def test_opening_a_lake_zooms_to_the_view_of_its_project(
    project, tmp_path, qgis_iface, qgis_canvas
):
    lake = lake_in(tmp_path / "one")
    map_lake(lake, 2.0)
    iface = SimpleNamespace(
        mapCanvas=lambda: qgis_canvas,
        layerTreeCanvasBridge=lambda: SimpleNamespace(autoSetupOnFirstLayer=lambda: False),
    )
    show(qgis_canvas)
    assert projects.bring_in(iface, lake) == []
    (layer,) = project.mapLayers().values()
    seen = qgis_canvas.mapSettings().mapToLayerCoordinates(layer, qgis_canvas.extent())
    assert seen.contains(layer.extent())
    assert seen.width() < 10 * layer.extent().width()
    assert Path(project.fileName()) == lake.project
    # A second time it is there already, and the map stays where it is.
    qgis_canvas.setExtent(QgsRectangle(0.0, 0.0, 10.0, 10.0))
    assert projects.bring_in(iface, lake) == []
    assert qgis_canvas.extent().xMaximum() < 1000.0
    assert len(project.mapLayers()) == 1


def test_a_link_leads_only_to_a_layer_that_the_run_left(qgis_app):
    view = SaidView()
    numbers = {
        "addtodatabase:ADDED": 10, "cleansoundings:TOTAL": 10, "cleansoundings:REJECTED": 0,
        "addtodatabase:VISIT_OFFSET": 0.8, "addtodatabase:OFFSET_UNCERTAINTY": 0.01,
    }  # fmt: skip
    view.show_run(RunRecord("visits", "2026-06-20_140000", numbers=numbers), "meters")
    assert "10 soundings" in view.text()
    assert "layer:" not in view.text()
    assert "give or take less than 0.1 m" in view.text()
    left = RunRecord("map", "s", outputs={"surface": "map/s/surface.tif"}, numbers={
        "smoothsurface:AREA_M2": 100.0, "smoothsurface:MAX_DEPTH": 3.0,
        "smoothsurface:SOUNDINGS": 10,
    })  # fmt: skip
    view.show_run(left, "meters")
    assert '<a href="layer:surface">' in view.text()


def test_what_is_missing_in_a_form_is_named_as_it_is_there(qgis_app, provider):
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(
        "lakefloor:planthenextouting"
    )
    known = {"SURFACE": "surface.tif", "SHORELINE": "shoreline.gpkg", "DATABASE": "lake.gpkg"}
    form = StepForm(algorithm, known, "Next outing", "Plan")
    form.accept()
    assert form.wrong.text() == "Fill in 'Launch point'."


def test_a_single_place_is_zoomed_to(qgis_app):
    canvas = QgsMapCanvas()
    canvas.resize(400, 400)
    canvas.setDestinationCrs(CRS)
    canvas.setExtent(QgsRectangle(0.0, 0.0, 1e6, 1e6))
    layer = QgsVectorLayer("Point?crs=EPSG:32615", "spots", "memory")
    place = QgsFeature()
    place.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(400_100.0, 5_150_000.0)))
    layer.dataProvider().addFeature(place)
    layer.updateExtents()
    projects.zoom_to(SimpleNamespace(mapCanvas=lambda: canvas), layer)
    assert canvas.center().distance(QgsPointXY(400_100.0, 5_150_000.0)) < 1.0
    assert canvas.scale() == pytest.approx(2000.0, rel=0.01)
