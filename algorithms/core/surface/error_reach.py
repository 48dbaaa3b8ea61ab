"""How far errors of a depth surface go together."""

from __future__ import annotations

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..grid import Surface
from ..polygons import inside
from ..spacing import surface_spacing


def error_reach(surface: Surface, shoreline: BaseGeometry | None = None) -> float:
    """Return the distance over which errors of a surface fade: about the lane spacing, m.

    Where the surface does not say it, it is taken from the distances within the shoreline, or
    from all without one. Infinite where there are no distances either.
    """
    distance = surface.distance
    if not surface.spacing and distance is not None and shoreline is not None:
        distance = distance.like(np.where(inside(shoreline, distance), distance.values, np.nan))
    return surface_spacing(surface.spacing, distance) or np.inf
