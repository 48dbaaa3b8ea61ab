"""A line drawn on the map."""

from __future__ import annotations

from qgis.core import QgsGeometry, QgsWkbTypes
from qgis.gui import QgsMapTool, QgsRubberBand
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QColor

from ...algorithms._styling.look import DROP_OFF, WHITE

__all__ = ["LineTool"]


class LineTool(QgsMapTool):
    """Left click adds a vertex, right click or double click ends, Backspace takes one back.

    Esc gives the line up. The line stays on the map until :meth:`clear`.
    """

    #: A line was ended; it is in the CRS of the map.
    drawn = pyqtSignal(QgsGeometry)

    def __init__(self, canvas):
        super().__init__(canvas)
        self._points, self._ended = [], False
        self._band = QgsRubberBand(canvas, QgsWkbTypes.GeometryType.LineGeometry)
        self._band.setColor(QColor(DROP_OFF))
        self._band.setSecondaryStrokeColor(QColor(WHITE))
        self._band.setWidth(2)
        self.setCursor(Qt.CursorShape.CrossCursor)

    def clear(self):
        """Take the line off the map."""
        self._points, self._ended = [], False
        self._band.reset(QgsWkbTypes.GeometryType.LineGeometry)

    def tear_down(self):
        """Take away what is on the map."""
        canvas = self.canvas()
        if canvas.mapTool() is self:
            canvas.unsetMapTool(self)
        canvas.scene().removeItem(self._band)

    # -- what QGIS calls -----------------------------------------------------------

    def canvasReleaseEvent(self, event):
        if event.button() == Qt.MouseButton.RightButton:
            self._end()
        elif event.button() == Qt.MouseButton.LeftButton:
            if self._ended:
                self.clear()
            self._points.append(event.mapPoint())
            self._draw()

    def canvasDoubleClickEvent(self, event):
        self._end()

    def canvasMoveEvent(self, event):
        if self._points and not self._ended:
            self._draw(event.mapPoint())

    def keyPressEvent(self, event):
        if event.key() == Qt.Key.Key_Escape:
            self.clear()
        elif event.key() == Qt.Key.Key_Backspace and self._points and not self._ended:
            self._points.pop()
            self._draw()
        else:
            return
        # The map would take Backspace and Esc for itself.
        event.accept()

    def deactivate(self):
        if not self._ended:
            self.clear()
        super().deactivate()

    # ------------------------------------------------------------------------------

    def _end(self):
        # The second click of a double click has set a vertex where one is.
        points = [p for p, before in zip(self._points, [None, *self._points]) if p != before]
        if self._ended or len(points) < 2:
            self.clear()
            return
        self._points, self._ended = points, True
        self._draw()
        self.drawn.emit(QgsGeometry.fromPolylineXY(points))

    def _draw(self, cursor=None):
        line = [*self._points, *([cursor] if cursor is not None else [])]
        self._band.setToGeometry(QgsGeometry.fromPolylineXY(line), None)
