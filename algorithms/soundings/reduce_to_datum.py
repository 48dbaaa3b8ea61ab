"""Reduce to lake datum."""

import re

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QDateTime, Qt

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import optional_source, read_given, read_table, source, srs_wkt, to_text
from .._outputs import Outputs
from ..core.correcting.lake_level import (
    gauge_numbers,
    gauge_times,
    land_notes,
    level_record,
    reduce_to_datum,
    visit_levels,
)
from ..core.errors import LakefloorError, excerpt
from ..core.progress import span
from ..core.units import unit_factor, unit_in_name
from ..core.visits.unknown_level import unlike_levels, water_of_the_day
from ._offsets import say_offsets

_UNITS = ("ft", "m", "us-ft", "cm", "in")

#: Beginnings of field names, best first.
_TIME_NAMES = ("datetime", "date_time", "date_and_time", "timestamp", "time", "date", "utc")
_LEVEL_NAMES = ("level", "water_level", "lake_level", "gauge", "stage", "reading", "elev", "height")
_VISIT_NAMES = ("visit",)

_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?\s*([AaPp][Mm])?$")

_NUMBERS = {
    "MEAN_REDUCTION": ("mean_reduction_m", QT_TRANSLATE_NOOP("@default", "Mean reduction (m)")),
    "LOWEST_LEVEL": ("lowest_level_m", QT_TRANSLATE_NOOP("@default", "Lowest level (m)")),
    "HIGHEST_LEVEL": ("highest_level_m", QT_TRANSLATE_NOOP("@default", "Highest level (m)")),
    "LAND": ("land", QT_TRANSLATE_NOOP("@default", "Soundings above the datum")),
    "HELD": ("held", QT_TRANSLATE_NOOP("@default", "Soundings at a held level")),
    "LARGEST_OFFSET": (
        "largest_offset_m", QT_TRANSLATE_NOOP("@default", "Largest visit offset (m)")),
    "OFFSET_UNCERTAINTY": (
        "offset_sd_m", QT_TRANSLATE_NOOP("@default", "Standard uncertainty of that offset (m)")),
}


class ReduceToDatum(LakefloorAlgorithm):
    NAME = "reducetodatum"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Reduce to lake datum")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "water level,lake level,gauge,datum,elevation,ordinary high water"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Turns depths below the water surface of the day into depths below a lake datum, so that "
        "visits at different lake levels fit together. Run it once, after Correct depths; the "
        "field 'corrections' keeps the datum's name and elevation, and a second run is refused.\n\n"
        "depth at datum = depth - (level - datum elevation). Give either a table of gauge readings "
        "or one level. Readings are interpolated linearly in time; a table of visits gives one "
        "level to each visit. Level and datum elevation are on the same scale and in the same "
        "unit; a lake has no tide.\n\n"
        "Without a gauge, leave readings, level and datum elevation empty. The depths of a single "
        "visit then count from the water of that day. Several visits are adjusted to the first "
        "one by the places where their tracks meet; if these do not suffice, the run is refused. "
        "The datum is named after the day, and the map says that no level was known.\n\n"
        "Soundings outside the time span of the readings are refused, unless you allow holding "
        "the last value. A depth below 0 is land at the datum. Wind tilts a lake's surface: read "
        "the gauge on calm days.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default", "U.S. Army Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003"
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "GAUGE", tr("Gauge readings"), [QgsProcessing.SourceType.TypeVector], optional=True
            ),
            tr("Table of time and level, or of visit and level, with or without geometry."),
        ))
        for name, label, text in (
            ("TIME_FIELD", tr("Time field"),
             tr("Date and time, or text such as 2026-05-14T08:00. A date alone counts as its noon. "
                "Left empty, it is found by its name, and so is a date in a field of its own.")),
            ("LEVEL_FIELD", tr("Level field"), tr("Left empty, it is found by its name.")),
            ("VISIT_FIELD", tr("Visit field"),
             tr("For a table with one level for each visit, in place of times.")),
        ):
            add(params.helped(
                QgsProcessingParameterField(
                    name, label, parentLayerParameterName="GAUGE", optional=True
                ),
                text,
            ))
        add(params.time_zone("GAUGE_TIME_ZONE", tr("Time zone of the gauge readings")))
        add(params.number(
            "LEVEL", tr("One lake level for all soundings"), None,
            tr("In the level unit; in place of gauge readings."), optional=True,
        ))
        add(params.choice(
            "LEVEL_UNIT", tr("Unit of level and datum elevation"),
            {
                "ft": tr("international foot, 0.3048 m"),
                "m": tr("metre"),
                "us-ft": tr("US survey foot, 1200/3937 m"),
                "cm": tr("centimetre"),
                "in": tr("inch"),
            },
            _UNITS[0], tr("Unit of the readings, of the one level and of the datum elevation."),
        ))
        add(params.number(
            "DATUM_ELEVATION", tr("Elevation of the lake datum"), None,
            tr("In the level unit, on the scale of the gauge: the reading at which the lake stands "
               "at its datum. 0 is the gauge's own zero. If empty, the level of the first visit."),
            optional=True,
        ))
        add(params.helped(
            QgsProcessingParameterString(
                "DATUM_NAME", tr("Name of the datum"), optional=True
            ),
            tr("For example 'ordinary high water 951.5 ft'. It goes with the data to the map. If "
               "empty, 'lake datum', or the day of the first visit where its water is the datum."),
        ))
        add(params.helped(
            QgsProcessingParameterBoolean("HOLD", tr("Hold the last value"), False),
            tr("Before the first and after the last reading, take that reading."),
        ))
        add(params.choice(
            "NO_LEVEL", tr("Visits without a known level"),
            {"adjust": tr("adjust them to the first visit where tracks cross"),
             "each": tr("leave each at the water of its day, to be fitted by Add visit to the "
                        "lake's store")},
            "adjust", tr("Used only if neither gauge readings nor a level is given."),
            advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Reduced soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        for name, (_, label) in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def check(self, parameters, context):
        given = [params.given(self, parameters, name, context) for name in ("GAUGE", "LEVEL")]
        if all(given):
            raise LakefloorError(tr("Give either gauge readings or one lake level, not both."))
        if not any(given) and params.given(self, parameters, "DATUM_ELEVATION", context):
            raise LakefloorError(
                tr("The elevation of the lake datum is given, but no lake level. Give gauge "
                   "readings or one lake level, or leave the elevation empty: depths then count "
                   "from the water of the first visit, or are fitted to the lake's store.")
            )
        params.check_zone(self, parameters, "GAUGE_TIME_ZONE", context)

    def compute(self, parameters, context, feedback):
        unit = self.parameterAsEnumString(parameters, "LEVEL_UNIT", context)
        gauge = optional_source(self, parameters, "GAUGE", context)
        if gauge is None and not params.given(self, parameters, "LEVEL", context):
            return self._without_level(parameters, context, feedback)
        if gauge is None:
            levels = self.parameterAsDouble(parameters, "LEVEL", context) * unit_factor(unit)
        else:
            chosen = {
                kind: self.parameterAsString(parameters, f"{kind}_FIELD", context)
                for kind in ("TIME", "LEVEL", "VISIT")
            }
            zone = params.zone_given(self, parameters, "GAUGE_TIME_ZONE", context)
            levels = _levels(gauge, chosen, zone, unit, feedback)
        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        elevation = params.optional_number(self, parameters, "DATUM_ELEVATION", context)
        reduced = reduce_to_datum(
            soundings, levels,
            datum_elevation_m=None if elevation is None else elevation * unit_factor(unit),
            datum_name=self.parameterAsString(parameters, "DATUM_NAME", context),
            hold=self.parameterAsBool(parameters, "HOLD", context),
            code=srs_wkt(crs),
            progress=span(self.progress(feedback), 0.0, 0.5),
        )
        _report(reduced.summary, unit, feedback)
        if elevation is None:
            name, level = reduced.datum
            feedback.pushWarning(
                tr("No elevation of the lake datum was given, so depths count from the level of "
                   "the first visit, {:.3f} {} ('{}').").format(
                    level / unit_factor(unit), unit, name)
            )
        apart = unlike_levels(reduced.soundings, span(self.progress(feedback), 0.5, 1.0))
        for note in [*reduced.notes, *apart]:
            feedback.pushWarning(note)
        return self._write(parameters, context, feedback, reduced.soundings, crs, given,
                           reduced.summary)

    def _without_level(self, parameters, context, feedback):
        """Count depths from the water of a day: nobody read the level of the lake."""
        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        each = self.parameterAsEnumString(parameters, "NO_LEVEL", context) == "each"
        fitted = water_of_the_day(
            soundings, each=each, code=srs_wkt(crs), progress=self.progress(feedback))
        feedback.pushWarning(fitted.route)
        name = self.parameterAsString(parameters, "DATUM_NAME", context).strip()
        if name:
            feedback.pushWarning(
                tr("The name '{}' is not given to the datum, since no level ties the depths to it.")
                .format(name)
            )
        say_offsets(fitted, feedback)
        for note in land_notes(fitted.soundings):
            feedback.pushWarning(note)
        done, largest = fitted.soundings, fitted.largest
        use = done.accepted
        return self._write(parameters, context, feedback, done, crs, given, {
            "mean_reduction_m": float((done.depth - soundings.depth)[use].mean()) if use.any()
            else None,
            "land": int((done.depth[use] < 0.0).sum()), "held": 0,
            "largest_offset_m": largest and largest.offset,
            "offset_sd_m": largest and largest.std_error,
        })

    def _write(self, parameters, context, feedback, soundings, crs, given, summary):
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, soundings, crs, given=given)
            for name, (key, _) in _NUMBERS.items():
                out.results[name] = summary.get(key)
        return out.results


def _levels(gauge, chosen, zone, unit, feedback):
    """Return readings in time or levels by visit from a table."""
    table = read_table(gauge, feedback)
    names = list(table)
    level_field = chosen["LEVEL"] or _named(names, _LEVEL_NAMES)
    time_field = chosen["TIME"] or _named(names, _TIME_NAMES)
    visit_field = chosen["VISIT"] or ("" if time_field else _named(names, _VISIT_NAMES))
    if not level_field or not (time_field or visit_field):
        what = tr("level") if not level_field else tr("time or visit")
        raise LakefloorError(
            tr("Table '{}': no field looks like {}. It has {}. Choose the fields.").format(
                gauge.sourceName(), what, ", ".join(f"'{excerpt(name)}'" for name in names))
        )
    feedback.pushInfo(
        tr("Levels from field '{}' in {}, by field '{}'").format(
            level_field, unit, visit_field or time_field)
    )
    stated = unit_in_name(level_field)
    if stated and stated != unit:
        feedback.pushWarning(
            tr("Field '{}' looks like {}, but the level unit is {}. Is that right?").format(
                level_field, stated, unit)
        )
    level = gauge_numbers(table[level_field])
    if visit_field:
        return visit_levels(["" if v is None else v for v in table[visit_field]], level, unit)
    times = [_text(value) for value in table[time_field]]
    if not chosen["TIME"] and all(_CLOCK.match(text) for text in times if text):
        date_field = next((name for name in names if name.lower().startswith("date")), None)
        if date_field and date_field != time_field:
            times = [f"{_text(day)} {clock}" for day, clock in zip(table[date_field], times)]
    record = level_record(gauge_times(times, zone), level, unit)
    if record.skipped:
        feedback.pushWarning(tr("Gauge rows without a level, left out: {}").format(record.skipped))
    return record


def _named(names, beginnings):
    for beginning in beginnings:
        for name in names:
            if name.lower().replace(" ", "_").startswith(beginning):
                return name
    return ""


def _text(value) -> str:
    """Return a time as ISO 8601 text, with its zone only where the layer states one."""
    if isinstance(value, QDateTime) and value.timeSpec() != Qt.TimeSpec.LocalTime:
        value = value.toUTC()
    return "" if value is None else to_text(value)


def _report(summary, unit, feedback):
    scale = unit_factor(unit)
    for visit, row in summary["visits"].items():
        feedback.pushInfo(
            tr("Visit '{}': {} soundings, mean level {:.3f} {}").format(
                visit, row["soundings"], row["level_m"] / scale, unit)
        )
    if summary["land"]:
        feedback.pushInfo(
            tr("Soundings above the datum (land when the lake stands at it): {}").format(
                summary["land"])
        )
    if summary["held"]:
        feedback.pushWarning(
            tr("Soundings outside the readings' time span, at a held level: {}").format(
                summary["held"])
        )
