"""The parts of the panel beside a map: sections of text, curve, table and legend."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from qgis.core import (
    QgsFillSymbol,
    QgsLayoutFrame,
    QgsLayoutItemLegend,
    QgsLayoutItemManualTable,
    QgsLayoutItemPolygon,
    QgsLayoutItemPolyline,
    QgsLayoutItemShape,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsLayoutUtils,
    QgsLegendRenderer,
    QgsLegendStyle,
    QgsLineSymbol,
    QgsMapLayerLegendUtils,
    QgsTableCell,
)
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QPolygonF

from .._i18n import tr
from .._styling.legend import occurring
from .._styling.look import INK, depth_color, text_format
from ..core.number_text import written
from ..core.wording import page_layout, sheet_text
from ..core.wording.amounts import AREA_UNITS
from ..core.wording.curve_drawing import hypsographic_drawing
from .layout_template import ROLE_OF_LEGEND
from .page_texts import MM, RULE, label, line_height, measure, set_font

_TABLE_RULE = 0.1


class Block(NamedTuple):
    """A part of the panel: its height and width, mm, and what draws it at a place."""

    height: float
    width: float
    draw: Callable


def section_block(heading, text, width, size, k, boxed=False) -> Block:
    """Return a heading with its text."""
    edge = 1.2 * k if boxed else 0.0
    lines = page_layout.wrap(text, width - 2.0 * edge, measure(size))
    pitch = line_height(size)
    heading_height = line_height(size * 1.15) * 1.15
    height = heading_height + pitch * len(lines) + 2.0 * edge

    def draw(layout, x, y):
        if boxed:
            frame = QgsLayoutItemShape(layout)
            frame.setId(f"frame, {heading}")
            frame.setShapeType(QgsLayoutItemShape.Shape.Rectangle)
            frame.setSymbol(
                QgsFillSymbol.createSimple(
                    {"style": "no", "outline_color": INK, "outline_width": "0.25"}
                )
            )
            frame.attemptSetSceneRect(QRectF(x, y, width, height))
            layout.addLayoutItem(frame)
        x, y, room = x + edge, y + edge, width - 2.0 * edge
        label(
            layout,
            heading,
            x,
            y,
            room,
            heading_height,
            size * 1.15,
            bold=True,
            name=f"heading, {heading}",
        )
        label(
            layout,
            text,
            x,
            y + heading_height,
            room,
            pitch * (len(lines) + (0.0 if boxed else 0.5)),
            size,
            name=f"text, {heading}",
        )

    return Block(height, width, draw)


def curve_block(facts, width, k) -> Block:
    """Return the hypsographic curve, as vectors."""
    drawing = hypsographic_drawing(facts.curve, facts.unit)
    head, foot = 8.0 * k, 1.5 * k
    frame = QRectF(8.0 * k, head, width - 14.0 * k, 21.0 * k)

    def draw(layout, x, y):
        curve = _CurveItems(layout, frame.translated(x, y), k)
        curve.body(drawing)
        curve.lines(drawing)
        title = label(
            layout, drawing.title, x, y, width, line_height(curve.size), curve.size, bold=True
        )
        title.setId("curve, title")
        curve.marks(drawing, x)

    return Block(head + frame.height() + foot, width, draw)


class _CurveItems:
    """Draws a curve in a frame of a layout."""

    def __init__(self, layout, frame, k):
        self.layout, self.frame, self.k = layout, frame, k
        self.size = 6.5 * k

    def body(self, drawing):
        item = QgsLayoutItemPolygon(
            QPolygonF([self._at(*corner) for corner in drawing.body]), self.layout
        )
        item.setId("curve, area by depth")
        item.setSymbol(
            QgsFillSymbol.createSimple(
                {"color": depth_color(0.3).name(), "outline_color": INK, "outline_width": "0.35"}
            )
        )
        self.layout.addLayoutItem(item)

    def lines(self, drawing):
        wide, deep = drawing.extent
        ends = [("depth", (0.0, at), (wide, at)) for at, _ in drawing.down]
        ends += [("area", (at, 0.0), (at, deep)) for at, _ in drawing.across]
        for name, start, end in ends:
            item = QgsLayoutItemPolyline(QPolygonF([self._at(*start), self._at(*end)]), self.layout)
            item.setId(f"curve, {name}")
            item.setSymbol(QgsLineSymbol.createSimple({"color": RULE, "width": "0.12"}))
            self.layout.addLayoutItem(item)

    def marks(self, drawing, left):
        """Add the figures along both edges; those of depth begin at ``left``."""
        pitch = line_height(0.85 * self.size)
        for at, text in drawing.down:
            y = self._at(0.0, at).y() - pitch / 2
            width = self.frame.left() - left - 1.0 * self.k
            self._mark("depth", text, QRectF(left, y, width, pitch), Qt.AlignmentFlag.AlignRight)
        for at, text in drawing.across:
            spot = self._at(at, 0.0)
            box = QRectF(
                spot.x() - 5.0 * self.k, spot.y() - pitch - 0.6 * self.k, 10.0 * self.k, pitch
            )
            self._mark("area", text, box, Qt.AlignmentFlag.AlignHCenter)

    def _mark(self, name, text, box, align):
        item = label(
            self.layout,
            text,
            box.x(),
            box.y(),
            box.width(),
            box.height(),
            0.85 * self.size,
            align=align,
        )
        item.setId(f"curve, {name} mark")

    def _at(self, across, down) -> QPointF:
        return QPointF(
            self.frame.left() + across * self.frame.width(),
            self.frame.top() + down * self.frame.height(),
        )


def table_block(facts, width, k) -> Block:
    """Return the depth-area table."""
    row_height, margin = 2.9 * k, 0.35 * k
    area_unit = tr(AREA_UNITS[facts.unit][1])
    head = ["", tr("Depth ({})").format(facts.unit), tr("Area ({})").format(area_unit), "%"]
    body = [
        ["", row.label, sheet_text.area_text(row.area), written(row.percent, ".1f")]
        for row in facts.bands
    ]
    total = ["", tr("all"), sheet_text.area_text(sum(row.area for row in facts.bands)), "100"]
    right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
    rows = []
    for number, texts in enumerate([head, *body, total]):
        cells = [QgsTableCell(text) for text in texts]
        bold = number in (0, len(body) + 1)
        for cell in cells:
            cell.setTextFormat(text_format(6.5 * k, bold=bold))
            cell.setHorizontalAlignment(right)
        if 0 < number <= len(body):
            fraction = facts.bands[number - 1].top / facts.deepest if facts.deepest else 0.0
            cells[0].setBackgroundColor(depth_color(fraction))
        rows.append(cells)
    height = len(rows) * (row_height + 2.0 * margin + _TABLE_RULE) + _TABLE_RULE

    def draw(layout, x, y):
        table = QgsLayoutItemManualTable.create(layout)
        layout.addMultiFrame(table)
        table.setCellMargin(margin)
        table.setGridStrokeWidth(_TABLE_RULE)
        table.setGridColor(QColor(RULE))
        table.setVerticalGrid(False)
        table.setTableContents(rows)
        shares = (0.14, 0.32, 0.34, 0.18)
        table.setColumnWidths([share * (width - 8.0 * margin) for share in shares])
        table.setRowHeights([row_height] * len(rows))
        frame = QgsLayoutFrame(layout, table)
        frame.setId("depth areas")
        frame.attemptSetSceneRect(QRectF(x, y, width, height + 0.5))
        table.addFrame(frame)

    return Block(height + 0.5, width, draw)


def legend_block(layout, layers, chart, k, at_datum) -> Block:
    """Return the legend, which stands in the layout already and is moved into place.

    ``at_datum`` is False where depths count from no known lake level.
    """
    legend = QgsLayoutItemLegend(layout)
    legend.setId("legend")
    legend.setTitle("")
    legend.setLinkedMap(chart)
    legend.setAutoUpdateModel(False)
    root = legend.model().rootGroup()
    root.clear()
    shore = tr("shoreline at lake datum") if at_datum else tr("shoreline, taken as depth 0")
    names = {
        "shoreline": shore,
        "contours": None,
        "break_lines": None,
        "soundings": None,
        "marks": tr("mark"),
    }
    for role, name in names.items():
        if role not in layers:
            continue
        node = root.addLayer(layers[role])
        node.setCustomProperty(ROLE_OF_LEGEND, role)
        if name:
            node.setCustomProperty("legend/title-label", name)
        else:
            QgsLegendRenderer.setNodeLegendStyle(node, QgsLegendStyle.Style.Hidden)
            shown = occurring(layers[role])
            if shown is not None:
                QgsMapLayerLegendUtils.setLegendNodeOrder(node, shown)
        legend.model().refreshLayerLegend(node)
    for kind in (QgsLegendStyle.Style.Subgroup, QgsLegendStyle.Style.SymbolLabel):
        style = legend.style(kind)
        set_font(style, 6.5 * k)
        style.setMargin(QgsLegendStyle.Side.Top, 0.8 * k)
        legend.setStyle(kind, style)
    legend.setSymbolWidth(9.0 * k)
    legend.setSymbolHeight(2.6 * k)
    legend.setBoxSpace(0.0)
    layout.addLayoutItem(legend)
    # The item itself knows its size only once it was drawn.
    size = QgsLegendRenderer(legend.model(), legend.legendSettings()).minimumSize(
        QgsLayoutUtils.createRenderContextForLayout(layout, None)
    )
    legend.attemptResize(QgsLayoutSize(size.width(), size.height(), MM))

    def draw(layout, x, y):
        legend.attemptMove(QgsLayoutPoint(x, y, MM))

    return Block(size.height(), size.width(), draw)
