"""One layer of a lake: brought into the project, or renewed there in place."""

from __future__ import annotations

import json
from contextlib import contextmanager

from qgis.core import QgsMapLayerStyle, QgsVectorLayer

from .._i18n import in_local_numbers, tr
from .as_set import pack, set_style, style_texts, unpack, untouched
from .catalogue import lake_layer
from .lake_group import LAKE, OWN_ID, ROLE
from .looks import dress, legend_order, map_tip, notes_of, set_notes, style_layer
from .sources import file_of, opened, point_at

__all__ = ["bring", "may_renew", "our_change"]


@in_local_numbers
def bring(group, role, path, unit, notes="", deepest=None) -> str:
    """Bring the layer of a role into the project, or renew the one that is there.

    What the user has changed of it stays: name, place, visibility, filter, joins, and each style,
    map tip or note that is no longer as it was set.

    Parameters
    ----------
    group : LakeGroup
    role : str
    path : Path
        The file, which is whole.
    unit : {"ft", "m"}
        In which the user reads depths.
    notes : str
        HTML.
    deepest : float, optional
        The deepest depth of the map, m.

    Returns
    -------
    str
        Why it could not be done; "" where it was.
    """
    context = group.project.transformContext()
    fresh = opened(path, role, tr(lake_layer(role).name), context)
    if not fresh.isValid():
        return tr("'{}' cannot be opened. Run the step again.").format(path.name)
    layer = group.layers().get(role)
    if layer is None:
        _identify(fresh, group.lake_id, role)
        style_layer(fresh, role, unit, deepest)
        dress(fresh, role)
        node = group.place(fresh, role)
        node.setItemVisibilityChecked(lake_layer(role).shown)
        texts = style_texts(fresh)
        group.remember("styles", fresh.id(), pack(json.dumps(texts)))
        _say(group, fresh, role, unit, notes)
        _order_legend(group, fresh)
        return ""
    if not may_renew(layer):
        return tr(
            "Layer '{}' has changes that are not saved, so it still shows the earlier result. Save "
            "or discard them, then show the lake again."
        ).format(layer.name())
    style_layer(fresh, role, unit, deepest)
    same = untouched(layer, _as_set(group, layer))
    if file_of(layer) != path or not layer.isValid():
        point_at(layer, path, role, context)
    _renew_styles(group, layer, style_texts(fresh), same)
    _say(group, layer, role, unit, notes)
    _order_legend(group, layer)
    layer.triggerRepaint()
    return ""


@contextmanager
def our_change(group, layer):
    """Let what is done to the styles of a layer meanwhile not be taken for the user's change.

    Only for styles that were as we had set them; those of the user's stay the user's.
    """
    same = untouched(layer, _as_set(group, layer))
    yield
    if same:
        now = style_texts(layer)
        known = {**_as_set(group, layer), **{name: now[name] for name in same}}
        group.remember("styles", layer.id(), pack(json.dumps(known)))


def may_renew(layer) -> bool:
    """Tell whether nothing is lost where a layer reads from another file."""
    return not (isinstance(layer, QgsVectorLayer) and layer.isModified())


def _identify(layer, lake_id, role):
    # Before styles are added, which keep these and put them back when they are switched to.
    layer.setCustomProperty(LAKE, lake_id)
    layer.setCustomProperty(ROLE, role)
    layer.setCustomProperty(OWN_ID, layer.id())


def _as_set(group, layer) -> dict:
    packed = group.recall("styles", layer.id())
    return json.loads(unpack(packed)) if packed else {}


def _renew_styles(group, layer, fresh, same):
    """Renew the styles that are as they were set; add those that are new."""
    known, styles = _as_set(group, layer), layer.styleManager()
    there, current = styles.styles(), styles.currentStyle()
    for name, text in fresh.items():
        if name not in same and (name in known or name in there):
            continue
        if name == current:
            set_style(layer, text)
        else:
            styles.removeStyle(name)
            styles.addStyle(name, QgsMapLayerStyle(text))
        known[name] = text
    group.remember("styles", layer.id(), pack(json.dumps(known)))


def _say(group, layer, role, unit, notes):
    """Set map tip and notes, where they are as they were set."""
    tip = map_tip(role, unit)
    if isinstance(layer, QgsVectorLayer) and group.renewable(
        "tips", layer.id(), layer.mapTipTemplate()
    ):
        layer.setMapTipTemplate(tip)
        group.remember("tips", layer.id(), tip)
    if notes and group.renewable("notes", layer.id(), notes_of(layer)):
        set_notes(layer, notes)
        group.remember("notes", layer.id(), notes)


def _order_legend(group, layer):
    node = group.project.layerTreeRoot().findLayer(layer.id())
    if node is None:
        return
    if group.renewable("legends", layer.id(), node.customProperty("legend/node-order")):
        legend_order(node, layer, layer.customProperty(ROLE))
        order = node.customProperty("legend/node-order")
        group.remember("legends", layer.id(), order)
