"""A layout in a project renewed from a template, item by item; what the user changed stays."""

from __future__ import annotations

from qgis.core import QgsLayoutItemRegistry, QgsPrintLayout, QgsReadWriteContext
from qgis.PyQt.QtXml import QDomDocument

from .layout_template import item_xml, keys_of

__all__ = ["add_layout", "renew_layout"]


_PAGE = QgsLayoutItemRegistry.ItemType.LayoutPage


def add_layout(project, name, document) -> tuple:
    """Add a layout to a project from a template.

    Returns
    -------
    QgsPrintLayout
    dict of str to str
        Uuid of each item by its key.
    """
    layout, items = _loaded(project, document)
    layout.setName(name)
    project.layoutManager().addLayout(layout)
    return layout, _names(items)


def renew_layout(layout, as_set, keys, document, digest) -> dict:
    """Renew the items of a layout that are as they were set.

    An item that the user changed or added stays, one that the user removed does not come back,
    and one that the template no longer has goes, unless it was changed.

    Parameters
    ----------
    layout : QgsPrintLayout
    as_set : QDomDocument
        The template from which it was made.
    keys : dict of str to str
        Uuid of each item by its key, as it was made.
    document : QDomDocument
        The new template.
    digest : callable
        Returns a hash of XML.

    Returns
    -------
    dict of str to str
        Uuid of each item by its key.
    """
    before, set_then = _loaded(layout.project(), as_set)
    after, _ = _loaded(layout.project(), document)
    there = {key: item for key, name in keys.items() if (item := layout.itemByUuid(name))}
    kept = {
        key: item
        for key, item in there.items()
        if key not in set_then or digest(item_xml(item)) != digest(item_xml(set_then[key]))
    }
    removed = set(set_then) - set(there)
    layout.undoStack().blockCommands(True)
    try:
        _renew_page(layout, before, after)
        users = _of_the_user(layout, there)
        for key, item in there.items():
            if key not in kept:
                _remove(layout, item)
        items = {**kept, **_add(layout, document, leave_out=removed | set(kept))}
        _link(layout, items)
        _stack(layout, items, keys_of(document), users)
    finally:
        layout.undoStack().blockCommands(False)
    layout.refresh()
    return _names(items)


def _loaded(project, document) -> tuple:
    """Return a new layout of a template, and its items by key."""
    layout = QgsPrintLayout(project)
    # QGIS takes the uuids out of what it loads.
    template = document.cloneNode(True).toDocument()
    items, _ = layout.loadFromTemplate(template, QgsReadWriteContext())
    return layout, _in_order(keys_of(document), items)


def _in_order(keys, items) -> dict:
    """Return items by key: QGIS gives them new uuids, and returns them in the template's order."""
    return dict(zip(keys, (item for item in items if item.type() != _PAGE)))


def _names(items) -> dict:
    return {key: item.uuid() for key, item in items.items()}


def _of_the_user(layout, ours) -> list:
    """Return the items that are not ours, from the lowest."""
    names = set(_names(ours).values())
    others = [
        item
        for item in layout.items()
        if hasattr(item, "uuid") and item.uuid() not in names and item.type() != _PAGE
    ]
    return sorted(others, key=lambda item: item.zValue())


def _remove(layout, item):
    frame = getattr(item, "multiFrame", lambda: None)()
    layout.removeLayoutItem(item)
    if frame is not None:
        layout.removeMultiFrame(frame)


def _add(layout, document, leave_out) -> dict:
    """Add the items of a template but those of some keys."""
    keys = {key: name for key, name in keys_of(document).items() if key not in leave_out}
    part, wanted, frames = QDomDocument(), set(keys.values()), set()
    root = part.createElement("Layout")
    part.appendChild(root)
    nodes = document.documentElement().childNodes()
    elements = [nodes.item(number).toElement() for number in range(nodes.count())]
    for element in elements:
        if element.tagName() == "LayoutItem" and element.attribute("uuid") in wanted:
            root.appendChild(part.importNode(element, True))
            frames.add(element.attribute("multiFrame"))
    for element in elements:
        if element.tagName() == "LayoutMultiFrame" and element.attribute("uuid") in frames:
            root.appendChild(part.importNode(element, True))
    return _in_order(keys, layout.addItemsFromXml(root, part, QgsReadWriteContext()))


def _link(layout, items):
    """Link scale bars, legend and sheet to the map again, where it is another now."""
    chart = items.get("map")
    if chart is None:
        return
    layout.setReferenceMap(chart)
    for item in items.values():
        if hasattr(item, "setLinkedMap") and item.linkedMap() is None:
            item.setLinkedMap(chart)


def _stack(layout, items, order, users):
    """Put ours in the order of the template, which is from the top, and the user's above them."""
    ours = [
        items[key]
        for key in [*(key for key in items if key not in order), *order][::-1]
        if key in items
    ]
    for item in [*ours, *users]:
        layout.moveItemToTop(item, True)
    layout.updateZValues(False)


def _renew_page(layout, before, after):
    page, then, now = (each.pageCollection().page(0) for each in (layout, before, after))
    if None not in (page, then, now) and page.pageSize() == then.pageSize():
        page.setPageSize(now.pageSize())
