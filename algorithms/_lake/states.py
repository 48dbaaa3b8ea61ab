"""The state of each step of the work, derived from the lake's files and database."""

from __future__ import annotations

from dataclasses import dataclass

from .runs import all_runs, current_run
from .steps import STEPS

__all__ = ["DONE", "FAILED", "NOT_YET", "OUT_OF_DATE", "READY", "StepState", "step_states"]

NOT_YET, READY, DONE, OUT_OF_DATE, FAILED = "not yet", "ready", "done", "out of date", "failed"


@dataclass(frozen=True)
class StepState:
    """State of a step.

    Attributes
    ----------
    key, state : str
    since : str
        When it was done or failed: UTC, ISO 8601; "" otherwise.
    why : tuple of str
        Sources that are missing (not yet), or have changed since or are out of date themselves (out
        of date), or the failure.
    """

    key: str
    state: str
    since: str = ""
    why: tuple = ()


def step_states(lake, fingerprints) -> list:
    """Return the state of each step, in the order of the work.

    Parameters
    ----------
    lake : LakeFolder
    fingerprints : mapping of str to str
        Of the sources that are there now: "shoreline", "gauge", "marks", "database"; that of an
        earlier step is the stamp of its current run, which is added here.
    """
    now, states, outdated = dict(fingerprints), [], set()
    for step in STEPS:
        current = current_run(lake, step.key)
        if current is not None:
            now[step.key] = current.stamp
        state = _state(step, current, now, all_runs(lake, step.key), outdated)
        if state.state == OUT_OF_DATE:
            outdated.add(step.key)
        states.append(state)
    return states


def _state(step, current, now, records, outdated):
    last = records[-1] if records else None
    if last is not None and last.failure:
        return StepState(step.key, FAILED, last.ended, (last.failure,))
    if not step.algorithm:
        return StepState(step.key, DONE if step.key in now else READY)
    if step.key == "visits":
        done = "database" in now
        return StepState(step.key, DONE if done else READY, current.ended if current else "")
    missing = tuple(source for source in step.needs if source not in now)
    if missing:
        return StepState(step.key, NOT_YET, why=missing)
    if current is None:
        return StepState(step.key, READY)
    changed = tuple(
        source
        for source in (*step.needs, *step.uses)
        if now.get(source) != current.inputs.get(source) or source in outdated
    )
    if changed:
        return StepState(step.key, OUT_OF_DATE, current.ended, changed)
    return StepState(step.key, DONE, current.ended)
