"""Depth areas."""

from qgis.core import QgsProcessingOutputNumber, QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._outputs import Outputs
from ..core.chart.contours import depth_areas
from ._surface import add_inputs, read_inputs

FIELDS = [
    ("depth_from", "double"), ("depth_to", "double"), ("unit", "text"), ("label", "text"),
    ("depth_from_m", "double"), ("depth_to_m", "double"), ("area_m2", "double"),
]


class DepthAreas(LakefloorAlgorithm):
    NAME = "depthareas"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Depth areas")
    GROUP = "chart"
    TAGS = QT_TRANSLATE_NOOP("@default", "contour,polygon,depth,area,bathymetry,layer tint")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "The areas between depth contours, one feature a range of depth, with its area in square "
        "metres. Together they cover the mapped water once, without gap or overlap.\n\n"
        "With the same surface, shoreline, interval, smoothing and least area as Depth contours, "
        "their edges are those very lines. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marching squares: Lorensen and Cline (1987), Computer Graphics 21(4), 163-169",
    )

    def initAlgorithm(self, configuration=None):
        add_inputs(self)
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Depth areas")))
        self.addOutput(QgsProcessingOutputNumber("COUNT", tr("Number of depth ranges")))
        self.addOutput(QgsProcessingOutputNumber("AREA_M2", tr("Mapped area (m2)")))
        self.addOutput(
            QgsProcessingOutputNumber(
                "MAX_DEPTH", tr("Lower limit of the deepest range (unit of the map)")
            )
        )

    def compute(self, parameters, context, feedback):
        grid, crs, inputs = read_inputs(self, parameters, context, feedback)
        areas = depth_areas(grid, progress=self.progress(feedback), **inputs)
        total = sum(areas.attributes["area_m2"])
        feedback.pushInfo(
            tr("{} depth ranges, {:,.0f} m² in all, down to {:g} {}.").format(
                len(areas), total, areas.attributes["depth_to"][-1], inputs["unit"]
            )
        )
        with Outputs(self, parameters, context, feedback) as out:
            out.areas(params.OUTPUT, areas, FIELDS, crs, style="depth_areas")
            out.results.update(
                COUNT=len(areas), AREA_M2=total, MAX_DEPTH=areas.attributes["depth_to"][-1]
            )
        return out.results
