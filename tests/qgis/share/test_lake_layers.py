"""A lake's layers in a project: brought in, renewed in place, saved and opened again."""

import re
import shutil
import xml.etree.ElementTree as ElementTree
import zipfile
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from qgis.core import (
    Qgis,
    QgsApplication,
    QgsLayerNotesUtils,
    QgsLayerTreeGroup,
    QgsLayerTreeModel,
    QgsMapThemeCollection,
    QgsProject,
    QgsRenderContext,
    QgsVectorFileWriter,
    QgsVectorLayer,
    QgsVectorLayerJoinInfo,
)
from qgis.PyQt.QtCore import QSize, Qt
from qgis.PyQt.QtGui import QColor, QImage, QPainter

from lakefloor.algorithms import _styling
from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import take_lock
from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run, remove_old_runs
from lakefloor.algorithms._lake.steps import ROLES
from lakefloor.algorithms._project import catalogue
from lakefloor.algorithms._project.finding import held_folders, lakes_in, repoint
from lakefloor.algorithms._project.lake_group import OWN_ID, group_of, own_layers
from lakefloor.algorithms._project.renewing import our_change
from lakefloor.algorithms._project.saving import guard_project, save_lake_project
from lakefloor.algorithms._project.showing import (
    show_all,
    show_file,
    show_lake,
    show_run,
    show_run_by_layer,
)
from lakefloor.algorithms._styling.soundings import show_reasons

MAP = {
    "contours": "CONTOURS",
    "depth_areas": "DEPTH_AREAS",
    "surface": "SURFACE",
    "break_lines": "BREAKLINES",
    "soundings": "SOUNDINGS",
}
FACTS = LakeFacts(
    "Heron <Lake>", id="a1", time_zone="America/Chicago", datum_reading=2.0, datum_name="dock gauge"
)
BEGAN = datetime(2026, 12, 1, 4, 46, tzinfo=timezone.utc)


def _write(layer, path):
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.layerName = path.stem
    error = QgsVectorFileWriter.writeAsVectorFormatV3(
        layer, str(path), QgsProject.instance().transformContext(), options
    )
    assert error[0] == QgsVectorFileWriter.WriterError.NoError, error


@pytest.fixture(scope="session")
def files(lake, tmp_path_factory):
    """The layers of the lake as files, by role."""
    folder = tmp_path_factory.mktemp("files")
    found = {}
    for role, name in {**MAP, "shoreline": "SHORELINE"}.items():
        if role == "surface":
            found[role] = folder / "surface.tif"
            shutil.copy(lake[name].source(), found[role])
        else:
            found[role] = folder / f"{role}.gpkg"
            _write(lake[name], found[role])
    found["transitions"] = found["break_lines"]
    return found


@pytest.fixture
def folder(files, tmp_path):
    """A lake's folder with its shoreline, under a name in another script."""
    path = tmp_path / "Žluté pleso"
    path.mkdir()
    write_facts(path, FACTS)
    shutil.copy(files["shoreline"], path / "shoreline.gpkg")
    (path / "gauge.csv").write_text("time,level\n2026-05-17T08:00,2.1\n", encoding="utf-8")
    return LakeFolder(path)


@pytest.fixture
def ran(files, folder):
    """Make a run of the map, ``ran(minutes)`` after the first."""

    def make(minutes=0, roles=tuple(MAP), step="map"):
        run = begin_run(folder, step, BEGAN + timedelta(minutes=minutes))
        outputs = {}
        for role in roles:
            made = run / f"{role}{files[role].suffix}"
            shutil.copy(files[role], made)
            outputs[role] = f"{step}/{run.name}/{made.name}"
        record = RunRecord(step, run.name, outputs=outputs, ended="2026-12-01T04:47:00+00:00")
        finish_run(run, record)
        return record

    return make


@pytest.fixture
def project(qgis_app):
    project = QgsProject()
    yield project
    project.clear()


def _tree(group):
    """Return the layer tree as (name, ticked, children)."""
    return [
        (
            node.name(),
            node.itemVisibilityChecked(),
            _tree(node) if isinstance(node, QgsLayerTreeGroup) else None,
        )
        for node in group.children()
    ]


def _source(layer):
    return layer.source().split("|")[0]


# -- the catalogue ----------------------------------------------------------------------------


def test_one_catalogue_names_each_role_of_a_lake():
    assert {entry.role for entry in catalogue.LAYERS} == {*ROLES, "idw_surface"}
    sections = [entry.section for entry in catalogue.LAYERS]
    assert sections == sorted(sections, key=list(catalogue.SECTIONS).index)


def test_dialogs_offer_surface_shoreline_and_contours_first():
    # QGIS's dialogs sort layers by name.
    kinds = {
        "surface": [e.role for e in catalogue.LAYERS if e.raster],
        "shoreline": [
            "shoreline", "gaps", "bottom_forms", "bottom_change", "depth_areas",
            "bottom_type_areas",
        ],
        "contours": ["contours", "break_lines", "transitions", "lanes"],
        "marks": ["marks", "soundings", "spots"],
    }  # fmt: skip
    for first, roles in kinds.items():
        names = {catalogue.lake_layer(role).name.casefold(): role for role in roles}
        assert names[min(names)] == first


# -- bringing in ------------------------------------------------------------------------------


def test_one_group_in_the_order_of_the_map(project, folder, ran):
    show_lake(project, folder)
    shown = show_run(project, folder, ran())
    assert shown.problems == []
    # 04:46 UTC is 22:46 of the day before in Chicago.
    assert _tree(project.layerTreeRoot()) == [
        (
            "Heron <Lake>",
            True,
            [
                (
                    "Map, 30 Nov 2026 22:46",
                    True,
                    [
                        ("Shoreline", True, None),
                        ("Drop-off lines", True, None),
                        ("Depth contours", True, None),
                    ],
                ),
                ("Survey", True, [("Soundings", False, None), ("Gauge readings", True, None)]),
                (
                    "Areas and surfaces",
                    True,
                    [("Water depth areas", True, None), ("Depth surface", False, None)],
                ),
            ],
        )
    ]
    assert all(layer.isValid() for layer in project.mapLayers().values())
    assert project.crs().authid() == "EPSG:32615"
    order = [
        layer.customProperty("lakefloor/role") for layer in project.layerTreeRoot().layerOrder()
    ]
    assert order.index("soundings") > order.index("contours")


def test_a_window_may_take_one_layer_after_the_other(project, folder, ran):
    parts = show_run_by_layer(project, folder, ran())
    counts = [len(project.mapLayers()) for _ in parts]
    assert counts == [1, 2, 3, 4, 5, 5, 5]


def test_a_run_shown_half_is_shown_whole_later(project, folder, ran):
    record = ran()
    next(show_run_by_layer(project, folder, record))
    show_run(project, folder, record)
    assert set(own_layers(project, FACTS.id)) == set(MAP)


def test_order_does_not_depend_on_what_comes_first(project, folder, ran):
    show_run(project, folder, ran())
    show_lake(project, folder)
    section = project.layerTreeRoot().children()[0].children()[0]
    assert next(node.name() for node in section.children()) == "Shoreline"


def test_what_qgis_itself_offers_works_on_the_layers(project, folder, ran):
    show_run(project, folder, ran())
    layers = own_layers(project, FACTS.id)
    soundings = layers["soundings"]
    assert soundings.temporalProperties().isActive()
    assert soundings.temporalProperties().startField() == "time"
    assert " ft" in soundings.mapTipTemplate()
    notes = QgsLayerNotesUtils.layerNotes(layers["contours"])
    assert "dock gauge at a reading of 2 feet" in notes
    assert "30 Nov 2026 22:46" in notes
    hidden = {c.name for c in layers["contours"].attributeTableConfig().columns() if c.hidden}
    assert {"spot_x", "spot_y"} <= hidden
    if Qgis.QGIS_VERSION_INT >= 32800:
        assert layers["surface"].elevationProperties().isEnabled()
        assert layers["surface"].elevationProperties().zScale() == -1.0


def test_depths_are_read_in_the_unit_of_the_user(project, folder, ran):
    show_run(project, folder, ran(), unit="m")
    tip = own_layers(project, FACTS.id)["soundings"].mapTipTemplate()
    assert " m" in tip
    assert " ft" not in tip


@pytest.mark.parametrize(("unit", "meters"), [("ft", 0.3048), ("m", 1.0)])
def test_the_legend_of_depths_is_in_the_unit_of_the_user(project, folder, ran, unit, meters):
    show_run(project, folder, ran(), unit=unit)
    surface = own_layers(project, FACTS.id)["surface"]
    items = surface.renderer().shader().rasterShaderFunction().colorRampItemList()
    assert len(items) > 2
    for item in items:
        number, _, name = item.label.partition(" ")
        assert name == unit
        assert float(number) * meters == pytest.approx(item.value, abs=0.05 * meters + 1e-6)
    tree = QgsLayerTreeModel(project.layerTreeRoot())
    nodes = tree.layerLegendNodes(project.layerTreeRoot().findLayer(surface.id()))
    shown = [node.data(Qt.ItemDataRole.DisplayRole) for node in nodes]
    assert {item.label for item in items} <= set(shown)


def test_the_legend_has_what_occurs(project, folder, ran):
    record = ran()
    lines = QgsVectorLayer(str(folder.path / record.outputs["contours"]), "", "ogr")
    lines.dataProvider().deleteFeatures(
        [feature.id() for feature in lines.getFeatures() if feature["kind"] == "hollow"]
    )
    show_run(project, folder, record)
    layer = own_layers(project, FACTS.id)["contours"]
    node = project.layerTreeRoot().findLayer(layer.id())
    shown = {int(n) for n in node.customProperty("legend/node-order").split(",")}
    labels = [rule.label() for rule in layer.renderer().rootRule().children()]
    depression = labels.index("depression, ticks toward the deeper side")
    assert shown == set(range(len(labels))) - {depression}


def _luminance(color):
    """Return the relative luminance of WCAG 2.1 (W3C, 2018)."""
    parts = (color.redF(), color.greenF(), color.blueF())
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear))


def _contrast(symbol, ground):
    """Return the contrast of the pixel of a legend symbol that stands out most."""
    picture = QImage(QSize(120, 60), QImage.Format.Format_ARGB32)
    picture.fill(QColor(ground))
    painter = QPainter(picture)
    context = QgsRenderContext.fromQPainter(painter)
    # Large enough that a thin line fills a pixel: what counts is its color.
    context.setScaleFactor(400.0 / 25.4)
    symbol.drawPreviewIcon(painter, picture.size(), context)
    painter.end()
    behind = _luminance(QColor(ground))
    ratios = []
    for x in range(picture.width()):
        for y in range(picture.height()):
            light = _luminance(picture.pixelColor(x, y))
            ratios.append((max(light, behind) + 0.05) / (min(light, behind) + 0.05))
    return max(ratios)


@pytest.mark.parametrize("ground", ["#ffffff", "#202020"])
def test_legends_can_be_read_on_light_and_dark_themes(project, folder, ran, ground):
    show_all(project, folder)
    show_run(project, folder, ran())
    for role in ("shoreline", "contours", "break_lines", "soundings"):
        layer = own_layers(project, FACTS.id)[role]
        for item in layer.renderer().legendSymbolItems():
            if item.symbol() is not None:
                # 3:1 is what WCAG 2.1, 1.4.11, asks of graphics.
                assert _contrast(item.symbol(), ground) >= 3.0, (role, item.label())


def test_themes_hold_our_layers_alone(project, folder, ran, memory_layer):
    other = memory_layer("Point", ["POINT(0 0)"])
    project.addMapLayer(other)
    show_all(project, folder)
    show_run(project, folder, ran())
    themes = project.mapThemeCollection()
    assert set(themes.mapThemes()) == {"Check", "Print"}
    roles = {
        name: {
            layer.customProperty("lakefloor/role") for layer in themes.mapThemeVisibleLayers(name)
        }
        for name in themes.mapThemes()
    }
    assert roles["Print"] == {"shoreline", "break_lines", "contours", "depth_areas"}
    assert "soundings" in roles["Check"]
    assert None not in set().union(*roles.values())


# -- running again ----------------------------------------------------------------------------


def test_a_rerun_renews_in_place(project, folder, ran):
    show_all(project, folder)
    first = ran()
    show_run(project, folder, first)
    before = {role: layer.id() for role, layer in own_layers(project, FACTS.id).items()}
    second = ran(10)
    show_run(project, folder, second)
    layers = own_layers(project, FACTS.id)
    assert {role: layer.id() for role, layer in layers.items()} == before
    assert len(project.mapLayers()) == len(before)
    for role in MAP:
        assert second.stamp in layers[role].source()
        assert layers[role].isValid()
    assert held_folders(project, folder) == {folder.path / "map" / second.stamp}
    assert project.layerTreeRoot().children()[0].children()[0].name() == "Map, 30 Nov 2026 22:56"
    assert remove_old_runs(folder, "map") == []
    assert layers["surface"].dataProvider().sample(layers["surface"].extent().center(), 1)


def test_touched_stays_and_untouched_is_renewed(project, folder, ran, memory_layer):
    show_all(project, folder)
    show_run(project, folder, ran(), unit="ft")
    layers = own_layers(project, FACTS.id)
    contours, areas, surface = (layers[r] for r in ("contours", "depth_areas", "surface"))
    contours.renderer().rootRule().children()[0].symbol().setColor(QColor("#ff00ff"))
    contours.setName("My lines")
    contours.setSubsetString('"index" = 1')
    first = areas.renderer().categories()[0]
    before = first.symbol().color().name()
    node = project.layerTreeRoot().findLayer(contours.id())
    node.setItemVisibilityChecked(False)
    node.parent().setName("Lines")
    table = memory_layer("None", [None], crs="", fields="field=kind:string", rows=[("line",)])
    project.addMapLayer(table)
    join = QgsVectorLayerJoinInfo()
    join.setJoinLayer(table)
    join.setJoinFieldName("kind")
    join.setTargetFieldName("kind")
    contours.addJoin(join)
    surface.styleManager().addStyleFromLayer("mine")
    show_run(project, folder, ran(10))
    assert contours.renderer().rootRule().children()[0].symbol().color().name() == "#ff00ff"
    assert contours.name() == "My lines"
    assert contours.subsetString() == '"index" = 1'
    assert [j.joinLayerId() for j in contours.vectorJoins()] == [table.id()]
    assert not project.layerTreeRoot().findLayer(contours.id()).itemVisibilityChecked()
    assert node.parent().name() == "Lines"
    first = areas.renderer().categories()[0]
    assert first.symbol().color().name() == before
    assert {"mine", "uncertainty"} <= set(surface.styleManager().styles())


@pytest.mark.parametrize("reopened", [False, True])
def test_an_untouched_style_follows_the_data(project, folder, ran, files, reopened):
    show_run(project, folder, ran())
    if reopened:
        save_lake_project(project, folder)
        project.clear()
        assert project.read(str(folder.project))
    record = ran(10)
    # Depths of twice the size: the ramp must reach further than before.
    path = folder.path / record.outputs["surface"]
    _doubled(path)
    surface = own_layers(project, FACTS.id)["surface"]
    before = surface.renderer().classificationMax()
    show_run(project, folder, record)
    assert surface.renderer().classificationMax() == pytest.approx(2 * before, rel=1e-4)


def test_a_style_touched_after_reopening_stays(project, folder, ran):
    show_run(project, folder, ran())
    save_lake_project(project, folder)
    project.clear()
    assert project.read(str(folder.project))
    surface = own_layers(project, FACTS.id)["surface"]
    surface.renderer().setClassificationMax(77.0)
    record = ran(10)
    _doubled(folder.path / record.outputs["surface"])
    show_run(project, folder, record)
    assert surface.renderer().classificationMax() == 77.0


def test_switching_a_style_forgets_nothing(project, folder, ran):
    show_run(project, folder, ran())
    surface = own_layers(project, FACTS.id)["surface"]
    styles = surface.styleManager()
    styles.setCurrentStyle("uncertainty")
    show_run(project, folder, ran(10))
    assert styles.currentStyle() == "uncertainty"
    styles.setCurrentStyle("default")
    assert own_layers(project, FACTS.id)["surface"] is surface
    record = ran(20)
    _doubled(folder.path / record.outputs["surface"])
    before = surface.renderer().classificationMax()
    show_run(project, folder, record)
    assert surface.renderer().classificationMax() == pytest.approx(2 * before, rel=1e-4)
    assert record.stamp in surface.source()


def _doubled(path):
    from osgeo import gdal

    raster = gdal.Open(str(path), gdal.GA_Update)
    band = raster.GetRasterBand(1)
    values = band.ReadAsArray()
    values[values > 0] *= 2
    band.WriteArray(values)
    del band, raster


def test_a_removed_layer_returns_with_a_later_run_only(project, folder, ran):
    record = ran()
    show_all(project, folder)
    show_run(project, folder, record)
    layers = own_layers(project, FACTS.id)
    project.removeMapLayers([layers["contours"].id(), layers["shoreline"].id()])
    show_all(project, folder)
    show_run(project, folder, record)
    assert not {"contours", "shoreline"} & set(own_layers(project, FACTS.id))
    show_run(project, folder, ran(10))
    assert "contours" in own_layers(project, FACTS.id)
    # Who removes the whole group asks for all when the lake is shown again.
    project.layerTreeRoot().removeChildNode(project.layerTreeRoot().children()[0])
    show_all(project, folder)
    assert {"contours", "shoreline"} <= set(own_layers(project, FACTS.id))


def test_a_layer_that_a_step_leaves_no_more_goes(project, folder, ran):
    show_run(project, folder, ran())
    show_run(project, folder, ran(10, roles=[role for role in MAP if role != "break_lines"]))
    assert "break_lines" not in own_layers(project, FACTS.id)


def test_layers_of_the_user_stay(project, folder, ran, memory_layer):
    show_run(project, folder, ran())
    group = project.layerTreeRoot().children()[0]
    mine = memory_layer("Point", ["POINT(0 0)"], name="mine")
    project.addMapLayer(mine, False)
    group.children()[0].insertLayer(0, mine)
    contours = own_layers(project, FACTS.id)["contours"]
    copy = contours.clone()
    project.addMapLayer(copy, False)
    group.addLayer(copy)
    source = copy.source()
    assert copy.customProperty(OWN_ID) == contours.id()
    show_run(project, folder, ran(10))
    assert group.children()[0].children()[0].layer() is mine
    assert copy.source() == source
    assert contours.source() != source
    assert len(held_folders(project, folder)) == 2


def test_unsaved_edits_keep_the_earlier_result(project, folder, ran):
    show_run(project, folder, ran())
    contours = own_layers(project, FACTS.id)["contours"]
    source = contours.source()
    contours.startEditing()
    contours.deleteFeature(next(contours.getFeatures()).id())
    shown = show_run(project, folder, ran(10))
    assert len(shown.problems) == 1
    assert "Depth contours" in shown.problems[0]
    assert contours.source() == source
    contours.rollBack()


def test_a_file_that_is_no_layer_leaves_the_earlier_result(project, folder, ran):
    show_run(project, folder, ran())
    record = ran(10)
    (folder.path / record.outputs["surface"]).write_bytes(b"torn")
    surface = own_layers(project, FACTS.id)["surface"]
    source = surface.source()
    assert show_run(project, folder, record).problems
    assert surface.source() == source
    assert surface.isValid()


def test_a_theme_that_was_changed_stays(project, folder, ran):
    mine = QgsMapThemeCollection.MapThemeRecord()
    project.mapThemeCollection().insert("Check", mine)
    show_run(project, folder, ran())
    show_run(project, folder, ran(step="structure", roles=["transitions"]))
    themes = project.mapThemeCollection()
    assert set(themes.mapThemes()) == {"Check", "Check, Heron <Lake>", "Print", "Structure"}
    assert themes.mapThemeState("Check").layerRecords() == []
    layers = own_layers(project, FACTS.id)
    changed = themes.mapThemeState("Print")
    changed.removeLayerRecord(layers["contours"])
    themes.update("Print", changed)
    themes.removeMapTheme("Structure")
    project.removeMapLayer(layers["soundings"].id())
    show_run(project, folder, ran(10))
    assert "contours" not in _roles(themes, "Print")
    assert "Structure" not in themes.mapThemes()
    assert "soundings" in _roles(themes, "Check, Heron <Lake>")


def _roles(themes, name):
    return {layer.customProperty("lakefloor/role") for layer in themes.mapThemeVisibleLayers(name)}


# -- projects ---------------------------------------------------------------------------------


def _xml(path):
    with zipfile.ZipFile(path) as archive:
        (name,) = [name for name in archive.namelist() if name.endswith(".qgs")]
        return archive.read(name).decode("utf-8")


def test_saved_and_opened_again_from_another_place(project, folder, ran, tmp_path):
    show_all(project, folder)
    show_run(project, folder, ran())
    path = save_lake_project(project, folder)
    assert path == folder.project
    assert path.name == "Heron Lake.qgz"
    text = _xml(path)
    assert str(tmp_path) not in text
    assert "saveUser" not in text
    for name in {QgsApplication.userFullName(), QgsApplication.userLoginName()} - {""}:
        assert f"<author>{name}<" not in text
    before = _tree(project.layerTreeRoot())
    project.clear()
    moved = tmp_path / "elsewhere"
    shutil.move(folder.path, moved)
    lake = LakeFolder(moved)
    assert project.read(str(moved / path.name))
    assert all(layer.isValid() for layer in project.mapLayers().values())
    assert _tree(project.layerTreeRoot()) == before
    ((_group, found),) = lakes_in(project)
    assert found.path.resolve() == moved.resolve()
    show_all(project, lake)
    assert _tree(project.layerTreeRoot()) == before


def test_a_folder_that_moved_alone_is_found_again(project, folder, ran, tmp_path):
    show_all(project, folder)
    show_run(project, folder, ran())
    own = tmp_path / "own" / "mine.qgz"
    own.parent.mkdir()
    assert project.write(str(own))
    project.clear()
    moved = tmp_path / "elsewhere"
    shutil.move(folder.path, moved)
    assert project.read(str(own))
    assert not any(layer.isValid() for layer in project.mapLayers().values())
    ((_, found),) = lakes_in(project)
    assert found is None
    styled = own_layers(project, FACTS.id)["contours"]
    assert repoint(project, LakeFolder(moved)) == []
    assert all(layer.isValid() for layer in project.mapLayers().values())
    assert styled.renderer().type() == "RuleRenderer"
    assert lakes_in(project)[0][1].path == moved


def test_a_project_in_a_geopackage(project, folder, ran, tmp_path):
    show_all(project, folder)
    show_run(project, folder, ran())
    store = tmp_path / "projects.gpkg"
    shutil.copy(folder.shoreline, store)
    name = f"geopackage:{store}?projectName=heron"
    assert project.write(name)
    project.clear()
    assert project.read(name)
    assert lakes_in(project)[0][1].path == folder.path
    show_run(project, folder, ran(10))
    assert all(layer.isValid() for layer in project.mapLayers().values())


def _without_ours(text):
    """Return a project's XML without the lake's group, its layers and its themes."""
    root = ElementTree.fromstring(re.sub(r"<!DOCTYPE[^>]*>", "", text))
    ours = {
        layer.findtext("id")
        for layer in root.iter("maplayer")
        if "lakefloor/role" in ElementTree.tostring(layer, encoding="unicode")
    }
    for parent in list(root.iter()):
        for child in list(parent):
            if (
                child.get("name") in {"Heron <Lake>", "Check", "Print", "Structure"}
                or ours & {*child.attrib.values(), child.findtext("id")}
                or (child.tag == "item" and child.text in ours)
            ):
                parent.remove(child)
    for element in root.iter():
        element.text = (element.text or "").strip()
        element.tail = None
    return [ElementTree.tostring(part, encoding="unicode") for part in root]


def test_a_project_of_the_user_is_left_alone(project, folder, ran, tmp_path, files):
    for n in range(3):
        layer = QgsVectorLayer(str(files["shoreline"]), f"other {n}", "ogr")
        project.addMapLayer(layer)
    theirs = project.layerTreeRoot().addGroup("Theirs")
    theirs.addGroup("Inner")
    project.mapThemeCollection().insert("Mine", QgsMapThemeCollection.MapThemeRecord())
    project.setTitle("A town")
    own = tmp_path / "town.qgz"
    assert project.write(str(own))
    before, crs = _xml(own), project.crs().authid()
    show_all(project, folder)
    show_run(project, folder, ran())
    assert save_lake_project(project, folder) == folder.project
    assert project.fileName() == str(own)
    assert project.crs().authid() == crs
    assert project.layerTreeRoot().children()[0].name() == "Heron <Lake>"
    assert _xml(own) == before
    assert project.write(str(own))
    assert _without_ours(_xml(own)) == _without_ours(before)
    show_run(project, folder, ran(10))
    assert save_lake_project(project, folder) == folder.project
    lakes_own = QgsProject()
    assert lakes_own.read(str(folder.project))
    assert set(own_layers(lakes_own, FACTS.id)) == {*MAP, "shoreline", "gauge"}
    assert len(lakes_own.mapLayers()) == len(MAP) + 2
    assert {layer.parent for layer in held_folders(lakes_own, folder)} == {folder.path / "map"}
    assert len(held_folders(lakes_own, folder)) == 1
    assert sorted(p.name for p in folder.path.glob("*.qgz*")) == [folder.project.name]
    lakes_own.clear()


def test_a_lake_that_another_holds_is_not_written(project, folder, ran):
    show_run(project, folder, ran())
    assert take_lock(folder) is None
    text = folder.lock.read_text(encoding="utf-8")
    others = re.sub(r'"machine": "[^"]*"', '"machine": "other"', text)
    folder.lock.write_text(re.sub(r'"token": "[^"]*"', '"token": "of another"', others))
    before = {p: p.stat().st_mtime_ns for p in folder.path.rglob("*") if p.is_file()}
    assert save_lake_project(project, folder) is None
    assert {p: p.stat().st_mtime_ns for p in folder.path.rglob("*") if p.is_file()} == before


def test_showing_a_lake_writes_nothing(project, folder, ran):
    def files():
        # QGIS keeps the statistics of each raster that it opens beside it, where it can.
        return {
            path: path.stat().st_mtime_ns
            for path in folder.path.rglob("*")
            if path.is_file() and not path.name.endswith(".aux.xml")
        }

    record = ran()
    before = files()
    show_all(project, folder)
    show_run(project, folder, record)
    project.clear()
    assert files() == before


def test_who_saves_the_project_later_is_not_named(project, folder, ran):
    show_run(project, folder, ran())
    path = save_lake_project(project, folder)
    end = guard_project(project)
    assert project.write()
    assert "saveUser" not in _xml(path)
    end()


def test_two_lakes_in_a_project(project, folder, ran, tmp_path):
    show_run(project, folder, ran())
    other = tmp_path / "other"
    shutil.copytree(folder.path, other)
    write_facts(other, replace(FACTS, id="b2", name="Loon Lake"))
    show_all(project, LakeFolder(other))
    names = [node.name() for node, _ in lakes_in(project)]
    assert names == ["Loon Lake", "Heron <Lake>"]
    assert len(own_layers(project, "b2")) == len(MAP) + 2
    assert len(own_layers(project, FACTS.id)) == len(MAP)
    assert "Check, Loon Lake" in project.mapThemeCollection().mapThemes()


def test_the_toolbox_puts_layers_in_the_same_order():
    # Rows are from the top in the catalogue, styles from the bottom in the toolbox.
    entries = [e for e in catalogue.LAYERS if e.style and e.role != "idw_surface"]
    for upper, lower in (("contours", "soundings"), ("soundings", "depth_areas")):
        roles = [entry.role for entry in entries]
        assert roles.index(upper) < roles.index(lower)
        assert _styling._order(upper) > _styling._order(lower)


# -- what tools on the map do -----------------------------------------------------------------


def test_a_file_comes_in_as_one_of_ours_also_after_it_was_removed(project, folder, ran):
    show_all(project, folder)
    shore = own_layers(project, "a1")["shoreline"]
    project.removeMapLayer(shore.id())
    show_lake(project, folder)
    assert "shoreline" not in own_layers(project, "a1")
    layer = show_file(project, folder, "shoreline", folder.shoreline)
    node = project.layerTreeRoot().findLayer(layer.id())
    assert (node.parent().name(), node.parent().parent().name()) == ("Map", "Heron <Lake>")
    assert layer.customProperty(OWN_ID) == layer.id()
    assert layer.customProperty("lakefloor/lake") == "a1"
    # It is renewed, not doubled.
    show_lake(project, folder)
    assert own_layers(project, "a1")["shoreline"].id() == layer.id()
    assert len(project.mapLayersByName("Shoreline")) == 1


def test_soundings_of_the_database_become_those_of_the_map(project, folder, ran, files):
    """Those of the database are beneath the shore that is drawn before there is a map."""
    shutil.copy(files["soundings"], folder.database)
    layer = show_file(project, folder, "soundings", folder.database)
    assert layer.featureCount() > 100
    record = ran()
    show_run(project, folder, record)
    assert own_layers(project, "a1")["soundings"].id() == layer.id()
    assert _source(layer) == str(folder.path / record.outputs["soundings"])


def test_a_saved_project_without_a_map_gets_the_view_with_the_first_layer(project, folder, files):
    folder.shoreline.unlink()
    show_all(project, folder)
    save_lake_project(project, folder)
    assert project.viewSettings().defaultViewExtent().isEmpty()
    shutil.copy(files["soundings"], folder.database)
    layer = show_file(project, folder, "soundings", folder.database)
    assert project.crs().authid() == "EPSG:32615"
    assert project.viewSettings().defaultViewExtent().contains(layer.extent())


def test_soundings_of_the_database_are_found_again_where_the_folder_moved(
    project, folder, files, tmp_path
):
    shutil.copy(files["soundings"], folder.database)
    layer = show_file(project, folder, "soundings", folder.database)
    moved = LakeFolder(folder.path.rename(tmp_path / "moved"))
    layer.setDataSource(layer.source(), layer.name(), "ogr")
    assert not layer.isValid()
    assert repoint(project, moved) == []
    assert _source(layer) == str(moved.database)


@pytest.mark.parametrize("touched", [False, True])
def test_a_further_reason_is_not_taken_for_a_change_of_the_user(project, folder, ran, touched):
    show_run(project, folder, ran())
    layer = own_layers(project, "a1")["soundings"]
    if touched:
        layer.setOpacity(0.5)
    group = group_of(project, FACTS)
    with our_change(group, layer):
        show_reasons(layer, {"rejected by hand: fish": 3})
    assert "rejected by hand: fish" in [c.value() for c in layer.renderer().categories()]
    show_run(project, folder, ran(5))
    # The run's own style has only the reasons that occur in its soundings.
    renewed = "rejected by hand: fish" not in [c.value() for c in layer.renderer().categories()]
    assert renewed is not touched
    assert layer.opacity() == (0.5 if touched else 1.0)
