"""Adjust visits at crossings."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.values import number_or_none
from ..core.soundings import distinct
from ._lake_database import visit_names
from .check_cross_lines import write_crossings

OFFSET_FIELDS = [
    ("visit", "text"),
    ("lane", "int"),
    ("offset_m", "double"),
    ("std_error_m", "double"),
    ("crossings", "int"),
    ("held", "int"),
    ("group_no", "int"),
    ("trend_pct", "double"),
    ("trend_error_pct", "double"),
    ("remark", "text"),
]


class AdjustVisits(LakefloorAlgorithm):
    NAME = "adjustvisits"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Adjust visits at crossings")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "adjust,adjustment,level visits,crossover,crossing,crossings,visit offset,"
        "shift,least squares,datum,lake level,water,no gauge,bias,"
        "steps between visits,stripes,leveling,levelling",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds one constant visit offset for each visit where tracks of visits cross, and "
        "subtracts it. Use it for visits without gauge readings, or that do not fit "
        "together. Run it after Correct depths and Reduce to lake datum.\n\n"
        "Reference visits are not moved. Visits that no crossing ties to a reference visit are "
        "listed and stay as they are. Outliers and crossings on slopes count less.\n\n"
        "Fields: offset_m is how much too deep the visit was, with its standard error "
        "std_error_m. trend_pct is a difference that grows with depth, from a wrong sound speed. "
        "It is reported and not adjusted.\n\n"
        "Visits that were adjusted before may be adjusted again. A bottom that really changed looks "
        "like an offset too.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Wessel (2010), Computers & Geosciences 36(3), 348-354; Huber (1981), Robust Statistics; "
        "Aronow et al. (2015), Political Analysis 23(4), 564-577",
    )

    NUMBERS = {
        "USED": QT_TRANSLATE_NOOP("@default", "Crossings and overlaps used"),
        "NOT_ADJUSTED": QT_TRANSLATE_NOOP("@default", "Visits or lanes not adjusted"),
        "OUTLIERS": QT_TRANSLATE_NOOP("@default", "Crossings that are outliers"),
        "RMS_BEFORE": QT_TRANSLATE_NOOP("@default", "Root mean square before (m)"),
        "RMS_AFTER": QT_TRANSLATE_NOOP("@default", "Root mean square after (m)"),
        "MAX_OFFSET": QT_TRANSLATE_NOOP("@default", "Maximum visit offset (m)"),
    }

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(
            params.helped(
                QgsProcessingParameterString(
                    "REFERENCE_VISITS", tr("Reference visits"), optional=True
                ),
                tr(
                    "Names of visits whose datum you trust, separated by semicolons. If empty, all "
                    "visits at a lake datum of known level. Without any, the first visit that counts "
                    "from the water of its day."
                ),
            )
        )
        add(
            params.choice(
                "ADJUST_BY",
                tr("Adjust by"),
                {"visit": tr("one offset for each visit"), "lane": tr("one offset for each lane")},
                "visit",
                tr(
                    "Choose lane only where lanes of one visit disagree. It needs many cross-lines."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean("OVERLAPS", tr("Use overlaps too"), True),
                tr(
                    "Also compares tracks of two visits that run side by side without crossing. Their "
                    "distance and the slope of the bottom are taken into account."
                ),
            )
        )
        add(
            params.distance(
                "MAX_OVERLAP_DISTANCE",
                tr("Maximum distance of overlaps (m)"),
                None,
                tr(
                    "Tracks side by side are not compared if they are farther apart than this. If "
                    "empty, it is 5 m, or up to 80 m where visits meet seldom."
                ),
                optional=True,
                advanced=True,
                minimum=0.1,
            )
        )
        add(
            params.distance(
                "MAX_SPACING",
                tr("Maximum distance along track (m)"),
                20.0,
                tr("Soundings of one track farther apart than this are not joined."),
                advanced=True,
                minimum=0.1,
            )
        )
        add(
            params.distance(
                "POSITION_UNCERTAINTY",
                tr("Position uncertainty (m)"),
                1.0,
                tr(
                    "Standard uncertainty of a position. The larger it is, the less crossings on "
                    "slopes count."
                ),
                advanced=True,
            )
        )
        add(
            params.number(
                "DIFFERENCE_UNCERTAINTY",
                tr("Uncertainty of a difference (m)"),
                0.05,
                tr("Standard uncertainty of a depth difference on a flat bottom."),
                minimum=0.001,
                advanced=True,
            )
        )
        add(
            params.helped(
                QgsProcessingParameterBoolean("ROBUST", tr("Reduce the weight of outliers"), True),
                tr("Keeps single outliers from moving a visit."),
                advanced=True,
            )
        )
        add(params.soundings_output(tr("Adjusted soundings")))
        add(
            QgsProcessingParameterFeatureSink(
                "OFFSETS", tr("Visit offsets"), QgsProcessing.SourceType.TypeVector
            )
        )
        differences = QgsProcessingParameterFeatureSink(
            "DIFFERENCES",
            tr("Crossings with differences"),
            QgsProcessing.SourceType.TypeVectorPoint,
            optional=True,
        )
        differences.setCreateByDefault(False)
        add(differences)

    def compute(self, inputs, outputs):
        from ..core.visits.level_network import level_survey

        soundings, crs, given = inputs.given_soundings()
        result, leveled = level_survey(
            soundings,
            unit=inputs.choice("ADJUST_BY"),
            held=visit_names(
                inputs.text("REFERENCE_VISITS"), distinct(soundings.visit)[0], or_commas=True
            ),
            overlaps=inputs.flag("OVERLAPS"),
            reach_m=inputs.number("MAX_OVERLAP_DISTANCE"),
            max_gap_m=inputs.number("MAX_SPACING"),
            position_m=inputs.number("POSITION_UNCERTAINTY"),
            depth_m=inputs.number("DIFFERENCE_UNCERTAINTY"),
            robust=inputs.flag("ROBUST"),
            progress=inputs.progress,
        )
        _say(leveled, inputs)
        network = leveled.network
        outputs.soundings(params.OUTPUT, result, crs, given=given)
        outputs.table("OFFSETS", OFFSET_FIELDS, _offset_rows(leveled))
        write_crossings(
            outputs,
            "DIFFERENCES",
            leveled.crossings,
            crs,
            extra=(
                ("misfit_m", "double", [-r if r == r else None for r in network.residual.tolist()]),
                ("weight", "double", network.weight.tolist()),
                ("outlier", "int", leveled.outlier.astype(int).tolist()),
            ),
        )
        return {
            "USED": len(leveled.crossings),
            "NOT_ADJUSTED": int((~network.solved).sum()),
            "OUTLIERS": int(leveled.outlier.sum()),
            "RMS_BEFORE": number_or_none(leveled.before),
            "RMS_AFTER": number_or_none(leveled.after),
            "MAX_OFFSET": number_or_none(leveled.largest_offset),
        }


def _offset_rows(leveled):
    network = leveled.network
    for i, (visit, lane) in enumerate(zip(leveled.visit, leveled.lane)):
        trend = leveled.trend.get(visit)
        if not network.solved[i]:
            remark = tr("not tied to a reference visit, left as it was")
        elif leveled.held[i] and leveled.unit == "visit":
            remark = tr("reference visit")
        elif trend is not None and trend.significant:
            remark = tr("differences grow with depth: check its sound speed")
        else:
            remark = ""
        yield [
            str(visit),
            int(lane),
            number_or_none(network.offset[i]),
            number_or_none(network.std_error[i]),
            int(leveled.observations[i]),
            int(leveled.held[i]),
            int(network.group[i]) + 1,
            None if trend is None else 100.0 * trend.slope,
            None if trend is None else 100.0 * trend.std_error,
            remark,
        ]


def _say(leveled, inputs):
    rows = zip(leveled.visit, leveled.lane, leveled.offset, leveled.std_error, leveled.observations)
    for visit, lane, offset, error, count in rows:
        name = f"'{visit}'" if leveled.unit == "visit" else tr("'{}' lane {}").format(visit, lane)
        if offset == offset:
            inputs.say(
                tr("{}: offset {:+.3f} m, standard error {:.3f} m, {} crossings").format(
                    name, offset, error, count
                )
            )
        else:
            inputs.say(tr("{}: not adjusted").format(name))
    for note in leveled.notes:
        inputs.warn(note)
