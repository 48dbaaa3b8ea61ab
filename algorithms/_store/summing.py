"""What the row of a visit says of its soundings is checked, and written anew after a change.

A checksum stands for each thousand soundings, so that a change of a few costs no more in a large
visit than in a small one.
"""

from __future__ import annotations

import numpy as np

from ..core.soundings import ACCEPTED
from ..core.visits.by_hand import REJECTED_BY_HAND, STATUS_KINDS, count_statuses, status_kind
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
    for block, _, page in _blocks(db, visit, rows):
        if visit.checksum is not None and checksum(page) != _piece(visit.checksum, block):
            raise damaged()


def sum_up(db, visit):
    """Write checksum and counts of a visit whose soundings got another status or name.

    What a person said that holds for good holds for these too.
    """
    _hold_to_decisions(db, visit)
    total, counts = [], dict.fromkeys(STATUS_KINDS, 0)
    for page, _ in read_pages(db, visit.number):
        total.append(checksum(page))
        for kind, count in count_statuses(page.status).items():
            counts[kind] += count
    db.execute("UPDATE visits SET checksum = ? WHERE fid = ?", ("".join(total), visit.number))
    write_counts(db, visit.number, counts)


def sum_after(db, visit, rows, after) -> str:
    """Return the checksum that a visit has after some soundings get another status.

    Parameters
    ----------
    visit : Visit
    rows : array of int, shape (n,)
        Numbers of these soundings, in order.
    after : array of str, shape (n,)
        Their status then.

    Raises
    ------
    DamagedError
        If they are not those that the row of the visit describes.
    """
    pieces = [_piece(visit.checksum, k) for k in range(len(visit.checksum) // 8)]
    for block, fids, page in _blocks(db, visit, rows):
        if block >= len(pieces) or checksum(page) != pieces[block]:
            raise damaged()
        here = slice(*np.searchsorted(rows, [fids[0], fids[-1] + 1]))
        status = page.status.copy()
        status[np.searchsorted(fids, rows[here])] = after[here]
        pieces[block] = checksum(page.replace(status=status))
    return "".join(pieces)


def write_sum(db, visit, total, statuses):
    """Write checksum and counts of a visit of which some soundings got another status.

    Parameters
    ----------
    visit : Visit
    total : str
        From :func:`sum_after`.
    statuses : iterable of (str, str, int)
        Status before, status now, and how many soundings.
    """
    more = dict.fromkeys(STATUS_KINDS, 0)
    for before, now, count in statuses:
        more[status_kind(before)] -= count
        more[status_kind(now)] += count
    names = ", ".join(f"{kind} = {kind} + ?" for kind in STATUS_KINDS)
    db.execute(
        f"UPDATE visits SET checksum = ?, {names} WHERE fid = ?",
        (total, *more.values(), visit.number),
    )


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


def _blocks(db, visit, rows):
    """Yield the thousands of a visit in which rows stand: their number, row numbers, soundings."""
    fids = _numbers(db, visit)
    at = np.unique(np.searchsorted(fids, np.asarray(rows, np.int64)) // CHECKSUM_ROWS)
    for block in at.tolist():
        within = fids[block * CHECKSUM_ROWS : (block + 1) * CHECKSUM_ROWS]
        pages = read_pages(db, visit.number, (int(within[0]), int(within[-1])))
        page, count = next(pages, (None, 0))
        if count != len(within):
            raise damaged()
        yield block, within, page


def _numbers(db, visit):
    """Return the row numbers of the soundings of a visit, in order."""
    rows = "FROM soundings WHERE visit_id = ?"
    first, last = db.execute(
        f"SELECT (SELECT min(fid) {rows}), (SELECT max(fid) {rows})", 2 * (visit.number,)
    ).fetchone()
    if first is None:
        raise damaged()
    if last - first + 1 == visit.soundings:
        return np.arange(first, last + 1)
    found = db.execute(f"SELECT fid {rows} ORDER BY fid", (visit.number,))
    return np.fromiter((fid for (fid,) in found), np.int64)
