"""Lines where hard bottom gives way to soft."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import erf, logsumexp, ndtr

from ..chart.marching_squares import square_ranges, trace
from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import surface_spacing
from ..track import without_track
from .mixture import change_point, otsu

TRANSITION_ATTRIBUTES = (
    "contrast", "width_m", "width_from", "hard_side", "depth_m", "depth_from_m", "depth_to_m",
    "confidence", "position_sd_m", "crossings", "supported", "length_m",
)  # fmt: skip

#: Share of the contrast between the ends of the width: from 10 to 90 percent.
_RISE = (0.1, 0.9)
#: Width from 10 to 90 percent of a normal distribution function, in standard deviations.
_NORMAL_RISE = 2.0 * 1.2815515655446004
_TOP, _REACH_M = 0.97, 15.0
# A stretch is supported from the first factor on and stays so down to the second.
_FIRM, _HOLDING = 3.0, 2.0
_LEAST_PINGS = 3
# Widths that are tried along tracks, m.
_WIDTHS = np.geomspace(0.5, 64.0, 29)
#: Common scatter of a satellite position, m.
_POSITION_M = 1.0
_STEP_ERRORS = 4.0


@dataclass(frozen=True)
class Transitions:
    """Lines between harder and softer bottom, and the thresholds that they follow.

    Attributes
    ----------
    lines : Lines
        As :func:`find_transitions` returns them.
    thresholds : list of float
    """

    lines: Lines
    thresholds: list

    @property
    def supported_m(self) -> float:
        """Length of the lines that the data support, m."""
        return self._length(1)

    @property
    def unsupported_m(self) -> float:
        """Length of the others, m."""
        return self._length(0)

    def _length(self, supported):
        a = self.lines.attributes
        return float(sum(m for m, s in zip(a["length_m"], a["supported"]) if s == supported))


def hard_soft_transitions(hardness: Grid, thresholds=None, **options) -> Transitions:
    """Draw the lines between harder and softer bottom, at a threshold of their own if need be.

    Parameters
    ----------
    hardness : Grid
        Relative hardness 0..1, NaN where it is not known.
    thresholds : sequence of float, optional
        As for :func:`find_transitions`; if None, the one that parts the hardness of all cells
        best.
    **options
        As for :func:`find_transitions`.

    Returns
    -------
    Transitions

    Raises
    ------
    LakefloorError
        If a threshold is to be found in values that are no relative hardness; else as
        :func:`find_transitions`.

    References
    ----------
    Otsu, N. (1979). A threshold selection method from gray-level histograms. IEEE Transactions
    on Systems, Man, and Cybernetics 9(1), 62-66.
    """
    if thresholds is None:
        known = hardness.values[np.isfinite(hardness.values)]
        if not known.size or known.min() < 0.0 or known.max() > 1.0:
            raise LakefloorError(
                "Band 1 of the raster is not relative hardness, which lies within 0 and 1. Choose "
                "a "
                "raster from Bottom type."
            )
        thresholds = [otsu(known)]
    return Transitions(find_transitions(hardness, thresholds, **options), list(thresholds))


def find_transitions(
    hardness: Grid,
    thresholds,
    *,
    uncertainty: Grid | None = None,
    distance: Grid | None = None,
    depth: Grid | None = None,
    soundings: Soundings | None = None,
    spacing: float | None = None,
    min_contrast: float = 0.1,
    min_length_m: float = 10.0,
    progress: Progress = silent,
) -> Lines:
    """Draw the lines between harder and softer bottom.

    Parameters
    ----------
    hardness : Grid
        Relative hardness 0..1, NaN where it is not known.
    thresholds : sequence of float
        Hardness that parts the classes; none gives no line.
    uncertainty : Grid, optional
        One standard deviation of ``hardness``. Without it every line counts as supported.
    distance : Grid, optional
        Distance to the nearest sounding, m; lines farther off than the lane spacing are not
        supported.
    depth : Grid, optional
        m, positive down; of any geometry.
    soundings : Soundings, optional
        With the hardness as logged: where tracks cross a line they tell how sharp it is, which
        a surface drawn between lanes blurs, where exactly it is and whether it is there.
    spacing : float, optional
        Lane spacing, m; as ``distance`` has it if None.
    min_contrast : float
        Least difference of hardness across a line.
    min_length_m : float
        Shorter pieces are left out.
    progress : callable

    Returns
    -------
    Lines
        The harder side is on the left of every line. Attributes:

        ``contrast`` : difference of hardness between both sides.
        ``width_m`` : over which 10 to 90 percent of it happen.
        ``width_from`` : ``soundings``, what suits the tracks that cross the piece best, or
        ``surface``, which is an upper bound.
        ``hard_side`` : ``left``.
        ``depth_m``, ``depth_from_m``, ``depth_to_m`` : mean, least and greatest depth.
        ``confidence`` : 0..1, the probability that one side is harder by chance no more than
        by half the contrast, times that of lying within half a lane spacing.
        ``position_sd_m`` : standard uncertainty of the position across the line.
        ``crossings`` : tracks that cross the piece with a step of their own; 0 without
        soundings.
        ``supported`` : 1 or 0; each line is cut where it changes.
        ``length_m``.

    Raises
    ------
    LakefloorError
        If a threshold or a limit is out of range, or grids differ in shape.

    Notes
    -----
    The contour of hardness at each threshold is traced and moved to where a profile across it is
    halfway between both sides, so that a step over several thresholds is one line. A stretch is
    supported while the contrast is at least twice its own uncertainty (three times somewhere),
    the uncertainty of the position is below half a lane spacing, the data are no farther than a
    lane spacing, and, given soundings, no fewer tracks that cross it show the step than do not.
    A track shows it where a step fitted along it, started from the change-point of least squares,
    is more than four of its standard errors high, and lies within half a lane spacing; the line
    is moved towards these steps as far as they are surer than the surface.

    References
    ----------
    Lorensen, W. E. and Cline, H. E. (1987). Marching cubes: a high resolution 3D surface
    construction algorithm. Computer Graphics 21(4), 163-169.
    Hinkley, D. V. (1970). Inference about the change-point in a sequence of random variables.
    Biometrika 57(1), 1-17.
    """
    limits = np.sort(np.asarray(thresholds, dtype=float))
    _check(hardness, limits, uncertainty, distance, min_contrast, min_length_m)
    cell = 0.5 * (hardness.dx + hardness.dy)
    spacing = max(surface_spacing(spacing, distance), 2.0 * cell)
    reach = max(spacing, _REACH_M)
    found = []
    for number, level in enumerate(limits):
        progress(0.1 * number / len(limits))
        for line, closed in _level_lines(hardness, level):
            if _length(line, closed) >= min_length_m:
                found.append((level, *_evenly(line, closed, cell)))
    stretches, drawn = [], []
    for number, (level, line, closed) in enumerate(found):
        progress(0.1 + 0.5 * number / len(found))
        side = _sides(hardness, uncertainty, line, closed, reach, cell, spacing)
        keep = (side.contrast >= min_contrast) & ~_drawn(side, level, drawn)
        stretches += [
            (side.select(rows), ring) for rows, ring in _runs(keep, closed)
            if _length(side.xy[rows], ring) >= min_length_m
        ]
        drawn += [(level, s) for s, _ in stretches[len(drawn):]]
    tracks = None
    if soundings is not None and stretches:
        tracks = _steps_along_tracks(
            soundings, [s for s, _ in stretches], reach, span(progress, 0.6, 0.95)
        )
    pieces = []
    for number, (side, closed) in enumerate(stretches):
        crossing = None if tracks is None else tracks.select(tracks.line == number)
        if crossing is not None:
            side = _onto_tracks(side, crossing, spacing)
        firm = _supported(side, distance, spacing, crossing, closed, cell)
        for value in (True, False):
            for rows, ring in _runs(firm == value, closed):
                if _length(side.xy[rows], ring) >= min_length_m:
                    pieces.append((side.select(rows), ring, value, crossing, rows))
    progress(1.0)
    return _lines(pieces, depth, spacing)


def _check(hardness, limits, uncertainty, distance, min_contrast, min_length_m):
    if not ((limits > 0.0) & (limits < 1.0)).all():
        raise LakefloorError(
            f"The hardness thresholds are {limits.tolist()}. Enter values between 0 and 1."
        )
    for name, value in (("minimum contrast", min_contrast), ("minimum length", min_length_m)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {value}. Enter a value above 0.")
    for name, grid in (("Uncertainty", uncertainty), ("Distance", distance)):
        if grid is not None and grid.shape != hardness.shape:
            raise LakefloorError(f"{name} has the shape {grid.shape}, but hardness has "
                                 f"{hardness.shape}. Give all grids "
                "the same cells.")


# -- lines -------------------------------------------------------------------------------


def _level_lines(grid: Grid, level: float) -> list:
    """Return (vertices, closed) of a contour, the values above it on the left, cut at gaps."""
    outside = -1.0
    hole = np.pad(~np.isfinite(grid.values), 1, constant_values=True)
    values = np.pad(grid.values, 1)
    values[hole] = outside
    rows, cols, squares, first = trace(values, level, square_ranges(values), outside)
    if not len(rows):
        return []
    near = hole[:-1] | hole[1:]
    open_square = (near[:, :-1] | near[:, 1:]).ravel()[squares]
    x = grid.west + (cols - 0.5) * grid.dx
    y = grid.north - (rows - 0.5) * grid.dy
    lines = []
    for a, b in zip(first[:-1], first[1:]):
        xy = np.column_stack([x[a:b], y[a:b]])
        for keep, closed in _runs(~open_square[a:b], True):
            # A run of segments has one vertex more.
            line = xy[keep] if closed else xy[np.r_[keep, (keep[-1] + 1) % len(xy)]]
            lines.append((line, closed))
    return lines


def _runs(mask, closed: bool) -> list:
    """Return (indices, closed) of each run of true values; all of a ring is one closed run."""
    mask = np.asarray(mask, dtype=bool)
    if not mask.any():
        return []
    n = len(mask)
    if mask.all():
        return [(np.arange(n), closed)]
    shift = int(np.flatnonzero(~mask)[0]) if closed else 0
    rows = (np.arange(n) + shift) % n
    edge = np.flatnonzero(np.diff(np.r_[False, mask[rows], False].astype(int)))
    return [(rows[a:b], False) for a, b in zip(edge[::2], edge[1::2])]


def _length(line, closed: bool) -> float:
    if closed:
        line = np.vstack([line, line[:1]])
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _evenly(line, closed: bool, step: float) -> tuple:
    """Return vertices about ``step`` apart; a ring does not repeat its first."""
    whole = np.vstack([line, line[:1]]) if closed else line
    s = np.r_[0.0, np.cumsum(np.hypot(*np.diff(whole, axis=0).T))]
    n = max(round(float(s[-1]) / step), 4)
    at = np.linspace(0.0, s[-1], n + 1)[: n if closed else n + 1]
    return np.column_stack([np.interp(at, s, whole[:, k]) for k in (0, 1)]), closed


# -- both sides of a line ----------------------------------------------------------------


@dataclass(frozen=True)
class _Sides:
    """What lies on both sides of each of n vertices."""

    xy: np.ndarray  # (n, 2), m
    left: np.ndarray  # (n, 2), unit vector to the harder side
    contrast: np.ndarray
    middle: np.ndarray  # hardness halfway
    width: np.ndarray  # m, 10 to 90 percent
    error: np.ndarray  # standard deviation of the contrast
    position: np.ndarray  # standard deviation across the line, m

    def select(self, rows) -> _Sides:
        return _Sides(*(value[rows] for value in vars(self).values()))


def _sides(hardness, uncertainty, line, closed, reach, cell, spacing) -> _Sides:
    """Find the plateaus on both sides and move the line to halfway between them."""
    mode = "wrap" if closed else "nearest"
    n = len(line)
    line = _smoothed(line, closed, 1.0)
    left = _normals(line, closed, 2.0)
    step = 0.5 * cell
    half = int(np.ceil(reach / step))
    t = np.arange(-half, half + 1) * step
    x, y = line[:, :1] + t * left[:, :1], line[:, 1:] + t * left[:, 1:]
    profile = hardness.sample(x.ravel(), y.ravel()).reshape(x.shape)
    high, at_high = _plateau(profile[:, half:])
    low, at_low = _plateau(-profile[:, half::-1])
    low = -low
    contrast, middle = high - low, 0.5 * (high + low)
    share = (profile - low[:, None]) / np.maximum(contrast, 1e-9)[:, None]
    inside = (np.arange(2 * half + 1) >= half - at_low[:, None]) & (
        np.arange(2 * half + 1) <= half + at_high[:, None]
    )
    share = np.where(np.isfinite(share) & inside, share, np.where(t > 0.0, 1.0, 0.0))
    # Both sides rise all the way from plateau to plateau.
    share = np.maximum.accumulate(share, axis=1)
    begin, centre, end = (_reaches(share, s) * step - half * step for s in (_RISE[0], 0.5,
                                                                           _RISE[1]))
    size = min(2 * int(0.5 * spacing / cell) + 1, n)
    offset = ndimage.median_filter(centre, size, mode=mode)
    offset = ndimage.gaussian_filter1d(offset, 0.25 * size, mode=mode)
    moved = line + np.clip(offset, -0.5 * reach, 0.5 * reach)[:, None] * left
    width = end - begin
    if uncertainty is None:
        error = position = np.zeros(n)
    else:
        at = np.arange(n)
        sides = [
            uncertainty.sample(x[at, half + k], y[at, half + k]) for k in (at_high, -at_low)
        ]
        error = np.nan_to_num(np.hypot(*sides), nan=1.0)
        sigma = np.nan_to_num(uncertainty.sample(*line.T), nan=1.0)
        # The middle of a step is as steep as 0.8 of the contrast over its width.
        position = sigma * width / np.maximum(0.8 * contrast, 1e-9)
    return _Sides(moved, left, contrast, middle, width, error, position)


def _drawn(side: _Sides, level, drawn) -> np.ndarray:
    """Tell where a line of another threshold is drawn already on the same step.

    Where hard follows on soft without a medium bottom between, the lines of both thresholds
    are moved to the same place.
    """
    there = np.zeros(len(side.xy), dtype=bool)
    for other_level, other in drawn:
        if other_level == level:
            continue
        away, near = cKDTree(other.xy).query(side.xy)
        same = np.abs(other.middle[near] - side.middle) < 0.25 * side.contrast
        there |= same & (away < 0.5 * side.width)
    return there


def _smoothed(line, closed, sigma):
    if closed:
        return ndimage.gaussian_filter1d(line, sigma, axis=0, mode="wrap")
    ends = line[[0, -1]]
    out = ndimage.gaussian_filter1d(line, sigma, axis=0, mode="nearest")
    out[[0, -1]] = ends
    return out


def _normals(line, closed, sigma) -> np.ndarray:
    if closed:
        along = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    else:
        along = np.gradient(line, axis=0)
    along = ndimage.gaussian_filter1d(along, sigma, axis=0, mode="wrap" if closed else "nearest")
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])


def _plateau(rising) -> tuple:
    """Return the height to which each row rises before it falls or ends, and where that is."""
    z = np.where(np.isfinite(rising), rising, -np.inf)
    top = np.maximum.accumulate(z, axis=1)
    gone = np.logical_or.accumulate(np.isinf(z), axis=1)
    rise = top - z[:, :1]
    # It has ended where it has fallen by a quarter of what it had risen.
    over = gone | (top - np.where(gone, top, z) > np.maximum(0.25 * rise, 0.02))
    over = np.logical_or.accumulate(over, axis=1)
    over[:, 0] = False
    best = np.where(over, -np.inf, z)
    height = best.max(axis=1)
    # Where it has come to almost that height.
    floor = z[:, 0]
    at = np.argmax(best >= (floor + _TOP * (height - floor))[:, None], axis=1)
    return height, at


def _reaches(share, value) -> np.ndarray:
    """Return the fractional column at which each rising row reaches a value."""
    after = np.argmax(share >= value, axis=1).clip(1)
    rows = np.arange(len(share))
    low, high = share[rows, after - 1], share[rows, after]
    part = np.where(high > low, (value - low) / np.where(high > low, high - low, 1.0), 0.0)
    return after - 1 + np.clip(part, 0.0, 1.0)


# -- tracks that cross a line ------------------------------------------------------------


@dataclass(frozen=True)
class _Tracks:
    """Tracks that cross lines, one row a crossing."""

    line: np.ndarray
    vertex: np.ndarray
    offset: np.ndarray  # of the step towards the hard side, m
    error: np.ndarray  # standard deviation of the offset, m
    shown: np.ndarray  # whether the track has the step
    likelihood: np.ndarray  # (m, widths), see _fit_step

    def select(self, rows) -> _Tracks:
        return _Tracks(*(value[rows] for value in vars(self).values()))


def _steps_along_tracks(soundings: Soundings, sides, reach, progress) -> _Tracks:
    kept = soundings.select(
        soundings.accepted & np.isfinite(soundings.hardness)
        & np.isfinite(soundings.x) & np.isfinite(soundings.y) & ~without_track(soundings)
    )  # fmt: skip
    if not len(kept):
        return _tracks([])
    xy = np.column_stack([kept.x, kept.y])
    _, visit = np.unique(kept.visit.astype(str), return_inverse=True)
    order = np.argsort(visit, kind="stable")
    xy, visit, hardness = xy[order], visit[order], kept.hardness[order]
    vertices = np.concatenate([s.xy for s in sides])
    left = np.concatenate([s.left for s in sides])
    owner = np.repeat(np.arange(len(sides)), [len(s.xy) for s in sides])
    index = np.concatenate([np.arange(len(s.xy)) for s in sides])
    away, near = cKDTree(vertices).query(xy, distance_upper_bound=reach)
    rows = np.flatnonzero(np.isfinite(away))
    near = near[rows]
    across = np.einsum("ij,ij->i", xy[rows] - vertices[near], left[near])
    # A pass is a run of pings near one line, split where it turns back.
    new = (np.diff(rows) != 1) | (np.diff(owner[near]) != 0) | (np.diff(visit[rows]) != 0)
    starts = np.r_[0, np.flatnonzero(new) + 1, len(rows)] if len(rows) else np.array([0])
    out = []
    for number, (a, b) in enumerate(zip(starts[:-1], starts[1:])):
        if number % 64 == 0:
            progress(number / len(starts))
        for c, d in _monotone(across[a:b]):
            n, h = across[a + c : a + d], hardness[rows[a + c : a + d]]
            if min((n < 0).sum(), (n > 0).sum()) < _LEAST_PINGS:
                continue
            vertex = near[a + c + int(np.argmin(np.abs(n)))]
            out.append((owner[vertex], index[vertex], *_fit_step(n, h, reach)))
    progress(1.0)
    return _tracks(out)


def _tracks(rows) -> _Tracks:
    columns = list(zip(*rows)) if rows else [[]] * 6
    kinds = (int, int, float, float, bool, float)
    return _Tracks(*(np.array(c, dtype=k) for c, k in zip(columns, kinds)))


def _monotone(across) -> list:
    """Return ranges of a pass from one side to the other, between its turning points."""
    if len(across) < 2 * _LEAST_PINGS:
        return []
    side = ndimage.uniform_filter1d(across, 3, mode="nearest") > 0
    flips = np.flatnonzero(np.diff(side.astype(int)))
    if len(flips) <= 1:
        return [(0, len(across))] if len(flips) else []
    # Between two crossings of the line the pass is cut where it is farthest off.
    cuts = [0]
    for p, q in zip(flips[:-1], flips[1:]):
        cuts.append(p + int(np.argmax(np.abs(across[p : q + 1]))))
    cuts.append(len(across))
    return list(zip(cuts[:-1], cuts[1:]))


def _fit_step(n, h, reach) -> tuple:
    """Fit a step of hardness along one track.

    Returns
    -------
    offset, error : float
        Place of the step towards the hard side and its standard error, m.
    shown : bool
        Whether the step is there.
    likelihood : array
        Logarithm of the likelihood of each of :data:`_WIDTHS`, whatever place and height.
    """
    order = np.argsort(n, kind="stable")
    n, h = n[order], h[order]
    split, _ = change_point(h, least=min(_LEAST_PINGS, len(h) // 2))
    # About the change-point, as finely as the narrowest width needs.
    offsets = 0.5 * (n[split - 1] + n[split]) + np.arange(-0.75, 0.751, 0.05) * reach
    step = ndtr((n - offsets[None, :, None]) / (_WIDTHS / _NORMAL_RISE)[:, None, None])
    shape = step - step.mean(axis=-1, keepdims=True)
    h = h - h.mean()
    power = np.maximum((shape**2).sum(axis=-1), 1e-12)
    height = shape @ h / power
    squares = (h**2).sum() - np.maximum(height, 0.0) ** 2 * power
    freedom = max(len(n) - 4, 1)
    w, o = np.unravel_index(np.argmin(squares), squares.shape)
    variance = max(squares[w, o], 1e-9) / freedom
    shown = height[w, o] > _STEP_ERRORS * np.sqrt(variance / power[w, o])
    # A profile likelihood, the best place of each width, would favor narrow steps: they find
    # more in noise to agree with.
    likelihood = -0.5 * (squares - squares[w, o]) / variance - 0.5 * np.log(power)
    weight = np.exp(likelihood - likelihood.max()).sum(axis=0)
    offset = np.average(offsets, weights=weight)
    error = np.sqrt(np.average((offsets - offset) ** 2, weights=weight) + _POSITION_M**2)
    shown = shown and abs(offset) < 0.9 * reach
    return float(offset), float(error), bool(shown), logsumexp(likelihood, axis=1)


def _width(likelihood) -> float:
    """Return the width, m, that suits all tracks together best, each with a place of its own."""
    total = likelihood.sum(axis=0)
    k = int(np.clip(np.argmax(total), 1, len(total) - 2))
    left, middle, right = total[k - 1 : k + 2]
    bend = 2.0 * middle - left - right
    shift = 0.5 * (right - left) / bend if bend > 0.0 else 0.0
    ratio = _WIDTHS[1] / _WIDTHS[0]
    return float(_WIDTHS[k] * ratio ** np.clip(shift, -1.0, 1.0))


def _onto_tracks(side: _Sides, tracks: _Tracks, spacing: float) -> _Sides:
    """Move a line to where tracks have the step, as far as they are surer than the surface.

    Each vertex hears the tracks about half a lane spacing along the line; what they say and what
    the surface says are weighed by their variances.
    """
    tracks = tracks.select(tracks.shown & (np.abs(tracks.offset) <= 0.5 * spacing))
    if not len(tracks.line):
        return side
    reach = 0.5 * spacing
    places, vertices = cKDTree(side.xy[tracks.vertex]), cKDTree(side.xy)
    near = vertices.sparse_distance_matrix(places, 3.0 * reach, output_type="coo_matrix")
    weight = np.exp(-0.5 * (near.data / reach) ** 2) / tracks.error[near.col] ** 2
    n = len(side.xy)
    prior = 1.0 / np.maximum(side.position, 0.1 * spacing) ** 2
    total = prior + np.bincount(near.row, weight, n)
    shift = np.bincount(near.row, weight * tracks.offset[near.col], n) / total
    return replace(
        side, xy=side.xy + shift[:, None] * side.left,
        position=np.where(total > prior, 1.0 / np.sqrt(total), side.position),
    )


# -- support and attributes --------------------------------------------------------------


def _supported(side: _Sides, distance, spacing, crossing, closed, cell) -> np.ndarray:
    """Tell which vertices the data support."""
    ratio = side.contrast / np.maximum(side.error, 1e-9)
    holds = (ratio >= _HOLDING) & (side.position <= 0.5 * spacing)
    if distance is not None:
        holds &= ~(distance.sample(*side.xy.T) > spacing)
    size = min(2 * int(0.5 * spacing / cell) + 1, len(holds))
    mode = "wrap" if closed else "nearest"
    holds = ndimage.median_filter(holds.astype(np.uint8), size, mode=mode) > 0
    firm = np.zeros(len(holds), dtype=bool)
    for rows, _ in _runs(holds, closed):
        firm[rows] = (ratio[rows] >= _FIRM).any()
    if crossing is not None and len(crossing.line):
        # Each vertex asks the tracks within a lane spacing along the line.
        tree = cKDTree(side.xy[crossing.vertex])
        agrees = crossing.shown & (np.abs(crossing.offset) <= 0.5 * spacing)
        for i, near in enumerate(tree.query_ball_point(side.xy, spacing)):
            if near and 2 * np.count_nonzero(agrees[near]) < len(near):
                firm[i] = False
    return firm


def _lines(pieces, depth, spacing) -> Lines:
    coords, table = [], {name: [] for name in TRANSITION_ATTRIBUTES}
    order = sorted(range(len(pieces)), key=lambda i: -_length(pieces[i][0].xy, pieces[i][1]))
    for side, ring, supported, crossing, rows in (pieces[i] for i in order):
        line = np.vstack([side.xy, side.xy[:1]]) if ring else side.xy
        depths = np.full(1, np.nan) if depth is None else depth.sample(*side.xy.T)
        depths = depths[np.isfinite(depths)]
        width, source, count = float(np.median(side.width)), "surface", 0
        if crossing is not None:
            here = np.isin(crossing.vertex, rows) & crossing.shown
            here &= np.abs(crossing.offset) <= 0.5 * spacing
            count = int(here.sum())
            if count:
                # The surface's is an upper bound.
                width, source = min(_width(crossing.likelihood[here]), width), "soundings"
        error = np.maximum(side.error, 1e-9)
        sure = erf(side.contrast / (2.0 * np.sqrt(2.0) * error))
        placed = erf(0.5 * spacing / (np.sqrt(2.0) * np.maximum(side.position, 1e-9)))
        values = {
            "contrast": float(side.contrast.mean()),
            "width_m": width,
            "width_from": source,
            "hard_side": "left",
            "depth_m": float(depths.mean()) if depths.size else np.nan,
            "depth_from_m": float(depths.min()) if depths.size else np.nan,
            "depth_to_m": float(depths.max()) if depths.size else np.nan,
            "confidence": float((sure * placed).mean()),
            "position_sd_m": float(side.position.mean()),
            "crossings": count,
            "supported": int(supported),
            "length_m": _length(side.xy, ring),
        }
        coords.append(line)
        for name in TRANSITION_ATTRIBUTES:
            table[name].append(values[name])
    return Lines(coords, table)
