"""The lake's own days: outings over midnight, zones with and without a database."""

import sys
import zoneinfo
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core import crs, days
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.logs import read_logs, visits_by_date
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.point_table import (
    PointColumns,
    PointUnits,
    soundings_from_points,
)
from lakefloor.algorithms.core.soundings import Soundings, parse_corrections
from lakefloor.algorithms.core.times import to_utc, zone_of


def nmea(start, n=60, step=120, lon="09300.000,W"):
    """Return a log that begins at a UTC instant, a fix and a depth every two minutes."""
    out, start = [], datetime.fromisoformat(start)
    for i in range(n):
        now = start + timedelta(seconds=i * step)
        for body in (
            f"GPRMC,{now:%H%M%S},A,45{i * 0.002:06.3f},N,{lon},4.3,0.0,{now:%d%m%y},,",
            f"SDDPT,{4 + i / 10:.1f},0.0",
        ):
            out.append(f"${body}*{sentence_checksum(body):02X}\r\n")
    return "".join(out)


def read(tmp_path, *logs, **options):
    paths = []
    for i, text in enumerate(logs):
        path = tmp_path / f"log{i}.nmea"
        path.write_text(text)
        paths.append(path)
    return read_logs(paths, max_fix_gap_s=200.0, **options)


def test_an_evening_over_midnight_utc_is_one_visit_on_one_local_day(tmp_path):
    # 17:30 to 19:28 by the sun at 93 W, where UTC turns from 17 to 18 May.
    reading = read(tmp_path, nmea("2025-05-17T23:30:00"))
    assert reading.visits == ["2025-05-17"]
    assert days.survey_days(reading.soundings, reading.epsg) == ["2025-05-17"]
    assert any("UTC-06:12" in line for line in reading.describe())


def test_an_evening_after_midnight_utc_is_dated_by_the_lake(tmp_path):
    # 18:30 on 16 May at 93 W, half past midnight of the 17th in UTC.
    reading = read(tmp_path, nmea("2025-05-17T00:30:00"))
    assert reading.visits == ["2025-05-16"]
    assert days.survey_days(reading.soundings, reading.epsg) == ["2025-05-16"]


def test_a_morning_east_of_greenwich_is_dated_by_the_lake(tmp_path):
    # 08:30 on 18 May at 176 E; the evening before in UTC.
    reading = read(tmp_path, nmea("2025-05-17T20:30:00", lon="17600.000,E"))
    assert reading.visits == ["2025-05-18"]
    assert days.survey_days(reading.soundings, reading.epsg) == ["2025-05-18"]


def test_the_zone_given_goes_before_the_sun(tmp_path):
    log = nmea("2025-05-17T05:30:00")  # 23:18 on the 16th by the sun, 00:30 by the clock
    assert read(tmp_path, log).visits == ["2025-05-16"]
    for zone in ("UTC-05:00", "America/Chicago", zone_of("UTC-5")):
        reading = read(tmp_path, log, time_zone=zone)
        assert reading.visits == ["2025-05-17"]
        assert days.survey_days(reading.soundings, reading.epsg) == ["2025-05-17"]
        # NMEA is in UTC whatever zone is given.
        assert str(reading.soundings.time.min())[:13] == "2025-05-17T05"
    assert parse_corrections(reading.soundings.corrections[0])[days.UTC_OFFSET] == "-5"


def test_the_offset_that_a_table_states_is_the_lakes(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "time,lat,lon,depth_m\n"
        + "".join(f"2025-08-09 00:{i:02d}:40-04:00,45.{i:04d},-93.1,3.{i}\n" for i in range(30))
    )
    reading = read_logs(path)
    assert reading.visits == ["2025-08-09"]  # by the sun it is 21:48 of the 8th
    assert set(reading.soundings.corrections) == {"from=unknown;utc_offset_h=-4"}
    assert days.survey_days(reading.soundings, reading.epsg) == ["2025-08-09"]
    path.write_text(path.read_text().replace("-04:00", "Z"))
    assert read_logs(path).visits == ["2025-08-08"]


def test_two_outings_of_one_local_day_and_the_next(tmp_path):
    reading = read(
        tmp_path,
        nmea("2025-05-17T12:00:00"),
        nmea("2025-05-18T00:30:00"),
        nmea("2025-05-18T13:00:00"),
    )
    assert reading.visits == ["2025-05-17", "2025-05-17 (2)", "2025-05-18"]
    assert days.survey_days(reading.soundings, reading.epsg) == ["2025-05-17", "2025-05-18"]


def test_a_table_of_points_has_local_days_too():
    k = np.arange(30)
    options = {"time": [f"2025-05-17T00:{i:02d}:00Z" for i in k]}
    columns = PointColumns(5e5 + k, 5e6 + k, 3.0 + k, **options)
    made = soundings_from_points(columns, PointUnits(longitude=-93.0))[0]
    assert set(made.visit) == {"2025-05-16"}
    made = soundings_from_points(columns, PointUnits(longitude=93.0))[0]
    assert set(made.visit) == {"2025-05-17"}
    made = soundings_from_points(columns, PointUnits(time_zone="UTC-05:00", longitude=93.0))[0]
    assert set(made.visit) == {"2025-05-16"}


@settings(max_examples=50, deadline=None)
@given(start=st.integers(0, 86_399), hours=st.floats(0.2, 5.9), lon=st.floats(-179.0, 179.0))
def test_an_outing_is_one_day_wherever_and_whenever_it_begins(start, hours, lon):
    begin = np.datetime64("2025-05-17", "ms") + np.timedelta64(start * 1000, "ms")
    step = np.timedelta64(round(hours * 3_600_000 / 50), "ms")
    time = begin + np.arange(50) * step
    x, y = crs.project(np.array([lon, lon]), np.array([45.0, 45.1]), crs.utm_epsg(lon, 45.0))
    soundings = Soundings.build(np.repeat(x, 25), np.repeat(y, 25), 3.0, time=time)
    found = days.survey_days(soundings, crs.utm_epsg(lon, 45.0))
    expected = str((begin + np.timedelta64(round(lon * 240_000), "ms")).astype("datetime64[D]"))
    assert found == [expected]
    names = visits_by_date(time, np.full(50, "", object), lon / 15.0)
    assert set(names) == {expected}


def test_a_log_that_never_pauses_has_each_of_its_days():
    time = np.datetime64("2025-05-17T06", "ms") + np.arange(50) * np.timedelta64(1, "h")
    made = Soundings.build(np.zeros(50), np.zeros(50), 3.0, time=time)
    assert days.survey_days(made) == ["2025-05-17", "2025-05-18", "2025-05-19"]
    assert days.survey_days(made.replace(time=np.full(50, np.datetime64("NaT", "ms")))) == []


def test_outings_have_no_order_of_rows():
    rng = np.random.default_rng(1)
    time = (
        np.datetime64("2025-05-17T20", "ms")
        + np.r_[
            rng.integers(0, 4 * 3_600_000, 200), 20 * 3_600_000 + rng.integers(0, 3_600_000, 100)
        ]
    )
    order = rng.permutation(300)
    made = Soundings.build(np.zeros(300), np.zeros(300), 3.0, time=time)
    assert days.survey_days(made) == days.survey_days(made.select(order))
    np.testing.assert_array_equal(days.outings(time)[order], days.outings(time[order]))


@pytest.fixture
def no_database(monkeypatch):
    """Python without a zone database, as on Windows without the package tzdata."""
    monkeypatch.setitem(sys.modules, "tzdata", None)
    zoneinfo.reset_tzpath(to=[])
    zoneinfo.ZoneInfo.clear_cache()
    yield
    zoneinfo.reset_tzpath()
    zoneinfo.ZoneInfo.clear_cache()


def test_without_a_zone_database_offsets_and_the_sun_still_work(no_database, tmp_path):
    with pytest.raises(LakefloorError, match="UTC-05:00"):
        zone_of("America/Chicago")
    log = nmea("2025-05-17T00:30:00")
    assert read(tmp_path, log).visits == ["2025-05-16"]
    assert read(tmp_path, log, time_zone="UTC+02:00").visits == ["2025-05-17"]
    local = np.array(["2025-05-16T19:30"], dtype="datetime64[ms]")
    assert str(to_utc(local, "UTC-05:00")[0][0]) == "2025-05-17T00:30:00.000"


def test_any_tzinfo_is_a_zone():
    zone = timezone(timedelta(hours=5, minutes=45), "Kathmandu")
    assert zone_of(zone) is zone
    utc, _ = to_utc(np.array(["2025-05-16T05:45"], dtype="datetime64[ms]"), zone)
    assert str(utc[0]) == "2025-05-16T00:00:00.000"
    time = np.array(["2025-07-01T12:00", "NaT", "2025-01-01T12:00"], dtype="datetime64[ms]")
    np.testing.assert_array_equal(days.zone_offsets_h(time, zone), [5.75, np.nan, 5.75])
    np.testing.assert_array_equal(
        days.zone_offsets_h(time, "America/Chicago"), [-5.0, np.nan, -6.0]
    )
