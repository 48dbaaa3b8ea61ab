"""Waypoints and tracks out and in, in the real QGIS."""

import os
import resource
import signal
from contextlib import contextmanager

import pytest
from osgeo import ogr
from qgis.core import QgsProcessingException, QgsVectorLayer

UTM15 = "EPSG:32615"
FIELDS = "field=name:string&field=note:string&field=symbol:string&field=depth_m:double"

#: A folder that not even an administrator may write to, where it is there (1) or not (0).
NO_ONE_WRITES_TO_PROC = int(os.path.exists("/proc/self"))


@pytest.fixture
def marks(memory_layer):
    # 45 N 93 W in EPSG:32615 is E 500000.0000, N 4982950.4002 (PROJ).
    return memory_layer(
        "Point",
        ["POINT(500000 4982950.4002)", "POINT(500100 4982950)", "POINT(500200 4982950)"],
        fields=FIELDS,
        name="marks",
        rows=[
            ["West hump", "rock & gravel", "hump", 3.6576],
            ["West hump", None, "unknown", None],
            ["Südbucht 湖", "x", None, 3.0],
        ],
    )


@pytest.fixture
def contours(memory_layer):
    return memory_layer(
        "LineString",
        [
            "LINESTRING(500000 4982950,500100 4982950,500100 4983050)",
            "LINESTRING(500300 4982950,500400 4982950)",
            "LINESTRING(500500 4982950,500600 4982950)",
        ],
        fields="field=depth:double&field=unit:string&field=depth_m:double",
        name="contours",
        rows=[[10.0, "ft", 3.048], [12.0, "ft", 3.6576], [10.0, "ft", 3.048]],
    )


@pytest.mark.parametrize("ending", ["gpx", "kml", "csv"])
def test_out_and_in_again(run, tmp_path, marks, contours, ending, feedback):
    path = str(tmp_path / f"marks.{ending}")
    results = run("exportwaypoints", {"INPUT": marks, "LINES": contours, "OUTPUT": path}, feedback)
    assert (results["WAYPOINTS"], results["TRACKS"], results["LINE_POINTS"]) == (3, 2, 7)
    read = run("importwaypoints", {"INPUT": path, "OUTPUT": "memory:", "LINES": "memory:"})
    points = list(read["OUTPUT"].getFeatures())
    assert [p["name"] for p in points] == ["West 12FT", "West hump", "Sudbu 10FT"]
    assert abs(points[0].geometry().asPoint().x() + 93.0) <= 1e-7
    assert abs(points[0].geometry().asPoint().y() - 45.0) <= 1e-7
    assert points[0]["depth_m"] == pytest.approx(3.6576, abs=1e-3)
    assert points[0]["note"] == "rock & gravel"
    assert [p["symbol"] for p in points] == ["Hump", "Waypoint", "Waypoint"]
    lines = list(read["LINES"].getFeatures())
    assert [(f["name"], f["kind"]) for f in lines] == [("10 FT", "track"), ("12 FT", "track")]
    assert [len(f.geometry().asMultiPolyline()) for f in lines] == [2, 1]
    assert lines[0]["depth_m"] == pytest.approx(3.048, abs=1e-3)


def test_ogr_reads_the_file_as_gpx(run, tmp_path, marks, contours):
    path = str(tmp_path / "marks.gpx")
    run(
        "exportwaypoints",
        {"INPUT": marks, "LINES": contours, "OUTPUT": path, "DATUM_ELEVATION": 290.0},
    )
    source = ogr.Open(path)
    names = [f.GetField("name") for f in source.GetLayer("waypoints")]
    assert len(set(names)) == 3
    assert all(len(name) <= 10 for name in names)
    (first, second, _) = source.GetLayer("waypoints")
    assert first.GetField("ele") == pytest.approx(290.0 - 3.6576, abs=1e-3)
    assert second.GetField("ele") is None
    assert first.GetField("time") is None
    assert source.GetLayer("tracks").GetFeatureCount() == 2


def test_routes_and_cut_tracks(run, tmp_path, contours):
    path = str(tmp_path / "lanes.gpx")
    results = run("exportwaypoints", {"LINES": contours, "LINES_AS": "routes", "OUTPUT": path})
    assert (results["ROUTES"], results["TRACKS"]) == (3, 0)
    read = run("importwaypoints", {"INPUT": path, "OUTPUT": "memory:", "LINES": "memory:"})
    assert [f["route"] for f in read["OUTPUT"].getFeatures()][:3] == ["10 FT"] * 3
    results = run("exportwaypoints", {"LINES": contours, "MAX_TRACK_POINTS": 2, "OUTPUT": path})
    assert results["TRACKS"] == 4


def test_a_time_leaves_only_when_chosen(run, tmp_path, memory_layer):
    layer = memory_layer(
        "Point",
        ["POINT(500000 4982950)"],
        rows=[["A", "2026-07-09T14:23:05Z"]],
        fields="field=name:string&field=time:string",
    )
    path = tmp_path / "a.gpx"
    run("exportwaypoints", {"INPUT": layer, "OUTPUT": str(path)})
    assert b"2026" not in path.read_bytes()
    run("exportwaypoints", {"INPUT": layer, "TIME_FIELD": "time", "OUTPUT": str(path)})
    assert b"<time>2026-07-09T14:23:05Z</time>" in path.read_bytes()


@pytest.fixture
def out(tmp_path):
    """A folder for outputs, asserted to hold none at the end of the test."""
    folder = tmp_path / "out"
    folder.mkdir()
    yield folder
    assert os.listdir(folder) == []


@pytest.mark.parametrize(
    ("kind", "wkt", "crs", "word"),
    [
        ("Point", "POINT(0 85)", "EPSG:4326", "no map can be made"),
        ("MultiPoint", "MULTIPOINT((179.9 0),(-179.9 0))", "EPSG:4326", "180 degree"),
        ("Point", "POINT(1 1)", "", "no coordinate reference system"),
        ("LineString", "LINESTRING(0 0,1 1)", "EPSG:4326", "Choose a layer of points"),
    ],
)
def test_layers_that_cannot_leave_are_refused(run, memory_layer, out, kind, wkt, crs, word):
    layer = memory_layer(kind, [wkt], crs=crs, name="odd")
    for ending in ("gpx", "kml", "csv"):
        with pytest.raises(QgsProcessingException, match=word):
            run("exportwaypoints", {"INPUT": layer, "OUTPUT": str(out / f"a.{ending}")})


def test_other_refusals_leave_nothing(run, marks, memory_layer, out, recorder):
    empty = memory_layer("Point", [], name="none")
    for parameters, word in (
        ({"INPUT": empty}, "empty"),
        ({}, "Choose waypoints, lines"),
        ({"INPUT": marks, "OUTPUT": str(out / "a.shp")}, "ends in .gpx"),
        ({"INPUT": marks, "OUTPUT": str(out / "no" / "a.gpx")}, "does not exist"),
        ({"INPUT": marks, "MAX_NAME_LENGTH": 5}, "no room"),
        *[({"INPUT": marks, "OUTPUT": "/proc/a.gpx"}, "may write")] * NO_ONE_WRITES_TO_PROC,
    ):
        with pytest.raises(QgsProcessingException, match=word):
            run("exportwaypoints", {"OUTPUT": str(out / "a.gpx"), **parameters})
    with pytest.raises(QgsProcessingException, match="Cancelled"):
        run("exportwaypoints", {"INPUT": marks, "OUTPUT": str(out / "a.gpx")}, recorder(30))


def test_field_that_is_not_there_is_told(run, contours, out):
    """Not read from whichever field comes last."""
    with pytest.raises(QgsProcessingException, match="has no field 'gone'"):
        run(
            "exportwaypoints",
            {"LINES": contours, "LINE_NAME_FIELD": "gone", "OUTPUT": str(out / "a.gpx")},
        )


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("a.gpx", b"\x89PNG", "a.gpx.*not GPX"),
        ("a.kml", b"hello", "a.kml.*not KML"),
        ("a.csv", b"what,ever\n1,2\n", "a.csv.*no columns"),
        ("b.gpx", b"", "not GPX"),
    ],
)
def test_files_that_are_none_are_refused(run, tmp_path, out, name, content, word):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(QgsProcessingException, match=word):
        run(
            "importwaypoints",
            {"INPUT": str(path), "OUTPUT": str(out / "p.gpkg"), "LINES": str(out / "l.gpkg")},
        )


def test_imported_layers_are_files(run, tmp_path, marks):
    path = str(tmp_path / "marks.gpx")
    run("exportwaypoints", {"INPUT": marks, "OUTPUT": path})
    results = run("importwaypoints", {"INPUT": path, "OUTPUT": str(tmp_path / "p.gpkg")})
    assert QgsVectorLayer(results["OUTPUT"], "p", "ogr").featureCount() == 3


@contextmanager
def small_disk(limit):
    """Let no file grow beyond a number of bytes."""
    soft = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, soft[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, soft)
        signal.signal(signal.SIGXFSZ, handler)


def test_full_disk_leaves_nothing(run, marks, out):
    with small_disk(200), pytest.raises(QgsProcessingException, match="Cannot write 'a.gpx'"):
        run("exportwaypoints", {"INPUT": marks, "OUTPUT": str(out / "a.gpx")})


@pytest.mark.parametrize("limit", [60_000, 150_000, 400_000])
def test_full_disk_leaves_no_half_a_layer(run, out, tmp_path, limit):
    path = tmp_path / "many.csv"
    path.write_text(
        "lon,lat,name\n"
        + "".join(f"{-93 + i * 1e-5:.6f},45,mark {i} with a long name\n" for i in range(5000))
    )
    with small_disk(limit), pytest.raises(QgsProcessingException):
        run("importwaypoints", {"INPUT": str(path), "OUTPUT": str(out / "p.gpkg")})


def test_times_and_layers_of_a_device(run, tmp_path):
    path = tmp_path / "device.gpx"
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.0" xmlns="http://www.topografix.com/GPX/1/0">'
        '<wpt lat="45.5" lon="-93.25"><ele>280</ele><time>2026-07-09T09:23:05-05:00</time>'
        "<name>001</name><cmt>Log</cmt><sym>Flag</sym></wpt><trk><name>ACTIVE LOG</name><trkseg>"
        '<trkpt lat="45" lon="-93"/><trkpt lat="45.1" lon="-93.1"/></trkseg></trk></gpx>'
    )
    read = run("importwaypoints", {"INPUT": str(path), "OUTPUT": "memory:", "LINES": "memory:"})
    (point,) = read["OUTPUT"].getFeatures()
    assert (point["name"], point["note"], point["symbol"]) == ("001", "Log", "Flag")
    assert point["time"].toUTC().toString("yyyy-MM-dd HH:mm:ss") == "2026-07-09 14:23:05"
    assert point["elevation_m"] == 280.0
    assert not point["depth_m"]
    (line,) = read["LINES"].getFeatures()
    assert (line["name"], line["kind"]) == ("ACTIVE LOG", "track")
    assert read["OUTPUT"].crs().authid() == "EPSG:4326"
