"""The beam undone: depths that a sounder would have had with a beam like a plumb line.

A sounder reports the nearest ground within its beam. On a slope that lies uphill, so that the
depth comes out too shallow and crests and toes are rounded. What it should have reported over a
smooth surface of the lake is predicted; by how much that lies above the surface is added to its
depth, and the surface is drawn again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import distance_transform_edt, maximum_filter
from scipy.spatial import cKDTree

from ..correcting.first_return import Beams, first_returns, plane_first_return, states_beam
from ..correction_keys import USUAL_BEAM_DEG
from ..grid import Grid
from ..progress import Progress, silent, span
from .breakline_nodes import clear_of_lines
from .frame import Frame
from .nodes import BREAKLINE, NODES_PER_SPACING, SOUNDING, Nodes, join, sounding_nodes
from .roughness import grid_around, means_around
from .smooth_surface import Learned, depth_limits, draw_smooth, learn_smooth

#: Lane spacings beyond a part in which soundings count for its corrections.
BEAM_HALO = 6.0
_MOST_PASSES, _CLEAR_GAIN = 3, 0.02
#: Ground steeper than this, m per m, is taken for no slope: a correction stays below its own.
_STEEPEST = 1.0
# Soundings around one that show what the surface misses, and a correction that is none, m.
_NEAR, _NOTHING = 16, 0.002
# Times the cube of corrections over departures that a depth may lie below the surface.
_BELIEVED = 3.0
#: What a correction may add, m, to that of a plane as steep as the ground under the boat.
_HIDDEN = 0.1
# Standard deviation of a correction as a share of it: that of its width and of reception.
# Without a stated width the depth may lack nothing up to 1.3 corrections, all alike likely.
_KNOWN_SHARE, _UNKNOWN_SHARE = 0.3, 1.3 / np.sqrt(3.0)
_USUAL_HALF_TANGENT = np.tan(np.radians(USUAL_BEAM_DEG) / 2.0)
# Slopes, m per m, below which the nearest ground is within millimeters of that below, and cells
# of a footprint within which the ground must be that flat.
_FLAT, _WIDEST_REACH = 0.03, 32


@dataclass(frozen=True)
class BeamFit:
    """What undoing the beam in a part of a survey needs to know of the whole.

    Attributes
    ----------
    learned : Learned
        How the smooth surface of the soundings as they are is drawn; its limits of depth are those
        of the part.
    passes : int
        How often corrections are made and the surface is drawn again.
    """

    learned: Learned
    passes: int


def learn_beam(f: Frame, progress: Progress = silent) -> BeamFit | None:
    """Return what undoing the beam needs to know, or None where nothing can be undone.

    Parameters
    ----------
    f : Frame
        Of the whole survey, or of a sample of it.
    progress : callable

    Notes
    -----
    A pass counts only if the returns predicted from the surface drawn with it fit the depths as
    they were reported clearly better than those before; there are at most three.
    """
    if not states_beam(f.soundings):
        return None
    learned = learn_smooth(f, progress=span(progress, 0.0, 0.6))
    beams, reported = Beams.of(f.soundings), f.soundings.depth
    known = beams.width > 0.0
    misfit, passes = np.inf, 0
    for number in range(_MOST_PASSES + 1):
        ground = _ground(f, learned)
        predicted = _predicted(ground, f.soundings, beams)
        now = _root_mean_square((predicted - reported)[known])
        if number and not now < (1.0 - _CLEAR_GAIN) * misfit:
            break
        misfit, passes = now, number
        if number < _MOST_PASSES:
            lacks = _lacks(ground, f.soundings, beams, predicted)
            f = with_depths(f, reported + lacks)
        progress(0.6 + 0.4 * (number + 1) / (_MOST_PASSES + 1))
    return BeamFit(replace(learned, low=0.0, high=0.0), passes)


def undo_beam(f: Frame, fit: BeamFit, progress: Progress = silent, cautious: bool = True) -> Frame:
    """Return a frame whose soundings have the depths of a beam like a plumb line.

    Parameters
    ----------
    f : Frame
        Of the whole survey, or a part of it with a halo of :data:`BEAM_HALO` lane spacings.
    fit : BeamFit
        Of the whole.
    progress : callable
    cautious : bool
        Keep corrections below what the surface may be wrong by, see below.

    Notes
    -----
    The smooth surface is that of the soundings whatever method draws the map: a sharp one would
    undo its own noise. A correction is that of the surface, what a sounding departs from it stays
    as reported. It is hardly more than that of a plane as steep as the ground under the boat: what
    a rim hides is not made up. Nor does it take a depth farther below the surface than what was
    heard around it departs from what the surface predicts; less than that where this departs by
    more than the corrections, as at the foot of a wall of which the surface knows little.
    """
    reported, beams = f.soundings.depth, Beams.of(f.soundings)
    for number in range(fit.passes):
        ground = _ground(f, fit.learned)
        predicted = _predicted(ground, f.soundings, beams)
        lacks = _lacks(ground, f.soundings, beams, predicted, cautious)
        f = with_depths(f, reported + lacks)
        progress((number + 1) / fit.passes)
    return f


def with_depths(f: Frame, depth: np.ndarray) -> Frame:
    """Return a frame whose soundings have other depths, m, shape (n,), and their nodes too.

    Nodes of breaklines that took their depths from the soundings move with the nearest of them.
    """
    change = depth - f.soundings.depth
    soundings = f.soundings.replace(depth=depth)
    known = {name: value for name, value in vars(f).items() if name in ("mask", "distance")}
    if f.block:
        return replace(f, soundings=soundings)
    others = f.nodes.select(f.nodes.kind != SOUNDING)
    made = sounding_nodes(soundings, f.spacing / NODES_PER_SPACING)
    lines = others.select(others.kind == BREAKLINE)
    if len(lines):
        made = clear_of_lines(made, [lines])
        others = _moved(others, f, change)
    f = replace(f, soundings=soundings, nodes=join([made, others]))
    # What was computed from positions alone still holds.
    vars(f).update(known)
    return f


def _moved(nodes: Nodes, f: Frame, change: np.ndarray) -> Nodes:
    if any(np.shape(line)[1] == 3 for line in f.breaklines):
        return nodes
    nearest = cKDTree(np.column_stack([f.soundings.x, f.soundings.y])).query(nodes.xy)[1]
    moved = np.where(nodes.kind == BREAKLINE, change[nearest], 0.0)
    return replace(nodes, depth=nodes.depth + moved)


def _ground(f: Frame, learned: Learned) -> Grid:
    """Return the bottom with a depth in every cell: land at the depth of the shore."""
    low, high = depth_limits(f)
    learned = replace(learned, low=low, high=high)
    return without_voids(f, draw_smooth(f, learned).depth)


def without_voids(f: Frame, depth: Grid) -> Grid:
    """Return depths with those of the nearest in water without any, and of the shore on land."""
    values = depth.values
    void = np.isnan(values)
    if void.any() and not void.all():
        nearest = distance_transform_edt(void, return_distances=False, return_indices=True)
        values = np.where(f.mask, values[tuple(nearest)], f.shore_depth)
    return depth.like(values)


def _predicted(ground: Grid, soundings, beams: Beams) -> np.ndarray:
    """Return the depths that sounders would report over a bottom; NaN without a beam."""
    known = np.flatnonzero(beams.width > 0.0)
    predicted = np.full(len(soundings), np.nan)
    lift = beams.lift[known]
    predicted[known] = (
        first_returns(
            ground, soundings.x[known], soundings.y[known], lift, beams.half_tangent[known]
        )
        - lift
    )
    return predicted


def _lacks(ground: Grid, soundings, beams, predicted, cautious: bool = True) -> np.ndarray:
    """Return by how much depths are too shallow, m; 0 where it cannot be told."""
    x, y = soundings.x, soundings.y
    surface = ground.sample(x, y)
    south, east = np.gradient(ground.values, ground.dy, ground.dx)
    slope = np.minimum(ground.like(np.hypot(south, east)).sample(x, y), _STEEPEST)
    heard = np.maximum(predicted + beams.lift, 0.0)
    most = (1.0 / plane_first_return(1.0, slope, beams.width) - 1.0) * heard + _HIDDEN
    lacks = np.nan_to_num(np.clip(surface - predicted, 0.0, most))
    some = np.flatnonzero(lacks > _NOTHING)
    if cautious and len(some):
        missed = _around(soundings, soundings.depth - predicted, some)
        added = _around(soundings, lacks, some)
        believed = missed * np.minimum(1.0, _BELIEVED * (added / missed) ** 3)
        lower = surface[some] + believed - soundings.depth[some]
        lacks[some] = np.minimum(lacks[some], np.maximum(lower, 0.0))
    return lacks


def _around(soundings, values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return the root mean square of values of the soundings nearest to some of them."""
    at = np.column_stack([soundings.x, soundings.y])
    near = cKDTree(at).query(at[rows], min(_NEAR, len(at)))[1].reshape(len(rows), -1)
    return np.sqrt(np.nanmean(values[near] ** 2, axis=1))


def within_hearing(f: Frame) -> Frame:
    """Return a frame that wants a depth for what a beam over its cells hears too."""
    beams = Beams.of(f.soundings)
    half_tangent = np.where(np.isnan(beams.width), _USUAL_HALF_TANGENT, beams.half_tangent)
    below = np.maximum(f.soundings.depth + beams.lift, 0.0)
    cells = int(np.ceil((half_tangent * below).max(initial=0.0) / f.grid.dx)) + 1
    spans = (span.indices(size) for span, size in zip(f.wanted, f.grid.shape))
    wanted = tuple(slice(max(first - cells, 0), last + cells) for first, last, _ in spans)
    return replace(f, wanted=wanted)


def _root_mean_square(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if len(values) else np.inf


def beam_error(f: Frame, depth: Grid) -> np.ndarray:
    """Return what the beam adds to the standard uncertainty of a surface, m, for each cell.

    Parameters
    ----------
    f : Frame
        What the surface was drawn from; ``corrections`` of its soundings tell of the beam.
    depth : Grid
        The surface, m.

    Notes
    -----
    Over each cell the return to a sounder there is predicted. Of what it lacks on a plane, the
    standard deviation is a third where the width is known, for how a sounder picks its echo
    counts as much as its width (common practice: the leading edge, the strongest echo and the
    middle of it read between none and 1.3 times of that). Where nothing states a width, the error
    lies between none and 1.3 times that of a beam of :data:`~.correction_keys.USUAL_BEAM_DEG`
    degrees, a rectangular distribution (JCGM 2008). What it lacks beyond that of a plane, as
    behind a rim or in a hole narrower than the beam, hides the ground, and counts whole.

    References
    ----------
    JCGM 100:2008. Evaluation of measurement data: guide to the expression of uncertainty in
    measurement, section 4.3.7.
    """
    out = np.zeros(depth.shape)
    beams = Beams.of(f.soundings)
    width = np.where(np.isnan(beams.width), USUAL_BEAM_DEG, beams.width)
    share = np.where(np.isnan(beams.width), _UNKNOWN_SHARE, _KNOWN_SHARE)
    if not (width > 0.0).any() or np.isnan(depth.values).all():
        return out
    ground = without_voids(f, depth)
    north, east = np.gradient(ground.values, depth.dy, depth.dx)
    slope = np.hypot(north, east)
    reach = np.tan(np.radians(width.max()) / 2.0) * np.nanmax(depth.values) / depth.dx
    near = maximum_filter(slope, 2 * min(int(np.ceil(reach)), _WIDEST_REACH) + 1)
    row, col = np.nonzero(np.isfinite(depth.values) & (near > _FLAT))
    if not len(row):
        return out
    around = grid_around(f.grid, f.spacing)
    s = f.soundings
    x, y = depth.west + (col + 0.5) * depth.dx, depth.north - (row + 0.5) * depth.dy
    means = means_around(s.x, s.y, around, f.spacing, width, beams.lift, share)
    width, lift, share = (around.like(mean).sample(x, y) for mean in means)
    below = np.maximum(ground.values[row, col] + lift, 0.0)
    plane = below - plane_first_return(below, slope[row, col], width)
    lacks = below - first_returns(ground, x, y, lift, np.tan(np.radians(width) / 2.0))
    hidden = np.maximum(lacks - plane, 0.0)
    out[row, col] = np.nan_to_num(np.hypot(share * plane, hidden))
    return out
