"""Recordings are read as one log, at home and while they grow."""

import json
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.playing.faults import with_faults
from lakefloor.algorithms.core.playing.timeline import on_two_devices, timeline
from lakefloor.algorithms.core.reading.arrivals import RECORD, arrival_record
from lakefloor.algorithms.core.reading.live_log import LiveReader
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.recorded_log import parse_recording
from lakefloor.algorithms.core.reading.text_log import parse_text_log
from lakefloor.algorithms.core.soundings import concatenate

LOGS = Path(__file__).resolve().parents[2] / "example_project" / "logs"
#: Fields that are the same while a log grows and at home; the others may be of a nearer sentence.
SAME = ("x", "y", "raw_depth", "depth", "hardness")


@pytest.fixture(scope="module")
def played():
    whole = timeline(LOGS / "2025-05-17_1.nmea")
    return whole.select(slice(0, 1800))


def pieces_of(whole, seed, longest=400, key="source-1"):
    """Yield (key, bytes, us) as a line hands them over: in pieces that end anywhere."""
    draw = random.Random(seed)
    data, ends = whole.data, np.cumsum([len(c) for c in whole.chunks])
    at = 0
    while at < len(data):
        stop = min(at + draw.randint(1, longest), len(data))
        last = np.searchsorted(ends, stop - 1, side="right")
        us = int(1e6 * whole.seconds[last]) + draw.randint(0, 20_000)
        yield key, data[at:stop], us
        at = stop


def in_order(*streams):
    """Return the pieces of several lines in order of their moments, which never go back."""
    kept = []
    for stream in streams:
        newest = 0
        for key, data, us in stream:
            newest = max(newest, us)
            kept.append((key, data, newest))
    return sorted(kept, key=lambda piece: piece[2])


def record(folder, pieces, session_of=lambda us: 1):
    """Write pieces as a recording."""
    folder.mkdir(parents=True)
    (folder / "recording.json").write_text(json.dumps({"layout": 1}))
    ends = {}
    for key, data, us in pieces:
        ends[key] = ends.get(key, 0) + len(data)
        with open(folder / f"{key}.nmea", "ab") as raw:
            raw.write(data)
        with open(folder / f"{key}.arrivals", "ab") as beside:
            beside.write(arrival_record(session_of(us), ends[key], us, 10**15 + us))
    return folder


def while_it_grows(pieces, pace_us=500_000, session_of=lambda us: 1):
    """Return the soundings that are handed out while the pieces come, and after the last."""
    reader, parts, due = LiveReader(), [], 0
    for key, data, us in pieces:
        reader.feed(key, data, us, 0, session_of(us))
        if us >= due:
            parts.append(reader.take())
            due = us + pace_us
    parts.append(reader.take())
    return concatenate(parts), reader


def same_rows(one, other):
    assert len(one) == len(other)
    assert (one.time == other.time).all()
    for name in SAME:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@settings(max_examples=12)
@given(seed=st.integers(0, 10**6), longest=st.sampled_from([1, 7, 90, 400, 3000]))
def test_one_line_read_while_it_grows_is_the_recording_read_at_home(
    tmp_path_factory, played, seed, longest
):
    some = played.select(slice(0, 600))
    pieces = in_order(pieces_of(some, seed, longest))
    folder = record(tmp_path_factory.mktemp("r") / "2025-05-17_223608Z", pieces)
    live, _ = while_it_grows(pieces)
    same_rows(live, parse_recording(folder).soundings)


@settings(max_examples=12)
@given(seed=st.integers(0, 10**6))
def test_two_ports_read_while_they_grow_are_the_recording_read_at_home(
    tmp_path_factory, played, seed
):
    receiver, sounder = on_two_devices(played.select(slice(0, 900)))
    pieces = in_order(
        pieces_of(receiver, seed, 300, "source-1"), pieces_of(sounder, seed + 1, 60, "source-2")
    )
    folder = record(tmp_path_factory.mktemp("r") / "2025-05-17_223608Z", pieces)
    live, _ = while_it_grows(pieces)
    home = parse_recording(folder).soundings
    # The last second of a port may still have to wait for the other.
    count = len(live)
    assert 0 <= len(home) - count <= 3
    same_rows(live, home.select(slice(0, count)))


def test_depths_that_come_evenly_have_the_times_of_a_log_without_arrivals(tmp_path, played):
    even = [("source-1", chunk, int(1e6 * at)) for at, chunk in zip(played.seconds, played.chunks)]
    home = parse_recording(record(tmp_path / "2025-05-17_223608Z", even)).soundings
    plain = parse_nmea_log(played.data).soundings
    assert len(home) == len(plain)
    # Sentences of a second are played evenly, as a log without times is read.
    assert np.abs((home.time - plain.time).astype(int)).max() <= 1
    np.testing.assert_array_equal(home.raw_depth, plain.raw_depth)


def test_a_depth_is_timed_by_its_arrival(tmp_path):
    fix = "$GPRMC,14000{},A,4500.00,N,09300.00,W,4.0,90.0,090726,,\r\n"
    pieces = [
        ("source-1", fix.format(1).encode(), 1_000_000),
        ("source-2", b"$SDDBT,,f,3.0,M,,F\r\n", 1_250_000),
        ("source-1", fix.format(2).encode(), 2_000_000),
    ]
    home = parse_recording(record(tmp_path / "2026-07-09_140000Z", pieces)).soundings
    assert home.time.astype(str).tolist() == ["2026-07-09T14:00:01.250"]


def test_nothing_lies_between_two_sessions(tmp_path, played):
    pieces = in_order(pieces_of(played, 5, 100))
    middle = pieces[len(pieces) // 2][2]

    def session_of(us):
        return 1 if us < middle else 2

    home = parse_recording(record(tmp_path / "2025-05-17_223608Z", pieces, session_of)).soundings
    plain = parse_recording(record(tmp_path / "2025-05-17_223609Z", pieces)).soundings
    assert 0 <= len(plain) - len(home) <= 2
    live, _ = while_it_grows(pieces, session_of=session_of)
    same_rows(live, home)


def test_read_logs_reads_a_recording_once_whichever_of_its_files_is_given(tmp_path, played):
    receiver, sounder = on_two_devices(played)
    pieces = in_order(pieces_of(receiver, 1), pieces_of(sounder, 2, key="source-2"))
    folder = record(tmp_path / "logs" / "2025-05-17_223608Z", pieces)
    (folder / "events.jsonl").write_text("{}\n")
    (folder / "marks.jsonl").write_text("{}\n")
    whole = read_logs(folder.parent)
    assert [report.kind for report in whole.files] == ["NMEA 0183"]
    for one in (folder, folder / "source-2.nmea", [folder, folder / "source-1.nmea"]):
        again = read_logs(one)
        same_rows(again.soundings, whole.soundings)


@pytest.mark.parametrize("of", ["nmea", "arrivals"])
def test_one_byte_in_many_broken_spoils_its_neighborhood_alone(tmp_path, played, of):
    pieces = in_order(pieces_of(played, 9, 120))
    whole = parse_recording(record(tmp_path / "2025-05-17_223608Z", pieces)).soundings
    folder = record(tmp_path / "2025-05-17_223609Z", pieces)
    path = folder / f"source-1.{of}"
    data = np.frombuffer(path.read_bytes(), dtype=np.uint8).copy()
    draw = np.random.default_rng(3)
    hit = draw.choice(len(data), len(data) // 3000, replace=False)
    data[hit] ^= draw.integers(1, 256, len(hit), dtype=np.uint8)
    path.write_bytes(data.tobytes())
    broken = parse_recording(folder).soundings
    # A broken sentence costs itself, and a glued one its neighbor.
    assert len(whole) - 3 * len(hit) <= len(broken) <= len(whole)
    known = {(t, d) for t, d in zip(whole.time.tolist(), whole.raw_depth.tolist())}
    strange = sum(
        (t, d) not in known for t, d in zip(broken.time.tolist(), broken.raw_depth.tolist())
    )
    assert strange <= 40 * len(hit)
    place = np.hypot(
        np.interp(broken.time.astype(float), whole.time.astype(float), whole.x) - broken.x,
        np.interp(broken.time.astype(float), whole.time.astype(float), whole.y) - broken.y,
    )
    assert np.quantile(place, 0.95) < 1e-6


@pytest.mark.parametrize("cut", [1, 17, RECORD, RECORD + 5, 400])
def test_what_the_power_cut_off_is_passed_by(tmp_path, played, cut):
    pieces = in_order(pieces_of(played, 2, 120))
    whole = parse_recording(record(tmp_path / "2025-05-17_223608Z", pieces)).soundings
    for ending in ("nmea", "arrivals"):
        folder = record(tmp_path / f"2025-05-17_22361{ending}", pieces)
        path = folder / f"source-1.{ending}"
        path.write_bytes(path.read_bytes()[:-cut])
        left = parse_recording(folder).soundings
        assert len(whole) - 20 <= len(left) <= len(whole)
        same_rows(left.select(slice(0, len(left) - 20)), whole.select(slice(0, len(left) - 20)))


@pytest.mark.parametrize(
    "name", ["checksum", "cut", "glued", "noise", "nofix", "nodepth", "silence"]
)
def test_faults_are_read_while_it_grows_as_at_home(tmp_path, played, name):
    share = 0.5 if name in ("nofix", "nodepth", "silence") else 0.05
    faulty = with_faults(played, {name: share}, seed=2)
    pieces = in_order(pieces_of(faulty, 4, 200))
    home = parse_recording(record(tmp_path / "2025-05-17_223608Z", pieces)).soundings
    live, _ = while_it_grows(pieces)
    # The first words of a log may be of a sounder that the whole log does not choose.
    begun = home.time[0] + np.timedelta64(10, "s")
    same_rows(live.select(live.time > begun), home.select(home.time > begun))


def test_now_says_what_was_heard_last_and_no_course_of_a_boat_that_stands():
    reader = LiveReader()
    still = "$GPRMC,14000{},A,4500.00,N,09300.00,W,{:.1f},90.0,090726,,\r\n"
    reader.feed("a", still.format(1, 4.0).encode() + b"$SDDPT,3.2,0.0\r\n", 1_000_000)
    reader.take()
    assert (reader.now.course_deg, reader.now.depth_m) == (90.0, 3.2)
    reader.feed("a", still.format(2, 0.1).encode(), 2_000_000)
    reader.take()
    assert reader.now.course_deg is None
    assert reader.now.speed_ms == pytest.approx(0.1 * 1852 / 3600)


def sentence(text):
    return f"${text}*{sentence_checksum(text):02X}\r\n".encode()


def test_an_outing_goes_on_after_a_restart_although_the_computers_clock_begins_at_0(
    tmp_path, played
):
    pieces = in_order(pieces_of(played, 5, 100))
    middle = len(pieces) // 2
    begun = pieces[middle][2]
    folder = tmp_path / "2025-05-17_223608Z"
    folder.mkdir()
    (folder / "recording.json").write_text(json.dumps({"layout": 1}))
    reader, parts, end = LiveReader(), [], 0
    for i, (key, data, us) in enumerate(pieces):
        session, us = (1, 10**11 + us) if i < middle else (2, us - begun)
        end += len(data)
        with open(folder / f"{key}.nmea", "ab") as raw:
            raw.write(data)
        with open(folder / f"{key}.arrivals", "ab") as beside:
            beside.write(arrival_record(session, end, us, 0))
        reader.feed(key, data, us, 0, session)
        if i % 20 == 0:
            parts.append(reader.take())
    parts.append(reader.take())
    home = parse_recording(folder).soundings
    assert (home.time > home.time[0] + np.timedelta64(5, "m")).any()
    same_rows(concatenate(parts), home)


def test_a_log_without_dates_goes_on_over_midnight_while_it_grows(tmp_path):
    pieces = []
    for s in range(-120, 120):
        clock = f"{s % 86_400 // 3600:02d}{s % 3600 // 60:02d}{s % 60:02d}"
        place = f"4500.{1000 + s:04d},N,09300.00,W"
        pieces.append(("source-1", sentence(f"GPGGA,{clock},{place},1,09,1,1,M,1,M,,"), s))
        pieces.append(("source-1", sentence(f"SDDPT,{3 + s % 10 / 10:.2f},0.0"), s + 0.5))
    pieces = [(key, data, round(1e6 * (s + 200))) for key, data, s in pieces]
    reader, parts = LiveReader(name_date=np.datetime64("2026-07-09")), []
    for key, data, us in pieces:
        reader.feed(key, data, us)
        parts.append(reader.take())
    parsed = parse_recording(record(tmp_path / "2026-07-09_235800Z", pieces))
    same_rows(concatenate(parts), parsed.soundings)
    first, last = (str(parsed.soundings.time[i]) for i in (0, -1))
    assert first == "2026-07-09T23:58:00.500"
    assert last == "2026-07-10T00:01:58.500"


def test_the_time_of_the_newest_fix_is_free_of_a_gps_week_rollover():
    # 2026-07-09 less 1024 weeks is 2006-11-23: IS-GPS-200, 20.3.3.3.1.1.
    reader = LiveReader(name_date=np.datetime64("2026-07-09"))
    fix = sentence("GPRMC,140001,A,4500.00,N,09300.00,W,4.0,90.0,231106,,")
    reader.feed("source-1", fix, 1_000_000)
    reader.take()
    assert str(reader.now.gps_time) == "2026-07-09T14:00:01.000"


def test_hardness_in_xdr_comes_with_its_ping():
    # NMEA 0183, XDR: measurements in fours of type, value, unit and transducer.
    log = [
        sentence("GPRMC,140001,A,4500.00,N,09300.00,W,4.0,90.0,090726,,"),
        sentence("SDDPT,3.0,0.0"),
        sentence("SDXDR,C,18.2,C,WATER,G,62,P,HARDNESS"),
        sentence("GPRMC,140002,A,4500.00,N,09300.00,W,4.0,90.0,090726,,"),
    ]
    assert parse_nmea_log(b"".join(log)).soundings.hardness.tolist() == [0.62]


def test_a_recording_that_ends_at_any_byte_is_read_up_to_there(tmp_path, played):
    pieces = in_order(pieces_of(played.select(slice(0, 60)), 3, 80))
    folder = record(tmp_path / "2025-05-17_223608Z", pieces)
    path = folder / "source-1.nmea"
    data = path.read_bytes()
    before = parse_recording(folder).soundings
    for cut in range(len(data) - 1, len(data) * 2 // 3, -7):
        path.write_bytes(data[:cut])
        left = parse_recording(folder).soundings
        assert len(before) - 2 <= len(left) <= len(before)
        same_rows(left, before.select(slice(0, len(left))))
        before = left


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6), longest=st.sampled_from([1, 30, 500]))
def test_delimited_text_read_while_it_grows_is_the_file_read_at_home(seed, longest):
    head = b"time,lon,lat,depth_ft,hardness,water_temp\n"
    row = "2026-07-09T14:{:02d}:{:02d}Z,-93.{:05d},45.1,{:.1f},{},{:.1f}\n"
    rows = [
        row.format(i // 60, i % 60, i, 30 + i % 7, (50 + 3 * i) % 101, 68 + i % 3)
        for i in range(240)
    ]
    data = head + "".join(rows).encode()
    draw, reader, parts, at = random.Random(seed), LiveReader(), [], 0
    while at < len(data):
        stop = at + draw.randint(1, longest)
        reader.feed("source-1", data[at:stop], 1_000 * at)
        if draw.random() < 0.3:
            parts.append(reader.take())
        at = stop
    parts.append(reader.take())
    live, home = concatenate(parts), parse_text_log(data).soundings
    same_rows(live, home)
    np.testing.assert_array_equal(live.water_temp, home.water_temp)
    assert reader.now.depth_m == home.raw_depth[-1]


def fixes_and_depths(*moments):
    """Yield (key, bytes, us) of pings that come in one piece with a fix at each second."""
    for at in moments:
        clock = f"14{at // 60:02d}{at % 60:02d}"
        fix = sentence(f"GPRMC,{clock},A,4500.00,N,093{at / 600:07.4f},W,4.0,90.0,090726,,")
        yield "source-1", fix + sentence(f"SDDBT,,f,{3 + at / 100:.2f},M,,F"), at * 1_000_000


def test_a_depth_at_the_first_fix_behind_a_gap_is_a_sounding_at_home_too(tmp_path):
    first, last = list(fixes_and_depths(0, 1, 2)), list(fixes_and_depths(40, 41, 42))
    # The clock of what comes at once stands still: the depth has the moment of its fix.
    apart = [first[0], first[1], first[2], *last]
    pieces = []
    for key, data, us in apart:
        fix, depth = data.splitlines(keepends=True)
        pieces += [(key, fix, us), (key, depth, us)]
    folder = record(tmp_path / "r", pieces)
    live, _ = while_it_grows(pieces, 100_000)
    same_rows(live, parse_recording(folder).soundings)
    assert list(np.round(live.depth, 2)) == [3.0, 3.01, 3.4, 3.41]


def test_lines_that_were_not_taken_for_minutes_are_read_all_the_same(tmp_path):
    pieces = list(fixes_and_depths(*range(300)))
    reader = LiveReader()
    for key, data, us in pieces:
        reader.feed(key, data, us)
    folder = record(tmp_path / "r", pieces)
    same_rows(reader.take(), parse_recording(folder).soundings)


def test_a_log_that_comes_fast_is_read_as_at_home(tmp_path):
    whole = timeline(LOGS / "2025-05-17_1.nmea").select(slice(0, 12_000))
    faster = [(key, data, us // 50) for key, data, us in in_order(pieces_of(whole, 3, 400))]
    folder = record(tmp_path / "r", faster)
    live, reader = while_it_grows(faster, 250_000)
    same_rows(live, parse_recording(folder).soundings)
    # At 50 times its speed 75 s would hold all of it.
    assert len(reader._lines) < 0.6 * len(whole.chunks)
