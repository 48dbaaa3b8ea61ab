"""Uncertainty budget."""

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
from .._layers import read_given, read_raster, source
from .._outputs import Outputs
from ..core.correcting.uncertainty_budget import uncertainty_budget

_NUMBERS = {
    "MEAN_UNCERTAINTY": (
        "mean_m", QT_TRANSLATE_NOOP("@default", "Mean standard uncertainty of depth (m)")),
    "RMS_UNCERTAINTY": (
        "rms_m", QT_TRANSLATE_NOOP("@default", "Root mean square uncertainty of depth (m)")),
    "P95_UNCERTAINTY": (
        "p95_m", QT_TRANSLATE_NOOP("@default", "95 % of the uncertainties are below (m)")),
    "MEAN_SLOPE": ("mean_slope", QT_TRANSLATE_NOOP("@default", "Mean slope (m per m)")),
}


class UncertaintyBudget(LakefloorAlgorithm):
    NAME = "uncertaintybudget"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Uncertainty budget")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "uncertainty,accuracy,error budget,S-44,standard deviation,precision"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes into every sounding its total standard uncertainty, from the instrument, the "
        "sound speed, the draft, the water level, and the position and the time offset times the "
        "slope of the bottom. On a drop-off the position counts most: 1.6 m on a slope of 10 % is "
        "0.16 m of depth. Surfaces, dashed contours and figures rest on it. Run it after Reduce "
        "to lake datum; it replaces the uncertainty that was there, and may be run again with "
        "other values.\n\n"
        "All values are one standard deviation: two of them hold about 95 % of the errors. The "
        "slope is that of a plane through the soundings around, or of the depth surface that you "
        "give. Where there is a single track, the slope across it is unknown and taken to be as "
        "steep as along it. The defaults are common practice for a small boat with a consumer "
        "receiver; use your own where you know them, e.g. the time offset's uncertainty from "
        "Find time offset.\n\n"
        "Blunders and weeds are no part of an uncertainty: clean first. The beam's width, which "
        "rounds off steep faces, is not included.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "International Hydrographic Organization (2020), S-44, edition 6; U.S. Army Corps of "
        "Engineers (2002), Hydrographic Surveying, EM 1110-2-1003; JCGM 100:2008",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        for name, label, default, text in (
            ("POSITION", tr("Uncertainty of position (m)"), 1.0,
             tr("Of a sounding's place in one direction. A consumer receiver: 1 to 2 m; with "
                "corrections in real time: below 0.1 m.")),
            ("TIME_OFFSET", tr("Uncertainty of the time offset (s)"), 0.2,
             tr("Of the time offset between sounder and position; times speed it is a distance.")),
            ("INSTRUMENT_FIXED", tr("Uncertainty of the instrument, fixed part (m)"), 0.03,
             tr("Sounder, waves and rounding, whatever the depth. Depths logged to 0.1 ft alone "
                "make 0.009 m, to 0.1 m 0.029 m.")),
            ("INSTRUMENT_SHARE", tr("Uncertainty of the instrument, share of depth (%)"), 0.5,
             tr("What grows with depth.")),
            ("TEMPERATURE", tr("Uncertainty of water temperature (°C)"), 1.0,
             tr("Of the temperature that gave the sound speed: about 0.2 % of depth for 1 °C.")),
            ("DRAFT", tr("Uncertainty of the draft (m)"), 0.03,
             tr("Of the transducer's depth, with load and speed.")),
            ("LEVEL", tr("Uncertainty of the water level (m)"), 0.02,
             tr("Of gauge readings and datum. Soundings not reduced have no such term.")),
        ):
            add(params.number(name, label, default, text, minimum=0.0))
        add(params.surface("SURFACE", tr("Depth surface for the slope"), optional=True))
        add(params.helped(
            QgsProcessingParameterBoolean(
                "SPEED_MEASURED", tr("Sound speed of the whole water column was measured"), False
            ),
            tr("By a temperature profile or a bar check: no allowance for colder water below."),
            advanced=True,
        ))
        add(params.number(
            "MIXED_DEPTH", tr("Depth of the mixed water (m)"), 6.0,
            tr("Down to here the water has the temperature of the surface."),
            minimum=0.0, advanced=True,
        ))
        add(params.number(
            "DEEP_TEMPERATURE", tr("Temperature of the deep water (°C)"), 7.0,
            tr("How cold the water below the mixed water may be."),
            minimum=0.0, maximum=40.0, advanced=True,
        ))
        add(params.distance(
            "RADIUS", tr("Radius for the slope (m)"), None,
            tr("Soundings within it give the slope. Left empty: 8 m, or four steps between "
               "pings if that is more."),
            optional=True, advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Soundings with uncertainty"),
            QgsProcessing.SourceType.TypeVectorPoint,
        ))
        add(QgsProcessingParameterFeatureSink(
            "TABLE", tr("Uncertainty by term"), QgsProcessing.SourceType.TypeVector,
            None, True, False,
        ))
        for name, (_, label) in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def compute(self, parameters, context, feedback):
        def value(name):
            return self.parameterAsDouble(parameters, name, context)

        surface = crs = None
        layer = self.parameterAsRasterLayer(parameters, "SURFACE", context)
        if layer is not None:
            # The soundings follow the surface's coordinate reference system.
            surface, crs, _ = read_raster(layer, feedback)
        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback, crs
        )
        budget = uncertainty_budget(
            soundings,
            instrument_fixed_m=value("INSTRUMENT_FIXED"),
            instrument_share=value("INSTRUMENT_SHARE") / 100.0,
            temperature_error_c=value("TEMPERATURE"),
            mixed_depth_m=value("MIXED_DEPTH"),
            deep_temperature_c=value("DEEP_TEMPERATURE"),
            sound_speed_measured=self.parameterAsBool(parameters, "SPEED_MEASURED", context),
            draft_m=value("DRAFT"),
            level_m=value("LEVEL"),
            position_m=value("POSITION"),
            time_offset_s=value("TIME_OFFSET"),
            surface=None if surface is None else surface.depth,
            radius_m=params.optional_number(self, parameters, "RADIUS", context),
            progress=self.progress(feedback),
        )
        _report(budget, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, budget.soundings, crs, given=given)
            out.table(
                "TABLE", [("term", "text"), ("rms_m", "double"), ("share_pct", "double")],
                [*([term, rms, 100.0 * share] for term, rms, share in budget.terms),
                 ["total", budget.summary["rms_m"], 100.0]],
            )
            for name, (key, _) in _NUMBERS.items():
                out.results[name] = budget.summary[key]
        return out.results


def _report(budget, feedback):
    for term, rms, share in budget.terms:
        feedback.pushInfo(tr("{}: {:.3f} m, {:.0f}%").format(tr(term), rms, 100.0 * share))
    for visit, row in budget.summary["visits"].items():
        feedback.pushInfo(
            tr("Visit '{}': {} soundings, standard uncertainty {:.3f} m").format(
                visit, row["soundings"], row["rms_m"])
        )
    for key, text in (
        ("one_way", tr("{} soundings lie along one track: the slope across it is taken to be as "
                       "steep as along it.")),
        ("no_slope", tr("{} soundings have too few around for a slope and take the usual one.")),
        ("not_reduced", tr("{} soundings are not reduced to a lake datum, so the water level is "
                           "no part of their uncertainty.")),
    ):
        if budget.summary[key]:
            feedback.pushInfo(text.format(budget.summary[key]))
