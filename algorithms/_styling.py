"""Styles of the layers that Lakefloor makes, by name.

``soundings``, ``surface``, ``contours``, ``depth_areas``, ``slope``,
``break_lines`` and ``shoreline``.
"""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProcessingLayerPostProcessorInterface

STYLES = Path(__file__).resolve().parent.parent / "plugin" / "styles"


def apply_style(layer, style: str, **options):
    """Style a layer; ``options`` are what the style needs to know of the data."""


class _Styler(QgsProcessingLayerPostProcessorInterface):
    # QGIS does not own post-processors: without a reference they vanish before they run.
    _alive: list = []

    def __init__(self, style, options):
        super().__init__()
        self.style = style
        self.options = options
        _Styler._alive.append(self)

    def postProcessLayer(self, layer, context, feedback):
        apply_style(layer, self.style, **self.options)
        _Styler._alive.remove(self)


def style_on_load(context, target: str, style: str, options: dict):
    """Have a layer styled when QGIS loads it at the end of the run."""
    if context.willLoadLayerOnCompletion(target):
        context.layerToLoadOnCompletionDetails(target).setPostProcessor(_Styler(style, options))
