"""The log-book of a store: what it says of its visits, and corrections of that."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from ..core.days import local_offsets_h, longitude
from ..core.progress import Progress, silent
from ..core.visits.by_hand import STATUS_KINDS
from ..core.visits.log_book import VisitFacts
from ..core.visits.store_visits import Visit
from .errors import absent
from .file import reading, writing
from .layout import HISTORY, layout_of, log, stamp
from .new_file import crs_of
from .rows import decoding
from .undoing import keep_for_undo
from .upgrading import prepared
from .visits import (
    counts_found,
    facts_found,
    facts_held,
    stored_visits,
    verify_counts,
    visit_named,
    write_facts,
)


@dataclass(frozen=True)
class Entry:
    """A visit in the log-book.

    Attributes
    ----------
    visit : Visit
    facts : VisitFacts
    counts : dict of str to int
        Soundings by what became of them: ``accepted``, ``held_back``, ``superseded`` by a newer
        visit or a marked change of the bottom, ``rejected`` by cleaning or by hand.
    days : list of str
        At the lake, in order.
    added : str
        When the visit was entered, UTC.
    """

    visit: Visit
    facts: VisitFacts
    counts: dict
    days: list
    added: str | None


def log_book(path, progress: Progress = silent) -> list:
    """Return the log-book of a store, an :class:`Entry` a visit, in order of time.

    Of a store of an earlier layout, it says what the corrections of the soundings say.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.contents`.
    """
    with reading(path) as db:
        visits = stored_visits(db)
        verify_counts(db, visits)
        code, counts, entries = crs_of(db), counts_found(db), []
        added = dict(db.execute("SELECT fid, added FROM visits"))
        facts = facts_held if layout_of(db) > 2 else facts_found
        for k, visit in enumerate(visits):
            progress(k / len(visits))
            entries.append(
                Entry(
                    visit,
                    facts(db, visit.number),
                    counts.get(visit.number, dict.fromkeys(STATUS_KINDS, 0)),
                    _days(db, visit, code),
                    added[visit.number],
                )
            )
        return entries


def beam_widths(path) -> dict:
    """Return the beam width in degrees by name of visit, of those whose log-book states one."""
    with reading(path) as db:
        if layout_of(db) < 3:
            return {}
        return dict(
            db.execute("SELECT visit, beam_deg FROM visits WHERE beam_deg IS NOT NULL").fetchall()
        )


def _days(db, visit, code):
    """Return the days at the lake on which a visit was logged."""
    (said,) = db.execute(
        "SELECT corrections FROM soundings WHERE visit_id = ? LIMIT 1", (visit.number,)
    ).fetchone() or ("",)
    box = visit.box or ()
    with decoding():
        (hours,) = local_offsets_h([str(said or "")], longitude(box[::2], box[1::2], code))
        rows = db.execute(
            "SELECT DISTINCT date(time, ?) FROM soundings WHERE visit_id = ? "
            "AND time IS NOT NULL ORDER BY 1",
            (f"{3600 * float(hours):+.0f} seconds", visit.number),
        ).fetchall()
        return [str(day) for (day,) in rows]


def history(path) -> list:
    """Return the history of a store, a list of values a row: all that was ever done to it."""
    with reading(path) as db:
        return db.execute(f"SELECT {', '.join(HISTORY)} FROM history ORDER BY fid").fetchall()


def edit_log_book(
    path,
    names: list,
    facts: VisitFacts,
    *,
    empty: tuple = (),
    parameters: dict | None = None,
    progress: Progress = silent,
) -> tuple:
    """Correct what the log-book says of visits.

    Parameters
    ----------
    path : str or Path
    names : list of str
        Of the visits.
    facts : VisitFacts
        What is to be said; what is None stays as it is.
    empty : tuple of str
        Names of the facts of which nothing is to be said any more.
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Returns
    -------
    edited : list of str
        Names of the visits of which it says something else now.
    notes : list of str
        What the user should know.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.remove`.
    """
    if not Path(path).is_file():
        raise absent(path)
    edited, notes = [], []
    with prepared(path, progress, notes) as prepare, writing(path, None, progress, prepare) as db:
        present = stored_visits(db)
        chosen = [visit_named(present, name, path) for name in dict.fromkeys(names)]
        for k, visit in enumerate(chosen):
            progress(k / len(chosen))
            before = facts_held(db, visit.number)
            emptied = VisitFacts(**{**asdict(before), **{n: _NOTHING[n] for n in empty}})
            after = emptied.updated(facts)
            if after == before:
                continue
            keep_for_undo(db)
            write_facts(db, visit.number, after)
            changes = {
                key: [value, asdict(after)[key]]
                for key, value in asdict(before).items()
                if asdict(after)[key] != value
            }
            words = json.dumps({**(parameters or {}), **changes}, sort_keys=True, default=str)
            log(db, "edited", visit.name, None, None, words)
            stamp(db)
            edited.append(visit.name)
    return edited, notes


_NOTHING = asdict(VisitFacts())
