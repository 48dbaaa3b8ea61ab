"""The layout of detail sheets, one page a structure."""

from __future__ import annotations

from typing import NamedTuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
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
from .._styling.look import REJECTED
from ..core.errors import LakefloorError
from ..core.wording import page_layout, sheet_text
from ..core.wording.sheet_sections import CAUTION, DATUM, sections
from .page_map import (
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
_FIELDS = (("page", "int"), ("key", "int"), ("title", "text"), ("place", "text"),
           ("figures", "text"), ("scale", "double"), ("minutes", "double"), ("digits", "int"),
           ("low", "double"), ("high", "double"))


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
    atlas = layout.atlas()
    atlas.setCoverageLayer(coverage)
    atlas.setEnabled(True)
    atlas.setHideCoverage(True)
    atlas.setPageNameExpression('"title"')

    chart = themed_map(layout, project, layers, crs, LAYOUT_NAME)
    chart.attemptSetSceneRect(frame)
    chart.zoomToExtent(QgsRectangle(*structures[0].box))
    chart.setAtlasDriven(True)
    chart.setAtlasScalingMode(QgsLayoutItemMap.AtlasScalingMode.Fixed)
    chart.dataDefinedProperties().setProperty(
        QgsLayoutObject.DataDefinedProperty.MapScale, QgsProperty.fromField("scale"))
    graticule(chart, project, k)
    _follow_pages(chart.grids().grid(0))
    title_block(
        layout, '[% "title" %]', facts.settings.title, chart, frame, k, expression=True)
    scale_strip(layout, chart, frame, None, k, facts.unit)
    _below(layout, project, layers, facts, whole, crs, chart, width, height, k)
    return layout


def _coverage(structures, crs, frame, k, project) -> QgsVectorLayer:
    """Return the pages as boxes with what each page says."""
    layer = QgsVectorLayer(f"Polygon?crs={crs.authid()}", tr("pages"), "memory")
    layer.setCrs(crs)
    layer.dataProvider().addAttributes([make_field(*field) for field in _FIELDS])
    layer.updateFields()
    wgs84 = QgsCoordinateReferenceSystem("EPSG:4326")
    transform = QgsCoordinateTransform(crs, wgs84, project)
    features = []
    for number, structure in enumerate(structures, start=1):
        box = QgsRectangle(*structure.box)
        scale = page_layout.scale_denominator(
            box.width(), box.height(), frame.width(), frame.height(), margin=0.0)
        shown = QgsRectangle.fromCenterAndSize(
            box.center(), frame.width() * scale / 1000.0, frame.height() * scale / 1000.0)
        degrees = transform.transformBoundingBox(shown)
        minutes = page_layout.grid_minutes(min(degrees.width(), degrees.height()))
        low, high = clear_latitudes(transform, shown, frame.height(), k)
        center = transform.transform(box.center())
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry.fromRect(box))
        feature.setAttributes([
            number, structure.key, structure.title,
            sheet_text.position_text(center.y(), center.x()), "\n".join(structure.lines),
            float(scale), minutes / 60.0, page_layout.grid_digits(minutes), low, high,
        ])
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    return layer


def _follow_pages(grid):
    """Take the graticule's spacing and figures from the page."""
    properties = grid.dataDefinedProperties()
    for name in ("MapGridIntervalX", "MapGridIntervalY"):
        properties.setProperty(
            getattr(QgsLayoutObject.DataDefinedProperty, name), QgsProperty.fromField("minutes"))
    grid.setDataDefinedProperties(properties)
    grid.setAnnotationExpression(
        "if(@grid_axis = 'y' AND (@grid_number < \"low\" OR @grid_number > \"high\"), '', "
        "to_dm(@grid_number, @grid_axis, \"digits\", 'suffix'))"
    )


def _below(layout, project, layers, facts, whole, crs, chart, width, height, k):
    """Add figures, legend, locator map, datum and cautions below the map."""
    top = height - MARGIN - _BELOW * height
    column = (width - 2.0 * MARGIN - 2.0 * GUTTER) / 3.0
    lefts = [MARGIN + n * (column + GUTTER) for n in range(3)]
    room = height - MARGIN - top
    size = 9.0 * k
    label(layout, tr("Figures"), lefts[0], top, column, 5.0 * k, 1.15 * size, bold=True)
    text = '[% "figures" %]\n\n' + tr("Center of the map: {}").format('[% "place" %]')
    label(layout, text, lefts[0], top + 6.0 * k, column,
               room - 6.0 * k, size, expression=True)
    legend = legend_block(layout, layers, chart, k, facts.datum.at_known_level)
    legend.draw(layout, lefts[1], top)

    locator_height = min(0.42 * room, column * whole.height() / whole.width() * 1.1)
    names = {role: layers[role] for role in ("shoreline", "depth_areas") if role in layers}
    locator = themed_map(layout, project, names, crs, tr("Locator"), item_id="locator")
    locator.attemptSetSceneRect(QRectF(lefts[2], top, column, locator_height))
    locator.zoomToExtent(whole.buffered(0.04 * max(whole.width(), whole.height())))
    overview = QgsLayoutItemMapOverview("page", locator)
    overview.setLinkedMap(chart)
    overview.setFrameSymbol(QgsFillSymbol.createSimple({
        "style": "no", "outline_color": REJECTED, "outline_width": "0.6"}))
    locator.overviews().addOverview(overview)
    layout.setReferenceMap(chart)
    panel = [pair for pair in sections(facts) if pair[0] in (DATUM, CAUTION)]
    y = top + locator_height + 3.0 * k
    for points in (7.0, 6.5, 6.0, 5.5, 5.0):
        blocks = [section_block(heading, text, column, points * k, k)
                  for heading, text in panel]
        if sum(block.height + 2.0 * k for block in blocks) <= height - MARGIN - y:
            break
    for block in blocks:
        block.draw(layout, lefts[2], y)
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
            tr("The sheets could not be written as '{}' ({}). Check the disk, then run "
               "again.").format(path.name, message))
