"""Areas and lengths on the ellipsoid, of figures drawn in a projected coordinate system."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from pyproj import Proj
from shapely.geometry.base import BaseGeometry

from .crs import is_metric, known_crs
from .errors import LakefloorError
from .grid import Grid
from .polygons import rings

# Scale of a projection is sampled on a lattice of so many nodes a side, and linear between.
_NODES = 9


def projection(crs: int | str) -> Proj:
    """Return the projection of a coordinate system.

    Parameters
    ----------
    crs : int or str
        EPSG code, or anything pyproj reads as a projected coordinate system in meters.

    Raises
    ------
    LakefloorError
        If the coordinate system is unknown or not projected in meters.
    """
    known = known_crs(crs)
    if not is_metric(known):
        raise LakefloorError(
            f"Coordinate reference system '{known.name}' is not projected in meters, which areas "
            "need. Choose one that is, such as the UTM zone of the lake."
        )
    return Proj(known)


def polygon_area(polygon: BaseGeometry, crs: int | str) -> float:
    """Return the area of a polygon on the ellipsoid, holes taken out, m2.

    Parameters
    ----------
    polygon : Polygon or MultiPolygon
        Vertices in ``crs``; each edge is taken as the geodesic between its ends.
    crs : int or str
        As :func:`projection`.

    References
    ----------
    Karney, C. F. F. (2013). Algorithms for geodesics. Journal of Geodesy 87(1), 43-55.
    """
    proj = projection(crs)
    geod, total = proj.crs.get_geod(), 0.0
    for part in getattr(polygon, "geoms", [polygon]):
        for i, ring in enumerate(rings(part)):
            lon, lat = proj(*ring.T, inverse=True)
            area = abs(geod.polygon_area_perimeter(lon[:-1], lat[:-1])[0])
            total += area if i == 0 else -area
    return total


def geodesic_length(coords: ArrayLike, crs: int | str) -> float:
    """Return the length of a line or ring on the ellipsoid, m; ``coords`` has shape (k, 2)."""
    proj = projection(crs)
    return float(proj.crs.get_geod().line_length(*proj(*np.asarray(coords).T, inverse=True)))


def area_scale(grid: Grid, crs: int | str) -> Grid:
    """Return how many times larger areas are on the map than on the ellipsoid.

    Parameters
    ----------
    grid : Grid
        Gives the extent.
    crs : int or str
        As :func:`projection`.

    Returns
    -------
    Grid
        Coarse, at most 9 x 9 nodes over the extent, the outermost on its edges; read it with
        :meth:`.Grid.sample`. The linear scale of a conformal projection is its square root.

    Raises
    ------
    LakefloorError
        As :func:`projection`, or if the extent lies outside the projection's reach.

    References
    ----------
    Snyder, J. P. (1987). Map Projections: A Working Manual. U.S. Geological Survey
    Professional Paper 1395, 20-23.
    """
    proj = projection(crs)
    west, south, east, north = grid.bounds
    dx, dy = (east - west) / (_NODES - 1), (north - south) / (_NODES - 1)
    nodes = Grid(np.empty((_NODES, _NODES)), west - dx / 2, north + dy / 2, dx, dy)
    lon, lat = proj(*np.meshgrid(nodes.x, nodes.y), inverse=True)
    scale = np.asarray(proj.get_factors(lon, lat).areal_scale, dtype=float)
    if not np.all(np.isfinite(scale)):
        raise LakefloorError(
            "The raster lies outside the area of its coordinate reference system. Set the right "
            "one in its properties."
        )
    return nodes.like(scale)
