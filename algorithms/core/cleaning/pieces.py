"""Pieces of track between breaks in depth, and which of them stand where depths proved false."""

from __future__ import annotations

import numpy as np

from .track_gates import run_numbers, starts_of_runs

#: Track to either side, m, that tells whether a piece stands among false depths.
_AROUND = 30.0

#: Share of false depths that condemns all from one loss of the bottom to the next.
_MOSTLY = 2.0 / 3.0


def _broken_ends(piece, run):
    """First and last ping of each piece, and whether it begins and ends at a break in depth."""
    head = starts_of_runs(piece)
    tail = np.append(head[1:], len(piece)) - 1
    inner = run[head[1:]] == run[tail[:-1]]
    return head, tail, np.concatenate([[False], inner]), np.append(inner, False)


def loose_pieces(
    piece: np.ndarray,
    run: np.ndarray,
    rows: np.ndarray,
    lost: np.ndarray,
    visit: np.ndarray,
    along: np.ndarray,
    longest: float,
) -> np.ndarray:
    """Pieces that nothing ties to the rest of the track.

    Each end of a piece is a break in depth or the end of a run. A piece that is a whole
    run is not isolated unless the bottom was lost at one of its ends. A piece longer than
    ``longest``, m, speaks for itself: a lane may well follow a channel.
    """
    if len(piece) == 0:
        return piece
    head, tail, before, after = _broken_ends(piece, run)
    broken = before | after
    for ends, way in ((rows[head], -1), (rows[tail], 1)):
        next_to = np.clip(ends + way, 0, len(lost) - 1)
        broken |= lost[next_to] & (visit[next_to] == visit[ends])
    return piece[head[broken & (along[tail] - along[head] <= longest)]]


def amid_false(
    piece: np.ndarray,
    run: np.ndarray,
    rows: np.ndarray,
    false: np.ndarray,
    fresh: np.ndarray,
    visit: np.ndarray,
    along: np.ndarray,
) -> np.ndarray:
    """Pings of broken-off pieces in a stretch of track where most depths proved false."""
    amid = np.zeros(len(piece), dtype=bool)
    if len(piece) == 0:
        return amid
    head, tail, before, after = _broken_ends(piece, run)
    number = np.concatenate([[0], np.cumsum(false.astype(int) - fresh)])
    starts = starts_of_runs(visit)
    stops = np.append(starts[1:], len(visit))
    for p in np.flatnonzero(before | after):
        first, last = rows[head[p]], rows[tail[p]]
        v = np.searchsorted(starts, first, side="right") - 1
        around = along[starts[v] : stops[v]]
        a = starts[v] + np.searchsorted(around, along[first] - _AROUND)
        b = starts[v] + np.searchsorted(around, along[last] + _AROUND, side="right")
        amid[head[p] : tail[p] + 1] = number[b] > number[a]
    return amid


def mostly_false(section: np.ndarray, false: np.ndarray) -> np.ndarray:
    """Mask of the rows in sections most of whose depths proved false; sections ascend."""
    number = run_numbers(starts_of_runs(section), len(section))
    share = np.bincount(number, false) / np.maximum(np.bincount(number), 1)
    return share[number] >= _MOSTLY
