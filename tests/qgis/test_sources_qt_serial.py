"""Qt's serial ports, as on Windows, at a pseudo-terminal; where QGIS has QtSerialPort."""

import os
import sys
import tty
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")
pytest.importorskip("qgis.PyQt.QtSerialPort", reason="this QGIS has no QtSerialPort")

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import SENTENCES, Ear, wait_until

from lakefloor.plugin.water.sources import SourceSpec, source
from lakefloor.plugin.water.sources.qt_serial_port import QtSerialPort, qt_serial_ports


@pytest.fixture
def terminal(qgis_app, monkeypatch):
    monkeypatch.setattr(source, "LOOK_MS", 100)
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave), slave
    os.close(master)


@pytest.fixture
def opened():
    made = []

    def begin(place, baud=38400):
        reader = QtSerialPort(SourceSpec("serial", place, baud))
        made.append(reader)
        ear = Ear(reader)
        reader.open()
        return reader, ear

    yield begin
    for reader in made:
        reader.close()


def test_what_is_sent_comes_as_it_was(terminal, opened):
    master, place, _ = terminal
    reader, ear = opened(place)
    assert ear.state == "open", ear.text
    data = bytes(range(256)) + SENTENCES * 5
    os.write(master, data)
    wait_until(lambda: len(ear.data) >= len(data))
    assert ear.data == data
    reader.close()
    assert ear.state == "gone"


def test_gone_and_silent(terminal, opened, monkeypatch):
    monkeypatch.setattr(source, "SILENT_S", 0.3)
    master, place, _ = terminal
    _, ear = opened(place)
    wait_until(lambda: ear.state == "silent")
    os.write(master, SENTENCES)
    wait_until(lambda: ear.state == "open")
    _, lost = opened("/dev/ttyNoSuchPort")
    assert lost.state == "gone"
    assert "Plug the device in" in lost.text


def test_the_list_of_ports_is_there(qgis_app):
    assert all(len(port) == 2 and port[0] for port in qt_serial_ports())
