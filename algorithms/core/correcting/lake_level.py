"""Reduction of depths to a lake datum by gauge readings. Lakes have no tide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..correction_keys import BY_FIRST_VISIT, LEVEL_ERROR
from ..days import stated_offsets_h, survey_days
from ..errors import LakefloorError
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import Soundings, distinct, each_visit, of_visits, with_corrections
from ..times import date_in_name
from ..units import unit_factor
from .datums import datum_values, datums_of
from .gauge import LevelRecord

#: Readings farther apart than this, days, are not joined.
LONGEST_GAP_D = 2.0

#: A level farther than this from the datum, m, is a mistaken unit or datum.
_LARGEST_CHANGE_M = 60.0

#: Lakes seldom stand farther than this, m, from the level that their maps are drawn for.
_USUAL_CHANGE_M = 1.5

#: No more than this share of good soundings lies above the shoreline.
_USUAL_LAND = 0.01


@dataclass(frozen=True)
class Reduced:
    """Soundings at lake datum.

    Attributes
    ----------
    soundings : Soundings
    summary : dict
        ``mean_reduction_m`` (depth at datum less depth before, accepted soundings),
        ``lowest_level_m``, ``highest_level_m``, ``land``, the accepted soundings above the datum
        (negative depth), ``held``, those outside the readings' time span, and ``visits``, for
        each visit its number of ``soundings`` and mean ``level_m``.
    datum : tuple
        Name and elevation, m, of the datum; see :func:`datum_of`.
    notes : tuple of str
        What to bear in mind, in plain words.
    """

    soundings: Soundings
    summary: dict
    datum: tuple
    notes: tuple


def reduce_to_datum(
    soundings: Soundings,
    levels: LevelRecord | Mapping | float,
    *,
    datum_elevation_m: float | None = None,
    datum_name: str = "",
    hold: bool = False,
    max_gap_d: float = LONGEST_GAP_D,
    code: int | str | None = None,
    progress: Progress = silent,
) -> Reduced:
    """Reduce depths below the water surface of the day to depths below a lake datum.

    Every sounding is reduced, the rejected ones too: they keep their status.

    Parameters
    ----------
    soundings : Soundings
        Depths below the water surface, not yet reduced.
    levels : LevelRecord, mapping of visit to level, or float
        Water level in m on the scale of ``datum_elevation_m``: readings in time, one level for
        each visit, or one for all.
    datum_elevation_m : float, optional
        Elevation of the datum on the gauge's scale, m; by default the mean level of the visit
        that is the first in time.
    datum_name : str
        Name of the datum, which travels with the data. Left empty, it is ``lake datum``, or
        names the day of the first visit where its level is the datum.
    hold : bool
        Hold the first and the last reading beyond the time span of the readings.
    max_gap_d : float
        Readings farther apart than this, days, are not joined: each then counts for half of it
        before and after. So does a reading that is held.
    code : int or str, optional
        Coordinate system of the positions, for the days of the lake.
    progress : callable

    Returns
    -------
    Reduced

    Raises
    ------
    LakefloorError
        If soundings are already reduced, lie outside the time span of the readings (unless
        held) or in too long a gap between them, have no time, or belong to a visit without level;
        or if a level is so far from the datum that a unit or the datum must be wrong.

    Notes
    -----
    ``depth at datum = depth - (level - datum elevation)``. Negative depths are land at datum.
    What the level may have done between readings is added to ``uncert``, see
    :meth:`.gauge.LevelRecord.std_error`.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (reduction of
    soundings to a water-level datum by interpolated gauge readings).

    Examples
    --------
    >>> day = Soundings.build([0.0], [0.0], [6.0], visit="May")
    >>> done = reduce_to_datum(day, 101.5, datum_elevation_m=101.0, datum_name="full pool")
    >>> float(done.soundings.depth[0])
    5.5
    >>> done.datum
    ('full pool', 101.0)
    """
    if len(soundings) == 0:
        raise LakefloorError("There are no soundings to reduce. Choose a layer that has some.")
    name = _checked_name(datum_name, datum_elevation_m)
    refuse_reduced(soundings)
    progress(0.1)
    for _, what, cure in without_reading(soundings, levels, hold=hold, max_gap_d=max_gap_d):
        raise LakefloorError(f"{what} {cure}")
    level, error, held = _level_of_each(soundings, levels)
    progress(0.5)
    by_first = datum_elevation_m is None
    datum = (
        _level_of_first_visit(soundings, level, name, code)
        if by_first
        else (name or "lake datum", datum_elevation_m)
    )
    change = level - datum[1]
    _refuse_far(level, change, datum[1])
    result = soundings.replace(
        depth=soundings.depth - change,
        uncert=np.hypot(soundings.uncert, error),
        corrections=_with_level(soundings.corrections, datum, level, error, by_first),
    )
    progress(1.0)
    notes = [*_unusual_level_notes(result, change), *land_notes(result)]
    return Reduced(result, _summary(result, level, change, held), datum, tuple(notes))


def _checked_name(datum_name, elevation) -> str:
    name = str(datum_name).strip()
    if ";" in name:
        raise LakefloorError("The name of the lake datum has a semicolon. Remove it.")
    if elevation is not None and not np.isfinite(elevation):
        raise LakefloorError("The gauge reading at the lake datum is not a number. Correct it.")
    return name


def _level_of_each(soundings, levels) -> tuple:
    """Return level and its standard uncertainty, m, and whether it is that of an end reading."""
    no = np.zeros(len(soundings))
    if isinstance(levels, LevelRecord):
        # Rejected soundings without time take the level of the first reading: their depth counts
        # for nothing, and all of a layer stays at one datum.
        time = np.where(np.isnat(soundings.time), levels.time[0], soundings.time)
        outside = (time < levels.time[0]) | (time > levels.time[-1])
        return levels.at(time), levels.std_error(time), outside
    if isinstance(levels, Mapping):
        names, group = distinct(soundings.visit)
        by_name = {str(visit): float(level) for visit, level in levels.items()}
        return np.array([by_name.get(name, np.nan) for name in names])[group], no, no.astype(bool)
    return np.full(len(soundings), float(levels)), no, no.astype(bool)


def _level_of_first_visit(soundings, level, name, code) -> tuple:
    """Return the datum that is the mean level of the visit that is the first in time."""
    first, rows = visits_in_time(soundings)[0]
    good = rows[soundings.accepted[rows]]
    elevation = round(float(level[good if good.size else rows].mean()), 4)
    return name or f"lake level of {day_of(first, soundings.select(rows), code)}", elevation


def _refuse_far(level, change, elevation):
    """Raise LakefloorError if a level is so far from the datum that a unit must be wrong."""
    if np.all(np.abs(change) <= _LARGEST_CHANGE_M):
        return
    worst = level[np.argmax(np.where(np.isfinite(change), np.abs(change), np.inf))]
    raise LakefloorError(
        f"The lake level of {written(worst, '.3f')} m is more than "
        f"{written(_LARGEST_CHANGE_M, 'g')} m from the lake datum at "
        f"{written(elevation, '.3f')} m. Check the level unit, and that the lake datum "
        "is a reading of the same gauge."
    )


def _with_level(corrections, datum, level, error, by_first):
    """Return corrections with datum, level and its uncertainty, each to the millimeter."""
    errors = millimeter_texts(error)
    errors[errors == "0.000"] = None
    return with_corrections(
        corrections,
        **datum_values(datum),
        level_m=millimeter_texts(level),
        **({LEVEL_ERROR: errors} if error.any() else {}),
        **({BY_FIRST_VISIT: "yes"} if by_first else {}),
    )


def millimeter_texts(values: np.ndarray) -> np.ndarray:
    """Return m as texts with three decimals, shape (n,), as ``corrections`` hold them."""
    millimeters, which = np.unique(np.round(values * 1000.0).astype(int), return_inverse=True)
    return np.array([f"{value / 1000.0:.3f}" for value in millimeters], dtype=object)[which]


def _summary(result, level, change, held) -> dict:
    use = result.accepted
    return {
        "mean_reduction_m": float(-change[use].mean()) if use.any() else None,
        "lowest_level_m": float(level.min()),
        "highest_level_m": float(level.max()),
        "land": int((result.depth[use] < 0.0).sum()),
        "held": int((held & use).sum()),
        "visits": {
            visit: {"soundings": rows.size, "level_m": float(level[rows].mean())}
            for visit, rows in each_visit(result)
        },
    }


def _unusual_level_notes(soundings, change) -> list:
    """Return a warning where the lake stood farther from the datum than lakes usually do."""
    far = (np.abs(change) > _USUAL_CHANGE_M) & soundings.accepted
    if not far.any():
        return []
    worst = float(change[np.argmax(np.where(far, np.abs(change), 0.0))])
    return [
        f"The lake stood up to {written(abs(worst), '.2f')} m "
        f"{'above' if worst > 0 else 'below'} the lake datum, on "
        f"{of_visits(soundings.visit[far])}. Lakes seldom differ that much. Check the "
        "level unit, and that the lake datum is a reading of the same gauge."
    ]


def land_notes(soundings: Soundings) -> list:
    """Return a warning where many accepted soundings at a datum lie above it, as land would."""
    use = soundings.accepted
    share = float((soundings.depth[use] < 0.0).mean()) if use.any() else 0.0
    if share <= _USUAL_LAND:
        return []
    return [
        f"{written(100.0 * share, '.1f')}% of the accepted soundings are above the shoreline "
        "(negative depth), where no boat floats. Check the lake level, the lake datum, the depth "
        "unit and the draft."
    ]


def refuse_reduced(soundings: Soundings) -> None:
    """Raise LakefloorError if soundings are reduced to a datum already."""
    datums, group = datums_of(soundings)
    reduced = np.array([datum is not None for datum in datums], bool)[group]
    if reduced.any():
        raise LakefloorError(
            f"Soundings of {of_visits(soundings.visit[reduced])} are already reduced to a lake datum "
            f"({reduced.sum()} soundings). Use the soundings as they were before, or start again "
            "from raw depths with Correct depths."
        )


def visits_in_time(soundings: Soundings) -> list:
    """Return the name and the rows of each visit, in order of its first accepted sounding.

    Visits without times come after those with times, and visits without an accepted sounding
    last; otherwise the order of their rows holds.
    """

    def first(item):
        _, rows = item
        good = rows[soundings.accepted[rows]]
        known = soundings.time[good][~np.isnat(soundings.time[good])]
        start = known.min().astype("datetime64[ms]").astype(np.int64) if known.size else 0
        return good.size == 0, known.size == 0, int(start), int(rows[0])

    return sorted(each_visit(soundings), key=first)


def day_of(visit: str, soundings: Soundings, code: int | str | None = None) -> str:
    """Return the day of a visit as text: the lake's own, on which it began.

    Parameters
    ----------
    visit : str
        Its name. The date in it counts where nothing else says how far the lake's clocks are
        off UTC.
    soundings : Soundings
        Those of the visit. Without times and date in the name it is ``visit 'NAME'``.
    code : int or str, optional
        Coordinate system of the positions; see :func:`.days.survey_days`.
    """
    days = survey_days(soundings, code)
    named = date_in_name(str(visit))
    stated = np.isfinite(stated_offsets_h(soundings.corrections)).any()
    if days and (stated or named is None):
        return days[0]
    if named is not None:
        return str(named)
    # A semicolon would end the entry of corrections that the name goes into.
    name = str(visit).replace(";", ",").strip()
    return f"visit '{name}'" if name else "an unnamed visit"


def without_reading(
    soundings: Soundings,
    levels: LevelRecord | Mapping | float,
    *,
    hold: bool = False,
    max_gap_d: float = LONGEST_GAP_D,
) -> list:
    """Return the accepted soundings to which no lake level applies, each reason for itself.

    Parameters
    ----------
    soundings, levels, hold, max_gap_d
        As for :func:`reduce_to_datum`.

    Returns
    -------
    list of (bool array, str, str)
        A mask, shape (n,), what is wrong, and how to mend it.
    """
    if isinstance(levels, LevelRecord):
        found = _not_in_time(soundings, levels, hold, max_gap_d)
    elif isinstance(levels, Mapping):
        found = _not_by_visit(soundings, levels)
    else:
        found = ()
    return [(rows, what, cure) for rows, what, cure in found if rows.any()]


def _not_in_time(soundings, record, hold, max_gap_d):
    if not max_gap_d > 0.0:
        raise LakefloorError("The maximum gap between readings is not above 0 days. Enter more.")
    time, accepted = soundings.time, soundings.accepted
    missing = accepted & np.isnat(time)
    yield (
        missing,
        f"{missing.sum()} soundings of {of_visits(soundings.visit[missing])} have no "
        "time, so the gauge readings do not apply.",
        "Give one lake level for each visit instead.",
    )
    known = accepted & ~missing
    first, last = record.time[0], record.time[-1]
    outside = known & ((time < first) | (time > last))
    if not hold:
        yield outside, _outside_words(soundings, outside, record), _CURE_OUTSIDE
    far = known & (hold | ~outside)
    far[far] = record.days_to_nearest(time[far]) > 0.5 * max_gap_d
    yield far & outside, _held_words(soundings, far & outside, record, max_gap_d), _CURE
    yield far & ~outside, _gap_words(soundings, far & ~outside, record, max_gap_d), _CURE


def _outside_words(soundings, rows, record):
    if not rows.any():
        return ""
    span = f"{_minute(record.time[0])} to {_minute(record.time[-1])} UTC"
    if record.time.size == 1:
        span = f"one reading, {_reading(record, 0)}"
    times = soundings.time[rows]
    return (
        f"{rows.sum()} soundings of {of_visits(soundings.visit[rows])}, between "
        f"{_minute(times.min())} and {_minute(times.max())} "
        f"UTC, are outside the gauge readings ({span})."
    )


def _held_words(soundings, rows, record, max_gap_d):
    if not rows.any():
        return ""
    times = soundings.time[rows]
    days = record.days_to_nearest(times)
    worst = times[np.argmax(days)]
    end, place = (0, "first") if worst < record.time[0] else (-1, "last")
    return (
        f"{rows.sum()} soundings of {of_visits(soundings.visit[rows])} are up to "
        f"{_days(days.max())} from the {place} reading, {_reading(record, end)}. "
        f"A reading is held for {_days(0.5 * max_gap_d)}, half of the maximum gap."
    )


def _gap_words(soundings, rows, record, max_gap_d):
    if not rows.any():
        return ""
    before, after = record.around(soundings.time[rows])
    gap = (record.time[after] - record.time[before]) / np.timedelta64(1, "D")
    worst = np.argmax(gap)
    return (
        f"{rows.sum()} soundings of {of_visits(soundings.visit[rows])} lie between readings "
        f"{_days(gap[worst])} apart: {_reading(record, before[worst])} and "
        f"{_reading(record, after[worst])}. The maximum gap is {_days(max_gap_d)}, and a reading "
        "alone counts for half of that."
    )


#: How soundings without a reading come to a level.
_CURE_OUTSIDE = (
    "Add readings before and after the visit, check the time zone of the gauge readings, or enter "
    "one lake level instead of them. 'Reduce to lake datum' can also hold the first and last reading."
)
_CURE = (
    "Add a reading of that day. To add the visit to a lake database without one, choose 'fit to the "
    "lake'. 'Reduce to lake datum' can also take a longer maximum gap."
)


def _reading(record, k):
    level = record.level[k] / unit_factor(record.unit)
    return f"{written(round(float(level), 4), 'g')} {record.unit} at {_minute(record.time[k])} UTC"


def _minute(time):
    return time.astype("datetime64[m]")


def _days(days):
    return f"{written(days, '.0f' if days >= 10.0 else '.2g')} day{'' if days == 1.0 else 's'}"


def _not_by_visit(soundings, levels):
    names, group = distinct(soundings.visit)
    known = {str(visit): float(level) for visit, level in levels.items()}
    missing = [name for name in names if not np.isfinite(known.get(name, np.nan))]
    yield (
        np.isin(group, [names.index(name) for name in missing]),
        f"There is no lake level for {of_visits(missing)}. Lake levels are given for "
        f"{of_visits(levels) if levels else 'no visit'}.",
        "Add the missing ones.",
    )
