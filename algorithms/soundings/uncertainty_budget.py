"""Uncertainty budget."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params


class UncertaintyBudget(LakefloorAlgorithm):
    NAME = "uncertaintybudget"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Uncertainty budget")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "uncertainty,accuracy,precision,error,error budget,TVU,"
        "total vertical uncertainty,S-44,IHO,standard deviation,confidence,"
        "how accurate,TPU",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes the total standard uncertainty of every sounding. It comes from the sounder, "
        "sound speed, draft and lake level, and on slopes from position and time offset. "
        "Surfaces, dashed contours and lake figures use it. Run it after Reduce to lake datum. "
        "It replaces earlier uncertainties, so you can run it again.\n\n"
        "All values are standard uncertainties: twice the value holds about 95% of the errors. "
        "The defaults suit a small boat with a consumer GPS receiver. Enter your own values where "
        "you know them.\n\n"
        "Outliers and weeds are not included, so clean the soundings first. The width of the "
        "beam, which rounds off steep faces, is not included either.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "International Hydrographic Organization (2020), S-44, edition 6; U.S. Army Corps of "
        "Engineers (2002), Hydrographic Surveying, EM 1110-2-1003; JCGM 100:2008",
    )

    NUMBERS = {
        "MEAN_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Mean standard uncertainty (m)"),
        "RMS_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Root mean square uncertainty (m)"),
        "P95_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "95% of uncertainties are below (m)"),
        "MEAN_SLOPE": QT_TRANSLATE_NOOP("@default", "Mean slope (m per m)"),
    }
    FORM = (
        "INPUT",
        "POSITION_UNCERTAINTY",
        "SOUNDER_FIXED",
        "SOUNDER_PERCENTAGE",
        "SURFACE",
        "OUTPUT",
        "TERMS",
    )

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        for name, label, default, text in (
            (
                "POSITION_UNCERTAINTY",
                tr("Position uncertainty (m)"),
                1.0,
                tr(
                    "In one direction. A consumer GPS receiver has 1 to 2 m. With real-time "
                    "corrections it is below 0.1 m."
                ),
            ),
            (
                "TIME_OFFSET_UNCERTAINTY",
                tr("Time offset uncertainty (s)"),
                0.2,
                tr(
                    "Of the time offset between sounder and position. Find time offset computes it."
                ),
            ),
            (
                "SOUNDER_FIXED",
                tr("Sounder uncertainty, fixed part (m)"),
                0.03,
                tr(
                    "From sounder, waves and rounding at any depth. Rounding to 0.1 ft alone makes "
                    "0.009 m, rounding to 0.1 m makes 0.029 m."
                ),
            ),
            (
                "SOUNDER_PERCENTAGE",
                tr("Sounder, part of depth (%)"),
                0.5,
                tr("Sounder uncertainty that grows with depth."),
            ),
            (
                "TEMPERATURE_UNCERTAINTY",
                tr("Water temperature uncertainty (°C)"),
                1.0,
                tr("Of the temperature that gave the sound speed. 1 °C is about 0.2% of depth."),
            ),
            (
                "DRAFT_UNCERTAINTY",
                tr("Draft uncertainty (m)"),
                0.03,
                tr("Of the depth of the transducer, which changes with load and speed."),
            ),
            (
                "LEVEL_UNCERTAINTY",
                tr("Lake level uncertainty (m)"),
                0.02,
                tr(
                    "Of gauge readings and lake datum. Soundings that are not reduced have no such "
                    "part."
                ),
            ),
        ):
            add(params.number(name, label, default, text, minimum=0.0))
        surface = params.surface("SURFACE", tr("Depth surface for the slope"), optional=True)
        add(
            params.helped(
                surface,
                tr(
                    "Raster whose band 1 is depth in meters, positive down. If empty, the slope comes "
                    "from the soundings around."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean(
                    "SOUND_SPEED_MEASURED", tr("Sound speed measured to the bottom"), False
                ),
                tr(
                    "For sound speeds from a temperature profile or a bar check. Nothing is then added "
                    "for colder water below."
                ),
                advanced=True,
            )
        )
        add(
            params.number(
                "MIXED_DEPTH",
                tr("Depth of the mixed water (m)"),
                6.0,
                tr("Down to this depth the water is as warm as the surface."),
                minimum=0.0,
                advanced=True,
            )
        )
        add(
            params.number(
                "DEEP_TEMPERATURE",
                tr("Temperature of the deep water (°C)"),
                7.0,
                tr("How cold the water below the mixed water can be."),
                minimum=0.0,
                maximum=40.0,
                advanced=True,
            )
        )
        add(
            params.distance(
                "SLOPE_RADIUS",
                tr("Radius for the slope (m)"),
                None,
                tr(
                    "Soundings within it give the slope. If empty, it is 8 m, or four steps between "
                    "pings if that is more."
                ),
                optional=True,
                advanced=True,
            )
        )
        add(params.soundings_output(tr("Soundings with uncertainty")))
        add(
            QgsProcessingParameterFeatureSink(
                "TERMS",
                tr("Uncertainty by source"),
                QgsProcessing.SourceType.TypeVector,
                None,
                True,
                False,
            )
        )

    def compute(self, inputs, outputs):
        from ..core.correcting.uncertainty_budget import uncertainty_budget

        surface = crs = None
        if inputs.given("SURFACE"):
            # The soundings follow the surface's coordinate reference system.
            surface, crs, _ = inputs.surface("SURFACE")
        soundings, crs, given = inputs.given_soundings(params.INPUT, crs)
        budget = uncertainty_budget(
            soundings,
            instrument_fixed_m=inputs.number("SOUNDER_FIXED"),
            instrument_share=inputs.number("SOUNDER_PERCENTAGE") / 100.0,
            temperature_error_c=inputs.number("TEMPERATURE_UNCERTAINTY"),
            mixed_depth_m=inputs.number("MIXED_DEPTH"),
            deep_temperature_c=inputs.number("DEEP_TEMPERATURE"),
            sound_speed_measured=inputs.flag("SOUND_SPEED_MEASURED"),
            draft_m=inputs.number("DRAFT_UNCERTAINTY"),
            level_m=inputs.number("LEVEL_UNCERTAINTY"),
            position_m=inputs.number("POSITION_UNCERTAINTY"),
            time_offset_s=inputs.number("TIME_OFFSET_UNCERTAINTY"),
            surface=None if surface is None else surface.depth,
            radius_m=inputs.number("SLOPE_RADIUS"),
            progress=inputs.progress,
        )
        _report(budget, inputs)
        outputs.soundings(params.OUTPUT, budget.soundings, crs, given=given)
        outputs.table(
            "TERMS",
            [("term", "text"), ("rms_m", "double"), ("share_pct", "double")],
            [
                *([term, rms, 100.0 * share] for term, rms, share in budget.terms),
                ["total", budget.summary["rms_m"], 100.0],
            ],
        )
        return {
            "MEAN_UNCERTAINTY": budget.summary["mean_m"],
            "RMS_UNCERTAINTY": budget.summary["rms_m"],
            "P95_UNCERTAINTY": budget.summary["p95_m"],
            "MEAN_SLOPE": budget.summary["mean_slope"],
        }


def _report(budget, inputs):
    for term, rms, share in budget.terms:
        inputs.say(tr("{}: {:.3f} m, {:.0f}% of the variance").format(tr(term), rms, 100.0 * share))
    for visit, row in budget.summary["visits"].items():
        inputs.say(
            tr("Visit '{}': {} soundings, standard uncertainty {:.3f} m").format(
                visit, row["soundings"], row["rms_m"]
            )
        )
    for key, text in (
        (
            "one_way",
            tr(
                "Soundings along a single track, with the slope across assumed as steep as "
                "along it: {}"
            ),
        ),
        ("no_slope", tr("Soundings with too few others around for a slope, at the mean slope: {}")),
        (
            "not_reduced",
            tr(
                "Soundings that are not reduced to a lake datum, without an "
                "uncertainty of the lake level: {}"
            ),
        ),
    ):
        if budget.summary[key]:
            inputs.say(text.format(budget.summary[key]))
