"""Where the outline of a part of a lake is no shore, but the edge along which it was cut."""

from __future__ import annotations

import numpy as np
from shapely import wkt
from shapely.errors import ShapelyError
from shapely.geometry import LineString, MultiLineString, Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import linemerge
from shapely.prepared import prep

from .errors import LakefloorError
from .polygons import contains, rings

#: Field of an outline that holds its cut edge, in WGS 84: it stays with the polygon when the layer
#: is exported, reprojected or edited.
CUT_EDGE = "cut_edge"

#: An edge of a clipped polygon is cut where it lies farther than this from the whole's, m.
_ON_EDGE_M = 1e-3

#: What lies this near to a cut edge, m, is on it: datums of positions differ by less.
NEAR_CUT_M = 2.0


def cut_edge(part: BaseGeometry, whole: BaseGeometry) -> BaseGeometry:
    """Return the edges of a part of a polygon that are none of the whole.

    Parameters
    ----------
    part, whole : Polygon or MultiPolygon
        m.

    Returns
    -------
    MultiLineString
        With the vertices of ``part``; empty where it was not cut.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> cut_edge(box(0.0, 0.0, 10.0, 4.0), box(0.0, 0.0, 10.0, 10.0)).wkt
    'MULTILINESTRING ((10 4, 0 4))'
    """
    near = prep(whole.boundary.buffer(_ON_EDGE_M))
    edges = []
    for ring in rings(part):
        middle = 0.5 * (ring[1:] + ring[:-1])
        cut = np.array([not near.contains(Point(*at)) for at in middle], bool)
        edges += [LineString(ring[k : k + 2]) for k in np.flatnonzero(cut)]
    return as_lines(linemerge(edges)) if edges else MultiLineString()


def as_lines(shape: BaseGeometry) -> MultiLineString:
    """Return the lines of a shape as one."""
    parts = [shape]
    while any(hasattr(part, "geoms") for part in parts):
        parts = [p for part in parts for p in getattr(part, "geoms", [part])]
    return MultiLineString([p for p in parts if p.geom_type == "LineString" and not p.is_empty])


def off_cut(x: np.ndarray, y: np.ndarray, cut: BaseGeometry, within: float = 0.0) -> np.ndarray:
    """Tell which points, m, lie off a cut edge, farther than 2 m and ``within`` m more."""
    return ~contains(rings(cut.buffer(NEAR_CUT_M + within)), x, y)


def off_cut_lines(lines: list, cut: BaseGeometry | None) -> list:
    """Return lines, arrays of shape (k, 2), m, without what of them lies on a cut edge."""
    if cut is None:
        return lines
    zone = cut.buffer(NEAR_CUT_M, cap_style=2)
    kept = [as_lines(LineString(line).difference(zone)) for line in lines]
    return [np.asarray(part.coords) for each in kept for part in each.geoms]


def cut_text(cut: BaseGeometry) -> str:
    """Return a cut edge in degrees as text: well-known text, OGC 06-103r4, to a tenth of a mm."""
    return wkt.dumps(cut, rounding_precision=9)


def cut_from_text(text: str) -> BaseGeometry:
    """Return the lines that :func:`cut_text` wrote.

    Raises
    ------
    LakefloorError
        If the text is not whole, as formats leave it that hold short texts only.
    """
    try:
        cut = wkt.loads(text)
    except (ShapelyError, ValueError, TypeError) as error:
        raise LakefloorError(
            f"Field '{CUT_EDGE}' of the outline is not whole, so its cut edge would be taken for "
            "shore. Use the outline of the shared copy itself, or export it to a GeoPackage."
        ) from error
    return as_lines(cut)
