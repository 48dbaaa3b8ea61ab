"""A map drawn for its figures, and the same map as it was before something was surveyed."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..chart.contours import depth_contours
from ..chart.support import supports
from ..correcting.uncertainty_budget import common_share
from ..ellipsoid import polygon_area
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import GAP_IN_SPACINGS, lane_spacing, suggest_cell, usable
from ..surface import tiles
from ..surface.frame import Frame, frame
from ..surface.learning import learned_record
from ..surface.surface_record import Record
from ..units import LENGTH
from .figure_defaults import DATUM_UNCERTAINTY, SHORELINE_UNCERTAINTY
from .lake_statistics import LAYER, LakeStatistics, lake_statistics

_METHOD, _OPTIONS = "smooth", {"smoothing": None}


@dataclass(frozen=True)
class MapFigures:
    """A depth surface and how much of the lake it shows how well.

    Attributes
    ----------
    surface : Surface
    soundings : int
        Accepted ones that it is drawn from.
    area : float
        With a depth, m2.
    supported_area : float
        Where the data support the contour interval, m2.
    supported_share : float or None
        Share of the length of the contours that the data support; None where no contour falls.
    uncertainty : float
        Median standard uncertainty, m.
    statistics : LakeStatistics
    """

    surface: Surface
    soundings: int
    area: float
    supported_area: float
    supported_share: float | None
    uncertainty: float
    statistics: LakeStatistics


@dataclass(frozen=True)
class Scale:
    """How a map is drawn and judged: shoreline, contour interval in ``unit``, and CRS."""

    shoreline: BaseGeometry
    interval: float
    unit: str
    crs: int | str | None = None

    def area(self, cells: np.ndarray, grid: Grid) -> float:
        """Return the area of a mask of cells, m2: on the ellipsoid if the CRS is given."""
        area = np.count_nonzero(cells) * grid.cell_area
        if self.crs is not None:
            area *= polygon_area(self.shoreline, self.crs) / self.shoreline.area
        return float(area)

    def supported(self, surface: Surface) -> np.ndarray:
        """Return a mask of the cells whose uncertainty supports the contour interval."""
        depth, uncertainty, _ = surface.bands
        close = supports(uncertainty.values, self.interval * LENGTH[self.unit])
        return np.isfinite(depth.values) & close


def draw_before_and_after(
    before: Soundings | None,
    after: Soundings,
    shoreline: BaseGeometry,
    cell: float | None = None,
    progress: Progress = silent,
) -> tuple:
    """Draw two smooth surfaces of one lake that differ by what was surveyed, and nothing else.

    Parameters
    ----------
    before, after : Soundings
        Only accepted ones are used; ``before`` may be None.
    shoreline : Polygon or MultiPolygon
    cell : float, optional
        Cell size, m; by default it follows from the lane spacing.
    progress : callable

    Returns
    -------
    before : Surface or None
    after : Surface
        On the same cells.

    Raises
    ------
    LakefloorError
        As :func:`.frame.frame`, for ``after``.

    Notes
    -----
    Smoothing, and how the error grows away from soundings, are traits of the bottom: they are
    learned from ``after`` and hold for both. So do cell size and search distance, the one that
    suits the wider of both lane spacings. Tiles that have the same soundings are drawn once.
    """
    kept = usable(after)
    spacing = lane_spacing(kept)
    own = spacing
    if before is not None:
        with suppress(LakefloorError):  # a single lane has no spacing
            own = lane_spacing(before)
    cell = suggest_cell(spacing) if cell is None else cell
    gap = max(GAP_IN_SPACINGS * max(spacing, own), cell)
    where = {"cell": cell, "max_gap": gap, "spacing": spacing, "shoreline": shoreline}
    f = frame(kept, **where)
    progress(0.05)
    record = learned_record(f, _METHOD, _OPTIONS, span(progress, 0.05, 0.4))
    bands, record = _drawn(f, record, None, span(progress, 0.4, 0.7))
    surface = _surface_of(f.grid, bands, spacing)
    if before is None:
        return None, surface
    earlier = replace(frame(before, **where), grid=f.grid)
    bands, _ = _drawn(earlier, record, bands, span(progress, 0.7, 1.0))
    return _surface_of(f.grid, bands, max(own, spacing)), surface


def _drawn(f: Frame, record: Record, known, progress) -> tuple:
    """Return the bands of a surface, and its record; ``known`` are those of another one."""
    bands = np.full((3, *f.grid.shape), np.nan, dtype=np.float32)

    def write(rows, cols, part):
        bands[:, rows, cols] = part

    record, _, _ = tiles.draw(
        f,
        record,
        write,
        old_grid=None if known is None else f.grid,
        read=None if known is None else lambda rows, cols: known[:, rows, cols],
        progress=progress,
    )
    return bands, record


def _surface_of(grid, bands, spacing) -> Surface:
    depth, uncertainty, distance = (grid.like(band) for band in bands)
    return Surface(depth, uncertainty, distance, spacing)


def map_figures(
    surface: Surface, soundings: Soundings, scale: Scale, progress: Progress = silent
) -> MapFigures:
    """Return the figures of a map.

    Parameters
    ----------
    surface : Surface
        With all bands.
    soundings : Soundings
        That it was drawn from.
    scale : Scale
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`.lake_statistics.lake_statistics`.
    """
    depth, uncertainty, _ = surface.bands
    share = None
    with suppress(LakefloorError):  # no contour falls within the depths
        _, summary = depth_contours(
            depth,
            interval=scale.interval,
            unit=scale.unit,
            uncertainty=uncertainty,
            shoreline=scale.shoreline,
            progress=span(progress, 0.0, 0.4),
        )
        share = summary["supported"]
    statistics = lake_statistics(
        surface,
        scale.shoreline,
        crs=scale.crs,
        layer=LAYER[scale.unit],
        datum_sd=DATUM_UNCERTAINTY,
        scale_sd=common_share(soundings),
        shoreline_sd=SHORELINE_UNCERTAINTY,
        progress=span(progress, 0.4, 1.0),
    )
    return MapFigures(
        surface,
        int(soundings.accepted.sum()),
        scale.area(np.isfinite(depth.values), depth),
        scale.area(scale.supported(surface), depth),
        share,
        float(np.nanmedian(uncertainty.values)),
        statistics,
    )
