"""Names, KML and tables of waypoints."""

import io
import unicodedata
import zipfile
from contextlib import suppress
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.csv_file import csv_document, read_csv
from lakefloor.algorithms.core.exchange.device_names import (
    SYMBOLS,
    device_names,
    plain_symbol,
    plain_text,
)
from lakefloor.algorithms.core.exchange.gpx_file import gpx_document, read_gpx
from lakefloor.algorithms.core.exchange.kml_file import kml_document, read_kml
from lakefloor.algorithms.core.exchange.waypoints import Route, Track, Waypoint, tracks_by_name
from lakefloor.algorithms.core.number_text import rounded_depth_text
from lakefloor.algorithms.core.reading.text_log import parse_text_log

KML = "{http://www.opengis.net/kml/2.2}"


# -- names ------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.text(max_size=30), max_size=30), st.integers(6, 20), st.booleans(), st.booleans()
)
@example([""] * 30, 6, False, True)
def test_names_are_short_unique_and_plain(names, length, plain, ended):
    found = device_names(names, ["4FT"] * len(names) if ended else None, length=length, plain=plain)
    assert len(found) == len(names)
    assert all(0 < len(name) <= length for name in found)
    assert len({name.casefold() for name in found}) == len(found)
    assert all(name == name.strip() for name in found)
    if plain:
        assert all(" " <= c <= "~" for name in found for c in name)
    if ended:
        assert all(name.endswith(" 4FT") for name in found)


def test_names_are_cut_before_the_depth_and_numbered():
    found = device_names(
        ["West hump", "West hump", "west HUMP", ""], ["12FT", "12FT", "9FT", ""], length=10
    )
    assert found == ["West 12FT", "West2 12FT", "west H 9FT", "WPT"]


def test_a_depth_is_not_written_twice():
    assert device_names(["S01 14FT", "14FT"], ["14FT", "14FT"]) == ["S01 14FT", "14FT 14FT"]


def test_plain_letters():
    # Names of places and their usual plain spelling.
    assert plain_text("Ærø Łódź Straße Žižkov Çeşme") == "AEro Lodz Strasse Zizkov Cesme"
    assert plain_text("湖") == ""
    assert device_names(["湖"]) == ["WPT"]
    assert device_names(["湖"], plain=False) == ["湖"]


def test_a_mark_stays_on_its_letter():
    name = "abcd" + unicodedata.normalize("NFD", "q̃") + "z"
    assert device_names([name], length=5, plain=False) == ["abcd"]


def test_names_that_cannot_be_made_are_refused():
    with pytest.raises(LakefloorError, match="too short"):
        device_names(["a"], length=3)
    with pytest.raises(LakefloorError, match="no room"):
        device_names(["a"], ["100 FT DEEP"], length=8)
    with pytest.raises(LakefloorError, match="distinguish"):
        device_names(["a"] * 200, ["9FT"] * 200, length=6)


def test_symbols():
    assert plain_symbol("boat ramp") == "Boat Ramp"
    assert plain_symbol("DROP_OFF") == "Drop-off"
    assert plain_symbol("a thing no device has") == SYMBOLS[0]


def test_depth_text_in_feet_and_metres():
    assert rounded_depth_text(3.6576) == "12 ft"
    assert rounded_depth_text(3.6576, "m") == "3.7 m"
    # A wet place a hair above the datum is not minus nought deep.
    assert (rounded_depth_text(-0.03), rounded_depth_text(-0.03, "m")) == ("0 ft", "0.0 m")
    assert rounded_depth_text(-0.3) == "-1 ft"
    with pytest.raises(LakefloorError, match="fathom"):
        rounded_depth_text(1.0, "fathom")


@pytest.mark.parametrize(("write", "read"), [
    (gpx_document, read_gpx), (kml_document, read_kml), (csv_document, read_csv),
])  # fmt: skip
@settings(max_examples=40, deadline=None)
@given(
    st.one_of(st.floats(-180.0, 179.999999999999), st.floats(179.99999999, 179.999999999999)),
    st.floats(-79.9, 83.9),
)
def test_every_place_on_the_globe_comes_back(write, read, lon, lat):
    (mark,) = read(write([Waypoint(lon, lat, "a")])).waypoints
    # 8 decimals; just short of the antimeridian the place is called by its other name.
    assert abs((mark.lon - lon + 180.0) % 360.0 - 180.0) <= 0.6e-8
    assert mark.lat == pytest.approx(lat, abs=0.6e-8)


def test_lines_of_one_name_stay_apart_in_a_table():
    a, b, c = (np.array([[x, 46.0], [x, 46.1]]) for x in (-94.0, -93.9, -93.8))
    tracks = [Track("12 ft", (a, b), depth=3.6576), Track("12 ft", (c,), depth=3.6576)]
    deeper = Track("12 ft", (c,), depth=7.0)
    routes = [Route("loop", (Waypoint(-94.0, 46.0), Waypoint(x, 46.1))) for x in (-93.9, -93.8)]
    read = read_csv(csv_document([], routes, [*tracks, deeper]))
    one, other = read.tracks
    # Three segments, no line from one to the next.
    assert [s.tolist() for s in one.segments] == [a.tolist(), b.tolist(), c.tolist()]
    assert (one.depth, other.depth) == pytest.approx((3.6576, 7.0), abs=1e-4)
    assert [len(route.points) for route in read.routes] == [2, 2]


def test_depths_that_are_no_numbers_are_counted():
    read = read_csv(b'lon,lat,depth\n-94,46,"1,234.5"\n-94,46,\n-94,46,2.5\n')
    assert read.notes == ("1 of 2 depths unreadable, and left out.",)
    assert [p.depth for p in read.waypoints][2] == 2.5


# -- KML and CSV ------------------------------------------------------------------


def marks():
    time = np.datetime64("2026-07-09T14:23:05.250", "ms")
    waypoints = (
        Waypoint(
            -93.12345678,
            45.00000011,
            'Hump, "west" & <more>',
            "gravel\nand weed",
            "Dot",
            3.6576,
            time,
        ),
        Waypoint(-93.1, 45.1, "Ünïcødé 湖 🐟", elevation=287.5),
    )
    routes = (Route("LANE 1", (Waypoint(-93.1, 45.1, "a"), Waypoint(-93.2, 45.2, "b"))),)
    tracks = (
        Track(
            "12 FT",
            (np.array([[-93.1, 45.1], [-93.2, 45.2]]), np.array([[-93.3, 45.3], [-93.4, 45.4]])),
            "contour",
            3.6576,
        ),
    )
    return waypoints, routes, tracks


@pytest.mark.parametrize(
    ("write", "read"),
    [
        (kml_document, read_kml),
        (csv_document, read_csv),
        (lambda *m: csv_document(*m, depth_unit="m"), read_csv),
    ],
)
def test_round_trip(write, read):
    waypoints, routes, tracks = marks()
    found = read(write(waypoints, routes, tracks))
    assert len(found.waypoints) == 2
    for before, after in zip(waypoints, found.waypoints):
        assert abs(after.lon - before.lon) <= 1e-7
        assert abs(after.lat - before.lat) <= 1e-7
        assert (after.name, after.note, after.symbol) == (before.name, before.note, before.symbol)
        assert after.depth == pytest.approx(before.depth, abs=2e-4, nan_ok=True)
        assert after.elevation == pytest.approx(before.elevation, nan_ok=True)
        assert (after.time == before.time) or (np.isnat(after.time) and np.isnat(before.time))
    assert [(p.lon, p.lat) for p in found.routes[0].points] == [(-93.1, 45.1), (-93.2, 45.2)]
    assert found.tracks[0].depth == pytest.approx(3.6576, abs=2e-4)
    for before, after in zip(tracks[0].segments, found.tracks[0].segments):
        assert after == pytest.approx(before, abs=1e-7)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(), min_size=1, max_size=5))
def test_any_text_makes_readable_files(texts):
    points = [Waypoint(-93.0, 45.0, text, text) for text in texts]
    assert len(read_kml(kml_document(points)).waypoints) == len(texts)
    assert len(read_csv(csv_document(points)).waypoints) == len(texts)


def test_kml_order_and_gdal(tmp_path):
    data = kml_document(*marks())
    # OGC 07-147r2, 9.11: the features' elements before the geometry, in this order.
    order = [
        "name",
        "description",
        "TimeStamp",
        "ExtendedData",
        "Point",
        "LineString",
        "MultiGeometry",
    ]
    for mark in ElementTree.fromstring(data).iter(KML + "Placemark"):
        at = [order.index(e.tag[len(KML) :]) for e in mark]
        assert at == sorted(at)
    ogr = pytest.importorskip("osgeo.ogr")
    path = tmp_path / "marks.kml"
    path.write_bytes(data)
    rows = [f for layer in ogr.Open(str(path)) for f in layer]
    assert len(rows) == 4
    first = next(r for r in rows if r.GetField("Name") == marks()[0][0].name)
    assert first.GetGeometryRef().GetX() == pytest.approx(-93.12345678, abs=1e-8)
    assert first.GetGeometryRef().GetY() == pytest.approx(45.00000011, abs=1e-8)


def test_kmz_and_polygons_are_read():
    kml = (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><name>Bay</name><Polygon>'
        "<outerBoundaryIs><LinearRing><coordinates>-93,45,0 -93.1,45,0 -93,45.1,0 -93,45,0"
        "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>"
    )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as file:
        file.writestr("doc.kml", kml)
    for data in (kml.encode(), packed.getvalue()):
        (track,) = read_kml(data).tracks
        assert track.name == "Bay"
        assert track.segments[0].shape == (4, 2)


def test_tables_of_others_are_read():
    data = "Name;Latitude;Longitude;Depth (ft);Date Time\nA;45° 30' N;93,25;12;2026-07-09 14:23\n"
    (point,) = read_csv(data.encode()).waypoints
    assert (point.name, point.lat, point.lon) == ("A", 45.5, 93.25)
    assert point.depth == pytest.approx(3.6576)
    assert point.time == np.datetime64("2026-07-09T14:23", "ms")


def test_a_line_above_the_header_that_names_one_axis_is_no_header():
    data = b"Lat;;\nname;lat;lon\nHump;45.2;-93.1\n"
    (point,) = read_csv(data).waypoints
    assert (point.name, point.lat, point.lon) == ("Hump", 45.2, -93.1)


@pytest.mark.parametrize(
    ("read", "data", "word"),
    [
        (read_kml, b"", "not KML"),
        (read_kml, b"<gpx/>", "not KML"),
        (read_kml, b"<kml><Placemark>", "damaged"),
        (read_kml, b"<kml/>", "no point"),
        (
            read_kml,
            b"<kml><Placemark><Point><coordinates>a,b</coordinates></Point></Placemark></kml>",
            "not numbers",
        ),
        (read_kml, b"PK\x03\x04 broken", "damaged"),
        (
            read_kml,
            b"<kml><Placemark><LineString><coordinates>179,1 -179,1</coordinates>"
            b"</LineString></Placemark></kml>",
            "180 degree",
        ),
        (read_csv, b"", "no columns"),
        (read_csv, b"a,b\n1,2\n", "no columns"),
        (read_csv, b"lon,lat\n", "no row"),
        (read_csv, b"lon,lat\n-93,x\n", "Row 2"),
        (read_csv, b"lon,lat\n-93,85\n", "no map can be made"),
        (read_csv, b"lon,lat,note\n-93,45," + b"x" * 200_000, "field larger"),
    ],
)
def test_what_cannot_be_read_is_refused(read, data, word):
    with pytest.raises(LakefloorError, match=word):
        read(data)


# -- lines as tracks --------------------------------------------------------------


def test_lines_of_one_contour_are_one_track():
    a, b, c = (np.array([[x, 45.0], [x, 45.1]]) for x in (-93.0, -93.1, -93.2))
    tracks = tracks_by_name([a, b, c], ["10 FT", "12 FT", "10 FT"], [3.048, 3.6576, 3.048])
    assert [(t.name, len(t.segments), t.depth) for t in tracks] == [
        ("10 FT", 2, 3.048),
        ("12 FT", 1, 3.6576),
    ]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(2, 40), min_size=1, max_size=6), st.integers(2, 15))
def test_long_tracks_are_cut_and_stay_whole(lengths, most):
    lines = [
        np.column_stack([np.arange(n) + 100.0 * i, np.zeros(n)]) for i, n in enumerate(lengths)
    ]
    tracks = tracks_by_name(lines, ["A"] * len(lines), [1.0] * len(lines), max_points=most)
    assert all(sum(len(s) for s in t.segments) <= most for t in tracks)

    def steps(segments):
        return sorted((a, b) for s in segments for a, b in zip(s[:-1, 0], s[1:, 0]))

    assert steps([s for t in tracks for s in t.segments]) == steps(lines)


# -- whatever comes ---------------------------------------------------------------


def test_timed_tracks_of_kml_are_read():
    # gx:Track of Google's extension namespace: "lon lat alt" in gx:coord.
    (track,) = read_kml(
        b'<kml xmlns:gx="http://www.google.com/kml/ext/2.2"><Placemark><name>T</name><gx:Track>'
        b"<when>2026-07-09T14:23:05Z</when><gx:coord>-93 45 0</gx:coord>"
        b"<gx:coord>-93.1 45.1 0</gx:coord></gx:Track></Placemark></kml>"
    ).tracks
    assert track.segments[0].tolist() == [[-93.0, 45.0], [-93.1, 45.1]]


def kmz():
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("doc.kml", kml_document(*marks()))
    return packed.getvalue()


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_any_bytes_are_read_or_refused(data):
    """A file cut, mixed up or of another kind never ends in another error."""
    written = data.draw(
        st.sampled_from(
            [gpx_document(*marks()), kml_document(*marks()), csv_document(*marks()), b"", kmz()]
        )
    )
    piece = data.draw(st.binary(max_size=12))
    at = data.draw(st.integers(0, len(written)))
    stop = data.draw(st.integers(at, min(at + 40, len(written))))
    head = data.draw(
        st.sampled_from(
            [
                b"",
                b"<?xml version='1.0' encoding='no-such'?>",
                b"\xff\xfe",
                b"PK\x03\x04",
                b"<gpx ",
                b"<kml ",
            ]
        )
    )
    damaged = head + written[:at] + piece + written[stop:]
    for read in (read_gpx, read_kml, read_csv):
        with suppress(LakefloorError):
            read(damaged)


@pytest.mark.parametrize(
    "header",
    [
        "time,lat,lon,depth_ft",
        "Time (UTC),Latitude,Longitude,Depth (ft)",
        "timestamp,GPS lat,GPS lon,sounding ft",
        "UTC,posLatitude,posLongitude,waterDepth_feet",
        "Date,lat_dd,lng_dd,DBT [feet]",
    ],
)
def test_header_of_a_log_is_a_header_of_places(header):
    """One vocabulary: what is read as a log is read as a table of places, the same."""
    rows = "2025-05-17 14:00:00,46.5,-94.5,10.0\n2025-05-17 14:00:01,46.6,-94.6,20.0\n"
    for separator, before in ((",", ""), (";", ""), ("\t", "exported\n# by hand\n")):
        data = f"{before}{header}\n{rows}".replace(",", separator).encode()
        logged = parse_text_log(data).soundings
        places = read_csv(data).waypoints
        assert [p.lon for p in places] == logged.x.tolist() == [-94.5, -94.6]
        assert [p.lat for p in places] == logged.y.tolist()
        assert [p.depth for p in places] == pytest.approx(logged.depth.tolist())
        # NIST SP 811: 1 ft = 0.3048 m.
        assert places[0].depth == pytest.approx(3.048)
        assert [p.time for p in places] == logged.time.tolist()


def test_date_and_time_of_a_place_may_stand_apart():
    (place,) = read_csv(
        b"Station;Date;Time;Latitude;Longitude\nA;2025-05-17;14:00:30;46,5;-94,5\n"
    ).waypoints
    assert str(place.time) == "2025-05-17T14:00:30.000"
    assert (place.lon, place.lat) == (-94.5, 46.5)


# -- tables at their limits -------------------------------------------------------


@pytest.mark.parametrize("above", [0, 1, 19])
def test_a_header_is_found_below_some_lines(above):
    (point,) = read_csv(b"made by hand\n" * above + b"lon,lat\n-93,45\n").waypoints
    assert (point.lon, point.lat) == (-93.0, 45.0)


def test_a_header_is_not_looked_for_all_the_way_down():
    with pytest.raises(LakefloorError, match="no columns"):
        read_csv(b"made by hand\n" * 20 + b"lon,lat\n-93,45\n")


def test_the_columns_that_a_table_has_are_named():
    with pytest.raises(LakefloorError, match="no columns.*alpha.*beta"):
        read_csv(b"alpha,beta\n1,2\n")


def test_all_depths_that_cannot_be_read_are_counted():
    read = read_csv(b"lon,lat,depth\n-94,46,deep\n-94,46,2.5\n-94,46,3.5\n-94,46,4.5\n")
    assert len(read.notes) == 1
    assert "1 of 4" in read.notes[0]
    assert read_csv(b"lon,lat,depth\n-94,46,2.5\n").notes == ()


def test_single_places_of_a_table_may_lie_on_both_sides_of_the_antimeridian():
    read = read_csv(b"lon,lat\n179,1\n-179,1\n")
    assert [p.lon for p in read.waypoints] == [179.0, -179.0]


def test_a_table_is_written_only_of_places_that_can_be_read_again():
    for bad in (Waypoint(-93.0, 85.0, "a"), Waypoint(-93.0, 95.0, "a")):
        with pytest.raises(LakefloorError):
            csv_document([bad])
    with pytest.raises(LakefloorError, match="fathom"):
        csv_document([Waypoint(-93.0, 45.0, "a")], depth_unit="fathom")


def test_parts_of_one_name_are_numbered_from_one():
    routes = [Route("loop", (Waypoint(-94.0, 46.0), Waypoint(x, 46.1))) for x in (-93.9, -93.8)]
    line = np.array([[-94.0, 46.0], [-94.0, 46.1]])
    text = csv_document([], routes, [Track("12 ft", (line, line))]).decode()
    rows = [row.split(",")[:3] for row in text.splitlines()[1:]]
    assert rows == [["route", "loop", n] for n in "1122"] + [["track", "12 ft", n] for n in "1122"]
