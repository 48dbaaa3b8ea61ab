"""Layers become arrays and arrays become layers without loss, and nothing is half written."""

import os
import sqlite3
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, ogr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterRasterDestination,
    QgsProcessingUtils,
    QgsProject,
    QgsRasterLayer,
)
from qgis.PyQt.QtCore import QThread

from lakefloor.algorithms._base import LakefloorAlgorithm
from lakefloor.algorithms._io import columns, features, rasters, shoreline, soundings_layer
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.geopackage import allow_updates
from lakefloor.algorithms.core.grid import Grid, Surface
from lakefloor.algorithms.core.soundings import Soundings

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")


class Copy(LakefloorAlgorithm):
    """Write what the test gives it, then fail if told to."""

    NAME, DISPLAY, GROUP = "copy", "Copy", "share"
    payload = None
    fail = None

    def declare(self):
        self.addParameter(
            QgsProcessingParameterFeatureSource(
                "INPUT", "Input", [QgsProcessing.SourceType.TypeVectorPoint], optional=True
            )
        )
        self.addParameter(QgsProcessingParameterFeatureSink("POINTS", "Points", optional=True))
        self.addParameter(
            QgsProcessingParameterRasterDestination(
                "RASTER", "Raster", optional=True, createByDefault=False
            )
        )

    def compute(self, inputs, outputs):
        if isinstance(Copy.payload, Soundings):
            outputs.soundings("POINTS", Copy.payload, UTM15)
        else:
            outputs.surface("RASTER", Copy.payload, UTM15, {"DATUM_NAME": "gauge"})
        if Copy.fail:
            raise Copy.fail


@pytest.fixture
def write(qgis_app, feedback):
    def call(payload, parameters, fail=None, context=None):
        Copy.payload, Copy.fail = payload, fail
        algorithm = Copy().create()
        context = context or QgsProcessingContext()
        return algorithm.processAlgorithm(parameters, context, feedback), context

    return call


@pytest.fixture
def soundings():
    return Soundings.build(
        [400000.25, 400001.5, 400002.0],
        [5150000.0, 5150001.0, 5150002.0],
        [3.2, np.nan, 5.5],
        raw_depth=[3.1, np.nan, 5.4],
        time=np.array(
            ["2025-05-17T23:59:59.250", "NaT", "2025-05-18T00:00:01"], dtype="datetime64[ms]"
        ),
        visit="May",
        lane=[1, 0, 2],
        status=["accepted", "no bottom", "accepted"],
        corrections="draft_m=0.3",
        water_temp=[11.5, np.nan, 11.5],
    )


def _read(layer, feedback):
    from qgis.core import QgsProcessingFeatureSource

    context = QgsProcessingContext()
    source = QgsProcessingFeatureSource(layer, context)
    return soundings_layer.read_soundings(source, context, feedback)


def _assert_same(a, b):
    for name in Soundings.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


@pytest.mark.parametrize("zone", ["UTC", "America/Chicago", "Asia/Kolkata"])
@pytest.mark.parametrize("target", ["memory:", "soundings.gpkg", "soundings.geojson"])
def test_soundings_round_trip(write, soundings, feedback, tmp_path, target, zone, monkeypatch):
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        path = target if target == "memory:" else str(tmp_path / target)
        results, context = write(soundings, {"POINTS": path})
        layer = QgsProcessingUtils.mapLayerFromString(results["POINTS"], context)
        if target.endswith("geojson"):
            # RFC 7946 stores longitude and latitude, and GDAL rounds them.
            assert layer.featureCount() == 3
            return
        back, crs = _read(layer, feedback)
        assert crs == UTM15
        # The sounding without a time comes last.
        _assert_same(back, soundings.select([0, 2, 1]))
    finally:
        monkeypatch.undo()
        time.tzset()


def test_names_that_a_format_takes_for_dates_stay_names(write, soundings, feedback, tmp_path):
    """GDAL makes a field of dates of names like 2025-05-17 in a GeoJSON file."""
    named = replace(soundings, visit=np.array(["2025-05-17"] * len(soundings), dtype=object))
    results, context = write(named, {"POINTS": str(tmp_path / "soundings.geojson")})
    layer = QgsProcessingUtils.mapLayerFromString(results["POINTS"], context)
    back, _ = _read(layer, feedback)
    assert set(back.visit) == {"2025-05-17"}


def test_failed_run_leaves_nothing(write, soundings, tmp_path):
    with pytest.raises(QgsProcessingException, match="on purpose"):
        write(soundings, {"POINTS": str(tmp_path / "a.gpkg")}, fail=LakefloorError("on purpose"))
    assert os.listdir(tmp_path) == []


def test_failed_run_keeps_the_old_file(write, soundings, tmp_path):
    old = tmp_path / "a.gpkg"
    write(soundings, {"POINTS": str(old)})
    before = old.read_bytes()
    with pytest.raises(QgsProcessingException):
        write(soundings.select([0]), {"POINTS": str(old)}, fail=LakefloorError("on purpose"))
    assert old.read_bytes() == before


def test_geopackage_open_in_another_program(write, soundings, tmp_path):
    """Changes that it keeps in its write-ahead log do not get into the new file."""
    path = tmp_path / "a.gpkg"
    write(soundings, {"POINTS": str(path)})
    other = sqlite3.connect(str(path))
    allow_updates(other)
    other.execute("PRAGMA journal_mode = WAL")
    other.execute("PRAGMA wal_autocheckpoint = 0")
    other.execute("UPDATE a SET status = hex(randomblob(20000))")
    other.commit()
    assert (tmp_path / "a.gpkg-wal").stat().st_size > 100_000
    write(soundings.select([0, 1]), {"POINTS": str(path)})
    other.close()
    back = sqlite3.connect(str(path))
    assert back.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert back.execute("SELECT status FROM a").fetchall() == [("accepted",), ("no bottom",)]
    back.close()


def test_missing_folder_is_named(write, soundings, tmp_path):
    with pytest.raises(QgsProcessingException, match="nowhere"):
        write(soundings, {"POINTS": str(tmp_path / "nowhere" / "a.gpkg")})


def test_shapefile_arrives_with_its_companions(write, soundings, feedback, tmp_path):
    write(soundings, {"POINTS": str(tmp_path / "a.shp")})
    assert {"a.shp", "a.dbf", "a.shx", "a.prj"} <= set(os.listdir(tmp_path))
    # dBASE: field names of at most ten characters, dates without time.
    assert "'a.shp' no longer says which corrections" in feedback.text


def test_geopackage_needs_no_warning(write, soundings, feedback, tmp_path):
    write(soundings, {"POINTS": str(tmp_path / "a.gpkg")})
    assert feedback.text == ""


def test_layer_is_loaded_under_its_name(write, soundings, tmp_path):
    project = QgsProject()
    definition = QgsProcessingOutputLayerDefinition(str(tmp_path / "a.gpkg"), project)
    definition.destinationName = "My soundings"
    _, context = write(soundings, {"POINTS": definition})
    details = context.layersToLoadOnCompletion()
    assert [d.name for d in details.values()] == ["My soundings"]
    assert [Path(p).name for p in details] == ["a.gpkg"]


@pytest.mark.parametrize("name", ["depth.tif", "depth.img"])
def test_surface_round_trip(write, feedback, tmp_path, name):
    values = np.array([[1.0, np.nan, 3.0], [4.0, 5.0, -0.5]])
    depth = Grid(values, 400000.0, 5150000.0, 2.0, 2.0)
    surface = Surface(depth, depth.like(values * 0.1), depth.like(values * 0))
    results, _ = write(surface, {"RASTER": str(tmp_path / name)})
    back, crs, metadata = rasters.read_raster(QgsRasterLayer(results["RASTER"]), feedback)
    assert crs == UTM15
    np.testing.assert_allclose(back.depth.values, values, rtol=1e-6)
    assert (back.depth.west, back.depth.north) == (400000.0, 5150000.0)
    if name.endswith("tif"):
        assert metadata["DATUM_NAME"] == "gauge"
        np.testing.assert_allclose(back.uncertainty.values, values * 0.1, rtol=1e-6)
        assert gdal.Open(results["RASTER"]).GetRasterBand(1).GetNoDataValue() == -9999.0


def test_degrees_are_projected_and_said(memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(-94.25 46.5)"],
        crs="EPSG:4326",
        fields="field=depth_m:double",
        rows=[[2.5]],
        name="in degrees",
    )
    soundings, crs = _read(layer, feedback)
    assert crs.authid() == "EPSG:32615"
    # pyproj: 46.5 N 94.25 W is 404085.5271 E, 5150362.3541 N in UTM zone 15.
    np.testing.assert_allclose(
        [soundings.x[0], soundings.y[0]], [404085.5271, 5150362.3541], atol=1e-3
    )
    assert "EPSG:32615" in feedback.text


def test_only_the_fields_asked_for_are_read(write, soundings, feedback, tmp_path):
    from qgis.core import QgsProcessingFeatureSource, QgsVectorLayer

    results, _ = write(soundings, {"POINTS": str(tmp_path / "soundings.gpkg")})
    context = QgsProcessingContext()
    layer = QgsVectorLayer(results["POINTS"])
    source = QgsProcessingFeatureSource(layer, context)
    back, _ = soundings_layer.read_soundings(source, context, feedback, fields=("depth", "status"))
    for name in ("x", "y", "depth", "status"):
        # The sounding without a time comes last, though the times are not asked for.
        np.testing.assert_array_equal(getattr(back, name), getattr(soundings, name)[[0, 2, 1]])
    assert np.isnat(back.time).all()
    assert np.isnan(back.water_temp).all()
    assert list(back.visit) == [""] * 3
    some = back.select(np.array([True, False, True]))
    assert (some.lane.tolist(), some.corrections.tolist()) == ([0, 0], ["", ""])


def test_parts_of_a_long_layer_are_joined(write, feedback, monkeypatch, tmp_path):
    from qgis.core import QgsVectorLayer

    n = 25
    long = Soundings.build(
        400000.0 + np.arange(n),
        np.full(n, 5150000.0),
        np.arange(n) / 4.0,
        lane=np.arange(n),
        visit=[f"visit {i // 7}" for i in range(n)],
        raw_depth=np.arange(n),
    )
    results, _ = write(long, {"POINTS": str(tmp_path / "soundings.gpkg")})
    for rows in (7, 25, 30):
        monkeypatch.setattr(columns, "_ROWS", rows)
        _assert_same(_read(QgsVectorLayer(results["POINTS"]), feedback)[0], long)


def test_places_of_any_kind_of_point(memory_layer, feedback):
    layer = memory_layer(
        "MultiPoint",
        ["MULTIPOINT((5 6),(7 8))", "MULTIPOINT EMPTY", None],
        fields="field=depth_m:double",
        rows=[[1.0], [2.0], [3.0]],
    )
    back, _ = _read(layer, feedback)
    np.testing.assert_array_equal(back.x, [5.0, np.nan, np.nan])
    np.testing.assert_array_equal(back.y, [6.0, np.nan, np.nan])
    np.testing.assert_array_equal(back.raw_depth, [1.0, 2.0, 3.0])


@pytest.mark.parametrize(("field", "value"), [("depth_m", "3,5"), ("lane", "north")])
def test_text_that_is_no_number_is_named(memory_layer, feedback, field, value):
    rows = [["3.5", "1"], [None, None], ["4.5", "2"]]
    rows[2][["depth_m", "lane"].index(field)] = value
    layer = memory_layer(
        "Point",
        ["POINT(1 1)"] * 3,
        fields="field=depth_m:string&field=lane:string",
        rows=rows,
        name="typed",
    )
    with pytest.raises(LakefloorError, match=f"'typed', row 3: field '{field}' holds '{value}'"):
        _read(layer, feedback)


def test_layer_without_crs_is_refused(memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(1 1)"],
        crs="",
        fields="field=depth_m:double",
        rows=[[2.5]],
        name="homeless",
    )
    layer.setCrs(QgsCoordinateReferenceSystem())
    with pytest.raises(LakefloorError, match="homeless.*no coordinate reference system"):
        _read(layer, feedback)


def test_layer_without_depth_is_refused(memory_layer, feedback):
    layer = memory_layer("Point", ["POINT(1 1)"], name="marks")
    with pytest.raises(LakefloorError, match="'marks' has no field 'depth_m'"):
        _read(layer, feedback)


def test_self_intersecting_polygon_is_refused(memory_layer, feedback):
    from qgis.core import QgsProcessingFeatureSource

    layer = memory_layer("Polygon", ["POLYGON((0 0,10 10,10 0,0 10,0 0))"], name="shore")
    context = QgsProcessingContext()
    with pytest.raises(LakefloorError, match=r"'shore'.*Self-intersection\[5 5\]"):
        shoreline.read_polygon(QgsProcessingFeatureSource(layer, context), UTM15, context, feedback)


@pytest.fixture(params=[False, True], ids=["GDAL returns errors", "GDAL raises errors"])
def gdal_raises(request):
    """Some plugins, among them QGIS's own tools, ask GDAL to raise its errors."""
    # GDAL wants the switches back in the order in which they were set.
    of_ogr, before = ogr.GetUseExceptions(), gdal.GetUseExceptions()
    if of_ogr:
        ogr.DontUseExceptions()
    (gdal.UseExceptions if request.param else gdal.DontUseExceptions)()
    yield
    (gdal.UseExceptions if before else gdal.DontUseExceptions)()
    if of_ogr:
        ogr.UseExceptions()


def _surface():
    depth = Grid(np.arange(6400.0).reshape(80, 80), 400000.0, 5150000.0, 2.0, 2.0)
    return Surface(depth, depth.like(depth.values * 0.1), depth.like(depth.values * 0))


def test_format_that_cannot_hold_depths_is_named(write, tmp_path, gdal_raises):
    """PNG holds whole numbers from 0 to 65535."""
    with pytest.raises(QgsProcessingException, match=r"'depth\.png' as PNG.*choose a \.tif"):
        write(_surface(), {"RASTER": str(tmp_path / "depth.png")})
    assert os.listdir(tmp_path) == []


def test_damaged_raster_is_named(write, feedback, tmp_path, gdal_raises):
    results, _ = write(_surface(), {"RASTER": str(tmp_path / "depth.tif")})
    layer = QgsRasterLayer(results["RASTER"], "torn surface")
    whole = (tmp_path / "depth.tif").read_bytes()
    (tmp_path / "depth.tif").write_bytes(whole[:100] + bytes(len(whole) - 200) + whole[-100:])
    with pytest.raises(LakefloorError, match="'torn surface' cannot be read"):
        rasters.read_raster(layer, feedback)
    (tmp_path / "depth.tif").unlink()
    with pytest.raises(LakefloorError, match="'torn surface' cannot be read"):
        rasters.read_raster(layer, feedback)


def test_raster_without_depth_is_said(write, feedback, tmp_path):
    values = np.array([[np.nan, np.inf], [np.nan, np.nan]])
    depth = Grid(values, 400000.0, 5150000.0, 2.0, 2.0)
    results, _ = write(Surface(depth, depth, depth), {"RASTER": str(tmp_path / "depth.tif")})
    path = results["RASTER"]
    dataset = gdal.Open(path, gdal.GA_Update)
    dataset.GetRasterBand(1).WriteArray(np.array([[-9999.0, np.inf], [-9999.0, -9999.0]]))
    dataset = None
    back, _, _ = rasters.read_raster(QgsRasterLayer(path, "void"), feedback)
    assert np.isnan(back.depth.values).all()
    assert "'void' holds no depth" in feedback.text


def test_elevations_are_not_taken_for_depths(write, feedback, tmp_path):
    """As a raster of heights above the water would turn each hump into a hole."""
    values = -np.arange(1.0, 101.0).reshape(10, 10)
    values[0, 0] = 1.0
    depth = Grid(values, 400000.0, 5150000.0, 2.0, 2.0)
    results, _ = write(Surface(depth, depth, depth), {"RASTER": str(tmp_path / "depth.tif")})
    layer = QgsRasterLayer(results["RASTER"], "heights")
    with pytest.raises(LakefloorError, match="'heights' are negative.*positive down"):
        rasters.read_raster(layer, feedback)
    back, _, _ = rasters.read_raster(layer, feedback, of_depth=False)
    np.testing.assert_array_equal(back.depth.values, depth.values)


def test_every_reader_asks_for_the_crs(memory_layer, feedback):
    from qgis.core import QgsProcessingFeatureSource

    context = QgsProcessingContext()
    readers = {
        "Point": lambda s: (
            lambda: soundings_layer.read_soundings(s, context, feedback, crs=UTM15),
            lambda: features.read_points(s, UTM15, [], context, feedback),
            lambda: features.read_shapes(s, UTM15, [], context, feedback),
        ),
        "LineString": lambda s: (
            lambda: features.read_lines(s, UTM15, context, feedback),
            lambda: features.read_contours(s, UTM15, "depth_m", context, feedback),
        ),
        "Polygon": lambda s: (lambda: shoreline.read_polygon(s, UTM15, context, feedback),),
    }
    wkts = {
        "Point": "POINT(1 1)",
        "LineString": "LINESTRING(0 0,1 1)",
        "Polygon": "POLYGON((0 0,1 0,1 1,0 0))",
    }
    for kind, calls in readers.items():
        layer = memory_layer(
            kind, [wkts[kind]], crs="", fields="field=depth_m:double", rows=[[1.0]], name="homeless"
        )
        layer.setCrs(QgsCoordinateReferenceSystem())
        for call in calls(QgsProcessingFeatureSource(layer, context)):
            with pytest.raises(LakefloorError, match="'homeless' has no coordinate reference"):
                call()


def test_metres_said_to_be_degrees_are_refused(memory_layer, feedback):
    layer = memory_layer(
        "Point",
        ["POINT(404085 5150362)"],
        crs="EPSG:4326",
        fields="field=depth_m:double",
        rows=[[2.5]],
        name="mislabelled",
    )
    with pytest.raises(LakefloorError, match=r"'mislabelled'.*degrees.*EPSG:4326.*404085, 5150362"):
        _read(layer, feedback)


@pytest.mark.parametrize(
    ("kind", "wkt"), [("Point", "POINT(1 1)"), ("LineString", "LINESTRING(0 0,1 0,1 1,0 0)")]
)
def test_shoreline_that_is_no_polygon_is_refused(memory_layer, feedback, kind, wkt):
    from qgis.core import QgsProcessingFeatureSource

    layer = memory_layer(kind, [wkt], name="walked")
    context = QgsProcessingContext()
    with pytest.raises(LakefloorError, match="'walked' holds no polygon"):
        shoreline.read_polygon(QgsProcessingFeatureSource(layer, context), UTM15, context, feedback)


def test_field_that_is_not_there_is_named(memory_layer, feedback):
    from qgis.core import QgsProcessingFeatureSource

    layer = memory_layer(
        "Point", ["POINT(1 1)"], fields="field=tiefe:double", rows=[[2.5]], name="marks"
    )
    context = QgsProcessingContext()
    source = QgsProcessingFeatureSource(layer, context)
    with pytest.raises(LakefloorError, match="'marks' has no field 'depth'"):
        features.read_points(source, UTM15, ["depth"], context, feedback)


def test_figures_are_plain_numbers(qgis_app, feedback):
    """A numpy number in the results would come out empty in models and headless."""
    with Outputs(Copy().create(), {}, QgsProcessingContext(), feedback) as out:
        out.results["DEPTH"], out.results["COUNT"] = np.float64(1.5), np.int64(3)
    assert {type(value) for value in out.results.values()} == {float, int}


class _Namer(QThread):
    """Names a CRS by a text that no other thread has named, and ends."""

    def __init__(self, name):
        super().__init__()
        self.text = UTM15.toWkt().replace("WGS 84 / UTM zone 15N", f"UTM zone 15N for {name}")

    def run(self):
        self.crs = QgsCoordinateReferenceSystem.fromWkt(self.text)


@pytest.mark.parametrize("name", ["POINTS", "RASTER"])
def test_nothing_is_written_in_a_crs_that_lost_its_definition(write, tmp_path, monkeypatch, name):
    """QGIS drops what it knows of a CRS with the thread that named it first."""
    namer = _Namer(name)
    namer.start()
    namer.wait()
    lost = namer.crs
    if lost.toWkt():
        pytest.skip("this QGIS keeps the CRS of a thread that ended")
    assert lost.isValid()
    monkeypatch.setitem(globals(), "UTM15", lost)
    payload = _surface() if name == "RASTER" else Soundings.build([5e5], [5e6], [3.0])
    path = tmp_path / ("lost.tif" if name == "RASTER" else "lost.gpkg")
    with pytest.raises(QgsProcessingException, match="restart QGIS"):
        write(payload, {name: str(path)})
    assert list(tmp_path.iterdir()) == []
