"""Lakes found in a project, files that it holds, and layers that have lost theirs."""

from __future__ import annotations

from pathlib import Path

from .._lake.facts import read_facts
from .._lake.folder import lake_of
from .._lake.runs import current_run
from .._lake.steps import ROLES, STEPS
from ..core.errors import LakefloorError
from .lake_group import LAKE, OWN_ID, ROLE, find_groups, group_of
from .renewing import may_renew
from .sources import file_of, point_at

__all__ = ["held_folders", "lakes_in", "repoint", "unseen_runs"]


def lakes_in(project) -> list:
    """Return the lakes of a project, from the top of its layer tree.

    Returns
    -------
    list of (QgsLayerTreeGroup, LakeFolder or None)
        None where the folder is not found any more, or its facts cannot be read.
    """
    return [(node, _folder(project, node.customProperty(LAKE))) for node in find_groups(project)]


def _folder(project, lake_id):
    places = [file_of(layer) for layer in _layers(project, lake_id)]
    places.append(Path(project.fileName()) if project.fileName() else None)
    seen = set()
    for place in places:
        if place is None or place.parent in seen or not place.is_absolute():
            continue
        seen.add(place.parent)
        try:
            found = lake_of(place.parent, lake_id)
        except (LakefloorError, OSError):
            continue
        if found is not None:
            return found
    return None


def unseen_runs(project, lake) -> list:
    """Return the current runs (RunRecord) that the group of a lake does not show yet.

    Such as one that ended while another project was open.
    """
    group = group_of(project, read_facts(lake.path))
    if group is None:
        return []
    runs = [current_run(lake, step.key) for step in STEPS if step.algorithm]
    return [
        run
        for run in runs
        if run is not None and run.outputs and group.recall("runs", run.step) != run.stamp
    ]


def held_folders(project, lake) -> set:
    """Return the folders of runs from which some layer of a project still reads.

    Also a copy that the user made of a layer: while it is there, its run's folder stays.
    """
    held = set()
    for layer in project.mapLayers().values():
        parts = _parts(layer, lake)
        if parts is not None and len(parts) > 2:
            held.add(lake.path.joinpath(*parts[:2]))
    return held


def repoint(project, lake) -> list:
    """Let the layers of a lake read from its folder again after that was moved or renamed.

    Layers whose run is no longer there read from the current one. Returns the layers that could
    not be mended.
    """
    left = []
    for layer in _layers(project, read_facts(lake.path).id):
        path = file_of(layer)
        if layer.isValid() and _parts(layer, lake) is not None and path.exists():
            continue
        found = _found_again(layer, path, lake)
        if found is not None and may_renew(layer):
            point_at(layer, found, layer.customProperty(ROLE), project.transformContext())
        if not layer.isValid():
            left.append(layer)
    return left


def _found_again(layer, path, lake):
    role = layer.customProperty(ROLE)
    # A run's file lies in the folder of its run in that of its step, a kept one in the lake's, and
    # before there is a map the soundings are those of the database, which is there too.
    for count in (3, 1) if ROLES.get(role) else (1,):
        parts = path.parts[-count:] if path else ()
        place = lake.path.joinpath(*parts)
        if parts and place.is_file():
            return place
    record = current_run(lake, ROLES[role]) if ROLES.get(role) else None
    if record is not None and role in record.outputs and layer.customProperty(OWN_ID) == layer.id():
        return lake.path / record.outputs[role]
    return None


def _parts(layer, lake):
    """Return the path of a layer's file within the folder of a lake, in parts; None if outside."""
    path = file_of(layer)
    if path is None:
        return None
    # A folder may be reached by several paths, through links.
    for folder, inside in ((lake.path, path), (lake.path.resolve(), path.resolve())):
        if folder in inside.parents:
            return inside.relative_to(folder).parts
    return None


def _layers(project, lake_id) -> list:
    return [
        layer for layer in project.mapLayers().values() if layer.customProperty(LAKE) == lake_id
    ]
