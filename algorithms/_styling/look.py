"""Our own look: colors, ramps and the symbols that several styles are made of."""

from __future__ import annotations

import math

import numpy as np
from osgeo import gdal
from qgis.core import (
    QgsBasicNumericFormat,
    QgsColorRampLegendNodeSettings,
    QgsColorRampShader,
    QgsGradientColorRamp,
    QgsGradientStop,
    QgsHashedLineSymbolLayer,
    QgsLineSymbol,
    QgsRasterShader,
    QgsRuleBasedRenderer,
    QgsSingleBandPseudoColorRenderer,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsUnitTypes,
)
from qgis.PyQt.QtGui import QColor, QFont, QFontInfo

INK = "#0b2545"
WHITE = "#ffffff"
FAINT = "#5d6b7c"
DROP_OFF = "#7a3300"
REJECTED = "#b83200"
DEPTH_STOPS = ("#e7f2f9", "#8cb8d9", "#3a78b0")

#: Every color that a style draws with, by name: the kind and the colors. ``sequential``: a
#: ramp; ``diverging``: a ramp with a pale middle; ``categories``: fills told apart by color
#: alone; ``patterned``: fills or symbols that also differ in pattern or shape; ``lines``: lines,
#: symbols and text, each drawn on paper, on a pale fill or on a paper-colored rim.
PALETTES = {
    "depth": ("sequential", DEPTH_STOPS),
    "lines and text": ("lines", (INK, DROP_OFF, REJECTED, FAINT)),
    "drop-off against ink": ("patterned", (INK, DROP_OFF)),
}

# Arial and Liberation Sans have the same widths, so a sheet may move between machines.
_FONTS = ("Arial", "Liberation Sans", "DejaVu Sans")


def font_family() -> str:
    """Return the first of the preferred fonts that this machine has."""
    installed = (name for name in _FONTS if QFontInfo(QFont(name)).family() == name)
    return next(installed, QFont().family())


def text_format(points: float, color=INK, bold=False, buffer=0.0) -> QgsTextFormat:
    """Return a text format; ``buffer`` is the width of the paper-colored rim, mm."""
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
        rim.setColor(QColor(WHITE))
        text.setBuffer(rim)
    return text


def depth_color(fraction: float) -> QColor:
    """Return the blue of a depth, given as a share (0..1) of the greatest depth."""
    return ramp(DEPTH_STOPS).color(fraction)


def ramp(stops) -> QgsGradientColorRamp:
    low, middle, high = (QColor(stop) for stop in stops)
    return QgsGradientColorRamp(low, high, False, [QgsGradientStop(0.5, middle)])


def line(color, width, dash=None, round_cap=False) -> QgsLineSymbol:
    properties = {
        "line_color": color,
        "line_width": str(width),
        "joinstyle": "round",
        "capstyle": "round" if round_cap else "flat",
    }
    if dash:
        properties.update(use_custom_dash="1", customdash=dash)
    return QgsLineSymbol.createSimple(properties)


def cased(symbol: QgsLineSymbol, width) -> QgsLineSymbol:
    """Return the line with a paper-colored rim, dashed alike, to stand out from a dark ground."""
    rim = symbol.symbolLayer(0).clone()
    rim.setColor(QColor(WHITE))
    rim.setWidth(width)
    symbol.insertSymbolLayer(0, rim)
    return symbol


def single(symbol, symbol_layer):
    """Return the symbol with one symbol layer.

    A list of layers given to the constructor stays Python's and is freed twice.
    """
    symbol.changeSymbolLayer(0, symbol_layer)
    return symbol


def ticks(color, width, length, spacing, to_left) -> QgsHashedLineSymbolLayer:
    """Return ticks on one side of a line, spaced in mm."""
    hashes = QgsHashedLineSymbolLayer.create(
        {
            "placement": "interval",
            "interval": str(spacing),
            "hash_length": str(length),
            "offset": str(-length / 2 if to_left else length / 2),
        }
    )
    hashes.setSubSymbol(line(color, width))
    return hashes


def by_rules(layer, rules):
    """Style by rules, each (label, expression, symbol)."""
    root = QgsRuleBasedRenderer.Rule(None)
    for label, expression, symbol in rules:
        root.appendChild(QgsRuleBasedRenderer.Rule(symbol, 0, 0, expression, label))
    layer.setRenderer(QgsRuleBasedRenderer(root))


#: Rows read at once, and about how many cells of a band tell its quantiles.
_ROWS, _SAMPLE = 1024, 2_000_000


def value_range(layer, band, low=0.0, high=1.0, where=None) -> tuple:
    """Return the values that the shares ``low`` and ``high`` of a band's cells do not exceed.

    With ``where``, a band, only cells count in which that one is 1 or -1. QGIS's own statistics
    have GDAL write a file .aux.xml beside the raster.
    """
    raster = gdal.Open(layer.source())  # owns the band
    cells = raster.GetRasterBand(band)
    step = max(1, cells.XSize * cells.YSize // _SAMPLE)
    least, most, sample = np.inf, -np.inf, []
    for top in range(0, cells.YSize, _ROWS):
        window = 0, top, cells.XSize, min(_ROWS, cells.YSize - top)
        values = cells.ReadAsArray(*window)
        counts = np.isfinite(values) & (values != cells.GetNoDataValue())
        if where is not None:
            counts &= np.abs(raster.GetRasterBand(where).ReadAsArray(*window)) == 1.0
        values = values[counts]
        if values.size:
            least, most = min(least, values.min()), max(most, values.max())
            sample.append(values[::step])
    if not sample:
        return 0.0, 0.0
    sample = np.concatenate(sample)
    return (
        float(np.quantile(sample, low) if low > 0.0 else least),
        float(np.quantile(sample, high) if high < 1.0 else most),
    )


def stretch(layer, band, low, high, stops):
    if not high > low:
        high = low + 1.0
    function = QgsColorRampShader(
        low,
        high,
        ramp(stops),
        QgsColorRampShader.Type.Interpolated,
        QgsColorRampShader.ClassificationMode.Continuous,
    )
    function.classifyColorRamp(5, band, layer.extent(), layer.dataProvider())
    # The legend writes the ends with three digits or so of the range between them.
    digits = QgsBasicNumericFormat()
    digits.setNumberDecimalPlaces(max(0, 2 - math.floor(math.log10(high - low))))
    legend = QgsColorRampLegendNodeSettings()
    legend.setNumericFormat(digits)
    function.setLegendSettings(legend)
    shader = QgsRasterShader(low, high)
    shader.setRasterShaderFunction(function)
    renderer = QgsSingleBandPseudoColorRenderer(layer.dataProvider(), band, shader)
    renderer.setClassificationMin(low)
    renderer.setClassificationMax(high)
    layer.setRenderer(renderer)
