"""Lake project."""

from osgeo import gdal
from qgis.core import (
    Qgis,
    QgsProcessingParameterFileDestination,
    QgsRasterLayer,
    QgsReferencedRectangle,
    QgsVectorFileWriter,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._compat import restore_milliseconds
from .._i18n import tr
from .._io import params
from .._io.destinations import RASTER_MARK, Target, check_target, target_of
from .._io.gdal_errors import made, strict
from .._io.layer_crs import metric_crs
from .._io.soundings_layer import read_given
from .._sheets import sheet_inputs
from .._sheets.layer_facts import collect_facts
from .._sheets.own_project import own_project
from .._sheets.page_map import map_extent
from .._sheets.sheet_layout import build_layout
from ..core.errors import Cancelled, LakefloorError

#: Group -> (role, name of the layer, shown at first), from the top of the map downward. Dialogs
#: list layers by name (with " [EPSG...]" behind it) and offer the first of their kind: that must
#: be the depth surface of the rasters, the shoreline of the polygons, the contours of the lines.
_TREE = (
    (
        QT_TRANSLATE_NOOP("@default", "Survey"),
        (
            ("soundings", QT_TRANSLATE_NOOP("@default", "Soundings"), False),
            ("gauge", QT_TRANSLATE_NOOP("@default", "Gauge readings"), False),
        ),
    ),
    (
        QT_TRANSLATE_NOOP("@default", "Map"),
        (
            ("shoreline", QT_TRANSLATE_NOOP("@default", "Shoreline"), True),
            ("break_lines", QT_TRANSLATE_NOOP("@default", "Drop-off lines"), True),
            ("contours", QT_TRANSLATE_NOOP("@default", "Depth contours"), True),
            ("depth_areas", QT_TRANSLATE_NOOP("@default", "Water depth areas"), True),
        ),
    ),
    (
        QT_TRANSLATE_NOOP("@default", "Surfaces"),
        (
            ("slope", QT_TRANSLATE_NOOP("@default", "Slope of the bottom"), False),
            ("surface", QT_TRANSLATE_NOOP("@default", "Depth surface"), True),
            ("idw_surface", QT_TRANSLATE_NOOP("@default", "IDW depth surface"), False),
        ),
    ),
)


class LakeProject(LakefloorAlgorithm):
    NAME = "lakeproject"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Lake project")
    GROUP = "share"
    MAIN_THREAD = True
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
        progress = inputs.progress
        layers = sheet_inputs.layers(inputs)
        shoreline = layers["shoreline"]
        crs = metric_crs(shoreline.crs(), shoreline.extent(), shoreline.name(), inputs.feedback)
        settings = sheet_inputs.settings(inputs)
        facts = collect_facts(layers, crs, settings, inputs.context, inputs.feedback)
        extent = map_extent(shoreline, crs, inputs.context)
        path = outputs.file(params.OUTPUT)
        with own_project(crs, settings.title, settings.author) as project:
            project.setFilePathStorage(Qgis.FilePathType.Relative)
            view = QgsReferencedRectangle(extent.buffered(0.05 * extent.width()), crs)
            project.viewSettings().setDefaultViewExtent(view)
            copies = {}
            # The soundings come first: see _copy_vector.
            for number, role in enumerate(sorted(layers, key=lambda role: role != "soundings")):
                progress(0.9 * number / len(layers))
                copy = _copy_raster if role in sheet_inputs.RASTERS else _copy_vector
                copies[role] = copy(layers[role], role, path, crs, inputs.context, inputs.feedback)
                project.addMapLayer(copies[role], False)
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
        for statistics in path.parent.glob("*.aux.xml"):
            statistics.unlink()  # QGIS makes them of each raster that it loads
        progress(1.0)
        outputs.results["LAYER_COUNT"] = len(copies)


def _copy_vector(layer, role, project_path, crs, context, feedback) -> QgsVectorLayer:
    """Copy a layer into the GeoPackage beside the project."""
    path = project_path.with_suffix(".gpkg")
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "GPKG"
    options.layerName = role
    options.fileEncoding = "UTF-8"
    # The GeoPackage numbers its rows itself.
    options.attributes = [
        i for i, field in enumerate(layer.fields()) if field.name().lower() != "fid"
    ]
    if path.exists():
        options.actionOnExistingFile = (
            QgsVectorFileWriter.ActionOnExistingFile.CreateOrOverwriteLayer
        )
    try:
        # QGIS takes no error of GDAL's at closing.
        with strict():
            error, message, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(
                layer, str(path), context.transformContext(), options
            )
    except RuntimeError as failed:
        error, message = None, str(failed)
    if error != QgsVectorFileWriter.WriterError.NoError:
        raise LakefloorError(
            tr("Layer '{}' could not be copied ({}). Check the disk, then run again.").format(
                layer.name(), message
            )
        )
    if role == "soundings" and "time" in layer.fields().names():
        # The only layer with times to the millisecond, and so far the only one in the file.
        soundings, _, given = read_given(layer, context, feedback, crs, ("depth", "time"))

        def check():
            if feedback.isCanceled():
                raise Cancelled

        restore_milliseconds(path, "time", soundings.time[given.back()], check)
    copy = QgsVectorLayer(f"{path}|layername={role}", role, "ogr")
    # On a full disk QGIS closes a file cut short without a word.
    if copy.featureCount() != layer.featureCount() >= 0:
        raise LakefloorError(
            tr(
                "Layer '{}' could not be copied in full. Nothing was kept. Check that the disk has "
                "room, then run again."
            ).format(layer.name())
        )
    return copy


def _copy_raster(layer, role, project_path, crs, context, feedback) -> QgsRasterLayer:
    """Copy a raster beside the project."""
    path = _raster_path(project_path, role)
    try:
        with strict():
            copy = made(
                gdal.Translate(
                    str(path),
                    layer.source(),
                    format="GTiff",
                    creationOptions=["TILED=YES", "COMPRESS=DEFLATE", "BIGTIFF=IF_SAFER"],
                    metadataOptions=[f"{key}={value}" for key, value in RASTER_MARK.items()],
                )
            )
            copy = None  # noqa: F841 (closes it)
    except RuntimeError as error:
        raise LakefloorError(
            tr(
                "Raster '{}' could not be copied ({}). Nothing was kept. Check that the disk has "
                "room, then run again."
            ).format(layer.name(), str(error).strip())
        ) from error
    return QgsRasterLayer(str(path), role, "gdal")


def _raster_path(project_path, role):
    return project_path.with_name(f"{project_path.stem}_{role}.tif")


def _arrange(project, copies):
    """Style the project's layers and put them into their groups, in order."""
    root = project.layerTreeRoot()
    for group_name, members in _TREE:
        members = [member for member in members if member[0] in copies]
        if not members:
            continue
        group = root.addGroup(tr(group_name))
        for role, name, shown in members:
            layer = copies[role]
            layer.setName(tr(name))
            sheet_inputs.style(layer, role)
            node = group.addLayer(layer)
            node.setItemVisibilityChecked(
                shown and not (role == "surface" and "depth_areas" in copies)
            )
            node.setExpanded(role in ("contours", "break_lines", "soundings"))
