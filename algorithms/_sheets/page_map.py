"""The map of a page and what frames it: graticule, title, north arrow and scale bars."""

from __future__ import annotations

from dataclasses import dataclass

from qgis.core import (
    QgsBearingUtils,
    QgsCoordinateTransform,
    QgsFillSymbol,
    QgsLayoutItemMap,
    QgsLayoutItemMapGrid,
    QgsLayoutItemPolygon,
    QgsLayoutItemScaleBar,
    QgsLayoutMeasurement,
    QgsLayoutPoint,
    QgsLineSymbol,
    QgsMapThemeCollection,
    QgsPrintLayout,
    QgsRectangle,
    QgsScaleBarSettings,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QPolygonF, QTransform

from .._i18n import tr
from .._io.layer_crs import wgs84
from .._styling.look import INK, WHITE, text_format
from ..core.units import LENGTH
from ..core.wording import page_layout
from .page_texts import GUTTER, MARGIN, MM, label, measure

#: Roles of the layers that the map shows, from the top downward.
DRAWN = ("marks", "shoreline", "break_lines", "contours", "soundings", "depth_areas", "surface")
_TITLE_HEIGHT = 17.0
_STRIP_HEIGHT = 11.0
_GRID_ROOM = 4.5


@dataclass(frozen=True)
class Sheet:
    """A page that is laid out.

    Attributes
    ----------
    layout : QgsPrintLayout
    chart : QgsLayoutItemMap
        Its map.
    frame : QRectF
        Of the map, mm.
    k : float
        Size of the page relative to A4.
    """

    layout: QgsPrintLayout
    chart: QgsLayoutItemMap
    frame: QRectF
    k: float


def map_extent(shoreline, crs, inputs) -> QgsRectangle:
    """Return the extent of the lake in the CRS of the map."""
    # Of the projected shore, as the projected box is larger.
    extent = QgsRectangle()
    for feature in inputs.features(shoreline, crs):
        extent.combineExtentWith(feature.geometry().boundingBox())
    return extent


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


def graticule(sheet: Sheet):
    """Add a latitude-longitude grid: crosses on the map, figures in the margin."""
    chart, k = sheet.chart, sheet.k
    transform = QgsCoordinateTransform(chart.crs(), wgs84(), sheet.layout.project())
    extent = transform.transformBoundingBox(chart.extent())
    minutes = page_layout.grid_minutes(min(extent.width(), extent.height()))
    grid = QgsLayoutItemMapGrid("graticule", chart)
    grid.setCrs(wgs84())
    grid.setIntervalX(minutes / 60.0)
    grid.setIntervalY(minutes / 60.0)
    grid.setStyle(QgsLayoutItemMapGrid.GridStyle.Cross)
    grid.setCrossLength(1.6 * k)
    grid.setGridLineWidth(0.12)
    grid.setGridLineColor(QColor("#555555"))
    low, high = clear_latitudes(transform, chart.extent(), chart.rect().height(), k)
    digits = page_layout.grid_digits(minutes)
    grid.setAnnotationExpression(
        f"if(@grid_axis = 'y' AND (@grid_number < {low} OR @grid_number > {high}), '', "
        f"to_dm(@grid_number, @grid_axis, {digits}, 'suffix'))"
    )
    _frame_grid(grid, k)
    chart.grids().addGrid(grid)


def _frame_grid(grid, k):
    """Put ticks and figures of a grid into the margin, latitudes upright."""
    grid.setFrameStyle(QgsLayoutItemMapGrid.FrameStyle.ExteriorTicks)
    grid.setFrameWidth(1.0 * k)
    grid.setFramePenSize(0.2)
    grid.setAnnotationEnabled(True)
    grid.setAnnotationFormat(QgsLayoutItemMapGrid.AnnotationFormat.CustomFormat)
    grid.setAnnotationFrameDistance(0.8 * k)
    grid.setAnnotationTextFormat(text_format(5.5 * k))
    modes, side = QgsLayoutItemMapGrid.DisplayMode, QgsLayoutItemMapGrid.BorderSide
    for border in (side.Left, side.Right, side.Top, side.Bottom):
        upright = border in (side.Left, side.Right)
        mode = modes.LatitudeOnly if upright else modes.LongitudeOnly
        grid.setFrameDivisions(mode, border)
        grid.setAnnotationDisplay(mode, border)
        if upright:
            grid.setAnnotationDirection(QgsLayoutItemMapGrid.AnnotationDirection.Vertical, border)


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


def title_block(sheet: Sheet, title: str, second: str, expression: bool = False):
    """Add title, second line and north arrow; ``expression`` is whether the title is one."""
    layout, k = sheet.layout, sheet.k
    left = MARGIN
    room = sheet.frame.right() + _GRID_ROOM * k - left - 14.0 * k
    size = 20.0 * k
    if expression:
        size = 16.0 * k
    else:
        while size > 9.0 * k and measure(size, True)(title) > room:
            size -= 0.5
        (title,) = page_layout.wrap(title, room, measure(size, True))[:1] or [""]
    top = MARGIN
    label(
        layout,
        title,
        left,
        top,
        room,
        9.0 * k,
        size,
        bold=True,
        expression=expression,
        name="title",
    )
    label(layout, second, left, top + 10.0 * k, room, 5.0 * k, 9.0 * k, name="subtitle")
    _north_arrow(sheet, left + room + 8.0 * k, MARGIN + 10.5 * k)


def _north_arrow(sheet, x, y):
    """Draw an arrow to true north around a point of the sheet, as vectors."""
    layout, chart, k = sheet.layout, sheet.chart, sheet.k
    bearing = QgsBearingUtils.bearingTrueNorth(
        chart.crs(), layout.project().transformContext(), chart.extent().center()
    )
    for name, outline, color in (
        ("west", ((0, -6.5), (-3.2, 5), (0, 2.6)), INK),
        ("east", ((0, -6.5), (3.2, 5), (0, 2.6)), WHITE),
    ):
        half = QgsLayoutItemPolygon(
            QTransform()
            .translate(x, y)
            .rotate(bearing)
            .scale(k, k)
            .map(QPolygonF([QPointF(*point) for point in outline])),
            layout,
        )
        half.setId(f"north arrow, {name} half")
        half.setSymbol(
            QgsFillSymbol.createSimple(
                {"color": color, "outline_color": INK, "outline_width": "0.25"}
            )
        )
        layout.addLayoutItem(half)
    label(
        layout,
        tr("N"),
        x - 3.0 * k,
        y - 11.5 * k,
        6.0 * k,
        4.5 * k,
        9.0 * k,
        bold=True,
        align=Qt.AlignmentFlag.AlignHCenter,
        name="north arrow, letter",
    )


def scale_strip(sheet: Sheet, denominator: float | None, first: str = "ft"):
    """Add the scale, a bar for feet and one for meters, and the caution below the map.

    The bar in the unit ``first`` comes first. Without a ``denominator`` the scale is that of the
    atlas page, its field "scale".
    """
    layout, frame, k = sheet.layout, sheet.frame, sheet.k
    top = frame.bottom() + (_GRID_ROOM + 1.0) * k
    figure = '[% to_string(round("scale")) %]' if denominator is None else f"{denominator:.0f}"
    label(
        layout,
        tr("Scale 1:{}").format(figure),
        MARGIN,
        top + 2.4 * k,
        24.0 * k,
        5.0 * k,
        8.0 * k,
        bold=True,
        expression=denominator is None,
        name="scale",
    )
    left, width = MARGIN + 26.0 * k, 44.0 * k
    caution = frame.right() + _GRID_ROOM * k - width
    lengths = page_layout.bar_lengths(caution - left, frame.width(), k)
    for unit, length in zip(("ft", "m") if first == "ft" else ("m", "ft"), lengths):
        bar = _scale_bar(sheet, unit, denominator, length)
        bar.attemptMove(QgsLayoutPoint(left, top + 0.5 * k, MM))
        left += length + page_layout.BAR_ROOM * k
    box = label(
        layout,
        tr("NOT FOR NAVIGATION"),
        caution,
        top + 1.2 * k,
        width,
        6.0 * k,
        9.0 * k,
        bold=True,
        align=Qt.AlignmentFlag.AlignHCenter,
        name="caution",
    )
    box.setFrameEnabled(True)


def _scale_bar(sheet, unit, denominator, longest) -> QgsLayoutItemScaleBar:
    """Add a scale bar in feet or meters that is at most ``longest`` mm long."""
    units, k = QgsUnitTypes.DistanceUnit, sheet.k
    bar = QgsLayoutItemScaleBar(sheet.layout)
    bar.setId(f"scale bar, {unit}")
    bar.setStyle("Single Box")
    bar.setLinkedMap(sheet.chart)
    bar.setUnits(units.DistanceFeet if unit == "ft" else units.DistanceMeters)
    bar.setUnitLabel(unit)
    bar.setNumberOfSegmentsLeft(0)
    bar.setNumberOfSegments(2)
    if denominator is None:
        bar.setSegmentSizeMode(QgsScaleBarSettings.SegmentSizeMode.SegmentSizeFitWidth)
        bar.setMinimumBarWidth(0.5 * longest)
        bar.setMaximumBarWidth(longest)
    else:
        bar.setUnitsPerSegment(
            page_layout.bar_segment(longest * denominator / 1000.0 / LENGTH[unit] / 2.0)
        )
    bar.setHeight(1.4 * k)
    bar.setLabelBarSpace(0.8 * k)
    bar.setBoxContentSpace(0.5)
    bar.setTextFormat(text_format(6.0 * k))
    bar.setFillSymbol(QgsFillSymbol.createSimple({"color": INK, "outline_style": "no"}))
    bar.setAlternateFillSymbol(QgsFillSymbol.createSimple({"color": WHITE, "outline_style": "no"}))
    bar.setLineSymbol(QgsLineSymbol.createSimple({"color": INK, "width": "0.25"}))
    sheet.layout.addLayoutItem(bar)
    bar.update()
    return bar
