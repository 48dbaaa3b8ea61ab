"""The simulator over loopback, a pseudo-terminal and from its window: it sends what is in the log."""

import errno
import os
import signal
import socket
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core.playing.timeline import Timeline, timeline
from lakefloor.plugin.simulator.example import EXAMPLE_LOG, simulate_example
from lakefloor.plugin.simulator.player import Player, PtyOutlet, TcpOutlet, UdpOutlet

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def short():
    return timeline(EXAMPLE_LOG).select(slice(0, 400))


def _until(done, seconds=20.0):
    over = time.monotonic() + seconds
    while not done() and time.monotonic() < over:
        time.sleep(0.01)
    assert done()


def _all_of(connection):
    data = b""
    while part := connection.recv(65536):
        data += part
    return data


def _hung_up(port):
    try:
        return os.read(port, 4096) == b""
    except OSError as error:
        return error.errno == errno.EIO


def test_a_client_hears_all_of_it_byte_for_byte(short):
    player = Player(short, 5000.0, TcpOutlet(), waits=True).start()
    host, _, port = player.place.partition(":")
    with socket.create_connection((host, int(port))) as client:
        _until(lambda: not player.is_playing)
        player.stop()
        assert _all_of(client) == short.data


def test_a_taken_port_gives_another(short):
    one, other = TcpOutlet(), None
    try:
        other = TcpOutlet(one.port)
        assert other.port != one.port
    finally:
        one.close()
        other.close()


def test_datagrams_hold_all_of_it(short):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there:
        there.bind(("127.0.0.1", 0))
        there.settimeout(2.0)
        player = Player(short, 2000.0, UdpOutlet(there.getsockname()[1])).start()
        data = b""
        while len(data) < len(short.data):
            data += there.recv(65536)
        player.stop()
    assert data == short.data


def test_a_datagram_holds_whole_lines_and_is_never_too_long(short):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as there:
        there.bind(("127.0.0.1", 0))
        there.settimeout(2.0)
        outlet = UdpOutlet(there.getsockname()[1])
        outlet.send(short.data)
        outlet.close()
        parts, count = [], 0
        while count < len(short.data):
            parts.append(there.recv(65536))
            count += len(parts[-1])
    assert b"".join(parts) == short.data
    assert max(map(len, parts)) <= 1400
    assert all(part.endswith(b"\n") for part in parts)


def test_several_clients_hear_it_and_who_is_late_hears_the_rest(short):
    player = Player(short, 50.0, TcpOutlet(), waits=True).start()
    host, _, port = player.place.partition(":")
    with socket.create_connection((host, int(port))) as first:
        _until(lambda: player.sent > 2000)
        with socket.create_connection((host, int(port))) as late:
            _until(lambda: not player.is_playing)
            player.stop()
            assert _all_of(first) == short.data
            rest = _all_of(late)
    assert 0 < len(rest) < len(short.data)
    assert short.data.endswith(rest)
    assert rest.startswith(b"$")


def test_who_does_not_read_is_let_go_and_hinders_nobody():
    many = Timeline(np.arange(600) / 200.0, [b"x" * 20_000] * 600)
    player = Player(many, 1.0, TcpOutlet(), waits=True)
    host, _, port = player.place.partition(":")
    address = host, int(port)
    with socket.create_connection(address), socket.create_connection(address) as reads:
        player.start()
        got = 0
        while got < len(many.data):
            part = reads.recv(1 << 20)
            assert part
            got += len(part)
        _until(lambda: not player.is_playing)
        assert not player.outlet.waits
        player.stop()
    assert got == len(many.data)


def test_paused_it_sends_nothing_and_then_all_the_rest(short):
    player = Player(short, 50.0, TcpOutlet(), waits=True).start()
    host, _, port = player.place.partition(":")
    with socket.create_connection((host, int(port))) as client:
        _until(lambda: player.sent > 1000)
        player.pause()
        time.sleep(0.2)
        sent, seconds = player.sent, player.seconds
        time.sleep(0.3)
        assert player.sent == sent
        player.go_on()
        _until(lambda: player.sent > sent)
        # What was due in the pause is not made up for: 0.5 s would be 25 s of the log.
        assert player.seconds < seconds + 20.0
        _until(lambda: not player.is_playing)
        player.stop()
        assert _all_of(client) == short.data


def test_it_begins_again_at_its_end(short):
    few = short.select(slice(0, 30))
    player = Player(few, 1000.0, TcpOutlet(), loops=True, waits=True).start()
    host, _, port = player.place.partition(":")
    with socket.create_connection((host, int(port))) as client:
        _until(lambda: player.sent >= 3 * len(few.data))
        player.stop()
        data = _all_of(client)
    assert data.startswith(3 * few.data)


def test_the_plug_is_pulled_when_the_timeline_says_so(short):
    at = short.seconds[200]
    player = Player(replace(short, unplugged=np.array([at])), 50.0, TcpOutlet(), waits=True).start()
    host, _, port = player.place.partition(":")
    with socket.create_connection((host, int(port))) as client:
        before = _all_of(client)
    with socket.create_connection((host, int(port))) as client:
        _until(lambda: not player.is_playing)
        player.stop()
        after = _all_of(client)
    assert player.unplugged == 1
    assert before == b"".join(c for c, s in zip(short.chunks, short.seconds) if s <= at)
    assert short.data.endswith(after)


@pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals")
def test_a_pseudo_terminal_is_a_port_that_can_be_unplugged(short):
    outlet = PtyOutlet()
    place = outlet.place
    port = os.open(place, os.O_RDONLY | os.O_NOCTTY)
    player = Player(short.select(slice(0, 40)), 1000.0, outlet).start()
    data = b""
    want = short.select(slice(0, 40)).data
    while len(data) < len(want):
        data += os.read(port, 4096)
    assert data == want
    outlet.unplug()
    assert _hung_up(port)
    assert outlet.place != place
    assert os.path.exists(outlet.place)
    os.close(port)
    player.stop()


def test_speed_is_kept_without_drift(short):
    """What has been sent at a moment is what was due then."""
    player = Player(short, 50.0, UdpOutlet(9)).start()
    _until(lambda: player.seconds > 20.0)
    due = short.seconds <= player.seconds
    assert player.sent <= sum(len(c) for c, d in zip(short.chunks, due) if d)
    player.stop()


def test_the_example_waits_for_the_first_who_listens():
    player, spec = simulate_example(50.0)
    try:
        assert spec["kind"] == "tcp"
        time.sleep(0.2)
        assert player.sent == 0
        host, _, port = spec["place"].partition(":")
        with socket.create_connection((host, int(port))) as client:
            assert client.recv(7).startswith(b"$GPGGA,"[:1])
    finally:
        player.stop()


def test_the_command_needs_no_qgis_and_says_where_to_connect(tmp_path):
    code = "import sys; sys.modules['qgis'] = None; import runpy; sys.argv[0] = sys.argv[1]; "
    code += "sys.argv.pop(1); runpy.run_path(sys.argv[0], run_name='__main__')"
    command = [sys.executable, "-c", code, str(ROOT / "simulate.py"), "--tcp", "0", "--speed", "50"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert str(EXAMPLE_LOG) in process.stdout.readline()
        said = process.stdout.readline()
        assert said.startswith("Playing ")
        host, _, port = said.rpartition(" ")[2].strip().partition(":")
        with socket.create_connection((host, int(port))) as client:
            assert client.recv(1) == b"$"
    finally:
        process.terminate()
        process.wait()


def test_the_command_sends_as_two_devices_and_says_when_it_has_ended(tmp_path):
    log = tmp_path / "short.nmea"
    log.write_bytes(b"".join(EXAMPLE_LOG.read_bytes().splitlines(keepends=True)[:150]))
    command = [sys.executable, str(ROOT / "simulate.py"), str(log), "--two", "--tcp", "0"]
    process = subprocess.Popen(
        [*command, "--speed", "50"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert str(log) in process.stdout.readline()
    addresses = [process.stdout.readline().split()[-1].split(":") for _ in range(2)]
    receiver, sounder = map(socket.create_connection, addresses)
    with receiver, sounder:
        heard, depths = _all_of(receiver), _all_of(sounder)
    said, wrong = process.communicate(timeout=20)
    assert (said, wrong, process.returncode) == ("The log has ended.\n", "", 0)
    assert {line[3:6] for line in depths.splitlines()} == {b"DPT", b"DBT", b"MTW"}
    assert sorted((heard + depths).splitlines()) == sorted(log.read_bytes().splitlines())


@pytest.mark.skipif(os.name != "posix", reason="no Ctrl-C to a process")
def test_the_command_ends_cleanly_with_ctrl_c():
    command = [sys.executable, str(ROOT / "simulate.py"), "--tcp", "0"]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell lets what runs in its background ignore Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    process.stdout.readline()
    assert process.stdout.readline().startswith("Playing ")
    process.send_signal(signal.SIGINT)
    _, wrong = process.communicate(timeout=20)
    assert (wrong, process.returncode) == ("", 0)


def test_the_command_refuses_what_it_does_not_know():
    command = [sys.executable, str(ROOT / "simulate.py"), "--fault", "rain"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "There is no fault 'rain'" in done.stderr


def test_the_window_plays_and_is_the_source_of_the_next_outing(qgis_app):
    from lakefloor.algorithms import _settings
    from lakefloor.plugin.simulator.dialog import SimulatorDialog

    window = SimulatorDialog()
    window.port.setValue(20_110)
    window.faults["checksum"].setChecked(True)
    window.start.click()
    try:
        assert window.wrong.isHidden()
        assert _settings.sources()[0]["place"] == window.player.place == window.where.text()
        assert not window.logs.isEnabled()
        window.reject()
        assert window.player.is_playing
    finally:
        window.stop()
    assert window.player is None
    assert window.logs.isEnabled()


def test_the_window_says_that_its_port_is_taken(qgis_app):
    from lakefloor.plugin.simulator.dialog import SimulatorDialog

    other, window = TcpOutlet(), SimulatorDialog()
    window.port.setValue(other.port)
    window.start.click()
    try:
        assert f"uses port {other.port}" in window.said.text()
        assert window.where.text() != other.place
    finally:
        window.stop()
        other.close()


def test_the_window_says_that_there_is_no_such_log(qgis_app, tmp_path):
    from lakefloor.plugin.simulator.dialog import SimulatorDialog

    window = SimulatorDialog()
    window.logs.set_paths([tmp_path / "none.nmea"])
    window.start.click()
    assert "none.nmea" in window.wrong.text()
    assert window.player is None
