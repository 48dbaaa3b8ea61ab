"""QGIS's own GPS connections: as a source, and as what we feed; QGIS itself is the reference."""

import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")

from qgis.core import QgsApplication, QgsGpsInformation, QgsNmeaConnection
from qgis.PyQt.QtCore import (
    QDateTime,
    QIODevice,
    QMetaObject,
    QObject,
    Qt,
    QThread,
    pyqtSignal,
    pyqtSlot,
)

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import Ear, wait, wait_until

from lakefloor.plugin.water.sources import SourceSpec, Tee, open_source, qgis_gps, source, tee
from lakefloor.plugin.water.sources.sentences import fix_sentences, sentence

GGA = sentence("GPGGA,140003.00,4645.00000,N,09200.00000,W,1,08,1.0,300.0,M,-30.0,M,,")
RMC = sentence("GPRMC,140003.00,A,4645.00000,N,09200.00000,W,4.3,90.0,090726,,")
DPT = sentence("SDDPT,5.0,0.0")


@pytest.fixture(autouse=True)
def brisk(monkeypatch):
    monkeypatch.setattr(source, "LOOK_MS", 60)
    monkeypatch.setattr(qgis_gps, "LOOK_MS", 60)


@pytest.fixture
def registry(qgis_app):
    found = QgsApplication.gpsConnectionRegistry()
    before = set(found.connectionList())
    yield found
    assert set(found.connectionList()) == before


class Panel:
    """A connection as QGIS's panel makes it, whose device is in our hands."""

    def __init__(self, registry):
        self.registry, self.pipe = registry, tee._Pipe()
        self.pipe.open(QIODevice.OpenModeFlag.ReadOnly)
        self.connection = QgsNmeaConnection(self.pipe)
        self.connection.connect()
        registry.registerConnection(self.connection)

    def end(self):
        self.registry.unregisterConnection(self.connection)
        self.connection.deleteLater()


@pytest.fixture
def opened(qgis_app):
    made = []

    def begin():
        reader = open_source(SourceSpec("qgis"))
        ear = Ear(reader)
        made.append(reader)
        reader.open()
        return reader, ear

    yield begin
    for reader in made:
        reader.close()
    wait(0.1)


def test_sentences_of_the_panel_come(registry, opened):
    _, ear = opened()
    wait_until(lambda: ear.state == "gone")
    assert "Connect it to the device there" in ear.text
    panel = Panel(registry)
    wait_until(lambda: ear.state == "open")
    assert "as QGIS's GPS panel gives them" in ear.text
    panel.pipe.add(GGA + RMC)
    panel.pipe.add(DPT)
    wait_until(lambda: len(ear.data) >= len(GGA + RMC + DPT))
    # No composed ones beside those that were told.
    wait(0.1)
    assert ear.data == GGA + RMC + DPT
    panel.end()
    wait_until(lambda: ear.state == "gone")


def _information(**further):
    found = QgsGpsInformation()
    found.latitude, found.longitude, found.elevation = 46.7512345678, -92.0987654321, 183.25
    found.speed, found.direction, found.hdop = 8.0, 271.25, 0.9
    found.satellitesUsed, found.quality, found.fixType, found.fixMode = 9, 1, 3, "A"
    found.status = "A"
    found.utcDateTime = QDateTime.fromString(
        "2026-07-09T23:59:59.750Z", Qt.DateFormat.ISODateWithMs
    )
    for name, value in further.items():
        setattr(found, name, value)
    return found


def _read_by_qgis(data):
    """Return what QGIS's own reader makes of sentences."""
    pipe = tee._Pipe()
    pipe.open(QIODevice.OpenModeFlag.ReadOnly)
    connection = QgsNmeaConnection(pipe)
    connection.connect()
    pipe.add(data)
    return connection.currentGPSInformation()


@pytest.mark.parametrize("signs", [(1, 1), (1, -1), (-1, 1), (-1, -1)])
def test_a_composed_position_is_what_qgis_had(qgis_app, signs):
    given = _information(latitude=signs[0] * 46.7512345678, longitude=signs[1] * 7.0000001)
    data = fix_sentences(given)
    read = _read_by_qgis(data)
    # The eighth decimal is a millimeter.
    assert read.latitude == pytest.approx(given.latitude, abs=2e-8)
    assert read.longitude == pytest.approx(given.longitude, abs=2e-8)
    assert read.speed == pytest.approx(8.0, abs=0.001)
    assert read.direction == pytest.approx(271.25)
    assert read.elevation == pytest.approx(183.25)
    # QGIS counts satellites by other sentences: quality, satellites, HDOP and height of GGA.
    assert b",1,09,0.90,183.25,M,," in data
    assert read.utcDateTime == given.utcDateTime
    assert read.isValid()


def test_minutes_never_reach_sixty(qgis_app):
    given = _information(latitude=46.99999999999, longitude=-91.999999999999)
    data = fix_sentences(given)
    assert b"4700.000000,N,09200.000000,W" in data
    assert _read_by_qgis(data).longitude == pytest.approx(-92)


def test_without_a_position_or_time_nothing_is_composed(qgis_app):
    nan = float("nan")
    assert fix_sentences(QgsGpsInformation()) == b""
    assert fix_sentences(_information(status="V", fixType=1)) == b""
    assert fix_sentences(_information(utcDateTime=QDateTime())) == b""
    assert fix_sentences(_information(latitude=nan)) == b""
    data = fix_sentences(_information(elevation=nan, hdop=nan, direction=nan, speed=nan))
    assert b"nan" not in data
    assert data.count(b"\r\n") == 2


def test_positions_without_sentences_are_composed(registry, opened):
    """As from Qt's location service and gpsd, of which QGIS tells positions alone."""
    panel = Panel(registry)
    _, ear = opened()
    wait_until(lambda: ear.state == "open")
    given = _information()
    panel.connection.stateChanged.emit(given)
    panel.connection.stateChanged.emit(given)
    wait_until(lambda: ear.data)
    wait(0.1)
    assert ear.data == fix_sentences(given)
    panel.end()


class Reader(QObject):
    came = pyqtSignal(bytes)

    @pyqtSlot()
    def begin(self):
        self._source = open_source(SourceSpec("qgis"))
        self._source.arrived.connect(self.came)
        self._source.arrived.connect(self.note)
        self._source.open()

    @pyqtSlot(bytes)
    def note(self, data):
        self.heard_in = QThread.currentThread()

    @pyqtSlot()
    def end(self):
        self._source.close()
        self._source = None
        QThread.currentThread().quit()


class Told(QObject):
    def __init__(self):
        super().__init__()
        self.data = b""

    @pyqtSlot(bytes)
    def add(self, data):
        self.data += data


def test_from_the_main_thread_to_that_of_the_reader(registry, capfd):
    panel, thread, reader, told = Panel(registry), QThread(), Reader(), Told()
    reader.moveToThread(thread)
    reader.came.connect(told.add, Qt.ConnectionType.QueuedConnection)
    thread.started.connect(reader.begin)
    thread.start()
    wait(0.3)
    for _ in range(50):
        panel.pipe.add(GGA + RMC + DPT)
    wait_until(lambda: len(told.data) >= 50 * len(GGA + RMC + DPT))
    assert told.data == 50 * (GGA + RMC + DPT)
    assert reader.heard_in is thread
    QMetaObject.invokeMethod(reader, "end", Qt.ConnectionType.QueuedConnection)
    assert thread.wait(5000)
    panel.pipe.add(GGA)
    wait(0.2)
    panel.end()
    wait(0.1)
    watches = [
        child
        for child in QgsApplication.instance().children()
        if isinstance(child, qgis_gps._Watch)
    ]
    assert not watches
    assert "QObject" not in capfd.readouterr().err


# -- the tee -----------------------------------------------------------------------


def test_qgis_sees_what_the_tee_is_fed(registry):
    fed = Tee()
    fed.start()
    (connection,) = registry.connectionList()
    seen, read = [], []
    connection.stateChanged.connect(lambda now: seen.append((now.latitude, now.longitude)))
    connection.nmeaSentenceReceived.connect(read.append)
    data = GGA + RMC + DPT
    for start in range(0, len(data), 9):
        fed.feed(data[start : start + 9])
    assert seen[-1] == (46.75, -92.0)
    assert [line.encode() + b"\r\n" for line in read] == [GGA, RMC]
    fed.stop()
    assert registry.connectionList() == []
    fed.feed(data)
    fed.stop()
    fed.start()
    assert len(registry.connectionList()) == 1
    fed.stop()
    wait(0.1)


def test_depths_alone_make_no_position(registry):
    """QGIS would show 0 degrees north, 0 degrees east."""
    fed = Tee()
    fed.start()
    (connection,) = registry.connectionList()
    places = []
    connection.stateChanged.connect(lambda now: places.append((now.latitude, now.longitude)))
    for _ in range(200):
        fed.feed(DPT + sentence("GPVTG,,T,,M,0.0,N,0.0,K"))
    fed.feed(b"\x00\xff" * 5000 + b"$GP" + b"\r\n$,,,*\r\n" * 50)
    assert places == []
    fed.feed(GGA[:40] + RMC)
    assert set(places) == {(46.75, -92.0)}
    fed.stop()
    wait(0.1)


def test_what_is_broken_is_not_shown(registry):
    fed = Tee()
    fed.start()
    (connection,) = registry.connectionList()
    read = []
    connection.nmeaSentenceReceived.connect(read.append)
    fed.feed(GGA.replace(b"4645", b"4745"))
    fed.feed(b"\\s:GPS,c:1783605603*00\\" + GGA + b"$GPGGA,1400" + RMC)
    assert [line.encode() + b"\r\n" for line in read] == [GGA, RMC]
    fed.stop()
    wait(0.1)


def test_two_sources_are_not_mixed(registry):
    """Two ports give pieces that are cut anywhere, one between the other."""
    fed = Tee()
    fed.start()
    (connection,) = registry.connectionList()
    read = []
    connection.nmeaSentenceReceived.connect(read.append)
    depths = DPT * 10
    for start in range(0, len(GGA), 5):
        fed.feed(GGA[start : start + 5], "source-1")
        fed.feed(depths[start : start + 5], "source-2")
    assert [line.encode() + b"\r\n" for line in read] == [GGA]
    fed.stop()
    wait(0.1)


def test_the_tee_is_no_source(registry, opened):
    """What we feed QGIS with would come back to us for ever."""
    fed = Tee()
    fed.start()
    _, ear = opened()
    wait_until(lambda: ear.state == "gone")
    fed.feed(GGA + RMC)
    wait(0.2)
    assert ear.data == b""
    fed.stop()
    wait(0.1)


CLOSING = """
import sys
sys.path.insert(0, {ci!r})
import checkout
from qgis.core import QgsApplication
from qgis.PyQt import sip
from qgis.PyQt.QtCore import QTimer
from qgis.PyQt.QtWidgets import QWidget
application = QgsApplication([], True)
application.initQgis()
from lakefloor.plugin.water.sources import SourceSpec, Tee, open_source
window = QWidget()
tee = Tee(window)
tee.start()
assert len(QgsApplication.gpsConnectionRegistry().connectionList()) == 1
tee.feed({data!r})
reader = open_source(SourceSpec("qgis"))
reader.open()
{how}
assert QgsApplication.gpsConnectionRegistry().connectionList() == []
application.exitQgis()
print("ended")
"""


@pytest.mark.parametrize(
    "how",
    [
        "QTimer.singleShot(300, application.quit)\napplication.exec()",
        "QTimer.singleShot(300, application.quit)\napplication.exec()\nsip.delete(window)",
        # As QGIS does it.
        "window.deleteLater()\nQTimer.singleShot(300, application.quit)\napplication.exec()",
        "sip.delete(window)",
    ],
)
def test_closing_qgis_with_a_tee(how):
    """QGIS deletes connections that are left when Python has ended, and that ends it badly."""
    code = CLOSING.format(
        ci=str(Path(__file__).resolve().parents[2] / ".ci"), data=GGA + RMC, how=how
    )
    done = subprocess.run(
        ["/usr/bin/python3", "-c", code], capture_output=True, text=True, check=False, timeout=120
    )
    assert "ended" in done.stdout
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
