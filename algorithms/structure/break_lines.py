"""Break-lines: drop-offs."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSink,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import read_raster
from .._outputs import Outputs
from ..core.structure.break_lines import ATTRIBUTES, break_lines

FIELDS = [
    (name, {"drop_off": "int", "kind": "text"}.get(name, "double")) for name in ATTRIBUTES
]


class BreakLines(LakefloorAlgorithm):
    NAME = "breaklines"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Break-lines (drop-offs)")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP("@default", "drop-off,break-line,shelf,edge,crest,toe,ledge,structure")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws each drop-off as three lines along the shelf: the crest, where the bottom begins "
        "to fall, the steepest line, and the toe, where it levels out. The lines of one drop-off "
        "share its number; number 1 is the longest. The deeper side is on the left of each "
        "line.\n\n"
        "Fields: kind; height_m and width_m from crest to toe (means along the drop-off); "
        "slope_mean and slope_max of the face in percent (pct) and degrees (deg); depth_min_m, "
        "depth_max_m, depth_mean_m and length_m of the line itself; confidence 0 to 1, from the "
        "height against the uncertainty of the surface and from how continuous both edges are."
        "\n\n"
        "Depth must be in metres. A smooth face is counted from where it bends most, so its "
        "height is less than that between the flats above and below. A slope that is steep all "
        "the way, without a flatter shelf above and a flatter bottom below, is no drop-off. "
        "A sounder's beam and the gaps between lanes round off steep faces, so crest and toe are "
        "no better known than about a quarter of the lane spacing. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "after Canny (1986), IEEE Transactions on Pattern Analysis and Machine Intelligence "
        "8(6), 679-698; Lindeberg (1998), International Journal of Computer Vision 30(2), 117-154",
    )

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.surface())
        self.addParameter(
            params.number(
                "MIN_SLOPE", tr("Smallest slope (%)"), 10.0,
                tr("The steepest line of a drop-off reaches at least this slope; 100 % is "
                   "45 degrees."),
                minimum=0.1,
            )
        )
        self.addParameter(
            params.number(
                "MIN_HEIGHT", tr("Smallest height (m)"), 1.0,
                tr("A drop-off falls at least this much from crest to toe; 1 m is about 3 feet."),
                minimum=0.01,
            )
        )
        self.addParameter(
            params.distance(
                "MIN_LENGTH", tr("Smallest length (m)"), 20.0,
                tr("Shorter drop-offs are left out."), minimum=0.1,
            )
        )
        self.addParameter(
            params.distance(
                "SCALE", tr("Smoothing scale (m)"), None,
                tr("Standard deviation of the smoothing before slopes are taken. Left empty, it "
                   "is the greatest of two cells, 0.3 of the lane spacing (known from a Lakefloor "
                   "surface) and 4 m."),
                optional=True, advanced=True, minimum=0.01,
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Break-lines"), QgsProcessing.SourceType.TypeVectorLine
            )
        )
        self.addOutput(QgsProcessingOutputNumber("DROP_OFFS", tr("Number of drop-offs")))
        self.addOutput(
            QgsProcessingOutputNumber("LENGTH_M", tr("Length of all steepest lines (m)"))
        )

    def compute(self, parameters, context, feedback):
        layer = self.parameterAsRasterLayer(parameters, params.INPUT, context)
        surface, crs, _ = read_raster(layer, feedback)
        lines = break_lines(
            surface.depth,
            uncertainty=surface.uncertainty,
            distance=surface.distance,
            spacing=surface.spacing,
            scale_m=params.optional_number(self, parameters, "SCALE", context),
            min_slope_percent=self.parameterAsDouble(parameters, "MIN_SLOPE", context),
            min_height_m=self.parameterAsDouble(parameters, "MIN_HEIGHT", context),
            min_length_m=self.parameterAsDouble(parameters, "MIN_LENGTH", context),
            progress=self.progress(feedback),
        )
        kinds, lengths = lines.attributes["kind"], lines.attributes["length_m"]
        count = len(set(lines.attributes["drop_off"]))
        total = float(sum(m for m, kind in zip(lengths, kinds) if kind == "steepest"))
        if count:
            feedback.pushInfo(tr("{} drop-offs, {:.0f} m in all.").format(count, total))
        else:
            feedback.pushInfo(
                tr("No drop-off as steep, high and long as asked; try a smaller slope or height.")
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.lines(params.OUTPUT, lines, FIELDS, crs, style="break_lines")
            out.results["DROP_OFFS"] = count
            out.results["LENGTH_M"] = total
        return out.results
