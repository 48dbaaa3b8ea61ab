"""Reduction of depths to a lake datum by gauge readings. Lakes have no tide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..days import stated_offsets_h, survey_days
from ..errors import LakefloorError, excerpt
from ..number_text import written
from ..progress import Progress, silent
from ..soundings import (
    Soundings,
    distinct,
    each_visit,
    parse_corrections,
    visit_list,
    with_corrections,
)
from ..times import date_in_name, parse_texts, to_utc
from ..units import unit_factor

#: A level farther than this from the datum, m, is a mistaken unit or datum.
_LARGEST_CHANGE_M = 60.0

#: Lakes seldom stand farther than this, m, from the level that their maps are drawn for.
_USUAL_CHANGE_M = 1.5

#: No more than this share of good soundings lies above the shoreline.
_USUAL_LAND = 0.01

#: Elevations of one datum, written by different programs, differ by less, m.
_SAME_M = 1e-3

_NOON_S = 43_200.0

#: Key of ``corrections``: the datum is the level of the first visit, since none was asked for.
BY_FIRST = "datum_by_first_visit"


@dataclass(frozen=True)
class LevelRecord:
    """Readings of one gauge, in order of time. Build one with :func:`level_record`.

    Attributes
    ----------
    time : array of datetime64[ms], shape (n,)
        UTC, strictly increasing.
    level : array, shape (n,)
        Height of the water on the gauge, m.
    skipped : int
        Readings left out because they hold no level.
    """

    time: np.ndarray
    level: np.ndarray
    skipped: int = 0

    def at(self, time) -> np.ndarray:
        """Return levels at times, linear between readings, the end readings held beyond."""
        start = self.time[0]
        ms = np.timedelta64(1, "ms")
        return np.interp((time - start) / ms, (self.time - start) / ms, self.level)


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


def level_record(time, level, unit: str = "m") -> LevelRecord:
    """Return gauge readings in metres and in order of time.

    Parameters
    ----------
    time : array of datetime64, shape (n,)
        UTC, in any order.
    level : array, shape (n,)
        Height of the water on the gauge; a reading of NaN is left out.
    unit : str
        Unit of ``level``, a key of :data:`.units.LENGTH`.

    Raises
    ------
    LakefloorError
        If the unit is unknown, there is no reading, a reading has no time, or one time has two
        different levels; the message counts rows from 1.
    """
    scale = unit_factor(unit)
    time = np.asarray(time, dtype="datetime64[ms]")
    level = np.asarray(level, dtype=float)
    if time.shape != level.shape or time.ndim != 1:
        raise LakefloorError(
            f"The gauge readings have {time.size} times and {level.size} lake levels. Give both "
            "for each reading."
        )
    known = np.isfinite(level)
    if not known.any():
        raise LakefloorError("The gauge table holds no lake level. Check its level field.")
    timeless = known & np.isnat(time)
    if timeless.any():
        raise LakefloorError(
            f"Gauge row {np.flatnonzero(timeless)[0] + 1} has a lake level but no time that can be "
            f"read ({timeless.sum()} such rows). Write times as 2026-05-14T08:00."
        )
    order = np.flatnonzero(known)[np.argsort(time[known], kind="stable")]
    same = np.diff(time[order]) == np.timedelta64(0, "ms")
    clash = np.flatnonzero(same & (np.diff(level[order]) != 0.0))
    if clash.size:
        one, two = order[clash[0]], order[clash[0] + 1]
        raise LakefloorError(
            f"Gauge rows {one + 1} and {two + 1} give two lake levels, "
            f"{written(level[one], 'g')} and {written(level[two], 'g')} {unit}, for "
            f"{time[one].astype('datetime64[s]')} UTC. Delete the wrong one."
        )
    order = order[np.concatenate([[True], ~same])]
    return LevelRecord(time[order], level[order] * scale, int((~known).sum()))


def gauge_times(texts, time_zone: str = "UTC") -> np.ndarray:
    """Return UTC times of gauge readings written as text, e.g. 2026-05-14T08:00.

    Parameters
    ----------
    texts : sequence of str, length n
        A zone in the text itself (Z, -05:00) goes before ``time_zone``; a date alone is its noon.
    time_zone : str
        UTC, an offset such as UTC-05:00, or an IANA name.

    Returns
    -------
    array of datetime64[ms], shape (n,)
        NaT where the text is no date.

    Raises
    ------
    LakefloorError
        If the time zone is unknown, or dates can be read in more than one way.
    """
    date, seconds, offset = parse_texts(list(texts))
    seconds = np.where(np.isnan(seconds), _NOON_S, seconds)
    local = date.astype("datetime64[ms]") + np.round(seconds * 1000.0).astype("timedelta64[ms]")
    stated = np.isfinite(offset)
    utc = to_utc(np.where(stated, np.datetime64("NaT"), local), time_zone)[0]
    shift = np.round(np.where(stated, offset, 0.0) * 60_000.0).astype("timedelta64[ms]")
    return np.where(stated, local - shift, utc)


def gauge_numbers(values) -> np.ndarray:
    """Return levels as numbers, NaN where a value is empty; a decimal comma is understood.

    Raises
    ------
    LakefloorError
        If a value is neither empty nor a number; the message counts rows from 1.
    """
    numbers = np.full(len(values), np.nan)
    for i, value in enumerate(values):
        text = "" if value is None else str(value).strip()
        try:
            numbers[i] = float(text.replace(",", ".")) if text else np.nan
        except ValueError as error:
            raise LakefloorError(
                f"Row {i + 1} of the gauge table: '{excerpt(text)}' is not a number. Correct it, "
                "or clear it."
            ) from error
    return numbers


def visit_levels(visit, level, unit: str = "m") -> dict:
    """Return the level of each visit, m.

    Parameters
    ----------
    visit : sequence of str, length n
    level : array, shape (n,)
        NaN is left out.
    unit : str
        Unit of ``level``, a key of :data:`.units.LENGTH`.

    Raises
    ------
    LakefloorError
        If the unit is unknown, or a visit has two different levels.
    """
    scale = unit_factor(unit)
    levels = {}
    for row, (name, value) in enumerate(zip(visit, level), start=1):
        if not np.isfinite(value):
            continue
        name = str(name).strip()
        if levels.setdefault(name, value) != value:
            raise LakefloorError(
                f"Row {row} of the gauge table gives visit '{excerpt(name)}' a second lake level, "
                f"{written(value, 'g')} after {written(levels[name], 'g')} {unit}. Delete the "
                "wrong one."
            )
    return {name: value * scale for name, value in levels.items()}


def reduce_to_datum(
    soundings: Soundings,
    levels: LevelRecord | Mapping | float,
    *,
    datum_elevation_m: float | None = None,
    datum_name: str = "",
    hold: bool = False,
    code=None,
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
        held), have no time, or belong to a visit without level; or if a level is so far from
        the datum that a unit or the datum must be wrong.

    Notes
    -----
    ``depth at datum = depth - (level - datum elevation)``. Negative depths are land at datum.

    References
    ----------
    U.S. Army Corps of Engineers (2002). Hydrographic Surveying, EM 1110-2-1003 (reduction of
    soundings to a water-level datum by interpolated gauge readings).
    """
    if len(soundings) == 0:
        raise LakefloorError("There are no soundings to reduce. Choose a layer that has some.")
    name = str(datum_name).strip()
    if ";" in name:
        raise LakefloorError("The name of the lake datum has a semicolon. Remove it.")
    if datum_elevation_m is not None and not np.isfinite(datum_elevation_m):
        raise LakefloorError("The gauge reading at the lake datum is not a number. Correct it.")
    refuse_reduced(soundings)
    progress(0.1)
    held = np.zeros(len(soundings), dtype=bool)
    if isinstance(levels, LevelRecord):
        level, held = _levels_in_time(soundings, levels, hold)
    elif isinstance(levels, Mapping):
        level = _levels_by_visit(soundings, levels)
    else:
        level = np.full(len(soundings), float(levels))
    progress(0.5)
    by_first = datum_elevation_m is None
    if by_first:
        first, rows = visits_in_time(soundings)[0]
        good = rows[soundings.accepted[rows]]
        datum_elevation_m = round(float(level[good if good.size else rows].mean()), 4)
        name = name or f"lake level of {day_of(first, soundings.select(rows), code)}"
    name = name or "lake datum"
    change = level - datum_elevation_m
    if not np.all(np.abs(change) <= _LARGEST_CHANGE_M):
        worst = level[np.argmax(np.where(np.isfinite(change), np.abs(change), np.inf))]
        raise LakefloorError(
            f"The lake level of {written(worst, '.3f')} m is more than "
            f"{written(_LARGEST_CHANGE_M, 'g')} m from the lake datum at "
            f"{written(datum_elevation_m, '.3f')} m. Check the level unit, and that the lake datum "
            "is a reading of the same gauge."
        )
    depth = soundings.depth - change
    millimetres, which = np.unique(np.round(level * 1000.0).astype(int), return_inverse=True)
    texts = np.array([f"{value / 1000.0:.3f}" for value in millimetres], dtype=object)
    corrections = with_corrections(
        soundings.corrections,
        **datum_values((name, datum_elevation_m)),
        level_m=texts[which],
        **({BY_FIRST: "yes"} if by_first else {}),
    )
    result = soundings.replace(depth=depth, corrections=corrections)
    progress(1.0)
    use = result.accepted
    summary = {
        "mean_reduction_m": float(-change[use].mean()) if use.any() else None,
        "lowest_level_m": float(level.min()),
        "highest_level_m": float(level.max()),
        "land": int((result.depth[use] < 0.0).sum()),
        "held": int((held & use).sum()),
        "visits": {
            visit: {"soundings": rows.size, "level_m": float(level[rows].mean())}
            for visit, rows in each_visit(soundings)
        },
    }
    notes = land_notes(result)
    far = np.abs(change) > _USUAL_CHANGE_M
    if (far & use).any():
        worst = float(change[np.argmax(np.where(far & use, np.abs(change), 0.0))])
        notes.insert(0, (
            f"The lake stood up to {written(abs(worst), '.2f')} m "
            f"{'above' if worst > 0 else 'below'} the lake datum, on visit "
            f"{visit_list(soundings.visit[far & use])}. Lakes seldom differ that much. Check the "
            "level unit, and that the lake datum is a reading of the same gauge."
        ))
    return Reduced(result, summary, (name, datum_elevation_m), tuple(notes))


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


def refuse_reduced(soundings: Soundings):
    """Raise LakefloorError if soundings are reduced to a datum already."""
    datums, group = datums_of(soundings)
    reduced = np.array([datum is not None for datum in datums], bool)[group]
    if reduced.any():
        raise LakefloorError(
            f"Visit {visit_list(soundings.visit[reduced])} is already reduced to a lake datum "
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


#: Name of a datum that is the water of a day on which nobody read a gauge begins so.
_WATER_OF = "water level of "


def water_of(day: str) -> str:
    """Return the name of the datum that is the water of a day, its level not known."""
    return _WATER_OF + day


def is_water_of_a_day(datum: str) -> bool:
    """Tell whether the name of a datum is that of :func:`water_of`."""
    return datum.startswith(_WATER_OF)


def day_of(visit, soundings: Soundings, code=None) -> str:
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


def datum_of(soundings: Soundings):
    """Return name and elevation (m) of the datum that soundings are reduced to, or None.

    The elevation is None where it is not known: depths count from the water of one day.

    Raises
    ------
    LakefloorError
        If the soundings are at different datums, or only a part of them is reduced.
    """
    datums, group = datums_of(soundings)
    found = set(datums)
    if len(found) <= 1:
        return next(iter(found), None)
    parts = []
    for datum in sorted(found, key=str):
        rows = np.array([d == datum for d in datums])[group]
        parts.append(f"visit {visit_list(soundings.visit[rows])} {datum_words(datum)}")
    raise LakefloorError(
        f"The soundings are not at one lake datum: {'; '.join(parts)}. Reduce all of them to the "
        "same lake datum."
    )


def datums_of(soundings: Soundings) -> tuple:
    """Return the datum (or None) of each distinct corrections text, and each row's text number."""
    texts, group = distinct(soundings.corrections)
    datums = []
    for text in texts:
        pairs = parse_corrections(text)
        datums.append(
            (pairs["datum"], float(pairs["datum_elev_m"]) if "datum_elev_m" in pairs else None)
            if "datum" in pairs else None
        )
    return datums, group


def datum_values(datum) -> dict:
    """Return what ``corrections`` hold of a datum, name and elevation in m.

    For :func:`.soundings.with_corrections`. A datum without elevation has no scale on which the
    level of a visit could be given, so that key is taken out.
    """
    name, elevation = datum
    if elevation is None:
        return {"datum": name, "datum_elev_m": None, "level_m": None, BY_FIRST: None}
    return {"datum": name, "datum_elev_m": elevation_text(elevation)}


def one_datum(a, b) -> bool:
    """Tell whether two datums, name and elevation in m or None, are the same to a millimetre."""
    if a is None or b is None or a[0] != b[0] or None in (a[1], b[1]):
        return a is not None and a == b
    return abs(a[1] - b[1]) < _SAME_M


def datum_words(datum) -> str:
    """Return a datum, name and elevation in m or None, as a message shows it."""
    if datum is None:
        return "not reduced"
    return f"'{datum[0]}'" + ("" if datum[1] is None else f" at {written(datum[1], 'g')} m")


def elevation_text(elevation: float) -> str:
    """Return the elevation of a datum, m, as ``corrections`` hold it: to a tenth of a mm."""
    return f"{elevation:.4f}".rstrip("0").rstrip(".")


def _levels_in_time(soundings, record, hold):
    time, accepted = soundings.time, soundings.accepted
    missing = accepted & np.isnat(time)
    if missing.any():
        raise LakefloorError(
            f"{missing.sum()} soundings of visit {visit_list(soundings.visit[missing])} have no "
            "time, so the gauge readings do not apply. Give one lake level for each visit instead."
        )
    first, last = record.time[0], record.time[-1]
    with np.errstate(invalid="ignore"):
        outside = (time < first) | (time > last)
    refused = outside & accepted
    if refused.any() and not hold:
        span = f"{first.astype('datetime64[m]')} to {last.astype('datetime64[m]')} UTC"
        times = time[refused]
        raise LakefloorError(
            f"{refused.sum()} soundings of visit {visit_list(soundings.visit[refused])}, between "
            f"{times.min().astype('datetime64[m]')} and {times.max().astype('datetime64[m]')} "
            f"UTC, are outside the gauge readings ({span}). Add readings before and after the "
            "visit, check the time zone of the gauge readings, or hold the first and last reading."
        )
    # Rejected soundings without time take the level of the first reading: their depth counts
    # for nothing, and all of a layer stays at one datum.
    level = record.at(np.where(np.isnat(time), first, time))
    return level, outside


def _levels_by_visit(soundings, levels):
    names, group = distinct(soundings.visit)
    levels = {str(visit): float(level) for visit, level in levels.items()}
    missing = [name for name in names if not np.isfinite(levels.get(name, np.nan))]
    if missing:
        raise LakefloorError(
            f"There is no lake level for visit {visit_list(missing)}. Lake levels are given for "
            f"{visit_list(levels) if levels else 'no visit'}. Add the missing ones."
        )
    return np.array([levels[name] for name in names])[group]
