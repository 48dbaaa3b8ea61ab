"""Styles of bottom type and of hard-soft transitions."""

from __future__ import annotations

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsFillSymbol,
    QgsMarkerLineSymbolLayer,
    QgsMarkerSymbol,
    QgsPalettedRasterRenderer,
    QgsRendererCategory,
)
from qgis.PyQt.QtGui import QColor

from .._i18n import tr
from .look import WHITE, by_rules, cased, line, stretch, value_range

#: From soft, pale, to hard, dark: as lightness falls with depth in the blue ramp.
_HARDNESS_STOPS = ("#f4efe4", "#b09a7c", "#40342a")
_CLASS_COLORS = ("#ece4d2", "#b39b78", "#57442f")
_TRANSITION = "#6b2150"

PALETTES = {
    "hardness": ("sequential", _HARDNESS_STOPS),
    "bottom classes": ("categories", _CLASS_COLORS),
    "transition": ("lines", (_TRANSITION,)),
}


def _names():
    return (tr("soft"), tr("medium"), tr("hard"))


def _bottom_type(layer):
    """Hardness from pale to dark; a second style of the layer shows the classes."""
    name, styles = tr("classes"), layer.styleManager()
    if layer.bandCount() >= 3 and name not in styles.styles():
        hardness = styles.currentStyle()
        styles.addStyleFromLayer(name)
        styles.setCurrentStyle(name)
        _bottom_classes(layer)
        styles.setCurrentStyle(hardness)
    low, high = value_range(layer, 1, 0.01, 0.99)
    stretch(layer, 1, low, high, _HARDNESS_STOPS)


_WATER_OPACITY = 0.7


def _water_hardness(layer):
    """Hardness from pale to dark over its whole range, without a look at the cells.

    The depth is seen through it.
    """
    stretch(layer, 1, 0.0, 1.0, _HARDNESS_STOPS)
    layer.setOpacity(_WATER_OPACITY)


def _bottom_classes(layer):
    classes = [
        QgsPalettedRasterRenderer.Class(number, QColor(color), label)
        for number, (color, label) in enumerate(zip(_CLASS_COLORS, _names()), start=1)
    ]
    layer.setRenderer(QgsPalettedRasterRenderer(layer.dataProvider(), 3, classes))


def _bottom_areas(layer):
    """One fill a class, from pale to dark."""
    layer.setRenderer(
        QgsCategorizedSymbolRenderer(
            "bottom",
            [
                QgsRendererCategory(
                    value,
                    QgsFillSymbol.createSimple(
                        {"color": color, "outline_color": _CLASS_COLORS[2], "outline_width": "0.12"}
                    ),
                    label,
                )
                for value, color, label in zip(("soft", "medium", "hard"), _CLASS_COLORS, _names())
            ],
        )
    )


def _transitions(layer):
    """A line with grains on its hard side; dashed where the data do not support it."""
    # Transitions run with the harder side on their left.
    firm = line(_TRANSITION, 0.45)
    grains = QgsMarkerLineSymbolLayer(True, 2.0)
    grains.setOffset(-0.9)
    grains.setSubSymbol(
        QgsMarkerSymbol.createSimple(
            {
                "name": "circle",
                "size": "0.9",
                "color": _TRANSITION,
                "outline_color": WHITE,
                "outline_width": "0.1",
            }
        )
    )
    firm.appendSymbolLayer(grains)
    by_rules(
        layer,
        [
            (
                tr("hard to soft, grains on the hard side"),
                'coalesce("supported", 1) = 1',
                cased(firm, 0.9),
            ),
            (
                tr("hard to soft, not supported by the data"),
                '"supported" = 0',
                cased(line(_TRANSITION, 0.35, "2.2;1.4"), 0.7),
            ),
        ],
    )


STYLES = {
    "bottom_type": _bottom_type,
    "water_hardness": _water_hardness,
    "bottom_areas": _bottom_areas,
    "transitions": _transitions,
}
