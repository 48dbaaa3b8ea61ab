"""The serial ports of a computer with POSIX, and the names under which they stay the same."""

from __future__ import annotations

import re
from pathlib import Path

#: Where ports are, and how their names begin: USB adapters, boards, radio, a computer's own.
DEV = Path("/dev")
_PORTS = ("ttyUSB*", "ttyACM*", "rfcomm*", "ttyAMA*", "ttyS*", "cu.*")

#: Links by maker, kind and number of a device, which udev keeps.
BY_ID = Path("/dev/serial/by-id")

#: What the kernel knows of ports.
_KNOWN = Path("/sys/class/tty")


def serial_ports() -> list:
    """Return (place, name) of each port; the place is a lasting link where there is one."""
    links = {target: link for link, target in _links()}
    found = []
    for port in port_paths():
        link = links.get(_real(port))
        found.append((str(link or port), f"{_called(link)} ({port.name})" if link else port.name))
    return found


def port_paths() -> list:
    """Return the paths of ports that have a device, by name."""
    try:
        found = [path for pattern in _PORTS for path in DEV.glob(pattern) if _has_device(path)]
    except OSError:
        return []
    return sorted(found, key=_by_number)


def lasting_name(port: str) -> Path | None:
    """Return the link by which the device at a port can be found again, None without one."""
    target = _real(Path(port))
    return next((link for link, each in _links() if each == target), None)


def _links():
    try:
        return [(link, _real(link)) for link in sorted(BY_ID.iterdir())]
    except OSError:
        return []


def _real(path) -> str:
    return str(path.resolve())


def _called(link) -> str:
    """Return maker and kind, of ``usb-Maker_Kind_number-if00-port0``."""
    text = re.sub(r"-if\d+(-port\d+)?$", "", link.name.partition("-")[2] or link.name)
    return text.replace("_", " ").strip()


def _by_number(path):
    """Sort 2 before 10."""
    return [int(part) if part.isdigit() else part for part in re.split(r"(\d+)", path.name)]


def _has_device(path) -> bool:
    """Tell whether there is one: Linux lists many ``ttyS`` of which a computer has none or one."""
    if not path.name.startswith("ttyS"):
        return True
    bus = _KNOWN / path.name / "device" / "subsystem"
    return bus.exists() and bus.resolve().name not in ("platform", "serial-base")
