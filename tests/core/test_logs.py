"""Files and folders of logs, visits, and what is said of the unusable."""

import numpy as np
import pytest

from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.reading.logs import read_logs


def table(day="2026-07-09", start=14 * 3600, n=30, lon=-93.0, header=True, depth=3.0):
    rows = ["lon,lat,time,depth_m"] if header else []
    for i in range(n):
        stamp = np.datetime64(day) + np.timedelta64(start + i, "s")
        rows.append(f"{lon:.7f},{45.0 + i * 2e-5:.7f},{stamp}Z,{depth + i / 100:.2f}")
    return "\n".join(rows) + "\n"


def nmea_log(n=20):
    from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum

    out = []
    for i in range(n):
        for body in (
            f"GPRMC,1500{i:02d},A,45{i * 0.001:06.3f},N,09300.000,W,4.3,0.0,090726,,",
            f"SDDPT,{4 + i / 10:.1f},0.4",
        ):
            out.append(f"${body}*{sentence_checksum(body):02X}\r\n")
    return "".join(out)


@pytest.fixture
def folder(tmp_path):
    logs = tmp_path / "logs"
    (logs / "b").mkdir(parents=True)
    (logs / "b" / "one.nmea").write_text(nmea_log())
    (logs / "a.csv").write_text(table())
    (logs / ".hidden").write_text("not a log")
    return logs


def test_a_folder_is_read_with_its_subfolders_by_content(folder):
    (folder / "a.csv").rename(folder / "a.dat")
    seen = []
    reading = read_logs(folder, progress=seen.append)
    assert [r.kind for r in reading.files] == ["delimited text", "NMEA 0183"]
    assert reading.epsg == 32615
    got = reading.soundings
    assert len(got) == 30 + 19
    assert set(got.visit) == {"2026-07-09"}
    # WGS 84 / UTM zone 15N by pyproj: 45 N 93 W is E 500000, N 4982950.4002.
    assert (got.x[0], got.y[0]) == pytest.approx((500000.0, 4982950.4002), abs=2e-4)
    assert got.corrections[-1] == "from=transducer;offset_m=0.400"
    np.testing.assert_allclose(got.depth[30:] - got.raw_depth[30:], 0.4)
    assert (got.lane[:30] == 1).all()
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert any("one.nmea: NMEA 0183, 19 soundings" in line for line in reading.describe())
    assert "Visit 2026-07-09: 49 soundings, 1 lane" in reading.describe()


def test_files_are_put_in_order_of_time(tmp_path):
    (tmp_path / "a.csv").write_text(table("2026-07-10"))
    (tmp_path / "b.csv").write_text(table("2026-05-01"))
    got = read_logs([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert got.visits == ["2026-05-01", "2026-07-10"]


def test_the_same_content_twice_is_read_once(folder):
    (folder / "copy.csv").write_text(table())
    reading = read_logs(folder)
    assert len(reading.soundings) == 49
    assert "same content as a.csv" in reading.files[-1].notes[0]


def test_unusable_files_are_reported_and_the_rest_is_read(folder):
    (folder / "c.txt").write_bytes(b"")
    (folder / "d.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (folder / "e.bin").write_bytes(bytes(range(256)) * 4)
    (folder / "f.xml").write_text("<kml></kml>")
    reading = read_logs(folder)
    assert len(reading.soundings) == 49
    said = {r.name.rpartition("/")[2]: r.notes[0] for r in reading.files if r.kind == "not read"}
    assert "empty" in said["c.txt"]
    assert "PNG image" in said["d.png"]
    assert "binary" in said["e.bin"]
    assert "not GPX" in said["f.xml"]
    assert sum(line.line == 0 for line in reading.unread) == 4


def test_nothing_usable_lists_each_file(tmp_path):
    (tmp_path / "a.txt").write_text("\n")
    (tmp_path / "b.txt").write_text("lon,lat,name\n-93,45,x\n")
    with pytest.raises(
        LakefloorError, match=r"(?s)a\.txt: The file is empty.*b\.txt: .*columns hold depth"
    ):
        read_logs(tmp_path)


def test_unread_lines_are_bounded_examples_with_exact_counts(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(table() + "-93.0,45.0,,\n" * 100)
    reading = read_logs(path)
    assert reading.unread_counts == {"no depth or not a number": 100}
    assert len(reading.unread) == 20
    assert (reading.unread[0].line, reading.unread[0].text) == (32, "-93.0,45.0,,")


def test_an_outing_over_midnight_is_one_visit_and_a_long_break_starts_another(tmp_path):
    (tmp_path / "a.csv").write_text(table(start=86_390))
    (tmp_path / "b.csv").write_text(table("2026-07-10", start=5 * 3600, lon=-93.001))
    (tmp_path / "c.csv").write_text(table("2026-07-10", start=12 * 3600, lon=-93.002))
    (tmp_path / "d.csv").write_text(table("2026-07-10", start=23 * 3600, lon=-93.003))
    reading = read_logs(tmp_path)
    assert reading.visits == ["2026-07-09", "2026-07-10", "2026-07-10 (2)"]
    assert [int((reading.soundings.visit == v).sum()) for v in reading.visits] == [60, 30, 30]


def test_visits_by_file_by_name_and_without_time(tmp_path):
    (tmp_path / "north.csv").write_text(table())
    untimed = "lon,lat,depth_m\n-93,45,3\n-93,45.0001,3\n"
    (tmp_path / "old.csv").write_text(untimed)
    assert read_logs(tmp_path).visits == ["2026-07-09", "old"]
    assert read_logs(tmp_path, visit="file").visits == ["north", "old"]
    assert read_logs(tmp_path, visit="Summer").visits == ["Summer"]


def test_a_frozen_clock_is_said(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "lon,lat,time,depth_m\n"
        + "".join(f"-93,{45 + i / 1e4:.4f},2026-07-09T10:00:00Z,3\n" for i in range(20))
    )
    assert any("clock stands still" in note for note in read_logs(path).files[0].notes)


def test_options_are_checked(folder):
    for options, reason in [
        ({"depth_unit": "yd"}, "Unit .yd. is not known"),
        ({"time_zone": "Lake/Nowhere"}, "Time zone"),
        ({"max_fix_gap_s": 0.0}, "time between fixes"),
        ({"target_epsg": 4326}, "not projected"),
        ({"columns": {"wet": "1"}}, "column role"),
    ]:
        with pytest.raises(LakefloorError, match=reason):
            read_logs(folder, **options)
    with pytest.raises(LakefloorError, match="no file or folder"):
        read_logs(folder / "nowhere")
    (folder / "empty").mkdir()
    with pytest.raises(LakefloorError, match="has no files"):
        read_logs(folder / "empty")


def test_target_system(folder):
    reading = read_logs(folder, target_epsg=26915)
    assert reading.epsg == 26915
    x, _ = crs.project([-93.0], [45.0], 26915)
    assert reading.soundings.x[0] == pytest.approx(x[0], abs=1e-3)


def test_cancel_stops_at_once(folder):
    def cancel(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        read_logs(folder, progress=cancel)


def test_half_a_line_at_the_end_of_a_log(tmp_path):
    path = tmp_path / "a.nmea"
    path.write_bytes(nmea_log().encode()[:-9])
    reading = read_logs(path)
    assert reading.unread_counts == {"unfinished line at the end of the file": 1}
    assert reading.unread[0].line == 40


def test_what_had_to_be_assumed_is_told_and_travels(tmp_path):
    text = "lon,lat,depth,speed\n-93.0,45.0,10,4\n-93.0,45.00001,11,4\n"
    (tmp_path / "a.csv").write_text(text)
    (tmp_path / "b.csv").write_text("lon,lat,depth_ft\n-93.0,45.0,10\n-93.0,45.00001,11\n")
    reading = read_logs(tmp_path)
    assert reading.assumed == {
        "The depth unit is not stated, so meters are assumed.": ["a.csv"],
        "The speed unit is not stated, so m/s is assumed.": ["a.csv"],
    }
    assert "The depth unit is not stated, so meters are assumed. File: a.csv." in reading.describe()
    texts = dict(zip(reading.soundings.visit, reading.soundings.corrections))
    assert texts == {"a": "from=unknown;depth_unit=assumed m", "b": "from=unknown"}
    given = read_logs(tmp_path, depth_unit="ft", depth_from="surface")
    assert set(given.soundings.corrections) == {"from=surface"}
    assert list(given.assumed) == ["The speed unit is not stated, so m/s is assumed."]
    assert given.soundings.depth.max() == pytest.approx(11 * 0.3048)


def test_where_depth_counts_from_is_taken_from_the_log_first(folder):
    texts = set(read_logs(folder, depth_from="surface").soundings.corrections)
    assert "from=unknown" not in texts
    assert any(text.startswith("from=transducer") for text in texts)
    with pytest.raises(LakefloorError, match="measured from 'keel'"):
        read_logs(folder, depth_from="keel")


# -- what cannot be ----------------------------------------------------------------


def unreal(rows):
    """Return a table of good rows, and others given as (lon, lat, time, depth)."""
    lines = table(n=60).splitlines()
    for place, row in rows.items():
        lines[place - 1] = ",".join(row)
    return "\n".join(lines) + "\n"


GOOD = ("-93.0000000", "45.0001", "2026-07-09T14:00:05Z", "3.05")


@pytest.mark.parametrize(
    ("column", "value", "reason", "told"),
    [
        (1, "0.1", "position more than 1000 km", "4998 km away"),
        (0, "93.0", "position more than 1000 km", "93, 45.0001"),
        (3, "12000", "depth of more than 2000 m", "12000 m"),
        (3, "-9999", "depth of more than 2000 m", "-9999 m"),
        (2, "2199-07-09T14:00:05Z", "time in the future", "2199-07-09T14:00:05"),
        (2, "1970-01-01T00:00:05Z", "time more than 50 years", "1970-01-01T00:00:05"),
    ],
)
def test_what_cannot_be_is_named_with_line_value_and_reason(tmp_path, column, value, reason, told):
    row = list(GOOD)
    row[column] = value
    (tmp_path / "log.csv").write_text(unreal({21: row}))
    (tmp_path / "other.csv").write_text(table(start=15 * 3600, lon=-93.001))
    reading = read_logs(tmp_path)
    (line,) = reading.unread
    assert line.file.endswith("log.csv")
    assert line.line == 21
    assert reason in line.reason
    assert told in line.text
    assert len(reading.soundings) == 59 + 30
    assert reading.unread_counts == {line.reason: 1}
    assert reading.files[0].soundings == 59
    assert not reading.warnings
    # The bounds of what is mapped are those of the lake.
    assert np.ptp(reading.soundings.y) < 1000.0
    assert reading.soundings.depth.max() < 10.0


def test_one_reason_is_enough_for_a_row(tmp_path):
    (tmp_path / "log.csv").write_text(
        unreal({21: ("10.0", "1.0", "2199-07-09T14:00:05Z", "12000")})
    )
    reading = read_logs(tmp_path)
    assert reading.unread_count == 1
    assert len(reading.soundings) == 59


def test_a_clock_that_was_wrong_all_day_is_a_warning(tmp_path):
    (tmp_path / "log.csv").write_text(table("2199-07-09"))
    reading = read_logs(tmp_path)
    assert len(reading.soundings) == 30
    (warning,) = reading.warnings
    assert "log.csv: Times in the future: 30 soundings, such as 2199-07-09" in warning


def test_a_file_without_any_possible_depth_is_refused(tmp_path):
    (tmp_path / "log.csv").write_text(table(depth=9000.0))
    with pytest.raises(
        LakefloorError, match=r"depth of more than 2000 m, which no lake has: 30.*units"
    ):
        read_logs(tmp_path)
    (tmp_path / "good.csv").write_text(table())
    reading = read_logs(tmp_path)
    assert [r.kind for r in reading.files] == ["delimited text", "not read"]


def test_two_lakes_are_refused_and_not_thinned(tmp_path):
    (tmp_path / "a.csv").write_text(table())
    (tmp_path / "b.csv").write_text(table(lon=-20.0))
    with pytest.raises(LakefloorError, match="more than one lake"):
        read_logs(tmp_path)


def test_a_lake_at_the_antimeridian_has_no_strays(tmp_path):
    (tmp_path / "a.csv").write_text(table(lon=179.99))
    (tmp_path / "b.csv").write_text(table(lon=-179.99, start=15 * 3600))
    reading = read_logs(tmp_path, target_epsg=32760)
    assert len(reading.soundings) == 60


def test_a_flag_of_the_logger_goes_before(tmp_path):
    lines = table().splitlines()
    lines = [f"{lines[0]},valid"] + [
        f"{line},{'V' if i == 4 else 'A'}" for i, line in enumerate(lines[1:])
    ]
    lines[5] = "-93.0,45.0001,2026-07-09T14:00:05Z,12000,V"
    (tmp_path / "log.csv").write_text("\n".join(lines))
    reading = read_logs(tmp_path)
    assert len(reading.soundings) == 30
    assert (reading.soundings.status != "accepted").sum() == 1


def test_impossible_points_of_a_table_are_left_out_and_counted():
    from lakefloor.algorithms.core.reading.point_table import PointColumns, soundings_from_points

    k = np.arange(40.0)
    x, depth = 5e5 + k, 3.0 + k / 10
    x[3], depth[5] = 5e6, 12_000.0
    time = [f"2026-07-09T14:{i:02d}:00Z" for i in range(40)]
    time[7] = "2199-01-01T00:00:00Z"
    soundings, _, left_out, notes = soundings_from_points(
        PointColumns(x, 5e6 + k, depth, time=time)
    )
    assert len(soundings) == 37
    assert sorted(left_out.values()) == [1, 1, 1]
    assert any("km away" in note for note in notes)
    with pytest.raises(LakefloorError, match="depth of more than 2000 m, which no lake has: 40"):
        soundings_from_points(PointColumns(5e5 + k, 5e6 + k, np.full(40, 9e3)))
