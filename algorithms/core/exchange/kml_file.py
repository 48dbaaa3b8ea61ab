"""Write and read waypoints, routes and tracks as KML 2.2.

Depth is no altitude: places are clamped to the ground, and depth stands as text in the name where
the caller puts it, and exactly in the extended data ``depth_m``. KML knows no routes: one is
written as a line, marked ``kind`` route, and its points come back without names.

References
----------
OGC 07-147r2 (2008). KML, version 2.2.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
import zlib
from array import array
from collections.abc import Sequence
from contextlib import contextmanager

import numpy as np

from ..errors import LakefloorError, excerpt
from ..number_text import finite_number
from ..progress import Progress, silent, span, watched
from ..xml_documents import XmlWriter, child_text, local_name, parse_document
from .waypoints import (
    PointTimes,
    Route,
    Track,
    Waypoint,
    WaypointFile,
    check_places,
    degree_texts,
    iso_time,
)

_NAMESPACE = "http://www.opengis.net/kml/2.2"

#: A zipped document larger than this is not unpacked, bytes.
_LARGEST = 100_000_000

#: Bytes unpacked at a time.
_PIECE = 1_000_000


def kml_document(
    waypoints: Sequence[Waypoint] = (),
    routes: Sequence[Route] = (),
    tracks: Sequence[Track] = (),
    *,
    title: str = "",
    note: str = "",
    progress: Progress = silent,
) -> bytes:
    """Return a KML 2.2 document.

    Parameters
    ----------
    waypoints : sequence of Waypoint
    routes : sequence of Route
    tracks : sequence of Track
    title, note : str
        Of the document.
    progress : callable

    Returns
    -------
    bytes
        UTF-8. Positions have 8 decimals, about 1 mm.

    Raises
    ------
    LakefloorError
        If a position is off the globe, polar, or the positions span the antimeridian.
    """
    check_places(waypoints, routes, tracks, title or "KML")
    out = XmlWriter()
    with out.element("kml", {"xmlns": _NAMESPACE}), out.element("Document"):
        out.text_element("name", title)
        out.text_element("description", note)
        out.end_line()
        for point in watched(waypoints, progress):
            data = {
                "depth_m": _number(point.depth),
                "elevation_m": _number(point.elevation),
                "symbol": point.symbol,
            }
            when = iso_time(point.time)
            with _placemark(out, point.name, point.note, data, when), out.element("Point"):
                out.text_element("coordinates", _at(point.lon, point.lat))
        for route in routes:
            line = np.array([(p.lon, p.lat) for p in route.points], float).reshape(-1, 2)
            with _placemark(out, route.name, route.note, {"kind": "route"}):
                _write_lines(out, [line])
        for track in tracks:
            with _placemark(out, track.name, track.note, {"depth_m": _number(track.depth)}):
                _write_lines(out, track.segments)
    out.end_line()
    return out.document()


def is_kml(data: bytes) -> bool:
    """Tell whether bytes begin like a KML document, or a zip file that may hold one."""
    return data[:4] == b"PK\x03\x04" or b"<kml" in data[:4096].replace(b"\0", b"")


def read_kml(data: bytes, progress: Progress = silent) -> WaypointFile:
    """Return the points of a KML document as waypoints, and its lines as tracks.

    Parameters
    ----------
    data : bytes
        KML, or KMZ: a zip file with a KML document.
    progress : callable

    Returns
    -------
    WaypointFile
        The outer ring of a polygon is a track too. A line marked as a route is a route.

    Raises
    ------
    LakefloorError
        If the data is no KML, is damaged, or holds no point or line.

    Examples
    --------
    >>> read = read_kml(kml_document([Waypoint(-93.1, 45.2, "Hump", depth=3.6576)]))
    >>> [(p.name, float(p.lon), p.depth) for p in read.waypoints]
    [('Hump', -93.1, 3.6576)]
    """
    if not is_kml(data):
        raise LakefloorError(
            "The file is not KML: it has no <kml> element. Choose a .gpx, .kml or .csv file."
        )
    data = _unzipped(data) if data[:2] == b"PK" else data
    root = parse_document(data, "KML", span(progress, 0.0, 0.4))
    waypoints, routes, tracks, times = [], [], [], PointTimes()
    found = watched(root.iter(), span(progress, 0.4, 0.6), data.count(b"<"))
    marks = [e for e in found if local_name(e) == "Placemark"]
    for i, mark in enumerate(marks):
        if i % 200 == 0:  # each of them has elements of its own
            progress(0.6 + 0.3 * i / len(marks))
        name, note = child_text(mark, "name"), child_text(mark, "description")
        extra = _extended(mark)
        depth = finite_number(extra.get("depth_m"))
        for element in mark.iter():
            if local_name(element) == "Point":
                for lon, lat in _coordinates(element, name):
                    when = next(
                        ((e.text or "").strip() for e in mark.iter() if local_name(e) == "when"), ""
                    )
                    times.add(when)
                    waypoints.append(
                        Waypoint(
                            lon,
                            lat,
                            name,
                            note,
                            extra.get("symbol", ""),
                            depth,
                            elevation=finite_number(extra.get("elevation_m")),
                        )
                    )
        segments = tuple(
            segment
            for segment in (
                _coordinates(e, name)
                for e in mark.iter()
                if local_name(e) in ("LineString", "outerBoundaryIs", "Track")
            )
            if len(segment)
        )
        if segments and extra.get("kind") == "route":
            points = tuple(Waypoint(*place) for s in segments for place in s.tolist())
            routes.append(Route(name, points, note))
        elif segments:
            tracks.append(Track(name, segments, note, depth))
    if not (waypoints or routes or tracks):
        raise LakefloorError("The KML file has no point and no line. Choose another file.")
    timed, notes = times.into(waypoints, span(progress, 0.9, 1.0))
    check_places(timed, routes, tracks, "The KML file", together=False)
    return WaypointFile(timed, tuple(routes), tuple(tracks), notes)


def _unzipped(data):
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            inner = next(
                (i for i in packed.infolist() if i.filename.lower().endswith(".kml")), None
            )
            if inner is None:
                raise LakefloorError("The zip file has no KML document. Choose another file.")
            if inner.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise LakefloorError(
                    "The KML document in the zip file is compressed by a method that KMZ does "
                    "not allow. Export it again."
                )
            _refuse_size(inner.file_size)
            # The size that a zip file states need not be true.
            out = bytearray()
            with packed.open(inner) as document:
                while piece := document.read(_PIECE):
                    out += piece
                    _refuse_size(len(out))
            return bytes(out)
    except LakefloorError:
        raise
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        OSError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ) as error:
        raise LakefloorError(
            f"The zip file is damaged ({excerpt(error)}). Export it again."
        ) from error


def _refuse_size(size):
    if size > _LARGEST:
        raise LakefloorError(
            f"The KML document in the zip file has more than {_LARGEST / 1e6:.0f} MB, which is too "
            "large. Unpack it and choose the part that you need."
        )


def _coordinates(element, name):
    places = array("d")  # a list of texts takes ten times the memory
    try:
        for e in element.iter():
            if local_name(e) == "coordinates":  # lon,lat[,altitude] with blanks between
                for item in re.finditer(r"\S+", e.text or ""):
                    lon, lat = item[0].split(",", 2)[:2]
                    places.extend((float(lon), float(lat)))
            elif local_name(e) == "coord":  # lon lat altitude
                lon, lat = (e.text or "").split(None, 2)[:2]
                places.extend((float(lon), float(lat)))
    except ValueError as error:
        raise LakefloorError(
            f"The coordinates of '{excerpt(name)}' in the KML file are not numbers. Export it "
            "again."
        ) from error
    return np.array(places, float).reshape(-1, 2)


def _extended(mark):
    found = {}
    for e in mark.iter():
        if local_name(e) == "Data":
            found[e.get("name")] = child_text(e, "value")
        elif local_name(e) == "SimpleData":
            found[e.get("name")] = (e.text or "").strip()
    return found


def _number(value):
    return f"{value:.4f}" if math.isfinite(value) else ""


def _at(lon, lat):
    return ",".join(degree_texts(lon, lat))


@contextmanager
def _placemark(out, name, note, data, when=""):
    """Write a place with its geometry, which is written meanwhile."""
    with out.element("Placemark"):
        out.text_element("name", name)
        out.text_element("description", note)
        if when:
            with out.element("TimeStamp"):
                out.text_element("when", when)
        data = {key: value for key, value in data.items() if value}
        if data:
            with out.element("ExtendedData"):
                for key, value in data.items():
                    with out.element("Data", {"name": key}):
                        out.text_element("value", value)
        yield
    out.end_line()


def _write_lines(out, segments):
    if len(segments) == 1:
        _write_line(out, segments[0])
        return
    with out.element("MultiGeometry"):
        for segment in segments:
            _write_line(out, segment)


def _write_line(out, segment):
    with out.element("LineString"), out.element("coordinates"):
        out.characters(" ".join(_at(lon, lat) for lon, lat in np.asarray(segment).tolist()))
