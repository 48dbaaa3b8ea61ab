"""A layout in a project renewed from a template, item by item; what the user changed stays."""

from __future__ import annotations

from qgis.core import QgsLayoutItemRegistry, QgsPrintLayout, QgsReadWriteContext
from qgis.PyQt.QtXml import QDomDocument

from .layout_template import item_xml, items_by_key, keys_of

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
    layout = _loaded(project, document)
    layout.setName(name)
    project.layoutManager().addLayout(layout)
    return layout, _uuids(layout, keys_of(document))


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
        Uuid of each item by its key, as it was then.
    document : QDomDocument
        The new template.
    digest : callable
        Returns a hash of XML.

    Returns
    -------
    dict of str to str
        Uuid of each item by its key.
    """
    before = _loaded(layout.project(), as_set)
    old, new = keys_of(as_set), keys_of(document)
    set_then, there = items_by_key(before, old), items_by_key(layout, keys)
    changed = {
        key
        for key, item in there.items()
        if key not in set_then or digest(item_xml(item)) != digest(item_xml(set_then[key]))
    }
    removed = set(old) - set(there)
    layout.undoStack().blockCommands(True)
    try:
        _renew_page(layout, before, _loaded(layout.project(), document))
        users = [item for item in layout.items() if _is_users(item, there)]
        for key, item in there.items():
            if key not in changed:
                _remove(layout, item)
        kept = {key: there[key] for key in changed}
        added = _add(layout, document, {k: v for k, v in new.items() if k not in changed | removed})
        _link(layout, {**kept, **added})
        _stack(layout, [key for key in new if key in {**kept, **added}], {**kept, **added}, users)
    finally:
        layout.undoStack().blockCommands(False)
    layout.refresh()
    return _names({**kept, **added})


def _loaded(project, document) -> QgsPrintLayout:
    layout = QgsPrintLayout(project)
    layout.loadFromTemplate(document, QgsReadWriteContext())
    return layout


def _uuids(layout, keys) -> dict:
    return _names(items_by_key(layout, keys))


def _names(items) -> dict:
    return {key: item.uuid() for key, item in items.items()}


def _is_users(item, ours) -> bool:
    if not hasattr(item, "uuid"):
        return False
    names = {own.uuid() for own in ours.values()}
    return item.uuid() not in names and item.type() != _PAGE


def _remove(layout, item):
    frame = getattr(item, "multiFrame", lambda: None)()
    layout.removeLayoutItem(item)
    if frame is not None:
        layout.removeMultiFrame(frame)


def _add(layout, document, keys) -> dict:
    """Add those items of a template whose uuid is among the keys."""
    wanted, part = set(keys.values()), QDomDocument()
    root = part.createElement("Layout")
    part.appendChild(root)
    frames = set()
    child = document.documentElement().firstChildElement()
    children = []
    while not child.isNull():
        children.append(child)
        child = child.nextSiblingElement()
    for child in children:
        name = child.attribute("uuid") or child.attribute("templateUuid")
        if child.tagName() == "LayoutItem" and name in wanted:
            root.appendChild(part.importNode(child, True))
            frames.add(child.attribute("multiFrame"))
    for child in children:
        if child.tagName() == "LayoutMultiFrame" and child.attribute("uuid") in frames - {""}:
            root.appendChild(part.importNode(child, True))
    layout.addItemsFromXml(root, part, QgsReadWriteContext())
    return items_by_key(layout, keys)


def _link(layout, items):
    """Link scale bars, legend and sheet to the map again, where it is another now."""
    chart = items.get("map")
    if chart is None:
        return
    layout.setReferenceMap(chart)
    for item in items.values():
        if hasattr(item, "setLinkedMap") and item.linkedMap() is None:
            item.setLinkedMap(chart)


def _stack(layout, order, items, users):
    """Put ours in the order of the template, those of the user on top."""
    for item in [*(items[key] for key in order), *users]:
        layout.moveItemToTop(item, True)
    layout.updateZValues(False)


def _renew_page(layout, before, after):
    page, then, now = (each.pageCollection().page(0) for each in (layout, before, after))
    if None not in (page, then, now) and page.pageSize() == then.pageSize():
        page.setPageSize(now.pageSize())
