"""Logs with bytes lost, doubled or exchanged: read in part, or refused in words, and no worse."""

import io
import warnings
import zipfile
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.csv_file import csv_document, read_csv
from lakefloor.algorithms.core.exchange.gpx_file import gpx_document, read_gpx
from lakefloor.algorithms.core.exchange.kml_file import kml_document, read_kml
from lakefloor.algorithms.core.exchange.waypoints import Route, Track, Waypoint
from lakefloor.algorithms.core.reading.gpx_log import parse_gpx_log
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log
from lakefloor.algorithms.core.reading.text_log import TextLogOptions, parse_text_log

LOGS = Path(__file__).resolve().parents[2] / "example_project" / "logs"
NMEA = next(
    data
    for path in sorted(LOGS.rglob("*"))
    if path.is_file()
    for data in [path.read_bytes()[:8000]]
    if b"$GP" in data
)
GPX = (
    b'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    + b"".join(
        b'<trkpt lat="45.%04d" lon="-93.1"><time>2026-07-09T14:23:%02dZ</time><extensions>'
        b'<depth unit="ft">%d.5</depth><speed unit="kn">4</speed><wtemp unit="F">70</wtemp>'
        b"</extensions></trkpt>\n" % (i, i, i)
        for i in range(30)
    )
    + b"</trkseg></trk></gpx>"
)
NAMED = (
    b"lon,lat,time_utc,depth_ft,water_temp_f,speed_mph,course_deg,hardness,visit,depth_flag\n"
    + b"".join(
        b'-93.1,45.%04d,2026-07-09T14:%02d:05Z,%d.0,68.0,5.0,271.5,0.4,"July",A\n' % (i, i, i)
        for i in range(30)
    )
)
COMMAS = (
    b"date;time;lat;lon;depth_m\r\n"
    + "".join(
        f"09.07.2026;14:{i:02d}:05;45° {i},5' N;93° 5,1' W;{i},3\r\n" for i in range(30)
    ).encode()
)
EPOCH = b"epoch x y depth\n" + b"".join(
    b"%d 500000.%d 4980000.5 %d.2\n" % (1783606985 + i, i, i) for i in range(30)
)


def with_options(**options):
    return partial(parse_text_log, options=TextLogOptions(**options))


KINDS = {
    "nmea": (NMEA, parse_nmea_log),
    "gpx": (GPX, parse_gpx_log),
    "named": (NAMED, parse_text_log),
    "numbered": (NAMED, with_options(columns={"lon": "1", "lat": "2", "depth": "4"})),
    "decimal comma": (
        COMMAS,
        with_options(name_date=np.datetime64("2026-07-09"), time_zone="America/Chicago"),
    ),
    "projected": (EPOCH, with_options(source_epsg=32615)),
}
SCRAPS = st.sampled_from(
    [
        b"",
        b",",
        b";",
        b"\t",
        b"\n",
        b"\r",
        b'"',
        b"nan",
        b"inf",
        b"-",
        b"1e309",
        b"9" * 20,
        b"\0",
        b"\xff",
        b"<",
        b">",
        b"$",
        b"*",
        b"A",
        b"V",
        b" ",
        b"24:61",
        b"2026-02-30",
        b"/",
        b"N",
        b"\x1c",
        b"\x1f",
        b"\x0b",
        b"\x85",
        b"\xc2\xa0",
        b"\xd9\xa1",
        b"9" * 400,
        b"&",
        b"&#0;",
        b"+99:99",
        b'encoding="cp0"',
        b'<?xml version="1.0" encoding="hex"?>',
        b"<!ENTITY a 'b'>",
        b"]]>",
        b"e999",
    ]
)
EDITS = st.lists(
    st.tuples(st.floats(0.0, 1.0), st.sampled_from([0, 1, 2, 6, 40]), SCRAPS),
    min_size=1,
    max_size=20,
)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=60, deadline=None)
@given(edits=EDITS)
def test_damage_is_told_and_never_made_into_numbers(kind, edits):
    data, parse = KINDS[kind]
    data = bytearray(data)
    for place, lost, scrap in edits:
        at = int(place * len(data))
        data[at : at + lost] = scrap
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            got = parse(bytes(data)).soundings
        except LakefloorError:
            return
    assert len(got)
    for values in (got.x, got.y, got.depth, got.raw_depth):
        assert np.isfinite(values).all()
    assert (np.abs(got.x) <= 180.0).all()
    assert (np.abs(got.y) <= 90.0).all()


MARKS = (
    [
        Waypoint(
            -93.1,
            45.1 + i / 1000,
            f"p{i}",
            "note",
            "flag",
            2.0 + i,
            np.datetime64("2026-07-09T14:23:05", "ms"),
            280.0,
        )
        for i in range(8)
    ],
    [Route("way", tuple(Waypoint(-93.1, 45.1 + i / 1000, f"r{i}") for i in range(4)), "round")],
    [Track("10 ft", (np.array([[-93.1, 45.1], [-93.2, 45.2], [-93.3, 45.2]]),), "line", 3.0)],
)


def packed(document):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", document)
    return out.getvalue()


EXCHANGED = {
    "gpx": (gpx_document(*MARKS), read_gpx),
    "kml": (kml_document(*MARKS), read_kml),
    "kmz": (packed(kml_document(*MARKS)), read_kml),
    "csv": (csv_document(*MARKS), read_csv),
}


@pytest.mark.parametrize("kind", EXCHANGED)
@settings(max_examples=60, deadline=None)
@given(edits=EDITS)
def test_damaged_waypoints_are_read_in_part_or_refused(kind, edits):
    data, read = EXCHANGED[kind]
    data = bytearray(data)
    for place, lost, scrap in edits:
        at = int(place * len(data))
        data[at : at + lost] = scrap
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            marks = read(bytes(data))
        except LakefloorError:
            return
    for point in marks.waypoints:
        assert abs(point.lon) <= 180.0
        assert abs(point.lat) <= 90.0


def test_undamaged_waypoints_are_read_whole():
    for data, read in EXCHANGED.values():
        marks = read(data)
        assert (len(marks.waypoints), len(marks.routes), len(marks.tracks)) == (8, 1, 1)


def test_one_bad_file_never_stops_the_others(tmp_path):
    """Files that once ended the import of all with a traceback, and one of every damage."""
    (tmp_path / "good.nmea").write_bytes(NMEA)
    (tmp_path / "good.csv").write_bytes(NAMED)
    (tmp_path / "encoding.gpx").write_bytes(
        GPX.replace(b'?xml version="1.0"', b'?xml version="1.0" encoding="no-such-code"')
    )
    (tmp_path / "control.csv").write_bytes(NAMED.replace(b",7.0,", b",\x1f7.0,"))
    (tmp_path / "entities.gpx").write_bytes(
        GPX.replace(b"<gpx", b"<!DOCTYPE gpx [<!ENTITY a 'b'>]><gpx", 1)
    )
    (tmp_path / "binary.log").write_bytes(bytes(range(256)) * 40)
    reading = read_logs(tmp_path, depth_unit="m")
    reports = {Path(r.name).name: r for r in reading.files}
    assert reports["good.nmea"].soundings > 10
    assert reports["good.csv"].soundings == 30
    assert reports["control.csv"].soundings == 29
    (line,) = [u for u in reading.unread if u.file.endswith("control.csv")]
    assert (line.line, line.reason) == (9, "no depth or not a number")
    for name, reason in (
        ("encoding.gpx", "no-such-code"),
        ("entities.gpx", "entities"),
        ("binary.log", "binary"),
    ):
        assert reports[name].kind == "not read"
        assert reason in reports[name].notes[0]


def test_what_no_reader_foresaw_is_told_with_the_file(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_bytes(NAMED)
    (tmp_path / "b.gpx").write_bytes(GPX)

    def fails(*_, **__):
        raise ZeroDivisionError("x" * 1000)

    monkeypatch.setattr("lakefloor.algorithms.core.reading.logs.parse_gpx_log", fails)
    reading = read_logs(tmp_path)
    assert len(reading.soundings) == 30
    assert "ZeroDivisionError" in reading.files[1].notes[0]
    assert len(reading.files[1].notes[0]) < 200
    (tmp_path / "a.csv").unlink()
    with pytest.raises(LakefloorError, match="(?s)No log could be read.*b.gpx.*ZeroDivision"):
        read_logs(tmp_path)


def test_undamaged_logs_are_read_whole():
    for data, parse in KINDS.values():
        parsed = parse(data)
        assert len(parsed.soundings) >= 29
        assert not np.isnat(parsed.soundings.time).any()
