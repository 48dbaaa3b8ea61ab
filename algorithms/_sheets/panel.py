"""Where the panel stands beside or below a map."""

from __future__ import annotations

from typing import NamedTuple

from qgis.PyQt.QtCore import QRectF

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.wording import page_layout
from ..core.wording.sheet_sections import QUALITY, sections
from .page_map import map_frame
from .page_texts import GUTTER, MARGIN
from .panel_blocks import curve_block, section_block, table_block

_BLOCK_GAP = 3.0
#: Sizes of the panel's text, points on A4, from the size that is read well to the least.
_SIZES = (7.0, 6.75, 6.5, 6.25, 6.0, 5.75, 5.5, 5.25, 5.0, 4.75, 4.5)
#: The map is not made larger at the cost of text smaller than this.
_READ_WELL = 6.0
#: Most that the panel below the map may take of the page's height.
_MOST_BELOW = 0.45


class Panel(NamedTuple):
    """A way to place the panel around the map: (block, x, y) of its parts, and what is left."""

    page: tuple
    places: list
    frame: QRectF
    denominator: float


def best_panel(facts, legend, extent, pages, k, scale) -> Panel:
    """Return the panel that leaves the map its largest scale, with the text as large as may be.

    The page has equal columns: some stand below the map, some beside it in full height. Where
    none fits in text that reads well, the largest text counts first, and at last the curve
    gives way.

    Parameters
    ----------
    facts : SheetFacts
    legend : Block
    extent : QgsRectangle
        Of the lake, m.
    pages : dict of str to (float, float)
        Width and height, mm, by orientation.
    k : float
        Size of the page relative to A4.
    scale : float or None
        n of 1:n; None for the largest usual scale.

    Raises
    ------
    LakefloorError
        If the text does not fit in its smallest size.
    """
    panels = _Panels(facts, legend, extent, k, scale)
    ways = [
        (page, count, beside)
        for turned, page in pages.items()
        for count in ((3,) if turned == "portrait" else (3, 4))
        for beside in range(count - 1)
    ]
    for curve in (True, False):
        fitting = []
        for size in _SIZES:
            fitting += [way for way in (panels.panel(*way, size, curve) for way in ways) if way]
            if fitting and size <= _READ_WELL:
                return min(fitting, key=lambda way: way.denominator)
    raise LakefloorError(
        tr(
            "The text does not fit the sheet. Shorten title, author or data sources, or choose a "
            "larger page size."
        )
    )


class _Panels:
    """Tries ways to place the panel's blocks, which are made once for each width and size."""

    def __init__(self, facts, legend, extent, k, scale):
        self.facts, self.legend, self.extent = facts, legend, extent
        self.k, self.scale = k, scale
        self._made = {}

    def panel(self, page, count, beside, size, curve):
        """Return the panel of ``count`` columns, ``beside`` of them beside the map, or None."""
        width, height = page
        column = (width - 2.0 * MARGIN - (count - 1) * GUTTER) / count
        if self.legend.width > column:
            return None
        blocks = self._blocks(column, size, curve)
        heights = [block.height + _BLOCK_GAP * self.k for block in blocks]
        tall, rest = page_layout.fill(heights, beside, height - 2.0 * MARGIN)
        low = page_layout.columns(heights[rest:], count - beside) if rest < len(heights) else []
        below = max((sum(heights[rest + i] for i in part) for part in low), default=0.0)
        if below > _MOST_BELOW * height:
            return None
        columns = [(part, count - beside + n, 0, MARGIN) for n, part in enumerate(tall)]
        columns += [(part, n, rest, height - MARGIN - below) for n, part in enumerate(low)]
        frame = map_frame(
            width, height, self.k, beside * (column + GUTTER) - GUTTER if beside else 0.0, below
        )
        return Panel(page, _places(columns, blocks, heights, column), frame, self._scale(frame))

    def _blocks(self, column, size, curve) -> list:
        if (column, size) not in self._made:
            facts, k = self.facts, self.k
            self._made[column, size] = (
                [table_block(facts, column, k)] if facts.bands else [],
                [curve_block(facts, column, k)] if facts.curve else [],
                [
                    section_block(heading, text, column, size * k, k, heading == QUALITY)
                    for heading, text in sections(facts)
                ],
            )
        table, graph, (datum, *rest) = self._made[column, size]
        return [*table, *(graph if curve else ()), datum, self.legend, *rest]

    def _scale(self, frame) -> float:
        return self.scale or page_layout.scale_denominator(
            self.extent.width(), self.extent.height(), frame.width(), frame.height()
        )


def _places(columns, blocks, heights, width) -> list:
    """Return the blocks of columns with the places of their upper left corners."""
    places = []
    for part, number, first, y in columns:
        for i in part:
            places.append((blocks[first + i], MARGIN + number * (width + GUTTER), y))
            y += heights[first + i]
    return places
