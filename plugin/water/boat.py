"""The boat on the map: where it is, and its track of the last minutes."""

from __future__ import annotations

from qgis.core import (
    QgsCoordinateTransform,
    QgsCsException,
    QgsGeometry,
    QgsPointXY,
    QgsProject,
    QgsRectangle,
    QgsWkbTypes,
)
from qgis.gui import QgsRubberBand, QgsVertexMarker
from qgis.PyQt.QtCore import QObject
from qgis.PyQt.QtGui import QColor, QPalette

from ...algorithms._io.layer_crs import wgs84

#: Part of the map, from its middle, within which the boat moves before the map follows.
_INNER = 0.8
_SIZE, _WIDTH = 18, 4
#: A map at a smaller scale shows too little of the boat; around it, degrees.
_FARTHEST, _NEAR = 100_000.0, 0.004


class BoatOnMap(QObject):
    """A ring at the boat's place, and a line behind it; the map may follow."""

    def __init__(self, canvas, parent=None):
        super().__init__(parent)
        self._canvas, self.keep_in_view = canvas, True
        self._marker = self._band = None

    def show_track(self, places):
        """Show the boat at the last of its places.

        Parameters
        ----------
        places : list of tuple
            Longitude and latitude, degrees, from the oldest.
        """
        if not places:
            return
        crs = self._canvas.mapSettings().destinationCrs()
        to_map = QgsCoordinateTransform(wgs84(), crs, QgsProject.instance())
        line = QgsGeometry.fromPolylineXY([QgsPointXY(*place) for place in places])
        try:
            boat = to_map.transform(QgsPointXY(*places[-1]))
            line.transform(to_map)
        except QgsCsException:
            return  # the map shows another part of the Earth
        is_first = self._marker is None
        self._make()
        self._marker.setCenter(boat)
        if len(places) > 1:
            self._band.setToGeometry(line, crs)
        if self.keep_in_view:
            if is_first:
                self._come_near(places[-1], boat, to_map)
            self._follow(boat)

    def clear(self):
        """Take the boat from the map."""
        scene = self._canvas.scene()
        for item in (self._marker, self._band):
            if item is not None:
                scene.removeItem(item)
        self._marker = self._band = None

    def _make(self):
        if self._marker is not None:
            return
        color = self._canvas.palette().color(QPalette.ColorRole.Highlight)
        edge = QColor(self._canvas.palette().color(QPalette.ColorRole.HighlightedText))
        self._band = QgsRubberBand(self._canvas, QgsWkbTypes.GeometryType.LineGeometry)
        self._band.setStrokeColor(color)
        self._band.setSecondaryStrokeColor(edge)
        self._band.setWidth(_WIDTH)
        self._marker = QgsVertexMarker(self._canvas)
        self._marker.setIconType(QgsVertexMarker.IconType.ICON_CIRCLE)
        self._marker.setIconSize(_SIZE)
        self._marker.setPenWidth(_WIDTH)
        self._marker.setColor(color)
        self._marker.setFillColor(edge)

    def _come_near(self, place, point, to_map):
        """Show where the boat is, where the map shows nothing of it or far too much."""
        canvas = self._canvas
        if canvas.extent().contains(point) and canvas.scale() <= _FARTHEST:
            return
        near = QgsRectangle(*place, *place).buffered(_NEAR)
        canvas.setExtent(to_map.transformBoundingBox(near))
        canvas.refresh()

    def _follow(self, point):
        """Put the boat into the middle of the map when it nears the edge."""
        inner = self._canvas.extent()
        inner.scale(_INNER)
        if not inner.contains(point):
            self._canvas.setCenter(point)
            self._canvas.refresh()
