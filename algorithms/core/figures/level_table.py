"""Area and volume of a lake against its lake level, and what a lower level uncovers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from ..chart.contour_domain import polygons_of
from ..chart.contours import depth_areas
from ..ellipsoid import polygon_area
from ..errors import LakefloorError
from ..grid import Areas, Grid, Surface
from ..number_text import written
from ..polygons import check_shoreline
from ..progress import Progress, silent, span
from ..surface.error_reach import error_reach
from ..units import FOOT
from .hypsography import deepest_within, hypsograph
from .lake_cells import bridged, rising_water

_MOST_LEVELS = 20_000

#: Step between levels where none is given, m, by unit.
STEP = {"ft": 0.1 * FOOT, "m": 0.01}


@dataclass(frozen=True)
class LevelTable:
    """Area and volume against level, from the lowest level to the highest.

    Attributes
    ----------
    level : array, shape (n,)
        Lake level, m above the datum.
    area, area_sd : array, shape (n,)
        Of the water, and its standard uncertainty, m2.
    volume, volume_sd : array, shape (n,)
        Of the water, and its standard uncertainty, m3.
    shoreline : array, shape (n,)
        Length of the water's edge, islands included, m.
    shoreline_area, mapped_area : float
        At the datum: within the shoreline, and the part of it that has depth, m2.
    datum_area, datum_volume : float
        Of the water at the datum, m2 and m3.
    cut_short : bool
        Whether the table ends below the highest level asked for, as the land is not known.
    """

    level: np.ndarray
    area: np.ndarray
    area_sd: np.ndarray
    volume: np.ndarray
    volume_sd: np.ndarray
    shoreline: np.ndarray
    shoreline_area: float
    mapped_area: float
    datum_area: float
    datum_volume: float
    cut_short: bool

    @property
    def mapped_percent(self) -> float:
        """Part of the lake that has depth, percent."""
        return 100.0 * min(self.mapped_area / self.shoreline_area, 1.0)

    @property
    def uncovered_area(self) -> np.ndarray:
        """Bottom that is wet at the datum and dry at each level, m2, shape (n,)."""
        return np.maximum(self.datum_area - self.area, 0.0)


@dataclass(frozen=True)
class LevelReport:
    """A level table, and what a drawdown uncovers.

    Attributes
    ----------
    table : LevelTable
    uncovered : Areas
        As :func:`uncovered` returns them, but ``area_m2`` is that of the table at this level.
    """

    table: LevelTable
    uncovered: Areas

    @property
    def uncovered_area(self) -> float:
        """Area that the drawdown uncovers, m2."""
        return sum(self.uncovered.attributes["area_m2"])

    @property
    def uncovered_percent(self) -> float:
        """The same as a part of the lake within its shoreline, percent."""
        return 100.0 * self.uncovered_area / self.table.shoreline_area


def level_report(
    surface: Surface,
    shoreline: BaseGeometry,
    *,
    drawdown: float,
    crs: int | str | None = None,
    progress: Progress = silent,
    **options,
) -> LevelReport:
    """Return the level table of a lake, and the bottom that a drawdown uncovers.

    Parameters
    ----------
    surface, shoreline, crs
        As for :func:`level_table`.
    drawdown : float
        Fall of the water below the datum, m.
    progress : callable
    **options
        Other parameters of :func:`level_table`.

    Returns
    -------
    LevelReport

    Raises
    ------
    LakefloorError
        As :func:`level_table` and :func:`uncovered`.
    """
    _check_drawdown(drawdown)
    table, left = _tabulate(
        surface, shoreline, crs=crs, at=drawdown, progress=span(progress, 0.0, 0.8), **options
    )
    bare = uncovered(surface.depth, shoreline, drawdown, crs, span(progress, 0.8, 1.0))
    # The outline is drawn along contours. The table's area is exact for its bottom, and one figure
    # is enough.
    bare.attributes["area_m2"] = [max(table.datum_area - left, 0.0)] * len(bare)
    return LevelReport(table, bare)


def level_table(
    surface: Surface,
    shoreline: BaseGeometry,
    *,
    step: float,
    crs: int | str | None = None,
    lowest: float | None = None,
    highest: float = 0.0,
    datum_sd: float = 0.0,
    scale_sd: float = 0.0,
    progress: Progress = silent,
) -> LevelTable:
    """Return area and volume of a lake in equal steps of its lake level.

    Parameters
    ----------
    surface : Surface
        ``depth`` below the datum, m; negative on land. ``uncertainty`` and ``distance`` may
        be None.
    shoreline : Polygon or MultiPolygon
        At the datum; islands are holes.
    step : float
        m. Levels are multiples of it, so the datum itself is one.
    crs : int or str, optional
        Projected coordinate system, for areas on the ellipsoid.
    lowest : float, optional
        m above the datum, so below 0; by default down to the deepest point.
    highest : float
        m above the datum. The table ends where the raster no longer holds all the land
        that the water would reach.
    datum_sd : float
        Standard uncertainty of the datum, m, the same everywhere.
    scale_sd : float
        That of the scale of depths, a share of depth, the same everywhere.
    progress : callable

    Raises
    ------
    LakefloorError
        If a parameter is out of range or the inputs cannot be used.

    Notes
    -----
    Uncertainties are those of :func:`.hypsography.hypsograph`. Below the datum the bottom is
    the depth surface; above it the land is taken where the raster holds it as negative depth.
    Only water that is joined to the lake counts.

    Examples
    --------
    A square basin of 200 m that is 3 m deep all over, but for its shore:

    >>> from shapely.geometry import box
    >>> depth = Grid(np.full((22, 22), 3.0), -10.0, 210.0, 10.0, 10.0)
    >>> table = level_table(Surface(depth, None, None), box(0.0, 0.0, 200.0, 200.0), step=1.0)
    >>> [float(level) for level in table.level]
    [-3.0, -2.0, -1.0, 0.0]
    >>> [round(float(area)) for area in table.area]
    [36100, 37374, 38661, 40000]
    """
    return _tabulate(
        surface,
        shoreline,
        step=step,
        crs=crs,
        lowest=lowest,
        highest=highest,
        datum_sd=datum_sd,
        scale_sd=scale_sd,
        progress=progress,
    )[0]


def _tabulate(
    surface,
    shoreline,
    *,
    step,
    crs=None,
    lowest=None,
    highest=0.0,
    datum_sd=0.0,
    scale_sd=0.0,
    at=0.0,
    progress=silent,
) -> tuple:
    """Return :func:`level_table`, and the area of the water at a depth, m2."""
    if not (np.isfinite(step) and step > 0):
        raise LakefloorError(f"The step of the level table must be above 0 m; got {written(step)}.")
    if lowest is None:
        check_shoreline(shoreline)
        lowest = 0.0 - max(deepest_within(surface.depth, shoreline), 0.0)
    if not (lowest < highest):
        raise LakefloorError(
            f"The minimum level, {written(lowest, 'g')} m, must be below the maximum, "
            f"{written(highest, 'g')} m. Change one of them."
        )
    asked = _steps(lowest, highest, step)
    steps = _on_known_land(asked, step, surface.depth, shoreline, span(progress, 0.0, 0.3))
    level = np.round(steps * step, 9) + 0.0
    curve = hypsograph(
        surface.depth,
        shoreline,
        np.unique(np.concatenate([-level, [0.0, at]])),
        crs=crs,
        uncertainty=surface.uncertainty,
        datum_sd=datum_sd,
        scale_sd=scale_sd,
        correlation_length=error_reach(surface, shoreline),
        progress=span(progress, 0.3, 1.0),
    )
    rows, datum = np.searchsorted(curve.depth, -level), np.searchsorted(curve.depth, 0.0)
    table = LevelTable(
        level,
        curve.area[rows],
        curve.area_sd[rows],
        curve.volume[rows],
        curve.volume_sd[rows],
        curve.length[rows],
        curve.shoreline_area,
        curve.mapped_area,
        float(curve.area[datum]),
        float(curve.volume[datum]),
        len(level) < len(asked),
    )
    return table, float(curve.area[np.searchsorted(curve.depth, at)])


def _steps(lowest, highest, step) -> np.ndarray:
    """Return the levels from the lowest to the highest, in steps."""
    first, last = np.ceil(lowest / step - 1e-9), np.floor(highest / step + 1e-9)
    if last - first >= _MOST_LEVELS:
        raise LakefloorError(
            f"A step of {written(step, 'g')} m gives {last - first + 1:.0f} levels, but at most "
            f"{_MOST_LEVELS} are listed. Choose a larger step."
        )
    return np.arange(first, last + 1)


def _on_known_land(steps, step, depth, shoreline, progress) -> np.ndarray:
    """Return the levels up to the highest for which the raster holds the land."""
    above = steps[steps > 0]
    if above.size:
        allowed, _ = rising_water(depth, shoreline, above * step, progress)
        steps = steps[steps <= allowed] if steps[0] <= 0 else steps[:allowed]
    if not steps.size:
        raise LakefloorError(
            "The raster does not hold the land around the lake, so no level above the datum can "
            "be listed. Use a raster in which land has negative depths, or choose lower levels."
        )
    return steps


def water_at(
    depth: Grid, shoreline: BaseGeometry, level: float, progress: Progress = silent
) -> MultiPolygon:
    """Return the water of a lake at a level.

    Parameters
    ----------
    depth : Grid
        Depth below the datum, m; negative on land.
    shoreline : Polygon or MultiPolygon
        At the datum; islands are holes.
    level : float
        m above the datum; below 0 the parts that water still covers, which have depth.
    progress : callable

    Returns
    -------
    MultiPolygon
        Empty where the level is below the deepest point.
    """
    check_shoreline(shoreline)
    if level == 0:
        return polygons_of(shoreline)
    areas = _areas(depth, shoreline, -level, progress)
    deeper = [p for p, to in zip(areas.polygons, areas.attributes["depth_to"]) if to is None]
    if level < 0:
        return polygons_of(unary_union(deeper))
    joined = [part for p in deeper for part in p.geoms if part.intersects(shoreline)]
    return polygons_of(unary_union([shoreline, *joined]))


def _areas(depth, shoreline, at, progress) -> Areas:
    """Return the areas on both sides of a depth, on the surface as it is."""
    grid, _ = bridged(depth, shoreline)
    return depth_areas(
        grid,
        levels=[at],
        unit="m",
        smoothing=0.0,
        min_area=0.0,
        shoreline=shoreline if at > 0 else None,
        progress=progress,
    )


def uncovered(
    depth: Grid,
    shoreline: BaseGeometry,
    drawdown: float,
    crs: int | str | None = None,
    progress: Progress = silent,
) -> Areas:
    """Return the lake bottom that a drawdown uncovers.

    Parameters
    ----------
    depth, shoreline, crs
        As for :func:`level_table`.
    drawdown : float
        Fall of the water below the datum, m.

    Returns
    -------
    Areas
        One MultiPolygon, from the shoreline to the depth contour at the drawdown, with
        attributes ``drawdown_m`` and ``area_m2`` (on the ellipsoid); none where there is no
        such bottom. Gaps of the surface are left out.

    Raises
    ------
    LakefloorError
        If the drawdown is not above 0 m or the inputs cannot be used.
    """
    _check_drawdown(drawdown)
    areas = _areas(depth, shoreline, drawdown, progress)
    bare = [p for p, to in zip(areas.polygons, areas.attributes["depth_to"]) if to is not None]
    size = [p.area if crs is None else polygon_area(p, crs) for p in bare]
    return Areas(bare, {"drawdown_m": [float(drawdown)] * len(bare), "area_m2": size})


def _check_drawdown(drawdown):
    if not (np.isfinite(drawdown) and drawdown > 0):
        raise LakefloorError(f"The drawdown must be above 0 m; got {written(drawdown)}.")
