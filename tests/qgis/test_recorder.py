"""The recorder with real sockets, pseudo-terminals and files: every byte is kept, whatever happens."""

import errno
import json
import os
import random
import socket
import subprocess
import sys
import textwrap
import threading
import time
from datetime import datetime, timezone
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtTest import QTest

from lakefloor.algorithms._lake import append_only, rescue
from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import holder_of, release_lock, take_lock
from lakefloor.algorithms._lake.recording import RecordingWriter, recordings
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.recorded_log import parse_recording
from lakefloor.plugin.door.work import LakeWork
from lakefloor.plugin.water import hearing_live, recorder_work
from lakefloor.plugin.water.clock_watch import ClockWatch
from lakefloor.plugin.water.recorder import Recorder
from lakefloor.plugin.water.sources import SourceSpec


def sentence(body):
    return f"${body}*{sentence_checksum(body):02X}\r\n".encode()


def fix(second, day="090726"):
    clock = f"{14 + second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
    north = 45 * 100 + second * 0.001
    return sentence(f"GPRMC,{clock}.00,A,{north:09.4f},N,09300.0000,W,4.0,0.0,{day},,")


def depth(meters):
    return sentence(f"SDDBT,,f,{meters:.2f},M,,F")


def wait_for(said, timeout_s=20.0):
    """Let Qt work until something is so."""
    end = time.monotonic() + timeout_s
    while not said():
        assert time.monotonic() < end, "waited in vain"
        QTest.qWait(10)


class Device:
    """Sends bytes by UDP to a port of this computer."""

    def __init__(self):
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.sent = b""

    @property
    def spec(self):
        return SourceSpec("udp", f"127.0.0.1:{self.port}")

    def send(self, data):
        self.socket.sendto(data, ("127.0.0.1", self.port))
        self.sent += data


@pytest.fixture
def lake(tmp_path):
    write_facts(tmp_path, LakeFacts("Lake Marrowby"))
    lake = LakeFolder(tmp_path)
    yield lake
    release_lock(lake)


@pytest.fixture
def device():
    device = Device()
    yield device
    device.socket.close()


@pytest.fixture
def recorder(qgis_app):
    recorder = Recorder()
    recorder.told, recorder.got, recorder.passed = [], [], []
    recorder.heard.connect(recorder.told.append)
    recorder.state_changed.connect(recorder.got.append)
    recorder.raw.connect(recorder.passed.append)
    yield recorder
    recorder.leave()


def is_open(recorder, key="source-1"):
    return bool(recorder.got) and recorder.got[-1].sources.get(key, ("",))[0] == "open"


def drive(device, first, last):
    for second in range(first, last):
        device.send(fix(second))
        QTest.qWait(10 if second == first else 1)
        device.send(depth(3.0 + 0.1 * second))
        QTest.qWait(2)


def test_every_byte_is_kept_and_soundings_are_those_read_at_home(recorder, lake, device):
    recorder.start(lake, [device.spec], {"draft_m": 0.3})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 40)
    wait_for(lambda: sum(len(h.soundings) for h in recorder.told) >= 39)
    recorder.mark({"number": 1, "kind": "fish"})
    recorder.stop(levels=[{"level": 2.7}])
    assert not recorder.is_recording
    (recording,) = recordings(lake)
    assert recording == recorder.recording
    assert not recording.is_open
    assert recording.facts == {"draft_m": 0.3, "levels": [{"level": 2.7}]}
    assert recording.marks() == [{"number": 1, "kind": "fish"}]
    assert recording.raw("source-1").read_bytes() == device.sent
    assert recording.arrivals("source-1").end[-1] == len(device.sent)
    home = parse_recording(recording.path).soundings
    live = [h.soundings for h in recorder.told]
    for name in ("x", "y", "raw_depth", "time"):
        heard = np.concatenate([getattr(part, name) for part in live])
        assert np.array_equal(heard, getattr(home, name)[: len(heard)]), name
    assert b"".join(recorder.passed) == device.sent
    assert recorder.told[-1].now.depth_m == pytest.approx(6.9)


# -- threads ------------------------------------------------------------------


def stamps(recording, key="source-1"):
    return recording.arrivals(key).monotonic_us / 1e6


def test_a_slow_disk_and_a_busy_window_delay_no_time_of_arrival(
    recorder, lake, device, monkeypatch
):
    fsync = os.fsync

    def slow(descriptor):
        time.sleep(1.0)
        fsync(descriptor)

    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    monkeypatch.setattr(append_only.os, "fsync", slow)
    sent = []
    for second in range(40):  # the window does nothing else meanwhile
        sent.append(time.monotonic())
        device.send(depth(3.0 + second))
        time.sleep(0.05)
    monkeypatch.undo()
    recorder.stop()
    late = stamps(recorder.recording) - sent
    assert len(late) == 40
    assert late.min() >= 0.0
    # A flush took two seconds; what waits for it would be late by half of that.
    assert np.median(late) < 0.1
    assert np.sort(late)[-4] < 0.5


def test_a_disk_that_does_not_answer_is_said(recorder, lake, device, monkeypatch):
    monkeypatch.setattr(recorder_work, "_HANGS_S", 0.2)
    hangs = threading.Event()
    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    monkeypatch.setattr(append_only.os, "fsync", lambda _: hangs.wait(30))
    device.send(depth(3.0))
    wait_for(lambda: "has not answered" in recorder.got[-1].problem)
    device.send(depth(4.0))
    hangs.set()
    monkeypatch.undo()
    wait_for(lambda: recorder.got[-1].problem == "")
    recorder.stop()
    assert recorder.recording.raw("source-1").read_bytes() == device.sent


def test_a_part_that_fails_is_said_and_the_bytes_are_kept(recorder, lake, device, monkeypatch):
    def fail(_):
        raise ZeroDivisionError("of a sort")

    monkeypatch.setattr(hearing_live.LiveReader, "take", fail)
    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 5)
    wait_for(lambda: "ZeroDivisionError" in recorder.got[-1].problem)
    recorder.stop()
    assert recorder.recording.raw("source-1").read_bytes() == device.sent


# -- devices ------------------------------------------------------------------


def test_two_devices_have_each_a_file_and_their_lines_are_not_mixed(recorder, lake, device):
    other = Device()
    recorder.start(lake, [device.spec, other.spec], {})
    wait_for(lambda: is_open(recorder) and is_open(recorder, "source-2"))
    for second in range(20):
        device.send(fix(second)[:20])
        other.send(depth(second)[:9])
        QTest.qWait(5)
        device.send(fix(second)[20:])
        other.send(depth(second)[9:])
        QTest.qWait(5)
    wait_for(lambda: sum(map(len, recorder.passed)) == len(device.sent + other.sent))
    recorder.stop()
    assert recorder.recording.raw("source-1").read_bytes() == device.sent
    assert recorder.recording.raw("source-2").read_bytes() == other.sent
    lines = b"".join(recorder.passed).splitlines(keepends=True)
    assert sorted(lines) == sorted((device.sent + other.sent).splitlines(keepends=True))
    assert len(parse_recording(recorder.recording.path).soundings) >= 18
    other.socket.close()


def test_a_device_that_goes_and_comes_back_is_an_event(recorder, lake):
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(20)
        port = server.getsockname()[1]
        recorder.start(lake, [SourceSpec("tcp", f"127.0.0.1:{port}")], {})
        first, _ = server.accept()
        first.sendall(depth(3.0))
        wait_for(lambda: recorder.passed)
        first.close()
        wait_for(lambda: recorder.got[-1].sources["source-1"][0] in ("gone", "opening"))
        second, _ = server.accept()
        second.sendall(depth(4.0))
        wait_for(lambda: is_open(recorder))
        wait_for(lambda: len(recorder.passed) == 2)
        recorder.stop()
        second.close()
    assert recorder.recording.raw("source-1").read_bytes() == depth(3.0) + depth(4.0)
    kinds = [e["kind"] for e in recorder.recording.events() if e["source"] == "source-1"]
    assert kinds == ["unplugged", "back"]


def test_rows_of_text_are_kept_below_the_names_of_their_columns(recorder, lake, tmp_path):
    path = tmp_path / "survey.csv"
    head, before = "time,lat,lon,depth (m)\n", "2026-07-09 13:00:00,45.0,-93.0,2.00\n"
    path.write_text(head + before)
    recorder.start(lake, [SourceSpec("file", str(path))], {})
    wait_for(lambda: is_open(recorder))
    rows = [f"2026-07-09 14:00:{s:02d},45.{s:04d},-93.0,{3 + s / 10:.2f}\n" for s in range(10)]
    with open(path, "a", encoding="utf-8") as file:
        file.write("".join(rows))
    wait_for(lambda: sum(len(h.soundings) for h in recorder.told) == 10)
    recorder.leave()
    raw = recorder.recording.raw("source-1")
    assert raw.name == "source-1.txt"
    assert raw.read_text() == head + "".join(rows)
    recorder.told.clear()
    with open(path, "a", encoding="utf-8") as file:  # while nobody records
        file.write("2026-07-09 14:01:00,45.1,-93.0,5.00\n")
    recorder.start(lake, [SourceSpec("file", str(path))], {}, recordings(lake)[0])
    wait_for(lambda: is_open(recorder) and sum(len(h.soundings) for h in recorder.told) == 11)
    with open(path, "a", encoding="utf-8") as file:
        file.write("2026-07-09 14:01:01,45.1001,-93.0,5.10\n")
    wait_for(lambda: sum(len(h.soundings) for h in recorder.told) == 12)
    recorder.stop()
    heard = np.concatenate([h.soundings.raw_depth for h in recorder.told])
    assert heard == pytest.approx([*(3 + np.arange(10) / 10), 5.0, 5.1])
    assert raw.read_text() == path.read_text().replace(before, "")


def test_a_source_that_fails_keeps_no_other_from_being_recorded(
    recorder, lake, device, monkeypatch
):
    opened = recorder_work.open_source

    def fail(spec, tail=b""):
        if spec.kind == "tcp":
            raise RuntimeError("no such thing")
        return opened(spec, tail)

    monkeypatch.setattr(recorder_work, "open_source", fail)
    recorder.start(lake, [SourceSpec("tcp", "127.0.0.1:9"), device.spec], {})
    wait_for(lambda: is_open(recorder, "source-2"))
    drive(device, 0, 3)
    recorder.stop()
    state, text = recorder.got[-1].sources["source-1"]
    assert (state, text) == ("gone", "127.0.0.1:9 fails (no such thing).")
    assert recorder.recording.raw("source-2").read_bytes() == device.sent


# -- from start to end --------------------------------------------------------


def test_a_recording_that_goes_on_tells_first_what_it_has(recorder, lake, device):
    recorder.start(lake, [device.spec], {"draft_m": 0.3})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 30)
    wait_for(lambda: sum(len(h.soundings) for h in recorder.told) >= 29)
    recorder.leave()
    assert not recorder.is_recording
    (recording,) = recordings(lake)
    assert recording.is_open
    home = parse_recording(recording.path).soundings
    recorder.told.clear()
    recorder.start(lake, [device.spec], {"draft_m": 0.3}, recording)
    wait_for(lambda: is_open(recorder) and any(len(h.soundings) for h in recorder.told))
    first = next(h.soundings for h in recorder.told if len(h.soundings))
    assert np.array_equal(first.raw_depth[: len(home)], home.raw_depth)
    drive(device, 60, 90)
    wait_for(lambda: sum(len(h.soundings) for h in recorder.told) >= len(home) + 29)
    recorder.stop()
    assert recording.raw("source-1").read_bytes() == device.sent
    assert set(recording.arrivals("source-1").session) == {1, 2}
    whole = parse_recording(recording.path).soundings
    heard = np.concatenate([h.soundings.raw_depth for h in recorder.told])
    assert np.array_equal(heard, whole.raw_depth[: len(heard)])
    assert len(recordings(lake)) == 1


def test_a_further_device_has_a_key_of_its_own_when_it_goes_on(recorder, lake, device):
    other = Device()
    recorder.start(lake, [device.spec, other.spec], {})
    wait_for(lambda: is_open(recorder, "source-2"))
    other.send(depth(2.0))
    wait_for(lambda: recorder.passed)
    recorder.leave()
    third = Device()
    recorder.start(lake, [third.spec, other.spec], {}, recordings(lake)[0])
    wait_for(lambda: is_open(recorder, "source-3") and is_open(recorder, "source-2"))
    third.send(depth(3.0))
    other.send(depth(4.0))
    wait_for(lambda: len(recorder.passed) == 3)
    recorder.stop()
    recording = recorder.recording
    assert recording.raw("source-2").read_bytes() == depth(2.0) + depth(4.0)
    assert recording.raw("source-3").read_bytes() == depth(3.0)
    assert recording.sources["source-1"]["place"] == device.spec.place
    for each in (other, third):
        each.socket.close()


def test_the_project_may_be_closed_and_the_panel_may_leave_the_lake(recorder, lake, device):
    work = LakeWork()
    work.open(lake.path)
    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 5)
    QgsProject.instance().clear()
    work.close()
    work.stop()
    assert holder_of(lake) is None
    recorder._minute.timeout.emit()
    assert holder_of(lake).own
    drive(device, 5, 10)
    wait_for(lambda: recorder.told and recorder.told[-1].now.depth_m == pytest.approx(3.9))
    recorder.stop()
    assert recorder.recording.raw("source-1").read_bytes() == device.sent


def test_the_lock_of_the_lake_is_given_back_where_nobody_had_it(recorder, lake, device):
    recorder.start(lake, [device.spec], {})
    assert holder_of(lake).own
    recorder.stop()
    assert holder_of(lake) is None
    take_lock(lake)
    recorder.start(lake, [device.spec], {})
    recorder.stop()
    assert holder_of(lake).own


def test_a_lake_that_another_holds_is_not_recorded_on(recorder, lake, device):
    now = datetime.now(timezone.utc).isoformat(timespec="seconds")
    content = {"machine": "another", "process": 1, "time": now, "token": "theirs"}
    lake.lock.write_text(json.dumps(content))
    with pytest.raises(LakefloorError, match="another"):
        recorder.start(lake, [device.spec], {})
    assert not recorder.is_recording
    assert recordings(lake) == []


def test_one_outing_is_recorded_at_a_time(recorder, lake, device):
    recorder.start(lake, [device.spec], {})
    with pytest.raises(LakefloorError, match="recorded already"):
        recorder.start(lake, [device.spec], {})
    recorder.stop()
    recorder.stop()
    recorder.leave()


def test_the_end_of_qgis_leaves_it_open(recorder, lake, device):
    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 3)
    recorder.mark({"number": 1})
    recorder.change(draft_m=0.4)
    recorder.leave()
    assert recorder.recording.is_open
    assert recorder.recording.raw("source-1").read_bytes() == device.sent
    assert recorder.recording.marks() == [{"number": 1}]
    assert recorder.recording.facts == {"draft_m": 0.4}


def test_what_can_be_written_nowhere_waits_for_another_end(
    recorder, lake, device, monkeypatch, tmp_path
):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    monkeypatch.setattr(rescue.Path, "home", lambda: tmp_path / "nowhere")
    monkeypatch.setattr(rescue.tempfile, "gettempdir", lambda: str(tmp_path / "nowhere"))
    monkeypatch.setattr(append_only.os, "write", full)
    drive(device, 0, 5)
    wait_for(lambda: "disk is full" in recorder.got[-1].problem)
    with pytest.raises(LakefloorError, match="written nowhere"):
        recorder.stop()
    recorder.leave()
    assert "written nowhere" in recorder.got[-1].problem
    assert recorder.is_recording
    monkeypatch.undo()
    recorder.stop()
    assert not recorder.is_recording
    assert recorder.recording.raw("source-1").read_bytes() == device.sent


# -- clocks -------------------------------------------------------------------


def test_time_that_flows_is_no_event():
    watch = ClockWatch(1.0)
    assert [watch.look(t, 1e9 + t * 1.00001) for t in np.arange(0.0, 20.0, 1.1)] == [[]] * 19


@pytest.mark.parametrize(
    ("on", "utc", "kinds", "words"),
    [
        (3601.0, 3601.0, ["asleep"], "3600 s"),
        (1.0, 61.0, ["clock"], "forward by 60 s"),
        (1.0, -59.0, ["clock"], "back by 60 s"),
        (3601.0, 7201.0, ["asleep", "clock"], "forward by 3600 s"),
    ],
)
def test_sleep_and_clocks_that_are_set_are_events(on, utc, kinds, words):
    watch = ClockWatch(1.0)
    assert watch.look(1000.0, 1e9) == []
    events = watch.look(1000.0 + on, 1e9 + utc)
    assert [kind for kind, _ in events] == kinds
    assert any(words in text for _, text in events)
    assert watch.look(1001.0 + on, 1e9 + utc + 1.0) == []


def test_a_clock_beside_gps_time_is_said_once():
    watch = ClockWatch(1.0)

    def compare(ahead_s, second):
        gps = np.datetime64("2026-07-09T14:00:00.000", "ms") + 1000 * second
        utc_us = int((gps.astype(np.int64) / 1e3 + 0.4 + ahead_s) * 1e6)
        now = SimpleNamespace(fix_us=5_000_000, gps_time=gps)
        return watch.compare(now, 5_400_000, utc_us)

    assert compare(0.5, 1) == []
    ((kind, text),) = compare(37.0, 2)
    assert (kind, text) == (
        "clock",
        "The computer's clock is 37 s ahead of GPS time. GPS time counts.",
    )
    assert compare(37.5, 3) == []
    ((_, text),) = compare(-3600.0, 4)
    assert "3,600 s behind" in text
    ((_, text),) = compare(0.1, 5)
    assert "agrees" in text
    ((_, text),) = compare(902.9 * 86_400.0, 6)
    assert "is 903 days ahead" in text
    assert compare(902.9 * 86_400.0 - 60.0, 7) == [], "a log that is played fast"
    ((_, text),) = compare(0.1, 8)
    assert "agrees" in text
    nothing = SimpleNamespace(fix_us=None, gps_time=np.datetime64("NaT", "ms"))
    assert watch.compare(nothing, 0, 0) == []


def test_a_wrong_clock_of_the_computer_is_an_event_of_the_recording(recorder, lake, device):
    recorder.start(lake, [device.spec], {})
    wait_for(lambda: is_open(recorder))
    drive(device, 0, 5)  # of a day that is not today
    wait_for(lambda: recorder.told and recorder.told[-1].now.fix_us is not None)
    QTest.qWait(300)
    recorder.stop()
    (event,) = (e for e in recorder.recording.events() if e["kind"] == "clock")
    assert "GPS time" in event["text"]


# -- a process that dies ------------------------------------------------------

RECORDS = """
    import sys
    sys.path.insert(0, sys.argv[1])
    import conftest
    from pathlib import Path
    from qgis.core import QgsApplication
    from qgis.PyQt.QtCore import QTimer
    from lakefloor.algorithms._lake.folder import LakeFolder
    from lakefloor.plugin.water.recorder import Recorder
    from lakefloor.plugin.water.sources import SourceSpec
    app = QgsApplication([], False)
    app.initQgis()
    recorder = Recorder()
    recorder.state_changed.connect(
        lambda state: print(*(how for how, _ in state.sources.values()), flush=True)
    )
    specs = [SourceSpec("serial", place) for place in sys.argv[3:]]
    recorder.start(LakeFolder(Path(sys.argv[2])), specs, {})
    app.exec()
"""


@pytest.mark.skipif(os.name == "nt", reason="there are no pseudo-terminals")
@pytest.mark.parametrize("seed", range(3))
def test_a_killed_qgis_lacks_at_most_the_last_second(lake, seed):
    gps, sounder = os.openpty(), os.openpty()
    tests = Path(__file__).resolve().parents[1]
    places = [os.ttyname(each[1]) for each in (gps, sounder)]
    command = [sys.executable, "-c", textwrap.dedent(RECORDS), str(tests), str(lake.path), *places]
    sent, least = {0: b"", 1: b""}, {0: 0, 1: 0}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        while process.stdout.readline().split() != ["open", "open"]:
            assert process.poll() is None, "the process ended"
        last = time.monotonic() + random.Random(seed).uniform(1.2, 2.5)
        for second in range(10_000):
            if time.monotonic() >= last:
                break
            if time.monotonic() < last - 1.0:
                least = {i: len(data) for i, data in sent.items()}
            for i, (pty, data) in enumerate(((gps, fix(second)), (sounder, depth(second / 100)))):
                os.write(pty[0], data)
                sent[i] += data
            time.sleep(0.01)
        process.kill()
    for descriptor in (*gps, *sounder):
        os.close(descriptor)
    (recording,) = recordings(lake)
    assert recording.is_open
    for i, key in enumerate(("source-1", "source-2")):
        data = recording.raw(key).read_bytes()
        assert sent[i].startswith(data)
        assert len(data) >= least[i] > 0
    soundings = parse_recording(recording.path).soundings
    assert len(soundings) > 20
    RecordingWriter.resume(recording).end()
    again = parse_recording(recording.path).soundings
    assert np.array_equal(again.raw_depth[: len(soundings)], soundings.raw_depth)
