"""Lake levels that were read on the water go among the lake's gauge readings."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta, timezone

from ...algorithms._i18n import tr
from ...algorithms._io.whole_files import write_text_whole
from ...algorithms.core.correcting.gauge import GaugeFields, gauge_levels
from ...algorithms.core.errors import LakefloorError
from ...algorithms.core.times import zone_of
from ...algorithms.core.units import UNIT_OF_WORDS

_UTC = "%Y-%m-%dT%H:%M:%SZ"
#: How people write times; those that end with Z are in UTC, others by the clocks of the lake.
_FORMS = tuple(
    f"{day}{between}{clock}{zone}"
    for day in ("%Y-%m-%d", "%Y/%m/%d", "%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y")
    for between in ("T", " ")
    for clock in ("%H:%M:%S", "%H:%M")
    for zone in ("Z", "")
)


def reading(level, unit, when=None) -> dict:
    """Return a reading of the lake level as a recording keeps it."""
    when = when or datetime.now(timezone.utc)
    return {"utc": when.strftime(_UTC), "level": level, "unit": unit}


def add_readings(lake, facts, readings):
    """Add readings to those of the lake, in the form in which they are written there.

    Parameters
    ----------
    lake : LakeFolder
    facts : LakeFacts
    readings : list of dict
        From :func:`reading`, in the level unit of the lake.

    Raises
    ------
    LakefloorError
        If the readings that are there are written in a form that takes no others; nothing is changed.
    OSError
    """
    if not readings:
        return
    unit = UNIT_OF_WORDS[facts.level_unit]
    if lake.gauge.exists():
        text = _with(lake.gauge.read_text(encoding="utf-8-sig"), facts, readings, unit)
    else:
        rows = [f"{each['utc']},{each['level']:g}" for each in readings]
        text = "\n".join([f"time_utc,level_{unit}", *rows, ""])
    write_text_whole(lake.gauge, text)


def between(start, end, first_gap_s=0.0, last_gap_s=0.0):
    """Return readings at the start and the end of an outing, in the time of its soundings.

    The computer's clock may be wrong beside the GPS. And all soundings lie between the readings,
    though the last came while the level was typed: their times are rounded outward to minutes.

    Parameters
    ----------
    start, end : list of dict
        From :func:`reading`, by the computer's clock.
    first_gap_s, last_gap_s : float
        By how much the GPS is ahead of the computer at the start and at the end, s.
    """
    return [
        *(_moved(each, first_gap_s, -1) for each in start),
        *(_moved(each, last_gap_s, 2) for each in end),
    ]


def _moved(given, gap_s, minutes):
    when = datetime.strptime(given["utc"], _UTC) + timedelta(seconds=gap_s)
    when = when.replace(second=0, microsecond=0) + timedelta(minutes=minutes)
    return {**given, "utc": when.strftime(_UTC)}


def visit_levels(lake, facts, readings) -> tuple:
    """Add the readings of an outing to those of the lake; return what its visit takes from them.

    Returns
    -------
    (dict, str)
        Values of parameters, and what is wrong with the gauge readings, "" for nothing.
    """
    wrong = ""
    try:
        add_readings(lake, facts, readings)
    except (LakefloorError, OSError) as error:
        wrong = str(error)
    if not readings:
        # The level follows from the soundings: earlier readings say nothing of this day.
        return {"GAUGE": None}, wrong
    if wrong or len(readings) == 1:
        return {"LEVEL": mean_level(readings)}, wrong
    return {}, wrong


def mean_level(readings):
    """Return the mean of readings, None without one."""
    return sum(each["level"] for each in readings) / len(readings) if readings else None


def _with(text, facts, readings, unit):
    """Return a table with readings added to it."""
    first = text.partition("\n")[0]
    sign = max(",;\t", key=first.count)
    header, *rows = [row for row in csv.reader(io.StringIO(text), delimiter=sign) if row]
    fields = GaugeFields().found_in(header, "gauge.csv")
    if not fields.time:
        raise _refused()
    column, zone = header.index(fields.time), facts.time_zone or "UTC"
    form = _form([row[column] for row in rows if len(row) > column and row[column].strip()])
    comma = sign == ";" and not any("." in row[header.index(fields.level)] for row in rows)
    for each in readings:
        row = [""] * len(header)
        row[column] = _written(each["utc"], form, zone)
        level = f"{each['level']:g}"
        row[header.index(fields.level)] = level.replace(".", ",") if comma else level
        rows.append(row)
    _check(header, rows, unit, zone, len(readings))
    out = io.StringIO()
    csv.writer(out, delimiter=sign, lineterminator="\n").writerows([header, *rows])
    return out.getvalue()


def _form(times):
    """Return the one form in which all times are written."""
    fit = [form for form in _FORMS if all(_reads(form, time.strip()) for time in times)]
    if len(fit) != 1:
        raise _refused()
    return fit[0]


def _reads(form, text) -> bool:
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _written(utc, form, zone) -> str:
    time = datetime.strptime(utc, _UTC).replace(tzinfo=timezone.utc)
    return (time if form.endswith("Z") else time.astimezone(zone_of(zone))).strftime(form)


def _check(header, rows, unit, zone, added):
    """Read what will be written, as reading logs does later."""

    def count(rows):
        columns = {name: [row[i] or None for row in rows] for i, name in enumerate(header)}
        return len(gauge_levels(columns, GaugeFields(), unit=unit, time_zone=zone).levels.time)

    if count(rows) != count(rows[:-added]) + added:
        raise _refused()


def _refused():
    return LakefloorError(
        tr(
            "The lake level cannot be added to the gauge readings of the lake, because of the way "
            "their times are written. Add it to 'gauge.csv' by hand."
        )
    )
