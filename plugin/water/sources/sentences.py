"""Sentences composed of what QGIS tells of a position, as NMEA 0183 writes them (GGA, RMC)."""

from __future__ import annotations

import math

from qgis.PyQt.QtCore import Qt

from ....algorithms.core.reading.nmea_sentences import sentence_checksum
from ....algorithms.core.units import KMH, KNOT


def fix_sentences(information) -> bytes:
    """Return GGA and RMC of a QgsGpsInformation, nothing where it has no position or time."""
    when = information.utcDateTime
    if not information.isValid() or not when.isValid() or _is_nan(information.latitude):
        return b""
    when = when.toUTC() if when.timeSpec() != Qt.TimeSpec.UTC else when
    clock = when.toString("HHmmss.zzz")
    place = f"{_angle(information.latitude, 2, 'NS')},{_angle(information.longitude, 3, 'EW')}"
    quality = max(1, information.quality)
    height = _number(information.elevation, 2)
    gga = (
        f"GPGGA,{clock},{place},{quality},{information.satellitesUsed:02d},"
        f"{_number(information.hdop, 2)},{height},M,,M,,"
    )
    speed = _number(information.speed * KMH / KNOT, 3)
    course = _number(information.direction, 2)
    rmc = f"GPRMC,{clock},A,{place},{speed},{course},{when.toString('ddMMyy')},,"
    return sentence(gga) + sentence(rmc)


def sentence(body: str) -> bytes:
    """Return a sentence with its checksum.

    >>> sentence("SDDPT,5.0,0.0")
    b'$SDDPT,5.0,0.0*52\\r\\n'
    """
    return f"${body}*{sentence_checksum(body):02X}\r\n".encode("ascii")


def _angle(value, digits, signs):
    """Return degrees, minutes and the letter of the hemisphere."""
    minutes = round(abs(value) * 60, 6)
    degrees = int(minutes // 60)
    return f"{degrees:0{digits}d}{minutes - 60 * degrees:09.6f},{signs[value < 0]}"


def _number(value, decimals):
    return "" if _is_nan(value) else f"{value:.{decimals}f}"


def _is_nan(value):
    return value is None or math.isnan(value)
