"""GPX 1.1 written and read, against the schema's rules and GDAL's reader."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.gpx_file import gpx_document, read_gpx
from lakefloor.algorithms.core.exchange.waypoints import Route, Track, Waypoint, bottom_elevation
from lakefloor.algorithms.core.reading.gpx_log import parse_gpx_log

GPX = "{http://www.topografix.com/GPX/1/1}"

# Transcribed from the GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd: the children of
# each type in the order of its xsd:sequence.
_TYPES = """
gpx: metadata wpt rte trk extensions
metadata: name desc author copyright link time keywords bounds extensions
wpt: ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop \
ageofdgpsdata dgpsid extensions
rte: name cmt desc src link number type extensions rtept
trk: name cmt desc src link number type extensions trkseg
trkseg: trkpt extensions
"""
SEQUENCE = {
    name: children.split()
    for name, children in (line.split(":") for line in _TYPES.strip().splitlines())
}
SEQUENCE["rtept"] = SEQUENCE["trkpt"] = SEQUENCE["wpt"]
MANY = {"wpt", "rte", "trk", "rtept", "trkpt", "trkseg", "link"}
DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)$")  # XML Schema part 2, 3.2.3
DATE_TIME = re.compile(r"-?\d{4,}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?$")  # 3.2.7


def check_against_schema(data):
    root = ElementTree.fromstring(data)
    assert root.tag == GPX + "gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    queue = [root]
    while queue:
        element = queue.pop()
        name = element.tag[len(GPX) :]
        if name == "extensions":  # xsd:any namespace="##other"
            assert all(e.tag.startswith("{") and not e.tag.startswith(GPX) for e in element)
            continue
        if name not in SEQUENCE:
            assert len(element) == 0
            if name == "ele":
                assert DECIMAL.match(element.text)
            if name == "time":
                assert DATE_TIME.match(element.text)
            continue
        order = [SEQUENCE[name].index(e.tag[len(GPX) :]) for e in element]
        assert order == sorted(order), f"{name}: {[e.tag for e in element]}"
        single = [e.tag for e in element if e.tag[len(GPX) :] not in MANY]
        assert len(single) == len(set(single))
        if name.endswith("pt"):
            lat, lon = element.get("lat"), element.get("lon")
            assert DECIMAL.match(lat)
            assert DECIMAL.match(lon)
            assert -90 <= float(lat) <= 90
            assert -180 <= float(lon) < 180
        queue += list(element)


def full():
    time = np.datetime64("2026-07-09T14:23:05", "ms")
    waypoints = (
        Waypoint(-93.12345678, 45.00000011, "HUMP 12FT", "gravel & <rock>", "Dot", 3.6576, time),
        Waypoint(-93.1, 45.1, "Ünïcødé 湖 🐟", elevation=287.5),
    )
    routes = (Route("LANE 1", (waypoints[0], Waypoint(-93.2, 45.2, "END")), "to and fro"),)
    tracks = (
        Track(
            "12 FT",
            (np.array([[-93.1, 45.1], [-93.2, 45.2]]), np.array([[-93.3, 45.3]])),
            "contour",
            3.6576,
        ),
    )
    return waypoints, routes, tracks, time


def test_document_follows_the_schema():
    waypoints, routes, tracks, time = full()
    check_against_schema(gpx_document(waypoints, routes, tracks, title="Lake", note="n", time=time))
    check_against_schema(gpx_document())


def test_the_checker_itself_refuses_a_wrong_order():
    wrong = gpx_document(full()[0]).replace(b"<wpt", b"<rte/><wpt", 1)
    with pytest.raises(AssertionError):
        check_against_schema(wrong)


def test_round_trip():
    waypoints, routes, tracks, time = full()
    read = read_gpx(gpx_document(waypoints, routes, tracks))
    first, second = read.waypoints
    assert abs(first.lon + 93.12345678) < 1e-8
    assert abs(first.lat - 45.00000011) < 1e-8
    assert (first.name, first.note, first.symbol) == ("HUMP 12FT", "gravel & <rock>", "Dot")
    assert first.depth == pytest.approx(3.6576, abs=1e-4)
    assert first.time == time
    assert np.isnan(first.elevation)
    assert second.name == "Ünïcødé 湖 🐟"
    assert np.isnat(second.time)
    assert second.elevation == 287.5
    assert [p.name for p in read.routes[0].points] == ["HUMP 12FT", "END"]
    assert read.routes[0].note == "to and fro"
    assert [len(s) for s in read.tracks[0].segments] == [2, 1]
    assert read.tracks[0].depth == pytest.approx(3.6576)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-93.5, -93.0), st.floats(44.5, 45.5), st.text()), min_size=1, max_size=5
    )
)
def test_any_name_gives_a_valid_document_and_exact_places(places):
    data = gpx_document([Waypoint(lon, lat, name, name, name) for lon, lat, name in places])
    check_against_schema(data)
    for (lon, lat, _), read in zip(places, read_gpx(data).waypoints):
        assert abs(read.lon - lon) <= 1e-7
        assert abs(read.lat - lat) <= 1e-7


def test_gdal_reads_the_same(tmp_path):
    ogr = pytest.importorskip("osgeo.ogr")
    waypoints, routes, tracks, _ = full()
    path = tmp_path / "marks.gpx"
    path.write_bytes(gpx_document(waypoints, routes, tracks))
    source = ogr.Open(str(path))
    rows = list(source.GetLayer("waypoints"))
    assert [r.GetField("name") for r in rows] == [w.name for w in waypoints]
    assert rows[0].GetField("sym") == "Dot"
    assert rows[0].GetField("cmt") == "12 ft"
    assert rows[0].GetField("ele") is None
    assert rows[1].GetField("ele") == 287.5
    assert rows[0].GetGeometryRef().GetX() == pytest.approx(-93.12345678, abs=1e-8)
    assert source.GetLayer("tracks").GetFeatureCount() == 1
    assert source.GetLayer("routes").GetFeatureCount() == 1


def test_the_log_reader_takes_the_depth():
    parsed = parse_gpx_log(gpx_document(full()[0]))
    assert parsed.soundings.depth == pytest.approx([3.6576], abs=1e-4)


def test_depth_is_no_elevation():
    # A datum at 290 m above sea level and 12.3 m of water: the bottom is at 277.7 m.
    assert bottom_elevation(12.3, 290.0) == pytest.approx(277.7)
    assert b"<ele>" not in gpx_document([Waypoint(-93, 45, depth=12.3)])


@pytest.mark.parametrize(
    ("points", "word"),
    [
        ([(179.9, 45.0), (-179.9, 45.0)], "180 degree"),
        ([(-93.0, 85.0)], "no map can be made"),
        ([(-93.0, -81.0)], "no map can be made"),
        ([(404085.5, 5150362.4)], "not on the globe"),
        ([(float("nan"), 45.0)], "not on the globe"),
    ],
)
def test_places_that_no_device_takes_are_refused(points, word):
    with pytest.raises(LakefloorError, match=word):
        gpx_document([Waypoint(lon, lat) for lon, lat in points])
    with pytest.raises(LakefloorError, match=word):
        gpx_document(tracks=[Track("T", (np.array(points),))])


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "not GPX"),
        (b"PNG\x89 not at all", "not GPX"),
        (b"<kml><Placemark/></kml>", "not GPX"),
        (b"<gpx><wpt lat='45' lon='-93'>", "damaged"),
        (b"<gpx></gpx>", "no waypoint"),
        (b"<gpx><wpt lat='x' lon='-93'/></gpx>", "no position"),
        (b"<!DOCTYPE g [<!ENTITY a 'b'>]><gpx><wpt lat='1' lon='2'/></gpx>", "entities"),
    ],
)
def test_what_is_no_gpx_is_refused(data, word):
    with pytest.raises(LakefloorError, match=word):
        read_gpx(data)
