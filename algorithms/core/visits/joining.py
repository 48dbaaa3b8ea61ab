"""How the soundings of another fit one's own: the offsets found where they meet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import Soundings, concatenate, distinct
from ..track import without_track
from .crossings import find_crossings, join_crossings
from .level_network import runs_of
from .offset_network import Network, solve_network
from .overlaps import find_overlaps
from .position_shift import error_of_shifts

#: Side of the blocks in which pairs of soundings without tracks count as one observation, m.
_BLOCK_M = 20.0

#: Own soundings around one of the other's that are averaged to compare with it.
_NEIGHBORS = 4

#: An offset larger than this, m, is more than lake levels differ.
_LARGE_M = 3.0


@dataclass(frozen=True)
class Joint:
    """How another's soundings fit one's own: depth that fits = depth - offset.

    Attributes
    ----------
    unit : str
        ``store`` (one offset for all) or ``visit``.
    visit : object array (str), shape (k,)
        Visits of the other; one empty name where the unit is the store.
    network : Network
        Of one's own soundings, held, and k units.
    observations : int array, shape (k,)
        Places where each unit meets another.
    left_out : array, shape (k,)
        Share of them that is left out, since depths are far off there, 0..1.
    before, after : float
        Root mean square of the differences, m, as found and as adjusted.
    notes : list of str
    """

    unit: str
    visit: np.ndarray
    network: Network
    observations: np.ndarray
    left_out: np.ndarray
    before: float
    after: float
    notes: list

    @property
    def offset(self) -> np.ndarray:
        """Offset of each unit, m, shape (k,); NaN where it cannot be told."""
        return self.network.offset[1:]

    @property
    def std_error(self) -> np.ndarray:
        """Standard error of each offset, m, shape (k,), with that of slow shifts of positions."""
        return self.network.std_error[1:]


def join_levels(
    own: Soundings,
    other: Soundings,
    *,
    unit: str = "store",
    reach_m: float = 5.0,
    max_gap_m: float = 20.0,
    position_m: float = 1.0,
    depth_m: float = 0.05,
    least: int = 5,
    progress: Progress = silent,
) -> Joint:
    """Find by how much another's soundings read deeper than one's own where they meet.

    Parameters
    ----------
    own : Soundings
        Their datum holds.
    other : Soundings
        In the same CRS.
    unit : str
        ``store``: one offset for all of the other's soundings, for a store whose visits are
        level with each other; ``visit``: one for each visit.
    reach_m : float
        Greatest distance of tracks, or soundings, that are compared without a crossing, m.
    max_gap_m : float
        Soundings of one track farther apart than this are not joined, m.
    position_m, depth_m : float
        Standard uncertainty of a position, m, and of a depth difference on the flat, m: a place on
        a slope counts less.
    least : int
        Fewest places from which an offset is believed.
    progress : callable

    Returns
    -------
    Joint
        An offset that too few places tell is NaN, and a note says so.

    Notes
    -----
    Soundings with times are compared where tracks cross or run side by side. Where either has no
    times, tracks are not known: they are compared with the nearest of one's own, averaged in blocks
    of 20 m. The offsets are those of a network in which one's own soundings are held at 0. What
    slow shifts of the positions do to them is part of their errors: :func:`.error_of_shifts`.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    if unit not in ("store", "visit"):
        raise LakefloorError(f"Unit '{unit}' is unknown. Choose store or visit.")
    names = distinct(other.visit)[0] if unit == "visit" else [""]
    number = {name: k for k, name in enumerate(names, start=1)}

    def unit_of(visits):
        return np.array([number.get(str(v), 1) for v in visits], int)

    met = _where_they_meet(own, other, unit_of, reach_m, max_gap_m, progress)
    units = len(names) + 1
    weight = depth_m**2 / (depth_m**2 + (met.slope * position_m) ** 2)
    network = solve_network(
        met.first,
        met.second,
        met.difference,
        weight,
        units=units,
        held=np.arange(units) == 0,
        robust=True,
        runs=met.runs,
        progress=span(progress, 0.9, 1.0),
    )
    count, out = (
        (
            np.bincount(met.first, weight, minlength=units)
            + np.bincount(met.second, weight, minlength=units)
        )[1:].astype(int)
        for weight in (np.ones(len(met.first)), network.blunder.astype(float))
    )
    network = _believed(network, count, least)
    network = _with_shifts(network, own, other, unit_of(other.visit), position_m)
    known = np.isfinite(network.residual)
    joint = Joint(
        unit,
        np.array(list(names), dtype=object),
        network,
        count,
        out / np.maximum(count, 1),
        _rms(met.difference[known]),
        _rms(network.residual[known]),
        [],
    )
    joint.notes.extend(_notes(joint, least))
    return joint


@dataclass(frozen=True)
class _Meetings:
    """Places where soundings of two units meet, one row each.

    ``first`` and ``second`` are the units, 0 for one's own; ``difference`` is how much deeper the
    first reads, m; ``slope`` is that of the bottom, m per m; ``runs`` is the two runs.
    """

    first: np.ndarray
    second: np.ndarray
    difference: np.ndarray
    slope: np.ndarray
    runs: tuple


def _where_they_meet(own, other, unit_of, reach, gap, progress):
    """Find where another's soundings meet one's own: by tracks, or without times by place."""
    near, timed, found = _near(own, other, max(reach, gap)), ~np.isnat(other.time), []
    if timed.any() and len(near):
        found.append(_by_tracks(near, other.select(timed), unit_of, reach, gap, progress))
    untimed = np.isnat(near.time)
    for mine, theirs in ((near, ~timed), (near.select(untimed), timed)):
        if theirs.any() and len(mine):
            found.append(_by_places(mine, other.select(theirs), unit_of, reach))
    first, second, difference, slope, *runs = (
        np.concatenate([part[i] for part in found]) if found else np.zeros(0) for i in range(6)
    )
    return _Meetings(first.astype(int), second.astype(int), difference, slope, tuple(runs))


def _believed(network, count, least):
    """Return a network without the offsets of units that meet others in too few places."""
    few = np.concatenate([[False], count < least])
    if not few.any():
        return network
    return replace(
        network,
        offset=np.where(few, np.nan, network.offset),
        std_error=np.where(few, np.nan, network.std_error),
    )


def _with_shifts(network, own, other, unit, position_m):
    """Return a network whose errors also hold what slow shifts of positions make."""
    units = np.flatnonzero(np.isfinite(network.offset))
    error = network.std_error.copy()
    for k in units[units > 0]:
        shift = error_of_shifts(own, other.select(unit == k), position_m)
        error[k] = np.hypot(error[k], shift)
    return replace(network, std_error=error)


def _near(own, other, margin):
    """Return what of one's own lies in the box of the other's."""
    known = np.isfinite(other.x) & np.isfinite(other.y)
    if not known.any():
        return own.select(np.zeros(len(own), bool))
    box = [(v[known].min() - margin, v[known].max() + margin) for v in (other.x, other.y)]
    (west, east), (south, north) = box
    return own.select((own.x >= west) & (own.x <= east) & (own.y >= south) & (own.y <= north))


def _by_tracks(own, other, unit_of, reach, gap, progress):
    # Visits of one name in both are two.
    marked = [
        s.replace(visit=np.array([f"{mark}{v}" for v in s.visit], dtype=object))
        for mark, s in (("1", own), ("2", other))
    ]
    soundings = concatenate(marked)
    if (soundings.accepted & ~without_track(soundings)).sum() < 2:
        return (np.zeros(0),) * 6
    found = find_crossings(soundings, max_gap_m=gap, progress=span(progress, 0.0, 0.4))
    found = join_crossings(
        [
            found,
            find_overlaps(
                soundings, found, reach_m=reach, max_gap_m=gap, progress=span(progress, 0.4, 0.9)
            ),
        ]
    )

    def units(visits):
        theirs = np.array([str(v)[0] == "2" for v in visits], bool)
        return np.where(theirs, unit_of([str(v)[1:] for v in visits]), 0).astype(int)

    first, second = units(found.visit_a), units(found.visit_b)
    keep = first != second
    return (
        first[keep],
        second[keep],
        found.difference[keep],
        np.nan_to_num(found.slope[keep]),
        *(run[keep] for run in runs_of(found)),
    )


def _by_places(own, other, unit_of, reach):
    own, other = own.select(own.accepted), other.select(other.accepted)
    placed = np.isfinite(own.x) & np.isfinite(own.y)
    own = own.select(placed)
    if not len(own) or not len(other):
        return (np.zeros(0),) * 6
    k = min(_NEIGHBORS, len(own))
    distance, at = cKDTree(np.column_stack([own.x, own.y])).query(
        np.nan_to_num(np.column_stack([other.x, other.y]), nan=1e12),
        k=k,
        distance_upper_bound=reach,
    )
    distance, at = distance.reshape(len(other), k), at.reshape(len(other), k)
    near = np.isfinite(distance)
    weight = np.where(near, 1.0 / np.maximum(distance, 0.05) ** 2, 0.0)
    depth = np.where(near, own.depth[np.minimum(at, len(own) - 1)], 0.0)
    rows = near.any(1)
    mean = (weight * depth).sum(1)[rows] / weight.sum(1)[rows]
    difference = other.depth[rows] - mean
    units = unit_of(other.visit[rows])
    blocks = np.column_stack(
        [units, np.floor(other.x[rows] / _BLOCK_M), np.floor(other.y[rows] / _BLOCK_M)]
    )
    keys, which = np.unique(blocks, axis=0, return_inverse=True)
    which = which.ravel()
    count = np.bincount(which, minlength=len(keys))
    means = np.bincount(which, difference, minlength=len(keys)) / np.maximum(count, 1)
    # Without tracks each block counts for itself; numbers below 0 are those of no run.
    alone = -1 - np.arange(len(keys))
    return (
        keys[:, 0].astype(int),
        np.zeros(len(keys), int),
        means,
        np.zeros(len(keys)),
        alone,
        alone - len(keys),
    )


def _rms(values):
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _notes(joint, least):
    notes = []
    for name, offset, count in zip(joint.visit, joint.offset, joint.observations):
        what = f"visit '{name}'" if name else "the other soundings"
        if not np.isfinite(offset):
            notes.append(
                f"The offset of {what} cannot be found. Places where tracks meet: {count}, needed: "
                f"{least}."
            )
        elif abs(offset) > _LARGE_M:
            notes.append(
                f"The offset of {what} is {written(offset, '+.2f')} m, more than lake levels "
                "differ. Check that both are of the same lake and have depths in meters."
            )
    return notes
