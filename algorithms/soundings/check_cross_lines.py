"""Check cross-lines."""

import numpy as np
from qgis.core import (
    QgsGeometry,
    QgsPoint,
    QgsProcessing,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.values import to_qdatetime
from .._reports.crossings_page import crossing_html
from ..core.units import LENGTH

FIELDS = [
    ("visit_a", "text"),
    ("visit_b", "text"),
    ("lane_a", "int"),
    ("lane_b", "int"),
    ("time_a", "datetime"),
    ("time_b", "datetime"),
    ("depth_a_m", "double"),
    ("depth_b_m", "double"),
    ("difference_m", "double"),
    ("slope_pct", "double"),
    ("angle_deg", "double"),
    ("uncert_m", "double"),
    ("kind", "text"),
]

#: Depth step of the table, m, by depth unit: 10 ft or 5 m.
_STEPS = {"ft": 10 * LENGTH["ft"], "m": 5.0}


class CheckCrossLines(LakefloorAlgorithm):
    NAME = "checkcrosslines"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Check cross-lines")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "cross-line,cross line,crossline,cross-lines,crosslines,check lines,"
        "tie line,crossing,crossings,crossover,quality,accuracy,how accurate,"
        "uncertainty,S-44,IHO,error,bias,repeatability,cross-check,quality control",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Compares the depths wherever tracks cross and reports how much they differ. Use it to "
        "see how accurate the survey is. Run it after Correct depths and Reduce to lake "
        "datum.\n\n"
        "Crossings between visits test everything, including the lake datum. Crossings within a "
        "visit only show how well soundings repeat. With fewer than ten crossings there is no "
        "statement at 95%.\n\n"
        "Fields: difference_m is depth_a_m minus depth_b_m. slope_pct is the slope of the bottom. "
        "angle_deg is the angle between the tracks. uncert_m is the standard uncertainty of the "
        "difference.\n\n"
        "Large differences only on slopes point to positions or the time offset. A mean that is "
        "not zero points to lake level, draft or sound speed.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Wessel (1989), Computers & Geosciences 15(3), 333-346; U.S. Army Corps of Engineers "
        "(2002), Hydrographic Surveying, EM 1110-2-1003; International Hydrographic "
        "Organization, S-44, edition 6",
    )

    NUMBERS = {
        "BETWEEN": QT_TRANSLATE_NOOP("@default", "Crossings between visits"),
        "WITHIN": QT_TRANSLATE_NOOP("@default", "Crossings within one visit"),
        "BIAS": QT_TRANSLATE_NOOP("@default", "Mean difference between visits (m)"),
        "STANDARD_DEVIATION": QT_TRANSLATE_NOOP("@default", "Standard deviation (m)"),
        "RMSE": QT_TRANSLATE_NOOP("@default", "Root mean square (m)"),
        "RMSE95": QT_TRANSLATE_NOOP("@default", "1.96 times root mean square (m)"),
        "PERCENTILE95": QT_TRANSLATE_NOOP("@default", "95% of differences are within (m)"),
        "MEDIAN": QT_TRANSLATE_NOOP("@default", "Median difference (m)"),
        "ROBUST_SD": QT_TRANSLATE_NOOP("@default", "Robust standard deviation (m)"),
        "OUTLIERS": QT_TRANSLATE_NOOP("@default", "Outliers"),
        "DOUBLE_ECHOES": QT_TRANSLATE_NOOP("@default", "Crossings with a double echo"),
        "SOUNDING95": QT_TRANSLATE_NOOP("@default", "95% uncertainty of a sounding (m)"),
    }

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.distance(
                "MAX_SPACING",
                tr("Maximum distance along track (m)"),
                20.0,
                tr("Soundings of one track farther apart than this are not joined."),
                minimum=0.1,
            )
        )
        add(
            params.number(
                "MIN_ANGLE",
                tr("Minimum crossing angle (°)"),
                20.0,
                tr("Tracks that meet at a smaller angle run side by side and are not compared."),
                minimum=0.0,
                maximum=89.0,
                advanced=True,
            )
        )
        add(
            params.depth_unit(
                tr("Depth unit"),
                tr("The report is in this unit. Fields and output numbers are in meters."),
            )
        )
        add(
            QgsProcessingParameterFeatureSink(
                "CROSSINGS", tr("Crossings"), QgsProcessing.SourceType.TypeVectorPoint
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                "REPORT", tr("Report of cross-lines"), "HTML (*.html)", optional=True
            )
        )

    def compute(self, inputs, outputs):
        from ..core.visits.crossing_report import check_crossings

        soundings, crs = inputs.soundings()
        unit = inputs.unit()
        report = check_crossings(
            soundings,
            max_gap_m=inputs.number("MAX_SPACING"),
            min_angle_deg=inputs.number("MIN_ANGLE"),
            depth_step_m=_STEPS[unit],
            progress=inputs.progress,
        )
        _say(report, unit, inputs)
        kinds = _kinds(report.crossings)
        write_crossings(outputs, "CROSSINGS", report.crossings, crs, [("outlier", "text", kinds)])
        outputs.text("REPORT", lambda: crossing_html(report, unit))
        between = report.between
        return {
            "BETWEEN": between.n,
            "WITHIN": report.within.n,
            "BIAS": between.mean,
            "STANDARD_DEVIATION": between.sd,
            "RMSE": between.rmse,
            "RMSE95": between.rmse95,
            "PERCENTILE95": between.percentile95,
            "SOUNDING95": between.sounding95,
            "MEDIAN": between.median,
            "ROBUST_SD": between.robust_sd,
            "OUTLIERS": kinds.count("outlier") + kinds.count("double echo"),
            "DOUBLE_ECHOES": kinds.count("double echo"),
        }


def _kinds(crossings) -> list:
    """Return which crossings are outliers, and which of them look like double echoes."""
    from ..core.visits.crossing_report import double_echoes, outlying

    kinds = np.where(outlying(crossings.difference), "outlier", "")
    return np.where(double_echoes(crossings), "double echo", kinds).tolist()


def write_crossings(outputs, name, crossings, crs, extra=()):
    """Write crossings as points; ``extra`` lists (field name, kind, values) to add."""
    columns = [
        crossings.visit_a,
        crossings.visit_b,
        crossings.lane_a.tolist(),
        crossings.lane_b.tolist(),
        [to_qdatetime(t) for t in crossings.time_a],
        [to_qdatetime(t) for t in crossings.time_b],
        _numbers(crossings.depth_a),
        _numbers(crossings.depth_b),
        _numbers(crossings.difference),
        _numbers(100.0 * crossings.slope),
        _numbers(crossings.angle),
        _numbers(crossings.uncert),
        ["crossing" if d == 0.0 else "overlap" for d in crossings.distance],
        *(values for _, _, values in extra),
    ]
    rows = (
        (QgsGeometry(QgsPoint(x, y)), list(row))
        for x, y, row in zip(crossings.x.tolist(), crossings.y.tolist(), zip(*columns))
    )
    fields = FIELDS + [(field, kind) for field, kind, _ in extra]
    outputs.features(
        name, fields, QgsWkbTypes.Type.Point, crs, rows, style="crossings", count=len(crossings)
    )


def _numbers(values):
    return [v if v == v else None for v in values.tolist()]


def _say(report, unit, inputs):
    scale = LENGTH[unit]
    for label, m in ((tr("between visits"), report.between), (tr("within a visit"), report.within)):
        if m.n:
            inputs.say(
                tr(
                    "Crossings {}: {}, mean difference {:+.2f} {}, root mean square {:.2f} {}"
                ).format(label, m.n, m.mean / scale, unit, m.rmse / scale, unit)
            )
        if m.robust_sd is not None and m.n > 2:
            inputs.say(
                tr("  median {:+.2f} {}, robust standard deviation {:.2f} {}, outliers: {}").format(
                    m.median / scale, unit, m.robust_sd / scale, unit, m.outliers
                )
            )
    for (a, b), m in report.by_visits:
        inputs.say(
            tr("  {} - {}: {} crossings, mean {:+.2f} {}").format(a, b, m.n, m.mean / scale, unit)
        )
    for note in report.notes:
        inputs.warn(note)
