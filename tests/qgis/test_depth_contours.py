"""Depth contours in the real QGIS."""

import numpy as np
import pytest
from osgeo import gdal, ogr, osr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputLayerDefinition,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from shapely import wkb
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import Grid

WEST, NORTH, CELL = 400_000.0, 5_150_000.0, 2.0
UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")


@pytest.fixture
def lake(tmp_path):
    """Write a made-up lake floor as a raster of one band, or as a surface of three."""

    def make(uncertainty=None, name="lake.tif", crs=UTM15, values=None):
        y, x = np.mgrid[-1:1:81j, -1:1:101j]
        if values is None:
            values = 9.0 * np.exp(-(x**2 + y**2) * 2.0) + 0.5 * np.sin(5 * x) * np.cos(4 * y)
        grids = [Grid(np.asarray(values, dtype=float), WEST, NORTH, CELL, CELL)]
        names = ["depth"]
        if uncertainty is not None:
            grids += [grids[0].like(np.full(grids[0].shape, uncertainty))] * 2
            names = BANDS
        path = tmp_path / name
        write_raster(path, grids, names, crs, {})
        layer = QgsRasterLayer(str(path), "lake")
        assert layer.isValid()
        return layer

    return make


def shape(feature):
    return wkb.loads(bytes(feature.geometry().asWkb()))


def test_same_lengths_as_gdal_contour(run, lake):
    """GDAL's contour generator, between the cell centres, where both are defined alike."""
    layer = lake()
    lines = run(
        "depthcontours",
        {
            "INPUT": layer,
            "INTERVAL": 0.7,
            "UNIT": "m",
            "SMOOTHING": 0,
            "MIN_AREA": 0,
            "OUTPUT": "TEMPORARY_OUTPUT",
        },
    )["OUTPUT"]
    centres = box(WEST + 1, NORTH - 161, WEST + 201, NORTH - 1)
    ours = {}
    for feature in lines.getFeatures():
        depth = round(feature["depth_m"], 6)
        ours[depth] = ours.get(depth, 0.0) + shape(feature).intersection(centres).length

    raster = gdal.Open(layer.source())
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(32615)
    source = ogr.GetDriverByName("Memory").CreateDataSource("contours")
    table = source.CreateLayer("contours", srs, ogr.wkbLineString)
    table.CreateField(ogr.FieldDefn("id", ogr.OFTInteger))
    table.CreateField(ogr.FieldDefn("depth", ogr.OFTReal))
    gdal.ContourGenerate(raster.GetRasterBand(1), 0.7, 0.0, [], 1, -9999.0, table, 0, 1)
    theirs = {}
    for feature in table:
        depth = round(feature.GetField("depth"), 6)
        line = wkb.loads(bytes(feature.GetGeometryRef().ExportToWkb()))
        theirs[depth] = theirs.get(depth, 0.0) + line.intersection(centres).length
    assert ours.keys() == theirs.keys()
    assert len(ours) > 10
    for depth, length in theirs.items():
        assert ours[depth] == pytest.approx(length, rel=2e-4)


def test_fields_numbers_and_log(run, lake, feedback):
    result = run(
        "depthcontours",
        {"INPUT": lake(uncertainty=0.2), "INTERVAL": 1, "OUTPUT": "TEMPORARY_OUTPUT"},
        feedback,
    )
    layer = result["OUTPUT"]
    features = list(layer.getFeatures())
    assert layer.crs().authid() == "EPSG:32615"
    assert layer.fields().names() == [
        "depth",
        "unit",
        "depth_m",
        "label",
        "index",
        "kind",
        "closed",
        "supported",
        "spot",
        "spot_x",
        "spot_y",
        "line",
    ]
    assert result["COUNT"] == len(features)
    assert result["LENGTH_M"] == pytest.approx(sum(f.geometry().length() for f in features))
    assert result["MAX_DEPTH"] == max(f["depth"] for f in features)
    # 0.2 m is 0.66 ft, far above the 0.30 ft that one-foot contours need.
    assert result["SUPPORTED_SHARE"] == 0.0
    assert {f["supported"] for f in features} == {0}
    assert {f["unit"] for f in features} == {"ft"}
    assert {f["depth"] for f in features if f["index"] == 1} == {
        f["depth"] for f in features if f["depth"] % 5 == 0
    }
    assert "support 0% of the length" in feedback.text


def test_where_all_is_supported_no_rest_is_dashed(run, lake, feedback):
    given = {"INPUT": lake(uncertainty=0.01), "INTERVAL": 1, "OUTPUT": "TEMPORARY_OUTPUT"}
    assert run("depthcontours", given, feedback)["SUPPORTED_SHARE"] == 1.0
    assert "support all lines" in feedback.text
    assert "dashed" not in feedback.text


def test_any_single_band_raster_will_do(run, lake, feedback):
    result = run("depthcontours", {"INPUT": lake(), "OUTPUT": "TEMPORARY_OUTPUT"}, feedback)
    assert result["SUPPORTED_SHARE"] is None
    assert "no uncertainty band" in feedback.text
    assert all(
        f["supported"] is None or f["supported"].isNull() for f in result["OUTPUT"].getFeatures()
    )


def test_lines_are_cut_at_the_shoreline(run, lake, memory_layer):
    center = WEST + 101, NORTH - 81
    lake_shape = Polygon(
        [
            (center[0] + 70 * np.cos(a), center[1] + 60 * np.sin(a))
            for a in np.linspace(0, 2 * np.pi, 73)[:-1]
        ]
    )
    shore = memory_layer("Polygon", [lake_shape.wkt])
    lines = run(
        "depthcontours",
        {"INPUT": lake(), "SHORELINE": shore, "UNIT": "m", "OUTPUT": "TEMPORARY_OUTPUT"},
    )["OUTPUT"]
    drawn = unary_union([shape(f) for f in lines.getFeatures()])
    assert lake_shape.buffer(1e-6).contains(drawn)


def test_layer_opens_styled(run, lake, tmp_path, qgis_new_project):
    context = QgsProcessingContext()
    project = QgsProject.instance()
    context.setProject(project)
    path = str(tmp_path / "contours.gpkg")
    result = run(
        "depthcontours",
        {"INPUT": lake(), "OUTPUT": QgsProcessingOutputLayerDefinition(path, project)},
        context=context,
    )
    (loaded,) = context.layersToLoadOnCompletion()
    layer = QgsVectorLayer(loaded, "contours")
    assert layer.featureCount() == result["COUNT"]
    details = context.layerToLoadOnCompletionDetails(loaded)
    details.postProcessor().postProcessLayer(layer, context, None)
    assert layer.renderer().type() == "RuleRenderer"
    assert layer.labelsEnabled()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"INTERVAL": 0}, "must be above 0 ft"),
        ({"INTERVAL": 0.0005}, "at most 2000"),
        ({"INTERVAL": 500}, "No contour falls between"),
    ],
)
def test_refusals(run, lake, options, message):
    values = np.full((81, 101), 3.0)
    values[:40] = 5.0
    with pytest.raises(QgsProcessingException, match=message):
        run(
            "depthcontours", {"INPUT": lake(values=values), "OUTPUT": "TEMPORARY_OUTPUT", **options}
        )


def test_raster_without_values(run, lake):
    with pytest.raises(QgsProcessingException, match="no cell with a value"):
        run(
            "depthcontours",
            {"INPUT": lake(values=np.full((5, 5), np.nan)), "OUTPUT": "TEMPORARY_OUTPUT"},
        )


def test_cancel_leaves_no_file(run, lake, tmp_path, recorder):
    path = tmp_path / "cancelled.gpkg"
    with pytest.raises(QgsProcessingException):
        run("depthcontours", {"INPUT": lake(), "OUTPUT": str(path)}, recorder(cancel_at=40))
    assert not path.exists()
