"""Styles of the layers that Lakefloor makes, by name.

A module per topic holds its styles and names them in ``STYLES``. Depth is a
single-hue blue ramp whose lightness falls with depth, so that it survives
color blindness, sunlight and a black-and-white printer; lines differ by
pattern as well as by color.
"""

from qgis.core import QgsProcessingLayerPostProcessorInterface

from .._i18n import in_local_numbers
from . import bottom_forms, bottom_type, chart, exchange, plan, soundings, spots, structure, surface

_STYLES = {
    name: style
    for topic in (
        soundings,
        surface,
        chart,
        structure,
        exchange,
        plan,
        spots,
        bottom_type,
        bottom_forms,
    )
    for name, style in topic.STYLES.items()
}


@in_local_numbers
def apply_style(layer, style: str, **options):
    """Style a layer; ``options`` are what the style needs to know of the data."""
    _STYLES[style](layer, **options)
    layer.triggerRepaint()


_ORDER_PROPERTY = "lakefloor/order"
_FROM_THE_BOTTOM = (
    "surface", "uncertainty", "score", "slope", "bottom_form_codes", "difference", "bottom_type",
    "bottom_areas", "depth_areas",
    "uncovered", "gaps", "shoreline", "bottom_change",
    "bottom_forms", "contours", "break_lines", "transitions", "soundings", "crossings", "profile",
    "device_tracks", "planned_lanes", "waypoints", "marks", "places",
    "structure_mark", "spots",
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
        index
        for index, sibling in enumerate(siblings)
        if getattr(sibling, "layer", lambda: None)() is not None
        and int(sibling.layer().customProperty(_ORDER_PROPERTY, -1)) > own
    ]
    if above and above[-1] > siblings.index(node):
        group.insertChildNode(above[-1] + 1, node.clone())
        group.removeChildNode(node)


def style_on_load(context, target: str, style: str, options: dict):
    """Have a layer styled when QGIS loads it at the end of the run."""
    if context.willLoadLayerOnCompletion(target):
        details = context.layerToLoadOnCompletionDetails(target)
        details.setPostProcessor(_Styler(style, options))
        details.layerSortKey = _order(style)
