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
from .._io.lake_files import write_features, write_gauge, write_shoreline
from .._io.layer_copies import copy_raster
from .._io.qgis_algorithms import qgis_algorithm, run_within
from .._io.recognizing import recognize
from .._io.staging import staging_folder
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent, span
from .folder import LakeFolder
from .logs import copy_logs
from .runs import RunRecord, begin_run, current_run, discard_run, finish_run
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
        Folders are searched, without their subfolders.
    progress : callable

    Returns
    -------
    list of Brought

    Raises
    ------
    LakefloorError
        If a file is not there, or the disk is full. What was brought in before stays: each file is
        whole.
    """
    paths, brought, layers = _paths(files, lake), [], {}
    for number, path in enumerate(paths):
        step = span(progress, 0.8 * number / len(paths), 0.8 * (number + 1) / len(paths))
        step(0.0)
        parts = recognize(path)
        for kind, given in parts:
            name = path.name if len(parts) == 1 else f"{path.name}: {given.name()}"
            if ROLES.get(kind):
                layers.setdefault(ROLES[kind], []).append((name, kind, given))
                continue
            try:
                brought.append(_bring(lake, name, kind, given, step))
            except LakefloorError as error:
                brought.append(Brought(name, kind, why=str(error)))
    for key, of_step in layers.items():
        brought += _bring_layers(lake, key, of_step)
    progress(1.0)
    return brought


def _paths(files, lake):
    found = []
    for path in map(Path, files):
        if path.is_dir():
            found += sorted(p for p in path.iterdir() if p.is_file() and p.name[:1] != ".")
        elif path.is_file():
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
    found = [p.absolute() for p in found if not p.name.lower().endswith(beside)]
    return [p for p in dict.fromkeys(found) if lake.path.absolute() not in p.parents]


def _bring(lake, name, kind, given, progress):
    if kind == "log":
        copies = copy_logs(lake, [given], progress)
        if not copies:
            return Brought(name, kind, why=tr("The lake has this log already."))
        return Brought(name, kind, copies[0].relative_to(lake.path).as_posix())
    own = {"database": lake.database, "shoreline": lake.shoreline, "gauge": lake.gauge}
    place = lake.marks if kind in ("waypoints", "marks") else own.get(kind)
    if place is None:
        return Brought(
            name, kind, why=tr("It is not recognized as something that a lake folder holds.")
        )
    if os.path.lexists(place):
        return Brought(name, kind, why=tr("The lake has '{}' already.").format(place.name))
    with staging_folder(lake.path) as staging:
        staged = staging / place.name
        if kind == "database":
            staged = _store.back_up(given, staging, progress)  # read from end to end
        elif kind == "shoreline":
            write_shoreline(given, staged)
        elif kind == "gauge":
            write_gauge(_as_written(given), staged)
        elif kind == "marks":
            write_features(given, staged, "marks")
        else:
            _import_waypoints(given, staged)
        try:
            os.rename(staged, place)
        except OSError as error:
            raise LakefloorError(
                tr("Cannot write '{}' ({}). Check that you may write there.").format(
                    place, error.strerror
                )
            ) from error
    return Brought(name, kind, place.name)


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


def _bring_layers(lake, key, layers):
    """Bring in the layers that a step leaves, as one run of it."""
    if current_run(lake, key) is not None:
        why = tr("The lake has a result of this step already.")
        return [Brought(name, kind, why=why) for name, kind, _ in layers]
    brought, outputs, folder = [], {}, begin_run(lake, key)
    try:
        for name, kind, given in layers:
            if kind in outputs:
                why = tr("Another file was taken as this: '{}'.").format(outputs[kind])
                brought.append(Brought(name, kind, why=why))
                continue
            try:
                place = _copy_layer(given, folder, kind).relative_to(lake.path).as_posix()
            except LakefloorError as error:
                brought.append(Brought(name, kind, why=str(error)))
                continue
            outputs[kind] = place
            brought.append(Brought(name, kind, place))
        if outputs:
            ended = datetime.now(timezone.utc).isoformat(timespec="seconds")
            finish_run(folder, RunRecord(key, folder.name, outputs=outputs, ended=ended))
    except BaseException:
        discard_run(folder)
        raise
    if not outputs:
        discard_run(folder)
    return brought


def _copy_layer(layer, folder, kind):
    if not isinstance(layer, QgsRasterLayer):
        path = folder / f"{kind}.gpkg"
        write_features(layer, path, kind)
        return path
    path = folder / f"{kind}.tif"
    source = Path(layer.source())
    if source.suffix.lower() in (".tif", ".tiff") and source.is_file():
        try:
            shutil.copyfile(source, path)
        except OSError as error:
            raise LakefloorError(
                tr("Cannot copy '{}' ({}). Check that the disk is not full.").format(
                    source.name, error.strerror
                )
            ) from error
    else:
        copy_raster(layer, kind, path)
    return path
