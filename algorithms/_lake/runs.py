"""The runs of a lake's steps: each has a folder, and a record once it is whole.

A run writes into a new folder, named by its time. Its record is written last, so a folder without
one is unfinished. The result before stands until then, and its folder is removed when nothing
holds its files: Windows cannot replace what is open.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from dataclasses import asdict, dataclass, field
from datetime import datetime, timezone
from pathlib import Path

__all__ = ["RunRecord", "all_runs", "begin_run", "current_run", "finish_run", "remove_old_runs"]

_RECORD = "run.json"
_STAMP = "%Y-%m-%d_%H%M%S"


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


def begin_run(lake, step, now=None) -> Path:
    """Make the folder of a new run of a step, and return it."""
    now = now or datetime.now(timezone.utc)
    stamp, number = now.strftime(_STAMP), 1
    folder = lake.runs(step) / stamp
    while folder.exists():
        number += 1
        folder = lake.runs(step) / f"{stamp}_{number}"
    folder.mkdir(parents=True)
    return folder


def finish_run(folder, record: RunRecord):
    """Write the record of a run that is whole, or of one that failed."""
    path = Path(folder) / _RECORD
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(json.dumps(asdict(record), indent=1, ensure_ascii=False), encoding="utf-8")
    os.replace(beside, path)


def all_runs(lake, step) -> list:
    """Return the records of a step's runs, the oldest first; unreadable ones are left out."""
    records = []
    for path in sorted(lake.runs(step).glob(f"*/{_RECORD}")):
        with contextlib.suppress(OSError, ValueError, TypeError):
            records.append(RunRecord(**json.loads(path.read_text(encoding="utf-8"))))
    return records


def current_run(lake, step) -> RunRecord | None:
    """Return the newest run of a step that is whole and whose files are there, or None."""
    for record in reversed(all_runs(lake, step)):
        paths = [lake.path / path for path in record.outputs.values()]
        if not record.failure and all(path.exists() for path in paths):
            return record
    return None


def remove_old_runs(lake, step) -> list:
    """Remove the folders of runs before the current one; return those that could not be."""
    current = current_run(lake, step)
    left = []
    if current is None:
        return left
    for folder in sorted(p for p in lake.runs(step).iterdir() if p.is_dir()):
        if folder.name < current.stamp:
            with contextlib.suppress(OSError):
                shutil.rmtree(folder)
            left += [folder] if folder.exists() else []
    return left
