"""Smooth depth surface: a thin plate through weighted soundings, fitted to lanes left out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from ..errors import LakefloorError
from ..grid import Grid, Surface
from ..progress import Progress, silent, span
from ..soundings import Soundings
from .surface_nodes import BREAK_LINE, SHORE, SOUNDING, Frame, Nodes, frame, join, sounding_nodes
from .surface_uncertainty import LEAST_NOISE, refine, to_known_depth
from .thin_plate import Held, halve, per_cell, thin_plate

# Give of the plate that is tried first, its steps, and the stiffness along strike.
_GIVE, _STEPS, _ALONG = 0.03, (1 / 3, 3.0), (0.0, 10.0, 30.0, 100.0)
_LEAST_GIVE, _MOST_GIVE, _CLEAR_GAIN = 1e-4, 3.0, 0.05
_TRIAL_NODES, _TRIAL_NODES_A_SPACING = 15_000, 10.0
_TRIAL_CELLS = 5.0
_WINDOW, _MARGIN = 24.0, 3.0
_SHARED = 0.5
_TWO_SIGMA, _LEAST_BEND = 0.9545, 0.3
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


@dataclass(frozen=True)
class Learned:
    """What a smooth surface of the whole survey needs to know.

    Attributes
    ----------
    fit : Fit
    noise : float
        Standard deviation, m, of soundings that state none.
    law : tuple
        Standard uncertainty by difficulty; see :func:`_law`.
    low, high : float
        Least and greatest known depth, m.
    """

    fit: Fit
    noise: float
    law: tuple
    low: float
    high: float


def smooth_surface(
    soundings: Soundings,
    *,
    cell: float | None = None,
    shoreline=None,
    break_lines=(),
    max_gap: float | None = None,
    shore_depth: float = 0.0,
    spacing: float | None = None,
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
    spacing : float, optional
        Lane spacing, m; estimated from the soundings if None.
    smoothing : float, optional
        Length of forms along the lanes whose height is halved, m; if None, the one by
        which lanes left out are predicted best.
    progress : callable

    Returns
    -------
    surface : Surface
        Depth, standard uncertainty and distance to the nearest sounding, m. Not deeper
        than the deepest sounding, nor above the shore or the shoalest sounding.
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
    f = frame(
        soundings,
        cell=cell,
        shoreline=shoreline,
        break_lines=break_lines,
        max_gap=max_gap,
        shore_depth=shore_depth,
        spacing=spacing,
    )
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
        raise LakefloorError(f"Smoothing must be 0 m or more; got {smoothing}.")
    kept = f.soundings
    noise = _scatter(kept)
    held, distance = _prepared(f, noise)
    wet = np.isfinite(distance)
    if not wet.any():
        raise LakefloorError(
            f"No cell within the shoreline lies within {f.max_gap:g} m of a sounding: give a "
            "larger maximum gap, or check the shoreline."
        )
    progress(0.2)
    thin = sounding_nodes(kept, max(f.grid.dx, f.spacing / _TRIAL_NODES_A_SPACING))
    nodes, grid, water = _trial(f, wet, join([thin, f.nodes.select(f.nodes.kind != SOUNDING)]))
    mean_of = len(kept) / len(thin)
    density = held.weight.sum() / (wet.sum() * f.grid.dx**2)
    give = None
    if smoothing is not None:
        give = (2.0 * np.pi / max(smoothing, 1e-3)) ** 2 / np.sqrt(density)
        give = float(np.clip(give, _LEAST_GIVE, _MOST_GIVE))
    give, along, rmse = _choose(
        nodes, grid, water, noise, f.spacing, give, span(progress, 0.2, 0.7)
    )
    law = _law(
        nodes, grid, water, noise, mean_of, f.spacing, (give, along), span(progress, 0.7, 1.0)
    )
    fit = Fit(give, along, 2.0 * np.pi / (density * give**2) ** 0.25, rmse)
    return Learned(fit, noise, law, *depth_limits(f))


def depth_limits(f: Frame) -> tuple:
    """Return the least and the greatest known depth, m: soundings, shore and break-lines."""
    known = (f.soundings.depth, f.nodes.depth)
    return float(min(map(np.min, known))), float(max(map(np.max, known)))


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
    those of the whole, with a halo of 8 lane spacings, differs from the whole by less than a
    tenth of the stated uncertainty (some millimetres, root mean square).
    """
    held, distance = _prepared(f, learned.noise)
    wet = np.isfinite(distance)
    if not wet.any():
        void = f.grid.like(distance)
        return Surface(void, void, void)
    progress(0.1)
    give, along = learned.fit.give, learned.fit.along
    depth = _plate(f, wet, held, f.break_lines, give, along, span(progress, 0.1, 0.9))
    depth = np.where(wet, depth.clip(learned.low, learned.high), np.nan)
    sigma = np.maximum(_uncertainty(f, depth, distance, learned.law), _shared_error(f, f.soundings))
    progress(1.0)
    return Surface(f.grid.like(depth), f.grid.like(sigma), f.grid.like(distance))


def _prepared(f: Frame, noise: float) -> tuple:
    """Return the depths that hold the plate, and the distance to the nearest sounding."""
    kept = f.soundings
    pings = Nodes.build(kept.x, kept.y, kept.depth, SOUNDING, kept.uncert)
    pings = per_cell(Held(*_held(pings, f.grid, noise)), f.grid.shape)
    lines = _held(f.nodes.select(f.nodes.kind != SOUNDING), f.grid, noise)
    held = Held(*(np.concatenate(pair) for pair in zip(vars(pings).values(), lines)))
    return held, _distance(f, pings)


def _scatter(soundings: Soundings) -> float:
    """Return the standard deviation of depth about a straight line of three pings, m."""
    bend = np.diff(soundings.depth, n=2)
    stated = soundings.uncert[np.isfinite(soundings.uncert)]
    if len(stated):
        return float(np.median(stated))
    # Noise of standard deviation s bends by s sqrt(1 + 4 + 1).
    seen = 1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0) if len(bend) else 0.0
    return max(float(seen), LEAST_NOISE)


def _distance(f: Frame, pings: Held) -> np.ndarray:
    """Return the distance from each cell to the nearest mean position of the pings in a cell."""
    shape = f.grid.shape
    near = np.ones(shape, dtype=bool)
    if not len(pings.row):
        return np.full(shape, np.nan)
    r = np.rint(pings.row).astype(int).clip(0, shape[0] - 1)
    c = np.rint(pings.col).astype(int).clip(0, shape[1] - 1)
    near[r, c] = False
    row, col = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
    row[r, c], col[r, c] = pings.row, pings.col
    r, c = distance_transform_edt(near, return_distances=False, return_indices=True)
    row, col = row[r, c], col[r, c]
    row -= np.arange(shape[0], dtype=np.float32)[:, None]
    col -= np.arange(shape[1], dtype=np.float32)
    distance = f.grid.dx * np.hypot(row, col).astype(float)
    distance[~f.mask | (distance > f.max_gap)] = np.nan
    return distance


def _law(nodes: Nodes, grid: Grid, water, noise, mean_of, spacing, fit, progress) -> tuple:
    """Return difficulty and standard uncertainty, m, as a table, and the least bending.

    Pieces of the survey are left out and predicted. In each class of difficulty two
    standard deviations hold 95.45 % of the misfits, less the noise of the soundings. The
    difficulty of a place is its distance to the nearest known depth times the bending of
    the surface around; the distance, not the width of the gap, as the left-out pieces
    lie in wider gaps than the lake has, which errs on the safe side.
    """
    lane = np.unique(nodes.lane, return_inverse=True)[1]
    folds = [(nodes.lane > 0) & (lane % 3 == 0)]
    for side in (spacing, 2.0 * spacing):
        col, row = np.floor(nodes.x / side), np.floor(nodes.y / side)
        folds.append((col % 2 == 0) & (row % 2 == 0))
    far, bends, misfits = [], [], []
    for number, out in enumerate(folds):
        progress(number / len(folds))
        out = out & (nodes.kind == SOUNDING)
        if not out.any() or (~out).sum() < 4:
            continue
        kept, left = nodes.select(~out), nodes.select(out)
        z = _drawn(kept, grid, water, noise, spacing, *fit)
        r, c = (np.rint(part).astype(int) for part in grid.rows_cols(kept.x, kept.y))
        free = np.ones(grid.shape, dtype=bool)
        free[r.clip(0, grid.shape[0] - 1), c.clip(0, grid.shape[1] - 1)] = False
        away = distance_transform_edt(free, sampling=grid.dx)
        misfit = grid.like(z).sample(*left.xy.T) - left.depth
        known = np.isfinite(misfit)
        far.append(grid.like(away).sample(*left.xy.T)[known])
        bends.append(grid.like(_bending(z, spacing, grid.dx)).sample(*left.xy.T)[known])
        misfits.append(np.abs(misfit[known]))
    progress(1.0)
    if not sum(map(len, far)):
        return np.array([1.0]), np.array([noise]), 0.0
    far, bends, misfits = (np.concatenate(p) for p in (far, bends, misfits))
    least = _LEAST_BEND * float(np.median(bends))
    hard = far * (bends + least)
    order = np.argsort(hard, kind="stable")
    classes = np.array_split(order, int(np.clip(len(order) // 60, 1, 24)))
    at = np.array([np.median(hard[rows]) for rows in classes])
    sigma = np.array([np.quantile(misfits[rows], _TWO_SIGMA) for rows in classes]) / 2.0
    sigma = np.maximum.accumulate(sigma)
    left = noise * _noise_left(nodes, grid, water, noise, spacing, fit)
    return at, np.sqrt(np.maximum(sigma**2 - noise**2 / mean_of, left**2)), least


def _noise_left(nodes: Nodes, grid: Grid, water, noise, spacing, fit) -> float:
    """Return the share of the soundings' noise that is left in the surface at them.

    Seen by adding noise to the soundings and drawing the surface again.
    """
    added = np.random.default_rng(0).normal(0.0, noise, len(nodes))
    noisy = replace(nodes, depth=nodes.depth + np.where(nodes.kind == SHORE, 0.0, added))
    at = nodes.xy[nodes.kind == SOUNDING]
    moved = _drawn(noisy, grid, water, noise, spacing, *fit)
    moved = grid.like(moved - _drawn(nodes, grid, water, noise, spacing, *fit)).sample(*at.T)
    return float(np.sqrt(np.nanmean(moved**2)) / noise)


def _bending(depth, spacing: float, cell: float) -> np.ndarray:
    """Return the root mean square curvature of the bottom around each cell, 1/m."""
    if min(depth.shape) < 3:
        return np.zeros(depth.shape)
    dy, dx = np.gradient(depth, cell)
    (yy, yx), xx = np.gradient(dy, cell), np.gradient(dx, cell, axis=1)
    square = xx**2 + yy**2 + 2.0 * yx**2
    known = np.isfinite(square)
    reach = 0.5 * spacing / cell
    share = np.maximum(gaussian_filter(known.astype(float), reach, truncate=3.0), 1e-9)
    mean = gaussian_filter(np.where(known, square, 0.0), reach, truncate=3.0) / share
    return np.sqrt(mean)


def _uncertainty(f: Frame, depth, distance, law) -> np.ndarray:
    """Return the standard uncertainty of each cell, m, by the law of soundings left out."""
    at, sigma, least = law
    known = to_known_depth(f, distance)
    step = max(round(f.spacing / _TRIAL_CELLS / f.grid.dx), 1)
    cell = step * f.grid.dx
    bend = _bending(depth[::step, ::step], f.spacing, cell) + least
    hard = known * refine(bend, step, depth.shape)
    return np.where(np.isfinite(distance), np.interp(hard, at, sigma), np.nan)


def _shared_error(f: Frame, soundings: Soundings) -> np.ndarray:
    """Return the part of the stated uncertainty that does not average out, m.

    Level, draft, sound speed and the wander of the position on a slope are common to
    neighbouring soundings: pieces left out cannot show them, so half of what the nearest
    soundings state is kept. Zero where they state nothing.
    """
    stated = np.isfinite(soundings.uncert)
    if not stated.any():
        return np.zeros(f.grid.shape)
    step = max(round(f.spacing / _TRIAL_CELLS / f.grid.dx), 1)
    rows, cols = f.grid.shape
    shape = (-(-rows // step), -(-cols // step))
    row, col = f.grid.rows_cols(soundings.x[stated], soundings.y[stated])
    row = np.rint(row).astype(int).clip(0, rows - 1) // step
    col = np.rint(col).astype(int).clip(0, cols - 1) // step
    cell = np.ravel_multi_index((row, col), shape)
    count = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape)
    total = np.bincount(cell, soundings.uncert[stated], count.size).reshape(shape)
    near = distance_transform_edt(count == 0, return_distances=False, return_indices=True)
    mean = (total / np.maximum(count, 1))[tuple(near)]
    return _SHARED * refine(mean, step, f.grid.shape)


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
        low, high = first - (first == 0), last - (last < rows)
        mine = (held.row >= low) & (held.row <= high)
        if not mine.any():
            depth[start : start + strip] = np.nan
            continue
        z = thin_plate(
            wet[part],
            Held(held.row[mine] - first, held.col[mine], held.depth[mine], held.weight[mine]),
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


def _trial(f: Frame, wet, nodes: Nodes) -> tuple:
    """Return nodes, grid and water of whole windows of the lake, laid side by side."""
    cell = f.grid.dx
    row, col = f.grid.rows_cols(nodes.x, nodes.y)
    while 2.0 * cell <= f.spacing / _TRIAL_CELLS:
        wet, cell = halve(wet), 2.0 * cell
        row, col = (row - 0.5) / 2.0, (col - 0.5) / 2.0
    side = int(np.ceil(_WINDOW * f.spacing / cell))
    across = wet.shape[1] // side + 1
    window = (
        np.rint(row).astype(int).clip(0) // side * across + np.rint(col).astype(int).clip(0) // side
    )
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
    return (
        Nodes(*(np.concatenate(v) for v in zip(*(vars(n).values() for n in nodes)))),
        grid,
        (np.hstack(water)),
    )


def _moved(nodes: Nodes, row, col, grid: Grid, inner) -> Nodes:
    # Nodes near the edge of a window stay in: what is beyond it is not there to predict them.
    kind = np.where(inner | (nodes.kind != SOUNDING), nodes.kind, BREAK_LINE)
    x, y = grid.west + (col + 0.5) * grid.dx, grid.north - (row + 0.5) * grid.dy
    return Nodes.build(x, y, nodes.depth, kind, nodes.uncert, nodes.lane)


def _drawn(nodes: Nodes, grid: Grid, water, noise, spacing, give, along) -> np.ndarray:
    held = Held(*_held(nodes, grid, noise))
    z = thin_plate(water, held, cell=grid.dx, give=give, along=along, spacing=spacing)
    return np.where(water, z.clip(nodes.depth.min(), nodes.depth.max()), np.nan)


def _choose(nodes: Nodes, grid: Grid, water, noise, spacing, give, progress) -> tuple:
    """Return give, stiffness along strike and the misfit of the lanes left out."""
    free = nodes.kind == SOUNDING
    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        out = free & (nodes.lane > 0) & (lane % 3 == 0)
    else:
        col, row = np.floor(nodes.x / spacing / 2.0), np.floor(nodes.y / spacing / 2.0)
        out = free & (col % 2 == 0) & (row % 2 == 0)
    kept, left = nodes.select(~out), nodes.select(out)

    def misfit(give, along):
        drawn = grid.like(_drawn(kept, grid, water, noise, spacing, give, along))
        error = drawn.sample(*left.xy.T) - left.depth
        error = error[np.isfinite(error)]
        return float(np.sqrt(np.mean(error**2))) if len(error) else np.nan

    if out.sum() < 30 or (~out).sum() < 30:
        return give or _GIVE, 0.0, np.nan
    tried = {}
    start = give or _GIVE
    for number, along in enumerate(_ALONG):
        progress(number / 6.0)
        tried[start, along] = misfit(start, along)
    best = min(tried, key=tried.get)
    if give is None:
        for number, step in enumerate(_STEPS):
            progress((len(_ALONG) + number) / 6.0)
            tried[step * start, best[1]] = misfit(step * start, best[1])
        other = min(tried, key=tried.get)
        # Little is known of the best give beyond its order of size: leave it only for a clear gain.
        if tried[other] < (1.0 - _CLEAR_GAIN) * tried[best]:
            best = other
    progress(1.0)
    return (*best, tried[best])
