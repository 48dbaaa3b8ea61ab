"""Bottom type."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import (
    optional_source,
    read_points,
    read_polygon,
    read_raster,
    read_soundings,
    source,
    spacing_item,
)
from .._outputs import Outputs
from ..core.errors import LakefloorError
from ..core.hardness.bottom_type import (
    MAX_SLOPE_DEG,
    MIN_DEPTH_M,
    THRESHOLDS,
    bottom_type,
    class_areas,
    thresholds_text,
)
from ..core.hardness.observations import BEAM_DEG
from ..core.hardness.sample_calibration import read_class
from ..core.strays import without_strays
from ._bottom_type_html import bottom_type_html

BANDS = (
    "relative hardness", "standard uncertainty of hardness",
    "bottom class (1 soft, 2 medium, 3 hard)", "probability of the class",
    "distance to the nearest sounding (m)",
)  # fmt: skip
#: What the user chooses of, and what it is for :func:`.bottom_type`.
BEST_FIT, BY_THRESHOLDS = "best fit", "thresholds"
METHODS = {BEST_FIT: "mixture", BY_THRESHOLDS: "thresholds"}
AT_OVERLAPS, NO_ADJUSTMENT = "at overlaps", "no adjustment"
#: Item of the raster's metadata, which Hard-soft transitions reads.
THRESHOLD_ITEM = "BOTTOM_THRESHOLDS"

_NUMBERS = {
    "CLASSES": QT_TRANSLATE_NOOP("@default", "Classes of bottom found"),
    "SOFT_PERCENT": QT_TRANSLATE_NOOP("@default", "Soft bottom (% of the area)"),
    "MEDIUM_PERCENT": QT_TRANSLATE_NOOP("@default", "Medium bottom (% of the area)"),
    "HARD_PERCENT": QT_TRANSLATE_NOOP("@default", "Hard bottom (% of the area)"),
    "THRESHOLD_LOW": QT_TRANSLATE_NOOP("@default", "Hardness above the softest class"),
    "THRESHOLD_HIGH": QT_TRANSLATE_NOOP("@default", "Hardness below the hardest class"),
    "DEPTH_TREND": QT_TRANSLATE_NOOP("@default", "Hardness change at 10 x the depth"),
    "SLOPE_TREND": QT_TRANSLATE_NOOP("@default", "Hardness change per degree of slope"),
    "MEDIAN_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Median uncertainty of hardness"),
    "VISITS_LEFT_OUT": QT_TRANSLATE_NOOP("@default", "Visits left out"),
    "AGREEMENT_PERCENT": QT_TRANSLATE_NOOP("@default", "Bottom samples classified right (%)"),
    "KAPPA": QT_TRANSLATE_NOOP("@default", "Kappa of the bottom samples"),
}


class BottomType(LakefloorAlgorithm):
    NAME = "bottomtype"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Bottom type")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "hardness,hard,soft,medium,bottom hardness,bottom composition,gravel,rock,sand,mud,"
        "muck,silt,sediment,sediments,substrate,substrates,seabed,lakebed,echo,classification,"
        "classify,sample,samples",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Maps bottom hardness from the values that a sounder logs. Separates soft, medium and "
        "hard bottom where the data support it. Visits are adjusted to each other where they "
        "overlap, and the effects of depth and slope are removed.\n\n"
        "Bands: 1 relative hardness (0 to 1), 2 its standard uncertainty, 3 class (1 soft, 2 "
        "medium, 3 hard), 4 probability of the class, 5 distance to the nearest sounding. Fields "
        "of the areas: bottom, area_m2, share (0 to 1).\n\n"
        "Hardness is relative to one sounder and its settings. Only bottom samples (a pole, a "
        "grab, a camera) show what soft and hard mean. Weeds, saturated echoes and slopes above "
        "about 5 degrees mislead a sounder.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Hamilton (2001), DSTO-TN-0401. von Szalay and McConnaughey (2002), Fisheries Research "
        "54(2), 181-194. York (1966), Canadian Journal of Physics 44(5), 1079-1086. DeSarbo and "
        "Cron (1988), Journal of Classification 5, 249-282. Cohen (1960), Educational and "
        "Psychological Measurement 20(1), 37-46",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.surface("SURFACE"))
        add(params.shoreline())
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "SAMPLES", tr("Bottom samples"), [QgsProcessing.SourceType.TypeVectorPoint],
                optional=True,
            ),
            tr("Places where the bottom was felt or seen, with at least two classes and five "
               "samples of each class. If empty, hardness stays relative."),
        ))
        add(params.helped(
            QgsProcessingParameterField(
                "SAMPLE_FIELD", tr("Class field of the samples"), None, "SAMPLES", optional=True
            ),
            tr("Text soft, medium or hard, or number 1, 2 or 3. Leave it empty without samples."),
        ))
        add(params.choice(
            "METHOD", tr("Classes"),
            {BEST_FIT: tr("as many classes as the data support"),
             BY_THRESHOLDS: tr("three classes, by the thresholds below")},
            BEST_FIT, tr("How classes are found. Bottom samples, if given, come first."),
        ))
        for name, label, value in (
            ("MEDIUM_FROM", tr("Medium bottom from (0 to 1)"), THRESHOLDS[0]),
            ("HARD_FROM", tr("Hard bottom from (0 to 1)"), THRESHOLDS[1]),
        ):
            add(params.number(
                name, label, round(value, 3), tr("Minimum hardness of the class. Used with the "
                                                 "classes by thresholds only."),
                minimum=0.001, maximum=0.999, advanced=True,
            ))
        add(params.cell_size())
        add(params.max_gap())
        add(params.choice(
            "ADJUST_VISITS", tr("Adjust visits"),
            {AT_OVERLAPS: tr("each visit gets the gain and offset found where visits overlap"),
             NO_ADJUSTMENT: tr("hardness as logged, for visits with the same settings")},
            AT_OVERLAPS, tr("How visits become comparable."), advanced=True,
        ))
        add(params.number(
            "MAX_SLOPE", tr("Maximum slope (degrees)"), MAX_SLOPE_DEG,
            tr("Soundings on steeper bottom are left out. 90 keeps all."),
            minimum=0.1, maximum=90.0, advanced=True,
        ))
        add(params.distance(
            "MIN_DEPTH", tr("Shallowest depth (m)"), MIN_DEPTH_M,
            tr("Soundings in shallower water are left out, because transducer and boat disturb "
               "the echo. 0.6 m is about 2 feet."), advanced=True,
        ))
        add(params.number(
            "BEAM_WIDTH", tr("Beam width (degrees)"), BEAM_DEG,
            tr("Full width of the sounder's beam. Pings within one footprint are averaged."),
            minimum=1.0, maximum=89.0, advanced=True,
        ))
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Bottom type")))
        add(QgsProcessingParameterFeatureSink(
            "AREAS", tr("Areas of bottom type"), QgsProcessing.SourceType.TypeVectorPolygon,
            optional=True, createByDefault=True,
        ))
        add(QgsProcessingParameterFileDestination(
            "REPORT", tr("Report of bottom type"), "HTML (*.html)", optional=True
        ))
        for name, label in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def check(self, parameters, context):
        low = self.parameterAsDouble(parameters, "MEDIUM_FROM", context)
        high = self.parameterAsDouble(parameters, "HARD_FROM", context)
        if low >= high:
            raise LakefloorError(
                tr("Hard bottom must begin at a higher hardness than medium bottom, not at {:g} "
                   "and {:g}. Raise the hardness of hard bottom.").format(high, low)
            )
        if parameters.get("SAMPLES") and not parameters.get("SAMPLE_FIELD"):
            raise LakefloorError(tr("The samples have no class field. Choose the field with the "
                                    "class of the samples."))

    def compute(self, parameters, context, feedback):
        surface, crs, metadata = read_raster(
            self.parameterAsRasterLayer(parameters, "SURFACE", context), feedback
        )
        soundings, shoreline = self._soundings(parameters, crs, context, feedback)
        result = self._map(parameters, soundings, surface.depth, shoreline, crs, context, feedback)
        _say(result, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            grids = [result.hardness, result.uncertainty, result.bottom, result.probability,
                     result.distance]
            out.raster(params.OUTPUT, grids, BANDS, crs, {**metadata, **_items(result)},
                       style="bottom_type")
            if out.wanted("AREAS"):
                out.areas(
                    "AREAS", class_areas(result),
                    [("bottom", "text"), ("area_m2", "double"), ("share", "double")], crs,
                    style="bottom_areas",
                )
            out.text("REPORT", lambda: bottom_type_html(result))
            out.results.update(_figures(result))
        return out.results

    def _soundings(self, parameters, crs, context, feedback):
        """Return the soundings without strays, and the shoreline or None."""
        soundings, _ = read_soundings(
            source(self, parameters, params.INPUT, context), context, feedback, crs,
            fields=("depth", "hardness", "visit", "lane", "status"),
        )
        shore = optional_source(self, parameters, params.SHORELINE, context)
        shoreline = read_polygon(shore, crs, context, feedback) if shore else None
        soundings, strays = without_strays(soundings, shoreline)
        for note in strays:
            feedback.pushWarning(note)
        return soundings, shoreline

    def _map(self, parameters, soundings, depth, shoreline, crs, context, feedback):
        def number(name):
            return self.parameterAsDouble(parameters, name, context)

        return bottom_type(
            soundings, depth,
            shoreline=shoreline,
            cell=params.optional_number(self, parameters, params.CELL_SIZE, context),
            max_gap=params.optional_number(self, parameters, params.MAX_GAP, context),
            method=METHODS[self.parameterAsEnumString(parameters, "METHOD", context)],
            thresholds=(number("MEDIUM_FROM"), number("HARD_FROM")),
            samples=self._samples(parameters, crs, context, feedback),
            adjust=(
                self.parameterAsEnumString(parameters, "ADJUST_VISITS", context) == AT_OVERLAPS
            ),
            max_slope_deg=number("MAX_SLOPE"),
            min_depth_m=number("MIN_DEPTH"),
            beam_deg=number("BEAM_WIDTH"),
            progress=self.progress(feedback),
        )

    def _samples(self, parameters, crs, context, feedback):
        """Return x, y and class of the samples, or None where there is no layer."""
        layer = optional_source(self, parameters, "SAMPLES", context)
        if layer is None:
            return None
        field = self.parameterAsString(parameters, "SAMPLE_FIELD", context)
        x, y, _, columns = read_points(layer, crs, [field], context, feedback)
        classes = np.array([read_class(value) for value in columns[field]], dtype=int)
        unknown = np.flatnonzero(classes < 0)
        if unknown.size:
            raise LakefloorError(
                tr("Layer '{}', row {}: field '{}' holds '{}'. Write soft, medium or hard, or 1, "
                   "2 or 3 instead.").format(
                    layer.sourceName(), unknown[0] + 1, field, columns[field][unknown[0]]
                )
            )
        return x, y, classes


def _limits(result) -> list:
    return [round(float(t), 4) for t in result.thresholds]


def _items(result) -> dict:
    """Return the items of the raster's metadata."""
    return {
        THRESHOLD_ITEM: thresholds_text(result.thresholds),
        **spacing_item(result.spacing),
        "BOTTOM_CLASSES": ";".join(result.classes) or "one",
        "HARDNESS": "relative" if result.calibration is None else
        f"calibrated by {result.calibration.used} samples",
    }


def _figures(result) -> dict:
    """Return the outputs that are numbers."""
    limits, shares, calibration = _limits(result), result.shares, result.calibration
    return dict(
        CLASSES=max(len(result.classes), 1),
        SOFT_PERCENT=100.0 * shares.get("soft", 0.0) if shares else None,
        MEDIUM_PERCENT=100.0 * shares.get("medium", 0.0) if shares else None,
        HARD_PERCENT=100.0 * shares.get("hard", 0.0) if shares else None,
        THRESHOLD_LOW=limits[0] if limits else None,
        THRESHOLD_HIGH=limits[-1] if limits else None,
        DEPTH_TREND=result.trend.depth,
        SLOPE_TREND=result.trend.slope,
        MEDIAN_UNCERTAINTY=result.median_uncertainty,
        VISITS_LEFT_OUT=int((~result.gains.solved).sum()),
        AGREEMENT_PERCENT=100.0 * calibration.agreement if calibration else None,
        KAPPA=calibration.kappa if calibration else None,
    )


def _say(result, feedback):
    gains = result.gains
    for v, visit in enumerate(gains.visit):
        if gains.solved[v] and v != gains.reference and gains.places[v]:
            feedback.pushInfo(
                tr("Visit '{}': gain {:.2f} \u00b1 {:.2f} and offset {:+.3f} relative to '{}', "
                   "from "
                   "{} shared places.").format(
                    visit, gains.gain[v], gains.cov[v, 0, 0] ** 0.5, gains.offset[v],
                    gains.visit[gains.reference], gains.places[v],
                )
            )
    trend = result.trend
    feedback.pushInfo(
        tr("Hardness changes by {:+.3f} \u00b1 {:.3f} at ten times the depth and by {:+.4f} "
           "\u00b1 {:.4f} per degree of slope. Both effects are removed.").format(
            trend.depth, trend.depth_error, trend.slope, trend.slope_error
        )
    )
    for name, share in result.shares.items():
        feedback.pushInfo(tr("{}: {:.0f}% of the mapped area.").format(name, 100.0 * share))
    for note in result.notes:
        feedback.pushWarning(note)
