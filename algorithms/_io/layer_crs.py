"""The coordinate system of a layer, and a metric one to work in."""

from __future__ import annotations

import numpy as np
from osgeo import osr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsUnitTypes,
)

from .._i18n import tr
from ..core.crs import utm_epsg
from ..core.errors import LakefloorError
from .named_crs import require_alive


def wgs84() -> QgsCoordinateReferenceSystem:
    """Return the CRS of GPS positions."""
    return QgsCoordinateReferenceSystem("EPSG:4326")


def metric_crs(crs, extent, layer_name: str, feedback) -> QgsCoordinateReferenceSystem:
    """Return ``crs`` where its unit is the meter, else the UTM zone of the extent's center."""
    require_crs(crs, layer_name)
    if not crs.isGeographic() and crs.mapUnits() == QgsUnitTypes.DistanceUnit.DistanceMeters:
        return crs
    if extent.isEmpty() and extent.isNull():
        raise LakefloorError(
            tr("Layer '{}' is empty. Choose a layer that holds something.").format(layer_name)
        )
    center = extent.center()
    if crs != wgs84():
        to_degrees = QgsCoordinateTransform(crs, wgs84(), QgsCoordinateTransformContext())
        center = to_degrees.transform(center)
    if crs.isGeographic() and not (abs(center.x()) <= 180.0 and abs(center.y()) <= 90.0):
        raise LakefloorError(
            tr(
                "The CRS of layer '{}' is in degrees ({}), but its positions are about {:.0f}, "
                "{:.0f}. Set the right CRS in its properties, then run again."
            ).format(layer_name, crs.authid() or tr("custom CRS"), center.x(), center.y())
        )
    target = QgsCoordinateReferenceSystem(
        f"EPSG:{utm_epsg(np.array([center.x()]), np.array([center.y()]))}"
    )
    feedback.pushInfo(
        tr("Layer '{}' ({}) is projected to {} ({}), so that lengths are in meters.").format(
            layer_name, crs.authid() or tr("custom CRS"), target.authid(), target.description()
        )
    )
    return target


def require_crs(crs, layer_name: str):
    """Refuse a layer without a coordinate system, or with one that QGIS has lost."""
    if not crs.isValid():
        raise LakefloorError(
            tr(
                "Layer '{}' has no coordinate reference system. Set the right one in its "
                "properties, then run again."
            ).format(layer_name)
        )
    require_alive(crs, layer_name)


def srs_wkt(crs) -> str:
    """Return the WKT that GDAL writes into a raster."""
    require_alive(crs, tr("the result"))
    srs = osr.SpatialReference()
    if crs.authid().startswith("EPSG:"):
        srs.ImportFromEPSG(int(crs.authid().split(":")[1]))
    else:
        srs.ImportFromWkt(crs.toWkt())
    return srs.ExportToWkt()
