"""Waypoints, routes and tracks as a device shows them, from places and lines of the lake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import LakefloorError, excerpt
from ..number_text import rounded_depth_text
from ..progress import Progress, silent, span, watched
from .device_names import SYMBOLS, device_names, plain_symbol
from .waypoints import PointTimes, Route, Track, Waypoint, bottom_elevation, tracks_by_name

#: A route of more points is one that nobody goes along: devices take no more.
_MOST_ROUTE_POINTS = 999


@dataclass(frozen=True)
class DeviceRules:
    """What a device shows.

    Attributes
    ----------
    max_name_length : int
        Characters, 4 or more.
    plain_letters : bool
        Names in ASCII.
    depth_in_name : bool
        Whether names of waypoints end in the depth.
    depth_unit : {"ft", "m"}
    symbol : str
        Of waypoints that state none of :data:`.device_names.SYMBOLS`.
    max_track_points : int or None
        Longer tracks are cut.
    """

    max_name_length: int = 10
    plain_letters: bool = True
    depth_in_name: bool = True
    depth_unit: str = "ft"
    symbol: str = SYMBOLS[0]
    max_track_points: int | None = None

    def names(
        self,
        names: Sequence[str],
        endings: Sequence[str] | None = None,
        progress: Progress = silent,
    ) -> list[str]:
        """Return names as the device shows them; see :func:`.device_names.device_names`."""
        return device_names(
            names, endings, length=self.max_name_length, plain=self.plain_letters, progress=progress
        )


@dataclass(frozen=True)
class Places:
    """Places to go to, in columns.

    Attributes
    ----------
    lon, lat : array, shape (n,)
        WGS 84, degrees.
    depth : array, shape (n,)
        m, positive down; NaN where none is known.
    names, notes, symbols, times : list of str
        Empty where there is none; times in ISO 8601, UTC unless they state a zone.
    """

    lon: np.ndarray
    lat: np.ndarray
    depth: np.ndarray
    names: list[str]
    notes: list[str]
    symbols: list[str]
    times: list[str]


def device_waypoints(
    places: Places,
    rules: DeviceRules,
    datum_elevation: float | None = None,
    progress: Progress = silent,
) -> tuple[tuple[Waypoint, ...], tuple[str, ...]]:
    """Return places as waypoints, and notes on their times.

    Parameters
    ----------
    places : Places
    rules : DeviceRules
    datum_elevation : float, optional
        Of the lake datum, m; without it waypoints have no elevation.
    progress : callable

    Raises
    ------
    LakefloorError
        If names cannot be made unique within their length.

    Examples
    --------
    >>> places = Places(np.array([-93.1]), np.array([45.2]), np.array([3.7]), ["Reed hump"],
    ...                 [""], ["hump"], [""])
    >>> (point,), _ = device_waypoints(places, DeviceRules(), datum_elevation=350.0)
    >>> point.name, point.symbol, round(point.elevation, 1)
    ('Reed 12FT', 'Hump', 346.3)
    """
    endings = None
    if rules.depth_in_name:
        endings = [
            rounded_depth_text(d, rules.depth_unit, format).replace(" ", "").upper()
            if np.isfinite(d)
            else ""
            for d in watched(places.depth, span(progress, 0.0, 0.15))
        ]
    names = rules.names(places.names, endings, span(progress, 0.15, 0.5))
    elevation = np.full(len(names), np.nan)
    if datum_elevation is not None:
        elevation = bottom_elevation(places.depth, datum_elevation)
    times, points = PointTimes(), []
    for i, name in enumerate(watched(names, span(progress, 0.5, 0.75))):
        times.add(places.times[i])
        points.append(
            Waypoint(
                float(places.lon[i]),
                float(places.lat[i]),
                name,
                places.notes[i],
                plain_symbol(places.symbols[i], rules.symbol),
                float(places.depth[i]),
                elevation=float(elevation[i]),
            )
        )
    return times.into(points, span(progress, 0.75, 1.0))


def contour_names(depths: Sequence[float], units: Sequence[str]) -> list[str]:
    """Return names of contours, such as ``12 FT``, from depths and their units.

    Examples
    --------
    >>> contour_names([12.0, 2.5], ["ft", "m"])
    ['12 FT', '2.5 M']
    """
    return [f"{depth:g} {unit}".upper() for depth, unit in zip(depths, units)]


def device_routes(
    lines: Sequence[np.ndarray], names: Sequence[str], rules: DeviceRules
) -> list[Route]:
    """Return lines, shape (k, 2), longitude and latitude in degrees, as routes.

    Raises
    ------
    LakefloorError
        If a line has more than 999 points, or names cannot be made unique.
    """
    return [_route(name, line) for name, line in zip(rules.names(names), lines)]


def _route(name, line):
    if len(line) > _MOST_ROUTE_POINTS:
        raise LakefloorError(
            f"Line '{excerpt(name)}' has {len(line)} points, too many for a route. Write lines as "
            "tracks."
        )
    points = [Waypoint(x, y, f"{name}-{i}") for i, (x, y) in enumerate(line.tolist(), start=1)]
    return Route(name, tuple(points))


def device_tracks(
    lines: Sequence[np.ndarray], names: Sequence[str], depths: Sequence[float], rules: DeviceRules
) -> list[Track]:
    """Return lines, shape (k, 2), longitude and latitude in degrees, as tracks.

    Those of one name and depth, m, become one track; see :func:`.waypoints.tracks_by_name`.
    """
    tracks = tracks_by_name(lines, names, depths, max_points=rules.max_track_points)
    named = rules.names([track.name for track in tracks])
    return [replace(track, name=name) for track, name in zip(tracks, named)]
