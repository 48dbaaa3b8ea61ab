"""A layout as a template: its items by key, without what belongs to one project or computer."""

from __future__ import annotations

import re
import uuid

from qgis.core import QgsLayoutFrame, QgsLayoutItemMap, QgsReadWriteContext
from qgis.PyQt.QtXml import QDomDocument

__all__ = ["ROLE_OF_LEGEND", "fitted", "item_xml", "keys_of", "template_text"]

#: Custom property of a layer in a legend of ours: its role.
ROLE_OF_LEGEND = "lakefloor/role"


def template_text(layout) -> str:
    """Return a layout as a template; the layers of its legend are named by their roles alone."""
    document, context = QDomDocument(), QgsReadWriteContext()
    element = layout.writeXml(document, context)
    document.appendChild(element)
    for node in _layer_nodes(element):
        for name in ("id", "name", "source", "providerKey", "legend_exp"):
            node.setAttribute(name, "")
    return document.toString(-1)


def fitted(text, layers, theme) -> QDomDocument:
    """Return a template for the layers of a project.

    Parameters
    ----------
    text : str
        As from :func:`template_text`.
    layers : dict of str to QgsMapLayer
        By role; legend entries of other roles are left out.
    theme : str or None
        Name of the map theme that its maps follow; None to leave that which they have.
    """
    names = set(re.findall(r'[uU]uid="(\{[0-9a-f-]{36}\})"', text))
    for name in names:
        # Each time its own: several layouts may come from one template.
        text = text.replace(name, f"{{{uuid.uuid4()}}}")
    document = QDomDocument()
    document.setContent(text)
    root = document.documentElement()
    for node in _layer_nodes(root):
        layer = layers.get(_role(node))
        if layer is None:
            node.parentNode().removeChild(node)
            continue
        node.setAttribute("id", layer.id())
        node.setAttribute("name", layer.name())
    if theme is not None:
        for item in _elements(root, "LayoutItem"):
            if item.hasAttribute("followPresetName") and item.attribute("followPresetName"):
                item.setAttribute("followPresetName", theme)
    return document


def keys_of(document) -> dict:
    """Return the uuid of each item of a template by its key: its id, numbered where it repeats."""
    keys, count = {}, {}
    for item in _elements(document.documentElement(), "LayoutItem"):
        if item.parentNode().toElement().tagName() != "Layout":
            continue  # a page
        name = item.attribute("id")
        count[name] = count.get(name, 0) + 1
        key = name if count[name] == 1 else f"{name} {count[name]}"
        keys[key] = item.attribute("uuid")
    return keys


def item_xml(item) -> str:
    """Return an item as XML, with what it is a frame of."""
    document, context = QDomDocument(), QgsReadWriteContext()
    root = document.createElement("Item")
    document.appendChild(root)
    item.writeXml(root, document, context)
    if isinstance(item, QgsLayoutFrame) and item.multiFrame() is not None:
        item.multiFrame().writeXml(root, document, context, True)
    for element in (*_elements(root, "LayoutItem"), *_elements(root, "LayoutMultiFrame")):
        _leave_out(element, item)
    for node in _layer_nodes(root):
        for name in ("id", "name", "source", "providerKey", "legend_exp", "expanded", "checked"):
            node.removeAttribute(name)
    return document.toString(-1)


#: Attributes of an item that QGIS sets by itself, or that only link it to others.
_LINKS = (
    "zValue", "uuid", "templateUuid", "groupUuid", "mapUuid", "map_uuid", "multiFrame",
    "multiFrameTemplateUuid", "legendFilterByAtlas",
)  # fmt: skip


def _leave_out(element, item):
    for name in _LINKS:
        element.removeAttribute(name)
    # A legend and a scale bar take the size of what they hold.
    if hasattr(item, "linkedMap") and not isinstance(item, QgsLayoutItemMap):
        for name in ("size", "unitType", "segmentMillimeters"):
            element.removeAttribute(name)
    for frame in _elements(element, "childFrame"):
        frame.removeAttribute("uuid")
        frame.removeAttribute("templateUuid")


def _layer_nodes(root) -> list:
    return _elements(root, "layer-tree-layer")


def _role(node) -> str:
    for option in _elements(node, "Option"):
        if option.attribute("name") == ROLE_OF_LEGEND:
            return option.attribute("value")
    return ""


def _elements(root, tag) -> list:
    found = root.elementsByTagName(tag)
    return [found.item(number).toElement() for number in range(found.count())]
