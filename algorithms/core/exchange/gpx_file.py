"""Write and read waypoints, routes and tracks as GPX 1.1.

Depth is not written as elevation (``ele``), which is meters above a vertical datum, positive up:
devices drop a negative one or draw a hill. It stands as text in ``cmt``, which is what a device
shows, and exactly in the extension ``depth`` in meters, from which the log reader takes it too.

References
----------
GPX 1.1, the GPS Exchange Format schema, Topografix (2004),
http://www.topografix.com/GPX/1/1/gpx.xsd.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..errors import LakefloorError, excerpt
from ..number_text import finite_number, rounded_depth_text
from ..progress import Progress, silent, span, watched
from ..reading.column_roles import LENGTH_FACTORS
from ..reading.gpx_log import is_gpx
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

_NAMESPACE = "http://www.topografix.com/GPX/1/1"
_SCHEMA = "http://www.topografix.com/GPX/1/1/gpx.xsd"

#: Namespace of the extension that has a depth.
_DEPTH_NAMESPACE = "https://example.org/lakefloor/depth/1"


def gpx_document(
    waypoints: Sequence[Waypoint] = (),
    routes: Sequence[Route] = (),
    tracks: Sequence[Track] = (),
    *,
    title: str = "",
    note: str = "",
    time: np.datetime64 | None = None,
    depth_unit: str = "ft",
    progress: Progress = silent,
) -> bytes:
    """Return a GPX 1.1 document.

    Parameters
    ----------
    waypoints : sequence of Waypoint
    routes : sequence of Route
    tracks : sequence of Track
    title, note : str
        Of the document.
    time : datetime64, optional
        UTC instant that the document states; none by default, so that the same marks give the
        same bytes.
    depth_unit : str
        ``ft`` or ``m``, of depths in the comments.
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
    check_places(waypoints, routes, tracks, title or "GPX")
    out = XmlWriter()
    with out.element(
        "gpx",
        {
            "version": "1.1",
            "creator": "Lakefloor",
            "xmlns": _NAMESPACE,
            "xmlns:lake": _DEPTH_NAMESPACE,
            "xmlns:xsi": "http://www.w3.org/2001/XMLSchema-instance",
            "xsi:schemaLocation": f"{_NAMESPACE} {_SCHEMA}",
        },
    ):
        out.end_line()
        _write_metadata(out, title, note, iso_time(time))
        for point in watched(waypoints, progress):
            _write_point(out, "wpt", point, depth_unit)
        for route in routes:
            _write_route(out, route, depth_unit)
        for track in tracks:
            _write_track(out, track, depth_unit)
    out.end_line()
    return out.document()


def read_gpx(data: bytes, progress: Progress = silent) -> WaypointFile:
    """Return the waypoints, routes and tracks of a GPX document.

    Parameters
    ----------
    data : bytes
        GPX 1.0 or 1.1. Elements are matched by their local name, whatever their namespace.
    progress : callable

    Returns
    -------
    WaypointFile
        Depth is that of an extension; times that state no zone are taken as UTC.

    Raises
    ------
    LakefloorError
        If the data is no GPX, is damaged, or holds no point.

    Examples
    --------
    >>> read = read_gpx(gpx_document([Waypoint(-93.1, 45.2, "Hump", depth=3.6576)]))
    >>> [(p.name, p.lon, p.depth) for p in read.waypoints]
    [('Hump', -93.1, 3.6576)]
    """
    if not is_gpx(data):
        raise LakefloorError(
            "The file is not GPX: it has no <gpx> element. Choose a .gpx, .kml or .csv file."
        )
    root = parse_document(data, "GPX", span(progress, 0.0, 0.4))
    times, points, routes, tracks = PointTimes(), [], [], []

    def take(parent, tag):
        """Read the points of a tag; return where they stand among all points."""
        start = len(points)
        for element in watched(parent, span(progress, 0.4, 0.7), every=250):
            if local_name(element) == tag:
                times.add(child_text(element, "time"))
                points.append(_read_point(element))
        return slice(start, len(points))

    waypoints = take(root, "wpt")
    for element in watched(root, span(progress, 0.7, 0.8)):
        if local_name(element) == "rte":
            routes.append((element, take(element, "rtept")))
        elif local_name(element) == "trk":
            segments = [
                np.array(
                    [
                        _place(e)
                        for e in watched(part, span(progress, 0.7, 0.8))
                        if local_name(e) == "trkpt"
                    ],
                    float,
                ).reshape(-1, 2)
                for part in element
                if local_name(part) == "trkseg"
            ]
            tracks.append(
                Track(
                    child_text(element, "name"),
                    tuple(s for s in segments if len(s)),
                    _note(element),
                    _stated_depth(element),
                )
            )
    if not (points or any(track.segments for track in tracks)):
        raise LakefloorError(
            "The GPX file has no waypoint, route or track point. Choose another file."
        )
    timed, notes = times.into(points, span(progress, 0.8, 1.0))
    found = WaypointFile(
        timed[waypoints],
        tuple(Route(child_text(e, "name"), timed[rows], _note(e)) for e, rows in routes),
        tuple(tracks),
        notes,
    )
    check_places(found.waypoints, found.routes, found.tracks, "The GPX file", together=False)
    return found


# -- writing -----------------------------------------------------------------------------------


def _write_metadata(out, title, note, time):
    if title or note or time:
        with out.element("metadata"):
            out.text_element("name", title)
            out.text_element("desc", note)
            out.text_element("time", time)
        out.end_line()


def _write_point(out, tag, point, unit):
    with out.element(tag, _place_attributes(point.lon, point.lat)):
        if math.isfinite(point.elevation):
            out.text_element("ele", f"{point.elevation:.3f}")
        out.text_element("time", iso_time(point.time))
        out.text_element("name", point.name)
        _write_comment(out, point.depth, unit)
        out.text_element("desc", point.note)
        out.text_element("sym", point.symbol)
        _write_depth(out, point.depth)
    out.end_line()


def _write_route(out, route, unit):
    with out.element("rte"):
        out.text_element("name", route.name)
        out.text_element("desc", route.note)
        out.end_line()
        for point in route.points:
            _write_point(out, "rtept", point, unit)
    out.end_line()


def _write_track(out, track, unit):
    with out.element("trk"):
        out.text_element("name", track.name)
        _write_comment(out, track.depth, unit)
        out.text_element("desc", track.note)
        _write_depth(out, track.depth)
        out.end_line()
        for segment in track.segments:
            with out.element("trkseg"):
                out.end_line()
                for lon, lat in np.asarray(segment).tolist():
                    out.empty_element("trkpt", _place_attributes(lon, lat))
                    out.end_line()
            out.end_line()
    out.end_line()


def _place_attributes(lon, lat):
    lon, lat = degree_texts(lon, lat)
    return {"lat": lat, "lon": lon}


def _write_comment(out, depth, unit):
    if math.isfinite(depth):
        out.text_element("cmt", rounded_depth_text(depth, unit, format))


def _write_depth(out, depth):
    if math.isfinite(depth):
        with out.element("extensions"):
            out.text_element("lake:depth", f"{depth:.4f}", {"unit": "m"})


# -- reading -----------------------------------------------------------------------------------


def _place(element):
    try:
        return float(element.get("lon")), float(element.get("lat"))
    except (TypeError, ValueError) as error:
        raise LakefloorError(
            f'A GPX point <{local_name(element)} lat="{excerpt(element.get("lat"), 30)}" '
            f'lon="{excerpt(element.get("lon"), 30)}"> has no position. Correct or remove it.'
        ) from error


def _note(element):
    note = child_text(element, "desc")
    # A comment beside our own depth only repeats it.
    if note or math.isfinite(_stated_depth(element)):
        return note
    return child_text(element, "cmt")


def _stated_depth(element):
    for e in element.iter():
        if local_name(e).lower() in ("depth", "waterdepth"):
            value = finite_number(e.text)
            unit = (
                next((v for k, v in e.attrib.items() if k.lower() in ("unit", "units", "uom")), "m")
                .strip()
                .lower()
            )
            if unit in LENGTH_FACTORS and math.isfinite(value):
                return value * LENGTH_FACTORS[unit]
    return math.nan


def _read_point(element):
    lon, lat = _place(element)
    return Waypoint(
        lon,
        lat,
        child_text(element, "name"),
        _note(element),
        child_text(element, "sym"),
        _stated_depth(element),
        elevation=finite_number(child_text(element, "ele")),
    )
