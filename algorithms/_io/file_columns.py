"""The columns of a layer straight from its file, where it is plainly a table of a GeoPackage."""

from __future__ import annotations

import os
from functools import cache

import numpy as np
from osgeo import gdal, ogr
from qgis.core import QgsFeatureRequest, QgsFields, QgsProviderRegistry
from qgis.PyQt.QtCore import QDateTime, QMetaType, Qt

from ..core.geopackage import quoted
from .arrow import NotByColumnsError, Texts, Times, batches, field_names
from .gdal_errors import quiet
from .layer_of import is_whole, layer_of

#: What QGIS makes of a field of GDAL, for those that come through unchanged.
_TYPES = {
    ogr.OFTInteger: QMetaType.Type.Int,
    ogr.OFTInteger64: QMetaType.Type.LongLong,
    ogr.OFTReal: QMetaType.Type.Double,
    ogr.OFTString: QMetaType.Type.QString,
    ogr.OFTDateTime: QMetaType.Type.QDateTime,
}

_NUMBER, _TIME = "number of the row", "time {}"

#: What GDAL calls the geometry where it is to leave out fields.
_GEOMETRY = "OGR_GEOMETRY"


def file_columns(source, indexes, rows: int, geometry: bool):
    """Yield feature ids, geometries as WKB and columns of a layer, read by GDAL from its file.

    Parameters
    ----------
    source : QgsFeatureSource
    indexes : list of int
        Which fields.
    rows : int
        Rows to read at a time.

    Yields
    ------
    ids : int array, shape (n,)
    geometries : Texts or None
    columns : dict of int to Numbers or Texts

    Raises
    ------
    NotByColumnsError
        If the layer is anything but a table as it stands in a GeoPackage, or holds a value of
        which GDAL and QGIS could think differently.
    """
    layer = layer_of(source)
    if layer is None or not is_whole(source):
        raise NotByColumnsError("not all of a layer")
    path, parts = file_of(layer)
    with quiet():
        try:
            dataset = gdal.OpenEx(path, gdal.OF_VECTOR, allowed_drivers=["GPKG"])
            table = _same_table(dataset, layer, parts, indexes)
        except RuntimeError as error:
            raise NotByColumnsError(str(error)) from error
    columns = {index: layer.fields()[index].name() for index in indexes}
    yield from _read(layer, dataset, table, columns, rows, geometry)


def file_of(layer) -> tuple:
    """Return the GeoPackage of a layer that shows all of a table, and what else its source says.

    Raises
    ------
    NotByColumnsError
        If it is another layer, or shows anything but what the file holds.
    """
    provider = layer.dataProvider()
    if layer.providerType() != "ogr" or provider.storageType() != "GPKG":
        raise NotByColumnsError("not a GeoPackage")
    if layer.isEditable() or layer.subsetString():
        raise NotByColumnsError("being edited, or a part of the table")
    fields = layer.fields()
    if any(
        fields.fieldOrigin(i) != QgsFields.FieldOrigin.OriginProvider for i in range(fields.count())
    ):
        raise NotByColumnsError("fields that the table does not have")
    parts = QgsProviderRegistry.instance().decodeUri("ogr", layer.source())
    path = parts.pop("path", "")
    if any(value for key, value in parts.items() if key not in ("layerName", "layerId")):
        raise NotByColumnsError("opened in a way of its own")
    if not os.path.isfile(path):
        raise NotByColumnsError("not a file")
    return path, parts


def _same_table(dataset, layer, parts, indexes):
    """Return the table of the data set that the layer shows."""
    if dataset is None:
        raise NotByColumnsError("cannot be opened")
    if parts.get("layerName"):
        table = dataset.GetLayerByName(parts["layerName"])
    elif parts.get("layerId") is not None:
        table = dataset.GetLayer(int(parts["layerId"]))
    else:
        table = dataset.GetLayer(0) if dataset.GetLayerCount() == 1 else None
    if table is None or not table.GetFIDColumn() or not _is_table(dataset, table.GetName()):
        raise NotByColumnsError("not a table")
    definition = table.GetLayerDefn()
    found = [definition.GetFieldDefn(i) for i in range(definition.GetFieldCount())]
    names = [table.GetFIDColumn(), *(field.GetName() for field in found)]
    fields = layer.fields()
    if fields.names() != names or _GEOMETRY in map(str.upper, names):
        raise NotByColumnsError("other fields")
    for index in indexes:
        kind = QMetaType.Type.LongLong
        if index > 0:
            field = found[index - 1]
            kind = None if field.GetSubType() else _TYPES.get(field.GetType())
        if kind is None or fields[index].type() != kind:
            raise NotByColumnsError("a field of another type")
    return table


def _is_table(dataset, name) -> bool:
    """Tell a table from a view, whose rows GDAL numbers as it likes."""
    quoted = name.replace("'", "''")
    result = dataset.ExecuteSQL(
        f"SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = '{quoted}'"
    )
    row = result and result.GetNextFeature()
    count = row.GetField(0) if row else 0
    dataset.ReleaseResultSet(result)
    return count == 1


def _read(layer, dataset, table, columns, rows, geometry):
    """Yield what :func:`file_columns` does; ``columns`` are the names of the fields by index."""
    kinds = {index: layer.fields()[index].type() for index in columns}
    times = [index for index in columns if kinds[index] == QMetaType.Type.QDateTime]
    wanted = {name for index, name in columns.items() if index not in times}
    fid = table.GetFIDColumn()
    hidden = [name for name in field_names(table) if name not in wanted]
    table.SetIgnoredFields(hidden if geometry else [*hidden, _GEOMETRY])
    place, last, done = table.GetGeometryColumn(), None, 0
    clocks = _clocks(dataset, table, [columns[index] for index in times], rows) if times else None
    for batch in batches(table, rows):
        number = batch[fid]
        ids = number.values
        if (last is not None and ids.size and ids[0] <= last) or (np.diff(ids) <= 0).any():
            raise NotByColumnsError("not in the order of the rows")
        last = ids[-1] if ids.size else last
        found = {i: batch[name] for i, name in columns.items() if i not in times}
        if times:
            clock = next(clocks, None)
            if clock is None or not np.array_equal(clock[_NUMBER].values, ids):
                raise NotByColumnsError("changed while it was read")
            for k, index in enumerate(times):
                found[index] = _as_times(clock[_TIME.format(k)], layer, index, ids)
        yield ids, batch.get(place) if geometry else None, found
        done += ids.size
    # A stream that breaks off may only end.
    if done != table.GetFeatureCount():
        raise NotByColumnsError("not all rows")


def _clocks(dataset, table, names, rows):
    """Yield times as the texts that they are in the file, with the numbers of their rows.

    GDAL takes what is no time for one, and versions of QGIS differ in what they do with a zone.
    """

    # What is no text is one in a form that is not read here.
    texts = [
        f"CAST(CASE WHEN typeof({name}) IN ('text', 'null') THEN {name} ELSE '' END AS TEXT) AS "
        f"{quoted(_TIME.format(k))}"
        for k, name in enumerate(map(quoted, names))
    ]
    fid = quoted(table.GetFIDColumn())
    with quiet():
        result = dataset.ExecuteSQL(
            f"SELECT {fid} AS {quoted(_NUMBER)}, {', '.join(texts)} "
            f"FROM {quoted(table.GetName())} ORDER BY {fid}"
        )
    if result is None:
        raise NotByColumnsError("no times")
    try:
        yield from batches(result, rows)
    finally:
        dataset.ReleaseResultSet(result)


def _as_times(texts, layer, index, ids) -> Times:
    if not isinstance(texts, Texts):
        raise NotByColumnsError("times that are no texts")
    widths = texts.widths()
    # With an offset from UTC, QGIS 3.22 and 3.40 read different instants.
    if not np.isin(widths[texts.known], (19, 20, 23, 24)).all():
        raise NotByColumnsError("a time in another form")

    @cache
    def keeps():
        zoned = np.flatnonzero(texts.known & np.isin(widths, (20, 24)))
        return zoned.size and _keeps_zone(layer, index, int(ids[zoned[0]]))

    def read(text):
        return QDateTime.fromString(
            text if keeps() else text.rstrip("Z"), Qt.DateFormat.ISODateWithMs
        )

    return Times.of(texts, read)


def _keeps_zone(layer, index, fid) -> bool:
    """Tell whether this QGIS says of a time that it is UTC, as its file does."""
    feature = next(layer.getFeatures(QgsFeatureRequest(fid)), None)
    value = feature.attributes()[index] if feature is not None else None
    return isinstance(value, QDateTime) and value.timeSpec() != Qt.TimeSpec.LocalTime
