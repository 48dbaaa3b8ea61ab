"""What kind of geometry a layer has."""

from __future__ import annotations

from qgis.core import QgsWkbTypes

from .._i18n import tr
from ..core.errors import LakefloorError
from .layer_crs import metric_crs

_KINDS = {
    QgsWkbTypes.GeometryType.PointGeometry: "point",
    QgsWkbTypes.GeometryType.LineGeometry: "line",
    QgsWkbTypes.GeometryType.PolygonGeometry: "polygon",
}


def geometry_kind(source):
    """Return ``point``, ``line`` or ``polygon``, None for a table."""
    return _KINDS.get(QgsWkbTypes.geometryType(source.wkbType()))


def require_geometry(source, kind: str):
    """Refuse a layer of another geometry kind.

    Raises
    ------
    LakefloorError
    """
    if geometry_kind(source) == kind:
        return
    found = QgsWkbTypes.geometryType(source.wkbType())
    words = {"point": tr("points"), "line": tr("lines"), "polygon": tr("polygons")}
    raise LakefloorError(
        tr("The geometry of layer '{}' is '{}'. Choose a layer of {}.").format(
            source.sourceName(), QgsWkbTypes.geometryDisplayString(found).lower(), words[kind]
        )
    )


def require_points(source):
    """Refuse a layer of lines or polygons; a table passes, its rows have no place."""
    if geometry_kind(source) in ("line", "polygon"):
        require_geometry(source, "point")


def require_kind(source, kind: str, feedback):
    """Refuse a layer of another geometry kind, without features or without a CRS.

    Raises
    ------
    LakefloorError
    """
    name = source.sourceName()
    require_geometry(source, kind)
    if source.featureCount() == 0:
        raise LakefloorError(tr("Layer '{}' is empty. Choose another.").format(name))
    if not source.sourceCrs().isValid():
        metric_crs(source.sourceCrs(), source.sourceExtent(), name, feedback)
