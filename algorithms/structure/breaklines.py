"""Breaklines of drop-offs."""

from qgis.core import QgsProcessing, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.structure.structure_names import BREAKLINE_ATTRIBUTES

FIELDS = [
    (name, {"drop_off": "int", "kind": "text"}.get(name, "double")) for name in BREAKLINE_ATTRIBUTES
]


class Breaklines(LakefloorAlgorithm):
    NAME = "breaklines"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Breaklines (drop-offs)")
    GROUP = "structure"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "breakline,breaklines,break-line,break-lines,drop-off,drop-offs,dropoff,"
        "dropoffs,shelf,shelves,edge,edges,crest,toe,ledge,ledges,structure,"
        "contour,weed line",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws each drop-off as three breaklines along the shelf. The crest is where the bottom "
        "bends down most, the toe is where it levels off most. Between them runs the steepest "
        "line. The deeper side is on the left of each line.\n\n"
        "Fields: drop_off (number 1 is the longest), kind, height_m, width_m, slopes in percent "
        "and degrees, depths of the line, length_m, confidence (0 to 1).\n\n"
        "A slope without a flatter shelf above and flatter bottom below is not a drop-off. About "
        "five in six places on crest and toe lie within a quarter of the lane spacing of the true "
        "edge. Faces narrower than the lane spacing are more uncertain. Depth must be in meters. "
        "Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "After Canny (1986), IEEE Transactions on Pattern Analysis and Machine Intelligence 8(6), "
        "679-698. Lindeberg (1998), International Journal of Computer Vision 30(2), 117-154",
    )

    NUMBERS = {
        "DROP_OFFS": QT_TRANSLATE_NOOP("@default", "Number of drop-offs"),
        "LENGTH_M": QT_TRANSLATE_NOOP("@default", "Length of all drop-offs (m)"),
    }

    def declare(self):
        self.addParameter(params.surface())
        self.addParameter(
            params.number(
                "MIN_SLOPE",
                tr("Minimum slope (%)"),
                10.0,
                tr(
                    "The steepest line of a drop-off reaches at least this slope. 100% is 45 "
                    "degrees."
                ),
                minimum=0.1,
            )
        )
        self.addParameter(
            params.number(
                "MIN_HEIGHT",
                tr("Minimum height (m)"),
                1.0,
                tr("A drop-off falls at least this much from crest to toe. 1 m is about 3 feet."),
                minimum=0.01,
            )
        )
        self.addParameter(
            params.distance(
                "MIN_LENGTH",
                tr("Minimum length (m)"),
                20.0,
                tr("Shorter drop-offs are left out."),
                minimum=0.1,
            )
        )
        self.addParameter(
            params.distance(
                "SMOOTHING_SCALE",
                tr("Smoothing scale (m)"),
                None,
                tr(
                    "Standard deviation of the smoothing before slopes are taken. If empty, it is "
                    "the largest of two cells, 0.3 of the lane spacing and 4 m. The lane spacing is "
                    "known from a Lakefloor surface."
                ),
                optional=True,
                advanced=True,
                minimum=0.01,
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(
                params.OUTPUT, tr("Breaklines"), QgsProcessing.SourceType.TypeVectorLine
            )
        )

    def compute(self, inputs, outputs):
        from ..core.structure.breaklines import breaklines

        surface, crs, _ = inputs.surface()
        lines = breaklines(
            surface,
            scale_m=inputs.number("SMOOTHING_SCALE"),
            min_slope_percent=inputs.number("MIN_SLOPE"),
            min_height_m=inputs.number("MIN_HEIGHT"),
            min_length_m=inputs.number("MIN_LENGTH"),
            progress=inputs.progress,
        )
        kinds, lengths = lines.attributes["kind"], lines.attributes["length_m"]
        count = len(set(lines.attributes["drop_off"]))
        total = float(sum(m for m, kind in zip(lengths, kinds) if kind == "steepest"))
        if count:
            text = (
                tr("1 drop-off, {1:.0f} m long.")
                if count == 1
                else tr("{0} drop-offs, {1:.0f} m long in total.")
            )
            inputs.say(text.format(count, total))
        else:
            inputs.say(
                tr(
                    "No drop-off is as steep, high and long as the minimums ask. Try a smaller "
                    "minimum slope or height."
                )
            )
        outputs.lines(params.OUTPUT, lines, FIELDS, crs, style="break_lines")
        return {"DROP_OFFS": count, "LENGTH_M": total}
