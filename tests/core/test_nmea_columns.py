"""NMEA 0183 by columns against the same line by line, and numbers against Python's ``float``."""

import sys
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.number_text import finite_number
from lakefloor.algorithms.core.progress import silent
from lakefloor.algorithms.core.reading import nmea_split, nmea_values
from lakefloor.algorithms.core.reading.byte_cells import PADDING, ByteCells
from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log
from lakefloor.algorithms.core.reading.nmea_sentences import collect_sentences
from lakefloor.algorithms.core.reading.parsed_log import UnreadTally

sys.path.insert(0, str(Path(__file__).parent))
from nmea_line_by_line import LineByLine

LOGS = sorted((Path(__file__).resolve().parents[2] / "example_project" / "logs").glob("*.nmea"))


def cells_of(texts):
    """Return texts as cells, with commas between."""
    widths = np.array([len(text) for text in texts])
    stop = np.cumsum(widths + 1) - 1
    buffer = np.frombuffer(b",".join(texts) + b"," + bytes(PADDING), dtype=np.uint8)
    return ByteCells(buffer, stop - widths, stop)


def assert_same_bits(got, expected):
    """NaN is like NaN; 0 is not like -0."""
    got, expected = np.asarray(got), np.asarray(expected, dtype=np.asarray(got).dtype)
    assert got.shape == expected.shape
    np.testing.assert_array_equal(got, expected)
    if got.dtype.kind == "f":
        known = ~np.isnan(got)
        np.testing.assert_array_equal(np.signbit(got[known]), np.signbit(expected[known]))


# -- cells --------------------------------------------------------------------

DECIMAL = st.builds(
    lambda sign, whole, point, after: (sign + whole + point + after).encode(),
    st.sampled_from(["", "", "-", "+"]),
    st.text("0123456789", max_size=17),
    st.sampled_from(["", "."]),
    st.text("0123456789", max_size=17),
)
ODD = st.one_of(
    st.binary(max_size=20).filter(lambda text: b"," not in text),
    st.text("0123456789.+-eE_ naif\t", max_size=12).map(str.encode),
    st.sampled_from([b"", b"1e400", b"1_0", b" 5 ", b"\x005", b"9" * 400, b"0." + b"1" * 400]),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.one_of(DECIMAL, ODD), min_size=1, max_size=30))
def test_numbers_are_those_of_float_to_the_bit(texts):
    assert_same_bits(cells_of(texts).numbers(), [finite_number(text) for text in texts])


@settings(deadline=None)
@given(st.integers(0, 10**14 - 1), st.integers(0, 14))
def test_a_plain_decimal_is_the_double_nearest_to_it(number, decimals):
    digits = f"{number:015d}"[1:]
    text = f"{digits[: 14 - decimals]}.{digits[14 - decimals :]}".encode()
    cells = cells_of([text])
    assert cells.digits.plain.all()
    assert_same_bits(cells.numbers(), [float(text)])


def some(*usual):
    return st.one_of(st.sampled_from(usual), DECIMAL, ODD)


ANGLES = some(
    b"4500.12345", b"09306.5", b"9000.0", b"4560.0", b"18000.00", b"530.0", b"30.0", b"-530.0"
)
TIMES = some(b"100000.00", b"235959.999", b"240000", b"106000", b"100060.9", b"1000.5", b"12.345.6")
DATES = some(b"090726", b"310226", b"010100", b"12.345", b"1 0726", b"-90726", b"0907", b"000000")
LETTERS = st.sampled_from([b"N", b"S", b"E", b"W", b"", b"n", b"NN", b" "])


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(ANGLES, LETTERS), min_size=1, max_size=30))
def test_columns_of_angles_are_those_of_each(rows):
    texts, letters = zip(*rows)
    for both in (b"NS", b"EW"):
        expected = [
            nmea_values.nmea_angle(text, letter) if letter and letter in both else np.nan
            for text, letter in rows
        ]
        assert_same_bits(nmea_values.angles(cells_of(texts), cells_of(letters), both), expected)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.one_of(TIMES, DATES), min_size=1, max_size=30))
def test_columns_of_times_and_dates_are_those_of_each(texts):
    cells = cells_of(texts)
    expected = [nmea_values.time_of_day(text) for text in texts]
    assert_same_bits(nmea_values.times_of_day(cells), expected)
    expected = [nmea_values.short_date(text) for text in texts]
    assert_same_bits(nmea_values.short_dates(cells), expected)


# -- logs ---------------------------------------------------------------------


def sentence(body, tail=None):
    return b"$" + body + (b"*%02X" % reduce(xor, body) if tail is None else tail)


def body(*parts):
    return st.tuples(*parts).map(b",".join)


def usually(usual, *others):
    return st.sampled_from([usual] * 12 + list(others))


def number(usual):
    odd = (
        b"",
        b"-0.3",
        b"+2.5",
        b" 4.0",
        b"nan",
        b"1e3",
        b"1_0",
        b"..5",
        b"x",
        b"0.12345678901234567",
    )
    return usually(usual, *odd)


def fixed(text):
    return st.just(text)


CLOCK = st.integers(0, 40).flatmap(
    lambda i: usually(
        b"%02d%04d.%02d" % (10 + i // 39, i, 3 * i), b"", b"240000", b"1000", b"1 0000"
    )
)
NORTH = usually(
    b"4500.12345", b"4460.0", b"", b"530.5", b" 4500.1", b"0000.0", b"4500.1234567890123"
)
EAST = usually(b"09306.54321", b"18000.1", b"", b"9306.1", b"00000.0", b"abc")
PLACE = (NORTH, usually(b"N", b"S", b"", b"E"), EAST, usually(b"W", b"E", b"", b"N"))
DATE = usually(b"090726", b"", b"310226", b"231106", b"9 0726", b"0907", b"090799")
SPEED = number(b"4.86")
SENTENCES = st.one_of(
    body(
        usually(b"GPGGA", b"GNGGA"),
        CLOCK,
        *PLACE,
        usually(b"1", b"0", b"", b"6", b"2"),
        fixed(b"09"),
    ),
    body(
        usually(b"GPRMC", b"IIRMC"),
        CLOCK,
        usually(b"A", b"V", b""),
        *PLACE,
        SPEED,
        number(b"90.0"),
        DATE,
        fixed(b""),
        fixed(b""),
        usually(b"A", b"E", b"N", b"A,S"),
    ),
    body(usually(b"GPGLL", b"GNGLL"), *PLACE, CLOCK, usually(b"A", b"V"), usually(b"A", b"M", b"")),
    body(
        fixed(b"GPZDA"), CLOCK, number(b"09"), number(b"07"), usually(b"2026", b"26", b"1999", b"")
    ),
    body(
        fixed(b"GPVTG"),
        number(b"90.0"),
        fixed(b"T,,M"),
        SPEED,
        fixed(b"N"),
        number(b"9.0"),
        fixed(b"K"),
    ),
    body(fixed(b"YXMTW"), number(b"18.5"), usually(b"C", b"F", b"")),
    body(
        fixed(b"SDXDR"),
        usually(b"G,0.4,,ECHO,G", b"C,18.2,C,WATER,G", b"C,18.2,C,WATER,A", b"G"),
        usually(b"0.62", b"62", b"-0.1", b"1.2", b"", b"nan"),
        usually(b"", b"P", b"p"),
        usually(b"HARDNESS", b"bottom_hardness", b"ROUGHNESS", b""),
    ),
    body(usually(b"SDDPT", b"IIDPT"), number(b"5.25"), number(b"0.4")),
    body(
        usually(b"SDDBT", b"SDDBS", b"SDDBK"),
        number(b"17.2"),
        usually(b"f", b"M", b""),
        number(b"5.25"),
        usually(b"M", b"F", b"m"),
        number(b"2.8"),
        usually(b"F", b"f"),
    ),
    st.sampled_from(
        [b"GPGSV,3,1,11", b"PGRME,1.0,M", b"SDDPT", b"SDDBT,,f,,M,,F", b"P1DPT,5.0,", b"gpGGA,1"]
    ),
)
LINES = st.builds(
    lambda before, text, tail, end: before + sentence(text, tail) + end,
    usually(b"", b"2026-07-09 ", b"!AIVDM,1,1*00", b"\\s:x*00\\", b"\xb5b\x01", b"$"),
    SENTENCES,
    usually(None, b"", b"*", b"*4", b"*00", b"*zz"),
    usually(b"\r\n", b"\n", b"\r", b"", b"\0\r\n", b"\r\r\n"),
)
SCRAPS = [
    b"",
    b",",
    b"$",
    b"*",
    b"\r",
    b"\n",
    b"\0",
    b"\xff",
    b"$GPGGA,",
    b"9" * 30,
    b"nan",
    b"V",
    b".",
]
EDITS = st.lists(
    st.tuples(st.floats(0.0, 1.0), st.sampled_from([0, 1, 6, 40]), st.sampled_from(SCRAPS)),
    max_size=4,
)


def assert_as_line_by_line(data):
    """Compare all columns, what was not read and where, and what was noted."""
    tally, notes = UnreadTally(), []
    expected = LineByLine(data)
    if not expected.texts:
        with pytest.raises(LakefloorError, match="no NMEA 0183 sentence"):
            collect_sentences(data, tally, notes, silent)
        return
    got = collect_sentences(data, tally, notes, silent)
    assert [data[a:b] for a, b in zip(got.start, got.end)] == expected.texts
    assert got.line.tolist() == expected.lines
    assert list(tally.counts.items()) == list(expected.tally.counts.items())
    assert tally.examples == expected.tally.examples
    assert [note.split()[0] for note in notes] == [str(expected.unchecked)] * (
        expected.unchecked > 0
    )
    assert got.depths.keys() == expected.depths.keys()
    for source, rows in expected.depths.items():
        columns = got.depths[source]
        for column, values in zip(
            (columns.at, columns.value, columns.decimals, columns.offset), zip(*rows)
        ):
            assert_same_bits(column, values)
    assert [(name, at.tolist()) for name, at in got.blanks.items()] == list(expected.blanks.items())
    for table in ("fixes", "timed", "motion", "temperature", "hardness"):
        rows = getattr(expected, table)
        assert {len(column) for column in getattr(got, table)} == {len(rows)}
        for column, values in zip(getattr(got, table), zip(*rows)):
            assert_same_bits(column, values)


@settings(max_examples=100, deadline=None)
@given(st.lists(LINES, min_size=1, max_size=60), EDITS, st.sampled_from([60, 500, 10**6]))
def test_damaged_and_mixed_logs_are_read_as_line_by_line(lines, edits, block):
    data = bytearray(b"".join(lines))
    for place, lost, scrap in edits:
        at = int(place * len(data))
        data[at : at + lost] = scrap
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nmea_split, "BLOCK", block)
        assert_as_line_by_line(bytes(data))


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.name)
def test_the_examples_logs_are_read_as_line_by_line(path):
    assert_as_line_by_line(path.read_bytes())


@pytest.mark.parametrize("block", [1, 70, 1000])
def test_pieces_do_not_show(block, monkeypatch):
    data = LOGS[0].read_bytes()[:20_000]
    whole = parse_nmea_log(data)
    monkeypatch.setattr(nmea_split, "BLOCK", block)
    pieces = parse_nmea_log(data)
    for name, values in vars(whole.soundings).items():
        np.testing.assert_array_equal(getattr(pieces.soundings, name), values)
    assert (pieces.notes, pieces.unread.examples) == (whole.notes, whole.unread.examples)
    np.testing.assert_array_equal(pieces.line, whole.line)


def test_a_long_log_is_left_between_two_pieces(monkeypatch):
    monkeypatch.setattr(nmea_split, "BLOCK", 20_000)
    seen = []

    def stop(fraction):
        seen.append(fraction)
        if len(seen) == 5:
            raise Cancelled

    data = LOGS[0].read_bytes()
    with pytest.raises(Cancelled):
        parse_nmea_log(data, progress=stop)
    assert 0.0 < seen[-1] < 100_000 / len(data)
    seen.clear()
    parse_nmea_log(data, progress=lambda fraction: seen.append(fraction) if fraction else None)
    assert seen == sorted(seen)
    assert len(seen) > len(data) / 20_000


def test_megabytes_without_a_sentence_or_a_line_end_are_passed_over():
    part = LOGS[0].read_bytes()[:4000]
    rubbish = bytes(range(1, 36)) * 90_000 + b"$GPGGA," + b"x" * 3_000_000 + b"\n"
    assert len(parse_nmea_log(part + rubbish + part).soundings) > 10


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_line_ends_without_sentences_are_cut_into_pieces(end, monkeypatch):
    monkeypatch.setattr(nmea_split, "BLOCK", 1000)
    part, seen = b"$GPGGA,1\r\n" + b"$GPGGA,2\r\n", []
    data = part + end * 20_000 + part
    blocks = list(nmea_split.sentence_blocks(data, seen.append))
    lines = np.concatenate([block.line for block in blocks]).tolist()
    assert lines == [1, 2, 20_003, 20_004]
    assert max(len(block.buffer) for block in blocks) <= 1000 + PADDING
    assert len(seen) > len(data) / 1000
