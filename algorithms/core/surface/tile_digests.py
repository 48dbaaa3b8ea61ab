"""Digests of what tiles are drawn from, without drawing up what that is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import blake2b
from typing import Any

import numpy as np

from ..correcting.first_return import Beams
from ..polygons import contains, rings
from .frame import Frame, part_of
from .nodes import NODES_PER_SPACING, SOUNDING

# Odd numbers whose bits are spread: multiplying by them mixes the bits of a word.
_MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F], dtype=np.uint64)


class TileDigests:
    """Digests of all that the tiles of a frame are drawn from.

    Nodes of soundings, the mask and what a tile is cut down to follow from the soundings and the
    shoreline, so that these are digested instead: each sounding once, as one number, and of the
    shoreline the edges that meet the tile, and whether a corner of it is water.

    Parameters
    ----------
    f : Frame
    near : callable
        ``near(name, rows, cols)`` returns the row numbers of ``nodes`` or ``soundings`` in and
        around a part of the grid, ascending.
    settings : bytes
        What all tiles are drawn with.
    """

    def __init__(self, f: Frame, near: Callable, settings: bytes):
        self._frame, self._near, self._settings = f, near, settings
        beams = vars(Beams.of(f.soundings)).values()
        columns = [getattr(f.soundings, name) for name in ("x", "y", "depth", "uncert")]
        self._rows = _numbers_of([*columns, *beams])
        # A block of soundings that makes a node may begin outside.
        self._margin = int(np.ceil(f.spacing / NODES_PER_SPACING / f.grid.dx)) + 1
        self._rings = [] if f.shoreline is None else rings(f.shoreline)
        self._edges = _edges(self._rings)

    def of(self, rows: slice, cols: slice) -> str:
        """Return the digest of a part, halo included."""
        f = self._frame
        bounds = west, south, east, north = part_of(f.grid, rows, cols).bounds
        digest = blake2b(self._settings, digest_size=12)
        digest.update(repr(bounds).encode())
        wide = (slice(span.start - self._margin, span.stop + self._margin) for span in (rows, cols))
        soundings = self._within("soundings", *wide)
        digest.update(self._rows[soundings].data)
        digest.update(str(len(soundings)).encode())
        nodes = self._within("nodes", rows, cols)
        nodes = f.nodes.select(nodes[f.nodes.kind[nodes] != SOUNDING])
        for name in ("x", "y", "depth", "uncert", "kind"):
            digest.update(np.ascontiguousarray(getattr(nodes, name)).data)
        edges = self._edges
        if len(edges):
            (left, right), (low, high) = edges[:, 4:6].T, edges[:, 1:4:2].T
            meets = (left <= east) & (right >= west) & (low <= north) & (high >= south)
            digest.update(edges[meets].data)
            water = contains(self._rings, np.array([west]), np.array([north]))
            digest.update(water.data)
        add_lines(digest, f.breaklines, bounds)
        return digest.hexdigest()

    def _within(self, name, rows, cols):
        """Return the row numbers of what lies in a part of the grid."""
        west, south, east, north = part_of(self._frame.grid, rows, cols).bounds
        found, near = getattr(self._frame, name), self._near(name, rows, cols)
        x, y = found.x[near], found.y[near]
        return near[(x >= west) & (x < east) & (y > south) & (y <= north)]


def add_lines(digest: Any, lines: Sequence[np.ndarray], bounds: tuple) -> None:
    """Take the lines that may reach into ``bounds`` up into a digest."""
    west, south, east, north = bounds
    for line in lines:
        line = np.ascontiguousarray(line, dtype=float)
        (left, bottom), (right, top) = line[:, :2].min(axis=0), line[:, :2].max(axis=0)
        if left <= east and right >= west and bottom <= north and top >= south:
            digest.update(line.data)


def _numbers_of(columns) -> np.ndarray:
    """Return for each row one number of 64 bits, made of all bits of its columns."""
    mixed = np.zeros(len(columns[0]), dtype=np.uint64)
    for column in columns:
        mixed ^= np.ascontiguousarray(column, dtype=float).view(np.uint64)
        for mixer in _MIXERS:
            mixed *= mixer
            mixed ^= mixed >> np.uint64(32)
    return mixed


def _edges(ring_list) -> np.ndarray:
    """Return edges from south to north with their least and greatest x, sorted, shape (k, 6)."""
    if not ring_list:
        return np.empty((0, 6))
    ends = np.concatenate([np.column_stack([ring[:-1], ring[1:]]) for ring in ring_list])
    turned = (ends[:, 1] > ends[:, 3]) | ((ends[:, 1] == ends[:, 3]) & (ends[:, 0] > ends[:, 2]))
    ends[turned] = ends[turned][:, [2, 3, 0, 1]]
    ends = ends[np.lexsort(ends.T)]
    return np.column_stack([ends, ends[:, ::2].min(axis=1), ends[:, ::2].max(axis=1)])
