"""Lake project."""

from qgis.core import Qgis, QgsProcessingParameterFileDestination, QgsReferencedRectangle
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.destinations import Target, check_target, target_of
from .._io.layer_copies import copy_raster, copy_vector, remove_statistics
from .._project.catalogue import LAYERS, SECTIONS
from .._sheets import sheet_inputs
from .._sheets.own_project import own_project
from .._sheets.page_map import map_extent
from ..core.errors import LakefloorError


class LakeProject(LakefloorAlgorithm):
    NAME = "lakeproject"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake project")
    GROUP = "share"
    DRAWS = True
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "project,QGIS project,qgz,geopackage,gpkg,bundle,package,style,styled,share,archive,"
        "hand over",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Writes a QGIS project of the lake, styled and ready to open. Use it to keep a lake in one "
        "place, or to give it to somebody who has QGIS.\n\n"
        "The vector layers are copied into one GeoPackage, the rasters into GeoTIFF files. Both "
        "are written beside the project under its name. The map sheet is a layout in the project. "
        "Paths are relative, so the folder can be moved as a whole. Layers may be temporary. The "
        "originals stay as they are.\n\n"
        "The soundings show where the boat went. If you do not want to share that, leave them "
        "out. Not for navigation.",
    )

    NUMBERS = {"LAYER_COUNT": QT_TRANSLATE_NOOP("@default", "Number of layers in the project")}
    FORM = ("CONTOURS", "SHORELINE", "DEPTH_AREAS", "SURFACE", "SOUNDINGS", "TITLE", "OUTPUT")

    def declare(self):
        for parameter in sheet_inputs.sheet(*sheet_inputs.ROLES):
            self.addParameter(parameter)
        self.addParameter(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Lake project"), tr("QGIS projects (*.qgz)")
            )
        )

    def check(self, inputs):
        target = target_of(self, inputs.parameters, params.OUTPUT, inputs.context)
        if target is None:
            return
        # What is written beside the project, under its name.
        check_target(Target(target.path.with_suffix(".gpkg")))
        for role in sheet_inputs.RASTERS:
            if inputs.parameters.get(sheet_inputs.ROLES[role][0]):
                check_target(Target(_raster_path(target.path, role)))

    def compute(self, inputs, outputs):
        from .._sheets.layer_facts import collect_facts
        from .._sheets.sheet_layout import build_layout

        layers = sheet_inputs.layers(inputs)
        shoreline = layers["shoreline"]
        crs = inputs.metric_crs(shoreline)
        settings = sheet_inputs.settings(inputs)
        facts = collect_facts(layers, crs, settings, inputs)
        extent = map_extent(shoreline, crs, inputs)
        path = outputs.file(params.OUTPUT)
        with own_project(crs, settings.title, settings.author) as project:
            project.setFilePathStorage(Qgis.FilePathType.Relative)
            view = QgsReferencedRectangle(extent.buffered(0.05 * extent.width()), crs)
            project.viewSettings().setDefaultViewExtent(view)
            copies = _copies(layers, path, project, inputs)
            _arrange(project, copies)
            build_layout(
                project,
                {role: copies[role] for role in copies if role != "soundings"},
                facts,
                extent,
            )
            if not project.write(str(path)):
                raise LakefloorError(
                    tr(
                        "Cannot write the project '{}' ({}). Check the disk "
                        "and the folder's permissions."
                    ).format(path.name, project.error())
                )
        remove_statistics(path.parent)
        inputs.progress(1.0)
        return {"LAYER_COUNT": len(copies)}


def _copies(layers, path, project, inputs) -> dict:
    """Copy the layers into files beside the project, and add them to it; return them by role."""
    copies = {}
    # The soundings come first, as copy_vector wants.
    for number, role in enumerate(sorted(layers, key=lambda role: role != "soundings")):
        inputs.progress(0.9 * number / len(layers))
        if role in sheet_inputs.RASTERS:
            copies[role] = copy_raster(layers[role], role, _raster_path(path, role))
        else:
            package = path.with_suffix(".gpkg")
            copies[role] = copy_vector(layers[role], role, package, project.crs(), inputs)
        project.addMapLayer(copies[role], False)
    return copies


def _raster_path(project_path, role):
    return project_path.with_name(f"{project_path.stem}_{role}.tif")


def _arrange(project, copies):
    """Style the project's layers and put them into their groups, in order."""
    root = project.layerTreeRoot()
    for section, title in SECTIONS.items():
        members = [entry for entry in LAYERS if entry.section == section and entry.role in copies]
        if not members:
            continue
        group = root.addGroup(tr(title))
        for entry in members:
            layer = copies[entry.role]
            layer.setName(tr(entry.name))
            sheet_inputs.style(layer, entry.role)
            node = group.addLayer(layer)
            node.setItemVisibilityChecked(
                entry.shown and not (entry.role == "surface" and "depth_areas" in copies)
            )
            node.setExpanded(entry.expanded)
