"""Copies of layers as files: of one into a GeoPackage or GeoTIFF, of many with their styles."""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path

from osgeo import gdal
from qgis.core import QgsFields, QgsRasterLayer, QgsVectorFileWriter, QgsVectorLayer

from .._i18n import tr
from ..core.errors import LakefloorError
from .arrow import NotByColumnsError
from .bulk_rows import copy_rows
from .clean_geopackage import keep_drawing_only
from .destinations import RASTER_MARK
from .file_columns import file_of
from .gdal_errors import made, quiet, strict, without_sql
from .package import restore_milliseconds
from .qgis_algorithms import qgis_algorithm, run_within


def copy_vector(layer, name: str, path: Path, crs, inputs) -> QgsVectorLayer:
    """Copy a layer into a GeoPackage, which may have other tables.

    Parameters
    ----------
    layer : QgsVectorLayer
        Soundings with times come first: where QGIS cuts their milliseconds, these are put back
        into the first table.
    name : str
        Of the table and of the layer returned.
    path : Path
        Of the GeoPackage.
    crs : QgsCoordinateReferenceSystem
        Metric; soundings are put in the order of logging in it.
    inputs : Inputs

    Raises
    ------
    LakefloorError
        If the layer cannot be copied in full.
    """
    as_it_stands = copy_table(layer, name, path, inputs.context)
    if not as_it_stands and name == "soundings" and "time" in layer.fields().names():
        soundings, _, given = inputs.given_soundings(layer, crs, ("depth", "time"))
        restore_milliseconds(path, "time", soundings.time[given.back()], inputs.check_cancel)
    return QgsVectorLayer(f"{path}|layername={name}", name, "ogr")


def copy_table(layer, name, path, context) -> bool:
    """Copy a layer into a table of a GeoPackage, which may have others.

    Returns
    -------
    bool
        Whether its rows are copied as they stand in its own file, with milliseconds.

    Raises
    ------
    LakefloorError
        If the layer cannot be copied in full.
    """
    as_it_stands = _write_table(layer, name, path, context)
    copy = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    # On a full disk QGIS closes a file cut short without a word.
    if copy.featureCount() != layer.featureCount() >= 0:
        raise LakefloorError(
            tr(
                "Layer '{}' could not be copied in full. Nothing was kept. Check that the disk has "
                "room, then run again."
            ).format(layer.name())
        )
    return as_it_stands


def _write_table(layer, name, path, context) -> bool:
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "GPKG"
    options.layerName = name
    options.fileEncoding = "UTF-8"
    # The GeoPackage numbers its rows itself.
    options.attributes = [
        i for i, field in enumerate(layer.fields()) if field.name().lower() != "fid"
    ]
    try:
        # QGIS takes no error of GDAL's at closing.
        with strict():
            if _copy_rows(layer, name, path, context, options):
                return True
            _add_to(path, options)
            error, message, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(
                layer, str(path), context.transformContext(), options
            )
    except (RuntimeError, sqlite3.Error) as failed:
        error, message = None, without_sql(str(failed))
    if error != QgsVectorFileWriter.WriterError.NoError:
        raise LakefloorError(
            tr("Layer '{}' could not be copied ({}). Check the disk, then run again.").format(
                layer.name(), message
            )
        )
    return False


def _add_to(path, options):
    if path.exists():
        options.actionOnExistingFile = (
            QgsVectorFileWriter.ActionOnExistingFile.CreateOrOverwriteLayer
        )


def _copy_rows(layer, name, path, context, options) -> bool:
    """Copy the rows of a layer as its file has them; return False where that is not sure."""
    try:
        part, of = file_of(layer)
    except NotByColumnsError:
        return False
    fields = QgsFields()
    for index in options.attributes:
        fields.append(layer.fields()[index])
    _add_to(path, options)
    # The writer is let go of, which closes the file.
    QgsVectorFileWriter.create(
        str(path), fields, layer.wkbType(), layer.crs(), context.transformContext(), options
    )
    return copy_rows(path, name, Path(part), of.get("layerName") or None, numbered=True) is not None


def copy_raster(layer, name: str, path: Path) -> QgsRasterLayer:
    """Copy a raster as a GeoTIFF; ``name`` is that of the layer returned.

    Raises
    ------
    LakefloorError
        If it cannot be copied in full.
    """
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
    return QgsRasterLayer(str(path), name, "gdal")


def remove_statistics(folder: Path):
    """Remove what QGIS writes beside each raster of a folder that it loads."""
    for path in folder.glob("*.aux.xml"):
        path.unlink()


def package_layers(layers, path: Path, context, feedback):
    """Write layers with their styles into one new GeoPackage.

    Raises
    ------
    LakefloorError
        If one is not there in full.
    """
    try:
        # QGIS takes no error of GDAL's at closing.
        with strict():
            run_within(
                qgis_algorithm("native:package"),
                {
                    "LAYERS": layers,
                    "OUTPUT": str(path),
                    "OVERWRITE": True,
                    "SAVE_STYLES": True,
                    "SAVE_METADATA": False,
                },
                context,
                feedback,
            )
    except RuntimeError as error:
        raise cannot_write(path.name) from error
    keep_drawing_only(path)
    if not _holds(path, layers):
        raise cannot_write(path.name)


def _holds(path, layers) -> bool:
    """Tell whether a GeoPackage holds layers in full, each with its CRS."""
    with quiet(), suppress(RuntimeError):
        dataset = gdal.OpenEx(str(path))
        return dataset is not None and all(
            (copy := dataset.GetLayerByName(layer.name())) is not None
            and copy.GetFeatureCount() == layer.featureCount()
            and (_defined(copy.GetSpatialRef()) or not layer.crs().isValid())
            for layer in layers
        )
    return False


def _defined(srs) -> bool:
    """Tell whether a GeoPackage states a CRS: its two that state none are called "Undefined"."""
    return srs is not None and not srs.GetName().startswith("Undefined")


def cannot_write(name: str) -> LakefloorError:
    """Return the error that a file could not be written in full."""
    return LakefloorError(
        tr(
            "Cannot write '{}' in full. Nothing was written. Check that the disk has room, then run "
            "again."
        ).format(name)
    )
