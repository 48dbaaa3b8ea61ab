"""A detailed survey and an old, general map as one surface over the whole lake."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.optimize import nnls
from scipy.stats import f as f_distribution

from ..errors import LakefloorError
from ..grid import Grid, Lines, Surface
from ..polygons import inside
from ..progress import Progress, silent, span
from .general_map import contour_depths, contour_map
from .misfit import Covariance, fit_covariance

#: A term of the general map's bias is removed where chance alone makes it as large this often;
#: offset and scale together, which say little beyond the depths surveyed, only at the second.
SIGNIFICANCE, BEYOND_DOUBT = 0.02, 1e-6
#: Least width of the transition, m, and width in median distances to the nearest sounding:
#: twice the lane spacing.
LEAST_WIDTH, WIDTH_IN_DISTANCES = 30.0, 8.0
#: One standard deviation, in contour intervals, where 90 % lie within half an interval.
HALF_INTERVAL_90 = 0.5 / 1.645
_LEAST_OVERLAP = 50
_MOST_SAMPLES = 60_000
_MOST_CELLS = 400_000_000
# Huber's tuning constant: 95 % efficiency where errors are normal.
_HUBER = 1.345
_ITERATIONS = 25
_SHIFT_STEPS, _SHIFT_SETTLED = 40, 0.02
# No spread is believed below this, m.
_LEAST_SPREAD = 0.005
# Blocks of the overlap, and of how few independent parts of it the user is told.
_BLOCKS, _FEW_PARTS = 200, 5.0
# Misfits are taken to be no larger than so many robust standard deviations.
_CLIP = 3.0
# Without this much difference of depth, as a standard deviation in m, scale is not estimated.
_LEAST_RELIEF = 0.1
_TWO_SIGMA = 0.9545
OFFSET, SCALE, EAST, NORTH = range(4)


class Estimate(NamedTuple):
    """A term of the general map's bias.

    Attributes
    ----------
    value, uncert : float
        The estimate and its standard error; NaN where it could not be estimated. What is
        removed is drawn towards no bias, the more the less sure it is.
    p : float
        Probability that chance alone makes it as large; both parts of the shift share one.
    removed : bool
        Whether it is significant and was taken off the general map.
    """

    value: float
    uncert: float
    p: float
    removed: bool


class DepthClass(NamedTuple):
    """Misfit of the general map, general less detail, in a class of the detail's depth, m."""

    low: float
    high: float
    cells: int
    mean_before: float
    rmse_before: float
    mean_after: float
    rmse_after: float


@dataclass(frozen=True)
class Blended:
    """One surface of a detailed and a general one.

    Attributes
    ----------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Beyond the survey
        the last is the distance to its edge plus that of the edge.
    general, general_uncertainty : Grid
        The corrected general map and its standard uncertainty, m.
    weight : Grid
        Share of the survey in the depth, 0 to 1; the rest is the general map's.
    difference : Grid
        General map as given less detail where they overlap, m.
    offset, scale, east, north : Estimate
        ``general = offset + scale * depth``, m and a ratio, of a map displaced by ``east`` and
        ``north``, m.
    rmse_before, rmse_after : float
        Root mean square of general less detail in the overlap, m.
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
    notes : list of str
        What the user ought to know.
    """

    surface: Surface
    general: Grid
    general_uncertainty: Grid
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
    notes: list


def blend_detail(
    detail: Surface,
    general,
    *,
    shoreline=None,
    width_m: float | None = None,
    shore_depth: float = 0.0,
    remove_shift: bool = False,
    max_shift_m: float = 50.0,
    depth_step_m: float = 2.0,
    progress: Progress = silent,
) -> Blended:
    """Put a detailed survey into a general map of the whole lake.

    Parameters
    ----------
    detail : Surface
        The survey. Its depths stay as they are.
    general : Grid or Lines
        The general map: depth in m, positive down, or contours with attribute ``depth``;
        see :func:`~.general_map.contour_map`.
    shoreline : shapely Polygon or MultiPolygon, optional
        The lake, islands as holes; the general map is used within it only.
    width_m : float, optional
        How far beyond the edge of the survey its misfit to the general map fades out, m.
        If None, twice the lane spacing as the survey's distances tell it, 30 m at least.
    shore_depth : float
        Depth of the shoreline, m, for a general map of contours.
    remove_shift : bool
        Whether to move the general map back by its displacement, where that is significant.
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
    In the overlap the general map g is compared with the detailed depth d by
    ``g(x + s) = offset + scale d(x)``, fitted by iteratively reweighted least squares with
    Huber's weights, over the survey's own uncertainty; the displacement s enters by the
    gradient of g and is iterated. Misfits of neighbouring cells are near-copies, so the
    standard errors follow from how the misfits hang together (:func:`~.misfit.fit_covariance`
    of some two hundred blocks), and F tests have as many degrees of freedom as the overlap
    has independent parts. Offset and scale say little beyond the depths surveyed if both are
    fitted: unless both are beyond doubt, the one that leaves less misfit is tested alone, at
    2 %, its variance increased where the misfit drifts across the survey, so that its mean is
    not that of the lake. What is removed is drawn towards no bias by ``1 - 1 / F`` (James and
    Stein 1961). To remove a displacement, contours are moved back and gridded again with the
    shoreline in its place.

    The standard uncertainty of the corrected map is what two standard deviations need to
    hold 95 % of the misfits, in classes of its slope, increased by what the misfits vary over
    the lake but not within one survey, plus that of the bias. On level bottom contours are
    not trusted to less than what puts 90 % of depths within half an interval, the vertical
    accuracy asked of contour maps (National Map Accuracy Standards, 1947): one survey sees
    only part of what is wrong with a map.

    Where it was surveyed, the survey stands alone. Around it the misfit at the edge is
    carried outward, smoothed over half the distance with the weights of its uncertainty, and
    fades to nothing over ``width_m`` by the cubic step ``1 - 3 t^2 + 2 t^3``, whose slope is
    0 at both ends: restoring the misfit leaves no step at the edge and no trace beyond it
    (Smith and Sandwell 1997). How sure the depth is in between follows from how far the
    misfits hang together.

    References
    ----------
    Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical
    Statistics 35(1), 73-101.
    U.S. Bureau of the Budget (1947). United States National Map Accuracy Standards.
    James, W. and Stein, C. (1961). Estimation with quadratic loss. Proceedings of the Fourth
    Berkeley Symposium on Mathematical Statistics and Probability 1, 361-379.
    Smith, W. H. F. and Sandwell, D. T. (1997). Global sea floor topography from satellite
    altimetry and ship depth soundings. Science 277, 1956-1962.
    """
    width = _width(detail) if width_m is None else float(width_m)
    for name, size in (("Width of the transition", width), ("Depth step", depth_step_m)):
        if not (np.isfinite(size) and size > 0):
            raise LakefloorError(f"{name} must be above 0 m; got {size}.")
    frame, window = _frame(detail.depth, general, shoreline)

    def general_map(shift, part):
        if isinstance(general, Lines):
            drawn = contour_map(
                general, frame, shoreline=shoreline, shore_depth=shore_depth, shift=shift,
                progress=part,
            )  # fmt: skip
            return _onto(frame, drawn, (0.0, 0.0))
        return _onto(frame, general, shift)

    raw = general_map((0.0, 0.0), span(progress, 0.0, 0.2))
    depth = _place(frame, window, detail.depth)
    sigma = _place(frame, window, detail.uncertainty)
    difference = raw - depth
    overlap = np.isfinite(difference)
    if np.count_nonzero(overlap) < _LEAST_OVERLAP:
        raise LakefloorError(
            f"The survey and the general map overlap in {np.count_nonzero(overlap)} cells; "
            f"{_LEAST_OVERLAP} are needed. Check the CRS of both, and the shoreline."
        )
    rows, cols = _sample(overlap)
    sample = _Sample(
        frame.x[cols], frame.y[rows], depth[rows, cols], np.nan_to_num(sigma[rows, cols])
    )
    blocks = _blocks(sample, np.count_nonzero(overlap) * frame.dx * frame.dy)
    notes = []
    progress(0.25)
    terms = [OFFSET, SCALE]
    if np.std(sample.depth) < _LEAST_RELIEF:
        terms = [OFFSET]
        notes.append("The bottom in the overlap is level: the scale of the general map cannot be "
                     "estimated.")
    fit = _fitter(frame.like(raw), sample, blocks)
    east, north = _displacement(fit, terms, max_shift_m, span(progress, 0.25, 0.45))
    drawn = raw
    displaced = east.p <= SIGNIFICANCE
    if displaced and remove_shift:
        drawn = general_map((east.value, north.value), span(progress, 0.45, 0.6))
        fit = _fitter(frame.like(drawn), sample, blocks)
        east, north = east._replace(removed=True), north._replace(removed=True)
    elif displaced:
        notes.append(
            f"The general map agrees better with the survey if it is taken to be displaced by "
            f"{abs(east.value):.1f} m {'east' if east.value > 0 else 'west'} and "
            f"{abs(north.value):.1f} m {'north' if north.value > 0 else 'south'} (standard errors "
            f"{east.uncert:.1f} and {north.uncert:.1f} m); this was not removed."
        )
    beyond = np.isfinite(raw) & ~overlap
    offset, scale, covariance, rest = _offset_and_scale(fit, terms, blocks, frame, beyond)
    a = offset.value if offset.removed else 0.0
    b = scale.value if scale.removed else 1.0
    corrected = (drawn - a) / b
    # A correction does not lift the lake's own bottom out of the water.
    corrected[(corrected < 0) & (drawn >= 0)] = 0.0
    if shoreline is not None:
        corrected[~inside(shoreline, frame)] = np.nan
    progress(0.65)

    after = corrected - depth
    common = np.isfinite(after)
    slope = np.hypot(*_gradient(frame.like(corrected)))
    hidden = _hidden(rest, after[common])
    spread, position = (
        hidden * part for part in _spread(after[common], slope[common], sigma[common])
    )
    if isinstance(general, Lines):
        spread = max(spread, HALF_INTERVAL_90 * _interval(general) / b)
    variance = spread**2 + (position * slope) ** 2
    variance += covariance[0, 0] + 2 * covariance[0, 1] * corrected
    variance += covariance[1, 1] * corrected**2
    known = np.isfinite(corrected)
    general_sigma = np.where(known, np.sqrt(np.maximum(variance, _LEAST_SPREAD**2)), np.nan)
    progress(0.75)
    after_length = correlation_length(frame.like(after))
    surface, weight = _join(
        frame, depth, sigma, _place(frame, window, detail.distance), corrected, general_sigma,
        width, after_length, span(progress, 0.75, 1.0),
    )  # fmt: skip
    both = common & overlap
    if not (offset.removed or scale.removed):
        notes.append("Neither offset nor scale is significant: beyond the transition the depths "
                     "of the general map were not changed.")
    if rest.independent < _FEW_PARTS:
        notes.append(
            f"The misfits hang together so far that the survey holds only about "
            f"{max(rest.independent, 1.0):.0f} independent parts of the general map: it says "
            "little of the map elsewhere."
        )
    if after_length > width and spread > 2.0 * _LEAST_SPREAD:
        notes.append(
            f"The misfits of the general map hang together over {after_length:.0f} m; a wider "
            f"transition than {width:.0f} m would use the survey better."
        )
    return Blended(
        surface=surface,
        general=frame.like(corrected),
        general_uncertainty=frame.like(general_sigma),
        weight=frame.like(weight),
        difference=frame.like(difference),
        offset=offset,
        scale=scale,
        east=east,
        north=north,
        rmse_before=_rms(difference[both]),
        rmse_after=_rms(after[both]),
        by_depth=_by_depth(depth[both], difference[both], after[both], depth_step_m),
        correlation=after_length,
        spread=spread,
        position=position,
        cells=int(np.count_nonzero(overlap)),
        independent=float(rest.independent),
        width=width,
        notes=notes,
    )


def smooth_step(t) -> np.ndarray:
    """Return ``3 t^2 - 2 t^3`` within 0 to 1, 0 below and 1 above: the slope is 0 at both ends."""
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


# -- geometry ----------------------------------------------------------------------


def _width(detail: Surface) -> float:
    distance = detail.distance.values
    if not np.isfinite(distance).any():
        return LEAST_WIDTH
    return max(LEAST_WIDTH, WIDTH_IN_DISTANCES * float(np.nanmedian(distance)))


def _frame(detail: Grid, general, shoreline) -> tuple:
    """Return an empty grid over the lake, cell on cell with the detail, and the detail's window."""
    if isinstance(general, Lines):
        contour_depths(general)
    if shoreline is not None:
        bounds = shoreline.bounds
    elif isinstance(general, Lines):
        xy = np.vstack([np.asarray(line)[:, :2] for line in general.coords])
        bounds = (*np.nanmin(xy, axis=0), *np.nanmax(xy, axis=0))
    else:
        bounds = general.bounds
    west, south, east, north = detail.bounds
    rows, cols = detail.shape
    left, below, right, above = (
        max(int(np.ceil((gap - 1e-6) / cell)), 0)
        for gap, cell in (
            (west - bounds[0], detail.dx), (south - bounds[1], detail.dy),
            (bounds[2] - east, detail.dx), (bounds[3] - north, detail.dy),
        )
    )
    shape = rows + above + below, cols + left + right
    if shape[0] * shape[1] > _MOST_CELLS:
        raise LakefloorError(
            f"Survey and general map together take {shape[0]} x {shape[1]} cells of "
            f"{detail.dx:g} m, which is too large. Check that both lie on one lake; else grid the "
            "survey in larger cells, or give the shoreline."
        )
    frame = replace(
        detail, values=np.full(shape, np.nan), west=west - left * detail.dx,
        north=north + above * detail.dy,
    )  # fmt: skip
    return frame, np.s_[above : above + rows, left : left + cols]


def _place(frame: Grid, window, grid: Grid) -> np.ndarray:
    out = np.full(frame.shape, np.nan)
    out[window] = grid.values
    return out


def _onto(frame: Grid, grid: Grid, shift) -> np.ndarray:
    """Return a grid's values displaced back onto the cells of another, its rim carried on."""
    if any(shift):
        filled = grid.like(_extended(grid.values))
        keep = _onto(frame, grid, (0.0, 0.0))
    else:
        filled, keep = grid, None
    out = np.empty(frame.shape)
    x = frame.x + shift[0]
    if any(shift):
        x = x.clip(grid.x[0], grid.x[-1])
    for row, y in enumerate(frame.y + shift[1]):
        if any(shift):
            y = min(max(y, grid.y[-1]), grid.y[0])
        out[row] = filled.sample(x, np.full(len(x), y))
    if keep is not None:
        out[np.isnan(keep)] = np.nan
    return out


def _extended(values) -> np.ndarray:
    """Return values with every gap filled by its nearest cell."""
    gap = np.isnan(values)
    if not gap.any():
        return values
    nearest = distance_transform_edt(gap, return_distances=False, return_indices=True)
    return values[tuple(nearest)]


def _gradient(grid: Grid) -> tuple:
    """Return the rate of change towards east and north, m per m, by central differences."""
    filled = _extended(grid.values)
    east = np.zeros(grid.shape) if grid.shape[1] < 2 else np.gradient(filled, grid.dx, axis=1)
    north = np.zeros(grid.shape) if grid.shape[0] < 2 else -np.gradient(filled, grid.dy, axis=0)
    return east, north


# -- bias --------------------------------------------------------------------------


class _Sample(NamedTuple):
    """Cells of the overlap: position, the detail's depth and its standard uncertainty, m."""

    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    sigma: np.ndarray


def _sample(overlap) -> tuple:
    """Return rows and columns of the overlap's cells, of every n-th row and column if many."""
    every = max(int(np.sqrt(np.count_nonzero(overlap) / _MOST_SAMPLES)), 1)
    while True:
        rows, cols = np.nonzero(overlap[::every, ::every])
        if len(rows) >= _LEAST_OVERLAP or every == 1:
            return rows * every, cols * every
        every -= 1


def correlation_length(residual: Grid) -> float:
    """Return the distance at which the correlation of a gridded residual falls below 1/e, m.

    By the autocovariance of the cells that have a value, averaged over directions
    (Wiener and Khinchin), in classes one cell wide.
    """
    known = np.isfinite(residual.values)
    rows, cols = (np.flatnonzero(known.any(axis=axis)) for axis in (1, 0))
    part = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    known = known[part]
    every = max(int(np.ceil(np.sqrt(known.size / 1_000_000))), 1)
    known = known[::every, ::every].astype(float)
    r = np.nan_to_num(residual.values[part][::every, ::every])
    r = (r - r.sum() / max(known.sum(), 1.0)) * known
    cell = every * np.sqrt(residual.dx * residual.dy)
    shape = [next_fast_len(2 * size, real=True) for size in r.shape]

    def correlate(values):
        return irfft2(np.abs(rfft2(values, shape)) ** 2, shape)

    lag = [np.minimum(np.arange(n), n - np.arange(n)) for n in shape]
    away = np.hypot(lag[0][:, None] * residual.dy * every, lag[1] * residual.dx * every) / cell
    bins = np.rint(away).astype(int).ravel()
    products, pairs = (
        np.bincount(bins, weights=correlate(values).ravel()) for values in (r, known)
    )
    length = max(len(r), r.shape[1], 2) // 2 + 1
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = (products / pairs / (products[0] / pairs[0]))[:length]
    below = np.flatnonzero(~(correlation > np.exp(-1.0)))
    return float(cell * (below[0] if len(below) else length))


class _Blocks(NamedTuple):
    """Blocks of the overlap: that of each cell, and the middle of each, shape (n, 2), m."""

    of: np.ndarray
    xy: np.ndarray

    def sums(self, values) -> np.ndarray:
        """Return sums of columns of values, shape (cells, k), by block, shape (n, k)."""
        return np.stack(
            [np.bincount(self.of, column, len(self.xy)) for column in values.T], axis=1
        )

    def means(self, values) -> np.ndarray:
        return self.sums(values) / np.bincount(self.of)[:, None]


def _blocks(sample: _Sample, area: float) -> _Blocks:
    side = np.sqrt(area / _BLOCKS)
    places = np.column_stack([sample.x, sample.y])
    corner = np.floor((places - places.min(axis=0)) / side)
    _, block = np.unique(corner, axis=0, return_inverse=True)
    blocks = _Blocks(block.ravel(), np.empty((block.max() + 1, 0)))
    return blocks._replace(xy=blocks.means(places))


def _columns(sample: _Sample, slopes, terms) -> np.ndarray:
    columns = {OFFSET: np.ones(len(sample.depth)), SCALE: sample.depth}
    if slopes is not None:
        columns[EAST], columns[NORTH] = -slopes[0], -slopes[1]
    return np.column_stack([columns[term] for term in terms])


class _Fit(NamedTuple):
    """Terms of the bias, fitted.

    Attributes
    ----------
    values, covariance : array, shape (k,) and (k, k)
    spread : float
        Robust standard deviation of the misfits that are left, m.
    misfit : array, shape (n,)
        Their means by block, m.
    drift : array, shape (n, k)
        Means by block of what the terms are multiplied with.
    structure : Covariance
        Of the misfits by block.
    independent : float
        Blocks that are as good as independent.
    """

    values: np.ndarray
    covariance: np.ndarray
    spread: float
    misfit: np.ndarray
    drift: np.ndarray
    structure: Covariance
    independent: float

    def chance(self, value, covariance) -> float:
        """Return the probability of a value as far from 0 (Wald's F test)."""
        value = np.atleast_1d(value)
        statistic = value @ np.linalg.pinv(np.atleast_2d(covariance)) @ value / len(value)
        freedom = max(self.independent - 1.0, 1.0)
        return float(f_distribution.sf(float(statistic), len(value), freedom))


def _huber(columns, response, sigma) -> tuple:
    """Fit by Huber's weights; return estimates, weights, residuals and their spread."""
    beta = np.full(columns.shape[1], np.nan)
    weight = np.ones(len(response))
    for _ in range(_ITERATIONS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(columns * root[:, None], response * root, rcond=None)[0]
        residual = response - columns @ found
        spread = max(1.4826 * float(np.median(np.abs(residual))), _LEAST_SPREAD)
        usual = np.hypot(spread, sigma)
        weight = 1.0 / np.maximum(np.abs(residual) / usual / _HUBER, 1.0) / usual**2
        settled = np.allclose(found, beta, rtol=1e-7, atol=1e-9)
        beta = found
        if settled:
            break
    return beta, weight, residual, spread


def _fit(columns, response, sigma, blocks: _Blocks) -> _Fit:
    """Fit by Huber's weights; the standard errors follow from how the misfits hang together."""
    beta, weight, residual, spread = _huber(columns, response, sigma)
    misfit = blocks.means(residual[:, None])[:, 0]
    structure = fit_covariance(blocks.xy, misfit, (0.1 * _LEAST_SPREAD) ** 2)
    among = structure.among(blocks.xy)
    normal = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    pull = normal @ blocks.sums(weight[:, None] * columns).T
    return _Fit(
        beta, pull @ among @ pull.T, spread, misfit, blocks.means(columns), structure,
        float((structure.sill + structure.nugget) / among.mean()),
    )  # fmt: skip


def _fitter(general: Grid, sample: _Sample, blocks: _Blocks):
    """Return ``fit(terms, shift)`` of a general map."""
    # Beyond its rim the map is carried on, so that a trial shift loses no cell.
    filled = general.like(_extended(general.values))
    slopes = [general.like(slope) for slope in _gradient(general)]

    def fit(terms, shift=(0.0, 0.0)) -> _Fit:
        x = np.clip(sample.x + shift[0], general.x[0], general.x[-1])
        y = np.clip(sample.y + shift[1], general.y[-1], general.y[0])
        slope = [slope.sample(x, y) for slope in slopes]
        # Blunders are cut down alike for all sets of terms, so that their misfits compare.
        every = _columns(sample, slope, sorted({OFFSET, SCALE, *terms}))
        response = filled.sample(x, y) - sample.depth
        beta, _, residual, spread = _huber(every, response, sample.sigma)
        sound = every @ beta + residual.clip(-_CLIP * spread, _CLIP * spread)
        return _fit(_columns(sample, slope, terms), sound, sample.sigma, blocks)

    return fit


def _displacement(fit, terms, max_shift, progress) -> tuple:
    """Return the estimates of the shift east and north, NaN where the misfits do not tell it."""
    unknown = Estimate(np.nan, np.nan, np.nan, False)
    terms = [*terms, EAST, NORTH]
    shift = np.zeros(2)
    for step in range(_SHIFT_STEPS):
        progress(step / _SHIFT_STEPS)
        found = fit(terms, shift)
        move = found.values[-2:]
        length = float(np.hypot(*move))
        shift = shift + move * min(1.0, max_shift / 5.0 / max(length, 1e-12))
        if np.hypot(*shift) > max_shift:
            return unknown, unknown
        if length < _SHIFT_SETTLED:
            break
    else:
        return unknown, unknown
    if fit(terms[:-2], shift).spread > fit(terms[:-2]).spread:
        return unknown, unknown
    covariance = found.covariance[-2:, -2:]
    p = found.chance(shift, covariance)
    uncert = np.sqrt(np.diag(covariance))
    return tuple(Estimate(float(v), float(u), p, False) for v, u in zip(shift, uncert))


def _offset_and_scale(fit, terms, blocks: _Blocks, frame: Grid, beyond) -> tuple:
    """Return both estimates, their covariance with 0 for what is not removed, and the fit.

    Together they fit one survey well and lead astray at other depths, unless both are beyond
    doubt; otherwise it is the one that leaves less misfit.
    """
    found = {term: (np.nan, np.nan, np.nan) for term in (OFFSET, SCALE)}

    def tell(terms, chosen, covariance):
        chances = [
            chosen.chance(*term) for term in zip(chosen.values, np.diag(covariance))
        ]
        for term, value, error, p in zip(terms, chosen.values, np.diag(covariance), chances):
            found[term] = (float(value), float(np.sqrt(error)), p)
        return max(chances)

    removed, chosen = [], fit(terms)
    covariance = chosen.covariance
    if len(terms) > 1 and tell(terms, chosen, covariance) <= BEYOND_DOUBT:
        removed = terms
    else:
        alone = [(fit([term]), [term]) for term in terms]
        chosen, only = min(alone, key=lambda one: (one[0].misfit**2).sum())
        covariance = chosen.covariance + _drifting(chosen, blocks, frame, beyond)
        if tell(only, chosen, covariance) <= SIGNIFICANCE:
            removed = only
    known = np.zeros((2, 2))
    if removed:
        # The positive part of James and Stein's estimator, towards no bias.
        wald = chosen.values @ np.linalg.pinv(covariance) @ chosen.values
        trust = max(1.0 - len(removed) / wald, 0.0)
        for term, value in zip(removed, chosen.values):
            found[term] = (float(trust * value), *found[term][1:])
        known[np.ix_(removed, removed)] = covariance
    return (
        Estimate(*found[OFFSET], OFFSET in removed),
        Estimate(found[SCALE][0] + 1.0, *found[SCALE][1:], SCALE in removed),
        known, chosen,
    )  # fmt: skip


def _drifting(fit: _Fit, blocks: _Blocks, frame: Grid, beyond) -> float:
    """Return by how much a single term's variance grows where the misfit changes across a lake.

    A plane through what the term leaves is carried on from the survey to the cells beyond it:
    its mean square there, less what chance makes of a plane's slope.
    """
    middle = blocks.xy.mean(axis=0)
    plane = np.linalg.pinv(np.column_stack([np.ones(len(blocks.xy)), blocks.xy - middle]))[1:]
    slope = plane @ fit.misfit
    by_chance = plane @ fit.structure.among(blocks.xy) @ plane.T
    rows, cols = np.nonzero(beyond)
    if not len(rows):
        return 0.0
    away = np.column_stack([frame.x[cols], frame.y[rows]]) - middle
    spread = away.T @ away / len(away)
    grown = max(float(slope @ spread @ slope - np.trace(spread @ by_chance)), 0.0)
    return grown / float(np.mean(fit.drift**2))


# -- uncertainty -------------------------------------------------------------------


def _interval(lines: Lines) -> float:
    """Return the usual contour interval, m."""
    levels = np.unique(np.append(np.asarray(lines.attributes["depth"], dtype=float), 0.0))
    return float(np.median(np.diff(levels))) if len(levels) > 1 else 0.0


def _hidden(fit: _Fit, misfit) -> float:
    """Return how much wider misfits spread over the lake than within one survey, 1 or more."""
    within = max(float(np.var(misfit)), _LEAST_SPREAD**2)
    by_block = float(np.var(fit.misfit))
    whole = within - by_block + fit.structure.sill + fit.structure.nugget
    return float(np.sqrt(max(whole / within, 1.0)))


def _spread(misfit, slope, sigma) -> tuple:
    """Return the spread on level bottom and its growth with the slope, both m."""
    order = np.argsort(slope, kind="stable")
    parts = [p for p in np.array_split(order, int(np.clip(len(order) // 50, 1, 12))) if len(p)]
    # Two standard deviations are to hold 95 %: the misfits have long tails.
    wide = np.array([np.quantile(np.abs(misfit[p]), _TWO_SIGMA) / 2.0 for p in parts])
    own = np.array([np.nanmean(np.nan_to_num(sigma[p]) ** 2) for p in parts])
    steep = np.array([np.mean(slope[p] ** 2) for p in parts])
    variance = np.maximum(wide**2 - own, _LEAST_SPREAD**2)
    scaled = np.column_stack([np.ones(len(parts)), steep]) / variance[:, None]
    law, _ = nnls(scaled, np.ones(len(parts)))
    return float(max(np.sqrt(law[0]), _LEAST_SPREAD)), float(np.sqrt(law[1]))


def _join(frame, depth, sigma, distance, general, general_sigma, width, length, progress) -> tuple:
    """Return the blended surface, and the survey's weight in each cell."""
    surveyed = np.isfinite(depth)
    cell = (frame.dy, frame.dx)
    away, nearest = distance_transform_edt(~surveyed, sampling=cell, return_indices=True)
    edge = tuple(nearest)
    progress(0.3)
    # Where the survey leaves the general map, as over a shore drawn too tight, nothing is known.
    tied = surveyed & np.isfinite(general)
    off, source = distance_transform_edt(~tied, sampling=cell, return_indices=True)
    source = tuple(source)
    own = np.where(np.isfinite(sigma), sigma, np.nanmedian(sigma) if tied.any() else 0.0)
    trust = 1.0 / (own[source] ** 2 + _LEAST_SPREAD**2)
    carried = _carried((depth - general)[source], trust, off, width, frame, progress)
    weight = 1.0 - smooth_step(away / width)
    mixed = general + (1.0 - smooth_step(off / width)) * carried
    joined = np.where(surveyed, depth, mixed)
    # The mixture stays in the water.
    joined[~surveyed & (joined < 0) & (general >= 0)] = 0.0
    share = 1.0 - smooth_step(off / width)
    alike = np.exp(-off / max(length, 1e-6))
    variance = general_sigma**2 * np.maximum(1.0 + share**2 - 2.0 * share * alike, 0.0)
    outside = np.sqrt(variance + (share * own[source]) ** 2)
    known = np.isfinite(joined)
    reach = away + np.nan_to_num(distance[edge])
    surface = Surface(
        frame.like(joined),
        frame.like(np.where(known, np.where(surveyed, sigma, outside), np.nan)),
        frame.like(np.where(known, np.where(surveyed, distance, reach), np.nan)),
    )
    progress(1.0)
    return surface, np.where(known, np.where(surveyed, 1.0, weight), np.nan)


def _carried(value, trust, off, width, frame, progress) -> np.ndarray:
    """Smooth the misfit of the nearest edge over half the distance to it, more the farther."""
    out = np.array(value)
    wanted = 0.5 * off
    last, at = value, 0.0
    sigma = 0.5 * max(frame.dx, frame.dy)
    while at < 0.5 * width:
        progress(0.3 + 0.6 * min(at / (0.5 * width), 1.0))
        cells = (sigma / frame.dy, sigma / frame.dx)
        smooth = gaussian_filter(value * trust, cells, mode="nearest")
        smooth /= gaussian_filter(trust, cells, mode="nearest")
        ring = (wanted > at) & (wanted <= sigma)
        t = (wanted[ring] - at) / (sigma - at)
        out[ring] = (1.0 - t) * last[ring] + t * smooth[ring]
        last, at, sigma = smooth, sigma, 1.6 * sigma
    return out


# -- report ------------------------------------------------------------------------


def _rms(values) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _by_depth(depth, before, after, step) -> list:
    level = np.floor(depth / step).astype(int)
    return [
        DepthClass(
            float(n * step), float((n + 1) * step), int(rows.sum()), float(before[rows].mean()),
            _rms(before[rows]), float(after[rows].mean()), _rms(after[rows]),
        )
        for n in np.unique(level)
        for rows in [level == n]
    ]
