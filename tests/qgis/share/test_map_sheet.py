"""The map sheet, exported by a real QGIS and read back by poppler and GDAL."""

import itertools
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, osr
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsGeometry,
    QgsLayoutItem,
    QgsLayoutItemPage,
    QgsMapRendererSequentialJob,
    QgsPointXY,
    QgsProcessingAlgorithm,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProject,
)
from qgis.PyQt.QtCore import QCoreApplication, QSizeF
from qgis.PyQt.QtGui import QImage
from shapely import wkt

from lakefloor.algorithms._io.inputs import Inputs
from lakefloor.algorithms._sheets import layer_facts, page_map, sheet_inputs, sheet_layout
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.wording.page_layout import PAGE_SIZES, scale_denominator
from lakefloor.algorithms.core.wording.sheet_facts import SheetSettings
from lakefloor.algorithms.core.wording.sheet_sections import sections
from lakefloor.algorithms.share.map_sheet import MapSheet

sys.path.insert(0, str(Path(__file__).parent))
from conftest import EAST, NORTH, depth_at

pytestmark = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="poppler-utils is not installed"
)

TEXTS = {"TITLE": "Heron Lake", "LAKE": "Heron County", "AUTHOR": "Ada Pike"}


def tool(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def text_of(path):
    text = tool("pdftotext", "-raw", str(path), "-")
    return " ".join(unicodedata.normalize("NFKC", text).split())  # ligatures apart


@pytest.fixture(scope="module")
def sheet(lake, provider, tmp_path_factory):
    import processing

    path = tmp_path_factory.mktemp("sheet") / "map.pdf"
    result = processing.run(
        "lakefloor:mapsheet", {**lake, **TEXTS, "ORIENTATION": "portrait", "OUTPUT": str(path)}
    )
    return path, result


def test_says_what_a_lake_map_must_say(sheet):
    text = text_of(sheet[0])
    for needed in (
        "Heron Lake",
        "Heron County",
        "Ada Pike",
        "surveyed May 17, July 5 and September 20, 2025",
        # 0.5 m, 0.41 m and 0.62 m in feet of 0.3048 m.
        "lake level 1.64 ft (staff gauge",
        "1.35 to 2.03 ft",
        "not tied to a national",
        "Contour interval 1 ft, index contours every 5 ft",
        "19 lanes, about 66 ft apart",
        "NOT FOR NAVIGATION",
        "never guaranteed safe",
        "Cold water",
        "Local rules",
        "Area (acres)",
        "Area (acres) at each depth (ft) or deeper",
        "Scale 1:",
        "Survey quality",
        "No tracks cross",
        "Data sources",
        "Mean depth",
        "WGS 84 / UTM zone 15N",
        "shallowest depth of a hump",
    ):
        assert needed in text


def test_is_vectors_with_searchable_text(sheet):
    assert len(tool("pdfimages", "-list", str(sheet[0])).splitlines()) == 2  # the table's head
    assert len(tool("pdffonts", str(sheet[0])).splitlines()) > 2


def test_is_georeferenced_at_its_scale(sheet, lake):
    path, result = sheet
    dataset = gdal.Open(str(path))
    srs = osr.SpatialReference(dataset.GetProjection())
    utm = osr.SpatialReference()
    utm.ImportFromEPSG(32615)
    assert srs.IsSame(utm, ["IGNORE_DATA_AXIS_TO_SRS_AXIS_MAPPING=YES"])
    page_width = 0.001 * PAGE_SIZES["Letter"][0]
    assert dataset.GetGeoTransform()[1] * dataset.RasterXSize == pytest.approx(
        page_width * result["SCALE_USED"], rel=2e-3
    )
    neatline = wkt.loads(dataset.GetMetadataItem("NEATLINE")).bounds
    extent = lake["SHORELINE"].extent()
    assert neatline[0] < extent.xMinimum()
    assert neatline[1] < extent.yMinimum()
    assert neatline[2] > extent.xMaximum()
    assert neatline[3] > extent.yMaximum()


@pytest.mark.parametrize("paper", list(PAGE_SIZES))
def test_paper_and_a_given_scale(lake, run, tmp_path, paper):
    path = tmp_path / "map.pdf"
    result = run(
        "mapsheet",
        {
            **lake,
            "PAGE_SIZE": paper,
            "ORIENTATION": "landscape",
            "SCALE": 6543,
            "OUTPUT": str(path),
        },
    )
    assert result["SCALE_USED"] == pytest.approx(6543)
    (line,) = [row for row in tool("pdfinfo", str(path)).splitlines() if "Page size" in row]
    points = [float(word) for word in line.split() if word.replace(".", "").isdigit()]
    short, long = PAGE_SIZES[paper]
    assert points == pytest.approx([long / 25.4 * 72, short / 25.4 * 72], abs=1)


def facts_of(lake, **texts):
    roles = {role: lake[name] for role, (name, _) in sheet_inputs.ROLES.items() if name in lake}
    return layer_facts.collect_facts(
        roles,
        QgsCoordinateReferenceSystem("EPSG:32615"),
        SheetSettings("Heron Lake", **texts),
        Inputs(None, {}, QgsProcessingContext()),
    )


def test_soundings_far_off_the_shoreline_are_left_out_of_the_figures(lake):
    soundings = lake["SOUNDINGS"].materialize(QgsFeatureRequest())
    feature = QgsFeature(next(soundings.getFeatures()))
    strays = []
    for number in range(5):
        feature.setGeometry(QgsGeometry.fromWkt(f"POINT({EAST + 5000.0 + number} {NORTH})"))
        strays.append(QgsFeature(feature))
    soundings.dataProvider().addFeatures(strays)
    alone, both = facts_of(lake), facts_of({**lake, "SOUNDINGS": soundings})
    for name in ("used", "rejected", "lanes", "spacing", "dates", "crossings"):
        assert getattr(both.survey, name) == getattr(alone.survey, name), name


def test_crossing_statistics_of_a_cross_line_that_is_a_decimetre_too_deep(lake):
    soundings = lake["SOUNDINGS"].materialize(QgsFeatureRequest())
    first = next(soundings.getFeatures())
    added = []
    for y in range(-184, 185, 4):
        depth = float(depth_at(EAST - 150.0, NORTH + y))
        if depth > 0.3:
            feature = QgsFeature(first)
            minute, second = divmod(2 * len(added), 60)
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(EAST - 150.0, NORTH + y)))
            for field, value in (
                ("visit", "2025-10-01"),
                ("lane", 1),
                ("depth_m", depth + 0.1),
                ("status", "accepted"),
                ("raw_depth_m", depth + 0.1),
                ("time", f"2025-10-01T12:{minute:02d}:{second:02d}"),
            ):
                feature[field] = value
            added.append(feature)
    assert soundings.dataProvider().addFeatures(added)[0]
    facts = facts_of({**lake, "SOUNDINGS": soundings})
    crossings = facts.survey.crossings
    assert facts.survey.between
    assert crossings.n >= 15
    # The earlier visits come first: they are a decimetre shallower, but for the bottom's
    # curvature between soundings four metres apart.
    assert crossings.mean == pytest.approx(-0.1, abs=0.02)
    quality = dict(sections(facts))["Survey quality"].split("\n")
    # Each statement is at 95%: of the crossings, and 1.96 standard uncertainties of the map.
    assert quality == [
        f"Tracks cross {crossings.n} times between visits. In 95% of the cases the depths agree "
        f"within {crossings.percentile95 / 0.3048:.2f} ft.",
        "The 95% uncertainty of the mapped depth is "
        f"{1.96 * facts.uncertainty / 0.3048:.2f} ft on average.",
        f"The data support {100 * facts.contours.supported:.0f}% of the length of the contours. "
        "The rest is dashed.",
    ]


def test_a_correction_that_changed_nothing_is_none(lake):
    """The model writes a time offset of 0 s into every sounding."""
    copy = lake["SOUNDINGS"].materialize(QgsFeatureRequest())
    at = copy.fields().indexOf("corrections")
    copy.dataProvider().changeAttributeValues(
        {
            feature.id(): {
                at: "from=transducer;time_offset_s=0;draft_m=0.3;sound_speed=not corrected"
            }
            for feature in copy.getFeatures()
        }
    )
    text = dict(sections(facts_of({**lake, "SOUNDINGS": copy})))["Data sources"]
    assert "Depths are corrected for draft." in text


def test_figures_and_curve_are_those_of_the_lake(lake):
    facts = facts_of(lake, sources="Dale: gauge\n\nInk & Co.: shoreline")
    depth, area = facts.curve
    shore = next(lake["SHORELINE"].getFeatures()).geometry().area()
    # On the central meridian's side of UTM zone 15 the scale is 0.9996 to 0.9998.
    assert area[0] == pytest.approx(shore, rel=1e-3)
    assert depth[0] == 0.0
    assert (np.diff(area) <= 0).all()
    said = dict(sections(facts))
    assert f"Area {area[0] / 4046.8564224:.1f}" in said["The lake"]
    assert said["The lake"].endswith("± is the 95% uncertainty.")
    assert "standard uncertainty" not in said["The lake"]
    assert said["Data sources"].startswith("Dale: gauge\nInk & Co.: shoreline\n")
    # Without a surface the bands give the curve.
    banded = facts_of({key: value for key, value in lake.items() if key != "SURFACE"})
    assert banded.statistics is None
    assert np.interp(banded.curve[0], depth, area) == pytest.approx(
        banded.curve[1], rel=0.02, abs=500.0
    )


def test_picture_is_the_sheet_at_300_dots_an_inch(lake, run, tmp_path):
    path = tmp_path / "map.png"
    run(
        "mapsheet",
        {
            **lake,
            "PAGE_SIZE": "A4",
            "ORIENTATION": "portrait",
            "OUTPUT": str(tmp_path / "map.pdf"),
            "PICTURE": str(path),
        },
    )
    image = QImage(str(path))
    # ISO 216 A4 in pixels of 1/300 inch: 2480.3 by 3507.9.
    assert image.width() == pytest.approx(2480.3, abs=1)
    assert image.height() == pytest.approx(3507.9, abs=1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["map.pdf", "map.png"]


def test_layout_stays_in_the_project_for_editing(lake, run, recorder, tmp_path, qgis_new_project):
    project = QgsProject.instance()
    mine = {name: layer.clone() for name, layer in lake.items()}
    asked = {"KEEP_LAYOUT": True, "OUTPUT": str(tmp_path / "map.pdf")}
    feedback = recorder()
    run("mapsheet", {**mine, **asked}, feedback=feedback)
    assert "does not hold" in feedback.text
    assert not project.layoutManager().layouts()
    project.addMapLayers(list(mine.values()))
    for _ in range(2):  # a second run takes the first one's place
        run("mapsheet", {**mine, **asked})
        (layout,) = project.layoutManager().printLayouts()
    assert layout.name() == "Lake map"
    assert layout.referenceMap().crs().authid() == "EPSG:32615"
    assert mine["CONTOURS"].renderer().type() == "singleSymbol"  # the user's own style
    project.clear()


def test_the_panel_takes_its_place_from_the_lake(lake):
    # A wide lake on a page across is larger than on an upright one, and so the automatic choice.
    scales = {}
    for orientation in ("portrait", "landscape", "automatic"):
        project, layout = layout_of(lake, "A4", orientation)
        scales[orientation] = layout.referenceMap().scale()
        project.clear()
    assert scales["automatic"] == pytest.approx(min(scales["portrait"], scales["landscape"]))


def test_a_text_that_never_fits_is_refused(lake):
    with pytest.raises(LakefloorError, match="does not fit"):
        layout_of(lake, "Letter", "portrait", "far too long " * 4000)


def layout_of(lake, paper, orientation, text="", **more):
    lake = {**lake, **more}
    roles = {role: lake[name] for role, (name, _) in sheet_inputs.ROLES.items() if name in lake}
    project = QgsProject()
    crs = QgsCoordinateReferenceSystem("EPSG:32615")
    project.setCrs(crs)
    inputs = Inputs(None, {}, QgsProcessingContext())
    settings = SheetSettings("Heron Lake" + text, "county" + text, "author" + text, page_size=paper)
    facts = layer_facts.collect_facts(roles, crs, settings, inputs)
    drawn = sheet_inputs.styled_copies(roles, page_map.DRAWN, project)
    extent = page_map.map_extent(lake["SHORELINE"], crs, inputs)
    return project, sheet_layout.build_layout(project, drawn, facts, extent, orientation)


@pytest.mark.parametrize("orientation", ["portrait", "landscape"])
@pytest.mark.parametrize("paper", list(PAGE_SIZES))
@pytest.mark.parametrize("text", ["", " of the long and winding shores" * 6])
def test_nothing_overlaps_or_leaves_the_paper(lake, paper, orientation, text):
    project, layout = layout_of(lake, paper, orientation, text)
    page = layout.pageCollection().page(0).sceneBoundingRect()
    items = [
        item
        for item in layout.items()
        if isinstance(item, QgsLayoutItem)
        and not isinstance(item, QgsLayoutItemPage)
        and not item.id().startswith(("north arrow, east", "frame, ", "curve, "))
    ]
    assert len(items) > 12
    for item in items:
        rect = item.sceneBoundingRect()
        assert page.contains(rect), (item.id(), rect)
    for a, b in itertools.combinations(items, 2):
        shared = a.sceneBoundingRect().intersected(b.sceneBoundingRect())
        assert min(shared.width(), shared.height()) < 1.5, (a.displayName(), b.displayName())
    project.clear()


def test_the_lake_fills_the_frame(lake):
    project, layout = layout_of(lake, "Letter", "automatic")
    chart = layout.referenceMap()
    extent = lake["SHORELINE"].extent()
    assert chart.extent().contains(extent)
    assert chart.scale() == pytest.approx(
        scale_denominator(
            extent.width(), extent.height(), chart.rect().width(), chart.rect().height()
        )
    )
    project.clear()


def labels_on(chart):
    settings = chart.mapSettings(
        chart.extent(),
        QSizeF(2000, 2000 * chart.extent().height() / chart.extent().width()),
        254,
        True,
    )
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    found = job.takeLabelingResults().labelsWithinRect(chart.extent())
    return [label for label in found if not label.isUnplaced]


def test_marks_are_drawn_with_all_their_names(lake, memory_layer):
    # Closer to each other than their names are long.
    names = [f"Mark {i}" for i in range(16)]
    marks = memory_layer(
        "Point",
        [f"POINT({EAST + 12 * (i % 4)} {NORTH + 9 * (i // 4)})" for i in range(16)],
        fields="field=name:string",
        rows=[[name] for name in names],
        name="m",
    )
    project, layout = layout_of(lake, "Letter", "portrait", MARKS=marks)
    shown = {label.labelText for label in labels_on(layout.referenceMap())}
    assert set(names) <= shown
    legend = next(item for item in layout.items() if getattr(item, "id", str)() == "legend")
    assert "mark" in [
        node.customProperty("legend/title-label")
        for node in legend.model().rootGroup().findLayers()
    ]
    project.clear()


def test_labels_on_the_map_do_not_collide(lake):
    project, layout = layout_of(lake, "Letter", "portrait")
    labels = labels_on(layout.referenceMap())
    shapes = [
        QgsGeometry.fromPolygonXY([[*label.cornerPoints, label.cornerPoints[0]]])
        for label in labels
    ]
    assert len({label.labelText for label in labels}) > 5
    for (a, one), (b, other) in itertools.combinations(zip(labels, shapes), 2):
        # The figures of one curved label are pieces that may touch.
        if a.labelText != b.labelText:
            assert one.intersection(other).area() < 0.02 * min(one.area(), other.area())
    project.clear()


def test_contours_and_a_shoreline_in_degrees_suffice(lake, run, tmp_path):
    import processing

    degrees = processing.run(
        "native:reprojectlayer",
        {"INPUT": lake["SHORELINE"], "TARGET_CRS": "EPSG:4326", "OUTPUT": "memory:"},
    )["OUTPUT"]
    path = tmp_path / "map.pdf"
    run(
        "mapsheet",
        {
            "CONTOURS": lake["CONTOURS"],
            "SHORELINE": degrees,
            "OUTPUT": str(path),
            "TITLE": "[% 6 * 7 %] Lake",
        },
    )
    text = text_of(path)
    assert "6 * 7" in text
    assert "not reduced to a lake datum" in text
    assert "soundings used" not in text


def test_soundings_of_a_shared_copy_have_no_status(lake, run, tmp_path):
    import processing

    bare = processing.run(
        "native:retainfields",
        {"INPUT": lake["SOUNDINGS"], "FIELDS": ["depth_m", "corrections"], "OUTPUT": "memory:"},
    )["OUTPUT"]
    path = tmp_path / "map.pdf"
    run("mapsheet", {**lake, "SOUNDINGS": bare, "OUTPUT": str(path)})
    assert "soundings used, 0 rejected" in text_of(path)


def test_inputs_keep_their_own_style(lake, run, tmp_path):
    before = lake["CONTOURS"].renderer().type()
    run("mapsheet", {**lake, "OUTPUT": str(tmp_path / "map.pdf")})
    assert lake["CONTOURS"].renderer().type() == before == "singleSymbol"


def test_other_unit_is_refused(lake, run, tmp_path):
    with pytest.raises(QgsProcessingException, match=r"labels in 'feet'.*is 'meters'"):
        run("mapsheet", {**lake, "UNIT": "m", "OUTPUT": str(tmp_path / "map.pdf")})
    assert not list(tmp_path.iterdir())


def test_foreign_contours_are_refused(lake, run, tmp_path):
    with pytest.raises(QgsProcessingException, match="no field 'depth'"):
        run(
            "mapsheet",
            {**lake, "CONTOURS": lake["BREAKLINES"], "OUTPUT": str(tmp_path / "map.pdf")},
        )


def test_cancelled_sheet_leaves_nothing(lake, run, recorder, tmp_path):
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("mapsheet", {**lake, "OUTPUT": str(tmp_path / "map.pdf")}, feedback=recorder(50))
    assert not list(tmp_path.iterdir())


def test_runs_in_any_thread(provider):
    assert not MapSheet().flags() & QgsProcessingAlgorithm.Flag.FlagNoThreading


def test_takes_temporary_layers_inside_a_model(lake, provider, tmp_path):
    model = QgsProcessingModelAlgorithm("sheet in a model", "test")
    model.initAlgorithm()

    def child(algorithm, name, **values):
        step = QgsProcessingModelChildAlgorithm(algorithm)
        step.setChildId(name)
        source = QgsProcessingModelChildParameterSource
        for key, value in values.items():
            step.addParameterSources(
                key,
                [
                    source.fromChildOutput(*value)
                    if isinstance(value, tuple)
                    else source.fromStaticValue(value)
                ],
            )
        assert step.algorithm() is not None
        model.addChildAlgorithm(step)

    QgsProject.instance().addMapLayers(
        [lake["CONTOURS"].clone(), lake["SHORELINE"].clone(), lake["SURFACE"].clone()]
    )
    by_name = {layer.name(): layer.id() for layer in QgsProject.instance().mapLayers().values()}
    path = tmp_path / "map.pdf"
    child(
        "native:extractbyexpression",
        "lines",
        INPUT=by_name["Contours"],
        EXPRESSION="\"unit\" = 'ft'",
    )
    child("native:fixgeometries", "shore", INPUT=by_name["Shoreline"])
    child(
        "lakefloor:mapsheet",
        "sheet",
        CONTOURS=("lines", "OUTPUT"),
        SHORELINE=("shore", "OUTPUT"),
        SURFACE=by_name["Depth"],
        UNIT="ft",
        OUTPUT=str(path),
        TITLE="From a model",
    )
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    feedback = QgsProcessingFeedback()
    if model.flags() & QgsProcessingAlgorithm.Flag.FlagNoThreading:
        _, ok = model.run({}, context, feedback)
    else:  # newer QGIS: in the background, with the sheet's step on the main thread
        outcome = []
        task = QgsProcessingAlgRunnerTask(model, {}, context, feedback)
        task.executed.connect(lambda ok, results: outcome.append(ok))
        QgsApplication.taskManager().addTask(task)
        while not outcome:
            QCoreApplication.processEvents()
        ok = outcome[0]
    QgsProject.instance().clear()
    assert ok, feedback.textLog()
    assert "From a model" in text_of(path)
