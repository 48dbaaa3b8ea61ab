"""Which depths are contoured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..units import LENGTH

MAX_CONTOURS = 2000

# A depth within 10 micrometers of a level is at the level: the rounding of
# 32-bit rasters at lake depths, far below what any sounder resolves.
AT_LEVEL = 1e-5


@dataclass(frozen=True)
class ContourInterval:
    """Depths at whole numbers of intervals from a base.

    Attributes
    ----------
    interval, base : float
        In ``unit``.
    unit : {"ft", "m"}

    Raises
    ------
    LakefloorError
        If the unit is unknown, the interval not above 0, or the base no number.

    Examples
    --------
    >>> every = ContourInterval(2.0, "ft")
    >>> [round(float(depth), 4) for depth in every.depths(np.array([1, 2]))]
    [0.6096, 1.2192]
    >>> every.figure(3)
    6.0
    """

    interval: float
    unit: str = "ft"
    base: float = 0.0

    def __post_init__(self) -> None:
        if self.unit not in LENGTH:
            raise LakefloorError(f"Unit '{self.unit}' is unknown. Choose 'ft' or 'm'.")
        if not (np.isfinite(self.interval) and self.interval > 0):
            raise LakefloorError(
                f"The contour interval must be above 0 {self.unit}, not "
                f"{written(self.interval, 'g')}."
            )
        if not np.isfinite(self.base):
            raise LakefloorError(f"The base of the contours must be a number, not {self.base}.")

    @property
    def meters(self) -> float:
        """Meters per unit."""
        return LENGTH[self.unit]

    def steps(self, surface: Grid) -> np.ndarray:
        """Return the whole numbers of intervals within the depths of a surface.

        Raises
        ------
        LakefloorError
            If there are more than :data:`MAX_CONTOURS`.
        """
        low, high = np.nanmin(surface.values) - AT_LEVEL, np.nanmax(surface.values) + AT_LEVEL
        first = np.ceil((low / self.meters - self.base) / self.interval)
        last = np.floor((high / self.meters - self.base) / self.interval)
        if last - first >= MAX_CONTOURS:
            raise LakefloorError(
                f"An interval of {written(self.interval, 'g')} gives {last - first + 1:.0f} "
                f"contours, but at most {MAX_CONTOURS} are drawn. Choose a wider interval, and "
                "check that the raster is in meters."
            )
        return np.arange(first, last + 1)

    def depths(self, steps: np.ndarray) -> np.ndarray:
        """Return the depths at whole numbers of intervals, m."""
        return np.round(self.base + steps * self.interval, 9) * self.meters

    def figure(self, step: float) -> float:
        """Return the depth at a whole number of intervals, in the unit, as it is printed."""
        return round(self.base + step * self.interval, 9) + 0.0


def snapped(surface: Grid, levels: np.ndarray) -> Grid:
    """Put depths that differ from a level by rounding only at the level."""
    if not len(levels):
        return surface
    values = surface.values
    after = np.searchsorted(levels, values).clip(1, max(len(levels) - 1, 1))
    below, above = levels[after - 1], levels[np.minimum(after, len(levels) - 1)]
    nearest = np.where(values - below < above - values, below, above)
    return surface.like(np.where(np.abs(values - nearest) <= AT_LEVEL, nearest, values))
