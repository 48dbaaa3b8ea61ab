"""Write and read waypoints, routes and tracks as GPX 1.1.

Depth is not written as elevation (``ele``), which is metres above a vertical datum, positive up:
devices drop a negative one or draw a hill. It stands as text in ``cmt``, which is what a device
shows, and exactly in the extension ``depth`` in metres, from which the log reader takes it too.

References
----------
GPX 1.1, the GPS Exchange Format schema, Topografix (2004),
http://www.topografix.com/GPX/1/1/gpx.xsd.
"""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ..errors import LakefloorError, excerpt
from ..number_text import written
from ..progress import silent, span, watched
from ..reading.gpx import LENGTH_UNITS, guarded_parser, is_gpx
from .marks import (
    Marks,
    Route,
    Times,
    Track,
    Waypoint,
    check_marks,
    degree_texts,
    depth_text,
)

NAMESPACE = "http://www.topografix.com/GPX/1/1"
SCHEMA = "http://www.topografix.com/GPX/1/1/gpx.xsd"

#: Namespace of the extension that bears a depth.
DEPTH_NAMESPACE = "https://example.org/lakefloor/depth/1"

#: Elements and attributes that a document may have: about 0.9 GB of memory at worst.
_MOST_PARTS = 5_000_000

#: Bytes parsed at a time.
_PIECE = 500_000

#: Everything that XML 1.0 cannot hold (section 2.2, production 2).
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def gpx_document(
    waypoints=(), routes=(), tracks=(), *, title="", note="", time=None, depth_unit="ft",
    progress=silent,
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
    check_marks(waypoints, routes, tracks, title or "GPX")
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>\n',
        f'<gpx version="1.1" creator="Lakefloor" xmlns="{NAMESPACE}" '
        f'xmlns:lake="{DEPTH_NAMESPACE}" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {SCHEMA}">\n',
    ]
    head = _text("name", title) + _text("desc", note) + _time(time)
    if head:
        out.append(f"<metadata>{head}</metadata>\n")
    out += [_point("wpt", point, depth_unit) for point in watched(waypoints, progress)]
    for route in routes:
        out.append(f"<rte>{_text('name', route.name)}{_text('desc', route.note)}\n")
        out += [_point("rtept", point, depth_unit) for point in route.points]
        out.append("</rte>\n")
    for track in tracks:
        out.append(
            "<trk>" + _text("name", track.name) + _depth_comment(track.depth, depth_unit)
            + _text("desc", track.note) + _depth(track.depth) + "\n"
        )
        for segment in track.segments:
            out.append("<trkseg>\n")
            out += [f"<trkpt {_at(lon, lat)}/>\n" for lon, lat in np.asarray(segment).tolist()]
            out.append("</trkseg>\n")
        out.append("</trk>\n")
    out.append("</gpx>\n")
    return "".join(out).encode("utf-8")


def read_gpx(data: bytes, progress=silent) -> Marks:
    """Return the waypoints, routes and tracks of a GPX document.

    Parameters
    ----------
    data : bytes
        GPX 1.0 or 1.1. Elements are matched by their local name, whatever their namespace.
    progress : callable

    Returns
    -------
    Marks
        Depth is that of an extension; times that state no zone are taken as UTC.

    Raises
    ------
    LakefloorError
        If the data is no GPX, is damaged, or holds no point.
    """
    if not is_gpx(data):
        raise LakefloorError(
            "The file is not GPX: it has no <gpx> element. Choose a .gpx, .kml or .csv file."
        )
    root = parse_xml(data, "GPX", span(progress, 0.0, 0.4))
    times, points, routes, tracks = Times(), [], [], []

    def take(parent, tag):
        """Read the points of a tag; return where they stand among all points."""
        start = len(points)
        for element in watched(parent, span(progress, 0.4, 0.7), every=250):
            if local(element) == tag:
                times.add(_child(element, "time"))
                points.append(_read_point(element))
        return slice(start, len(points))

    waypoints = take(root, "wpt")
    for element in watched(root, span(progress, 0.7, 0.8)):
        if local(element) == "rte":
            routes.append((element, take(element, "rtept")))
        elif local(element) == "trk":
            segments = [
                np.array(
                    [_place(e) for e in watched(part, span(progress, 0.7, 0.8))
                     if local(e) == "trkpt"], float,
                ).reshape(-1, 2)
                for part in element if local(part) == "trkseg"
            ]
            tracks.append(Track(
                _child(element, "name"), tuple(s for s in segments if len(s)),
                _note(element), _stated_depth(element),
            ))
    if not (points or any(track.segments for track in tracks)):
        raise LakefloorError(
            "The GPX file has no waypoint, route or track point. Choose another file."
        )
    points, notes = times.into(points, span(progress, 0.8, 1.0))
    marks = Marks(
        points[waypoints],
        tuple(Route(_child(e, "name"), points[rows], _note(e)) for e, rows in routes),
        tuple(tracks), notes,
    )
    check_marks(*marks[:3], "The GPX file", together=False)
    return marks


# -- writing -----------------------------------------------------------------------------------


def _point(tag, point, unit):
    elevation = f"<ele>{point.elevation:.3f}</ele>" if math.isfinite(point.elevation) else ""
    inner = (
        elevation + _time(point.time) + _text("name", point.name)
        + _depth_comment(point.depth, unit) + _text("desc", point.note)
        + _text("sym", point.symbol) + _depth(point.depth)
    )
    return f"<{tag} {_at(point.lon, point.lat)}>{inner}</{tag}>\n"


def _at(lon, lat):
    lon, lat = degree_texts(lon, lat)
    return f'lat="{lat}" lon="{lon}"'


def xml_text(text) -> str:
    """Return text escaped for XML 1.0, without what XML cannot hold."""
    return escape(_NO_XML.sub("", text), {"\r": "&#13;"})


def xml_attribute(text) -> str:
    """Return text quoted as an attribute of XML 1.0, without what XML cannot hold."""
    return quoteattr(_NO_XML.sub("", text))


def _text(tag, text):
    return f"<{tag}>{xml_text(text)}</{tag}>" if text else ""


def iso_time(time) -> str:
    """Return a UTC instant as ISO 8601 with Z, to the second or the millisecond; "" for NaT."""
    if time is None or np.isnat(time):
        return ""
    return str(np.datetime64(time, "ms")).replace(".000", "") + "Z"


def _time(time):
    return _text("time", iso_time(time))


def _depth_comment(depth, unit):
    return _text("cmt", depth_text(depth, unit)) if math.isfinite(depth) else ""


def _depth(depth):
    if not math.isfinite(depth):
        return ""
    return f'<extensions><lake:depth unit="m">{depth:.4f}</lake:depth></extensions>'


# -- reading -----------------------------------------------------------------------------------


def parse_xml(data: bytes, kind: str, progress=silent):
    """Return the root element of an XML document.

    Raises
    ------
    LakefloorError
        If it is damaged, too large, in an unknown text encoding, or declares entities of its
        own; the message names the line.
    """
    if data.count(b"<") + data.count(b"=") > _MOST_PARTS:
        raise LakefloorError(
            f"The {kind} file has more than {written(_MOST_PARTS, ',')} elements and attributes, "
            "which is too much. Split it, or export only the part that you need."
        )
    _read_prolog(data)
    try:
        parser = ElementTree.XMLParser()
        for start in range(0, len(data), _PIECE):
            progress(start / len(data))
            parser.feed(data[start : start + _PIECE])
        return parser.close()
    except (ElementTree.ParseError, LookupError, ValueError) as error:
        raise LakefloorError(
            f"The {kind} file is damaged ({excerpt(error)}). Export it again."
        ) from error


class _Prolog(Exception):  # noqa: N818
    """The prolog of a document was read."""


def _read_prolog(data):
    """Read a document up to its first element, and refuse what no exchange file needs."""
    parser = guarded_parser()

    def first(*_):
        raise _Prolog

    parser.StartElementHandler = first
    try:
        parser.Parse(data, True)
    except LakefloorError:
        raise
    except (_Prolog, expat.ExpatError, LookupError, ValueError):
        return  # what is damaged is for the reader to say


def local(element) -> str:
    """Return the name of an element without its namespace."""
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _place(element):
    try:
        return float(element.get("lon")), float(element.get("lat"))
    except (TypeError, ValueError) as error:
        raise LakefloorError(
            f"A GPX point <{local(element)} lat=\"{excerpt(element.get('lat'), 30)}\" "
            f"lon=\"{excerpt(element.get('lon'), 30)}\"> has no position. Correct or remove it."
        ) from error


def _child(element, name):
    return next(((e.text or "").strip() for e in element if local(e) == name), "")


def _note(element):
    note = _child(element, "desc")
    # A comment beside our own depth only repeats it.
    if note or math.isfinite(_stated_depth(element)):
        return note
    return _child(element, "cmt")


def _stated_depth(element):
    for e in element.iter():
        if local(e).lower() in ("depth", "waterdepth"):
            try:
                value = float(e.text)
            except (TypeError, ValueError):
                continue
            unit = next((v for k, v in e.attrib.items() if k.lower() in ("unit", "units", "uom")),
                        "m").strip().lower()
            if unit in LENGTH_UNITS and math.isfinite(value):
                return value * LENGTH_UNITS[unit]
    return math.nan


def _read_point(element):
    lon, lat = _place(element)
    try:
        elevation = float(_child(element, "ele"))
    except ValueError:
        elevation = math.nan
    return Waypoint(
        lon, lat, _child(element, "name"), _note(element), _child(element, "sym"),
        _stated_depth(element), elevation=elevation,
    )
