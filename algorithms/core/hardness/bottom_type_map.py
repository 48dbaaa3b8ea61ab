"""A map of bottom type: hardness, classes, and what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..chart.contour_domain import cells_polygon
from ..grid import Areas, Grid
from .depth_slope_trend import HardnessTrend
from .mixture import Mixture
from .observations import LoggedHardness
from .sample_calibration import CLASS_NAMES, Calibration
from .visit_gains import VisitGains


@dataclass(frozen=True)
class BottomTypeMap:
    """A map of bottom hardness and what it rests on.

    Attributes
    ----------
    hardness, uncertainty : Grid
        Relative hardness 0..1, adjusted and freed from depth and slope, and one standard
        deviation of it.
    bottom : Grid
        1 soft, 2 medium, 3 hard; NaN where hardness shows a single class.
    probability : Grid
        Of that class.
    distance : Grid
        To the nearest observation used, m.
    classes : tuple of str
        Names of the classes told apart, from soft to hard; empty for a single one.
    thresholds : array, shape (len(classes) - 1,)
        Hardness that parts each class from the next.
    mixture : Mixture
        The one chosen.
    tried : list of Mixture
        With 1, 2 and 3 classes.
    trend : HardnessTrend
    gains : VisitGains
    logged : LoggedHardness
    used : bool array, shape (n,)
        Observations that made the map: adjusted, and not too steep.
    adjusted, reduced : array, shape (n,)
        Hardness of the observations after adjustment, and after the trend too.
    calibration : Calibration or None
    spacing : float
        Lane spacing, m.
    notes : list of str
        What to bear in mind, in plain words.
    """

    hardness: Grid
    uncertainty: Grid
    bottom: Grid
    probability: Grid
    distance: Grid
    classes: tuple
    thresholds: np.ndarray
    mixture: Mixture
    tried: list
    trend: HardnessTrend
    gains: VisitGains
    logged: LoggedHardness
    used: np.ndarray
    adjusted: np.ndarray
    reduced: np.ndarray
    calibration: Calibration | None
    spacing: float
    notes: list = field(default_factory=list)

    @property
    def median_uncertainty(self) -> float:
        """Median of the cells' standard deviations."""
        return float(np.nanmedian(self.uncertainty.values))

    @property
    def shares(self) -> dict:
        """Share of the mapped area by class name."""
        area = np.isfinite(self.bottom.values)
        return {
            name: float(np.mean(self.bottom.values[area] == CLASS_NAMES.index(name) + 1))
            for name in self.classes
        }


def thresholds_text(thresholds: Sequence[float]) -> str:
    """Return thresholds as a raster's metadata hold them; :func:`read_thresholds` reads it.

    >>> thresholds_text([0.41234, 0.6]), thresholds_text([])
    ('0.4123;0.6', 'none')
    """
    # GDAL drops empty items.
    return ";".join(str(round(float(value), 4)) for value in thresholds) or "none"


def read_thresholds(text: str) -> list[float]:
    """Return the thresholds that a raster's metadata hold; none for a single class.

    >>> read_thresholds("0.4123;0.6"), read_thresholds("none")
    ([0.4123, 0.6], [])
    """
    return [] if text == "none" else [float(value) for value in text.split(";")]


def class_areas(result: BottomTypeMap) -> Areas:
    """Return one polygon a class, along the cells' edges.

    Returns
    -------
    Areas
        With ``bottom`` (soft, medium, hard), ``area_m2`` (in the plane of the map) and
        ``share`` of the area mapped.
    """
    grid, shares = result.bottom, result.shares
    polygons, attributes = [], {"bottom": [], "area_m2": [], "share": []}
    for name in result.classes:
        mask = grid.values == CLASS_NAMES.index(name) + 1
        if not mask.any():
            continue
        polygons.append(cells_polygon(mask, grid))
        attributes["bottom"].append(name)
        attributes["area_m2"].append(float(mask.sum() * grid.dx * grid.dy))
        attributes["share"].append(shares[name])
    return Areas(polygons, attributes)
