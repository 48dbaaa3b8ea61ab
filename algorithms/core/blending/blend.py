"""A detailed survey and an older map as one surface over the whole lake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter
from shapely.geometry.base import BaseGeometry

from ..errors import LakefloorError
from ..grid import Grid, Lines, Surface
from ..number_text import written
from ..polygons import inside
from ..progress import Progress, silent, span
from ..spacing import surface_spacing
from .difference_covariance import residual_correlation_length
from .map_bias import SIGNIFICANCE, Estimate, displacement, map_uncertainty, offset_and_scale
from .older_map import contour_depths, contour_interval, map_on
from .overlap import LEAST_SPREAD, compare, find_overlap

#: Least width of the transition, m, and width in lane spacings.
LEAST_WIDTH, WIDTH_IN_SPACINGS = 30.0, 2.0
#: One standard deviation, in contour intervals, where 90 % lie within half an interval.
HALF_INTERVAL_90 = 0.5 / 1.645
_MOST_CELLS = 400_000_000
# Of how few independent parts of the overlap the user is told.
_FEW_PARTS = 5.0


class DepthClass(NamedTuple):
    """Misfit of the older map, older less survey, in a class of the detail's depth, m."""

    low: float
    high: float
    cells: int
    mean_before: float
    rmse_before: float
    mean_after: float
    rmse_after: float


@dataclass(frozen=True)
class Blended:
    """One surface of a survey and an older map.

    Attributes
    ----------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Beyond the survey
        the last is the distance to its edge plus that of the edge.
    older : Grid
        The corrected older map, m.
    weight : Grid
        Share of the survey in the depth, 0 to 1; the rest is the older map's.
    difference : Grid
        Older map as given less survey where they overlap, m.
    offset, scale, east, north : Estimate
        ``older = offset + scale * depth``, m and a ratio, of a map displaced by ``east`` and
        ``north``, m.
    rmse_before, rmse_after : float
        Root mean square of older less survey in the overlap, m.
    by_depth : list of DepthClass
    correlation : float
        Distance over which the misfits of the corrected map hang together, m.
    spread, position : float
        The corrected map's standard uncertainty on level bottom, m, and what it grows by
        with the slope, m (in m per m), as an error of position does.
    cells : int
        Cells of the overlap.
    independent : float
        Independent parts of the overlap that tell as much as all of it.
    width : float
        Of the transition, m.
    """

    surface: Surface
    older: Grid
    weight: Grid
    difference: Grid
    offset: Estimate
    scale: Estimate
    east: Estimate
    north: Estimate
    rmse_before: float
    rmse_after: float
    by_depth: list
    correlation: float
    spread: float
    position: float
    cells: int
    independent: float
    width: float

    @property
    def notes(self) -> list:
        """What the user ought to know, as sentences."""
        notes, east, north = [], self.east, self.north
        if np.isnan(self.scale.uncert):
            notes.append(
                "The bottom in the overlap is flat, so the scale of the older map cannot "
                "be estimated. Check its depths elsewhere by hand."
            )
        if east.p <= SIGNIFICANCE and not east.removed:
            notes.append(
                "The older map seems to be shifted by "
                f"{written(abs(east.value), '.1f')} m {'east' if east.value > 0 else 'west'} and "
                f"{written(abs(north.value), '.1f')} m {'north' if north.value > 0 else 'south'} "
                f"(standard errors {written(east.uncert, '.1f')} and "
                f"{written(north.uncert, '.1f')} m). To remove this, turn on 'Remove a shift of "
                "the older map'."
            )
        if not (self.offset.removed or self.scale.removed):
            notes.append(
                "Neither offset nor scale is significant. Beyond the transition the "
                "depths of the older map were not changed."
            )
        if self.independent < _FEW_PARTS:
            notes.append(
                "The number of independent samples of the older map in the overlap is only about "
                f"{max(self.independent, 1.0):.0f}, so they say little about the map elsewhere."
            )
        if self.correlation > self.width and self.spread > 2.0 * LEAST_SPREAD:
            notes.append(
                f"The differences to the older map are alike over {self.correlation:.0f} m. A "
                f"transition wider than {self.width:.0f} m would use the survey better."
            )
        return notes


def blend_survey(
    detail: Surface,
    older: Grid | Lines,
    *,
    shoreline: BaseGeometry | None = None,
    width_m: float | None = None,
    shore_depth: float = 0.0,
    remove_shift: bool = False,
    max_shift_m: float = 50.0,
    depth_step_m: float = 2.0,
    progress: Progress = silent,
) -> Blended:
    """Put a detailed survey into a older map of the whole lake.

    Parameters
    ----------
    detail : Surface
        The survey. Its depths stay as they are.
    older : Grid or Lines
        The older map: depth in m, positive down, or contours with attribute ``depth``;
        see :func:`~.older_map.contour_map`.
    shoreline : shapely Polygon or MultiPolygon, optional
        The lake, islands as holes; the older map is used within it only.
    width_m : float, optional
        How far beyond the edge of the survey its misfit to the older map fades out, m.
        If None, twice the lane spacing of the survey, 30 m at least.
    shore_depth : float
        Depth of the shoreline, m, for a older map of contours.
    remove_shift : bool
        Whether to move the older map back by its displacement, where that is significant.
        An old map errs in shape too, which is easily taken for displacement: worth it where
        the survey holds slopes that face all ways.
    max_shift_m : float
        A larger displacement is not believed, m.
    depth_step_m : float
        Classes of depth in the report, m.
    progress : callable

    Returns
    -------
    Blended

    Raises
    ------
    LakefloorError
        If the two do not overlap in 50 cells, if a width is not above 0, or if the contours
        are no map.

    Notes
    -----
    In the overlap the older map g is compared with the detailed depth d by
    ``g(x + s) = offset + scale d(x)``; see :func:`~.map_bias.displacement` for the shift s and
    :func:`~.map_bias.offset_and_scale` for what is taken off. To remove a displacement,
    contours are moved back and gridded again with the shoreline in its place.

    The standard uncertainty of the corrected map is what the misfits show
    (:func:`~.map_bias.map_uncertainty`). On level bottom contours are not trusted to less than
    what puts 90 % of depths within half an interval, the vertical accuracy asked of contour
    maps (National Map Accuracy Standards, 1947): one survey sees only part of what is wrong
    with a map.

    Where it was surveyed, the survey stands alone. Around it the misfit at the edge is
    carried outward, smoothed over half the distance with the weights of its uncertainty, and
    fades to nothing over ``width_m`` by the cubic step ``1 - 3 t^2 + 2 t^3``, whose slope is
    0 at both ends: restoring the misfit leaves no step at the edge and no trace beyond it
    (Smith and Sandwell 1997). How sure the depth is in between follows from how far the
    misfits hang together.

    References
    ----------
    U.S. Bureau of the Budget (1947). United States National Map Accuracy Standards.
    Smith, W. H. F. and Sandwell, D. T. (1997). Global sea floor topography from satellite
    altimetry and ship depth soundings. Science 277, 1956-1962.
    """
    width = _width(detail) if width_m is None else float(width_m)
    for name, size in (("Width of the transition", width), ("Depth step", depth_step_m)):
        if not (np.isfinite(size) and size > 0):
            raise LakefloorError(f"{name} must be above 0 m, not {size} m.")
    survey = _over_lake(detail, older, shoreline)
    frame = survey.depth
    draw = partial(map_on, older, frame, shoreline=shoreline, shore_depth=shore_depth)
    given = draw(progress=span(progress, 0.0, 0.2))
    drawn, east, north, bias = _fitted(given, draw, survey, remove_shift, max_shift_m, progress)
    corrected = bias.take_off(drawn)
    if shoreline is not None:
        corrected = frame.like(np.where(inside(shoreline, frame), corrected.values, np.nan))
    progress(0.65)

    least = 0.0
    if isinstance(older, Lines):
        least = HALF_INTERVAL_90 * contour_interval(older) / bias.removed[1]
    sigma, spread, position = map_uncertainty(corrected, survey, bias, least)
    progress(0.75)
    before, after = (
        frame.like(mapped.values - survey.depth.values) for mapped in (given, corrected)
    )
    correlation = residual_correlation_length(after)
    surface, weight = _join(survey, corrected, sigma, width, correlation, span(progress, 0.75, 1.0))
    both = np.isfinite(before.values) & np.isfinite(after.values)
    as_given, left = before.values[both], after.values[both]
    return Blended(
        surface=surface,
        older=corrected,
        weight=weight,
        difference=before,
        offset=bias.offset,
        scale=bias.scale,
        east=east,
        north=north,
        rmse_before=_rms(as_given),
        rmse_after=_rms(left),
        by_depth=_by_depth(survey.depth.values[both], as_given, left, depth_step_m),
        correlation=correlation,
        spread=spread,
        position=position,
        cells=int(np.count_nonzero(np.isfinite(before.values))),
        independent=bias.rest.independent,
        width=width,
    )


def _fitted(
    given: Grid,
    draw: Callable,
    survey: Surface,
    remove_shift: bool,
    max_shift_m: float,
    progress: Progress,
) -> tuple:
    """Return the map, moved back if asked, its shift east and north, and what bias is left.

    ``draw(shift=..., progress=...)`` draws the map moved back by a shift, m.
    """
    overlap = find_overlap(given, survey)
    comparison = compare(given, overlap)
    progress(0.25)
    east, north = displacement(comparison, max_shift_m, span(progress, 0.25, 0.45))
    if not (remove_shift and east.p <= SIGNIFICANCE):
        return given, east, north, offset_and_scale(comparison)
    moved = draw(shift=(east.value, north.value), progress=span(progress, 0.45, 0.6))
    east, north = (term._replace(removed=True) for term in (east, north))
    return moved, east, north, offset_and_scale(compare(moved, overlap))


def smooth_step(t: np.ndarray) -> np.ndarray:
    """Return ``3 t^2 - 2 t^3`` within 0 to 1, 0 below and 1 above: the slope is 0 at both ends.

    >>> smooth_step(np.array([-1.0, 0.0, 0.5, 1.0, 3.0])).tolist()
    [0.0, 0.0, 0.5, 1.0, 1.0]
    """
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _width(detail: Surface) -> float:
    return max(LEAST_WIDTH, WIDTH_IN_SPACINGS * surface_spacing(detail.spacing, detail.distance))


def _extent(older, shoreline) -> tuple:
    """Return west, south, east and north of the lake, m."""
    if shoreline is not None:
        return shoreline.bounds
    if isinstance(older, Lines):
        xy = np.vstack([np.asarray(line)[:, :2] for line in older.coords])
        return (*np.nanmin(xy, axis=0), *np.nanmax(xy, axis=0))
    return older.bounds


def _over_lake(detail: Surface, older, shoreline) -> Surface:
    """Return the survey on a grid over the whole lake, cell on cell with its own."""
    if isinstance(older, Lines):
        contour_depths(older)
    bounds = _extent(older, shoreline)
    grid = detail.depth
    west, south, east, north = grid.bounds
    left, below, right, above = (
        max(int(np.ceil((gap - 1e-6) / cell)), 0)
        for gap, cell in (
            (west - bounds[0], grid.dx),
            (south - bounds[1], grid.dy),
            (bounds[2] - east, grid.dx),
            (bounds[3] - north, grid.dy),
        )
    )
    rows, cols = grid.shape[0] + above + below, grid.shape[1] + left + right
    if rows * cols > _MOST_CELLS:
        raise LakefloorError(
            f"Survey and older map together take {rows} x {cols} cells of "
            f"{written(grid.dx, 'g')} m, which is too large. Check that both lie on one lake, give "
            "the shoreline, or grid the survey in larger cells."
        )

    def widened(part: Grid) -> Grid:
        values = np.pad(part.values, ((above, below), (left, right)), constant_values=np.nan)
        return replace(
            grid, values=values, west=grid.west - left * grid.dx, north=grid.north + above * grid.dy
        )

    depth, uncertainty, distance = map(widened, detail.bands)
    return Surface(depth, uncertainty, distance, detail.spacing)


def _join(
    survey: Surface, older: Grid, older_sigma: Grid, width: float, length: float, progress: Progress
) -> tuple:
    """Return the blended surface, and the survey's weight in each cell.

    All are grids of one geometry; ``length`` is that over which the map's misfits hang
    together, m.
    """
    depth, sigma, distance = (grid.values for grid in survey.bands)
    surveyed = np.isfinite(depth)
    cell = (older.dy, older.dx)
    away, edge = distance_transform_edt(~surveyed, sampling=cell, return_indices=True)
    progress(0.3)
    # Where the survey leaves the older map, as over a shore drawn too tight, nothing is known.
    tied = surveyed & np.isfinite(older.values)
    off, source = distance_transform_edt(~tied, sampling=cell, return_indices=True)
    source = tuple(source)
    own = np.where(np.isfinite(sigma), sigma, np.nanmedian(sigma) if tied.any() else 0.0)[source]
    misfit = (depth - older.values)[source]
    carried = _carried(misfit, 1.0 / (own**2 + LEAST_SPREAD**2), off, width, cell, progress)
    share = 1.0 - smooth_step(off / width)
    joined = np.where(surveyed, depth, older.values + share * carried)
    # The mixture stays in the water.
    joined[~surveyed & (joined < 0) & (older.values >= 0)] = 0.0

    alike = np.exp(-off / max(length, 1e-6))
    variance = older_sigma.values**2 * np.maximum(1.0 + share**2 - 2.0 * share * alike, 0.0)
    outside = np.sqrt(variance + (share * own) ** 2)
    reach = away + np.nan_to_num(distance[tuple(edge)])

    def parted(within, beyond) -> Grid:
        values = np.where(surveyed, within, beyond)
        return older.like(np.where(np.isfinite(joined), values, np.nan))

    surface = Surface(
        older.like(joined), parted(sigma, outside), parted(distance, reach), survey.spacing
    )
    progress(1.0)
    return surface, parted(1.0, 1.0 - smooth_step(away / width))


def _carried(value, trust, off, width, cell, progress) -> np.ndarray:
    """Smooth the misfit of the nearest edge over half the distance to it, more the farther."""
    out = np.array(value)
    wanted = 0.5 * off
    last, at = value, 0.0
    sigma = 0.5 * max(cell)
    while at < 0.5 * width:
        progress(0.3 + 0.6 * min(at / (0.5 * width), 1.0))
        cells = (sigma / cell[0], sigma / cell[1])
        smooth = gaussian_filter(value * trust, cells, mode="nearest")
        smooth /= gaussian_filter(trust, cells, mode="nearest")
        ring = (wanted > at) & (wanted <= sigma)
        t = (wanted[ring] - at) / (sigma - at)
        out[ring] = (1.0 - t) * last[ring] + t * smooth[ring]
        last, at, sigma = smooth, sigma, 1.6 * sigma
    return out


def _rms(values) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _by_depth(depth, before, after, step) -> list:
    """Return the misfits in classes of depth, ``step`` wide."""
    level = np.floor(depth / step).astype(int)
    return [
        DepthClass(
            float(n * step),
            float((n + 1) * step),
            int(rows.sum()),
            float(before[rows].mean()),
            _rms(before[rows]),
            float(after[rows].mean()),
            _rms(after[rows]),
        )
        for n in np.unique(level)
        for rows in [level == n]
    ]
