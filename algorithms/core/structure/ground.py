"""A depth surface with the structure found on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ..errors import LakefloorError
from ..grid import Areas, Grid, Lines
from ..terrain import position, slope
from .structure_names import DEEP_SHARE

#: Radius of the surroundings whose mean depth tells what rises above them, m.
SURROUNDINGS_M = 40.0


@dataclass(frozen=True)
class Ground:
    """A depth surface and the structure found on it; what is not known is None.

    Attributes
    ----------
    depth, uncertainty, distance : Grid
        Depth, its standard uncertainty and the distance to the nearest sounding, m.
    hardness, hardness_sd, bottom_class, class_probability : Grid
        Relative hardness 0..1, its standard uncertainty, class (1 soft, 2 medium, 3 hard) and
        the probability of the class. Their cells may differ from those of ``depth``.
    breaklines : Lines
        Attributes as those of :func:`.breaklines.breaklines`; only ``kind`` is needed.
    transitions : Lines
        Where hard bottom gives way to soft; a line whose attribute ``supported`` is 0 does not
        count.
    forms : Areas
        Attribute ``form``, one of :data:`.form_ground.FORMS`; ``relief_m`` where known.
    deep_m : float
        Depth from which water is deep, m; by default the depth that three quarters of the
        mapped bottom do not reach.
    crs : int or str
        Projected coordinate system, for directions from true north. Without it they are from
        grid north.
    """

    depth: Grid
    uncertainty: Grid | None = None
    distance: Grid | None = None
    hardness: Grid | None = None
    hardness_sd: Grid | None = None
    bottom_class: Grid | None = None
    class_probability: Grid | None = None
    breaklines: Lines | None = None
    transitions: Lines | None = None
    forms: Areas | None = None
    deep_m: float | None = None
    crs: int | str | None = None
    _kept: dict = field(default_factory=dict, init=False, repr=False, compare=False)

    def has(self, layer: str) -> bool:
        """Tell whether a layer, named as in :data:`..places.targets.LAYER_OF`, is there."""
        return {
            "breaklines": self.breaklines,
            "transitions": self.transitions,
            "bottom type": self.bottom_class or self.hardness,
            "bottom forms": self.forms,
            "depth surface": self.depth,
        }[layer] is not None

    def once(self, name: str, make: Callable[[], Any]) -> Any:
        """Return ``make()``, computed at the first call under this name."""
        if name not in self._kept:
            self._kept[name] = make()
        return self._kept[name]

    @property
    def slope_percent(self) -> Grid:
        """Slope of the surface, percent."""
        return self.once("slope", lambda: slope(self.depth)[1])

    @property
    def rise(self) -> Grid:
        """How far the bottom rises above the mean of its surroundings, m."""
        return self.once("rise", lambda: position(self.depth, 0.0, SURROUNDINGS_M))

    @property
    def deep_from(self) -> float:
        """Depth from which water is deep, m."""
        if self.deep_m is not None:
            return self.deep_m
        return self.once("deep", lambda: float(np.nanquantile(self.depth.values, DEEP_SHARE)))


def check_ground(ground: Ground) -> None:
    """Refuse a surface without depths, or in negative depths.

    Raises
    ------
    LakefloorError
        Also if breaklines or forms lack the attribute that tells their kind.
    """
    known = ground.depth.values[np.isfinite(ground.depth.values)]
    if not known.size:
        raise LakefloorError("The depth surface has no depths. Choose another raster.")
    if np.mean(known < 0) > 0.5:
        raise LakefloorError(
            "Most depths of the surface are negative, but depth is positive down, in meters. If "
            "the raster has elevations, subtract them from the lake level first."
        )
    for what, layer, name, maker in (
        ("breaklines", ground.breaklines, "kind", "Breaklines (drop-offs)"),
        ("bottom forms", ground.forms, "form", "Bottom forms"),
    ):
        if layer is not None and name not in layer.attributes:
            raise LakefloorError(
                f"The layer of {what} has no field '{name}'. Choose the layer that {maker} makes."
            )


def at_cells(grid: Grid, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the value of the cell that each position lies in, NaN off the grid."""
    row, col = (np.floor(v + 0.5) for v in grid.rows_cols(x, y))
    ok = (row >= 0) & (row < grid.shape[0]) & (col >= 0) & (col < grid.shape[1])
    out = np.full(np.shape(row), np.nan)
    out[ok] = grid.values[row[ok].astype(int), col[ok].astype(int)]
    return out


def cells_of(grid: Grid) -> tuple:
    """Return the eastings and northings of the cells that have a value, and their mask."""
    known = np.isfinite(grid.values)
    row, col = np.nonzero(known)
    return grid.x[col], grid.y[row], known
