"""Where a surface is too uncertain for a contour interval, in coarse cells, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import distance_transform_edt, label
from scipy.optimize import least_squares
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from ..chart.contour_domain import cells_polygon
from ..chart.support import NORMAL_95, SUPPORT
from ..errors import LakefloorError
from ..grid import Areas, Grid, Surface
from ..number_text import written
from ..polygons import inside
from ..spacing import surface_spacing
from ..terrain import gradient
from ..units import LENGTH

#: Names of the attributes of gaps.
GAP_ATTRIBUTES = (
    "rank", "area_m2", "uncert_m", "uncert_max_m", "distance_max_m", "slope_pct", "gain_m3",
    "lanes_m", "after_m", "why",
)  # fmt: skip

#: A slope of this many meters a meter counts a place double.
STEEP = 0.1
_CELLS_A_SPACING = 4.0
_CLASSES = 20
_MOST_CELLS = 60_000
_GAP_SIDE, _LEAST_GAP = 12.0, 2.0
# No lane lowers the uncertainty below that at the soundings: gaps begin this far above it.
_ABOVE_NOISE = 1.2


def check_known(surface: Surface, above_zero: dict) -> None:
    """Raise a LakefloorError unless the gaps of a surface are known and the figures above 0."""
    if surface.uncertainty is None or surface.distance is None:
        raise LakefloorError(
            "The surface has no uncertainty band and distance band, so gaps are not known. Make it "
            "with 'TIN surface', 'IDW surface' or 'Smooth surface'."
        )
    for name, value in above_zero.items():
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {written(value, 'g')}. Give one above 0.")
    if not drawn_cells(surface).any():
        raise LakefloorError(
            "The uncertainty band or the distance band of the surface is empty. Make the surface "
            "again."
        )


def drawn_cells(surface: Surface) -> np.ndarray:
    """Return a mask of the cells whose uncertainty and distance are known."""
    _, uncertainty, distance = surface.bands
    return np.isfinite(uncertainty.values) & np.isfinite(distance.values)


def spacing_to_come(surface: Surface) -> float:
    """Return half of the spacing of the lanes so far, m, and at least two cells."""
    return max(surface_spacing(surface.spacing, surface.distance) / 2.0, 2.0 * surface.depth.dx)


@dataclass(frozen=True)
class UncertaintyLaw:
    """How the standard uncertainty of a surface grows with the distance to a sounding.

    ``sigma^2 = noise^2 + (scale d^power)^2``, m.

    >>> law = UncertaintyLaw(noise=0.05, scale=0.02, power=1.0)
    >>> round(float(law.of(20.0)), 3)
    0.403
    >>> round(float(law.nearer(law.of(20.0), 20.0, 10.0)), 3)
    0.206
    """

    noise: float
    scale: float
    power: float

    def of(self, distance: ArrayLike) -> np.ndarray:
        """Return the standard uncertainty at a distance, m."""
        return np.hypot(self.noise, self.scale * np.asarray(distance) ** self.power)

    def nearer(self, sigma: ArrayLike, distance: ArrayLike, new_distance: ArrayLike) -> np.ndarray:
        """Return the uncertainty of places once a sounding lies at ``new_distance``, m."""
        noise = np.minimum(sigma, self.noise)
        share = np.minimum(new_distance / np.maximum(distance, 1e-9), 1.0)
        return np.sqrt(noise**2 + (sigma**2 - noise**2) * share ** (2.0 * self.power))


def fit_uncertainty_law(sigma: ArrayLike, distance: ArrayLike) -> UncertaintyLaw:
    """Return how the uncertainty grows with distance, fitted to the cells of a surface.

    Parameters
    ----------
    sigma, distance : array, shape (n,)
        Standard uncertainty of depth, and distance to the nearest sounding, m.

    Notes
    -----
    Fitted by least squares on logarithms to the medians of classes of distance, so that a few
    steep places do not decide.
    """
    order = np.argsort(distance, kind="stable")
    sigma, distance = np.asarray(sigma)[order], np.asarray(distance)[order]
    classes = [rows for rows in np.array_split(np.arange(len(sigma)), _CLASSES) if len(rows)]
    d, s = (np.array([np.median(v[rows]) for rows in classes]) for v in (distance, sigma))
    s = np.maximum(s, 1e-4)
    grown = np.sqrt(max(s.max() ** 2 - s.min() ** 2, 0.0))
    if not grown > 0.05 * s.min() or not np.ptp(d) > 0:
        return UncertaintyLaw(float(np.median(sigma)), 0.0, 1.0)

    def residuals(p):
        return np.log(np.hypot(np.exp(p[0]), np.exp(p[1]) * d ** p[2])) - np.log(s)

    top = np.log(s.max())
    fit = least_squares(
        residuals,
        (np.log(s.min()), np.log(grown / d.max()), 1.0),
        bounds=((top - 12.0, -30.0, 0.5), (top + 0.1, 10.0, 2.0)),
        loss="soft_l1",
        f_scale=0.2,
    )
    return UncertaintyLaw(float(np.exp(fit.x[0])), float(np.exp(fit.x[1])), float(fit.x[2]))


@dataclass(frozen=True)
class CoarseSurface:
    """A surface on the coarse cells of its water, n of them, in the order of the grid.

    Attributes
    ----------
    grid : Grid
    cells : array of bool
        Which cells of the grid these are.
    x, y : array, shape (n,)
        Centers, m.
    sigma, distance : array, shape (n,)
        Mean standard uncertainty, and mean distance to the nearest sounding, m.
    slope : array, shape (n,)
        Meters a meter.
    near_line : array of bool, shape (n,)
        Where a breakline or transition is within a lane spacing.
    weight : array, shape (n,)
        How much a place counts.
    law : UncertaintyLaw
    """

    grid: Grid
    cells: np.ndarray
    x: np.ndarray
    y: np.ndarray
    sigma: np.ndarray
    distance: np.ndarray
    slope: np.ndarray
    near_line: np.ndarray
    weight: np.ndarray
    law: UncertaintyLaw


def coarse_surface(
    surface: Surface, lake: BaseGeometry, structure: Sequence, spacing: float
) -> CoarseSurface:
    """Return a surface on cells of about a quarter of a lane spacing.

    Parameters
    ----------
    surface : Surface
        With uncertainty and distance, m.
    lake : Polygon or MultiPolygon
    structure : sequence of array, shape (k, 2)
        Places within a spacing of one of these lines count double, m.
    spacing : float
        Of the lanes to come, m.

    Raises
    ------
    LakefloorError
        If the surface and the lake do not overlap.
    """
    depth = surface.depth
    wet = inside(lake, depth)
    step = max(round(spacing / _CELLS_A_SPACING / depth.dx), 1)
    step = max(step, int(np.ceil(np.sqrt(wet.sum() / _MOST_CELLS))))
    sigma, distance, law = _filled(surface)
    slope = np.zeros(depth.shape)
    if min(depth.shape) >= 3:
        slope = np.nan_to_num(np.hypot(*gradient(depth)))
    share = _block_sums(np.ones(depth.shape), wet, step)
    grid = Grid(share, depth.west, depth.north, step * depth.dx, step * depth.dy)
    cells = share >= 0.5 * step**2
    if not cells.any():
        raise LakefloorError(
            "The surface and the lake do not overlap. Set the right coordinate reference system of "
            "both, then run again."
        )
    x, y = (axis[cells] for axis in np.meshgrid(grid.x, grid.y))
    sigma, distance, slope = (
        _block_sums(v, wet, step)[cells] / share[cells] for v in (sigma, distance, slope)
    )
    near = np.zeros(len(x), dtype=bool)
    for line in structure:
        near |= distance_to_line(np.asarray(line, dtype=float)[:, :2], x, y) <= spacing
    weight = 1.0 + np.minimum(slope / STEEP, 1.0) + near
    return CoarseSurface(grid, cells, x, y, sigma, distance, slope, near, weight, law)


def _filled(surface: Surface) -> tuple:
    """Return uncertainty and distance of all cells, also where nothing is drawn, and their law."""
    _, sigma, distance = (grid.values for grid in surface.bands)
    known = np.isfinite(sigma) & np.isfinite(distance)
    law = fit_uncertainty_law(sigma[known], distance[known])
    # Where nothing is drawn, the nearest cell that is tells how far the nearest sounding is.
    away, (row, col) = distance_transform_edt(
        ~known, sampling=(surface.depth.dy, surface.depth.dx), return_indices=True
    )
    distance = np.where(known, distance, distance[row, col] + away)
    sigma = np.where(known, sigma, np.maximum(law.of(distance), sigma[row, col]))
    return sigma, distance, law


def _block_sums(values, wet, step) -> np.ndarray:
    """Return the sums over blocks of ``step`` by ``step`` cells of what is wet."""
    rows, cols = values.shape
    padded = np.full((-(-rows // step) * step, -(-cols // step) * step), np.nan)
    padded[:rows, :cols] = np.where(wet, values, 0.0)
    blocks = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step)
    return np.nansum(blocks, axis=(1, 3))


def limits(field: CoarseSurface, interval_m: float) -> tuple[float, float]:
    """Return the uncertainty that a contour interval allows, and that above which gaps begin, m."""
    wanted = SUPPORT / NORMAL_95 * interval_m
    return wanted, max(wanted, _ABOVE_NOISE * field.law.noise)


def number_gaps(field: CoarseSurface, limit: float, spacing: float) -> tuple[np.ndarray, int]:
    """Return the gap number of each coarse cell, 0 where there is none, and their count.

    Parameters
    ----------
    field : CoarseSurface
    limit : float
        Standard uncertainty above which a cell is a gap, m.
    spacing : float
        Of the lanes to come, m.
    """
    doubtful = np.zeros(field.cells.shape, dtype=bool)
    doubtful[field.cells] = field.sigma > limit
    # A gap all over the lake says nothing: it is parted into squares.
    side = max(round(_GAP_SIDE * spacing / field.grid.dx), 1)
    row, col = np.indices(doubtful.shape) // side
    number, count = np.zeros(doubtful.shape, dtype=int), 0
    for odd in range(4):
        part, parts = label(doubtful & (row % 2 * 2 + col % 2 == odd))
        number[part > 0] = part[part > 0] + count
        count += parts
    return number[field.cells], count


def distance_to_line(line: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the distance of points to a line, m."""
    out = np.full(len(x), np.inf)
    for (x0, y0), (x1, y1) in zip(line[:-1], line[1:]):
        dx, dy = x1 - x0, y1 - y0
        square = dx * dx + dy * dy
        t = ((x - x0) * dx + (y - y0) * dy) / square if square > 0 else np.zeros(len(x))
        t = np.clip(t, 0.0, 1.0)
        np.minimum(out, np.hypot(x - x0 - t * dx, y - y0 - t * dy), out=out)
    return out


def describe_gaps(
    field: CoarseSurface,
    gap: np.ndarray,
    gain: np.ndarray,
    distance: np.ndarray,
    limit: float,
    spacing: float,
    lanes: Sequence,
    unit: str,
) -> Areas:
    """Return the gaps by rank, with :data:`GAP_ATTRIBUTES`.

    Parameters
    ----------
    gap : array of int, shape (n,)
        Number of the gap of each cell, as of :func:`number_gaps`.
    gain : array
        What the best lane through each gap gains, m³, by its number.
    distance : array, shape (n,)
        To the nearest sounding after the outing, m.
    limit : float
        Standard uncertainty wanted, m.
    spacing : float
        Of the lanes, m; gaps smaller than two of its squares are left out.
    lanes : sequence of array, shape (k, 2)
        Of the outing, m.
    unit : {"m", "ft"}
        Of the figures in words.
    """
    after = field.law.nearer(field.sigma, field.distance, distance)
    order = sorted(range(1, len(gain)), key=lambda k: (-gain[k], k))
    polygons, out = [], {name: [] for name in GAP_ATTRIBUTES}
    for k in order:
        cells = np.flatnonzero(gap == k)
        mask = np.zeros(field.cells.shape, dtype=bool)
        mask[field.cells] = gap == k
        polygon = cells_polygon(mask, field.grid)
        if len(cells) * field.grid.cell_area < _LEAST_GAP * spacing**2:
            continue
        sigma = field.sigma[cells]
        why = _reasons(field, cells, limit, gain[k] > 0, unit)
        run = sum(polygon.intersection(LineString(xy)).length for xy in lanes)
        polygons.append(polygon)
        row = (
            len(polygons), polygon.area, sigma.mean(), sigma.max(), field.distance[cells].max(),
            100.0 * field.slope[cells].mean(), gain[k], run, after[cells].mean(), why,
        )  # fmt: skip
        for name, value in zip(GAP_ATTRIBUTES, row):
            out[name].append(value)
    return Areas(polygons, out)


def _reasons(field: CoarseSurface, cells, limit, reached, unit) -> str:
    """Return in words why a gap is one, and whether a lane helps."""
    meters = LENGTH[unit]
    sigma, far = field.sigma[cells], field.distance[cells]
    why = [
        f"standard uncertainty {sigma.mean() / meters:.2f} {unit} where {limit / meters:.2f} "
        f"{unit} is wanted",
        f"up to {far.max() / meters:.0f} {unit} from a sounding",
    ]
    if field.slope[cells].mean() >= STEEP / 2.0:
        why.append(f"steep bottom, {100.0 * field.slope[cells].mean():.0f}%")
    if field.near_line[cells].any():
        why.append("a breakline or transition runs here")
    if not reached:
        why.append("too small or too near the shore for a lane")
    return "; ".join(why)
