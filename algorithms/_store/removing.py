"""Visits are removed from a store, and what they superseded is accepted again."""

from __future__ import annotations

import numpy as np

from ..core.geopackage import positions
from ..core.soundings import ACCEPTED, Soundings
from ..core.visits.by_hand import marked
from ..core.visits.store_visits import SUPERSEDED
from .by_hand import marks_of
from .layout import IS_SUPERSEDED, log
from .rows import as_times, decoding, delete_soundings
from .summing import check_held, sum_up
from .visits import stored_visits


def delete_visit(db, visit, parameters) -> int:
    """Delete a visit; return how many soundings that it had superseded are accepted again."""
    restored = accept_again(db, visit.name, parameters)
    delete_soundings(db, visit.number)
    db.execute("DELETE FROM visits WHERE fid = ?", (visit.number,))
    log(db, "removed", visit.name, visit.soundings, visit.fingerprint, parameters)
    return restored


def accept_again(db, name, parameters):
    """Accept the soundings again that a visit superseded; return their number."""
    values = ACCEPTED, f"{SUPERSEDED}{name}"
    touched = {
        number
        for (number,) in db.execute(
            f"SELECT DISTINCT visit_id FROM soundings WHERE status = ? AND {IS_SUPERSEDED}",
            values[1:],
        )
    }
    visits = [visit for visit in stored_visits(db) if visit.number in touched]
    for visit in visits:
        check_held(db, visit)
    changed = changed_by_hand(db, values[1], IS_SUPERSEDED)
    count = db.execute(
        f"UPDATE soundings SET status = ? WHERE status = ? AND {IS_SUPERSEDED}", values
    ).rowcount - len(changed)
    db.executemany("UPDATE soundings SET status = ? WHERE fid = ?", changed)
    for visit in visits:
        sum_up(db, visit)
    if count:
        log(db, "accepted again", name, count, None, parameters)
    return count


def changed_by_hand(db, status, where, values=()) -> list:
    """Return status and row of soundings that would be mapped but for a change that was marked.

    ``status`` is what they have now; ``where`` and its values say in SQL which of these are meant.
    """
    marks = marks_of(db)
    query = f"SELECT fid, geom, time FROM soundings WHERE status = ? AND {where}"
    rows = db.execute(query, (status, *values)).fetchall() if marks else []
    if not rows:
        return []
    with decoding():
        fids, geometry, time = zip(*rows)
        x, y = positions(geometry)
        soundings = Soundings.build(x, y, np.zeros(len(x)), time=as_times(time))
    after = marked(soundings, marks, np.ones(len(x), bool))
    return [(text, fid) for text, fid in zip(after, fids) if text != ACCEPTED]
