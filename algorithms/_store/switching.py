"""Visits of a store are switched off and on again, and get other names."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from .._i18n import tr
from ..core.errors import LakefloorError, excerpt
from ..core.progress import Progress, silent
from ..core.soundings import ACCEPTED
from ..core.visits.by_hand import RENAMED
from ..core.visits.store_visits import SUPERSEDED, SWITCHED_OFF
from .errors import absent
from .file import writing
from .layout import IS_SUPERSEDED, log, now
from .removing import changed_by_hand
from .summing import check_held, sum_after, sum_up, write_sum
from .undoing import keep_for_undo
from .upgrading import prepared
from .visits import stoppable, stored_visits, update_extent, visit_named


@dataclass
class Switched:
    """What switching visits did.

    Attributes
    ----------
    visits : dict of str to int
        How many soundings are not mapped any more, or are mapped again, by visit.
    notes : list of str
        What the user should know.
    """

    visits: dict = field(default_factory=dict)
    notes: list = field(default_factory=list)


@dataclass
class Renamed:
    """What renaming a visit did.

    Attributes
    ----------
    name : str
        The new name.
    soundings : int
        Of the visit.
    superseded : int
        Soundings of other visits whose status names this one.
    notes : list of str
        What the user should know.
    """

    name: str
    soundings: int = 0
    superseded: int = 0
    notes: list = field(default_factory=list)


def switch_visits(
    path,
    names: list,
    on: bool,
    *,
    who: str = "",
    parameters: dict | None = None,
    progress: Progress = silent,
) -> Switched:
    """Switch visits of a store off, so that nothing of them is mapped, or on again.

    Parameters
    ----------
    path : str or Path
    names : list of str
        Of the visits. One that is so already stays as it is.
    on : bool
    who : str
        Kept in the history.
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.remove`.
    """
    if not Path(path).is_file():
        raise absent(path)
    words, done = _words(parameters, who), Switched()
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, None, progress, prepare) as db,
    ):
        present = stored_visits(db)
        chosen = [visit_named(present, name, path) for name in dict.fromkeys(names)]
        chosen = [visit for visit in chosen if visit.on != on]
        for k, visit in enumerate(chosen):
            with stoppable(db, progress, k / len(chosen)):
                check_held(db, visit)
                keep_for_undo(db)
                count = _switch_on(db, visit) if on else _switch_off(db, visit, done)
            action = "switched on" if on else "switched off"
            log(db, action, visit.name, count, visit.fingerprint, words)
            done.visits[visit.name] = count
        if chosen:
            update_extent(db)
    return done


def _switch_off(db, visit, done) -> int:
    """Switch a visit off; return how many soundings are not mapped any more."""
    db.execute("UPDATE visits SET off_since = ? WHERE fid = ?", (now(), visit.number))
    sum_up(db, replace(visit, on=False))
    ((beneath,),) = db.execute(
        f"SELECT count(*) FROM soundings WHERE status = ? AND {IS_SUPERSEDED}",
        (f"{SUPERSEDED}{visit.name}",),
    )
    if beneath:
        done.notes.append(
            tr(
                "Soundings that visit '{}' superseded are still not mapped: {}. To map them, run "
                "'Set soundings aside' with 'accept superseded'."
            ).format(visit.name, beneath)
        )
    return _count_off(db, visit)


def _switch_on(db, visit) -> int:
    """Switch a visit on; return how many soundings may be mapped again."""
    count = _count_off(db, visit)
    db.execute("UPDATE visits SET off_since = NULL WHERE fid = ?", (visit.number,))
    changed = changed_by_hand(db, SWITCHED_OFF, "visit_id = ?", (visit.number,))
    db.execute(
        "UPDATE soundings SET status = ? WHERE visit_id = ? AND status = ?",
        (ACCEPTED, visit.number, SWITCHED_OFF),
    )
    db.executemany("UPDATE soundings SET status = ? WHERE fid = ?", changed)
    sum_up(db, replace(visit, on=True))
    return count


def _count_off(db, visit):
    query = "SELECT count(*) FROM soundings WHERE visit_id = ? AND status = ?"
    return db.execute(query, (visit.number, SWITCHED_OFF)).fetchone()[0]


def rename_visit(
    path,
    name: str,
    new_name: str,
    *,
    who: str = "",
    parameters: dict | None = None,
    progress: Progress = silent,
) -> Renamed:
    """Give a visit of a store another name, in its soundings and the statuses that name it too.

    Rows of the history keep the name of their day.

    Parameters
    ----------
    path : str or Path
    name, new_name : str
    who : str
        Kept in the history.
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.remove`, and if another visit has the new name.
    """
    if not Path(path).is_file():
        raise absent(path)
    new_name = " ".join(str(new_name).split())
    if not new_name:
        raise LakefloorError(tr("The new name of visit '{}' is empty. Type a name.").format(name))
    done = Renamed(new_name)
    words = _words({**(parameters or {}), "to": new_name}, who)
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, None, progress, prepare) as db,
    ):
        present = stored_visits(db)
        visit = visit_named(present, name, path)
        if visit.name == new_name:
            return done
        if any(other.name == new_name for other in present):
            raise LakefloorError(
                tr("Lake database '{}' already has a visit '{}'. Type another name.").format(
                    Path(path).name, excerpt(new_name)
                )
            )
        with stoppable(db, progress):
            check_held(db, visit)
            keep_for_undo(db)
            done.superseded = _rename_in_statuses(db, present, visit, new_name)
            values = new_name, visit.number
            db.execute("UPDATE visits SET visit = ? WHERE fid = ?", values)
            db.execute("UPDATE soundings SET visit = ? WHERE visit_id = ?", values)
            sum_up(db, visit)
        log(db, RENAMED, visit.name, visit.soundings, visit.fingerprint, words)
        update_extent(db)
        done.soundings = visit.soundings
    return done


def _rename_in_statuses(db, present, visit, new_name) -> int:
    """Have soundings that a visit superseded name it by its new name; return their number."""
    before, after = f"{SUPERSEDED}{visit.name}", f"{SUPERSEDED}{new_name}"
    rows = {}
    query = f"SELECT visit_id, fid FROM soundings WHERE status = ? AND {IS_SUPERSEDED} ORDER BY fid"
    for number, fid in db.execute(query, (before,)):
        rows.setdefault(number, []).append(fid)
    others = [v for v in present if v.number in rows and v.number != visit.number]
    sums = {}
    for other in others:
        fids = np.array(rows[other.number])
        sums[other.number] = sum_after(db, other, fids, np.full(len(fids), after, object))
    db.execute(
        f"UPDATE soundings SET status = ? WHERE status = ? AND {IS_SUPERSEDED}", (after, before)
    )
    for other in others:
        write_sum(db, other, sums[other.number], [(before, after, len(rows[other.number]))])
    return sum(map(len, rows.values()))


def _words(parameters, who) -> str:
    who = " ".join(str(who).split())
    return json.dumps({**(parameters or {}), "who": who}, sort_keys=True, default=str)
