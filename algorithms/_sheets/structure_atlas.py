"""The layout of detail sheets, one page a structure."""

from __future__ import annotations

from typing import NamedTuple

from qgis.core import (
    QgsCoordinateTransform,
    QgsFeature,
    QgsFillSymbol,
    QgsGeometry,
    QgsLayoutExporter,
    QgsLayoutItemMap,
    QgsLayoutItemMapOverview,
    QgsLayoutObject,
    QgsLayoutSize,
    QgsProperty,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QRectF

from .._compat import make_field
from .._i18n import tr
from .._io.layer_crs import wgs84
from .._styling.look import REJECTED
from ..core.errors import LakefloorError
from ..core.wording import page_layout, sheet_text
from ..core.wording.sheet_sections import CAUTION, DATUM, sections
from .page_map import (
    Sheet,
    clear_latitudes,
    graticule,
    map_frame,
    scale_strip,
    themed_map,
    title_block,
)
from .page_texts import GUTTER, MARGIN, MM, label
from .panel_blocks import legend_block, section_block
from .sheet_files import pdf_settings
from .sheet_layout import new_layout

LAYOUT_NAME = "Structure sheets"
_FIELDS = (
    ("page", "int"),
    ("key", "int"),
    ("title", "text"),
    ("place", "text"),
    ("figures", "text"),
    ("scale", "double"),
    ("minutes", "double"),
    ("digits", "int"),
    ("low", "double"),
    ("high", "double"),
)


#: Share of the page's height that figures, legend and locator take.
_BELOW = 0.32


class Structure(NamedTuple):
    """One page: a structure's title, its figures in lines, and the box of its map, m.

    ``key`` is what :data:`CURRENT` compares with, to find the feature of a page.
    """

    title: str
    lines: list
    box: tuple
    key: int


#: Expression of the key of the page that is drawn.
CURRENT = "attribute(@atlas_feature, 'key')"


def build_atlas(project, layers, structures, facts, whole, crs):
    """Lay out one page a structure as an atlas of the project.

    Parameters
    ----------
    project : QgsProject
    layers : dict of str to QgsMapLayer
        Styled, as for :func:`.sheet_layout.build_layout`, with the layer that marks the structure
        as ``structures``.
    structures : list of Structure
    facts : SheetFacts
    whole : QgsRectangle
        Extent of the lake, for the locator map.
    crs : QgsCoordinateReferenceSystem
        Metric.

    Returns
    -------
    QgsPrintLayout
    """
    layout = new_layout(project, LAYOUT_NAME)
    width, height = page_layout.PAGE_SIZES[facts.settings.page_size]
    k = width / page_layout.PAGE_SIZES["A4"][0]
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(width, height, MM))
    frame = map_frame(width, height, k, below=_BELOW * height)
    coverage = _coverage(structures, crs, frame, k, project)
    project.addMapLayer(coverage, False)
    _draw_pages_of(layout.atlas(), coverage)
    chart = themed_map(layout, project, layers, crs, LAYOUT_NAME)
    chart.attemptSetSceneRect(frame)
    chart.zoomToExtent(QgsRectangle(*structures[0].box))
    _follow_atlas(chart)
    sheet = Sheet(layout, chart, frame, k)
    graticule(sheet)
    _follow_pages(chart.grids().grid(0))
    title_block(sheet, '[% "title" %]', facts.settings.title, expression=True)
    scale_strip(sheet, None, facts.unit)
    _below(sheet, QRectF(0.0, 0.0, width, height), layers, facts, whole)
    return layout


def _draw_pages_of(atlas, coverage):
    atlas.setCoverageLayer(coverage)
    atlas.setEnabled(True)
    atlas.setHideCoverage(True)
    atlas.setPageNameExpression('"title"')


def _follow_atlas(chart):
    """Take the map's place and scale from the page."""
    chart.setAtlasDriven(True)
    chart.setAtlasScalingMode(QgsLayoutItemMap.AtlasScalingMode.Fixed)
    chart.dataDefinedProperties().setProperty(
        QgsLayoutObject.DataDefinedProperty.MapScale, QgsProperty.fromField("scale")
    )


def _coverage(structures, crs, frame, k, project) -> QgsVectorLayer:
    """Return the pages as boxes with what each page says."""
    layer = QgsVectorLayer(f"Polygon?crs={crs.authid()}", tr("pages"), "memory")
    layer.setCrs(crs)
    layer.dataProvider().addAttributes([make_field(*field) for field in _FIELDS])
    layer.updateFields()
    transform = QgsCoordinateTransform(crs, wgs84(), project)
    features = []
    for number, structure in enumerate(structures, start=1):
        box = QgsRectangle(*structure.box)
        scale = page_layout.scale_denominator(
            box.width(), box.height(), frame.width(), frame.height(), margin=0.0
        )
        shown = QgsRectangle.fromCenterAndSize(
            box.center(), frame.width() * scale / 1000.0, frame.height() * scale / 1000.0
        )
        degrees = transform.transformBoundingBox(shown)
        minutes = page_layout.grid_minutes(min(degrees.width(), degrees.height()))
        low, high = clear_latitudes(transform, shown, frame.height(), k)
        center = transform.transform(box.center())
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry.fromRect(box))
        feature.setAttributes(
            [
                number,
                structure.key,
                structure.title,
                sheet_text.position_text(center.y(), center.x()),
                "\n".join(structure.lines),
                float(scale),
                minutes / 60.0,
                page_layout.grid_digits(minutes),
                low,
                high,
            ]
        )
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    return layer


def _follow_pages(grid):
    """Take the graticule's spacing and figures from the page."""
    properties = grid.dataDefinedProperties()
    for name in ("MapGridIntervalX", "MapGridIntervalY"):
        properties.setProperty(
            getattr(QgsLayoutObject.DataDefinedProperty, name), QgsProperty.fromField("minutes")
        )
    grid.setDataDefinedProperties(properties)
    grid.setAnnotationExpression(
        "if(@grid_axis = 'y' AND (@grid_number < \"low\" OR @grid_number > \"high\"), '', "
        "to_dm(@grid_number, @grid_axis, \"digits\", 'suffix'))"
    )


def _below(sheet, page, layers, facts, whole):
    """Add figures, legend, locator map, datum and cautions below the map, in three columns."""
    layout, k = sheet.layout, sheet.k
    top = page.height() - MARGIN - _BELOW * page.height()
    bottom = page.height() - MARGIN
    column = (page.width() - 2.0 * MARGIN - 2.0 * GUTTER) / 3.0
    first, second, third = (
        QRectF(MARGIN + n * (column + GUTTER), top, column, bottom - top) for n in range(3)
    )
    _figures(layout, first, k)
    legend = legend_block(layout, layers, sheet.chart, k, facts.datum.at_known_level)
    legend.draw(layout, second.left(), top)
    used = _locator(sheet, third, layers, whole)
    _sections(layout, third.adjusted(0.0, used + 3.0 * k, 0.0, 0.0), facts, k)


def _figures(layout, box, k):
    """Add the figures of the structure and its position."""
    size = 9.0 * k
    label(
        layout, tr("Figures"), box.left(), box.top(), box.width(), 5.0 * k, 1.15 * size, bold=True
    )
    text = '[% "figures" %]\n\n' + tr("Center of the map: {}").format('[% "place" %]')
    label(
        layout,
        text,
        box.left(),
        box.top() + 6.0 * k,
        box.width(),
        box.height() - 6.0 * k,
        size,
        expression=True,
    )


def _locator(sheet, box, layers, whole) -> float:
    """Add a map of the whole lake that shows where the page is; return its height, mm."""
    layout, chart = sheet.layout, sheet.chart
    height = min(0.42 * box.height(), box.width() * whole.height() / whole.width() * 1.1)
    names = {role: layers[role] for role in ("shoreline", "depth_areas") if role in layers}
    locator = themed_map(
        layout, layout.project(), names, chart.crs(), tr("Locator"), item_id="locator"
    )
    locator.attemptSetSceneRect(QRectF(box.left(), box.top(), box.width(), height))
    locator.zoomToExtent(whole.buffered(0.04 * max(whole.width(), whole.height())))
    overview = QgsLayoutItemMapOverview("page", locator)
    overview.setLinkedMap(chart)
    overview.setFrameSymbol(
        QgsFillSymbol.createSimple(
            {"style": "no", "outline_color": REJECTED, "outline_width": "0.6"}
        )
    )
    locator.overviews().addOverview(overview)
    layout.setReferenceMap(chart)
    return height


def _sections(layout, box, facts, k):
    """Add datum and cautions, in the largest text that fits."""
    panel = [pair for pair in sections(facts) if pair[0] in (DATUM, CAUTION)]
    for points in (7.0, 6.5, 6.0, 5.5, 5.0):
        blocks = [
            section_block(heading, text, box.width(), points * k, k) for heading, text in panel
        ]
        if sum(block.height + 2.0 * k for block in blocks) <= box.height():
            break
    y = box.top()
    for block in blocks:
        block.draw(layout, box.left(), y)
        y += block.height + 2.0 * k


def export_atlas(layout, path, feedback):
    """Write all pages into one PDF."""
    settings = pdf_settings()
    settings.appendGeoreference = False
    result, message = QgsLayoutExporter.exportToPdf(layout.atlas(), str(path), settings, feedback)
    if feedback.isCanceled():
        return
    if result != QgsLayoutExporter.ExportResult.Success:
        raise LakefloorError(
            tr(
                "The sheets could not be written as '{}' ({}). Check the disk, then run again."
            ).format(path.name, message)
        )
