"""A recording of an outing: what was written stays, whatever ends it, and goes on from there."""

import errno
import json
import os
import random
import subprocess
import sys
import textwrap
import time
import tracemalloc
from datetime import datetime, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms._lake import append_only
from lakefloor.algorithms._lake import recording as module
from lakefloor.algorithms._lake import rescue as rescue_module
from lakefloor.algorithms._lake.append_only import AppendOnly
from lakefloor.algorithms._lake.facts import LakeFacts, read_facts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.recording import Recording, RecordingWriter, recordings
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.arrivals import RECORD, arrival_record, parse_arrivals
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.recorded_log import parse_recording

TESTS = Path(__file__).resolve().parents[1]
START = datetime(2026, 7, 9, 14, 0, 3, tzinfo=timezone.utc)
UTC = int(START.timestamp() * 1e6)
TCP = {"source-1": {"kind": "tcp", "place": "127.0.0.1:10110"}}
TWO = {**TCP, "source-2": {"kind": "serial", "place": "/dev/ttyUSB0"}}


@pytest.fixture
def lake(tmp_path):
    return made_lake(tmp_path / "lake")


def made_lake(path):
    path.mkdir()
    write_facts(path, LakeFacts("Lake Marrowby"))
    return LakeFolder(path)


def line(number):
    """One line, which tells its number."""
    return f"line {number:08d}\r\n".encode()


def add(writer, first, last, key="source-1"):
    for n in range(first, last):
        writer.add(key, line(n), 1_000 * n, UTC + 1_000 * n)


def lines(first, last):
    return b"".join(map(line, range(first, last)))


def held(writer):
    """What the memory holds: nothing once all is on the disk."""
    return [file for file in writer._files() if file.waiting]


# -- what is written ----------------------------------------------------------


def test_a_recording_is_a_folder_of_the_lake_named_by_its_start(lake):
    writer = RecordingWriter.begin(lake, TWO, {"draft_m": 0.3}, START)
    assert writer.recording.path == lake.logs / "2026-07-09_140003Z"
    (recording,) = recordings(lake)
    assert recording.is_open
    assert recording.sources == TWO
    content = json.loads((recording.path / "recording.json").read_text())
    assert content["lake"] == read_facts(lake.path).id
    assert content["started"] == "2026-07-09T14:00:03.000+00:00"
    assert content["ended"] is None
    writer.change(draft_m=0.4)
    assert recording.facts == {"draft_m": 0.4}
    writer.end(levels=[2.7])
    assert not recording.is_open
    assert recording.facts == {"draft_m": 0.4, "levels": [2.7]}
    assert sorted(path.name for path in recording.path.iterdir()) == [
        "recording.json",
        "source-1.arrivals",
        "source-1.nmea",
        "source-2.arrivals",
        "source-2.nmea",
    ]


def test_bytes_are_kept_as_they_came_with_a_record_each(lake):
    writer = RecordingWriter.begin(lake, TWO, {}, START)
    pieces = [b"$SDDBT,,f,3", b"", b".20,M,,F\r\n\x00\xff", b"$GPRMC"]
    for i, piece in enumerate(pieces):
        writer.add("source-2", piece, 5_000 + i, UTC + i)
    writer.flush()
    recording = writer.recording
    assert recording.raw("source-2").read_bytes() == b"".join(pieces)
    assert recording.raw("source-1").read_bytes() == b""
    # An empty piece is none.
    assert recording.arrivals_file("source-2").read_bytes() == b"".join(
        arrival_record(1, end, us, utc)
        for end, us, utc in ((11, 5_000, UTC), (23, 5_002, UTC + 2), (29, 5_003, UTC + 3))
    )
    assert writer.bytes == 29
    writer.leave()


def test_delimited_text_is_named_so(lake):
    sources = {"source-1": {"kind": "file", "place": "a.csv", "is_text": True}}
    writer = RecordingWriter.begin(lake, sources, {}, START)
    writer.add("source-1", b"time,lat,lon,depth\n", 1, UTC)
    writer.end()
    assert (writer.recording.path / "source-1.txt").read_bytes() == b"time,lat,lon,depth\n"


def test_events_and_marks_are_lines_of_json(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.event("unplugged", "Gone – „away“.", "source-1", monotonic_us=77)
    writer.mark({"number": 1, "kind": "fish"})
    (event,) = writer.recording.events()
    assert {**event, "utc": ""} == {
        "utc": "",
        "monotonic_us": 77,
        "session": 1,
        "kind": "unplugged",
        "source": "source-1",
        "text": "Gone – „away“.",
    }
    assert abs(datetime.fromisoformat(event["utc"]).timestamp() - time.time()) < 60.0
    assert writer.recording.marks() == [{"number": 1, "kind": "fish"}]
    writer.leave()


def test_what_was_flushed_is_on_the_disk_and_raw_bytes_come_first(lake, monkeypatch):
    synced = []
    fsync = os.fsync

    def noted(descriptor):
        synced.append(os.path.basename(os.readlink(f"/proc/self/fd/{descriptor}")))
        fsync(descriptor)

    writer = RecordingWriter.begin(lake, TWO, {}, START)
    add(writer, 0, 10)
    monkeypatch.setattr(append_only.os, "fsync", noted)
    writer.flush()
    assert synced == ["source-1.nmea", "source-1.arrivals"]
    writer.flush()
    assert len(synced) == 2, "nothing new, nothing to bring to the disk"
    writer.mark({"number": 1})
    assert synced[2:] == ["marks.jsonl"]
    writer.leave()


def test_two_recordings_of_a_second_have_each_a_folder(lake):
    first = RecordingWriter.begin(lake, TCP, {}, START)
    second = RecordingWriter.begin(lake, TCP, {}, START)
    assert first.recording != second.recording
    assert [r.path for r in recordings(lake)] == sorted(
        [first.recording.path, second.recording.path]
    )
    first.end()
    second.end()


def test_a_folder_that_cannot_be_written_is_refused(lake):
    lake.logs.write_text("a file in its place")
    with pytest.raises(LakefloorError, match="Cannot record in"):
        RecordingWriter.begin(lake, TCP, {}, START)


def test_a_recording_of_a_newer_version_is_left_alone(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.leave()
    path = writer.recording.path / "recording.json"
    path.write_text(path.read_text().replace('"layout": 1', '"layout": 2'))
    with pytest.raises(LakefloorError, match="newer version"):
        RecordingWriter.resume(writer.recording)


# -- resumed ------------------------------------------------------------------


def test_a_recording_goes_on_in_a_further_session(lake):
    writer = RecordingWriter.begin(lake, TCP, {"draft_m": 0.3}, START)
    add(writer, 0, 5)
    writer.leave()
    writer = RecordingWriter.resume(writer.recording, TWO)
    assert writer.session == 2
    # The computer was started again: its clock counts from 0.
    writer.add("source-1", line(5), 10, UTC)
    writer.add("source-2", line(6), 11, UTC)
    writer.end()
    recording = writer.recording
    assert recording.sources == TWO
    assert recording.raw("source-1").read_bytes() == lines(0, 6)
    assert recording.arrivals("source-1").session.tolist() == [1] * 5 + [2]
    assert recording.arrivals("source-2").session.tolist() == [2]
    assert [event["kind"] for event in recording.events()] == ["resumed"]


def test_a_session_in_which_nothing_came_counts(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.leave()
    for session in (2, 3):
        writer = RecordingWriter.resume(writer.recording)
        assert writer.session == session
        writer.leave()


def test_a_recording_that_was_ended_too_early_goes_on(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.end()
    writer = RecordingWriter.resume(writer.recording)
    assert writer.recording.is_open
    writer.end()


@pytest.mark.parametrize("tail", [b"0", arrival_record(1, 99, 9, 9)[:-1], b"\0" * 3 * RECORD])
def test_a_record_that_was_cut_off_spoils_none_that_follows(lake, tail):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 5)
    writer.leave()
    with open(writer.recording.arrivals_file("source-1"), "ab") as file:
        file.write(tail)
    writer = RecordingWriter.resume(writer.recording)
    add(writer, 5, 8)
    writer.end()
    data = writer.recording.arrivals_file("source-1").read_bytes()
    arrivals, broken = parse_arrivals(data)
    assert broken == 0
    assert arrivals.end.tolist() == [15 * n for n in range(1, 9)]


def test_records_of_bytes_that_did_not_get_to_the_disk_are_cut_off(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 10)
    writer.leave()
    os.truncate(writer.recording.raw("source-1"), 15 * 7 + 4)
    writer = RecordingWriter.resume(writer.recording)
    writer.add("source-1", line(10), 1, UTC)
    writer.end()
    assert writer.recording.raw("source-1").read_bytes() == lines(0, 7) + line(7)[:4] + line(10)
    arrivals = writer.recording.arrivals("source-1")
    ends = [15 * n for n in range(1, 8)]
    assert arrivals.end.tolist() == [*ends, 15 * 7 + 4, 15 * 8 + 4]
    assert arrivals.session.tolist() == [1] * 8 + [2]
    events = {event["kind"]: event["text"] for event in writer.recording.events()}
    assert events["completed"].startswith("4 bytes")


def test_bytes_without_a_record_came_when_the_recording_was_interrupted(lake):
    writer = RecordingWriter.begin(lake, TWO, {}, START)
    add(writer, 0, 3)
    add(writer, 3, 9, "source-2")
    writer.leave()
    with open(writer.recording.raw("source-1"), "ab") as file:
        file.write(b"more")
    RecordingWriter.resume(writer.recording).end()
    arrivals = writer.recording.arrivals("source-1")
    # Not before the last that came from any source.
    assert arrivals.end[-1] == 3 * 15 + 4
    assert (arrivals.session[-1], arrivals.monotonic_us[-1]) == (1, 8_001)


def test_bytes_without_any_record_have_no_time_of_a_session(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.leave()
    writer.recording.raw("source-1").write_bytes(b"more")
    writer = RecordingWriter.resume(writer.recording)
    writer.end()
    arrivals = writer.recording.arrivals("source-1")
    assert (arrivals.session.tolist(), arrivals.end.tolist()) == ([0], [4])


def test_a_line_of_json_that_was_cut_off_takes_none_with_it(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    writer.mark({"number": 1})
    writer.mark({"number": 2})
    writer.leave()
    path = writer.recording.path / "marks.jsonl"
    os.truncate(path, path.stat().st_size - 3)
    writer = RecordingWriter.resume(writer.recording)
    writer.mark({"number": 3})
    writer.end()
    assert [mark["number"] for mark in writer.recording.marks()] == [1, 3]


def test_a_recording_whose_description_is_broken_goes_on_by_its_files(lake):
    writer = RecordingWriter.begin(lake, TWO, {}, START)
    add(writer, 0, 3, "source-2")
    writer.leave()
    (writer.recording.path / "recording.json").write_text('{"layout": 1, "sour')
    (recording,) = recordings(lake)
    assert recording.is_open
    assert recording.keys == ["source-1", "source-2"]
    writer = RecordingWriter.resume(recording)
    assert writer.session == 2
    add(writer, 3, 5, "source-2")
    writer.end()
    assert recording.raw("source-2").read_bytes() == lines(0, 5)


@given(st.integers(0, 300), st.integers(0, 300), st.integers(1, 4))
def test_any_two_lengths_are_made_whole(tmp_path_factory, raw, records, again):
    """Power may fail with any part of either file on the disk, and again after that."""
    lake = made_lake(tmp_path_factory.mktemp("power") / "lake")
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 20)
    writer.leave()
    recording = writer.recording
    for _ in range(again):
        before = recording.raw("source-1").read_bytes()[:raw]
        os.truncate(recording.raw("source-1"), len(before))
        path = recording.arrivals_file("source-1")
        os.truncate(path, min(records, path.stat().st_size))
        writer = RecordingWriter.resume(recording)
        add(writer, 20, 22)
        writer.leave()
        assert recording.raw("source-1").read_bytes() == before + lines(20, 22)
        arrivals, broken = parse_arrivals(path.read_bytes())
        assert broken == 0
        assert arrivals.end[-1] == len(before) + 30
        assert arrivals.end[-3:-2].tolist() == ([len(before)] if before else [])
    writer.end()


# -- two that write -----------------------------------------------------------


def test_one_recording_is_written_once(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    with pytest.raises(LakefloorError, match="recorded already"):
        RecordingWriter.resume(writer.recording)
    writer.leave()
    RecordingWriter.resume(writer.recording).leave()


OTHER = """
    import sys, time
    sys.path.insert(0, sys.argv[1])
    import conftest
    from pathlib import Path
    from lakefloor.algorithms._lake.folder import LakeFolder
    from lakefloor.algorithms._lake.recording import RecordingWriter, recordings
    lake = LakeFolder(Path(sys.argv[2]))
"""


def other(lake, code):
    """Start a process that works on the lake."""
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(OTHER + code), str(TESTS), str(lake.path)],
        stdout=subprocess.PIPE,
        text=True,
    )


def test_another_process_does_not_write_what_is_recorded_here(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    code = """
    try:
        RecordingWriter.resume(recordings(lake)[0])
    except Exception as error:
        print(error)
    """
    with other(lake, code) as process:
        said = process.stdout.read()
    assert "recorded already in another window" in said
    writer.leave()


KEEPS_WRITING = """
    writer = RecordingWriter.begin(lake, {"source-1": {}, "source-2": {}}, {})
    print("on", flush=True)
    n, due = 0, time.monotonic()
    while True:
        for key in ("source-1", "source-2"):
            writer.add(key, f"line {n:08d}\\r\\n".encode(), time.monotonic_ns() // 1000, n)
        n += 1
        if n % 50 == 0:
            writer.flush()
            print(n, flush=True)
"""


@pytest.mark.parametrize("seed", range(4))
def test_a_killed_recording_lacks_only_what_was_not_flushed(lake, seed):
    with other(lake, KEEPS_WRITING) as process:
        assert process.stdout.readline() == "on\n"
        time.sleep(random.Random(seed).uniform(0.0, 0.4))
        process.kill()
        flushed = [int(text) for text in process.stdout.read().split()]
    least = flushed[-1] if flushed else 0
    (recording,) = recordings(lake)
    assert recording.is_open
    before = {key: recording.raw(key).read_bytes() for key in recording.sources}
    for data in before.values():
        count = len(data) // 15
        assert count >= least
        assert data == lines(0, count), "in order, each once"
    writer = RecordingWriter.resume(recording)
    writer.add("source-1", b"x", 1, UTC)
    writer.end()
    for key, data in before.items():
        assert recording.raw(key).read_bytes()[: len(data)] == data
        arrivals, broken = parse_arrivals(recording.arrivals_file(key).read_bytes())
        assert broken == 0
        assert arrivals.end[arrivals.session < 2][-1] == len(data)


# -- disks that fail ----------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 256 KiB; where none can be mounted the test is left out."""
    place = tmp_path / "stick"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("no disk can be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_is_said_and_recording_goes_on_when_there_is_room(small_disk):
    lake = made_lake(small_disk / "lake")
    writer = RecordingWriter.begin(lake, TWO, {}, START)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(150_000))
    n = 0
    while not writer.problem and n < 100_000:
        add(writer, n, n + 10)
        add(writer, n, n + 10, "source-2")
        n += 10
        if n % 100 == 0:
            writer.flush()
    assert "disk is full" in writer.problem
    assert str(writer.recording.path) in writer.problem
    # What is there is whole.
    for key in TWO:
        data = writer.recording.raw(key).read_bytes()
        assert lines(0, n).startswith(data)
        assert writer.recording.arrivals(key).end[-1] <= len(data)
    add(writer, n, n + 500)
    add(writer, n, n + 500, "source-2")
    writer.flush()
    assert "disk is full" in writer.problem
    writer.mark({"number": 1})
    ballast.unlink()
    writer.flush()
    assert writer.problem == ""
    assert not held(writer)
    writer.end()
    for key in TWO:
        assert writer.recording.raw(key).read_bytes() == lines(0, n + 500)
        arrivals, broken = parse_arrivals(writer.recording.arrivals_file(key).read_bytes())
        assert broken == 0
        assert arrivals.end.tolist() == [15 * i for i in range(1, n + 501)]
        assert arrivals.monotonic_us.tolist() == [1_000 * i for i in range(n + 500)]
    assert [event["kind"] for event in writer.recording.events()] == ["disk", "disk"]
    assert writer.recording.marks() == [{"number": 1}]


def test_a_file_that_may_not_grow_is_cut_at_no_line(lake):
    """The system's own limit of a file's length stands for any disk that takes a part."""
    with other(lake, GROWS_TO_A_LIMIT) as process:
        said = process.stdout.read().splitlines()
    assert said[0].startswith("The disk is full")
    assert said[1:] == ["", "0"]
    recording = recordings(lake)[0]
    assert recording.raw("source-1").read_bytes() == lines(0, 1200)
    assert recording.arrivals("source-1").end.tolist() == [15 * i for i in range(1, 1201)]


GROWS_TO_A_LIMIT = """
    import resource
    writer = RecordingWriter.begin(lake, {"source-1": {}}, {})
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_001, resource.RLIM_INFINITY))
    for n in range(1000):
        writer.add("source-1", f"line {n:08d}\\r\\n".encode(), 1000 * n, n)
    writer.flush()
    print(writer.problem)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    for n in range(1000, 1200):
        writer.add("source-1", f"line {n:08d}\\r\\n".encode(), 1000 * n, n)
    writer.flush()
    print(writer.problem)
    print(writer.waits)
    writer.end()
"""


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_what_did_not_get_to_the_disk_is_written_once_more(lake, monkeypatch, code):
    """What a failed bringing to the disk leaves in the file is not known: see fsync(2) of Linux."""
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 10)
    writer.flush()
    add(writer, 10, 20)

    def fail(descriptor):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(append_only.os, "fsync", fail)
    writer.flush()
    assert writer.problem
    raw = writer.recording.raw("source-1")
    raw.write_bytes(lines(0, 12) + b"\0" * 45)
    add(writer, 20, 25)
    monkeypatch.undo()
    writer.flush()
    assert writer.problem == ""
    assert raw.read_bytes() == lines(0, 25)
    assert writer.recording.arrivals("source-1").end.tolist() == [15 * i for i in range(1, 26)]
    writer.end()


def test_a_stick_may_be_pulled_out_and_put_back(tmp_path):
    lake = made_lake(tmp_path / "lake")
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 10)
    writer.flush()
    (tmp_path / "lake").rename(tmp_path / "pulled")
    for descriptor in (f._descriptor for f in writer._files()):
        if descriptor is not None:
            os.close(descriptor)  # as of a device that is no longer there
    add(writer, 10, 20)
    assert "connect it again" in writer.problem
    writer.flush()
    assert writer.problem
    assert writer.free().bytes == 0
    writer.change(draft_m=0.5)
    (tmp_path / "pulled").rename(tmp_path / "lake")
    writer.flush()
    assert writer.problem == ""
    assert writer.recording.facts == {"draft_m": 0.5}
    writer.end()
    assert writer.recording.raw("source-1").read_bytes() == lines(0, 20)


def test_a_stick_that_does_not_come_back_leaves_the_bytes_elsewhere(tmp_path, monkeypatch):
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setattr(rescue_module.Path, "home", lambda: home)
    lake = made_lake(tmp_path / "lake")
    writer = RecordingWriter.begin(lake, TWO, {"draft_m": 0.3}, START)
    add(writer, 0, 10)
    writer.flush()
    (tmp_path / "lake").rename(tmp_path / "pulled")
    monkeypatch.setattr(append_only.os, "write", _gone)
    add(writer, 10, 20)
    monkeypatch.undo()
    monkeypatch.setattr(rescue_module.Path, "home", lambda: home)
    writer.end(levels=[2.0])
    assert writer.rescued == home / "Lakefloor 2026-07-09_140003Z"
    rescued = Recording(writer.rescued)
    assert rescued.raw("source-1").read_bytes() == lines(10, 20)
    assert rescued.arrivals("source-1").end.tolist() == [15 * i for i in range(1, 11)]
    assert rescued.arrivals("source-1").monotonic_us[0] == 10_000
    assert rescued.facts == {"draft_m": 0.3, "levels": [2.0]}
    assert not rescued.is_open
    assert [event["kind"] for event in rescued.events()] == ["disk"]
    there = Recording(tmp_path / "pulled" / "logs" / "2026-07-09_140003Z")
    assert there.raw("source-1").read_bytes() == lines(0, 10)


def _gone(*_):
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_what_can_be_written_nowhere_waits_for_another_end(tmp_path, monkeypatch):
    lake = made_lake(tmp_path / "lake")
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    nowhere = tmp_path / "nowhere"
    monkeypatch.setattr(rescue_module.Path, "home", lambda: nowhere)
    monkeypatch.setattr(rescue_module.tempfile, "gettempdir", lambda: str(nowhere))
    (tmp_path / "lake").rename(tmp_path / "pulled")
    monkeypatch.setattr(append_only.os, "write", _gone)
    add(writer, 0, 10)
    with pytest.raises(LakefloorError, match=r"150 bytes .* can be written nowhere"):
        writer.end()
    monkeypatch.undo()
    (tmp_path / "pulled").rename(tmp_path / "lake")
    writer.end()
    assert writer.recording.raw("source-1").read_bytes() == lines(0, 10)
    assert not writer.recording.is_open


def test_what_finds_no_room_in_memory_either_is_counted(lake, monkeypatch):
    monkeypatch.setattr(module, "WAITING", 1_500)
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    monkeypatch.setattr(append_only.os, "write", _gone)
    add(writer, 0, 100)
    assert writer.waits <= 1_500 + RECORD
    assert writer.lost > 0
    monkeypatch.undo()
    writer.flush()
    add(writer, 200, 210)
    writer.end()
    kept = (1500 - writer.lost) // 15
    assert writer.recording.raw("source-1").read_bytes() == lines(0, kept) + lines(200, 210)
    lost = [event for event in writer.recording.events() if event["kind"] == "lost"]
    assert [event["text"].split()[0] for event in lost] == [str(writer.lost)]
    assert parse_arrivals(writer.recording.arrivals_file("source-1").read_bytes())[1] == 0


def test_a_file_that_another_program_cut_is_not_written_over(tmp_path):
    path = tmp_path / "a"
    file = AppendOnly(path)
    file.add(b"0123456789")
    file.write()
    file.sync()
    file.close()
    os.truncate(path, 5)
    file.add(b"more")
    with pytest.raises(OSError, match="shorter"):
        file.write()
    assert path.read_bytes() == b"01234"


def test_free_space_is_that_of_the_disk_with_a_forecast(lake, monkeypatch):
    clock = [1000.0]
    monkeypatch.setattr(module.time, "monotonic", lambda: clock[0])
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    assert writer.free().seconds == float("inf")
    for _second in range(120):
        clock[0] += 1.0
        for n in range(10):
            writer.add("source-1", b"x" * 42, int(1e6 * clock[0]) + n, UTC)
        free = writer.free()
    room = os.statvfs(lake.path)
    assert free.bytes == pytest.approx(room.f_bavail * room.f_frsize, rel=0.05)
    # 10 pieces of 42 bytes a second, each with a record.
    assert free.seconds == pytest.approx(free.bytes / (10 * (42 + RECORD)), rel=1e-3)
    writer.end()


def test_who_took_the_recording_writes_it_alone(lake, monkeypatch):
    clock = [1000.0]
    monkeypatch.setattr(module.time, "monotonic", lambda: clock[0])
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    add(writer, 0, 10)
    writer.flush()
    taken = {"machine": "another", "process": 1, "time": START.isoformat(), "token": "theirs"}
    writer.recording.lock.write_text(json.dumps(taken))
    clock[0] += 61.0
    writer.flush()
    assert "another" in writer.problem
    add(writer, 10, 20)
    writer.flush()
    assert writer.recording.raw("source-1").read_bytes() == lines(0, 10)
    writer.recording.lock.unlink()
    writer.flush()
    assert writer.problem == ""
    writer.end()
    assert writer.recording.raw("source-1").read_bytes() == lines(0, 20)


# -- a long day ---------------------------------------------------------------


def sentence(body):
    return f"${body}*{sentence_checksum(body):02X}\r\n".encode()


def fix(second, date="090726"):
    of_day = second % 86400
    clock = f"{of_day // 3600:02d}{of_day // 60 % 60:02d}{of_day % 60:02d}"
    north = 4500.0 + second % 86400 * 0.0001
    return sentence(f"GPRMC,{clock}.00,A,{north:09.4f},N,09300.0000,W,4.0,0.0,{date},,")


def test_midnight_is_a_second_like_others(lake):
    before = datetime(2026, 7, 9, 23, 59, 30, tzinfo=timezone.utc)
    writer = RecordingWriter.begin(lake, TWO, {}, before)
    at = int(before.timestamp() * 1e6)
    for n in range(60):
        date = "090726" if n < 30 else "100726"
        us = 10_000_000 + 1_000_000 * n
        writer.add("source-1", fix(86370 + n, date), us, at + 1_000_000 * n)
        depth = sentence(f"SDDBT,,f,{3 + n / 100:.2f},M,,F")
        writer.add("source-2", depth, us + 500_000, at + 1_000_000 * n + 500_000)
    writer.end()
    assert len(recordings(lake)) == 1
    soundings = parse_recording(writer.recording.path).soundings
    start = np.datetime64("2026-07-09T23:59:30.500", "ms")
    assert soundings.time.tolist() == [
        (start + 1000 * n).astype(object) for n in range(len(soundings))
    ]
    assert len(soundings) >= 59


def test_what_came_before_a_session_is_read_alone(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    for session in (1, 2):
        for n in range(20):
            second = 60 * session + n
            us = 1_000_000 * n
            writer.add("source-1", fix(second), us, UTC)
            depth = sentence(f"SDDBT,,f,{session + n / 100:.2f},M,,F")
            writer.add("source-1", depth, us + 500_000, UTC)
        if session == 1:
            writer.leave()
            alone = parse_recording(writer.recording.path).soundings
            writer = RecordingWriter.resume(writer.recording)
            assert writer.session == 2
    writer.flush()
    path = writer.recording.path
    before = parse_recording(path, before_session=2).soundings
    assert before.raw_depth.tolist() == alone.raw_depth.tolist()
    assert before.time.tolist() == alone.time.tolist()
    assert len(parse_recording(path).soundings) == 2 * len(before) == 38
    writer.end()


def test_memory_is_flat_over_eight_hours_at_ten_a_second(lake):
    writer = RecordingWriter.begin(lake, TCP, {}, START)
    pieces, peaks = 8 * 3600 * 10, []
    data = fix(1) + sentence("SDDBT,,f,3.20,M,,F")
    tracemalloc.start()
    for n in range(pieces):
        writer.add("source-1", data, 100_000 * n, UTC + 100_000 * n)
        if n % 10 == 9:
            writer.free()
        if n % 1000 == 999:
            writer.flush()
        if n % (pieces // 8) == pieces // 8 - 1:
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.reset_peak()
    tracemalloc.stop()
    writer.end()
    assert writer.recording.raw("source-1").stat().st_size == pieces * len(data)
    assert writer.recording.arrivals_file("source-1").stat().st_size == pieces * RECORD
    assert peaks[-1] < peaks[0] + 100_000
