"""Plays a timeline over TCP, UDP or a pseudo-terminal, in a thread; needs no Qt."""

from __future__ import annotations

import os
import select
import socket
import threading
import time
from contextlib import suppress

__all__ = ["Player", "PtyOutlet", "TcpOutlet", "UdpOutlet"]

#: Who does not read so many bytes is let go.
_SLOW = 1 << 20
#: How long it is slept at most before it is looked whether to stop, s.
_LOOK_S = 0.05
#: At the end those who read slowly get the rest within so long, s.
_REST_S = 10.0
#: What every network carries in one datagram, bytes.
_DATAGRAM = 1400


class TcpOutlet:
    """Serves any number of clients on a port of this computer; another port where it is taken."""

    def __init__(self, port=0, host="127.0.0.1"):
        self.is_elsewhere = False
        try:
            self._server = socket.create_server((host, port))
        except OSError:
            self._server, self.is_elsewhere = socket.create_server((host, 0)), True
        self._server.setblocking(False)
        self.port, self._clients = self._server.getsockname()[1], {}
        self.place = f"{host}:{self.port}"
        self.spec = {"kind": "tcp", "place": self.place}

    def send(self, data):
        """Send bytes to all who listen; who comes later hears what is sent from then on."""
        with suppress(OSError):
            while True:
                client, _ = self._server.accept()
                client.setblocking(False)
                self._clients[client] = bytearray()
        for client, waiting in list(self._clients.items()):
            waiting += data
            try:
                with suppress(BlockingIOError):
                    while waiting:
                        del waiting[: client.send(waiting)]
                if len(waiting) > _SLOW:
                    raise OSError
            except OSError:
                client.close()
                del self._clients[client]

    @property
    def is_heard(self):
        """Whether anybody listens."""
        return bool(self._clients)

    @property
    def waits(self):
        """Whether a client has not read all that was sent."""
        return any(self._clients.values())

    def unplug(self):
        """Let all clients go; they may come back."""
        for client in self._clients:
            client.close()
        self._clients.clear()

    def close(self):
        """Let all clients go, and be there no more."""
        self.unplug()
        self._server.close()


class UdpOutlet:
    """Sends datagrams to a port; nobody knows whether they arrive."""

    is_heard, is_elsewhere, waits = True, False, False

    def __init__(self, port=10110, host="127.0.0.1"):
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._to, self.place = (host, port), str(port)
        self.spec = {"kind": "udp", "place": self.place}

    def send(self, data):
        """Send whole lines, as many as a datagram holds."""
        while data:
            end = len(data)
            if end > _DATAGRAM:
                end = data.rfind(b"\n", 0, _DATAGRAM) + 1 or _DATAGRAM
            with suppress(OSError):
                self._socket.sendto(data[:end], self._to)
            data = data[end:]

    def unplug(self):
        """Nothing: it has no connection that could be lost."""

    def close(self):
        """Close the socket."""
        self._socket.close()


class PtyOutlet:
    """A pseudo-terminal, which looks like a serial port; where the system has them.

    Attributes
    ----------
    lost : int
        Bytes that nobody read in time.
    """

    is_heard, is_elsewhere, waits = True, False, False

    def __init__(self):
        self.lost = 0
        self._open()

    def _open(self):
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.place = os.ttyname(self._slave)
        self.spec = {"kind": "serial", "place": self.place, "baud": 4800}

    def send(self, data):
        """Write bytes; what nobody reads is lost, as on a line."""
        with suppress(BlockingIOError, OSError):
            while data:
                _, writable, _ = select.select([], [self._master], [], 0.0)
                if not writable:
                    break
                data = data[os.write(self._master, data) :]
        self.lost += len(data)

    def unplug(self):
        """Take the port away, and come back under another name."""
        old = self._master, self._slave
        self._open()  # while the old one is there, so that the name is another
        _close(*old)

    def close(self):
        """Take the port away."""
        _close(self._master, self._slave)


def _close(*descriptors):
    for descriptor in descriptors:
        with suppress(OSError):
            os.close(descriptor)


class Player:
    """Plays a timeline.

    Parameters
    ----------
    timeline : Timeline
    speed : float
        1 as it was, up to 50 times as fast.
    outlet : TcpOutlet, UdpOutlet or PtyOutlet
    loops : bool
        Whether it begins again at its end.
    waits : bool
        Whether it begins with the first who listens.

    Attributes
    ----------
    sent : int
        Bytes so far.
    seconds : float
        How far the log has been played, s.
    unplugged : int
        How often the plug was pulled.
    """

    def __init__(self, timeline, speed, outlet, loops=False, waits=False):
        self._timeline, self.speed, self.outlet = timeline, speed, outlet
        self._loops, self._waits = loops, waits
        self._over, self._goes, self._pulls = (threading.Event() for _ in range(3))
        self._goes.set()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self.sent, self.seconds, self.unplugged = 0, 0.0, 0

    @property
    def place(self):
        """What is to be given as the place of the source."""
        return self.outlet.place

    @property
    def is_playing(self):
        """Whether it plays."""
        return self._thread.is_alive()

    @property
    def is_paused(self):
        """Whether nothing is sent until it goes on."""
        return not self._goes.is_set()

    @property
    def share(self):
        """How much of the log has been played, 0 to 1."""
        return min(self.seconds / self.length, 1.0) if self.length else 1.0

    @property
    def length(self):
        """Length of the log, s."""
        return float(self._timeline.seconds[-1]) if len(self._timeline) else 0.0

    def start(self):
        """Begin."""
        self._thread.start()
        return self

    def pause(self):
        """Send nothing until :meth:`go_on`."""
        self._goes.clear()

    def go_on(self):
        """Go on where it was paused."""
        self._goes.set()

    def unplug(self):
        """Pull the plug, and put it in again; as soon as the thread gets to it."""
        self._pulls.set()

    def stop(self):
        """Stop and close the outlet."""
        self._over.set()
        self._goes.set()
        if self._thread.is_alive():
            self._thread.join()
        self.outlet.close()

    # -- in the thread --------------------------------------------------------

    def _play(self):
        while self._waits and not self.outlet.is_heard and not self._over.is_set():
            self.outlet.send(b"")
            self._over.wait(_LOOK_S)
        self._play_once()
        while self._loops and len(self._timeline) and not self._over.is_set():
            self._play_once()
        until = time.monotonic() + _REST_S
        while self.outlet.waits and time.monotonic() < until and not self._over.is_set():
            self.outlet.send(b"")
            self._over.wait(0.001)

    def _play_once(self):
        chunks, times = self._timeline.chunks, self._timeline.seconds
        pulls = list(self._timeline.unplugged)
        began, number = time.monotonic(), 0
        while number < len(chunks) and not self._over.is_set():
            began += self._paused()
            now = self.speed * (time.monotonic() - began)
            end = min([now, *pulls[:1]])
            ready = int(times.searchsorted(end, side="right"))
            self._send(chunks[number:ready])
            self.seconds, number = float(end), ready
            if self._pulls.is_set() or (pulls and pulls[0] <= now):
                del pulls[: int(not self._pulls.is_set())]
                self._pulls.clear()
                self.outlet.unplug()
                self.unplugged += 1
            elif number < len(chunks):
                wait = times[number] / self.speed - (time.monotonic() - began)
                self._over.wait(min(max(wait, 0.001), _LOOK_S))

    def _send(self, chunks):
        data = b"".join(chunks)
        self.outlet.send(data)
        self.sent += len(data)

    def _paused(self):
        """Wait while it is paused, and return for how long it was, s."""
        if self._goes.is_set():
            return 0.0
        since = time.monotonic()
        while not self._goes.is_set():
            self.outlet.send(b"")
            self._goes.wait(_LOOK_S)
        return time.monotonic() - since
