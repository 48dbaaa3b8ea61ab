"""Styles as QGIS draws, saves and applies them."""

import gc

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsNumericFormatContext,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

from lakefloor.algorithms import _styling
from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms.core.grid import Grid

CONTOUR_FIELDS = (
    "field=depth_m:double&field=depth:double&field=unit:string&field=label:string"
    "&field=index:integer&field=kind:string&field=closed:integer&field=supported:integer"
    "&field=spot:double&field=spot_x:double&field=spot_y:double"
)


def contour(
    memory_layer,
    wkt="LINESTRING(0 0, 100 0)",
    index=0,
    kind="line",
    supported=1,
    spot=(None, None, None),
):
    row = (1.524, 5.0, "ft", "5", index, kind, 0, supported, *spot)
    return memory_layer("LineString", [wkt], fields=CONTOUR_FIELDS, rows=[row])


def drawn(layer, extent=(-10, -30, 110, 30)):
    """Return the darkness (0..1), shape (300, 600), of a layer drawn on white, unlabelled."""
    layer.setLabelsEnabled(False) if isinstance(layer, QgsVectorLayer) else None
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setDestinationCrs(layer.crs())
    settings.setExtent(QgsRectangle(*extent))
    settings.setOutputSize(QSize(600, 300))
    settings.setOutputDpi(150)
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    return np.array(
        [[1 - image.pixelColor(x, y).lightnessF() for x in range(600)] for y in range(300)]
    )


def surface_layer(folder, values, names=("depth (m)",)):
    path = folder / "grid.tif"
    grids = [Grid(np.asarray(v, dtype=float), 412_000, 5_120_000, 2, 2) for v in values]
    write_raster(path, grids, names, QgsCoordinateReferenceSystem("EPSG:32615"), {})
    return QgsRasterLayer(str(path), "grid")


def luminance(color):
    """Relative luminance of sRGB (IEC 61966-2-1, as in WCAG 2.1)."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (color.redF(), color.greenF(), color.blueF())
    ]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def test_depth_darkens_in_one_hue(qgis_app):
    colors = [_styling.look.depth_color(f) for f in np.linspace(0, 1, 21)]
    light = [luminance(color) for color in colors]
    assert all(a > b for a, b in zip(light, light[1:]))
    hues = [color.hue() for color in colors]
    assert max(hues) - min(hues) < 15
    # WCAG 2.1, 1.4.11: a graphic needs a contrast of 3 to 1; labels stand on a white rim.
    ink = luminance(QColor(_styling.look.INK))
    assert (light[10] + 0.05) / (ink + 0.05) > 3


def test_index_lines_are_heavier_and_unsupported_ones_broken(memory_layer, qgis_app):
    amount = {}
    for index in (0, 1):
        for supported in (0, 1, None):
            layer = contour(memory_layer, index=index, supported=supported)
            _styling.apply_style(layer, "contours")
            amount[index, supported] = drawn(layer).sum()
    assert amount[1, 1] > 1.7 * amount[0, 1] > 0
    for index in (0, 1):
        assert 0.4 < amount[index, 0] / amount[index, 1] < 0.8
        assert amount[index, None] == amount[index, 1]


@pytest.mark.parametrize(("style", "kind"), [("contours", "hollow"), ("break_lines", "crest")])
@pytest.mark.parametrize("westward", [False, True])
def test_ticks_point_to_the_deeper_side_on_the_left(memory_layer, qgis_app, style, kind, westward):
    wkt = "LINESTRING(100 0, 0 0)" if westward else "LINESTRING(0 0, 100 0)"
    layer = contour(memory_layer, wkt, kind=kind)
    _styling.apply_style(layer, style)
    image = drawn(layer)
    north, south = image[:147].sum(), image[153:].sum()
    left, right = (south, north) if westward else (north, south)
    assert left > 1
    assert right < 0.05 * left


def test_drop_off_lines_differ_in_pattern(memory_layer, qgis_app):
    covered = {}
    for kind in ("crest", "steepest", "toe"):
        layer = contour(memory_layer, kind=kind)
        _styling.apply_style(layer, "break_lines")
        middle = drawn(layer)[148:152].max(axis=0) > 0.2
        covered[kind] = middle[60:540].mean()
    assert covered["crest"] > 0.98
    assert 0.5 < covered["toe"] < 0.9
    assert 0.1 < covered["steepest"] < 0.6


def test_spot_depth_is_marked_where_it_lies(memory_layer, qgis_app):
    layer = contour(memory_layer, kind="hump", spot=(3.2, 50.0, 20.0))
    _styling.apply_style(layer, "contours")
    assert drawn(layer)[40:60, 290:310].sum() > 5  # 20 m north of the line, 5 px a metre


def test_rejected_soundings_differ_from_used_ones_by_shape(memory_layer, qgis_app):
    statuses = ["accepted", "spike", "zero depth", "speed", None]
    layer = memory_layer(
        "Point",
        [f"POINT({20 * i} 0)" for i in range(5)],
        fields="field=depth_m:double&field=status:string",
        rows=[(2.0 + i, status) for i, status in enumerate(statuses)],
    )
    _styling.apply_style(layer, "soundings")
    categories = layer.renderer().categories()
    labels = [category.label() for category in categories]
    assert labels == ["not used: speed", "not used: spike", "not used: zero depth", "sounding used"]
    shapes = [category.symbol().symbolLayer(0).properties()["name"] for category in categories]
    assert len(set(shapes)) == 4
    image = drawn(layer)
    assert all(image[:, 50 + 100 * i - 12 : 50 + 100 * i + 12].sum() > 1 for i in range(5))


def test_depth_areas_darken_with_depth(memory_layer, qgis_app):
    layer = memory_layer(
        "Polygon",
        [
            f"POLYGON(({30 * i} -20, {30 * i + 30} -20, {30 * i + 30} 20, {30 * i} 20, {30 * i} -20))"
            for i in range(3)
        ],
        fields="field=depth_from_m:double&field=depth_to_m:double&field=label:string",
        rows=[(0.0, 1.0, "0 to 1 m"), (1.0, 2.0, "1 to 2 m"), (2.0, None, "over 2 m")],
    )
    _styling.apply_style(layer, "depth_areas")
    image = drawn(layer)
    dark = [image[150, 50 + 150 * i + 75] for i in range(3)]
    assert dark[0] < dark[1] < dark[2]
    assert [c.label() for c in layer.renderer().categories()] == [
        "0 to 1 m",
        "1 to 2 m",
        "over 2 m",
    ]


def test_shoreline_has_no_fill(memory_layer, qgis_app):
    layer = memory_layer("Polygon", ["POLYGON((0 -20, 100 -20, 100 20, 0 20, 0 -20))"])
    _styling.apply_style(layer, "shoreline")
    image = drawn(layer)
    assert image[150, 300] == 0
    assert image[:, 300].max() > 0.5


def test_rasters_are_stretched_to_their_data(tmp_path, qgis_app):
    depth = surface_layer(tmp_path, [[[1.5, 2.0], [np.nan, 7.25]]])
    _styling.apply_style(depth, "surface")
    assert depth.renderer().classificationMin() == 1.5
    assert depth.renderer().classificationMax() == 7.25


@pytest.mark.parametrize(
    ("values", "ends"),
    [
        ((0.138669, 10.418057), ["0.1", "10.4"]),
        ((0.041, 0.238669), ["0.041", "0.239"]),
        ((3.0, 164.6), ["3", "165"]),
    ],
)
def test_legend_of_a_raster_is_rounded(tmp_path, qgis_app, values, ends):
    layer = surface_layer(tmp_path, [[[values[0], values[1]], [np.nan, values[1]]]])
    _styling.apply_style(layer, "surface")
    legend = layer.renderer().shader().rasterShaderFunction().legendSettings()
    written = [
        legend.numericFormat().formatDouble(value, QgsNumericFormatContext()) for value in values
    ]
    assert written == ends


def test_a_second_style_shows_the_uncertainty(tmp_path, qgis_app):
    layer = surface_layer(
        tmp_path,
        [[[1.5, 2.0], [3.0, 7.25]], [[0.1, 0.1], [0.2, 0.3]]],
        ("depth (m)", "standard uncertainty (m)"),
    )
    for _ in range(2):
        _styling.apply_style(layer, "surface")
    assert layer.renderer().usesBands() == [1]
    assert sorted(layer.styleManager().styles()) == ["default", "uncertainty"]
    layer.styleManager().setCurrentStyle("uncertainty")
    assert layer.renderer().usesBands() == [2]
    assert layer.renderer().classificationMin() == 0.0
    layer.styleManager().setCurrentStyle("default")
    assert layer.renderer().classificationMax() == 7.25
    alone = surface_layer(tmp_path, [[[1.5, 2.0], [3.0, 7.25]]])
    _styling.apply_style(alone, "surface")
    assert alone.styleManager().styles() == ["default"]


def test_slope_is_drawn_in_percent(tmp_path, qgis_app):
    degrees = np.linspace(0, 30, 900).reshape(30, 30)
    layer = surface_layer(
        tmp_path,
        [degrees, 100 * np.tan(np.radians(degrees))],
        ("slope (degrees)", "slope (percent)"),
    )
    _styling.apply_style(layer, "slope")
    assert layer.renderer().usesBands() == [2]
    assert 50 < layer.renderer().classificationMax() < 58


def test_flat_raster_has_a_style(tmp_path, qgis_app):
    layer = surface_layer(tmp_path, [np.full((3, 3), 2.0)])
    _styling.apply_style(layer, "surface")
    assert layer.renderer().classificationMax() > layer.renderer().classificationMin()


def test_style_is_kept_by_a_style_file(memory_layer, tmp_path, qgis_app):
    layer = contour(memory_layer, kind="hollow", spot=(3.2, 50.0, 20.0))
    _styling.apply_style(layer, "contours")
    expected = drawn(layer)
    path = str(tmp_path / "contours.qml")
    layer.saveNamedStyle(path)
    other = contour(memory_layer, kind="hollow", spot=(3.2, 50.0, 20.0))
    other.loadNamedStyle(path)
    assert np.array_equal(drawn(other), expected)


def test_post_processor_outlives_garbage_collection(tmp_path, qgis_app):
    layer = surface_layer(tmp_path, [[[1.0, 2.0], [3.0, 4.0]]])
    context = QgsProcessingContext()
    target = layer.source()
    context.addLayerToLoadOnCompletion(
        target, QgsProcessingContext.LayerDetails("Depth", QgsProject.instance(), "OUTPUT")
    )
    waiting = len(_styling._Styler._alive)
    _styling.style_on_load(context, target, "surface", {})
    gc.collect()
    processor = context.layerToLoadOnCompletionDetails(target).postProcessor()
    processor.postProcessLayer(layer, context, QgsProcessingFeedback())
    assert layer.renderer().type() == "singlebandpseudocolor"
    assert len(_styling._Styler._alive) == waiting


def test_layer_that_is_not_loaded_needs_no_style(qgis_app):
    waiting = len(_styling._Styler._alive)
    _styling.style_on_load(QgsProcessingContext(), "/nowhere.tif", "surface", {})
    assert len(_styling._Styler._alive) == waiting


def test_layer_run_and_loaded_is_styled(provider, tmp_path, qgis_new_project, monkeypatch):
    import processing
    from processing.gui import Postprocessing

    # Without a window, as in a script; newer QGIS refuses the mock that pytest-qgis puts there.
    monkeypatch.setattr(Postprocessing, "iface", None, raising=False)
    rows, cols = np.mgrid[0:20, 0:20]
    depth = surface_layer(tmp_path, [0.2 * rows + 0.1 * cols])
    result = processing.runAndLoadResults(
        "lakefloor:bottomslope", {"INPUT": depth, "OUTPUT": str(tmp_path / "slope.tif")}
    )
    gc.collect()
    (loaded,) = [
        layer
        for layer in QgsProject.instance().mapLayers().values()
        if layer.source() == result["OUTPUT"]
    ]
    assert loaded.renderer().type() == "singlebandpseudocolor"
    assert loaded.renderer().usesBands() == [2]


def test_loaded_layers_are_sorted_so_that_none_hides_another(qgis_new_project):
    project = QgsProject.instance()
    names = ["break_lines", "surface", "soundings", "depth_areas", "contours"]
    for name in names:
        layer = QgsVectorLayer("Point?crs=EPSG:32615", name, "memory")
        layer.setCustomProperty(_styling._ORDER_PROPERTY, _styling._order(name))
        project.addMapLayer(layer)
        _styling._sort_in(project.layerTreeRoot().findLayer(layer.id()))
    order = [node.name() for node in project.layerTreeRoot().children()]
    assert order == ["break_lines", "contours", "soundings", "depth_areas", "surface"]


def test_every_style_has_its_place_above_the_rasters_that_would_hide_it():
    assert set(_styling._STYLES) == set(_styling._FROM_THE_BOTTOM)
    for raster in ("surface", "difference", "depth_areas"):
        assert _styling._order("bottom_change") > _styling._order(raster)
