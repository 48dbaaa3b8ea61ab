"""What the panel shows of a lake, read from its files; which may take a moment."""

from __future__ import annotations

from dataclasses import dataclass, field

from ...algorithms._lake.steps import STEPS
from ...algorithms.core.errors import LakefloorError


@dataclass(frozen=True)
class Seen:
    """A lake as its files and database were when they were looked at.

    Attributes
    ----------
    facts : LakeFacts
    states : list of StepState
    visits : list
        As the lake database lists them.
    undo : Change or None
        What "undo" would take back.
    newest : RunRecord or None
        The newest run that is whole.
    outings : list of Recording
        Outings that were not ended, from the oldest.
    problem : str
        Why something could not be read.
    """

    facts: object
    states: list
    visits: list
    undo: object = None
    newest: object = None
    problem: str = ""
    outings: list = field(default_factory=list)


def look(lake) -> Seen:
    """Read what the panel shows of a lake."""
    from ...algorithms._lake.facts import read_facts
    from ...algorithms._lake.runs import current_run
    from ...algorithms._lake.sources import fingerprints
    from ...algorithms._lake.states import step_states

    facts, problem, visits, undo = read_facts(lake.path), "", [], None
    states = step_states(lake, fingerprints(lake))
    if lake.database.is_file():
        try:
            visits, undo = _of_database(lake.database)
        except LakefloorError as error:
            problem = str(error)
    runs = [current_run(lake, step.key) for step in STEPS if step.algorithm]
    newest = max((run for run in runs if run is not None), key=lambda r: r.ended, default=None)
    return Seen(facts, states, visits, undo, newest, problem, _open_outings(lake))


def _open_outings(lake):
    from ...algorithms._lake.recording import recordings

    return [recording for recording in recordings(lake) if recording.is_open]


def _of_database(path):
    from ...algorithms import _store

    changes = _store.undoable(path)
    return _store.visits_of(path), changes[0] if changes else None
