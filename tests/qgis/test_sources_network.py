"""TCP and UDP on the loopback, with plain sockets of Python at the other end."""

import errno
import random
import socket
import sys
import threading
import time
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")

from qgis.PyQt.QtCore import QMetaObject, QObject, Qt, QThread, pyqtSignal, pyqtSlot
from qgis.PyQt.QtNetwork import QNetworkProxy

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import SENTENCES, Ear, wait, wait_until

from lakefloor.plugin.water.sources import SourceSpec, open_source, source, tcp

RANDOM = random.Random(17)


@pytest.fixture(autouse=True)
def brisk(monkeypatch):
    monkeypatch.setattr(source, "LOOK_MS", 100)


@pytest.fixture
def opened(qgis_app):
    made = []

    def begin(kind, place):
        reader = open_source(SourceSpec(kind, place))
        ear = Ear(reader)
        made.append(reader)
        reader.open()
        return reader, ear

    yield begin
    for reader in made:
        reader.close()


class Server:
    """Waits for one that asks, on the loopback."""

    def __init__(self, host="127.0.0.1", port=0):
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self.socket = socket.socket(family)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind((host, port))
        self.socket.listen()
        self.socket.setblocking(False)
        self.port = self.socket.getsockname()[1]
        self.client = None

    def accept(self):
        """Wait for the one that asks, while events happen."""
        wait_until(self._has_accepted)
        self.client.setblocking(True)
        return self.client

    def _has_accepted(self):
        try:
            self.client, _ = self.socket.accept()
        except BlockingIOError:
            return False
        return True

    def end(self):
        if self.client is not None:
            self.client.close()
        self.socket.close()


@pytest.fixture
def server():
    made = Server()
    yield made
    made.end()


def _free_port(kind=socket.SOCK_STREAM):
    with socket.socket(socket.AF_INET, kind) as each:
        each.bind(("127.0.0.1", 0))
        return each.getsockname()[1]


# -- TCP -------------------------------------------------------------------------


def test_tcp_comes_as_it_was_sent(server, opened):
    _, ear = opened("tcp", f"127.0.0.1:{server.port}")
    client = server.accept()
    wait_until(lambda: ear.state == "open")
    assert [state for state, _ in ear.states] == ["opening", "open"]
    data = RANDOM.randbytes(2**20)
    thread = threading.Thread(target=client.sendall, args=(data,))
    thread.start()
    wait_until(lambda: len(ear.data) >= len(data), 60)
    thread.join()
    assert ear.data == data


def test_tcp_sentences_cut_in_half(server, opened):
    _, ear = opened("tcp", f"127.0.0.1:{server.port}")
    client = server.accept()
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for start in range(0, len(SENTENCES), 11):
        client.sendall(SENTENCES[start : start + 11])
        wait_until(lambda start=start: len(ear.data) >= min(start + 11, len(SENTENCES)))
    assert len(ear.pieces) > 5
    assert ear.data == SENTENCES


def test_tcp_by_ipv6_and_by_name(opened):
    try:
        server = Server("::1")
    except OSError as error:
        pytest.skip(f"no IPv6 here: {error}")
    _, ear = opened("tcp", f"[::1]:{server.port}")
    server.accept().sendall(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    server.end()
    named = Server()
    _, ear = opened("tcp", f"localhost:{named.port}")
    named.accept().sendall(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    named.end()


def test_tcp_refused_and_then_there(opened):
    port = _free_port()
    _, ear = opened("tcp", f"127.0.0.1:{port}")
    wait_until(lambda: ear.state == "gone")
    assert "refuses the connection" in ear.text
    told = len(ear.states)
    wait(0.5)
    assert len(ear.states) == told
    server = Server(port=port)
    server.accept().sendall(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    assert ear.state == "open"
    server.end()


def test_tcp_closed_in_the_middle_of_a_sentence_and_back(server, opened):
    _, ear = opened("tcp", f"127.0.0.1:{server.port}")
    client = server.accept()
    client.sendall(SENTENCES[:50])
    client.close()
    wait_until(lambda: ear.state == "gone")
    assert "has closed the connection" in ear.text
    assert ear.data == SENTENCES[:50]
    server.accept().sendall(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES[:50] + SENTENCES)
    assert ear.state == "open"


def test_tcp_whose_device_breaks_off(server, opened):
    """A reset, as by a device that lost its power and came back."""
    _, ear = opened("tcp", f"127.0.0.1:{server.port}")
    client = server.accept()
    wait_until(lambda: ear.state == "open")
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    client.close()
    wait_until(lambda: ear.state == "gone")
    server.accept()
    wait_until(lambda: ear.state == "open")


def test_tcp_host_unknown(opened):
    # RFC 6761: names under .invalid never exist.
    _, ear = opened("tcp", "lake.invalid:10110")
    wait_until(lambda: ear.state == "gone", 30)
    assert "The host of lake.invalid:10110 is unknown" in ear.text


def test_tcp_without_an_answer(opened, monkeypatch):
    """A host whose queue is full lets one wait, as one that is out of reach."""
    monkeypatch.setattr(tcp, "ANSWER_S", 0.5)
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        waiting = [socket.socket() for _ in range(3)]
        for each in waiting:
            each.setblocking(False)
            assert each.connect_ex(full.getsockname()) in (0, errno.EINPROGRESS)
        _, ear = opened("tcp", f"127.0.0.1:{full.getsockname()[1]}")
        wait_until(lambda: ear.state == "gone")
        assert "does not answer" in ear.text
        for each in waiting:
            each.close()


def test_tcp_silent(server, opened, monkeypatch):
    monkeypatch.setattr(source, "SILENT_S", 0.4)
    _, ear = opened("tcp", f"127.0.0.1:{server.port}")
    client = server.accept()
    wait_until(lambda: ear.state == "silent")
    client.sendall(SENTENCES)
    wait_until(lambda: ear.state == "open")
    assert ear.data == SENTENCES


@pytest.mark.skipif(not hasattr(socket, "TCP_KEEPIDLE"), reason="this system has no such options")
def test_tcp_asks_whether_a_silent_line_is_alive(server, opened):
    """tcp(7): idle + interval * count is when a line that is dead is given up."""
    reader, ear = opened("tcp", f"127.0.0.1:{server.port}")
    server.accept()
    wait_until(lambda: ear.state == "open")
    line = socket.socket(fileno=int(reader._socket.socketDescriptor()))
    assert line.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    idle, interval, count = (
        line.getsockopt(socket.IPPROTO_TCP, option)
        for option in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
    )
    line.detach()
    assert idle + interval * count == 40


def test_the_proxy_of_qgis_is_not_asked(server, opened):
    """QGIS sets the proxy of its options for all that Qt does."""
    before = QNetworkProxy.applicationProxy()
    nowhere = QNetworkProxy(QNetworkProxy.ProxyType.HttpProxy, "127.0.0.1", _free_port())
    QNetworkProxy.setApplicationProxy(nowhere)
    try:
        _, ear = opened("tcp", f"127.0.0.1:{server.port}")
        wait_until(lambda: ear.state == "open")
        port = _free_port(socket.SOCK_DGRAM)
        _, ear = opened("udp", str(port))
        assert ear.state == "open"
    finally:
        QNetworkProxy.setApplicationProxy(before)


@pytest.mark.parametrize(
    "place", ["", "10110", "host", "host:", "host:0", "host:65536", "::1:10110", "a b:1", "x:-1"]
)
def test_tcp_without_host_or_port(opened, place):
    _, ear = opened("tcp", place)
    assert ear.state == "gone"
    assert "such as 192.168.1.1:10110" in ear.text


# -- UDP -------------------------------------------------------------------------


def _sender(family=socket.AF_INET):
    return socket.socket(family, socket.SOCK_DGRAM)


def test_udp_joins_datagrams_with_cut_lines(opened):
    port = _free_port(socket.SOCK_DGRAM)
    _, ear = opened("udp", str(port))
    assert ear.state == "open"
    with _sender() as out:
        for start in range(0, len(SENTENCES), 13):
            out.sendto(SENTENCES[start : start + 13], ("127.0.0.1", port))
        out.sendto(b"", ("127.0.0.1", port))
        out.sendto(SENTENCES, ("127.0.0.1", port))
    wait_until(lambda: len(ear.data) >= 2 * len(SENTENCES))
    assert ear.data == 2 * SENTENCES


def test_udp_at_an_address_of_this_computer_and_by_ipv6(opened):
    port = _free_port(socket.SOCK_DGRAM)
    reader, ear = opened("udp", f"127.0.0.1:{port}")
    with _sender() as out:
        out.sendto(SENTENCES, ("127.0.0.1", port))
        wait_until(lambda: ear.data == SENTENCES)
    reader.close()
    try:
        with _sender(socket.AF_INET6) as probe:
            probe.bind(("::1", 0))
    except OSError as error:
        pytest.skip(f"no IPv6 here: {error}")
    _, ear = opened("udp", str(port))
    with _sender(socket.AF_INET6) as out:
        out.sendto(SENTENCES, ("::1", port))
        wait_until(lambda: ear.data == SENTENCES)


def test_udp_a_megabyte_of_full_datagrams(opened):
    port = _free_port(socket.SOCK_DGRAM)
    _, ear = opened("udp", str(port))
    data = RANDOM.randbytes(2**20)
    with _sender() as out:
        # The sender waits for nobody, so no more is under way than the system keeps.
        for start in range(0, len(data), 8192):
            out.sendto(data[start : start + 8192], ("127.0.0.1", port))
            if start % 65536 == 0:
                wait_until(lambda start=start: len(ear.data) >= start)
    wait_until(lambda: len(ear.data) >= len(data))
    assert ear.data == data


def test_udp_port_that_another_program_has(opened):
    with _sender() as other:
        other.bind(("0.0.0.0", 0))
        port = other.getsockname()[1]
        _, ear = opened("udp", str(port))
        assert ear.state == "gone"
        assert f"Another program listens to UDP port {port}" in ear.text
    wait_until(lambda: ear.state == "open")


def test_udp_of_an_address_that_is_not_ours(opened):
    # RFC 5737: 192.0.2.0/24 is for documents.
    _, ear = opened("udp", "192.0.2.7:10110")
    assert ear.state == "gone"
    assert "192.0.2.7 is no address of this computer" in ear.text
    _, ear = opened("udp", "nonsense:10110")
    assert "nonsense is no address of this computer" in ear.text


def test_udp_silent(opened, monkeypatch):
    monkeypatch.setattr(source, "SILENT_S", 0.4)
    _, ear = opened("udp", str(_free_port(socket.SOCK_DGRAM)))
    wait_until(lambda: ear.state == "silent")
    assert "firewall" in ear.text


@pytest.mark.parametrize("place", ["", "port", "0", "65536", "1.2.3.4", "1.2.3.4:x"])
def test_udp_without_a_port(opened, place):
    _, ear = opened("udp", place)
    assert ear.state == "gone"
    assert "such as 10110" in ear.text


# -- in a thread of its own --------------------------------------------------------


class Reader(QObject):
    """Has a source in a thread, as a recorder does."""

    came = pyqtSignal(bytes)

    def __init__(self, spec):
        super().__init__()
        self._spec, self._source = spec, None

    @pyqtSlot()
    def begin(self):
        self._source = open_source(self._spec)
        self._source.arrived.connect(self.came)
        self._source.open()

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


def test_a_source_lives_in_another_thread(server, qgis_app, capfd):
    thread, reader, told = QThread(), Reader(SourceSpec("tcp", f"127.0.0.1:{server.port}")), Told()
    reader.moveToThread(thread)
    reader.came.connect(told.add, Qt.ConnectionType.QueuedConnection)
    thread.started.connect(reader.begin)
    thread.start()
    client = server.accept()
    data = RANDOM.randbytes(2**20)
    sending = threading.Thread(target=client.sendall, args=(data,))
    sending.start()
    # The main thread is busy; bytes come nevertheless.
    time.sleep(0.5)
    wait_until(lambda: len(told.data) >= len(data), 60)
    assert told.data == data
    server.end()
    wait(0.3)
    server = Server(port=server.port)
    server.accept().sendall(SENTENCES)
    wait_until(lambda: told.data.endswith(SENTENCES))
    QMetaObject.invokeMethod(reader, "end", Qt.ConnectionType.QueuedConnection)
    assert thread.wait(5000)
    server.end()
    # Qt says on the console where an object is used from a thread that is not its own.
    assert "QObject" not in capfd.readouterr().err
