"""Areas and volumes of a lake by depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..ellipsoid import polygon_area
from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..polygons import inside
from ..progress import Progress, silent, span
from .lake_cells import NO_CELL_WITHIN
from .lake_mesh import lake_mesh, open_mesh

# Least half-width, m, of the depth range over which the change of area with depth is taken.
_LEAST_WIDTH = 0.01


@dataclass(frozen=True)
class Hypsograph:
    """Areas and volumes of a lake at depths below the datum, on the ellipsoid.

    Attributes
    ----------
    depth : array, shape (n,)
        m below the datum, rising; below 0 for lake levels above it.
    area : array, shape (n,)
        Where the bottom is at that depth or deeper, m2.
    volume : array, shape (n,)
        Below that depth, m3.
    length : array, shape (n,)
        Of the depth contour, m; the water's edge at that level.
    slope : array, shape (n,)
        Mean slope of the bottom at that depth or deeper, m per m; NaN where there is none.
    spread, spread_squared : array, shape (n,)
        Integral of the standard uncertainty of depth (m3), and of its square (m4), over ``area``.
    area_sd, volume_sd : array, shape (n,)
        Standard uncertainties, m2 and m3.
    datum_sd, correlation_length : float
        As used for them, m; an infinite length is one error for the whole lake.
    scale_sd : float
        As used for them, a share of depth.
    max_depth, max_depth_sd : float
        Deepest cell below the datum and its standard uncertainty, m.
    deepest : tuple
        Easting and northing of that cell, m.
    shoreline_area : float
        Within the shoreline, m2.
    mapped_area : float
        The part of it that has depth, m2.
    exposed : float
        Share of the cells within the shoreline that were above the datum and count as 0.
    """

    depth: np.ndarray
    area: np.ndarray
    volume: np.ndarray
    length: np.ndarray
    slope: np.ndarray
    spread: np.ndarray
    spread_squared: np.ndarray
    area_sd: np.ndarray
    volume_sd: np.ndarray
    datum_sd: float
    correlation_length: float
    scale_sd: float
    max_depth: float
    max_depth_sd: float
    deepest: tuple
    shoreline_area: float
    mapped_area: float
    exposed: float

    def layer_sd(self, at: np.ndarray) -> np.ndarray:
        """Return the standard uncertainty, m3, of the volumes between depths.

        Parameters
        ----------
        at : array of int, shape (k,)
            Numbers of the depths, rising.

        Returns
        -------
        array, shape (k - 1,)
        """
        deep = _depth_integral(self.depth, self.area, self.volume)
        lost = (-np.diff(v[at]) for v in (self.area, deep, self.spread, self.spread_squared))
        area, depth, spread, squared = lost
        scales = self.datum_sd, self.scale_sd, self.correlation_length
        return _volume_sd(area, depth, spread, squared, *scales)


def hypsograph(
    depth: Grid,
    shoreline: BaseGeometry,
    depths: np.ndarray,
    *,
    crs: int | str | None = None,
    uncertainty: Grid | None = None,
    correlation_length: float = np.inf,
    datum_sd: float = 0.0,
    scale_sd: float = 0.0,
    cut: BaseGeometry | None = None,
    progress: Progress = silent,
) -> Hypsograph:
    """Return areas and volumes of a lake at depths.

    Parameters
    ----------
    depth : Grid
        Depth below the datum, m, positive down; NaN where there is none.
    shoreline : Polygon or MultiPolygon
        Depth 0; islands are holes.
    depths : array, shape (n,)
        m below the datum, rising; those below 0 need the land as negative depths.
    crs : int or str, optional
        Projected coordinate system, for areas on the ellipsoid; without one, areas are those
        of the map.
    uncertainty : Grid, optional
        One standard deviation of depth, m, of the same geometry; without one it counts as 0.
    correlation_length : float
        Distance over which errors of depth fade, m: exp(-(d / length)^2). Infinite takes the
        whole uncertainty as one error of the whole lake.
    datum_sd : float
        Standard uncertainty of the datum, m, the same everywhere.
    scale_sd : float
        Standard uncertainty of the scale of depths, a share of depth, the same everywhere, such
        as that of an unknown sound speed.
    cut : MultiLineString, optional
        Edges of the shoreline that are no shore.
    progress : callable

    Raises
    ------
    LakefloorError
        If the shoreline, a grid or a parameter cannot be used.

    Notes
    -----
    The bottom is the triangulation of :func:`.lake_mesh.lake_mesh`. Area and volume below a
    depth are exact for it: a triangle that the depth cuts is cut along a straight line. The
    mean slope is the mean of the triangles' slopes; it is what the handbooks' sum of contour
    lengths, I (L0/2 + L1 + ...) / A, comes to for a small contour interval I.

    An error of the datum shifts every depth alike: it does not average out and changes the
    volume by area times error. Nor does an error of the scale of depths, which changes a volume
    by its share of the integral of depth. Errors of single depths average out over the area:
    with the correlation above the variance of the volume is pi length^2 times the integral of
    the squared uncertainty, and never more than if all errors were one. An area changes by its
    rate of change with depth times the error of depth, where the errors along the contour
    average out over every sqrt(pi) lengths. All parts are added as squares.

    Examples
    --------
    A square basin of 200 m that is 3 m deep all over, but for its shore:

    >>> from shapely.geometry import box
    >>> depth = Grid(np.full((22, 22), 3.0), -10.0, 210.0, 10.0, 10.0)
    >>> curve = hypsograph(depth, box(0.0, 0.0, 200.0, 200.0), np.array([0.0, 1.5]))
    >>> round(float(curve.area[0])), curve.max_depth
    (40000, 3.0)
    >>> bool(100_000.0 < curve.volume[0] < 120_000.0)
    True

    References
    ----------
    Hutchinson, G. E. (1957). A Treatise on Limnology, vol. 1. Wiley, 164-177.
    Hakanson, L. (1981). A Manual of Lake Morphometry. Springer.
    """
    z = np.asarray(depths, dtype=float)
    _check(z, datum_sd, scale_sd, correlation_length)
    above, below = _around(z, datum_sd, uncertainty)
    every = np.unique(np.concatenate([above, z, below]))
    mesh = lake_mesh(
        depth,
        shoreline,
        crs=crs,
        uncertainty=uncertainty,
        depths=every,
        cut=cut,
        progress=span(progress, 0.0, 0.3),
    )
    sums, mapped = _sums(mesh, every, span(progress, 0.3, 1.0))
    area, volume, length, rise, spread, squared = sums[:, np.searchsorted(every, z)]
    rate, contour = _along_contours(
        sums, every, np.searchsorted(every, above), np.searchsorted(every, below)
    )
    samples = np.maximum(length / (np.sqrt(np.pi) * correlation_length), 1.0)
    shared = datum_sd**2 + (scale_sd * z) ** 2
    deep = _depth_integral(z, area, volume)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(area > 0, rise / area, np.nan)
    row, col, deepest = _deepest_cell(mesh)
    return Hypsograph(
        z,
        area,
        volume,
        length,
        slope,
        spread,
        squared,
        rate * np.sqrt(shared + contour / samples),
        _volume_sd(area, deep, spread, squared, datum_sd, scale_sd, correlation_length),
        float(datum_sd),
        float(correlation_length),
        float(scale_sd),
        deepest,
        float(np.sqrt(datum_sd**2 + (scale_sd * deepest) ** 2 + mesh.uncertainty[row, col] ** 2)),
        (float(mesh.depth.x[col]), float(mesh.depth.y[row])),
        shoreline.area if crs is None else polygon_area(shoreline, crs),
        mapped,
        mesh.exposed,
    )


def _check(z, datum_sd, scale_sd, correlation_length):
    if z.ndim != 1 or z.size == 0 or not np.all(np.isfinite(z)) or np.any(np.diff(z) <= 0):
        raise LakefloorError("Depths for areas and volumes must be numbers that rise.")
    if not (np.isfinite(datum_sd) and datum_sd >= 0):
        raise LakefloorError(
            f"The uncertainty of the datum must be 0 m or more; got {written(datum_sd)}."
        )
    if not 0.0 <= scale_sd < 1.0:
        raise LakefloorError(
            f"The uncertainty of the scale of depths must be a share from 0 to below 1; got "
            f"{written(scale_sd)}."
        )
    if not correlation_length > 0:
        raise LakefloorError(
            f"The correlation length must be above 0 m; got {written(correlation_length)}."
        )


def _around(z, datum_sd, uncertainty) -> tuple:
    """Return the depths above and below each, between which the change of area is taken."""
    typical = 0.0
    if uncertainty is not None and np.isfinite(uncertainty.values).any():
        typical = float(np.nanmedian(uncertainty.values))
    width = max(float(np.hypot(datum_sd, typical)), _LEAST_WIDTH)
    # No shallower than the levels asked for: land is known that far only.
    return np.maximum(z - width, min(z[0], 0.0)), z + width


def _sums(mesh, every, progress) -> tuple:
    """Return :func:`_integrate` of all triangles, and the area that has depth, m2."""
    sums, mapped = np.zeros((6, len(every))), 0.0
    for triangles in mesh.blocks(progress):
        sums += _integrate(triangles, every)
        mapped += float(triangles.area[triangles.reach == len(every)].sum())
    return sums, mapped


def _along_contours(sums, every, above, below) -> tuple:
    """Return the change of area with depth, m2 per m, and the mean squared uncertainty there."""
    lost = sums[0, above] - sums[0, below]
    with np.errstate(divide="ignore", invalid="ignore"):
        contour = np.where(lost > 0, (sums[5, above] - sums[5, below]) / lost, 0.0)
    return lost / (every[below] - every[above]), contour


def _deepest_cell(mesh) -> tuple:
    inner = np.where(mesh.lake, mesh.depth.values, np.nan)
    row, col = np.unravel_index(np.nanargmax(inner), inner.shape)
    return row, col, float(inner[row, col])


def below_level(depth: Grid, level: float, crs: int | str | None = None) -> tuple:
    """Return the area, m2, at a depth or deeper and the volume below it, m3, of a raster.

    Only squares between four cells with a value count. ``level`` is a depth, m; ``crs`` as for
    :func:`hypsograph`.
    """
    sums = sum(
        _integrate(triangles, np.array([float(level)]))
        for triangles in open_mesh(depth, crs).blocks()
    )
    return float(sums[0, 0]), float(sums[1, 0])


def deepest_within(depth: Grid, shoreline: BaseGeometry) -> float:
    """Return the greatest depth, m, of the cells within a shoreline.

    Raises
    ------
    LakefloorError
        If no cell with a value lies there.
    """
    values = depth.values[inside(shoreline, depth)]
    values = values[np.isfinite(values)]
    if not values.size:
        raise LakefloorError(NO_CELL_WITHIN)
    return float(values.max())


def curve_of_bands(tops: np.ndarray, bottoms: np.ndarray, areas: np.ndarray) -> tuple | None:
    """Return the hypsographic curve that depth bands give.

    Parameters
    ----------
    tops, bottoms : array, shape (n,)
        Depth limits, m; a deepest band without a lower limit ends at its upper one.
    areas : array, shape (n,)
        m2.

    Returns
    -------
    depth : array, shape (k,)
        Limits of the bands, m, rising.
    area : array, shape (k,)
        At that depth or deeper, m2.
    None where the bands have fewer than two limits, as of a pond shallower than one interval.
    """
    tops, areas = np.asarray(tops, dtype=float), np.asarray(areas, dtype=float)
    bottoms = np.asarray(bottoms, dtype=float)
    depth = np.unique(np.round(np.concatenate([tops, bottoms[np.isfinite(bottoms)]]), 6))
    if len(depth) < 2:
        return None
    return depth, np.array([areas[tops >= d - 1e-6].sum() for d in depth])


def _depth_integral(depth, area, volume) -> np.ndarray:
    """Return the integral of depth below the datum, m3, over the area at a depth or deeper."""
    return volume + depth * area


def _volume_sd(area, deep, spread, squared, datum_sd, scale_sd, correlation_length) -> np.ndarray:
    together = spread**2
    if np.isfinite(correlation_length):
        together = np.minimum(np.pi * correlation_length**2 * squared, together)
    return np.sqrt((area * datum_sd) ** 2 + (deep * scale_sd) ** 2 + np.maximum(together, 0.0))


def _integrate(triangles, levels) -> np.ndarray:
    """Integrate over the parts of triangles that lie at levels or deeper.

    Returns
    -------
    array, shape (6, n)
        Area, volume below the level, length of its contour, and the integrals of slope,
        uncertainty and squared uncertainty.
    """
    n = len(levels)
    z = np.sort(triangles.depth, axis=1)
    a, reach = triangles.area, triangles.reach
    flat = z[:, 2] <= z[:, 0]
    # A triangle lies wholly below the first ``whole`` levels, and the next ones cut it.
    whole = np.searchsorted(levels, z[:, 0])
    whole[flat] = np.searchsorted(levels, z[flat, 0], side="right")
    stop = np.minimum(np.maximum(whole, np.searchsorted(levels, z[:, 2])), reach)
    whole = np.minimum(whole, reach)

    weights = np.column_stack(
        [np.ones(len(a)), triangles.slope, triangles.uncertainty, triangles.uncertainty**2]
    )

    def below(values):
        """Sum values of triangles over the levels that each lies wholly below."""
        count = np.bincount(whole, weights=values, minlength=n + 1)
        return count[:0:-1].cumsum()[::-1]

    out = np.zeros((6, n))
    for row, weight in zip((0, 3, 4, 5), weights.T):
        out[row] = below(a * weight)
    out[1] = below(a * z.mean(axis=1)) - levels * out[0]

    count = stop - whole
    cut = np.repeat(np.arange(len(a)), count)
    at = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + whole[cut]
    level = levels[at]
    z0, z1, z2 = z[cut].T
    a, slope = a[cut], triangles.slope[cut]
    upper = level >= z1
    # Above the middle corner the part that is left out is a triangle, below it the part
    # that is kept; both shrink as the square of their height.
    height = np.where(upper, z2 - level, level - z0)
    across = (z2 - z0) * np.where(upper, z2 - z1, z1 - z0)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(across > 0, height**2 / across, 0.0)
        rate = np.where(across > 0, 2.0 * height / across, 0.0)
    area = np.where(upper, part, 1.0 - part)
    column = part * height / 3.0 + np.where(upper, 0.0, (z0 + z1 + z2) / 3.0 - level)

    def add(row, values):
        out[row] += np.bincount(at, weights=values, minlength=n)

    add(1, a * column)
    # A contour cuts a triangle over the change of its area with depth, times its slope.
    add(2, a * rate * slope)
    for row, weight in zip((0, 3, 4, 5), weights[cut].T):
        add(row, a * area * weight)
    return out


def layer_volumes(depth: np.ndarray, area: np.ndarray) -> np.ndarray:
    """Return the volumes of layers between contours by the truncated-cone formula.

    The handbooks' V = h / 3 (A1 + A2 + sqrt(A1 A2)); the last layer is a cone where the last
    area is 0.

    Parameters
    ----------
    depth : array, shape (n,)
        Rising, m.
    area : array, shape (n,)
        Within each contour, m2, not rising.

    Returns
    -------
    array, shape (n - 1,)
        m3.

    Raises
    ------
    LakefloorError
        If the depths do not rise, or an area is below 0 or above the one before.

    Examples
    --------
    A cone of base area 12 m2 and depth 2 m holds 8 m3, seven eighths of it in its upper half:

    >>> layer_volumes([0.0, 1.0, 2.0], [12.0, 3.0, 0.0]).tolist()
    [7.0, 1.0]

    References
    ----------
    Hutchinson, G. E. (1957). A Treatise on Limnology, vol. 1. Wiley, 166.
    Taube, C. M. (2000). Instructions for winter lake mapping. In Manual of Fisheries Survey
    Methods II, Michigan Department of Natural Resources, Fisheries Special Report 25, ch. 12.
    """
    depth, area = np.asarray(depth, dtype=float), np.asarray(area, dtype=float)
    if depth.shape != area.shape or depth.ndim != 1 or len(depth) < 2:
        raise LakefloorError("Layers need two or more depths, and an area for each.")
    if not np.all(np.diff(depth) > 0):
        raise LakefloorError("The depths of the layers must rise.")
    bad = np.flatnonzero(~(area >= 0) | np.append(False, np.diff(area) > 0))
    if bad.size:
        raise LakefloorError(
            f"The area at depth {written(depth[bad[0]], 'g')} m is {written(area[bad[0]], 'g')} "
            "m²; areas must be 0 or more and must not grow with depth."
        )
    top, bottom = area[:-1], area[1:]
    return np.diff(depth) / 3.0 * (top + bottom + np.sqrt(top * bottom))
