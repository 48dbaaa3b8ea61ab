"""A person decides on single soundings of a store: they are rejected, or accepted, whatever
cleaning said.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.geopackage import positions
from ..core.progress import Progress, silent
from ..core.soundings import Soundings
from ..core.visits.decisions import (
    ACCEPT_PINGS,
    CLEAR_PINGS,
    PING_DECISIONS,
    REJECT_PINGS,
    said_by_cleaning,
    same_rows,
    status_decided,
)
from ..core.visits.store_content import Logged, find_known
from .errors import absent
from .file import reading, writing
from .layout import DECISIONS, layout_of, log, now
from .rows import as_times, decoding, pages
from .summing import sum_after, write_sum
from .undoing import keep_for_undo
from .upgrading import prepared
from .visits import stoppable, stored_visits, update_extent

#: What was done, as the history names it.
REVIEWED = {
    REJECT_PINGS: "reviewed: rejected",
    ACCEPT_PINGS: "reviewed: accepted",
    CLEAR_PINGS: "reviewed: decision taken back",
}


@dataclass
class Decided:
    """What a decision did.

    Attributes
    ----------
    visits : dict of str to int
        On how many soundings was decided anew, by visit.
    changed : int
        How many of these have another status now.
    kept : int
        How many keep theirs, since something else keeps them from being mapped: a newer visit, a
        change of the bottom, or that their visit is switched off. The decision holds afterwards.
    unchanged : int
        Of how many the same was decided before.
    notes : list of str
        What the user should know.
    """

    visits: dict = field(default_factory=dict)
    changed: int = 0
    kept: int = 0
    unchanged: int = 0
    notes: list = field(default_factory=list)

    @property
    def decided(self) -> int:
        """On how many soundings was decided anew."""
        return sum(self.visits.values())


def decide(
    path,
    rows,
    decision: str,
    *,
    reason: str = "",
    who: str = "",
    parameters: dict | None = None,
    progress: Progress = silent,
) -> Decided:
    """Reject or accept soundings of a store, or go back to what cleaning said of them.

    Parameters
    ----------
    path : str or Path
    rows : array of int
        Numbers of the soundings: the ``fid`` of the table, or what :func:`find_rows` gave.
    decision : str
        One of :data:`.core.visits.decisions.PING_DECISIONS`.
    reason, who : str
        Kept with the decision and in the history; the status of a rejected sounding says the
        reason.
    parameters : dict, optional
        Kept in the history.
    progress : callable

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.remove`, and if the store does not have one of the rows. The store is
        as before then.
    """
    if decision not in PING_DECISIONS:
        raise LakefloorError(
            tr("Decision '{}' is unknown. Choose {}.").format(decision, ", ".join(PING_DECISIONS))
        )
    if not Path(path).is_file():
        raise absent(path)
    reason, who = " ".join(str(reason).split()), " ".join(str(who).split())
    words = json.dumps({**(parameters or {}), "reason": reason, "who": who}, sort_keys=True)
    done = Decided()
    with (
        prepared(path, progress, done.notes) as prepare,
        writing(path, None, progress, prepare) as db,
    ):
        visits = {visit.number: visit for visit in stored_visits(db)}
        _choose(db, rows, decision, reason, visits, done)
        progress(0.2)
        chosen = db.execute("SELECT visit_id, count(*) FROM chosen GROUP BY 1").fetchall()
        if not chosen:
            return done
        with stoppable(db, progress, 0.2):
            sums = {
                number: sum_after(db, visits[number], *_after(db, number)) for number, _ in chosen
            }
        progress(0.6)
        keep_for_undo(db)
        with stoppable(db, progress, 0.6):
            _write(db, decision, reason, who)
        progress(0.9)
        for number, count in chosen:
            visit = visits[number]
            statuses = db.execute(
                "SELECT status, after, count(*) FROM chosen WHERE visit_id = ? GROUP BY 1, 2",
                (number,),
            ).fetchall()
            write_sum(db, visit, sums[number], statuses)
            done.visits[visit.name] = count
            done.changed += sum(n for before, after, n in statuses if before != after)
            log(db, REVIEWED[decision], visit.name, count, visit.fingerprint, words)
        update_extent(db)
    return done


def _choose(db, rows, decision, reason, visits, done):
    """Make the table of the soundings on which is to be decided anew, with their status after."""
    rows = np.unique(np.asarray(rows, np.int64))
    db.execute("CREATE TEMP TABLE asked (fid INTEGER PRIMARY KEY)")
    db.executemany("INSERT INTO asked VALUES (?)", zip(rows.tolist()))
    off = {number for number, visit in visits.items() if not visit.on}
    # There are few statuses, and a row costs no call of Python once its status is known.
    db.create_function("said_by_cleaning", 1, lru_cache(said_by_cleaning))
    db.create_function(
        "status_after",
        3,
        lru_cache(
            lambda status, said, number: status_decided(
                decision, status, said, reason, number in off
            )
        ),
    )
    with decoding():
        db.execute(
            "CREATE TEMP TABLE chosen AS SELECT fid, visit_id, status, said, "
            "status_after(status, said, visit_id) AS after, known, same FROM ("
            "SELECT s.fid, s.visit_id, coalesce(s.status, 'accepted') AS status, "
            "coalesce(d.said, said_by_cleaning(coalesce(s.status, 'accepted'))) AS said, "
            "d.fid IS NOT NULL AS known, d.decision IS ? AND d.reason IS ? AS same "
            "FROM asked a JOIN soundings s ON s.fid = a.fid "
            "LEFT JOIN decisions d ON d.sounding = s.fid)",
            (decision, reason),
        )
    db.execute("CREATE UNIQUE INDEX temp.chosen_fid ON chosen (fid)")
    ((found,),) = db.execute("SELECT count(*) FROM chosen")
    if found < len(rows):
        raise LakefloorError(
            tr(
                "Soundings that are not in the lake database any more: {}. Read the soundings from "
                "the lake database again, then choose."
            ).format(len(rows) - found)
        )
    same = "NOT known" if decision == CLEAR_PINGS else "same"
    db.execute(f"DELETE FROM chosen WHERE {same} AND status = after")
    ((left,),) = db.execute("SELECT count(*) FROM chosen")
    done.unchanged = found - left
    ((done.kept,),) = db.execute("SELECT count(*) FROM chosen WHERE status = after")


def _after(db, number):
    """Return the chosen rows of a visit, in order, and their status after."""
    query = "SELECT fid, after FROM chosen WHERE visit_id = ? ORDER BY fid"
    fids, after = zip(*db.execute(query, (number,)))
    return np.array(fids, np.int64), np.array(after, object)


def _write(db, decision, reason, who):
    """Write what was decided on the chosen soundings, and their status."""
    db.execute("DELETE FROM decisions WHERE sounding IN (SELECT fid FROM chosen)")
    if decision != CLEAR_PINGS:
        db.execute(
            f"INSERT INTO decisions ({', '.join(DECISIONS)}) "
            "SELECT s.fid, s.geom, s.time, s.raw_depth_m, s.depth_m, ?, ?, ?, ?, c.said "
            "FROM chosen c JOIN soundings s ON s.fid = c.fid ORDER BY s.fid",
            (decision, reason, who, now()),
        )
    db.execute(
        "UPDATE soundings SET status = (SELECT after FROM chosen c WHERE c.fid = soundings.fid) "
        "WHERE fid IN (SELECT fid FROM chosen WHERE after != status)"
    )


# -- which soundings, and what was decided -----------------------------------------------------


def find_rows(path, soundings: Soundings, progress: Progress = silent) -> np.ndarray:
    """Find soundings in a store, of whatever layer they were read, by what was logged.

    Parameters
    ----------
    path : str or Path
    soundings : Soundings
        In the store's CRS.
    progress : callable

    Returns
    -------
    int array, shape (n,)
        Numbers of their rows, for :func:`decide`; -1 where the store has none.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.contents`.
    """
    with reading(path) as db:
        held = _logged_near(db, soundings, progress)
    row = same_rows(_key(soundings), _key(held))
    found = np.where(row >= 0, held.visit[row], -1) if len(held.visit) else row
    lost, free = np.flatnonzero(row < 0), np.setdiff1d(np.arange(len(held.visit)), row)
    if len(lost) and len(free):
        # Projected there and back, or written with fewer digits.
        rest = Logged(*(column[free] for column in held))
        found[lost] = find_known(soundings.select(lost), [rest]).visit
    return found


#: More soundings are found by reading the whole table.
_FEW = 20_000

#: The same ping lies within this, m.
_NEAR_M = 0.2


def _key(soundings):
    return soundings.time, soundings.raw_depth, soundings.x, soundings.y


def _logged_near(db, soundings, progress):
    """Return what a store holds at the places of soundings, by the numbers of rows."""
    query = "SELECT fid, geom, time, raw_depth_m, depth_m, visit_id FROM soundings"
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    if placed.all() and len(soundings) <= _FEW:
        db.execute("CREATE TEMP TABLE near (west REAL, south REAL, east REAL, north REAL)")
        boxes = [v for c in (-_NEAR_M, _NEAR_M) for v in (soundings.x + c, soundings.y + c)]
        db.executemany("INSERT INTO near VALUES (?, ?, ?, ?)", zip(*(b.tolist() for b in boxes)))
        query += (
            " WHERE fid IN (SELECT r.id FROM near n CROSS JOIN rtree_soundings_geom r WHERE "
            "r.maxx >= n.west AND r.minx <= n.east AND r.maxy >= n.south AND r.miny <= n.north)"
        )
    found = [_as_logged([])]
    for rows in pages(db.execute(f"{query} ORDER BY fid")):
        progress(0.0)
        found.append(_as_logged(rows))
    return Logged(*(np.concatenate(columns) for columns in zip(*found)))


def _as_logged(rows):
    with decoding():
        fid, geometry, time, raw, depth, outing = zip(*rows) if rows else [()] * 6
        return Logged(
            np.array(fid, np.int64),
            *positions(geometry),
            as_times(time),
            np.array(raw, float),
            np.array(depth, float),
            np.array(outing, np.int64),
            np.ones(len(rows), bool),
        )


class Decision(NamedTuple):
    """What was decided on a sounding.

    ``row`` is its number in the store, None where that does not have it at present; ``x`` and ``y``
    are m in the store's CRS; ``time`` is datetime64[ms], NaT where none was logged; ``decided`` is
    when, UTC; ``said`` is what cleaning said.
    """

    row: int | None
    visit: str | None
    x: float
    y: float
    time: np.datetime64
    raw_depth: float
    decision: str
    reason: str
    who: str
    decided: str
    said: str


def decisions(path) -> list:
    """Return what was decided on single soundings, a :class:`Decision` each, the oldest first."""
    with reading(path) as db:
        if layout_of(db) < 4:
            return []
        rows = db.execute(
            "SELECT d.sounding, s.visit, d.geom, d.time, d.raw_depth_m, d.decision, d.reason, "
            "d.who, d.decided, d.said FROM decisions d LEFT JOIN soundings s ON s.fid = d.sounding "
            "ORDER BY d.fid"
        ).fetchall()
    if not rows:
        return []
    with decoding():
        row, visit, geometry, time, *rest = zip(*rows)
        return [
            Decision(*values)
            for values in zip(row, visit, *positions(geometry), as_times(time), *rest)
        ]
