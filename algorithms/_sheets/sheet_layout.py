"""The layout of a printed lake map."""

from __future__ import annotations

from qgis.core import QgsLayoutSize, QgsPrintLayout, QgsRectangle

from ..core.wording import page_layout
from ..core.wording.sheet_sections import subtitle
from .page_map import Sheet, graticule, scale_strip, themed_map, title_block
from .page_texts import MM
from .panel import best_panel
from .panel_blocks import legend_block
from .parked import main_thread_parked

LAYOUT_NAME = "Lake map"


def build_layout(
    project, layers, facts, extent, orientation="automatic", scale=None, crs=None, name=LAYOUT_NAME
) -> QgsPrintLayout:
    """Lay out the sheet in a project that holds the styled layers.

    Parameters
    ----------
    project : QgsProject
    layers : dict of str to QgsMapLayer
        By role; drawn in the order of the project's layer tree.
    extent : QgsRectangle
        What the map shows, m.
    orientation : str
        ``portrait``, ``landscape`` or ``automatic``.
    scale : float, optional
        n of 1:n; left out, the largest usual scale at which the lake fits.
    crs : QgsCoordinateReferenceSystem, optional
        Of the map, metric; left out, the project's.
    name : str
        Of the layout and of its map theme, in place of those that have it.
    """
    layout = new_layout(project, name)
    short, long = page_layout.PAGE_SIZES[facts.settings.page_size]
    k = short / page_layout.PAGE_SIZES["A4"][0]
    chart = themed_map(layout, project, layers, crs or project.crs(), name)
    sizes = {"portrait": (short, long), "landscape": (long, short)}
    if orientation != "automatic":
        sizes = {orientation: sizes[orientation]}
    legend = legend_block(layout, layers, chart, k, facts.datum.at_known_level)
    panel = best_panel(facts, legend, extent, sizes, k, scale)
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(*panel.page, MM))
    frame, denominator = panel.frame, panel.denominator
    for block, x, y in panel.places:
        block.draw(layout, x, y)
    chart.attemptSetSceneRect(frame)
    center = extent.center()
    chart.setExtent(
        QgsRectangle.fromCenterAndSize(
            center, frame.width() * denominator / 1000.0, frame.height() * denominator / 1000.0
        )
    )
    sheet = Sheet(layout, chart, frame, k)
    graticule(sheet)
    title_block(sheet, facts.settings.title, subtitle(facts))
    scale_strip(sheet, denominator, facts.unit)
    return layout


def new_layout(project, name) -> QgsPrintLayout:
    """Add an empty layout to a project, in place of one of the same name."""
    manager = project.layoutManager()
    earlier = manager.layoutByName(name)
    if earlier is not None:
        manager.removeLayout(earlier)
    with main_thread_parked():
        layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.setName(name)
    manager.addLayout(layout)
    return layout
