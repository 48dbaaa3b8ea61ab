"""Steps are taken: a model is filled, runs in the background, and its results come into the map."""

from __future__ import annotations

from pathlib import Path

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms import _settings
from ...algorithms._lake.facts import CONTOUR_INTERVALS, read_facts
from ...algorithms._lake.runs import current_run
from ...algorithms._lake.steps import STEPS
from ...algorithms._lake.steps import step as step_of
from ...algorithms.core.errors import LakefloorError
from . import texts


class StepTaker(QObject):
    """Takes the steps of lakes through a :class:`.Runner`."""

    #: A run has ended well: folder of the lake (LakeFolder) and its record.
    came_out = pyqtSignal(object, object)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, runner, parent=None):
        super().__init__(parent)
        self._runner = runner

    def known(self, key, lake):
        """Return what would run for a step: its algorithm and what the lake gives it.

        Raises
        ------
        LakefloorError
            If the lake lacks what the step needs.
        """
        from ...algorithms._lake.filling import fill

        return fill(lake, key, _chosen(key, lake))

    def take(self, key, lake, options=None, then=None):
        """Take a step, as soon as what runs for the lake is over.

        Parameters
        ----------
        key : str
        lake : LakeFolder
        options : dict, optional
            Values of parameters that go before what the lake says.
        then : callable, optional
            Called when the run is whole.
        """
        from ...algorithms._lake.filling import begin

        begun = []

        def fill():
            begun.append(begin(lake, key, {**_chosen(key, lake), **(options or {})}))
            return begun[0].algorithm, begun[0].parameters

        return self._runner.start(
            step_of(key).algorithm,
            {},
            title=texts.step_run_title(key),
            lake=str(lake.path),
            finished=lambda run: self._end(begun, run, then),
            fill=fill,
        )

    def _end(self, begun, run, then):
        from ...algorithms._lake.filling import end, give_up

        try:
            if run.state == "cancelled":
                for prepared in begun:
                    give_up(prepared)
                return
            if not begun:
                self.told.emit(run.error, True)
                return
            record = end(begun[0], run.results, run.error)
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
            return
        if record.failure:
            self.told.emit(record.failure, True)
            return
        self.came_out.emit(begun[0].lake, record)
        if then is not None:
            then()


def _chosen(key, lake) -> dict:
    """Return what the user's settings say for a step."""
    page = _settings.page_size()
    report = "Letter" if page in ("Letter", "Tabloid") else "A4"
    interval = CONTOUR_INTERVALS[read_facts(lake.path).unit]
    return {
        "map": {"PAGE_SIZE": page, "REPORT_PAGE_SIZE": report, "INTERVAL": interval},
        "structure": {"PAGE_SIZE": page, "INTERVAL": interval},
        "outing": {"INTERVAL": interval},
    }.get(key, {})


def newest_outputs(lake) -> dict:
    """Return the files of the newest whole runs of a lake: role, or name of a document -> path."""
    found = {}
    for each in STEPS:
        record = current_run(lake, each.key) if each.algorithm else None
        if record is not None:
            kept = {**record.outputs, **record.documents}
            found.update({name: lake.path / path for name, path in kept.items()})
    return found


def step_of_run(run) -> str:
    """Return the key of the step that a run takes, "" for none."""
    titles = {texts.step_run_title(s.key): s.key for s in STEPS if s.algorithm}
    return titles.get(run.title, "")


def runs_of(lake, runs) -> list:
    """Return the runs of a lake."""
    if lake is None:
        return []
    return [run for run in runs if run.lake is not None and Path(run.lake) == lake.path]
