"""NMEA 0183 against worked sentences, pynmea2 and logs made with known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.progress import silent
from lakefloor.algorithms.core.reading import nmea_log
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.nmea_split import sentence_blocks
from lakefloor.algorithms.core.reading.nmea_values import nmea_angle

# Worked sentences as printed in receiver manuals and in the test files of NMEA
# libraries (pynmea2 and others); the checksum is part of each.
WORKED = [
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
    "$GPZDA,201530.00,04,07,2002,00,00*60",
    "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
    "$SDDBT,7.8,f,2.4,M,1.3,F*0D",
    "$SDDBT,17.0,f,5.1,M,2.8,F*3E",
    "$SDDPT,2.4,-0.3*7F",
    "$SDDBS,8.8,f,2.7,M,1.5,F*00",
    "$SDDBK,7.5,f,2.3,M,1.3,F*18",
    "$YXMTW,18.5,C*1E",
    # NOAA NCEI format note for shipboard echo sounder logs.
    "$SDDPT,0006.29,002.40*6C",
]
# Printed with a wrong checksum in the documentation of published libraries.
MISPRINTED = [
    ("$SDDBT,12.3,f,3.7,M,2.0,F*35", 0x30),
    ("$SDDBS,15.8,f,4.8,M,2.6,F*09", 0x35),
    ("$SDDPT,4.2,0.5,*4F", 0x78),
]


def sentence(body):
    return f"${body}*{sentence_checksum(body):02X}"


def ddmm(value, width):
    degrees = int(abs(value))
    return f"{degrees:0{width}d}{(abs(value) - degrees) * 60:09.6f}"


def rmc(
    seconds, lon=-93.0, lat=45.0, date="090726", talker="GP", speed="4.3", course="90.0", status="A"
):
    clock = f"{seconds // 3600 % 24:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.00"
    return sentence(
        f"{talker}RMC,{clock},{status},{ddmm(lat, 2)},{'N' if lat >= 0 else 'S'},"
        f"{ddmm(lon, 3)},{'E' if lon >= 0 else 'W'},{speed},{course},{date},,,A"
    )


def gga(seconds, lon=-93.0, lat=45.0, quality=1, talker="GP"):
    clock = f"{seconds // 3600 % 24:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}"
    return sentence(
        f"{talker}GGA,{clock},{ddmm(lat, 2)},N,{ddmm(lon, 3)},W,{quality},08,0.9,300,M,0,M,,"
    )


def dbt(metres, talker="SD"):
    return sentence(f"{talker}DBT,{metres / 0.3048:.1f},f,{metres:.2f},M,{metres / 1.8288:.1f},F")


def log(*lines):
    return ("\r\n".join(lines) + "\r\n").encode("ascii")


@pytest.mark.parametrize("text", WORKED)
def test_checksum_of_worked_sentences(text):
    body, _, stated = text[1:].partition("*")
    assert sentence_checksum(body) == int(stated, 16)


@pytest.mark.parametrize(("text", "right"), MISPRINTED)
def test_misprinted_sentences_are_refused_and_counted(text, right):
    assert sentence_checksum(text[1:].partition("*")[0]) == right
    parsed = nmea_log.parse_nmea_log(log(rmc(10), dbt(3.0), rmc(11), text, rmc(12)))
    assert len(parsed.soundings) == 1
    assert parsed.unread.counts == {"wrong checksum": 1}
    assert (parsed.unread.examples[0].line, parsed.unread.examples[0].text) == (4, text)


PLAIN = "".join(chr(c) for c in range(32, 127) if chr(c) not in "$*!")


@settings(deadline=None)
@given(st.text(PLAIN, min_size=1))
def test_checksum_agrees_with_pynmea2(body):
    pynmea2 = pytest.importorskip("pynmea2")
    assert sentence_checksum(body) == pynmea2.NMEASentence.checksum(body)


@settings(deadline=None)
@given(st.integers(0, 179), st.integers(0, 59_999_999), st.sampled_from("EW"))
def test_angle_reads_back_what_was_written(degrees, micro_minutes, hemisphere):
    text = f"{degrees:03d}{micro_minutes / 1e6:09.6f}"
    expected = (degrees + micro_minutes / 6e7) * (-1 if hemisphere == "W" else 1)
    assert nmea_angle(text, hemisphere) == pytest.approx(expected, abs=1e-11)


def test_degrees_may_lack_their_zeros():
    assert nmea_angle("530.0", "N") == 5.5
    assert nmea_angle("730.0", "W") == -7.5
    # Without a digit of degrees nobody knows which digits are minutes.
    assert np.isnan(nmea_angle("30.0", "N"))


@pytest.mark.parametrize(
    ("text", "hemisphere"),
    [
        ("4860.000", "N"),
        ("9100.000", "N"),
        ("18100.0", "E"),
        ("4807.038", ""),
        ("", "N"),
        ("ab07.038", "N"),
        ("-4807.038", "N"),
    ],
)
def test_malformed_angles_are_nan(text, hemisphere):
    assert np.isnan(nmea_angle(text, hemisphere))


def test_positions_speed_and_course_agree_with_pynmea2():
    pynmea2 = pytest.importorskip("pynmea2")
    lines = [
        rmc(s, -93.0 - s * 1.37e-5, 45.0 + s * 2.11e-5, speed=f"{4 + s / 10}", course=f"{80 + s}")
        for s in range(30)
    ]
    # Both fixes have the same time: the depth between them lies on the fix.
    doubled = [x for line in lines for x in (line, dbt(5.0), line)]
    got = nmea_log.parse_nmea_log(log(*doubled)).soundings
    expected = [pynmea2.parse(line) for line in lines]
    np.testing.assert_allclose(got.x, [m.longitude for m in expected], atol=1e-9)
    np.testing.assert_allclose(got.y, [m.latitude for m in expected], atol=1e-9)
    np.testing.assert_allclose(got.speed, [m.spd_over_grnd * 1852 / 3600 for m in expected])
    np.testing.assert_allclose(got.course, [m.true_course for m in expected])
    stamps = [np.datetime64(f"{m.datestamp}T{m.timestamp.strftime('%H:%M:%S')}") for m in expected]
    assert (got.time == np.array(stamps, "datetime64[ms]")).all()


def test_worked_positions():
    # Values as printed with the sentences: 48 07.038 N 11 31.000 E and so on.
    for line, lat, lon in [
        (WORKED[0], 48.1173, 11.5166667),
        (WORKED[5], 49.2741667, -123.1853333),
        (WORKED[6], -19.4840833, 24.1751),
    ]:
        got = nmea_log.parse_nmea_log(log(line, dbt(2.0), line)).soundings
        assert (got.y[0], got.x[0]) == pytest.approx((lat, lon), abs=5e-8)


def test_depth_gets_time_and_position_between_fixes():
    # By hand: 1 of 4 steps after the fix at 36000 s, and a fix 1 s later 0.0004 degree east.
    data = log(
        rmc(36_000),
        dbt(4.0),
        "$GPXXX,1*" + f"{sentence_checksum('GPXXX,1'):02X}",
        dbt(6.0),
        rmc(36_001, lon=-92.9996),
    )
    got = nmea_log.parse_nmea_log(data).soundings
    np.testing.assert_allclose(got.x, [-92.9999, -92.9997], atol=1e-9)
    assert got.time.astype(str).tolist() == ["2026-07-09T10:00:00.250", "2026-07-09T10:00:00.750"]
    np.testing.assert_allclose(got.raw_depth, [4.0, 6.0])
    assert set(got.corrections) == {"from=transducer"}


def test_dpt_offset_to_the_waterline_is_added_and_to_the_keel_is_not():
    # NMEA 0183: positive from transducer to waterline, negative from transducer to keel.
    got = nmea_log.parse_nmea_log(log(rmc(1), WORKED[-1], WORKED[9], rmc(2))).soundings
    np.testing.assert_allclose(got.raw_depth, [6.29, 2.4])
    np.testing.assert_allclose(got.depth, [8.69, 2.4])
    assert got.corrections.tolist() == ["from=transducer;offset_m=2.400", "from=transducer"]


@pytest.mark.parametrize(
    ("line", "metres", "origin"),
    [
        (WORKED[7], 7.8 * 0.3048, "transducer"),
        (WORKED[10], 8.8 * 0.3048, "surface"),
        (WORKED[11], 7.5 * 0.3048, "keel"),
        ("$SDDBT,,f,2.4,M,,F", 2.4, "transducer"),
        ("$SDDBT,8,f,2.44,M,1,F", 2.44, "transducer"),
    ],
)
def test_the_finest_field_is_read(line, metres, origin):
    # 0.1 ft is 0.03 m, finer than 0.1 m and 0.1 fathom; 0.01 m is finer than a foot.
    if "*" not in line:
        line = sentence(line[1:])
    got = nmea_log.parse_nmea_log(log(rmc(1), line, rmc(2))).soundings
    assert got.raw_depth[0] == pytest.approx(metres, abs=1e-12)
    assert got.corrections[0] == f"from={origin}"


def test_two_kinds_of_depth_are_never_mixed():
    lines = []
    for s in range(10):
        lines += [rmc(s), sentence(f"SDDPT,{5 + s / 10:.1f},0.4"), dbt(5 + s / 10)]
    parsed = nmea_log.parse_nmea_log(log(*lines, rmc(10)))
    assert len(parsed.soundings) == 10
    assert set(parsed.soundings.corrections) == {"from=transducer"}
    assert any("10 depths of SDDPT not used" in note for note in parsed.notes)
    assert any("0.40 m below the waterline" in note for note in parsed.notes)


def test_blank_depths_are_counted_once_a_ping():
    blank = [sentence("SDDPT,,0.4"), sentence("SDDBT,,f,,M,,F")]
    parsed = nmea_log.parse_nmea_log(log(rmc(1), dbt(3.0), *blank, rmc(2)))
    assert parsed.unread.counts == {"no depth in the sentence": 1}
    with pytest.raises(LakefloorError, match=r"sentence with a depth.*no depth in the sentence: 2"):
        nmea_log.parse_nmea_log(log(rmc(1), *blank, rmc(2)))


def test_a_rare_finer_sentence_does_not_displace_the_usual_one():
    lines = [x for s in range(10) for x in (rmc(s), sentence(f"SDDPT,{5 + s / 10:.1f},"))]
    parsed = nmea_log.parse_nmea_log(log(*lines, dbt(4.0), rmc(10)))
    np.testing.assert_allclose(parsed.soundings.raw_depth, 5 + np.arange(10) / 10)


def test_noise_prefixes_and_line_ends():
    body = [rmc(1), dbt(3.0), rmc(2), dbt(3.2), rmc(3)]
    noisy = b"\xb5b\x01\x06\x00\x01".join(f"2026-07-09 10:00:00;{x}\r".encode() for x in body)
    got = nmea_log.parse_nmea_log(noisy)
    np.testing.assert_allclose(got.soundings.raw_depth, [3.0, 3.2], atol=0.005)
    assert not got.unread.counts


def test_damaged_sentences_are_counted_with_their_line():
    whole = dbt(3.0)
    data = log(rmc(1), whole, whole, whole[:-6], rmc(2), whole) + b"$SDDBT,9.8,f"
    parsed = nmea_log.parse_nmea_log(data)
    assert len(parsed.soundings) == 2
    assert parsed.unread.counts == {
        "cut short: no checksum where others have one": 1,
        "unfinished line at the end of the file": 1,
        "no position: no two fixes within 10 s around it": 1,
    }
    assert sorted(e.line for e in parsed.unread.examples) == [4, 6, 7]


def test_a_log_without_checksums_is_read_and_said_so():
    lines = [x.partition("*")[0] for x in (rmc(1), dbt(3.0), rmc(2))]
    parsed = nmea_log.parse_nmea_log(log(*lines))
    assert len(parsed.soundings) == 1
    assert "3 sentences without a checksum used unchecked." in parsed.notes


def test_void_fixes_are_no_positions():
    data = log(
        rmc(1),
        dbt(3.0),
        rmc(2),
        dbt(4.0),
        rmc(3, lon=-80.0, status="V"),
        gga(4, lon=-80.0, quality=0),
        dbt(5.0),
        rmc(5),
    )
    parsed = nmea_log.parse_nmea_log(data)
    np.testing.assert_allclose(parsed.soundings.x, -93.0)
    assert parsed.unread.counts == {"no valid fix (status V or quality 0)": 2}


def test_no_interpolation_across_a_gap_of_fixes():
    data = log(rmc(1), dbt(3.0), rmc(2), dbt(4.0), rmc(32), dbt(5.0), rmc(33))
    parsed = nmea_log.parse_nmea_log(data)
    np.testing.assert_allclose(parsed.soundings.raw_depth, [3.0, 5.0], atol=0.005)
    assert parsed.unread.counts == {"no position: no two fixes within 10 s around it": 1}
    assert len(nmea_log.parse_nmea_log(data, max_fix_gap_s=30.0).soundings) == 3


def test_midnight_in_sentences_without_a_date():
    # GGA before the first RMC, and over midnight before the RMC that says so.
    data = log(
        gga(86_398),
        dbt(3.0),
        rmc(86_399),
        dbt(3.0),
        gga(86_400),
        dbt(3.0),
        gga(86_401),
        dbt(3.0),
        rmc(86_402, date="100726"),
    )
    got = nmea_log.parse_nmea_log(data).soundings
    assert got.time.astype(str).tolist() == [
        "2026-07-09T23:59:58.500",
        "2026-07-09T23:59:59.500",
        "2026-07-10T00:00:00.500",
        "2026-07-10T00:00:01.500",
    ]


def test_a_later_outing_appended_to_the_log_keeps_its_date():
    data = log(
        rmc(64_800),
        dbt(3.0),
        rmc(64_801),
        gga(25_200),
        dbt(3.0),
        gga(25_201),
        rmc(25_202, date="100726"),
    )
    got = nmea_log.parse_nmea_log(data).soundings
    assert got.time.astype(str).tolist() == ["2026-07-09T18:00:00.500", "2026-07-10T07:00:00.500"]


def test_date_from_zda_alone_or_from_the_name():
    zda = sentence("GPZDA,000001.00,04,07,2002,00,00")
    got = nmea_log.parse_nmea_log(log(gga(0), zda, dbt(3.0), gga(2))).soundings
    assert str(got.time[0]).startswith("2002-07-04T00:00:01")
    undated = log(gga(0), dbt(3.0), gga(2))
    assert np.isnat(nmea_log.parse_nmea_log(undated).soundings.time).all()
    named = nmea_log.parse_nmea_log(undated, name_date=np.datetime64("2026-07-09"))
    assert str(named.soundings.time[0]) == "2026-07-09T00:00:01.000"
    assert any("from its name is used" in note for note in named.notes)


def test_week_rollover_is_mended_and_said_so():
    # IS-GPS-200: the week number is modulo 1024, 7168 days; 9 July 2019 less that is in 1999.
    wrong = (np.datetime64("2019-03-01") - 7168).astype(object)
    parsed = nmea_log.parse_nmea_log(
        log(*(x for s in (1, 2) for x in (rmc(s, date=wrong.strftime("%d%m%y")), dbt(3.0))))
    )
    assert str(parsed.soundings.time[0]).startswith("2019-03-01T00:00:01")
    assert any("1024 weeks" in note for note in parsed.notes)
    later = log(rmc(1, date="231106"), dbt(3.0), rmc(2, date="231106"))
    mended = nmea_log.parse_nmea_log(later, name_date=np.datetime64("2026-07-09"))
    assert str(mended.soundings.time[0]).startswith("2026-07-09")


def test_a_second_receiver_fills_gaps_only():
    lines = []
    for s in range(20):
        if not 5 < s < 12:
            lines.append(rmc(s, lon=-93.0, talker="GP"))
        if s % 2:
            lines.append(gga(s, lon=-93.001, talker="II"))
        lines.append(dbt(3.0))
    parsed = nmea_log.parse_nmea_log(log(*lines), max_fix_gap_s=4.0)
    lon = parsed.soundings.x
    assert lon[:5] == pytest.approx(-93.0)
    assert lon[-4:] == pytest.approx(-93.0)
    assert (lon < -93.0005).sum() >= 4
    assert any("Positions come from talker GP" in note for note in parsed.notes)


def test_temperature_speed_and_course():
    data = log(
        WORKED[12],
        rmc(1, speed="", course=""),
        WORKED[3],
        dbt(3.0),
        rmc(2, speed="", course=""),
        dbt(3.0),
        rmc(300),
        dbt(3.0),
        rmc(301),
    )
    got = nmea_log.parse_nmea_log(data).soundings
    # By hand: VTG gives 5.5 knots.
    np.testing.assert_allclose(got.speed[0], 5.5 * 1852 / 3600)
    assert got.course[0] == 54.7
    np.testing.assert_array_equal(got.water_temp, [18.5, np.nan])


def test_speed_in_kilometers_an_hour_counts_where_that_in_knots_is_empty():
    data = log(
        rmc(1, speed="", course=""),
        sentence("GPVTG,054.7,T,034.4,M,,N,010.8,K"),
        dbt(3.0),
        rmc(2, speed="", course=""),
    )
    # By hand: 10.8 km/h is 3 m/s.
    assert nmea_log.parse_nmea_log(data).soundings.speed == pytest.approx([3.0])


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ((rmc(1), rmc(2)), "no DBT, DPT, DBS or DBK"),
        ((dbt(3.0), dbt(4.0)), "no position"),
        ((rmc(1, status="V"), dbt(3.0)), "no valid fix \\(status V or quality 0\\): 1"),
        ((rmc(1), dbt(3.0), rmc(60)), "longer maximum time"),
        (("nothing here",), "no NMEA"),
    ],
)
def test_what_is_missing_is_said(lines, reason):
    with pytest.raises(LakefloorError, match=reason):
        nmea_log.parse_nmea_log(log(*lines))


def test_line_numbers_of_all_line_ends():
    one = b"$GPXXX,"
    (block,) = sentence_blocks(one + b"\n" + one + b"\r\n" + one + b"\r" + one, silent)
    assert block.line.tolist() == [1, 2, 3, 4]


@settings(max_examples=50, deadline=None)
@given(
    # Ten-thousandths of a minute, as receivers give.
    start=st.integers(-108_000_000, 108_000_000),
    step=st.integers(-1000, 1000),
    lat=st.integers(-48_000_000, 48_000_000).filter(bool),
)
def test_positions_between_fixes_lie_on_the_geodesic_anywhere_on_the_globe(start, step, lat):
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    lons = [((start + i * step + 108_000_000) % 216_000_000 - 108_000_000) / 6e5 for i in range(4)]
    lat /= 6e5
    lines = []
    for i, lon in enumerate(lons):
        lines += [rmc(36_000 + i, lon, lat), dbt(3.0)]
    got = nmea_log.parse_nmea_log(log(*lines)).soundings
    assert len(got) == 3
    for i in range(3):
        azimuth, _, length = geod.inv(lons[i], lat, lons[i + 1], lat)
        lon, at, _ = geod.fwd(lons[i], lat, azimuth, length / 2.0)
        assert geod.inv(got.x[i], got.y[i], lon, at)[2] < 0.05
    assert (np.abs(got.x) <= 180.0).all()


@pytest.mark.parametrize(
    "estimate",
    [
        lambda i: gga(36_000 + i, quality=6),  # quality of GGA, NMEA 0183 version 2.3: estimated
        lambda i: gga(36_000 + i, quality=7),  # manual input
        lambda i: gga(36_000 + i, quality=8),  # simulation
        lambda i: sentence(f"GPRMC,1000{i:02d}.00,A,4500.0,N,09300.0,W,4.3,90.0,090726,,,E"),
        lambda i: sentence(f"GPGLL,4500.0,N,09300.0,W,1000{i:02d}.00,A,S"),
    ],
)
def test_a_position_that_no_satellite_gave_is_no_fix(estimate):
    with pytest.raises(LakefloorError, match="no fix by satellite.*: 4"):
        nmea_log.parse_nmea_log(log(*(line for i in range(4) for line in (estimate(i), dbt(3.0)))))
    lines = [line for i in range(8) for line in (rmc(36_000 + i), estimate(i), dbt(3.0))]
    parsed = nmea_log.parse_nmea_log(log(*lines))
    assert len(parsed.soundings) == 7
    np.testing.assert_allclose(parsed.soundings.x, -93.0)


def test_hemisphere_letters_of_the_other_axis_are_refused():
    swapped = sentence("GPRMC,100002.00,A,4500.0,W,09300.0,N,4.3,90.0,090726,,,A")
    lines = [line for i in range(2) for line in (rmc(36_000 + i), dbt(3.0))]
    parsed = nmea_log.parse_nmea_log(log(*lines, swapped, dbt(3.0), rmc(36_003)))
    assert parsed.unread.counts == {"malformed position or time": 1}
    np.testing.assert_allclose(parsed.soundings.y, 45.0)


# -- rules at their limits ----------------------------------------------------


def five_seconds(count, between):
    """Fixes each five seconds; ``between(i)`` gives the sentences after the i-th."""
    return log(*(line for i in range(count) for line in (rmc(5 * i), *between(i))), rmc(5 * count))


def test_a_temperature_holds_for_a_minute():
    data = five_seconds(16, lambda i: [WORKED[12], dbt(3.0)] if i == 0 else [dbt(3.0)])
    parsed = nmea_log.parse_nmea_log(data)
    # Midway between the fixes, but where the temperature itself stands between them: by hand the
    # temperature is of 1.67 s, and the depths are of 3.33, 7.5, 12.5 ... s.
    seconds = np.r_[10.0 / 3.0, 5.0 * np.arange(1, 16) + 2.5]
    expected = np.where(seconds - 5.0 / 3.0 <= 60.0, 18.5, np.nan)
    np.testing.assert_array_equal(parsed.soundings.water_temp, expected)
    assert np.isfinite(expected).sum() == 12


def test_a_small_offset_is_added_and_said():
    parsed = nmea_log.parse_nmea_log(log(rmc(1), sentence("SDDPT,5.0,0.4"), rmc(2)))
    assert parsed.soundings.depth == pytest.approx([5.4])
    assert parsed.soundings.corrections.tolist() == ["from=transducer;offset_m=0.400"]
    said = [note for note in parsed.notes if "DPT states" in note]
    assert len(said) == 1
    assert "0.40 m" in said[0]


def test_it_is_said_which_depth_was_read():
    (note,) = (
        n for n in nmea_log.parse_nmea_log(log(rmc(1), dbt(3.0), rmc(2))).notes if "SDDBT" in n
    )
    assert "0.01 m" in note
    assert "transducer" in note


def test_a_kind_that_mostly_lacks_checksums_is_used_without():
    bare = [dbt(d).partition("*")[0] for d in (3.0, 3.1, 3.2)]
    parsed = nmea_log.parse_nmea_log(log(rmc(1), dbt(4.0), *bare, rmc(2)))
    np.testing.assert_allclose(parsed.soundings.raw_depth, [4.0, 3.0, 3.1, 3.2], atol=0.005)
    assert not parsed.unread.counts


def test_a_depth_without_position_is_shown_as_logged():
    parsed = nmea_log.parse_nmea_log(log(rmc(1), dbt(3.0), rmc(2), dbt(7.7)))
    (lost,) = parsed.unread.examples
    assert lost.text == dbt(7.7)


def test_nought_nought_is_no_position_and_the_equator_is_one():
    data = log(
        rmc(1, lon=0.0, lat=0.0),
        rmc(2, lat=0.0),
        dbt(3.0),
        rmc(3, lat=0.0),
        dbt(3.0),
        rmc(4, lon=0.0, lat=0.0),
    )
    parsed = nmea_log.parse_nmea_log(data)
    assert parsed.unread.counts["position 0, 0 (the GPS receiver had no fix)"] == 2
    np.testing.assert_allclose(parsed.soundings.y, 0.0)
    np.testing.assert_allclose(parsed.soundings.x, -93.0)
    greenwich = nmea_log.parse_nmea_log(log(rmc(1, lon=0.0), dbt(3.0), rmc(2, lon=0.0))).soundings
    np.testing.assert_allclose(greenwich.x, 0.0)


def test_midnight_in_a_log_whose_name_has_the_date():
    data = log(gga(86_398), dbt(3.0), gga(86_399), gga(86_400), dbt(3.0), gga(86_401))
    got = nmea_log.parse_nmea_log(data, name_date=np.datetime64("2026-07-09")).soundings
    assert got.time.astype(str).tolist() == ["2026-07-09T23:59:58.500", "2026-07-10T00:00:00.500"]


def test_a_second_receiver_serves_before_the_first_begins_and_after_it_ends():
    lines = [
        line
        for s in range(12)
        for line in ((rmc(s) if 4 <= s < 9 else gga(s, lon=-93.001, talker="II")), dbt(3.0))
    ]
    parsed = nmea_log.parse_nmea_log(log(*lines[:-1]), max_fix_gap_s=3.0)
    lon = parsed.soundings.x
    assert lon[:3] == pytest.approx(-93.001)
    assert lon[5:7] == pytest.approx(-93.0)
    assert lon[-2:] == pytest.approx(-93.001)
