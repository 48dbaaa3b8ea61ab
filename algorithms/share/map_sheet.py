"""Map sheet."""

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFileDestination,
    QgsProject,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import metric_crs
from .._outputs import Outputs
from . import _inputs as inputs
from ._sheet import DRAWN, build_layout, collect_facts, export_pdf, map_extent


class MapSheet(LakefloorAlgorithm):
    NAME = "mapsheet"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Map sheet")
    GROUP = "share"
    TAGS = ("print", "pdf", "layout", "map", "chart", "poster")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "A printed lake map as a geo-referenced PDF: contours, depth areas, shoreline and "
        "drop-offs at a usual scale, with title, survey dates, lake datum, contour interval, "
        "legend, scale bars in feet and metres, north arrow, latitude and longitude, depth-area "
        "table, survey quality and cautions.\n\n"
        "Survey figures come from the soundings, the mean uncertainty from band 2 of the "
        "surface; leave a layer out and its lines are left out. Layers are drawn in Lakefloor's "
        "own styles. The sheet is legible in black and white.\n\n"
        "The map is not for navigation, and says nothing about ice.",
    )

    def flags(self):
        # Layouts are made of graphics items, which belong to the main thread.
        return super().flags() | QgsProcessingAlgorithm.Flag.FlagNoThreading

    def initAlgorithm(self, configuration=None):
        for role in ("contours", "shoreline", "depth_areas", "surface", "break_lines",
                     "soundings"):
            self.addParameter(inputs.layer(role, optional=role not in ("contours", "shoreline")))
        for parameter in inputs.sheet_text():
            self.addParameter(parameter)
        self.addParameter(params.depth_unit())
        self.addParameter(inputs.paper())
        self.addParameter(
            params.choice(
                "ORIENTATION", tr("Orientation"),
                {"auto": tr("whichever shows the lake larger"), "portrait": tr("upright"),
                 "landscape": tr("across")},
                "auto", tr("How the sheet is turned."),
            )
        )
        self.addParameter(
            params.number(
                "SCALE", tr("Scale 1:n"), None,
                tr("n of the scale. Left empty, the largest usual scale at which the lake fits."),
                minimum=10, optional=True,
            )
        )
        self.addParameter(inputs.track())
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Map sheet"), tr("PDF files (*.pdf)"))
        )
        self.addOutput(QgsProcessingOutputNumber("SCALE_USED", tr("Scale used, n of 1:n")))

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        layers = inputs.layers(self, parameters, context)
        shoreline = layers["shoreline"]
        crs = metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), feedback)
        facts = collect_facts(
            layers, crs, context, feedback,
            unit=self.parameterAsEnumString(parameters, "UNIT", context),
            **inputs.texts(self, parameters, context),
        )
        progress(0.3)
        if not self.parameterAsBoolean(parameters, "TRACK", context):
            layers.pop("soundings", None)
        scale = None
        if parameters.get("SCALE") is not None:
            scale = self.parameterAsDouble(parameters, "SCALE", context)
        project = QgsProject()
        try:
            project.setCrs(crs)
            project.setEllipsoid("EPSG:7030")
            layout = build_layout(
                project, inputs.styled_copies(layers, DRAWN, project), facts,
                map_extent(shoreline, crs, context),
                self.parameterAsEnumString(parameters, "PAPER", context),
                self.parameterAsEnumString(parameters, "ORIENTATION", context), scale,
            )
            progress(0.5)
            with Outputs(self, parameters, context, feedback) as out:
                export_pdf(layout, out.file(params.OUTPUT))
                progress(1.0)
                used = layout.referenceMap().scale()
                feedback.pushInfo(tr("Scale 1:{:.0f}").format(used))
                out.results["SCALE_USED"] = used
        finally:
            project.clear()
        return out.results
