"""Serial ports, each a pseudo-terminal of the system (pty(7)); every fault of a boat."""

import errno
import os
import random
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")
if os.name != "posix":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import fcntl
import grp
import tty

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import SENTENCES, Ear, wait, wait_until

from lakefloor.plugin.water.sources import SourceSpec, open_source, ports, possible_sources, source

RANDOM = random.Random(17)


class Device:
    """A pseudo-terminal whose slave stands under a name in a folder of devices."""

    def __init__(self, folder, name="ttyUSB0"):
        self.folder, self.master = folder, -1
        self.plug(name)

    def plug(self, name):
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.slave = os.ttyname(slave)
        os.close(slave)
        self.path = self.folder / name
        self.path.symlink_to(self.slave)

    def unplug(self):
        self.path.unlink()
        os.close(self.master)
        self.master = -1

    def send(self, data):
        """Write all, while the reader reads: a terminal keeps 4 kB."""
        os.set_blocking(self.master, True)
        thread = threading.Thread(target=self._write, args=(data,))
        thread.start()
        return thread

    def _write(self, data):
        sent = 0
        while sent < len(data):
            sent += os.write(self.master, data[sent : sent + 1000])


@pytest.fixture
def dev(tmp_path, monkeypatch):
    """A folder in place of /dev, and one of lasting names in it."""
    by_id = tmp_path / "serial" / "by-id"
    monkeypatch.setattr(ports, "DEV", tmp_path)
    monkeypatch.setattr(ports, "BY_ID", by_id)
    monkeypatch.setattr(source, "LOOK_MS", 100)
    return tmp_path


@pytest.fixture
def device(dev):
    device = Device(dev)
    yield device
    if device.master >= 0:
        os.close(device.master)


@pytest.fixture
def opened(qgis_app):
    """Open a source, and close it at the end."""
    made = []

    def begin(place, **further):
        reader = open_source(SourceSpec("serial", str(place), **further))
        ear = Ear(reader)
        made.append(reader)
        reader.open()
        return reader, ear

    yield begin
    for reader in made:
        reader.close()


def _lasting(dev, name, port):
    link = dev / "serial" / "by-id" / name
    link.parent.mkdir(parents=True, exist_ok=True)
    link.unlink(missing_ok=True)
    link.symlink_to(f"../../{port}")
    return link


def test_what_is_sent_comes_as_it_was(device, opened):
    _, ear = opened(device.path, baud=38400)
    assert ear.states[0][0] == "opening"
    assert ear.state == "open"
    assert "38400 baud" in ear.text
    # Every byte there is: a terminal that is not raw swallows or changes 3, 4, 13, 17, 19, 26.
    data = bytes(range(256)) * 8 + SENTENCES
    device.send(data)
    wait_until(lambda: len(ear.data) >= len(data))
    assert ear.data == data


@pytest.mark.parametrize("baud", [4800, 9600, 19200, 38400, 57600, 115200])
def test_the_rate_is_set(device, opened, baud):
    opened(device.path, baud=baud)
    # Both ends of a pseudo-terminal have one set of attributes.
    attributes = termios.tcgetattr(device.master)
    assert attributes[4] == attributes[5] == getattr(termios, f"B{baud}")
    assert not attributes[3] & (termios.ICANON | termios.ECHO | termios.ISIG)


def test_a_rate_that_there_is_not(device, opened):
    _, ear = opened(device.path, baud=4801)
    assert ear.state == "gone"
    assert "cannot be read at 4801 baud" in ear.text


def test_a_megabyte_at_once_and_cut_anywhere(device, opened):
    _, ear = opened(device.path)
    data = RANDOM.randbytes(2**20)
    device.send(data)
    wait_until(lambda: len(ear.data) >= len(data), 60)
    assert ear.data == data


def test_sentences_cut_in_half_are_whole_together(device, opened):
    _, ear = opened(device.path)
    for start in range(0, len(SENTENCES), 7):
        os.write(device.master, SENTENCES[start : start + 7])
        wait_until(lambda start=start: len(ear.data) >= min(start + 7, len(SENTENCES)))
    assert len(ear.pieces) >= len(SENTENCES) // 7
    assert ear.data == SENTENCES


def test_unplugged_and_back(device, opened):
    _, ear = opened(device.path)
    device.send(SENTENCES + b"$GPGGA,1400")
    # What a pseudo-terminal holds is lost with it.
    wait_until(lambda: ear.data == SENTENCES + b"$GPGGA,1400")
    device.unplug()
    wait_until(lambda: ear.state == "gone")
    assert "Plug the device in" in ear.text
    assert ear.data == SENTENCES + b"$GPGGA,1400"
    device.plug("ttyUSB0")
    wait_until(lambda: ear.state == "open")
    device.send(b"04.00,more\r\n" + SENTENCES)
    wait_until(lambda: ear.data.endswith(b"more\r\n" + SENTENCES))
    assert ear.data == SENTENCES + b"$GPGGA,140004.00,more\r\n" + SENTENCES


def test_no_work_while_unplugged(device, opened):
    _, ear = opened(device.path)
    device.unplug()
    wait_until(lambda: ear.state == "gone")
    before = time.process_time()
    told = len(ear.states)
    wait(1.0)
    # The waiting of this test itself takes some.
    assert time.process_time() - before < 0.5
    assert len(ear.states) == told


def test_back_under_another_name_by_its_lasting_one(dev, device, opened):
    link = _lasting(dev, "usb-Maker_Adapter_A1-if00-port0", "ttyUSB0")
    _, ear = opened(device.path)
    device.unplug()
    link.unlink()
    wait_until(lambda: ear.state == "gone")
    # Another device has taken the old name.
    other = Device(dev, "ttyUSB0")
    _lasting(dev, "usb-Maker_Adapter_B2-if00-port0", "ttyUSB0")
    wait(0.5)
    assert ear.state == "gone"
    device.plug("ttyUSB1")
    _lasting(dev, "usb-Maker_Adapter_A1-if00-port0", "ttyUSB1")
    wait_until(lambda: ear.state == "open")
    assert f"The device is now at {device.slave}" in ear.text
    other.send(b"not this")
    device.send(SENTENCES)
    wait_until(lambda: len(ear.data) >= len(SENTENCES))
    assert ear.data == SENTENCES
    os.close(other.master)


def test_back_as_the_only_port_that_is_new(dev, device, opened):
    stays = Device(dev, "ttyUSB3")
    _, ear = opened(device.path)
    device.unplug()
    wait_until(lambda: ear.state == "gone")
    wait(0.3)
    assert ear.state == "gone"
    device.plug("ttyUSB1")
    wait_until(lambda: ear.state == "open")
    assert f"The device is now at {device.path}" in ear.text
    device.send(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    # And from there back again.
    device.unplug()
    wait_until(lambda: ear.state == "gone")
    device.plug("ttyUSB0")
    wait_until(lambda: ear.state == "open")
    assert f"The device is now at {device.path}" in ear.text
    os.close(stays.master)


def test_of_two_new_ports_none_is_taken(dev, device, opened):
    _, ear = opened(device.path)
    device.unplug()
    wait_until(lambda: ear.state == "gone")
    one, two = Device(dev, "ttyUSB1"), Device(dev, "ttyUSB2")
    wait(0.5)
    assert ear.state == "gone"
    device.plug("ttyUSB0")
    wait_until(lambda: ear.state == "open")
    for each in (one, two):
        os.close(each.master)


def test_a_silent_device(device, opened, monkeypatch):
    monkeypatch.setattr(source, "SILENT_S", 0.4)
    _, ear = opened(device.path)
    device.send(SENTENCES)
    wait_until(lambda: ear.state == "silent")
    assert "4800 baud" in ear.text
    device.send(SENTENCES)
    wait_until(lambda: ear.state == "open")
    assert ear.data == 2 * SENTENCES
    assert [state for state, _ in ear.states[:3]] == ["opening", "open", "silent"]


def test_a_device_that_appears_later(dev, opened):
    _, ear = opened(dev / "ttyUSB0")
    assert ear.state == "gone"
    device = Device(dev, "ttyUSB0")
    wait_until(lambda: ear.state == "open")
    os.close(device.master)


def test_a_port_of_our_own_is_busy(device, opened):
    reader, first = opened(device.path)
    _, second = opened(device.path)
    assert second.state == "gone"
    assert "Another program uses" in second.text
    device.send(SENTENCES)
    wait_until(lambda: first.data == SENTENCES)
    reader.close()
    assert first.state == "gone"
    assert "closed" in first.text
    wait_until(lambda: second.state == "open")


@pytest.fixture
def as_nobody():
    """The superuser may open what is held or forbidden, so be nobody."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    yield
    os.seteuid(0)


def test_a_port_that_another_program_holds(device, opened, request):
    code = (
        "import fcntl, os, sys, termios\n"
        "port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n"
        "fcntl.ioctl(port, termios.TIOCEXCL)\nprint(flush=True)\nsys.stdin.read()\n"
        "fcntl.ioctl(port, termios.TIOCNXCL)\n"
    )
    os.chmod(device.slave, 0o666)
    holder = subprocess.Popen(
        [sys.executable, "-c", code, device.slave], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    holder.stdout.readline()
    request.getfixturevalue("as_nobody")
    _, ear = opened(device.slave)
    assert ear.state == "gone"
    assert "Another program uses" in ear.text
    holder.communicate()
    wait_until(lambda: ear.state == "open")


def test_a_port_that_one_may_not_read(device, opened, request):
    groups = [each.gr_gid for each in grp.getgrall() if each.gr_name == "dialout"]
    if os.geteuid() == 0 and groups:
        os.chown(device.slave, 0, groups[0])
    os.chmod(device.slave, 0)
    request.getfixturevalue("as_nobody")
    _, ear = opened(device.slave)
    assert ear.state == "gone"
    if os.stat(device.slave).st_gid in groups:
        assert "sudo usermod -aG dialout $USER" in ear.text
    assert ear.text.startswith("You may not read")


def test_what_is_no_port(tmp_path, opened):
    path = tmp_path / "log.txt"
    path.write_bytes(SENTENCES)
    _, ear = opened(path)
    assert ear.state == "gone"
    assert "is not a serial port" in ear.text


def test_a_closed_port_is_free(device, opened):
    reader, ear = opened(device.path)
    reader.close()
    again = os.open(device.slave, os.O_RDONLY | os.O_NOCTTY)
    fcntl.flock(again, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(again)
    device.send(SENTENCES)
    wait(0.2)
    assert ear.data == b""
    with pytest.raises(OSError, match="descriptor") as caught:
        os.fstat(reader._descriptor)
    assert caught.value.errno == errno.EBADF


def test_the_ports_that_there_are(dev, device):
    others = [Device(dev, name) for name in ("ttyUSB10", "ttyACM0", "ttyX7")]
    _lasting(dev, "usb-Maker_Fine_Adapter_A1-if00-port0", "ttyUSB10")
    found = [(spec.kind, spec.place, spec.name) for spec in possible_sources()]
    link = str(dev / "serial" / "by-id" / "usb-Maker_Fine_Adapter_A1-if00-port0")
    assert found == [
        ("serial", str(dev / "ttyACM0"), "ttyACM0"),
        ("serial", str(dev / "ttyUSB0"), "ttyUSB0"),
        ("serial", link, "Maker Fine Adapter A1 (ttyUSB10)"),
    ]
    for each in others:
        os.close(each.master)


def test_a_lasting_name_as_the_place(dev, device, opened):
    link = _lasting(dev, "usb-Maker_Adapter_A1-if00-port0", "ttyUSB0")
    _, ear = opened(link)
    assert ear.state == "open"
    assert "now at" not in ear.text
    device.unplug()
    link.unlink()
    wait_until(lambda: ear.state == "gone")
    device.plug("ttyUSB5")
    _lasting(dev, "usb-Maker_Adapter_A1-if00-port0", "ttyUSB5")
    wait_until(lambda: ear.state == "open")
    device.send(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
