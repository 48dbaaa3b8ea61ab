"""Read soundings from GPX: points that have a depth in an extension.

References
----------
GPX 1.0 and 1.1, the GPS Exchange Format schemas of Topografix. Elevation
(``ele``) is not depth and is not read as such.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from datetime import tzinfo
from functools import lru_cache
from xml.parsers import expat

import numpy as np

from .. import units
from ..errors import LakefloorError, excerpt
from ..number_text import counted, finite_number
from ..progress import STRIDE, Progress, rising, silent, watched
from ..soundings import Soundings, distinct
from ..times import missing_times, utc_from_texts
from ..xml_documents import guarded_parser, unreadable_encoding
from .column_roles import LENGTH_FACTORS, LENGTH_WORDS, SPEED_WORDS, TEMP_WORDS
from .parsed_log import (
    DEPTH_UNIT_ASSUMED,
    POSITION_MISSING,
    UNIT_ASSUMED,
    ParsedLog,
    UnreadTally,
    relative_hardness,
    temperature_unit_assumed,
    temperature_unit_of,
    unit_not_used,
)

_POINTS = {"trkpt": "track point", "rtept": "route point", "wpt": "waypoint"}
_ELEMENTS = {
    "depth": "depth",
    "waterdepth": "depth",
    "wtemp": "water_temp",
    "watertemp": "water_temp",
    "watertemperature": "water_temp",
    "temp": "water_temp",
    "temperature": "water_temp",
    "hardness": "hardness",
    "bottomhardness": "hardness",
    "speed": "speed",
    "course": "course",
    "time": "time",
}
_LONGEST_TEXT = 200
_SPEED = {**units.SPEED, **{word: units.SPEED[unit] for word, unit in SPEED_WORDS.items()}}


def is_gpx(data: bytes) -> bool:
    """Tell whether a file's bytes begin like a GPX document."""
    head = data[:4096].replace(b"\0", b"")
    return bool(re.search(rb"<(?:\w+:)?gpx[\s>]", head))


def parse_gpx_log(
    data: bytes,
    *,
    depth_unit: str | None = None,
    time_zone: str | tzinfo = "UTC",
    progress: Progress = silent,
) -> ParsedLog:
    """Return the soundings of one GPX file: tracks, routes and waypoints with a depth.

    Parameters
    ----------
    data : bytes
        GPX 1.0 or 1.1.
    depth_unit : str, optional
        Unit of depths whose element states none; meters if None.
    time_zone : str or tzinfo
        Of times that state none, which the schema does not allow.
    progress : callable

    Returns
    -------
    ParsedLog
        One sounding for each point that has a depth. Elements are matched by
        their local name, whatever their namespace. Of a damaged document what
        stands before the damage is read, and its line reported.

    Raises
    ------
    LakefloorError
        If no point has a depth, the text encoding is not known, or the document declares
        entities.

    Examples
    --------
    >>> data = b"<gpx><wpt lat='45' lon='-93'><depth unit='ft'>10</depth></wpt></gpx>"
    >>> round(float(parse_gpx_log(data).soundings.depth[0]), 3)
    3.048
    """
    tally, notes = UnreadTally(), []
    progress = rising(progress)
    rows = _rows(_read_points(data, tally, progress), tally, progress)
    points = _Points([p for p, *_ in rows], progress)
    factor = _depth_factors(points, depth_unit, notes)
    kinds = Counter(_POINTS[element] for element in points.all("element"))
    notes.insert(
        0,
        "Depths come from "
        + ", ".join(counted(kinds[k], k) for k in _POINTS.values() if k in kinds)
        + ".",
    )
    lon, lat, depth = (np.array([row[i] for row in rows]) for i in (1, 2, 3))
    time, offset_h, more = utc_from_texts(
        points.all("time", ""), time_zone, "ymd", lambda _: progress(0.9)
    )
    notes += more + missing_times(time)
    hardness, more = relative_hardness(points.numbers("hardness"))
    notes += more
    soundings = Soundings.build(
        lon,
        lat,
        depth * factor,
        time=time,
        hardness=hardness,
        course=points.numbers("course"),
        speed=_speeds(points, notes),
        water_temp=_temperatures(points, notes),
        corrections=np.array(
            [
                "from=unknown" if depth_unit or unit else f"from=unknown;{UNIT_ASSUMED}"
                for unit in points.all("depth_unit")
            ],
            dtype=object,
        ),
    )
    progress(1.0)
    line = np.array(points.all("line"))
    return ParsedLog(soundings, "GPX", tuple(notes), tally, line, offset_h)


def _read_points(data, tally, progress):
    """Return the points of a document as dictionaries, of a damaged one those before the damage."""
    reader = _Reader(lambda: progress(min(0.5, reader.parser.CurrentByteIndex / len(data))))
    try:
        reader.parser.Parse(data, True)
    except expat.ExpatError as error:
        reason = f"damaged XML ({expat.ErrorString(error.code)}); the rest is not read"
        lines = data.splitlines()
        tally.add(
            error.lineno, reason, lines[error.lineno - 1] if error.lineno <= len(lines) else b""
        )
    except (LookupError, ValueError) as error:
        if isinstance(error, LakefloorError):
            raise
        raise unreadable_encoding(data, "GPX", error) from error
    if not reader.points:
        raise LakefloorError(
            "The GPX file has no track, route or waypoint. Export the track with its depths."
        )
    return reader.points


def _rows(points, tally, progress):
    """Return the points that have a depth, with longitude, latitude and depth, and count others."""
    rows = []
    for i, point in enumerate(points):
        if i % STRIDE == 0:
            progress(0.5 + 0.4 * i / len(points))
        lat, lon, depth = (finite_number(point.get(k)) for k in ("lat", "lon", "depth"))
        if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
            tally.add(point["line"], POSITION_MISSING, _shown(point))
        elif math.isnan(depth):
            # A mark without a depth is no failed sounding.
            if point["element"] == "trkpt":
                tally.add(point["line"], "no depth in the point", _shown(point))
        else:
            rows.append((point, lon, lat, depth))
    if not rows:
        raise LakefloorError(
            f"None of the GPX points ({len(points)}) has a depth; elevation is not depth. "
            "Export the track with its depths, or export text or NMEA 0183."
        )
    return rows


class _Reader:
    """Collects points; expat rather than a tree, for line numbers and damaged ends."""

    def __init__(self, look):
        self.points, self._point, self._stack = [], None, []
        self._look, self._ended = look, 0
        self.parser = guarded_parser()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters

    def _start(self, name, attributes):
        local = name.rpartition(":")[2]
        if local in _POINTS:
            self._point = {
                "element": local,
                "line": self.parser.CurrentLineNumber,
                "lat": attributes.get("lat"),
                "lon": attributes.get("lon"),
            }
        self._stack.append([local, attributes, ""])

    def _characters(self, text):
        if self._stack and self._point is not None:
            # Nothing that is read is longer.
            self._stack[-1][2] += text[: max(_LONGEST_TEXT - len(self._stack[-1][2]), 0)]

    def _end(self, name):
        local, attributes, text = self._stack.pop()
        self._ended += 1
        if self._ended % STRIDE == 0:
            self._look()
        if self._point is None:
            return
        if local in _POINTS:
            self.points.append(self._point)
            self._point = None
            return
        key = _key_of(local)
        if key and text.strip():
            self._point[key] = text.strip()
            unit = next(
                (v for k, v in attributes.items() if k.lower() in ("unit", "units", "uom")), None
            )
            if unit:
                self._point[key + "_unit"] = unit.strip().lower().replace("°", "")


@lru_cache(maxsize=1000)
def _key_of(element):
    """Return what an element of this name holds, None if nothing that is read."""
    return _ELEMENTS.get(re.sub(r"[_-]", "", element).lower())


def _shown(point):
    return f'<{point["element"]} lat="{point["lat"]}" lon="{point["lon"]}">'


class _Points:
    """Columns of the points, each read with looks at ``progress``."""

    def __init__(self, points, progress):
        self._points, self._progress = points, progress

    def all(self, key, default=None):
        return [p.get(key, default) for p in self._watched()]

    def numbers(self, key):
        if not any(key in p for p in self._watched()):
            return np.full(len(self._points), np.nan)
        return np.array([finite_number(p.get(key)) for p in self._watched()])

    def _watched(self):
        return watched(self._points, lambda _: self._progress(0.9))


def _known_unit(points, key, known, value, notes):
    """Return the units stated, empty where none is; a value in an unknown one is left empty."""
    unit = np.array(points.all(key + "_unit", ""), dtype=object)
    strange = np.array([u not in known for u in unit]) & (unit != "") & np.isfinite(value)
    if strange.any():
        notes.append(
            f"{counted(strange.sum(), 'value')} of {key} left out, because the unit "
            f"'{excerpt(unit[strange][0])}' is not known."
        )
        value[strange] = np.nan
    return unit


def _speeds(points, notes):
    value = points.numbers("speed")
    unit = _known_unit(points, "speed", _SPEED, value, notes)
    return value * _looked_up(unit, _SPEED, 1.0)


def _depth_factors(points, depth_unit, notes):
    of_each = points.all("depth_unit")
    stated = set(of_each)
    unknown = sorted(u for u in stated if u and u not in LENGTH_FACTORS)
    if unknown:
        raise LakefloorError(
            f"The depths of the GPX file are in '{excerpt(unknown[0])}', which is not a known "
            "unit. "
            "Export them in m or ft."
        )
    default = units.unit_factor(depth_unit or "m")
    if None in stated:
        notes.append(
            f"Depths are in {units.LENGTH_NAMES[depth_unit]}." if depth_unit else DEPTH_UNIT_ASSUMED
        )
    for unit in sorted(u for u in stated if u):
        notes.append(f"Depths are in {units.LENGTH_NAMES[LENGTH_WORDS[unit]]}, as the file states.")
        if depth_unit and LENGTH_WORDS[unit] != depth_unit:
            notes.append(unit_not_used(depth_unit, "The file", LENGTH_WORDS[unit]))
    return _looked_up(of_each, LENGTH_FACTORS, default)


def _looked_up(texts, table, default):
    """Return what a table says of each text, shape (n,)."""
    names, row = distinct(texts)
    return np.array([table.get(name, default) for name in names])[row]


def _temperatures(points, notes):
    value = points.numbers("water_temp")
    unit = _known_unit(points, "water_temp", TEMP_WORDS, value, notes)
    fahrenheit = _looked_up(unit, TEMP_WORDS, "") == "F"
    unstated = (unit == "") & np.isfinite(value)
    if unstated.any() and temperature_unit_of(value[unstated]) == "F":
        notes.append(temperature_unit_assumed("F"))
        fahrenheit |= unstated
    return np.where(fahrenheit, units.fahrenheit_to_celsius(value), value)
