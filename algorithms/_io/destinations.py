"""Where results go: what a destination names, and what nothing may replace.

A lake's store is replaced by nothing, and neither is a GeoPackage or a raster that Lakefloor did
not write. What it writes bears a mark: in a GeoPackage the description of each table, in a raster
an item of metadata.
"""

from __future__ import annotations

import errno
import os
import re
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from osgeo import gdal
from qgis.core import (
    QgsDataSourceUri,
    QgsMapLayer,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterVectorDestination,
    QgsProcessingUtils,
    QgsProperty,
    QgsProviderRegistry,
    QgsVectorFileWriter,
)

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.visits.store_visits import STORE
from .gdal_errors import quiet
from .package import MARK, descriptions
from .params import is_list_of_files
from .rasters import BANDS
from .staging import Staging, cannot_replace
from .windows_names import check_name

#: Item of metadata of a raster that Lakefloor wrote.
RASTER_MARK = {"WRITTEN_BY": "Lakefloor"}

#: QGIS itself keeps styles in this table of a GeoPackage.
_STYLES = "layer_styles"

#: Pictures and their tiles are rasters to GDAL, but hold no measurements.
_RASTERS = (
    ".tif",
    ".tiff",
    ".img",
    ".asc",
    ".vrt",
    ".nc",
    ".bil",
    ".grd",
    ".sdat",
    ".rst",
    ".flt",
    ".bt",
    ".kea",
    ".gtx",
)


class Target(NamedTuple):
    """A file, or with ``table`` one table of a GeoPackage that may hold others."""

    path: Path
    table: str | None = None


def target_of(algorithm, parameters, name, context):
    """Return the :class:`Target` of a destination; None if it is no file of the user's choice.

    Follows QGIS, which gives a vector file of no known format the ending of the default one.
    """
    value = parameters.get(name)
    if isinstance(value, QgsProcessingOutputLayerDefinition):
        value = value.sink
    if isinstance(value, QgsProperty):
        value, _ = value.valueAsString(context.expressionContext())
    text = str(value or "")
    if not text or text == "TEMPORARY_OUTPUT" or text.startswith(("memory:", "postgis:")):
        return None
    vector = isinstance(
        algorithm.parameterDefinition(name),
        (QgsProcessingParameterFeatureSink, QgsProcessingParameterVectorDestination),
    )
    table = None
    if vector and text.startswith("ogr:"):
        uri = QgsDataSourceUri(text[4:])
        text, table = uri.database() or text[4:], uri.table() or None
        if Path(text).suffix.lower() != ".gpkg":
            table = None
        elif table is None:
            table = Path(text).stem
    if "://" in text:
        return None
    path = Path(text).absolute()
    known = path.suffix.lstrip(".").lower() in QgsVectorFileWriter.supportedFormatExtensions()
    if vector and not known:
        path = path.with_name(f"{path.name}.{QgsProcessingUtils.defaultVectorExtension()}")
    return Target(path, table)


def check_destinations(algorithm, parameters, context, formats_of=None):
    """Try where each result of a run is to go, before the work begins.

    Parameters
    ----------
    formats_of : callable, optional
        For a model: takes the definition of a destination and returns that of the step, which
        knows its formats. An algorithm says itself why it does not write one.

    Raises
    ------
    LakefloorError
        If two results have one name, or one cannot be written, has the ending of no format of
        its own, or would replace a store, an input, or what Lakefloor did not write.
    """
    taken = {}
    for definition in algorithm.destinationParameterDefinitions():
        name = definition.name()
        target = target_of(algorithm, parameters, name, context)
        if target is None or isinstance(definition, QgsProcessingParameterFolderDestination):
            continue
        label = definition.description()
        for other, (other_label, _) in taken.items():
            if _same(other, target):
                raise LakefloorError(
                    tr("'{}' and '{}' go to the same file, '{}'. Choose two file names.").format(
                        other_label, label, target.path
                    )
                )
        taken[target] = label, definition
    tried = set()
    for target, (label, definition) in taken.items():
        if formats_of is not None:
            _check_ending(target.path, label, formats_of(definition))
        check_target(target)
        folder = Path(os.path.realpath(target.path)).parent
        if folder not in tried:
            with Staging() as trial:
                trial.stage(target.path)
            tried.add(folder)
        if not target.path.exists():
            continue
        for source, input_label in _inputs(algorithm, parameters, context):
            if _same(source, target):
                raise LakefloorError(
                    tr(
                        "'{}' would replace '{}', which is '{}' of this run. Choose another file "
                        "name."
                    ).format(label, target.path, input_label)
                )


def _check_ending(path, label, definition):
    endings = []
    if isinstance(definition, QgsProcessingParameterRasterDestination):
        endings = definition.supportedOutputRasterLayerExtensions()
    elif isinstance(definition, QgsProcessingParameterFileDestination):
        endings = re.findall(r"\*\.(\w+)", definition.fileFilter())
    # A virtual raster holds no values: it points to the file that it was made from.
    endings = [ending.lower() for ending in endings if ending.lower() != "vrt"]
    if endings and path.suffix.lstrip(".").lower() not in endings:
        raise LakefloorError(
            tr("'{}' cannot be written as '{}'. Let the file name end in .{}.").format(
                label, path.name, definition.defaultFileExtension()
            )
        )


def is_store(path) -> bool:
    """Tell whether a file is a lake's store, of whatever layout."""
    with suppress(sqlite3.Error):
        return any(text.startswith(STORE) for text in descriptions(path).values())
    return False


def check_target(target: Target):
    """Refuse a file that no result may replace.

    Raises
    ------
    LakefloorError
    """
    path, table = target
    check_name(path)
    try:
        # SQLite's journal beside it has the longest name.
        os.lstat(f"{path}-journal")
    except OSError as error:
        if error.errno in (errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ):
            raise LakefloorError(
                tr("'{}' cannot be the name of a file ({}). Choose another, shorter one.").format(
                    path.name, error.strerror
                )
            ) from error
    if path.is_dir():
        raise LakefloorError(tr("'{}' is a folder. Choose another file name.").format(path))
    if not path.exists():
        return
    if path.suffix.lower() in (".gpkg", ".sqlite", ".db") and path.stat().st_size:
        _check_package(path, table)
    elif path.suffix.lower() in _RASTERS:
        _check_raster(path)
    if not os.access(path, os.W_OK):
        raise LakefloorError(
            tr("'{}' is read-only. Allow writing to it, or choose another file name.").format(path)
        )
    if os.name == "nt" and table is None:
        try:
            os.rename(path, path)  # fails where another program, or the map, has it open
        except OSError as error:
            raise cannot_replace(path, error) from error


def _check_package(path, table):
    try:
        tables = descriptions(path)
    except sqlite3.Error as error:
        if path.suffix.lower() != ".gpkg" and "no such table" in str(error):
            return  # another kind of database, which is replaced as QGIS has asked
        raise LakefloorError(
            tr(
                "'{}' exists, and Lakefloor cannot read what is in it ({}). Choose another file "
                "name, or move that file away."
            ).format(
                path,
                tr("it is in use")
                if "locked" in str(error)
                else tr("it is no GeoPackage, or damaged"),
            )
        ) from error
    if is_store(path):
        raise LakefloorError(
            tr(
                "'{}' is a lake database, which no result may replace. Choose another file name. To "
                "add soundings to the database, use 'Add visit to lake database'."
            ).format(path)
        )
    foreign = [name for name, text in tables.items() if text != MARK and name != _STYLES]
    if table is not None:
        foreign = [name for name in foreign if name.lower() == table.lower()]
    if foreign:
        message = tr(
            "'{}' exists and has layer '{}', which Lakefloor did not write. Choose "
            "another file name, or move that file away."
        )
        if table is not None:
            message = tr(
                "'{}' exists and has layer '{}', which Lakefloor did not write. Choose "
                "another layer name or file name, or move that file away."
            )
        raise LakefloorError(message.format(path, foreign[0]))


def _check_raster(path):
    with quiet(), suppress(RuntimeError):
        dataset = gdal.OpenEx(str(path), gdal.OF_RASTER)
        # What cannot be opened as a raster is replaced as any file is: QGIS has asked.
        if dataset is not None and not _is_own(dataset):
            raise LakefloorError(
                tr(
                    "'{}' is a raster that Lakefloor did not write. Choose another file name, or "
                    "move that file away."
                ).format(path)
            )


def _is_own(dataset) -> bool:
    """Tell whether Lakefloor wrote a raster; surfaces of version 0.1.0 bear no mark."""
    # netCDF puts the origin of each item before its name.
    items = {
        key.replace("NC_GLOBAL#GDAL_", ""): value for key, value in dataset.GetMetadata().items()
    }
    return RASTER_MARK.items() <= items.items() or (
        dataset.RasterCount == len(BANDS)
        and all(
            dataset.GetRasterBand(i).GetDescription() == name
            for i, name in enumerate(BANDS, start=1)
        )
    )


def _same(a: Target, b: Target) -> bool:
    if a.table is not None and b.table is not None and a.table.lower() != b.table.lower():
        return False
    with suppress(OSError):
        return os.path.samefile(a.path, b.path)
    return os.path.normcase(a.path) == os.path.normcase(b.path)


def _inputs(algorithm, parameters, context):
    """Yield the files that a run reads, with the labels of the parameters."""
    replaceable = getattr(algorithm, "REPLACEABLE", ())
    for definition in algorithm.parameterDefinitions():
        name = definition.name()
        value = parameters.get(name)
        if value in (None, "") or definition.isDestination() or name in replaceable:
            continue
        if isinstance(definition, QgsProcessingParameterFile):
            path = Path(algorithm.parameterAsString(parameters, name, context)).absolute()
            if path.is_file():
                yield Target(path), definition.description()
            continue
        if is_list_of_files(definition):
            for text in algorithm.parameterAsFileList(parameters, name, context):
                yield Target(Path(text).absolute()), definition.description()
            continue
        if isinstance(definition, QgsProcessingParameterMultipleLayers):
            layers = algorithm.parameterAsLayerList(parameters, name, context)
        elif "source" in definition.type() or definition.type() in ("vector", "raster", "layer"):
            if isinstance(value, QgsProcessingFeatureSourceDefinition):
                value = value.source
                if isinstance(value, QgsProperty):
                    value = value.valueAsString(context.expressionContext())[0]
            layers = [
                value
                if isinstance(value, QgsMapLayer)
                else QgsProcessingUtils.mapLayerFromString(str(value), context)
            ]
        else:
            continue
        for layer in filter(None, layers):
            parts = QgsProviderRegistry.instance().decodeUri(
                layer.dataProvider().name(), layer.source()
            )
            if parts.get("path"):
                table = parts.get("layerName") or _first_table(parts["path"])
                yield Target(Path(parts["path"]), table), definition.description()


def _first_table(path):
    if Path(path).suffix.lower() != ".gpkg":
        return None
    with quiet(), suppress(RuntimeError):
        dataset = gdal.OpenEx(str(path), gdal.OF_VECTOR)
        if dataset is not None and dataset.GetLayerCount():
            return dataset.GetLayer(0).GetName()
    return None
