"""The layout of a printed lake map."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from qgis.core import (
    Qgis,
    QgsBearingUtils,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsFeatureRequest,
    QgsFillSymbol,
    QgsLayoutExporter,
    QgsLayoutFrame,
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemManualTable,
    QgsLayoutItemMap,
    QgsLayoutItemMapGrid,
    QgsLayoutItemPolygon,
    QgsLayoutItemPolyline,
    QgsLayoutItemScaleBar,
    QgsLayoutItemShape,
    QgsLayoutMeasurement,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsLayoutUtils,
    QgsLegendRenderer,
    QgsLegendStyle,
    QgsLineSymbol,
    QgsMapLayerLegendUtils,
    QgsMapThemeCollection,
    QgsPrintLayout,
    QgsRectangle,
    QgsScaleBarSettings,
    QgsTableCell,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QFontMetricsF, QPolygonF, QTransform

from .._i18n import tr
from .._styling.look import INK, PAPER, depth_color, font_family, text_format
from ..core.errors import LakefloorError
from ..core.number_text import written
from ..core.share import sheet
from ._facts import collect_facts

__all__ = ["DRAWN", "LAYOUT_NAME", "build_layout", "collect_facts", "export_pdf", "export_png",
           "map_extent"]

LAYOUT_NAME = "Lake map"

#: Roles of the layers that the map shows, from the top downward.
DRAWN = ("shoreline", "break_lines", "contours", "soundings", "depth_areas", "surface")

MM = QgsUnitTypes.LayoutUnit.LayoutMillimeters
MARGIN = 9.0
_TITLE_HEIGHT = 17.0
_STRIP_HEIGHT = 11.0
_GRID_ROOM = 4.5
GUTTER = 5.0
_BLOCK_GAP = 3.0
_TABLE_RULE = 0.1
_POINT = 25.4 / 72.0
#: Colour of rules in tables and graphs.
RULE = "#8a8a8a"


# -- layout -----------------------------------------------------------------------


def map_extent(shoreline, crs, context) -> QgsRectangle:
    """Return the extent of the lake in the CRS of the map."""
    # Of the projected shore, as the projected box is larger.
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    extent = QgsRectangle()
    for feature in shoreline.getFeatures(request):
        extent.combineExtentWith(feature.geometry().boundingBox())
    return extent


def build_layout(project, layers, facts, extent, paper="Letter", orientation="auto",
                 scale=None, crs=None, name=LAYOUT_NAME) -> QgsPrintLayout:
    """Lay out the sheet in a project that holds the styled layers.

    Parameters
    ----------
    project : QgsProject
    layers : dict of str to QgsMapLayer
        As in :func:`collect_facts`; drawn in the order of the project's layer tree.
    extent : QgsRectangle
        What the map shows, m.
    paper : str
        A key of :data:`..core.share.sheet.PAPERS`.
    orientation : str
        ``portrait``, ``landscape`` or ``auto``.
    scale : float, optional
        n of 1:n; left out, the largest usual scale at which the lake fits.
    crs : QgsCoordinateReferenceSystem, optional
        Of the map, metric; left out, the project's.
    name : str
        Of the layout and of its map theme, in place of those that have it.
    """
    layout = new_layout(project, name)
    short, long = sheet.PAPERS[paper]
    k = short / sheet.PAPERS["A4"][0]
    chart = themed_map(layout, project, layers, crs or project.crs(), name)
    sizes = {"portrait": (short, long), "landscape": (long, short)}
    if orientation != "auto":
        sizes = {orientation: sizes[orientation]}
    legend = legend_block(layout, layers, chart, k, facts.at_datum)
    panel = _best_panel(facts, legend, extent, sizes, k, scale)
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(*panel.page, MM))
    frame, denominator = panel.frame, panel.denominator
    for block, x, y in panel.places:
        block.draw(layout, x, y)
    chart.attemptSetSceneRect(frame)
    center = extent.center()
    chart.setExtent(QgsRectangle.fromCenterAndSize(
        center, frame.width() * denominator / 1000.0, frame.height() * denominator / 1000.0
    ))
    graticule(chart, project, k)
    title_block(layout, facts.title, facts.subtitle, chart, frame, k)
    scale_strip(layout, chart, frame, denominator, k, facts.unit)
    return layout


def new_layout(project, name) -> QgsPrintLayout:
    """Add an empty layout to a project, in place of one of the same name."""
    manager = project.layoutManager()
    earlier = manager.layoutByName(name)
    if earlier is not None:
        manager.removeLayout(earlier)
    layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.setName(name)
    manager.addLayout(layout)
    return layout


def map_frame(width, height, k, beside=0.0, below=0.0) -> QRectF:
    """Return the frame of the map on a page, mm.

    ``beside`` is the width of a panel to its right, ``below`` the height of one below it.
    """
    left = MARGIN + _GRID_ROOM * k
    top = MARGIN + (_TITLE_HEIGHT + _GRID_ROOM) * k
    right = width - MARGIN - _GRID_ROOM * k
    bottom = height - MARGIN - (_STRIP_HEIGHT + _GRID_ROOM) * k
    right -= beside + GUTTER if beside else 0.0
    bottom -= below + GUTTER if below else 0.0
    return QRectF(left, top, right - left, bottom - top)


def themed_map(layout, project, layers, crs, theme_name, item_id="map") -> QgsLayoutItemMap:
    """Add a map that shows layers by a map theme of the project."""
    chart = QgsLayoutItemMap(layout)
    chart.setId(item_id)
    chart.setCrs(crs)
    # A theme rather than a set of layers, which would keep absolute paths.
    theme = QgsMapThemeCollection.MapThemeRecord()
    for role, layer in layers.items():
        if role in (*DRAWN, "structures") and not (role == "surface" and "depth_areas" in layers):
            theme.addLayerRecord(QgsMapThemeCollection.MapThemeLayerRecord(layer))
    project.mapThemeCollection().insert(theme_name, theme)
    chart.setFollowVisibilityPresetName(theme_name)
    chart.setFollowVisibilityPreset(True)
    chart.setFrameEnabled(True)
    chart.setFrameStrokeWidth(QgsLayoutMeasurement(0.3, MM))
    layout.addLayoutItem(chart)
    layout.setReferenceMap(chart)
    return chart


def graticule(chart, project, k):
    """Add a latitude-longitude grid: crosses on the map, figures in the margin."""
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    transform = QgsCoordinateTransform(chart.crs(), wgs84, project)
    extent = transform.transformBoundingBox(chart.extent())
    minutes = sheet.grid_minutes(min(extent.width(), extent.height()))
    grid = QgsLayoutItemMapGrid("graticule", chart)
    grid.setCrs(wgs84)
    grid.setIntervalX(minutes / 60.0)
    grid.setIntervalY(minutes / 60.0)
    grid.setStyle(QgsLayoutItemMapGrid.GridStyle.Cross)
    grid.setCrossLength(1.6 * k)
    grid.setGridLineWidth(0.12)
    grid.setGridLineColor(QColor("#555555"))
    grid.setFrameStyle(QgsLayoutItemMapGrid.FrameStyle.ExteriorTicks)
    grid.setFrameWidth(1.0 * k)
    grid.setFramePenSize(0.2)
    grid.setAnnotationEnabled(True)
    grid.setAnnotationFormat(QgsLayoutItemMapGrid.AnnotationFormat.CustomFormat)
    low, high = clear_latitudes(transform, chart.extent(), chart.rect().height(), k)
    digits = sheet.grid_digits(minutes)
    grid.setAnnotationExpression(
        f"if(@grid_axis = 'y' AND (@grid_number < {low} OR @grid_number > {high}), '', "
        f"to_dm(@grid_number, @grid_axis, {digits}, 'suffix'))"
    )
    grid.setAnnotationFrameDistance(0.8 * k)
    grid.setAnnotationTextFormat(text_format(5.5 * k))
    side = QgsLayoutItemMapGrid.BorderSide
    for border in (side.Left, side.Right, side.Top, side.Bottom):
        upright = border in (side.Left, side.Right)
        grid.setFrameDivisions(
            QgsLayoutItemMapGrid.DisplayMode.LatitudeOnly if upright
            else QgsLayoutItemMapGrid.DisplayMode.LongitudeOnly, border,
        )
        grid.setAnnotationDisplay(
            QgsLayoutItemMapGrid.DisplayMode.LatitudeOnly if upright
            else QgsLayoutItemMapGrid.DisplayMode.LongitudeOnly, border,
        )
        if upright:
            grid.setAnnotationDirection(QgsLayoutItemMapGrid.AnnotationDirection.Vertical, border)
    chart.grids().addGrid(grid)


def clear_latitudes(transform, extent, height, k) -> tuple:
    """Return between which latitudes upright figures keep clear of those along the other sides.

    ``height`` is that of the map, mm; ``transform`` leads to degrees.
    """
    inside = QgsRectangle(extent)
    inside.grow(-7.0 * k * extent.height() / height)
    left, right = inside.xMinimum(), inside.xMaximum()
    low, high = (
        [transform.transform(x, y).y() for x in (left, right)]
        for y in (inside.yMinimum(), inside.yMaximum())
    )
    return max(low), min(high)


def title_block(layout, title, subtitle, chart, frame, k, expression=False):
    """Add title, subtitle and north arrow; ``expression`` tells that the title is one."""
    left = MARGIN
    room = frame.right() + _GRID_ROOM * k - left - 14.0 * k
    size = 20.0 * k
    if expression:
        size = 16.0 * k
    else:
        while size > 9.0 * k and _measure(size, True)(title) > room:
            size -= 0.5
        (title,) = sheet.wrap(title, room, _measure(size, True))[:1] or [""]
    label(layout, title, left, MARGIN, room, 9.0 * k, size, bold=True, expression=expression)
    label(layout, subtitle, left, MARGIN + 10.0 * k, room, 5.0 * k, 9.0 * k)
    _north_arrow(layout, chart, left + room + 8.0 * k, MARGIN + 10.5 * k, k)


def _north_arrow(layout, chart, x, y, k):
    """Draw an arrow to true north around a point of the sheet, as vectors."""
    bearing = QgsBearingUtils.bearingTrueNorth(
        chart.crs(), layout.project().transformContext(), chart.extent().center()
    )
    for name, outline, color in (
        ("west", ((0, -6.5), (-3.2, 5), (0, 2.6)), INK),
        ("east", ((0, -6.5), (3.2, 5), (0, 2.6)), PAPER),
    ):
        half = QgsLayoutItemPolygon(
            QTransform().translate(x, y).rotate(bearing).scale(k, k).map(
                QPolygonF([QPointF(*point) for point in outline])),
            layout,
        )
        half.setId(f"north arrow, {name} half")
        half.setSymbol(QgsFillSymbol.createSimple(
            {"color": color, "outline_color": INK, "outline_width": "0.25"}))
        layout.addLayoutItem(half)
    label(layout, tr("N"), x - 3.0 * k, y - 11.5 * k, 6.0 * k, 4.5 * k, 9.0 * k, bold=True,
          align=Qt.AlignmentFlag.AlignHCenter)


def scale_strip(layout, chart, frame, denominator, k, first="ft") -> list:
    """Add the scale, a bar for feet and one for metres, and the caution below the map.

    The bar in the unit ``first`` comes first.

    Without a ``denominator`` the scale is that of the atlas page, its field "scale". Returns the
    bars.
    """
    top = frame.bottom() + (_GRID_ROOM + 1.0) * k
    left = MARGIN
    figure = '[% to_string(round("scale")) %]' if denominator is None else f"{denominator:.0f}"
    label(layout, tr("Scale 1:{}").format(figure), left, top + 2.4 * k, 24.0 * k, 5.0 * k,
          8.0 * k, bold=True, expression=denominator is None)
    x, bars = left + 26.0 * k, []
    units = (("ft", QgsUnitTypes.DistanceUnit.DistanceFeet),
             ("m", QgsUnitTypes.DistanceUnit.DistanceMeters))
    for unit, qgis_unit in units if first == "ft" else units[::-1]:
        bar = QgsLayoutItemScaleBar(layout)
        bar.setId(f"scale bar, {unit}")
        bar.setStyle("Single Box")
        bar.setLinkedMap(chart)
        bar.setUnits(qgis_unit)
        bar.setUnitLabel(unit)
        bar.setNumberOfSegmentsLeft(0)
        bar.setNumberOfSegments(2)
        if denominator is None:
            bar.setSegmentSizeMode(QgsScaleBarSettings.SegmentSizeMode.SegmentSizeFitWidth)
            bar.setMinimumBarWidth(0.1 * frame.width())
            bar.setMaximumBarWidth(0.21 * frame.width())
        else:
            longest = 0.21 * frame.width() * denominator / 1000.0
            bar.setUnitsPerSegment(sheet.bar_segment(longest / sheet.METRES[unit] / 2.0))
        bar.setHeight(1.4 * k)
        bar.setLabelBarSpace(0.8 * k)
        bar.setBoxContentSpace(0.5)
        bar.setTextFormat(text_format(6.0 * k))
        bar.setFillSymbol(QgsFillSymbol.createSimple({"color": INK, "outline_style": "no"}))
        bar.setAlternateFillSymbol(
            QgsFillSymbol.createSimple({"color": PAPER, "outline_style": "no"}))
        bar.setLineSymbol(QgsLineSymbol.createSimple({"color": INK, "width": "0.25"}))
        layout.addLayoutItem(bar)
        bar.update()
        bar.attemptMove(QgsLayoutPoint(x, top + 0.5 * k, MM))
        x += 0.21 * frame.width() + 14.0 * k
        bars.append(bar)
    width = 44.0 * k
    right = frame.right() + _GRID_ROOM * k
    box = label(layout, tr("NOT FOR NAVIGATION"), right - width, top + 1.2 * k, width, 6.0 * k,
                9.0 * k, bold=True, align=Qt.AlignmentFlag.AlignHCenter)
    box.setFrameEnabled(True)
    return bars


# -- panel ------------------------------------------------------------------------


class _Panel(NamedTuple):
    """A way to place the panel around the map: (block, x, y) of its parts, and what is left."""

    page: tuple
    places: list
    frame: QRectF
    denominator: float


#: Sizes of the panel's text, points on A4, from the size that is read well to the least.
_SIZES = (7.0, 6.75, 6.5, 6.25, 6.0, 5.75, 5.5, 5.25, 5.0, 4.75, 4.5)
#: The map is not made larger at the cost of text smaller than this.
_READ_WELL = 6.0
#: Most that the panel below the map may take of the page's height.
_MOST_BELOW = 0.45


def _best_panel(facts, legend, extent, pages, k, scale) -> _Panel:
    """Return the panel that leaves the map its largest scale, with the text as large as may be.

    The page has equal columns: some stand below the map, some beside it in full height. Where
    none fits in text that reads well, the largest text counts first, and at last the curve
    gives way.
    """
    made = {}

    def blocks(column, size, curve):
        if (column, size) not in made:
            made[column, size] = (
                [_table(facts, column, k)] if facts.bands else [],
                [_curve(facts, column, k)] if facts.curve else [],
                [section_block(heading, text, column, size * k, k, heading == facts.boxed)
                 for heading, text in facts.sections],
            )
        table, graph, (datum, *rest) = made[column, size]
        return [*table, *(graph if curve else ()), datum, legend, *rest]

    def panel(page, count, beside, size, curve):
        width, height = page
        column = (width - 2.0 * MARGIN - (count - 1) * GUTTER) / count
        if legend.width > column:
            return None
        chosen = blocks(column, size, curve)
        heights = [block.height + _BLOCK_GAP * k for block in chosen]
        tall, rest = sheet.fill(heights, beside, height - 2.0 * MARGIN)
        low = sheet.columns(heights[rest:], count - beside) if rest < len(heights) else []
        below = max((sum(heights[rest + i] for i in part) for part in low), default=0.0)
        if below > _MOST_BELOW * height:
            return None
        places = []
        columns = [(part, count - beside + n, 0, MARGIN) for n, part in enumerate(tall)]
        columns += [(part, n, rest, height - MARGIN - below) for n, part in enumerate(low)]
        for part, number, first, y in columns:
            for i in part:
                places.append((chosen[first + i], MARGIN + number * (column + GUTTER), y))
                y += heights[first + i]
        frame = map_frame(
            width, height, k, beside * (column + GUTTER) - GUTTER if beside else 0.0, below)
        return _Panel(page, places, frame, scale or sheet.scale_denominator(
            extent.width(), extent.height(), frame.width(), frame.height()))

    ways = [
        (page, count, beside)
        for turned, page in pages.items() for count in ((3,) if turned == "portrait" else (3, 4))
        for beside in range(count - 1)
    ]
    for curve in (True, False):
        fitting = []
        for size in _SIZES:
            fitting += [way for way in (panel(*way, size, curve) for way in ways) if way]
            if fitting and size <= _READ_WELL:
                return min(fitting, key=lambda way: way.denominator)
    raise LakefloorError(
        tr("The text does not fit the sheet; shorten title, author or data sources, or choose "
           "larger paper.")
    )


class _Block(NamedTuple):
    """A part of the panel: its height and width, mm, and what draws it at a place."""

    height: float
    width: float
    draw: Callable


def section_block(heading, text, width, size, k, boxed=False) -> _Block:
    """Return a heading with its text."""
    edge = 1.2 * k if boxed else 0.0
    lines = sheet.wrap(text, width - 2.0 * edge, _measure(size))
    pitch = _line_height(size)
    heading_height = _line_height(size * 1.15) * 1.15
    height = heading_height + pitch * len(lines) + 2.0 * edge

    def draw(layout, x, y):
        if boxed:
            frame = QgsLayoutItemShape(layout)
            frame.setId(f"frame, {heading}")
            frame.setShapeType(QgsLayoutItemShape.Shape.Rectangle)
            frame.setSymbol(QgsFillSymbol.createSimple(
                {"style": "no", "outline_color": INK, "outline_width": "0.25"}))
            frame.attemptSetSceneRect(QRectF(x, y, width, height))
            layout.addLayoutItem(frame)
        x, y, room = x + edge, y + edge, width - 2.0 * edge
        label(layout, heading, x, y, room, heading_height, size * 1.15, bold=True)
        label(layout, text, x, y + heading_height, room,
              pitch * (len(lines) + (0.0 if boxed else 0.5)), size)

    return _Block(height, width, draw)


def _curve(facts, width, k) -> _Block:
    """Return the hypsographic curve, as vectors."""
    depth, area = facts.curve
    depth, area = depth / sheet.METRES[facts.unit], area / sheet.AREAS[facts.unit][0]
    size, left, head = 6.5 * k, 8.0 * k, 8.0 * k
    room = QRectF(left, head, width - left - 6.0 * k, 21.0 * k)
    marks, levels = sheet.ticks(float(area.max())), sheet.ticks(float(depth.max()))
    across = room.width() / max(float(area.max()), 1e-9)
    down = room.height() / max(float(depth.max()), 1e-9)

    def draw(layout, x, y):
        def at(a, d):
            return QPointF(x + left + a * across, y + head + d * down)

        def lines(name, color, *ends):
            for a, b in ends:
                item = QgsLayoutItemPolyline(QPolygonF([a, b]), layout)
                item.setId(f"curve, {name}")
                item.setSymbol(QgsLineSymbol.createSimple({"color": color, "width": "0.12"}))
                layout.addLayoutItem(item)

        body = QgsLayoutItemPolygon(
            QPolygonF([at(0.0, 0.0), *(at(a, d) for a, d in zip(area, depth)),
                       at(0.0, depth[-1])]), layout)
        body.setId("curve, area by depth")
        body.setSymbol(QgsFillSymbol.createSimple({
            "color": depth_color(0.3).name(), "outline_color": INK, "outline_width": "0.35"}))
        layout.addLayoutItem(body)
        lines("depth", RULE, *((at(0.0, d), at(area.max(), d)) for d in levels))
        lines("area", RULE, *((at(a, 0.0), at(a, depth.max())) for a in marks))
        title = tr("Area ({}) at a depth ({}) or deeper").format(
            tr(sheet.AREAS[facts.unit][1]), facts.unit)
        label(layout, title, x, y, width, _line_height(size), size, bold=True)
        pitch = _line_height(0.85 * size)
        for values, place in ((levels, "depth"), (marks, "area")):
            for value in values:
                if place == "depth":
                    spot = at(0.0, value)
                    rect = QRectF(x, spot.y() - pitch / 2, left - 1.0 * k, pitch)
                    align = Qt.AlignmentFlag.AlignRight
                else:
                    spot = at(value, 0.0)
                    rect = QRectF(spot.x() - 5.0 * k, spot.y() - pitch - 0.6 * k, 10.0 * k, pitch)
                    align = Qt.AlignmentFlag.AlignHCenter
                mark = label(layout, written(value, "g"), rect.x(), rect.y(), rect.width(),
                             rect.height(), 0.85 * size, align=align)
                mark.setId(f"curve, {place} mark")

    return _Block(head + room.height() + 1.5 * k, width, draw)


def _table(facts, width, k) -> _Block:
    """Return the depth-area table."""
    row_height, margin = 2.9 * k, 0.35 * k
    area_unit = tr(sheet.AREAS[facts.unit][1])
    head = ["", tr("Depth ({})").format(facts.unit), tr("Area ({})").format(area_unit), "%"]
    body = [
        ["", row.label, sheet.area_text(row.area), written(row.percent, ".1f")]
        for row in facts.bands
    ]
    total = ["", tr("all"), sheet.area_text(sum(row.area for row in facts.bands)), "100"]
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

    return _Block(height + 0.5, width, draw)


def legend_block(layout, layers, chart, k, at_datum) -> _Block:
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
    names = {"shoreline": shore, "contours": None, "break_lines": None, "soundings": None}
    for role, name in names.items():
        if role not in layers:
            continue
        node = root.addLayer(layers[role])
        if name:
            node.setCustomProperty("legend/title-label", name)
        else:
            QgsLegendRenderer.setNodeLegendStyle(node, QgsLegendStyle.Style.Hidden)
            shown = _present(layers[role])
            if shown is not None:
                QgsMapLayerLegendUtils.setLegendNodeOrder(node, shown)
        legend.model().refreshLayerLegend(node)
    for kind in (QgsLegendStyle.Style.Subgroup, QgsLegendStyle.Style.SymbolLabel):
        style = legend.style(kind)
        _set_font(style, 6.5 * k)
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

    return _Block(size.height(), size.width(), draw)


def _present(layer):
    """Return the numbers of the legend entries that some feature of the layer has.

    None for a user's own style without categories or rules.
    """
    renderer = layer.renderer()
    if hasattr(renderer, "categories"):
        return [i for i, category in enumerate(renderer.categories()) if category.renderState()]
    if not hasattr(renderer, "rootRule"):
        return None
    return [
        i for i, rule in enumerate(renderer.rootRule().children())
        if any(True for _ in layer.getFeatures(
            QgsFeatureRequest().setFilterExpression(rule.filterExpression()).setLimit(1)))
    ]


# -- text -------------------------------------------------------------------------


def _font(size, bold=False) -> QFont:
    font = QFont(font_family())
    font.setPointSizeF(size)
    font.setBold(bold)
    return font


def _measure(size, bold=False):
    """Return a function that measures a text of a size in points, in mm."""
    font = QFont(font_family())
    font.setBold(bold)
    font.setPixelSize(1000)
    metrics = QFontMetricsF(font)
    # Renderers round advances to pixels, so leave them a little room.
    return lambda text: 1.03 * metrics.horizontalAdvance(text) / 1000.0 * size * _POINT


def _line_height(size) -> float:
    font = QFont(font_family())
    font.setPixelSize(1000)
    return QFontMetricsF(font).lineSpacing() / 1000.0 * size * _POINT * 1.02


def _set_font(item, size, bold=False):
    """Set the font of a legend style or label; text formats came in later releases."""
    if hasattr(item, "setTextFormat"):
        item.setTextFormat(text_format(size, bold=bold))
    else:
        item.setFont(_font(size, bold))


def label(layout, text, x, y, width, height, size, bold=False,
          align=Qt.AlignmentFlag.AlignLeft, expression=False) -> QgsLayoutItemLabel:
    """Add a text; only with ``expression`` is what stands between "[%" and "%]" evaluated."""
    item = QgsLayoutItemLabel(layout)
    item.setText(text if expression else text.replace("[%", "[ %"))
    _set_font(item, size, bold)
    item.setMarginX(0.0)
    item.setMarginY(0.0)
    item.setHAlign(align)
    item.setVAlign(Qt.AlignmentFlag.AlignVCenter if align != Qt.AlignmentFlag.AlignLeft
                   else Qt.AlignmentFlag.AlignTop)
    item.attemptSetSceneRect(QRectF(x, y, width, height))
    layout.addLayoutItem(item)
    return item


# -- export -----------------------------------------------------------------------


def pdf_settings() -> QgsLayoutExporter.PdfExportSettings:
    """Return the settings of a geo-referenced PDF of vectors and searchable text."""
    settings = QgsLayoutExporter.PdfExportSettings()
    settings.dpi = 300
    settings.appendGeoreference = True
    settings.exportMetadata = True
    settings.textRenderFormat = Qgis.TextRenderFormat.AlwaysText
    return settings


def export_pdf(layout, path):
    """Write the layout as a geo-referenced PDF of vectors and searchable text."""
    result = QgsLayoutExporter(layout).exportToPdf(str(path), pdf_settings())
    if result != QgsLayoutExporter.ExportResult.Success:
        raise LakefloorError(
            tr("The sheet could not be written as '{}'. Is the disk full?").format(path.name)
        )


def export_png(layout, path, dpi=300):
    """Write the layout's only page as a picture."""
    # Not QGIS's own export, which cannot geo-reference a PNG and says so on the console.
    if not QgsLayoutExporter(layout).renderPageToImage(0, dpi=dpi).save(str(path), "PNG"):
        raise LakefloorError(
            tr("The sheet could not be written as '{}'. Is the disk full?").format(path.name)
        )
