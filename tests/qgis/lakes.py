"""A round lake as raster and shoreline, for algorithms that take both."""

from dataclasses import replace

import numpy as np
from qgis.core import QgsCoordinateReferenceSystem, QgsRasterLayer
from shapely.geometry import Point

from lakefloor.algorithms._io.raster_file import write_raster
from lakefloor.algorithms._io.rasters import BANDS
from lakefloor.algorithms.core.grid import empty_grid

UTM15 = QgsCoordinateReferenceSystem("EPSG:32615")
X, Y, RADIUS, DEEPEST = 500_000.0, 5_100_000.0, 300.0, 9.0


def shore():
    """The shoreline: a circle, on the central meridian of its zone."""
    return Point(X, Y).buffer(RADIUS, 90)


def paraboloid(folder, cell=4.0, land=0.0, uncertainty=0.15, **items):
    """A paraboloid 9 m deep, as a Lakefloor surface.

    ``land`` is how far it goes on, m; ``items`` are metadata of the raster.
    """
    reach = RADIUS + land + 3 * cell
    grid = empty_grid((X - reach, Y - reach, X + reach, Y + reach), cell)
    grid = replace(grid, west=grid.west + 0.3 * cell)
    away = np.hypot(*np.meshgrid(grid.x - X, grid.y - Y))
    depth = np.where(away < RADIUS + land, DEEPEST * (1 - (away / RADIUS) ** 2), np.nan)
    known = np.isfinite(depth)
    bands = [
        grid.like(depth),
        grid.like(np.where(known, uncertainty, np.nan)),
        grid.like(np.where(known, 5.0, np.nan)),
    ]
    path = folder / "paraboloid.tif"
    write_raster(path, bands, BANDS, UTM15, {"DATUM_NAME": "Summer <pool>", **items})
    return QgsRasterLayer(str(path), "paraboloid")


def files_of(folder):
    """Return the names of the files in a folder, but for the statistics that GDAL keeps."""
    return sorted(p.name for p in folder.iterdir() if not p.name.endswith(".aux.xml"))
