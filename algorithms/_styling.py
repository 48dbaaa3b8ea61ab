"""Styles of the layers that Lakefloor makes, by name.

``soundings``, ``surface``, ``contours``, ``depth_areas``, ``slope``,
``break_lines`` and ``shoreline``. Depth is a single-hue blue ramp whose
lightness falls with depth, so that it survives colour blindness, sunlight and
a black-and-white printer; lines differ by pattern as well as by colour.
"""

from __future__ import annotations

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsColorRampShader,
    QgsFillSymbol,
    QgsGeometryGeneratorSymbolLayer,
    QgsGradientColorRamp,
    QgsGradientStop,
    QgsHashedLineSymbolLayer,
    QgsLabeling,
    QgsLabelLineSettings,
    QgsLineSymbol,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProcessingLayerPostProcessorInterface,
    QgsProperty,
    QgsRasterShader,
    QgsRendererCategory,
    QgsRuleBasedLabeling,
    QgsRuleBasedRenderer,
    QgsSimpleLineSymbolLayer,
    QgsSingleBandPseudoColorRenderer,
    QgsSingleSymbolRenderer,
    QgsSymbolLayer,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsUnitTypes,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QColor, QFont, QFontInfo

from ._compat import is_null
from ._i18n import tr
from .core.soundings import ACCEPTED

INK = "#0b2545"
PAPER = "#ffffff"
FAINT = "#5d6b7c"
DROP_OFF = "#7a3300"
REJECTED = "#b83200"

_DEPTH_STOPS = ("#e7f2f9", "#8cb8d9", "#2f6ca3")
# Brown and blue part for every common kind of colour blindness.
_CHANGE_STOPS = ("#7a3300", "#f6f4f0", "#1f4f8b")
_SLOPE_STOPS = ("#f8f4ec", "#c79f63", "#4a2a0c")
_REJECTED_SHAPES = ("cross2", "triangle", "diamond", "square", "pentagon", "star", "cross", "line")
# Arial and Liberation Sans have the same widths, so a sheet may move between machines.
_FONTS = ("Arial", "Liberation Sans", "DejaVu Sans")


def apply_style(layer, style: str, **options):
    """Style a layer; ``options`` are what the style needs to know of the data."""
    _STYLES[style](layer, **options)
    layer.triggerRepaint()


def font_family() -> str:
    """Return the first of the preferred fonts that this machine has."""
    installed = (name for name in _FONTS if QFontInfo(QFont(name)).family() == name)
    return next(installed, QFont().family())


def text_format(points: float, color=INK, bold=False, buffer=0.0) -> QgsTextFormat:
    """Return a text format; ``buffer`` is the width of the paper-coloured rim, mm."""
    font = QFont(font_family())
    font.setBold(bold)
    text = QgsTextFormat()
    text.setFont(font)
    text.setSize(points)
    text.setSizeUnit(QgsUnitTypes.RenderUnit.RenderPoints)
    text.setColor(QColor(color))
    if buffer:
        rim = QgsTextBufferSettings()
        rim.setEnabled(True)
        rim.setSize(buffer)
        rim.setColor(QColor(PAPER))
        text.setBuffer(rim)
    return text


def depth_color(fraction: float) -> QColor:
    """Return the blue of a depth, given as a share (0..1) of the greatest depth."""
    return _ramp(_DEPTH_STOPS).color(fraction)


def _ramp(stops) -> QgsGradientColorRamp:
    low, middle, high = (QColor(stop) for stop in stops)
    return QgsGradientColorRamp(low, high, False, [QgsGradientStop(0.5, middle)])


def _line(color, width, dash=None, round_cap=False) -> QgsLineSymbol:
    properties = {
        "line_color": color, "line_width": str(width), "joinstyle": "round",
        "capstyle": "round" if round_cap else "flat",
    }
    if dash:
        properties.update(use_custom_dash="1", customdash=dash)
    return QgsLineSymbol.createSimple(properties)


def _single(symbol, symbol_layer):
    """Return the symbol with one symbol layer.

    A list of layers given to the constructor stays Python's and is freed twice.
    """
    symbol.changeSymbolLayer(0, symbol_layer)
    return symbol


def _ticks(color, width, length, spacing, to_left) -> QgsHashedLineSymbolLayer:
    """Return ticks on one side of a line, spaced in mm."""
    hashes = QgsHashedLineSymbolLayer.create({
        "placement": "interval", "interval": str(spacing), "hash_length": str(length),
        "offset": str(-length / 2 if to_left else length / 2),
    })
    hashes.setSubSymbol(_line(color, width))
    return hashes


def _rules(layer, rules):
    """Style by rules, each (label, expression, symbol)."""
    root = QgsRuleBasedRenderer.Rule(None)
    for label, expression, symbol in rules:
        root.appendChild(QgsRuleBasedRenderer.Rule(symbol, 0, 0, expression, label))
    layer.setRenderer(QgsRuleBasedRenderer(root))


# -- points ---------------------------------------------------------------------


def _soundings(layer, faint=False):
    """Accepted soundings as dots coloured by depth, rejected ones in a shape for each reason."""
    index = layer.fields().indexFromName("status")
    reasons = sorted(
        str(status) for status in (layer.uniqueValues(index) if index >= 0 else ())
        if not is_null(status) and status not in ("", ACCEPTED)
    )
    dot = QgsMarkerSymbol.createSimple({
        "name": "circle", "size": "0.4" if faint else "0.7", "outline_style": "no",
        "color": FAINT if faint else depth_color(0.75).name(),
    })
    if not faint:
        deepest = _deepest(layer)
        _, middle, dark = _DEPTH_STOPS
        dot.symbolLayer(0).setDataDefinedProperty(
            QgsSymbolLayer.Property.PropertyFillColor,
            QgsProperty.fromExpression(
                f"ramp_color(create_ramp(map(0,'{middle}',0.5,'{dark}',1,'{INK}')), "
                f"scale_linear(\"depth_m\", 0, {deepest}, 0, 1))"
            ),
        )
    categories = [
        QgsRendererCategory(reason, _rejected_marker(i), tr("rejected: {}").format(reason))
        for i, reason in enumerate(reasons)
    ]
    # The category without a value takes the rest: 'accepted', and layers that were never cleaned.
    categories.append(QgsRendererCategory(None, dot, tr("sounding used")))
    if faint:
        for number in range(len(reasons)):
            categories[number].setRenderState(False)
    layer.setRenderer(QgsCategorizedSymbolRenderer("status", categories))


def _deepest(layer) -> float:
    field = layer.fields().indexFromName("depth_m")
    depths = [
        feature[field]
        for feature in layer.getFeatures(f"coalesce(\"status\", '') IN ('', '{ACCEPTED}')")
        if not is_null(feature[field])
    ] if field >= 0 else []
    return max(depths, default=1.0) or 1.0


def _rejected_marker(number) -> QgsMarkerSymbol:
    return QgsMarkerSymbol.createSimple({
        "name": _REJECTED_SHAPES[number % len(_REJECTED_SHAPES)], "size": "2.2",
        "color": "255,255,255,0", "outline_color": REJECTED, "outline_width": "0.4",
    })


def _crossings(layer):
    """Triangles that point down where the first track is deeper, larger for a worse misfit."""
    index = layer.fields().indexFromName("difference_m")
    values = sorted(abs(v) for v in layer.uniqueValues(index) if not is_null(v))
    full = (values[int(0.95 * (len(values) - 1))] if values else 0.0) or 1.0
    size = QgsProperty.fromExpression(f'scale_linear(abs("difference_m"), 0, {full}, 0.8, 4)')
    rules = []
    for label, sign, shape, turn, color in (
        (tr("first track deeper"), ">=", "triangle", 180, depth_color(1.0).name()),
        (tr("first track shallower"), "<", "triangle", 0, DROP_OFF),
    ):
        marker = QgsMarkerSymbol.createSimple({
            "name": shape, "angle": str(turn), "color": color, "outline_color": PAPER,
            "outline_width": "0.1",
        })
        marker.setDataDefinedSize(size)
        rules.append((label, f'"difference_m" {sign} 0', marker))
    _rules(layer, rules)


# -- lines ----------------------------------------------------------------------


def _contours(layer):
    """Index lines heavier, dashed where the data do not support the line, hollows ticked."""
    rules = []
    for name, index, width in ((tr("index contour"), 1, 0.45), (tr("contour"), 0, 0.18)):
        for supported, dash, remark in (
            (1, None, ""), (0, "3;0.9", tr(", not supported by the data")),
        ):
            rules.append((
                name + remark,
                f'coalesce("index", 0) = {index} AND coalesce("supported", 1) = {supported}',
                _line(INK, width, dash),
            ))
    # Contours run with the deeper side on their left.
    hollow = _single(QgsLineSymbol(), _ticks(INK, 0.25, 0.9, 2.5, to_left=True))
    rules += [
        (tr("hollow, ticks toward the deeper side"), "\"kind\" = 'hollow'", hollow),
        (tr("least depth of a hump"), f"{_HAS_SPOT} AND \"kind\" = 'hump'",
         _spot("triangle", PAPER)),
        (tr("greatest depth"), f"{_HAS_SPOT} AND \"kind\" <> 'hump'", _spot("circle", INK)),
    ]
    _rules(layer, rules)
    root = QgsRuleBasedLabeling.Rule(None)
    root.appendChild(QgsRuleBasedLabeling.Rule(_line_labels(), 0, 0, '"index" = 1'))
    root.appendChild(QgsRuleBasedLabeling.Rule(_spot_labels(), 0, 0, _HAS_SPOT))
    layer.setLabeling(QgsRuleBasedLabeling(root))
    layer.setLabelsEnabled(True)


_HAS_SPOT = '"spot" IS NOT NULL'
_SPOT_POINT = 'make_point("spot_x", "spot_y")'


def _spot(shape, fill) -> QgsLineSymbol:
    """Return a symbol that marks the spot depth that belongs to a line."""
    generator = QgsGeometryGeneratorSymbolLayer.create({
        "SymbolType": "Marker", "geometryModifier": _SPOT_POINT,
    })
    generator.setSubSymbol(QgsMarkerSymbol.createSimple({
        "name": shape, "size": "1.6", "color": fill, "outline_color": INK, "outline_width": "0.3",
    }))
    return _single(QgsLineSymbol(), generator)


def _line_labels() -> QgsPalLayerSettings:
    labels = QgsPalLayerSettings()
    labels.fieldName = "label"
    labels.placement = QgsPalLayerSettings.Placement.Curved
    line = QgsLabelLineSettings()
    line.setPlacementFlags(QgsLabeling.LinePlacementFlag.OnLine)
    # A contour comes in pieces, dashed or not; it is labelled as the one line that it is.
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
    labels.dist = 1.0
    labels.priority = 10
    labels.setFormat(text_format(6.5, bold=True, buffer=0.55))
    return labels


def _break_lines(layer):
    """Crest solid with ticks down the slope, steepest line dotted, toe dashed."""
    # Break-lines run with the deeper side on their left.
    crest = _line(DROP_OFF, 0.6)
    crest.appendSymbolLayer(_ticks(DROP_OFF, 0.3, 1.3, 2.0, to_left=True))
    _rules(layer, [
        (tr("drop-off: crest, ticks down the slope"), "\"kind\" = 'crest'", crest),
        (tr("drop-off: steepest line"), "\"kind\" = 'steepest'",
         _line(DROP_OFF, 0.4, "0.1;1.1", round_cap=True)),
        (tr("drop-off: toe"), "\"kind\" = 'toe'", _line(DROP_OFF, 0.45, "2.4;1.2")),
    ])


def _shoreline(layer):
    """A heavy line without fill."""
    if layer.geometryType() == QgsWkbTypes.GeometryType.PolygonGeometry:
        symbol = _single(QgsFillSymbol(), QgsSimpleLineSymbolLayer(QColor(INK), 0.8))
    else:
        symbol = _line(INK, 0.8)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))


# -- areas and rasters ----------------------------------------------------------


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
        symbol = QgsFillSymbol.createSimple({
            "color": depth_color(top / deepest).name(), "outline_style": "no",
        })
        categories.append(QgsRendererCategory(top, symbol, str(bands[top])))
    layer.setRenderer(QgsCategorizedSymbolRenderer("depth_from_m", categories))


def _bottom_change(layer):
    """Blocks where the bottom changed: deeper now in the hue of depth, shallower in brown."""
    def block(color):
        red, green, blue, _ = QColor(color).getRgb()
        return QgsFillSymbol.createSimple({
            "color": f"{red},{green},{blue},90", "outline_color": color, "outline_width": "0.3",
        })

    _rules(layer, [
        (tr("deeper now"), '"change_m" > 0', block(depth_color(0.75).name())),
        (tr("shallower now"), '"change_m" <= 0', block(DROP_OFF)),
    ])


def _uncovered(layer):
    """Hatched in brown, so that the bottom's own colours show through."""
    layer.setRenderer(QgsSingleSymbolRenderer(QgsFillSymbol.createSimple({
        "color": DROP_OFF, "style": "b_diagonal", "outline_color": DROP_OFF,
        "outline_width": "0.3",
    })))


def _surface(layer):
    """The blue ramp between the least and the greatest depth of band 1."""
    stats = layer.dataProvider().bandStatistics(1)
    _stretch(layer, 1, stats.minimumValue, stats.maximumValue, _DEPTH_STOPS)


def _slope(layer):
    """Percent of slope in browns, from level to the steepest two of a hundred cells."""
    names = [layer.bandName(band + 1) for band in range(layer.bandCount())]
    band = next((i + 1 for i, name in enumerate(names) if "percent" in name), 1)
    _, high = layer.dataProvider().cumulativeCut(band, 0.0, 0.98)
    _stretch(layer, band, 0.0, high, _SLOPE_STOPS)


def _difference(layer):
    """Change of depth: brown where shallower, blue where deeper, pale where neither."""
    low, high = layer.dataProvider().cumulativeCut(1, 0.02, 0.98)
    size = max(abs(low), abs(high)) or 1.0
    _stretch(layer, 1, -size, size, _CHANGE_STOPS)


def _stretch(layer, band, low, high, stops):
    if not high > low:
        high = low + 1.0
    function = QgsColorRampShader(
        low, high, _ramp(stops), QgsColorRampShader.Type.Interpolated,
        QgsColorRampShader.ClassificationMode.Continuous,
    )
    function.classifyColorRamp(5, band, layer.extent(), layer.dataProvider())
    shader = QgsRasterShader(low, high)
    shader.setRasterShaderFunction(function)
    renderer = QgsSingleBandPseudoColorRenderer(layer.dataProvider(), band, shader)
    renderer.setClassificationMin(low)
    renderer.setClassificationMax(high)
    layer.setRenderer(renderer)


_STYLES = {
    "soundings": _soundings,
    "crossings": _crossings,
    "surface": _surface,
    "contours": _contours,
    "depth_areas": _depth_areas,
    "slope": _slope,
    "break_lines": _break_lines,
    "shoreline": _shoreline,
    "bottom_change": _bottom_change,
    "uncovered": _uncovered,
    "difference": _difference,
}


# -- on load --------------------------------------------------------------------


_ORDER_PROPERTY = "lakefloor/order"
_FROM_THE_BOTTOM = (
    "surface", "slope", "difference", "depth_areas", "uncovered", "shoreline", "contours",
    "break_lines", "soundings", "crossings",
)  # fmt: skip


class _Styler(QgsProcessingLayerPostProcessorInterface):
    # QGIS does not own post-processors: without a reference they vanish before they run.
    _alive: list = []

    def __init__(self, style, options):
        super().__init__()
        self.style = style
        self.options = options
        _Styler._alive.append(self)

    def postProcessLayer(self, layer, context, feedback):
        try:
            apply_style(layer, self.style, **self.options)
            layer.setCustomProperty(_ORDER_PROPERTY, _order(self.style))
            _sort_in(layer, context.project())
        finally:
            _Styler._alive.remove(self)


def _order(style: str) -> int:
    return _FROM_THE_BOTTOM.index(style) if style in _FROM_THE_BOTTOM else 0


def _sort_in(layer, project):
    """Move a layer that QGIS put on top to below those that would be hidden by it.

    Newer QGIS does this itself, by ``layerSortKey``.
    """
    node = project.layerTreeRoot().findLayer(layer.id()) if project else None
    if node is None:
        return
    group, own = node.parent(), int(layer.customProperty(_ORDER_PROPERTY))
    siblings = group.children()
    above = [
        index for index, sibling in enumerate(siblings)
        if getattr(sibling, "layer", lambda: None)() is not None
        and int(sibling.layer().customProperty(_ORDER_PROPERTY, -1)) > own
    ]  # fmt: skip
    if above and above[-1] > siblings.index(node):
        group.insertChildNode(above[-1] + 1, node.clone())
        group.removeChildNode(node)


def style_on_load(context, target: str, style: str, options: dict):
    """Have a layer styled when QGIS loads it at the end of the run."""
    if context.willLoadLayerOnCompletion(target):
        details = context.layerToLoadOnCompletionDetails(target)
        details.setPostProcessor(_Styler(style, options))
        details.layerSortKey = _order(style)
