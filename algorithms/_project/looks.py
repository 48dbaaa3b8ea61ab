"""How a lake's layers look and what QGIS's own tools find on them, in the user's unit."""

from __future__ import annotations

from qgis.core import (
    Qgis,
    QgsColorRampLegendNodeSettings,
    QgsEditorWidgetSetup,
    QgsGeometryGeneratorSymbolLayer,
    QgsHashedLineSymbolLayer,
    QgsLayerNotesUtils,
    QgsMapLayerLegendUtils,
    QgsProperty,
    QgsSimpleFillSymbolLayer,
    QgsSimpleLineSymbolLayer,
    QgsSimpleMarkerSymbolLayer,
    QgsUnitTypes,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QColor

from .._compat import ALTITUDE
from .._styling import apply_style
from .._styling.legend import occurring
from .._styling.look import INK, WHITE, value_range
from ..core.number_text import written
from ..core.units import LENGTH
from .catalogue import lake_layer
from .sources import opened

__all__ = ["deepest_of", "dress", "legend_order", "map_tip", "set_notes", "style_layer"]

#: Rim of dark lines, mm on either side, and its opacity, of thin lines and of others: it parts
#: them from dark water, and from the ground of a dark theme of QGIS in the legend.
_THIN, _RIMS = 0.3, ((0.12, 150), (0.2, 235))
#: Layers with lines that need it.
_RIMMED = ("contours", "shoreline", "break_lines", "lanes")
#: Smallest scale, n of 1:n, at which the labels of a layer are drawn.
_LABELS_FROM = {
    "contours": 30_000.0,
    "bottom_forms": 15_000.0,
    "spots": 50_000.0,
    "marks": 50_000.0,
    "lanes": 20_000.0,
    "gaps": 30_000.0,
}
#: Fields that only the work needs.
_PLUMBING = {"fid", "spot_x", "spot_y", "line", "corrections", "closed"}


def style_layer(layer, role, unit, deepest=None):
    """Give a new layer the style of its role.

    ``deepest`` is the deepest depth of the map, m, where it is known.
    """
    entry = lake_layer(role)
    if not entry.style:
        return
    options = {"bottom_forms": {"unit": unit}, "soundings": {"deepest": deepest}}.get(role, {})
    apply_style(layer, entry.style, **options)
    if role in ("surface", "idw_surface"):
        _legend_in_unit(layer, unit)
    if isinstance(layer, QgsVectorLayer):
        if role in _RIMMED:
            _rim(layer)
        if role == "soundings":
            _rim_crosses(layer)
        if role == "gaps":
            # Hatched on paper, so that the hatching shows on any ground.
            paper = QgsSimpleFillSymbolLayer(QColor(255, 255, 255, 120))
            paper.setStrokeStyle(Qt.PenStyle.NoPen)
            layer.renderer().symbol().insertSymbolLayer(0, paper)
        if role in _LABELS_FROM:
            _label_from(layer, _LABELS_FROM[role])


def _legend_in_unit(layer, unit):
    """Write the depths of a surface's legend, which are meters, in the user's unit."""
    function = layer.renderer().shader().rasterShaderFunction()
    items = function.colorRampItemList()
    for item in items:
        item.label = f"{written(item.value / LENGTH[unit], '.1f')} {unit}"
    function.setColorRampItemList(items)
    legend = QgsColorRampLegendNodeSettings(function.legendSettings())
    legend.setUseContinuousLegend(False)
    function.setLegendSettings(legend)


def _rim(layer):
    renderer = layer.renderer()
    if hasattr(renderer, "rootRule"):
        symbols = [rule.symbol() for rule in renderer.rootRule().children()]
    else:
        symbols = [renderer.symbol()]
    for symbol in symbols:
        lowest = symbol.symbolLayer(0)
        if isinstance(lowest, QgsSimpleLineSymbolLayer) and lowest.color() != QColor(WHITE):
            symbol.insertSymbolLayer(0, _rimmed(lowest.clone(), lowest.width()))
        elif isinstance(lowest, QgsHashedLineSymbolLayer):
            rim = lowest.clone()
            _rimmed(rim.subSymbol(), max(_THIN, lowest.subSymbol().width()))
            symbol.insertSymbolLayer(0, rim)
        elif isinstance(lowest, QgsGeometryGeneratorSymbolLayer):
            lowest.subSymbol().symbolLayer(0).setStrokeColor(
                QColor(WHITE if lowest.subSymbol().color() == QColor(INK) else INK)
            )


def _rim_crosses(layer):
    """Put a rim behind the crosses of soundings that are not used, which have no fill."""
    renderer = layer.renderer()
    for number, category in enumerate(renderer.categories()):
        mark = category.symbol().symbolLayer(0)
        if not QgsSimpleMarkerSymbolLayer.shapeIsFilled(mark.shape()):
            symbol, rim = category.symbol().clone(), mark.clone()
            rim.setStrokeColor(QColor(WHITE))
            rim.setStrokeWidth(mark.strokeWidth() + 0.5)
            symbol.insertSymbolLayer(0, rim)
            renderer.updateCategorySymbol(number, symbol)


def _rimmed(line, width):
    """Make a copy of a line its own rim."""
    rim, opacity = _RIMS[width >= _THIN]
    line.setColor(QColor(255, 255, 255, opacity))
    line.setWidth(width + 2.0 * rim)
    return line


def _label_from(layer, smallest):
    labeling = layer.labeling()
    if labeling is None:
        return
    labeling = labeling.clone()
    for key in labeling.subProviders() or [""]:
        settings = labeling.settings(key)
        settings.scaleVisibility = True
        settings.minimumScale = smallest
        labeling.setSettings(settings, key)
    layer.setLabeling(labeling)


def deepest_of(path, context):
    """Return the deepest depth of a surface, m; None where the file cannot be read."""
    surface = opened(path, "surface", "", context)
    return value_range(surface, 1)[1] if surface.isValid() else None


# -- what QGIS's tools find --------------------------------------------------------------------


def dress(layer, role):
    """Prepare a new layer for QGIS's own tools: profile, time, form and table."""
    _elevate(layer, role)
    if not isinstance(layer, QgsVectorLayer):
        return
    for index, field in enumerate(layer.fields()):
        if field.name() in _PLUMBING:
            layer.setEditorWidgetSetup(index, QgsEditorWidgetSetup("Hidden", {}))
    table = layer.attributeTableConfig()
    table.update(layer.fields())
    columns = table.columns()
    for column in columns:
        column.hidden = column.hidden or column.name in _PLUMBING
    table.setColumns(columns)
    layer.setAttributeTableConfig(table)
    if role == "soundings":
        temporal = layer.temporalProperties()
        temporal.setMode(Qgis.VectorTemporalMode.FeatureDateTimeInstantFromField)
        temporal.setStartField("time")
        temporal.setDurationUnits(QgsUnitTypes.TemporalUnit.TemporalSeconds)
        temporal.setIsActive(True)


def _elevate(layer, role):
    """Let QGIS's elevation profile draw depths downward, where the version can."""
    elevation = layer.elevationProperties()
    if not hasattr(elevation, "setZScale"):
        return
    if role in ("surface", "idw_surface"):
        elevation.setEnabled(True)
        elevation.setBandNumber(1)
        elevation.setZScale(-1.0)
    elif role in ("soundings", "contours", "spots"):
        elevation.setClamping(ALTITUDE.Absolute)
        properties = elevation.dataDefinedProperties()
        properties.setProperty(
            type(elevation).Property.ZOffset, QgsProperty.fromExpression('-"depth_m"')
        )
        elevation.setDataDefinedProperties(properties)


def map_tip(role, unit) -> str:
    """Return what is shown under the cursor on a layer of a role; "" for nothing."""
    factor = LENGTH[unit]

    def depth(field, digits=1):
        return f'[% format_number("{field}" / {factor}, {digits}) %] {unit}'

    sure = (
        f"[% coalesce(' ± ' || format_number(2 * \"uncert_m\" / {factor}, 1) || ' {unit}', '') %]"
    )
    return {
        "soundings": f"<b>{depth('depth_m')}</b>{sure}<br/>"
        '[% format_date("time", \'yyyy-MM-dd HH:mm:ss\') %]<br/>[% "visit" %], [% "status" %]',
        "contours": '<b>[% "label" %] [% "unit" %]</b>',
        "spots": f'<b>[% "name" %]</b><br/>{depth("depth_m")}{sure}<br/>[% "note" %]',
    }.get(role, "")


def set_notes(layer, text):
    """Set the notes of a layer, which QGIS shows by a sign in the layer tree."""
    QgsLayerNotesUtils.setLayerNotes(layer, text)


def notes_of(layer) -> str:
    """Return the notes of a layer."""
    return QgsLayerNotesUtils.layerNotes(layer)


def legend_order(node, layer, role):
    """Show in the legend of a layer only what occurs in it."""
    # That of soundings is made of what occurs, and there may be a million of them.
    if role == "soundings" or not (isinstance(layer, QgsVectorLayer) and layer.isSpatial()):
        return
    shown = occurring(layer)
    if shown is not None:
        QgsMapLayerLegendUtils.setLegendNodeOrder(node, shown)
