"""Bottom type from the hardness that an echo sounder logs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import MultiPolygon, Polygon

from ..errors import LakefloorError
from ..grid import Grid
from ..number_text import written
from ..polygons import inside
from ..progress import Progress, silent, span, watched
from ..soundings import Soundings
from ..spacing import lane_spacing
from ..surface.smooth_surface import smooth_surface
from ..terrain import slope as slope_of
from .bottom_type_map import BottomTypeMap
from .bottom_type_notes import notes_on
from .depth_slope_trend import HardnessTrend, fit_trend
from .hardness_names import MAX_SLOPE_DEG, MIN_DEPTH_M, THRESHOLDS
from .mixture import Mixture, between, boundaries, memberships
from .observations import LoggedHardness, hardness_steps, observations_of
from .sample_calibration import CLASS_NAMES, Calibration, calibrate
from .visit_gains import VisitGains, as_logged, find_visit_gains

#: Cells between two looks at cancel.
_CELLS = 50_000
# The surface is drawn as if hardness were tenths of a meter, so that its least noise fits.
_SCALE = 10.0
# Footprints between two observations of one place.
_REACH = 2.0


def bottom_type(
    soundings: Soundings,
    depth: Grid,
    *,
    shoreline: Polygon | MultiPolygon | None = None,
    cell: float | None = None,
    max_gap: float | None = None,
    spacing: float | None = None,
    method: str = "mixture",
    thresholds: tuple[float, float] = THRESHOLDS,
    samples: tuple | None = None,
    adjust: bool = True,
    max_slope_deg: float = MAX_SLOPE_DEG,
    min_depth_m: float = MIN_DEPTH_M,
    beam_deg: float | None = None,
    progress: Progress = silent,
) -> BottomTypeMap:
    """Map relative bottom hardness with its uncertainty, and classes of it.

    Parameters
    ----------
    soundings : Soundings
        With ``hardness`` 0..1, as logged, of one or more visits.
    depth : Grid
        Depth surface, m, positive down: hardness is freed from its depth and slope.
    shoreline : shapely Polygon or MultiPolygon, optional
        Nothing is drawn outside it.
    cell, max_gap, spacing : float, optional
        As for :func:`~..surface.smooth_surface.smooth_surface`.
    method : {"mixture", "thresholds"}
        Classes by the mixture that fits the data best, or by ``thresholds``.
    thresholds : (float, float)
        Hardness from which on the bottom is medium, and hard.
    samples : (x, y, class), optional
        Places, m, and classes (0 soft, 1 medium, 2 hard) of bottom samples, which give the
        thresholds whatever the method.
    adjust : bool
        Adjust the visits' gains and offsets on their overlaps. A visit that overlaps with none
        is then left out.
    max_slope_deg : float
        Observations on steeper bottom are left out.
    min_depth_m : float
        Observations in shallower water are left out, m.
    beam_deg : float, optional
        Width of the sounder's beam for all soundings; see :func:`.observations.observations_of`.
    progress : callable

    Returns
    -------
    BottomTypeMap

    Raises
    ------
    LakefloorError
        As :func:`~.observations.observations_of`,
        :func:`~..surface.smooth_surface.smooth_surface` and
        :func:`~.sample_calibration.calibrate`; or if a parameter is out of range, or too few
        observations are left.

    Notes
    -----
    1. Pings of one footprint are averaged; see :func:`~.observations.observations_of`.
    2. Visits are adjusted; see :func:`~.visit_gains.find_visit_gains`.
    3. A mixture of classes with a common trend, linear in the logarithm of depth and in slope,
       is fitted to observations away from edges; see :func:`~.mixture.fit_mixture`. The trend is
       thus that within the classes: gravel that happens to lie on the shelf only is not mistaken
       for a dependence on depth.
    4. What is left after the trend is drawn as a smooth surface, whose uncertainty is found from
       lanes left out; the errors of trend and gains are added to it.
    5. Each cell gets the class that is most probable given its hardness and uncertainty.

    Hardness stays relative to this sounder unless samples name it.

    References
    ----------
    Hamilton, L. J. (2001). Acoustic seabed classification systems. DSTO-TN-0401, Defence Science
    and Technology Organisation, Australia.
    """
    _check(method, thresholds, max_slope_deg)
    found = _without_trend(
        soundings, depth, adjust, max_slope_deg, min_depth_m, beam_deg, span(progress, 0.0, 0.4)
    )
    hardness, sigma, distance, spacing = _drawn(
        found,
        shoreline,
        {"cell": cell, "max_gap": max_gap, "spacing": spacing},
        span(progress, 0.4, 0.9),
    )
    calibration = None
    if samples is not None:
        calibration = calibrate(hardness.sample(samples[0], samples[1]), samples[2])
    classes, limits, bottom, certain = _classified(
        hardness, sigma, method, thresholds, found, calibration
    )
    progress(1.0)
    result = BottomTypeMap(
        hardness,
        sigma,
        bottom,
        certain,
        distance,
        classes,
        limits,
        found.mixture,
        found.tried,
        found.trend,
        found.gains,
        found.logged,
        found.used,
        found.adjusted,
        found.reduced,
        calibration,
        float(spacing),
    )
    return replace(result, notes=notes_on(result, adjust, max_slope_deg, min_depth_m, method))


@dataclass(frozen=True)
class _WithoutTrend:
    """Observations freed from depth and slope, as :class:`.bottom_type_map.BottomTypeMap`.

    ``noise``, shape (k,), is the standard deviation of one adjusted observation of each visit.
    """

    logged: LoggedHardness
    gains: VisitGains
    noise: np.ndarray
    used: np.ndarray
    adjusted: np.ndarray
    reduced: np.ndarray
    mixture: Mixture
    tried: list
    trend: HardnessTrend


def _without_trend(
    soundings: Soundings,
    depth: Grid,
    adjust: bool,
    max_slope_deg: float,
    min_depth_m: float,
    beam_deg: float | None,
    progress: Progress,
) -> _WithoutTrend:
    """Adjust the visits, and free their hardness from depth and slope."""
    slope = slope_of(depth)[0] if min(depth.shape) >= 3 else depth.like(np.zeros(depth.shape))
    logged = observations_of(soundings, depth, slope, beam_deg, span(progress, 0.0, 0.1))
    obs = logged.observations
    gains = _gains(logged, adjust, span(progress, 0.1, 0.5))
    adjusted = gains.apply(obs.hardness, obs.visit)
    used = np.isfinite(adjusted) & ~(obs.slope > max_slope_deg) & (obs.depth >= min_depth_m)
    _check_count(int(used.sum()), max_slope_deg, min_depth_m)
    noise = logged.noise / np.abs(gains.gain)
    mixture, tried, trend = fit_trend(
        logged, adjusted, used, np.where(np.isfinite(noise), noise, 0.0), span(progress, 0.5, 1.0)
    )
    # Where the surface has no slope, at its very edge, the bottom counts as flat.
    reduced = adjusted - trend.at(obs.depth, np.nan_to_num(obs.slope))
    return _WithoutTrend(logged, gains, noise, used, adjusted, reduced, mixture, tried, trend)


def _gains(logged: LoggedHardness, adjust: bool, progress: Progress) -> VisitGains:
    """Return gain and offset of each visit, as logged where they are not to be found."""
    if not adjust or len(logged.visits) == 1:
        return as_logged(logged.visits)
    obs = logged.observations
    return find_visit_gains(
        obs.x,
        obs.y,
        obs.hardness,
        obs.visit,
        logged.visits,
        logged.noise,
        rate=hardness_steps(obs)[1],
        reach=_REACH * logged.footprint,
        progress=progress,
    )


def _check_count(count: int, max_slope_deg: float, min_depth_m: float) -> None:
    if count < 30:
        raise LakefloorError(
            "A map needs 30 places with hardness on bottom flatter than "
            f"{written(max_slope_deg, 'g')} degrees and deeper than {written(min_depth_m, 'g')} m. "
            f"Found: {count}. Widen these limits, or add soundings with hardness."
        )


def _classified(
    hardness: Grid,
    sigma: Grid,
    method: str,
    thresholds,
    found: _WithoutTrend,
    calibration: Calibration | None,
) -> tuple:
    """Return names of the classes, the thresholds between them, and two grids.

    These are the most probable class of each cell, 1 to 3, and its probability.
    """
    known = np.isfinite(hardness.values)
    classes, limits, probability = _classes(
        hardness.values[known],
        sigma.values[known],
        method,
        thresholds,
        found.mixture,
        calibration,
        float(np.median(found.noise[found.gains.solved])),
    )
    bottom, certain = np.full(hardness.shape, np.nan), np.full(hardness.shape, np.nan)
    if classes:
        numbers = np.array([CLASS_NAMES.index(name) + 1 for name in classes])
        bottom[known] = numbers[probability.argmax(axis=1)]
        certain[known] = probability.max(axis=1)
    return classes, limits, hardness.like(bottom), hardness.like(certain)


def _check(method, thresholds, max_slope_deg):
    if method not in ("mixture", "thresholds"):
        raise LakefloorError(f"Method '{method}' is unknown. Choose 'mixture' or 'thresholds'.")
    low, high = thresholds
    if not 0.0 < low < high < 1.0:
        raise LakefloorError(
            f"The hardness thresholds are {written(low, 'g')} and {written(high, 'g')}. Enter "
            "values between 0 and 1, the lower one first."
        )
    if not 0.0 < max_slope_deg <= 90.0:
        raise LakefloorError(
            f"The maximum slope is {written(max_slope_deg, 'g')} degrees. Enter a value between 0 "
            "and 90."
        )


def _drawn(found: _WithoutTrend, shoreline, sizes: dict, progress: Progress) -> tuple:
    """Return grids of hardness, its uncertainty and the distance to data, and the lane spacing.

    ``sizes`` are those of :func:`~..surface.smooth_surface.smooth_surface`.
    """
    obs, used = found.logged.observations, found.used
    made = Soundings.build(
        obs.x[used],
        obs.y[used],
        _SCALE * np.maximum(found.reduced[used], 0.0),
        visit=found.logged.visits[obs.visit[used]],
        lane=obs.lane[used],
    )
    if sizes["spacing"] is None:
        sizes = {**sizes, "spacing": lane_spacing(made)}
    surface, _ = smooth_surface(made, progress=span(progress, 0.0, 0.8), **sizes)
    grid = surface.depth
    hardness = np.clip(grid.values / _SCALE, 0.0, 1.0)
    if shoreline is not None:
        hardness = np.where(inside(shoreline, grid), hardness, np.nan)
        if np.isnan(hardness).all():
            raise LakefloorError(
                "No cell with hardness lies within the shoreline. Check that both belong to the "
                "same lake."
            )
    known = np.isfinite(hardness)
    rows, cols = np.nonzero(known)
    tree, near = cKDTree(np.column_stack([made.x, made.y])), np.empty(len(rows), dtype=int)
    for start in watched(range(0, len(rows), _CELLS), span(progress, 0.8, 1.0), every=1):
        part = slice(start, start + _CELLS)
        near[part] = tree.query(np.column_stack([grid.x[cols[part]], grid.y[rows[part]]]))[1]
    near = np.flatnonzero(used)[near]
    variance = (surface.uncertainty.values[known] / _SCALE) ** 2
    variance += found.trend.variance(obs.depth[near], np.nan_to_num(obs.slope[near]))
    variance += found.gains.variance(hardness[known], obs.visit[near])
    sigma = np.full(grid.shape, np.nan)
    sigma[known] = np.sqrt(variance)
    distance = np.where(known, surface.distance.values, np.nan)
    return grid.like(hardness), grid.like(sigma), grid.like(distance), sizes["spacing"]


def _classes(hardness, sigma, method, thresholds, mixture, calibration, noise) -> tuple:
    """Return names of the classes, the thresholds between them and each cell's probabilities."""
    if calibration is not None:
        limits = calibration.thresholds
        return calibration.present, limits, between(hardness, sigma, limits)
    if method == "thresholds":
        limits = np.asarray(thresholds, dtype=float)
        return CLASS_NAMES, limits, between(hardness, sigma, limits)
    if len(mixture) == 1:
        return (), np.array([]), None
    names = CLASS_NAMES if len(mixture) == 3 else (CLASS_NAMES[0], CLASS_NAMES[2])
    return names, boundaries(mixture), memberships(hardness, sigma, mixture, noise)
