"""Visits whose lake level nobody read are counted from the water of a day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..correcting.datums import datum_values, datums_of, water_of
from ..correcting.lake_level import day_of, refuse_reduced, visits_in_time
from ..correction_keys import LEVEL, UNKNOWN
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, distinct, each_visit, of_visits, with_corrections
from .level_network import NoMeetingError, level_survey

#: Fewest places where tracks meet, and greatest standard error, m, of an offset that is believed.
FEWEST_MEETINGS, MOST_ERROR_M = 5, 0.10

#: An offset larger than this, m, is more than the level of a lake usually changes.
USUAL_OFFSET_M = 1.5

#: What is said where a level cannot be found, and the way out: without a known level and with one.
_REFUSALS = (
    (
        "No lake level is known, and",
        "Give gauge readings or a lake level, run cross-lines over the tracks of both, or leave that "
        "visit out",
    ),
    (
        "The visits cannot be fitted to the lake:",
        "Choose 'as reduced', run cross-lines over the tracks of both, or leave that visit out",
    ),
)


@dataclass(frozen=True)
class Offset:
    """Offset of one unit, a visit or visits already at one level: true depth = depth - offset.

    ``offset`` and ``std_error`` are m, ``places`` the places where its tracks meet others, 0 for
    an offset that was found when a part of the same visit was added, ``left_out`` the share of them
    that is left out of the fit, 0..1.
    """

    visit: str
    offset: float
    std_error: float
    places: int
    left_out: float = 0.0


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
        Leave every visit at the water of its own day, for :func:`.fit_to_stored.fit_to_stored`.
        Otherwise visits of other days are adjusted to the first day by the places where their
        tracks meet.
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
    waters = on_own_waters(soundings, code)
    if each:
        datums = set(datums_of(waters)[0])
        return Fitted(
            waters,
            datums.pop() if len(datums) == 1 else None,
            "No lake level is known. The depths of each visit count from the water of its day.",
        )
    # Visits of one day are on one water; the survey is leveled day by day.
    names, unit = without_level(waters, None)
    label = np.array(names, dtype=object)[unit]
    days = visits_in_time(waters.replace(visit=label))
    first, rows = days[0]
    datum = datums_of(waters.select(rows[:1]))[0][0]
    good = [name for name, rows in days if soundings.accepted[rows].any()]
    if len(good) <= 1:
        route = f"No lake level is known. Depths count from the {datum[0]}, the only day."
        return Fitted(_marked(soundings, datum), datum, route)
    leveled, found = _survey(soundings.replace(visit=label), first, progress)
    offsets = tuple(
        Offset(str(name), float(offset), float(error), int(count))
        for name, offset, error, count, held in zip(
            found.visit, found.offset, found.std_error, found.observations, found.held
        )
        if not held and str(name) in good
    )
    refuse_weak(offsets)
    route = (
        f"No lake level is known. Depths count from the {datum[0]}, and the other visits are "
        "adjusted to it where tracks cross."
    )
    return Fitted(
        _marked(leveled.replace(visit=soundings.visit), datum),
        datum,
        route,
        offsets,
        tuple(found.notes) + notes_on_large(offsets),
    )


def on_own_waters(soundings: Soundings, code: int | str | None = None) -> Soundings:
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


def _refusal(names, why, of_known=False):
    what, cure = _REFUSALS[of_known]
    return f"{what} {of_visits(names)} {why}. {cure}."


def refuse_weak(offsets: Sequence[Offset], where: str = "", of_known: bool = False) -> None:
    """Raise LakefloorError if an offset is not known, or not well enough.

    ``where`` says of what the other visits are, ``of_known`` that the visits have a known level.
    """
    few = [row for row in offsets if row.places < FEWEST_MEETINGS]
    if few:
        least = min(row.places for row in few)
        raise LakefloorError(
            _refusal(
                [row.visit for row in few],
                f"meets the other visits{where} in {least} place{'' if least == 1 else 's'}. At least "
                f"{FEWEST_MEETINGS} are needed to find its level",
                of_known,
            )
        )
    lost = [row for row in offsets if not np.isfinite(row.offset)]
    if lost:
        raise LakefloorError(
            _refusal(
                [row.visit for row in lost],
                "is not tied to the first visit by places where tracks meet, not even through others",
                of_known,
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
                of_known,
            )
        )


def notes_on_large(offsets: Sequence[Offset]) -> tuple:
    """Return what to say of offsets that are more than the level of a lake usually changes."""
    return tuple(
        f"Visit '{row.visit}' differs by {written(row.offset, '+.2f')} m. The level of a lake "
        "seldom changes that much. Check that it is the same lake, and the depth unit and the "
        "draft."
        for row in offsets
        if abs(row.offset) > USUAL_OFFSET_M
    )


def without_level(soundings: Soundings, datum: tuple | None) -> tuple[list, np.ndarray]:
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
