"""The map themes of a lake in a project: over its own layers, renewed unless the user changed them."""

from __future__ import annotations

from qgis.core import QgsMapThemeCollection

from .._i18n import tr
from .._lake.steps import ROLES
from .catalogue import CHECK, LAYERS, STRUCTURE, THEMES

__all__ = ["renew_themes", "theme_name"]


def theme_name(group, key) -> str | None:
    """Return the name in the project of a theme of a lake, or None where there is none."""
    name = (group.recall("themes", key) or {}).get("name")
    return name if group.project.mapThemeCollection().hasMapTheme(name or "") else None


def renew_themes(group, lake_name):
    """Make the themes of a lake, or renew those that are as they were made.

    A theme that the user removed does not come back; one of the user's own under the same name
    stays, and ours gets the name of the lake.
    """
    for key in THEMES:
        _renew(group, key, lake_name)


def _renew(group, key, lake_name):
    themes, layers = group.project.mapThemeCollection(), group.layers()
    known = group.recall("themes", key)
    shown = _shown(layers, key)
    if not shown:
        return
    if known is None:
        name = tr(THEMES[key])
        if themes.hasMapTheme(name):
            name = f"{name}, {lake_name}"
        if themes.hasMapTheme(name):
            return
    else:
        name = known["name"]
        if not themes.hasMapTheme(name):
            return
        if _content(themes.mapThemeState(name)) != _still_there(known["content"], group.project):
            return
    state = QgsMapThemeCollection.MapThemeRecord()
    for role in shown:
        state.addLayerRecord(_record(layers[role], role, key))
    themes.insert(name, state)
    group.remember("themes", key, {"name": name, "content": _content(state)})


def _shown(layers, key) -> list:
    if key == STRUCTURE and not any(ROLES.get(role) == STRUCTURE for role in layers):
        return []
    roles = [entry.role for entry in LAYERS if key in entry.themes and entry.role in layers]
    if "depth_areas" not in layers and "surface" in layers and "surface" not in roles:
        roles.append("surface")
    return roles


def _record(layer, role, key):
    record = QgsMapThemeCollection.MapThemeLayerRecord(layer)
    styles = layer.styleManager()
    uncertainty = tr("uncertainty")
    weak = key == CHECK and role == "surface" and uncertainty in styles.styles()
    record.currentStyle = uncertainty if weak else styles.currentStyle()
    record.usingCurrentStyle = True
    return record


def _content(state) -> list:
    return sorted(
        [
            record.layer().id(),
            record.currentStyle if record.usingCurrentStyle else "",
            sorted(record.checkedLegendItems) if record.usingLegendItems else [],
        ]
        for record in state.layerRecords()
        if record.layer() is not None
    )


def _still_there(content, project) -> list:
    """Leave out layers that were removed: QGIS takes them out of the themes by itself."""
    return [record for record in content if project.mapLayer(record[0]) is not None]
