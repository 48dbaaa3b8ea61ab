"""A curve of the lake by depth as a picture."""

from __future__ import annotations

from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QImage, QPainter, QPen, QPolygonF

from .._styling.look import INK, depth_color, font_family
from ..core.wording.curve_drawing import CurveDrawing

#: Size of the picture and the frame of the curve in it, pixels.
WIDTH, HEIGHT = 900, 640
_FRAME = QRectF(120.0, 110.0, 730.0, 500.0)
_TEXT = 30


def curve_picture(drawing: CurveDrawing) -> QImage:
    """Return a curve as a picture on white."""
    image = QImage(WIDTH, HEIGHT, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    font = QFont(font_family())
    font.setPixelSize(_TEXT)
    painter.setFont(font)
    _draw_curve(painter, drawing)
    _draw_marks(painter, drawing)
    painter.drawText(QRectF(0.0, 10.0, WIDTH, 44.0), Qt.AlignmentFlag.AlignLeft, drawing.title)
    painter.end()
    return image


def _at(across, down) -> QPointF:
    return QPointF(_FRAME.left() + across * _FRAME.width(), _FRAME.top() + down * _FRAME.height())


def _polygon(corners) -> QPolygonF:
    return QPolygonF([_at(*corner) for corner in corners])


def _draw_curve(painter, drawing):
    painter.setBrush(depth_color(0.3))
    painter.setPen(QPen(QColor(INK), 4.0))
    painter.drawPolygon(_polygon(drawing.body))
    if drawing.band is not None:
        band = depth_color(1.0)
        band.setAlpha(110)
        painter.setBrush(band)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.drawPolygon(_polygon(drawing.band))


def _draw_marks(painter, drawing):
    wide, deep = drawing.extent
    center = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom
    right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
    marks = [(_at(0.0, at), _at(wide, at), text, True) for at, text in drawing.down]
    marks += [(_at(at, 0.0), _at(at, deep), text, False) for at, text in drawing.across]
    for start, end, text, of_depth in marks:
        painter.setPen(QPen(QColor(0, 0, 0, 60), 1.5))
        painter.drawLine(start, end)
        painter.setPen(QColor(INK))
        box = QRectF(start.x() - 80.0, _FRAME.top() - 50.0, 160.0, 40.0)
        if of_depth:
            box = QRectF(0.0, start.y() - 20.0, _FRAME.left() - 15.0, 40.0)
        painter.drawText(box, right if of_depth else center, text)
