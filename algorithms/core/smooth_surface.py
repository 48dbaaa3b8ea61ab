"""Smooth depth surface: a thin plate through weighted soundings, fitted to lanes left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from .errors import LakefloorError
from .grid import Grid, Surface
from .progress import Progress, silent, span
from .soundings import Soundings
from .spacing import usable
from .surface_nodes import BREAK_LINE, SHORE, SOUNDING, Frame, Nodes, frame, nearest_sounding
from .surface_uncertainty import LEAST_NOISE, estimate_growth, uncertainty
from .thin_plate import Held, halve, per_cell, thin_plate

# Give of the plate that is tried first, its steps, and the stiffness along strike.
_GIVE, _STEPS, _ALONG = 0.03, (1 / 9, 1 / 3, 3.0), (0.0, 10.0, 30.0, 100.0)
_LEAST_GIVE, _MOST_GIVE = 1e-4, 3.0
_TRIAL_NODES = 12_000
_TRIAL_CELLS = 5.0
_WINDOW, _MARGIN = 24.0, 3.0
_TILE = 6_000_000
_HALO = 8.0


@dataclass(frozen=True)
class Fit:
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


def smooth_surface(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline=None,
    break_lines=(),
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    smoothing: float | None = None,
    progress: Progress = silent,
) -> tuple:
    """Return a depth surface that bends as little as the soundings and their noise allow.

    Parameters
    ----------
    soundings : Soundings
        Only accepted ones are used, each weighed by ``uncert``; where that is not stated,
        by the scatter along the lanes.
    cell : float, optional
        Cell size, m; about an eighth of the lane spacing if None.
    shoreline : shapely Polygon or MultiPolygon, optional
        Lake with its islands as holes: a line of known depth, and the mask. Nothing is
        carried across land.
    break_lines : sequence of array, shape (k, 2) or (k, 3)
        Lines across which the surface may bend freely; x, y and, where known, depth, m.
        See :func:`~.surface_nodes.break_line_nodes`.
    max_gap : float, optional
        Cells farther than this from every sounding have no value, m; two and a half
        lane spacings if None.
    shore_depth : float
        Depth of the shoreline below the lake datum, m.
    smoothing : float, optional
        Length of forms along the lanes whose height is halved, m; if None, the one by
        which lanes left out are predicted best.
    progress : callable

    Returns
    -------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Not deeper
        than the deepest node, nor above the shore or the shoalest node.
    fit : Fit

    Raises
    ------
    LakefloorError
        As :func:`~.surface_nodes.frame`; or if ``smoothing`` is negative.

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
    if smoothing is not None and not (np.isfinite(smoothing) and smoothing >= 0):
        raise LakefloorError(f"Smoothing must be 0 m or more; got {smoothing}.")
    f = frame(
        soundings,
        cell=cell,
        shoreline=shoreline,
        break_lines=break_lines,
        max_gap=max_gap,
        shore_depth=shore_depth,
    )
    progress(0.1)
    kept = usable(soundings)
    noise = _scatter(kept)
    distance = nearest_sounding(f.grid, f.mask, f.soundings, f.max_gap, span(progress, 0.1, 0.3))
    wet = np.isfinite(distance)
    lines = f.nodes.select(f.nodes.kind != SOUNDING)
    pings = Nodes.build(kept.x, kept.y, kept.depth, SOUNDING, kept.uncert)
    held = [_held(nodes, f.grid, noise) for nodes in (pings, lines)]
    held = per_cell(Held(*(np.concatenate(pair) for pair in zip(*held))), f.grid.shape)

    nodes, grid, water = _trial(f, wet)
    density = held.weight.sum() / (wet.sum() * f.grid.dx**2)
    give = None
    if smoothing is not None:
        give = (2.0 * np.pi / max(smoothing, 1e-3)) ** 2 / np.sqrt(density)
        give = float(np.clip(give, _LEAST_GIVE, _MOST_GIVE))
    give, along, rmse = _choose(nodes, grid, water, noise, f.spacing, give, span(progress, 0.3, 0.5))

    def predict(nodes, xy):
        return _predict(nodes, xy, grid, water, noise, f.spacing, give, along)

    growth = estimate_growth(nodes, f.spacing, predict, span(progress, 0.5, 0.6))
    depth = _plate(f, wet, held, break_lines, give, along, span(progress, 0.6, 0.95))
    known = np.concatenate([held.depth, [shore_depth] if shoreline is not None else []])
    depth = np.where(wet, depth.clip(known.min(), known.max()), np.nan)
    slope = _slope(depth, f.spacing, f.grid.dx)
    at_node = np.maximum(noise, np.hypot(growth.noise, growth.position * slope))
    sigma = uncertainty(f, distance, at_node, slope, growth)
    progress(1.0)
    fit = Fit(give, along, 2.0 * np.pi / (density * give**2) ** 0.25, rmse)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance)), fit


def _scatter(soundings: Soundings) -> float:
    """Return the standard deviation of depth about a straight line of three pings, m."""
    bend = np.diff(soundings.depth, n=2)
    stated = soundings.uncert[np.isfinite(soundings.uncert)]
    if len(stated):
        return float(np.median(stated))
    # Noise of standard deviation s bends by s sqrt(1 + 4 + 1).
    seen = 1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0) if len(bend) else 0.0
    return max(float(seen), LEAST_NOISE)


def _slope(depth, spacing: float, cell: float) -> np.ndarray:
    """Return the slope of the bottom around each cell, m per m, over about a lane spacing."""
    step = max(int(spacing / 6.0 / cell), 1)
    part = depth[::step, ::step]
    if min(part.shape) < 2:
        return np.zeros(depth.shape)
    gradient = np.array(np.gradient(part, step * cell))
    known = np.isfinite(gradient).all(axis=0)
    reach = 0.5 * spacing / (step * cell)
    share = np.maximum(gaussian_filter(known.astype(float), reach), 1e-9)
    mean = [gaussian_filter(np.where(known, g, 0.0), reach) / share for g in gradient]
    slope = np.hypot(*mean).repeat(step, axis=0).repeat(step, axis=1)
    return slope[: depth.shape[0], : depth.shape[1]]


def _held(nodes: Nodes, grid: Grid, noise: float) -> tuple:
    row, col = grid.rows_cols(nodes.x, nodes.y)
    near = (row > -1) & (row < grid.shape[0]) & (col > -1) & (col < grid.shape[1])
    sigma = np.where(nodes.uncert > 0, nodes.uncert, noise)
    return row[near], col[near], nodes.depth[near], 1.0 / sigma[near] ** 2


def _plate(f: Frame, wet, held: Held, break_lines, give, along, progress) -> np.ndarray:
    """Solve the plate in strips of rows that overlap."""
    rows, cols = wet.shape
    # Strips start on multiples of 64 cells, so that their coarser grids fall on each other.
    halo = 64 * int(np.ceil(_HALO * f.spacing / f.grid.dx / 64))
    strip = max(64 * int(_TILE / cols / 64), 2 * halo)
    soft = _cuts(break_lines, f.grid) if len(break_lines) else None
    depth = np.empty(wet.shape)
    for start in range(0, rows, strip):
        first, last = max(start - halo, 0), min(start + strip + halo, rows)
        part = slice(first, last)
        inside = (held.row >= first) & (held.row <= last - 1)
        if first == 0:
            inside |= held.row < 0
        if last == rows:
            inside |= held.row > rows - 1
        if not inside.any():
            depth[start : start + strip] = np.nan
            continue
        z = thin_plate(
            wet[part],
            Held(held.row[inside] - first, *(v[inside] for v in (held.col, held.depth, held.weight))),
            cell=f.grid.dx,
            give=give,
            along=along,
            spacing=f.spacing,
            soft=None if soft is None else tuple(cut[part] for cut in soft),
            progress=span(progress, start / rows, min(start + strip, rows) / rows),
        )
        depth[start : start + strip] = z[start - first :][:strip]
    return depth


def _cuts(lines, grid: Grid) -> tuple:
    """Tell which cells a line parts from their eastern, and from their southern neighbour."""
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


def _trial(f: Frame, wet) -> tuple:
    """Return nodes, grid and water of whole windows of the lake, laid side by side."""
    nodes, cell = f.nodes, f.grid.dx
    row, col = f.grid.rows_cols(nodes.x, nodes.y)
    while 2.0 * cell <= f.spacing / _TRIAL_CELLS:
        wet, cell = halve(wet), 2.0 * cell
        row, col = (row - 0.5) / 2.0, (col - 0.5) / 2.0
    side = int(np.ceil(_WINDOW * f.spacing / cell))
    across = wet.shape[1] // side + 1
    window = np.rint(row).astype(int).clip(0) // side * across + np.rint(col).astype(int).clip(
        0
    ) // side
    windows, window, count = np.unique(window, return_inverse=True, return_counts=True)
    every = int(np.ceil(len(nodes) / _TRIAL_NODES))
    if every == 1:
        grid = Grid(wet, 0.0, wet.shape[0] * cell, cell, cell)
        return _moved(nodes, row, col, grid, np.ones(len(nodes), dtype=bool)), grid, wet
    # From the fullest down, so that the sample holds soundings and not only shore.
    chosen = np.argsort(-count, kind="stable")[:: max(every, 1)]
    water, parts = [], []
    grid = Grid(np.empty((side, (side + 2) * len(chosen))), 0.0, side * cell, cell, cell)
    for number, k in enumerate(chosen):
        top, left = windows[k] // across * side, windows[k] % across * side
        piece = np.zeros((side, side + 2), dtype=bool)
        found = wet[top : top + side, left : left + side]
        piece[: found.shape[0], : found.shape[1]] = found
        water.append(piece)
        mine = window == k
        r, c = row[mine] - top, col[mine] - left
        margin = _MARGIN / _WINDOW * side
        inner = np.minimum(np.minimum(r, c), side - 1 - np.maximum(r, c)) > margin
        parts.append((nodes.select(mine), r, c + number * (side + 2), inner))
    nodes = [_moved(n, r, c, grid, inner) for n, r, c, inner in parts]
    return Nodes(*(np.concatenate(v) for v in zip(*(vars(n).values() for n in nodes)))), grid, (
        np.hstack(water)
    )


def _moved(nodes: Nodes, row, col, grid: Grid, inner) -> Nodes:
    # Nodes near the edge of a window stay in: what is beyond it is not there to predict them.
    kind = np.where(inner | (nodes.kind != SOUNDING), nodes.kind, BREAK_LINE)
    x, y = grid.west + (col + 0.5) * grid.dx, grid.north - (row + 0.5) * grid.dy
    return Nodes.build(x, y, nodes.depth, kind, nodes.uncert, nodes.lane)


def _predict(nodes: Nodes, xy, grid: Grid, water, noise, spacing, give, along) -> np.ndarray:
    held = Held(*_held(nodes, grid, noise))
    z = thin_plate(water, held, cell=grid.dx, give=give, along=along, spacing=spacing)
    low, high = nodes.depth.min(), nodes.depth.max()
    return grid.like(np.where(water, z.clip(low, high), np.nan)).sample(*xy.T)


def _choose(nodes: Nodes, grid: Grid, water, noise, spacing, give, progress) -> tuple:
    """Return give, stiffness along strike and the misfit of the lanes left out."""
    free = nodes.kind == SOUNDING
    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        out = free & (nodes.lane > 0) & (lane % 2 == 0)
    else:
        col, row = np.floor(nodes.x / spacing / 2.0), np.floor(nodes.y / spacing / 2.0)
        out = free & (col % 2 == 0) & (row % 2 == 0)
    kept, left = nodes.select(~out), nodes.select(out)

    def misfit(give, along):
        error = _predict(kept, left.xy, grid, water, noise, spacing, give, along) - left.depth
        error = error[np.isfinite(error)]
        return float(np.sqrt(np.mean(error**2))) if len(error) else np.nan

    if out.sum() < 30 or (~out).sum() < 30:
        return give or _GIVE, 0.0, np.nan
    tried = {}
    start = give or _GIVE
    for number, along in enumerate(_ALONG):
        progress(number / 8.0)
        tried[start, along] = misfit(start, along)
    best = min(tried, key=tried.get)
    if give is None:
        for number, step in enumerate(_STEPS):
            progress((len(_ALONG) + number) / 8.0)
            tried[step * start, best[1]] = misfit(step * start, best[1])
        best = min(tried, key=tried.get)
    progress(1.0)
    return (*best, tried[best])
