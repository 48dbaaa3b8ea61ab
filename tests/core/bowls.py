"""Round lakes of closed formula, on a grid."""

from dataclasses import replace

import numpy as np
from shapely.geometry import Polygon

from lakefloor.algorithms.core.grid import empty_grid

#: Radius of the shore, m, and greatest depth, m.
RADIUS, DEEPEST = 500.0, 30.0

#: Depth as a share of the greatest, by distance from the middle as a share of the radius.
SHAPES = {
    "cone": lambda q: 1.0 - q,
    "paraboloid": lambda q: 1.0 - q**2,
    "half-ellipsoid": lambda q: np.sqrt(np.clip(1.0 - q**2, 0.0, None)),
}

#: Volume as a share of area times greatest depth: elementary geometry.
VOLUME = {"cone": 1.0 / 3.0, "paraboloid": 1.0 / 2.0, "half-ellipsoid": 2.0 / 3.0}

#: Share of the area at depth or deeper, by depth as a share of the greatest.
AREA = {
    "cone": lambda t: (1.0 - t) ** 2,
    "paraboloid": lambda t: 1.0 - t,
    "half-ellipsoid": lambda t: 1.0 - t**2,
}


def circle(radius=RADIUS, vertices=720, x=0.0, y=0.0):
    """Return a regular polygon of the area of the circle."""
    angle = np.arange(vertices) * 2.0 * np.pi / vertices
    even = radius / np.sqrt(np.sin(2.0 * np.pi / vertices) * vertices / (2.0 * np.pi))
    return Polygon(np.column_stack([x + even * np.cos(angle), y + even * np.sin(angle)]))


def bowl(shape, cell=5.0, x=0.0, y=0.0, land=0.0):
    """Return the depths of a bowl as a grid, its middle off the middles and edges of cells.

    ``land`` is how far beyond the shore, m, a cone goes on.
    """
    reach = RADIUS + land + 3.0 * cell
    grid = empty_grid((x - reach, y - reach, x + reach, y + reach), cell)
    grid = replace(grid, west=grid.west + 0.31 * cell, north=grid.north + 0.17 * cell)
    q = np.hypot(*np.meshgrid(grid.x - x, grid.y - y)) / RADIUS
    depth = DEEPEST * SHAPES[shape](q)
    return grid.like(np.where(q < 1.0 + land / RADIUS, depth, np.nan))
