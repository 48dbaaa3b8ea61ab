"""Coordinate systems are named in the main thread first, where they stay alive.

QGIS keeps what PROJ knows of a CRS in the thread that named it first, and hands the same object
to all others. The threads of its pool end after half a minute without work; a CRS first named in
one of them is still "valid" then, but empty, everywhere and until QGIS is closed: nothing is
transformed any more. QGIS remembers CRSs by the text that they were named with, so each text
counts: the code, and the definitions that files of each format come with.
"""

from contextlib import suppress
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr, osr
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsCsException,
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingParameterCrs,
    QgsProcessingParameterExtent,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterMapLayer,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterPoint,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterVectorLayer,
    QgsProcessingUtils,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QCoreApplication, QThread

from .._i18n import tr
from ..core.crs import utm_epsg
from ..core.errors import LakefloorError
from .gdal_errors import quiet
from .params import is_list_of_files

#: All zones of UTM on WGS 84, in one of which every lake is computed that is not in meters.
UTM_ZONES = tuple(base + zone for base in (32600, 32700) for zone in range(1, 61))
#: GPS positions, and the CRS of tiles.
OTHERS = (4326, 3857)

_LAYERS = (
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterVectorLayer,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterMapLayer,
)
_named, _named_for_files = {}, set()


def name_common():
    """Name what every lake may need; called when the plugin is loaded."""
    for code in UTM_ZONES:
        _name(f"EPSG:{code}")
    for code in OTHERS:
        name_for_files(QgsCoordinateReferenceSystem(f"EPSG:{code}"))


def name_inputs(algorithm, parameters, context):
    """Name the CRS of every input of an algorithm, if this is the main thread.

    Layers that are given as files would else be opened in a thread of the pool first.
    """
    application = QCoreApplication.instance()
    if application is None or QThread.currentThread() != application.thread():
        return
    for crs, extent in _of_inputs(algorithm, parameters, context):
        if crs.isValid():
            name_for_files(crs)
            # What a run makes of a layer in degrees is in the UTM zone of its place, and steps of
            # a model read those files in the thread that wrote them.
            if crs.isGeographic() and extent is not None:
                _name_zone(crs, extent)
    # A shapefile states its CRS in other words than all other formats, and which it will be in is
    # not known yet. Naming all takes two or three seconds.
    if any(
        _is_shapefile(parameters.get(definition.name()))
        for definition in algorithm.destinationParameterDefinitions()
    ):
        for code in UTM_ZONES:
            name_for_files(QgsCoordinateReferenceSystem(f"EPSG:{code}"))


def _is_shapefile(value) -> bool:
    sink = getattr(value, "sink", value)
    text = sink.staticValue() if hasattr(sink, "staticValue") else sink
    return str(text).lower().endswith(".shp")


def _of_inputs(algorithm, parameters, context):
    own = QgsProcessingContext()
    own.setProject(context.project() or QgsProject.instance())
    for definition in algorithm.parameterDefinitions():
        value = parameters.get(definition.name())
        if value is None or definition.isDestination():
            continue
        if isinstance(definition, _LAYERS):
            yield _of_layer(value, context, own)
        elif is_list_of_files(definition):
            continue
        elif isinstance(definition, QgsProcessingParameterMultipleLayers):
            for each in value if isinstance(value, (list, tuple)) else [value]:
                yield _of_layer(each, context, own)
        elif isinstance(definition, QgsProcessingParameterFile):
            yield _of_store(value), None
        elif isinstance(definition, QgsProcessingParameterCrs):
            yield algorithm.parameterAsCrs(parameters, definition.name(), context), None
        elif isinstance(definition, QgsProcessingParameterPoint):
            yield algorithm.parameterAsPointCrs(parameters, definition.name(), context), None
        elif isinstance(definition, QgsProcessingParameterExtent):
            yield algorithm.parameterAsExtentCrs(parameters, definition.name(), context), None


def _of_layer(value, context, own):
    """Return CRS and extent; files are opened in a context of their own, in this thread."""
    layer = value
    if not isinstance(value, QgsMapLayer):
        source = getattr(value, "source", value)
        text = source.staticValue() if hasattr(source, "staticValue") else source
        layer = None
        if isinstance(text, str):
            # Results of earlier steps of a model are known to its context alone.
            layer = QgsProcessingUtils.mapLayerFromString(text, context, False)
            if layer is None and Path(text.partition("|")[0]).is_file():
                layer = QgsProcessingUtils.mapLayerFromString(text, own)
    return (
        (QgsCoordinateReferenceSystem(), None) if layer is None else (layer.crs(), layer.extent())
    )


def _name_zone(crs, extent):
    try:
        box = QgsCoordinateTransform(
            crs, QgsCoordinateReferenceSystem("EPSG:4326"), QgsCoordinateTransformContext()
        ).transformBoundingBox(extent)
    except QgsCsException:
        return
    if not box.isFinite():
        return
    y = box.center().y()
    # On the edge of two zones soundings may fall into the other one.
    for x in (box.center().x(), box.xMinimum(), box.xMaximum()):
        # Near the poles is no zone; the work itself says so.
        if abs(x) <= 180.0 and abs(y) <= 90.0:
            with suppress(LakefloorError):
                code = utm_epsg(np.array([x]), np.array([y]))
                name_for_files(QgsCoordinateReferenceSystem(f"EPSG:{code}"))


def _of_store(value):
    if (
        not isinstance(value, str)
        or Path(value).suffix.lower() != ".gpkg"
        or not Path(value).is_file()
    ):
        return QgsCoordinateReferenceSystem()
    return QgsVectorLayer(f"{value}|layername=soundings", "", "ogr").crs()


def name_for_files(crs):
    """Name a CRS by its code and by the definitions that files in it come with."""
    key = crs.authid() or crs.toWkt()
    if key in _named_for_files:
        return
    _named_for_files.add(key)
    _name(key)
    with quiet():
        for definition in _definitions(crs):
            for form in ("WKT1", "WKT2_2019"):
                _name(definition.ExportToWkt([f"FORMAT={form}"]))


def _name(text):
    # Kept, so that QGIS never drops it.
    if text and text not in _named:
        _named[text] = (
            QgsCoordinateReferenceSystem.fromWkt(text)
            if "[" in text
            else QgsCoordinateReferenceSystem(text)
        )


def _definitions(crs):
    """Yield the CRS as GDAL knows it, and as it comes back from files of some formats."""
    srs = osr.SpatialReference()
    srs.SetFromUserInput(crs.authid() if crs.authid().startswith("EPSG:") else crs.toWkt())
    yield srs
    for driver, suffix in (("GeoJSON", "geojson"), ("ESRI Shapefile", "shp")):
        path = f"/vsimem/lakefloor_crs.{suffix}"
        dataset = ogr.GetDriverByName(driver).CreateDataSource(path)
        if dataset is None:
            continue
        layer = dataset.CreateLayer("crs", srs, ogr.wkbPoint)
        if layer is not None:
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetGeometry(ogr.CreateGeometryFromWkt("POINT (1 1)"))
            layer.CreateFeature(feature)
        layer = dataset = None
        dataset = ogr.Open(path)
        found = dataset and dataset.GetLayer(0).GetSpatialRef()
        if found is not None:
            yield found.Clone()
        dataset = None
        gdal.Unlink(path)


def require_alive(crs, name):
    """Refuse a CRS that lost its definition with the thread that named it.

    Raises
    ------
    LakefloorError
        If there is nothing behind it; ``name`` is the layer or file that has it.
    """
    if crs.isValid() and not crs.toWkt():
        raise LakefloorError(
            tr(
                "QGIS has lost the definition of the CRS of '{}' ({}). Save your project, restart "
                "QGIS, then run again."
            ).format(name, crs.authid() or tr("custom CRS"))
        )
