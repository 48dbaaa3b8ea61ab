"""The form for sources: what it shows, keeps and hears, over real sockets and files."""

import os
import socket
import sys
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import SENTENCES, wait_until

from lakefloor.algorithms import _settings
from lakefloor.plugin.water.source_form import SourceForm
from lakefloor.plugin.water.sources import SourceSpec, ports
from lakefloor.plugin.water.sources.hearing import Hearing, missing
from lakefloor.plugin.water.sources.sentences import sentence


@pytest.fixture(autouse=True)
def settings(qgis_app, tmp_path, monkeypatch):
    QgsSettings().remove("lakefloor")
    monkeypatch.setattr(ports, "DEV", tmp_path / "dev")
    monkeypatch.setattr(ports, "BY_ID", tmp_path / "dev" / "serial" / "by-id")
    (tmp_path / "dev").mkdir()
    yield
    QgsSettings().remove("lakefloor")


@pytest.fixture
def form(settings):
    made = []

    def begin():
        made.append(SourceForm())
        made[-1].show()
        return made[-1]

    yield begin
    for each in made:
        each.close()
        each.deleteLater()


SPECS = [
    SourceSpec("serial", "/dev/ttyUSB7", 38400, "Adapter (ttyUSB7)"),
    SourceSpec("tcp", "[::1]:10110"),
    SourceSpec("udp", "10110"),
    SourceSpec("file", "/tmp/a log.txt"),
    SourceSpec("qgis"),
]


def test_what_was_chosen_is_there_the_next_time(form):
    first = form()
    first.set_specs(SPECS)
    plain = [(s.kind, s.place) for s in SPECS]
    assert [(s.kind, s.place) for s in first.specs()] == plain
    assert first.specs()[0] == SPECS[0]
    first.remember()
    assert form().specs() == first.specs()


@pytest.mark.parametrize("kept", ["nonsense", "[1]", '[{"kind": "radio"}]', '[{"place": "x"}]'])
def test_what_was_kept_by_hand_or_later_does_no_harm(form, kept):
    QgsSettings().setValue("lakefloor/sources", kept)
    assert [spec.kind for spec in form().specs()] == ["tcp"]


def test_settings_keep_what_a_later_version_added():
    _settings.keep_sources([{"kind": "udp", "place": "1", "depth": 3}])
    assert SourceSpec.from_dict(_settings.sources()[0]) == SourceSpec("udp", "1")


def test_the_port_that_is_there_is_chosen_first(form, tmp_path):
    (tmp_path / "dev" / "ttyUSB0").touch()
    (tmp_path / "dev" / "ttyUSB1").touch()
    shown = form()
    assert shown.specs() == [
        SourceSpec("serial", str(tmp_path / "dev" / "ttyUSB0"), 4800, "ttyUSB0")
    ]
    QTest.mouseClick(shown.add, Qt.MouseButton.LeftButton)
    assert [spec.name for spec in shown.specs()] == ["ttyUSB0", "ttyUSB1"]
    # A port that is plugged in meanwhile stands in the list when it opens.
    (tmp_path / "dev" / "ttyACM0").touch()
    shown.rows[0].port.showPopup()
    names = [shown.rows[0].port.itemText(i) for i in range(shown.rows[0].port.count())]
    assert names == ["ttyACM0", "ttyUSB0", "ttyUSB1"]
    assert shown.specs()[0].name == "ttyUSB0"
    shown.rows[0].port.hidePopup()


def test_a_typed_port_and_rate(form):
    shown = form()
    shown.set_specs([SourceSpec("serial")])
    assert shown.problem() == "Choose the serial port of the device."
    row = shown.rows[0]
    row.port.setEditText("/dev/pts/99")
    row.baud.setCurrentText("115200")
    assert shown.specs() == [SourceSpec("serial", "/dev/pts/99", 115200)]
    assert shown.problem() == ""


def test_what_is_wrong_is_said(form):
    shown = form()
    shown.set_specs([SourceSpec("tcp", "x")])
    assert "such as 192.168.1.1:10110" in shown.problem()
    shown.set_specs([SourceSpec("udp", "10110"), SourceSpec("udp", "10110")])
    assert shown.problem() == "10110 is there twice. Remove one."
    shown.rows[1].remove.click()
    assert shown.problem() == ""
    # One source there is always.
    assert not shown.rows[0].remove.isEnabled()


def test_the_tab_key_goes_from_row_to_row(form):
    shown = form()
    shown.set_specs([SourceSpec("tcp", "a:1"), SourceSpec("serial", "/dev/x")])
    QApplication.processEvents()
    shown.rows[0].kind.setFocus()
    passed = []
    for _ in range(8):
        here = shown.focusWidget()
        passed.append(here.accessibleName() or here.text())
        shown.focusNextPrevChild(True)
    assert passed == [
        "Kind of source 1", "Host and port of source 1", "Remove source 1",
        "Kind of source 2", "Serial port of source 2", "Baud rate of source 2",
        "Remove source 2", "&Add source",
    ]  # fmt: skip


def test_listening_shows_sentences_and_what_is_missing(form, tmp_path):
    path = tmp_path / "log.nmea"
    path.touch()
    probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    probe.bind(("127.0.0.1", 0))
    port = probe.getsockname()[1]
    probe.close()
    shown = form()
    shown.set_specs([SourceSpec("file", str(path)), SourceSpec("udp", str(port))])
    shown.listen.click()
    assert shown.heard.isVisible()
    assert shown.note.text().startswith("No sentence yet")
    with open(path, "ab") as file:
        file.write(SENTENCES[: SENTENCES.index(b"$SDDPT")] * 3)
    wait_until(lambda: "No depth yet" in shown.note.text())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.sendto(sentence("SDDPT,5.1,0.0") + sentence("PXYZ,1"), ("127.0.0.1", port))
    wait_until(lambda: shown.note.text() == "Depth and position arrive.")
    first, second = (shown.heard.topLevelItem(i) for i in range(2))
    assert [first.child(0).text(c) for c in range(3)] == ["GP GGA", "Position", "3"]
    assert [second.child(0).text(c) for c in range(4)] == [
        "SD DPT", "Depth", "1", sentence("SDDPT,5.1,0.0").decode().strip()
    ]  # fmt: skip
    assert [second.child(1).text(c) for c in range(2)] == ["PXYZ", "Not used"]
    assert "UDP port" in second.text(0)
    # Who listens gives the port free before a recorder takes it.
    shown.hide()
    assert not shown.listen.isChecked()
    free = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    free.bind(("0.0.0.0", port))
    free.close()


def test_another_choice_ends_the_listening(form, tmp_path):
    shown = form()
    shown.set_specs([SourceSpec("file", str(tmp_path / "x"))])
    shown.listen.click()
    assert "is not there" in shown.heard.topLevelItem(0).text(0)
    shown.rows[0].kind.setCurrentIndex(2)
    assert not shown.listen.isChecked()


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_a_wrong_rate_is_told(form):
    master, slave = os.openpty()
    shown = form()
    shown.set_specs([SourceSpec("serial", os.ttyname(slave))])
    shown.listen.click()
    # What another rate makes of sentences.
    os.write(master, bytes(255 - byte for byte in SENTENCES * 8))
    wait_until(lambda: "Choose another baud rate" in shown.heard.topLevelItem(0).text(0))
    shown.stop()
    os.close(master)
    os.close(slave)


def test_hearing_is_by_the_reader_of_logs():
    heard = Hearing()
    for start in range(0, len(SENTENCES), 5):
        heard.feed(SENTENCES[start : start + 5])
    assert heard.counts == {"GPGGA": 1, "SDDPT": 1, "YXMTW": 1}
    assert heard.bytes == len(SENTENCES)
    assert missing([heard]) == ""
    assert not heard.unread


def test_no_fix_and_no_depth_are_missing():
    heard = Hearing()
    heard.feed(sentence("GPGGA,140003.00,,,,,0,00,,,M,,M,,") + sentence("SDDPT,,0.0"))
    assert not heard.has_depth
    assert not heard.has_position
    assert missing([heard]).startswith("Neither depth nor position yet")
    heard.feed(sentence("SDDPT,4.0,0.0"))
    assert missing([heard]).startswith("No position yet")
    other = Hearing()
    other.feed(sentence("GPGGA,140003.00,4645.00000,N,09200.00000,W,1,08,1.0,300.0,M,-30.0,M,,"))
    assert missing([heard, other]) == ""
    assert missing([other]).startswith("No depth yet")
    other.feed(b"$SDDPT,4.0,0.0*00\r\n")
    assert other.unread == {"wrong checksum": 1}
    assert missing([other]).startswith("No depth yet")


def test_what_is_no_text_takes_no_memory():
    heard = Hearing()
    for _ in range(100):
        heard.feed(bytes(100_000))
    assert heard.bytes == 10_000_000
    assert len(heard._begun) < 10_000
