"""Nodes along breaklines, which no triangle crosses and across which a plate bends freely."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..number_text import written
from ..soundings import Soundings
from .nodes import BREAKLINE, Nodes, densify


def breakline_nodes(
    line: np.ndarray, soundings: Soundings, nodes: Nodes, step: float, spacing: float, number: int
) -> Nodes:
    """Return nodes along a breakline, so close that no triangle crosses it.

    Parameters
    ----------
    line : array, shape (k, 2) or (k, 3)
        x, y and, where known, depth, m.
    soundings : Soundings
        In logged order.
    nodes : Nodes
        The thinned soundings.
    step, spacing : float
        Distance between nodes on the line and lane spacing, m.
    number : int
        Names the line in a message, from 1.

    Raises
    ------
    LakefloorError
        If a line without depths has no sounding on it.

    Notes
    -----
    A line without depths takes them where the boat crossed it: between the two
    pings on either side, at most half a lane spacing apart, depth is interpolated to
    the crossing. If no track crosses, thinned soundings within ``step`` of the line
    are projected onto it. Between these the depth runs linearly along the line; beyond
    the first and the last one the line is kept for one lane spacing.
    """
    line = np.asarray(line, dtype=float)
    if line.ndim != 2 or line.shape[0] < 2 or line.shape[1] not in (2, 3):
        raise LakefloorError(
            f"Breakline {number} has fewer than two vertices. Delete it, or redraw it."
        )
    if not np.isfinite(line[:, :2]).all():
        raise LakefloorError(
            f"Breakline {number} has a vertex without a position. Delete it, or redraw it."
        )
    if not np.ptp(line[:, :2], axis=0).any():
        raise LakefloorError(f"Breakline {number} has no length. Delete it, or redraw it.")
    dense = densify(line, step)
    if line.shape[1] == 3 and np.isfinite(line[:, 2]).all():
        return Nodes.build(dense[:, 0], dense[:, 1], dense[:, 2], BREAKLINE)
    dense = dense[:, :2]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    at, depth, uncert = _crossings(dense, along, soundings, spacing / 2.0)
    if not len(at):
        off, vertex = cKDTree(dense).query(nodes.xy, distance_upper_bound=step)
        near = np.isfinite(off)
        at, depth, uncert = along[vertex[near]], nodes.depth[near], nodes.uncert[near]
    if not len(at):
        raise LakefloorError(
            f"Breakline {number}, near {written(line[0, 0], '.1f')}, "
            f"{written(line[0, 1], '.1f')}, has no depths, and no track crosses it. Give its "
            "vertices depths (Z), or leave it out."
        )
    order = np.argsort(at, kind="stable")
    at, depth, uncert = at[order], depth[order], uncert[order]
    kept = (along >= at[0] - spacing) & (along <= at[-1] + spacing)
    return Nodes.build(
        dense[kept, 0],
        dense[kept, 1],
        np.interp(along[kept], at, depth),
        BREAKLINE,
        np.interp(along[kept], at, uncert),
    )


def _crossings(dense, along, soundings: Soundings, longest: float) -> tuple:
    """Return chainage, depth and uncertainty where the track crosses a line."""
    p = np.column_stack([soundings.x, soundings.y])
    step = np.diff(p, axis=0)
    track = np.hypot(step[:, 0], step[:, 1])
    pings = np.flatnonzero(
        (track > 0) & (track <= longest) & (soundings.visit[1:] == soundings.visit[:-1])
    )
    middle = 0.5 * (dense[1:] + dense[:-1])
    piece = np.diff(dense, axis=0)
    reach = 0.5 * (longest + np.hypot(piece[:, 0], piece[:, 1]).max())
    west, south = dense.min(axis=0) - reach
    east, north = dense.max(axis=0) + reach
    center = p[pings] + 0.5 * step[pings]
    near = (
        (center[:, 0] >= west)
        & (center[:, 0] <= east)
        & (center[:, 1] >= south)
        & (center[:, 1] <= north)
    )
    pings, center = pings[near], center[near]
    if not len(pings):
        return np.empty(0), np.empty(0), np.empty(0)
    found = cKDTree(middle).query_ball_point(center, 0.5 * track[pings] + reach - 0.5 * longest)
    count = np.array([len(hits) for hits in found])
    i = np.repeat(pings, count)
    j = np.concatenate([np.asarray(hits, dtype=int) for hits in found]).astype(int)
    # p + t step = q + u piece, both fractions within 0..1.
    cross = step[i, 0] * piece[j, 1] - step[i, 1] * piece[j, 0]
    gap = dense[j] - p[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gap[:, 0] * piece[j, 1] - gap[:, 1] * piece[j, 0]) / cross
        u = (gap[:, 0] * step[i, 1] - gap[:, 1] * step[i, 0]) / cross
    hit = (cross != 0) & (t >= 0) & (t < 1) & (u >= 0) & (u <= 1)
    i, j, t, u = i[hit], j[hit], t[hit], u[hit]
    depth = soundings.depth[i] + t * (soundings.depth[i + 1] - soundings.depth[i])
    uncert = np.fmax(soundings.uncert[i], soundings.uncert[i + 1])
    return along[j] + u * (along[j + 1] - along[j]), depth, uncert


def clear_of_lines(nodes: Nodes, lines: list[Nodes]) -> Nodes:
    """Leave out nodes within the circle whose diameter is a piece of a breakline.

    An edge whose diametral circle is empty is an edge of the Delaunay
    triangulation (Gabriel and Sokal 1969), so that no triangle crosses it.
    """
    kept = np.ones(len(nodes), dtype=bool)
    for line in lines:
        if len(line) < 2:
            continue
        half = 0.5 * np.hypot(np.diff(line.x), np.diff(line.y))
        middle = 0.5 * (line.xy[1:] + line.xy[:-1])
        off, piece = cKDTree(middle).query(nodes.xy, distance_upper_bound=half.max() * 1.001)
        near = np.isfinite(off)
        kept[near] &= off[near] > half[piece[near]] * 1.001
    return nodes.select(kept)
