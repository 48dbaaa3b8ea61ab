"""What a method of gridding, and undoing the beam, need to know of a whole survey."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..blocks import well_filled
from ..correcting.first_return import states_beam
from ..grid import Grid
from ..progress import Progress, silent, span
from ..soundings import concatenate
from . import beam as beams
from .frame import Frame
from .gridding_methods import METHODS
from .nodes import join
from .smooth_surface import Learned, depth_limits
from .surface_record import Record
from .surface_uncertainty import Growth

#: A survey on a grid of up to this many cells is learned from whole.
LEARNED_WHOLE = 2_000_000
# A larger one is learned from in windows: multiples of 64 cells, as the coarser grids of the
# smooth surface want it, and not above so many cells and soundings in all.
_STEP, _SIDE = 64, 1024
_SAMPLE_CELLS, _SAMPLE_SOUNDINGS, _SAMPLE_SPACINGS = 2_000_000, 2_000_000, 64.0


def _sample(f: Frame) -> Frame:
    """Return windows of a large lake side by side, as a frame to learn from."""
    cell = f.grid.dx
    side = _STEP * int(np.ceil(_SAMPLE_SPACINGS * f.spacing / cell / _STEP))
    side = min(side, _SIDE)
    apart = side + _STEP * int(np.ceil(f.max_gap / cell / _STEP))
    rows, cols = f.grid.shape
    across = -(-cols // side)
    row, col = f.grid.rows_cols(f.soundings.x, f.soundings.y)
    row = np.floor((row + 0.5) / side).clip(0, -(-rows // side) - 1)
    col = np.floor((col + 0.5) / side).clip(0, across - 1)
    counts = np.bincount((row * across + col).astype(np.int64))
    most = _SAMPLE_CELLS // side**2
    chosen = well_filled(counts, most)
    while len(chosen) > 1 and counts[chosen].sum() > _SAMPLE_SOUNDINGS:
        most = len(chosen) // 2
        chosen = well_filled(counts, most)
    grid = Grid(np.broadcast_to(np.nan, (side, apart * len(chosen))), 0.0, side * cell, cell, cell)
    mask = np.zeros(grid.shape, dtype=bool)
    nodes, soundings = [], []
    for number, window in enumerate(chosen):
        down, right = window // across * side, window % across * side
        part = f.window(slice(down, down + side), slice(right, right + side))
        first = number * apart
        mask[:, first : first + side] = part.mask
        west, north = part.grid.west - first * cell, part.grid.north - grid.north
        for found, kept in ((nodes, part.nodes), (soundings, part.soundings)):
            found.append(replace(kept, x=kept.x - west, y=kept.y - north))
    sample = replace(
        f,
        nodes=join(nodes),
        soundings=concatenate(soundings),
        grid=grid,
        shoreline=None,
        breaklines=(),
        water=mask,
    )
    return sample


def learned_record(f: Frame, method: str, options: dict, progress: Progress = silent) -> Record:
    """Return how to draw a surface, without a tile: all that is learned of a whole survey.

    Parameters and errors as :func:`learn`. Where the soundings state their beam, it is learned
    first how to undo it, and the rest from a survey without it.
    """
    beam = None
    if states_beam(f.soundings):
        beam = beams.learn_beam(_sampled(f), span(progress, 0.0, 0.4))
        progress = span(progress, 0.4, 1.0)
    learned = learn(f, method, options, progress, beam)
    return Record(method, options, f.grid.dx, f.spacing, f.max_gap, learned, beam=beam)


def learn(
    f: Frame,
    method: str,
    options: dict,
    progress: Progress = silent,
    beam: beams.BeamFit | None = None,
) -> Growth | Learned:
    """Return what a method needs to know of a whole survey, of a large one from a sample.

    Parameters
    ----------
    f : Frame
    method : str
        Of :data:`METHODS`.
    options : dict
        Options of the method.
    progress : callable
    beam : BeamFit, optional
        How the beam is undone before.

    Raises
    ------
    LakefloorError
        As the method's own.
    """
    sample = _sampled(f)
    if beam:
        sample = beams.undo_beam(sample, beam)
    learned = METHODS[method].learn(sample, progress=progress, **options)
    return within_limits(f, learned)


def _sampled(f: Frame) -> Frame:
    return _sample(f) if f.grid.values.size > LEARNED_WHOLE else f


def within_limits(f: Frame, learned: Growth | Learned) -> Growth | Learned:
    """Return what was learned with the limits of depth of a survey, where it has such."""
    if not isinstance(learned, Learned):
        return learned
    low, high = depth_limits(f)
    return replace(learned, low=low, high=high)
