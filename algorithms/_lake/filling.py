"""What the steps of the work run: parameters filled from a lake, and what a run leaves in it.

:func:`fill` says what to run and what the lake gives it. :func:`begin` makes the folder of a run
besides, for its outputs; :func:`end` puts down what came of it, and :func:`give_up` takes everything
back. Whoever runs it, in the background or not, needs to know nothing of the lake.
"""

from __future__ import annotations

import shutil
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timezone
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsProcessingModelAlgorithm,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterVectorDestination,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._i18n import tr
from .._io.lake_files import has_values
from ..core.errors import LakefloorError
from .facts import CONTOUR_INTERVALS, read_facts
from .folder import LakeFolder
from .portable import numbers_of, portable, without_places
from .published import publish
from .runs import RunRecord, begin_run, current_run, discard_run, finish_run
from .sources import fingerprints
from .steps import ROLES, STEPS
from .steps import step as step_of

__all__ = ["PreparedRun", "begin", "end", "fill", "give_up"]

#: Step of a model and its output -> role of the layer, or name of the document.
_LEFT = {
    ("readdatabase", "OUTPUT"): "soundings",
    ("smoothsurface", "OUTPUT"): "surface",
    ("depthcontours", "OUTPUT"): "contours",
    ("depthareas", "OUTPUT"): "depth_areas",
    ("bottomslope", "OUTPUT"): "slope",
    ("breaklines", "OUTPUT"): "break_lines",
    ("addtodatabase", "CHANGED"): "bottom_change",
    ("bottomforms", "OUTPUT"): "bottom_forms",
    ("bottomtype", "OUTPUT"): "bottom_type",
    ("bottomtype", "AREAS"): "bottom_type_areas",
    ("hardsofttransitions", "OUTPUT"): "transitions",
    ("candidatespots", "OUTPUT"): "spots",
    ("nextouting", "GAPS"): "gaps",
    ("nextouting", "OUTPUT"): "lanes",
    ("mapsheet", "OUTPUT"): "map_sheet",
    ("mapsheet", "LAYOUT"): "sheet_layout",
    ("lakereport", "OUTPUT"): "lake_report",
    ("lakereport", "WEB_PAGE"): "lake_report_page",
    ("bottomtype", "REPORT"): "bottom_type_report",
    ("exportwaypoints", "OUTPUT"): "waypoints",
    ("structuresheets", "OUTPUT"): "structure_sheets",
    ("nextouting", "GPX"): "route",
}

#: What a step needs, in words.
_WORDS = {
    "shoreline": QT_TRANSLATE_NOOP("@default", "the shoreline"),
    "database": QT_TRANSLATE_NOOP("@default", "a visit in the lake database"),
    "map": QT_TRANSLATE_NOOP("@default", "the map of the lake"),
}

#: What is for the project, and no document to hand on.
_KEPT_HERE = {*ROLES, "sheet_layout"}

_TEMPORARY = "TEMPORARY_OUTPUT"
#: Where hardness was not logged.
_WITHOUT_HARDNESS = {"lakefloor:structureandbottomtype": "lakefloor:structurefromasurface"}


@dataclass(frozen=True)
class PreparedRun:
    """A run that is ready to be started.

    Attributes
    ----------
    lake : LakeFolder
    step : str
        Its key.
    algorithm : str
        The id of what is to run.
    parameters : dict
        All that it needs, with the places of its outputs.
    folder : Path
        Of this run; outputs go into it.
    inputs : dict
        Source -> fingerprint, as of now.
    roles : dict
        Output parameter -> role of the layer, or name of the document.
    """

    lake: LakeFolder
    step: str
    algorithm: str
    parameters: dict
    folder: Path
    inputs: dict = field(default_factory=dict)
    roles: dict = field(default_factory=dict)


def fill(lake: LakeFolder, step: str, options=None, algorithm: str = "") -> tuple:
    """Return what runs for a step, and the parameters that the lake or the options give it.

    Parameters
    ----------
    lake : LakeFolder
    step : str
        Its key.
    options : dict, optional
        Values of parameters by their names, such as LOGS, LEVEL, LAUNCH or INTERVAL. They go before
        what the lake says.
    algorithm : str
        The id of what is to run in place of the usual one.

    Returns
    -------
    tuple of (str, dict)
        The id of the algorithm, and values of its inputs.

    Raises
    ------
    LakefloorError
        If the lake lacks what the step needs.
    """
    definition, parameters = _filled(lake, step_of(step), _sources_now(lake), options, algorithm)
    return definition.id(), parameters


def begin(lake: LakeFolder, step: str, options=None, algorithm: str = "") -> PreparedRun:
    """Make the folder of a run of a step, and fill the parameters of what it runs.

    To be called when the run starts, not before it waits for others: what it reads is noted now.
    Parameters are those of :func:`fill`.

    Raises
    ------
    LakefloorError
        If the lake lacks what the step needs, or the folder cannot be made.
    """
    wanted, now = step_of(step), _sources_now(lake)
    definition, parameters = _filled(lake, wanted, now, options, algorithm)
    folder, roles = begin_run(lake, step), {}
    for output, name, ending in _destinations(definition):
        if output in (options or ()):
            continue
        if name is not None and ROLES.get(name, step) == step:
            roles[output] = name
            parameters[output] = str(folder / f"{name}.{ending}")
        else:
            # A layer that another step leaves: here it is only on the way to the others.
            parameters[output] = _TEMPORARY
    inputs = {s: now[s] for s in (*wanted.needs, *wanted.uses) if s in now}
    return PreparedRun(lake, step, definition.id(), parameters, folder, inputs, roles)


def end(prepared: PreparedRun, results, failure: str = "") -> RunRecord:
    """Put down what came of a run: its record, and copies of its documents.

    Parameters
    ----------
    prepared : PreparedRun
    results : dict or None
        Of the algorithm.
    failure : str
        Why it failed. All that it wrote is removed then; the result before stands.

    Raises
    ------
    LakefloorError
        If the record cannot be written; the run does not count then.
    """
    lake, folder = prepared.lake, prepared.folder
    results, outputs = results or {}, {}
    for output, name in prepared.roles.items():
        path = Path(prepared.parameters[output])
        if path.exists():
            outputs[name] = path
        elif results.get(output) and not failure:
            failure = tr("'{}' was not written. Run the step again.").format(path.name)
    if failure:
        outputs = {}
        _clear(folder)
    record = RunRecord(
        step=prepared.step,
        stamp=folder.name,
        algorithm=prepared.algorithm,
        parameters=portable(prepared.parameters, lake.path),
        inputs=prepared.inputs,
        outputs={name: path.relative_to(lake.path).as_posix() for name, path in outputs.items()},
        numbers={} if failure else numbers_of(results),
        ended=datetime.now(timezone.utc).isoformat(timespec="seconds"),
        failure=without_places(failure, lake.path),
        documents=publish(lake, {n: p for n, p in outputs.items() if n not in _KEPT_HERE}),
    )
    try:
        finish_run(folder, record)
    except OSError as error:
        raise LakefloorError(
            tr("Cannot write into '{}' ({}). The run does not count. Make room, then run again.")
            .format(folder, error.strerror)
        ) from error  # fmt: skip
    return record


def give_up(prepared: PreparedRun):
    """Remove all that a cancelled run left: it is as if it had never begun."""
    if not discard_run(prepared.folder):
        _clear(prepared.folder)


def _sources_now(lake) -> dict:
    """Return the fingerprints of the sources, and the stamps of the current runs."""
    now = fingerprints(lake)
    for step in STEPS:
        current = current_run(lake, step.key)
        if current is not None:
            now.setdefault(step.key, current.stamp)
    return now


def _usual(lake, step, options) -> str:
    """Return the id of what a step runs; where hardness was not logged, no bottom type."""
    if step.algorithm in _WITHOUT_HARDNESS:
        soundings = options.get("SOUNDINGS") or _layer_of_map(lake, "soundings")
        if not has_values(soundings, "hardness"):
            options.pop("SOUNDINGS", None)
            return _WITHOUT_HARDNESS[step.algorithm]
    return step.algorithm


def _filled(lake, wanted, now, options, algorithm) -> tuple:
    """Return the definition of what runs for a step, and its inputs as the lake has them now."""
    missing = [tr(_WORDS.get(source, source)) for source in wanted.needs if source not in now]
    if missing:
        raise LakefloorError(tr("This step needs something first: {}.").format(", ".join(missing)))
    options = dict(options or {})
    algorithm = algorithm or _usual(lake, wanted, options)
    definition = QgsApplication.processingRegistry().createAlgorithmById(algorithm)
    if definition is None:
        raise LakefloorError(
            tr("'{}' is missing. Enable the plugins Processing and Lakefloor.").format(algorithm)
        )
    return definition, _taken(_known(lake, now), definition, options)


def _taken(known, definition, options) -> dict:
    """Return the parameters of an algorithm that the lake or the options give."""
    values = {**known, **options}
    values = {n: v for n, v in values.items() if v not in (None, "") or n in options}
    if values.get("LEVEL") not in (None, ""):
        values.pop("GAUGE", None)  # what was read on the day goes before the table
    elif values.get("GAUGE") in (None, ""):
        # Without a reading of the gauge, one at the datum tells nothing.
        values.pop("DATUM_ELEVATION", None)
    names = {d.name() for d in definition.parameterDefinitions()}
    unknown = sorted(set(options) - names)
    if unknown:
        raise LakefloorError(
            tr("'{}' has no parameter '{}'.").format(definition.displayName(), unknown[0])
        )
    return {name: value for name, value in values.items() if name in names}


def _known(lake, now) -> dict:
    """Return what a lake says, by the names that parameters have everywhere."""
    facts = read_facts(lake.path)
    zone = facts.time_zone or "UTC"
    return {
        "DATABASE": str(lake.database),
        "SHORELINE": str(lake.shoreline) if "shoreline" in now else None,
        "GAUGE": str(lake.gauge) if "gauge" in now else None,
        "MARKS": str(lake.marks) if "marks" in now else None,
        "SURFACE": _layer_of_map(lake, "surface"),
        "OLD_SURFACE": _layer_of_map(lake, "surface"),
        "SOUNDINGS": _layer_of_map(lake, "soundings"),
        "TITLE": facts.name,
        "LAKE": facts.place,
        "UNIT": facts.unit,
        "INTERVAL": CONTOUR_INTERVALS[facts.unit],
        "TIME_ZONE": zone,
        "GAUGE_TIME_ZONE": zone,
        "LEVEL_UNIT": facts.level_unit,
        "DATUM_ELEVATION": facts.datum_reading,
        "DATUM_NAME": facts.datum_name,
        "DRAFT": facts.boat.draft_m,
        "BEAM_WIDTH": facts.boat.beam_deg,
        "ASSUMED_SOUND_SPEED": facts.boat.sound_speed_ms,
    }


def _layer_of_map(lake, role):
    record = current_run(lake, "map")
    path = record and record.outputs.get(role)
    return str(lake.path / path) if path else None


def _destinations(definition):
    """Yield each output parameter with what it leaves and the ending of its file.

    Of outputs that no step knows only those that must have a place are given, as temporary ones.
    """
    children = (
        definition.childAlgorithms() if isinstance(definition, QgsProcessingModelAlgorithm) else {}
    )
    for destination in definition.destinationParameterDefinitions():
        child_id, _, label = destination.name().partition(":")
        child = children.get(child_id)
        made = child.modelOutputs().get(label) if child is not None else None
        algorithm = child.algorithm() if made is not None else definition
        output = made.childOutputName() if made is not None else destination.name()
        name = _LEFT.get((algorithm.name(), output))
        own = algorithm.parameterDefinition(output) or destination
        if name is not None:
            yield destination.name(), name, _ending(own)
        elif not destination.flags() & destination.Flag.FlagOptional:
            yield destination.name(), None, ""


def _ending(definition) -> str:
    if isinstance(definition, QgsProcessingParameterRasterDestination):
        return "tif"
    if isinstance(
        definition, (QgsProcessingParameterFeatureSink, QgsProcessingParameterVectorDestination)
    ):
        return "gpkg"
    if isinstance(definition, QgsProcessingParameterFolderDestination):
        return ""
    return definition.defaultFileExtension()


def _clear(folder):
    """Remove what is in the folder of a run, as far as nothing holds it."""
    for path in folder.iterdir() if folder.is_dir() else ():
        with suppress(OSError):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()
