"""Structure sheets."""

from qgis.core import (
    QgsFeatureRequest,
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterField,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterVectorLayer,
    QgsRectangle,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .._base import LakefloorAlgorithm
from .._compat import is_null
from .._i18n import tr
from .._layers import metric_crs
from .._outputs import Outputs
from .._styling import apply_style
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.share.structure_text import drop_off_values, figure_lines, page_box
from . import _inputs as inputs
from ._atlas import CURRENT, Structure, build_atlas, export_atlas
from ._project import own_project
from ._sheet import DRAWN, collect_facts, map_extent


class StructureSheets(LakefloorAlgorithm):
    NAME = "structuresheets"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Structure sheets")
    GROUP = "share"
    MAIN_THREAD = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "atlas,detail,print,pdf,drop-off,hump,point,spots,map book"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "A detail sheet for each structure of the bottom, one page each in one PDF: a map at the "
        "scale that shows it largest, its figures and position in words, scale bars, latitude and "
        "longitude, legend, where it lies in the lake, datum and cautions.\n\n"
        "Structures are the features of any layer: bottom forms, candidate spots, marks, or lines. "
        "Without one each drop-off of the break-lines has a page. A page is headed by the "
        "feature's name, else by its form or kind and number. Fields known by name "
        "are told in the unit chosen: depths (top_depth_m, bottom_depth_m, depth_m ...), "
        "relief_m, height_m, width_m, length_m, area_m2, orientation_deg, slope_pct, hardness, "
        "confidence, score and description.\n\n"
        "The maps are not for navigation, and say nothing about ice. They show where you fish: "
        "look before you hand them on.",
    )

    def initAlgorithm(self, configuration=None):
        kind = QgsProcessing.SourceType
        self.addParameter(
            params.helped(
                QgsProcessingParameterVectorLayer(
                    "FEATURES", tr("Structures"), [kind.TypeVectorAnyGeometry], optional=True),
                tr("One page a feature, in the order of the layer. Left empty, one page a "
                   "drop-off of the break-lines."),
            )
        )
        self.addParameter(
            params.helped(
                QgsProcessingParameterField(
                    "NAME_FIELD", tr("Field with the name"), None, "FEATURES", optional=True),
                tr("Heads the page. Left empty, the field 'name', 'form' or 'kind', where there "
                   "is one."),
                advanced=True,
            )
        )
        for parameter in inputs.sheet("contours", "shoreline", "depth_areas", "surface",
                                      "break_lines", "soundings"):
            self.addParameter(parameter)
        self.addParameter(inputs.track())
        self.addParameter(
            params.number(
                "MOST", tr("Most pages"), 60,
                tr("The first so many structures get a page; the rest are told."), minimum=1,
                advanced=True, integer=True,
            )
        )
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Structure sheets"), tr("PDF files (*.pdf)"))
        )
        self.addOutput(QgsProcessingOutputNumber("PAGES", tr("Number of pages")))

    def check(self, parameters, context):
        if not parameters.get("FEATURES") and not parameters.get("BREAK_LINES"):
            raise LakefloorError(tr("Give a layer of structures, or break-lines."))

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        layers = inputs.layers(self, parameters, context, feedback)
        shoreline = layers["shoreline"]
        crs = metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), feedback)
        unit = self.parameterAsEnumString(parameters, "UNIT", context)
        given = self.parameterAsVectorLayer(parameters, "FEATURES", context)
        if given is not None:
            field = self.parameterAsString(parameters, "NAME_FIELD", context)
            structures = _of_features(given, field, crs, context, unit)
        else:
            structures = _of_drop_offs(layers["break_lines"], crs, context, unit)
        most = self.parameterAsInt(parameters, "MOST", context)
        if len(structures) > most:
            feedback.pushWarning(tr("{} structures; the first {} have a page.").format(
                len(structures), most))
        structures = structures[:most]
        texts = inputs.texts(self, parameters, context)
        facts = collect_facts(
            layers, crs, context, feedback, unit=unit, progress=span(progress, 0.0, 0.4),
            **texts,
        )
        if not self.parameterAsBoolean(parameters, "TRACK", context):
            layers.pop("soundings", None)
        with own_project(crs, facts.title, texts["author"]) as project:
            drawn = inputs.styled_copies(layers, DRAWN, project)
            if given is not None:
                drawn["structures"] = _marked(given, f"$id = {CURRENT}", project)
            else:
                drawn["structures"] = _marked(
                    layers["break_lines"],
                    f"\"drop_off\" = {CURRENT} AND \"kind\" <> 'steepest'", project)
            layout = build_atlas(
                project, drawn, structures, facts, map_extent(shoreline, crs, context), crs,
                self.parameterAsEnumString(parameters, "PAPER", context),
            )
            progress(0.5)
            with Outputs(self, parameters, context, feedback) as out:
                export_atlas(layout, out.file(params.OUTPUT), feedback)
                progress(1.0)
                out.results["PAGES"] = len(structures)
        for number, structure in enumerate(structures, start=1):
            feedback.pushInfo(f"{number}. {structure.title}: {'; '.join(structure.lines)}")
        return out.results


def _marked(layer, current, project) -> QgsVectorLayer:
    """Add a copy of the structures that marks the one of the page."""
    copy = layer.clone()
    apply_style(copy, "structure_mark", current=current)
    project.addMapLayer(copy, False)
    root = project.layerTreeRoot()
    # A band goes below all lines, an outline above.
    place = 0
    if _of_lines(copy):
        place = 1 + max((
            i for i, node in enumerate(root.children()) if _of_lines(node.layer())), default=-1)
    root.insertLayer(place, copy)
    return copy


def _of_lines(layer) -> bool:
    return (isinstance(layer, QgsVectorLayer)
            and layer.geometryType() == QgsWkbTypes.GeometryType.LineGeometry)


def _features(layer, crs, context):
    """Yield id, attributes by name and box of each feature that has a place."""
    names = layer.fields().names()
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    for feature in layer.getFeatures(request):
        if not feature.hasGeometry() or feature.geometry().isEmpty():
            continue
        values = {
            name: None if is_null(value) else value
            for name, value in zip(names, feature.attributes())
        }
        yield feature.id(), values, feature.geometry().boundingBox()


def _of_features(layer, name_field, crs, context, unit) -> list:
    structures = []
    for number, (key, values, box) in enumerate(_features(layer, crs, context), start=1):
        title = next(
            (str(values[field]) for field in ((name_field,) if name_field else ("name",))
             if values.get(field)), "")
        if not title:
            kind = values.get("form") or values.get("kind") or tr("structure")
            title = f"{kind} {values.get('number') or number}"
        structures.append(_structure(title, figure_lines(values, unit), box, key))
    return _checked(structures, layer)


def _of_drop_offs(layer, crs, context, unit) -> list:
    if "drop_off" not in layer.fields().names():
        raise LakefloorError(
            tr("Layer '{}' has no field 'drop_off'; give it as the structures, one page a "
               "feature.").format(layer.name())
        )
    lines, boxes = {}, {}
    for _, values, box in _features(layer, crs, context):
        lines.setdefault(values["drop_off"], []).append(values)
        boxes.setdefault(values["drop_off"], QgsRectangle(box)).combineExtentWith(box)
    return _checked([
        _structure(tr("Drop-off {}").format(number), figure_lines(drop_off_values(rows), unit),
                   boxes[number], number)
        for number, rows in lines.items()
    ], layer)


def _structure(title, lines, box, key) -> Structure:
    box = page_box(box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum())
    return Structure(title[:1].upper() + title[1:], lines, box, key)


def _checked(structures, layer) -> list:
    if not structures:
        raise LakefloorError(tr("Layer '{}' holds no structure.").format(layer.name()))
    return structures
