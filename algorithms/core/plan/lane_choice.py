"""The lanes of an outing, chosen by gain per minute within its time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..polylines import planar_length
from ..progress import Progress, silent
from .boat import Boat
from .candidate_lanes import gain
from .survey_gaps import CoarseSurface
from .tour import improve

_ROUNDS = 12
_TOUCH, _STRAIGHT = 1e-6, 1e-6


@dataclass(frozen=True)
class Offer:
    """What the lanes of an outing are chosen from, and by.

    Attributes
    ----------
    field : CoarseSurface
    touched : list of tuple
        Of each candidate the cells that it comes nearer to than any sounding, and how near, m.
    seconds : array, shape (2 n + 2, 2 n + 2)
        Of the links between lane ends, the launch first, as of :func:`link_times`.
    lasting : array, shape (n,)
        Time on each lane, s.
    budget : float
        Time of the outing, s.
    """

    field: CoarseSurface
    touched: list
    seconds: np.ndarray
    lasting: np.ndarray
    budget: float


def link_times(between: np.ndarray, runs: list, boat: Boat) -> np.ndarray:
    """Return the seconds of each link: its way, and a turn unless one lane continues another."""
    ahead = np.stack([(run[1] - run[0]) / planar_length(run) for run in runs])
    # Ends 2 i and 2 i + 1 of lane i; the launch, which has no direction, stands first.
    outward = np.concatenate([np.zeros((2, 2)), np.stack([-ahead, ahead], axis=1).reshape(-1, 2)])
    turn = np.full(between.shape, boat.turn_s)
    for i, j in np.argwhere(between <= _TOUCH):
        if outward[i] @ outward[j] < _STRAIGHT - 1.0:
            turn[i, j] = 0.0
    # One turn a lane: those out of and back to the launch are half a turn each.
    turn[:2] = turn[:, :2] = boat.turn_s / 2.0
    return between / boat.between_lanes + turn


def choose_lanes(offer: Offer, progress: Progress) -> np.ndarray:
    """Return the tour of the lanes chosen, shape (n, 2), lane 0 the launch."""
    alone = np.array([gain(offer.field, offer.field.distance, each) for each in offer.touched])
    tour = _fill(offer, alone, np.array([[0, 1]]), set(), progress)
    best = _total(offer, tour)
    banned = set()
    for number in range(_ROUNDS):
        progress(0.5 + 0.5 * number / _ROUNDS)
        if len(tour) < 3:
            break
        weakest = _weakest(offer, tour, banned)
        if weakest is None:
            break
        lane = tour[weakest, 0] // 2
        trial = improve(np.delete(tour, weakest, axis=0), offer.seconds)
        trial = _fill(offer, alone, trial, {lane}, silent)
        total = _total(offer, trial)
        if total > best * (1.0 + 1e-9):
            tour, best, banned = trial, total, set()
        else:
            banned.add(lane)
    return tour


def _fill(offer: Offer, alone, tour, barred, progress) -> np.ndarray:
    """Add lanes by gain per second, the way included, as long as the time suffices.

    ``alone`` is what each lane gains by itself. The gain only falls as others are added, so
    that an old figure bounds the new one.
    """
    n = len(offer.touched)
    seconds = offer.seconds
    heads, tails = np.arange(2, 2 * n + 2, 2), np.arange(3, 2 * n + 3, 2)
    distance = offer.field.distance.copy()
    for entry in tour[1:, 0]:
        _lay(distance, offer.touched[entry // 2 - 1])
    bound = alone.copy()
    chosen = {entry // 2 for entry in tour[:, 0]} | barred
    free = np.array([k + 1 not in chosen for k in range(n)])
    while True:
        used = _duration(offer, tour)
        progress(min(used / offer.budget, 1.0) * 0.5)
        leave, entry = tour[:, 1], np.roll(tour[:, 0], -1)
        link = seconds[leave, entry][:, None]
        forward = seconds[np.ix_(leave, heads)] + seconds[np.ix_(entry, tails)] - link
        backward = seconds[np.ix_(leave, tails)] + seconds[np.ix_(entry, heads)] - link
        added = np.minimum(forward, backward).min(axis=0) + offer.lasting
        open_ = free & np.isfinite(added) & (used + added <= offer.budget) & (bound > 0)
        pick = _next_lane(offer, distance, bound, open_, added)
        if pick is None or not bound[pick] > 0:
            return tour
        both = np.stack([forward[:, pick], backward[:, pick]])
        turned, place = np.unravel_index(np.argmin(both), both.shape)
        ends = (heads[pick], tails[pick])
        tour = np.insert(tour, place + 1, ends[::-1] if turned else ends, axis=0)
        tour = improve(tour, seconds)
        free[pick] = False
        _lay(distance, offer.touched[pick])


def _next_lane(offer: Offer, distance, bound, open_, added):
    """Return the number of the lane that gains most per second, or None; lowers the bounds."""
    while open_.any():
        rate = np.where(open_, bound / np.maximum(added, 1e-6), -1.0)
        k = int(np.argmax(rate))
        fresh = gain(offer.field, distance, offer.touched[k])
        if fresh >= bound[k] * (1.0 - 1e-9):
            return k
        bound[k] = fresh
        open_[k] &= fresh > 0
    return None


def _lay(distance, touched):
    cells, away = touched
    distance[cells] = np.minimum(distance[cells], away)


def _duration(offer: Offer, tour) -> float:
    transits = offer.seconds[tour[:, 1], np.roll(tour[:, 0], -1)].sum() if len(tour) > 1 else 0.0
    return float(transits + offer.lasting[tour[1:, 0] // 2 - 1].sum())


def _total(offer: Offer, tour) -> float:
    distance = offer.field.distance.copy()
    for entry in tour[1:, 0]:
        _lay(distance, offer.touched[entry // 2 - 1])
    return gain(offer.field, offer.field.distance, (np.arange(len(distance)), distance))


def _weakest(offer: Offer, tour, banned):
    """Return the place in the tour of the lane that gains least for its time."""
    whole, used = _total(offer, tour), _duration(offer, tour)
    worst, at = np.inf, None
    for place in range(1, len(tour)):
        if tour[place, 0] // 2 in banned:
            continue
        rest = np.delete(tour, place, axis=0)
        saved = max(used - _duration(offer, rest), 1e-6)
        rate = (whole - _total(offer, rest)) / saved
        if rate < worst:
            worst, at = rate, place
    return at


def join_lanes(runs: list, tour: np.ndarray) -> tuple[list, np.ndarray]:
    """Join lanes that continue each other on one line; return lanes in driving order."""
    out = []
    for entry, leave in tour[1:]:
        a, b = runs[entry // 2 - 1][entry % 2], runs[leave // 2 - 1][leave % 2]
        if out and np.abs(out[-1][1] - a).max() <= _TOUCH:
            ahead = (out[-1][1] - out[-1][0]) / planar_length(out[-1])
            if ahead @ (b - a) / np.hypot(*(b - a)) > 1.0 - _STRAIGHT:
                out[-1] = np.stack([out[-1][0], b])
                continue
        out.append(np.stack([a, b]))
    ends = np.arange(2, 2 * len(out) + 2).reshape(-1, 2)
    return out, np.concatenate([[[0, 1]], ends])
