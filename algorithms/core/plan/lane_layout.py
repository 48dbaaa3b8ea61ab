"""Spacing, heading and places of parallel lanes over an area."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import lines_of
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..polygons import rings
from ..polylines import planar_length
from ..terrain import gradient

# Share of the directions of contours that must agree for them to set the heading.
_LEAST_AGREEMENT = 0.15
_SHORTEST = 0.5


def spacing_for(width_m: float, height_m: float, interval_m: float) -> float:
    """Return the lane spacing that finds a hump or hole and draws it to a contour interval, m.

    >>> round(spacing_for(width_m=40.0, height_m=1.0, interval_m=0.3048), 2)
    9.94

    Parameters
    ----------
    width_m, height_m : float
        Of the smallest thing to be found, from foot to foot and from foot to top, m.
    interval_m : float
        Contour interval, m.

    Raises
    ------
    LakefloorError
        If one of them is not above 0.

    Notes
    -----
    The least of two: the width itself, so that no such thing lies between two lanes; and
    ``(2 width / pi) sqrt(interval / (2 height))``. Between lanes s apart, linear interpolation is
    wrong by at most ``s^2 / 8`` times the bottom's curvature (Davis 1975), which on a hump of
    cosine shape is ``(height / 2) (2 pi / width)^2``; that spacing keeps the error to half the
    interval.

    References
    ----------
    Davis, P. J. (1975). Interpolation and Approximation. Dover, theorem 3.1.1.
    """
    for name, value in (("width", width_m), ("height", height_m), ("contour interval", interval_m)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(
                f"The {name} is {written(value, 'g')} m. To derive the lane spacing, give one "
                "above 0 m."
            )
    return float(min(width_m, 2.0 * width_m / np.pi * np.sqrt(interval_m / (2.0 * height_m))))


def across_contours(contours: Sequence) -> float:
    """Return the heading across contours, degrees clockwise from grid north, 0 to 180.

    Parameters
    ----------
    contours : sequence of array, shape (k, 2)
        Vertices, m.

    Returns
    -------
    float
        NaN where the contours run in all directions alike, as on a round lake.

    Notes
    -----
    Mean of the directions of all stretches, weighted by length, with angles doubled since a
    line has no sense of direction (Mardia and Jupp 2000).

    References
    ----------
    Mardia, K. V. and Jupp, P. E. (2000). Directional Statistics. Wiley, section 1.2.
    """
    steps = [np.diff(np.asarray(line, dtype=float)[:, :2], axis=0) for line in contours]
    steps = np.concatenate(steps) if steps else np.zeros((0, 2))
    length = np.hypot(*steps.T)
    # (x + i y)^2 / |x + i y| doubles the angle and keeps the length as the weight.
    doubled = (steps[:, 0] + 1j * steps[:, 1]) ** 2 / np.where(length > 0, length, 1.0)
    total = doubled.sum()
    if not length.sum() > 0 or abs(total) < _LEAST_AGREEMENT * length.sum():
        return float("nan")
    return _heading(np.angle(total) / 2.0 + np.pi / 2.0)


def down_slope(depth: Grid) -> float:
    """Return the heading across the contours of a depth grid, as :func:`across_contours`."""
    if min(depth.shape) < 3:
        return float("nan")
    east, north = gradient(depth)
    known = np.isfinite(east)
    doubled = (east[known] + 1j * north[known]) ** 2
    total = doubled.sum()
    if not known.any() or abs(total) <= _LEAST_AGREEMENT * np.abs(doubled).sum():
        return float("nan")
    return _heading(np.angle(total) / 2.0)


def long_axis(area: BaseGeometry) -> float:
    """Return the heading of the longer side of the narrowest box around an area, degrees.

    >>> from shapely.geometry import box
    >>> long_axis(box(0, 0, 100, 300))
    0.0
    """
    corners = np.asarray(area.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    longer = sides[np.argmax(np.hypot(*sides.T))]
    return _heading(np.arctan2(longer[1], longer[0]))


def parallel_lanes(
    within: BaseGeometry, heading: float, spacing: float, shortest: float | None = None
) -> tuple[list, list]:
    """Return lanes across an area.

    Parameters
    ----------
    within : Polygon or MultiPolygon
    heading : float
        Degrees clockwise from grid north.
    spacing : float
        m.
    shortest : float, optional
        Shorter pieces are dropped, m; half the spacing if None.

    Returns
    -------
    lanes : list of array, shape (2, 2)
    dropped : list of float
        Lengths of the pieces left out, m.
    """
    shortest = _SHORTEST * spacing if shortest is None else shortest
    along, aside = axes(heading)
    points = np.concatenate(rings(within))
    origin = points.mean(axis=0)
    u, v = (points - origin) @ along, (points - origin) @ aside
    count = max(int(np.ceil((v.max() - v.min()) / spacing - 1e-9)), 1)
    first = (v.max() + v.min() - (count - 1) * spacing) / 2.0
    lanes, dropped = [], []
    for k in range(count):
        middle = origin + (first + k * spacing) * aside
        line = LineString([middle + (u.min() - 1.0) * along, middle + (u.max() + 1.0) * along])
        pieces = [np.asarray(p.coords)[[0, -1]] for p in lines_of(within.intersection(line))]
        for piece in sorted(pieces, key=lambda p: (p @ along).min()):
            if planar_length(piece) >= shortest:
                lanes.append(piece)
            else:
                dropped.append(planar_length(piece))
    return lanes, dropped


def axes(heading: float) -> tuple[np.ndarray, np.ndarray]:
    """Return unit vectors along a heading and to its right."""
    angle = np.radians(heading)
    along = np.array([np.sin(angle), np.cos(angle)])
    return along, np.array([along[1], -along[0]])


def _heading(angle: float) -> float:
    """Return degrees clockwise from north, 0 to 180, of an angle counter-clockwise from east."""
    return round(float(90.0 - np.degrees(angle)), 6) % 180.0
