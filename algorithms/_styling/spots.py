"""Styles of candidate spots, marks, places like them, and depth profiles."""

from __future__ import annotations

from qgis.core import (
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProperty,
    QgsSingleSymbolRenderer,
    QgsSymbolLayer,
    QgsVectorLayerSimpleLabeling,
)

from .look import DROP_OFF, INK, WHITE, depth_color, stretch, text_format

_SCORE_STOPS = ("#f6f4ee", "#a9b58a", "#33492a")

PALETTES = {"score": ("sequential", _SCORE_STOPS)}


def _marker(shape, size, fill, outline=INK, width=0.4) -> QgsMarkerSymbol:
    return QgsMarkerSymbol.createSimple(
        {
            "name": shape,
            "size": str(size),
            "color": fill,
            "outline_color": outline,
            "outline_width": str(width),
        }
    )


def _labeled(layer, symbol):
    """Draw with one symbol and the name beside it."""
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    labels = QgsPalLayerSettings()
    labels.fieldName = "name"
    labels.placement = QgsPalLayerSettings.Placement.OrderedPositionsAroundPoint
    labels.dist = 1.2
    labels.setFormat(text_format(7.0, bold=True, buffer=0.6))
    layer.setLabeling(QgsVectorLayerSimpleLabeling(labels))
    layer.setLabelsEnabled(True)


def _ranked(layer, shape, fill):
    """A paper-rimmed marker, larger for a better score."""
    symbol = _marker(shape, 3.0, fill, WHITE, 0.5)
    symbol.symbolLayer(0).setDataDefinedProperty(
        QgsSymbolLayer.Property.PropertySize,
        QgsProperty.fromExpression('scale_linear(coalesce("score", 0.5), 0.5, 1, 2.4, 4.2)'),
    )
    _labeled(layer, symbol)


def _spots(layer):
    """Candidate spots as diamonds."""
    _ranked(layer, "diamond", DROP_OFF)


def _places(layer):
    """Places like the marks as hexagons."""
    _ranked(layer, "hexagon", depth_color(1.0).name())


def _marks(layer):
    """The user's own marks as open squares."""
    _labeled(layer, _marker("square", 2.6, WHITE))


def _to_measure(layer):
    """Places where a depth is to be measured as triangles."""
    _labeled(layer, _marker("triangle", 3.0, WHITE))


def _profile(layer):
    """Samples of a profile as small dots."""
    layer.setRenderer(QgsSingleSymbolRenderer(_marker("circle", 0.9, INK, WHITE, 0.1)))


def _score(layer):
    """Score or similarity, 0 to 1."""
    stretch(layer, 1, 0.0, 1.0, _SCORE_STOPS)


STYLES = {
    "spots": _spots,
    "places": _places,
    "marks": _marks,
    "to_measure": _to_measure,
    "profile": _profile,
    "score": _score,
}
