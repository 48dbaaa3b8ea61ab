"""A page of text and pictures as PDF, with Qt alone."""

from __future__ import annotations

from html import escape

from qgis.PyQt.QtCore import QMarginsF, QPointF, QRectF, QSizeF, Qt, QUrl
from qgis.PyQt.QtGui import (
    QColor,
    QFont,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
    QPolygonF,
    QTextDocument,
)

from .._compat import LOSSLESS
from .._i18n import tr
from .._styling.look import INK, depth_color, font_family
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.share import sheet

_MARGIN = 15.0
_PX = 96.0 / 25.4  # pixels of HTML a millimetre
#: Sizes of the text, points, and heights of the map, mm, from what is read best downward.
_SIZES = ((10.5, 100.0), (10.0, 95.0), (9.5, 90.0), (9.0, 85.0), (8.5, 75.0), (8.0, 65.0),
          (7.5, 55.0))


def curve_picture(curve, unit) -> QImage:
    """Draw the area of a lake, m2, at a depth, m, or deeper; depth downward."""
    depth, area = curve[0] / sheet.METRES[unit], curve[1] / sheet.AREAS[unit][0]
    image = QImage(900, 640, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    room = QRectF(120.0, 110.0, 730.0, 500.0)
    across, down = room.width() / max(area.max(), 1e-9), room.height() / max(depth.max(), 1e-9)

    def at(a, d):
        return QPointF(room.left() + a * across, room.top() + d * down)

    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    font = QFont(font_family())
    font.setPixelSize(30)
    painter.setFont(font)
    painter.setBrush(depth_color(0.3))
    painter.setPen(QPen(QColor(INK), 4.0))
    painter.drawPolygon(QPolygonF(
        [at(0.0, 0.0), *(at(a, d) for a, d in zip(area, depth)), at(0.0, depth[-1])]))
    center = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom
    right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
    for values, by_depth in ((sheet.ticks(depth.max()), True), (sheet.ticks(area.max()), False)):
        for value in values:
            ends = ((at(0.0, value), at(area.max(), value)) if by_depth
                    else (at(value, 0.0), at(value, depth.max())))
            painter.setPen(QPen(QColor(0, 0, 0, 60), 1.5))
            painter.drawLine(*ends)
            painter.setPen(QColor(INK))
            spot = ends[0]
            box = (QRectF(0.0, spot.y() - 20.0, room.left() - 15.0, 40.0) if by_depth
                   else QRectF(spot.x() - 80.0, room.top() - 50.0, 160.0, 40.0))
            painter.drawText(box, right if by_depth else center, written(value, "g"))
    painter.drawText(QRectF(0.0, 10.0, 900.0, 44.0), Qt.AlignmentFlag.AlignLeft, tr(
        "How much of the lake ({}) is so deep ({}) or deeper").format(
            tr(sheet.AREAS[unit][1]), unit))
    painter.end()
    return image


def write_pdf(path, title, subtitle, sections, pictures, paper):
    """Write headings with sentences, a map and a curve as one page.

    Parameters
    ----------
    path : Path
    sections : list of (str, list of str)
    pictures : dict of str to QImage
        ``map`` stands across the page, ``curve`` beside the last sections.
    paper : str
        ``A4`` or ``Letter``.

    Raises
    ------
    LakefloorError
        If the text does not fit one page in the smallest size, or the file cannot be written.
    """
    writer = QPdfWriter(str(path))
    writer.setCreator("Lakefloor")
    writer.setTitle(title)
    writer.setResolution(300)
    page = QPageSize(QPageSize.PageSizeId.A4 if paper == "A4" else QPageSize.PageSizeId.Letter)
    writer.setPageLayout(QPageLayout(
        page, QPageLayout.Orientation.Portrait, QMarginsF(*4 * [_MARGIN]),
        QPageLayout.Unit.Millimeter))
    width = page.size(QPageSize.Unit.Millimeter).width() - 2.0 * _MARGIN
    for points, map_height in _SIZES:
        document = QTextDocument()
        document.documentLayout().setPaintDevice(writer)
        for name, image in pictures.items():
            document.addResource(QTextDocument.ResourceType.ImageResource, QUrl(name), image)
        font = QFont(font_family())
        font.setPointSizeF(points)
        document.setDefaultFont(font)
        document.setDocumentMargin(0.0)
        document.setHtml(_html(title, subtitle, sections, pictures, width, points, map_height))
        document.setPageSize(QSizeF(writer.width(), writer.height()))
        if document.pageCount() == 1:
            break
    else:
        raise LakefloorError(tr("The report does not fit one page; shorten the data sources."))
    painter = QPainter()
    if not painter.begin(writer):
        raise LakefloorError(
            tr("The report could not be written as '{}'. Is the disk full?").format(path.name))
    if LOSSLESS is not None:
        painter.setRenderHint(LOSSLESS)
    document.drawContents(painter)
    painter.end()


def _html(title, subtitle, sections, pictures, width, points, map_height) -> str:
    image = pictures["map"]
    wide = min(width, map_height * image.width() / image.height())
    curve = 0.36 * width

    def texts(chosen):
        return "".join(
            f'<p style="margin-top:{0.7 * points:.0f}px; margin-bottom:0px;"><b>{escape(heading)}'
            f'</b></p><p style="margin-top:0px; margin-bottom:0px;">{escape(" ".join(lines))}</p>'
            for heading, lines in chosen
        )

    return (
        f'<body style="color:{INK};">'
        f'<p style="font-size:{2.0 * points:.1f}pt; margin-bottom:0px;"><b>{escape(title)}</b></p>'
        f'<p style="margin-top:0px;">{escape(subtitle)}</p>'
        f'<p align="center"><img src="map" width="{wide * _PX:.0f}" '
        f'height="{wide * image.height() / image.width() * _PX:.0f}"></p>'
        f"{texts(sections[:3])}"
        f'<table width="100%" cellspacing="0" cellpadding="0" '
        f'style="margin-top:{0.7 * points:.0f}px;"><tr><td width="62%">'
        f"{texts(sections[3:])}</td>"
        f'<td width="38%" align="right" valign="top"><p style="margin-top:{points:.0f}px;">'
        f'<img src="curve" width="{curve * _PX:.0f}" height="{curve * 640 / 900 * _PX:.0f}"></p>'
        f"</td></tr></table></body>"
    )
