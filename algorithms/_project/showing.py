"""A lake's layers in a project: those of a run, those of files that people keep, and all."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from qgis.core import QgsProcessingFeedback, QgsReferencedRectangle

from .._i18n import in_local_numbers, tr
from .._io.layer_crs import metric_crs
from .._lake.facts import read_facts
from .._lake.runs import current_run
from .._lake.steps import ROLES, STEPS
from ..core.errors import LakefloorError
from .catalogue import LAYERS, SECTIONS
from .lake_group import LAKE, LakeGroup, find_groups, group_of
from .looks import deepest_of
from .renewing import bring
from .themes import renew_themes
from .wording import notes_of_run, run_title, unit_of

__all__ = [
    "Shown",
    "show_all",
    "show_all_by_layer",
    "show_file",
    "show_lake",
    "show_lake_by_layer",
    "show_run",
    "show_run_by_layer",
    "unseen_files",
]


@dataclass
class Shown:
    """What was brought into a project.

    Attributes
    ----------
    group : QgsLayerTreeGroup
        Of the lake.
    layers : dict of str to QgsMapLayer
        The lake's own layers, by role.
    problems : list of str
        A sentence on each layer that still shows the result before.
    """

    group: object
    layers: dict = field(default_factory=dict)
    problems: list = field(default_factory=list)


def show_run(project, lake, record, unit=None) -> Shown:
    """Bring the layers of a run into the lake's group, or renew those that are there in place.

    A layer that the user removed comes back only with a later run than was shown last: who runs a
    step again asks for its layers, who only opens the lake again does not. A layer that the step
    leaves no more is removed, as it would show an older state beside the new one.

    Parameters
    ----------
    project : QgsProject
    lake : LakeFolder
    record : RunRecord
        Of a run that is whole.
    unit : {"ft", "m"}, optional
        In which the user reads depths; left out, that of the lake.
    """
    *_, shown = show_run_by_layer(project, lake, record, unit)
    return shown


def show_run_by_layer(project, lake, record, unit=None):
    """Do what :func:`show_run` does, and yield after each layer.

    So a window can take the next layer when it has drawn itself again. Whoever stops early, for
    instance because another project was opened, may show the run again later.

    Yields
    ------
    Shown
        The same each time; its layers are there with the last.
    """
    facts = read_facts(lake.path)
    is_new = _is_new(project, lake, facts.id)
    group = LakeGroup(project, facts.id, facts.name)
    unit, notes = unit or unit_of(facts), notes_of_run(record, facts)
    again = group.recall("runs", record.step) == record.stamp
    there, shown = group.layers(), Shown(group.node)
    surface = record.outputs.get("surface")
    deepest = deepest_of(lake.path / surface, project.transformContext()) if surface else None
    # From below, so that each new layer finds its place.
    for entry in reversed(LAYERS):
        if entry.role in record.outputs:
            if again and entry.role not in there:
                continue
            path = lake.path / record.outputs[entry.role]
            problem = bring(group, entry.role, path, unit, notes, deepest)
            shown.problems += [problem] if problem else []
            yield shown
        elif ROLES.get(entry.role) == record.step and entry.role in there:
            project.removeMapLayer(there[entry.role].id())
    _hide_beneath(group, there)
    if record.step in SECTIONS and group.has_section(record.step):
        title = run_title(tr(SECTIONS[record.step]), record, facts)
        group.call(group.section(record.step), record.step, title)
    if not shown.problems:
        group.remember("runs", record.step, record.stamp)
    yield from _done(project, group, facts, shown, is_new)


@in_local_numbers
def show_lake(project, lake, unit=None) -> Shown:
    """Bring in the files that people keep themselves: shoreline, marks and gauge readings.

    One that the user removed does not come back as long as the lake's group is there.
    """
    *_, shown = show_lake_by_layer(project, lake, unit)
    return shown


def show_lake_by_layer(project, lake, unit=None):
    """Do what :func:`show_lake` does, and yield after each layer."""
    facts = read_facts(lake.path)
    is_new = _is_new(project, lake, facts.id)
    group = LakeGroup(project, facts.id, facts.name)
    unit, there, shown = unit or unit_of(facts), group.layers(), Shown(group.node)
    for entry in reversed(LAYERS):
        path = _kept(lake).get(entry.role)
        if path is None or not path.is_file():
            continue
        if entry.role not in there and group.recall("kept", entry.role):
            continue
        problem = bring(group, entry.role, path, unit)
        if problem:
            shown.problems.append(problem)
        else:
            group.remember("kept", entry.role, True)
        yield shown
    yield from _done(project, group, facts, shown, is_new)


@in_local_numbers
def show_file(project, lake, role, path):
    """Bring in one file of a lake in its place, also where the user had removed its layer.

    Parameters
    ----------
    project : QgsProject
    lake : LakeFolder
    role : str
    path : Path
        Of a file in the lake's folder: one that people keep, or the database for soundings.

    Returns
    -------
    QgsMapLayer

    Raises
    ------
    LakefloorError
        If it cannot be opened.
    """
    facts = read_facts(lake.path)
    is_new = _is_new(project, lake, facts.id)
    group = LakeGroup(project, facts.id, facts.name)
    problem = bring(group, role, path, unit_of(facts))
    if problem:
        raise LakefloorError(problem)
    if role in _kept(lake):
        group.remember("kept", role, True)
    layer = group.layers()[role]
    # A file that was just made says nothing about where the lake is.
    is_new = is_new and not layer.extent().isEmpty()
    *_, shown = _done(project, group, facts, Shown(group.node), is_new)
    return shown.layers[role]


def unseen_files(project, lake) -> list:
    """Return the roles of files that people keep, which the group of a lake has never shown."""
    group = group_of(project, read_facts(lake.path))
    if group is None:
        return []
    there = group.layers()
    return [
        role
        for role, path in _kept(lake).items()
        if path.is_file() and role not in there and not group.recall("kept", role)
    ]


def _kept(lake) -> dict:
    """Return the files that people keep themselves, by role."""
    return {"shoreline": lake.shoreline, "marks": lake.marks, "gauge": lake.gauge}


def show_all(project, lake, unit=None) -> Shown:
    """Bring in the files that people keep, and the current run of each step."""
    *_, shown = show_all_by_layer(project, lake, unit)
    return shown


def show_all_by_layer(project, lake, unit=None):
    """Do what :func:`show_all` does, and yield after each layer; the last one is of all."""
    shown = yield from _passed_on(show_lake_by_layer(project, lake, unit))
    for step in STEPS:
        record = current_run(lake, step.key)
        if record is not None and record.outputs:
            before = shown.problems
            shown = yield from _passed_on(show_run_by_layer(project, lake, record, unit))
            shown.problems = before + shown.problems
    yield shown


def _passed_on(parts):
    """Yield what another yields, and return the last of it."""
    shown = None
    for shown in parts:
        yield shown
    return shown


def _done(project, group, facts, shown, is_new):
    renew_themes(group, facts.name)
    shown.layers = group.layers()
    yield shown
    if is_new:
        _set_up(project, shown.layers)
        yield shown


def _is_new(project, lake, lake_id) -> bool:
    """Tell whether a project holds nothing but what we brought in, and no place on Earth yet."""
    layers = project.mapLayers().values()
    settled = any(node.customProperty(LAKE) == lake_id for node in find_groups(project)) and any(
        layer.isSpatial() for layer in layers
    )
    foreign = any(layer.customProperty(LAKE) != lake_id for layer in layers)
    name = project.fileName()
    of_others = bool(name) and os.path.realpath(name) != os.path.realpath(lake.project)
    return not (of_others or foreign or settled)


def _set_up(project, layers):
    """Give a new project the metric CRS of the lake and a view of it."""
    layer = next(
        (layers[role] for role in ("surface", "soundings", "shoreline") if role in layers), None
    )
    if layer is None:
        return
    try:
        crs = metric_crs(layer.crs(), layer.extent(), layer.name(), QgsProcessingFeedback(False))
    except LakefloorError:
        return
    project.setCrs(crs)
    project.setEllipsoid("EPSG:7030")
    view = layer.extent().buffered(0.05 * layer.extent().width())
    project.viewSettings().setDefaultViewExtent(QgsReferencedRectangle(view, layer.crs()))


def _hide_beneath(group, there):
    """Untick a new depth surface that lies beneath depth areas."""
    layers = group.layers()
    if "surface" in there or not {"surface", "depth_areas"} <= set(layers):
        return
    node = group.node.findLayer(layers["surface"].id())
    if node is not None:
        node.setItemVisibilityChecked(False)
