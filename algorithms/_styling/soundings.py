"""Styles of soundings and of what visits say about each other."""

from __future__ import annotations

from qgis.core import (
    QgsAggregateCalculator,
    QgsCategorizedSymbolRenderer,
    QgsFillSymbol,
    QgsMarkerSymbol,
    QgsProperty,
    QgsRendererCategory,
    QgsSymbolLayer,
)
from qgis.PyQt.QtGui import QColor

from .._compat import is_null
from .._i18n import tr
from ..core.soundings import ACCEPTED
from .look import DEPTH_STOPS, DROP_OFF, FAINT, INK, REJECTED, WHITE, by_rules, depth_color

_REJECTED_SHAPES = ("cross2", "triangle", "diamond", "square", "pentagon", "star", "cross", "line")


def _soundings(layer, faint=False, deepest=None):
    """Accepted soundings as dots colored by depth, all others in a shape for each reason.

    Not all of these are rejected: some are held back or superseded, as their status says.
    ``deepest`` is the depth of the darkest dot, m; left out, it is looked for in the layer.
    """
    index = layer.fields().indexFromName("status")
    reasons = sorted(
        str(status)
        for status in (layer.uniqueValues(index) if index >= 0 else ())
        if not is_null(status) and status not in ("", ACCEPTED)
    )
    dot = QgsMarkerSymbol.createSimple(
        {
            "name": "circle",
            "size": "0.4" if faint else "0.7",
            "outline_style": "no",
            "color": FAINT if faint else depth_color(0.75).name(),
        }
    )
    if not faint:
        deepest = deepest or _deepest(layer)
        _, middle, dark = DEPTH_STOPS
        dot.symbolLayer(0).setDataDefinedProperty(
            QgsSymbolLayer.Property.PropertyFillColor,
            QgsProperty.fromExpression(
                f"ramp_color(create_ramp(map(0,'{middle}',0.5,'{dark}',1,'{INK}')), "
                f'scale_linear("depth_m", 0, {deepest}, 0, 1))'
            ),
        )
    categories = [
        QgsRendererCategory(reason, _rejected_marker(i), tr("not used: {}").format(reason))
        for i, reason in enumerate(reasons)
    ]
    # The category without a value takes the rest: 'accepted', and layers that were never cleaned.
    categories.append(QgsRendererCategory(None, dot, tr("sounding used")))
    if faint:
        for number in range(len(reasons)):
            categories[number].setRenderState(False)
    layer.setRenderer(QgsCategorizedSymbolRenderer("status", categories))


def show_reasons(layer, statuses):
    """Let soundings of further statuses be drawn as not used, in whatever style the layer has.

    A layer that is not drawn by status is left as it is.
    """
    renderer = layer.renderer()
    if not isinstance(renderer, QgsCategorizedSymbolRenderer):
        return
    if renderer.classAttribute() != "status":
        return
    known = {ACCEPTED, *(str(category.value()) for category in renderer.categories())}
    renderer = renderer.clone()
    for status in sorted(set(statuses) - known):
        marker = _rejected_marker(len(renderer.categories()) - 1)
        label = tr("not used: {}").format(status)
        renderer.addCategory(QgsRendererCategory(status, marker, label))
    layer.setRenderer(renderer)


def _deepest(layer) -> float:
    field = layer.fields().indexFromName("depth_m")
    if field < 0 or not layer.fields().at(field).isNumeric():
        return 1.0
    used = QgsAggregateCalculator.AggregateParameters()
    if layer.fields().indexFromName("status") >= 0:
        used.filter = f"coalesce(\"status\", '') IN ('', '{ACCEPTED}')"
    deepest, _ = layer.aggregate(QgsAggregateCalculator.Aggregate.Max, "depth_m", used)
    return 1.0 if is_null(deepest) else float(deepest) or 1.0


def _rejected_marker(number) -> QgsMarkerSymbol:
    return QgsMarkerSymbol.createSimple(
        {
            "name": _REJECTED_SHAPES[number % len(_REJECTED_SHAPES)],
            "size": "2.2",
            "color": WHITE,
            "outline_color": REJECTED,
            "outline_width": "0.4",
        }
    )


def _crossings(layer):
    """Triangles that point down where the first track is deeper, larger for a larger difference."""
    index = layer.fields().indexFromName("difference_m")
    values = sorted(abs(v) for v in layer.uniqueValues(index) if not is_null(v))
    full = (values[int(0.95 * (len(values) - 1))] if values else 0.0) or 1.0
    size = QgsProperty.fromExpression(f'scale_linear(abs("difference_m"), 0, {full}, 0.8, 4)')
    rules = []
    for label, sign, shape, turn, color in (
        (tr("first track deeper"), ">=", "triangle", 180, depth_color(1.0).name()),
        (tr("first track shallower"), "<", "triangle", 0, DROP_OFF),
    ):
        marker = QgsMarkerSymbol.createSimple(
            {
                "name": shape,
                "angle": str(turn),
                "color": color,
                "outline_color": WHITE,
                "outline_width": "0.1",
            }
        )
        marker.setDataDefinedSize(size)
        rules.append((label, f'"difference_m" {sign} 0', marker))
    by_rules(layer, rules)


def _bottom_change(layer):
    """Blocks where the bottom changed: deeper now in the hue of depth, shallower in brown."""

    def block(color):
        red, green, blue, _ = QColor(color).getRgb()
        return QgsFillSymbol.createSimple(
            {"color": f"{red},{green},{blue},90", "outline_color": color, "outline_width": "0.3"}
        )

    by_rules(
        layer,
        [
            (tr("deeper now"), '"change_m" > 0', block(depth_color(0.75).name())),
            (tr("shallower now"), '"change_m" <= 0', block(DROP_OFF)),
        ],
    )


STYLES = {"soundings": _soundings, "crossings": _crossings, "bottom_change": _bottom_change}
