"""The one group that a lake has in a project, and what is kept on it.

What changes from run to run is kept on the group, not on the layers: QGIS keeps the custom
properties of a layer in each of its styles, and puts old ones back when a style is switched.
"""

from __future__ import annotations

import json

from qgis.core import QgsLayerTreeGroup, QgsLayerTreeLayer

from .._i18n import tr
from .catalogue import LAYERS, SECTIONS, lake_layer, order_of

__all__ = ["LAKE", "OWN_ID", "ROLE", "LakeGroup", "find_groups", "group_of", "own_layers"]

#: Custom properties: of a group and of its layers, the id of the lake; of a layer, its role and
#: its own id, by which a copy that the user made of it is told from it.
LAKE, ROLE, OWN_ID = "lakefloor/lake", "lakefloor/role", "lakefloor/id"
_SECTION, _STATE = "lakefloor/section", "lakefloor/state"


def find_groups(project) -> list:
    """Return the groups of lakes in a project, from the top."""
    groups = project.layerTreeRoot().findGroups(True)
    return [group for group in groups if group.customProperty(LAKE)]


def own_layers(project, lake_id) -> dict:
    """Return the layers of a lake by role, without copies that the user made of them."""
    return {
        layer.customProperty(ROLE): layer
        for layer in project.mapLayers().values()
        if layer.customProperty(LAKE) == lake_id and layer.customProperty(OWN_ID) == layer.id()
    }


class LakeGroup:
    """The group of a lake in a project; made at the top where there is none.

    Attributes
    ----------
    node : QgsLayerTreeGroup
    is_new : bool
    """

    def __init__(self, project, lake_id, name):
        self.project, self.lake_id = project, lake_id
        found = [node for node in find_groups(project) if node.customProperty(LAKE) == lake_id]
        self.is_new = not found
        if found:
            self.node = found[0]
        else:
            self.node = project.layerTreeRoot().insertGroup(0, name)
            self.node.setCustomProperty(LAKE, lake_id)
        self._state = json.loads(self.node.customProperty(_STATE) or "{}")
        self.call(self.node, "lake", name)

    # -- what is remembered ----------------------------------------------------------------

    def recall(self, kind, key, otherwise=None):
        """Return what is remembered of a kind under a key."""
        return self._state.get(kind, {}).get(key, otherwise)

    def remember(self, kind, key, value):
        """Remember something under a kind and a key; None forgets it."""
        if value is None:
            self._state.get(kind, {}).pop(key, None)
        else:
            self._state.setdefault(kind, {})[key] = value
        self.node.setCustomProperty(_STATE, json.dumps(self._state, ensure_ascii=False))

    def renewable(self, kind, key, now) -> bool:
        """Tell whether what is there now is what was set last, so that it may be renewed."""
        return self.recall(kind, key) in (None, now)

    def call(self, node, key, name):
        """Give a group its name, unless the user has given it another."""
        if self.renewable("names", key, node.name()):
            node.setName(name)
            self.remember("names", key, name)

    # -- where layers stand ----------------------------------------------------------------

    def section(self, key) -> QgsLayerTreeGroup:
        """Return the group of a section; made in its place where there is none."""
        for node in self.node.findGroups(True):
            if node.customProperty(_SECTION) == key:
                return node
        keys = list(SECTIONS)
        later = keys[keys.index(key) + 1 :]
        place = _before(self.node, lambda node: node.customProperty(_SECTION) in later)
        node = self.node.insertGroup(place, tr(SECTIONS[key]))
        node.setCustomProperty(_SECTION, key)
        self.remember("names", key, tr(SECTIONS[key]))
        return node

    def has_section(self, key) -> bool:
        """Tell whether the group of a section is there."""
        return any(node.customProperty(_SECTION) == key for node in self.node.findGroups(True))

    def place(self, layer, role) -> QgsLayerTreeLayer:
        """Add a layer to the project, in its group and its place there."""
        entry = lake_layer(role)
        self.project.addMapLayer(layer, False)
        section = self.section(entry.section)
        later = {other.role for other in LAYERS if order_of(other.role) > order_of(role)}
        ours = {own.id() for other, own in self.layers().items() if other in later}
        place = _before(section, lambda node: getattr(node, "layerId", str)() in ours)
        node = section.insertLayer(place, layer)
        node.setExpanded(entry.expanded)
        return node

    def layers(self) -> dict:
        """Return the layers of the lake, by role."""
        return own_layers(self.project, self.lake_id)


def group_of(project, facts) -> LakeGroup | None:
    """Return the group that a lake has in a project, or None; none is made."""
    if any(node.customProperty(LAKE) == facts.id for node in find_groups(project)):
        return LakeGroup(project, facts.id, facts.name)
    return None


def _before(group, is_later) -> int:
    """Return the place of the first child that stands later, or that at the end."""
    children = group.children()
    return next((n for n, node in enumerate(children) if is_later(node)), len(children))
