"""From what was chosen to a source; the ports of this computer."""

from __future__ import annotations

import os

from ....algorithms._i18n import tr
from .source import GONE, Source
from .spec import SourceSpec


def open_source(spec: SourceSpec, tail: bytes = b"") -> Source:
    """Return the source; its ``open()`` opens it, once its signals are connected.

    Parameters
    ----------
    spec : SourceSpec
        What was chosen. One with a mistake gives a source that is gone and says so.
    tail : bytes, optional
        The last bytes that were recorded from it, when a recording is resumed. A growing file
        goes on behind them, so that what came in between is not lost; others need it not.
    """
    if spec.kind == "tcp":
        from .tcp import TcpClient

        return TcpClient(spec)
    if spec.kind == "udp":
        from .udp import UdpListener

        return UdpListener(spec)
    if spec.kind == "file":
        from .growing_file import GrowingFile

        return GrowingFile(spec, tail)
    if spec.kind == "qgis":
        from .qgis_gps import QgisGps

        return QgisGps(spec)
    return _serial(spec)


def possible_sources() -> list:
    """Return a :class:`SourceSpec` for each serial port that is there, by name."""
    if os.name == "posix":
        from .ports import serial_ports

        return [SourceSpec("serial", place, name=name) for place, name in serial_ports()]
    try:
        from .qt_serial_port import qt_serial_ports
    except ImportError:
        return []
    return [SourceSpec("serial", place, name=name) for place, name in qt_serial_ports()]


def can_serial() -> bool:
    """Tell whether serial ports can be read on this computer."""
    if os.name == "posix":
        return True
    try:
        from . import qt_serial_port  # noqa: F401
    except ImportError:
        return False
    return True


def no_serial_text() -> str:
    """Return what to do where this QGIS reads no serial ports."""
    return tr(
        "This QGIS cannot read serial ports. Let the device or another program send over TCP or UDP."
    )


def _serial(spec) -> Source:
    if os.name == "posix":
        from .serial_port import SerialPort

        return SerialPort(spec)
    try:
        from .qt_serial_port import QtSerialPort
    except ImportError:
        return _Unreadable(spec)
    return QtSerialPort(spec)


class _Unreadable(Source):
    """A serial port that this QGIS has no means to read."""

    def _attempt(self):
        self._say(GONE, no_serial_text())

    def _release(self):
        pass
