"""What a person chose as a source: its kind and its place."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, fields

from ....algorithms._i18n import tr

#: Kinds of sources.
KINDS = ("serial", "tcp", "udp", "file", "qgis")

#: Baud rates that devices have; 4800 is that of NMEA 0183.
BAUD_RATES = (4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800)

#: "host:port"; an IPv6 address stands in brackets.
_HOST_PORT = re.compile(
    r"(?:\[(?P<six>[0-9A-Fa-f:.%\w]+)\]|(?P<host>[^\s:\[\]/]+)):(?P<port>\d{1,5})"
)


@dataclass(frozen=True)
class SourceSpec:
    """A source as it was chosen.

    Attributes
    ----------
    kind : str
        One of :data:`KINDS`.
    place : str
        serial: path or name of the port; tcp: ``host:port``; udp: ``port`` or ``address:port`` of
        this computer; file: its path; qgis: empty.
    baud : int
        Of a serial port.
    name : str
        What people call it; may be empty.
    """

    kind: str
    place: str = ""
    baud: int = 4800
    name: str = ""

    @property
    def title(self) -> str:
        """What people read: the name, else the place."""
        return self.name or self.place or tr("QGIS's GPS panel")

    def to_dict(self) -> dict:
        """Return what :meth:`from_dict` takes, for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict) -> SourceSpec:
        """Return the source that was kept; what a later version has added is left out."""
        known = {field.name: values[field.name] for field in fields(cls) if field.name in values}
        return cls(**known)

    def problem(self) -> str:
        """Return what is wrong with it, in one sentence, or nothing."""
        if self.kind not in KINDS:
            return tr("'{}' is no kind of source. Choose one from the list.").format(self.kind)
        if self.kind == "serial" and not self.place.strip():
            return tr("Choose the serial port of the device.")
        if self.kind == "file" and not self.place.strip():
            return tr("Choose the file into which the other program writes.")
        if self.kind in ("tcp", "udp") and self.address() is None:
            if self.kind == "tcp":
                return tr("Type host and port of the device, such as 192.168.1.1:10110.")
            return tr("Type the port to which the device sends, such as 10110.")
        return ""

    def address(self) -> tuple[str, int] | None:
        """Return host and port of a network source, None where the place has none.

        >>> SourceSpec("tcp", "[::1]:10110").address()
        ('::1', 10110)
        >>> SourceSpec("udp", "10110").address()
        ('', 10110)
        """
        text = self.place.strip()
        if self.kind == "udp" and re.fullmatch(r"[0-9]{1,5}", text):
            host, port = "", int(text)
        else:
            found = _HOST_PORT.fullmatch(text)
            if found is None:
                return None
            host, port = found["six"] or found["host"], int(found["port"])
        return (host, port) if 0 < port < 65536 else None
