"""The layers of a lake in a project, by what they are to it."""

from __future__ import annotations

from qgis.core import QgsProject

__all__ = ["LAKE_PROPERTY", "ROLE_PROPERTY", "layers_of", "project_of"]

#: Custom properties by which a layer is known: the id of its lake, and what it is to it.
LAKE_PROPERTY, ROLE_PROPERTY = "lakefloor/lake", "lakefloor/role"


def project_of(lake) -> QgsProject:
    """Return the project that the lake is open in."""
    return getattr(lake, "project", None) or QgsProject.instance()


def layers_of(lake, role: str) -> list:
    """Return the layers of a role that are valid, the uppermost first.

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
        and layer.customProperty(ROLE_PROPERTY) == role
        and (facts is None or layer.customProperty(LAKE_PROPERTY) == facts.id)
    ]
    return sorted(found, key=lambda layer: order.get(layer.id(), len(order)))
