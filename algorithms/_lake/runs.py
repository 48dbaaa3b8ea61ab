"""The runs of a lake's steps: each has a folder, and a record once it is whole.

A run writes into a new folder, named by its time. Its record is written last, so a folder without
one is unfinished. The result before stands until then, and its folder is removed when nothing
holds its files: Windows cannot replace what is open.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime, timedelta, timezone
from pathlib import Path, PurePosixPath, PureWindowsPath

from .._i18n import tr
from .._io.whole_files import write_text_whole
from ..core.errors import LakefloorError

__all__ = [
    "RunRecord",
    "all_runs",
    "begin_run",
    "current_run",
    "discard_run",
    "finish_run",
    "remove_old_runs",
    "unfinished_runs",
]

_RECORD = "run.json"
_STAMP = "%Y-%m-%d_%H%M%S"
#: Before its name, of a folder that is being removed.
_GOING = ".old-"
#: A run without a record whose folder nothing has touched for so long was cut off, s.
_CUT_OFF_S = 24 * 3600.0


@dataclass(frozen=True)
class RunRecord:
    """What is kept of a run.

    Attributes
    ----------
    step, stamp : str
        Key of the step, and the name of the folder: the UTC time at which it began.
    algorithm : str
    parameters : dict
        Without absolute paths.
    inputs : dict
        Source -> fingerprint as it was when the run began.
    outputs : dict
        Role or name of a document -> path relative to the lake's folder, with "/".
    numbers : dict
        Output numbers of what ran.
    ended : str
        UTC, ISO 8601.
    failure : str
        Why it failed; "" where it did not.
    documents : dict
        Name of a document -> path of its copy among the sheets or reports, as of outputs. People
        may remove the copies.
    """

    step: str
    stamp: str
    algorithm: str = ""
    parameters: dict = field(default_factory=dict)
    inputs: dict = field(default_factory=dict)
    outputs: dict = field(default_factory=dict)
    numbers: dict = field(default_factory=dict)
    ended: str = ""
    failure: str = ""
    documents: dict = field(default_factory=dict)


def begin_run(lake, step, now=None) -> Path:
    """Make the folder of a new run of a step, and return it.

    Its name comes after those of all runs before, also where the clock was set back.

    Raises
    ------
    LakefloorError
        If the folder cannot be made.
    """
    now = now or datetime.now(timezone.utc)
    runs = lake.runs(step)
    try:
        for path in runs.iterdir() if runs.is_dir() else ():
            with suppress(ValueError):
                before = datetime.strptime(path.name[: len("2026-11-30_225450")], _STAMP)
                now = max(now, before.replace(tzinfo=timezone.utc) + timedelta(seconds=1))
        runs.mkdir(exist_ok=True)
        while True:
            folder = runs / now.strftime(_STAMP)
            with suppress(FileExistsError):
                folder.mkdir()
                return folder
            now += timedelta(seconds=1)
    except OSError as error:
        raise LakefloorError(
            tr(
                "Cannot make a folder in '{}' ({}). Check that the disk is not full and that you "
                "may write to the folder of the lake."
            ).format(runs, error.strerror)
        ) from error


def finish_run(folder, record: RunRecord):
    """Write the record of a run that is whole, or of one that failed."""
    write_text_whole(
        Path(folder) / _RECORD, json.dumps(asdict(record), indent=1, ensure_ascii=False) + "\n"
    )


def discard_run(folder) -> bool:
    """Remove the folder of a run with all that is in it, or leave it as it is.

    Returns
    -------
    bool
        Whether the name is free now. Where a file is open, Windows renames no folder around it.
    """
    folder = Path(folder)
    going = folder.with_name(f"{_GOING}{folder.name}")
    try:
        os.rename(folder, going)
    except FileNotFoundError:
        return True
    except OSError:
        return False
    with suppress(OSError):
        shutil.rmtree(going)
    return True


def all_runs(lake, step) -> list:
    """Return the records of a step's runs, the oldest first; unreadable ones are left out."""
    records = []
    for path in sorted(lake.runs(step).glob(f"[!.]*/{_RECORD}")):
        with suppress(OSError, ValueError, TypeError, AttributeError, RecursionError):
            records.append(_record(json.loads(path.read_text(encoding="utf-8")), step, path))
    return records


def _record(content, step, path):
    """Return what a file says of a run; the folder it lies in says which one it is."""
    known = {f.name: f for f in fields(RunRecord)}
    content = {name: value for name, value in content.items() if name in known}
    for name, value in content.items():
        if type(value) is not (dict if known[name].default_factory is dict else str):
            raise TypeError(name)
    for name in ("outputs", "documents"):
        content[name] = {k: p for k, p in content.get(name, {}).items() if _within(p)}
    return RunRecord(**{**content, "step": step, "stamp": path.parent.name})


def _within(path) -> bool:
    """Say whether a path of a record stays in the lake's folder: the folder may be from others."""
    return (
        isinstance(path, str)
        and bool(path)
        and not (PurePosixPath(path).is_absolute() or PureWindowsPath(path).anchor)
        and ".." not in path.replace("\\", "/").split("/")
    )


def current_run(lake, step) -> RunRecord | None:
    """Return the newest run of a step that is whole and whose files are there, or None."""
    for record in reversed(all_runs(lake, step)):
        if not record.failure and all((lake.path / p).exists() for p in record.outputs.values()):
            return record
    return None


def unfinished_runs(lake, step) -> list:
    """Return the folders of runs that have no record: under way, or cut off."""
    runs = lake.runs(step)
    if not runs.is_dir():
        return []
    return sorted(
        p
        for p in runs.iterdir()
        if p.is_dir() and not p.name.startswith(_GOING) and not (p / _RECORD).exists()
    )


def remove_old_runs(lake, step, held=()) -> list:
    """Remove the folders of runs before the current one; return those that could not be.

    Those in ``held`` stay, since somebody still reads from them. What was cut off more than a day
    ago goes too. A folder with a file that is held open stays as it is on Windows, and is tried
    again next time.
    """
    runs, current, left = lake.runs(step), current_run(lake, step), []
    if not runs.is_dir():
        return left
    for going in runs.glob(f"{_GOING}*"):
        with suppress(OSError):
            shutil.rmtree(going)
        left += [going] if going.exists() else []
    cut_off = [p for p in unfinished_runs(lake, step) if _untouched(p)]
    for folder in sorted(p for p in runs.iterdir() if p.is_dir()):
        if folder.name.startswith(_GOING) or folder in held:
            continue
        old = current is not None and folder.name < current.stamp
        if (old or folder in cut_off) and not discard_run(folder):
            left.append(folder)
    return left


def _untouched(folder) -> bool:
    try:
        newest = max(p.stat().st_mtime for p in (folder, *folder.rglob("*")))
    except OSError:
        return False
    return time.time() - newest > _CUT_OFF_S
