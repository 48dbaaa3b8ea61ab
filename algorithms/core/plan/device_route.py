"""Planned lanes as a route and a track for a GPS device."""

from __future__ import annotations

import numpy as np

from ..crs import transform
from ..errors import LakefloorError
from ..exchange.gpx_file import gpx_document
from ..exchange.waypoints import Route, Track, Waypoint
from ..grid import Lines
from .driving import CROSS_LINE, TRANSIT


def lanes_gpx(lines: Lines, crs: int | str, title: str, note: str = "") -> bytes:
    """Return a GPX 1.1 document of lanes in driving order.

    Parameters
    ----------
    lines : Lines
        As planned, in ``crs``, with attributes ``kind`` and ``lane``.
    crs : int or str
        EPSG code, or anything pyproj reads as a coordinate system.
    title, note : str
        Of the document.

    Returns
    -------
    bytes
        A route whose points are the ends of lanes, named L001A and L001B (cross-lines X004A),
        and the bends of the transits, named W001; and the whole path as a track.

    Raises
    ------
    LakefloorError
        If there is no line, a position is off the globe or polar, or the positions span the
        antimeridian.
    """
    if not len(lines):
        raise LakefloorError("There is no lane to write as GPX. Plan lanes first.")
    points, path, bends = [], [], 0
    for xy, kind, lane in zip(lines.coords, lines.attributes["kind"], lines.attributes["lane"]):
        x, y = np.asarray(xy).T
        lon, lat = transform(x, y, crs, 4326)
        path.append(np.column_stack([lon, lat]))
        if kind == TRANSIT:
            # Its ends are the ends of lanes, or the launch.
            names = [""] * len(lon)
            for i in range(1, len(lon) - 1):
                bends += 1
                names[i] = f"W{bends:03d}"
            names[0] = "" if points else "START"
            names[-1] = "FINISH" if xy is lines.coords[-1] else ""
        else:
            letter = "X" if kind == CROSS_LINE else "L"
            names = [f"{letter}{lane:03d}A", f"{letter}{lane:03d}B"]
        points += [
            Waypoint(float(a), float(b), name) for a, b, name in zip(lon, lat, names) if name
        ]
    whole = np.concatenate(path)
    whole = whole[np.r_[True, np.abs(np.diff(whole, axis=0)).max(axis=1) > 0]]
    return gpx_document(
        routes=[Route(title, tuple(points), note)],
        tracks=[Track(title, (whole,), note)],
        title=title,
        note=note,
    )
