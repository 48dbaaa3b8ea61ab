"""Styles of planned lanes and of gaps."""

from __future__ import annotations

from qgis.core import (
    QgsFillSymbol,
    QgsMarkerLineSymbolLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsSingleSymbolRenderer,
    QgsVectorLayerSimpleLabeling,
)

from .._i18n import tr
from .look import DROP_OFF, FAINT, INK, by_rules, line, text_format


def _planned_lanes(layer):
    """Lanes solid with an arrow in driving direction, cross-lines dashed, transits dotted."""
    rules = []
    for label, kind, color, width, dash in (
        (tr("lane"), "lane", INK, 0.5, None),
        (tr("cross-line"), "cross-line", DROP_OFF, 0.5, "3;1.2"),
        (tr("transit"), "transit", FAINT, 0.35, "0.6;1.2"),
    ):
        symbol = line(color, width, dash)
        arrow = QgsMarkerLineSymbolLayer(True)
        arrow.setPlacement(QgsMarkerLineSymbolLayer.Placement.CentralPoint)
        arrow.setSubSymbol(
            QgsMarkerSymbol.createSimple(
                {"name": "filled_arrowhead", "size": "2.2", "color": color, "outline_style": "no"}
            )
        )
        if kind != "transit":
            symbol.appendSymbolLayer(arrow)
        rules.append((label, f"\"kind\" = '{kind}'", symbol))
    by_rules(layer, rules)
    labels = QgsPalLayerSettings()
    labels.fieldName = "lane"
    labels.placement = QgsPalLayerSettings.Placement.Line
    labels.setFormat(text_format(7.0, buffer=0.6))
    layer.setLabeling(QgsVectorLayerSimpleLabeling(labels))
    layer.setLabelsEnabled(True)


def _gaps(layer):
    """Hatched, numbered by rank."""
    layer.setRenderer(
        QgsSingleSymbolRenderer(
            QgsFillSymbol.createSimple(
                {
                    "color": DROP_OFF,
                    "style": "f_diagonal",
                    "outline_color": DROP_OFF,
                    "outline_width": "0.25",
                }
            )
        )
    )
    labels = QgsPalLayerSettings()
    labels.fieldName = "rank"
    labels.setFormat(text_format(8.0, DROP_OFF, bold=True, buffer=0.7))
    layer.setLabeling(QgsVectorLayerSimpleLabeling(labels))
    layer.setLabelsEnabled(True)


STYLES = {"planned_lanes": _planned_lanes, "gaps": _gaps}
