"""Styles of the layers that Lakefloor makes, by name.

A module per topic holds its styles and names them in ``STYLES``. Depth is a
single-hue blue ramp whose lightness falls with depth, so that it survives
color blindness, sunlight and a black-and-white printer; lines differ by
pattern as well as by color.
"""

from qgis.core import QgsProcessingLayerPostProcessorInterface
from qgis.PyQt.QtCore import QDateTime, QLocale

from .._i18n import in_local_numbers, tr
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


_ORDER_PROPERTY, _RUN_PROPERTY = "lakefloor/order", "lakefloor/run"
_FROM_THE_BOTTOM = (
    "surface", "water_depth", "uncertainty", "score", "slope", "bottom_form_codes", "difference",
    "bottom_type", "water_hardness", "bottom_areas", "depth_areas",
    "uncovered", "gaps", "soundings", "shoreline", "bottom_change",
    "bottom_forms", "contours", "break_lines", "transitions", "crossings", "profile",
    "device_tracks", "planned_lanes", "waypoints", "marks", "places", "to_measure",
    "structure_mark", "spots",
)  # fmt: skip
#: So many layers of one run get a group, in which only what belongs on the map is ticked.
_MANY = 4


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
            _arrange(layer, self.style, context)
        finally:
            _Styler._alive.remove(self)


#: Style of what QGIS is to load, by the target that the run's context names it by.
_style_of: dict = {}


def _order(style: str) -> int:
    return _FROM_THE_BOTTOM.index(style) if style in _FROM_THE_BOTTOM else 0


def _arrange(layer, style, context):
    """Put a layer of a run into its place: in the run's group, where there are many."""
    project = context.project()
    node = project.layerTreeRoot().findLayer(layer.id()) if project else None
    if node is None:
        return
    run = [target for target in context.layersToLoadOnCompletion() if target in _style_of]
    if len(run) >= _MANY:
        together = {_style_of[target] for target in run}
        node = _into_group(node, "|".join(sorted(run)))
        node.setItemVisibilityChecked(_is_shown(style, together))
    _sort_in(node)


def _is_shown(style, together) -> bool:
    """Tell whether a layer belongs on the map that a run makes, or is there to be looked at."""
    if style in ("soundings", "slope"):
        return not together & {"contours", "depth_areas"}
    return not (style == "surface" and "depth_areas" in together)


def _into_group(node, run):
    """Move a layer into the group of its run, which is made at the first of them."""
    parent = node.parent()
    groups = [parent, *(child for child in parent.children() if hasattr(child, "findGroups"))]
    group = next((g for g in groups if g.customProperty(_RUN_PROPERTY) == run), None)
    if group is parent:
        return node
    if group is None:
        now = QLocale().toString(QDateTime.currentDateTime(), "d MMM yyyy HH:mm")
        group = parent.insertGroup(parent.children().index(node), tr("Lake map, {}").format(now))
        group.setCustomProperty(_RUN_PROPERTY, run)
    return _moved(node, group, 0)


def _moved(node, group, place):
    moved = node.clone()
    group.insertChildNode(place, moved)
    node.parent().removeChildNode(node)
    return moved


def _sort_in(node):
    """Move a layer that QGIS put on top to below those that would be hidden by it.

    Newer QGIS does this itself, by ``layerSortKey``.
    """
    group, own = node.parent(), int(node.layer().customProperty(_ORDER_PROPERTY))
    siblings = group.children()
    above = [
        index
        for index, sibling in enumerate(siblings)
        if getattr(sibling, "layer", lambda: None)() is not None
        and int(sibling.layer().customProperty(_ORDER_PROPERTY, -1)) > own
    ]
    if above and above[-1] > siblings.index(node):
        _moved(node, group, above[-1] + 1)


def style_on_load(context, target: str, style: str, options: dict):
    """Have a layer styled when QGIS loads it at the end of the run."""
    if context.willLoadLayerOnCompletion(target):
        details = context.layerToLoadOnCompletionDetails(target)
        details.setPostProcessor(_Styler(style, options))
        _style_of[target] = style
        details.layerSortKey = _order(style)
