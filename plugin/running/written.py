"""What a run had written when it was cancelled."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError


class Written:
    """Knows the files of a run as they were before it.

    Parameters
    ----------
    algorithm : QgsProcessingAlgorithm
    parameters : dict
    whole : bool
        Whether somebody else sees to it that the files are kept together or not at all, as for the
        folder of a lake's run; the lake database is looked at all the same.
    """

    def __init__(self, algorithm, parameters, whole):
        self._database = str(parameters.get("DATABASE") or "")
        self._before = _changes(self._database)
        names = () if whole else (d.name() for d in algorithm.destinationParameterDefinitions())
        self._files = {
            path: _stamp(path) for path in map(_path, map(parameters.get, names)) if path
        }

    def sentence(self) -> str:
        """Return how the cancel reads."""
        if _changes(self._database) != self._before:
            return tr(
                "Cancelled. The lake database '{}' had been changed before. Undo the last change if "
                "you do not want to keep it."
            ).format(Path(self._database).name)
        new = [path.name for path, before in self._files.items() if _stamp(path) != before]
        if new:
            return tr("Cancelled. These files were written before: {}.").format(", ".join(new))
        return tr("Cancelled. Nothing was written.")


def _path(value):
    text = getattr(value, "sink", value)
    text = text.staticValue() if hasattr(text, "staticValue") else text
    return Path(text) if isinstance(text, str) and text else None


def _stamp(path):
    with contextlib.suppress(OSError):
        found = path.stat()
        return found.st_mtime_ns, found.st_size
    return None


def _changes(database):
    """Return how many changes a lake database has seen, None where there is none."""
    if database and Path(database).is_file():
        from ...algorithms._store.log_book import history

        with contextlib.suppress(LakefloorError, OSError, sqlite3.Error):
            return len(history(database))
    return None
