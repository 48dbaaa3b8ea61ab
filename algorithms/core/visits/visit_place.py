"""Whether a visit is of the lake of a store: by the outline, or by the distance from its visits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..number_text import written
from ..polygons import contains, rings
from ..soundings import Soundings
from ..strays import distance_text
from .findings import Finding

#: An outline and a receiver are off by so much (common practice), m: within it, a sounding is in.
_SHORE_M = 25.0

#: Of a visit to the lake so much lies within the outline; of one to another lake nearly nothing.
_MOST_OUTSIDE, _NOTED_OUTSIDE = 0.5, 0.05

#: Soundings that are looked at against an outline; more tell nothing new.
_MOST_LOOKED_AT = 20_000

#: Without an outline a visit may lie as far from the others as these reach, and this far at least:
#: a bay or an arm that was not surveyed yet, m.
_NEW_ARM_M = 1000.0

#: So far away positions are wrong more often than a boat is on another lake (common practice), m.
_FAR_AWAY_M = 100_000.0


def doubtful_place(
    visit: Soundings, name: str, boxes: Sequence[tuple], shoreline: BaseGeometry | None = None
) -> list[Finding]:
    """Return what is found about the place of a visit.

    Parameters
    ----------
    visit : Soundings
    name : str
    boxes : sequence of tuple
        West, south, east, north of each other visit, m.
    shoreline : shapely Polygon or MultiPolygon, optional
        If it is given, it decides: an arm without any sounding is within.

    Examples
    --------
    >>> visit = Soundings.build([9000.0, 9010.0], [0.0, 0.0], [3.0, 3.0])
    >>> doubtful_place(visit, "a", [(0.0, 0.0, 900.0, 400.0)])[0].code
    'lake'
    """
    placed = visit.accepted & np.isfinite(visit.x) & np.isfinite(visit.y)
    x, y = visit.x[placed], visit.y[placed]
    if not x.size:
        return []
    if shoreline is not None:
        return _outside(x, y, name, shoreline)
    return _far_away(x, y, name, boxes) if boxes else []


def _outside(x, y, name, shoreline):
    some = np.unique(np.linspace(0, len(x) - 1, min(_MOST_LOOKED_AT, len(x))).astype(int))
    wide = shoreline.buffer(_SHORE_M)
    edges = [ring for part in getattr(wide, "geoms", [wide]) for ring in rings(part)]
    share = float(1.0 - contains(edges, x[some], y[some]).mean())
    if share <= _NOTED_OUTSIDE:
        return []
    percent = written(100.0 * share, ".0f")
    if share <= _MOST_OUTSIDE:
        text = (
            f"{percent}% of the soundings of visit '{name}' lie outside the shoreline. Check them on "
            "the map."
        )
    else:
        text = (
            f"{percent}% of the soundings of visit '{name}' lie outside the shoreline. Choose the "
            "database and the shoreline of their lake, or check the CRS of both."
        )
    return [Finding(name, "outline", share > _MOST_OUTSIDE, text, 100.0 * share, unit="%")]


def _far_away(x, y, name, boxes):
    away = np.full(len(x), np.inf)
    for west, south, east, north in boxes:
        dx = np.maximum(np.maximum(west - x, x - east), 0.0)
        dy = np.maximum(np.maximum(south - y, y - north), 0.0)
        away = np.minimum(away, np.hypot(dx, dy))
    gap = float(away.min())
    west, south, east, north = np.array(boxes).T
    reach = float(np.hypot(east.max() - west.min(), north.max() - south.min()))
    if gap <= max(_NEW_ARM_M, reach):
        return []
    return [
        Finding(
            name,
            "lake",
            True,
            f"Visit '{name}' lies {distance_text(gap)} from all others, which reach over "
            f"{distance_text(reach)}: "
            + (
                "probably it is of another lake. Choose the database of that lake, or give a "
                "shoreline that holds both."
                if gap <= _FAR_AWAY_M
                else "its positions are wrong, or it is of another lake. Check the CRS of the logs "
                "and the order of latitude and longitude, or choose the database of that lake."
            ),
            gap,
            unit="m",
        )
    ]
