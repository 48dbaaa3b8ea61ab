"""Gauge readings: lake levels in time, or one for each visit, from a table as people keep it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from ..errors import LakefloorError, excerpt
from ..number_text import written
from ..times import parse_texts, to_utc
from ..units import LENGTH_NAMES, unit_factor, unit_in_name

_NOON_S = 43_200.0

#: Beginnings of field names, best first.
_TIME_NAMES = ("datetime", "date_time", "date_and_time", "timestamp", "time", "date", "utc")
_LEVEL_NAMES = ("level", "water_level", "lake_level", "gauge", "stage", "reading", "elev", "height")
_VISIT_NAMES = ("visit",)

#: How a lake level wanders: variance of its change in a day, m2.
WANDERING_M2_PER_DAY = 0.015**2

#: Marks of a gauge in meters or feet are never farther apart than this part of the unit.
_WIDEST_STEP = {"m": 0.1, "ft": 0.1, "us-ft": 0.1}

_DAY_MS = 86_400_000.0

_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?\s*([AaPp][Mm])?$")


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
    step : float
        What readings are rounded to, m.
    unit : str
        Unit in which the readings were written, a key of :data:`.units.LENGTH`.
    """

    time: np.ndarray
    level: np.ndarray
    skipped: int = 0
    step: float = 0.0
    unit: str = "m"

    def at(self, time: np.ndarray) -> np.ndarray:
        """Return levels at times, linear between readings, the end readings held beyond."""
        return np.interp(self._days(time), self._days(self.time), self.level)

    def around(self, time: np.ndarray) -> tuple:
        """Return the numbers of the readings before and after times; beyond the ends both are one."""
        after = np.searchsorted(self.time, time)
        last = self.time.size - 1
        exact = np.minimum(after, last)
        before = np.where(self.time[exact] == time, exact, np.maximum(after - 1, 0))
        return before, exact

    def days_to_nearest(self, time: np.ndarray) -> np.ndarray:
        """Return how far times are from the nearest reading, days."""
        days, readings = self._days(time), self._days(self.time)
        before, after = self.around(time)
        return np.minimum(np.abs(days - readings[before]), np.abs(days - readings[after]))

    def std_error(self, time: np.ndarray) -> np.ndarray:
        """Return the standard uncertainty of the levels at times, m.

        Notes
        -----
        Between readings the level is taken to wander as a Brownian bridge, whose variance t days
        after one reading and s days before the next is ``q t s / (t + s)``; beyond the first and
        the last reading it is ``q t``. Rounding to a step adds ``step^2 / 12`` for each reading,
        by its weight.

        ``q`` is :data:`WANDERING_M2_PER_DAY`, (1.5 cm)^2 a day. That is common practice, not a
        measurement: the range of a Brownian motion in time T is ``sqrt(8 q T / pi)`` in the mean,
        and natural lakes range over one to two feet in a year. A rain of 25 mm that raises the
        lake by 50 mm once in two weeks makes (1.3 cm)^2 a day. Reservoirs wander more.

        References
        ----------
        Karatzas, I. & Shreve, S. E. (1991). Brownian Motion and Stochastic Calculus, 2nd edition,
        section 5.6.B. Springer (Brownian bridge).
        Feller, W. (1951). The asymptotic distribution of the range of sums of independent random
        variables. Annals of Mathematical Statistics 22(3), 427-432.
        JCGM 100:2008. Guide to the expression of uncertainty in measurement, F.2.2.1 (rounding).

        Examples
        --------
        >>> day = np.array(["2026-05-14T00:00", "2026-05-16T00:00"], "datetime64[ms]")
        >>> record = LevelRecord(day, np.array([1.0, 1.1]))
        >>> noon = np.array(["2026-05-14T00:00", "2026-05-15T00:00"], "datetime64[ms]")
        >>> [round(float(error), 4) for error in record.std_error(noon)]
        [0.0, 0.0106]
        """
        days, readings = self._days(time), self._days(self.time)
        before, after = self.around(time)
        since, until = np.abs(days - readings[before]), np.abs(readings[after] - days)
        gap = np.where(before == after, 1.0, since + until)
        share = np.where(before == after, 0.0, since / gap)
        wandered = np.where(before == after, since, since * until / gap)
        rounding = ((1.0 - share) ** 2 + share**2) * self.step**2 / 12.0
        return np.sqrt(WANDERING_M2_PER_DAY * wandered + rounding)

    def _days(self, time):
        return (time - self.time[0]) / np.timedelta64(1, "ms") / _DAY_MS


def level_record(time: np.ndarray, level: np.ndarray, unit: str = "m") -> LevelRecord:
    """Return gauge readings in meters and in order of time.

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
    step = _step(level[order], unit) * scale
    return LevelRecord(time[order], level[order] * scale, int((~known).sum()), step, unit)


def _step(level, unit) -> float:
    """Return the step to which readings are rounded, in their unit, by their decimals."""
    for decimals in range(5):
        if np.allclose(level, np.round(level, decimals), rtol=0.0, atol=1e-7):
            return min(10.0**-decimals, _WIDEST_STEP.get(unit, 1.0))
    return 0.0


def gauge_times(texts: Sequence[str], time_zone: str | tzinfo = "UTC") -> np.ndarray:
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


def gauge_numbers(values: Sequence) -> np.ndarray:
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


def visit_levels(visit: Sequence, level: np.ndarray, unit: str = "m") -> dict:
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


@dataclass(frozen=True)
class GaugeFields:
    """Names of the fields of a gauge table; empty where they are to be found by their names."""

    time: str = ""
    level: str = ""
    visit: str = ""

    def found_in(self, names: Sequence[str], table: str) -> GaugeFields:
        """Return the fields to read: those chosen, else those whose names begin as usual.

        Raises
        ------
        LakefloorError
            If there is no level, or neither time nor visit; ``table`` is named in the message.
        """
        level = self.level or _named(names, _LEVEL_NAMES)
        time = self.time or _named(names, _TIME_NAMES)
        visit = self.visit or ("" if time else _named(names, _VISIT_NAMES))
        if not level or not (time or visit):
            what = "level" if not level else "time or visit"
            shown = ", ".join(f"'{excerpt(name)}'" for name in names) or "no fields"
            raise LakefloorError(
                f"Table '{table}' has no field that looks like {what}. It has {shown}. Choose the "
                "fields, or another table."
            )
        return GaugeFields(time, level, visit)


@dataclass(frozen=True)
class GaugeLevels:
    """Lake levels read from a table.

    Attributes
    ----------
    levels : LevelRecord or dict of str to float
        Readings in time, or the level of each visit, m.
    source : str
        In plain words, the fields that were read.
    notes : tuple of str
        What to check, in plain words.
    """

    levels: LevelRecord | dict
    source: str
    notes: tuple


def gauge_levels(
    columns: Mapping[str, Sequence],
    chosen: GaugeFields,
    *,
    unit: str,
    time_zone: str | tzinfo = "UTC",
    table: str = "",
) -> GaugeLevels:
    """Return the lake levels that a table of gauge readings holds.

    Parameters
    ----------
    columns : mapping of str to sequence, each of length n
        The fields by name, None where empty: times as text, levels as numbers or text.
    chosen : GaugeFields
    unit : str
        Unit of the levels, a key of :data:`..units.LENGTH`.
    time_zone : str or tzinfo
        Of times that state none.
    table : str
        Name of the table, for messages.

    Raises
    ------
    LakefloorError
        If fields are missing, or as :func:`level_record`, :func:`gauge_times`,
        :func:`gauge_numbers` and :func:`visit_levels`.

    Examples
    --------
    >>> found = gauge_levels(
    ...     {"time": ["2026-05-14T08:00", "2026-05-14T16:00"], "level_ft": [2.4, 2.5]},
    ...     GaugeFields(), unit="ft")
    >>> found.source
    "Lake levels are read from field 'level_ft' in feet, by field 'time'."
    >>> [round(float(level), 4) for level in found.levels.level]
    [0.7315, 0.762]
    """
    fields = chosen.found_in(list(columns), table)
    source = (
        f"Lake levels are read from field '{fields.level}' in {LENGTH_NAMES[unit]}, by field "
        f"'{fields.visit or fields.time}'."
    )
    notes = []
    stated = unit_in_name(fields.level)
    if stated and stated != unit:
        notes.append(
            f"Field '{fields.level}' looks like {LENGTH_NAMES[stated]}, but the level unit is "
            f"{LENGTH_NAMES[unit]}. Check the level unit."
        )
    level = gauge_numbers(columns[fields.level])
    if fields.visit:
        names = ["" if name is None else name for name in columns[fields.visit]]
        return GaugeLevels(visit_levels(names, level, unit), source, tuple(notes))
    times = _times_as_text(columns, fields.time, by_name=not chosen.time)
    record = level_record(gauge_times(times, time_zone), level, unit)
    if record.skipped:
        notes.append(f"Gauge rows without a level, left out: {record.skipped}")
    return GaugeLevels(record, source, tuple(notes))


def _times_as_text(columns, time_field, by_name) -> list:
    """Return times; clock times of a field found by name are put after the dates beside them."""
    times = ["" if value is None else str(value) for value in columns[time_field]]
    if by_name and all(_CLOCK.match(text) for text in times if text):
        date = next((name for name in columns if name.lower().startswith("date")), None)
        if date and date != time_field:
            days = ("" if day is None else day for day in columns[date])
            times = [f"{day} {clock}" for day, clock in zip(days, times)]
    return times


def _named(names, beginnings) -> str:
    for beginning in beginnings:
        for name in names:
            if name.lower().replace(" ", "_").startswith(beginning):
                return name
    return ""
