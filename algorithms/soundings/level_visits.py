"""Level visits."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_given, source
from .._outputs import Outputs
from .._store.parameters import visit_names
from ..core.visits.level_network import level_survey
from .check_crossings import write_crossings

OFFSET_FIELDS = [
    ("visit", "text"), ("lane", "int"), ("offset_m", "double"), ("std_error_m", "double"),
    ("crossings", "int"), ("held", "int"), ("group_no", "int"), ("trend_pct", "double"),
    ("trend_error_pct", "double"), ("remark", "text"),
]


class LevelVisits(LakefloorAlgorithm):
    NAME = "levelvisits"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Level visits")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "crossover,adjustment,least squares,datum,water level,offset,bias"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Finds one constant offset of each visit from the depth differences where visits cross, "
        "by least squares, and takes it off. A visit without a gauge reading joins the lake this "
        "way: it takes on the datum of the visits that it crosses.\n\n"
        "Run it after Correct depths, and after Reduce to lake datum for the visits that have a "
        "level. Those hold the datum and are not moved; name others if you trust them more. If "
        "none has a level, the first visit that counts from the water of its day holds. If no "
        "visit is held, offsets sum to zero and the result has no lake datum. Groups of visits "
        "that no crossing ties to a held one are named and left as they are, never set to zero. "
        "Large misfits are weighed down and listed; crossings on slopes count less.\n\n"
        "offset_m is what the visit read too deep, in metres; std_error_m its standard error. "
        "Crossings of one lane may share that lane's bad position, which the standard error "
        "counts in. "
        "A wrong sound speed grows with depth, and a constant offset does not mend it: such a "
        "trend (trend_pct, percent of depth) is reported and not adjusted. Neither is a bottom "
        "that has really changed. Depths are levelled once; a second run is refused, and raw "
        "depths are kept.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Wessel (2010), Computers & Geosciences 36(3), 348-354; Huber (1981), Robust Statistics; "
        "Aronow et al. (2015), Political Analysis 23(4), 564-577",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(params.soundings())
        add(params.helped(
            QgsProcessingParameterString("HELD", tr("Held visits"), optional=True),
            tr("Names of visits whose datum holds, separated by semicolons or by commas. Left "
               "empty, all visits that are reduced to a lake datum of known level; if there are "
               "none, the first visit that counts from the water of its day."),
        ))
        add(params.choice(
            "BY", tr("Level by"),
            {"visit": tr("one offset for each visit"), "lane": tr("one offset for each lane")},
            "visit",
            tr("By lane only where lanes of one visit disagree; it needs many cross-lines."),
        ))
        add(params.helped(
            QgsProcessingParameterBoolean("OVERLAPS", tr("Use overlaps too"), True),
            tr("Also compare tracks of two visits that run side by side without crossing, "
               "corrected for their distance and the slope of the bottom."),
        ))
        add(params.distance(
            "REACH", tr("Greatest distance of overlaps (m)"), 5.0,
            tr("Tracks farther apart than this are not compared."), advanced=True, minimum=0.1,
        ))
        add(params.distance(
            "MAX_SPACING", tr("Greatest distance between soundings (m)"), 20.0,
            tr("Soundings of one track farther apart than this are not joined."),
            advanced=True, minimum=0.1,
        ))
        add(params.distance(
            "POSITION", tr("Uncertainty of position (m)"), 1.0,
            tr("Times the slope of the bottom it tells how much less a crossing on a slope "
               "counts."), advanced=True,
        ))
        add(params.number(
            "DEPTH_NOISE", tr("Standard uncertainty of a depth difference on the flat (m)"), 0.05,
            tr("Beside the one that positions make on a slope."), minimum=0.001, advanced=True,
        ))
        add(params.helped(
            QgsProcessingParameterBoolean("ROBUST", tr("Weigh down large misfits"), True),
            tr("Keeps single blunders from moving a visit."), advanced=True,
        ))
        add(QgsProcessingParameterFeatureSink(
            params.OUTPUT, tr("Levelled soundings"), QgsProcessing.SourceType.TypeVectorPoint
        ))
        add(QgsProcessingParameterFeatureSink(
            "OFFSETS", tr("Offsets"), QgsProcessing.SourceType.TypeVector
        ))
        misfits = QgsProcessingParameterFeatureSink(
            "MISFITS", tr("Crossings with their misfits"),
            QgsProcessing.SourceType.TypeVectorPoint, optional=True,
        )
        misfits.setCreateByDefault(False)
        add(misfits)
        for name, label in (
            ("USED", tr("Crossings and overlaps used")),
            ("NOT_LEVELLED", tr("Visits or lanes that could not be levelled")),
            ("OUTLIERS", tr("Crossings that misfit like blunders")),
            ("RMS_BEFORE", tr("Root mean square difference before (m)")),
            ("RMS_AFTER", tr("Root mean square difference after (m)")),
            ("LARGEST_OFFSET", tr("Largest offset (m)")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        soundings, crs, given = read_given(
            source(self, parameters, params.INPUT, context), context, feedback
        )
        result, levelled = level_survey(
            soundings,
            unit=self.parameterAsEnumString(parameters, "BY", context),
            held=visit_names(self.parameterAsString(parameters, "HELD", context), or_commas=True),
            overlaps=self.parameterAsBool(parameters, "OVERLAPS", context),
            reach_m=self.parameterAsDouble(parameters, "REACH", context),
            max_gap_m=self.parameterAsDouble(parameters, "MAX_SPACING", context),
            position_m=self.parameterAsDouble(parameters, "POSITION", context),
            depth_m=self.parameterAsDouble(parameters, "DEPTH_NOISE", context),
            robust=self.parameterAsBool(parameters, "ROBUST", context),
            progress=self.progress(feedback),
        )
        _say(levelled, feedback)
        network = levelled.network
        with Outputs(self, parameters, context, feedback) as out:
            out.soundings(params.OUTPUT, result, crs, given=given)
            out.table("OFFSETS", OFFSET_FIELDS, _offset_rows(levelled))
            write_crossings(out, "MISFITS", levelled.crossings, crs, extra=(
                ("misfit_m", "double", [-r if r == r else None for r in network.residual.tolist()]),
                ("weight", "double", network.weight.tolist()),
                ("outlier", "int", levelled.outlier.astype(int).tolist()),
            ))
            out.results.update(
                USED=len(levelled.crossings),
                NOT_LEVELLED=int((~network.solved).sum()),
                OUTLIERS=int(levelled.outlier.sum()),
                RMS_BEFORE=_number(levelled.before),
                RMS_AFTER=_number(levelled.after),
                LARGEST_OFFSET=_number(levelled.largest_offset),
            )
        return out.results


def _number(value):
    return float(value) if value == value else None


def _offset_rows(levelled):
    network = levelled.network
    for i, (visit, lane) in enumerate(zip(levelled.visit, levelled.lane)):
        trend = levelled.trend.get(visit)
        if not network.solved[i]:
            remark = tr("not tied to a held visit, left as it was")
        elif levelled.held[i] and levelled.unit == "visit":
            remark = tr("holds the datum")
        elif trend is not None and trend.significant:
            remark = tr("misfits in proportion to depth: check its sound speed")
        else:
            remark = ""
        yield [
            str(visit), int(lane), _number(network.offset[i]), _number(network.std_error[i]),
            int(levelled.observations[i]), int(levelled.held[i]), int(network.group[i]) + 1,
            None if trend is None else 100.0 * trend.slope,
            None if trend is None else 100.0 * trend.std_error, remark,
        ]


def _say(levelled, feedback):
    rows = zip(levelled.visit, levelled.lane, levelled.offset, levelled.std_error,
               levelled.observations)
    for visit, lane, offset, error, count in rows:
        name = f"'{visit}'" if levelled.unit == "visit" else tr("'{}' lane {}").format(visit, lane)
        if offset == offset:
            feedback.pushInfo(
                tr("{}: offset {:+.3f} m, standard error {:.3f} m, {} crossings").format(
                    name, offset, error, count)
            )
        else:
            feedback.pushInfo(tr("{}: not levelled").format(name))
    for note in levelled.notes:
        feedback.pushWarning(note)
