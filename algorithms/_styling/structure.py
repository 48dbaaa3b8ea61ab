"""Styles of slope and breaklines."""

from __future__ import annotations

from qgis.core import QgsFillSymbol, QgsMarkerSymbol, QgsWkbTypes

from .._i18n import tr
from .look import (
    DROP_OFF,
    INK,
    REJECTED,
    by_rules,
    cased,
    line,
    single,
    stretch,
    ticks,
    value_range,
)

_SLOPE_STOPS = ("#f8f4ec", "#c79f63", "#4a2a0c")
_MARK = "#ffd97a"

PALETTES = {
    "slope": ("sequential", _SLOPE_STOPS),
    "mark against the lines on it": ("patterned", (_MARK, DROP_OFF, INK)),
}


def _slope(layer):
    """Percent of slope in browns, from flat to the steepest two of a hundred cells."""
    names = [layer.bandName(band + 1) for band in range(layer.bandCount())]
    band = next((i + 1 for i, name in enumerate(names) if "percent" in name), 1)
    _, high = value_range(layer, band, high=0.98)
    stretch(layer, band, 0.0, high, _SLOPE_STOPS)


def _break_lines(layer):
    """Crest solid with ticks down the slope, steepest line dotted, toe dashed."""
    # Breaklines run with the deeper side on their left.
    crest = cased(line(DROP_OFF, 0.6), 1.0)
    crest.appendSymbolLayer(ticks(DROP_OFF, 0.3, 1.3, 2.0, to_left=True))
    by_rules(
        layer,
        [
            (tr("drop-off: crest, ticks down the slope"), "\"kind\" = 'crest'", crest),
            (
                tr("drop-off: steepest line"),
                "\"kind\" = 'steepest'",
                line(DROP_OFF, 0.4, "0.1;1.1", round_cap=True),
            ),
            (tr("drop-off: toe"), "\"kind\" = 'toe'", cased(line(DROP_OFF, 0.45, "2.4;1.2"), 0.8)),
        ],
    )


def _structure_mark(layer, current):
    """Mark the feature that the expression ``current`` picks: an outline, or a band under lines."""
    kinds = QgsWkbTypes.GeometryType
    if layer.geometryType() == kinds.PolygonGeometry:
        outline = cased(line(REJECTED, 0.6, "3;1"), 1.1)
        symbol = single(QgsFillSymbol(), outline.takeSymbolLayer(0))
        symbol.appendSymbolLayer(outline.takeSymbolLayer(0))
    elif layer.geometryType() == kinds.LineGeometry:
        symbol = line(_MARK, 2.4, round_cap=True)
        symbol.setOpacity(0.75)
    else:
        symbol = QgsMarkerSymbol.createSimple(
            {
                "name": "circle",
                "size": "6",
                "color": "0,0,0,0",
                "outline_color": REJECTED,
                "outline_width": "0.6",
            }
        )
    by_rules(layer, [("", current, symbol)])
    layer.setLabelsEnabled(False)


STYLES = {"structure_mark": _structure_mark, "slope": _slope, "break_lines": _break_lines}
