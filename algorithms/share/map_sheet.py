"""Map sheet."""

from qgis.core import (
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFileDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import metric_crs
from .._outputs import Outputs
from ..core.progress import span
from . import _inputs as inputs
from ._project import own_project
from ._sheet import DRAWN, build_layout, collect_facts, export_pdf, export_png, map_extent


class MapSheet(LakefloorAlgorithm):
    NAME = "mapsheet"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Map sheet")
    GROUP = "share"
    MAIN_THREAD = True
    TAGS = QT_TRANSLATE_NOOP("@default", "print,pdf,layout,map,chart,poster")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "A printed lake map as a geo-referenced PDF, and as a picture: contours, depth areas, "
        "shoreline and drop-offs at a usual scale, with title, survey dates, lake datum, contour "
        "interval, legend, scale bars in feet and metres, north arrow, latitude and longitude, "
        "depth-area table, hypsographic curve, figures of the lake, survey quality with the depth "
        "differences where tracks cross, data sources and cautions.\n\n"
        "Survey figures and crossings come from the soundings; the figures of the lake, their "
        "uncertainty and the curve from the surface; leave a layer out and its lines are left "
        "out. Layers are drawn in Lakefloor's own styles. The sheet is legible in black and "
        "white.\n\n"
        "The layout can be left in the project that holds the layers, to be edited there; it then "
        "shows them in the styles that they have. Lake project keeps it too.\n\n"
        "The map is not for navigation, and says nothing about ice.",
    )

    def initAlgorithm(self, configuration=None):
        for parameter in inputs.sheet("contours", "shoreline", "depth_areas", "surface",
                                      "break_lines", "soundings"):
            self.addParameter(parameter)
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
            params.helped(
                QgsProcessingParameterBoolean(
                    "KEEP_LAYOUT", tr("Leave the layout in the project"), False),
                tr("For editing. Contours, shoreline and the other layers drawn must be layers of "
                   "the project."),
                advanced=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Map sheet"), tr("PDF files (*.pdf)"))
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterFileDestination(
                    "PICTURE", tr("Map sheet as a picture"), tr("PNG files (*.png)"),
                    optional=True, createByDefault=False),
                tr("The same sheet at 300 dots an inch."),
            )
        )
        self.addOutput(QgsProcessingOutputNumber("SCALE_USED", tr("Scale used, n of 1:n")))

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        layers = inputs.layers(self, parameters, context, feedback)
        shoreline = layers["shoreline"]
        crs = metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), feedback)
        texts = inputs.texts(self, parameters, context)
        facts = collect_facts(
            layers, crs, context, feedback,
            unit=self.parameterAsEnumString(parameters, "UNIT", context),
            progress=span(progress, 0.0, 0.5), **texts,
        )
        if not self.parameterAsBoolean(parameters, "TRACK", context):
            layers.pop("soundings", None)
        scale = params.optional_number(self, parameters, "SCALE", context)
        arranged = (
            facts, map_extent(shoreline, crs, context),
            self.parameterAsEnumString(parameters, "PAPER", context),
            self.parameterAsEnumString(parameters, "ORIENTATION", context), scale, crs,
        )
        with own_project(crs, facts.title, texts["author"]) as project:
            layout = build_layout(
                project, inputs.styled_copies(layers, DRAWN, project), *arranged)
            progress(0.6)
            with Outputs(self, parameters, context, feedback) as out:
                export_pdf(layout, out.file(params.OUTPUT))
                progress(0.8)
                if out.wanted("PICTURE"):
                    export_png(layout, out.file("PICTURE"))
                progress(1.0)
                used = layout.referenceMap().scale()
                feedback.pushInfo(tr("Scale 1:{:.0f}").format(used))
                out.results["SCALE_USED"] = used
        if self.parameterAsBoolean(parameters, "KEEP_LAYOUT", context):
            _keep(layers, arranged, context.project(), feedback)
        return out.results


def _keep(layers, arranged, project, feedback):
    """Leave the layout in the user's project, drawn from the layers that are there."""
    drawn = {role: layer for role, layer in layers.items() if role in DRAWN}
    absent = [
        layer.name() for layer in drawn.values()
        if project is None or project.mapLayer(layer.id()) is None
    ]
    if absent:
        feedback.pushWarning(
            tr("The layout is not left in the project, which does not hold {}. Load what is "
               "missing, or write a lake project.").format(
                ", ".join(f"'{name}'" for name in absent))
        )
        return
    layout = build_layout(project, drawn, *arranged)
    feedback.pushInfo(tr("The layout '{}' is in the project.").format(layout.name()))
