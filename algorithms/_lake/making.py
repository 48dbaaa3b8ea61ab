"""A new lake: its folder, whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from .._i18n import tr
from .._io.lake_files import write_gauge, write_shoreline
from .._io.staging import staging_folder
from .._io.whole_files import rename_patiently
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent, span
from .facts import LakeFacts, write_facts
from .folder import LakeFolder, file_name
from .logs import copy_logs

__all__ = ["LONGEST_INSIDE", "new_lake", "put_folder_in_place", "require_room_for_names"]

#: Letters of the longest path within a lake's folder, with what SQLite writes beside a file.
LONGEST_INSIDE = len(
    "/structure/2026-11-30_225450/.lakefloor-XXXXXXXX/new/bottom_type_areas.gpkg-journal"
)
#: Letters that Windows takes in a path where programs have not asked for more.
_WINDOWS_PATH = 259
_ON_WINDOWS = os.name == "nt"

_ABOUT = "README.txt"


def new_lake(
    parent, facts: LakeFacts, shoreline=None, gauge=None, logs=(), copy_logs=True,
    progress: Progress = silent,
) -> LakeFolder:  # fmt: skip
    """Make the folder of a lake, named after it.

    Parameters
    ----------
    parent : str or Path
        The folder in which it is made.
    facts : LakeFacts
    shoreline : QgsFeatureSource, str or Path, optional
        Layer or file with the polygons of the lake.
    gauge : QgsFeatureSource, str or Path, optional
        Table of gauge readings.
    logs : iterable of str or Path
        Files and folders.
    copy_logs : bool
        Whether the logs are copied into the folder.
    progress : callable

    Raises
    ------
    LakefloorError
        If there is such a folder already, a source cannot be used, there is no log among those to
        be copied, or the disk is full. Nothing is there then.
    """
    parent = Path(parent)
    if not facts.name.strip():
        raise LakefloorError(tr("The lake has no name. Give it one."))
    folder = parent.absolute() / file_name(facts.name)
    require_room_for_names(folder)
    if os.path.lexists(folder):
        raise LakefloorError(
            tr(
                "'{}' is there already. Open that lake, or give the new one another name or place."
            ).format(folder)
        )
    logs = list(map(Path, [logs] if isinstance(logs, (str, Path)) else logs))
    with staging_folder(parent) as staging:
        lake = LakeFolder(staging / folder.name)
        try:
            progress(0.0)
            lake.path.mkdir()
            if shoreline is not None:
                write_shoreline(shoreline, lake.shoreline)
            if gauge is not None:
                write_gauge(gauge, lake.gauge)
            if copy_logs and not _copy_logs(lake, logs, span(progress, 0.1, 0.9)) and logs:
                raise LakefloorError(
                    tr(
                        "No log was found in '{}'. Logs are NMEA 0183, delimited text or GPX. Choose "
                        "the folder or the files that the sounder has written."
                    ).format("', '".join(path.name for path in logs))
                )
            (lake.path / _ABOUT).write_text(_about(facts), encoding="utf-8")
            write_facts(lake.path, facts)
            progress(1.0)
            put_folder_in_place(lake.path, folder)
        except OSError as error:
            raise LakefloorError(
                tr(
                    "Cannot make the folder of the lake in '{}' ({}). Nothing was kept. Check that "
                    "the disk is not full and that you may write there."
                ).format(parent, error.strerror)
            ) from error
    return LakeFolder(folder)


#: The parameter of :func:`new_lake` has this name too.
_copy_logs = copy_logs


def put_folder_in_place(made: Path, folder: Path):
    """Give a folder that is whole its place, where nothing may be.

    Raises
    ------
    LakefloorError
        If something was put there meanwhile.
    OSError
    """
    if os.path.lexists(folder):
        raise LakefloorError(
            tr("'{}' was made by another program meanwhile. Choose another name.").format(folder)
        )
    rename_patiently(made, folder)


def require_room_for_names(folder: Path):
    """Refuse a folder whose path is so long that Windows could not name the files in it.

    Raises
    ------
    LakefloorError
    """
    spare = _WINDOWS_PATH - LONGEST_INSIDE - len(str(folder))
    if _ON_WINDOWS and spare < 0:
        raise LakefloorError(
            tr(
                "The path '{}' is {} letters too long for Windows. Choose a shorter place or name."
            ).format(folder, -spare)
        )


def _about(facts) -> str:
    return tr(
        "{}\n\n"
        "This folder is a lake of the QGIS plugin Lakefloor. Copy, move or rename it as a whole.\n"
        "Close QGIS first, so that no file is copied halfway.\n\n"
        "It shows where boats went and when: in the lake database, in the logs and on the maps\n"
        "of each run. Before you hand it on, think of who may see the tracks and the marks.\n"
        "'Copy to share' makes a copy without them.\n\n"
        "The maps are not for navigation.\n"
    ).format(facts.name)
