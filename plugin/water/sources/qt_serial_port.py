"""A serial port, read through Qt where the system has no POSIX and QGIS has QtSerialPort."""

from __future__ import annotations

from importlib import import_module

from qgis.PyQt.QtCore import QIODevice, QObject

try:
    from qgis.PyQt.QtSerialPort import QSerialPort, QSerialPortInfo
except ImportError:
    # QGIS before 3.28 does not pass it on; it comes from where QGIS has the rest of Qt.
    _serial = import_module(f"{QObject.__module__.partition('.')[0]}.QtSerialPort")
    QSerialPort, QSerialPortInfo = _serial.QSerialPort, _serial.QSerialPortInfo

from ....algorithms._i18n import tr
from .source import Source

_ERROR = QSerialPort.SerialPortError


def qt_serial_ports() -> list:
    """Return (place, name) of each port."""
    return [
        (port.portName(), f"{port.description()} ({port.portName()})".strip())
        for port in QSerialPortInfo.availablePorts()
    ]


class QtSerialPort(Source):
    """A serial port of Windows.

    A device that comes back under another name is found by its serial number, and where it has
    none by being the only port that is new since it went.
    """

    def __init__(self, spec):
        super().__init__(spec)
        self._name, self._port = spec.place.strip(), None
        self._number, self._ports_before = "", None

    def _attempt(self):
        name = self._place()
        port = QSerialPort(name, self)
        port.setBaudRate(self.spec.baud)
        port.setFlowControl(QSerialPort.FlowControl.NoFlowControl)
        if not port.open(QIODevice.OpenModeFlag.ReadOnly):
            error, reason = port.error(), port.errorString()
            port.deleteLater()
            self._ports_before = self._ports_before or _names() - {name}
            self._lost(self._why(error, reason))
            return
        text = tr("{} is open at {} baud.").format(self.spec.title, self.spec.baud)
        if name != self._name:
            text += " " + tr("The device is now at {}.").format(name)
        self._port, self._name, self._ports_before = port, name, None
        self._number = self._number or QSerialPortInfo(name).serialNumber()
        port.readyRead.connect(self._read)
        port.errorOccurred.connect(self._on_error)
        self._opened(text)

    def _place(self):
        ports = QSerialPortInfo.availablePorts()
        same = [port.portName() for port in ports if port.serialNumber() == self._number != ""]
        if same:
            return same[0]
        names = {port.portName() for port in ports}
        new = names - (self._ports_before if self._ports_before is not None else names)
        if self._name not in names and not self._number and len(new) == 1:
            return new.pop()
        return self._name

    def _read(self):
        if self._port is not None:
            self._came(bytes(self._port.readAll()))

    def _on_error(self, error):
        if self._port is None or error in (_ERROR.NoError, _ERROR.TimeoutError):
            return
        self._read()
        self._lost(self._why(error, self._port.errorString()))

    def _why(self, error, reason):
        title = self.spec.title
        if error in (_ERROR.DeviceNotFoundError, _ERROR.ResourceError):
            return tr("{} is not there. Plug the device in; it goes on by itself.").format(title)
        if error == _ERROR.PermissionError:
            text = tr("Another program uses {}. Close that program; it goes on by itself.")
            return text.format(title)
        text = tr("{} cannot be read ({}). Check the device and its cable.")
        return text.format(title, reason)

    def _silence(self):
        return tr("Check the device, its cable, and whether it sends at {} baud.").format(
            self.spec.baud
        )

    def _release(self):
        if self._port is None:
            return
        port, self._port = self._port, None
        port.blockSignals(True)
        self._ports_before = _names() - {self._name}
        port.close()
        port.deleteLater()


def _names():
    return {port.portName() for port in QSerialPortInfo.availablePorts()}
