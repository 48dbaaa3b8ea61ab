"""What is exchanged with other devices and programs: waypoints, routes and tracks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..errors import LakefloorError, excerpt
from ..number_text import counted, written
from ..progress import Progress, silent, span, watched
from ..times import utc_from_texts

#: Latitudes beyond which there is no UTM zone, and so no lake that can be mapped.
_SOUTH, _NORTH = -80.0, 84.0

_NO_TIME = np.datetime64("NaT", "ms")


@dataclass(frozen=True)
class Waypoint:
    """One marked place.

    Attributes
    ----------
    lon, lat : float
        WGS 84, degrees.
    name, note, symbol : str
    depth : float
        m, positive down; NaN where none is known.
    time : datetime64[ms]
        UTC; NaT where none is known.
    elevation : float
        Of the bottom, m, positive up above a vertical datum such as a national one; NaN where
        none is known. A depth is no elevation: see :func:`bottom_elevation`.
    """

    lon: float
    lat: float
    name: str = ""
    note: str = ""
    symbol: str = ""
    depth: float = math.nan
    time: np.datetime64 = _NO_TIME
    elevation: float = math.nan


@dataclass(frozen=True)
class Route:
    """Waypoints in the order in which to go to them."""

    name: str
    points: tuple
    note: str = ""


@dataclass(frozen=True)
class Track:
    """A line as a device draws it: a contour, a lane, a path gone.

    Attributes
    ----------
    name : str
    segments : tuple of array, shape (k, 2)
        Longitude and latitude, WGS 84, degrees.
    note : str
    depth : float
        Of the whole line, m, positive down; NaN where none is known.
    """

    name: str
    segments: tuple
    note: str = ""
    depth: float = math.nan


class WaypointFile(NamedTuple):
    """What one file holds, and notes on how it was read."""

    waypoints: tuple = ()
    routes: tuple = ()
    tracks: tuple = ()
    notes: tuple = ()


def bottom_elevation(depth: np.ndarray, datum_elevation: float) -> np.ndarray:
    """Return the elevation of the bottom, m, positive up.

    Parameters
    ----------
    depth : array or float
        m, positive down from the lake datum.
    datum_elevation : float
        Elevation of the lake datum, m.
    """
    return datum_elevation - depth


def iso_time(time: np.datetime64 | None) -> str:
    """Return a UTC instant as ISO 8601 with Z, to the second or the millisecond; "" for NaT."""
    if time is None or np.isnat(time):
        return ""
    return str(np.datetime64(time, "ms")).replace(".000", "") + "Z"


class PointTimes:
    """Times of points, read together, since what a text means can depend on the others."""

    def __init__(self) -> None:
        self._texts = []

    def add(self, text: str) -> None:
        """Keep the text of the next point's time; "" where it states none."""
        self._texts.append(text)

    def into(
        self, points: Sequence[Waypoint], progress: Progress = silent
    ) -> tuple[tuple[Waypoint, ...], tuple[str, ...]]:
        """Return the points with their times, UTC where a text states no zone, and notes."""
        if not any(self._texts):
            return tuple(points), ()
        times, _, notes = utc_from_texts(self._texts, "UTC", "ymd", span(progress, 0.0, 0.5))
        stated = sum(bool(text) for text in self._texts)
        lost = stated - int((~np.isnat(times)).sum())
        if lost:
            notes.append(f"{lost} of {counted(stated, 'time')} unreadable, and left out.")
        pairs = zip(watched(points, span(progress, 0.5, 1.0)), times)
        return tuple(replace(point, time=time) for point, time in pairs), tuple(notes)


def degree_texts(lon: float, lat: float) -> tuple[str, str]:
    """Return longitude and latitude with 8 decimals, about 1 mm, as files hold them.

    A longitude that rounds to 180 is written as -180, which is the same place and lies within
    what GPX allows.
    """
    lon, lat = round(lon, 8) + 0.0, round(lat, 8) + 0.0
    return f"{-180.0 if lon == 180.0 else lon:.8f}", f"{lat:.8f}"


def check_positions(lon: ArrayLike, lat: ArrayLike, what: str, joined: bool = True) -> None:
    """Refuse positions that no device would place where they belong.

    Parameters
    ----------
    lon, lat : array, shape (n,)
        WGS 84, degrees.
    what : str
        Names the layer or file in the message.
    joined : bool
        Whether lines are drawn between the positions, or a map is made of them.

    Raises
    ------
    LakefloorError
        If a position is not a number, off the globe, beyond 84 N or 80 S, or if joined positions
        lie on both sides of the antimeridian.

    References
    ----------
    GPX 1.1 schema, latitudeType and longitudeType (longitude 180 itself is excluded); IETF RFC
    7946, section 3.1.9 (lines across the antimeridian are to be cut).
    """
    what = excerpt(what)
    lon, lat = np.asarray(lon, float), np.asarray(lat, float)
    if lon.size == 0:
        return
    off = ~((lon >= -180.0) & (lon < 180.0) & (np.abs(lat) <= 90.0))
    if off.any():
        i = int(np.argmax(off))
        raise LakefloorError(
            f"{what}: position {i + 1} (longitude {written(lon[i], 'g')}, latitude "
            f"{written(lat[i], 'g')}) is not on the globe. Check the coordinate reference system."
        )
    polar = (lat < _SOUTH) | (lat > _NORTH)
    if polar.any():
        i = int(np.argmax(polar))
        raise LakefloorError(
            f"{what}: latitude {written(lat[i], '.3f')} of position {i + 1} is beyond 80 S or "
            "84 N, where no map can be made. Check the coordinate reference system, or leave "
            "this position out."
        )
    if joined and lon.max() - lon.min() > 180.0:
        raise LakefloorError(
            f"{what}: the positions lie on both sides of the 180 degree meridian (longitude "
            f"{written(lon.min(), '.3f')} to {written(lon.max(), '.3f')}), so a line between them "
            "would run around the globe. Use each side by itself."
        )


def check_places(
    waypoints: Iterable[Waypoint],
    routes: Iterable[Route],
    tracks: Iterable[Track],
    what: str,
    together: bool = True,
) -> None:
    """Refuse places as :func:`check_positions` does.

    ``together`` takes them as of one lake; otherwise each line stands by itself.
    """

    def places(points):
        return np.array([(p.lon, p.lat) for p in points], float).reshape(-1, 2)

    lines = [places(route.points) for route in routes]
    for track in tracks:
        for segment in track.segments:
            segment = np.asarray(segment, float)
            if segment.ndim != 2 or segment.shape[1] != 2:
                raise LakefloorError(
                    f"{what}: a segment of track '{excerpt(track.name)}' has shape "
                    f"{segment.shape}. Give it as (k, 2)."
                )
            lines.append(segment)
    if together:
        lon, lat = np.concatenate([places(waypoints), *lines]).T
        check_positions(lon, lat, what)
    else:
        lon, lat = places(waypoints).T
        check_positions(lon, lat, what, joined=False)
        for line in lines:
            lon, lat = line.T
            check_positions(lon, lat, what)


def tracks_by_name(
    lines: Iterable[np.ndarray],
    names: Iterable[str],
    depths: Iterable[float],
    *,
    max_points: int | None = None,
) -> list[Track]:
    """Return lines as tracks: those of one name and depth as the segments of one track.

    Parameters
    ----------
    lines : sequence of array, shape (k, 2)
        Longitude and latitude, degrees.
    names : sequence of str
    depths : sequence of float
        m; NaN where a line has none.
    max_points : int, optional
        Most points that a device takes in one track, 2 or more: longer ones are cut, the pieces
        joined at a common point, into tracks of the same name.

    Returns
    -------
    list of Track
        In the order in which the names come first.
    """
    if max_points is not None and max_points < 2:
        raise LakefloorError("A track needs at least 2 points. Allow that many.")
    groups = {}
    for line, name, depth in zip(lines, names, depths):
        groups.setdefault((name, round(depth, 4) if depth == depth else None), []).append(line)
    tracks = []
    for (name, depth), members in groups.items():
        for segments in _filled(members, max_points):
            tracks.append(Track(name, segments, depth=math.nan if depth is None else depth))
    return tracks


def _filled(lines, most):
    """Return tuples of segments with at most so many points in each."""
    if most is None:
        return [tuple(lines)]
    filled, room = [[]], most
    for line in lines:
        start = 0
        while start < len(line) - 1 or (start == 0 and len(line) == 1):
            if room < min(2, len(line) - start):
                filled.append([])
                room = most
            piece = line[start : start + room]
            filled[-1].append(piece)
            room -= len(piece)
            start += max(len(piece) - 1, 1)
    return [tuple(segments) for segments in filled if segments]
