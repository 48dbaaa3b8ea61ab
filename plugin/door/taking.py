"""Steps are taken: a model is filled, runs in the background, and its results come into the map."""

from __future__ import annotations

from pathlib import Path

from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._lake.runs import current_run
from ...algorithms._lake.steps import STEPS, step
from ...algorithms.core.errors import LakefloorError
from . import requests, texts


class StepTaker(QObject):
    """Takes the steps of lakes through a :class:`.Runner`."""

    #: A run has ended well: folder of the lake (LakeFolder) and its record.
    came_out = pyqtSignal(object, object)
    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)

    def __init__(self, runner, parent=None):
        super().__init__(parent)
        self._runner = runner

    def parameters(self, key, lake, facts) -> dict:
        """Return what a lake knows of the parameters of a step, without destinations."""
        return requests.parameters_of(key, lake, facts, newest_outputs(lake))

    def take(self, key, lake, parameters, then=None):
        """Take a step.

        Parameters
        ----------
        key : str
        lake : LakeFolder
        parameters : dict
            Of the step's model, without destinations.
        then : callable, optional
            Called when the run is whole.
        """
        from ...algorithms._lake.filling import begin, end

        try:
            started = begin(lake, key, parameters)
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
            return None
        given = {**parameters, **requests.destinations(key, started.folder)}

        def finished(run):
            self._end(lake, key, started, run, end, then)

        return self._runner.start(
            step(key).algorithm,
            given,
            title=texts.step_run_title(key),
            lake=str(lake.path),
            finished=finished,
        )

    def _end(self, lake, key, started, run, end, then):
        try:
            record = end(lake, started, run)
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
            return
        if run.state == "failed":
            self.told.emit(run.error, True)
        if run.state != "done":
            return
        self.came_out.emit(lake, record)
        if then is not None:
            then()


def newest_outputs(lake) -> dict:
    """Return the files of the newest whole runs of a lake, by role."""
    found = {}
    for each in STEPS:
        record = current_run(lake, each.key) if each.algorithm else None
        if record is not None:
            found.update({role: lake.path / path for role, path in record.outputs.items()})
    return found


def step_of_run(run) -> str:
    """Return the key of the step that a run takes, "" for none."""
    return next((s.key for s in STEPS if s.algorithm == run.algorithm_id), "")


def runs_of(lake, runs) -> list:
    """Return the runs of a lake."""
    if lake is None:
        return []
    return [run for run in runs if run.lake is not None and Path(run.lake) == lake.path]
