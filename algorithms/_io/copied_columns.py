"""The columns of any layer of points, by a copy that QGIS itself makes of its features."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from osgeo import gdal
from qgis.core import (
    QgsAggregateCalculator,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransformContext,
    QgsFeatureSink,
    QgsFields,
    QgsProcessingUtils,
    QgsVectorFileWriter,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDate, QDateTime, QMetaType, Qt, QTime

from .._compat import is_null, make_field
from ..core.errors import Cancelled
from .arrow import NotByColumnsError, Numbers, Texts, Times, batches
from .gdal_errors import quiet
from .iterating import feature_ids, plain_request
from .layer_of import is_whole, layer_of

_ISO = Qt.DateFormat.ISODateWithMs

#: Type of a field -> how it is copied, and what makes QGIS's value of the copy.
_TYPES = {
    QMetaType.Type.Int: ("int", None),
    QMetaType.Type.Double: ("double", None),
    QMetaType.Type.QString: ("text", str),
    # As texts, because a number of 64 bits, and a time with its milliseconds and zone, come
    # through no other way.
    QMetaType.Type.LongLong: ("text", int),
    QMetaType.Type.Bool: ("text", "true".__eq__),
    QMetaType.Type.QDate: ("text", lambda text: QDate.fromString(text, _ISO)),
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
    layer = layer_of(source)
    if layer is None or layer.isModified():
        raise NotByColumnsError("values that may be of another type than their field")
    kind = QgsWkbTypes.Type(source.wkbType())
    if kind not in _WIDTHS:
        raise NotByColumnsError("not points")
    if needs_z and kind == QgsWkbTypes.Type.Point and _has_heights(layer):
        raise NotByColumnsError("heights that the layer does not declare")
    types = [_TYPES.get(source.fields()[index].type()) for index in indexes]
    if None in types:
        raise NotByColumnsError("a field of another type")
    path = QgsProcessingUtils.generateTempFilename("columns.fgb")
    try:
        _copy(source, indexes, dict(zip(indexes, types)), kind, path, feedback)
        yield from _read(path, source, layer, dict(zip(indexes, types)), rows, needs_z, feedback)
    finally:
        Path(path).unlink(missing_ok=True)


def _has_heights(layer) -> bool:
    highest, found = layer.aggregate(QgsAggregateCalculator.Aggregate.Max, "z_max($geometry)")
    return not found or not is_null(highest)


def _copy(source, indexes, types, kind, path, feedback):
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerOptions = "FlatGeobuf", ["SPATIAL_INDEX=NO"]
    options.attributes, options.skipAttributeCreation = list(indexes), not indexes
    fields = QgsFields()
    for index in range(source.fields().count()):
        fields.append(make_field(f"c{index}", types.get(index, ("text", str))[0]))
    request = plain_request().setSubsetOfAttributes(list(indexes))
    request.setFeedback(feedback)
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


def _read(path, source, layer, types, rows, needs_z, feedback):
    with quiet():
        try:
            dataset = gdal.OpenEx(path, gdal.OF_VECTOR, allowed_drivers=["FlatGeobuf"])
        except RuntimeError as error:
            raise NotByColumnsError(str(error)) from error
    table = dataset and dataset.GetLayer(0)
    # A row without geometry may have been left out.
    if table is None or table.GetFeatureCount() != _count(source, layer, feedback):
        raise NotByColumnsError("a row without geometry")
    width = _WIDTHS[QgsWkbTypes.Type(source.wkbType())]
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
        found = {}
        for index, (_, reads) in types.items():
            column = batch[f"c{index}"]
            if reads is None:
                found[index] = Numbers(column.values, column.known)
            else:
                timed = source.fields()[index].type() == QMetaType.Type.QDateTime
                made = Times if timed else Texts
                found[index] = made(column.data, column.offsets, column.known, reads)
                if timed:
                    found[index].milliseconds()
        yield geometries, found


def _count(source, layer, feedback) -> int:
    """Return the number of features, counted where the provider might only estimate it."""
    if layer.providerType() == "memory" and is_whole(source):
        return layer.featureCount()
    return len(feature_ids(source, feedback))
