"""Which project a lake is shown in: its own, or as a group in the one that the user works in."""

from __future__ import annotations

from contextlib import contextmanager, suppress
from pathlib import Path

from qgis.core import QgsCoordinateTransform, QgsProject, QgsRectangle, QgsVectorLayer
from qgis.PyQt.QtCore import QTimer

from ...algorithms._io.same_place import same_place
from ...algorithms._lake.facts import FACTS_FILE, read_facts
from ...algorithms._lake.folder import lake_of
from ...algorithms._lake.steps import STEPS
from ...algorithms.core.errors import LakefloorError

#: When the window has drawn new layers, which changes a project, ms.
SETTLED_MS = 1000
#: Scale at which a single place is shown.
_CLOSE = 2000.0


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
    if other is None or not same_place(other.project, name) or same_place(other.path, folder):
        return True
    return not (Path(folder) / FACTS_FILE).is_file() or iface.newProject(True)


def catch_up(project, lake):
    """Show what the files of a lake say, where its layers in a project that was opened do not.

    The folder may have been moved; a run may have ended, or a file come into the folder, while
    another project was open.
    Returns a sentence on each layer that still shows the result before.
    """
    from ...algorithms._project.finding import repoint, unseen_runs
    from ...algorithms._project.showing import show_lake, show_run, unseen_files

    if any(not layer.isValid() for layer in _layers(project)):
        repoint(project, lake)
    files, runs = unseen_files(project, lake), unseen_runs(project, lake)
    problems = show_lake(project, lake).problems if files else []
    for record in runs:
        problems += show_run(project, lake, record).problems
    if files or runs:
        QTimer.singleShot(SETTLED_MS, lambda: _save_settled(project, lake))
    else:
        tidy(project, lake)
    return problems


def tidy(project, lake):
    """Remove older runs of a lake from which nothing in the open project reads."""
    from ...algorithms._lake.runs import remove_old_runs
    from ...algorithms._project.finding import held_folders
    from ...algorithms._project.saving import may_write

    if may_write(lake):
        held = held_folders(project, lake)
        for step in STEPS:
            remove_old_runs(lake, step.key, held)


def bring_in(iface, lake):
    """Show a lake that was opened.

    Where nobody works in the open project, that of the lake is opened. Otherwise the lake is a
    group in it; where it is that already, only what is new comes in.
    """
    from ...algorithms._project.saving import is_of_lake, save_lake_project
    from ...algorithms._project.showing import show_all, show_lake

    project = QgsProject.instance()
    if is_free(project) and lake.project.is_file():
        iface.addProject(str(lake.project))
        return []
    _keep_view(iface)
    if lake in lakes_in(project):
        return [*show_lake(project, lake).problems, *catch_up(project, lake)]
    problems = show_all(project, lake).problems
    if is_of_lake(project, lake):
        zoom_home(iface)
        save_lake_project(project, lake)
    tidy(project, lake)
    return problems


def show_result(iface, lake, record):
    """Bring what a run left into the project; yield after each part what was shown."""
    from ...algorithms._project.sheet import show_sheet
    from ...algorithms._project.showing import show_lake_by_layer, show_run_by_layer

    project = QgsProject.instance()
    _keep_view(iface)
    lake_id = read_facts(lake.path).id
    first = "surface" in record.outputs and layer_of(project, lake_id, "surface") is None
    with _still(iface.mapCanvas()):
        yield from show_lake_by_layer(project, lake)
        for shown in show_run_by_layer(project, lake, record):
            yield shown
        show_sheet(project, lake, record)
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


def _save_settled(project, lake):
    """Save again what the window changes in a project after it has taken in layers."""
    from ...algorithms._project.saving import is_of_lake, save_lake_project

    with suppress(LakefloorError, OSError):
        if project.isDirty() and project.fileName() and is_of_lake(project, lake):
            save_lake_project(project, lake)
        if lake in lakes_in(project):
            tidy(project, lake)


def save(project, lake):
    """Save the project of a lake and remove older runs; yield after each part."""
    from ...algorithms._project.saving import save_in_parts

    yield from save_in_parts(project, lake)
    if lake in lakes_in(project):
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
    tick(iface, layer)
    zoom_to(iface, layer)


def weakest_of(layer):
    """Return what finds the box of the weakest place of a layer, in any thread; None is all of it.

    That is where a surface is least certain, and the largest of several areas.
    """
    if isinstance(layer, QgsVectorLayer):
        shapes = (feature.geometry() for feature in layer.getFeatures())
        largest = max(shapes, key=lambda shape: shape.area(), default=None)
        box = None if largest is None else largest.boundingBox()
        return lambda: box
    path = layer.source()

    def find():
        from ...algorithms._io.weakest_place import weakest_box

        box = weakest_box(path)
        return box and QgsRectangle(*box)

    return find


def tick(iface, layer):
    """Tick a layer, and make it the active one."""
    node = QgsProject.instance().layerTreeRoot().findLayer(layer.id())
    if node is not None:
        node.setItemVisibilityCheckedParentRecursive(True)
    iface.setActiveLayer(layer)


def zoom_to(iface, layer, box=None):
    """Zoom to a layer, if there is one with an extent, or to a box in its CRS."""
    if layer is None:
        return
    canvas = iface.mapCanvas()
    extent = canvas.mapSettings().layerExtentToOutputExtent(layer, box or layer.extent())
    if extent.isNull():
        return
    if extent.isEmpty():
        # A point, or points in a row: as wide as the map is at a scale at which they can be seen.
        canvas.setCenter(extent.center())
        canvas.zoomScale(min(canvas.scale(), _CLOSE))
    else:
        extent.scale(1.05)
        canvas.setExtent(extent)
    canvas.refresh()


def zoom_home(iface):
    """Zoom to the view with which the project opens, if it has one."""
    canvas, project = iface.mapCanvas(), QgsProject.instance()
    view = project.viewSettings().defaultViewExtent()
    if not view.isEmpty():
        to_map = QgsCoordinateTransform(view.crs(), canvas.mapSettings().destinationCrs(), project)
        canvas.setExtent(to_map.transformBoundingBox(view))
        canvas.refresh()


def lakes_in(project) -> list:
    """Return the lakes of a project (LakeFolder) whose folders are there, from the top."""
    from ...algorithms._project import finding

    return [lake for _, lake in finding.lakes_in(project) if lake is not None]


def _layers(project):
    return project.mapLayers().values()
