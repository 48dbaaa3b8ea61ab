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


class TcpOutlet:
    """Serves any number of clients on a port of this computer; another port where it is taken."""

    def __init__(self, port=0, host="127.0.0.1"):
        try:
            self._server = socket.create_server((host, port))
        except OSError:
            self._server = socket.create_server((host, 0))
        self._server.setblocking(False)
        self.port, self._clients = self._server.getsockname()[1], {}
        self.place = f"{host}:{self.port}"
        self.spec = {"kind": "tcp", "place": self.place}

    def send(self, data):
        """Send bytes to all who listen."""
        with suppress(BlockingIOError):
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

    def close(self):
        """Let all clients go."""
        for client in self._clients:
            client.close()
        self._clients.clear()
        self._server.close()


class UdpOutlet:
    """Sends datagrams to a port."""

    is_heard = True

    def __init__(self, port=10110, host="127.0.0.1"):
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._to, self.place = (host, port), str(port)
        self.spec = {"kind": "udp", "place": self.place}

    def send(self, data):
        """Send a datagram."""
        with suppress(OSError):
            if data:
                self._socket.sendto(data, self._to)

    def close(self):
        """Close the socket."""
        self._socket.close()


class PtyOutlet:
    """A pseudo-terminal, which looks like a serial port; where the system has them."""

    is_heard = True

    def __init__(self):
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
                    return
                data = data[os.write(self._master, data) :]

    def unplug(self):
        """Take the port away, and come back under another name."""
        self.close()
        self._open()

    def close(self):
        """Take the port away."""
        for descriptor in (self._master, self._slave):
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
    """

    def __init__(self, timeline, speed, outlet, loops=False, waits=False):
        self._timeline, self.speed, self.outlet = timeline, speed, outlet
        self._loops, self._waits, self._over = loops, waits, threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self.sent, self.seconds = 0, 0.0

    @property
    def place(self):
        """What is to be given as the place of the source."""
        return self.outlet.place

    @property
    def is_playing(self):
        """Whether it plays."""
        return self._thread.is_alive()

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

    def stop(self):
        """Stop and close the outlet."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()
        self.outlet.close()

    def _play(self):
        while self._waits and not self.outlet.is_heard and not self._over.is_set():
            self.outlet.send(b"")
            self._over.wait(_LOOK_S)
        while not self._over.is_set():
            self._play_once()
            if not self._loops:
                return

    def _play_once(self):
        began = time.monotonic()
        chunks, times = self._timeline.chunks, self._timeline.seconds.tolist()
        number = 0
        while number < len(chunks):
            now = self.speed * (time.monotonic() - began)
            ready = number
            while ready < len(chunks) and times[ready] <= now:
                ready += 1
            if ready > number or isinstance(self.outlet, TcpOutlet):
                data = b"".join(chunks[number:ready])
                self.outlet.send(data)
                self.sent += len(data)
                self.seconds, number = now, ready
            if number < len(chunks):
                wait = times[number] / self.speed - (time.monotonic() - began)
                if self._over.wait(min(max(wait, 0.001), _LOOK_S)):
                    return
