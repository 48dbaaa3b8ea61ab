"""Lakes are made: a new one, the example, and what is added to them by hand."""

from __future__ import annotations

from qgis.PyQt.QtCore import QObject, pyqtSignal

from .aside import Aside
from .example import example_lake, example_there


class LakeMaker(QObject):
    """Makes lakes and hands them over to be opened; with logs, it adds and maps them."""

    #: Folder of the lake.
    made = pyqtSignal(str)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, runner, taker, parent=None):
        super().__init__(parent)
        self._runner, self._taker, self._aside = runner, taker, Aside(self)

    def make_example(self):
        """Make the example lake and map it, or open it if it was made before."""
        there = example_there()
        if there is not None:
            self.made.emit(str(there.path))
        else:
            self.make(example_lake())

    def make(self, asked):
        """Make a lake from what was asked; then its logs are added and it is mapped.

        Parameters
        ----------
        asked : NewLake
        """
        from ...algorithms._lake.making import new_lake

        asked.folder.mkdir(parents=True, exist_ok=True)

        def work():
            return new_lake(
                asked.folder,
                asked.facts,
                shoreline=asked.shoreline,
                gauge=asked.gauge,
                logs=asked.logs,
                copy_logs=asked.copy_logs,
            )

        self._aside.do(work, lambda lake: self._go_on(lake, asked), self._fail)

    def _go_on(self, lake, asked):
        self.made.emit(str(lake.path))
        if asked.logs:
            then = (lambda: self._taker.take("map", lake)) if asked.shoreline is not None else None
            logs = [lake.logs] if asked.copy_logs else asked.logs
            self._taker.take("visits", lake, of_logs(logs), then)

    def keep_logs(self, lake, logs):
        """Copy logs into the folder of a lake."""
        from ...algorithms._lake.logs import copy_logs

        if logs:
            self._aside.do(lambda: copy_logs(lake, logs), lambda _: None, self._fail)

    def _fail(self, text):
        self.told.emit(text, True)


def of_logs(paths) -> dict:
    """Return the parameters of a model that reads these files or this folder."""
    folders = [str(path) for path in paths if path.is_dir()]
    files = [str(path) for path in paths if not path.is_dir()]
    found = {"LOGS": files} if files else {}
    return {**found, "LOG_FOLDER": folders[0]} if folders else found
