"""Windows of a survey on which a gridding method is tried before the whole is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..blocks import every_fourth_square, square_blocks
from ..grid import Grid
from .frame import Frame
from .nodes import BREAKLINE, SOUNDING, Nodes, join, sounding_nodes
from .roughness import grid_around, scatter, unevenness
from .thin_plate import halve

_NODES, _NODES_A_SPACING = 25_000, 10.0
_CELLS_A_SPACING = 5.0
_WINDOW, _MARGIN = 24.0, 3.0
# A window holds about so many nodes or more: of close tracks, errors of positions reach over more
# than their spacing, and a smooth surface is bent from its edges as far as it is smoothed.
_LEAST_NODES = 2500


@dataclass(frozen=True)
class SampleWindows:
    """Whole windows of a survey, laid side by side; of a small one, all of it.

    Attributes
    ----------
    nodes : Nodes
        Soundings averaged within blocks of a tenth of the lane spacing, shore and
        breaklines. Soundings near the edge of a window count as breaklines: what is
        beyond is not there to predict them.
    square : array, shape (n,)
        Mean square scatter of the pings of a node, m2; see :func:`~.roughness.scatter`.
    count : array, shape (n,)
        Pings of a node.
    grid : Grid
        Cells of up to a fifth of the lane spacing.
    water : array of bool, shape (rows, cols)
        Cells that get a depth.
    spacing : float
        Lane spacing, m.
    """

    nodes: Nodes
    square: np.ndarray
    count: np.ndarray
    grid: Grid
    water: np.ndarray
    spacing: float


def choose_windows(f: Frame, wet: np.ndarray) -> SampleWindows:
    """Return the windows of a frame that a method is tried on.

    Parameters
    ----------
    f : Frame
    wet : array of bool, shape (rows, cols)
        Cells that will get a depth.
    """
    block = max(f.grid.dx, f.spacing / _NODES_A_SPACING)
    around = grid_around(f.grid, f.spacing)
    _, *slopes = unevenness(f.nodes, around, f.spacing, False)
    square = scatter(f.soundings, f.spacing, around, tuple(slopes))
    known = np.isfinite(square)
    _, _, number, _ = square_blocks(f.soundings.x, f.soundings.y, block)
    pings = np.bincount(number)
    with np.errstate(invalid="ignore"):
        square = np.bincount(number, np.where(known, square, 0.0)) / np.bincount(number, known)
    lines = f.nodes.select(f.nodes.kind != SOUNDING)
    nodes = join([sounding_nodes(f.soundings, block), lines])
    square = np.concatenate([square, np.full(len(lines), np.nan)])
    count = np.concatenate([pings, np.ones(len(lines))])
    rows, places, grid, water = _windows(f, wet, nodes)
    (r, c), inner = places
    x, y = grid.west + (c + 0.5) * grid.dx, grid.north - (r + 0.5) * grid.dy
    old = nodes.select(rows)
    kind = np.where(inner | (old.kind != SOUNDING), old.kind, BREAKLINE)
    nodes = Nodes.build(x, y, old.depth, kind, old.uncert, old.lane)
    return SampleWindows(nodes, square[rows], count[rows], grid, water, f.spacing)


def _windows(f: Frame, wet, nodes: Nodes) -> tuple:
    """Return rows of nodes, where they lie, and grid and water of the windows."""
    cell = f.grid.dx
    row, col = f.grid.rows_cols(nodes.x, nodes.y)
    while 2.0 * cell <= f.spacing / _CELLS_A_SPACING:
        wet, cell = halve(wet), 2.0 * cell
        row, col = (row - 0.5) / 2.0, (col - 0.5) / 2.0
    water = np.count_nonzero(wet) * cell**2
    wide = max(_WINDOW * f.spacing, float(np.sqrt(_LEAST_NODES * water / len(nodes))))
    side = int(np.ceil(wide / cell))
    across = wet.shape[1] // side + 1
    window = (
        np.rint(row).astype(int).clip(0) // side * across + np.rint(col).astype(int).clip(0) // side
    )
    windows, window, count = np.unique(window, return_inverse=True, return_counts=True)
    every = int(np.ceil(len(nodes) / _NODES))
    if every == 1:
        grid = Grid(wet, 0.0, wet.shape[0] * cell, cell, cell)
        all_ = np.arange(len(nodes))
        return all_, ((row, col), np.ones(len(nodes), dtype=bool)), grid, wet
    # From the fullest down, so that the sample holds soundings and not only shore.
    chosen = np.argsort(-count, kind="stable")[::every]
    grid = Grid(np.empty((side, (side + 2) * len(chosen))), 0.0, side * cell, cell, cell)
    pieces, parts = [], []
    for number, k in enumerate(chosen):
        top, left = windows[k] // across * side, windows[k] % across * side
        piece = np.zeros((side, side + 2), dtype=bool)
        found = wet[top : top + side, left : left + side]
        piece[: found.shape[0], : found.shape[1]] = found
        pieces.append(piece)
        mine = np.flatnonzero(window == k)
        r, c = row[mine] - top, col[mine] - left
        margin = _MARGIN / _WINDOW * side
        inner = np.minimum(np.minimum(r, c), side - 1 - np.maximum(r, c)) > margin
        parts.append((mine, r, c + number * (side + 2), inner))
    rows, r, c, inner = (np.concatenate(part) for part in zip(*parts))
    return rows, ((r, c), inner), grid, np.hstack(pieces)


def lanes_left_out(nodes: Nodes, spacing: float) -> np.ndarray:
    """Mark every third lane, or every fourth square of two lane spacings if lanes are few."""
    free = nodes.kind == SOUNDING
    lanes, lane = np.unique(nodes.lane, return_inverse=True)
    if np.count_nonzero(lanes) >= 4:
        return free & (nodes.lane > 0) & (lane.ravel() % 3 == 0)
    return free & every_fourth_square(nodes.x, nodes.y, 2.0 * spacing)


def cross_lines(nodes: Nodes) -> np.ndarray:
    """Mark nodes of lanes that run across most others, by more than 45 degrees."""
    number, lane = np.unique(nodes.lane, return_inverse=True)
    lane = lane.ravel()
    count = np.bincount(lane)
    x, y = (v - (np.bincount(lane, v) / count)[lane] for v in (nodes.x, nodes.y))
    # Twice the angle, so that there and back are alike.
    east, north = np.bincount(lane, x * x - y * y), np.bincount(lane, 2.0 * x * y)
    axis = np.exp(1j * np.arctan2(north, east))
    numbered = (number > 0) & (count > 2)
    usual = (count * axis)[numbered].sum()
    return (numbered & ((axis * np.conj(usual)).real < 0.0))[lane]
