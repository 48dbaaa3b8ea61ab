"""The tracks of a survey as pieces between soundings, and their direction and slope anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .. import lanes
from ..errors import LakefloorError
from ..soundings import Soundings, distinct
from ..times import seconds_of
from ..track import without_track

#: The boat has stopped where its path within the stop radius is longer than so many medians of
#: the survey, which grow with the jitter of positions, but at least and at most so many radii.
_STOP_MEDIANS = 5.0

_STOP_RADII = (8.0, 40.0)

#: Direction and slope are taken over this length of track to each side, m.
_REACH_M = 10.0


@dataclass(frozen=True)
class SurveyTracks:
    """Vertices in order of visit and then of logging; piece k joins vertices k and k + 1."""

    names: list
    row: np.ndarray
    x: np.ndarray
    y: np.ndarray
    depth: np.ndarray
    visit: np.ndarray
    node: np.ndarray  # counts up by one each time the boat leaves the stop radius
    step: np.ndarray  # length of each piece
    along: np.ndarray  # path up to each vertex; far apart for different visits
    piece: np.ndarray  # numbers of the pieces that are track
    first: np.ndarray  # first vertex of the unbroken track of each vertex
    last: np.ndarray
    used: np.ndarray  # vertices that are on a piece

    @classmethod
    def of(cls, soundings: Soundings, max_gap: float, stop_radius: float) -> SurveyTracks:
        used = soundings.accepted & np.isfinite(soundings.x) & np.isfinite(soundings.y)
        lost = without_track(soundings)
        rows = np.flatnonzero(used & ~lost)
        if rows.size < 2:
            rows = np.flatnonzero(used)
        if rows.size < 2:
            raise LakefloorError(
                "Crossings need at least two accepted soundings, but there "
                f"{'is' if rows.size == 1 else 'are'} {rows.size}. Check the status of the "
                "soundings."
            )
        names, group = distinct(soundings.visit[rows])
        order = np.argsort(group, kind="stable")
        rows, group = rows[order], group[order]
        x, y = soundings.x[rows], soundings.y[rows]
        moved = np.concatenate(
            [[True], (np.diff(x) != 0) | (np.diff(y) != 0) | (np.diff(group) != 0)]
        )
        vertex = np.cumsum(moved) - 1
        depth = np.bincount(vertex, soundings.depth[rows]) / np.bincount(vertex)
        row, x, y, visit = rows[moved], x[moved], y[moved], group[moved]
        n = row.size
        step = np.hypot(np.diff(x), np.diff(y))
        other = np.diff(visit) != 0
        node = _nodes(x, y, visit, stop_radius)
        stopped = _stopped(node, step, stop_radius) | _slow(x, y, soundings.time[row], visit)
        joined = ~other & (step <= max_gap) & ~stopped[:-1] & ~stopped[1:] & ~lost[row[1:]]
        far = step.sum() + 1e6
        along = np.concatenate([[0.0], np.cumsum(np.where(other, far, step))])
        start = np.concatenate([[True], ~joined])
        first = np.maximum.accumulate(np.where(start, np.arange(n), 0))
        ends = np.concatenate([np.flatnonzero(start)[1:] - 1, [n - 1]])
        last = ends[np.cumsum(start) - 1]
        return cls(
            names,
            row,
            x,
            y,
            depth,
            visit,
            node,
            step,
            along,
            np.flatnonzero(joined),
            first,
            last,
            first < last,
        )


def _nodes(x, y, visit, radius):
    """Number the places that the boat leaves one after the other, each a radius from the last."""
    limit, number, out = radius * radius, -2, []
    before, px, py = None, 0.0, 0.0
    for here, qx, qy in zip(visit.tolist(), x.tolist(), y.tolist()):
        if here != before:
            before, px, py, number = here, qx, qy, number + 2
        elif (qx - px) * (qx - px) + (qy - py) * (qy - py) > limit:
            px, py, number = qx, qy, number + 1
        out.append(number)
    return np.array(out, dtype=np.int64)


def _stopped(node, step, radius):
    same = np.diff(node) == 0
    path = np.bincount(node[:-1][same], step[same], minlength=node[-1] + 1)
    moving = path[path > 0.0]
    usual = np.median(moving) if moving.size else 0.0
    least, most = _STOP_RADII
    return (path > np.clip(_STOP_MEDIANS * usual, least * radius, most * radius))[node]


def _slow(x, y, time, visit):
    """Return a mask of the vertices where times tell that the boat was not under way."""
    slow = np.zeros(x.size, dtype=bool)
    seconds = seconds_of(time)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(visit) != 0]))
    for start, stop in zip(starts, np.append(starts[1:], x.size)):
        part = slice(start, stop)
        slow[part] = lanes.stopped(x[part], y[part], seconds[part])
    return slow


@dataclass(frozen=True)
class Direction:
    """Direction of tracks as unit vectors, and the slope of the bottom along them."""

    x: np.ndarray
    y: np.ndarray
    gradient: np.ndarray

    @classmethod
    def of(cls, tracks: SurveyTracks, piece: np.ndarray, along: np.ndarray) -> Direction:
        # Near an end of the track the stretch is moved inward, not cut short.
        start, stop = tracks.along[tracks.first[piece]], tracks.along[tracks.last[piece]]
        along = np.maximum(np.minimum(along, stop - _REACH_M), start + _REACH_M)
        low = np.searchsorted(tracks.along, along - _REACH_M)
        high = np.searchsorted(tracks.along, along + _REACH_M, side="right") - 1
        low = np.clip(low, tracks.first[piece], piece)
        high = np.clip(high, piece + 1, tracks.last[piece])
        dx, dy = tracks.x[high] - tracks.x[low], tracks.y[high] - tracks.y[low]
        length = np.hypot(dx, dy)
        # A track that comes back to the same place within the reach keeps the piece's direction.
        back = length < 1e-6
        low, high = np.where(back, piece, low), np.where(back, piece + 1, high)
        dx, dy = tracks.x[high] - tracks.x[low], tracks.y[high] - tracks.y[low]
        length = np.hypot(dx, dy)
        fall = tracks.depth[high] - tracks.depth[low]
        return cls(dx / length, dy / length, fall / length)
