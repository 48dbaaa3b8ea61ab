"""Marks of the boat in the lake's layer of marks, written at once."""

from __future__ import annotations

from qgis.core import (
    QgsCoordinateTransform,
    QgsFeature,
    QgsGeometry,
    QgsPointXY,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDateTime, Qt

from ...algorithms._i18n import tr
from ...algorithms._io.layer_crs import wgs84
from ...algorithms.core.errors import LakefloorError
from ..tools.lake_layers import project_of
from ..tools.marks import MARK_FIELDS
from ..tools.own_layers import own_file, own_layer


class MarkLayer:
    """Writes into the layer of marks, or into its file where the lake is not on the map.

    What is written goes past an edit session, so that it is on the disk at once and not part of what a
    person saves or takes back; the layer shows it all the same.

    Parameters
    ----------
    lake : object
        What the panel holds.
    """

    def __init__(self, lake):
        self._lake = lake

    def add(self, place, mark) -> int:
        """Add a mark; return the number of its feature.

        Parameters
        ----------
        place : tuple of float
            Longitude and latitude, degrees.
        mark : dict
            Values by the names of :data:`.MARK_FIELDS`; ``time`` in ms since 1970, UTC.

        Raises
        ------
        LakefloorError
            If the layer or its file does not take it.
        """
        layer = self._layer()
        feature = QgsFeature(layer.fields())
        feature.setGeometry(self._point(place, layer))
        for name, value in mark.items():
            if layer.fields().indexFromName(name) >= 0 and value is not None:
                is_time = name == "time"
                feature.setAttribute(name, _utc(value) if is_time else value)
        done, added = layer.dataProvider().addFeatures([feature])
        self._end(layer, done)
        return added[0].id()

    def move(self, number, place):
        """Move a mark to its place."""
        layer = self._layer()
        self._end(
            layer, layer.dataProvider().changeGeometryValues({number: self._point(place, layer)})
        )

    def remove(self, number):
        """Take a mark away."""
        layer = self._layer()
        self._end(layer, layer.dataProvider().deleteFeatures([number]))

    def _layer(self):
        lake = self._lake
        path, make = lake.folder.marks, (MARK_FIELDS, QgsWkbTypes.Type.Point, wgs84())
        if _is_shown(lake):
            return own_layer(lake, "marks", path, make)
        own_file(lake, "marks", path, make)
        layer = QgsVectorLayer(str(path), tr("Marks"), "ogr")
        if not layer.isValid():
            raise LakefloorError(
                tr("Cannot read '{}'. Take the file from a backup of the lake.").format(path)
            )
        return layer

    def _point(self, place, layer):
        to_layer = QgsCoordinateTransform(wgs84(), layer.crs(), project_of(self._lake))
        geometry = QgsGeometry.fromPointXY(to_layer.transform(QgsPointXY(*place)))
        if QgsWkbTypes.isMultiType(layer.wkbType()):
            geometry.convertToMultiType()
        return geometry

    def _end(self, layer, done):
        if not done:
            raise LakefloorError(
                tr("Layer '{}' takes no mark now ({}). The mark is kept in the recording.").format(
                    layer.name(), "; ".join(layer.dataProvider().errors()) or tr("unknown reason")
                )
            )
        layer.updateExtents()
        layer.triggerRepaint()


def _is_shown(lake) -> bool:
    from ...algorithms._project.lake_group import group_of

    return group_of(project_of(lake), lake.facts) is not None


def _utc(milliseconds):
    return QDateTime.fromMSecsSinceEpoch(int(milliseconds), Qt.TimeSpec.UTC)
