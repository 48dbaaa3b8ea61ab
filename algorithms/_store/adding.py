"""Visits enter a store."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from .._i18n import tr
from ..core.correcting.datums import datum_words
from ..core.days import longitude
from ..core.errors import LakefloorError, excerpt
from ..core.progress import Progress, silent, span
from ..core.soundings import Soundings, concatenate, each_visit
from ..core.track import in_logged_order
from ..core.visits.bottom_change import ChangeTest
from ..core.visits.log_book import VisitFacts, facts_of
from ..core.visits.store_visits import (
    entering,
    first_day,
    free_name,
    order_of_entering,
    resumes,
    twin_of,
    visit_continued,
    visits_by_datum,
    visits_replaced,
)
from .by_hand import as_by_hand, as_decided, say_removed, with_changes, without_removed
from .comparing import compare_bottom
from .copies_of_logs import known_beside_copies
from .file import writing
from .layout import log
from .new_file import crs_of, same_crs
from .removing import accept_again
from .rows import delete_soundings
from .undoing import keep_for_undo
from .upgrading import prepared
from .visits import (
    enter,
    facts_held,
    new_visit,
    parts,
    stored_visits,
    times_of,
    update_extent,
    write_facts,
)


@dataclass
class Added:
    """What adding did.

    Attributes
    ----------
    visits : list of str
        Names under which soundings entered.
    added, already_there, removed, superseded, restored : int
        Soundings.
    changes : list of (str, str, BottomChange)
        Older visit, newer visit, and how the bottom differs between them.
    patches : list of (str, ChangedPatches)
        Newer visit, and the connected patches in which the bottom has changed by then.
    trends : list of (str, SlowTrend)
        Newest visit, and how part of the bottom has changed slowly over the visits up to it.
    notes : list of str
        What the user should know, in plain words.
    """

    visits: list = field(default_factory=list)
    added: int = 0
    already_there: int = 0
    removed: int = 0
    superseded: int = 0
    restored: int = 0
    changes: list = field(default_factory=list)
    patches: list = field(default_factory=list)
    trends: list = field(default_factory=list)
    notes: list = field(default_factory=list)


def add(
    path,
    soundings: Soundings,
    crs: str,
    *,
    mode: str = "add",
    joins: bool = True,
    newer_wins: bool = False,
    change: ChangeTest | None = None,
    parameters: dict | None = None,
    facts: dict | None = None,
    before_commit=None,
    progress: Progress = silent,
) -> Added:
    """Add visits to a store, which is made where it is absent.

    Parameters
    ----------
    path : str or Path
        GeoPackage (.gpkg).
    soundings : Soundings
        One visit or several, in the store's CRS, all at its datum. Whatever the order of their
        rows, they enter in the order of :func:`.core.track.logged_order`.
    crs : str
        Authority code or WKT; that of a new store.
    mode : str
        ``add``: soundings that are there already change nothing, others enter. ``replace``: a
        visit that is there already, as told by what was logged, is exchanged.
    joins : bool
        Whether soundings that go on with a visit of their name, on its day or after a pause as
        :data:`.core.days.VISIT_BREAK_H` allows, enter into it; otherwise as a visit of their own.
    newer_wins : bool
        Where the bottom has changed, older soundings get the status ``superseded by`` the newer
        visit. Otherwise change is only reported.
    change : ChangeTest, optional
        When the bottom counts as changed.
    parameters : dict, optional
        Kept in the store beside the visit and in the history.
    facts : dict of str to VisitFacts, optional
        What the log-book is to say of each visit, by its name in ``soundings``. What follows from
        the corrections of its soundings need not be given.
    before_commit : callable, optional
        Takes what was done, :class:`Added`; if it raises, nothing has changed.
    progress : callable
        May raise to stop; nothing has changed then.

    Returns
    -------
    Added

    Raises
    ------
    LakefloorError
        If the file is no store, damaged, read-only or locked, the disk is full, the datum is
        not that of the store, or a visit is ambiguous. The store is as before then.
    """
    if len(soundings) == 0:
        raise LakefloorError(
            tr("There are no soundings to add. Choose a layer that has soundings.")
        )
    if mode not in ("add", "replace"):
        raise LakefloorError(tr("Mode '{}' is unknown. Choose add or replace.").format(mode))
    soundings, done = in_logged_order(soundings), Added()
    parameters = json.dumps(parameters or {}, sort_keys=True, default=str)
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, crs, progress, prepare) as db,
    ):
        if not same_crs(crs_of(db), crs):
            raise LakefloorError(
                tr(
                    "The soundings are in {}, but the lake database is in {}. Reproject the "
                    "soundings, then run again."
                ).format(crs, crs_of(db))
            )
        take_in = _replace if mode == "replace" else partial(_add, joins=joins)
        touched = set()
        for name, part, step in _visits_of(soundings, crs, span(progress, 0.0, 0.7)):
            present = set() if newer_wins else {v.name for v in stored_visits(db)}
            told = (facts or {}).get(str(part.visit[0]), VisitFacts())
            part = entering(part, present)
            touched.add(take_in(db, name, part, told, parameters, done, step))
        touched.discard(None)
        _refuse_other_datum(db, path)
        compare_bottom(
            db,
            touched,
            newer_wins,
            change or ChangeTest(),
            parameters,
            done,
            span(progress, 0.7, 0.95),
        )
        if touched:
            update_extent(db)
        if before_commit is not None:
            before_commit(done)
    return done


def _visits_of(soundings, crs, progress):
    """Yield the visits in the order in which they enter: name, soundings, progress."""
    visits = sorted(each_visit(soundings), key=lambda v: order_of_entering(soundings.time[v[1]]))
    for k, (name, rows) in enumerate(visits):
        part = soundings.select(rows)
        step = span(progress, k / len(visits), (k + 1) / len(visits))
        yield name.strip() or first_day(part, crs) or tr("unnamed"), part, step


def _add(db, name, part, facts, parameters, done, progress, joins=True):
    """Enter what is not there yet; return the number of the visit that grew, or None."""
    stored, known = known_beside_copies(db, part, name, parameters, done, progress)
    shared = known.counts()
    done.already_there += int(known.there.sum())
    if known.there.any():
        where = ", ".join(f"'{excerpt(v.name)}'" for v in stored if v.number in shared)
        done.notes.append(
            tr(
                "Visit '{}': {} of {} soundings are already in the lake database, in visit {}."
            ).format(name, int(known.there.sum()), len(part), where)
        )
        other = known.there & ~known.copied & (np.abs(part.depth - known.depth) > 5e-4)
        if other.any():
            done.notes.append(
                tr(
                    "Of these, the lake database has other depths for {}. To take the new depths, "
                    "choose 'replace'."
                ).format(int(other.sum()))
            )
        _say_uneven(name, part, known, other, done)
    if known.there.all():
        return None
    fresh, host = part.select(~known.there), visit_continued(stored, known, len(part))
    if host is None:
        _refuse_twin(stored, name, fresh)
        host = _resumed(db, stored, name, fresh, facts) if joins else None
    if host is not None or not joins:
        fresh = without_removed(db, host and host.name, fresh, done)
        if not len(fresh):
            return None
    keep_for_undo(db)
    fresh = with_changes(db, as_decided(db, fresh, done), done)
    if host is not None:
        _extend(db, host, fresh, facts, parameters, done, progress)
        name, number = host.name, host.number
    else:
        name, number = _enter_new(db, stored, name, fresh, facts, parameters, done, progress)
    done.visits.append(name)
    done.added += len(fresh)
    return number


def _say_uneven(name, part, known, other, done):
    """Warn where the rest of a visit enters with depths that are corrected in another way."""
    if known.there.all() or 2 * other.sum() < known.there.sum():
        return
    step = float(np.median((part.depth - known.depth)[other]))
    done.notes.append(
        tr(
            "The rest of visit '{}' enters with its own depths, which differ by {:+.3f} m in level "
            "or corrections from those already there. To make the visit one again, choose "
            "'replace'."
        ).format(name, step)
    )


def _resumed(db, stored, name, part, facts):
    """Return the visit of that name that soundings go on with after a pause, or None."""
    host = next((v for v in stored if v.name == name), None)
    if host is None or host.without_time:
        return None
    if facts_held(db, host.number).contradicts(facts_of(part).updated(facts)):
        return None
    lon = longitude(part.x, part.y, crs_of(db))
    return host if resumes(times_of(db, host), part.time, part.corrections, lon) else None


def _extend(db, host, fresh, facts, parameters, done, progress):
    """Enter soundings into a visit that is there, in the order in which they were logged."""
    earlier = concatenate(s for s, _ in parts(db, host))
    same = fresh.replace(visit=np.full(len(fresh), host.name, object))
    merged = in_logged_order(concatenate([earlier, same]))
    delete_soundings(db, host.number)
    mark = enter(db, host.number, host.name, merged, parameters, progress)
    held = facts_held(db, host.number)
    write_facts(db, host.number, held.remeasured(facts_of(merged)).extended(facts))
    log(db, "extended", host.name, len(fresh), mark, parameters)
    done.notes.append(
        tr("Soundings added to visit '{}' of the lake database: {}.").format(host.name, len(fresh))
    )


def _enter_new(db, stored, name, fresh, facts, parameters, done, progress):
    """Enter soundings as a visit of its own; return its name and number."""
    free = free_name(stored, name)
    if free != name:
        done.notes.append(
            tr(
                "Visit '{}' of the lake database has other soundings. The new ones enter as '{}'."
            ).format(name, free)
        )
    number = new_visit(db, free)
    mark = enter(db, number, free, fresh, parameters, progress)
    write_facts(db, number, facts_of(fresh).updated(facts))
    log(db, "added", free, len(fresh), mark, parameters)
    return free, number


def _replace(db, name, part, facts, parameters, done, progress):
    """Exchange the visits that hold what this one logged; return its number."""
    stored, known = known_beside_copies(db, part, name, parameters, done, progress)
    if known.copied.any():
        return _add(db, name, part, facts, parameters, done, progress)
    matched = visits_replaced(stored, known, part)
    if not matched:
        if name in {v.name for v in stored}:
            raise LakefloorError(
                tr(
                    "Visit '{}' of the lake database has other soundings than these. Add these "
                    "under another name, or remove that visit first."
                ).format(name)
            )
        done.notes.append(tr("Visit '{}' was not in the lake database and is added.").format(name))
        return _add(db, name, part, facts, parameters, done, progress)
    numbers = {v.number for v in matched}
    elsewhere = known.there & ~np.isin(known.visit, list(numbers))
    done.already_there += int(elsewhere.sum())
    part = part.select(~elsewhere)
    kept = next((v for v in matched if v.name == name), matched[0])
    matched.sort(key=lambda v: v is not kept)
    keep_for_undo(db)
    part = with_changes(db, as_by_hand(db, matched, part, done, progress), done)
    told = VisitFacts()
    for visit in reversed(matched):
        told = told.updated(facts_held(db, visit.number).told())
        say_removed(db, visit.name, part, done)
    for visit in matched:
        done.restored += accept_again(db, visit.name, parameters)
        done.removed += visit.soundings
        delete_soundings(db, visit.number)
        log(db, "replaced", visit.name, visit.soundings, visit.fingerprint, parameters)
        if visit is not kept:
            db.execute("DELETE FROM visits WHERE fid = ?", (visit.number,))
        done.notes.append(
            tr("Visit '{}' (soundings: {}) is replaced by '{}' (soundings: {}).").format(
                visit.name, visit.soundings, kept.name, len(part)
            )
        )
    if kept.name != name:
        done.notes.append(
            tr("Visit '{}' is visit '{}' of the lake database and keeps that name.").format(
                name, kept.name
            )
        )
    mark = enter(db, kept.number, kept.name, part, parameters, progress)
    write_facts(db, kept.number, told.updated(facts_of(part)).updated(facts))
    log(db, "added", kept.name, len(part), mark, parameters)
    done.visits.append(kept.name)
    done.added += len(part)
    return kept.number


def _refuse_twin(stored, name, part):
    """Refuse a log whose depths are in the store, but at other times or places."""
    twin = twin_of(stored, part)
    if twin is not None:
        raise LakefloorError(
            tr(
                "Visit '{}' has the depths of visit '{}' of the lake database, at other times or "
                "places. The log was probably read with another time zone or CRS. To take the new "
                "reading, choose 'replace'."
            ).format(name, twin.name)
        )


def _refuse_other_datum(db, path):
    by_datum = visits_by_datum(stored_visits(db))
    if len(by_datum) < 2:
        return
    parts = []
    for datum, names in by_datum.items():
        what = tr("not reduced to a datum") if datum is None else datum_words(datum)
        shown = ", ".join(f"'{excerpt(name)}'" for name in names[:5])
        parts.append(f"{shown}{' ...' if len(names) > 5 else ''}: {what}")
    raise LakefloorError(
        tr(
            "A lake database has one datum, but with these soundings '{}' would have several: {}. "
            "Nothing was added. Reduce the soundings to the datum of the database, then run again."
        ).format(Path(path).name, "; ".join(parts))
    )
