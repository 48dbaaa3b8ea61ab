"""The layers of a lake in a project, by what they are to it."""

from __future__ import annotations

from qgis.core import QgsProject

from ...algorithms._project.lake_group import LAKE, OWN_ID, ROLE

__all__ = ["layers_of", "project_of"]


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
        and layer.customProperty(ROLE) == role
        and (facts is None or layer.customProperty(LAKE) == facts.id)
    ]
    return sorted(
        found,
        key=lambda layer: (
            layer.customProperty(OWN_ID) != layer.id(),
            order.get(layer.id(), len(order)),
        ),
    )
