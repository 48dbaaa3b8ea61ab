"""Structure sheets."""

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterVectorLayer,
    QgsRectangle,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._compat import is_null
from .._i18n import tr
from .._io import params
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from .._sheets.page_map import DRAWN, map_extent
from .._styling import apply_style
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.wording.structure_text import drop_off_values, figure_lines, page_box, page_title


class StructureSheets(LakefloorAlgorithm):
    NAME = "structuresheets"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Structure sheets")
    GROUP = "share"
    DRAWS = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "atlas,map book,mapbook,detail,detail map,print,pdf,drop-off,drop off,"
        "dropoff,hump,hole,point,reef,bar,spot,spots,fishing spots,structure,"
        "structures,drop-offs",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Draws a page for each structure of the bottom, all in one PDF. Use it to take your best "
        "places along in print.\n\n"
        "A page shows a large map, the figures and position of the structure, where it is in the "
        "lake, scale bars, legend and cautions. Structures are the features of any layer: bottom "
        "forms, candidate spots, marks or lines. Without such a layer, each drop-off of the "
        "breaklines has a page.\n\n"
        "These fields are shown, in the depth unit: top_depth_m, bottom_depth_m, depth_m, "
        "relief_m, height_m, width_m, length_m, area_m2, orientation_deg, slope_pct, hardness, "
        "confidence, score, description.\n\n"
        "The maps are not for navigation, and say nothing about ice. They show where you fish, so "
        "look at them before you share them.",
    )

    NUMBERS = {"PAGES": QT_TRANSLATE_NOOP("@default", "Number of pages")}
    FORM = ("STRUCTURES", "CONTOURS", "SHORELINE", "DEPTH_AREAS", "SURFACE", "TITLE", "OUTPUT")

    def declare(self):
        kind = QgsProcessing.SourceType
        self.addParameter(
            params.helped(
                QgsProcessingParameterVectorLayer(
                    "STRUCTURES", tr("Structures"), [kind.TypeVectorAnyGeometry], optional=True
                ),
                tr(
                    "Each feature has a page, in the order of the layer. If empty, each drop-off of "
                    "the breaklines has a page."
                ),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterField(
                    "NAME_FIELD", tr("Field with the name"), None, "STRUCTURES", optional=True
                ),
                tr("Title of the page. If empty, the field 'name', 'form' or 'kind' is used."),
                advanced=True,
            )
        )
        for parameter in sheet_inputs.sheet(
            "contours", "shoreline", "depth_areas", "surface", "break_lines", "soundings"
        ):
            self.addParameter(parameter)
        self.addParameter(sheet_inputs.draw_soundings())
        self.addParameter(
            params.number(
                "MAX_PAGES",
                tr("Maximum number of pages"),
                60,
                tr("Only the first structures get a page if there are more."),
                minimum=1,
                advanced=True,
                integer=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Structure sheets"), tr("PDF files (*.pdf)")
            )
        )

    def check(self, inputs):
        if not inputs.given("STRUCTURES") and not inputs.given("BREAKLINES"):
            raise LakefloorError(
                tr("There is nothing to draw. Choose a layer of structures, or breaklines.")
            )

    def compute(self, inputs, outputs):
        from .._sheets.layer_facts import collect_facts
        from .._sheets.structure_atlas import CURRENT, build_atlas, export_atlas

        progress = inputs.progress
        layers = sheet_inputs.layers(inputs)
        shoreline = layers["shoreline"]
        crs = inputs.metric_crs(shoreline)
        settings = sheet_inputs.settings(inputs)
        given = inputs.vector("STRUCTURES")
        if given is not None:
            structures = _of_features(given, inputs.text("NAME_FIELD"), crs, settings.unit, inputs)
        else:
            structures = _of_drop_offs(layers["break_lines"], crs, settings.unit, inputs)
        most = inputs.integer("MAX_PAGES")
        if len(structures) > most:
            inputs.warn(
                tr(
                    "There are {} structures, but the maximum number of pages is {}. The other "
                    "structures are left out."
                ).format(len(structures), most)
            )
        structures = structures[:most]
        facts = collect_facts(layers, crs, settings, inputs, span(progress, 0.0, 0.4))
        if not settings.draw_soundings:
            layers.pop("soundings", None)
        with own_project(crs, settings.title, settings.author) as project:
            drawn = sheet_inputs.styled_copies(layers, DRAWN, project)
            if given is not None:
                drawn["structures"] = _marked(given, f"$id = {CURRENT}", project)
            else:
                drawn["structures"] = _marked(
                    layers["break_lines"],
                    f'"drop_off" = {CURRENT} AND "kind" <> \'steepest\'',
                    project,
                )
            whole = map_extent(shoreline, crs, inputs)
            layout = build_atlas(project, drawn, structures, facts, whole, crs)
            progress(0.5)
            export_atlas(layout, outputs.file(params.OUTPUT), inputs.feedback)
            progress(1.0)
        inputs.say(tr("Pages: {}.").format(len(structures)))
        return {"PAGES": len(structures)}


def _marked(layer, current, project) -> QgsVectorLayer:
    """Add a copy of the structures that marks the one of the page."""
    copy = layer.clone()
    apply_style(copy, "structure_mark", current=current)
    project.addMapLayer(copy, False)
    root = project.layerTreeRoot()
    # A band goes below all lines, an outline above.
    place = 0
    if _of_lines(copy):
        place = 1 + max(
            (i for i, node in enumerate(root.children()) if _of_lines(node.layer())), default=-1
        )
    root.insertLayer(place, copy)
    return copy


def _of_lines(layer) -> bool:
    return (
        isinstance(layer, QgsVectorLayer)
        and layer.geometryType() == QgsWkbTypes.GeometryType.LineGeometry
    )


def _features(layer, crs, inputs):
    """Yield id, attributes by name and box of each feature that has a place."""
    names = layer.fields().names()
    for feature in inputs.features(layer, crs):
        if not feature.hasGeometry() or feature.geometry().isEmpty():
            continue
        values = {
            name: None if is_null(value) else value
            for name, value in zip(names, feature.attributes())
        }
        yield feature.id(), values, feature.geometry().boundingBox()


def _of_features(layer, name_field, crs, unit, inputs) -> list:
    structures = []
    for number, (key, values, box) in enumerate(_features(layer, crs, inputs), start=1):
        title = page_title(values, number, name_field)
        structures.append(_structure(title, figure_lines(values, unit), box, key))
    return _checked(structures, layer)


def _of_drop_offs(layer, crs, unit, inputs) -> list:
    if "drop_off" not in layer.fields().names():
        raise LakefloorError(
            tr(
                "Layer '{}' has no field 'drop_off'. Choose it for 'Structures' to get a page for "
                "each feature."
            ).format(layer.name())
        )
    lines, boxes = {}, {}
    for _, values, box in _features(layer, crs, inputs):
        lines.setdefault(values["drop_off"], []).append(values)
        boxes.setdefault(values["drop_off"], QgsRectangle(box)).combineExtentWith(box)
    return _checked(
        [
            _structure(
                tr("Drop-off {}").format(number),
                figure_lines(drop_off_values(rows), unit),
                boxes[number],
                number,
            )
            for number, rows in lines.items()
        ],
        layer,
    )


def _structure(title, lines, box, key):
    from .._sheets.structure_atlas import Structure

    box = page_box(box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum())
    return Structure(title, lines, box, key)


def _checked(structures, layer) -> list:
    if not structures:
        raise LakefloorError(
            tr("Layer '{}' holds no structure. Choose a layer that has features.").format(
                layer.name()
            )
        )
    return structures
