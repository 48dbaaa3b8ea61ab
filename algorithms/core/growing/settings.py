"""What the growing map is drawn with, and where its windows lie."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..surface.smooth_surface import Learned

#: Cells along a side of a window.
WINDOW_CELLS = 256


@dataclass(frozen=True)
class MapSettings:
    """What the growing map is drawn with.

    Attributes
    ----------
    epsg : int or str
        Projected coordinate system in meters.
    cell : float
        Size of a cell, m.
    spacing, max_gap : float
        Lane spacing, and limit of interpolation, m.
    learned : Learned or None
        From an earlier surface of the lake; None until enough is known to learn it.
    shoreline : shapely Polygon or MultiPolygon, or None
    shore_depth : float
        m.
    interval_m : float
        Between contours, m.
    """

    epsg: int | str
    cell: float
    spacing: float
    max_gap: float
    learned: Learned | None = None
    shoreline: object = None
    shore_depth: float = 0.0
    interval_m: float = 0.3048

    @property
    def side(self) -> float:
        """Side of a window, m."""
        return WINDOW_CELLS * self.cell

    def corner(self, key: tuple[int, int]) -> tuple[float, float]:
        """Return the west and the north edge of a window, m.

        Windows are counted from the origin of the coordinate system, columns eastward and rows
        southward, so that a map which grows never renames them.
        """
        return key[0] * self.side, -key[1] * self.side

    def windows_of(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the column and row of the window of each place, int64, shape (n, 2).

        Examples
        --------
        >>> settings = MapSettings(32615, cell=2.0, spacing=20.0, max_gap=50.0)
        >>> settings.windows_of([600.0, -1.0], [-100.0, 100.0]).tolist()
        [[1, 0], [-1, -1]]
        """
        place = np.column_stack([np.asarray(x), -np.asarray(y)])
        return np.floor(place / self.side).astype(np.int64)


@dataclass(frozen=True)
class WindowPicture:
    """What is seen in one window; arrays of cells are :data:`WINDOW_CELLS` square, rows southward.

    Attributes
    ----------
    key : tuple of int
        Column and row of the window.
    west, north, cell : float
        m.
    depth, sigma : array of float32
        Depth and its standard uncertainty, m; NaN where nothing is drawn.
    hardness : array of float32 or None
        0..1; None where none was logged.
    contours : list of (float, bool, array of shape (k, 2))
        Depth in m, whether the soundings support the interval there, and places, m.
    breaklines : list of (str, float, array of shape (k, 2))
        Kind as in :data:`~.structure_names.BREAKLINE_KINDS`, fall from crest to toe in m, and
        places, m.
    stamp : int
        Monotonic time of the newest sounding that is drawn, us; 0 for earlier ones alone.
    neighbors : list of (tuple, list)
        Keys and contours of the neighbors whose lines end at this window.
    """

    key: tuple[int, int]
    west: float
    north: float
    cell: float
    depth: np.ndarray
    sigma: np.ndarray
    hardness: np.ndarray | None = None
    contours: list = field(default_factory=list)
    breaklines: list = field(default_factory=list)
    stamp: int = 0
    neighbors: list = field(default_factory=list)
