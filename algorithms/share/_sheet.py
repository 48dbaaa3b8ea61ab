"""The printed sheet of a lake map: what it says, and its layout."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
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
    QgsLayoutItemScaleBar,
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
    QgsTableCell,
    QgsUnitTypes,
)
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QFontMetricsF, QPolygonF, QTransform

from .._compat import is_null
from .._i18n import tr
from .._layers import read_raster, read_soundings
from .._styling.look import INK, PAPER, depth_color, font_family, text_format
from ..core.correcting.lake_level import datum_of
from ..core.errors import LakefloorError
from ..core.share import sheet
from ..core.soundings import ACCEPTED, parse_corrections
from ..core.spacing import lane_spacing

LAYOUT_NAME = "Lake map"

#: Roles of the layers that the map shows, from the top downward.
DRAWN = ("shoreline", "break_lines", "contours", "soundings", "depth_areas", "surface")

_MM = QgsUnitTypes.LayoutUnit.LayoutMillimeters
_MARGIN = 9.0
_TITLE_HEIGHT = 17.0
_STRIP_HEIGHT = 11.0
_GRID_ROOM = 4.5
_PANEL_WIDTH = 66.0
_GUTTER = 5.0
_BLOCK_GAP = 3.0
_TABLE_RULE = 0.1
_POINT = 25.4 / 72.0


# -- facts ------------------------------------------------------------------------


@dataclass(frozen=True)
class Facts:
    """What the sheet says.

    Attributes
    ----------
    title, subtitle : str
    unit : str
        ``ft`` or ``m``.
    sections : list of (str, str)
        Headings and texts of the panel.
    bands : list of BandRow
        Rows of the depth-area table; empty where there are no depth areas.
    deepest : float
        Top of the deepest band, m, which sets the blues of the table.
    """

    title: str
    subtitle: str
    unit: str
    sections: list
    bands: list
    deepest: float


def collect_facts(layers, crs, context, feedback, title, lake="", author="", datum="",
                  unit="ft") -> Facts:
    """Read from the layers what the sheet says about them.

    Parameters
    ----------
    layers : dict of str to QgsMapLayer
        By role: ``contours``, ``shoreline``, and where there are such
        ``depth_areas``, ``surface``, ``soundings``, ``break_lines``.
    crs : QgsCoordinateReferenceSystem
        Metric; lengths and areas are measured in it.
    datum : str
        Name of the datum; left empty, it is taken from the soundings or the surface.
    """
    survey, quality, levels = [], [], None
    datum_name, elevation = datum, None
    dates = []
    if "surface" in layers:
        surface, _, metadata = read_raster(layers["surface"], feedback)
        datum_name = datum_name or metadata.get("DATUM_NAME", "")
        elevation = _number(metadata.get("DATUM_ELEVATION_M"))
        if surface.uncertainty is not None:
            known = surface.uncertainty.values[np.isfinite(surface.uncertainty.values)]
            if known.size:
                quality.append(
                    tr("Standard uncertainty of depth: {:.2f} {} on average.").format(
                        known.mean() / sheet.METRES[unit], unit)
                )
    if "soundings" in layers:
        soundings, _ = read_soundings(layers["soundings"], context, feedback, crs)
        known_datum = datum_of(soundings)
        if known_datum is not None:
            datum_name = datum_name or known_datum[0]
            elevation = known_datum[1] if elevation is None else elevation
            levels = _levels(soundings)
        dates = _dates(soundings)
        survey += _survey_lines(soundings, dates, unit)
    contour_line, supported = _contour_facts(layers["contours"], crs, context, unit)
    if supported is not None:
        quality.append(
            tr("{:.0f} % of the length of the contours is supported by the data; the rest is "
               "dashed.").format(100.0 * supported)
        )
    bands, deepest = _bands(layers.get("depth_areas"), crs, context, unit)
    sections = [
        (tr("Datum and contours"),
         sheet.datum_statement(unit, datum_name, elevation, levels) + "\n" + contour_line),
        (tr("Survey"), "\n".join(survey)),
        (tr("Quality"), "\n".join(quality)),
        (tr("Sources"), _sources(layers, crs, author)),
        (tr("Cautions"), "\n".join(sheet.CAUTIONS)),
    ]
    surveyed = tr("surveyed {}").format(sheet.dates_text(dates)) if dates else ""
    subtitle = "  ·  ".join(part for part in (lake, surveyed) if part)
    return Facts(
        title, subtitle, unit, [(h, t) for h, t in sections if t], bands, deepest
    )


def _number(text):
    try:
        return float(text)
    except (TypeError, ValueError):
        return None


def _levels(soundings):
    texts = {parse_corrections(text).get("level_m") for text in set(soundings.corrections)}
    values = [float(text) for text in texts if text]
    return (min(values), max(values)) if values else None


def _dates(soundings) -> list:
    used = soundings.time[soundings.accepted]
    days = np.unique(used[~np.isnat(used)].astype("datetime64[D]"))
    return [str(day) for day in days]


def _survey_lines(soundings, dates, unit) -> list:
    lines = []
    if dates:
        lines.append(tr("Survey dates (UTC): {}.").format(sheet.dates_text(dates)))
    used = soundings.select(soundings.accepted)
    lines.append(tr("{} soundings used, {} rejected").format(
        len(used), len(soundings) - len(used)))
    reasons = Counter(str(s) for s in soundings.status if s != ACCEPTED)
    if reasons:
        counts = ", ".join(f"{reason} {count}" for reason, count in reasons.most_common())
        lines[-1] += f" ({counts})"
    lines[-1] += "."
    lanes = len({(v, n) for v, n in zip(used.visit, used.lane) if n > 0})
    if lanes:
        text = tr("{} lanes").format(lanes)
        with suppress(LakefloorError):  # a single lane has no spacing
            text += tr(", about {:.0f} {} apart").format(
                lane_spacing(soundings) / sheet.METRES[unit], unit)
        lines.append(text + ".")
    return lines


def _contour_facts(layer, crs, context, unit):
    """Return the sentence on the interval, and the supported share of length where known."""
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    depths, index_depths, lengths = [], [], Counter()
    for feature in layer.getFeatures(request):
        depths.append(feature["depth"])
        if feature["index"]:
            index_depths.append(feature["depth"])
        if feature["unit"] != unit:
            raise LakefloorError(
                tr("Layer '{}' is labelled in '{}', but the unit chosen for the map is '{}'. Make "
                   "contours in that unit, or choose the other one.").format(
                    layer.name(), feature["unit"], unit)
            )
        if not is_null(feature["supported"]):
            lengths[bool(feature["supported"])] += feature.geometry().length()
    text = tr("Contour interval {:g} {}").format(sheet.interval(depths), unit)
    if not np.isnan(sheet.interval(index_depths)):
        text += tr(", index contours every {:g} {}").format(sheet.interval(index_depths), unit)
    total = sum(lengths.values())
    return text + ".", lengths[True] / total if total else None


def _bands(layer, crs, context, unit):
    """Return the rows of the depth-area table and the top of the deepest band, m."""
    if layer is None:
        return [], 0.0
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    rows = [
        (f["depth_from_m"], np.inf if is_null(f["depth_to_m"]) else f["depth_to_m"],
         f.geometry().area())
        for f in layer.getFeatures(request)
    ]
    if not rows:
        return [], 0.0
    return sheet.area_table(*zip(*rows), unit), max(top for top, _, _ in rows)


def _sources(layers, crs, author) -> str:
    lines = []
    if author:
        lines.append(tr("Compiled by {}.").format(author))
    lines.append(tr("Coordinate system: {} ({}).").format(crs.description(), crs.authid()))
    lines.append(tr("Grid and margin: latitude and longitude, WGS 84."))
    return "\n".join(lines)


# -- layout -----------------------------------------------------------------------


def map_extent(shoreline, crs, context) -> QgsRectangle:
    """Return the extent of the lake in the CRS of the map."""
    # Of the projected shore, as the projected box is larger.
    request = QgsFeatureRequest().setDestinationCrs(crs, context.transformContext())
    extent = QgsRectangle()
    extent.setMinimal()
    for feature in shoreline.getFeatures(request):
        extent.combineExtentWith(feature.geometry().boundingBox())
    return extent


def build_layout(project, layers, facts, extent, paper="Letter", orientation="auto",
                 scale=None) -> QgsPrintLayout:
    """Lay out the sheet in a project that holds the styled layers.

    Parameters
    ----------
    project : QgsProject
        Its CRS is the CRS of the map.
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
    """
    layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.setName(LAYOUT_NAME)
    project.layoutManager().addLayout(layout)
    short, long = sheet.PAPERS[paper]
    k = short / sheet.PAPERS["A4"][0]
    frames = {
        "portrait": _map_frame(short, long, k, False, 75.0 * k),
        "landscape": _map_frame(long, short, k, True, _PANEL_WIDTH * k),
    }
    if orientation == "auto":
        orientation = sheet.orientation(
            extent.width(), extent.height(),
            {name: (f.width(), f.height()) for name, f in frames.items()},
        )
    landscape = orientation == "landscape"
    width, height = (long, short) if landscape else (short, long)
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(width, height, _MM))

    chart = _map(layout, project, layers)
    panel = _panel(layout, layers, facts, chart, width, height, k, landscape)
    frame = _map_frame(width, height, k, landscape, panel)
    chart.attemptSetSceneRect(frame)
    denominator = scale or sheet.scale_denominator(
        extent.width(), extent.height(), frame.width(), frame.height()
    )
    center = extent.center()
    chart.setExtent(QgsRectangle.fromCenterAndSize(
        center, frame.width() * denominator / 1000.0, frame.height() * denominator / 1000.0
    ))
    _graticule(chart, project, k)
    _title(layout, facts, chart, frame, k)
    _strip(layout, chart, frame, denominator, k)
    return layout


def _map_frame(width, height, k, landscape, panel) -> QRectF:
    """Return the frame of the map; ``panel`` is the panel's width beside or height below it."""
    left = _MARGIN + _GRID_ROOM * k
    top = _MARGIN + (_TITLE_HEIGHT + _GRID_ROOM) * k
    right = width - _MARGIN - _GRID_ROOM * k
    bottom = height - _MARGIN - (_STRIP_HEIGHT + _GRID_ROOM) * k
    if landscape:
        right -= panel + _GUTTER
    else:
        bottom -= panel + _GUTTER
    return QRectF(left, top, right - left, bottom - top)


def _map(layout, project, layers) -> QgsLayoutItemMap:
    chart = QgsLayoutItemMap(layout)
    chart.setId("map")
    chart.setCrs(project.crs())
    # A theme rather than a set of layers, which would keep absolute paths.
    theme = QgsMapThemeCollection.MapThemeRecord()
    for role, layer in layers.items():
        if role in DRAWN and not (role == "surface" and "depth_areas" in layers):
            theme.addLayerRecord(QgsMapThemeCollection.MapThemeLayerRecord(layer))
    project.mapThemeCollection().insert(LAYOUT_NAME, theme)
    chart.setFollowVisibilityPresetName(LAYOUT_NAME)
    chart.setFollowVisibilityPreset(True)
    chart.setFrameEnabled(True)
    chart.setFrameStrokeWidth(QgsLayoutMeasurement(0.3, _MM))
    layout.addLayoutItem(chart)
    layout.setReferenceMap(chart)
    return chart


def _graticule(chart, project, k):
    """Add a latitude-longitude grid: crosses on the map, figures in the margin."""
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    extent = QgsCoordinateTransform(project.crs(), wgs84, project).transformBoundingBox(
        chart.extent()
    )
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
    grid.setAnnotationFormat(QgsLayoutItemMapGrid.AnnotationFormat.DegreeMinute)
    grid.setAnnotationPrecision(max(0, int(np.ceil(-np.log10(minutes) - 1e-9))))
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


def _title(layout, facts, chart, frame, k):
    left = _MARGIN
    room = frame.right() + _GRID_ROOM * k - left - 14.0 * k
    size = 20.0 * k
    while size > 9.0 * k and _measure(size, True)(facts.title) > room:
        size -= 0.5
    (line,) = sheet.wrap(facts.title, room, _measure(size, True))[:1] or [""]
    _label(layout, line, left, _MARGIN, room, 9.0 * k, size, bold=True)
    _label(layout, facts.subtitle, left, _MARGIN + 10.0 * k, room, 5.0 * k, 9.0 * k)
    _north_arrow(layout, chart, left + room + 8.0 * k, _MARGIN + 10.5 * k, k)


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
    _label(layout, tr("N"), x - 3.0 * k, y - 11.5 * k, 6.0 * k, 4.5 * k, 9.0 * k, bold=True,
           align=Qt.AlignmentFlag.AlignHCenter)


def _strip(layout, chart, frame, denominator, k):
    """Add the scale, a bar for feet and one for metres, and the caution below the map."""
    top = frame.bottom() + (_GRID_ROOM + 1.0) * k
    left = _MARGIN
    _label(layout, tr("Scale 1:{:.0f}").format(denominator), left, top + 2.4 * k, 24.0 * k, 5.0 * k,
           8.0 * k, bold=True)
    longest = 0.21 * frame.width() * denominator / 1000.0
    x = left + 26.0 * k
    for unit, qgis_unit in (("ft", QgsUnitTypes.DistanceUnit.DistanceFeet),
                            ("m", QgsUnitTypes.DistanceUnit.DistanceMeters)):
        bar = QgsLayoutItemScaleBar(layout)
        bar.setId(f"scale bar, {unit}")
        bar.setStyle("Single Box")
        bar.setLinkedMap(chart)
        bar.setUnits(qgis_unit)
        bar.setUnitLabel(unit)
        bar.setNumberOfSegmentsLeft(0)
        bar.setNumberOfSegments(2)
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
        bar.attemptMove(QgsLayoutPoint(x, top + 0.5 * k, _MM))
        x += 0.21 * frame.width() + 14.0 * k
    width = 44.0 * k
    right = frame.right() + _GRID_ROOM * k
    box = _label(layout, tr("NOT FOR NAVIGATION"), right - width, top + 1.2 * k, width, 6.0 * k,
                 9.0 * k, bold=True, align=Qt.AlignmentFlag.AlignHCenter)
    box.setFrameEnabled(True)


# -- panel ------------------------------------------------------------------------


def _panel(layout, layers, facts, chart, width, height, k, landscape) -> float:
    """Add the panel; return its width where it stands beside the map, its height where below."""
    if landscape:
        count, column = 1, _PANEL_WIDTH * k
        most = height - 2.0 * _MARGIN
    else:
        count = 3
        column = (width - 2.0 * _MARGIN - 2.0 * _GUTTER) / 3.0
        most = 0.45 * height
    table = [_table(facts, column, k)] if facts.bands else []
    legend = _legend(layout, layers, chart, k)
    for size in np.arange(7.0, 4.5, -0.25) * k:
        datum, *rest = (_section(heading, text, column, size) for heading, text in facts.sections)
        blocks = [*table, datum, legend, *rest]
        heights = [block_height + _BLOCK_GAP * k for block_height, _ in blocks]
        parts = sheet.columns(heights, count)
        tallest = max(sum(heights[i] for i in part) for part in parts)
        if tallest <= most:
            break
    top = _MARGIN if landscape else height - _MARGIN - tallest
    for number, part in enumerate(parts):
        x = width - _MARGIN - column if landscape else _MARGIN + number * (column + _GUTTER)
        y = top
        for i in part:
            blocks[i][1](layout, x, y)
            y += heights[i]
    return column if landscape else tallest


def _section(heading, text, width, size):
    """Return the height of a heading with its text, and what draws it."""
    lines = sheet.wrap(text, width, _measure(size))
    pitch = _line_height(size)
    heading_height = _line_height(size * 1.15) * 1.15

    def draw(layout, x, y):
        _label(layout, heading, x, y, width, heading_height, size * 1.15, bold=True)
        _label(layout, text, x, y + heading_height, width, pitch * (len(lines) + 0.5), size)

    return heading_height + pitch * len(lines), draw


def _table(facts, width, k):
    """Return the height of the depth-area table, and what draws it."""
    row_height, margin = 3.2 * k, 0.4 * k
    area_unit = tr("acres") if facts.unit == "ft" else tr("hectares")
    head = ["", tr("Depth ({})").format(facts.unit), tr("Area ({})").format(area_unit), "%"]
    body = [
        ["", row.label, sheet.area_text(row.area), f"{row.percent:.1f}"] for row in facts.bands
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
        table.setGridColor(QColor("#8a8a8a"))
        table.setVerticalGrid(False)
        table.setTableContents(rows)
        shares = (0.14, 0.32, 0.34, 0.18)
        table.setColumnWidths([share * (width - 8.0 * margin) for share in shares])
        table.setRowHeights([row_height] * len(rows))
        frame = QgsLayoutFrame(layout, table)
        frame.setId("depth areas")
        frame.attemptSetSceneRect(QRectF(x, y, width, height + 0.5))
        table.addFrame(frame)

    return height + 0.5, draw


def _legend(layout, layers, chart, k):
    """Return the height of the legend, and what moves it into place."""
    legend = QgsLayoutItemLegend(layout)
    legend.setId("legend")
    legend.setTitle("")
    legend.setLinkedMap(chart)
    legend.setAutoUpdateModel(False)
    root = legend.model().rootGroup()
    root.clear()
    names = {"shoreline": tr("shoreline at lake datum"), "contours": None, "break_lines": None,
             "soundings": None}
    for role, name in names.items():
        if role not in layers:
            continue
        node = root.addLayer(layers[role])
        if name:
            node.setCustomProperty("legend/title-label", name)
        else:
            QgsLegendRenderer.setNodeLegendStyle(node, QgsLegendStyle.Style.Hidden)
            QgsMapLayerLegendUtils.setLegendNodeOrder(node, _present(layers[role]))
        legend.model().refreshLayerLegend(node)
    for kind in (QgsLegendStyle.Style.Subgroup, QgsLegendStyle.Style.SymbolLabel):
        style = legend.style(kind)
        _set_font(style, 6.5 * k)
        style.setMargin(QgsLegendStyle.Side.Top, 1.1 * k)
        legend.setStyle(kind, style)
    legend.setSymbolWidth(9.0 * k)
    legend.setSymbolHeight(2.6 * k)
    legend.setBoxSpace(0.0)
    layout.addLayoutItem(legend)
    # The item itself knows its size only once it was drawn.
    size = QgsLegendRenderer(legend.model(), legend.legendSettings()).minimumSize(
        QgsLayoutUtils.createRenderContextForLayout(layout, None)
    )
    legend.attemptResize(QgsLayoutSize(size.width(), size.height(), _MM))

    def draw(layout, x, y):
        legend.attemptMove(QgsLayoutPoint(x, y, _MM))

    return size.height(), draw


def _present(layer) -> list:
    """Return the numbers of the legend entries that some feature of the layer has."""
    renderer = layer.renderer()
    if hasattr(renderer, "categories"):
        return [i for i, category in enumerate(renderer.categories()) if category.renderState()]
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


def _label(layout, text, x, y, width, height, size, bold=False,
           align=Qt.AlignmentFlag.AlignLeft) -> QgsLayoutItemLabel:
    label = QgsLayoutItemLabel(layout)
    # Between "[%" and "%]" a label would evaluate an expression.
    label.setText(text.replace("[%", "[ %"))
    _set_font(label, size, bold)
    label.setMarginX(0.0)
    label.setMarginY(0.0)
    label.setHAlign(align)
    label.setVAlign(Qt.AlignmentFlag.AlignVCenter if align != Qt.AlignmentFlag.AlignLeft
                    else Qt.AlignmentFlag.AlignTop)
    label.attemptSetSceneRect(QRectF(x, y, width, height))
    layout.addLayoutItem(label)
    return label


# -- export -----------------------------------------------------------------------


def export_pdf(layout, path):
    """Write the layout as a geo-referenced PDF of vectors and searchable text."""
    settings = QgsLayoutExporter.PdfExportSettings()
    settings.dpi = 300
    settings.appendGeoreference = True
    settings.exportMetadata = True
    settings.textRenderFormat = Qgis.TextRenderFormat.AlwaysText
    result = QgsLayoutExporter(layout).exportToPdf(str(path), settings)
    if result != QgsLayoutExporter.ExportResult.Success:
        raise LakefloorError(
            tr("The sheet could not be written as '{}'. Is the disk full?").format(path.name)
        )
