"""Write and read waypoints, routes and tracks as a table of points in delimited text.

References
----------
IETF RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files.
OWASP, CSV Injection (texts that a spreadsheet takes for a formula).
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .. import units
from ..errors import LakefloorError, excerpt, excerpts
from ..formulas import as_text, from_text
from ..number_text import counted
from ..progress import Progress, silent, span, watched
from ..reading.column_roles import LENGTH_WORDS, roles_of_header, stated_unit
from ..reading.table_cells import cell_number, parse_angle
from ..reading.text_table import MOST_LINES_ABOVE, decode, read_quoted_rows
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

_HEADER = (
    "kind",
    "name",
    "part",
    "lon",
    "lat",
    "depth_{}",
    "elevation_m",
    "note",
    "symbol",
    "time_utc",
)

#: Role -> how a column of that role may be called, in small letters. Those of position, depth and
#: time that are not listed are found as in a log.
_WORDS = {
    "kind": ("kind",),
    "name": ("name", "title", "label", "waypoint", "id"),
    "part": ("part",),
    "lon": ("lon", "longitude", "long", "lng", "x"),
    "lat": ("lat", "latitude", "y"),
    "depth": ("depth_m", "depth_ft", "depth"),
    "elevation": ("elevation_m", "elevation", "ele"),
    "note": ("note", "notes", "desc", "description", "comment", "cmt"),
    "symbol": ("symbol", "sym", "icon"),
    "time": ("time_utc", "time", "datetime", "date_time", "timestamp"),
}


def csv_document(
    waypoints: Sequence[Waypoint] = (),
    routes: Sequence[Route] = (),
    tracks: Sequence[Track] = (),
    *,
    depth_unit: str = "ft",
    progress: Progress = silent,
) -> bytes:
    """Return a table with one row a point.

    Parameters
    ----------
    waypoints : sequence of Waypoint
    routes : sequence of Route
    tracks : sequence of Track
    depth_unit : str
        ``ft`` or ``m``; it stands in the header.
    progress : callable

    Returns
    -------
    bytes
        UTF-8 with commas and decimal points, rows ended as RFC 4180 asks. Column ``kind`` says
        waypoint, route or track; ``part`` numbers the segments of the tracks, and the routes, of
        one name.

    Raises
    ------
    LakefloorError
        If a position is off the globe, polar, or the positions span the antimeridian, or the unit
        is not known.

    Examples
    --------
    >>> print(csv_document([Waypoint(-93.1, 45.2, "Hump", depth=3.6576)]).decode().split()[1])
    waypoint,Hump,,-93.10000000,45.20000000,12,,,,
    """
    if depth_unit not in ("ft", "m"):
        raise LakefloorError(f"Depth unit '{depth_unit}' is not known. Use ft or m.")
    check_places(waypoints, routes, tracks, "CSV")
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([name.format(depth_unit) for name in _HEADER])
    for kind, name, part, p in _rows_of(watched(waypoints, progress), routes, tracks):
        writer.writerow(
            [
                kind,
                as_text(name),
                part,
                *degree_texts(p.lon, p.lat),
                _number(p.depth / units.LENGTH[depth_unit]),
                _number(p.elevation),
                as_text(p.note),
                as_text(p.symbol),
                iso_time(p.time),
            ]
        )
    return text.getvalue().encode("utf-8", "replace")


def _rows_of(waypoints, routes, tracks):
    """Yield kind, name, part and a Waypoint for each row; points of a route say their names."""
    for p in waypoints:
        yield "waypoint", p.name, "", p
    parts = Counter()
    for route in routes:
        parts["route", route.name] += 1
        for p in route.points:
            at = replace(p, note=p.name, elevation=math.nan)
            yield "route", route.name, parts["route", route.name], at
    for track in tracks:
        for segment in track.segments:
            parts["track", track.name] += 1
            for lon, lat in np.asarray(segment).tolist():
                at = Waypoint(lon, lat, note=track.note, depth=track.depth)
                yield "track", track.name, parts["track", track.name], at


def read_csv(data: bytes, progress: Progress = silent) -> WaypointFile:
    """Return the points of a table; rows of kind route or track are joined by name and part.

    Segments of one name are one track where their depths are equal too.

    Parameters
    ----------
    data : bytes
        Delimited by commas, semicolons or tabs, with a header. Columns are known by their names,
        those of a log among them; longitude and latitude are needed, in decimal degrees or with
        minutes and seconds. Depth is in the unit that its name states, meters if none.
    progress : callable

    Returns
    -------
    WaypointFile

    Raises
    ------
    LakefloorError
        If a needed column is missing, a row's position cannot be read, or there is no row.

    Examples
    --------
    >>> read = read_csv(b"name,lat,lon,depth_ft\\nHump,45.2,-93.1,10\\n")
    >>> [(p.name, p.lon, round(p.depth, 3)) for p in read.waypoints]
    [('Hump', -93.1, 3.048)]
    """
    text, _ = decode(data)
    rows = read_quoted_rows(text, span(progress, 0.0, 0.2))
    rows = [
        row for row in watched(rows, lambda _: progress(0.2)) if any(cell.strip() for cell in row)
    ]
    column, above = _find_header(rows)
    names, rows = rows[above], rows[above + 1 :]
    unit = column["depth"] is not None and stated_unit(names[column["depth"]].strip(), LENGTH_WORDS)
    points, lines, times, notes = _read_points(
        rows, column, units.unit_factor(unit or "m"), above + 2, span(progress, 0.2, 0.7)
    )
    points, more = times.into(points, span(progress, 0.7, 0.9))
    found = _joined(watched(points, span(progress, 0.9, 1.0)), lines, (*more, *notes))
    check_places(found.waypoints, found.routes, found.tracks, "The table", together=False)
    return found


def _find_header(rows):
    """Return the column of each role, and the number of the row that names them."""
    headers = [_columns(row) for row in (rows or [[]])[:MOST_LINES_ABOVE]]
    above = next(
        (
            i
            for i, found in enumerate(headers)
            if found["lon"] is not None and found["lat"] is not None
        ),
        None,
    )
    if above is None:
        names = [cell.strip() for cell in (rows or [[]])[0]]
        raise LakefloorError(
            "The first line of the table has no columns 'lon' and 'lat', but "
            f"{excerpts(filter(None, names)) or 'nothing'}. Give the columns these names."
        )
    if len(rows) < above + 2:
        raise LakefloorError("The table has no row below its header. Export it again.")
    return headers[above], above


def _cells_of(row, column) -> dict:
    """Return the cells of a row by their roles, empty where it has none."""
    return {
        role: row[at].strip() if at is not None and at < len(row) else ""
        for role, at in column.items()
    }


def _read_points(rows, column, factor, first, progress):
    """Return the points, kind and part of the line of each, their times, and notes."""
    points, lines, times, stated, unread = [], [], PointTimes(), 0, 0
    for number, row in enumerate(watched(rows, progress), start=first):
        cells = _cells_of(row, column)
        lon, lat = (parse_angle(cells[axis].replace(",", "."), axis) for axis in ("lon", "lat"))
        if not (math.isfinite(lon) and math.isfinite(lat)):
            raise LakefloorError(
                f"Row {number} of the table has no position: longitude "
                f"'{excerpt(cells['lon'], 40)}', latitude '{excerpt(cells['lat'], 40)}'. Correct "
                "or remove it."
            )
        times.add(f"{cells['date']} {cells['time']}".strip())
        lines.append((cells["kind"].lower(), cells["part"]))
        depth = factor * _number_in(cells["depth"])
        stated += bool(cells["depth"])
        unread += bool(cells["depth"]) and not math.isfinite(depth)
        points.append(
            Waypoint(
                lon,
                lat,
                *(from_text(cells[role]) for role in ("name", "note", "symbol")),
                depth,
                elevation=_number_in(cells["elevation"]),
            )
        )
    notes = [f"{unread} of {counted(stated, 'depth')} unreadable, and left out."] if unread else []
    return points, lines, times, notes


def _joined(points, lines, notes):
    """Return points with those of routes and tracks joined."""
    waypoints, routes, tracks = [], {}, {}
    for point, (kind, part) in zip(points, lines):
        if kind == "route":
            members = routes.setdefault((point.name, part), [])
            members.append(replace(point, name=point.note, note=""))
        elif kind == "track":
            # A depth that is not known equals no other, itself included.
            depth = point.depth if math.isfinite(point.depth) else None
            tracks.setdefault((point.name, depth), {}).setdefault(part, []).append(point)
        else:
            waypoints.append(point)
    return WaypointFile(
        tuple(waypoints),
        tuple(Route(name, tuple(members)) for (name, _), members in routes.items()),
        tuple(_track(name, members) for (name, _), members in tracks.items()),
        notes,
    )


def _columns(header) -> dict:
    """Return the column of each role in a table's first line, None where there is none."""
    names = [re.sub(r"\W+", "_", cell.strip().lower()).strip("_") for cell in header]
    column = {
        role: next((names.index(word) for word in words if word in names), None)
        for role, words in _WORDS.items()
    }
    guessed = roles_of_header(header)
    for role in ("lon", "lat", "depth", "time", "date"):
        found = guessed.get(role, guessed.get({"lon": "x", "lat": "y"}.get(role, "")))
        if column.get(role) is None:
            column[role] = None if found in column.values() else found
    return column


def _track(name, members):
    segments = tuple(np.array([(p.lon, p.lat) for p in part]) for part in members.values())
    first = next(iter(members.values()))[0]
    return Track(name, segments, first.note, first.depth)


def _number(value):
    return f"{value:.4f}".rstrip("0").rstrip(".") if math.isfinite(value) else ""


def _number_in(cell):
    return cell_number(cell.replace(",", "."))
