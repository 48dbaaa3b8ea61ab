"""Regular grids, surfaces and lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from .errors import LakefloorError


@dataclass(frozen=True)
class Grid:
    """A north-up raster band.

    Attributes
    ----------
    values : array, shape (rows, cols), float64
        NaN where there is no value; row 0 is the northern row.
    west, north : float
        Outer edge of the north-western cell, m.
    dx, dy : float
        Cell size east-west and north-south, m, both positive.
    """

    values: np.ndarray
    west: float
    north: float
    dx: float
    dy: float

    @property
    def shape(self) -> tuple:
        """Number of rows and columns."""
        return self.values.shape

    @property
    def x(self) -> np.ndarray:
        """Eastings of the cell centers, shape (cols,), m."""
        return self.west + (np.arange(self.shape[1]) + 0.5) * self.dx

    @property
    def y(self) -> np.ndarray:
        """Northings of the cell centers, shape (rows,), m, from north to south."""
        return self.north - (np.arange(self.shape[0]) + 0.5) * self.dy

    @property
    def bounds(self) -> tuple:
        """West, south, east, north, m."""
        rows, cols = self.shape
        return self.west, self.north - rows * self.dy, self.west + cols * self.dx, self.north

    @property
    def cell_area(self) -> float:
        """Area of a cell, m²."""
        return self.dx * self.dy

    def like(self, values: ArrayLike) -> Grid:
        """Return a grid of the same geometry with other values.

        Raises
        ------
        LakefloorError
            If the values have another shape.
        """
        values = np.asarray(values, dtype=float)
        if values.shape != self.shape:
            raise LakefloorError(f"Grid values have shape {values.shape}, expected {self.shape}.")
        return replace(self, values=values)

    def rows_cols(self, x: ArrayLike, y: ArrayLike) -> tuple:
        """Return fractional row and column of positions, 0 at the first cell center."""
        cols = (np.asarray(x, dtype=float) - self.west) / self.dx - 0.5
        rows = (self.north - np.asarray(y, dtype=float)) / self.dy - 0.5
        return rows, cols

    def sample(self, x: ArrayLike, y: ArrayLike) -> np.ndarray:
        """Return values at positions, bilinear between cell centers.

        Parameters
        ----------
        x, y : array, shape (n,)
            Positions, m.

        Returns
        -------
        array, shape (n,)
            Nearest cell where a neighbor is missing; NaN off the grid or on a
            cell without value.
        """
        rows, cols = self.rows_cols(x, y)
        n_rows, n_cols = self.shape
        inside = (rows >= -0.5) & (rows < n_rows - 0.5) & (cols >= -0.5) & (cols < n_cols - 0.5)
        out = np.full(np.shape(rows), np.nan)
        r = np.clip(rows[inside], 0, n_rows - 1)
        c = np.clip(cols[inside], 0, n_cols - 1)
        r0 = np.clip(np.floor(r).astype(int), 0, max(n_rows - 2, 0))
        c0 = np.clip(np.floor(c).astype(int), 0, max(n_cols - 2, 0))
        r1, c1 = np.minimum(r0 + 1, n_rows - 1), np.minimum(c0 + 1, n_cols - 1)
        fr, fc = r - r0, c - c0
        v = self.values
        north = v[r0, c0] * (1 - fc) + v[r0, c1] * fc
        south = v[r1, c0] * (1 - fc) + v[r1, c1] * fc
        value = north * (1 - fr) + south * fr
        nearest = v[np.rint(r).astype(int), np.rint(c).astype(int)]
        out[inside] = np.where(np.isfinite(value), value, nearest)
        return out


def empty_grid(bounds: Sequence[float], cell: float) -> Grid:
    """Return a grid of NaN that can be written to; see :func:`grid_over`."""
    grid = grid_over(bounds, cell)
    return replace(grid, values=np.full(grid.shape, np.nan))


def grid_over(bounds: Sequence[float], cell: float) -> Grid:
    """Return a grid that covers ``bounds``, its edges on multiples of ``cell``.

    Snapped edges let grids of several runs fall on each other cell by cell. The values are
    one NaN, seen many times: they take no memory and cannot be written to.

    Parameters
    ----------
    bounds : tuple
        West, south, east, north, m.
    cell : float
        Cell size, m.

    Raises
    ------
    LakefloorError
        If the cell size is not above 0, a bound is not finite, or there would be more than 400
        million cells.

    Examples
    --------
    >>> grid = grid_over((3.0, 4.0, 21.0, 12.0), 5.0)
    >>> grid.shape, grid.bounds
    ((3, 5), (0.0, 0.0, 25.0, 15.0))
    """
    if not (np.isfinite(cell) and cell > 0):
        raise LakefloorError(f"Cell size must be above 0 m, not {cell} m.")
    if not np.all(np.isfinite(bounds)):
        raise LakefloorError(
            f"Extent {bounds} has a value that is not a number. Check the positions."
        )
    west, south, east, north = bounds
    left, bottom = np.floor(west / cell), np.floor(south / cell)
    cols = max(int(np.ceil(round((east - left * cell) / cell, 6))), 1)
    rows = max(int(np.ceil(round((north - bottom * cell) / cell, 6))), 1)
    if rows * cols > 400_000_000:
        raise LakefloorError(
            f"A grid of {rows} x {cols} cells is too large. Choose a cell size above {cell} m."
        )
    void = np.broadcast_to(np.nan, (rows, cols))
    return Grid(void, float(left * cell), float((bottom + rows) * cell), cell, cell)


@dataclass(frozen=True)
class Surface:
    """A depth surface: grids of one geometry.

    Attributes
    ----------
    depth : Grid
        m, positive down.
    uncertainty : Grid, optional
        One standard deviation of depth, m.
    distance : Grid, optional
        Distance to the nearest sounding, m.
    spacing : float, optional
        Lane spacing with which it was drawn, m; see :func:`~.spacing.surface_spacing`.
    """

    depth: Grid
    uncertainty: Grid | None = None
    distance: Grid | None = None
    spacing: float | None = None

    @property
    def bands(self) -> tuple[Grid, Grid, Grid]:
        """Depth, uncertainty and distance.

        Raises
        ------
        LakefloorError
            If one is missing.
        """
        if self.uncertainty is None or self.distance is None:
            raise LakefloorError(
                "The surface has no uncertainty or no distance to the soundings. Choose a surface "
                "that Lakefloor made."
            )
        return self.depth, self.uncertainty, self.distance

    def check_shapes(self) -> None:
        """Raise a LakefloorError unless all grids have the shape of the depths."""
        for name, grid in (("Uncertainty", self.uncertainty), ("Distance", self.distance)):
            if grid is not None and grid.shape != self.depth.shape:
                raise LakefloorError(
                    f"{name} has the shape {grid.shape}, but depth has {self.depth.shape}. Give "
                    "all grids the same cells."
                )


@dataclass(frozen=True)
class Lines:
    """Lines with attributes.

    Attributes
    ----------
    coords : list of array, shape (k, 2)
        Vertices, m.
    attributes : dict of str to sequence
        One value a line under each name.
    """

    coords: list
    attributes: dict = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.coords)


@dataclass(frozen=True)
class Areas:
    """Polygons (shapely Polygon or MultiPolygon) with attributes, as :class:`Lines`."""

    polygons: list
    attributes: dict = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.polygons)
