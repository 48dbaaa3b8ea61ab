"""Map sheet."""

from qgis.core import QgsProcessingParameterBoolean, QgsProcessingParameterFileDestination
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP, QThread

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.own_copies import at_hand
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from .._sheets.page_map import DRAWN, map_extent
from .._sheets.sheet_files import export_pdf, export_png, export_template
from ..core.progress import span


class MapSheet(LakefloorAlgorithm):
    NAME = "mapsheet"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Map sheet")
    GROUP = "share"
    DRAWS = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "print,printed map,paper map,wall map,pdf,geopdf,layout,map,lake map,"
        "chart,poster,contour map,depth map,bathymetric map,scale,legend,png,"
        "picture,bathymetry,fishing map",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws a printed lake map as a georeferenced PDF, and as a picture if you like. Use it "
        "for a wall, a boat or a handout.\n\n"
        "The sheet shows contours, depth areas, shoreline and drop-offs at a round scale. It has "
        "title, legend, scale bars, north arrow, latitude and longitude, and cautions. Figures "
        "of the lake, survey quality and data sources stand beside the map. If a layer is empty, "
        "its lines are left out. The sheet is legible in black and white.\n\n"
        "The layout can stay in the project, to be edited there. It then shows the layers in the "
        "styles that they have.\n\n"
        "The map is not for navigation, and says nothing about ice.",
    )

    NUMBERS = {"SCALE_USED": QT_TRANSLATE_NOOP("@default", "Scale used (n of 1:n)")}
    FORM = ("CONTOURS", "SHORELINE", "DEPTH_AREAS", "SURFACE", "SOUNDINGS", "TITLE", "OUTPUT")

    def declare(self):
        for parameter in sheet_inputs.sheet(
            "contours", "shoreline", "depth_areas", "surface", "break_lines", "soundings", "marks"
        ):
            self.addParameter(parameter)
        self.addParameter(
            params.choice(
                "ORIENTATION",
                tr("Orientation"),
                {
                    "automatic": tr("the one that shows the lake larger"),
                    "portrait": tr("upright"),
                    "landscape": tr("across"),
                },
                "automatic",
                tr("How the page is turned."),
                former={"auto": "automatic"},
            )
        )
        self.addParameter(
            params.number(
                "SCALE",
                tr("Scale 1:n"),
                None,
                tr(
                    "The number n of the scale. If empty, the largest round scale at which the lake "
                    "fits."
                ),
                minimum=10,
                optional=True,
            )
        )
        self.addParameter(sheet_inputs.draw_soundings())
        self.addParameter(
            params.helped(
                QgsProcessingParameterBoolean(
                    "KEEP_LAYOUT", tr("Leave the layout in the project"), False
                ),
                tr(
                    "Leaves the layout in the open project, to be edited there. The layers drawn "
                    "must be layers of that project."
                ),
                advanced=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Map sheet"), tr("PDF files (*.pdf)")
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterFileDestination(
                    "PICTURE",
                    tr("Map sheet as a picture"),
                    tr("PNG files (*.png)"),
                    optional=True,
                    createByDefault=False,
                ),
                tr("The same sheet as PNG at 300 dpi. If empty, no picture is written."),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterFileDestination(
                    "LAYOUT",
                    tr("Map sheet as a layout template"),
                    tr("Layout templates (*.qpt)"),
                    optional=True,
                    createByDefault=False,
                ),
                tr(
                    "The layout of the sheet, to be edited in a project. If empty, none is written."
                ),
                advanced=True,
            )
        )

    def compute(self, inputs, outputs):
        from .._sheets.layer_facts import collect_facts
        from .._sheets.sheet_layout import build_layout

        progress = inputs.progress
        layers = sheet_inputs.layers(inputs)
        shoreline = layers["shoreline"]
        crs = inputs.metric_crs(shoreline)
        settings = sheet_inputs.settings(inputs)
        facts = collect_facts(layers, crs, settings, inputs, span(progress, 0.0, 0.5))
        if not settings.draw_soundings:
            layers.pop("soundings", None)
        scale = inputs.number("SCALE")
        arranged = (
            facts,
            map_extent(shoreline, crs, inputs),
            inputs.choice("ORIENTATION"),
            scale,
            crs,
        )
        with own_project(crs, settings.title, settings.author) as project:
            layout = build_layout(
                project, sheet_inputs.styled_copies(layers, DRAWN, project), *arranged
            )
            progress(0.6)
            export_pdf(layout, outputs.file(params.OUTPUT))
            progress(0.8)
            if outputs.wanted("PICTURE"):
                export_png(layout, outputs.file("PICTURE"))
            if outputs.wanted("LAYOUT"):
                export_template(layout, outputs.file("LAYOUT"))
            progress(1.0)
            used = layout.referenceMap().scale()
            inputs.say(tr("Scale 1:{:.0f}").format(used))
        if inputs.flag("KEEP_LAYOUT"):
            self._kept = [role for role in layers if role in DRAWN], arranged
        return {"SCALE_USED": used}

    def prepareAlgorithm(self, parameters, context, feedback):
        self._given, self._kept = parameters, None
        return super().prepareAlgorithm(parameters, context, feedback)

    def postProcessAlgorithm(self, context, feedback):
        """Leave the layout in the user's project: in its thread, drawn from the layers there."""
        if self._kept is not None:
            _keep(*self._kept, self._given, context, feedback)
        return {}


def _keep(roles, arranged, given, context, feedback):
    from .._sheets.sheet_layout import build_layout

    project, there = context.project(), {}
    if project is not None and project.thread() == QThread.currentThread():
        for role in roles:
            layer = at_hand(given.get(sheet_inputs.ROLES[role][0]), context)
            if layer is not None and project.mapLayer(layer.id()) is not None:
                there[role] = layer
    absent = [role for role in roles if role not in there]
    if absent:
        labels = [sheet_inputs.layer_parameter(role, True).description() for role in absent]
        feedback.pushWarning(
            tr(
                "The layout is not left in the project, because the project does not hold {}. Load "
                "the missing layers, or run Lake project."
            ).format(", ".join(f"'{label}'" for label in labels))
        )
        return
    layout = build_layout(project, there, *arranged)
    feedback.pushInfo(tr("The layout '{}' is in the project.").format(layout.name()))
