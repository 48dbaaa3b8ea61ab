"""Lengths of a lake's shores, and what errors of the shoreline make uncertain."""

from __future__ import annotations

import numpy as np
from shapely.geometry import LinearRing, MultiPolygon
from shapely.geometry.base import BaseGeometry

from ..cut_edge import off_cut_lines
from ..ellipsoid import geodesic_length
from .figure import Figure


def shore_figures(
    water: MultiPolygon,
    area: float,
    area_sd: float,
    shoreline_sd: float,
    crs: int | str | None,
    cut: BaseGeometry | None = None,
) -> tuple:
    """Return the figures of the water's edge, and the area's uncertainty with that of the edge.

    Parameters
    ----------
    water : MultiPolygon
        m; islands are holes.
    area, area_sd : float
        Of the water, and its standard uncertainty without that of the edge, m2.
    shoreline_sd : float
        As for :func:`.lake_statistics.lake_statistics`, m.
    crs : int or str, optional
        Projected coordinate system, for lengths on the ellipsoid.
    cut : MultiLineString, optional
        Edges of the water that are no shore: they are no part of the lengths, and there is no
        shoreline development then.
    """

    def length(ring_list):
        if crs is None:
            return float(sum(np.hypot(*np.diff(ring, axis=0).T).sum() for ring in ring_list))
        return sum(geodesic_length(ring, crs) for ring in ring_list)

    parts = list(water.geoms)
    shores = [np.asarray(part.exterior.coords)[:, :2] for part in parts]
    islands = [np.asarray(ring.coords)[:, :2] for part in parts for ring in part.interiors]
    mainland, island_shore = (length(off_cut_lines(r, cut)) for r in (shores, islands))
    circle = 2.0 * np.sqrt(np.pi * area)
    shore_sd = island_sd = development_sd = both_sd = None
    if shoreline_sd > 0:
        drawn, shore_sd = shoreline_spread(shores, shoreline_sd)
        hole, island_sd = shoreline_spread(islands, shoreline_sd)
        area_sd = float(np.sqrt(area_sd**2 + drawn**2 + hole**2))
        # Of length over the root of area.
        development_sd, both_sd = (
            long / circle * np.hypot(sd / long, 0.5 * area_sd / area)
            for long, sd in (
                (mainland, shore_sd),
                (mainland + island_shore, np.hypot(shore_sd, island_sd)),
            )
        )
    lengths = {
        "shoreline": Figure("Shoreline length, without islands", "length", mainland, shore_sd),
        "island_shoreline": Figure(
            "Shoreline length of islands", "length", island_shore, island_sd
        ),
        "islands": Figure("Number of islands", "count", len(islands)),
    }
    if cut is not None:
        # A shore that does not close around the water has no development.
        return lengths, area_sd
    return {
        **lengths,
        "development": Figure(
            "Shoreline development (1 for a circle), without islands",
            "ratio",
            mainland / circle,
            development_sd,
        ),
        "development_islands": Figure(
            "Shoreline development with islands",
            "ratio",
            (mainland + island_shore) / circle,
            both_sd,
        ),
    }, area_sd


def shoreline_spread(shores: list, sd: float) -> tuple:
    """Return standard uncertainties of the area, m2, and of the length, m, within shorelines.

    Parameters
    ----------
    shores : list of array, shape (k, 2)
        Closed rings, m.
    sd : float
        Standard uncertainty of a point, m, in easting and in northing.

    Notes
    -----
    Errors of vertices that a line simplified to ``sd`` still needs are taken as independent, the
    others as following them. An area changes with a vertex by half the distance of its
    neighbors, a length by the difference of the directions to them. What the simplified line
    is shorter by belongs to the uncertainty of the length, as a line drawn finer is longer.

    References
    ----------
    Chrisman, N. R. and Yandell, B. S. (1988). Effects of point error on area calculations: a
    statistical model. Surveying and Mapping 48(4), 241-246.
    """
    area = length = shorter = 0.0
    for ring in shores:
        line = np.asarray(LinearRing(ring).simplify(sd).coords)[:-1, :2]
        step = np.roll(line, -1, axis=0) - line
        size = np.hypot(*step.T)
        unit = step / size[:, None]
        across = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
        area += 0.25 * sd**2 * float((across**2).sum())
        length += sd**2 * float(((unit - np.roll(unit, 1, axis=0)) ** 2).sum())
        shorter += float(np.hypot(*np.diff(ring, axis=0).T).sum() - size.sum())
    return float(np.sqrt(area)), float(np.sqrt(length + shorter**2))
