"""What is done with a lake's store: contents, soundings, the removal of visits, undoing."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..core.progress import Progress, silent
from ..core.visits.as_of import Knowledge
from .by_hand import marks_beneath, marks_of
from .errors import absent
from .file import reading, writing
from .new_file import crs_of
from .removing import delete_visit
from .summing import check_held
from .undoing import (
    Undone,
    changes_of,
    keep_for_undo,
    nothing_to_undo,
    steps,
    take_back,
    undoable_changes,
)
from .upgrading import prepared
from .visits import (
    parts,
    stoppable,
    stored_visits,
    update_extent,
    verify_counts,
    verify_index,
    visit_named,
)


@dataclass(frozen=True)
class Contents:
    """What a store holds.

    ``crs`` is an authority code such as EPSG:32615, or WKT; ``marks`` is what a person said of
    changes of the bottom and of superseded soundings, for :func:`.core.visits.by_hand.marked`.
    """

    crs: str
    visits: list
    marks: list


def contents(path) -> Contents:
    """Return the CRS and the visits of a store, in order of time.

    Raises
    ------
    LakefloorError
        If the file is absent, no store, damaged or locked.
    """
    with reading(path) as db:
        visits = stored_visits(db)
        verify_counts(db, visits)
        return Contents(crs_of(db), visits, marks_of(db) + marks_beneath(db))


def read(
    path, *, visits=None, box=None, start=None, stop=None, as_of=None, progress: Progress = silent
):
    """Read soundings of a store in parts, in order of visit and as logged within each.

    Parameters
    ----------
    path : str or Path
    visits : list of str, optional
        Names; all by default.
    box : tuple, optional
        West, south, east, north in the store's CRS, m.
    start, stop : datetime64, optional
        UTC; from ``start`` to before ``stop``. Soundings without time are left out then.
    as_of : datetime64[D], optional
        A day at the lake: what was known at its end, see :class:`.core.visits.as_of.Knowledge`.
    progress : callable

    Yields
    ------
    Soundings

    Raises
    ------
    LakefloorError
        As :func:`contents`, and if a visit is not in the store.
    """
    with reading(path) as db:
        present = stored_visits(db)
        verify_counts(db, present)
        marks = [] if as_of is None else marks_of(db) + marks_beneath(db)
        known = Knowledge.of(present, crs_of(db), as_of, marks=marks)
        if visits is not None:
            chosen = {visit_named(present, name, path).number for name in visits}
            present = [v for v in present if v.number in chosen]
        if box is not None:
            verify_index(db)
        present = [
            v for v in present if known.has(v.name) and v.meets(box) and v.spans(start, stop)
        ]
        total, done = sum(v.soundings for v in present) or 1, 0
        for visit in present:
            for part, count in parts(db, visit, box):
                done += count
                progress(min(done / total, 1.0))
                part = known.of_soundings(part)
                keep = _wanted(part, box, start, stop)
                if keep.any():
                    yield part if keep.all() else part.select(keep)


def _wanted(part, box, start, stop):
    """Return a mask of the soundings within a box and a time, where these are given."""
    keep = np.ones(len(part), bool)
    if box is not None:
        west, south, east, north = box
        keep &= (part.x >= west) & (part.x <= east) & (part.y >= south) & (part.y <= north)
    if start is not None or stop is not None:
        keep &= ~np.isnat(part.time)
    if start is not None:
        keep &= part.time >= start
    if stop is not None:
        keep &= part.time < stop
    return keep


def remove(path, names, *, parameters: dict | None = None, progress: Progress = silent) -> dict:
    """Remove visits from a store; soundings that they superseded are accepted again.

    Parameters
    ----------
    path : str or Path
    names : list of str
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Returns
    -------
    dict
        ``removed`` and ``restored``, numbers of soundings; ``notes``, what the user should know.

    Raises
    ------
    LakefloorError
        As :func:`add`, and if a visit is not in the store.
    """
    parameters = json.dumps(parameters or {}, sort_keys=True, default=str)
    removed = restored = 0
    if not Path(path).is_file():
        raise absent(path)
    notes = []
    with prepared(path, progress, notes) as prepare, writing(path, None, progress, prepare) as db:
        visits = [visit_named(stored_visits(db), name, path) for name in dict.fromkeys(names)]
        keep_for_undo(db)
        for k, visit in enumerate(visits):
            progress(0.9 * k / len(visits))
            removed += visit.soundings
            restored += delete_visit(db, visit, parameters)
        update_extent(db)
    return {"removed": removed, "restored": restored, "notes": notes}


def undo(path, *, parameters: dict | None = None, progress: Progress = silent) -> Undone:
    """Undo the newest change of a store, which is then as before it, but for its history.

    Parameters
    ----------
    path : str or Path
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`add`, and if nothing can be undone: all was undone, or is too long ago, or a
        restored backup or an edit of another program came after it.
    """
    if not Path(path).is_file():
        raise absent(path)
    done = Undone()
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, None, progress, prepare) as db,
    ):
        stack = steps(db)
        if not stack:
            raise nothing_to_undo(path)
        done.left = len(stack) - 1
        done.soundings_before = sum(v.soundings for v in stored_visits(db))
        done.changes = [tuple(row[2:5]) for row in changes_of(db, stack[0])]
        progress(0.1)
        with stoppable(db, progress, 0.1):
            whole, some = take_back(db, stack[0], parameters or {})
        progress(0.6)
        present = stored_visits(db)
        for visit in present:
            if visit.number in whole:
                check_held(db, visit)
            elif visit.number in some:
                check_held(db, visit, some[visit.number])
        update_extent(db)
        verify_counts(db, present)
        done.soundings_after = sum(v.soundings for v in present)
    return done


def undoable(path) -> list:
    """Return the changes of a store that can be undone, each a :class:`.undoing.Change`.

    The newest comes first: :func:`undo` takes that back. They are the same after the program was
    closed. At most :data:`.undoing.MOST_STEPS` are kept, and fewer where they are large.
    """
    with reading(path) as db:
        return undoable_changes(db)


def undo_count(path) -> int:
    """Return how many changes of a store can be undone."""
    with reading(path) as db:
        return len(steps(db))
