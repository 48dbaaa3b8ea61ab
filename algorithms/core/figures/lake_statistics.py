"""Statistics of a lake: size, depth, shape, and the volume of its depth layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..errors import LakefloorError
from ..grid import Surface
from ..number_text import written
from ..progress import Progress, silent, span
from ..surface.error_reach import error_reach
from ..units import FOOT
from .closed_basins import closed_basins
from .figure import Figure
from .hypsography import Hypsograph, deepest_within, hypsograph, layer_volumes
from .level_table import water_at
from .shores import shore_figures

#: Depth limit of the littoral area of Minnesota lakes, m.
LITTORAL_DEPTH = 15.0 * FOOT


#: Thickness of the layers where none is given, m, by unit.
LAYER = {"ft": 5.0 * FOOT, "m": 1.0}

#: Closed basins are told apart by contours at this interval, m, or that of thinner layers.
BASIN_STEP = FOOT

MAX_LAYERS = 2000
_CURVE_STEPS = 120


@dataclass(frozen=True)
class Layers:
    """Depth layers below a lake level, from the surface down.

    Attributes
    ----------
    top, bottom : array, shape (n,)
        Depth below the lake level, m.
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
    """Statistics of a lake at a lake level.

    Attributes
    ----------
    level : float
        m above the datum.
    figures : dict of str to Figure
    layers : Layers
    curve : Hypsograph
        At depths below the datum, from the lake level to the deepest point.
    basins : dict of str to list
        Closed basins, the largest first: ``closing_depth`` and ``max_depth`` below the water
        level (m), ``area`` within the closing contour (m2), ``volume`` below it (m3), and the
        deepest cell's ``x`` and ``y`` (m). Empty lists where the lake is one basin.
    """

    level: float
    figures: dict
    layers: Layers
    curve: Hypsograph
    basins: dict


def lake_statistics(
    surface: Surface,
    shoreline: BaseGeometry,
    *,
    crs: int | str | None = None,
    level: float = 0.0,
    littoral_depth: float = LITTORAL_DEPTH,
    layer: float = LAYER["ft"],
    datum_sd: float = 0.0,
    scale_sd: float = 0.0,
    shoreline_sd: float = 0.0,
    cut: BaseGeometry | None = None,
    progress: Progress = silent,
) -> LakeStatistics:
    """Return the statistics of a lake at a lake level.

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
        Lake level, m above the datum.
    littoral_depth : float
        m below the lake level.
    layer : float
        Thickness of the depth layers, m.
    datum_sd : float
        Standard uncertainty of the datum, m, the same everywhere.
    scale_sd : float
        Standard uncertainty of the scale of depths, a share of depth, the same everywhere, such
        as that of an unknown sound speed.
    shoreline_sd : float
        Standard uncertainty of a point of the shoreline, m, in easting and in northing.
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore, where only a part of the lake is known.
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

    Examples
    --------
    A square basin of 200 m that is 3 m deep all over, but for its shore:

    >>> from shapely.geometry import box
    >>> from lakefloor.algorithms.core.grid import Grid
    >>> depth = Grid(np.full((22, 22), 3.0), -10.0, 210.0, 10.0, 10.0)
    >>> statistics = lake_statistics(Surface(depth, None, None), box(0.0, 0.0, 200.0, 200.0))
    >>> [round(float(statistics.figures[name].value), 2) for name in ("area", "mean_depth")]
    [40000.0, 2.85]
    >>> round(float(statistics.figures["development"].value), 3)
    1.128

    References
    ----------
    Hutchinson, G. E. (1957). A Treatise on Limnology, vol. 1. Wiley, 164-177.
    Wetzel, R. G. and Likens, G. E. (2000). Limnological Analyses, 3rd ed. Springer, 1-14.
    """
    _check(level, littoral_depth, layer, shoreline_sd)
    fade = error_reach(surface, shoreline)
    water = water_at(surface.depth, shoreline, level, span(progress, 0.0, 0.1))
    deepest = _deepest_below(level, surface.depth, shoreline, layer)
    bounds = np.arange(0.0, deepest, layer)
    fine = np.linspace(0.0, deepest, _CURVE_STEPS + 1)
    curve = hypsograph(
        surface.depth,
        shoreline,
        np.unique(np.round(np.concatenate([bounds, fine, [littoral_depth]]), 9)) - level,
        crs=crs,
        uncertainty=surface.uncertainty,
        correlation_length=fade,
        datum_sd=datum_sd,
        scale_sd=scale_sd,
        cut=cut,
        progress=span(progress, 0.1, 0.8),
    )
    layers = _layers(curve, np.append(bounds, deepest), level)
    shore_sd = shoreline_sd if level == 0 else 0.0
    figures = _figures(curve, layers, water, level, littoral_depth, (shore_sd, crs, cut))
    step = min(layer, BASIN_STEP)
    basins = closed_basins(
        surface.depth,
        shoreline,
        np.arange(0.0, deepest, step) - level,
        crs=crs,
        min_depth=max(step, 2.0 * _typical(surface.uncertainty)),
        progress=span(progress, 0.8, 1.0),
    )
    for name in ("closing_depth", "max_depth"):
        basins[name] = [depth + level for depth in basins[name]]
    return LakeStatistics(float(level), figures, layers, curve, basins)


def _check(level, littoral_depth, layer, shoreline_sd):
    for name, value in (("littoral depth", littoral_depth), ("depth layer", layer)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} must be above 0 m; got {written(value)}.")
    if not (np.isfinite(shoreline_sd) and shoreline_sd >= 0):
        raise LakefloorError(
            f"The uncertainty of the shoreline must be 0 m or more; got {written(shoreline_sd)}."
        )
    if not np.isfinite(level):
        raise LakefloorError(f"The lake level must be a number; got {level}.")


def _deepest_below(level, depth, shoreline, layer) -> float:
    """Return the deepest point below a lake level, m; refuse no water and too many layers."""
    deepest = deepest_within(depth, shoreline)
    if deepest + level <= 0:
        raise LakefloorError(
            f"At {written(0.0 - level, '.2f')} m below the datum there is no water. The deepest "
            f"point of the surface is at {written(deepest, '.2f')} m. Choose a higher lake level."
        )
    if (deepest + level) / layer > MAX_LAYERS:
        raise LakefloorError(
            f"Layers of {written(layer, 'g')} m give more than {MAX_LAYERS} layers. Choose "
            "thicker layers, and check that the raster holds meters."
        )
    return deepest + level


def _typical(uncertainty) -> float:
    known = np.empty(0) if uncertainty is None else uncertainty.values
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else 0.0


def _layers(curve, bounds, level) -> Layers:
    at = _index(curve, bounds - level)
    # Below the deepest point there is nothing, though its own bottom may be flat.
    area, volume = np.append(curve.area[at[:-1]], 0.0), np.append(curve.volume[at[:-1]], 0.0)
    return Layers(
        bounds[:-1],
        bounds[1:],
        -np.diff(area),
        area[:-1],
        curve.area_sd[at][:-1],
        -np.diff(volume),
        curve.layer_sd(at),
        volume[:-1],
    )


def _index(curve, depth) -> np.ndarray:
    """Return where depths below the datum stand in a curve that was made for them."""
    return np.searchsorted(curve.depth, np.asarray(depth) - 1e-8).clip(0, len(curve.depth) - 1)


def _figures(curve, layers, water, level, littoral_depth, of_shore) -> dict:
    mapped, area_sd = float(curve.area[0]), float(curve.area_sd[0])
    area = curve.shoreline_area if level == 0 else mapped
    shores, area_sd = shore_figures(water, area, area_sd, *of_shore)
    volume, volume_sd = float(curve.volume[0]), float(curve.volume_sd[0])
    deepest, deepest_sd = curve.max_depth + level, curve.max_depth_sd
    mean, mean_sd = volume / mapped, volume_sd / mapped
    frustum = layer_volumes(
        np.append(layers.top, layers.bottom[-1]), np.append(layers.area_top, 0.0)
    )
    return {
        "area": Figure("Area of water", "area", area, area_sd),
        "volume": Figure("Volume", "volume", volume, volume_sd),
        "max_depth": Figure("Maximum depth", "length", deepest, deepest_sd),
        "mean_depth": Figure("Mean depth", "length", mean, mean_sd),
        **shores,
        **_form(area, area_sd, mean, mean_sd, deepest, deepest_sd, curve.scale_sd),
        "mean_slope": _mean_slope(curve, mapped),
        **_littoral(curve, mapped, littoral_depth, deepest, level),
        "frustum_volume": Figure(
            "Volume by the truncated-cone formula of the layers", "volume", float(frustum.sum())
        ),
        "mapped_share": Figure(
            "Percentage of the lake at the datum that has depth",
            "percent",
            100.0 * min(curve.mapped_area / curve.shoreline_area, 1.0),
        ),
    }


def _form(area, area_sd, mean, mean_sd, deepest, deepest_sd, scale_sd) -> dict:
    """Return the figures of the basin's form."""
    relative = 50.0 * np.sqrt(np.pi / area)
    # Of the ratio of mean and maximum depth, which an error of their scale leaves alone.
    apart = [
        np.sqrt(max((sd / size) ** 2 - scale_sd**2, 0.0))
        for size, sd in ((mean, mean_sd), (deepest, deepest_sd))
    ]
    return {
        "relative_depth": Figure(
            "Relative depth",
            "percent",
            relative * deepest,
            relative * float(np.hypot(deepest_sd, 0.5 * deepest * area_sd / area)),
        ),
        "volume_development": Figure(
            "Volume development, 3 x mean / maximum depth (1 for a cone)",
            "ratio",
            3.0 * mean / deepest,
            3.0 * mean / deepest * float(np.hypot(*apart)),
        ),
    }


def _mean_slope(curve, mapped) -> Figure:
    sd = None
    if np.isfinite(curve.correlation_length):
        sd = 100.0 * float(
            np.hypot(
                np.sqrt(2.0 * np.pi * curve.spread_squared[0]) / mapped,
                curve.scale_sd * curve.slope[0],
            )
        )
    return Figure("Mean slope", "percent", 100.0 * float(curve.slope[0]), sd)


def _littoral(curve, mapped, littoral_depth, deepest, level) -> dict:
    at = int(_index(curve, littoral_depth - level)) if littoral_depth < deepest else None
    area = mapped - (0.0 if at is None else float(curve.area[at]))
    sd = 0.0 if at is None else float(curve.area_sd[at])
    return {
        "littoral_area": Figure("Littoral area", "area", area, sd),
        "littoral_share": Figure(
            "Littoral percentage", "percent", 100.0 * area / mapped, 100.0 * sd / mapped
        ),
    }
