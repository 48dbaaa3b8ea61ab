"""Texts of a page, and the measures that all its parts share."""

from __future__ import annotations

from qgis.core import QgsLayoutItemLabel, QgsUnitTypes
from qgis.PyQt.QtCore import QRectF, Qt
from qgis.PyQt.QtGui import QFont, QFontMetricsF

from .._styling.look import font_family, text_format
from .parked import no_word_of_web_pages

MM = QgsUnitTypes.LayoutUnit.LayoutMillimeters
MARGIN = 9.0
GUTTER = 5.0
#: Color of rules in tables and graphs.
RULE = "#8a8a8a"
_POINT = 25.4 / 72.0


def _font(size, bold=False) -> QFont:
    font = QFont(font_family())
    font.setPointSizeF(size)
    font.setBold(bold)
    return font


def measure(size, bold=False):
    """Return a function that measures a text of a size in points, in mm."""
    font = QFont(font_family())
    font.setBold(bold)
    font.setPixelSize(1000)
    metrics = QFontMetricsF(font)
    # Renderers round advances to pixels, so leave them a little room.
    return lambda text: 1.03 * metrics.horizontalAdvance(text) / 1000.0 * size * _POINT


def line_height(size) -> float:
    font = QFont(font_family())
    font.setPixelSize(1000)
    return QFontMetricsF(font).lineSpacing() / 1000.0 * size * _POINT * 1.02


def set_font(item, size, bold=False):
    """Set the font of a legend style or label; text formats came in later releases."""
    if hasattr(item, "setTextFormat"):
        item.setTextFormat(text_format(size, bold=bold))
    else:
        item.setFont(_font(size, bold))


def label(
    layout,
    text,
    x,
    y,
    width,
    height,
    size,
    bold=False,
    align=Qt.AlignmentFlag.AlignLeft,
    expression=False,
    name="",
) -> QgsLayoutItemLabel:
    """Add a text; only with ``expression`` is what stands between "[%" and "%]" evaluated.

    ``name`` is the item's id, by which it is found when the sheet is renewed.
    """
    with no_word_of_web_pages():
        item = QgsLayoutItemLabel(layout)
    item.setId(name)
    item.setText(text if expression else text.replace("[%", "[ %"))
    set_font(item, size, bold)
    item.setMarginX(0.0)
    item.setMarginY(0.0)
    item.setHAlign(align)
    item.setVAlign(
        Qt.AlignmentFlag.AlignVCenter
        if align != Qt.AlignmentFlag.AlignLeft
        else Qt.AlignmentFlag.AlignTop
    )
    item.attemptSetSceneRect(QRectF(x, y, width, height))
    layout.addLayoutItem(item)
    return item
