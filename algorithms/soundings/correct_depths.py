"""Correct depths."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_given, source
from .._outputs import Outputs
from ..core.correcting.corrections import correct_depths
from ..core.correcting.sound_speed import unknown_water_speed
from ..core.errors import LakefloorError, excerpt
from ..core.number_text import written

_NUMBERS = {
    "MEAN_CORRECTION": ("mean_correction_m", QT_TRANSLATE_NOOP("@default", "Mean correction (m)")),
    "MIN_CORRECTION": ("min_correction_m", QT_TRANSLATE_NOOP("@default", "Least correction (m)")),
    "MAX_CORRECTION": (
        "max_correction_m", QT_TRANSLATE_NOOP("@default", "Greatest correction (m)")),
    "MEAN_SOUND_SPEED": (
        "mean_sound_speed_ms", QT_TRANSLATE_NOOP("@default", "Mean sound speed (m/s)")),
    "MEAN_SHIFT": ("mean_shift_m", QT_TRANSLATE_NOOP("@default", "Mean shift of position (m)")),
    "MEAN_UNCERTAINTY": (
        "mean_uncertainty_m",
        QT_TRANSLATE_NOOP("@default", "Mean standard uncertainty of depth (m)")),
}


class CorrectDepths(LakefloorAlgorithm):
    NAME = "correctdepths"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Correct depths")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "draft,sound speed,water temperature,latency,time offset,transducer"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Corrects soundings for the time offset between position and depth, for the sound speed "
        "of fresh water at its temperature, and for the draft of the transducer, and writes the "
        "standard uncertainty of each depth. Run it once, after cleaning and before reducing to "
        "the lake datum; the field 'corrections' tells what was done, and a second run is "
        "refused.\n\n"
        "depth = (logged - offset) x real speed / assumed speed + offset + draft, in metres. An "
        "offset that the instrument had added itself is never scaled. Where the log states an "
        "offset to the surface, that offset is the draft. Where the log says that depth is from "
        "the surface but not by how much, the draft is taken to be in it already. Where depth is "
        "from the keel, enter the height of the waterline above the keel as draft.\n\n"
        "Water 20 degrees colder than the instrument assumes makes depths 3 % too great: 1 ft in "
        "30 ft. Only the temperature at the surface is logged as a rule; colder water below makes "
        "depths somewhat too great still, which the uncertainty includes. Rejected soundings are "
        "corrected too and stay rejected; raw depths are kept.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marczak (1997), Journal of the Acoustical Society of America 102(5), 2776-2779; U.S. Army "
        "Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003; JCGM 100:2008",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.number(
            "DRAFT", tr("Transducer draft (m)"), 0.3,
            tr("Depth of the transducer below the waterline with the crew aboard."),
            minimum=0.0, maximum=10.0,
        ))
        add(params.number(
            "ASSUMED_SOUND_SPEED", tr("Sound speed assumed by the instrument (m/s)"), 1500.0,
            tr("The instrument's own setting: often 1500, in some 1463 (4800 ft/s)."),
            minimum=1350.0, maximum=1650.0,
        ))
        add(params.number(
            "WATER_TEMPERATURE", tr("Water temperature (°C)"), None,
            tr("For all soundings. Left empty, the logged temperature is used, smoothed within "
               "each visit; without one, the middle of what fresh water has from 4 to 25 °C, and "
               "the uncertainty is raised."),
            minimum=0.0, maximum=40.0, optional=True,
        ))
        add(params.number(
            "SOUND_SPEED", tr("Real sound speed (m/s)"), None,
            tr("Mean of the water column for all soundings, for example from a bar check or a "
               "temperature profile; in place of a temperature."),
            minimum=1350.0, maximum=1650.0, optional=True,
        ))
        add(params.number(
            "TIME_OFFSET", tr("Time offset (s)"), 0.0,
            tr("By how much the logged position is older than the depth beside it. With too small "
               "a value, opposite lanes show a drop-off apart from each other, each late."),
            minimum=-60.0, maximum=60.0,
        ))
        add(params.helped(
            QgsProcessingParameterBoolean("FROM_RAW", tr("Start again from raw depths"), False),
            tr("Undo earlier corrections, and a reduction to a datum with them, and correct the "
               "depths as logged."),
        ))
        add(params.helped(
            QgsProcessingParameterBoolean(
                "SKIP", tr("Leave visits without temperature at the assumed sound speed"), False
            ),
            tr("Otherwise they are corrected with the middle of fresh water's sound speeds. Their "
               "uncertainty is raised either way."),
            advanced=True,
        ))
        add(params.number(
            "INSTRUMENT_OFFSET", tr("Offset added by the instrument (m)"), None,
            tr("What the instrument had added already to show depth from the surface, where the "
               "log does not state it. It is taken off and the draft is added instead."),
            minimum=-10.0, maximum=10.0, optional=True, advanced=True,
        ))
        add(params.number(
            "UNCERT_FIXED", tr("Uncertainty, fixed part (m)"), 0.05,
            tr("One standard deviation of sounder, draft and waves, whatever the depth."),
            minimum=0.0, advanced=True,
        ))
        add(params.number(
            "UNCERT_SHARE", tr("Uncertainty, share of depth (%)"), 1.0,
            tr("One standard deviation that grows with depth: sound speed, the sounder's scale."),
            minimum=0.0, maximum=100.0, advanced=True,
        ))
        add(params.number(
            "MIXED_DEPTH", tr("Depth of the mixed water (m)"), 6.0,
            tr("Down to here the water has the temperature of the surface. Colder water below "
               "raises the uncertainty."),
            minimum=0.0, advanced=True,
        ))
        add(params.number(
            "DEEP_TEMPERATURE", tr("Temperature of the deep water (°C)"), 7.0,
            tr("How cold the water below the mixed water may be; used for the uncertainty alone."),
            minimum=0.0, maximum=40.0, advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Corrected soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        for name, (_, label) in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def check(self, parameters, context):
        if all(
            params.given(self, parameters, name, context)
            for name in ("WATER_TEMPERATURE", "SOUND_SPEED")
        ):
            raise LakefloorError(tr("Give either a water temperature or a sound speed, not both."))

    def compute(self, parameters, context, feedback):
        def value(name):
            return self.parameterAsDouble(parameters, name, context)

        def optional(name):
            return params.optional_number(self, parameters, name, context)

        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        corrected = correct_depths(
            soundings,
            draft_m=value("DRAFT"),
            assumed_speed_ms=value("ASSUMED_SOUND_SPEED"),
            real_speed_ms=optional("SOUND_SPEED"),
            temperature_c=optional("WATER_TEMPERATURE"),
            instrument_offset_m=optional("INSTRUMENT_OFFSET"),
            skip_without_temperature=self.parameterAsBool(parameters, "SKIP", context),
            time_offset_s=value("TIME_OFFSET"),
            uncert_fixed_m=value("UNCERT_FIXED"),
            uncert_share=value("UNCERT_SHARE") / 100.0,
            mixed_depth_m=value("MIXED_DEPTH"),
            deep_temperature_c=value("DEEP_TEMPERATURE"),
            from_raw=self.parameterAsBool(parameters, "FROM_RAW", context),
            progress=self.progress(feedback),
        )
        _report(corrected.summary, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, corrected.soundings, crs, given=given)
            for name, (key, _) in _NUMBERS.items():
                out.results[name] = corrected.summary[key]
        return out.results


def _report(summary, feedback):
    def shown(value, digits):
        return "-" if value is None else written(value, f".{digits}f")

    for visit, row in summary["visits"].items():
        feedback.pushInfo(
            tr("Visit '{}': {} soundings, water {} °C, sound speed {} m/s, mean correction {} m")
            .format(visit, row["soundings"], shown(row["temperature_c"], 1),
                    shown(row["sound_speed_ms"], 1), shown(row["correction_m"], 3))
        )
    unknown = summary["measured_from"].get("unknown", 0)
    if unknown:
        feedback.pushWarning(
            tr("The log does not say where depth counts from ({} soundings); it is taken to be "
               "the transducer, and the draft is added. If the instrument shows depth from the "
               "surface, choose that where the logs are read.").format(unknown)
        )
    if summary["dropped"]:
        feedback.pushWarning(
            tr("Started again from raw depths; undone: {}. Reduce to the lake datum again where "
               "that was done.").format(", ".join(summary["dropped"]))
        )
    if summary["no_temperature"]:
        speed, error = unknown_water_speed()
        feedback.pushWarning(
            tr("No water temperature is known for visit {}. The sound speed is taken as {:.1f} "
               "m/s, the middle of what fresh water has from 4 to 25 °C. The true one may be "
               "{:.1f} m/s off, {:.1f}% of depth, which the uncertainty includes. Give the water "
               "temperature if you know it.").format(
                ", ".join(f"'{excerpt(name)}'" for name in summary["no_temperature"]), speed, error,
                100.0 * error / speed)
        )
    if summary["uncorrected"]:
        feedback.pushWarning(
            tr("No water temperature, so the sound speed was left as assumed: {}").format(
                ", ".join(summary["uncorrected"]))
        )
