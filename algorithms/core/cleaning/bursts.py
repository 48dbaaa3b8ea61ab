"""Bursts: stretches of false depths along the track, too long for a moving window.

A double echo, a lost bottom or the top of weeds can last for many pings. What gives it
away is how the track leaves and comes back: in one step each way, to where it would have
been. A drop-off is one step only, or one after another in the same direction; the flanks
of a hump take more than a ping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress, silent
from .hampel import BLOCK_PINGS, usual_noise
from .track_gates import cheapest_chain, run_numbers, starts_of_runs

#: A burst stands out by at least this share of its length, besides the noise.
GENTLE = 0.03
#: Steps by a ratio within these limits are a change to a second echo, or back.
ECHO = (1.5, 2.6)
#: Noise of a stretch, against that of all, beyond which it is not taken for noise.
WILD = 3.0
#: Price of leaving out a second echo, which its depth gives away, against other bursts.
ECHO_PRICE = 0.5


def cut(
    depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
) -> np.ndarray:
    """Return the number of the piece of track of each ping; parameters as `hampel.spikes`.

    A piece ends with its run, at each step that neither the noise nor ``steepest``
    explains, and at each that doubles or halves the depth, as a second echo does.
    """
    if len(depth) == 0:
        return np.zeros(0, dtype=int)
    step = np.abs(np.diff(depth))
    scatter = n_sigma * _step_noise(depth, floor)[:-1]
    ratio = np.maximum(depth[1:], depth[:-1]) / np.minimum(depth[1:], depth[:-1])
    echo = (ratio > ECHO[0]) & (ratio < ECHO[1]) & (step > 2.0 * scatter)
    ends = (run[1:] != run[:-1]) | (step > scatter + steepest * np.diff(along)) | echo
    return np.concatenate([[0], np.cumsum(ends)])


@dataclass(frozen=True)
class _Pieces:
    """Pieces of track and what is asked about them; lengths n (pings) and p (pieces)."""

    depth: np.ndarray  # (n,)
    along: np.ndarray  # (n,)
    scatter: np.ndarray  # (n,) largest step that noise explains
    slope_to: np.ndarray  # (n,) slope of the track up to each ping, within its piece
    slope_from: np.ndarray  # (n,) and from it
    head: np.ndarray  # (p,) first ping
    tail: np.ndarray  # (p,) last ping
    first_level: np.ndarray  # (p,) median of the first three pings
    last_level: np.ndarray  # (p,) median of the last three


def bursts(
    depth: np.ndarray,
    along: np.ndarray,
    run: np.ndarray,
    *,
    k: int,
    n_sigma: float,
    floor: np.ndarray,
    steepest: float,
    longest: float,
    progress: Progress = silent,
) -> np.ndarray:
    """Mask, shape (n,), of stretches that the track leaves and comes back from abruptly.

    The track is cut (`cut`) and the cheapest way along its pieces is taken: pieces may be
    left out where the track before and after them join on, at the price of their length;
    a break is believed at the price of half of ``longest``. Of two ways to leave
    something out, the one that loses less track is taken. A first or last piece of up to
    ``k`` pings is left out too.

    Parameters
    ----------
    longest : float
        Longest burst, m along the track.
    others
        As in `hampel.spikes`.

    Returns
    -------
    bool, shape (n,)
    """
    n = len(depth)
    bad = np.zeros(n, dtype=bool)
    if n < 2:
        return bad
    number = cut(depth, along, run, n_sigma=n_sigma, floor=floor, steepest=steepest)
    pieces = _describe(depth, along, number, k, n_sigma * _step_noise(depth, floor), steepest)
    head, tail = pieces.head, pieces.tail
    reach = 0.5 * np.where(run[1:] == run[:-1], np.diff(along), 0.0)
    price = np.concatenate([[0.0], reach]) + np.concatenate([reach, [0.0]])
    price = np.add.reduceat(price + 0.01, head)  # no ping is free

    # A drop-off of several steep steps is one break.
    way = np.concatenate([[0.0], np.sign(depth[head[1:]] - depth[head[1:] - 1])])
    going_on = (tail - head < k) & (way != 0.0)
    penalty = np.full(len(head), 0.5 * longest)
    penalty[1:][going_on[:-1] & (way[1:] == way[:-1])] = 0.0

    begin = starts_of_runs(run[head])
    spans = list(zip(begin, np.append(begin[1:], len(head))))
    for done, (start, stop) in enumerate(spans):
        if done % 1000 == 0:
            progress(done / len(spans))
        if stop - start < 2:
            continue
        ends = head[start], tail[stop - 1]

        def joins(i, j, start=start, stop=stop, ends=ends):
            for end, outermost in ((start + i, start), (start + j, stop - 1)):
                if end == outermost and tail[end] - head[end] < k:
                    return np.inf  # a few pings are not the track that a burst comes back to
            return _price_of_return(pieces, start + i, start + j, ends, k, steepest, longest)

        kept = cheapest_chain(price[start:stop], joins, penalty[start:stop], 0.0)
        kept = _without_loose_ends(kept, head[start:stop], tail[start:stop], k)
        rows = slice(ends[0], ends[1] + 1)
        bad[rows] = ~kept[number[rows] - start]
    return bad


def _price_of_return(pieces, a, b, ends, k, steepest, longest) -> float:
    """Price, per meter, of leaving out what lies between pieces ``a`` and ``b`` as a burst.

    Infinite if it is none. ``ends`` are the first and last ping of the run.
    """
    depth, along = pieces.depth, pieces.along
    tail, head = pieces.tail[a], pieces.head[b]
    gap = along[head] - along[tail]
    out, back = depth[tail + 1] - depth[tail], depth[head] - depth[head - 1]
    if gap > longest or out * back >= 0:
        return np.inf
    before, after = pieces.last_level[a], pieces.first_level[b]
    inside = depth[tail + 1 : head]
    height = _middle(inside) - 0.5 * (before + after)
    size, scatter = abs(height), pieces.scatter[tail]
    if out * height <= 0 or size < 1.5 * scatter:
        return np.inf
    if size > 2.0 * scatter and _is_echo(pieces, tail, head, height, steepest):
        return ECHO_PRICE
    larger, smaller = max(abs(out), abs(back)), min(abs(out), abs(back))
    if size < 1.5 * scatter + GENTLE * gap:
        return np.inf
    if larger + smaller < 1.2 * size or smaller < 0.4 * size:
        return np.inf
    base = np.linspace(before, after, len(inside) + 2)[1:-1]
    if np.count_nonzero((inside - base) * np.sign(height) > larger / 3.0) < 0.9 * len(inside):
        return np.inf
    # The track comes back to where its slope on either side leads it.
    most = 0.5 * size
    led = [min(max(s * gap, -most), most) for s in (pieces.slope_to[tail], pieces.slope_from[head])]
    allowed = scatter + min(steepest * gap, 0.5 * most)
    if not min(*led, 0.0) - allowed <= after - before <= max(*led, 0.0) + allowed:
        return np.inf
    # Further out the track is nearer to its edges than to the burst: it is not the burst
    # that is the bottom.
    wide = min(max(len(inside), 2 * k + 1), BLOCK_PINGS // 2)
    far = _middle(depth[max(tail + 1 - wide, ends[0]) : tail + 1])
    if abs(far - before) > 0.5 * abs(far - _middle(inside[:3])):
        return np.inf
    far = _middle(depth[head : min(head + wide, ends[1] + 1)])
    return 1.0 if abs(far - after) <= 0.5 * abs(far - _middle(inside[-3:])) else np.inf


def _is_echo(pieces, tail, head, height, steepest) -> bool:
    """Tell whether the depths after ``tail`` and before ``head`` fit in once halved or doubled."""
    fitted = pieces.depth[tail : head + 1].copy()
    fitted[1:-1] *= 0.5 if height > 0 else 2.0
    scatter = pieces.scatter[tail]
    limit = scatter + 2.5 * steepest * np.diff(pieces.along[tail : head + 1])
    limit = np.minimum(limit, scatter + 0.3 * np.minimum(fitted[1:], fitted[:-1]))
    return bool((np.abs(np.diff(fitted)) <= limit).all())


def _describe(depth, along, number, k, scatter, steepest) -> _Pieces:
    """Return the pieces numbered by ``number``; slopes are taken over ``2 k`` pings."""
    n = len(depth)
    head = starts_of_runs(number)
    tail = np.append(head[1:], n) - 1
    own, here = run_numbers(head, n), np.arange(n)
    slopes = []
    for a, b in (
        (np.maximum(here - 2 * k, head[own]), here),
        (here, np.minimum(here + 2 * k, tail[own])),
    ):
        way = along[b] - along[a]
        slope = (depth[b] - depth[a]) / np.where(way > 0, way, np.inf)
        slopes.append(np.clip(slope, -steepest, steepest))
    three = np.arange(3)
    first = np.median(depth[np.minimum(head[:, None] + three, tail[:, None])], axis=1)
    last = np.median(depth[np.maximum(tail[:, None] - three, head[:, None])], axis=1)
    before, after = slopes
    return _Pieces(depth, along, scatter, before, after, head, tail, first, last)


def _without_loose_ends(kept, head, tail, k):
    """Leave out a first or last piece of up to ``k`` pings, next to a longer one."""
    kept = kept.copy()
    rows = np.flatnonzero(kept)
    size = tail - head + 1
    for end, inner in ((rows[:1], rows[1:2]), (rows[-1:], rows[-2:-1])):
        if len(inner) and size[end[0]] <= k and size[inner[0]] > 2 * k:
            kept[end[0]] = False
    return kept


def _step_noise(depth, floor):
    """Usual scatter of the steps from ping to ping, as a standard deviation, m; shape (n,).

    From second differences, which a slope does not reach; their variance is three times
    that of a step. Equal depths in a row count once: a sounder that logs more often than
    it measures is not the less noisy for it. No stretch is granted more than a few times
    the noise of all: where depths are wild, it is for another reason.
    """
    starts = starts_of_runs(depth)
    fresh = depth[starts]
    bend = np.abs(np.diff(fresh, n=2, prepend=fresh[:1], append=fresh[-1:]))
    noise = usual_noise(bend)[run_numbers(starts, len(depth))] / np.sqrt(3.0)
    noise = np.maximum(noise, floor)
    return np.minimum(noise, np.maximum(WILD * np.median(noise), floor))


def _middle(values) -> float:
    """Upper median; many times faster than `numpy.median` on a few values."""
    return float(np.sort(values)[len(values) // 2])
