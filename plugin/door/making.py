"""Lakes are made: a new one, the example, and what is added to them by hand."""

from __future__ import annotations

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._lake.facts import read_facts
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

    def add_logs(self, lake, logs, then=None):
        """Add logs to a lake with what is known of it."""
        facts = read_facts(lake.path)
        parameters = self._taker.parameters("visits", lake, facts)
        self._taker.take("visits", lake, {**parameters, **of_logs(logs)}, then)

    def map(self, lake):
        """Map a lake with what is known of it."""
        facts = read_facts(lake.path)
        self._taker.take("map", lake, self._taker.parameters("map", lake, facts))

    def _go_on(self, lake, asked):
        self.made.emit(str(lake.path))
        if asked.logs:
            then = (lambda: self.map(lake)) if asked.shoreline is not None else None
            logs = [lake.logs] if asked.copy_logs else asked.logs
            self.add_logs(lake, logs, then)

    def _fail(self, text):
        self.told.emit(text, True)


def of_logs(paths) -> dict:
    """Return the parameters of a model that reads these files or this folder."""
    folders = [str(path) for path in paths if path.is_dir()]
    files = [str(path) for path in paths if not path.is_dir()]
    found = {"LOGS": files} if files else {}
    return {**found, "LOG_FOLDER": folders[0]} if folders else found
