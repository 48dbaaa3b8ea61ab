"""The map sheet of a lake as a layout in the project: renewed item by item, opened again."""

import shutil
from dataclasses import replace

import pytest
from qgis.core import (
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemScaleBar,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsProject,
)

from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run
from lakefloor.algorithms._project.saving import save_lake_project
from lakefloor.algorithms._project.sheet import SHEET, sheet_of, show_sheet
from lakefloor.algorithms._project.showing import show_run

FACTS = LakeFacts("Heron Lake", id="a1", time_zone="America/Chicago")


@pytest.fixture(scope="session")
def templates(provider, lake, tmp_path_factory):
    """Two sheets of one lake, as templates: another title, page and no drop-offs in the second."""
    import processing

    folder, made = tmp_path_factory.mktemp("templates"), {}
    for name, changed in (
        ("first", {"TITLE": "Heron Lake", "PAGE_SIZE": "Letter"}),
        ("second", {"TITLE": "Heron Lake again", "PAGE_SIZE": "A4", "BREAKLINES": None}),
    ):
        made[name] = folder / f"{name}.qpt"
        processing.run(
            "lakefloor:mapsheet",
            {
                **lake,
                **changed,
                "ORIENTATION": "portrait",
                "OUTPUT": str(folder / f"{name}.pdf"),
                "LAYOUT": str(made[name]),
            },
        )
    return made


@pytest.fixture
def folder(lake, tmp_path):
    path = tmp_path / "Heron"
    path.mkdir()
    write_facts(path, FACTS)
    return LakeFolder(path)


@pytest.fixture
def ran(folder, templates, lake):
    """Make a run of the map with surface and sheet."""

    def make(name):
        run = begin_run(folder, "map")
        shutil.copy(templates[name], run / "sheet.qpt")
        shutil.copy(lake["SURFACE"].source(), run / "surface.tif")
        outputs = {"surface": f"map/{run.name}/surface.tif", SHEET: f"map/{run.name}/sheet.qpt"}
        record = RunRecord("map", run.name, outputs=outputs, ended="2026-12-01T04:47:00+00:00")
        finish_run(run, record)
        return record

    return make


@pytest.fixture
def project(qgis_app):
    project = QgsProject()
    yield project
    project.clear()


def _shown(project, folder, record):
    show_run(project, folder, record)
    return show_sheet(project, folder, record)


def _texts(layout):
    return [item.text() for item in layout.items() if isinstance(item, QgsLayoutItemLabel)]


def _of(layout, kind):
    return [item for item in layout.items() if isinstance(item, kind)]


def test_a_template_names_no_place(templates, tmp_path):
    text = templates["first"].read_text(encoding="utf-8")
    assert str(tmp_path.parent) not in text
    assert "/tmp" not in text


def test_the_sheet_can_be_edited_in_the_project(project, folder, ran):
    layout = _shown(project, folder, ran("first"))
    assert project.layoutManager().printLayouts() == [layout]
    chart = layout.referenceMap()
    assert chart.followVisibilityPresetName() == "Print"
    assert "Heron Lake" in _texts(layout)
    (legend,) = _of(layout, QgsLayoutItemLegend)
    assert legend.linkedMap() is chart
    assert all(bar.linkedMap() is chart for bar in _of(layout, QgsLayoutItemScaleBar))
    ids = [item.id() for item in _of(layout, QgsLayoutItemLabel) if not item.id()]
    assert ids == []


def test_untouched_items_are_renewed(project, folder, ran):
    layout = _shown(project, folder, ran("first"))
    count = len(layout.items())
    again = _shown(project, folder, ran("second"))
    assert again is layout
    assert project.layoutManager().printLayouts() == [layout]
    assert "Heron Lake again" in _texts(layout)
    assert "Heron Lake" not in _texts(layout)
    assert layout.pageCollection().page(0).pageSize().width() == 210.0
    (chart,) = _of(layout, QgsLayoutItemMap)
    assert layout.referenceMap() is chart
    (legend,) = _of(layout, QgsLayoutItemLegend)
    assert legend.linkedMap() is chart
    assert all(bar.linkedMap() is chart for bar in _of(layout, QgsLayoutItemScaleBar))
    assert abs(len(layout.items()) - count) < 10


def test_the_same_sheet_again_changes_nothing(project, folder, ran):
    layout = _shown(project, folder, ran("first"))
    before = sorted(
        (item.id(), item.type(), item.pos().x(), item.pos().y()) for item in _items(layout)
    )
    _shown(project, folder, ran("first"))
    after = sorted(
        (item.id(), item.type(), item.pos().x(), item.pos().y()) for item in _items(layout)
    )
    assert after == before


def _items(layout):
    return [item for item in layout.items() if hasattr(item, "uuid")]


@pytest.mark.parametrize("reopened", [False, True])
def test_what_the_user_changed_stays(project, folder, ran, reopened):
    layout = _shown(project, folder, ran("first"))
    if reopened:
        save_lake_project(project, folder)
        project.clear()
        assert project.read(str(folder.project))
        layout = sheet_of(project, FACTS.id)
    title = layout.itemById("title")
    title.setText("My lake")
    chart = layout.itemById("map")
    chart.setScale(chart.scale() * 2.0)
    scale = chart.scale()
    layout.removeLayoutItem(layout.itemById("subtitle"))
    mine = QgsLayoutItemLabel(layout)
    mine.setText("mine")
    mine.attemptMove(QgsLayoutPoint(10, 10))
    layout.addLayoutItem(mine)
    layout.setName("Wall map")
    _shown(project, folder, ran("second"))
    assert layout.name() == "Wall map"
    assert "My lake" in _texts(layout)
    assert "mine" in _texts(layout)
    assert "Heron Lake again" not in _texts(layout)
    assert layout.itemById("subtitle") is None
    assert layout.itemById("map").scale() == pytest.approx(scale)
    # All the rest is new, and works on the map that stayed.
    (legend,) = _of(layout, QgsLayoutItemLegend)
    assert legend.linkedMap() is layout.itemById("map")
    top = max(_items(layout), key=lambda item: item.zValue())
    assert top is mine
    # And once more.
    _shown(project, folder, ran("first"))
    assert "My lake" in _texts(layout)
    assert "mine" in _texts(layout)
    assert layout.itemById("subtitle") is None
    assert len(_of(layout, QgsLayoutItemMap)) == 1


def test_a_page_that_was_changed_stays(project, folder, ran):
    layout = _shown(project, folder, ran("first"))
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(500, 400))
    _shown(project, folder, ran("second"))
    assert layout.pageCollection().page(0).pageSize().width() == 500.0


def test_a_removed_sheet_returns_with_a_later_run_only(project, folder, ran):
    record = ran("first")
    layout = _shown(project, folder, record)
    project.layoutManager().removeLayout(layout)
    assert _shown(project, folder, record) is None
    assert _shown(project, folder, ran("second")) is not None


def test_layouts_of_the_user_stay(project, folder, ran):
    record = ran("first")
    layout = _shown(project, folder, record)
    copy = project.layoutManager().duplicateLayout(layout, "Mine")
    texts = _texts(copy)
    _shown(project, folder, ran("second"))
    assert {each.name() for each in project.layoutManager().printLayouts()} == {"Map sheet", "Mine"}
    assert sorted(_texts(copy)) == sorted(texts)
    assert "Heron Lake again" in _texts(layout)


def test_two_lakes_have_two_sheets(project, folder, ran, tmp_path):
    record = ran("first")
    _shown(project, folder, record)
    other = tmp_path / "other"
    shutil.copytree(folder.path, other)
    write_facts(other, replace(FACTS, id="b2", name="Loon Lake"))
    assert _shown(project, LakeFolder(other), record).name() == "Map sheet, Loon Lake"
