"""A device or a program that sends datagrams to a port of this computer."""

from __future__ import annotations

from qgis.PyQt.QtNetwork import QAbstractSocket, QHostAddress, QNetworkProxy, QUdpSocket

from ....algorithms._i18n import tr
from .source import Source

#: What the system keeps for us while we are busy, bytes; it may give less.
_KEPT = 4 * 2**20
#: No datagram is longer.
_LONGEST = 65536

_ERROR = QAbstractSocket.SocketError


class UdpListener(Source):
    """Reads what arrives at a port; datagrams are joined as they come."""

    def __init__(self, spec):
        super().__init__(spec)
        self._socket = None

    def _attempt(self):
        host, port = self.spec.address()
        address = QHostAddress(host) if host else QHostAddress(QHostAddress.SpecialAddress.Any)
        if address.isNull():
            self._lost(_not_ours(host))
            return
        self._socket = QUdpSocket(self)
        self._socket.setProxy(QNetworkProxy(QNetworkProxy.ProxyType.NoProxy))
        # Of two programs at one port only one would get a datagram.
        if not self._socket.bind(address, port, QAbstractSocket.BindFlag.DontShareAddress):
            self._lost(self._why())
            return
        self._socket.setSocketOption(
            QAbstractSocket.SocketOption.ReceiveBufferSizeSocketOption, _KEPT
        )
        self._socket.readyRead.connect(self._read)
        self._opened(tr("Listening to what arrives at UDP port {}.").format(port))

    def _read(self):
        pieces = []
        while self._socket.hasPendingDatagrams():
            piece, _, _ = self._socket.readDatagram(_LONGEST)
            pieces.append(piece or b"")
        self._came(b"".join(pieces))

    def _why(self):
        host, port = self.spec.address()
        error = self._socket.error()
        if error == _ERROR.AddressInUseError:
            return tr(
                "Another program listens to UDP port {}. Close it, or let the device send to "
                "another port."
            ).format(port)
        if error == _ERROR.SocketAccessError:
            return tr("You may not listen to port {}. Choose one from 1024 to 65535.").format(port)
        if error == _ERROR.SocketAddressNotAvailableError:
            return _not_ours(host)
        reason = self._socket.errorString()
        return tr("UDP port {} cannot be read ({}). Check the network.").format(port, reason)

    def _silence(self):
        return tr("Check that the device sends to this computer, and that no firewall stops it.")

    def _release(self):
        if self._socket is None:
            return
        self._socket.blockSignals(True)
        self._socket.close()
        self._socket.deleteLater()
        self._socket = None


def _not_ours(host):
    return tr("{} is no address of this computer. Type the port alone.").format(host)
