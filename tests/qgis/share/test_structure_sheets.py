"""Detail sheets, exported by a real QGIS and read back by poppler."""

import re
import shutil
import subprocess
import unicodedata

import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsGeometry,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProject,
)

from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._sheets import layer_facts, page_map, sheet_inputs, structure_atlas
from lakefloor.algorithms.core.wording.sheet_facts import SheetSettings
from lakefloor.algorithms.share.structure_sheets import _marked, _of_features

pytestmark = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler-utils is not installed"
)

FORMS = "field=form:string&field=number:integer&field=relief_m:double&field=top_depth_m:double"


def pages_of(path):
    text = subprocess.run(
        ["pdftotext", "-raw", str(path), "-"], check=True, capture_output=True, text=True
    ).stdout
    pages = text.split("\f")[:-1]
    return [" ".join(unicodedata.normalize("NFKC", page).split()) for page in pages]


@pytest.fixture
def forms(memory_layer):
    def square(x, y, half):
        return (
            f"POLYGON(({x - half} {y - half},{x + half} {y - half},{x + half} {y + half},"
            f"{x - half} {y + half},{x - half} {y - half}))"
        )

    return memory_layer(
        "Polygon",
        [square(412_140, 5_119_980, 30), None, square(411_815, 5_120_040, 120)],
        fields=FORMS,
        rows=[("hump", 1, 3.048, 1.524), ("hump", 2, 1.0, 1.0), ("hole", 1, -1.8288, 3.0)],
    )


def test_a_page_for_each_drop_off_by_default(lake, run, tmp_path):
    path = tmp_path / "sheets.pdf"
    layers = {key: value for key, value in lake.items() if key != "DEPTH_AREAS"}
    result = run("structuresheets", {**layers, "TITLE": "Heron Lake", "OUTPUT": str(path)})
    assert result["PAGES"] == 1
    (page,) = pages_of(path)
    for needed in (
        "Drop-off 1",
        "Heron Lake",
        "Scale 1:",
        "NOT FOR NAVIGATION",
        "shallowest depth",
        "never guaranteed safe",
        "lake level 1.64 ft (staff gauge",
    ):
        assert needed in page


def test_forms_have_pages_of_their_own_scale_in_words(lake, forms, run, tmp_path):
    path = tmp_path / "sheets.pdf"
    result = run("structuresheets", {**lake, "STRUCTURES": forms, "OUTPUT": str(path)})
    assert result["PAGES"] == 2  # a form without a place has none
    hump, hole = pages_of(path)
    # 1.524 m and 3.048 m are 5 ft and 10 ft; a hole's relief is told without a sign.
    assert "Hump 1" in hump
    assert "Shallowest point: 5 ft" in hump
    assert "Relief: 10 ft" in hump
    assert "Relief: 6 ft" in hole
    scales = [int(re.search(r"Scale 1:(\d+)", page).group(1)) for page in (hump, hole)]
    # A frame 129 mm high by hand, for 90 m and for 300 m: 1:698 and 1:2326.
    assert scales == [750, 2500]
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    transform = QgsCoordinateTransform(forms.crs(), wgs84, QgsProject.instance())
    place = transform.transform(412_140, 5_119_980)
    minutes = (place.y() - 46) * 60
    assert f"46° {minutes:06.3f}′ N".replace("′", "\u2032") in hump


def test_each_page_marks_its_own_structure_and_the_locator_shows_the_lake(lake, forms):
    roles = {role: lake[name] for role, (name, _) in sheet_inputs.ROLES.items() if name in lake}
    crs = QgsCoordinateReferenceSystem("EPSG:32615")
    inputs = Inputs(None, {}, QgsProcessingContext())
    project = QgsProject()
    project.setCrs(crs)
    facts = layer_facts.collect_facts(roles, crs, SheetSettings("Heron Lake"), inputs)
    drawn = sheet_inputs.styled_copies(roles, page_map.DRAWN, project)
    drawn["structures"] = _marked(forms, f"$id = {structure_atlas.CURRENT}", project)
    structures = _of_features(forms, "", crs, "ft", inputs)
    extent = page_map.map_extent(lake["SHORELINE"], crs, inputs)
    layout = structure_atlas.build_atlas(project, drawn, structures, facts, extent, crs)
    page = layout.pageCollection().page(0).sceneBoundingRect()
    chart, locator = layout.referenceMap(), layout.itemById("locator")
    atlas = layout.atlas()
    assert atlas.beginRender()
    for structure in structures:
        assert atlas.next()
        layout.refresh()
        box = QgsGeometry.fromWkt(
            "POLYGON(({0} {1},{2} {1},{2} {3},{0} {3},{0} {1}))".format(*structure.box)
        )
        assert chart.extent().contains(box.boundingBox())
        assert locator.extent().contains(lake["SHORELINE"].extent())
        key = layout.createExpressionContext().variable("atlas_feature")["key"]
        assert key == structure.key
    atlas.endRender()
    for item in layout.items():
        if item.type() >= 65_638 and hasattr(item, "id") and item.id() != "":
            assert page.contains(item.mapRectToScene(item.rect())), item.id()
    names = project.mapThemeCollection().mapThemeVisibleLayers(structure_atlas.LAYOUT_NAME)
    assert drawn["structures"] in names
    project.clear()


def test_the_first_so_many(lake, forms, run, recorder, tmp_path):
    feedback = recorder()
    result = run(
        "structuresheets",
        {**lake, "STRUCTURES": forms, "MAX_PAGES": 1, "OUTPUT": str(tmp_path / "s.pdf")},
        feedback=feedback,
    )
    assert result["PAGES"] == 1
    assert "There are 2 structures, but the maximum number of pages is 1." in feedback.text


def test_own_names_and_expressions_stay_text(lake, memory_layer, run, tmp_path):
    spots = memory_layer(
        "Point",
        ["POINT(412140 5119980)"],
        fields="field=label:string",
        rows=[("[% 6 * 7 %] & rock",)],
    )
    path = tmp_path / "s.pdf"
    run(
        "structuresheets", {**lake, "STRUCTURES": spots, "NAME_FIELD": "label", "OUTPUT": str(path)}
    )
    assert "[% 6 * 7 %] & rock" in pages_of(path)[0]


def test_refusals(lake, run, memory_layer, tmp_path):
    ask = {
        "CONTOURS": lake["CONTOURS"],
        "SHORELINE": lake["SHORELINE"],
        "OUTPUT": str(tmp_path / "s.pdf"),
    }
    with pytest.raises(QgsProcessingException, match="layer of structures, or breaklines"):
        run("structuresheets", ask)
    with pytest.raises(QgsProcessingException, match="holds no structure"):
        run("structuresheets", {**ask, "STRUCTURES": memory_layer("Point", [None])})
    assert not list(tmp_path.iterdir())


def test_cancelled_sheets_leave_nothing(lake, run, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("structuresheets", {**lake, "OUTPUT": str(tmp_path / "s.pdf")}, feedback=recorder(40))
    assert not list(tmp_path.iterdir())
