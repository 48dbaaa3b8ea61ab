"""Parts of visits are set aside in a store by a person, or accepted again."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .._i18n import tr
from ..core.geopackage import positions
from ..core.progress import Progress, silent
from ..core.soundings import ACCEPTED, concatenate
from ..core.visits.by_hand import (
    HOLD_BACK,
    MARK_CHANGED,
    REJECT,
    REMOVE,
    VisitPart,
    concerned,
    status_after,
)
from ..core.visits.decisions import REJECT_PINGS
from ..core.visits.store_visits import SUPERSEDED, SWITCHED_OFF
from .errors import absent
from .file import writing
from .layout import IS_SUPERSEDED, log
from .removing import delete_visit
from .rows import as_times, decoding, pages, read_pages
from .summing import check_held, sum_up
from .undoing import keep_for_undo
from .upgrading import prepared
from .visits import describe, stored_visits, update_extent, visit_named


@dataclass
class SetAside:
    """What setting aside did.

    Attributes
    ----------
    visits : dict of str to int
        Number of soundings that were changed, by visit.
    restored : int
        Soundings accepted again since the visit that had superseded them is gone.
    remembered : bool
        Whether a change of the bottom concerns none yet, but will what is added later.
    notes : list of str
        What the user should know.
    """

    visits: dict = field(default_factory=dict)
    restored: int = 0
    remembered: bool = False
    notes: list = field(default_factory=list)

    @property
    def changed(self) -> int:
        """Number of soundings of all visits that were changed."""
        return sum(self.visits.values())


def set_aside(
    path,
    part: VisitPart,
    action: str,
    *,
    visits: list | None = None,
    words: str = "",
    parameters: dict | None = None,
    progress: Progress = silent,
) -> SetAside:
    """Set soundings of a store aside, remove them, or accept them again.

    Parameters
    ----------
    path : str or Path
    part : VisitPart
        Where and when.
    action : str
        One of :mod:`.core.visits.by_hand`.
    visits : list of str, optional
        Names; all by default.
    words : str
        The reason, or the day of a change of the bottom, which the status then says.
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.remove`. The store is as before then.
    """
    if not Path(path).is_file():
        raise absent(path)
    kept = {**(parameters or {}), "part": part.written(), "words": words, "visits": visits}
    done = SetAside()
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, None, progress, prepare) as db,
    ):
        present = stored_visits(db)
        if visits is not None:
            names = {visit_named(present, name, path).name for name in visits}
            present = [visit for visit in present if visit.name in names]
        present = [visit for visit in present if _may_hold(part, visit)]
        status = status_after(action, words)
        for k, visit in enumerate(present):
            progress(0.9 * k / len(present))
            rows = _rows_in(db, visit, part, action, words)
            if not rows:
                continue
            check_held(db, visit)
            keep_for_undo(db)
            if action == REMOVE:
                done.restored += _delete(db, visit, rows, kept)
            else:
                _mark(db, visit, rows, status)
                log(db, action, visit.name, len(rows), visit.fingerprint, _text(kept))
            done.visits[visit.name] = len(rows)
        if not done.visits and action == MARK_CHANGED and visits is None:
            # It holds for what is added later.
            keep_for_undo(db)
            log(db, action, None, 0, None, _text(kept))
            done.remembered = True
        if done.visits or done.remembered:
            update_extent(db)
        _say_still_superseded(db, part, action, done)
    return done


def _may_hold(part, visit):
    timed = visit.spans(part.start, part.stop) or (part.untimed and visit.without_time)
    return visit.meets(part.box) and timed


def _rows_in(db, visit, part, action, words) -> list:
    """Return the numbers of the rows of a visit that an action on a part changes."""
    found, status = [], status_after(action, words)
    query = "SELECT fid, geom, time, status FROM soundings WHERE visit_id = ? ORDER BY fid"
    for rows in pages(db.execute(query, (visit.number,))):
        with decoding():
            fids, geometry, time, text = zip(*rows)
            x, y = positions(geometry)
            before = np.array([t if t is not None else ACCEPTED for t in text], object)
            wanted = part.holds(x, y, as_times(time)) & concerned(action, before, words)
        if action != REMOVE:
            wanted &= before != status
        if status == ACCEPTED and not visit.on:
            wanted &= before != SWITCHED_OFF
        found += np.array(fids)[wanted].tolist()
    return found


def _say_still_superseded(db, part, action, done):
    """Note how many older soundings stay superseded by soundings that are not mapped any more."""
    if action not in (HOLD_BACK, REJECT, REMOVE):
        return
    query = f"SELECT geom FROM soundings WHERE status = ? AND {IS_SUPERSEDED}"
    for name in done.visits:
        rows = db.execute(query, (f"{SUPERSEDED}{name}",)).fetchall()
        if not rows:
            continue
        with decoding():
            x, y = positions([geometry for (geometry,) in rows])
        anytime = np.full(len(rows), np.datetime64("NaT", "ms"))
        count = int(VisitPart(part.area).holds(x, y, anytime).sum())
        if count:
            done.notes.append(
                tr(
                    "Soundings that visit '{}' superseded there are still not mapped: {}. To map "
                    "them, run again with 'accept superseded'."
                ).format(name, count)
            )


def _mark(db, visit, rows, status):
    """Give rows of a visit another status, which holds instead of a rejection of single ones."""
    db.executemany(
        "DELETE FROM decisions WHERE sounding = ? AND decision = ?",
        ((fid, REJECT_PINGS) for fid in rows),
    )
    db.executemany("UPDATE soundings SET status = ? WHERE fid = ?", ((status, fid) for fid in rows))
    sum_up(db, visit)


def _delete(db, visit, rows, parameters) -> int:
    """Delete rows of a visit; return how many that it had superseded are accepted again."""
    if len(rows) == visit.soundings:
        return delete_visit(db, visit, _text(parameters))
    first, last = _times_of_rows(db, rows)
    words = _text({**parameters, "logged_from": first, "logged_to": last})
    log(db, REMOVE, visit.name, len(rows), visit.fingerprint, words)
    db.executemany("DELETE FROM soundings WHERE fid = ?", ((fid,) for fid in rows))
    rest = concatenate(page for page, _ in read_pages(db, visit.number))
    added = db.execute("SELECT added, parameters FROM visits WHERE fid = ?", (visit.number,))
    describe(db, visit.number, visit.name, rest, *added.fetchone())
    return 0


def _times_of_rows(db, rows):
    """Return when the first and the last of rows were logged, as texts, None without times."""
    query = "SELECT time FROM soundings WHERE fid = ?"
    with decoding():
        times = as_times([db.execute(query, (fid,)).fetchone()[0] for fid in rows])
    times = times[~np.isnat(times)]
    return (str(times.min()), str(times.max())) if times.size else (None, None)


def _text(parameters) -> str:
    return json.dumps(parameters, sort_keys=True, default=str)
