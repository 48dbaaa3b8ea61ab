"""Visits of a store: rows of its table, and the soundings of each."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from .._i18n import tr
from ..core.correcting.datums import datum_of
from ..core.errors import LakefloorError, excerpt
from ..core.geopackage import positions, time_texts
from ..core.rtree_nodes import finds_all
from ..core.soundings import ACCEPTED, concatenate
from ..core.visits.by_hand import count_statuses, status_kind
from ..core.visits.log_book import VisitFacts, facts_from
from ..core.visits.store_content import Logged, fingerprint
from ..core.visits.store_visits import (
    CHECKSUM_ROWS,
    SUPERSEDED,
    SWITCHED_OFF,
    Visit,
    box_of,
    checksum,
    near,
)
from .errors import damaged
from .layout import (
    COUNTS,
    DESCRIPTION,
    IS_SUPERSEDED,
    LOG_BOOK,
    layout_of,
    now,
    provenance_of,
    stamp,
)
from .linking import link_decisions
from .rows import BATCH, as_times, blocks_in, decoding, insert_soundings, pages, read_pages


def stored_visits(db):
    """Return the visits in order of time; those without time come first."""
    layout = layout_of(db)
    sums = layout > 1 and provenance_of(db)[1]
    rows = db.execute(
        "SELECT fid, visit, fingerprint, soundings, without_time, time_from, time_to, west, south, "
        f"east, north, datum, datum_elev_m, {'checksum' if sums else 'NULL'}, "
        f"{'off_since IS NULL' if layout > 3 else '1'} FROM visits"
    ).fetchall()
    with decoding():
        visits = [_visit(*row) for row in rows]
        if any(sums and v.checksum is None for v in visits):
            raise ValueError("no checksum")
    return sorted(visits, key=lambda v: (v.start.astype(np.int64), v.number))


def _visit(fid, name, mark, count, without, start, stop, *place):
    (west, south, east, north), (datum, elevation, checksum, on) = place[:4], place[4:]
    for text in (name, mark):
        if not isinstance(text, str):
            raise TypeError("no text")
    if not 0 <= without <= count:
        raise ValueError("counts")
    box = None if west is None else tuple(float(v) for v in (west, south, east, north))
    # A datum that is the water of a day stands at a height that nobody knows.
    height = None if elevation is None else float(elevation)
    return Visit(
        fid,
        name,
        mark,
        int(count),
        int(without),
        *as_times([start, stop]),
        box,
        None if datum is None else (str(datum), height),
        checksum,
        bool(on),
    )


def new_visit(db, name) -> int:
    """Make the row of a visit; return its number."""
    return db.execute("INSERT INTO visits (visit) VALUES (?)", (name,)).lastrowid


def enter(db, number, name, part, parameters, progress):
    """Write the soundings of a visit and its row; return the fingerprint."""
    part = part.replace(visit=np.full(len(part), name, object))
    (off,) = db.execute("SELECT off_since FROM visits WHERE fid = ?", (number,)).fetchone()
    if off is not None:
        mapped = part.status == ACCEPTED
        part = part.replace(status=np.where(mapped, SWITCHED_OFF, part.status).astype(object))
    first = insert_soundings(db, part, number, progress)
    link_decisions(db, part, first)
    return describe(db, number, name, part, now(), parameters)


def describe(db, number, name, part, added, parameters):
    """Write what the row of a visit says of its soundings; return the fingerprint."""
    mark = fingerprint(part.time, part.raw_depth)
    timed = part.time[~np.isnat(part.time)]
    box = box_of(part) or [None] * 4
    datum = datum_of(part) or (None, None)
    values = (
        name,
        mark,
        len(part),
        len(part) - timed.size,
        *time_texts(
            np.array([timed.min(), timed.max()])
            if timed.size
            else np.full(2, np.datetime64("NaT", "ms"))
        ),
        *box,
        *datum,
        added,
        parameters,
        checksum(part),
    )
    names = ", ".join(f"{column} = ?" for column in DESCRIPTION)
    db.execute(f"UPDATE visits SET {names} WHERE fid = ?", (*values, number))
    write_counts(db, number, count_statuses(part.status))
    return mark


def write_counts(db, number, counts):
    """Write how many soundings of a visit are mapped, and why the others are not."""
    names = ", ".join(f"{column} = ?" for column in COUNTS)
    db.execute(f"UPDATE visits SET {names} WHERE fid = ?", (*counts.values(), number))


def counts_found(db) -> dict:
    """Return by the number of each visit how many of its soundings there are of each kind."""
    found = {}
    query = "SELECT visit_id, coalesce(status, ?), count(*) FROM soundings GROUP BY 1, 2"
    for number, status, count in db.execute(query, (ACCEPTED,)):
        kinds = found.setdefault(number, dict.fromkeys(COUNTS, 0))
        kinds[status_kind(str(status))] += count
    return found


def take_over(db, progress):
    """Describe all visits as they are, after another program has edited the store."""
    ((lost,),) = db.execute(
        "SELECT count(*) FROM soundings WHERE visit_id IS NULL "
        "OR visit_id NOT IN (SELECT fid FROM visits)"
    )
    if lost:
        raise LakefloorError(
            tr(
                "Rows of the lake database's table 'soundings' whose visit_id is in no row of table "
                "'visits': {}. Delete them there, or give them the fid of their visit, then run "
                "again."
            ).format(lost)
        )
    rows = db.execute("SELECT fid, visit, added, parameters FROM visits").fetchall()
    _rename(db, {number: name for number, name, *_ in rows})
    for number, name, added, parameters in rows:
        progress(0.0)
        held = [page for page, _ in read_pages(db, number)]
        if not held:
            db.execute("DELETE FROM visits WHERE fid = ?", (number,))
            continue
        if not isinstance(name, str):
            raise damaged()
        whole = concatenate(held)
        whole = whole.replace(visit=np.full(len(whole), name, object))
        describe(db, number, name, whole, added, parameters)
    stamp(db)


def _rename(db, names):
    """Give soundings the names that another program gave to their visits, in their status too."""
    for number, name in names.items():
        before = db.execute(
            "SELECT DISTINCT visit FROM soundings WHERE visit_id = ? AND visit IS NOT ?",
            (number, name),
        ).fetchall()
        for (old,) in before:
            if old is not None and old not in names.values():
                db.execute(
                    f"UPDATE soundings SET status = ? WHERE status = ? AND {IS_SUPERSEDED}",
                    (f"{SUPERSEDED}{name}", f"{SUPERSEDED}{old}"),
                )
        db.execute(
            "UPDATE soundings SET visit = ? WHERE visit_id = ? AND visit IS NOT ?",
            (name, number, name),
        )


def fill_counts(db):
    """Write of each visit how many of its soundings are mapped."""
    for number, counts in counts_found(db).items():
        write_counts(db, number, counts)


# -- the log-book ------------------------------------------------------------------------------


def facts_held(db, number) -> VisitFacts:
    """Return what the log-book says of a visit."""
    row = db.execute(
        f"SELECT {', '.join(LOG_BOOK)} FROM visits WHERE fid = ?", (number,)
    ).fetchone()
    with decoding():
        return VisitFacts.of_columns(row)


def write_facts(db, number, facts):
    """Write what the log-book says of a visit."""
    names = ", ".join(f"{column} = ?" for column in LOG_BOOK)
    db.execute(f"UPDATE visits SET {names} WHERE fid = ?", (*facts.columns(), number))


def facts_found(db, number) -> VisitFacts:
    """Return what the corrections of a visit's soundings say of it."""
    rows = db.execute(
        "SELECT coalesce(corrections, ''), count(*) FROM soundings WHERE visit_id = ? GROUP BY 1",
        (number,),
    ).fetchall()
    with decoding():
        return facts_from(*zip(*rows)) if rows else VisitFacts()


def fill_log_book(db):
    """Write into an empty log-book what the corrections of the soundings say."""
    for (number,) in db.execute("SELECT fid FROM visits").fetchall():
        write_facts(db, number, facts_found(db, number).updated(facts_held(db, number)))


# -- checks ------------------------------------------------------------------------------------


@contextmanager
def stoppable(db, progress, fraction=0.0):
    """Hear a cancel while SQLite is at work on one long statement."""
    stopped = []

    def going():
        try:
            progress(fraction)
        except BaseException as error:
            stopped.append(error)
        return len(stopped)

    db.set_progress_handler(going, 1_000_000)
    try:
        yield
    except sqlite3.OperationalError:
        if stopped:
            raise stopped[0] from None
        raise
    finally:
        db.set_progress_handler(None, 0)


def verify(db, progress):
    """Refuse a store whose tables, indexes and counts do not agree.

    Raises
    ------
    DamagedError
    """
    with stoppable(db, progress):
        if db.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
            raise damaged()
        # Where a tree's depth is damaged, SQLite's check would go astray in it.
        verify_index(db)
        if db.execute("SELECT rtreecheck('rtree_soundings_geom')").fetchone() != ("ok",):
            raise damaged()
    _count_each(db, stored_visits(db))


def check_entry(db):
    """Refuse a store whose table of visits, or count of soundings, is not what it should be.

    This is what can be told without reading soundings. Those of a visit are checked when they are
    read, in :func:`parts` and :func:`logged`; the spatial index in :func:`verify_index`.
    """
    for table in ("visits", "history"):
        # SQLite before 3.33 looks over the whole file here.
        if db.execute(f"PRAGMA integrity_check({table})").fetchone() != ("ok",):
            raise damaged()
    verify_counts(db, stored_visits(db))


def verify_counts(db, visits):
    """Refuse a store that does not hold as many soundings as its visits have together.

    What another program has edited is taken as it is. Triggers of GDAL count the rows of the
    table, whoever adds or deletes some. Where that count differs, each visit's soundings are
    counted.
    """
    counted = db.execute(
        "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = 'soundings'"
    ).fetchone()
    if counted != (sum(v.soundings for v in visits),):
        _count_each(db, visits)


def _count_each(db, visits):
    """Refuse a store that does not hold as many soundings of each visit as it says."""
    if provenance_of(db)[1]:
        counted = dict(db.execute("SELECT visit_id, count(*) FROM soundings GROUP BY visit_id"))
        if counted != {v.number: v.soundings for v in visits}:
            raise damaged()


def verify_index(db):
    """Refuse a store whose spatial index would not find all that is in it."""
    if not finds_all(db, "rtree_soundings_geom"):
        raise damaged()


def parts(db, visit, box=None):
    """Yield soundings of one visit in pages, each with its number of rows.

    With a box, west, south, east, north in m: at least those within it.

    Raises
    ------
    DamagedError
        If these are not the soundings that the visit holds; at the latest after the last page.
    """
    if box is not None and (wanted := blocks_in(db, visit, box)) is not None:
        yield from _read_blocks(db, visit, *wanted)
        return
    total, count = [], 0
    for page, rows in read_pages(db, visit.number):
        if visit.checksum is not None:
            total.append(checksum(page))
        count += rows
        yield page, rows
    if count != visit.soundings and provenance_of(db)[1]:
        raise damaged()
    if visit.checksum not in (None, "".join(total)):
        raise damaged()


def _read_blocks(db, visit, first, blocks):
    # Blocks side by side are read together, no more than make a page.
    new = np.flatnonzero(np.diff(blocks) > 1) + 1
    for run in np.split(blocks, new):
        for start in range(0, run.size, BATCH // CHECKSUM_ROWS):
            low, high = run[start], run[start : start + BATCH // CHECKSUM_ROWS][-1]
            span = int(first + low * CHECKSUM_ROWS), int(first + (high + 1) * CHECKSUM_ROWS - 1)
            for page, rows in read_pages(db, visit.number, span):
                if visit.checksum is not None and (
                    checksum(page) != visit.checksum[8 * low : 8 * (high + 1)]
                ):
                    raise damaged()
                yield page, rows


def logged(db, part, stored, progress, by_row=False):
    """Yield what may be the same soundings, from the visits that meet this one in time.

    Where either has soundings without time, the visits that meet this one in place are read too.
    With ``by_row`` they go by the numbers of their rows rather than those of their visits.
    """
    timed = part.time[~np.isnat(part.time)]
    # A program that drops milliseconds moves a time by less than this.
    second = np.timedelta64(1, "s")
    first, last = (timed.min() - second, timed.max() + second) if timed.size else (None, None)
    untimed = timed.size < len(part)
    box = box_of(part)
    query = "SELECT geom, time, raw_depth_m, depth_m, fid, status FROM soundings WHERE visit_id = ?"
    for visit in stored:
        meets = (
            timed.size
            and not np.isnat(visit.start)
            and (visit.start <= last and visit.stop >= first)
        )
        if not meets and not ((untimed or visit.without_time) and near(visit.box, box)):
            continue
        times, depths_ = [], []
        for rows in pages(db.execute(query, (visit.number,))):
            progress(0.0)
            with decoding():
                geometry, time_, raw, depth, fid, status = zip(*rows)
                x, y = positions(geometry)
                times.append(as_times(time_))
                depths_.append(np.array(raw, float))
                number = np.full(len(rows), visit.number)
                page = Logged(
                    np.array(fid) if by_row else number,
                    x,
                    y,
                    times[-1],
                    depths_[-1],
                    np.array(depth, float),
                    number,
                    np.array([text == ACCEPTED for text in status], bool),
                )
            yield page
        if fingerprint(*map(np.concatenate, (times, depths_))) != visit.fingerprint:
            raise damaged()


def times_of(db, visit):
    """Return when the soundings of a visit were logged."""
    query = "SELECT time FROM soundings WHERE visit_id = ?"
    with decoding():
        return as_times([time for (time,) in db.execute(query, (visit.number,))])


def update_extent(db):
    """Write the extent of all visits, after any has changed."""
    boxes = [v.box for v in stored_visits(db) if v.box]
    extent = [None] * 4
    if boxes:
        west, south, east, north = zip(*boxes)
        extent = [min(west), min(south), max(east), max(north)]
    db.execute(
        "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
        "WHERE table_name = 'soundings'",
        extent,
    )
    stamp(db)


def visit_named(visits, name, path):
    """Return the visit of a name; refuse one that is not there."""
    for visit in visits:
        if visit.name == name:
            return visit
    present = ", ".join(f"'{excerpt(v.name)}'" for v in visits[:20])
    raise LakefloorError(
        tr("Lake database '{}' has no visit '{}'. Choose from its visits: {}.").format(
            Path(path).name, excerpt(name), present or tr("none")
        )
    )
