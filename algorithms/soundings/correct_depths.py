"""Correct depths."""

from qgis.core import QgsProcessingParameterBoolean
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.correcting.sound_speed import unknown_water_speed
from ..core.errors import LakefloorError, excerpt
from ..core.number_text import written
from ._temperature_profile import read_profiles, refuse_two_waters, temperature_profile


class CorrectDepths(LakefloorAlgorithm):
    NAME = "correctdepths"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Correct depths")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "draft,draught,keel offset,transducer depth,transducer offset,sound speed,"
        "speed of sound,sound velocity,velocity,water temperature,temperature,latency,lag,"
        "time offset,bar check,calibration,temperature profile,thermocline,stratification",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Corrects soundings for the time offset (latency), the sound speed of fresh water and "
        "the draft of the transducer. It also writes the standard uncertainty of each depth. Run "
        "it once, after Clean soundings and before Reduce to lake datum. The field 'corrections' "
        "shows what was done, and a second run is refused.\n\n"
        "If the log says how far the transducer is below the surface, that value is the draft. "
        "If depths count from the keel, enter the waterline's height above it.\n\n"
        "In water 20 °C colder than assumed, depths come out up to 5% too deep. Usually only the "
        "surface temperature is logged, and the uncertainty includes colder water below. A "
        "temperature profile makes depths right in layered water.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marczak (1997), Journal of the Acoustical Society of America 102(5), 2776-2779; U.S. Army "
        "Corps of Engineers (2002), Hydrographic Surveying, EM 1110-2-1003; JCGM 100:2008",
    )

    NUMBERS = {
        "MEAN_CORRECTION": QT_TRANSLATE_NOOP("@default", "Mean correction (m)"),
        "MIN_CORRECTION": QT_TRANSLATE_NOOP("@default", "Minimum correction (m)"),
        "MAX_CORRECTION": QT_TRANSLATE_NOOP("@default", "Maximum correction (m)"),
        "MEAN_SOUND_SPEED": QT_TRANSLATE_NOOP("@default", "Mean sound speed (m/s)"),
        "MEAN_SHIFT": QT_TRANSLATE_NOOP("@default", "Mean position shift (m)"),
        "MEAN_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Mean standard uncertainty (m)"),
    }
    FORM = (
        "INPUT",
        "DRAFT",
        "ASSUMED_SOUND_SPEED",
        "WATER_TEMPERATURE",
        "TIME_OFFSET",
        "BEAM_WIDTH",
        "OUTPUT",
    )

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.number(
                "DRAFT",
                tr("Transducer draft (m)"),
                0.3,
                tr("Depth of the transducer below the waterline with the crew aboard."),
                minimum=0.0,
                maximum=10.0,
            )
        )
        add(
            params.number(
                "ASSUMED_SOUND_SPEED",
                tr("Assumed sound speed (m/s)"),
                1500.0,
                tr(
                    "The sound speed that the sounder computes with. It is often 1500 m/s, in some "
                    "sounders 1463 m/s (4800 ft/s)."
                ),
                minimum=1350.0,
                maximum=1650.0,
            )
        )
        add(
            params.number(
                "WATER_TEMPERATURE",
                tr("Water temperature (°C)"),
                None,
                tr(
                    "Used for all soundings. If empty, the logged temperature of each visit is used. "
                    "Visits without one get the middle of the range for fresh water from 4 to 25 °C "
                    "and a higher uncertainty."
                ),
                minimum=0.0,
                maximum=40.0,
                optional=True,
            )
        )
        add(
            params.number(
                "ACTUAL_SOUND_SPEED",
                tr("Actual sound speed (m/s)"),
                None,
                tr(
                    "Mean of the water column, for example from a bar check. Used for all soundings. "
                    "If empty, it follows from the water temperature."
                ),
                minimum=1350.0,
                maximum=1650.0,
                optional=True,
            )
        )
        add(
            params.number(
                "TIME_OFFSET",
                tr("Time offset (s)"),
                0.0,
                tr(
                    "How much older the logged position is than the depth beside it (latency). Find "
                    "time offset computes it."
                ),
                minimum=-60.0,
                maximum=60.0,
            )
        )
        add(
            params.beam_width(
                tr(
                    "Full width of the sounder's beam between its half-power points, from its manual. "
                    "Gridding then undoes what the beam does on slopes. No depth changes here. If "
                    "empty, the width is not known."
                )
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean("FROM_RAW", tr("Start again from raw depths"), False),
                tr(
                    "Undoes earlier corrections and a reduction to a lake datum, and corrects the "
                    "depths as logged."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "KEEP_ASSUMED_SPEED", tr("Skip visits without temperature"), False
                ),
                tr(
                    "Leaves these visits at the assumed sound speed. Otherwise they are corrected with "
                    "a middle sound speed of fresh water. Their uncertainty is higher either way."
                ),
                advanced=True,
            )
        )
        add(
            params.number(
                "SOUNDER_OFFSET",
                tr("Offset added by the sounder (m)"),
                None,
                tr(
                    "What the sounder added to show depth from the surface. It is replaced by the "
                    "draft. If empty, only an offset that the log states is replaced."
                ),
                minimum=-10.0,
                maximum=10.0,
                optional=True,
                advanced=True,
            )
        )
        add(
            params.number(
                "UNCERTAINTY_FIXED",
                tr("Uncertainty, fixed part (m)"),
                0.05,
                tr("Standard uncertainty from sounder, draft and waves at any depth."),
                minimum=0.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "UNCERTAINTY_PERCENTAGE",
                tr("Uncertainty, part of depth (%)"),
                1.0,
                tr("Standard uncertainty that grows with depth, from sound speed and the sounder."),
                minimum=0.0,
                maximum=100.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "MIXED_DEPTH",
                tr("Depth of the mixed water (m)"),
                6.0,
                tr(
                    "Down to this depth the water is as warm as the surface. Colder water below "
                    "raises the uncertainty."
                ),
                minimum=0.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "DEEP_TEMPERATURE",
                tr("Temperature of the deep water (°C)"),
                7.0,
                tr(
                    "How cold the water below the mixed water can be. It affects only the "
                    "uncertainty."
                ),
                minimum=0.0,
                maximum=40.0,
                advanced=True,
            )
        )
        for parameter in temperature_profile():
            add(parameter)
        add(params.soundings_output(tr("Corrected soundings")))

    def check(self, inputs):
        if all(inputs.given(name) for name in ("WATER_TEMPERATURE", "ACTUAL_SOUND_SPEED")):
            raise LakefloorError(
                tr(
                    "A water temperature and a sound speed are both given. Give one of them, not both."
                )
            )
        refuse_two_waters(inputs)

    def compute(self, inputs, outputs):
        from ..core.correcting.corrections import correct_depths

        refuse_two_waters(inputs)
        soundings, crs, given = inputs.given_soundings()
        profiles = read_profiles(inputs, soundings)
        corrected = correct_depths(
            soundings,
            draft_m=inputs.number("DRAFT"),
            assumed_speed_ms=inputs.number("ASSUMED_SOUND_SPEED"),
            real_speed_ms=inputs.number("ACTUAL_SOUND_SPEED"),
            temperature_c=inputs.number("WATER_TEMPERATURE"),
            instrument_offset_m=inputs.number("SOUNDER_OFFSET"),
            skip_without_temperature=inputs.flag("KEEP_ASSUMED_SPEED"),
            time_offset_s=inputs.number("TIME_OFFSET"),
            uncert_fixed_m=inputs.number("UNCERTAINTY_FIXED"),
            uncert_share=inputs.number("UNCERTAINTY_PERCENTAGE") / 100.0,
            mixed_depth_m=inputs.number("MIXED_DEPTH"),
            deep_temperature_c=inputs.number("DEEP_TEMPERATURE"),
            beam_deg=inputs.number("BEAM_WIDTH"),
            profiles=profiles,
            from_raw=inputs.flag("FROM_RAW"),
            progress=inputs.progress,
        )
        summary = corrected.summary
        _report(summary, inputs)
        outputs.soundings(params.OUTPUT, corrected.soundings, crs, given=given)
        return {
            "MEAN_CORRECTION": summary["mean_correction_m"],
            "MIN_CORRECTION": summary["min_correction_m"],
            "MAX_CORRECTION": summary["max_correction_m"],
            "MEAN_SOUND_SPEED": summary["mean_sound_speed_ms"],
            "MEAN_SHIFT": summary["mean_shift_m"],
            "MEAN_UNCERTAINTY": summary["mean_uncertainty_m"],
        }


def _report(summary, inputs):
    def shown(value, digits):
        return "-" if value is None else written(value, f".{digits}f")

    for visit, row in summary["visits"].items():
        inputs.say(
            tr(
                "Visit '{}': {} soundings, water {} °C, sound speed {} m/s, mean correction {} m"
            ).format(
                visit,
                row["soundings"],
                shown(row["temperature_c"], 1),
                shown(row["sound_speed_ms"], 1),
                shown(row["correction_m"], 3),
            )
        )
    _report_layers(summary, inputs)
    unknown = summary["measured_from"].get("unknown", 0)
    if unknown:
        inputs.warn(
            tr(
                "The log does not say where depth counts from ({} soundings). Depth from the "
                "transducer is assumed and the draft is added. If the sounder shows depth from "
                "the surface, choose that in Read logs."
            ).format(unknown)
        )
    if summary["dropped"]:
        inputs.warn(
            tr(
                "Started again from raw depths. These steps were undone: {}. Run Reduce to lake "
                "datum again if that was done."
            ).format(", ".join(summary["dropped"]))
        )
    if summary["no_temperature"]:
        speed, error = unknown_water_speed()
        inputs.warn(
            tr(
                "No water temperature is known for visit {}. A sound speed of {:.1f} m/s is used, "
                "the middle of the range for fresh water from 4 to 25 °C. It may be wrong by "
                "{:.1f} m/s, which is {:.1f}% of depth. The uncertainty includes this. Enter the "
                "water temperature if you know it."
            ).format(
                ", ".join(f"'{excerpt(name)}'" for name in summary["no_temperature"]),
                speed,
                error,
                100.0 * error / speed,
            )
        )
    if summary["uncorrected"]:
        inputs.warn(
            tr(
                "These visits have no water temperature and keep the assumed sound speed: {}. "
                "Enter a water temperature if you know it."
            ).format(", ".join(summary["uncorrected"]))
        )


def _report_layers(summary, inputs):
    layered = {name: most for name, most in summary["layered_m"].items() if most >= 0.1}
    if layered:
        inputs.say(
            tr(
                "Only the temperature of the surface is known for visit {}. If the water below is "
                "cold, the deepest depths are up to {:.1f} m too large, which the uncertainty "
                "includes. A temperature profile removes this."
            ).format(", ".join(f"'{excerpt(name)}'" for name in layered), max(layered.values()))
        )
