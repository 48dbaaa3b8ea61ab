"""Visits whose lake level nobody read: counted from the water of a day, or fitted by crossings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..correcting.datums import datum_values, datum_words, datums_of, water_of
from ..correcting.lake_level import day_of, refuse_reduced, visits_in_time
from ..correction_keys import BY_FIRST_VISIT, LEVEL, UNKNOWN, VISIT_OFFSET, VISIT_OFFSET_ERROR
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent, span
from ..soundings import (
    Soundings,
    concatenate,
    distinct,
    each_visit,
    of_visits,
    parse_corrections,
    visit_list,
    with_corrections,
)
from .joining import Joint, join_levels
from .level_network import NoMeetingError, level_survey
from .merging import known_soundings

#: Fewest places where tracks meet, and greatest standard error, m, of an offset that is believed.
FEWEST_MEETINGS, MOST_ERROR_M = 5, 0.10

#: An offset larger than this, m, is more than the level of a lake usually changes.
_USUAL_OFFSET_M = 1.5

_CURE = (
    "Give gauge readings or a lake level, run cross-lines over the tracks of both, or leave that "
    "visit out"
)


@dataclass(frozen=True)
class Offset:
    """Offset of one unit, a visit or visits already at one level: true depth = depth - offset.

    ``offset`` and ``std_error`` are m, ``places`` the places where its tracks meet others, 0 for
    an offset that was found when a part of the same visit was added.
    """

    visit: str
    offset: float
    std_error: float
    places: int


@dataclass(frozen=True)
class Fitted:
    """Soundings at one datum.

    Attributes
    ----------
    soundings : Soundings
        In the order given.
    datum : tuple or None
        Name and elevation, m, of the datum; the elevation is None where no level is known.
    route : str
        In plain words, what the depths count from and why.
    offsets : tuple of Offset
    notes : tuple of str
        What to bear in mind.
    """

    soundings: Soundings
    datum: tuple | None
    route: str
    offsets: tuple = ()
    notes: tuple = ()

    @property
    def largest(self) -> Offset | None:
        """The offset that is the largest, or None."""
        return max(self.offsets, key=lambda row: abs(row.offset), default=None)


def water_of_the_day(
    soundings: Soundings,
    *,
    each: bool = False,
    code: int | str | None = None,
    progress: Progress = silent,
) -> Fitted:
    """Count depths from the water of the first visit, where no lake level is known.

    Parameters
    ----------
    soundings : Soundings
        Depths below the water surface of the day, not reduced to a datum.
    each : bool
        Leave every visit at the water of its own day, for :func:`fit_to_stored`. Otherwise visits
        of other days are adjusted to the first day by the places where their tracks meet.
    code : int or str, optional
        Coordinate system of the positions, for the days of the lake.
    progress : callable

    Returns
    -------
    Fitted
        The datum is named after the day, e.g. ``water level of 2026-05-14``; ``corrections`` say
        ``level=unknown``.

    Raises
    ------
    LakefloorError
        If soundings are reduced already, or the places where visits meet do not suffice: fewer
        than 5, no error estimate, or a standard error above 0.10 m.

    References
    ----------
    Wessel, P. (2010). Tools for analyzing intersecting tracks: the x2sys package. Computers &
    Geosciences 36(3), 348-354.
    """
    if len(soundings) == 0:
        raise LakefloorError("There are no soundings to reduce. Choose a layer that has some.")
    refuse_reduced(soundings)
    waters = _own_waters(soundings, code)
    if each:
        datums = set(datums_of(waters)[0])
        return Fitted(
            waters,
            datums.pop() if len(datums) == 1 else None,
            "No lake level is known. The depths of each visit count from the water of its day.",
        )
    # Visits of one day are on one water; the survey is levelled day by day.
    names, unit = _units(waters, None)
    label = np.array(names, dtype=object)[unit]
    days = visits_in_time(waters.replace(visit=label))
    first, rows = days[0]
    datum = datums_of(waters.select(rows[:1]))[0][0]
    good = [name for name, rows in days if soundings.accepted[rows].any()]
    if len(good) <= 1:
        route = f"No lake level is known. Depths count from the {datum[0]}, the only day."
        return Fitted(_marked(soundings, datum), datum, route)
    levelled, found = _survey(soundings.replace(visit=label), first, progress)
    offsets = tuple(
        Offset(str(name), float(offset), float(error), int(count))
        for name, offset, error, count, held in zip(
            found.visit, found.offset, found.std_error, found.observations, found.held
        )
        if not held and str(name) in good
    )
    _refuse_weak(offsets)
    route = (
        f"No lake level is known. Depths count from the {datum[0]}, and the other visits are "
        "adjusted to it where tracks cross."
    )
    return Fitted(
        _marked(levelled.replace(visit=soundings.visit), datum),
        datum,
        route,
        offsets,
        tuple(found.notes) + _large(offsets),
    )


def fit_to_stored(
    incoming: Soundings,
    stored: Soundings | None = None,
    *,
    datum: tuple | None = None,
    replaces: int | None = None,
    code: int | str | None = None,
    progress: Progress = silent,
) -> Fitted:
    """Bring visits without a known lake level to the datum of a lake's store.

    Parameters
    ----------
    incoming : Soundings
        What is to be added: reduced to a datum or not, visits with and without a known level.
    stored : Soundings, optional
        What the store holds around them, maybe nothing, in the same CRS; their datum is held.
        None for a new store, in which the visits with a known level are held, else the first one
        in time.
    datum : tuple, optional
        Datum of the store, name and elevation in m; None for soundings that are not reduced.
    replaces : int, optional
        Number of visits in the store, if those that come again are exchanged: they do not count
        then, and where they are all that there is, the store is as good as new.
    code : int or str, optional
        Coordinate system of the positions, for the days of the lake.
    progress : callable

    Returns
    -------
    Fitted

    Raises
    ------
    LakefloorError
        If the places where tracks meet do not suffice, as for :func:`water_of_the_day`.

    Notes
    -----
    Visits that carry one datum without elevation are at one level already and get one offset.
    A visit of which a part is in the store gets the offset of that part. A visit whose datum is
    the level of a first visit, since none was asked for, is moved to the store's by the levels.
    """
    incoming = _own_waters(incoming, code)
    if stored is None:
        return _first_in_store(incoming, progress)
    known = known_soundings(incoming, stored)
    if replaces is not None:
        again = distinct(stored.visit[known.visit[known.there]])[0]
        if len(again) == replaces:
            return _first_in_store(incoming, progress)
        stored = stored.select(~np.isin(stored.visit.astype(str), again))
        known = known_soundings(incoming, stored)
    incoming, moved = _moved(incoming, datum)
    names, unit = _units(incoming, datum)
    if not names:
        return Fitted(incoming, datum, moved)
    progress(0.1)
    offsets, waiting = [], []
    for k, name in enumerate(names):
        part = (unit == k) & known.there
        if part.any():
            offset = float(np.median(incoming.depth[part] - known.depth[part]))
            offsets.append(Offset(name, offset, _stored_error(stored, known.visit[part]), 0))
        else:
            offsets.append(None)
            waiting.append(k)
    notes = ()
    if waiting:
        joint = _joined(incoming, stored, unit, names, waiting, span(progress, 0.1, 0.9))
        for k, offset, error, count in zip(
            waiting, joint.offset, joint.std_error, joint.observations
        ):
            offsets[k] = Offset(names[k], float(offset), float(error), int(count))
        met = [offsets[k] for k in waiting if incoming.accepted[unit == k].any()]
        _refuse_weak(met, " of the lake database")
        notes = _large(met)
    route = (
        f"No lake level is known. The depths of {of_visits(names)} are fitted to the "
        "lake database where tracks cross."
    )
    done = _shifted(incoming, unit, offsets, datum)
    progress(1.0)
    return Fitted(done, datum, f"{moved} {route}".strip(), tuple(offsets), notes)


def needs_fit(incoming: Soundings, datum: tuple | None) -> bool:
    """Tell whether soundings need those of a store at ``datum`` to come to its level."""
    return bool(_units(_moved(_own_waters(incoming), datum)[0], datum)[0])


def _own_waters(soundings, code=None):
    """Mark soundings without a datum with the water of the day of their visit."""
    datums, group = datums_of(soundings)
    bare = np.array([datum is None for datum in datums], bool)[group]
    if not bare.any():
        return soundings
    corrections = soundings.corrections.copy()
    for name, rows in each_visit(soundings):
        rows = rows[bare[rows]]
        if rows.size:
            water = water_of(day_of(name, soundings.select(rows), code)), None
            corrections[rows] = with_corrections(
                corrections[rows], **datum_values(water), **{LEVEL: UNKNOWN}
            )
    return soundings.replace(corrections=corrections)


def _marked(soundings, datum):
    return soundings.replace(
        corrections=with_corrections(
            soundings.corrections, **datum_values(datum), **{LEVEL: UNKNOWN}
        )
    )


def _survey(soundings, first, progress):
    """Adjust visits to the first; where none meet, say what to do about the level."""
    names = distinct(soundings.visit)[0]
    try:
        return level_survey(soundings, held=(first,), progress=progress)
    except NoMeetingError as error:
        others = [name for name in names if name != first]
        raise LakefloorError(
            _refusal(others, "has no place where its tracks meet the others")
        ) from error


def _refusal(names, why):
    return f"No lake level is known, and visit {visit_list(names)} {why}. {_CURE}."


def _refuse_weak(offsets, where=""):
    """Raise LakefloorError if an offset is not known, or not well enough."""
    few = [row for row in offsets if row.places < FEWEST_MEETINGS]
    if few:
        least = min(row.places for row in few)
        raise LakefloorError(
            _refusal(
                [row.visit for row in few],
                f"meets the other visits{where} in {least} place{'' if least == 1 else 's'}. At least "
                f"{FEWEST_MEETINGS} are needed to find its level",
            )
        )
    lost = [row for row in offsets if not np.isfinite(row.offset)]
    if lost:
        raise LakefloorError(
            _refusal(
                [row.visit for row in lost],
                "is not tied to the first visit by places where tracks meet, not even through others",
            )
        )
    weak = [row for row in offsets if not row.std_error <= MOST_ERROR_M]
    if weak:
        worst = max(row.std_error for row in weak)
        size = (
            f"{written(worst, '.2f')} m"
            if np.isfinite(worst)
            else "an error that cannot be estimated"
        )
        raise LakefloorError(
            _refusal(
                [row.visit for row in weak],
                f"fits the other visits{where} only to {size} (standard error). The limit is "
                f"{written(MOST_ERROR_M, '.2f')} m",
            )
        )


def _large(offsets) -> tuple:
    return tuple(
        f"Visit '{row.visit}' differs by {written(row.offset, '+.2f')} m. The level of a lake "
        "seldom changes that much. Check that it is the same lake, and the depth unit and the "
        "draft."
        for row in offsets
        if abs(row.offset) > _USUAL_OFFSET_M
    )


def _units(soundings, datum):
    """Return the names of what needs an offset, and each sounding's number of it, else -1."""
    datums, group = datums_of(soundings)
    unit, names = np.full(len(soundings), -1), []
    for own in dict.fromkeys(datums):
        rows = np.array([other == own for other in datums])[group]
        if own != datum and (own[1] is None or (datum is not None and datum[1] is None)):
            visits = distinct(soundings.visit[rows])[0]
            unit[rows] = _number(names, visits[0] if len(visits) == 1 else own[0])
    return names, unit


def _number(names, name):
    if name not in names:
        names.append(name)
    return names.index(name)


def _first_in_store(incoming, progress) -> Fitted:
    """Make the datum of a new store: that of a known level, else the water of the first day."""
    datums, group = datums_of(incoming)
    sure = np.array([d is not None and d[1] is not None for d in datums], bool)[group]
    if sure.all():
        return Fitted(incoming, None, "")
    if sure.any():
        held = sure
        found = {d for d in datums if d is not None and d[1] is not None}
        if len(found) > 1:
            words = " and ".join(sorted(datum_words(d) for d in found))
            raise LakefloorError(
                f"A lake database holds one datum, but these soundings have {words}. Reduce them "
                "to one."
            )
        (datum,) = found
    else:
        _, rows = visits_in_time(incoming)[0]
        datum = datums[group[rows[0]]]
        held = np.array([d == datum for d in datums], bool)[group]
    start = incoming.select(held)
    if held.all():
        return Fitted(
            start,
            datum,
            f"No lake level is known. The lake database counts depths from the {datum[0]}.",
        )
    rest = fit_to_stored(incoming.select(~held), start, datum=datum, progress=progress)
    order = np.argsort(np.concatenate([np.flatnonzero(held), np.flatnonzero(~held)]))
    return replace(rest, soundings=concatenate([start, rest.soundings]).select(order))


def _moved(incoming, datum):
    """Move visits whose datum nobody asked for to the store's, by their levels."""
    if datum is None or datum[1] is None:
        return incoming, ""
    texts, group = distinct(incoming.corrections)
    shift = np.full(len(texts), np.nan)
    for k, text in enumerate(texts):
        pairs = parse_corrections(text)
        if BY_FIRST_VISIT in pairs and "datum_elev_m" in pairs:
            shift[k] = datum[1] - float(pairs["datum_elev_m"])
    rows = np.isfinite(shift)[group]
    if not rows.any():
        return incoming, ""
    corrections = incoming.corrections.copy()
    corrections[rows] = with_corrections(
        corrections[rows], **datum_values(datum), **{BY_FIRST_VISIT: None}
    )
    depth = incoming.depth + np.where(rows, np.nan_to_num(shift)[group], 0.0)
    return incoming.replace(depth=depth, corrections=corrections), (
        f"No gauge reading at the lake datum was given, so the depths of "
        f"{of_visits(incoming.visit[rows])} are reduced to the datum of the lake database, "
        f"{datum_words(datum)}."
    )


def _stored_error(stored, rows) -> float:
    """Return the standard error with which the visits of these soundings were fitted, m."""
    found = {text: parse_corrections(text) for text in set(stored.corrections[rows])}
    return max((float(pairs.get(VISIT_OFFSET_ERROR, 0.0)) for pairs in found.values()), default=0.0)


def _joined(incoming, stored, unit, names, waiting, progress) -> Joint:
    label = np.array([names[k] for k in unit], dtype=object)
    rows = np.isin(unit, waiting)
    part = incoming.replace(visit=label).select(rows)
    joint = join_levels(stored, part, unit="visit", least=FEWEST_MEETINGS, progress=progress)
    order = [list(joint.visit).index(names[k]) for k in waiting]
    network = replace(
        joint.network,
        offset=joint.network.offset[[0, *(i + 1 for i in order)]],
        std_error=joint.network.std_error[[0, *(i + 1 for i in order)]],
    )
    return replace(
        joint, visit=joint.visit[order], network=network, observations=joint.observations[order]
    )


def _shifted(incoming, unit, offsets, datum):
    rows = unit >= 0
    which = unit[rows]
    offset = np.array([row.offset for row in offsets])
    error = np.array([row.std_error for row in offsets])
    # A visit all of whose soundings are rejected meets nothing: its depths count for nothing.
    offset, error = np.nan_to_num(offset), np.nan_to_num(error)
    depth, uncert = incoming.depth.copy(), incoming.uncert.copy()
    depth[rows] -= offset[which]
    uncert[rows] = np.hypot(uncert[rows], error[which])
    corrections = incoming.corrections.copy()
    texts, group = distinct(corrections[rows])
    pairs = [parse_corrections(text) for text in texts]
    before = np.array([float(p.get(VISIT_OFFSET, 0.0)) for p in pairs])[group]
    spread = np.array([float(p.get(VISIT_OFFSET_ERROR, 0.0)) for p in pairs])[group]
    values = {
        VISIT_OFFSET: _texts(before + offset[which]),
        VISIT_OFFSET_ERROR: _texts(np.hypot(spread, error[which])),
        LEVEL: UNKNOWN,
    }
    if datum is None:
        values.update(datum=None)
    else:
        values.update(datum_values(datum))
    corrections[rows] = with_corrections(corrections[rows], **{BY_FIRST_VISIT: None, **values})
    return incoming.replace(depth=depth, uncert=uncert, corrections=corrections)


def _texts(values):
    return np.array([f"{value:.4f}" for value in values], dtype=object)
