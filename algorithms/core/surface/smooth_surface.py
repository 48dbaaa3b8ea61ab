"""Smooth depth surface: a thin plate through weighted soundings, fitted to lanes left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import threads
from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .frame import Frame, frame
from .nodes import SOUNDING, Nodes
from .sample_windows import SampleWindows, choose_windows, lanes_left_out
from .surface_uncertainty import LEAST_NOISE, Growth, learn_growth, uncertainty
from .thin_plate import Held, per_cell, thin_plate

# Give of the plate that is tried first, its steps, and the stiffness along strike.
_GIVE, _STEPS, _ALONG = 0.03, (1 / 3, 3.0), (0.0, 10.0, 30.0, 100.0)
_LEAST_GIVE, _MOST_GIVE, _CLEAR_GAIN = 1e-4, 3.0, 0.05
#: Lane spacings around a part beyond which what lies there hardly shows in it.
HALO = 6.0


@dataclass(frozen=True)
class SmoothFit:
    """How a smooth surface was drawn.

    Attributes
    ----------
    give, along : float
        See :func:`~.thin_plate.thin_plate`.
    smoothing : float
        Length of forms along the lanes whose height is halved, m.
    lane_out_rmse : float
        Root mean square misfit, m, of soundings to the surface drawn without them, every
        second lane left out: the error if lanes were twice as far apart, with the noise of
        the soundings. NaN if there is too little to leave out.
    """

    give: float
    along: float
    smoothing: float
    lane_out_rmse: float


@dataclass(frozen=True)
class Learned:
    """What a smooth surface of the whole survey needs to know.

    Attributes
    ----------
    fit : SmoothFit
    noise : float
        Standard deviation, m, of soundings that state none.
    growth : Growth
    low, high : float
        Least and greatest known depth, m.
    """

    fit: SmoothFit
    noise: float
    growth: Growth
    low: float
    high: float


def smooth_surface(
    soundings: Soundings,
    *,
    smoothing: float | None = None,
    progress: Progress = silent,
    **where: Any,
) -> tuple:
    """Return a depth surface that bends as little as the soundings and their noise allow.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used, each weighed by ``uncert``; where that is not stated,
        by the scatter along the lanes.
    smoothing : float, optional
        Length of forms along the lanes whose height is halved, m; if None, the one by
        which lanes left out are predicted best.
    progress : callable
    **where
        ``cell``, ``shoreline``, ``breaklines``, ``max_gap``, ``shore_depth`` and ``spacing``, as
        for :func:`~.frame.frame`. Nothing is carried across land; across breaklines the surface
        may bend freely.

    Returns
    -------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Not deeper
        than the deepest sounding, nor above the shore or the shoalest sounding.
    fit : SmoothFit

    Raises
    ------
    LakefloorError
        As :func:`~.frame.frame`; or if ``smoothing`` is negative.

    Notes
    -----
    See :func:`~.thin_plate.thin_plate` for the plate. How readily it bends and how much
    stiffer it is along the strike of the bottom are chosen by leaving out every second
    lane (Roberts et al. 2017), in a sample of windows of a large lake. Both are traits of
    the bottom and hold for any spacing, so that what suits twice the spacing suits this one.

    References
    ----------
    Wahba, G. (1990). Spline Models for Observational Data. SIAM, chapters 2 and 4.
    Roberts, D. R. et al. (2017). Cross-validation strategies for data with temporal,
    spatial, hierarchical, or phylogenetic structure. Ecography 40(8), 913-929.
    """
    f = frame(soundings, **where)
    progress(0.1)
    learned = learn_smooth(f, smoothing=smoothing, progress=span(progress, 0.1, 0.6))
    return draw_smooth(f, learned, span(progress, 0.6, 1.0)), learned.fit


def learn_smooth(
    f: Frame, *, smoothing: float | None = None, progress: Progress = silent
) -> Learned:
    """Choose give and stiffness along strike, and learn how the error grows.

    Parameters
    ----------
    f : Frame
        Of the whole survey.
    smoothing : float, optional
        As for :func:`smooth_surface`.
    progress : callable

    Raises
    ------
    LakefloorError
        If no cell within the shoreline lies within the maximum gap of a sounding, or if
        ``smoothing`` is negative.
    """
    if smoothing is not None and not (np.isfinite(smoothing) and smoothing >= 0):
        raise LakefloorError(f"Smoothing must be 0 m or more, not {smoothing} m.")
    kept = f.soundings
    noise = _scatter(kept)
    wet = np.isfinite(f.distance)
    if not wet.any():
        raise LakefloorError(
            f"No cell within the shoreline lies within {written(f.max_gap, 'g')} m of a sounding. "
            "Give a larger search distance, or check the shoreline."
        )
    t = choose_windows(f, wet)
    progress(0.2)
    density = _weight(kept.uncert, noise).sum() / (wet.sum() * f.grid.dx**2)
    give = None
    if smoothing is not None:
        give = (2.0 * np.pi / max(smoothing, 1e-3)) ** 2 / np.sqrt(density)
        give = float(np.clip(give, _LEAST_GIVE, _MOST_GIVE))
    give, along, rmse = _choose(t, noise, give, span(progress, 0.2, 0.7))

    def predict(nodes, xy):
        return t.grid.like(_drawn(t, nodes, noise, give, along)).sample(*xy.T)

    growth = learn_growth(t, predict, progress=span(progress, 0.7, 1.0))
    fit = SmoothFit(give, along, 2.0 * np.pi / (density * give**2) ** 0.25, rmse)
    return Learned(fit, noise, growth, *depth_limits(f))


def depth_limits(f: Frame) -> tuple:
    """Return the least and the greatest known depth, m: soundings, shore and breaklines."""
    known = f.soundings.depth, f.nodes.depth[f.nodes.kind != SOUNDING]
    low, high = ([end(depth) for depth in known if len(depth)] for end in (np.min, np.max))
    return float(min(low)), float(max(high))


def draw_smooth(f: Frame, learned: Learned, progress: Progress = silent) -> Surface:
    """Draw a smooth surface with what was learned from the whole survey.

    Parameters
    ----------
    f : Frame
        Of the whole survey or, by :meth:`Frame.window`, of a part of it.
    learned : Learned
        From :func:`learn_smooth` of the whole.
    progress : callable

    Returns
    -------
    Surface
        Without any value if a part has no sounding.

    Notes
    -----
    A part that starts on a multiple of 64 rows and columns, so that its coarser grids fall on
    those of the whole, with a halo of :data:`HALO` lane spacings, differs from the whole by less
    than a tenth of the stated uncertainty (some millimeters, root mean square).
    """
    distance = f.distance
    wet = np.isfinite(distance)
    if not wet.any():
        void = f.grid.like(distance)
        return Surface(void, void, void, f.spacing)
    held = _prepared(f, learned.noise)
    progress(0.1)
    depth = thin_plate(
        wet,
        held,
        cell=f.grid.dx,
        give=learned.fit.give,
        along=learned.fit.along,
        spacing=f.spacing,
        soft=_cuts(f.breaklines, f.grid) if len(f.breaklines) else None,
        progress=span(progress, 0.1, 0.9),
    )
    depth = np.where(wet, depth.clip(learned.low, learned.high), np.nan)
    sigma = uncertainty(f, distance, learned.growth)
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance), f.spacing)


def _prepared(f: Frame, noise: float) -> Held:
    """Return the depths that hold the plate."""
    kept = f.soundings
    nodes = Nodes.build(kept.x, kept.y, kept.depth, SOUNDING, kept.uncert)
    pings = per_cell(Held(*_held(nodes, f.grid, noise)), f.grid.shape)
    lines = _held(f.nodes.select(f.nodes.kind != SOUNDING), f.grid, noise)
    return Held(*(np.concatenate(pair) for pair in zip(vars(pings).values(), lines)))


def _scatter(soundings: Soundings) -> float:
    """Return the standard deviation of depth about a straight line of three pings, m."""
    bend = np.diff(soundings.depth, n=2)
    stated = soundings.uncert[np.isfinite(soundings.uncert)]
    if len(stated):
        return float(np.median(stated))
    # Noise of standard deviation s bends by s sqrt(1 + 4 + 1).
    seen = 1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0) if len(bend) else 0.0
    return max(float(seen), LEAST_NOISE)


def _held(nodes: Nodes, grid: Grid, noise: float) -> tuple:
    row, col = grid.rows_cols(nodes.x, nodes.y)
    near = (row > -1) & (row < grid.shape[0]) & (col > -1) & (col < grid.shape[1])
    return row[near], col[near], nodes.depth[near], _weight(nodes.uncert[near], noise)


def _weight(stated, noise: float) -> np.ndarray:
    return 1.0 / np.where(stated > 0, stated, noise) ** 2


def _cuts(lines, grid: Grid) -> tuple:
    """Tell which cells a line parts from their eastern, and from their southern neighbor."""
    east, south = np.zeros(grid.shape, dtype=bool), np.zeros(grid.shape, dtype=bool)
    for line in lines:
        line = np.asarray(line, dtype=float)
        row, col = grid.rows_cols(line[:, 0], line[:, 1])
        for cut, level, across in ((east, row, col), (south.T, col, row)):
            low, high = np.minimum(level[:-1], level[1:]), np.maximum(level[:-1], level[1:])
            first = np.ceil(low).astype(int).clip(0, cut.shape[0])
            count = (np.ceil(high).astype(int).clip(0, cut.shape[0]) - first).clip(0)
            piece = np.repeat(np.arange(len(count)), count)
            at = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[piece]
            t = (at - level[piece]) / np.diff(level)[piece]
            where = np.floor(across[piece] + t * np.diff(across)[piece]).astype(int)
            there = (where >= 0) & (where < cut.shape[1])
            cut[at[there], where[there]] = True
    return east, south


def _drawn(t: SampleWindows, nodes: Nodes, noise, give, along) -> np.ndarray:
    held = Held(*_held(nodes, t.grid, noise))
    z = thin_plate(t.water, held, cell=t.grid.dx, give=give, along=along, spacing=t.spacing)
    # Soundings beside the grid have no scatter there, so that with noise they have no depth.
    return np.where(t.water, z.clip(np.nanmin(nodes.depth), np.nanmax(nodes.depth)), np.nan)


def _choose(t: SampleWindows, noise, give, progress) -> tuple:
    """Return give, stiffness along strike and the misfit of the lanes left out."""
    nodes, spacing = t.nodes, t.spacing
    out = lanes_left_out(nodes, spacing)
    kept, left = nodes.select(~out), nodes.select(out)

    def misfit(give, along):
        drawn = t.grid.like(_drawn(t, kept, noise, give, along))
        error = drawn.sample(*left.xy.T) - left.depth
        error = error[np.isfinite(error)]
        return float(np.sqrt(np.mean(error**2))) if len(error) else np.nan

    if out.sum() < 30 or (~out).sum() < 30:
        return give or _GIVE, 0.0, np.nan
    start = give or _GIVE
    first = [(start, along) for along in _ALONG]
    tried = dict(zip(first, threads.side_by_side(misfit, first, span(progress, 0.0, 0.7))))
    best = min(tried, key=lambda pair: tried[pair])
    if give is None:
        steps = [(step * start, best[1]) for step in _STEPS]
        tried.update(zip(steps, threads.side_by_side(misfit, steps, span(progress, 0.7, 1.0))))
        other = min(tried, key=lambda pair: tried[pair])
        # Little is known of the best give beyond its order of size: leave it only for a clear gain.
        if tried[other] < (1.0 - _CLEAR_GAIN) * tried[best]:
            best = other
    progress(1.0)
    return (*best, tried[best])
