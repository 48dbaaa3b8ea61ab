"""Level visits, or lanes, to each other by the depth differences where their tracks meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..correction_keys import VISIT_OFFSET, VISIT_OFFSET_ERROR
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import (
    Soundings,
    distinct,
    of_visits,
    parse_corrections,
    visit_list,
    with_corrections,
)
from ..track import track_notes
from .crossings import Crossings, find_crossings
from .depth_trend import depth_trends
from .meeting_reach import REACHES, with_overlaps
from .offset_network import LEAST_SCALE, Network, solve_network
from .reference_visits import datum_of_visits, reference_visits
from .visit_offsets import take_off

#: A misfit is a blunder from this many robust standard deviations on.
_OUTLIER = 3.5


class NoMeetingError(LakefloorError):
    """There is no place where two of the units to adjust meet."""


@dataclass(frozen=True)
class Leveled:
    """Offsets of visits or lanes: corrected depth = depth - offset.

    Attributes
    ----------
    unit : str
        ``visit`` or ``lane``.
    visit : object array (str), shape (k,)
    lane : int array, shape (k,)
        0 where the unit is the visit, and for the turns of a visit.
    observations : int array, shape (k,)
        Observations that each unit takes part in.
    held : bool array, shape (k,)
    network : Network
    crossings : Crossings
        The observations used, in the order of ``network.residual``.
    outlier : bool array, shape (m,)
        Observations whose misfit is that of a blunder.
    before, after : float
        Root mean square of the differences, m, as found and as adjusted, solved groups only.
    trend : dict of str to DepthTrend
        By visit, where it can be told.
    datum : tuple or None
        Name and elevation (m) of the lake datum that the held visits carry.
    kept : frozenset of (str, int, str)
        Visit, lane and the offset that ``corrections`` kept of before, '' for none.
    notes : list of str
        What to bear in mind, in plain words.
    """

    unit: str
    visit: np.ndarray
    lane: np.ndarray
    observations: np.ndarray
    held: np.ndarray
    network: Network
    crossings: Crossings
    outlier: np.ndarray
    before: float
    after: float
    trend: dict
    datum: tuple | None
    kept: frozenset
    notes: list

    @property
    def offset(self) -> np.ndarray:
        """Offset of each unit, m, shape (k,); NaN where it is not tied to the datum."""
        return self.network.offset

    @property
    def std_error(self) -> np.ndarray:
        """Standard error of each offset, m, shape (k,)."""
        return self.network.std_error

    @property
    def largest_offset(self) -> float:
        """Size of the largest offset, m; NaN where nothing is leveled."""
        size = np.abs(self.offset[self.network.solved])
        return float(size.max()) if size.size else np.nan


def level_survey(
    soundings: Soundings,
    *,
    unit: str = "visit",
    held: Sequence[str] = (),
    overlaps: bool = True,
    reach_m: float | None = REACHES[0],
    max_gap_m: float = 20.0,
    position_m: float = 1.0,
    depth_m: float = 0.05,
    robust: bool = True,
    progress: Progress = silent,
) -> tuple:
    """Find where the tracks of a survey meet, and level its visits, or its lanes, by it.

    Parameters
    ----------
    soundings : Soundings
    unit, held, position_m, depth_m, robust
        As for :func:`level_visits`.
    overlaps : bool
        Also compare tracks of two visits that run side by side without crossing.
    reach_m : float, optional
        Greatest distance of such tracks, m. If None, see :func:`.meeting_reach.with_overlaps`.
    max_gap_m : float
        Soundings of one track farther apart than this are not joined, m.
    progress : callable

    Returns
    -------
    soundings : Soundings
        With the offsets taken off; see :func:`apply_offsets`.
    leveled : Leveled

    Raises
    ------
    LakefloorError
        As :func:`.crossings.find_crossings` and :func:`level_visits`.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    found = find_crossings(soundings, max_gap_m=max_gap_m, progress=span(progress, 0.0, 0.3))
    notes = []
    if overlaps:
        found, notes = with_overlaps(soundings, found, reach_m, max_gap_m, span(progress, 0.3, 0.6))
    lost = track_notes(soundings)
    if lost and not len(found):
        raise LakefloorError(f"There is no crossing to adjust by. {lost[0]}")
    leveled = level_visits(
        soundings,
        found,
        unit=unit,
        held=held,
        position_m=position_m,
        depth_m=depth_m,
        robust=robust,
        progress=span(progress, 0.6, 1.0),
    )
    leveled.notes.extend([*notes, *lost])
    return apply_offsets(soundings, leveled), leveled


def level_visits(
    soundings: Soundings,
    crossings: Crossings,
    *,
    unit: str = "visit",
    held: Sequence[str] = (),
    position_m: float = 1.0,
    depth_m: float = 0.05,
    robust: bool = True,
    progress: Progress = silent,
) -> Leveled:
    """Find the constant offset of each visit, or of each lane, from where tracks meet.

    Parameters
    ----------
    soundings : Soundings
    crossings : Crossings
        From :func:`.crossings.find_crossings`, and :func:`.overlaps.find_overlaps` if wanted.
    unit : str
        ``visit``, or ``lane``; the turns of a visit are one unit then.
    held : sequence of str
        Visits whose datum holds. If empty, those that are reduced to a datum of known level; if
        there are none, those at the water of one day, or the first of them in time; if there are
        none, the offsets sum to zero. By visit, each held offset is 0; by lane, the mean of the
        held visits' lanes is 0.
    position_m, depth_m : float
        Standard uncertainty of a position and of a depth, m: a crossing on a slope counts less,
        by 1 / (depth_m**2 + (slope * position_m)**2).
    robust : bool
        Weigh down large misfits.
    progress : callable

    Returns
    -------
    Leveled

    Raises
    ------
    LakefloorError
        If there are no crossings to level by, a held visit is not there, or the held visits are at
        different datums.
    """
    _refuse_nonsense(unit, position_m, depth_m)
    names, visit_number = distinct(soundings.visit)
    held_names = reference_visits(soundings, names, held)
    datum = datum_of_visits(soundings, held_names)
    lane = soundings.lane if unit == "lane" else np.zeros(len(soundings), np.int32)
    unit_keys = np.unique(np.column_stack([visit_number, lane]), axis=0)
    crossings, first, second = _units_that_meet(crossings, names, unit_keys, unit)
    visit = np.array([names[v] for v, _ in unit_keys], dtype=object)
    is_held = np.array([v in held_names for v in visit])
    slope = np.nan_to_num(crossings.slope)
    weight = depth_m**2 / (depth_m**2 + (slope * position_m) ** 2)
    network = solve_network(
        first,
        second,
        crossings.difference,
        weight,
        units=len(unit_keys),
        held=is_held,
        mean_held=unit == "lane",
        robust=robust,
        runs=runs_of(crossings) if unit == "visit" else None,
        progress=progress,
    )
    outlier = _outliers(network, weight)
    known = np.isfinite(network.residual)
    count = np.bincount(first, minlength=len(unit_keys))
    count += np.bincount(second, minlength=len(unit_keys))
    leveled = Leveled(
        unit,
        visit,
        unit_keys[:, 1],
        count,
        is_held,
        network,
        crossings,
        outlier,
        _rms(crossings.difference[known]),
        _rms(network.residual[known]),
        depth_trends(crossings, network.residual, weight, outlier),
        datum,
        _offsets_kept(soundings, lane),
        [],
    )
    leveled.notes.extend(_notes(leveled))
    return leveled


def _refuse_nonsense(unit, position_m, depth_m):
    if unit not in ("visit", "lane"):
        raise LakefloorError(f"Unit '{unit}' is unknown. Choose visit or lane.")
    if not (position_m >= 0.0 and depth_m > 0.0):
        raise LakefloorError(
            "The position uncertainty is below 0 m, or the uncertainty of a difference is not "
            "above 0 m. Enter larger ones."
        )


def _units_that_meet(crossings, names, unit_keys, unit) -> tuple:
    """Return the crossings of two units, and the rows of these in ``unit_keys``."""
    if unit == "visit":
        crossings = crossings.select(crossings.between)
    if len(crossings) == 0:
        raise NoMeetingError(
            "There is no place where two visits meet, so nothing can be adjusted. Run cross-lines "
            "over the lanes of another visit, or use overlaps too."
            if unit == "visit"
            else "There is no crossing, so nothing can be adjusted. Run cross-lines over the lanes."
        )
    number = {(names[v], int(k)): i for i, (v, k) in enumerate(unit_keys)}
    none = np.zeros(len(crossings), int)
    lanes = (crossings.lane_a, crossings.lane_b) if unit == "lane" else (none, none)
    first, second = (
        np.array([number[str(v), int(k)] for v, k in zip(visit, lane)])
        for visit, lane in zip((crossings.visit_a, crossings.visit_b), lanes)
    )
    apart = first != second
    return crossings.select(apart), first[apart], second[apart]


def _outliers(network, weight) -> np.ndarray:
    """Return a mask of the observations whose residual is out of scale, where that is known."""
    standard = np.sqrt(weight) * network.residual
    known = np.isfinite(standard)
    scale = 1.4826 * np.median(np.abs(standard[known])) if known.any() else np.nan
    if network.redundancy > 0:
        scale *= np.sqrt(known.sum() / network.redundancy)
    with np.errstate(invalid="ignore"):
        outlier = np.abs(standard) > _OUTLIER * max(scale, LEAST_SCALE)
    return outlier & (network.redundancy >= 5)


def runs_of(crossings: Crossings) -> tuple:
    """Return the numbers of the two runs, lanes of a visit, that meet in each place, shape (m,)."""
    visits = np.concatenate([crossings.visit_a, crossings.visit_b])
    lanes = np.concatenate([crossings.lane_a, crossings.lane_b])
    _, run = np.unique(np.column_stack([distinct(visits)[1], lanes]), axis=0, return_inverse=True)
    run = run.ravel()
    return run[: len(crossings)], run[len(crossings) :]


def apply_offsets(soundings: Soundings, leveled: Leveled) -> Soundings:
    """Return soundings with the offsets of :func:`level_visits` taken off their depths.

    Every sounding of a leveled unit is changed, the rejected ones too; held visits and units that
    are not tied to the datum stay as they are. Soundings without a datum take on that of the held
    visits. An offset of before is added to; its error gives way to that of the new one, which is
    all that ties the visit to the held ones now. So a second run changes nothing but what is new.

    Raises
    ------
    LakefloorError
        If soundings were leveled since the offsets were found, or belong to a unit that was not
        leveled.
    """
    number = {(str(v), int(k)): i for i, (v, k) in enumerate(zip(leveled.visit, leveled.lane))}
    lane = soundings.lane if leveled.unit == "lane" else np.zeros(len(soundings), np.int32)
    which = np.array([number.get((str(v), int(k)), -1) for v, k in zip(soundings.visit, lane)], int)
    if (which < 0).any():
        raise LakefloorError(
            f"Soundings of {of_visits(soundings.visit[which < 0])} were not there when the offsets "
            "were found. Adjust all soundings together."
        )
    since = _offsets_kept(soundings, lane) - leveled.kept
    if since:
        raise LakefloorError(
            f"Soundings of {of_visits(visit for visit, _, _ in since)} were adjusted since the "
            "offsets were found. Find the offsets again."
        )
    still = leveled.held & (leveled.unit == "visit")
    first = still[which] & ~_kept(soundings)
    rows = np.flatnonzero((np.isfinite(leveled.offset) & ~still)[which])
    which = which[rows]
    # Lanes of held visits move against each other only, so the error of their visit stays.
    done = take_off(
        soundings.select(rows),
        leveled.offset[which],
        leveled.std_error[which],
        leveled.datum,
        anew=~leveled.held[which],
    )
    columns = {name: getattr(soundings, name).copy() for name in ("depth", "uncert", "corrections")}
    for name, column in columns.items():
        column[rows] = getattr(done, name)
    columns["corrections"][first] = with_corrections(
        columns["corrections"][first], **{VISIT_OFFSET: "0.0000", VISIT_OFFSET_ERROR: "0.0000"}
    )
    return soundings.replace(**columns)


def _kept(soundings) -> np.ndarray:
    """Tell which soundings keep an offset of before, be it zero."""
    texts, group = distinct(soundings.corrections)
    return np.array([VISIT_OFFSET in parse_corrections(text) for text in texts], bool)[group]


def _offsets_kept(soundings, lane) -> frozenset:
    """Return visit, lane and the text of the offset that each sounding keeps of before."""
    names, visit = distinct(soundings.visit)
    texts, group = distinct(soundings.corrections)
    kept = [parse_corrections(text).get(VISIT_OFFSET, "") for text in texts]
    found = np.unique(np.column_stack([visit, lane, group]), axis=0).astype(int).tolist()
    return frozenset((names[v], k, kept[t]) for v, k, t in found)


def _rms(values):
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _notes(leveled):
    notes, network = [], leveled.network
    if leveled.unit == "visit" and leveled.held.all():
        notes.append(
            "All visits are reference visits, so nothing was moved. To move some, name only those "
            "whose datum you trust."
        )
    linked = np.unique(network.group[leveled.observations > 0])
    groups = [distinct(leveled.visit[network.group == g])[0] for g in np.unique(network.group)]
    if leveled.unit == "visit" and len(groups) > 1:
        text = "; ".join(visit_list(group) for group in groups[:10])
        notes.append(f"{len(groups)} unconnected groups: {text}.")
    lost = ~network.solved
    if lost.any():
        what = "visits" if leveled.unit == "visit" else "lanes"
        if leveled.held.any():
            reason = "no crossing ties them to a reference visit"
        elif linked.size > 1:
            reason = "there is no reference visit and the crossings fall into separate groups"
        else:
            reason = "they cross no others"
        notes.append(
            f"Not adjusted, because {reason}: {lost.sum()} {what} of "
            f"{of_visits(leveled.visit[lost])}. Run cross-lines between the groups, or choose a "
            "reference visit in each group."
        )
    lone = leveled.held & (leveled.observations == 0)
    if leveled.unit == "lane" and lone.any():
        notes.append(
            f"Lanes of reference visits that meet no others and stay as they are: {lone.sum()}."
        )
    if not leveled.held.any() and network.solved.any():
        notes.append(
            "There is no reference visit and no visit at a lake datum. The visit offsets sum to "
            "zero, so depths fit each other but not a lake datum."
        )
    if network.redundancy <= 0 and network.solved.any():
        notes.append(
            "There are no crossings to spare, so the visit offsets have no check and no standard "
            "error. Run more cross-lines."
        )
    if leveled.outlier.any():
        notes.append(
            f"{leveled.outlier.sum()} of {len(leveled.crossings)} crossings are outliers and "
            "count less. Check them on the map."
        )
    for name, trend in leveled.trend.items():
        if trend.significant:
            notes.append(
                f"Visit '{name}' differs in proportion to depth, "
                f"{written(100.0 * trend.slope, '+.2f')}% (standard error "
                f"{written(100.0 * trend.std_error, '.2f')}%). A wrong lake level does not do "
                "that. It was not adjusted. Check the sound speed of that visit."
            )
    return notes
