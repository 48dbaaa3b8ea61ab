"""Bottom type."""

import numpy as np
from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.rasters import spacing_item
from .._reports.bottom_type_page import bottom_type_html
from ..core.correction_keys import USUAL_BEAM_DEG
from ..core.errors import LakefloorError
from ..core.hardness.hardness_names import MAX_SLOPE_DEG, MIN_DEPTH_M, THRESHOLDS
from ..core.hardness.sample_calibration import read_class

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
        "Maps bottom hardness from the values that a sounder logs. It separates soft, medium and "
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

    NUMBERS = {
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
    FORM = ("INPUT", "SURFACE", "SHORELINE", "SAMPLES", "SAMPLE_FIELD", "OUTPUT", "REPORT")

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(params.surface("SURFACE"))
        add(params.shoreline())
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "SAMPLES",
                    tr("Bottom samples"),
                    [QgsProcessing.SourceType.TypeVectorPoint],
                    optional=True,
                ),
                tr(
                    "Places where the bottom was felt or seen, with at least two classes and five "
                    "samples of each class. If empty, hardness stays relative."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterField(
                    "SAMPLE_FIELD", tr("Class field of the samples"), None, "SAMPLES", optional=True
                ),
                tr(
                    "Text soft, medium or hard, or number 1, 2 or 3. It may be empty without samples."
                ),
            )
        )
        add(
            params.choice(
                "METHOD",
                tr("Classes"),
                {
                    BEST_FIT: tr("as many classes as the data support"),
                    BY_THRESHOLDS: tr("three classes, by the thresholds below"),
                },
                BEST_FIT,
                tr("How classes are found. Bottom samples, if given, come first."),
                former={"mixture": BEST_FIT},
            )
        )
        for name, label, value in (
            ("MEDIUM_FROM", tr("Medium bottom from (0 to 1)"), THRESHOLDS[0]),
            ("HARD_FROM", tr("Hard bottom from (0 to 1)"), THRESHOLDS[1]),
        ):
            add(
                params.number(
                    name,
                    label,
                    round(value, 3),
                    tr("Minimum hardness of the class. Used with the classes by thresholds only."),
                    minimum=0.001,
                    maximum=0.999,
                    advanced=True,
                )
            )
        add(params.cell_size())
        add(params.max_gap())
        add(
            params.choice(
                "ADJUST_VISITS",
                tr("Adjust visits"),
                {
                    AT_OVERLAPS: tr(
                        "each visit gets the gain and offset found where visits overlap"
                    ),
                    NO_ADJUSTMENT: tr("hardness as logged, for visits with the same settings"),
                },
                AT_OVERLAPS,
                tr("How visits become comparable."),
                advanced=True,
                former={"overlaps": AT_OVERLAPS, "none": NO_ADJUSTMENT},
            )
        )
        add(
            params.number(
                "MAX_SLOPE",
                tr("Maximum slope (degrees)"),
                MAX_SLOPE_DEG,
                tr("Soundings on steeper bottom are left out. 90 keeps all."),
                minimum=0.1,
                maximum=90.0,
                advanced=True,
            )
        )
        add(
            params.distance(
                "MIN_DEPTH",
                tr("Shallowest depth (m)"),
                MIN_DEPTH_M,
                tr(
                    "Soundings in shallower water are left out, because transducer and boat disturb "
                    "the echo. 0.6 m is about 2 feet."
                ),
                advanced=True,
            )
        )
        add(
            params.beam_width(
                tr(
                    "Full width of the sounder's beam. Pings within one footprint are averaged. If "
                    "empty, it is what Correct depths or the log-book states, else {:g}."
                ).format(USUAL_BEAM_DEG),
                advanced=True,
            )
        )
        add(QgsProcessingParameterRasterDestination(params.OUTPUT, tr("Bottom type")))
        add(
            QgsProcessingParameterFeatureSink(
                "AREAS",
                tr("Areas of bottom type"),
                QgsProcessing.SourceType.TypeVectorPolygon,
                optional=True,
                createByDefault=True,
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Report of bottom type"), "HTML (*.html)", optional=True
            )
        )

    def check(self, inputs):
        low = inputs.number("MEDIUM_FROM")
        high = inputs.number("HARD_FROM")
        if low >= high:
            raise LakefloorError(
                tr(
                    "Hard bottom must begin at a higher hardness than medium bottom, not at {:g} "
                    "and {:g}. Raise the hardness of hard bottom."
                ).format(high, low)
            )
        if inputs.given("SAMPLES") and not inputs.given("SAMPLE_FIELD"):
            raise LakefloorError(
                tr(
                    "The samples have no class field. Choose the field with the class of the samples."
                )
            )

    def compute(self, inputs, outputs):
        from ..core.hardness.bottom_type_map import class_areas

        surface, crs, metadata = inputs.surface("SURFACE")
        soundings, shoreline = self._soundings(inputs, crs)
        result = self._map(inputs, soundings, surface.depth, shoreline, crs)
        _say(inputs, result)
        grids = [
            result.hardness,
            result.uncertainty,
            result.bottom,
            result.probability,
            result.distance,
        ]
        outputs.raster(
            params.OUTPUT, grids, BANDS, crs, {**metadata, **_items(result)}, style="bottom_type"
        )
        if outputs.wanted("AREAS"):
            outputs.areas(
                "AREAS",
                class_areas(result),
                [("bottom", "text"), ("area_m2", "double"), ("share", "double")],
                crs,
                style="bottom_areas",
            )
        outputs.text("REPORT", lambda: bottom_type_html(result))
        return _figures(result)

    def _soundings(self, inputs, crs):
        """Return the soundings without strays, and the shoreline or None."""
        from ..core.strays import without_strays

        soundings, _ = inputs.soundings(
            crs=crs, fields=("depth", "hardness", "visit", "lane", "status")
        )
        shoreline = inputs.polygon(crs=crs)
        soundings, strays = without_strays(soundings, shoreline)
        for note in strays:
            inputs.warn(note)
        return soundings, shoreline

    def _map(self, inputs, soundings, depth, shoreline, crs):
        from ..core.hardness.bottom_type import bottom_type

        return bottom_type(
            soundings,
            depth,
            shoreline=shoreline,
            cell=inputs.number(params.CELL_SIZE),
            max_gap=inputs.number(params.MAX_GAP),
            method=METHODS[inputs.choice("METHOD")],
            thresholds=(inputs.number("MEDIUM_FROM"), inputs.number("HARD_FROM")),
            samples=self._samples(inputs, crs),
            adjust=inputs.choice("ADJUST_VISITS") == AT_OVERLAPS,
            max_slope_deg=inputs.number("MAX_SLOPE"),
            min_depth_m=inputs.number("MIN_DEPTH"),
            beam_deg=inputs.number("BEAM_WIDTH"),
            progress=inputs.progress,
        )

    def _samples(self, inputs, crs):
        """Return x, y and class of the samples, or None where there is no layer."""
        layer = inputs.source("SAMPLES")
        if layer is None:
            return None
        field = inputs.text("SAMPLE_FIELD")
        x, y, _, columns, _ = inputs.points("SAMPLES", crs, [field])
        classes = np.array([read_class(value) for value in columns[field]], dtype=int)
        unknown = np.flatnonzero(classes < 0)
        if unknown.size:
            raise LakefloorError(
                tr(
                    "Layer '{}', row {}: field '{}' holds '{}'. Write soft, medium or hard, or 1, "
                    "2 or 3 instead."
                ).format(layer.sourceName(), unknown[0] + 1, field, columns[field][unknown[0]])
            )
        return x, y, classes


def _limits(result) -> list:
    return [round(float(t), 4) for t in result.thresholds]


def _items(result) -> dict:
    """Return the items of the raster's metadata."""
    from ..core.hardness.bottom_type_map import thresholds_text

    return {
        THRESHOLD_ITEM: thresholds_text(result.thresholds),
        **spacing_item(result.spacing),
        "BOTTOM_CLASSES": ";".join(result.classes) or "one",
        "HARDNESS": "relative"
        if result.calibration is None
        else f"calibrated by {result.calibration.used} samples",
    }


def _figures(result) -> dict:
    """Return the output numbers."""
    limits, shares, calibration = _limits(result), result.shares, result.calibration
    return {
        "CLASSES": max(len(result.classes), 1),
        "SOFT_PERCENT": 100.0 * shares.get("soft", 0.0) if shares else None,
        "MEDIUM_PERCENT": 100.0 * shares.get("medium", 0.0) if shares else None,
        "HARD_PERCENT": 100.0 * shares.get("hard", 0.0) if shares else None,
        "THRESHOLD_LOW": limits[0] if limits else None,
        "THRESHOLD_HIGH": limits[-1] if limits else None,
        "DEPTH_TREND": result.trend.depth,
        "SLOPE_TREND": result.trend.slope,
        "MEDIAN_UNCERTAINTY": result.median_uncertainty,
        "VISITS_LEFT_OUT": int((~result.gains.solved).sum()),
        "AGREEMENT_PERCENT": 100.0 * calibration.agreement if calibration else None,
        "KAPPA": calibration.kappa if calibration else None,
    }


def _say(inputs, result):
    gains = result.gains
    for v, visit in enumerate(gains.visit):
        if gains.solved[v] and v != gains.reference and gains.places[v]:
            inputs.say(
                tr(
                    "Visit '{}': gain {:.2f} \u00b1 {:.2f} and offset {:+.3f} relative to '{}', "
                    "from {} shared places."
                ).format(
                    visit,
                    gains.gain[v],
                    gains.cov[v, 0, 0] ** 0.5,
                    gains.offset[v],
                    gains.visit[gains.reference],
                    gains.places[v],
                )
            )
    trend = result.trend
    inputs.say(
        tr(
            "Hardness changes by {:+.3f} \u00b1 {:.3f} at ten times the depth and by {:+.4f} "
            "\u00b1 {:.4f} per degree of slope. Both effects are removed."
        ).format(trend.depth, trend.depth_error, trend.slope, trend.slope_error)
    )
    for name, share in result.shares.items():
        inputs.say(tr("{}: {:.0f}% of the mapped area.").format(name, 100.0 * share))
    for note in result.notes:
        inputs.warn(note)
