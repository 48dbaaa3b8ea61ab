"""Which project a lake is shown in: its own, or as a group in the one that the user works in."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProject

from ...algorithms._lake.folder import LakeFolder


def is_free(project) -> bool:
    """Tell whether nobody works in a project: it is not saved anywhere and has no layers."""
    return not project.fileName() and not project.mapLayers()


def is_own(project, lake) -> bool:
    """Tell whether a project is the lake's own, in its folder."""
    name = project.fileName()
    return bool(name) and Path(name).parent == lake.path


def bring_in(iface, lake):
    """Show a lake that was opened.

    Where nobody works in the open project, that of the lake is opened. Otherwise the lake is a
    group in it.
    """
    from ...algorithms._project import show_all

    project = QgsProject.instance()
    if is_own(project, lake):
        return
    if is_free(project) and lake.project.is_file():
        iface.addProject(str(lake.project))
        return
    shown = show_all(project, lake)
    if is_free_but_for(project, lake):
        zoom_to(iface, shown.layers.get("surface") or shown.layers.get("shoreline"))


def is_free_but_for(project, lake) -> bool:
    """Tell whether a project is not saved, or is the lake's own."""
    return not project.fileName() or is_own(project, lake)


def show_result(iface, lake, record):
    """Bring what a run left into the project, and save the project if it is the lake's."""
    from ...algorithms._project import save_lake_project, show_lake, show_run

    project = QgsProject.instance()
    first = not any(layer.customProperty("lakefloor/role") for layer in _layers(project))
    shown = show_lake(project, lake)
    shown = show_run(project, lake, record)
    if is_free_but_for(project, lake):
        save_lake_project(project, lake)
    if first:
        zoom_to(iface, shown.layers.get("surface") or shown.layers.get("shoreline"))
    return shown


def layer_of(project, lake_id, role):
    """Return the layer of a lake with a role, or None."""
    return next(
        (
            layer
            for layer in _layers(project)
            if layer.customProperty("lakefloor/lake") == lake_id
            and layer.customProperty("lakefloor/role") == role
        ),
        None,
    )


def show_layer(iface, layer):
    """Tick a layer and zoom to it."""
    node = QgsProject.instance().layerTreeRoot().findLayer(layer.id())
    if node is not None:
        node.setItemVisibilityCheckedParentRecursive(True)
    iface.setActiveLayer(layer)
    zoom_to(iface, layer)


def zoom_to(iface, layer):
    """Zoom to a layer, if there is one with an extent."""
    if layer is None:
        return
    canvas = iface.mapCanvas()
    extent = canvas.mapSettings().layerExtentToOutputExtent(layer, layer.extent())
    if not extent.isEmpty():
        extent.scale(1.05)
        canvas.setExtent(extent)
        canvas.refresh()


def lake_in(project) -> LakeFolder | None:
    """Return the first lake of a project whose folder is there."""
    from ...algorithms._project import lakes_in

    return next((lake for _, lake in lakes_in(project) if lake is not None), None)


def _layers(project):
    return project.mapLayers().values()
