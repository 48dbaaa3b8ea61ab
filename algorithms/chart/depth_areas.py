"""Depth areas."""

from qgis.core import QgsProcessingParameterFeatureSink
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._surface import add_inputs, read_inputs

FIELDS = [
    ("depth_from", "double"),
    ("depth_to", "double"),
    ("unit", "text"),
    ("label", "text"),
    ("depth_from_m", "double"),
    ("depth_to_m", "double"),
    ("area_m2", "double"),
]


class DepthAreas(LakefloorAlgorithm):
    NAME = "depthareas"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Depth areas")
    GROUP = "chart"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "contours,polygons,depth areas,depth ranges,depth zones,fill,bathymetry,"
        "bathymetric,layer tints,shading,lake map,depth bands",
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
        "@default", "Marching squares: Lorensen and Cline (1987), Computer Graphics 21(4), 163-169"
    )

    NUMBERS = {
        "COUNT": QT_TRANSLATE_NOOP("@default", "Number of depth ranges"),
        "AREA_M2": QT_TRANSLATE_NOOP("@default", "Mapped area (m²)"),
        "MAX_DEPTH": QT_TRANSLATE_NOOP("@default", "Deepest limit (depth unit)"),
    }

    def declare(self):
        add_inputs(self)
        self.addParameter(QgsProcessingParameterFeatureSink(params.OUTPUT, tr("Depth areas")))

    def compute(self, inputs, outputs):
        from ..core.chart.contours import depth_areas

        grid, crs, options = read_inputs(inputs)
        areas = depth_areas(grid, progress=inputs.progress, **options)
        total = sum(areas.attributes["area_m2"])
        inputs.say(
            tr("{}, {:,.0f} m² in all, down to {:g} {}.").format(
                tr("1 depth range")
                if len(areas) == 1
                else tr("{} depth ranges").format(len(areas)),
                total,
                areas.attributes["depth_to"][-1],
                options["unit"],
            )
        )
        outputs.areas(params.OUTPUT, areas, FIELDS, crs, style="depth_areas")
        return {
            "COUNT": len(areas),
            "AREA_M2": total,
            "MAX_DEPTH": areas.attributes["depth_to"][-1],
        }
