"""Depth contours."""

from qgis.core import QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._surface import add_inputs, read_inputs

FIELDS = [
    ("depth", "double"),
    ("unit", "text"),
    ("depth_m", "double"),
    ("label", "text"),
    ("index", "int"),
    ("kind", "text"),
    ("closed", "int"),
    ("supported", "int"),
    ("spot", "double"),
    ("spot_x", "double"),
    ("spot_y", "double"),
    ("line", "int"),
]


class DepthContours(LakefloorAlgorithm):
    NAME = "depthcontours"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Depth contours")
    GROUP = "chart"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "contours,contour lines,isobaths,isolines,depth lines,depth curves,one-"
        "foot contours,1-foot,1 foot,humps,holes,bathymetry,bathymetric,lake map,"
        "contour interval",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws lines of equal depth from a depth surface, with labels and index contours. Closed "
        "lines around humps and holes are marked. The innermost one has the shallowest or deepest "
        "depth inside.\n\n"
        "The surface is smoothed, not the lines, so that lines never cross. No depth moves by more "
        "than its standard uncertainty. Deeper water lies on the left of each line.\n\n"
        "If the surface has an uncertainty band, the field 'supported' is 1 where the data support "
        "the interval. It is 0 elsewhere, and the line is dashed there. The data support an "
        "interval where nine depths in ten are right within half of it. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marching squares: Lorensen and Cline (1987), Computer Graphics 21(4), 163-169. Support: "
        "United States National Map Accuracy Standards (1947); Federal Geographic Data Committee "
        "(1998), FGDC-STD-007.3",
    )

    NUMBERS = {
        "COUNT": QT_TRANSLATE_NOOP("@default", "Number of lines"),
        "LENGTH_M": QT_TRANSLATE_NOOP("@default", "Length of all lines (m)"),
        "SUPPORTED_SHARE": QT_TRANSLATE_NOOP("@default", "Length supported by data (0 to 1)"),
        "MAX_DEPTH": QT_TRANSLATE_NOOP("@default", "Deepest contour (depth unit)"),
        "DROPPED_HUMPS": QT_TRANSLATE_NOOP("@default", "Humps left out as too small"),
        "DROPPED_HOLES": QT_TRANSLATE_NOOP("@default", "Holes left out as too small"),
    }

    def declare(self):
        add_inputs(self)
        self.addParameter(
            params.number(
                "INDEX_EVERY",
                tr("Index contour every (intervals)"),
                5,
                tr(
                    "Index contours are drawn heavier and labeled. With 5, every fifth line is one."
                ),
                minimum=1,
                integer=True,
            )
        )
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Depth contours")))

    def compute(self, inputs, outputs):
        from ..core.chart.contours import depth_contours

        grid, crs, options = read_inputs(inputs)
        lines, summary = depth_contours(
            grid, index_every=inputs.integer("INDEX_EVERY"), progress=inputs.progress, **options
        )
        inputs.say(
            tr("{}, {:.0f} m in all, down to {:g} {}.").format(
                tr("1 line") if len(lines) == 1 else tr("{} lines").format(len(lines)),
                summary["length"],
                lines.attributes["depth"][-1],
                options["unit"],
            )
        )
        if summary["supported"] is None:
            inputs.say(
                tr(
                    "The raster has no uncertainty band, so it is not known where the data support "
                    "these lines."
                )
            )
        elif summary["supported"] == 1.0:
            inputs.say(tr("The data support all lines at this interval."))
        else:
            inputs.say(
                tr(
                    "The data support {:.0f}% of the length at this interval. The rest is drawn "
                    "dashed."
                ).format(min(100.0 * summary["supported"], 99.0))
            )
        if summary["humps"] or summary["hollows"]:
            inputs.say(
                tr(
                    "Closed lines left out as smaller than the minimum area: {} around humps, {} "
                    "around holes."
                ).format(summary["humps"], summary["hollows"])
            )
        outputs.lines(params.OUTPUT, lines, FIELDS, crs, style="contours")
        return {
            "COUNT": len(lines),
            "LENGTH_M": summary["length"],
            "SUPPORTED_SHARE": summary["supported"],
            "MAX_DEPTH": lines.attributes["depth"][-1],
            "DROPPED_HUMPS": summary["humps"],
            "DROPPED_HOLES": summary["hollows"],
        }
