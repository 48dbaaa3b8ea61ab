"""A layer of Lakefloor in the place of another is refused, not computed with."""

import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsProcessingContext, QgsProcessingException, QgsProject, QgsRasterLayer
from shapely.affinity import translate
from shapely.geometry import Point, box

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import CONTENTS
from lakefloor.algorithms.core.grid import empty_grid

sys.path.insert(0, str(Path(__file__).parent))
from lakes import RADIUS, UTM15, X, Y, paraboloid, shore

#: Algorithms that take a depth surface and what else they need; shorelines are added.
ON_DEPTH = {
    "depthcontours": {"OUTPUT": "memory:"},
    "depthareas": {"OUTPUT": "memory:"},
    "bottomslope": {},
    "breaklines": {"OUTPUT": "memory:"},
    "bottomforms": {"OUTPUT": "memory:"},
    "lakestatistics": {},
    "areavolumebylevel": {"OUTPUT": "memory:"},
    "surfacedifference": {},
    "candidatespots": {"OUTPUT": "memory:", "CRITERIA": ["depth", "8 ft", "16 ft", "2"]},
    "nextouting": {"OUTPUT": "memory:", "GAPS": "memory:", "LAUNCH": f"{X},{Y} [EPSG:32615]"},
}


def _raster(folder, description):
    grid = empty_grid((X - RADIUS, Y - RADIUS, X + RADIUS, Y + RADIUS), 10.0)
    path = folder / "other.tif"
    write_raster(path, [grid.like(np.full(grid.shape, 5.0))], [description], UTM15, {})
    return QgsRasterLayer(str(path), "taken by mistake")


@pytest.mark.parametrize("name", ON_DEPTH)
@pytest.mark.parametrize("kind", [kind for kind in CONTENTS if kind != "depth"])
def test_raster_that_says_it_is_something_else(run, tmp_path, memory_layer, name, kind):
    lake = memory_layer("Polygon", [shore().wkt])
    depth = paraboloid(tmp_path)
    for description in CONTENTS[kind][1:]:
        wrong = _raster(tmp_path, description)
        given = {"INPUT": wrong, "OLDER_SURFACE": depth, "SHORELINE": lake, **ON_DEPTH[name]}
        given.setdefault("OUTPUT", str(tmp_path / "result.tif"))
        with pytest.raises(QgsProcessingException, match="taken by mistake.*but depth is needed"):
            run(name, given)
    assert not (tmp_path / "result.tif").exists()


def test_depth_raster_in_the_place_of_another(run, tmp_path, memory_layer):
    depth = paraboloid(tmp_path)
    with pytest.raises(QgsProcessingException, match="but bottom type is needed"):
        run("hardsofttransitions", {"INPUT": depth, "OUTPUT": "memory:"})
    with pytest.raises(QgsProcessingException, match="but bottom type is needed"):
        run("candidatespots", {**ON_DEPTH["candidatespots"], "INPUT": depth, "BOTTOM_TYPE": depth})


def test_lines_and_points_in_the_place_of_others(run, tmp_path, memory_layer):
    depth = paraboloid(tmp_path)
    contours = memory_layer(
        "LineString",
        [f"LINESTRING({X} {Y},{X + 9} {Y})"],
        name="contours",
        fields="field=depth:double&field=kind:string&field=supported:int",
    )
    soundings = memory_layer(
        "Point",
        [f"POINT({X} {Y})"],
        name="pings",
        fields="&".join(
            f"field={name}" for name in ("raw_depth_m:double", "status:string", "lane:int")
        ),
    )
    spots = {**ON_DEPTH["candidatespots"], "INPUT": depth}
    for name, word in (("BREAKLINES", "has no field 'height_m'"), ("TRANSITIONS", "holds cont")):
        with pytest.raises(QgsProcessingException, match=f"'contours' {word}"):
            run("candidatespots", {**spots, name: contours})
    for name in ("describemarks", "findplaceslikemarks"):
        with pytest.raises(QgsProcessingException, match="'pings' holds soundings, not marks"):
            run(name, {"INPUT": depth, "MARKS": soundings, "OUTPUT": "memory:"})


def test_raster_of_others_is_taken_at_its_word(run, tmp_path):
    """What others call their bands says nothing of what these hold."""
    results = run(
        "bottomslope", {"INPUT": _raster(tmp_path, "Band 1"), "OUTPUT": str(tmp_path / "slope.tif")}
    )
    assert results["MAX_SLOPE"] == 0.0


LAKE = shore()
DEPTHS = "field=depth_from_m:double&field=depth_to_m:double"
RINGS = [LAKE.difference(Point(X, Y).buffer(150)), Point(X, Y).buffer(150)]
ISLAND = Point(X + 60, Y).buffer(40)


def _statistics(run, tmp_path, lake):
    return run(
        "lakestatistics",
        {"INPUT": paraboloid(tmp_path, land=400.0), "SHORELINE": lake, "UNIT": "m"},
    )


@pytest.mark.parametrize(
    ("polygons", "fields", "rows", "word"),
    [
        (RINGS, DEPTHS, [[0.0, 6.7], [6.7, 9.0]], "holds depth areas"),
        (
            RINGS,
            "field=form:string&field=relief_m:double",
            [["flat", 0.0], ["hole", 2.0]],
            "holds bottom forms",
        ),
        (RINGS, "field=MaxDepth:double", [[6.7], [9.0]], "side by side"),
        ([LAKE, ISLAND], "", [[], []], "overlap.*Islands must be holes"),
        ([LAKE, Point(X + 100, Y).buffer(RADIUS)], "", [[], []], "overlap"),
        (
            [translate(box(0, 0, 1, 1), X + 3 * k, Y) for k in range(31)],
            "",
            [[]] * 31,
            "31 features, too many for one lake",
        ),
    ],
)
def test_polygons_that_are_no_shoreline(run, tmp_path, memory_layer, polygons, fields, rows, word):
    lake = memory_layer(
        "Polygon", [p.wkt for p in polygons], fields=fields, rows=rows, name="no lake"
    )
    with pytest.raises(QgsProcessingException, match=f"'no lake'.*{word}"):
        _statistics(run, tmp_path, lake)


@pytest.mark.parametrize(
    ("polygons", "fields", "rows", "area"),
    [
        # Basins that lie apart, the one lake in two pieces, and one polygon drawn twice.
        ([LAKE, translate(LAKE, 2 * RADIUS + 20)], "", [[], []], 2 * LAKE.area),
        (
            [
                LAKE.intersection(box(X - 999, Y - 999, X, Y + 999)),
                LAKE.intersection(box(X, Y - 999, X + 999, Y + 999)),
            ],
            "",
            [[], []],
            LAKE.area,
        ),
        ([LAKE, LAKE], "", [[], []], LAKE.area),
        # Depth areas dissolved into one polygon keep their fields.
        ([LAKE], DEPTHS, [[0.0, 2.0]], LAKE.area),
    ],
)
def test_polygons_that_are_one_lake(run, tmp_path, memory_layer, polygons, fields, rows, area):
    lake = memory_layer("Polygon", [p.wkt for p in polygons], fields=fields, rows=rows)
    # The statistics are on the ellipsoid: 1/0.9996² of the grid's on its central meridian.
    assert _statistics(run, tmp_path, lake)["AREA_M2"] == pytest.approx(area / 0.9996**2, rel=1e-3)


def test_dialogs_offer_the_right_layer_of_a_lake_project_first(provider, memory_layer, tmp_path):
    """Of the layers that QGIS's own dialogs list, the first is taken unless a person chooses."""
    from qgis.gui import QgsGui, QgsProcessingContextGenerator, QgsProcessingGui

    from lakefloor.algorithms._project.catalogue import LAYERS

    project = QgsProject.instance()
    project.clear()
    kinds = {
        "soundings": "Point",
        "shoreline": "Polygon",
        "break_lines": "LineString",
        "contours": "LineString",
        "depth_areas": "MultiPolygon",
        "spots": "Point",
        "gaps": "MultiPolygon",
        "transitions": "LineString",
        "bottom_forms": "MultiPolygon",
        "bottom_change": "Polygon",
        "bottom_type_areas": "MultiPolygon",
        "lanes": "LineString",
    }
    for entry in LAYERS:
        if entry.raster:
            layer = paraboloid(tmp_path)
            layer.setName(entry.name)
            project.addMapLayer(layer)
        elif entry.role in kinds:
            project.addMapLayer(memory_layer(kinds[entry.role], [], name=entry.name))
    context = QgsProcessingContext()
    context.setProject(project)

    class Generator(QgsProcessingContextGenerator):
        def processingContext(self):
            return context

    generator = Generator()

    def offered(algorithm, parameter):
        algorithm = provider.algorithm(algorithm).create()
        wrapper = QgsGui.processingGuiRegistry().createParameterWidgetWrapper(
            algorithm.parameterDefinition(parameter), QgsProcessingGui.WidgetType.Standard
        )
        wrapper.registerProcessingContextGenerator(generator)
        widget = wrapper.createWrappedWidget(context)
        value = wrapper.parameterValue()
        widget.deleteLater()
        return project.mapLayer(value).name() if value in project.mapLayers() else value

    try:
        for algorithm in ("depthcontours", "lakestatistics", "nextouting", "breaklines"):
            assert offered(algorithm, "INPUT") == "Depth surface"
        for algorithm in ("lakestatistics", "lakereport", "mapsheet", "areavolumebylevel"):
            assert offered(algorithm, "SHORELINE") == "Shoreline"
        for algorithm in ("mapsheet", "structuresheets", "phonepackage"):
            assert offered(algorithm, "CONTOURS") == "Depth contours"
        assert offered("planthenextouting", "SURFACE") == "Depth surface"
        assert offered("planthenextouting", "SHORELINE") == "Shoreline"
    finally:
        project.clear()


@pytest.mark.parametrize(
    ("name", "key"),
    [("cleansoundings", "INPUT"), ("readpointlayer", "INPUT"), ("describemarks", "MARKS")],
)
def test_lines_in_the_place_of_points_are_refused(run, tmp_path, memory_layer, name, key):
    lines = memory_layer(
        "LineString", ["LineString (0 0, 100 0)"], fields="field=depth_m:double", rows=[[3.0]]
    )
    given = {"INPUT": paraboloid(tmp_path), "DEPTH_FIELD": "depth_m", "OUTPUT": "memory:"}
    with pytest.raises(QgsProcessingException, match="is 'line'. Choose a layer of points"):
        run(name, {**given, key: lines})
