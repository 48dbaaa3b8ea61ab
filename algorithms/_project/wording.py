"""What groups and layer notes of a lake say."""

from __future__ import annotations

from datetime import datetime, timezone
from html import escape

from qgis.PyQt.QtCore import QDate, QDateTime, QLocale, QTime

from .._i18n import in_local_numbers, tr
from .._io.time_zones import zone
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.units import LENGTH

__all__ = ["lake_time", "local_time", "notes_of_run", "run_title", "unit_of"]

_STAMP = "%Y-%m-%d_%H%M%S"


def unit_of(facts) -> str:
    """Return the unit in which people read the depths of a lake: "ft" or "m"."""
    return "m" if facts.unit == "meters" else "ft"


def local_time(record, facts) -> str:
    """Return when a run began, by the clocks of the lake."""
    # A second run in one second has a number behind its stamp.
    stamp = "_".join(record.stamp.split("_")[:2])
    return lake_time(datetime.strptime(stamp, _STAMP).replace(tzinfo=timezone.utc), facts)


def lake_time(utc, facts) -> str:
    """Return a time (datetime with its zone) by the clocks of the lake."""
    try:
        local = utc.astimezone(zone(facts.time_zone) if facts.time_zone else None)
    except LakefloorError:
        local = utc.astimezone()
    shown = QDateTime(QDate(local.year, local.month, local.day), QTime(local.hour, local.minute))
    return QLocale().toString(shown, "d MMM yyyy HH:mm")


def run_title(name, record, facts) -> str:
    """Return a group's name with the time of the run that made its layers."""
    return tr("{}, {}").format(name, local_time(record, facts))


@in_local_numbers
def notes_of_run(record, facts) -> str:
    """Return the notes of a layer: datum, level, draft and date, as HTML."""
    lines = [tr("Made on {}.").format(local_time(record, facts))]
    if facts.datum_name or facts.datum_reading is not None:
        datum = facts.datum_name or tr("the gauge")
        if facts.datum_reading is None:
            lines.append(tr("Depths count from the lake datum: {}.").format(datum))
        else:
            lines.append(
                tr("Depths count from the lake datum: {} at a reading of {} {}.").format(
                    datum, written(facts.datum_reading, "g"), facts.level_unit
                )
            )
    else:
        lines.append(tr("Depths count from the lake level of the first visit."))
    unit = unit_of(facts)
    draft = facts.boat.draft_m / LENGTH[unit]
    lines.append(tr("Draft of the transducer: {} {}.").format(written(draft, ".2g"), unit))
    lines.append(tr("Not for navigation."))
    return "<br/>".join(escape(line) for line in lines)
