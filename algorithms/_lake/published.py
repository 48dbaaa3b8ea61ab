"""Copies of a run's documents where people look for them: sheets and reports by their day."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from .._io.whole_files import free_name

__all__ = ["publish"]

#: Read at home; everything else is taken along.
_REPORTS = (".html", ".csv", ".txt")


def publish(lake, documents) -> dict:
    """Copy documents into the lake's folders of sheets and reports.

    One of the same day is replaced; where it is open, or the system keeps it, the copy gets a free
    name beside it. What cannot be copied stays in the run's folder alone.

    Parameters
    ----------
    lake : LakeFolder
    documents : dict of str to Path

    Returns
    -------
    dict of str to str
        The copies, relative to the lake's folder, with "/".
    """
    day, copies = datetime.now().strftime("%Y-%m-%d"), {}
    for name, path in documents.items():
        report = "report" in name or path.suffix.lower() in _REPORTS
        folder = lake.reports if report else lake.sheets
        shown = name.replace("_", " ").capitalize()
        with suppress(OSError):
            folder.mkdir(exist_ok=True)
            copy = _copy(path, folder / f"{shown} {day}{path.suffix}")
            copies[name] = copy.relative_to(lake.path).as_posix()
    return copies


def _copy(path: Path, target: Path) -> Path:
    beside = target.with_name(f".{target.name}.{os.getpid()}.new")
    try:
        shutil.copyfile(path, beside)
        try:
            os.replace(beside, target)
        except OSError:  # it is open: Windows replaces no such file
            target = free_name(target)
            os.rename(beside, target)
        return target
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise
