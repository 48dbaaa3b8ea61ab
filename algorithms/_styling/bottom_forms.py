"""Styles of bottom forms: the same colors for polygons and raster, patterns for a gray printer."""

from __future__ import annotations

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsFillSymbol,
    QgsPalettedRasterRenderer,
    QgsPalLayerSettings,
    QgsRendererCategory,
    QgsVectorLayerSimpleLabeling,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QColor

from .._i18n import tr
from ..core.structure.structure_names import FORMS
from ..core.units import LENGTH
from .look import DROP_OFF, text_format

_COLORS = {
    "point": "#e8a04a", "inside turn": "#43a094", "hump": "#b8472f", "hole": "#14305f",
    "saddle": "#9170a8", "flat": "#f0e5b4", "steep break": DROP_OFF, "basin": "#abcbdf",
}  # fmt: skip
PALETTES = {"bottom forms": ("categories", tuple(_COLORS.values()))}
_PATTERNS = {
    "point": "dense5", "inside turn": "dense5", "hump": "dense4", "hole": "dense4",
    "saddle": "dense3", "steep break": "f_diagonal",
}  # fmt: skip
#: What is drawn later lies on top.
_FROM_BELOW = (
    "basin", "flat", "steep break", "inside turn", "point", "hole", "hump", "saddle",
)  # fmt: skip


def _labels():
    return {
        "point": tr("point"), "inside turn": tr("inside turn"), "hump": tr("hump"),
        "hole": tr("hole"), "saddle": tr("saddle"), "flat": tr("flat"),
        "steep break": tr("steep break"), "basin": tr("basin"),
    }  # fmt: skip


def _bottom_forms(layer, unit="ft"):
    """One color and pattern a form; named with the depth that counts, where there is one."""
    labels, categories = _labels(), []
    for level, form in enumerate(_FROM_BELOW):
        color = QColor(_COLORS[form])
        fill = QColor(color)
        fill.setAlpha(110 if form in ("flat", "basin") else 190)
        symbol = QgsFillSymbol.createSimple(
            {
                "color": ",".join(str(v) for v in fill.getRgb()),
                "style": _PATTERNS.get(form, "solid"),
                "outline_color": color.name(),
                "outline_width": "0.35",
                "joinstyle": "round",
            }
        )
        symbol.symbolLayer(0).setRenderingPass(level)
        categories.append(QgsRendererCategory(form, symbol, labels[form]))
    renderer = QgsCategorizedSymbolRenderer("form", categories[::-1])
    renderer.setUsingSymbolLevels(True)
    layer.setRenderer(renderer)
    layer.setLabeling(QgsVectorLayerSimpleLabeling(_names(unit)))
    layer.setLabelsEnabled(True)


def _names(unit) -> QgsPalLayerSettings:
    labels = QgsPalLayerSettings()
    labels.isExpression = True
    labels.fieldName = (
        "\"name\" || coalesce(', ' || format_number(CASE WHEN \"form\" = 'hump' THEN "
        '"top_depth_m" WHEN "form" = \'hole\' THEN "bottom_depth_m" '
        f"WHEN \"form\" = 'saddle' THEN \"saddle_depth_m\" END / {LENGTH[unit]}, 1) || ' {unit}', "
        "'')"
    )
    labels.geometryGeneratorEnabled = True
    labels.geometryGenerator = (
        "CASE WHEN \"form\" IN ('flat', 'basin', 'steep break') THEN point_on_surface($geometry) "
        'ELSE make_point("spot_x", "spot_y") END'
    )
    labels.geometryGeneratorType = QgsWkbTypes.GeometryType.PointGeometry
    labels.placement = QgsPalLayerSettings.Placement.OrderedPositionsAroundPoint
    labels.setFormat(text_format(6.5, buffer=0.55))
    return labels


def _bottom_form_codes(layer):
    labels = _labels()
    classes = [
        QgsPalettedRasterRenderer.Class(code, QColor(_COLORS[form]), labels[form])
        for code, form in enumerate(FORMS, start=1)
    ]
    layer.setRenderer(QgsPalettedRasterRenderer(layer.dataProvider(), 1, classes))


STYLES = {"bottom_forms": _bottom_forms, "bottom_form_codes": _bottom_form_codes}
