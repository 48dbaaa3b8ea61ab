"""A device or a program that sends over TCP to whoever asks."""

from __future__ import annotations

import socket as sockets
import time

from qgis.PyQt.QtNetwork import QAbstractSocket, QNetworkProxy, QTcpSocket

from ....algorithms._i18n import tr
from .source import Source

#: A host that has not answered for so long is tried again, s.
ANSWER_S = 5.0

#: A line that is dead, with nobody to say so, is asked after 10 s of silence, and given up 30 s
#: later; one that only hangs for less brings all that was sent meanwhile.
_ALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPALIVE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 6))

_ERROR = QAbstractSocket.SocketError


class TcpClient(Source):
    """Reads from ``host:port``."""

    def __init__(self, spec):
        super().__init__(spec)
        self._socket, self._begun_at = None, 0.0

    def _attempt(self):
        if self._socket is not None:
            if time.monotonic() - self._begun_at > ANSWER_S:
                self._lost(self._no_answer())
            return
        self._begun_at = time.monotonic()
        self._socket = QTcpSocket(self)
        # The device is near; the proxy that QGIS has for the Internet does not know it.
        self._socket.setProxy(QNetworkProxy(QNetworkProxy.ProxyType.NoProxy))
        self._socket.connected.connect(self._on_connected)
        self._socket.readyRead.connect(self._read)
        # Qt before 5.15 has one name for the error and its signal.
        failed = getattr(self._socket, "errorOccurred", None) or self._socket.error
        failed.connect(self._on_error)
        self._socket.connectToHost(*self.spec.address())

    def _on_connected(self):
        _keep_alive(self._socket)
        self._opened(tr("{} is connected.").format(self.spec.title))

    def _read(self):
        if self._socket is not None:
            self._came(bytes(self._socket.readAll()))

    def _on_error(self, error):
        if self._is_connected:
            self._read()
        if self._socket is not None:
            self._lost(self._why(error))

    def _why(self, error):
        title = self.spec.title
        if error == _ERROR.ConnectionRefusedError:
            text = tr("{} refuses the connection. Check the port, and that the device sends there.")
            return text.format(title)
        if error == _ERROR.HostNotFoundError:
            return tr("The host of {} is unknown. Check its name or type its address.").format(
                title
            )
        if error == _ERROR.RemoteHostClosedError:
            return tr("{} has closed the connection. It is tried again by itself.").format(title)
        if error in (_ERROR.SocketTimeoutError, _ERROR.NetworkError):
            return self._no_answer()
        reason = self._socket.errorString()
        return tr("{} cannot be read ({}). Check the network.").format(title, reason)

    def _no_answer(self):
        text = tr("{} does not answer. Check that this computer is in the network of the device.")
        return text.format(self.spec.title)

    def _release(self):
        if self._socket is None:
            return
        self._socket.blockSignals(True)
        self._socket.abort()
        self._socket.deleteLater()
        self._socket = None


def _keep_alive(socket):
    socket.setSocketOption(QAbstractSocket.SocketOption.KeepAliveOption, 1)
    plain = sockets.socket(fileno=int(socket.socketDescriptor()))
    try:
        for name, value in _ALIVE:
            if hasattr(sockets, name):
                plain.setsockopt(sockets.IPPROTO_TCP, getattr(sockets, name), value)
    except OSError:
        pass  # a system without them waits longer
    finally:
        plain.detach()
