"""Input made to take all memory or time, or to do harm elsewhere: bounded, and refused in words."""

import csv
import io
import re
import struct
import tracemalloc
import zipfile

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core import times, xml_documents
from lakefloor.algorithms.core.correcting.gauge import gauge_numbers, visit_levels
from lakefloor.algorithms.core.errors import EXCERPT, LONGEST, LakefloorError, excerpt, excerpts
from lakefloor.algorithms.core.exchange import kml_file
from lakefloor.algorithms.core.exchange.csv_file import as_text, csv_document, from_text, read_csv
from lakefloor.algorithms.core.exchange.gpx_file import gpx_document, read_gpx
from lakefloor.algorithms.core.exchange.kml_file import kml_document, read_kml
from lakefloor.algorithms.core.exchange.waypoints import Route, Track, Waypoint
from lakefloor.algorithms.core.places.criteria import read_criteria
from lakefloor.algorithms.core.reading import column_roles, table_cells, text_log, text_table
from lakefloor.algorithms.core.reading.gpx_log import parse_gpx_log
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.reading.table_cells import parse_angle
from lakefloor.algorithms.core.reading.text_log import TextLogOptions, parse_text_log
from lakefloor.algorithms.core.soundings import visit_list

LONG = 40_000


def table(n=30, **cells):
    """Return a table whose cells of row 7, by column, are exchanged."""
    rows = ["lon,lat,time,depth_m"]
    for i in range(n):
        row = {
            "lon": "-93.1",
            "lat": f"45.{i:04d}",
            "time": f"2026-07-09T14:{i:02d}:05Z",
            "depth": f"{i}.5",
        }
        if i == 7:
            row.update(cells)
        rows.append(",".join(row.values()))
    return "\n".join(rows).encode()


# -- long cells --------------------------------------------------------------------


class Watched:
    """The module re, or a pattern, that takes no long text."""

    def __init__(self, inner):
        self._inner = inner

    def __getattr__(self, name):
        found = getattr(self._inner, name)
        if name not in ("match", "search", "fullmatch", "findall", "sub"):
            return found

        def call(*arguments):
            assert len(arguments[-1]) <= 64
            return found(*arguments)

        return call


@pytest.fixture
def short_patterns(monkeypatch):
    """Every pattern of the readers of tables refuses a text longer than 64 characters."""
    for module in (text_log, text_table, table_cells, column_roles, times):
        for name, value in list(vars(module).items()):
            if isinstance(value, re.Pattern) and name != "_NAME_DATE":
                monkeypatch.setattr(module, name, Watched(value))
    for module in (text_log, text_table, table_cells, column_roles):
        monkeypatch.setattr(module, "re", Watched(re))
    monkeypatch.setattr(times, "re", Watched(re))


@pytest.mark.parametrize("column", ["lon", "lat", "time", "depth"])
@pytest.mark.parametrize(
    "cell",
    ["9" * LONG + "x", "9" * LONG, " " * LONG + "x", "1 " * LONG, "N" + "1" * LONG, "-" * LONG],
    ids=range(6),
)
def test_no_pattern_looks_at_a_long_cell(short_patterns, column, cell):
    parsed = parse_text_log(table(**{column: cell}))
    if column == "time":
        assert len(parsed.soundings) == 30
        assert np.isnat(parsed.soundings.time[7])
    else:
        assert len(parsed.soundings) == 29
        assert parsed.unread.examples[0].line == 9
        assert len(parsed.unread.examples[0].text) <= EXCERPT


def test_a_long_cell_takes_no_room_in_the_other_rows():
    data = table(2000, depth="9" * 1_000_000)
    tracemalloc.start()
    try:
        assert len(parse_text_log(data).soundings) == 1999
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 60e6  # an array of texts would be 2000 x 4 MB


@pytest.mark.parametrize("cell", ["1" * LONG, "45°" + " " * LONG + "x", "4 " * LONG], ids="abc")
def test_a_long_angle_is_no_angle(short_patterns, cell):
    assert np.isnan(parse_angle(cell))


# -- messages ----------------------------------------------------------------------


@given(st.text() | st.binary(), st.integers(10, 200))
def test_an_excerpt_is_short_and_printable(text, most):
    shown = excerpt(text, most)
    assert len(shown) <= most
    assert shown.isprintable()


def test_what_is_short_is_shown_whole():
    assert excerpt(" depth of 5 m ") == "depth of 5 m"
    assert excerpt("x" * 81) == "x" * 77 + "..."
    assert excerpts("abc") == "a, b, c"
    assert excerpts("x" * 25) == ", ".join("x" * 20) + " and 5 more"
    assert len(str(LakefloorError("x" * 2_000_000))) <= LONGEST


HUGE = "y" * 2_000_000


@pytest.mark.parametrize(
    ("read", "data"),
    [
        (parse_text_log, f"lon,lat,{HUGE}\n1,2,3\n4,5,6\n".encode()),
        (parse_text_log, (HUGE + "\n").encode()),
        (parse_text_log, (";".join(["name"] * 200_000) + "\n").encode() * 2),
        (lambda data: parse_text_log(data, TextLogOptions(columns={"depth": HUGE})), table()),
        (lambda data: parse_text_log(data, TextLogOptions(columns={HUGE: "1"})), table()),
        (
            parse_gpx_log,
            f'<gpx><wpt lat="1" lon="2"><depth unit="{HUGE}">3</depth></wpt></gpx>'.encode(),
        ),
        (read_csv, f"{HUGE},b\n1,2\n".encode()),
        (read_csv, f"lon,lat\n{'y' * 100_000},2\n".encode()),
        (read_gpx, f'<gpx><wpt lat="{HUGE}" lon="2"/></gpx>'.encode()),
        (read_gpx, f'<gpx><{HUGE} x="1" x="2"/></gpx>'.encode()),
        (
            read_kml,
            (
                f"<kml><Placemark><name>{HUGE}</name><Point><coordinates>a,b</coordinates></Point>"
                "</Placemark></kml>"
            ).encode(),
        ),
        (read_kml, f"<kml>&{HUGE};</kml>".encode()),
    ],
    ids=range(12),
)
def test_messages_stay_short_whatever_the_file_holds(read, data):
    with pytest.raises(LakefloorError) as error:
        read(data)
    assert len(str(error.value)) < 2000


def test_notes_and_reports_stay_short(tmp_path):
    (tmp_path / "a.csv").write_text(table().decode().replace("depth_m", "depth " + HUGE))
    for i in range(100):
        (tmp_path / f"b{i:03d}.csv").write_text(f"{HUGE[:1000]}\n{i}")
    reading = read_logs(tmp_path)
    assert len(reading.soundings) == 30
    assert max(map(len, reading.describe())) < 2000
    (tmp_path / "a.csv").unlink()
    with pytest.raises(LakefloorError, match="And 80 more files"):
        read_logs(tmp_path)


# -- packed and nested -------------------------------------------------------------


def kmz(document, method=zipfile.ZIP_DEFLATED):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as packed:
        packed.writestr("doc.kml", document)
    return out.getvalue()


def peak_of(call):
    tracemalloc.start()
    try:
        with pytest.raises(LakefloorError) as error:
            call()
        return str(error.value), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


BOMB = b"<kml>" + b" " * 20_000_000 + b"</kml>"


def test_a_packed_document_is_bounded_by_the_size_it_states(monkeypatch):
    monkeypatch.setattr(kml_file, "_LARGEST", 2_000_000)
    data = kmz(BOMB)
    assert len(data) < 50_000
    message, peak = peak_of(lambda: read_kml(data))
    assert "too large" in message
    assert peak < 3e6


def test_a_packed_document_is_bounded_by_what_it_unpacks_to(monkeypatch):
    monkeypatch.setattr(kml_file, "_LARGEST", 2_000_000)
    data = bytearray(kmz(BOMB))
    at = data.index(b"PK\x01\x02") + 24  # the size in the directory, APPNOTE 4.3.12
    assert struct.unpack_from("<I", data, at) == (len(BOMB),)
    struct.pack_into("<I", data, at, 1000)
    message, peak = peak_of(lambda: read_kml(bytes(data)))
    assert "damaged" in message or "too large" in message
    assert peak < 12e6


def test_a_packed_document_of_another_method_is_refused():
    message, _ = peak_of(lambda: read_kml(kmz(BOMB[:1000], zipfile.ZIP_BZIP2)))
    assert "method" in message


def test_what_is_packed_as_usual_is_read():
    point = Waypoint(-93.1, 45.1, "hump", depth=2.0)
    assert read_kml(kmz(kml_document([point]))).waypoints[0].name == "hump"


@pytest.mark.parametrize("read", [read_gpx, read_kml])
def test_a_document_of_too_many_parts_is_refused(monkeypatch, read):
    monkeypatch.setattr(xml_documents, "_MOST_PARTS", 1000)
    write = gpx_document if read is read_gpx else kml_document
    marks = [Waypoint(-93.1, 45.1, f"p{i}") for i in range(1000)]
    assert len(read(write(marks[:50])).waypoints) == 50
    with pytest.raises(LakefloorError, match="1,000 elements"):
        read(write(marks))


LAUGHS = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
ENTITIES = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY l0 "ha">' + LAUGHS + "]>"
    '<gpx><kml><wpt lat="1" lon="2"><depth>3</depth><name>&l9;</name></wpt></kml></gpx>'
)


@pytest.mark.parametrize("read", [parse_gpx_log, read_gpx, read_kml])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le"])
def test_declared_entities_are_refused_by_every_reader(read, encoding):
    data = ENTITIES.encode(encoding)
    if encoding == "utf-16-le":
        data = b"\xff\xfe" + data
    message, peak = peak_of(lambda: read(data))
    assert "entities" in message
    assert peak < 1e6


@pytest.mark.parametrize("read", [parse_gpx_log, read_gpx, read_kml])
@pytest.mark.parametrize("encoding", ["no-such-code", "cp037", "hex", "idna"])
def test_a_text_encoding_that_is_not_known_is_named(read, encoding):
    data = (
        f'<?xml version="1.0" encoding="{encoding}"?><gpx><kml>'
        '<wpt lat="1" lon="2"><depth>3</depth></wpt></kml></gpx>'
    ).encode()
    with pytest.raises(LakefloorError, match=encoding):
        read(data)


@pytest.mark.parametrize("encoding", ["utf-8", "iso-8859-1", "windows-1252", "us-ascii", "utf-16"])
def test_the_usual_encodings_are_read(encoding):
    data = (
        f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE gpx><gpx>'
        '<wpt lat="1" lon="2"><depth>3</depth></wpt></gpx>'
    ).encode(encoding)
    assert parse_gpx_log(data).soundings.depth[0] == 3.0
    assert len(read_gpx(data).waypoints) == 1


# -- formulas ----------------------------------------------------------------------


TEXTS = st.text(st.sampled_from("=+-@\t'a1 \uff1d"), max_size=6) | st.text(max_size=10)


@settings(max_examples=300, deadline=None)
@given(TEXTS)
@example('=HYPERLINK("https://example.org")')
@example("'=1")
def test_a_text_that_begins_like_a_formula_is_marked_and_read_back(text):
    shown = as_text(text)
    assert not shown.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert from_text(shown) == text


def test_a_table_holds_no_formula_and_is_read_back_unchanged():
    name, note = '=HYPERLINK("https://example.org","x")', "-2+3 of @it"
    waypoints = [
        Waypoint(-93.1, 45.1, name, note, "+flag", 2.5, elevation=-3.0),
        Waypoint(-93.2, -45.1, "'=quoted", "plain"),
    ]
    routes = [Route("@way", (Waypoint(-93.1, 45.1, "-1"), Waypoint(-93.2, 45.2, "+2")))]
    tracks = [Track("=line", (np.array([[-93.1, 45.1], [-93.2, 45.2]]),), "\u2212 no minus")]
    data = csv_document(waypoints, routes, tracks, depth_unit="m")
    rows = list(csv.DictReader(io.StringIO(data.decode())))
    for row in rows:
        for column in ("name", "note", "symbol"):
            assert not row[column].startswith(("=", "+", "-", "@"))
    assert (rows[0]["lon"], rows[0]["elevation_m"]) == ("-93.10000000", "-3")
    marks = read_csv(data)
    assert [(p.name, p.note, p.symbol) for p in marks.waypoints] == [
        (name, note, "+flag"),
        ("'=quoted", "plain", ""),
    ]
    assert marks.waypoints[0].elevation == -3.0
    assert marks.routes[0].name == "@way"
    assert [p.name for p in marks.routes[0].points] == ["-1", "+2"]
    assert (marks.tracks[0].name, marks.tracks[0].note) == ("=line", "\u2212 no minus")


@pytest.mark.parametrize(
    "read",
    [
        lambda long: gauge_numbers([long]),
        lambda long: visit_levels([long, long], [1.0, 2.0]),
        lambda long: read_criteria([(long, "", "", 1)], "m"),
        lambda long: read_criteria([("depth", long, "", 1)], "m"),
        lambda long: read_criteria([("depth", "1", "2", long)], "m"),
    ],
    ids=["level", "visit", "word", "limit", "weight"],
)
def test_a_cell_is_quoted_in_part(read):
    with pytest.raises(LakefloorError) as refused:
        read("x" * LONG)
    assert str(refused.value).count("x") <= EXCERPT + 5
    assert "xxx" in str(refused.value)


def test_names_of_visits_are_quoted_in_part():
    assert len(visit_list(np.array(["x" * LONG, "y" * LONG], dtype=object))) < 3 * EXCERPT
