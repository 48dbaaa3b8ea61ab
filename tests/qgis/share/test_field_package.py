"""The package for a phone: layers, tiles and sheet, each read back by GDAL."""

import math
import os
import sqlite3

import pytest
from osgeo import gdal, ogr, osr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsProcessingException,
    QgsProject,
)

from lakefloor.algorithms._io import drawn_files, layer_copies


def inputs(lake, *names):
    return {name: lake[name] for name in ("CONTOURS", "SHORELINE", *names)}


def test_package(run, lake, tmp_path, memory_layer, feedback):
    marks = memory_layer(
        "Point",
        ["POINT(412010 5120010)"],
        fields="field=name:string",
        rows=[["Reed point"]],
        name="m",
    )
    folder = tmp_path / "field"
    results = run(
        "phonepackage",
        {
            **inputs(lake, "DEPTH_AREAS", "SURFACE", "BREAKLINES", "SOUNDINGS"),
            "MARKS": marks,
            "TITLE": "Trout Lake",
            "AUTHOR": "A. Example",
            "MAX_ZOOM": 15,
            "OUTPUT": str(folder),
        },
        feedback,
    )
    assert sorted(os.listdir(folder)) == ["lake.gpkg", "lake_map.pdf", "lake_tiles.mbtiles"]
    vectors = ogr.Open(str(folder / "lake.gpkg"))
    names = {vectors.GetLayer(i).GetName() for i in range(vectors.GetLayerCount())}
    assert names == {
        "marks",
        "break_lines",
        "contours",
        "shoreline",
        "soundings",
        "depth_areas",
        "layer_styles",
    }
    assert results["LAYER_COUNT"] == 6
    # MBTiles 1.3: a table of metadata, and tiles in rows counted from the south.
    with sqlite3.connect(folder / "lake_tiles.mbtiles") as db:
        levels = dict(db.execute("SELECT zoom_level, count(*) FROM tiles GROUP BY zoom_level"))
        assert max(levels) == 15
        assert levels[min(levels)] <= 2
        rows = db.execute("SELECT name, value FROM metadata").fetchall()
        metadata = dict(rows)
        assert len(rows) == len(metadata)
        assert metadata["format"] == "png"
        assert (metadata["name"], metadata["attribution"]) == ("Trout Lake", "A. Example")
        # The levels of which there are tiles, no others.
        assert (metadata["minzoom"], metadata["maxzoom"]) == (str(min(levels)), "15")
        west, south, east, north = map(float, metadata["bounds"].split(","))
        box = QgsCoordinateTransform(
            lake["SHORELINE"].crs(), QgsCoordinateReferenceSystem("EPSG:4326"), QgsProject()
        ).transformBoundingBox(lake["SHORELINE"].extent())
        assert (west, south, east, north) == pytest.approx(
            (box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum()), abs=1e-6
        )
        lon, lat, zoom = map(float, metadata["center"].split(","))
        assert west < lon < east
        assert south < lat < north
        assert min(levels) <= zoom <= 15
    # Of Web Mercator: the circumference of its sphere over 256 pixels a tile.
    ground = 2 * math.pi * 6378137 / 256 / 2**15 * math.cos(math.radians(46.22))
    assert results["PIXEL_SIZE"] == pytest.approx(ground, rel=1e-3)
    tiles = gdal.Open(str(folder / "lake_tiles.mbtiles"))
    alpha = tiles.GetRasterBand(4).ReadAsArray()
    assert 0 < (alpha > 0).mean() < 1
    if gdal.GetDriverByName("PDF"):
        assert gdal.Open(str(folder / "lake_map.pdf")).GetProjection()


def test_geopackage_tiles_and_none(run, lake, tmp_path):
    run(
        "phonepackage",
        {
            **inputs(lake),
            "TITLE": "Trout Lake",
            "MAX_ZOOM": 14,
            "TILES": "GeoPackage",
            "OUTPUT": str(tmp_path / "a"),
        },
    )
    with sqlite3.connect(tmp_path / "a" / "lake_tiles.gpkg") as db:
        assert db.execute("SELECT identifier FROM gpkg_contents").fetchall() == [("Trout Lake",)]
    tiles = gdal.Open(str(tmp_path / "a" / "lake_tiles.gpkg"))
    assert tiles.RasterCount == 4
    results = run(
        "phonepackage", {**inputs(lake), "TILES": "no tiles", "OUTPUT": str(tmp_path / "b")}
    )
    assert sorted(os.listdir(tmp_path / "b")) == ["lake.gpkg", "lake_map.pdf"]
    assert results["PIXEL_SIZE"] is None


def test_refusals_leave_nothing(run, lake, tmp_path, memory_layer, recorder):
    full = tmp_path / "full"
    full.mkdir()
    (full / "x.txt").write_text("x")
    polar = memory_layer("Polygon", ["POLYGON((0 85,1 85,1 86,0 85))"], crs="EPSG:4326")
    north = memory_layer(
        "LineString",
        ["LINESTRING(0.2 85.1,0.3 85.2)"],
        crs="EPSG:4326",
        fields="&".join(f"field={f}:string" for f in ("unit", "label", "kind"))
        + "&"
        + "&".join(f"field={f}:double" for f in ("depth", "index", "supported")),
    )
    no_crs = memory_layer("Polygon", ["POLYGON((0 0,1 0,1 1,0 0))"], crs="", name="odd")
    for parameters, word in (
        ({"MAX_ZOOM": 22}, "Choose level"),
        ({"OUTPUT": str(full)}, "not empty"),
        ({"SHORELINE": polar, "CONTOURS": north}, "84 N|polar"),
        ({"SHORELINE": no_crs}, "coordinate reference"),
    ):
        given = {**inputs(lake), "MAX_ZOOM": 14, "OUTPUT": str(tmp_path / "p"), **parameters}
        if "SHORELINE" not in parameters and parameters.get("MAX_ZOOM") == 22:
            given["SHORELINE"] = memory_layer(
                "Polygon",
                ["POLYGON((412000 5120000,432000 5120000,432000 5140000,412000 5120000))"],
            )
        with pytest.raises(QgsProcessingException, match=word):
            run("phonepackage", given)
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run(
            "phonepackage",
            {**inputs(lake), "MAX_ZOOM": 14, "OUTPUT": str(tmp_path / "p")},
            recorder(30),
        )
    assert sorted(os.listdir(tmp_path)) == ["full"]


@pytest.mark.parametrize("limit", [3_000, 60_000, 200_000])
def test_full_disk_leaves_nothing(run, lake, tmp_path, limit):
    import resource
    import signal

    soft = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, soft[1]))
    try:
        with pytest.raises(QgsProcessingException, match="disk has room"):
            run(
                "phonepackage",
                {**inputs(lake, "DEPTH_AREAS"), "MAX_ZOOM": 16, "OUTPUT": str(tmp_path / "p")},
            )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, soft)
        signal.signal(signal.SIGXFSZ, handler)
    assert os.listdir(tmp_path) == []


def _picture(path, place, opaque):
    picture = gdal.GetDriverByName("GTiff").Create(str(path), 600, 300, 4)
    picture.SetGeoTransform((0.0, 1.0, 0.0, 0.0, 0.0, -1.0))
    if place:
        picture.SetProjection(osr_wkt())
    if opaque:
        picture.GetRasterBand(4).WriteRaster(590, 290, 1, 1, b"\xff")
    return path


def osr_wkt():
    srs = osr.SpatialReference()
    srs.ImportFromEPSG(3857)
    return srs.ExportToWkt()


def test_what_was_written_must_lie_somewhere_and_show_something(lake, tmp_path):
    whole = drawn_files._placed
    assert whole(_picture(tmp_path / "good.tif", True, True))
    assert not whole(_picture(tmp_path / "nowhere.tif", False, True))
    assert not whole(_picture(tmp_path / "empty.tif", True, False))
    pdf = tmp_path / "map.pdf"
    pdf.write_bytes(b"%PDF-1.4\n/Type /Measure\n%%EOF\n")
    assert whole(pdf)
    pdf.write_bytes(b"%PDF-1.4\n%%EOF\n")
    assert whole(pdf) == (gdal.GetDriverByName("PDF") is None)
    for srs in (None, osr.SpatialReference(osr_wkt())):
        path = tmp_path / f"{srs is not None}.gpkg"
        dataset = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
        layer = dataset.CreateLayer(lake["SHORELINE"].name(), srs, ogr.wkbPolygon)
        layer.CreateFeature(ogr.Feature(layer.GetLayerDefn()))
        layer = dataset = None
        assert layer_copies._holds(path, [lake["SHORELINE"]]) == (srs is not None)
