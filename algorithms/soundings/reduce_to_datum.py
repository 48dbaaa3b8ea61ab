"""Reduce to lake datum."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QDate, QDateTime, Qt, QTime

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.layer_crs import srs_wkt
from .._io.values import to_text
from ..core.correcting.gauge import GaugeFields, gauge_levels
from ..core.correcting.lake_level import LONGEST_GAP_D, land_notes, reduce_to_datum
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.units import unit_factor
from ._offsets import AS_REDUCED, FIT_TO_LAKE, say_offsets

#: What to do with visits of which no lake level is known.
ADJUST, LATER = "adjust to the first visit", "fit to the database later"


class ReduceToDatum(LakefloorAlgorithm):
    NAME = "reducetodatum"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Reduce to lake datum")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake level,water,level,gauge,gage,staff gauge,datum,lake datum,"
        "elevation,full pool,pool level,reservoir,drawdown,ordinary high water,OHW,"
        "reduce,tide,water levels,stage,tide correction,summer pool",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Turns depths below the lake level of the day into depths below the lake datum, so that visits "
        "at different lake levels fit together. Run it once, after Correct depths. A second run "
        "is refused.\n\n"
        "Give gauge readings, levels by visit, or one lake level. Readings are interpolated if "
        "close in time. All levels need the same unit and gauge.\n\n"
        "Without a gauge, leave all levels empty. Depths then count from "
        "the lake level of the first visit. Other visits are adjusted to it where tracks cross, and "
        "the map says that no lake level was known.\n\n"
        "A depth below 0 is land at the lake datum. Wind tilts a lake, so read the gauge on calm "
        "days.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default", "U.S. Army Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003"
    )

    NUMBERS = {
        "MEAN_REDUCTION": QT_TRANSLATE_NOOP("@default", "Mean reduction (m)"),
        "MIN_LEVEL": QT_TRANSLATE_NOOP("@default", "Minimum lake level (m)"),
        "MAX_LEVEL": QT_TRANSLATE_NOOP("@default", "Maximum lake level (m)"),
        "ABOVE_DATUM": QT_TRANSLATE_NOOP("@default", "Soundings above the datum"),
        "OUTSIDE_READINGS": QT_TRANSLATE_NOOP("@default", "Soundings outside the readings"),
        "MAX_OFFSET": QT_TRANSLATE_NOOP("@default", "Maximum visit offset (m)"),
        "OFFSET_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Uncertainty of that offset (m)"),
    }
    FORM = ("INPUT", "GAUGE", "LAKE_LEVEL", "LEVEL_UNIT", "DATUM_ELEVATION", "DATUM_NAME", "OUTPUT")

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "GAUGE",
                    tr("Gauge readings"),
                    [QgsProcessing.SourceType.TypeVector],
                    optional=True,
                ),
                tr(
                    "Table of times and lake levels, or of visits and lake levels. If empty, the one "
                    "lake level is used."
                ),
            )
        )
        for name, label, text in (
            (
                "TIME_FIELD",
                tr("Time field"),
                tr(
                    "Date and time, such as 2026-05-14T08:00. A date alone counts as noon. If empty, "
                    "the field is found by its name. A separate date field is found too."
                ),
            ),
            ("LEVEL_FIELD", tr("Level field"), tr("If empty, the field is found by its name.")),
            (
                "VISIT_FIELD",
                tr("Visit field"),
                tr(
                    "For a table with one lake level for each visit. If empty, the time field is "
                    "used, or a field named visit if there is none."
                ),
            ),
        ):
            add(
                params.helped(
                    QgsProcessingParameterField(
                        name, label, parentLayerParameterName="GAUGE", optional=True
                    ),
                    text,
                )
            )
        add(params.time_zone("GAUGE_TIME_ZONE", tr("Time zone of the gauge readings")))
        add(
            params.number(
                "LAKE_LEVEL",
                tr("One lake level (level unit)"),
                None,
                tr(
                    "In the level unit. If empty, the gauge readings are used. If both are empty, "
                    "depths count from the lake level of the first visit."
                ),
                optional=True,
            )
        )
        add(
            params.choice(
                "LEVEL_UNIT",
                tr("Level unit"),
                ["feet", "meters", "US survey feet", "centimeters", "inches"],
                "feet",
                tr("Unit of the gauge readings, the lake level and the lake datum."),
            )
        )
        add(
            params.number(
                "DATUM_ELEVATION",
                tr("Gauge reading at the lake datum"),
                None,
                tr(
                    "The reading when the lake stands at its datum, in the level unit. 0 is the "
                    "gauge's own zero. If empty, the lake level of the first visit is the datum."
                ),
                optional=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterString(
                    "DATUM_NAME", tr("Name of the lake datum"), optional=True
                ),
                tr(
                    "For example 'ordinary high water 951.5 ft'. It is shown on the map. If empty, it "
                    "is 'lake datum', or the day of the first visit if its level is the datum."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "HOLD_READINGS", tr("Hold first and last reading"), False
                ),
                tr(
                    "Uses the first reading for soundings before it, and the last reading for "
                    "soundings after it, for half of the maximum gap. Otherwise such soundings are "
                    "refused."
                ),
            )
        )
        add(
            params.number(
                "MAX_GAP",
                tr("Maximum gap between readings (days)"),
                LONGEST_GAP_D,
                tr(
                    "Readings farther apart are not joined. Each then counts for half of this time "
                    "before and after it, and other soundings are refused."
                ),
                minimum=0.01,
                advanced=True,
            )
        )
        add(
            params.choice(
                "LEVEL",
                tr("Level of the visits"),
                {
                    AS_REDUCED: tr("soundings without a reading are refused"),
                    FIT_TO_LAKE: tr("visits without a reading count from the water of their day"),
                },
                AS_REDUCED,
                tr(
                    "Choose the second if you then add the visits with 'fit to the lake' to the lake "
                    "database."
                ),
                advanced=True,
            )
        )
        add(
            params.choice(
                "NO_LEVEL",
                tr("Visits without a lake level"),
                {
                    ADJUST: tr("by the places where tracks cross"),
                    LATER: tr("depths count from the lake level of each day"),
                },
                ADJUST,
                tr("Used only without gauge readings and lake level."),
                former={"adjust": ADJUST, "each": LATER},
                advanced=True,
            )
        )
        add(params.soundings_output(tr("Reduced soundings")))

    def check(self, inputs):
        given = [inputs.given(name) for name in ("GAUGE", "LAKE_LEVEL")]
        if all(given):
            raise LakefloorError(
                tr("Gauge readings and one lake level are both given. Give one of them, not both.")
            )
        to_fit = inputs.choice("LEVEL") == FIT_TO_LAKE
        if not any(given) and inputs.given("DATUM_ELEVATION") and not to_fit:
            raise LakefloorError(
                tr(
                    "The gauge reading at the lake datum is given, but no lake level. Give gauge "
                    "readings or one lake level, or clear the reading at the lake datum."
                )
            )
        inputs.time_zone("GAUGE_TIME_ZONE")

    def compute(self, inputs, outputs):
        from ..core.visits.missing_levels import reduce_where_read
        from ..core.visits.unlike_levels import unlike_levels

        unit = inputs.unit("LEVEL_UNIT")
        gauge = inputs.source("GAUGE")
        if gauge is None and not inputs.given("LAKE_LEVEL"):
            return self._without_level(inputs, outputs)
        if gauge is None:
            levels = inputs.number("LAKE_LEVEL") * unit_factor(unit)
        else:
            levels = self._gauge_levels(gauge.sourceName(), unit, inputs)
        soundings, crs, given = inputs.given_soundings()
        elevation = inputs.number("DATUM_ELEVATION")
        options = {
            "datum_elevation_m": None if elevation is None else elevation * unit_factor(unit),
            "datum_name": inputs.text("DATUM_NAME"),
            "hold": inputs.flag("HOLD_READINGS"),
            "max_gap_d": inputs.number("MAX_GAP"),
            "code": srs_wkt(crs),
            "progress": span(inputs.progress, 0.0, 0.5),
        }
        if inputs.choice("LEVEL") == FIT_TO_LAKE:
            reduced, missing = reduce_where_read(soundings, levels, **options)
            for note in missing:
                inputs.warn(note)
            if reduced is None:
                return self._without_level(inputs, outputs)
        else:
            reduced = reduce_to_datum(soundings, levels, **options)
        _report(reduced.summary, unit, inputs)
        if elevation is None:
            name, level = reduced.datum
            inputs.warn(
                tr(
                    "No gauge reading at the lake datum was given, so depths count from the lake "
                    "level of the first visit, {:.3f} {} ('{}')."
                ).format(level / unit_factor(unit), unit, name)
            )
        apart = unlike_levels(reduced.soundings, span(inputs.progress, 0.5, 1.0))
        for note in [*reduced.notes, *apart]:
            inputs.warn(note)
        outputs.soundings(params.OUTPUT, reduced.soundings, crs, given=given)
        return {
            "MEAN_REDUCTION": reduced.summary["mean_reduction_m"],
            "MIN_LEVEL": reduced.summary["lowest_level_m"],
            "MAX_LEVEL": reduced.summary["highest_level_m"],
            "ABOVE_DATUM": reduced.summary["land"],
            "OUTSIDE_READINGS": reduced.summary["held"],
            "MAX_OFFSET": None,
            "OFFSET_UNCERTAINTY": None,
        }

    def _gauge_levels(self, table, unit, inputs):
        chosen = GaugeFields(*(inputs.text(f"{kind}_FIELD") for kind in ("TIME", "LEVEL", "VISIT")))
        found = gauge_levels(
            _columns(inputs),
            chosen,
            unit=unit,
            table=table,
            time_zone=inputs.time_zone("GAUGE_TIME_ZONE"),
        )
        inputs.say(found.source)
        for note in found.notes:
            inputs.warn(note)
        return found.levels

    def _without_level(self, inputs, outputs):
        """Count depths from the water of a day: nobody read the level of the lake."""
        from ..core.visits.unknown_level import water_of_the_day

        soundings, crs, given = inputs.given_soundings()
        each = inputs.choice("NO_LEVEL") == LATER or inputs.choice("LEVEL") == FIT_TO_LAKE
        fitted = water_of_the_day(soundings, each=each, code=srs_wkt(crs), progress=inputs.progress)
        inputs.warn(fitted.route)
        name = inputs.text("DATUM_NAME").strip()
        if name:
            inputs.warn(
                tr(
                    "The datum is not named '{}', because no lake level ties the depths to it."
                ).format(name)
            )
        say_offsets(fitted, inputs)
        for note in land_notes(fitted.soundings):
            inputs.warn(note)
        done, largest = fitted.soundings, fitted.largest
        use = done.accepted
        outputs.soundings(params.OUTPUT, done, crs, given=given)
        reductions = (done.depth - soundings.depth)[use]
        return {
            "MEAN_REDUCTION": float(reductions.mean()) if use.any() else None,
            "MIN_LEVEL": None,
            "MAX_LEVEL": None,
            "ABOVE_DATUM": int((done.depth[use] < 0.0).sum()),
            "OUTSIDE_READINGS": 0,
            "MAX_OFFSET": largest and largest.offset,
            "OFFSET_UNCERTAINTY": largest and largest.std_error,
        }


def _columns(inputs) -> dict:
    """Return the columns of the gauge readings; dates and times are ISO 8601 text."""
    return {
        name: [_plain(value) for value in values] for name, values in inputs.table("GAUGE").items()
    }


def _plain(value):
    """Return a date or time as text, with its zone only where the layer states one."""
    if isinstance(value, QDateTime) and value.timeSpec() != Qt.TimeSpec.LocalTime:
        value = value.toUTC()
    return to_text(value) if isinstance(value, (QDate, QDateTime, QTime)) else value


def _report(summary, unit, inputs):
    scale = unit_factor(unit)
    for visit, row in summary["visits"].items():
        inputs.say(
            tr("Visit '{}': {} soundings, mean lake level {:.3f} {}").format(
                visit, row["soundings"], row["level_m"] / scale, unit
            )
        )
    if summary["land"]:
        inputs.say(
            tr("Soundings above the lake datum (land when the lake stands at it): {}").format(
                summary["land"]
            )
        )
    if summary["held"]:
        inputs.warn(
            tr("Soundings before the first or after the last reading: {}").format(summary["held"])
        )
