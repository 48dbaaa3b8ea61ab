"""Statistics of a lake: size, depth, shape, and the volume of its depth layers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import ndimage
from shapely.geometry import LinearRing

from ..ellipsoid import line_length
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..number_text import written
from ..polygons import inside, rings
from ..progress import Progress, silent, span
from ..units import ACRE, ACRE_FOOT, FOOT
from .hypsography import (
    Hypsograph,
    below_level,
    correlation_length,
    deepest_within,
    hypsograph,
    layer_volumes,
)
from .level_table import water_at

#: Depth limit of the littoral area of Minnesota lakes, m.
LITTORAL_DEPTH = 15.0 * FOOT

#: Thickness of the layers where none is given, m, by unit.
LAYER = {"ft": 5.0 * FOOT, "m": 1.0}

#: Closed basins are told apart by contours at this interval, m, or that of thinner layers.
BASIN_STEP = FOOT

MOST_LAYERS = 2000
_CURVE_STEPS = 120

#: SI units a reading unit, and its name, by kind of figure and unit of depth.
UNITS = {
    "area": {"m": (1.0, "m2"), "ft": (ACRE, "acres")},
    "volume": {"m": (1.0, "m3"), "ft": (ACRE_FOOT, "acre-ft")},
    "length": {"m": (1.0, "m"), "ft": (FOOT, "ft")},
    "percent": {"m": (1.0, "%"), "ft": (1.0, "%")},
    "ratio": {"m": (1.0, ""), "ft": (1.0, "")},
    "count": {"m": (1.0, ""), "ft": (1.0, "")},
}


class Figure(NamedTuple):
    """One statistic.

    Attributes
    ----------
    label : str
        What it is, in words.
    kind : str
        Key of :data:`UNITS`.
    value : float
        m, m2, m3, percent or a plain number.
    sd : float or None
        Standard uncertainty in the same unit; None where none is estimated.
    """

    label: str
    kind: str
    value: float
    sd: float | None = None


@dataclass(frozen=True)
class Layers:
    """Depth layers below a water level, from the surface down.

    Attributes
    ----------
    top, bottom : array, shape (n,)
        Depth below the water level, m.
    area : array, shape (n,)
        Of the bottom between the two depths, seen from above, m2.
    area_top, area_top_sd : array, shape (n,)
        Within the depth contour of the top, m2.
    volume, volume_sd : array, shape (n,)
        Of the layer, m3.
    volume_below : array, shape (n,)
        Below the top, m3.
    """

    top: np.ndarray
    bottom: np.ndarray
    area: np.ndarray
    area_top: np.ndarray
    area_top_sd: np.ndarray
    volume: np.ndarray
    volume_sd: np.ndarray
    volume_below: np.ndarray


@dataclass(frozen=True)
class LakeStatistics:
    """Statistics of a lake at a water level.

    Attributes
    ----------
    level : float
        m above the datum.
    figures : dict of str to Figure
    layers : Layers
    curve : Hypsograph
        At depths below the datum, from the water level to the deepest point.
    basins : dict of str to list
        Closed basins, the largest first: ``closing_depth`` and ``max_depth`` below the water
        level (m), ``area`` within the closing contour (m2), ``volume`` below it (m3), and the
        deepest cell's ``x`` and ``y`` (m). Empty lists where the lake is one basin.
    notes : list of str
        What the figures cover and how they are to be read.
    """

    level: float
    figures: dict
    layers: Layers
    curve: Hypsograph
    basins: dict
    notes: list


def lake_statistics(
    surface: Surface,
    shoreline,
    *,
    crs=None,
    level: float = 0.0,
    littoral_depth: float = LITTORAL_DEPTH,
    layer: float = LAYER["ft"],
    datum_sd: float = 0.0,
    scale_sd: float = 0.0,
    shoreline_sd: float = 0.0,
    progress: Progress = silent,
) -> LakeStatistics:
    """Return the statistics of a lake at a water level.

    Parameters
    ----------
    surface : Surface
        ``depth`` below the datum, m; negative on land. ``uncertainty`` and ``distance`` may
        be None.
    shoreline : Polygon or MultiPolygon
        At the datum; islands are holes.
    crs : int or str, optional
        Projected coordinate system, for areas and lengths on the ellipsoid; without one they
        are those of the map.
    level : float
        Water level, m above the datum.
    littoral_depth : float
        m below the water level.
    layer : float
        Thickness of the depth layers, m.
    datum_sd : float
        Standard uncertainty of the datum, m, the same everywhere.
    scale_sd : float
        Standard uncertainty of the scale of depths, a share of depth, the same everywhere, such
        as that of an unknown sound speed.
    shoreline_sd : float
        Standard uncertainty of a point of the shoreline, m, in easting and in northing.
    progress : callable

    Raises
    ------
    LakefloorError
        If a parameter is out of range, the level leaves no water or rises over land that the
        raster does not hold, or the inputs cannot be used.

    Notes
    -----
    With area A, volume V, greatest depth z and shoreline length L: mean depth V / A; shoreline
    development L / (2 sqrt(pi A)), 1 for a circle; relative depth 50 z sqrt(pi / A) percent;
    volume development 3 (V / A) / z, 1 for a cone. Islands are no part of A, and their shores
    are counted apart from L.

    Areas and volumes, and their uncertainties, are those of :func:`.hypsography.hypsograph`.
    The mean slope is uncertain by about s sqrt(2 pi / A) for depths uncertain by s: the slope
    of an error with the correlation there is sqrt(2) s / length, and it averages out over
    A / (pi length^2) patches. An error of the scale of depths changes it by its share, and the
    volume development not at all.

    An error of the shoreline changes area and length at the datum as :func:`shoreline_spread`
    says. It leaves the volume alone, as the lake has no depth there.

    References
    ----------
    Hutchinson, G. E. (1957). A Treatise on Limnology, vol. 1. Wiley, 164-177.
    Wetzel, R. G. and Likens, G. E. (2000). Limnological Analyses, 3rd ed. Springer, 1-14.
    """
    for name, value in (("littoral depth", littoral_depth), ("depth layer", layer)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} must be above 0 m; got {written(value)}.")
    if not (np.isfinite(shoreline_sd) and shoreline_sd >= 0):
        raise LakefloorError(
            f"The uncertainty of the shoreline must be 0 m or more; got {written(shoreline_sd)}.")
    if not np.isfinite(level):
        raise LakefloorError(f"The water level must be a number; got {level}.")
    fade = correlation_length(surface, shoreline)
    water = water_at(surface.depth, shoreline, level, span(progress, 0.0, 0.1))
    deepest = deepest_within(surface.depth, shoreline)
    if deepest + level <= 0:
        raise LakefloorError(
            f"At {written(0.0 - level, '.2f')} m below the datum there is no water: the deepest "
            f"point of the surface lies at {written(deepest, '.2f')} m."
        )
    if (deepest + level) / layer > MOST_LAYERS:
        raise LakefloorError(
            f"Layers of {written(layer, 'g')} m give more than {MOST_LAYERS}; choose thicker ones, "
            "and check the unit of the raster."
        )
    bounds = np.arange(0.0, deepest + level, layer)
    fine = np.linspace(0.0, deepest + level, _CURVE_STEPS + 1)
    curve = hypsograph(
        surface.depth, shoreline,
        np.unique(np.round(np.concatenate([bounds, fine, [littoral_depth]]), 9)) - level,
        crs=crs, uncertainty=surface.uncertainty, correlation_length=fade, datum_sd=datum_sd,
        scale_sd=scale_sd, progress=span(progress, 0.1, 0.8),
    )
    layers = _layers(curve, np.append(bounds, deepest + level), level)
    figures = _figures(curve, layers, water, level, littoral_depth, shoreline_sd, crs)
    step = min(layer, BASIN_STEP)
    basins = closed_basins(
        surface.depth, shoreline, np.arange(0.0, deepest + level, step) - level, crs=crs,
        least=max(step, 2.0 * _typical(surface.uncertainty)), progress=span(progress, 0.8, 1.0),
    )
    for name in ("closing_depth", "max_depth"):
        basins[name] = [depth + level for depth in basins[name]]
    return LakeStatistics(
        float(level), figures, layers, curve, basins,
        _notes(curve, surface, level, figures, shoreline, crs),
    )


def _typical(uncertainty) -> float:
    known = np.empty(0) if uncertainty is None else uncertainty.values
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else 0.0


def _layers(curve, bounds, level) -> Layers:
    at = _index(curve, bounds - level)
    # Below the deepest point there is nothing, though its own bottom may be flat.
    area, volume = np.append(curve.area[at[:-1]], 0.0), np.append(curve.volume[at[:-1]], 0.0)
    return Layers(
        bounds[:-1], bounds[1:], -np.diff(area), area[:-1], curve.area_sd[at][:-1],
        -np.diff(volume), curve.layer_sd(at), volume[:-1],
    )


def _index(curve, depth) -> np.ndarray:
    """Return where depths below the datum stand in a curve that was made for them."""
    return np.searchsorted(curve.depth, np.asarray(depth) - 1e-8).clip(0, len(curve.depth) - 1)


def _figures(curve, layers, water, level, littoral_depth, shoreline_sd, crs) -> dict:
    mapped, area_sd = float(curve.area[0]), float(curve.area_sd[0])
    area = curve.shoreline_area if level == 0 else mapped
    shores, area_sd = _shores(water, area, area_sd, shoreline_sd if level == 0 else 0.0, crs)
    volume, volume_sd = float(curve.volume[0]), float(curve.volume_sd[0])
    deepest, deepest_sd = curve.max_depth + level, curve.max_depth_sd
    mean, mean_sd = volume / mapped, volume_sd / mapped
    relative = 50.0 * np.sqrt(np.pi / area)
    at = int(_index(curve, littoral_depth - level)) if littoral_depth < deepest else None
    littoral = mapped - (0.0 if at is None else float(curve.area[at]))
    littoral_sd = 0.0 if at is None else float(curve.area_sd[at])
    slope_sd = None
    if np.isfinite(curve.correlation_length):
        slope_sd = 100.0 * float(np.hypot(
            np.sqrt(2.0 * np.pi * curve.spread_squared[0]) / mapped,
            curve.scale_sd * curve.slope[0]))
    # Of the ratio of mean and maximum depth, which an error of their scale leaves alone.
    apart = [np.sqrt(max((sd / size) ** 2 - curve.scale_sd**2, 0.0))
             for size, sd in ((mean, mean_sd), (deepest, deepest_sd))]
    frustum = layer_volumes(
        np.append(layers.top, layers.bottom[-1]), np.append(layers.area_top, 0.0)
    )
    return {
        "area": Figure("Area of water", "area", area, area_sd),
        "volume": Figure("Volume", "volume", volume, volume_sd),
        "max_depth": Figure("Maximum depth", "length", deepest, deepest_sd),
        "mean_depth": Figure("Mean depth", "length", mean, mean_sd),
        **shores,
        "relative_depth": Figure(
            "Relative depth", "percent", relative * deepest,
            relative * float(np.hypot(deepest_sd, 0.5 * deepest * area_sd / area)),
        ),
        "volume_development": Figure(
            "Volume development, 3 x mean / maximum depth (1 for a cone)", "ratio",
            3.0 * mean / deepest, 3.0 * mean / deepest * float(np.hypot(*apart)),
        ),
        "mean_slope": Figure("Mean slope", "percent", 100.0 * float(curve.slope[0]), slope_sd),
        "littoral_area": Figure("Littoral area", "area", littoral, littoral_sd),
        "littoral_share": Figure(
            "Littoral share", "percent", 100.0 * littoral / mapped, 100.0 * littoral_sd / mapped
        ),
        "frustum_volume": Figure(
            "Volume by the truncated-cone formula of the layers", "volume", float(frustum.sum())
        ),
        "mapped_share": Figure(
            "Share of the lake at the datum that has depth", "percent",
            100.0 * min(curve.mapped_area / curve.shoreline_area, 1.0),
        ),
    }


def _shores(water, area, area_sd, shoreline_sd, crs) -> tuple:
    """Return the figures of the water's edge, and the area's uncertainty with that of the edge."""
    def length(ring_list):
        if crs is None:
            return float(sum(np.hypot(*np.diff(ring, axis=0).T).sum() for ring in ring_list))
        return sum(line_length(ring, crs) for ring in ring_list)

    parts = list(water.geoms)
    shores = [np.asarray(part.exterior.coords)[:, :2] for part in parts]
    islands = [np.asarray(ring.coords)[:, :2] for part in parts for ring in part.interiors]
    mainland, island_shore = length(shores), length(islands)
    circle = 2.0 * np.sqrt(np.pi * area)
    shore_sd = island_sd = development_sd = both_sd = None
    if shoreline_sd > 0:
        drawn, shore_sd = shoreline_spread(shores, shoreline_sd)
        hole, island_sd = shoreline_spread(islands, shoreline_sd)
        area_sd = float(np.sqrt(area_sd**2 + drawn**2 + hole**2))
        # Of length over the root of area.
        development_sd, both_sd = (
            long / circle * np.hypot(sd / long, 0.5 * area_sd / area)
            for long, sd in ((mainland, shore_sd),
                             (mainland + island_shore, np.hypot(shore_sd, island_sd)))
        )
    return {
        "shoreline": Figure("Shoreline length, without islands", "length", mainland, shore_sd),
        "island_shoreline": Figure(
            "Shoreline length of islands", "length", island_shore, island_sd),
        "islands": Figure("Number of islands", "count", len(islands)),
        "development": Figure(
            "Shoreline development (1 for a circle), without islands", "ratio",
            mainland / circle, development_sd,
        ),
        "development_islands": Figure(
            "Shoreline development with islands", "ratio", (mainland + island_shore) / circle,
            both_sd,
        ),
    }, area_sd


def shoreline_spread(shores, sd: float) -> tuple:
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
    neighbours, a length by the difference of the directions to them. What the simplified line
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


def _notes(curve, surface, level, figures, shoreline, crs) -> list:
    gap = 100.0 - figures["mapped_share"].value
    vertices = sum(len(ring) - 1 for ring in rings(shoreline))
    spacing = sum(
        float(np.hypot(*np.diff(ring, axis=0).T).sum()) for ring in rings(shoreline)
    ) / vertices
    notes = []
    if gap > 0.05:
        where = "The area is that of the whole shoreline polygon; volume" if level == 0 else (
            "Area, volume")
        notes.append(
            f"{written(gap, '.1f')}% of the lake at the datum has no depth. {where}, mean depth, "
            "slope, littoral share and layers cover the mapped part only."
        )
    if curve.exposed > 0:
        notes.append(
            f"{written(100.0 * curve.exposed, '.1f')}% of the cells within the shoreline were "
            "above the datum and count as depth 0."
        )
    notes.append(
        "Volume: the depth surface, triangulated and cut exactly at each depth and at the "
        "shoreline."
    )
    notes.append(
        f"The shoreline has {vertices} vertices, {written(spacing, '.1f')} m apart on "
        "average; its length grows with finer drawing, so compare only lengths drawn alike."
    )
    notes.append(
        "Areas and lengths are on the ellipsoid." if crs is not None
        else "Areas and lengths are those of the map projection."
    )
    if surface.uncertainty is None or not np.isfinite(surface.uncertainty.values).any():
        notes.append(
            "The surface states no uncertainty; uncertainties are those of the datum "
            + ("and of the sound speed." if curve.scale_sd else "alone.")
        )
    else:
        how = "are taken as one error of the whole lake, the cautious choice"
        if np.isfinite(curve.correlation_length):
            how = f"fade over {curve.correlation_length:.0f} m, the spacing of the lanes"
        notes.append(
            "Uncertainties are standard uncertainties. The datum, "
            f"{written(curve.datum_sd, '.3f')} m, shifts all depths alike and does not average "
            f"out; errors of the surface {how}."
        )
    if curve.scale_sd:
        notes.append(
            "The sound speed of the water was not known. That makes all depths uncertain by "
            f"{written(100.0 * curve.scale_sd, '.1f')}% alike, and does not average out either."
        )
    if figures["shoreline"].sd is None:
        notes.append("How exactly the shoreline is drawn is not part of the uncertainties.")
    return notes


def closed_basins(
    depth: Grid,
    shoreline,
    levels,
    *,
    crs=None,
    least: float = 0.0,
    progress: Progress = silent,
) -> dict:
    """Return the closed basins of a lake.

    Parameters
    ----------
    depth : Grid
        Depth below the datum, m; NaN where there is none.
    shoreline : Polygon or MultiPolygon
    levels : array, shape (n,)
        Depths of the contours, m below the datum, rising.
    crs : int or str, optional
        As for :func:`lake_statistics`.
    least : float
        Least depth of a basin below its closing contour, m.

    Returns
    -------
    dict of str to list
        Largest volume first: ``closing_depth``, ``max_depth`` (m below the datum), ``area``
        within the closing contour (m2), ``volume`` below it (m3), ``x``, ``y`` of the deepest
        cell. Empty lists where the lake is one basin.

    Notes
    -----
    The closing contour is the shallowest of the contours that parts a basin from any other
    basin.
    """
    lake = inside(shoreline, depth) & np.isfinite(depth.values)
    z = np.where(lake, depth.values, -np.inf)
    block = np.ones((3, 3), dtype=bool)
    rising = np.argsort(z, axis=None, kind="stable")
    closed, opened = [], []
    for step, level in enumerate(levels[::-1]):
        progress(step / len(levels))
        label, count = ndimage.label(z >= level, structure=block)
        places = ndimage.find_objects(label)
        here = rising[len(rising) - np.count_nonzero(label):]
        # Of several cells of a component the one written last, the deepest, stays.
        deepest = np.zeros(count + 1, dtype=int)
        deepest[label.flat[here]] = here
        held = {}
        for cell, basin in opened:
            held.setdefault(int(label.flat[cell]), []).append(basin)
        opened = []
        for number, cell in enumerate(deepest[1:].tolist(), 1):
            found = held.get(number, [])
            # A hollow too shallow to count does not part the basin around it.
            real = [b for b in found if b and b["max_depth"] - b["closing_depth"] >= least]
            if len(real) > 1 or None in found:
                closed += real
                opened.append((cell, None))
                continue
            place = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in places[number - 1])
            opened.append((cell, {
                "closing_depth": float(level), "max_depth": float(z.flat[cell]), "cell": cell,
                "place": place, "mask": label[place] == number,
            }))
    closed += [b for _, b in opened if b and b["max_depth"] - b["closing_depth"] >= least]
    names = ("closing_depth", "max_depth", "area", "volume", "x", "y")
    out = {name: [] for name in names}
    if len(closed) < 2:
        return out
    rows = [_measured(basin, depth, crs) for basin in closed]
    for row in sorted(rows, key=lambda row: -row[3]):
        for name, value in zip(names, row):
            out[name].append(value)
    return out


def _measured(basin, depth: Grid, crs) -> tuple:
    """Return the figures of a basin, its cells cut out of the surface."""
    rows, cols = basin["place"]
    # The neighbours of the basin's cells are shallower, and place its edge.
    near = ndimage.binary_dilation(basin["mask"], np.ones((3, 3), dtype=bool))
    part = Grid(
        np.where(near, depth.values[rows, cols], np.nan), depth.west + cols.start * depth.dx,
        depth.north - rows.start * depth.dy, depth.dx, depth.dy,
    )
    row, col = np.unravel_index(basin["cell"], depth.shape)
    level = basin["closing_depth"]
    return (level, basin["max_depth"], *below_level(part, level, crs), float(depth.x[col]),
            float(depth.y[row]))
