"""What candidate lanes gain a minute from where the boat is, and the best of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .candidate_lanes import cells_near, gain, on_grid
from .lane_water import Start
from .survey_gaps import CoarseSurface

#: So many of the most promising lanes are looked at closely together, and in so many rounds at most.
_TOGETHER, _ROUNDS = 24, 40


@dataclass(frozen=True)
class Choice:
    """A lane, and what it takes and gains.

    Attributes
    ----------
    line : array, shape (2, 2)
        From its nearer end on, m.
    to_start_m, seconds, gain_m3 : float
        Way to its beginning, m; time for the way, the turn and the lane; what it gains.
    """

    line: np.ndarray
    to_start_m: float
    seconds: float
    gain_m3: float

    @property
    def length_m(self) -> float:
        """Length of the lane, m."""
        return float(np.hypot(*(self.line[1] - self.line[0])))

    @property
    def rate(self) -> float:
        """Gain a second, m³."""
        return self.gain_m3 / self.seconds


def best_lane(
    field: CoarseSurface, gap: np.ndarray, runs: list, start: Start
) -> tuple[Choice | None, bool]:
    """Return the lane that gains most a second and fits into the time, and whether any gains.

    Parameters
    ----------
    field : CoarseSurface
    gap : array of bool, shape (n,)
    runs : list of array, shape (2, 2)
        Pieces of straight lines, m; those that go on from the one before may be driven as one.
    start : Start

    Notes
    -----
    Straight ways bound the time from below, and the gains of pieces together bound that of all as
    one from above (it is submodular). Lanes are looked at closely in the order of these
    bounds until no other can be better.
    """
    if not runs:
        return None, False
    lines, hoped = _chains(np.stack(runs), strip_gains(field, gap, runs))
    length = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
    driving = length / start.boat.speed + start.boat.turn_s
    away = np.hypot(*np.moveaxis(lines - start.place, -1, 0)).min(axis=1)
    rate = hoped / (away / start.boat.between_lanes + driving)
    order = np.argsort(-rate, kind="stable")
    order = order[hoped[order] > 0.0]
    best = None
    for number in range(min(_ROUNDS, -(-len(order) // _TOGETHER))):
        some = order[number * _TOGETHER : (number + 1) * _TOGETHER]
        if best is not None and rate[some[0]] <= best.rate:
            break
        for each in _closely(field, gap, lines[some], driving[some], start):
            if best is None or each.rate > best.rate:
                best = each
    return best, bool(len(order))


def _chains(pieces: np.ndarray, gains: np.ndarray) -> tuple:
    """Return all runs of pieces that go on from each other, shape (m, 2, 2), and their gains."""
    n = len(pieces)
    goes_on = np.append((pieces[:-1, 1] == pieces[1:, 0]).all(axis=1), False)
    total = np.append(0.0, np.cumsum(gains))
    first = np.arange(n)
    lines, hoped, last = [pieces], [gains], first
    while True:
        longer = goes_on[last]
        first, last = first[longer], last[longer] + 1
        if not first.size:
            return np.concatenate(lines), np.concatenate(hoped)
        lines.append(np.stack([pieces[first, 0], pieces[last, 1]], axis=1))
        hoped.append(total[last + 1] - total[first])


def _closely(field, gap, lines, driving, start: Start) -> list:
    """Return the lanes that can be reached and fit into the time, entered at the better end."""
    ends = lines.reshape(-1, 2)
    to = start.to(ends).reshape(-1, 2)
    back = np.zeros_like(to)
    if np.isfinite(start.seconds_left):
        back = start.back(ends).reshape(-1, 2)
    out = []
    for line, seconds, there, home in zip(lines, driving, to, back):
        whole = (there + home[::-1]) / start.boat.between_lanes + seconds
        there = np.where(whole <= start.seconds_left, there, np.inf)
        entry = int(np.argmin(there))
        if np.isfinite(there[entry]):
            taken = there[entry] / start.boat.between_lanes + seconds
            gained = gain(field, field.distance, cells_near(field, gap, line))
            out.append(Choice(line[:: 1 - 2 * entry], float(there[entry]), float(taken), gained))
    return out


def strip_gains(field: CoarseSurface, gap: np.ndarray, runs: list) -> np.ndarray:
    """Return about what each lane gains, m³, shape (n,): from the strip beside it alone.

    Parameters
    ----------
    field : CoarseSurface
    gap : array of bool, shape (n,)
    runs : list of array, shape (2, 2)
        m.
    """
    ends, step = np.stack(runs), min(field.grid.dx, field.grid.dy)
    along = ends[:, 1] - ends[:, 0]
    length = np.hypot(*along.T)
    count = np.maximum(np.ceil(length / step).astype(int), 1)
    lane = np.repeat(np.arange(len(ends)), count)
    number = np.arange(len(lane)) - np.repeat(np.cumsum(count) - count, count)
    middle = ends[lane, 0] + ((number + 0.5) / count[lane])[:, None] * along[lane]
    aside = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(length, 1e-9)[:, None]
    sigma, distance, weight = (
        on_grid(field, values) for values in (field.sigma, field.distance, field.weight * gap)
    )
    out = np.zeros(len(lane))
    offsets = (np.arange(int(np.ceil(distance.max() / step))) + 0.5) * step
    for off in np.concatenate([-offsets, offsets]):
        row, col = (np.rint(v) for v in field.grid.rows_cols(*(middle + off * aside[lane]).T))
        held = (row >= 0) & (row < sigma.shape[0]) & (col >= 0) & (col < sigma.shape[1])
        place = row[held].astype(int), col[held].astype(int)
        near = (weight[place] > 0.0) & (distance[place] > abs(off))
        held[held] = near
        place = tuple(each[near] for each in place)
        new = field.law.nearer(sigma[place], distance[place], abs(off))
        out[held] += weight[place] * (sigma[place] - new)
    return np.bincount(lane, out, len(runs)) * step * length / count
