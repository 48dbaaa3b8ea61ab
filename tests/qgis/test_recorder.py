"""The recorder with real sockets, pseudo-terminals and files: every byte is kept, whatever happens."""

import socket
import time

import numpy as np
import pytest
from qgis.PyQt.QtTest import QTest

from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.lock import release_lock
from lakefloor.algorithms._lake.recording import recordings
from lakefloor.algorithms.core.reading.nmea_sentences import sentence_checksum
from lakefloor.algorithms.core.reading.recorded_log import parse_recording
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
