"""Depth contours."""

from qgis.core import QgsProcessingOutputNumber, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._outputs import Outputs
from ..core.chart.contours import depth_contours
from ._surface import add_inputs, read_inputs

FIELDS = [
    ("depth", "double"), ("unit", "text"), ("depth_m", "double"), ("label", "text"),
    ("index", "int"), ("kind", "text"), ("closed", "int"), ("supported", "int"),
    ("spot", "double"), ("spot_x", "double"), ("spot_y", "double"), ("line", "int"),
]


class DepthContours(LakefloorAlgorithm):
    NAME = "depthcontours"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Depth contours")
    GROUP = "chart"
    TAGS = QT_TRANSLATE_NOOP("@default", "contour,isobath,depth,line,bathymetry")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Lines of equal depth in feet or metres, with index contours, labels, humps and hollows "
        "marked, and the least or greatest depth inside the innermost ring.\n\n"
        "The surface is smoothed before it is contoured, never the lines: no depth moves by more "
        "than its standard uncertainty, and no two lines cross. Lines end at the shoreline and "
        "at the edge of the data. Deeper water lies on the left of each line.\n\n"
        "Where the surface has a band of uncertainty, lines are split into parts that the data "
        "support (field 'supported' 1) and parts that they do not (0, drawn dashed). Data support "
        "an interval where nine depths in ten are right within half of it: for contours every "
        "foot, a standard uncertainty up to 0.30 ft. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marching squares: Lorensen and Cline (1987), Computer Graphics 21(4), 163-169. Support: "
        "United States National Map Accuracy Standards (1947); Federal Geographic Data Committee "
        "(1998), FGDC-STD-007.3",
    )

    def initAlgorithm(self, configuration=None):
        add_inputs(self)
        self.addParameter(
            params.number(
                "INDEX_EVERY", tr("Index contour every (intervals)"), 5,
                tr("Every how many intervals a line is an index contour, drawn heavier and "
                   "labelled."),
                minimum=1, integer=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Depth contours"))
        )
        for name, label in (
            ("COUNT", tr("Number of lines")),
            ("LENGTH_M", tr("Length of all lines (m)")),
            ("SUPPORTED_SHARE", tr("Share of the length that the data support (0 to 1)")),
            ("MAX_DEPTH", tr("Deepest contour (unit of the map)")),
            ("DROPPED_HUMPS", tr("Closed lines around humps left out as too small")),
            ("DROPPED_HOLLOWS", tr("Closed lines around hollows left out as too small")),
        ):
            self.addOutput(QgsProcessingOutputNumber(name, label))

    def compute(self, parameters, context, feedback):
        grid, crs, inputs = read_inputs(self, parameters, context, feedback)
        lines, summary = depth_contours(
            grid,
            index_every=self.parameterAsInt(parameters, "INDEX_EVERY", context),
            progress=self.progress(feedback),
            **inputs,
        )
        feedback.pushInfo(
            tr("{} lines, {:.0f} m in all, down to {:g} {}.").format(
                len(lines), summary["length"], lines.attributes["depth"][-1], inputs["unit"]
            )
        )
        if summary["supported"] is None:
            feedback.pushInfo(
                tr("The raster has no band of uncertainty, so nothing is known of how far the "
                   "data support these lines.")
            )
        else:
            feedback.pushInfo(
                tr("The data support {:.0f}% of the length at this interval; the rest is drawn "
                   "dashed.").format(100.0 * summary["supported"])
            )
        if summary["humps"] or summary["hollows"]:
            feedback.pushInfo(
                tr("Left out as smaller than the least area: {} closed lines around humps, {} "
                   "around hollows.").format(summary["humps"], summary["hollows"])
            )
        with Outputs(self, parameters, context, feedback) as out:
            out.lines(params.OUTPUT, lines, FIELDS, crs, style="contours")
            out.results.update(
                COUNT=len(lines), LENGTH_M=summary["length"],
                SUPPORTED_SHARE=summary["supported"], MAX_DEPTH=lines.attributes["depth"][-1],
                DROPPED_HUMPS=summary["humps"], DROPPED_HOLLOWS=summary["hollows"],
            )
        return out.results
