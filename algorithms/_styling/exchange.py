"""Styles of what goes to and comes from other devices."""

from __future__ import annotations

from qgis.core import (
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsSingleSymbolRenderer,
    QgsVectorLayerSimpleLabeling,
)

from .._compat import show_all_labels
from .._i18n import tr
from .look import DROP_OFF, INK, WHITE, by_rules, line, text_format


def _waypoints(layer):
    """Ringed dots with their names."""
    layer.setRenderer(
        QgsSingleSymbolRenderer(
            QgsMarkerSymbol.createSimple(
                {
                    "name": "circle",
                    "size": "2",
                    "color": WHITE,
                    "outline_color": INK,
                    "outline_width": "0.5",
                }
            )
        )
    )
    labels = QgsPalLayerSettings()
    labels.fieldName = "name"
    labels.setFormat(text_format(7.0, buffer=0.7))
    labels.placement = QgsPalLayerSettings.Placement.OrderedPositionsAroundPoint
    labels.dist = 0.8
    labels.priority = 10
    show_all_labels(labels)
    layer.setLabeling(QgsVectorLayerSimpleLabeling(labels))
    layer.setLabelsEnabled(layer.fields().indexFromName("name") >= 0)


def _device_tracks(layer):
    """Tracks drawn through, routes dashed."""
    by_rules(
        layer,
        [
            (tr("track"), "\"kind\" = 'track'", line(INK, 0.4)),
            (tr("route"), "\"kind\" = 'route'", line(DROP_OFF, 0.4, dash="3;1.5")),
        ],
    )


STYLES = {"waypoints": _waypoints, "device_tracks": _device_tracks}
