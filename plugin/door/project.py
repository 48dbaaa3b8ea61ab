"""Which project a lake is shown in: its own, or as a group in the one that the user works in."""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path

from qgis.core import QgsProject

from ...algorithms._lake.facts import FACTS_FILE, read_facts
from ...algorithms._lake.folder import LakeFolder, lake_of
from ...algorithms._lake.steps import STEPS

#: When the window has drawn new layers, which changes a project, ms.
SETTLED_MS = 1000


def is_free(project) -> bool:
    """Tell whether nobody works in a project: it is not saved anywhere and has no layers."""
    return not project.fileName() and not project.mapLayers()


def guard(project):
    """Keep the account's name out of the projects of lakes that a person saves; see there."""
    from ...algorithms._project.saving import guard_project

    return guard_project(project)


def make_room(iface, folder) -> bool:
    """Leave the project of another lake, which is that lake's own; return whether it was left.

    QGIS asks first whether changes are to be saved.
    """
    name = QgsProject.instance().fileName()
    other = lake_of(Path(name).parent) if name else None
    if other is None or not _same(other.project, name) or _same(other.path, folder):
        return True
    return not (Path(folder) / FACTS_FILE).is_file() or iface.newProject(True)


def catch_up(project, lake):
    """Show what the files of a lake say, where its layers in a project that was opened do not.

    The folder may have been moved, and a run may have ended while another project was open.
    """
    from ...algorithms._project.finding import repoint, unseen_runs
    from ...algorithms._project.showing import show_run

    if any(not layer.isValid() for layer in _layers(project)):
        repoint(project, lake)
    for record in unseen_runs(project, lake):
        show_run(project, lake, record)


def tidy(project, lake):
    """Remove older runs of a lake from which nothing in the open project reads."""
    from ...algorithms._lake.runs import remove_old_runs
    from ...algorithms._project.finding import held_folders
    from ...algorithms._project.saving import may_write

    if may_write(lake):
        held = held_folders(project, lake)
        for step in STEPS:
            remove_old_runs(lake, step.key, held)


def open_own(iface, lake) -> bool:
    """Open the project of a lake where nobody works in the one that is open; tell whether it was."""
    if not (is_free(QgsProject.instance()) and lake.project.is_file()):
        return False
    iface.addProject(str(lake.project))
    return True


def bring_in(iface, lake):
    """Show a lake that was opened as a group in the open project; yield after each part."""
    from ...algorithms._project.saving import is_of_lake
    from ...algorithms._project.showing import show_all_by_layer

    project = QgsProject.instance()
    _keep_view(iface)
    with _still(iface.mapCanvas()):
        for shown in show_all_by_layer(project, lake):
            yield shown
        if is_of_lake(project, lake):
            zoom_to(iface, shown.layers.get("surface") or shown.layers.get("shoreline"))


def show_result(iface, lake, record):
    """Bring what a run left into the project; yield after each part what was shown."""
    from ...algorithms._project.showing import show_lake_by_layer, show_run_by_layer

    project = QgsProject.instance()
    _keep_view(iface)
    lake_id = read_facts(lake.path).id
    first = "surface" in record.outputs and layer_of(project, lake_id, "surface") is None
    with _still(iface.mapCanvas()):
        yield from show_lake_by_layer(project, lake)
        for shown in show_run_by_layer(project, lake, record):
            yield shown
        if first:
            zoom_to(iface, shown.layers.get("surface"))


@contextmanager
def _still(canvas):
    """Let the map be drawn once, not after each new layer."""
    canvas.freeze(True)
    try:
        yield
    finally:
        canvas.freeze(False)
        canvas.refresh()


def _keep_view(iface):
    """Keep QGIS from taking CRS and extent of the map from the first layer that comes in."""
    bridge, project = iface.layerTreeCanvasBridge(), QgsProject.instance()
    if not bridge.autoSetupOnFirstLayer():
        return
    bridge.setAutoSetupOnFirstLayer(False)

    def give_back():
        project.cleared.disconnect(give_back)
        bridge.setAutoSetupOnFirstLayer(True)

    # QGIS looks at new layers some time later, and at no others in this project.
    project.cleared.connect(give_back)


def save(project, lake):
    """Save the project of a lake and remove older runs; yield after each part."""
    from ...algorithms._project.finding import lakes_in
    from ...algorithms._project.saving import save_in_parts

    yield from save_in_parts(project, lake)
    if lake in [found for _, found in lakes_in(project)]:
        tidy(project, lake)


def layer_of(project, lake_id, role):
    """Return the layer of a lake with a role, of any lake if the id is None, or None."""
    return next(
        (
            layer
            for layer in _layers(project)
            if lake_id in (None, layer.customProperty("lakefloor/lake"))
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
    from ...algorithms._project.finding import lakes_in

    return next((lake for _, lake in lakes_in(project) if lake is not None), None)


def _layers(project):
    return project.mapLayers().values()


def _same(one, other) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)
