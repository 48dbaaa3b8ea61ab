"""The layers of a lake in a project, by what they are to it."""

from __future__ import annotations

from qgis.core import QgsProject

__all__ = ["as_layer_of", "layers_of", "project_of"]

#: Custom properties by which a layer is known: the id of its lake, what it is to it, and its own
#: id, by which a copy that the user made of it is told from it.
_LAKE, _ROLE, _OWN_ID = "lakefloor/lake", "lakefloor/role", "lakefloor/id"


def project_of(lake) -> QgsProject:
    """Return the project that the lake is open in."""
    return getattr(lake, "project", None) or QgsProject.instance()


def layers_of(lake, role: str) -> list:
    """Return the layers of a role that are valid: the lake's own first, then copies of it.

    Parameters
    ----------
    lake : object or None
        Has ``facts`` and ``project``; None takes the layers of all lakes in the current project.
    role : str
        A key of :data:`.algorithms._lake.steps.ROLES`.
    """
    project = project_of(lake)
    facts = getattr(lake, "facts", None)
    order = {layer.id(): place for place, layer in enumerate(project.layerTreeRoot().layerOrder())}
    found = [
        layer
        for layer in project.mapLayers().values()
        if layer.isValid()
        and layer.customProperty(_ROLE) == role
        and (facts is None or layer.customProperty(_LAKE) == facts.id)
    ]
    return sorted(
        found,
        key=lambda layer: (
            layer.customProperty(_OWN_ID) != layer.id(),
            order.get(layer.id(), len(order)),
        ),
    )


def as_layer_of(lake, layer, role):
    """Let a layer be known as the one of a role of a lake, and add it to the lake's group."""
    for name, value in ((_LAKE, lake.facts.id), (_ROLE, role), (_OWN_ID, layer.id())):
        layer.setCustomProperty(name, value)
    project = project_of(lake)
    project.addMapLayer(layer, False)
    root = project.layerTreeRoot()
    groups = [g for g in root.findGroups(True) if g.customProperty(_LAKE) == lake.facts.id]
    (groups or [root])[0].insertLayer(0, layer)
