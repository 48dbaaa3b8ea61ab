"""Files that were made before there was a lake folder get their places in it."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path

from qgis.core import QgsProcessingContext, QgsProcessingFeedback, QgsRasterLayer

from .. import _store
from .._i18n import tr
from .._io.lake_files import write_gauge, write_shoreline
from .._io.layer_copies import copy_raster, copy_table
from .._io.qgis_algorithms import qgis_algorithm, run_within
from .._io.recognizing import recognize
from .._io.staging import staging_folder
from .._io.whole_files import rename_patiently
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent, span
from ..core.reading.recorded_log import is_beside_a_log, recording_of
from .folder import LakeFolder
from .logs import place_log, stage_logs
from .runs import RunRecord, begin_run, current_run, finish_run
from .steps import ROLES

__all__ = ["Brought", "bring_in"]


@dataclass(frozen=True)
class Brought:
    """What became of a file.

    Attributes
    ----------
    name : str
        Of the file, and of its layer where it has several.
    kind : str
        What it was recognized as, "" if as nothing: see :class:`.recognizing.Recognized`.
    place : str
        Where it is in the lake's folder, with "/"; "" if it was not brought in.
    why : str
        Why it was not.
    """

    name: str
    kind: str
    place: str = ""
    why: str = ""


def bring_in(lake: LakeFolder, files, progress: Progress = silent) -> list:
    """Copy files into the folder of a lake, each to its place.

    A lake database, shoreline, gauge readings, marks and logs become those of the lake. Layers that
    Lakefloor made (soundings, surface, contours and so on) become a run of their step, which counts
    as out of date, since nobody knows what they were made from. All are recognized by their
    content. Nothing that is there is replaced, and the files themselves stay where they are.

    Parameters
    ----------
    lake : LakeFolder
    files : iterable of str or Path
        Folders are searched, without their subfolders. A recording is brought in whole.
    progress : callable

    Returns
    -------
    list of Brought

    Raises
    ------
    LakefloorError
        If a file is not there, or the disk is full.
    Cancelled
        Nothing was brought in then.
    """
    paths, found = _paths(files, lake), []
    for number, path in enumerate(paths):
        progress(0.2 * number / len(paths))
        parts = [("log", path)] if path.is_dir() else recognize(path)
        for kind, given in parts:
            name = path.name if len(parts) == 1 else f"{path.name}: {given.name()}"
            found.append(_Part(name, kind, given))
    with staging_folder(lake.path) as staging:
        for number, part in enumerate(found):
            step = span(
                progress, 0.2 + 0.6 * number / len(found), 0.2 + 0.6 * (number + 1) / len(found)
            )
            step(0.0)
            if part.kind != "log":
                _stage(lake, part, found, staging, step)
        _stage_logs(lake, [p for p in found if p.kind == "log"], staging, span(progress, 0.8, 1.0))
        progress(1.0)  # the last look: from here on all of it is put in place
        _place(lake, found)
    return [Brought(part.name, part.kind, part.shown, part.why) for part in found]


@dataclass
class _Part:
    """A file or layer on its way: where it is made, where it goes, or why it does not."""

    name: str
    kind: str
    given: object
    staged: Path | None = None
    shown: str = ""
    why: str = ""


def _paths(files, lake):
    found = []
    for path in map(Path, files):
        if path.is_dir() and not recording_of(path):
            found += sorted(
                p for p in path.iterdir() if (p.is_file() or recording_of(p)) and p.name[:1] != "."
            )
        elif path.is_dir() or path.is_file():
            found.append(path)
        else:
            raise LakefloorError(tr("There is no file '{}'. Choose another.").format(path))
    # What belongs to another file: to a database, a raster, a shapefile.
    beside = (
        ".aux.xml",
        "-wal",
        "-shm",
        "-journal",
        ".shx",
        ".dbf",
        ".prj",
        ".cpg",
        ".qix",
        ".qmd",
    )
    found = [
        (recording_of(p) or p).absolute()
        for p in found
        if not p.name.lower().endswith(beside) and not is_beside_a_log(p)
    ]
    return [p for p in dict.fromkeys(found) if lake.path.absolute() not in p.parents]


def _stage(lake, part, parts, staging, progress):
    """Make the copy of a part, or say why it is left out."""
    part.why = _why_not(lake, part, parts)
    if part.why:
        return
    raster = isinstance(part.given, QgsRasterLayer)
    staged = staging / f"{part.kind}{'.tif' if raster else '.gpkg'}"
    try:
        if part.kind == "database":
            staged = _store.back_up(part.given, staging, progress)  # read from end to end
        elif part.kind == "shoreline":
            write_shoreline(part.given, staged)
        elif part.kind == "gauge":
            write_gauge(_as_written(part.given), staged)
        elif part.kind == "waypoints":
            _import_waypoints(part.given, staged)
        elif raster:
            _copy_raster(part.given, staged)
        else:
            copy_table(part.given, part.kind, staged, QgsProcessingContext())
    except LakefloorError as error:
        part.why = str(error)
        return
    part.staged = staged


def _why_not(lake, part, parts) -> str:
    """Say why a part has no place in a lake, "" if it has one."""
    step, place = ROLES.get(part.kind), _own_place(lake, part.kind)
    if not step and place is None:
        return tr("It is not recognized as something that a lake folder holds.")
    if step and current_run(lake, step) is not None:
        return tr("The lake has a result of this step already.")
    if not step and os.path.lexists(place):
        return tr("The lake has '{}' already.").format(place.name)
    for other in parts:
        same = other.kind == part.kind or _own_place(lake, other.kind) == place is not None
        if other.staged is not None and same:
            return tr("Another file was taken as this: '{}'.").format(other.name)
    return ""


def _own_place(lake, kind):
    """Return the place of a file that a lake has one of, None for all else."""
    return {
        "database": lake.database,
        "shoreline": lake.shoreline,
        "gauge": lake.gauge,
        "marks": lake.marks,
        "waypoints": lake.marks,
    }.get(kind)


def _stage_logs(lake, parts, staging, progress):
    staged = dict(stage_logs(lake, [part.given for part in parts], staging, progress))
    for part in parts:
        part.staged = staged.get(part.given)
        if part.staged is None:
            part.why = tr("The lake has this log already.")


def _place(lake, parts):
    """Put what is staged in place, the layers of a step as one run of it."""
    runs = {}
    for part in parts:
        if part.staged is None:
            continue
        step, place = ROLES.get(part.kind), _own_place(lake, part.kind)
        if part.kind == "log":
            part.shown = place_log(lake, part.given, part.staged).relative_to(lake.path).as_posix()
            continue
        if step:
            if step not in runs:
                runs[step] = begin_run(lake, step), {}
            folder, outputs = runs[step]
            place = folder / part.staged.name
            outputs[part.kind] = place.relative_to(lake.path).as_posix()
        try:
            rename_patiently(part.staged, place)
        except OSError as error:
            raise LakefloorError(
                tr("Cannot write '{}' ({}). Check that you may write there.").format(
                    place, error.strerror
                )
            ) from error
        part.shown = place.relative_to(lake.path).as_posix()
    for step, (folder, outputs) in runs.items():
        ended = datetime.now(timezone.utc).isoformat(timespec="seconds")
        finish_run(folder, RunRecord(step, folder.name, outputs=outputs, ended=ended))


def _as_written(layer):
    """Return the file of a table of delimited text, which stays as people wrote it."""
    path = layer.source().partition("|")[0]
    return path if Path(path).suffix.lower() in (".csv", ".txt") else layer


def _import_waypoints(path, target):
    # So marks have the same fields wherever they come from.
    run_within(
        qgis_algorithm("lakefloor:importwaypoints"),
        {"INPUT": str(path), "OUTPUT": str(target)},
        QgsProcessingContext(),
        QgsProcessingFeedback(False),
    )


def _copy_raster(layer, path):
    source = Path(layer.source())
    if source.suffix.lower() not in (".tif", ".tiff") or not source.is_file():
        copy_raster(layer, path.stem, path)
        return
    try:
        shutil.copyfile(source, path)
    except OSError as error:
        raise LakefloorError(
            tr("Cannot copy '{}' ({}). Check that the disk is not full.").format(
                source.name, error.strerror
            )
        ) from error
