"""What the row of a visit says of its soundings is checked, and written anew after a change.

A checksum stands for each thousand soundings, so that a change of a few costs no more in a large
visit than in a small one.
"""

from __future__ import annotations

import numpy as np

from ..core.soundings import ACCEPTED
from ..core.visits.by_hand import KINDS, REJECTED_BY_HAND, count_statuses, kind_of
from ..core.visits.decisions import NO_REASON, REJECT_PINGS
from ..core.visits.store_visits import CHECKSUM_ROWS, SWITCHED_OFF, checksum
from .errors import damaged
from .rows import read_pages
from .visits import parts, write_counts


def check_held(db, visit, rows=None):
    """Refuse a visit whose soundings are not those that its row describes.

    To be asked before :func:`sum_up`, or what is damaged would be taken for right. With ``rows``,
    numbers of some of its soundings, only these are looked at.
    """
    if rows is None:
        for _ in parts(db, visit):
            pass
        return
    for block, page in _blocks(db, visit.number, rows):
        if visit.checksum is not None and checksum(page) != _piece(visit.checksum, block):
            raise damaged()


def sum_up(db, visit):
    """Write checksum and counts of a visit whose soundings got another status or name.

    What a person said that holds for good holds for these too.
    """
    _hold_to_decisions(db, visit)
    total, counts = [], dict.fromkeys(KINDS, 0)
    for page, _ in read_pages(db, visit.number):
        total.append(checksum(page))
        for kind, count in count_statuses(page.status).items():
            counts[kind] += count
    db.execute("UPDATE visits SET checksum = ? WHERE fid = ?", ("".join(total), visit.number))
    write_counts(db, visit.number, counts)


def sum_up_rows(db, visit, rows, statuses):
    """Write checksum and counts of a visit of which some soundings got another status.

    Parameters
    ----------
    visit : Visit
    rows : array of int
        Numbers of these soundings.
    statuses : iterable of (str, str, int)
        Status before, status now, and how many soundings.
    """
    (total,) = db.execute("SELECT checksum FROM visits WHERE fid = ?", (visit.number,)).fetchone()
    pieces = [total[start : start + 8] for start in range(0, len(total), 8)]
    for block, page in _blocks(db, visit.number, rows):
        pieces[block] = checksum(page)
    db.execute("UPDATE visits SET checksum = ? WHERE fid = ?", ("".join(pieces), visit.number))
    more = dict.fromkeys(KINDS, 0)
    for before, now, count in statuses:
        more[kind_of(before)] -= count
        more[kind_of(now)] += count
    names = ", ".join(f"{kind} = {kind} + ?" for kind in KINDS)
    db.execute(f"UPDATE visits SET {names} WHERE fid = ?", (*more.values(), visit.number))


def _hold_to_decisions(db, visit):
    """Reject what a person rejected by the ping, and map nothing of a visit that is off."""
    db.execute(
        "UPDATE soundings SET status = (SELECT ? || coalesce(nullif(d.reason, ''), ?) "
        "FROM decisions d WHERE d.sounding = soundings.fid) "
        "WHERE +visit_id = ? AND status = ? AND fid IN "
        "(SELECT sounding FROM decisions WHERE decision = ?)",
        (REJECTED_BY_HAND, NO_REASON, visit.number, ACCEPTED, REJECT_PINGS),
    )
    if not visit.on:
        db.execute(
            "UPDATE soundings SET status = ? WHERE visit_id = ? AND status = ?",
            (SWITCHED_OFF, visit.number, ACCEPTED),
        )


def _piece(total, block):
    return total[8 * block : 8 * (block + 1)]


def _blocks(db, number, rows):
    """Yield the number and the soundings of each thousand of a visit in which rows stand."""
    fids = _numbers(db, number)
    at = np.unique(np.searchsorted(fids, np.asarray(rows, np.int64)) // CHECKSUM_ROWS)
    for block in at.tolist():
        within = fids[block * CHECKSUM_ROWS : (block + 1) * CHECKSUM_ROWS]
        for page, _ in read_pages(db, number, (int(within[0]), int(within[-1]))):
            yield block, page


def _numbers(db, number):
    """Return the row numbers of the soundings of a visit, in order."""
    first, last, count = db.execute(
        "SELECT min(fid), max(fid), count(*) FROM soundings WHERE visit_id = ?", (number,)
    ).fetchone()
    if not count:
        raise damaged()
    if last - first + 1 == count:
        return np.arange(first, last + 1)
    query = "SELECT fid FROM soundings WHERE visit_id = ? ORDER BY fid"
    return np.fromiter((fid for (fid,) in db.execute(query, (number,))), np.int64, count)
