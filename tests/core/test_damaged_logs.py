"""Logs with bytes lost, doubled or exchanged: read in part, or refused in words, and no worse."""

import warnings
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.delimited import parse_delimited
from lakefloor.algorithms.core.reading.gpx import parse_gpx
from lakefloor.algorithms.core.reading.nmea import parse_nmea

LOGS = Path(__file__).resolve().parents[2] / "example_project" / "logs"
NMEA = next(
    data for path in sorted(LOGS.rglob("*")) if path.is_file()
    for data in [path.read_bytes()[:8000]] if b"$GP" in data
)
GPX = (
    b'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    + b"".join(
        b'<trkpt lat="45.%04d" lon="-93.1"><time>2026-07-09T14:23:%02dZ</time><extensions>'
        b'<depth unit="ft">%d.5</depth><speed unit="kn">4</speed><wtemp unit="F">70</wtemp>'
        b"</extensions></trkpt>\n" % (i, i, i) for i in range(30)
    ) + b"</trkseg></trk></gpx>"
)
NAMED = (
    b"lon,lat,time_utc,depth_ft,water_temp_f,speed_mph,course_deg,hardness,visit,depth_flag\n"
    + b"".join(b'-93.1,45.%04d,2026-07-09T14:%02d:05Z,%d.0,68.0,5.0,271.5,0.4,"July",A\n'
               % (i, i, i) for i in range(30))
)
COMMAS = b"date;time;lat;lon;depth_m\r\n" + "".join(
    f"09.07.2026;14:{i:02d}:05;45° {i},5' N;93° 5,1' W;{i},3\r\n" for i in range(30)
).encode()
EPOCH = b"epoch x y depth\n" + b"".join(
    b"%d 500000.%d 4980000.5 %d.2\n" % (1783606985 + i, i, i) for i in range(30))
KINDS = {
    "nmea": (NMEA, parse_nmea),
    "gpx": (GPX, parse_gpx),
    "named": (NAMED, parse_delimited),
    "numbered": (NAMED, partial(parse_delimited, columns={"lon": "1", "lat": "2", "depth": "4"})),
    "decimal comma": (COMMAS, partial(
        parse_delimited, name_date=np.datetime64("2026-07-09"), time_zone="America/Chicago")),
    "projected": (EPOCH, partial(parse_delimited, source_epsg=32615)),
}
SCRAPS = st.sampled_from([
    b"", b",", b";", b"\t", b"\n", b"\r", b'"', b"nan", b"inf", b"-", b"1e309", b"9" * 20, b"\0",
    b"\xff", b"<", b">", b"$", b"*", b"A", b"V", b" ", b"24:61", b"2026-02-30", b"/", b"N",
])
EDITS = st.lists(st.tuples(st.floats(0.0, 1.0), st.sampled_from([0, 1, 2, 6, 40]), SCRAPS),
                 min_size=1, max_size=20)


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


def test_undamaged_logs_are_read_whole():
    for data, parse in KINDS.values():
        parsed = parse(data)
        assert len(parsed.soundings) >= 29
        assert not np.isnat(parsed.soundings.time).any()
