"""Lines where hard bottom gives way to soft."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import erf

from ..chart.marching_squares import square_ranges, trace
from ..errors import LakefloorError
from ..grid import Grid, Lines
from ..polylines import evenly_spaced, planar_length
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import surface_spacing
from .hardness_map import HardnessMap
from .hardness_names import TRANSITION_ATTRIBUTES
from .mixture import otsu
from .transition_sides import REACH_M, Sides, drawn_already, sides_of, true_runs
from .transition_tracks import (
    CrossingTracks,
    moved_onto_tracks,
    steps_along_tracks,
    width_along_tracks,
)

# A stretch is supported from the first factor on and stays so down to the second.
_FIRM, _HOLDING = 3.0, 2.0


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
        return self._total(1)

    @property
    def unsupported_m(self) -> float:
        """Length of the others, m."""
        return self._total(0)

    def _total(self, supported):
        a = self.lines.attributes
        return float(sum(m for m, s in zip(a["length_m"], a["supported"]) if s == supported))


def hard_soft_transitions(
    mapped: HardnessMap, thresholds: Sequence[float] | None = None, **options
) -> Transitions:
    """Draw the lines between harder and softer bottom, at a threshold of their own if need be.

    Parameters
    ----------
    mapped : HardnessMap
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
        known = mapped.hardness.values[np.isfinite(mapped.hardness.values)]
        if not known.size or known.min() < 0.0 or known.max() > 1.0:
            raise LakefloorError(
                "Band 1 of the raster is not relative hardness, which lies within 0 and 1. Choose "
                "a raster from Bottom type."
            )
        thresholds = [otsu(known)]
    return Transitions(find_transitions(mapped, thresholds, **options), list(thresholds))


def find_transitions(
    mapped: HardnessMap,
    thresholds: Sequence[float],
    *,
    depth: Grid | None = None,
    soundings: Soundings | None = None,
    min_contrast: float = 0.1,
    min_length_m: float = 10.0,
    progress: Progress = silent,
) -> Lines:
    """Draw the lines between harder and softer bottom.

    Parameters
    ----------
    mapped : HardnessMap
        Without uncertainty every line counts as supported. Lines farther from a sounding than
        the lane spacing are not supported.
    thresholds : sequence of float
        Hardness that parts the classes; none gives no line.
    depth : Grid, optional
        m, positive down; of any geometry.
    soundings : Soundings, optional
        With the hardness as logged: where tracks cross a line they tell how sharp it is, which
        a surface drawn between lanes blurs, where exactly it is and whether it is there.
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

    Examples
    --------
    Soft bottom in the west, hard bottom in the east of x = 100 m.

    >>> import numpy as np
    >>> x = np.arange(1.0, 200.0, 2.0)
    >>> across = 0.5 + 0.2 * np.tanh((x - 100.0) / 3.0)
    >>> grid = Grid(np.tile(across, (60, 1)), 0.0, 120.0, 2.0, 2.0)
    >>> lines = find_transitions(HardnessMap(grid), [0.5])
    >>> len(lines), round(float(lines.coords[0][:, 0].mean()))
    (1, 100)
    >>> round(lines.attributes["contrast"][0], 1)
    0.4
    """
    limits = np.sort(np.asarray(thresholds, dtype=float))
    _check(mapped, limits, min_contrast, min_length_m)
    hardness, uncertainty, distance = mapped.hardness, mapped.uncertainty, mapped.distance
    cell = 0.5 * (hardness.dx + hardness.dy)
    spacing = max(surface_spacing(mapped.spacing, distance), 2.0 * cell)
    reach = max(spacing, REACH_M)
    found = []
    for number, level in enumerate(limits):
        progress(0.1 * number / len(limits))
        for line, closed in _level_lines(hardness, level):
            if planar_length(line, closed) >= min_length_m:
                found.append((level, evenly_spaced(line, closed, cell), closed))
    stretches, drawn = [], []
    for number, (level, line, closed) in enumerate(found):
        progress(0.1 + 0.5 * number / len(found))
        side = sides_of(hardness, uncertainty, line, closed, reach, cell, spacing)
        keep = (side.contrast >= min_contrast) & ~drawn_already(side, level, drawn)
        stretches += [
            (side.select(rows), ring)
            for rows, ring in true_runs(keep, closed)
            if planar_length(side.xy[rows], ring) >= min_length_m
        ]
        drawn += [(level, s) for s, _ in stretches[len(drawn) :]]
    tracks = None
    if soundings is not None and stretches:
        tracks = steps_along_tracks(
            soundings, [s for s, _ in stretches], reach, span(progress, 0.6, 0.95)
        )
    pieces = []
    for number, (side, closed) in enumerate(stretches):
        crossing = None if tracks is None else tracks.select(tracks.line == number)
        if crossing is not None:
            side = moved_onto_tracks(side, crossing, spacing)
        firm = _supported(side, distance, spacing, crossing, closed, cell)
        for value in (True, False):
            for rows, ring in true_runs(firm == value, closed):
                if planar_length(side.xy[rows], ring) >= min_length_m:
                    pieces.append(_Piece(side.select(rows), ring, value, crossing, rows))
    progress(1.0)
    return _lines(pieces, depth, spacing)


def _check(mapped: HardnessMap, limits, min_contrast, min_length_m):
    if not ((limits > 0.0) & (limits < 1.0)).all():
        raise LakefloorError(
            f"The hardness thresholds are {limits.tolist()}. Enter values between 0 and 1."
        )
    for name, value in (("minimum contrast", min_contrast), ("minimum length", min_length_m)):
        if not (np.isfinite(value) and value > 0):
            raise LakefloorError(f"The {name} is {value}. Enter a value above 0.")
    for name, grid in (("Uncertainty", mapped.uncertainty), ("Distance", mapped.distance)):
        if grid is not None and grid.shape != mapped.hardness.shape:
            raise LakefloorError(
                f"{name} has the shape {grid.shape}, but hardness has {mapped.hardness.shape}. "
                "Give all grids the same cells."
            )


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
        for keep, closed in true_runs(~open_square[a:b], True):
            # A run of segments has one vertex more.
            line = xy[keep] if closed else xy[np.r_[keep, (keep[-1] + 1) % len(xy)]]
            lines.append((line, closed))
    return lines


def _supported(side: Sides, distance, spacing, crossing, closed, cell) -> np.ndarray:
    """Tell which vertices the data support."""
    ratio = side.contrast / np.maximum(side.error, 1e-9)
    holds = (ratio >= _HOLDING) & (side.position <= 0.5 * spacing)
    if distance is not None:
        holds &= ~(distance.sample(*side.xy.T) > spacing)
    size = min(2 * int(0.5 * spacing / cell) + 1, len(holds))
    mode = "wrap" if closed else "nearest"
    holds = ndimage.median_filter(holds.astype(np.uint8), size, mode=mode) > 0
    firm = np.zeros(len(holds), dtype=bool)
    for rows, _ in true_runs(holds, closed):
        firm[rows] = (ratio[rows] >= _FIRM).any()
    if crossing is not None and len(crossing.line):
        # Each vertex asks the tracks within a lane spacing along the line.
        tree = cKDTree(side.xy[crossing.vertex])
        agrees = crossing.shown & (np.abs(crossing.offset) <= 0.5 * spacing)
        for i, near in enumerate(tree.query_ball_point(side.xy, spacing)):
            if near and 2 * np.count_nonzero(agrees[near]) < len(near):
                firm[i] = False
    return firm


@dataclass(frozen=True)
class _Piece:
    """A stretch of a line, all of which the data support, or none."""

    side: Sides
    closed: bool
    supported: bool
    crossing: CrossingTracks | None  # of the whole stretch
    rows: np.ndarray  # vertices of the stretch that the piece has

    @property
    def length(self) -> float:
        """Length, m."""
        return planar_length(self.side.xy, self.closed)


def _lines(pieces: list, depth: Grid | None, spacing: float) -> Lines:
    coords, table = [], {name: [] for name in TRANSITION_ATTRIBUTES}
    for piece in sorted(pieces, key=lambda piece: -piece.length):
        xy = piece.side.xy
        coords.append(np.vstack([xy, xy[:1]]) if piece.closed else xy)
        values = {
            **_of_sides(piece.side, spacing),
            **_of_width(piece, spacing),
            **_of_depth(xy, depth),
            "hard_side": "left",
            "supported": int(piece.supported),
            "length_m": piece.length,
        }
        for name in TRANSITION_ATTRIBUTES:
            table[name].append(values[name])
    return Lines(coords, table)


def _of_sides(side: Sides, spacing: float) -> dict:
    """Return the contrast, the uncertainty of the position and the confidence."""
    error = np.maximum(side.error, 1e-9)
    sure = erf(side.contrast / (2.0 * np.sqrt(2.0) * error))
    placed = erf(0.5 * spacing / (np.sqrt(2.0) * np.maximum(side.position, 1e-9)))
    return {
        "contrast": float(side.contrast.mean()),
        "confidence": float((sure * placed).mean()),
        "position_sd_m": float(side.position.mean()),
    }


def _of_width(piece: _Piece, spacing: float) -> dict:
    """Return the width, from the tracks that show the step where there are any."""
    width, source, count = float(np.median(piece.side.width)), "surface", 0
    crossing = piece.crossing
    if crossing is not None:
        here = np.isin(crossing.vertex, piece.rows) & crossing.shown
        here &= np.abs(crossing.offset) <= 0.5 * spacing
        count = int(here.sum())
        if count:
            # The surface's is an upper bound.
            width, source = min(width_along_tracks(crossing.likelihood[here]), width), "soundings"
    return {"width_m": width, "width_from": source, "crossings": count}


def _of_depth(xy, depth: Grid | None) -> dict:
    """Return mean, least and greatest depth along a line; NaN where none is known."""
    depths = np.full(1, np.nan) if depth is None else depth.sample(*xy.T)
    depths = depths[np.isfinite(depths)]
    return {
        "depth_m": float(depths.mean()) if depths.size else np.nan,
        "depth_from_m": float(depths.min()) if depths.size else np.nan,
        "depth_to_m": float(depths.max()) if depths.size else np.nan,
    }
