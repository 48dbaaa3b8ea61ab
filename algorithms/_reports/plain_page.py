"""A page of text and pictures as PDF, with Qt alone."""

from __future__ import annotations

from html import escape

from qgis.PyQt.QtCore import QMarginsF, QSizeF, QUrl
from qgis.PyQt.QtGui import QFont, QPageLayout, QPageSize, QPainter, QPdfWriter, QTextDocument

from .._compat import LOSSLESS
from .._i18n import tr
from .._styling.look import INK, font_family
from ..core.errors import LakefloorError
from .curve_picture import HEIGHT, WIDTH

_MARGIN = 15.0
_PX = 96.0 / 25.4  # pixels of HTML a millimeter
#: Sizes of the text, points, and heights of the map, mm, from what is read best downward.
_SIZES = (
    (10.5, 100.0),
    (10.0, 95.0),
    (9.5, 90.0),
    (9.0, 85.0),
    (8.5, 75.0),
    (8.0, 65.0),
    (7.5, 55.0),
)


def write_pdf(path, settings, sections, pictures):
    """Write headings with sentences, a map and a curve as one page.

    Parameters
    ----------
    path : Path
    settings : SheetSettings
        Its page size is ``A4`` or ``Letter``.
    sections : list of (str, list of str)
    pictures : dict of str to QImage
        ``map`` stands across the page, ``curve`` beside the last sections.

    Raises
    ------
    LakefloorError
        If the text does not fit one page in the smallest size, or the file cannot be written.
    """
    writer = QPdfWriter(str(path))
    writer.setCreator("Lakefloor")
    writer.setTitle(settings.title)
    writer.setResolution(300)
    sizes = QPageSize.PageSizeId
    page = QPageSize(sizes.A4 if settings.page_size == "A4" else sizes.Letter)
    writer.setPageLayout(
        QPageLayout(
            page,
            QPageLayout.Orientation.Portrait,
            QMarginsF(*4 * [_MARGIN]),
            QPageLayout.Unit.Millimeter,
        )
    )
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
        document.setHtml(
            _html(settings.title, settings.lake, sections, pictures, width, points, map_height)
        )
        document.setPageSize(QSizeF(writer.width(), writer.height()))
        if document.pageCount() == 1:
            break
    else:
        raise LakefloorError(
            tr("The report does not fit one page. Shorten the data sources, then run again.")
        )
    painter = QPainter()
    if not painter.begin(writer):
        raise LakefloorError(
            tr(
                "The report could not be written as '{}'. Check that the disk has room, then run "
                "again."
            ).format(path.name)
        )
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
        f'<img src="curve" width="{curve * _PX:.0f}" '
        f'height="{curve * HEIGHT / WIDTH * _PX:.0f}"></p>'
        f"</td></tr></table></body>"
    )
