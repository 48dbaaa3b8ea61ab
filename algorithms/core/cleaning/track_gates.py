"""Gates on the track: what time and position alone say about a sounding.

A receiver often gives fewer fixes than the sounder gives pings, so that several
pings share one position. All gates therefore work on *fixes*: runs of consecutive
pings of one visit with exactly the same position.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

#: Distance, m, that position noise alone may add between two fixes.
POSITION_SLACK = 5.0
#: A position held for less than this, s, is never called frozen.
SHORTEST_FREEZE = 3.0
#: A block of displaced fixes is believed if it has more fixes and lasts longer, s, than this.
LONGEST_DISPLACEMENT = 60.0
#: Share of the stamps of several rows that must hold one row only to call the others repeated.
REPEATED_SHARE = 0.95
#: With a clock coarser than the pings: rows that must be there twice without a break.
REPEATED_BITS = 20


@dataclass(frozen=True)
class FixTrack:
    """Fixes of a set of pings; the pings of one visit stand together, in logged order.

    Attributes
    ----------
    fix : int, shape (n,)
        Number of the fix that each ping belongs to.
    first : int, shape (m,)
        First ping of each fix.
    visit : int, shape (m,)
        Visit of each fix.
    x, y : float, shape (m,)
        Position of each fix, m.
    seconds : float, shape (n,)
        Time of each ping, s from the first; NaN where there is no usable clock.
    along : float, shape (n,)
        Distance along the track, m; spread evenly over the pings of a fix.
    """

    fix: np.ndarray
    first: np.ndarray
    visit: np.ndarray
    x: np.ndarray
    y: np.ndarray
    seconds: np.ndarray
    along: np.ndarray


def starts_of_runs(*columns) -> np.ndarray:
    """Return the index of the first row of each run of rows equal in every column."""
    n = len(columns[0])
    new = np.zeros(n, dtype=bool)
    new[:1] = True
    for column in columns:
        new[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(new)


def run_numbers(starts: np.ndarray, n: int) -> np.ndarray:
    """Return the number of the run of each of ``n`` rows, from the runs' first rows."""
    return np.repeat(np.arange(len(starts)), np.diff(np.append(starts, n)))


def usable_seconds(
    time: np.ndarray, visit: np.ndarray, x: np.ndarray, y: np.ndarray, max_speed: float
) -> np.ndarray:
    """Return seconds from the first time, NaN where missing or where the clock stands still.

    A clock stands still where the boat covers, within one and the same time stamp,
    more ground than it can in a second (the coarsest stamp in use) at ``max_speed``.

    Parameters
    ----------
    time : datetime64[ms], shape (n,)
    visit : int, shape (n,)
    x, y : float, shape (n,)
        Position, m.
    max_speed : float
        Highest plausible speed, m/s.
    """
    n = len(time)
    missing = np.isnat(time)
    if missing.all():
        return np.full(n, np.nan)
    seconds = (time - time[~missing][0]) / np.timedelta64(1, "ms") / 1000.0
    starts = starts_of_runs(visit, time.view("int64"))
    run = run_numbers(starts, n)
    step = np.hypot(np.diff(x, prepend=x[:1]), np.diff(y, prepend=y[:1]))
    step[starts] = 0.0
    stopped = np.bincount(run, step, len(starts)) > max_speed + 2.0 * POSITION_SLACK
    return np.where(missing | stopped[run], np.nan, seconds)


def track_of_fixes(
    time: np.ndarray, visit: np.ndarray, x: np.ndarray, y: np.ndarray, max_speed: float
) -> FixTrack:
    """Return the fixes of pings that all have a position; parameters as `usable_seconds`."""
    n = len(x)
    first = starts_of_runs(visit, x, y)
    fix = run_numbers(first, n)
    step = np.hypot(np.diff(x[first], prepend=x[:1]), np.diff(y[first], prepend=y[:1]))
    along = np.interp(np.arange(n), first, np.cumsum(step)) if n else np.zeros(0)
    seconds = usable_seconds(time, visit, x, y, max_speed)
    return FixTrack(fix, first, visit[first], x[first], y[first], seconds, along)


def repeated_rows(
    time: np.ndarray, visit: np.ndarray, x: np.ndarray, y: np.ndarray, depth: np.ndarray
) -> np.ndarray:
    """Mask, shape (n,), of rows that repeat an earlier time, position and depth.

    A file read twice repeats rows anywhere, whatever the visit is called. Rows that
    follow each other under one time stamp are repeats if nearly all such stamps hold
    one row only, several times. Otherwise the clock is merely coarser than the ping
    rate, and rows are repeats where stamp after stamp holds each of its rows the same
    number of times, or a multiple of it.
    All columns have shape (n,), ``time`` is datetime64[ms]; positions and depths in m.
    """
    known = ~np.isnat(time) & np.isfinite(depth) & np.isfinite(x + y)
    repeated = np.zeros(len(time), dtype=bool)
    rows = np.flatnonzero(known)
    if not len(rows):
        return repeated
    stamp = run_numbers(starts_of_runs(visit[rows], time[rows].view("int64")), len(rows))
    columns = [time[rows].view("int64"), *(c[rows] for c in (x, y, depth))]
    key = np.zeros(len(rows), dtype=np.uint64)
    for column in columns:
        bits = np.ascontiguousarray(column).view(np.uint64)
        key = (key ^ bits) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    order = np.argsort(key, kind="stable")
    equal = np.ones(len(rows) - 1, dtype=bool)
    for column in columns:
        equal &= column[order[1:]] == column[order[:-1]]
    group = np.concatenate([[0], np.cumsum(~equal)])
    leader = order[np.searchsorted(group, group)]
    elsewhere = stamp[order] != stamp[leader]

    # The different rows of each stamp, and how often each is there.
    base = group[-1] + 1
    cell, member, count = np.unique(
        stamp[order] * base + group, return_inverse=True, return_counts=True
    )
    owner = cell // base
    head = starts_of_runs(owner)
    times = _times_read(
        np.diff(np.append(head, len(owner))),
        np.gcd.reduceat(count, head),
        np.add.reduceat(count, head),
        visit[rows][starts_of_runs(stamp)],
    )
    by_cell = np.argsort(member, kind="stable")
    rank = np.empty(len(rows), dtype=int)
    rank[by_cell] = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    repeated[rows[order]] = elsewhere | (rank >= (count // times[owner])[member])
    return repeated


def _times_read(different, common, total, visit) -> np.ndarray:
    """Return how many times each time stamp was read; arrays with one value a stamp.

    ``different`` rows are there, each a multiple of ``common`` times, ``total`` rows in all.
    """
    many = total > 1
    if not many.any() or np.mean(different[many] == 1) >= REPEATED_SHARE:
        return common
    broken = common == 1
    broken[1:] |= visit[1:] != visit[:-1]
    broken[0] = True
    run = np.cumsum(broken) - 1
    # Chance makes the number of one row even in every second stamp; of equal rows it tells nothing.
    telling = np.bincount(run, np.where((common > 1) & (different > 1), different, 0))
    read = np.gcd.reduceat(np.where(common > 1, common, 0), np.flatnonzero(broken))
    return np.where((common > 1) & (telling[run] >= REPEATED_BITS), read[run], 1)


def cheapest_chain(
    lengths: np.ndarray, joins: Callable, penalty: np.ndarray, loose_end: float, reach: int = 16
) -> np.ndarray:
    """Choose which pieces of a broken track to keep.

    Piece ``j`` may follow piece ``j - 1`` at the price of ``penalty[j]`` (a true break),
    or any earlier piece ``i`` that it joins on to, at the price of the length left out
    between them. The cheapest way from the first to the last piece is kept (dynamic
    programming, Bellman 1957).

    Parameters
    ----------
    lengths : float, shape (p,)
        Price of leaving out each piece.
    joins : callable
        ``joins(i, j)`` gives the price, relative to the length between, of leaving out
        all pieces between ``i`` and ``j``; infinity where it is not allowed.
    penalty : float, shape (p,)
        Price of believing the break before each piece.
    loose_end : float
        Most that may be left out at either end.
    reach : int
        Most pieces left out at a time.

    Returns
    -------
    bool, shape (p,)
        The pieces kept.
    """
    count = len(lengths)
    upto: list[float] = np.concatenate([[0.0], np.cumsum(lengths)]).tolist()
    cost: list[float] = []
    back: list[int] = []
    for j in range(count):
        best, origin = (upto[j], -1) if upto[j] <= loose_end else (np.inf, -1)
        if j and cost[j - 1] + penalty[j] < best:
            best, origin = cost[j - 1] + penalty[j], j - 1
        for i in range(j - 2, max(j - 2 - reach, -1), -1):
            between = upto[j] - upto[i + 1]
            if cost[i] < best:
                price = cost[i] + between * joins(i, j)
                if price < best:
                    best, origin = price, i
        cost.append(best)
        back.append(origin)
    tails = [cost[j] + upto[-1] - upto[j + 1] for j in range(count)]
    ends = [j for j in range(count) if upto[-1] - upto[j + 1] <= loose_end]
    j = min(ends, key=lambda k: (tails[k], -k))
    kept = np.zeros(count, dtype=bool)
    while j >= 0:
        kept[j] = True
        j = back[j]
    return kept


def position_jumps(track: FixTrack, max_speed: float) -> np.ndarray:
    """Mask, shape (n,), of the pings whose position the boat cannot have reached.

    Between fixes the boat may go twice its speed of the moment (running median over
    eleven fixes) plus 2 m/s, and never more than ``max_speed``. Where it went further,
    the track is broken; pieces that the rest of the track passes by are jumps.
    """
    jumped = np.zeros(len(track.first), dtype=bool)
    time = track.seconds[track.first]
    for start, stop in visit_spans(track.visit):
        x, y, t = track.x[start:stop], track.y[start:stop], time[start:stop]
        dt, step = np.diff(t), np.hypot(np.diff(x), np.diff(y))
        timed = dt > 0
        if np.count_nonzero(timed) < 2:
            continue
        usual = float(np.median(dt[timed]))
        speed = np.where(timed, step / np.where(timed, np.maximum(dt, usual), 1.0), 0.0)
        limit = np.minimum(max_speed, 2.0 * running_median(speed, 5) + 2.0)
        broken = timed & (step > limit * np.maximum(dt, usual) + POSITION_SLACK)
        if not broken.any():
            continue
        head = np.concatenate([[0], np.flatnonzero(broken) + 1])
        tail = np.append(head[1:], len(x)) - 1
        limit = np.append(limit, limit[-1])

        def joins(i, j, x=x, y=y, t=t, head=head, tail=tail, limit=limit, usual=usual):
            a, b = tail[i], head[j]
            gap = max(t[b] - t[a], usual)
            near = np.hypot(x[b] - x[a], y[b] - y[a]) <= limit[a] * gap + POSITION_SLACK
            return 1.0 if near else np.inf

        half = 0.5 * LONGEST_DISPLACEMENT / min(usual, 1.0)
        penalty = np.full(len(head), half)
        kept = cheapest_chain(np.diff(np.append(head, len(x))), joins, penalty, half)
        jumped[start:stop] = ~kept[run_numbers(head, len(x))]
    return jumped[track.fix]


def frozen_positions(track: FixTrack, speed: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Mask, shape (n,), of the pings logged while the position stood still and the boat did not.

    A fix held for long (two and a half times the usual, at least 3 s) is frozen if the logged
    speed over that time, the distance to the next fix, or the change of depth shows
    that the boat went on. The pings within the usual time of a fix stay. ``speed`` (m/s) and
    ``depth`` (m) have shape (n,), NaN where not known.
    """
    n, fixes = len(track.fix), len(track.first)
    frozen = np.zeros(n, dtype=bool)
    if n == 0:
        return frozen
    last = np.append(track.first[1:], n) - 1
    seconds = track.seconds
    held = seconds[last] - seconds[track.first]
    for start, stop in visit_spans(track.visit):
        interval = np.diff(seconds[track.first[start:stop]])
        interval = interval[interval > 0]
        if not len(interval):
            continue
        usual = float(np.median(interval))
        pings = np.diff(seconds[track.first[start] : last[stop - 1] + 1])
        pings = pings[pings > 0]
        ping = float(np.median(pings))
        for k in start + np.flatnonzero(held[start:stop] >= max(SHORTEST_FREEZE, 2.5 * usual)):
            rows = slice(track.first[k], last[k] + 1)
            logged = speed[rows][np.isfinite(speed[rows])]
            went_on = len(logged) > 0 and np.median(logged) * held[k] > POSITION_SLACK
            if not went_on and k + 1 < min(stop, fixes):
                at_once = seconds[track.first[k + 1]] - seconds[last[k]] <= 2.0 * usual + ping
                leap = np.hypot(track.x[k + 1] - track.x[k], track.y[k + 1] - track.y[k])
                went_on = at_once and leap > POSITION_SLACK and leap > 0.3 * held[k]
            if not went_on and not len(logged):
                found = depth[rows][np.isfinite(depth[rows])]
                low, high = np.percentile(found, [10, 90]) if len(found) else (0.0, 0.0)
                went_on = high - low > max(1.0, 0.2 * high)
            if went_on:
                frozen[rows] = seconds[rows] - seconds[track.first[k]] >= usual
    return frozen


def boat_speed(track: FixTrack, logged: np.ndarray) -> np.ndarray:
    """Speed of each ping, m/s: as logged, or else over three fixes to either side.

    NaN where neither can be had.
    """
    speed = np.asarray(logged, dtype=float).copy()
    m = len(track.first)
    if m < 2 or np.isfinite(speed).all():
        return speed
    begin = starts_of_runs(track.visit)
    run = run_numbers(begin, m)
    low, high = begin[run], np.append(begin[1:], m)[run] - 1
    a, b = np.maximum(np.arange(m) - 3, low), np.minimum(np.arange(m) + 3, high)
    t = track.seconds[track.first]
    dt = t[b] - t[a]
    far = np.hypot(track.x[b] - track.x[a], track.y[b] - track.y[a])
    derived = np.where(dt > 0, far / np.where(dt > 0, dt, 1.0), np.nan)
    return np.where(np.isfinite(speed), speed, derived[track.fix])


def visit_spans(visit: np.ndarray) -> list:
    """Return (start, stop) of each run of equal visits."""
    begin = starts_of_runs(visit)
    return list(zip(begin, np.append(begin[1:], len(visit)).astype(int)))


def running_median(values: np.ndarray, k: int) -> np.ndarray:
    """Running median over ``2 k + 1`` values; the ends repeat the first and last value."""
    return median_filter(values, size=2 * k + 1, mode="nearest")
