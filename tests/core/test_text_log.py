"""Delimited text: guessed and given columns, units, times and clear refusals."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core import crs, times
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading import text_log
from lakefloor.algorithms.core.reading.column_roles import parse_columns
from lakefloor.algorithms.core.reading.table_cells import parse_angle


def read(text, encoding="utf-8", **options):
    return text_log.parse_text_log(text.encode(encoding), text_log.TextLogOptions(**options))


def stamps(parsed):
    return parsed.soundings.time.astype("datetime64[s]").astype(str).tolist()


def test_names_and_units_are_guessed_and_shown():
    parsed = read(
        "lon,lat,time_utc,depth_ft,water_temp_f,speed_mph,course_deg,hardness,visit\n"
        "-93.1,45.2,2026-07-09T14:23:05Z,10.0,68.0,5.0,271.5,0.4,July\n"
        "-93.2,45.3,2026-07-09T14:23:06.500Z,,68.0,5.0,271.5,0.4,July\n"
    )
    got = parsed.soundings
    assert len(got) == 1
    # NIST SP 811: 1 ft = 0.3048 m, 1 mph = 0.44704 m/s, 68 F = 20 C.
    assert got.raw_depth[0] == pytest.approx(3.048)
    assert got.speed[0] == pytest.approx(2.2352)
    assert got.water_temp[0] == pytest.approx(20.0)
    assert (got.course[0], got.hardness[0], got.visit[0]) == (271.5, 0.4, "July")
    assert stamps(parsed) == ["2026-07-09T14:23:05"]
    assert "depth = 'depth_ft'" in parsed.notes[0]
    assert "Depths are in feet." in parsed.notes
    assert parsed.unread.counts == {"no depth or not a number": 1}
    assert parsed.unread.examples[0].line == 3


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
@pytest.mark.parametrize("separator", [",", ";", "\t", " "])
def test_separators_and_line_ends(end, separator):
    lines = [
        ["Longitude", "Latitude", "Depth(m)"],
        ["-93.1", "45.2", "3.5"],
        ["-93.2", "45.3", "4.5"],
    ]
    parsed = read(end.join(separator.join(cells) for cells in lines) + end)
    np.testing.assert_allclose(parsed.soundings.raw_depth, [3.5, 4.5])
    np.testing.assert_allclose(parsed.soundings.x, [-93.1, -93.2])


@pytest.mark.parametrize(
    ("encoding", "name"),
    [("utf-8", "UTF-8"), ("utf-8-sig", "UTF-8"), ("latin-1", "Latin-1"), ("utf-16", "utf-16")],
)
def test_encodings(encoding, name):
    parsed = read("lat;lon;depth_m\n45° 12.5' N;93° 30' 36\" W;2,5\n", encoding)
    assert parsed.soundings.y[0] == pytest.approx(45 + 12.5 / 60)
    assert parsed.soundings.x[0] == pytest.approx(-93.51)
    assert parsed.soundings.raw_depth[0] == 2.5
    assert parsed.notes[0].startswith(name)


def test_decimal_comma_with_semicolons():
    parsed = read("x_lon;lat;tiefe_depth_m\n8,51;47,25;12,75\n8,52;47,26;13\n")
    np.testing.assert_allclose(parsed.soundings.raw_depth, [12.75, 13.0])
    np.testing.assert_allclose(parsed.soundings.x, [8.51, 8.52])


def test_one_column_with_commas_among_others_with_points():
    parsed = read("lon;lat;depth_m;temp_c\n8.51;47.25;12.75;18,5\n8.52;47.26;13.0;18,25\n")
    np.testing.assert_allclose(parsed.soundings.raw_depth, [12.75, 13.0])
    np.testing.assert_allclose(parsed.soundings.water_temp, [18.5, 18.25])
    # A thousand or one: not a number that anybody can be sure of.
    parsed = read("lon;lat;depth_m;temp_c\n8.51;47.25;12.75;1,234\n8.52;47.26;13.0;18,25\n")
    assert np.isnan(parsed.soundings.water_temp[0])


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("17° 08.0907' N", 17 + 8.0907 / 60),
        ("091° 38.5598' W", -91 - 38.5598 / 60),
        ("45°12'36\"S", -45.21),
        ("W 93 30 36", -93.51),
        ("-93.51", -93.51),
        ("45.5 N", 45.5),
        ("45d30.0N", 45.5),
        ("45:30:00", 45.5),
        ("-93 30", -93.5),
    ],
)
def test_angles(text, degrees):
    assert parse_angle(text) == pytest.approx(degrees, abs=1e-10)


@pytest.mark.parametrize("text", ["", "N", "45° 61' N", "91° N", "-45 N", "x45", "45 30 60", "181"])
def test_malformed_angles_are_nan(text):
    assert np.isnan(parse_angle(text))
    assert np.isnan(parse_angle("45 N", "lon"))


@settings(deadline=None)
@given(st.integers(0, 89), st.integers(0, 599_999), st.sampled_from("NSEW"))
def test_degrees_and_minutes_read_back(degrees, ten_thousandths, letter):
    text = f"{degrees}° {ten_thousandths / 1e4:07.4f}' {letter}"
    sign = -1 if letter in "SW" else 1
    expected = sign * (degrees + ten_thousandths / 6e5)
    assert parse_angle(text) == pytest.approx(expected, abs=1e-10)


def test_no_header_is_read_only_where_it_is_plain():
    row = "$XXODC,{},17° 08.0907' N,091° 38.5598' W,A,{},M,{}\r\n"
    text = row.format("19:32:32", "0.40", "V") + row.format("19:32:33", "10.40", "A")
    parsed = read(text, "latin-1", name_date=np.datetime64("2018-03-13"))
    assert parsed.soundings.raw_depth.tolist() == [0.4, 10.4]
    assert parsed.soundings.status.tolist() == ["flagged by the logger", "accepted"]
    assert stamps(parsed) == ["2018-03-13T19:32:32", "2018-03-13T19:32:33"]
    named = read(text, "latin-1", columns={"depth": "6", "depth_unit": "ft"})
    assert named.soundings.raw_depth[1] == pytest.approx(3.16992)
    with pytest.raises(
        LakefloorError, match=r"columns hold position and depth.*45\.1 \| -93\.1.*lon=2"
    ):
        read("45.1,-93.1,12.5\n45.2,-93.2,13.5\n")


def test_given_columns_by_number_and_name():
    text = (
        "2010\t1\t13\t7\t30\t28\t-37.04636\t-73.5083\t-7.1\t3.3\r"
        "2010\t1\t13\t7\t30\t38\t-37.04634\t-73.50827\t-6.6\tNaN\r"
    )
    columns = parse_columns(
        "year=1, month=2, day=3, hour=4, minute=5, second=6, lat=7, lon=8, depth=10"
    )
    parsed = read(text, columns=columns, time_zone="UTC-03:00")
    assert stamps(parsed) == ["2010-01-13T10:30:28"]
    assert parsed.unread.examples[0].line == 2
    named = read(
        "a,b,c\n45.1,-93.1,10\n",
        columns={"latitude": "A", "lon": "b", "depth": "c", "depth_unit": "ft"},
    )
    assert named.soundings.raw_depth[0] == pytest.approx(3.048)
    with pytest.raises(LakefloorError, match="no column 'd' for depth. Use one of: a, b, c"):
        read("a,b,c\n45.1,-93.1,10\n", columns={"lat": "a", "lon": "b", "depth": "d"})


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("depth", "Write role=column"),
        ("wet=3", "not a column role"),
        ("depth_unit=yd", "not known"),
        ("date_order=xyz", "not known"),
    ],
)
def test_columns_text_refusals(text, reason):
    with pytest.raises(LakefloorError, match=reason):
        parse_columns(text)


def test_preamble_comments_and_trailing_separators():
    parsed = read(
        "Logger 3000\nserial;42\n# a remark\nlon,lat,depth\n-93.1,45.1,2.0,\n"
        "-93.1,45.2,3.0,\n-93.1,45.3,4.0,\n"
    )
    assert len(parsed.soundings) == 3
    commented = read("# lon,lat,depth_ft\n-93.1,45.1,2.0\n-93.1,45.2,3.0\n")
    np.testing.assert_allclose(commented.soundings.raw_depth, [0.6096, 0.9144])


def test_quoted_cells():
    parsed = read('"lon","lat","depth_m","visit"\n"-93.1","45.1","2.0","May, early"\n')
    assert parsed.soundings.visit[0] == "May, early"


def test_half_a_line_at_the_end_and_short_lines():
    parsed = read("lon,lat,depth\n-93.1,45.1,2.0\n-93.1\n-93.1,45.2,3.0\n-93.1,45.")
    assert parsed.unread.counts == {
        "1 column instead of 3": 1,
        "unfinished line at the end of the file": 1,
    }
    assert [e.line for e in parsed.unread.examples] == [3, 5]


def test_flags_and_null_positions():
    parsed = read(
        "lon,lat,depth_m,pos_flag,depth_flag\n-93.1,45.1,2,A,A\n-93.1,45.1,0.4,A,V\n"
        "-93.1,45.1,2,V,A\n0.0,0.0,2,A,A\nx,45.1,2,A,A\n"
    )
    assert parsed.soundings.status.tolist() == ["accepted", "flagged by the logger"]
    assert parsed.unread.counts == {
        "position flagged void by the logger": 1,
        "no position or not a number": 1,
        "position 0, 0 (the GPS receiver had no fix)": 1,
    }


def test_projected_columns_need_their_system():
    text = "Easting,Northing,depth_m\n500000.0,4982950.4002,3.0\n"
    with pytest.raises(
        LakefloorError, match=r"500000, 4982950\.4\. Choose their coordinate reference system"
    ):
        read(text)
    degrees = read("X,Y,depth_m\n-93.1,45.2,3.0\n").soundings
    assert (degrees.x[0], degrees.y[0]) == (-93.1, 45.2)
    got = read(text, source_epsg=32615).soundings
    assert (got.x[0], got.y[0]) == pytest.approx((-93.0, 45.0), abs=1e-8)
    x, _ = crs.project(got.x, got.y, 32615)
    assert x[0] == pytest.approx(500000.0, abs=1e-4)
    with pytest.raises(LakefloorError, match="not degrees"):
        read("lon,lat,depth_m\n500000.0,4982950.4,3.0\n")


def test_units_that_are_not_stated():
    parsed = read("lon,lat,depth,temp,speed\n-93.1,45.1,10,68,2\n")
    assert parsed.soundings.raw_depth[0] == 10.0
    assert parsed.soundings.water_temp[0] == pytest.approx(20.0)
    assert "The depth unit is not stated, so meters are assumed." in parsed.notes
    feet = read("lon,lat,depth\n-93.1,45.1,10\n", depth_unit="ft")
    assert feet.soundings.raw_depth[0] == pytest.approx(3.048)
    assert not [note for note in feet.notes if "not used" in note]
    named = read("lon,lat,depth_m\n-93.1,45.1,10\n", depth_unit="ft")
    assert named.soundings.raw_depth[0] == 10.0
    assert (
        "Column 'depth_m' states that depths are in meters, so the depth unit feet that you chose "
        "is not used. If the log is wrong, correct it there."
    ) in named.notes
    up = read("lon,lat,depth\n-93.1,45.1,-10\n", columns={"depth_sign": "up"})
    assert up.soundings.raw_depth[0] == 10.0


@pytest.mark.parametrize(("logged", "relative"), [(0.4, 0.4), (40, 0.4), (204, 0.8), (510, 1.0)])
def test_hardness_is_relative(logged, relative):
    parsed = read(f"lon,lat,depth,hardness\n-93.1,45.1,10,{logged}\n-93.1,45.1,10,\n")
    assert parsed.soundings.hardness[0] == pytest.approx(relative)
    assert np.isnan(parsed.soundings.hardness[1])
    assert any("Hardness reaches" in note for note in parsed.notes) == (logged > 1)


def test_where_a_depth_is_measured_from():
    surface = read("lon,lat,depth_below_surface_m\n-93.1,45.1,10\n").soundings
    unknown = read("lon,lat,depth\n-93.1,45.1,10\n").soundings
    assert (surface.corrections[0], unknown.corrections[0]) == (
        "from=surface",
        "from=unknown;depth_unit=assumed m",
    )
    stated = read("lon,lat,depth\n-93.1,45.1,10\n", depth_unit="m").soundings
    assert stated.corrections[0] == "from=unknown"


@pytest.mark.parametrize(
    ("header", "cells", "options", "utc"),
    # 09:23:05 CDT is 14:23:05Z: tz database, America/Chicago, UTC-5 in July.
    [
        ("time", "2026-07-09 09:23:05", {"time_zone": "America/Chicago"}, "2026-07-09T14:23:05"),
        ("time", "2026-07-09T09:23:05-05:00", {}, "2026-07-09T14:23:05"),
        (
            "time_utc",
            "2026-07-09 14:23:05",
            {"time_zone": "America/Chicago"},
            "2026-07-09T14:23:05",
        ),
        (
            "date,time",
            "07/09/2026,9:23:05 am",
            {"time_zone": "UTC-05:00", "columns": {"date_order": "mdy"}},
            "2026-07-09T14:23:05",
        ),
        ("date,time", "9.7.2026,14:23:05", {}, "2026-07-09T14:23:05"),
        ("date,time", "07/19/26,14:23:05", {}, "2026-07-19T14:23:05"),
        ("time", "20260709142305", {}, "2026-07-09T14:23:05"),
        ("unix_time", "1783606985", {}, "2026-07-09T14:23:05"),
        ("epoch_ms", "1783606985000", {}, "2026-07-09T14:23:05"),
        ("year,month,day,hour,minute,second", "2026,7,9,14,23,5", {}, "2026-07-09T14:23:05"),
    ],
)
def test_times(header, cells, options, utc):
    assert stamps(read(f"lon,lat,depth,{header}\n-93.1,45.1,2,{cells}\n", **options)) == [utc]


def test_dates_that_can_be_read_two_ways_are_refused():
    with pytest.raises(LakefloorError, match=r"07/09/2026.*date_order=mdy"):
        read("lon,lat,depth,date,time\n-93.1,45.1,2,07/09/2026,14:23:05\n")


def test_time_without_a_date():
    text = "lon,lat,depth,time\n-93.1,45.1,2,23:59:59\n-93.1,45.1,2,00:00:01\n"
    assert np.isnat(read(text).soundings.time).all()
    named = read(text, name_date=np.datetime64("2018-03-13"))
    assert stamps(named) == ["2018-03-13T23:59:59", "2018-03-14T00:00:01"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("\n\n", "no line of data"),
        ("one\ntwo\nthree\n", "not a table"),
        ("lat,lon,name\n45,-93,a\n", "columns hold depth"),
        ("depth,name\n4,a\n", "columns hold position"),
        ("lat,lon,depth\n45,-93,x\n", "No row has both"),
        ("lat,lon,depth\n", "no line of data"),
    ],
)
def test_what_is_missing_is_said(text, reason):
    with pytest.raises(LakefloorError, match=reason):
        read(text)


# -- local time ------------------------------------------------------------------


def local(*texts):
    return np.array(texts, dtype="datetime64[ms]")


def test_repeated_hour_is_resolved_by_the_order_of_logging():
    # tz database: Chicago clocks went from 02:00 CDT back to 01:00 CST on 1 November 2026,
    # so 01:30 is 06:30Z or 07:30Z.
    both = local(
        "2026-11-01T00:50",
        "2026-11-01T01:30",
        "2026-11-01T01:59",
        "2026-11-01T01:10",
        "2026-11-01T01:30",
        "2026-11-01T02:10",
    )
    utc, notes = times.to_utc(both, "America/Chicago")
    assert [str(t)[11:16] for t in utc] == ["05:50", "06:30", "06:59", "07:10", "07:30", "08:10"]
    assert "repeats in America/Chicago: 4." in notes[0]
    second, _ = times.to_utc(local("2026-11-01T01:30", "2026-11-01T02:10"), "America/Chicago")
    assert str(second[0])[11:16] == "07:30"
    first, _ = times.to_utc(local("2026-11-01T00:50", "2026-11-01T01:30"), "America/Chicago")
    assert str(first[1])[11:16] == "06:30"
    alone, notes = times.to_utc(local("2026-11-01T01:30"), "America/Chicago")
    assert str(alone[0])[11:16] == "06:30"
    assert "the first is used" in notes[0]


def test_skipped_hour_is_said():
    _, notes = times.to_utc(local("2026-03-08T02:30"), "America/Chicago")
    assert "do not exist" in notes[0]


@pytest.mark.parametrize("name", ["Lake/Nowhere", "UTC+99", "", "local"])
def test_unknown_time_zones(name):
    with pytest.raises(LakefloorError, match="is not known"):
        times.zone_of(name)


@settings(deadline=None)
@given(
    st.datetimes(
        min_value=np.datetime64("1990-01-01").astype("datetime64[us]").item(),
        max_value=np.datetime64("2037-01-01").astype("datetime64[us]").item(),
    )
)
def test_utc_offsets_agree_with_zoneinfo(moment):
    zoneinfo = pytest.importorskip("zoneinfo")
    from datetime import timezone

    # Times of numpy have no fold: an hour that comes twice is the first, as with fold 0.
    moment = moment.replace(microsecond=0, fold=0)
    utc, _ = times.to_utc(np.array([moment], "datetime64[ms]"), "America/Chicago")
    expected = moment.replace(tzinfo=zoneinfo.ZoneInfo("America/Chicago")).astimezone(timezone.utc)
    assert utc[0] == np.datetime64(expected.replace(tzinfo=None), "ms")


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("NS_20180313155217.txt", "2018-03-13"),
        ("log 2026-07-09.nmea", "2026-07-09"),
        ("20260709_143000.log", "2026-07-09"),
        ("lake_1234567890.txt", None),
        ("a.txt", None),
        ("20260231.log", None),
    ],
)
def test_date_in_name(name, date):
    found = times.date_in_name(name)
    assert found is None if date is None else found == np.datetime64(date)


def test_rows_shorter_than_the_header_with_columns_given_by_number():
    parsed = read(
        "lat,lon,depth,a,b,time\n45.1,-93.1,3.1,1,2,2026-07-09T10:00:00\n45.1,-93.1,3.2,1\n",
        columns={"lat": "1", "lon": "2", "depth": "3"},
    )
    assert parsed.soundings.depth.tolist() == [3.1, 3.2]
    assert stamps(parsed) == ["2026-07-09T10:00:00", "NaT"]


@pytest.mark.parametrize(
    "text",
    [
        "lat,lon\n45.1,-93.1,3.1,7\n45.1,-93.1,3.2,7\n",  # a header shorter than its rows
        "lat,lon,depth,a,b\n45.1,-93.1,3.1\n45.1,-93.1,3.2\n",  # and a longer one
        "45.1,-93.1,3.1\n45.1,-93.1,3.2,1,2,3\n45.1,-93.1,3.3\n",  # none, and one long row
    ],
)
def test_columns_by_number_in_ragged_tables(text):
    got = read(text, columns={"lat": "1", "lon": "2", "depth": "3"}).soundings
    assert got.depth.tolist()[:2] == [3.1, 3.2]


def test_a_line_that_no_csv_reader_takes_is_counted():
    parsed = read(f'lon,lat,depth\n-93.1,45.1,3.0\n-93.1,45.1,"{"x" * 140_000}"\n')
    assert len(parsed.soundings) == 1
    assert parsed.unread.counts == {"no depth or not a number": 1}


@settings(max_examples=100, deadline=None)
@given(
    start=st.integers(0, 86_399),
    steps=st.lists(st.tuples(st.integers(0, 40_000), st.booleans()), min_size=1, max_size=60),
)
def test_midnights_are_counted_whatever_times_are_missing(start, steps):
    moments, known, moment, gap = [start], [True], start, 0
    for step, here in steps:
        # Two midnights in half a day's silence cannot be told: no reading is that far apart.
        gap += step
        if gap >= 43_200:
            step, gap, here = 0, 0, True
        moment += step
        moments.append(moment)
        known.append(here)
        gap = 0 if here else gap
    moments, known = np.array(moments), np.array(known)
    got = times.midnights(np.where(known, moments % 86_400, np.nan))
    np.testing.assert_array_equal(got[known], (moments // 86_400)[known])


def test_a_missing_time_after_midnight_is_no_second_midnight():
    rows = ["23:59:50", "23:59:58"] * 50 + ["00:00:05", "", "00:00:10"]
    parsed = read(
        "lon,lat,depth,time\n" + "".join(f"-93.1,45.1,3.0,{text}\n" for text in rows),
        name_date=np.datetime64("2026-12-31"),
    )
    assert stamps(parsed)[-4:] == [
        "2026-12-31T23:59:58",
        "2027-01-01T00:00:05",
        "NaT",
        "2027-01-01T00:00:10",
    ]


@settings(max_examples=60, deadline=None)
@given(
    moment=st.datetimes(datetime(1975, 1, 1), datetime(2199, 12, 31)),
    exponent=st.sampled_from([0, 3, 6, 9]),
)
def test_unix_time_of_any_unit_agrees_with_the_standard_library(moment, exponent):
    moment = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    number = (moment - datetime(1970, 1, 1)).total_seconds() * 10.0**exponent
    got = times.epoch_ms([number, np.nan, number])
    assert np.isnat(got[1])
    assert abs(got[0].astype(datetime) - moment) <= timedelta(milliseconds=1)


def test_numbers_that_are_no_time_are_left_empty_and_counted(recwarn):
    parsed = read("lon,lat,depth,epoch\n-93.1,45.1,3.0,1e300\n-93.1,45.1,3.0,\n")
    assert stamps(parsed) == ["NaT", "NaT"]
    assert "2 times are missing or unreadable, and left out." in parsed.notes
    day = np.datetime64("2026-07-09")
    parsed = read("lon,lat,depth,time\n-93.1,45.1,3.0,noon\n", name_date=day)
    assert stamps(parsed) == ["NaT"]
    assert not recwarn.list


def test_a_year_of_two_digits_first_is_not_taken_for_a_day():
    text = "lon,lat,depth,date\n-93.1,45.1,3.0,26-07-09\n"
    with pytest.raises(LakefloorError, match="date_order=dmy or date_order=ymd"):
        read(text)
    assert stamps(read(text, columns={"date_order": "ymd"})) == ["2026-07-09T00:00:00"]
    assert stamps(read(text.replace("26-07-09", "26/07/09"))) == ["2009-07-26T00:00:00"]


def test_a_flag_that_most_rows_do_not_bear_marks_the_others():
    rows = "".join(f"-93.1,45.1,3.0,{flag}\n" for flag in "0000V00")
    parsed = read("lon,lat,depth,depth_flag\n" + rows)
    assert (
        parsed.soundings.status.tolist() == ["accepted"] * 4 + [text_log.FLAGGED] + ["accepted"] * 2
    )
    assert any("Most rows have no flag in 'depth_flag'" in note for note in parsed.notes)
    # Where the name or the user says what the mark means, that holds.
    assert read("lon,lat,depth,depth_valid\n" + rows).soundings.accepted.sum() == 0
    given = read("lon,lat,depth,depth_flag\n" + rows, columns={"depth_flag": "4"})
    assert given.soundings.accepted.sum() == 0
