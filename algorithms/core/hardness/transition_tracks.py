"""The steps of hardness that tracks show where they cross a line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import logsumexp, ndtr

from ..progress import Progress
from ..soundings import Soundings
from ..track import without_track
from .mixture import change_point
from .transition_sides import Sides

#: Width from 10 to 90 percent of a normal distribution function, in standard deviations.
_NORMAL_RISE = 2.0 * 1.2815515655446004
_LEAST_PINGS = 3
# Widths that are tried along tracks, m.
_WIDTHS = np.geomspace(0.5, 64.0, 29)
#: Common scatter of a satellite position, m.
_POSITION_M = 1.0
_STEP_ERRORS = 4.0


@dataclass(frozen=True)
class CrossingTracks:
    """Tracks that cross lines, one row a crossing."""

    line: np.ndarray
    vertex: np.ndarray
    offset: np.ndarray  # of the step towards the hard side, m
    error: np.ndarray  # standard deviation of the offset, m
    shown: np.ndarray  # whether the track has the step
    likelihood: np.ndarray  # (m, widths), see _fit_step

    def select(self, rows: np.ndarray) -> CrossingTracks:
        return CrossingTracks(*(value[rows] for value in vars(self).values()))


def steps_along_tracks(
    soundings: Soundings, sides: list[Sides], reach: float, progress: Progress
) -> CrossingTracks:
    kept = soundings.select(
        soundings.accepted
        & np.isfinite(soundings.hardness)
        & np.isfinite(soundings.x)
        & np.isfinite(soundings.y)
        & ~without_track(soundings)
    )
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


def _tracks(rows) -> CrossingTracks:
    columns = list(zip(*rows)) if rows else [()] * 6
    kinds = (int, int, float, float, bool, float)
    return CrossingTracks(*(np.array(c, dtype=k) for c, k in zip(columns, kinds)))


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


def width_along_tracks(likelihood: np.ndarray) -> float:
    """Return the width, m, that suits all tracks together best, each with a place of its own."""
    total = likelihood.sum(axis=0)
    k = int(np.clip(np.argmax(total), 1, len(total) - 2))
    left, middle, right = total[k - 1 : k + 2]
    bend = 2.0 * middle - left - right
    shift = 0.5 * (right - left) / bend if bend > 0.0 else 0.0
    ratio = _WIDTHS[1] / _WIDTHS[0]
    return float(_WIDTHS[k] * ratio ** np.clip(shift, -1.0, 1.0))


def moved_onto_tracks(side: Sides, tracks: CrossingTracks, spacing: float) -> Sides:
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
        side,
        xy=side.xy + shift[:, None] * side.left,
        position=np.where(total > prior, 1.0 / np.sqrt(total), side.position),
    )
