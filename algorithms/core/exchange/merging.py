"""Soundings of a friend made one with one's own: duplicates recognised, levels adjusted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..correcting.datums import datum_of, datum_values, one_datum
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import Soundings, concatenate, distinct, visit_list, with_corrections
from ..track import without_track
from ..visits.crossings import find_crossings, join_crossings
from ..visits.level_network import runs_of
from ..visits.offset_network import Network, solve_network
from ..visits.overlaps import find_overlaps
from ..visits.store_content import Known, Logged, find_known

#: Key of the correction that merging applies.
KEY = "merge_offset_m"

#: Side of the blocks in which pairs of soundings without tracks count as one observation, m.
_BLOCK_M = 20.0

#: Own soundings around one of the other's that are averaged to compare with it.
_NEIGHBOURS = 4

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
    before, after : float
        Root mean square of the differences, m, as found and as adjusted.
    notes : list of str
    """

    unit: str
    visit: np.ndarray
    network: Network
    observations: np.ndarray
    before: float
    after: float
    notes: list

    @property
    def offset(self) -> np.ndarray:
        """Offset of each unit, m, shape (k,); NaN where it cannot be told."""
        return self.network.offset[1:]

    @property
    def std_error(self) -> np.ndarray:
        """Standard error of each offset, m, shape (k,)."""
        return self.network.std_error[1:]


@dataclass(frozen=True)
class Merged:
    """What enters from another's soundings.

    Attributes
    ----------
    soundings : Soundings
        Those that are not among one's own, at the level at which they enter.
    joint : Joint or None
        How the levels fit; None where that was not looked for.
    adjusted : bool
        Whether the offsets of ``joint`` are taken off.
    notes : list of str
        What to bear in mind, in plain words.
    """

    soundings: Soundings
    joint: Joint | None
    adjusted: bool
    notes: list

    @property
    def places(self) -> int:
        """Places where both meet; 0 where they were not looked for."""
        return 0 if self.joint is None else int(self.joint.observations.sum())

    @property
    def offset(self) -> float:
        """Largest offset taken off, m, with its sign; NaN where levels are not adjusted."""
        return float(self.joint.offset[self._most]) if self.adjusted else np.nan

    @property
    def std_error(self) -> float:
        """Standard error of :attr:`offset`, m."""
        return float(self.joint.std_error[self._most]) if self.adjusted else np.nan

    @property
    def before(self) -> float:
        """Root mean square of the differences as found, m; NaN where levels are not adjusted."""
        return self.joint.before if self.adjusted else np.nan

    @property
    def after(self) -> float:
        """Root mean square of the differences as adjusted, m."""
        return self.joint.after if self.adjusted else np.nan

    @property
    def _most(self) -> int:
        return int(np.nanargmax(np.abs(self.joint.offset)))


def merge_soundings(
    own: Soundings, other: Soundings, *, level="store", copy_name: str | None = None,
    reach_m=5.0, max_gap_m=20.0, least=5, progress: Progress = silent,
) -> Merged:
    """Return what another's soundings add to one's own, at the level of one's own.

    Parameters
    ----------
    own : Soundings
        Their datum holds.
    other : Soundings
        In the same CRS.
    level : str
        ``store`` or ``visit``: the unit of :func:`join_levels`; ``none``: both are at one datum
        and depths enter as they are.
    copy_name : str, optional
        If ``other`` is a shared copy, which need not name visits and datum: the visit under which
        its unnamed soundings enter. With ``none`` they take on the datum of one's own.
    reach_m, max_gap_m, least
        As for :func:`join_levels`.
    progress : callable

    Returns
    -------
    Merged
        Soundings that are in both are left out. Where both are reduced to the same datum and too
        few places tell of a difference, depths enter as they are, and a note says so.

    Raises
    ------
    LakefloorError
        If the level of the other soundings cannot be told, they are reduced to a datum and one's
        own are not, or one's own are at different datums.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    if copy_name is not None:
        other = _named(other, copy_name)
    fresh = other.select(~known_soundings(other, own).there)
    progress(0.25)
    if not len(fresh):
        return Merged(fresh, None, False, [])
    if level == "none":
        datum = None if copy_name is None else datum_of(own)
        if datum is not None:
            fresh = fresh.replace(
                corrections=with_corrections(fresh.corrections, **datum_values(datum)))
        return Merged(fresh, None, False, [])
    joint = join_levels(
        own, other, unit=level, reach_m=reach_m, max_gap_m=max_gap_m, least=least,
        progress=span(progress, 0.25, 1.0),
    )
    datum = datum_of(own)
    if datum is None and datum_of(fresh) is not None:
        raise LakefloorError(
            "Your store is not reduced to a datum, but the other one is. Choose the other one as "
            "your own, or reduce yours first."
        )
    try:
        return Merged(shifted(fresh, joint, datum), joint, True, joint.notes)
    except LakefloorError:
        if not same_datum(own, fresh):
            raise
    return Merged(fresh, joint, False, [
        *joint.notes,
        "Levels are not adjusted: both stores are reduced to the same datum, and too few places "
        "tell of a difference.",
    ])


def known_soundings(other: Soundings, own: Soundings) -> Known:
    """Find the soundings of another that are among one's own.

    Parameters
    ----------
    other, own : Soundings
        In one CRS.

    Returns
    -------
    Known
        ``visit`` is the row among one's own. Soundings that were logged with a time are known by
        it and their raw depth, whatever was corrected since; those of a copy without times by
        place, to 5 cm, and depth, to the millimetre. Each of one's own is one of the other's.
    """
    visit, depth = np.full(len(other), -1), np.full(len(other), np.nan)
    rows, nat = np.arange(len(own)), np.full(len(own), np.datetime64("NaT", "ms"))
    outing = distinct(own.visit)[1]
    timed = ~np.isnat(other.time)
    # A copy without times has no raw depths either: what it calls its depth was final.
    copied = other.select(~timed)
    copied = Soundings.build(copied.x, copied.y, copied.depth)
    for part, asked, time, raw in (
        (timed, other.select(timed), own.time, own.raw_depth), (~timed, copied, nat, own.depth),
    ):
        if len(asked) and len(own):
            found = find_known(asked, [Logged(rows, own.x, own.y, time, raw, own.depth, outing)])
            visit[part], depth[part] = found.visit, found.depth
    return Known(visit, depth)


def join_levels(
    own: Soundings, other: Soundings, *, unit="store", reach_m=5.0, max_gap_m=20.0,
    position_m=1.0, depth_m=0.05, least=5, progress: Progress = silent,
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
    Soundings with times are compared where tracks cross or run side by side; those without, whose
    tracks are not known, with the nearest of one's own, averaged in blocks of 20 m. The offsets
    are those of a network in which one's own soundings are held at 0.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    if unit not in ("store", "visit"):
        raise LakefloorError(f"Unit '{unit}' is unknown; choose store or visit.")
    names = distinct(other.visit)[0] if unit == "visit" else [""]
    number = {name: k for k, name in enumerate(names, start=1)}

    def unit_of(visits):
        return np.array([number.get(str(v), 1) for v in visits], int)

    found = []
    near = _near(own, other, max(reach_m, max_gap_m))
    timed = ~np.isnat(other.time)
    if timed.any() and len(near):
        found.append(_by_tracks(near, other.select(timed), unit_of, unit, reach_m, max_gap_m,
                                progress))
    if not timed.all() and len(near):
        found.append(_by_places(near, other.select(~timed), unit_of, reach_m))
    first, second, difference, slope, *runs = (
        np.concatenate([part[i] for part in found]) if found else np.zeros(0) for i in range(6)
    )
    first, second = first.astype(int), second.astype(int)
    weight = depth_m**2 / (depth_m**2 + (slope * position_m) ** 2)
    units = len(names) + 1
    held = np.arange(units) == 0
    network = solve_network(first, second, difference, weight, units=units, held=held, robust=True,
                            runs=tuple(runs), progress=span(progress, 0.9, 1.0))
    count = (np.bincount(first, minlength=units) + np.bincount(second, minlength=units))[1:]
    few = np.concatenate([[False], count < least])
    if few.any():
        network = replace(
            network, offset=np.where(few, np.nan, network.offset),
            std_error=np.where(few, np.nan, network.std_error),
        )
    known = np.isfinite(network.residual)
    joint = Joint(
        unit, np.array(list(names), dtype=object), network, count, _rms(difference[known]),
        _rms(network.residual[known]), [],
    )
    joint.notes.extend(_notes(joint, least))
    return joint


def shifted(other: Soundings, joint: Joint, datum=None) -> Soundings:
    """Return another's soundings with the offsets taken off, at the datum of one's own.

    Parameters
    ----------
    other : Soundings
    joint : Joint
    datum : tuple, optional
        Name and elevation, m, of the datum of one's own.

    Raises
    ------
    LakefloorError
        If an offset could not be told; the notes of ``joint`` go with it.
    """
    number = {name: k for k, name in enumerate(joint.visit)}
    which = np.array([number.get(str(v), 0) for v in other.visit], int)
    offset, error = joint.offset[which], np.nan_to_num(joint.std_error)[which]
    if not np.isfinite(offset).all():
        lost = visit_list(other.visit[~np.isfinite(offset)])
        raise LakefloorError(
            f"The level of the other soundings, of visit {lost}, cannot be told: too few places "
            "where they meet your own. Run a line across both, or, where both are reduced to the "
            "same datum, choose not to adjust levels.", joint.notes,
        )
    values = {KEY: np.array([f"{b:.4f}" for b in joint.offset], dtype=object)[which]}
    if datum is not None:
        values.update(datum_values(datum))
    return other.replace(
        depth=other.depth - offset, uncert=np.hypot(other.uncert, error),
        corrections=with_corrections(other.corrections, **values),
    )


def same_datum(own: Soundings, other: Soundings) -> bool:
    """Tell whether both carry one lake datum of the same name and elevation."""
    return one_datum(datum_of(own), datum_of(other))


def _named(soundings, name):
    """Return soundings of a copy with what they need beside others: a visit and corrections."""
    unnamed = np.array([not str(v).strip() for v in soundings.visit], bool)
    corrections = soundings.corrections
    return soundings.replace(
        visit=np.where(unnamed, name, soundings.visit).astype(object),
        corrections=np.where(corrections == "", "from=unknown", corrections).astype(object),
    )


def _near(own, other, margin):
    """Return what of one's own lies in the box of the other's."""
    known = np.isfinite(other.x) & np.isfinite(other.y)
    if not known.any():
        return own.select(np.zeros(len(own), bool))
    box = [(v[known].min() - margin, v[known].max() + margin) for v in (other.x, other.y)]
    (west, east), (south, north) = box
    return own.select((own.x >= west) & (own.x <= east) & (own.y >= south) & (own.y <= north))


def _by_tracks(own, other, unit_of, unit, reach, gap, progress):
    # Visits of one name in both are two.
    marked = [
        s.replace(visit=np.array([f"{mark}{v}" for v in s.visit], dtype=object))
        for mark, s in (("1", own), ("2", other))
    ]
    soundings = concatenate(marked)
    if (soundings.accepted & ~without_track(soundings)).sum() < 2:
        return (np.zeros(0),) * 6
    found = find_crossings(soundings, max_gap_m=gap, progress=span(progress, 0.0, 0.4))
    found = join_crossings([found, find_overlaps(
        soundings, found, reach_m=reach, max_gap_m=gap, progress=span(progress, 0.4, 0.9))])

    def units(visits):
        theirs = np.array([str(v)[0] == "2" for v in visits], bool)
        return np.where(theirs, unit_of([str(v)[1:] for v in visits]), 0).astype(int)

    first, second = units(found.visit_a), units(found.visit_b)
    keep = first != second
    return (first[keep], second[keep], found.difference[keep],
            np.nan_to_num(found.slope[keep]), *(run[keep] for run in runs_of(found)))


def _by_places(own, other, unit_of, reach):
    own, other = own.select(own.accepted), other.select(other.accepted)
    placed = np.isfinite(own.x) & np.isfinite(own.y)
    own = own.select(placed)
    if not len(own) or not len(other):
        return (np.zeros(0),) * 6
    k = min(_NEIGHBOURS, len(own))
    distance, at = cKDTree(np.column_stack([own.x, own.y])).query(
        np.nan_to_num(np.column_stack([other.x, other.y]), nan=1e12), k=k,
        distance_upper_bound=reach)
    distance, at = distance.reshape(len(other), k), at.reshape(len(other), k)
    near = np.isfinite(distance)
    weight = np.where(near, 1.0 / np.maximum(distance, 0.05) ** 2, 0.0)
    depth = np.where(near, own.depth[np.minimum(at, len(own) - 1)], 0.0)
    rows = near.any(1)
    mean = (weight * depth).sum(1)[rows] / weight.sum(1)[rows]
    difference = other.depth[rows] - mean
    units = unit_of(other.visit[rows])
    blocks = np.column_stack([
        units, np.floor(other.x[rows] / _BLOCK_M), np.floor(other.y[rows] / _BLOCK_M)])
    keys, which = np.unique(blocks, axis=0, return_inverse=True)
    which = which.ravel()
    count = np.bincount(which, minlength=len(keys))
    means = np.bincount(which, difference, minlength=len(keys)) / np.maximum(count, 1)
    # Without tracks each block counts for itself; numbers below 0 are those of no run.
    alone = -1 - np.arange(len(keys))
    return (keys[:, 0].astype(int), np.zeros(len(keys), int), means, np.zeros(len(keys)), alone,
            alone - len(keys))


def _rms(values):
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _notes(joint, least):
    notes = []
    for name, offset, count in zip(joint.visit, joint.offset, joint.observations):
        what = f"visit '{name}'" if name else "the other soundings"
        if not np.isfinite(offset):
            notes.append(
                f"The level of {what} cannot be told: {count} places where it meets others, "
                f"{least} are needed."
            )
        elif abs(offset) > _LARGE_M:
            notes.append(
                f"The offset of {what}, {written(offset, '+.2f')} m, is larger than lake levels "
                "differ. Is it the same lake, and are depths metres in both?"
            )
    return notes
