"""Styles of contours, depth areas and the shoreline."""

from __future__ import annotations

import re

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsFillSymbol,
    QgsGeometryGeneratorSymbolLayer,
    QgsLabeling,
    QgsLabelLineSettings,
    QgsLineSymbol,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsRendererCategory,
    QgsRuleBasedLabeling,
    QgsSimpleLineSymbolLayer,
    QgsSingleSymbolRenderer,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QColor

from .._compat import is_null
from .._i18n import tr
from ..core.number_text import written
from .look import DROP_OFF, INK, WHITE, by_rules, depth_color, line, single, text_format, ticks


def _contours(layer):
    """Index lines heavier, dashed where the data do not support the line, depressions ticked."""
    rules = []
    for name, index, width in ((tr("index contour"), 1, 0.45), (tr("contour"), 0, 0.18)):
        for supported, dash, remark in (
            (1, None, ""),
            (0, "3;0.9", tr(", not supported by the data")),
        ):
            rules.append(
                (
                    name + remark,
                    f'coalesce("index", 0) = {index} AND coalesce("supported", 1) = {supported}',
                    line(INK, width, dash),
                )
            )
    # Contours run with the deeper side on their left.
    hollow = single(QgsLineSymbol(), ticks(INK, 0.25, 0.9, 2.5, to_left=True))
    rules += [
        (tr("depression, ticks toward the deeper side"), "\"kind\" = 'hollow'", hollow),
        (
            tr("shallowest depth of a hump"),
            f"{_HAS_SPOT} AND \"kind\" = 'hump'",
            _spot("triangle", WHITE),
        ),
        (tr("deepest point"), f"{_HAS_SPOT} AND \"kind\" <> 'hump'", _spot("circle", INK)),
    ]
    by_rules(layer, rules)
    root = QgsRuleBasedLabeling.Rule(None)
    root.appendChild(QgsRuleBasedLabeling.Rule(_line_labels(), 0, 0, '"index" = 1'))
    root.appendChild(QgsRuleBasedLabeling.Rule(_spot_labels(), 0, 0, _HAS_SPOT))
    layer.setLabeling(QgsRuleBasedLabeling(root))
    layer.setLabelsEnabled(True)


_HAS_SPOT = '"spot" IS NOT NULL'
_SPOT_POINT = 'make_point("spot_x", "spot_y")'


def _spot(shape, fill) -> QgsLineSymbol:
    """Return a symbol that marks the spot depth that belongs to a line."""
    generator = QgsGeometryGeneratorSymbolLayer.create(
        {"SymbolType": "Marker", "geometryModifier": _SPOT_POINT}
    )
    generator.setSubSymbol(
        QgsMarkerSymbol.createSimple(
            {
                "name": shape,
                "size": "1.6",
                "color": fill,
                "outline_color": INK,
                "outline_width": "0.3",
            }
        )
    )
    return single(QgsLineSymbol(), generator)


def _line_labels() -> QgsPalLayerSettings:
    labels = QgsPalLayerSettings()
    labels.isExpression = True
    # The label is data, with a point; it is drawn with the sign of whoever opens the map.
    labels.fieldName = "replace(\"label\", '.', substr(format_number(0.5, 1), 2, 1))"
    labels.placement = QgsPalLayerSettings.Placement.Curved
    line = QgsLabelLineSettings()
    line.setPlacementFlags(QgsLabeling.LinePlacementFlag.OnLine)
    # A contour comes in pieces, dashed or not; it is labeled as the one line that it is.
    line.setMergeLines(True)
    labels.setLineSettings(line)
    labels.repeatDistance = 70.0
    # The rim opens a gap in the line.
    labels.setFormat(text_format(6.5, buffer=0.55))
    return labels


def _spot_labels() -> QgsPalLayerSettings:
    labels = QgsPalLayerSettings()
    labels.isExpression = True
    labels.fieldName = 'format_number("spot", 1)'
    labels.geometryGeneratorEnabled = True
    labels.geometryGenerator = _SPOT_POINT
    labels.geometryGeneratorType = QgsWkbTypes.GeometryType.PointGeometry
    labels.placement = QgsPalLayerSettings.Placement.OrderedPositionsAroundPoint
    labels.dist = 1.5
    labels.priority = 10
    labels.setFormat(text_format(6.5, bold=True, buffer=0.55))
    return labels


def _shoreline(layer):
    """A heavy line without fill."""
    if layer.geometryType() == QgsWkbTypes.GeometryType.PolygonGeometry:
        symbol = single(QgsFillSymbol(), QgsSimpleLineSymbolLayer(QColor(INK), 0.8))
    else:
        symbol = line(INK, 0.8)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))


def _depth_areas(layer):
    """One blue a band, darker with depth."""
    bands = {}
    for feature in layer.getFeatures():
        if not is_null(feature["depth_from_m"]):
            bands[feature["depth_from_m"]] = feature["label"]
    tops = sorted(bands)
    deepest = tops[-1] if tops and tops[-1] > 0 else 1.0
    categories = []
    for top in tops:
        symbol = QgsFillSymbol.createSimple(
            {"color": depth_color(top / deepest).name(), "outline_style": "no"}
        )
        categories.append(QgsRendererCategory(top, symbol, _written(str(bands[top]))))
    layer.setRenderer(QgsCategorizedSymbolRenderer("depth_from_m", categories))


def _written(label: str) -> str:
    """Return the label of a band, which is data, with the signs of the user."""
    return re.sub(r"\d+\.\d+", lambda number: written(float(number.group()), "g"), label)


def _uncovered(layer):
    """Hatched in brown, so that the bottom's own colors show through."""
    layer.setRenderer(
        QgsSingleSymbolRenderer(
            QgsFillSymbol.createSimple(
                {
                    "color": DROP_OFF,
                    "style": "b_diagonal",
                    "outline_color": DROP_OFF,
                    "outline_width": "0.3",
                }
            )
        )
    )


STYLES = {
    "contours": _contours,
    "depth_areas": _depth_areas,
    "shoreline": _shoreline,
    "uncovered": _uncovered,
}
