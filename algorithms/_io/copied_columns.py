"""The columns of any layer of points, by a copy that QGIS itself makes of its features."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from osgeo import gdal
from qgis.core import (
    QgsAggregateCalculator,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransformContext,
    QgsFeatureSink,
    QgsField,
    QgsFields,
    QgsProcessingUtils,
    QgsVectorFileWriter,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDate, QDateTime, QMetaType, Qt, QTime

from .._compat import is_null, make_field
from ..core.errors import Cancelled
from .arrow import NotByColumnsError, Times, batches, field_names, require_arrow
from .gdal_errors import quiet
from .iterating import feature_ids, plain_request
from .layer_of import is_whole, layer_of

_ISO = Qt.DateFormat.ISODateWithMs


def _whole_number(text):
    """Return a whole number, or the text that a provider has given for one."""
    try:
        return int(text)
    except ValueError:
        return text


#: Type of a field -> how it is copied, and what makes QGIS's value of the copy.
_TYPES = {
    QMetaType.Type.Int: ("int", None),
    QMetaType.Type.Double: ("double", None),
    QMetaType.Type.QString: ("text", str),
    # As texts, because a number of 64 bits, and a time with its milliseconds and zone, come
    # through no other way.
    QMetaType.Type.LongLong: ("text", _whole_number),
    QMetaType.Type.Bool: ("text", "true".__eq__),
    QMetaType.Type.QDate: ("text", lambda text: QDate.fromString(text, Qt.DateFormat.ISODate)),
    QMetaType.Type.QTime: ("text", lambda text: QTime.fromString(text, _ISO)),
    QMetaType.Type.QDateTime: ("text", lambda text: QDateTime.fromString(text, _ISO)),
}

#: Bytes of a point as WKB, without and with Z.
_WIDTHS = {QgsWkbTypes.Type.Point: 21, QgsWkbTypes.Type.PointZ: 29}


def copied_columns(source, indexes, rows: int, needs_z: bool, feedback):
    """Yield geometries as WKB and columns of a layer, out of a copy in a temporary file.

    QGIS writes its features without Python, and GDAL reads the copy by columns. The format of
    the copy, FlatGeobuf, knows no row without geometry.

    Parameters
    ----------
    source : QgsFeatureSource
    indexes : list of int
        Which fields.
    rows : int
        Rows to read at a time.
    needs_z : bool

    Yields
    ------
    geometries : Texts
    columns : dict of int to Numbers or Texts

    Raises
    ------
    NotByColumnsError
        If something would not come through unchanged.
    Cancelled
    """
    require_arrow()
    layer = layer_of(source)
    if layer is None or layer.isModified():
        raise NotByColumnsError("values that may be of another type than their field")
    kind = QgsWkbTypes.Type(source.wkbType())
    if kind not in _WIDTHS:
        raise NotByColumnsError("not points")
    if needs_z and kind == QgsWkbTypes.Type.Point and _has_heights(layer):
        raise NotByColumnsError("heights that the layer does not declare")
    fields = source.fields()
    if any(fields[index].type() not in _TYPES for index in indexes):
        raise NotByColumnsError("a field of another type")
    path = QgsProcessingUtils.generateTempFilename("columns.fgb")
    try:
        _copy(source, indexes, kind, path, feedback)
        yield from _read(path, source, layer, indexes, rows, needs_z, feedback)
    finally:
        Path(path).unlink(missing_ok=True)


def _has_heights(layer) -> bool:
    highest, found = layer.aggregate(QgsAggregateCalculator.Aggregate.Max, "z_max($geometry)")
    return not found or not is_null(highest)


def _copy(source, indexes, kind, path, feedback):
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerOptions = "FlatGeobuf", ["SPATIAL_INDEX=NO"]
    request = plain_request().setSubsetOfAttributes(list(indexes))
    request.setFeedback(feedback)
    fields = _fields_of_copy(source.fields(), indexes)
    with quiet():
        writer = QgsVectorFileWriter.create(
            path,
            fields,
            kind,
            QgsCoordinateReferenceSystem(),
            QgsCoordinateTransformContext(),
            options,
        )
        try:
            whole = (
                writer.addFeatures(source.getFeatures(request), QgsFeatureSink.Flag.FastInsert)
                and not writer.hasError()
            )
        finally:
            del writer
    if feedback.isCanceled():
        raise Cancelled
    if not whole:
        raise NotByColumnsError("a feature that cannot be copied")


def _fields_of_copy(fields, indexes) -> QgsFields:
    """Return the fields as they are copied: a writer takes a feature's values one by one."""
    copied = QgsFields()
    for index in range(max(indexes, default=-1) + 1):
        kind = fields[index].type()
        if index in indexes or kind not in _TYPES:
            field = make_field(f"c{index}", _TYPES.get(kind, _TYPES[QMetaType.Type.QString])[0])
        else:
            # What is not needed is written in the way that takes least time.
            field = QgsField(fields[index])
            field.setName(f"c{index}")
        copied.append(field)
    return copied


def _read(path, source, layer, indexes, rows, needs_z, feedback):
    with quiet():
        try:
            dataset = gdal.OpenEx(path, gdal.OF_VECTOR, allowed_drivers=["FlatGeobuf"])
        except RuntimeError as error:
            raise NotByColumnsError(str(error)) from error
    table = dataset and dataset.GetLayer(0)
    # A row without geometry may have been left out.
    if table is None or table.GetFeatureCount() != _count(source, layer, feedback):
        raise NotByColumnsError("a row without geometry")
    fields = source.fields()
    width = _WIDTHS[QgsWkbTypes.Type(source.wkbType())]
    names = enumerate(field_names(table))
    table.SetIgnoredFields([name for i, name in names if i not in indexes])
    for batch in batches(table, rows):
        geometries = batch["wkb_geometry"]
        # Where one is missing, GDAL 3.10 confuses those around it.
        if not geometries.known.all() or (geometries.widths() != width).any():
            raise NotByColumnsError("a row without geometry")
        if needs_z and width == 29:
            z = geometries.at(np.arange(len(geometries)))[:, 21:].copy().view("<f8")
            # A point without height has been given one.
            if not (np.isfinite(z) & (z != 0.0)).all():
                raise NotByColumnsError("points with and without height")
        yield (
            geometries,
            {index: _original(batch[f"c{index}"], fields[index].type()) for index in indexes},
        )


def _original(column, kind):
    """Return a column of the copy as it was in the layer, by the type of the field there."""
    reads = _TYPES[kind][1]
    if reads is None:
        return column
    if kind == QMetaType.Type.QDateTime:
        return Times.of(column, reads)
    return replace(column, reads=reads)


def _count(source, layer, feedback) -> int:
    """Return the number of features, counted where the provider might only estimate it."""
    if layer.providerType() == "memory" and is_whole(source):
        return layer.featureCount()
    return len(feature_ids(source, feedback))
