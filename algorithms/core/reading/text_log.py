"""Read soundings from delimited text, guessing its columns or taking them as given."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from .. import crs, units
from ..errors import LakefloorError
from ..formulas import from_text
from ..number_text import written
from ..progress import Progress, rising, silent, span, watched
from ..soundings import ACCEPTED, Soundings
from ..times import (
    calendar_ms,
    epoch_ms,
    full_year,
    local_offset_h,
    midnights,
    missing_times,
    parse_texts,
    stated_to_utc,
)
from .column_roles import LENGTH_WORDS, SPEED_WORDS, TEMP_WORDS, check_columns, name_words
from .parsed_log import (
    DEPTH_UNIT_ASSUMED,
    NO_DEPTH,
    NO_FIX,
    POSITION_MISSING,
    UNIT_ASSUMED,
    Assumed,
    ParsedLog,
    UnreadTally,
    reasons_with_counts,
    relative_hardness,
    temperature_unit_assumed,
    temperature_unit_of,
    unit_not_used,
)
from .table_cells import LONGEST_CELL, parse_angle
from .text_table import SAMPLE, TableColumns, assign_roles, read_text_table, table_note

FLAGGED = "flagged by the logger"

#: A flag that is not set: of a column "valid" that is a bad depth, of one "flag" maybe a good one.
_UNSET = {"0", "n", "no", "false", "f"}
_VOID = {"v", "void", "invalid", "bad", "rejected"} | _UNSET


@dataclass(frozen=True)
class TextLogOptions:
    """How to read a delimited text file, where it does not state it.

    Attributes
    ----------
    columns : dict, optional
        Column name or 1-based number by role (:data:`.column_roles.ROLES`), and
        :data:`.column_roles.OPTIONS`. What is given replaces the guess.
    depth_unit : str, optional
        Unit of depths where neither ``columns`` nor the column's name states it; meters if None.
    time_zone : str or tzinfo
        Of times that do not state one; see :func:`.times.zone_of`.
    source_epsg : int or str, optional
        Coordinate system of x and y columns.
    name_date : datetime64[D], optional
        Date in the file's name, for files with a time of day alone.
    """

    columns: Mapping | None = None
    depth_unit: str | None = None
    time_zone: str | tzinfo = "UTC"
    source_epsg: int | str | None = None
    name_date: np.datetime64 | None = None


def parse_text_log(
    data: bytes, options: TextLogOptions | None = None, progress: Progress = silent
) -> ParsedLog:
    """Return the soundings of one delimited text file.

    Parameters
    ----------
    data : bytes
        UTF-8, UTF-16 with a byte order mark, else Latin-1; CR, LF or CRLF.
    options : TextLogOptions, optional
    progress : callable

    Returns
    -------
    ParsedLog
        One sounding a row that has a position and a depth. Rows whose depth
        the logger flagged as void are kept, with the status :data:`FLAGGED`.

    Raises
    ------
    LakefloorError
        If the columns of position or depth are not found, or nothing is readable.

    Examples
    --------
    >>> log = parse_text_log(b"lon,lat,depth_ft\\n-93.1,45.2,10\\n-93.1,45.2,\\n")
    >>> round(float(log.soundings.depth[0]), 3), dict(log.unread.counts)
    (3.048, {'no depth or not a number': 1})
    """
    options = options or TextLogOptions()
    tally, progress = UnreadTally(), rising(progress)
    given = check_columns(options.columns)
    table = read_text_table(data, given, tally, span(progress, 0.0, 0.4))
    columns = TableColumns(table, assign_roles(table, given), given, lambda _: progress(0.4))
    notes = [table_note(table, columns.roles)]
    lon, lat = _read_positions(columns, options.source_epsg, notes)
    factor, unit_assumed = _depth_factor(columns, options.depth_unit, notes)
    depth = columns.number("depth") * factor
    if given.get("depth_sign") == "up":
        depth = -depth
    time, offset_h = _read_times(columns, options, notes, span(progress, 0.5, 0.9))
    hardness, more = relative_hardness(columns.number("hardness"))
    notes += more
    keep = _usable(columns, lon, lat, depth, tally)
    soundings = Soundings.build(
        lon,
        lat,
        depth,
        time=time,
        hardness=hardness,
        course=columns.number("course"),
        speed=columns.number("speed") * _speed_factor(columns, notes),
        water_temp=_read_temperature(columns, notes),
        visit=_visit_names(columns),
        status=np.where(_flagged(columns, notes), FLAGGED, ACCEPTED).astype(object),
        corrections=f"from={_measured_from(columns.name('depth'))}"
        + (f";{UNIT_ASSUMED}" if unit_assumed else ""),
    )
    progress(1.0)
    return ParsedLog(
        soundings.select(keep),
        "delimited text",
        tuple(notes),
        tally,
        table.lines[keep],
        offset_h[keep],
    )


def _usable(columns, lon, lat, depth, tally):
    """Return a mask of the rows with a position and a depth, and count the others."""
    void_position = columns.among("position_flag", _VOID)
    nowhere = (lon == 0.0) & (lat == 0.0)
    keep = np.isfinite(lon) & np.isfinite(depth) & ~void_position & ~nowhere
    for i in np.flatnonzero(~keep):
        if void_position[i]:
            reason = "position flagged void by the logger"
        elif nowhere[i]:
            reason = NO_FIX
        elif not np.isfinite(lon[i]):
            reason = POSITION_MISSING
        else:
            reason = NO_DEPTH
        tally.add(columns.table.lines[i], reason, columns.row(i))
    if not keep.any():
        raise LakefloorError(
            f"No row has both a position and a depth ({reasons_with_counts(tally.counts)}). Check "
            "the columns."
        )
    return keep


def _visit_names(columns):
    """Return names of visits, an object array of text, shape (n,)."""
    if "visit" not in columns:
        return np.full(len(columns), "", dtype=object)
    texts = watched(columns.text("visit"), columns.progress)
    return np.array([from_text(t.strip()[:LONGEST_CELL]) for t in texts], dtype=object)


def _read_positions(columns, source_epsg, notes):
    """Return longitude and latitude, WGS 84 degrees, both NaN where either is not known."""
    if "lon" in columns:
        lon, lat = (_degrees(columns, role) for role in ("lon", "lat"))
        missing = np.isnan(lon) | np.isnan(lat)
        return np.where(missing, np.nan, lon), np.where(missing, np.nan, lat)
    x, y = columns.number("x"), columns.number("y")
    if source_epsg is None:
        with np.errstate(invalid="ignore"):
            degrees = np.isnan(x) | np.isnan(y) | ((np.abs(x) <= 180.0) & (np.abs(y) <= 90.0))
        if not degrees.all():
            raise LakefloorError(
                "The x and y columns are not in degrees; the first position is "
                f"{written(x[~degrees][0], '.10g')}, {written(y[~degrees][0], '.10g')}. Choose "
                "their coordinate reference system."
            )
        notes.append("The x and y columns are read as WGS 84 longitude and latitude.")
        return x, y
    lon, lat = crs.transform(x, y, source_epsg, 4326)
    named = f"EPSG:{source_epsg}" if str(source_epsg).isdigit() else source_epsg
    notes.append(f"The x and y columns are read as {named}.")
    return lon, lat


def _degrees(columns, role):
    """Return the values of the column of longitude or latitude, NaN where they are no angle."""
    value = columns.number(role)
    if np.isnan(value).any():
        texts = columns.text(role)
        if columns.table.decimal_comma:
            texts = [t.replace(",", ".") for t in texts]
        value = np.array([parse_angle(t, role) for t in watched(texts, columns.progress)])
    limit = 180.0 if role == "lon" else 90.0
    beyond = np.abs(value) > limit
    if beyond.mean() > 0.5:
        raise LakefloorError(
            f"The {role} column has values such as {written(value[beyond][0], 'g')}, which are "
            "not degrees. Swap the columns, or give them as x= and y= with their coordinate "
            "reference system."
        )
    return np.where(beyond, np.nan, value)


def _depth_factor(columns, depth_unit, notes):
    stated = columns.unit("depth", LENGTH_WORDS)
    unit = stated or depth_unit or "m"
    factor = units.unit_factor(unit)
    assumed = stated is None and depth_unit is None
    if assumed:
        notes.append(DEPTH_UNIT_ASSUMED)
    else:
        notes.append(f"Depths are in {units.LENGTH_NAMES[unit]}.")
    if depth_unit not in (None, unit) and "depth_unit" not in columns.given:
        notes.append(unit_not_used(depth_unit, f"Column '{columns.name('depth')}'", unit))
    return factor, assumed


def _speed_factor(columns, notes):
    if "speed" not in columns:
        return 1.0
    unit = columns.unit("speed", SPEED_WORDS)
    if unit is None:
        notes.append(Assumed("The speed unit is not stated, so m/s is assumed."))
    return units.SPEED[unit or "m/s"]


def _read_temperature(columns, notes):
    value = columns.number("water_temp")
    if "water_temp" not in columns or not np.isfinite(value).any():
        return value
    unit = columns.unit("water_temp", TEMP_WORDS)
    if unit is None:
        unit = temperature_unit_of(value)
        notes.append(temperature_unit_assumed(unit))
    return units.fahrenheit_to_celsius(value) if unit == "F" else value


def _flagged(columns, notes):
    """Return a mask of the depths that the logger flagged as void."""
    void = columns.among("depth_flag", _VOID)
    sure = "depth_flag" in columns.given or {"valid", "validity"} & set(
        name_words(columns.name("depth_flag"))
    )
    unset = columns.among("depth_flag", _UNSET)
    if not sure and np.mean(unset) > 0.5:
        # No survey has more bad depths than good ones.
        notes.append(
            f"Most rows have no flag in {columns.label('depth_flag')}, so an unset flag is read "
            "as a "
            "good depth. To read it as a bad one, give depth_flag= with this column."
        )
        void &= ~unset
    return void


def _measured_from(name):
    words = set(name_words(name))
    return next((w for w in ("transducer", "surface", "keel") if w in words), "unknown")


def _read_times(columns, options, notes, progress):
    """Return times in UTC and the offsets from it that they state, h, both of shape (n,)."""
    number = columns.number("time")
    offset_h = unstated = np.full(len(columns), np.nan)
    if "epoch" in columns:
        time = epoch_ms(columns.number("epoch"))
    elif "year" in columns:
        time = _to_utc(_from_parts(columns), None, _zone(columns, options.time_zone), notes)
    elif "date" not in columns and "time" not in columns:
        notes.append("There is no time column, so the soundings have no times.")
        return np.full(len(columns), np.datetime64("NaT", "ms")), unstated
    elif "date" not in columns and (number > 1e8).any() and not _compact(columns.text("time")):
        notes.append("Times are read as seconds since 1970 (Unix time, UTC).")
        time = epoch_ms(number)
    else:
        local, offset_min = _from_texts(columns, options.name_date, notes, progress)
        if offset_min is None:
            return local, unstated
        offset_h = local_offset_h(offset_min)
        time = _to_utc(local, offset_min, _zone(columns, options.time_zone), notes)
    notes += missing_times(time)
    return time, offset_h


def _from_parts(columns):
    """Return local times from columns of year, month, day and, where there are, the clock."""
    part = {r: columns.number(r) for r in ("year", "month", "day", "hour", "minute", "second")}
    clock = ("hour", "minute", "second")
    seconds = sum(
        np.where(np.isnan(part[r]) & (r not in columns), 0.0, part[r]) * factor
        for r, factor in zip(clock, (3600.0, 60.0, 1.0))
    )
    bad = (part["hour"] > 23) | (part["minute"] > 59) | (part["second"] >= 61)
    year = full_year(part["year"])
    return calendar_ms(year, part["month"], part["day"], np.where(bad, np.nan, seconds))


def _from_texts(columns, name_date, notes, progress):
    """Return local times and their stated offsets; None in place of these where no date is."""
    order = columns.given.get("date_order")
    date, seconds, offset_min = parse_texts(
        columns.text("time" if "time" in columns else "date"), order, span(progress, 0.0, 0.5)
    )
    if "date" in columns and "time" in columns:
        date, _, _ = parse_texts(columns.text("date"), order, span(progress, 0.5, 1.0))
    if np.isnat(date).all():
        if name_date is None:
            notes.append(
                "Neither the times nor the file name state a date, so the soundings have no times."
            )
            return np.full(len(columns), np.datetime64("NaT", "ms")), None
        notes.append(f"The times state no date, so {name_date} from the file name is used.")
        date = name_date + midnights(seconds).astype("timedelta64[D]")
    ms = np.round(np.nan_to_num(seconds) * 1000.0).astype("int64").astype("timedelta64[ms]")
    local = date.astype("datetime64[ms]") + ms
    if "time" in columns:
        local[np.isnan(seconds)] = np.datetime64("NaT")
    return local, offset_min


def _zone(columns, time_zone):
    """Return UTC where a column's name says so, else the time zone given."""
    named = {w for r in ("time", "hour", "date") for w in name_words(columns.name(r))}
    return "UTC" if named & {"utc", "gmt"} else time_zone


def _compact(texts):
    """Tell whether digits are a written date and time such as 20180313165838."""
    return all(
        re.match(r"^\s*(19|20)\d{6}(\d{6})?(\.\d+)?\s*$", t[:LONGEST_CELL]) for t in texts[:SAMPLE]
    )


def _to_utc(local, offset_min, time_zone, notes):
    if offset_min is None:
        offset_min = np.full(len(local), np.nan)
    utc, more = stated_to_utc(local, offset_min, time_zone)
    notes += more
    return utc
