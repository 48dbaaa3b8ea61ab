"""Layers as marks for other devices."""

import numpy as np
from qgis.core import QgsCoordinateReferenceSystem, QgsFeatureRequest, QgsWkbTypes

from .._compat import is_null
from .._i18n import tr
from .._io.layer_crs import metric_crs
from .._io.values import field_indexes
from ..core.errors import Cancelled, LakefloorError


def wgs84():
    """Return the CRS of GPS positions."""
    return QgsCoordinateReferenceSystem("EPSG:4326")


_KINDS = {
    QgsWkbTypes.GeometryType.PointGeometry: "point",
    QgsWkbTypes.GeometryType.LineGeometry: "line",
    QgsWkbTypes.GeometryType.PolygonGeometry: "polygon",
}


def geometry_kind(source):
    """Return ``point``, ``line`` or ``polygon``, None for a table."""
    return _KINDS.get(QgsWkbTypes.geometryType(source.wkbType()))


def require(source, kind, feedback):
    """Refuse a layer of another geometry kind, without features or without a CRS."""
    name = source.sourceName()
    if geometry_kind(source) != kind:
        found = QgsWkbTypes.geometryType(source.wkbType())
        words = {"point": tr("points"), "line": tr("lines"), "polygon": tr("polygons")}
        raise LakefloorError(
            tr("The geometry of layer '{}' is '{}'. Choose a layer of {}.").format(
                name, QgsWkbTypes.geometryDisplayString(found).lower(), words[kind]
            )
        )
    if source.featureCount() == 0:
        raise LakefloorError(tr("Layer '{}' is empty. Choose another.").format(name))
    if not source.sourceCrs().isValid():
        metric_crs(source.sourceCrs(), source.sourceExtent(), name, feedback)


def numbers(values) -> np.ndarray:
    """Return a column as numbers, NaN where there is none."""

    def number(value):
        try:
            return float(value)
        except (TypeError, ValueError):
            return np.nan

    try:
        return np.array(values, dtype=float)
    except (TypeError, ValueError):
        return np.array([number(v) for v in values], dtype=float)


def texts(values) -> list:
    return ["" if v is None else str(v) for v in values]


def read_line_rows(source, crs, names, context, feedback):
    """Read every line of a layer and some of its fields.

    Returns
    -------
    lines : list of array, shape (k, 2)
        In ``crs``; a feature of several parts gives one line a part.
    columns : dict of str to list
        None for NULL.
    """
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    indexes = field_indexes(source, names)
    lines, columns = [], {name: [] for name in names}
    for i, feature in enumerate(source.getFeatures(request)):
        if i % 1000 == 0 and feedback.isCanceled():
            raise Cancelled
        attributes = feature.attributes()
        for part in feature.geometry().constParts():
            line = np.array([(p.x(), p.y()) for p in part.vertices()], float)
            if len(line) < 2:
                continue
            lines.append(line)
            for name, index in zip(names, indexes):
                value = attributes[index]
                columns[name].append(None if is_null(value) else value)
    return lines, columns
