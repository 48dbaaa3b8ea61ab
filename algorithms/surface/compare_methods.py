"""Compare gridding methods."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputString,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._reports.methods_page import comparison_html, sentences
from ..core.correcting.datums import datum_of
from ._gridding import add_inputs, given_sizes, sizes, used_soundings

FIELDS = [
    ("method", "text"),
    ("error", "text"),
    ("distance_from_m", "double"),
    ("distance_to_m", "double"),
    ("soundings", "int"),
    ("rmse_m", "double"),
    ("bias_m", "double"),
    ("p95_m", "double"),
    ("within_percent", "double"),
]

_NUMBERS = {
    "EXPECTED_RMSE": (
        "rmse_here",
        QT_TRANSLATE_NOOP("@default", "Expected RMS error, best method (m)"),
    ),
    "LANE_OUT_RMSE": ("rmse", QT_TRANSLATE_NOOP("@default", "RMS error on lanes left out (m)")),
    "BIAS": ("bias", QT_TRANSLATE_NOOP("@default", "Mean error on lanes left out (m)")),
    "P95": ("p95", QT_TRANSLATE_NOOP("@default", "95% error on lanes left out (m)")),
}


class CompareMethods(LakefloorAlgorithm):
    NAME = "comparemethods"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Compare gridding methods")
    GROUP = "surface"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "cross-validation,cross validation,validation,accuracy,errors,interpolation,best method,"
        "TIN,IDW,splines,contour intervals,RMSE,RMS,lanes left out,uncertainty,bathymetry",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Says which gridding method suits your survey, how large its error is, and which contour "
        "interval the data support. Run it before you draw the map.\n\n"
        "Whole lanes and short pieces of lanes are left out and predicted by TIN, IDW and smooth "
        "surface. Lane numbers come from Read logs. Without them, squares are left out. The data "
        "support a contour interval where nine depths in ten are right within half of it.\n\n"
        "An error that all soundings share, such as a wrong lake level, draft or sound speed, does "
        "not show. This takes several times as long as one surface. A larger cell size is faster. "
        "Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Roberts et al. (2017), Ecography 40(8), 913-929; U.S. Bureau of the Budget (1947), United "
        "States National Map Accuracy Standards; FGDC-STD-007.3-1998",
    )

    NUMBERS = {
        "CLEAR": QT_TRANSLATE_NOOP("@default", "1 if clearly the best, else 0"),
        "WITHIN_PERCENT": QT_TRANSLATE_NOOP("@default", "Errors within 2 uncertainties (%)"),
        "INTERVAL_FT": QT_TRANSLATE_NOOP("@default", "Supported contour interval (ft)"),
        "INTERVAL_M": QT_TRANSLATE_NOOP("@default", "Supported contour interval (m)"),
        "LANE_SPACING_USED": QT_TRANSLATE_NOOP("@default", "Lane spacing used (m)"),
        "LANES": QT_TRANSLATE_NOOP("@default", "Number of lanes"),
        "LEFT_OUT": QT_TRANSLATE_NOOP("@default", "Soundings left out and predicted"),
        **{name: label for name, (_, label) in _NUMBERS.items()},
    }

    def declare(self):
        add_inputs(self)
        self.addParameter(
            params.depth_unit(
                text=tr("Used in the report. The table and the numbers are in meters.")
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                "TABLE", tr("Errors by method and distance"), QgsProcessing.SourceType.TypeVector
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Report on gridding methods"), "HTML (*.html)", optional=True
            )
        )
        self.addOutput(QgsProcessingOutputString("BEST", tr("Best method: tin, idw or smooth")))

    def compute(self, inputs, outputs):
        from ..core.surface.method_comparison import compare_methods

        unit = inputs.unit()
        soundings, crs = inputs.soundings()
        shoreline = inputs.polygon(crs=crs)
        soundings = used_soundings(inputs, soundings, shoreline)
        datum_of(soundings)
        used = sizes(inputs, soundings, given_sizes(inputs), shoreline)
        comparison = compare_methods(
            soundings,
            shoreline=shoreline,
            cut=inputs.cut_edge(crs=crs),
            cell=used.cell,
            max_gap=used.gap,
            spacing=used.spacing,
            progress=inputs.progress,
        )
        for line in sentences(comparison, unit):
            inputs.say(line)
        best = comparison.scores[comparison.best]
        outputs.table("TABLE", FIELDS, _rows(comparison))
        outputs.text("REPORT", lambda: comparison_html(comparison, unit))
        return {
            "BEST": comparison.best,
            "CLEAR": int(comparison.clear),
            "WITHIN_PERCENT": 100.0 * best.within,
            "INTERVAL_FT": comparison.interval["ft"],
            "INTERVAL_M": comparison.interval["m"],
            "LANE_SPACING_USED": comparison.spacing,
            "LANES": comparison.lanes,
            "LEFT_OUT": comparison.left_out,
            **{name: getattr(best, key) for name, (key, _) in _NUMBERS.items()},
        }


def _rows(comparison):
    whole = int(comparison.whole.sum())
    for method, score in comparison.scores.items():
        within = 100.0 * score.within
        yield [
            method,
            "expected with these lanes",
            None,
            None,
            None,
            score.rmse_here,
            None,
            None,
            within,
        ]
        yield [
            method,
            "lanes twice as far apart",
            None,
            None,
            whole,
            score.rmse,
            score.bias,
            score.p95,
            within,
        ]
        for row in score.classes:
            if row["count"]:
                far = row["distance_to"]
                yield [
                    method,
                    "by distance",
                    row["distance_from"],
                    far if far < float("inf") else None,
                    row["count"],
                    row["rmse"],
                    row["bias"],
                    row["p95"],
                    None,
                ]
