"""Clean soundings: every sounding that cannot be right is marked with its reason.

The gates run from the certain to the statistical, each on what the earlier ones left:
what is missing or impossible by itself; what position and time say; values that stand
for "no bottom"; spikes and bursts along the track; and last the soundings of other
places. No depth is changed and no sounding is dropped.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from ..errors import LakefloorError
from ..number_text import counted, written
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..spacing import spacing_of_points
from ..strays import clusters, isolated, lie
from ..track import without_track
from . import bursts, double_echoes, hampel, neighborhood, no_bottom, track_gates
from .cleaning_log import CleaningLog, runs_of_track
from .limits import Limits
from .pieces import amid_false, loose_pieces, mostly_false
from .reasons import (
    AMID_FALSE,
    BURST,
    DEPTH_HELD,
    DOUBLE_ECHO,
    FALSE_BOTTOM,
    ISOLATED,
    LOST_BOTTOM,
    NEIGHBORS,
    NO_BOTTOM,
    NO_POSITION,
    OFF_TRACK,
    OUTSIDE_LIMITS,
    POSITION_FROZEN,
    POSITION_JUMP,
    REPEATED,
    SPIKE,
    TOO_FAST,
    TOO_SLOW,
    count,
)
from .track_gates import run_numbers, starts_of_runs

#: Fewest soundings of a stretch off its neighbors that are worth a note; and most notes.
_WORTH_A_NOTE, _NOTES = 10, 5
#: Rounds of the test against neighbors, each with what the one before left.
_ROUNDS = 3


@dataclass(frozen=True)
class Cleaned:
    """Soundings with their reasons, and what was found.

    Attributes
    ----------
    soundings : Soundings
        All soundings in their order, only ``status`` exchanged.
    counts : dict of str to int
        ``total``, ``accepted`` and then each reason, in the order of `REASONS` and
        after them reasons that the input brought along. Reasons without a case count 0.
    notes : tuple of str
        Gates that could not be used and why; figures taken from the data; stretches of
        track that were kept though they lie far off their neighbors.
    warnings : tuple of str
        Soundings that lie far from all others.
    """

    soundings: Soundings
    counts: dict
    notes: tuple
    warnings: tuple = ()


def clean(
    soundings: Soundings,
    *,
    min_depth: float = 0.0,
    max_depth: float | None = None,
    max_speed: float | None = 6.0,
    min_speed: float | None = None,
    max_jump_speed: float = 15.0,
    half_window: int = 3,
    n_sigma: float = 3.0,
    noise_floor: float = 0.09,
    max_slope: float = 25.0,
    max_burst: float = 60.0,
    radius: float | None = None,
    anew: bool = False,
    progress: Progress = silent,
) -> Cleaned:
    """Mark the soundings that cannot be right, each with its reason.

    Parameters
    ----------
    soundings : Soundings
        In logged order within each visit. A status other than accepted is kept. Where no track
        is known, only the gates of a single sounding are asked.
    min_depth, max_depth : float
        Accepted depths, m; the limits themselves are accepted, zero never.
    max_speed, min_speed : float, optional
        Gates on the boat's speed, m/s; None leaves a gate open.
    max_jump_speed : float
        No boat of this survey is faster, m/s.
    half_window : int
        Pings to either side in the test along the track; bursts of up to as many are
        caught by it.
    n_sigma : float
        Limit of all tests of depth, in standard deviations.
    noise_floor : float
        Least standard deviation of a depth, m; 0.09 m suits depths in tenths of a foot.
    max_slope : float
        Steepest step between two pings that is believed without a second look, degrees.
    max_burst : float
        Longest burst of false depths looked for along the track, m.
    radius : float, optional
        How far away neighbors are looked for, m; by default one and a half times the
        lane spacing found in the data. Zero leaves the test out.
    anew : bool
        Forget the reasons of an earlier cleaning first; reasons of other origin stay.
    progress : callable

    Returns
    -------
    Cleaned

    Raises
    ------
    LakefloorError
        If a parameter makes no sense.
    Cancelled
        From ``progress``.

    Notes
    -----
    Time gates are left out wherever times are missing or the clock stands still, and a
    note says so. A spike is judged after the slope is taken off (`hampel.spikes`);
    bursts by how they begin and end (`bursts.bursts`); isolated pieces of track
    by the soundings of other places (`neighborhood.contradicted`).

    References
    ----------
    Hampel, F. R. (1974). The influence curve and its role in robust estimation. Journal
        of the American Statistical Association 69, 383-393.
    Davies, L. and Gather, U. (1993). The identification of multiple outliers. Journal of
        the American Statistical Association 88, 782-792.

    Examples
    --------
    >>> x = np.arange(0.0, 100.0, 2.0)
    >>> depth = 5.0 + 0.01 * x
    >>> depth[25] = 12.0
    >>> second = np.arange(50).astype("timedelta64[s]")
    >>> log = Soundings.build(
    ...     x, np.zeros(50), depth, time=np.datetime64("2026-05-14T08:00", "ms") + second)
    >>> cleaned = clean(log)
    >>> cleaned.soundings.status[25]
    'spike along track'
    >>> cleaned.counts["accepted"]
    49
    """
    limits = Limits(
        min_depth,
        max_depth,
        max_speed,
        min_speed,
        max_jump_speed,
        half_window,
        n_sigma,
        noise_floor,
        max_slope,
        max_burst,
        radius,
    )
    limits.refuse_nonsense()
    progress(0.0)
    visit, order = _visits(soundings.visit)
    log = CleaningLog.of(soundings, visit, order, anew, limits)
    _by_value(log, limits)
    # Of these nothing but the values can be tested.
    log.fresh[without_track(soundings)[order]] = False
    progress(0.1)
    notes = _by_track(log, limits)
    progress(0.2)
    warnings = _by_place(log)
    _by_repetition(log)
    progress(0.25)
    if radius is None:
        radius = 1.5 * _spacing(log)
        notes.append(_note_on_radius(radius))
    notes += _doubled(log, half_window, radius)
    progress(0.3)
    _along_track(log, half_window, max_burst, span(progress, 0.3, 0.8))
    if radius > 0:
        _against_neighbors(log, radius, 2.0 * max_burst, span(progress, 0.8, 0.98))
    _among_false(log)
    if radius > 0:
        notes += _odd_stretches(
            log, soundings.lane[order], soundings.visit[order], radius, limits.noise
        )

    status = log.status[np.argsort(order)]
    progress(1.0)
    return Cleaned(soundings.replace(status=status), count(status), tuple(notes), tuple(warnings))


def _by_value(log, limits):
    """Gates of what a sounding says by itself."""
    log.mark(~(np.isfinite(log.x) & np.isfinite(log.y)), NO_POSITION)
    with np.errstate(invalid="ignore"):
        bottom = np.isfinite(log.depth) & (log.depth > 0.0)
        log.mark(~(bottom & np.isfinite(log.raw_depth) & (log.raw_depth > 0.0)), NO_BOTTOM)
        outside = log.depth < limits.min_depth
        if limits.max_depth is not None:
            outside |= log.depth > limits.max_depth
        log.mark(outside, OUTSIDE_LIMITS)
    log.mark(track_gates.repeated_rows(log.time, log.visit, log.x, log.y, log.raw_depth), REPEATED)


def _by_track(log, limits) -> list:
    """Gates of position and time; fills ``along`` and ``seconds``, and returns notes."""
    placed = np.isfinite(log.x) & np.isfinite(log.y)
    on = np.flatnonzero(placed & ~log.marked(*OFF_TRACK))

    def track_of(on):
        return track_gates.track_of_fixes(
            log.time[on], log.visit[on], log.x[on], log.y[on], limits.max_jump_speed
        )

    track = track_of(on)
    jumps = track_gates.position_jumps(track, limits.max_jump_speed)
    log.mark(on[jumps], POSITION_JUMP)
    if jumps.any():
        on = on[~jumps]
        track = track_of(on)
    notes = []
    stopped = np.count_nonzero(np.isnan(track.seconds))
    if stopped:
        notes.append(
            f"{stopped} of {len(on)} soundings have no time, or their clock stands still. Position "
            "jumps, frozen positions and speed were not tested there."
        )
    log.mark(on[track_gates.frozen_positions(track, log.speed[on], log.depth[on])], POSITION_FROZEN)
    speed = track_gates.boat_speed(track, log.speed[on])
    with np.errstate(invalid="ignore"):
        if limits.max_speed is not None:
            log.mark(on[speed > limits.max_speed], TOO_FAST)
        if limits.min_speed is not None:
            log.mark(on[speed < limits.min_speed], TOO_SLOW)
    log.along[on], log.seconds[on] = track.along, track.seconds
    return notes


def _by_place(log) -> list:
    """Gate of soundings that lie far from all others; returns sentences about them."""
    rows = np.flatnonzero(log.fresh)
    away = isolated(log.x[rows], log.y[rows])
    log.mark(rows[away > 0.0], ISOLATED)
    return [
        f"{lie(count, far)} from all others: '{ISOLATED}'. If they belong to the lake, set their "
        "status back to 'accepted'."
        for count, far in clusters(away)
    ]


def _spacing(log) -> float:
    """Return the lane spacing, m; 0 where there is but one lane, or too few soundings."""
    rows = np.flatnonzero(log.fresh)
    if len(rows) < neighborhood.FEWEST_NEIGHBORS:
        return 0.0
    try:
        return spacing_of_points(log.x[rows], log.y[rows])
    except LakefloorError:
        return 0.0


def _by_repetition(log):
    """Gates of depths that stand for no bottom; widens ``floor`` to the depths' own step."""
    rows = np.flatnonzero(log.fresh)
    log.floor[rows] = np.maximum(log.floor[rows], 0.5 * hampel.quantum(log.raw_depth[rows]))
    for find, reason in ((no_bottom.placeholders, NO_BOTTOM), (no_bottom.held_depths, DEPTH_HELD)):
        rows, run, tests = log.left()
        log.mark(rows[find(log.raw_depth[rows], log.along[rows], run, **tests)], reason)


def _doubled(log, half_window, radius) -> list:
    """Gate of stretches at twice the depth; returns a note on those that may be."""
    rows, run, tests = log.left()
    false, doubtful = double_echoes.doubled_stretches(
        log.depth[rows],
        log.x[rows],
        log.y[rows],
        log.along[rows],
        run,
        k=half_window,
        radius=radius,
        **tests,
    )
    log.mark(rows[false], DOUBLE_ECHO)
    if not doubtful.any():
        return []
    return [
        f"{counted(int(doubtful.sum()), 'sounding')} may be double echoes: the depth doubles, or "
        "falls to half, in one step, and no other lane shows which is right. Check them on the "
        "map."
    ]


def _along_track(log, half_window, max_burst, progress):
    """Gates of depths against those before and after."""
    rows, run, tests = log.left()
    found = hampel.spikes(
        log.depth[rows],
        log.along[rows],
        run,
        k=half_window,
        progress=span(progress, 0.0, 0.6),
        **tests,
    )
    log.mark(rows[found], SPIKE)
    rows, run, tests = log.left()
    found = bursts.bursts(
        log.depth[rows],
        log.along[rows],
        run,
        k=half_window,
        longest=max_burst,
        progress=span(progress, 0.6, 1.0),
        **tests,
    )
    log.mark(rows[found], BURST)


def _note_on_radius(radius) -> str:
    if not radius:
        return (
            "There is no second lane within reach, so soundings were not compared with neighbors."
        )
    return f"Soundings were compared with neighbors within {written(radius, '.1f')} m."


def _against_neighbors(log, radius, longest, progress):
    """Gate of isolated pieces of track, up to ``longest`` m, against those of other places."""
    for turn in range(_ROUNDS):
        rows, run, tests = log.left()
        piece = bursts.cut(log.depth[rows], log.along[rows], run, **tests)
        lost = log.marked(*LOST_BOTTOM)
        pieces = loose_pieces(piece, run, rows, lost, log.visit, log.along[rows], longest)
        ask = partial(
            neighborhood.contradicted,
            log.x[rows],
            log.y[rows],
            log.depth[rows],
            log.along[rows],
            log.visit[rows],
            piece,
            radius=radius,
            **tests,
        )
        # Of two pieces that contradict each other, third ones tell which is false.
        part = span(progress, turn / _ROUNDS, (turn + 1) / _ROUNDS)
        disputed = pieces[ask(pieces, progress=part)]
        false = disputed[ask(disputed, ~np.isin(piece, disputed))]
        if not len(false):
            break
        log.mark(rows[np.isin(piece, false)], NEIGHBORS)


def _among_false(log):
    """Gate of what is left where most depths proved false."""
    rows, run, tests = log.left()
    piece = bursts.cut(log.depth[rows], log.along[rows], run, **tests)
    false = log.marked(*FALSE_BOTTOM)
    known = np.flatnonzero(np.isfinite(log.along))
    every = np.arange(len(log.along))
    filled = np.interp(every, known, log.along[known]) if len(known) else log.along
    amid = amid_false(piece, run, rows, false, log.fresh, log.visit, filled)
    told = np.flatnonzero(log.fresh | false)
    section = runs_of_track(log.visit[told], log.along[told], log.seconds[told])
    section = section + np.cumsum(log.gone())[told]
    mostly = mostly_false(section, false[told])
    log.mark(rows[amid | mostly[log.fresh[told]]], AMID_FALSE)


def _visits(names):
    """Return visit numbers, and the order that brings the rows of a visit together."""
    starts = starts_of_runs(names)
    number = {}
    codes = [number.setdefault(name, len(number)) for name in names[starts]]
    visit = np.repeat(np.array(codes, dtype=int), np.diff(np.append(starts, len(names))))
    return visit, np.argsort(visit, kind="stable")


def _odd_stretches(log, lane, name, radius, noise) -> list:
    """Return notes on stretches of track that stand, though their neighbors tell otherwise."""
    rows, run, _ = log.left()
    lane, name, x, y = lane[rows], name[rows], log.x[rows], log.y[rows]
    stretch = run_numbers(starts_of_runs(run, np.cumsum(log.gone())[rows], lane), len(rows))
    starts = starts_of_runs(stretch)
    size = np.diff(np.append(starts, len(stretch)))
    pieces = stretch[starts[size >= _WORTH_A_NOTE]]
    excess, far = neighborhood.depth_below_neighbors(
        x, y, log.depth[rows], log.along[rows], log.visit[rows], stretch, pieces, radius=radius
    )
    limit = noise + neighborhood.GENTLEST * far
    with np.errstate(invalid="ignore"):
        odd = np.flatnonzero(np.abs(excess) > limit)
    odd = odd[np.argsort(-np.abs(excess[odd]) / limit[odd], kind="stable")]
    notes = []
    for k in odd[:_NOTES]:
        first = starts[pieces[k]]
        count = size[pieces[k]]
        middle = first + count // 2
        which = f", lane {lane[first]}" if lane[first] else ""
        notes.append(
            f"Visit {name[first]}{which}: {count} accepted soundings about "
            f"{x[middle]:.0f} E {y[middle]:.0f} N are {written(abs(excess[k]), '.1f')} m "
            f"{'deeper' if excess[k] > 0 else 'shallower'} than their neighbors "
            f"{far[k]:.0f} m away. Check them on the map."
        )
    if len(odd) > _NOTES:
        more = len(odd) - _NOTES
        notes.append(
            f"{more} more {'stretch lies' if more == 1 else 'stretches lie'} off "
            f"{'its' if more == 1 else 'their'} neighbors by less. Check "
            f"{'it' if more == 1 else 'them'} on the map."
        )
    return notes
