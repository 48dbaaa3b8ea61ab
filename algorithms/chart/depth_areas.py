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
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "contours,polygons,depth areas,depth ranges,depth zones,fill,bathymetry,bathymetric,"
        "layer tints,shading,lake map",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Makes polygons between depth contours, one feature for each depth range, with its area in "
        "square meters. Together they cover the mapped water once, without gaps or "
        "overlaps.\n\n"
        "Use the same surface, shoreline, interval, smoothing and minimum area as for Depth "
        "contours. The edges then match those lines exactly. Not for navigation.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Marching squares: Lorensen and Cline (1987), Computer Graphics 21(4), 163-169",
    )

    def initAlgorithm(self, configuration=None):
        add_inputs(self)
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Depth areas")))
        self.addOutput(QgsProcessingOutputNumber("COUNT", tr("Number of depth ranges")))
        self.addOutput(QgsProcessingOutputNumber("AREA_M2", tr("Mapped area (m²)")))
        self.addOutput(
            QgsProcessingOutputNumber(
                "MAX_DEPTH", tr("Deepest limit (depth unit)")
            )
        )

    def compute(self, parameters, context, feedback):
        grid, crs, inputs = read_inputs(self, parameters, context, feedback)
        areas = depth_areas(grid, progress=self.progress(feedback), **inputs)
        total = sum(areas.attributes["area_m2"])
        feedback.pushInfo(
            tr("{}, {:,.0f} m² in all, down to {:g} {}.").format(
                tr("1 depth range") if len(areas) == 1
                else tr("{} depth ranges").format(len(areas)),
                total, areas.attributes["depth_to"][-1], inputs["unit"]
            )
        )
        with Outputs(self, parameters, context, feedback) as out:
            out.areas(params.OUTPUT, areas, FIELDS, crs, style="depth_areas")
            out.results.update(
                COUNT=len(areas), AREA_M2=total, MAX_DEPTH=areas.attributes["depth_to"][-1]
            )
        return out.results
