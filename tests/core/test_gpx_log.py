"""GPX with depth in extensions, against GDAL's reader."""

from xml.etree import ElementTree

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.gpx_log import is_gpx, parse_gpx_log

HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"
 xmlns:s="https://example.org/sounder">
"""


def point(i, extension="<s:depth>{}</s:depth>", depth=None, tag="trkpt", extra=""):
    depth = 2.5 + i / 10 if depth is None else depth
    return (
        f'<{tag} lat="{45.1 + i * 1e-5:.7f}" lon="{-93.2 - i * 2e-5:.7f}"><ele>300</ele>'
        f"<time>2026-07-09T14:23:{i:02d}Z</time>{extra}"
        f"<extensions>{extension.format(depth)}</extensions></{tag}>\n"
    )


def document(*points):
    return (HEAD + "<trk><trkseg>\n" + "".join(points) + "</trkseg></trk></gpx>").encode()


def test_track_agrees_with_gdal_and_elementtree(tmp_path):
    ogr = pytest.importorskip("osgeo.ogr")
    data = document(*(point(i) for i in range(20)))
    path = tmp_path / "track.gpx"
    path.write_bytes(data)
    dataset = ogr.Open(str(path))
    layer = dataset.GetLayerByName("track_points")
    expected = [(f.GetGeometryRef().GetX(), f.GetGeometryRef().GetY()) for f in layer]
    got = parse_gpx_log(data).soundings
    np.testing.assert_allclose(np.column_stack((got.x, got.y)), expected, atol=1e-12)
    # Not every GDAL reads extensions: the depths against the standard library's reader.
    depths = [
        float(e.text)
        for e in ElementTree.fromstring(data).iter("{https://example.org/sounder}depth")
    ]
    np.testing.assert_allclose(got.raw_depth, depths)
    assert str(got.time[7]) == "2026-07-09T14:23:07.000"


@pytest.mark.parametrize(
    ("extension", "metres"),
    [
        ("<depth>{}</depth>", 10.0),
        ('<s:depth unit="ft">{}</s:depth>', 3.048),
        ("<s:Sounder><s:WaterDepth>{}</s:WaterDepth></s:Sounder>", 10.0),
        ('<q:water_depth xmlns:q="urn:x" uom="m">{}</q:water_depth>', 10.0),
    ],
)
def test_any_namespace_and_unit(extension, metres):
    got = parse_gpx_log(document(point(1, extension, 10.0))).soundings
    assert got.raw_depth[0] == pytest.approx(metres)
    log = parse_gpx_log(document(point(1, extension, 10.0)), depth_unit="ft")
    default = log.soundings
    stated = "unit" in extension or "uom" in extension
    assert default.raw_depth[0] == pytest.approx(metres if stated else 3.048)
    unused = [note for note in log.notes if "feet that you chose is not used" in note]
    assert len(unused) == (stated and metres == 10.0)


def test_other_values_and_gpx_1_0():
    data = point(
        1,
        "<s:depth>4</s:depth><s:wtemp unit='F'>68</s:wtemp><s:hardness>0.7</s:hardness>",
        extra="<course>271.5</course><speed>2.2</speed>",
    )
    got = parse_gpx_log(document(data)).soundings
    assert got.water_temp[0] == pytest.approx(20.0)
    assert (got.hardness[0], got.course[0], got.speed[0]) == (0.7, 271.5, 2.2)
    assert got.corrections[0] == "from=unknown;depth_unit=assumed m"
    assert parse_gpx_log(document(data), depth_unit="ft").soundings.corrections[0] == "from=unknown"


def test_waypoints_count_only_with_a_depth():
    data = (
        HEAD + point(1, "", tag="wpt") + point(2, tag="wpt") + point(3, tag="wpt") + "</gpx>"
    ).encode()
    parsed = parse_gpx_log(data)
    assert len(parsed.soundings) == 2
    assert not parsed.unread.counts
    assert "2 waypoints" in parsed.notes[0]


def test_track_points_without_depth_or_position_are_counted():
    bad = '<trkpt lat="95" lon="-93"><extensions><depth>3</depth></extensions></trkpt>\n'
    parsed = parse_gpx_log(document(point(1), point(2, ""), bad, point(3, depth="n/a")))
    assert len(parsed.soundings) == 1
    assert parsed.unread.counts == {"no depth in the point": 2, "no position or not a number": 1}
    assert [e.line for e in parsed.unread.examples] == [6, 7, 8]


def test_a_truncated_file_is_read_up_to_the_damage():
    whole = document(*(point(i) for i in range(5)))
    parsed = parse_gpx_log(whole[: whole.index(b"14:23:04") + 3])
    assert len(parsed.soundings) == 4
    (reason,) = parsed.unread.counts
    assert reason.startswith("damaged XML")
    assert parsed.unread.examples[0].line == 9


def test_elevation_is_not_depth():
    with pytest.raises(LakefloorError, match=r"None .* has a depth; elevation is not depth"):
        parse_gpx_log(document(point(1, ""), point(2, "")))
    with pytest.raises(LakefloorError, match="no track, route or waypoint"):
        parse_gpx_log((HEAD + "</gpx>").encode())
    with pytest.raises(LakefloorError, match="in 'yd', which is not a known unit"):
        parse_gpx_log(document(point(1, '<depth unit="yd">{}</depth>')))


def test_recognised_by_content():
    assert is_gpx(document(point(1)))
    assert not is_gpx(b"<kml></kml>")
    assert not is_gpx(b"lon,lat,depth\n")


@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        ("kts", 1852.0 / 3600.0),
        ("knots", 1852.0 / 3600.0),
        ("km/h", 1.0 / 3.6),
        ("kph", 1.0 / 3.6),
        ("mph", 0.44704),
        ("m/s", 1.0),  # NIST SP 811 (2008), appendix B
    ],
)
def test_stated_units_of_speed(unit, factor):
    got = parse_gpx_log(
        document(
            *(
                point(i, f'<s:depth>3.0</s:depth><s:speed unit="{unit}">5</s:speed>')
                for i in range(3)
            )
        )
    ).soundings
    np.testing.assert_allclose(got.speed, 5.0 * factor)


def test_a_unit_that_is_not_known_leaves_the_value_empty_and_says_so():
    parsed = parse_gpx_log(
        document(
            *(
                point(
                    i,
                    '<s:depth>3.0</s:depth><s:speed unit="furlong/h">5</s:speed>'
                    '<s:wtemp unit="K">291</s:wtemp>',
                )
                for i in range(3)
            )
        )
    )
    assert np.isnan(parsed.soundings.speed).all()
    assert np.isnan(parsed.soundings.water_temp).all()
    assert "3 values of speed left out, because the unit 'furlong/h' is not known." in parsed.notes
    assert "3 values of water_temp left out, because the unit 'k' is not known." in parsed.notes
