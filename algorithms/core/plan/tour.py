"""The order in which to run lanes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.sparse.csgraph import minimum_spanning_tree

from ..progress import Progress, silent

_LEAST_GAIN = 1e-6
_CHUNKS = (1, 2, 3, 4, 6, 9, 14, 21)
_KICKS, _KICKS_A_LANE, _SEED, _WINDOW = 400, 20, 20, 30
_BLOCK = 65_536


def order_lanes(between: np.ndarray, progress: Progress = silent) -> np.ndarray:
    """Return a short closed tour that runs every lane once, in either direction.

    >>> import numpy as np
    >>> ends = np.array([[0, 0], [0, 0], [0, 9], [9, 9], [0, 3], [9, 3], [0, 6], [9, 6]])
    >>> between = np.hypot(*(ends[:, None] - ends).T)
    >>> tour = order_lanes(between)
    >>> sorted((tour[:, 0] // 2).tolist()), round(links(tour, between), 1)
    ([0, 1, 2, 3], 21.7)

    Parameters
    ----------
    between : array, shape (2 n, 2 n)
        Lengths of the links between lane ends, m; rows 2 i and 2 i + 1 are the ends of lane i.
        Lane 0 is where the tour begins and ends: the launch, whose two ends are one place, or
        a lane at no distance from any other for a tour that is open.
    progress : callable

    Returns
    -------
    array of int, shape (n, 2)
        Entry and exit of each lane, in order; lane 0 first.

    Notes
    -----
    The links are taken from the shortest upward unless they would branch or close the chain too
    early (greedy edges; Bentley 1992), which on parallel lanes is a run to and fro. The tour
    is then shortened by reversing stretches of it (2-opt; Croes 1958) and by moving stretches
    elsewhere, turned round or not (Or-opt; Or 1976), and again after each of a number of small
    random changes that are the same in every run (iterated local search; Lourenco, Martin and
    Stutzle 2003).

    References
    ----------
    Croes, G. A. (1958). A method for solving traveling-salesman problems. Operations Research
    6(6), 791-812.
    Or, I. (1976). Traveling salesman-type combinatorial problems and their relation to the
    logistics of regional blood banking. Ph.D. thesis, Northwestern University.
    Bentley, J. L. (1992). Fast algorithms for geometric traveling salesman problems. ORSA
    Journal on Computing 4(4), 387-411.
    Lourenco, H. R., Martin, O. C. and Stutzle, T. (2003). Iterated local search. In: Handbook
    of Metaheuristics, Kluwer, 320-353.
    """
    n = len(between) // 2
    tour = improve(_greedy(between), between)
    if n <= 4:
        return tour
    best, random = links(tour, between), np.random.Generator(np.random.PCG64(_SEED))
    kicks = min(_KICKS, _KICKS_A_LANE * n)
    for kick in range(kicks):
        progress(kick / kicks)
        trial, parted = _kicked(tour, random)
        trial = improve(trial, between, parted)
        length = links(trial, between)
        # On parallel lanes many orders are equally long: walking among them finds ways out.
        if length <= best + _LEAST_GAIN:
            tour, best = trial, min(length, best)
    progress(1.0)
    return tour


def _kicked(tour, random) -> tuple:
    """Change the places of two neighboring stretches; return also the lanes at their ends.

    Neither 2-opt nor Or-opt can undo this double bridge at once. It stays within a window, since
    far stretches hardly ever gain from changing places.
    """
    n = len(tour)
    turned = np.roll(tour, -random.integers(n), axis=0)
    a, b, c = np.sort(random.choice(np.arange(1, min(n, _WINDOW) + 1), size=3, replace=False))
    out = np.concatenate([turned[:a], turned[b:c], turned[a:b], turned[c:]])
    parted = out[np.array([a - 1, a, a + c - b - 1, a + c - b, c - 1, c % n]), 0] // 2
    return np.roll(out, -int(np.flatnonzero(out[:, 0] == 0)[0]), axis=0), parted


def links(tour: np.ndarray, between: np.ndarray) -> float:
    """Return the length of all links of a closed tour, m."""
    return float(between[tour[:, 1], _following(tour)].sum())


def improve(tour: np.ndarray, between: np.ndarray, lanes: Sequence | None = None) -> np.ndarray:
    """Shorten a closed tour by 2-opt and Or-opt until neither helps; lane 0 stays first.

    Parameters
    ----------
    tour, between
        As of :func:`order_lanes`; a tour of some of the lanes will do.
    lanes : sequence of int, optional
        Where to begin: the lanes whose links are new; all by default.
    """
    tour = np.array(tour)
    lanes = tour[:, 0] // 2 if lanes is None else lanes
    # A lane is looked at again once one of its links has changed (don't-look bits; Bentley 1992).
    waiting = dict.fromkeys(int(lane) for lane in lanes)
    linked = _linked(tour, len(between))
    while waiting:
        lane = next(iter(waiting))
        del waiting[lane]
        at = int(np.flatnonzero(tour[:, 0] // 2 == lane)[0])
        if _shorten_at(tour, at, between):
            now = _linked(tour, len(between))
            waiting[lane] = None
            waiting.update(dict.fromkeys((np.flatnonzero(now != linked) // 2).tolist()))
            linked = now
    return tour


def _following(tour) -> np.ndarray:
    """Return the entry of the lane that follows each lane of a closed tour."""
    # As numpy.roll, which is many times slower on short arrays.
    return np.concatenate([tour[1:, 0], tour[:1, 0]])


def _linked(tour, ends) -> np.ndarray:
    """Return to which end each end is linked, shape (ends,); -1 off the tour."""
    out = np.full(ends, -1)
    following = _following(tour)
    out[tour[:, 1]] = following
    out[following] = tour[:, 1]
    return out


def _shorten_at(tour, at, between) -> bool:
    """Make the first change found that shortens the tour at a place, in place."""
    n = len(tour)
    for first in (at, at + 1):
        if 0 < first < n and _reverse(tour, first, between):
            return True
    for size in _CHUNKS:
        for first in {at, at - size + 1}:
            if 0 < first <= n - size and _move(tour, first, size, between):
                return True
    return False


def _reverse(tour, first, between) -> bool:
    """Reverse the stretch from ``first`` to the best last, in place."""
    entry, leave = tour[:, 0], tour[:, 1]
    after = _following(tour)[first:]
    last = leave[first:]
    before = leave[first - 1]
    gain = (
        between[before, entry[first]]
        + between[last, after]
        - between[before, last]
        - between[entry[first], after]
    )
    best = int(np.argmax(gain))
    if not gain[best] > _LEAST_GAIN:
        return False
    stretch = slice(first, first + best + 1)
    tour[stretch] = tour[stretch][::-1, ::-1].copy()
    return True


def _move(tour, first, size, between) -> bool:
    """Move ``size`` lanes from ``first`` on to the best place elsewhere, in place."""
    rest = np.concatenate([tour[:first], tour[first + size :]])
    if len(rest) < 2:
        return False
    stretch = tour[first : first + size]
    head, tail = stretch[0, 0], stretch[-1, 1]
    following = tour[(first + size) % len(tour), 0]
    saved = (
        between[tour[first - 1, 1], head]
        + between[tail, following]
        - between[tour[first - 1, 1], following]
    )
    leave, entry = rest[:, 1], _following(rest)
    link = between[leave, entry]
    forward = between[leave, head] + between[tail, entry] - link
    backward = between[leave, tail] + between[head, entry] - link
    best = int(np.argmin(np.minimum(forward, backward)))
    if not saved - min(forward[best], backward[best]) > _LEAST_GAIN:
        return False
    if backward[best] < forward[best]:
        stretch = stretch[::-1, ::-1]
    tour[:] = np.concatenate([rest[: best + 1], stretch, rest[best + 1 :]])
    return True


def _greedy(between) -> np.ndarray:
    """Join lanes by the shortest links first."""
    n = len(between) // 2
    if n == 1:
        return np.array([[0, 1]])
    row, col = np.triu_indices(2 * n, 1)
    apart = row // 2 != col // 2
    row, col = row[apart], col[apart]
    order = np.argsort(between[row, col], kind="stable")
    row, col = row[order], col[order]
    partner = np.full(2 * n, -1)
    # The far end of the chain that ends at an end.
    far = np.arange(2 * n) ^ 1
    joined = 0
    for a, b in _pairs_in_blocks(row, col):
        if partner[a] >= 0 or partner[b] >= 0 or (far[a] == b and joined < n - 1):
            continue
        partner[a], partner[b] = b, a
        far_a, far_b = far[a], far[b]
        far[far_a], far[far_b] = far_b, far_a
        joined += 1
        if joined == n:
            break
    tour, entry = [], 0
    for _ in range(n):
        tour.append((entry, entry ^ 1))
        entry = partner[entry ^ 1]
    return np.array(tour)


def _pairs_in_blocks(row, col):
    """Yield pairs of plain numbers; all at once they would take ten times the arrays' memory."""
    for start in range(0, len(row), _BLOCK):
        part = slice(start, start + _BLOCK)
        yield from zip(row[part].tolist(), col[part].tolist())


def least_links(between: np.ndarray) -> float:
    """Return a length, m, that the links of no tour of these lanes can fall short of.

    Parameters
    ----------
    between : array, shape (2 n, 2 n)
        As for :func:`order_lanes`.

    Notes
    -----
    The greater of two bounds. In a closed tour every lane end has exactly one link, to another
    lane: links are a perfect matching of the ends, so not shorter than half the least
    assignment of ends to ends of other lanes (a relaxation of the matching). And without
    the longest of its links a tour is a tree that joins all lanes, so not shorter than the
    minimum spanning tree of the lanes, each joined by its nearer ends (Held and Karp 1970).
    """
    n = len(between) // 2
    if n < 2:
        return 0.0
    cost = np.array(between, dtype=float)
    lane = np.arange(2 * n) // 2
    # No link is longer than all together; a finite figure keeps the assignment solvable.
    forbidden = 2.0 * cost[np.isfinite(cost)].max() * n + 1.0
    cost[lane[:, None] == lane] = forbidden
    matching = cost[linear_sum_assignment(cost)].sum() / 2.0
    nearest = cost.reshape(n, 2, n, 2).min(axis=(1, 3))
    if not between[0].any():
        # An open tour: without lane 0 it is a tree of the others.
        nearest = nearest[1:, 1:]
    # scipy takes a zero for a missing edge; places that touch are a hair apart.
    nearest = np.where(nearest > 0, nearest, 1e-9)
    np.fill_diagonal(nearest, 0.0)
    tree = minimum_spanning_tree(nearest).sum()
    return float(max(matching, tree - 1e-9 * n, 0.0))
