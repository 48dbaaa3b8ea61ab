"""The lake's store: one GeoPackage in which a lake's visits add up over years.

Layer ``soundings`` holds every sounding ever added in the schema that all algorithms share,
table ``visits`` one row a visit, table ``history`` one row for everything done, to which rows
are only ever added. QGIS opens it like any GeoPackage.

Whatever changes a store is one SQLite transaction, so that a crash or a kill at any moment leaves
the old state or the new one; a hot journal left behind (``*.gpkg-journal``) is rolled back by
whoever opens the store next, and must not be deleted. A new store is made in a hidden folder and
moved into place when it is complete. Two writers take turns by SQLite's file locks. These are
as good as those of the file system: keep a store on a disk of the computer, since many network
drives and folders kept in step by a cloud service lock badly or copy a file halfway through.

Memory grows with the visit at hand, not with the store.
"""

from __future__ import annotations

import json
import uuid
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ._i18n import tr
from ._store_copies import bring_up
from ._store_file import (
    IS_SUPERSEDED,
    SUPERSEDED,
    crs_of,
    layout_of,
    log,
    reading,
    same_crs,
    stamp,
    state_of,
    writing,
)
from ._store_rows import (
    delete_soundings,
    depths,
    enter,
    logged,
    new_visit,
    parts,
    stored_visits,
    sum_up,
    take_over,
    update_extent,
    verify,
    verify_counts,
    verify_index,
)
from .core.correcting.datums import datum_words
from .core.days import survey_days
from .core.errors import LakefloorError, excerpt
from .core.progress import Progress, silent, span
from .core.soundings import ACCEPTED, Soundings, concatenate, each_visit
from .core.track import in_logged_order
from .core.visits.bottom_change import bottom_change
from .core.visits.store_content import (
    depth_changes,
    find_known,
    fingerprint,
    same_outing,
    tells,
)


@dataclass(frozen=True)
class Contents:
    """What a store holds; ``crs`` is an authority code such as EPSG:32615, or WKT."""

    crs: str
    visits: list


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
    notes: list = field(default_factory=list)


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
        return Contents(crs_of(db), visits)


def read(path, *, visits=None, box=None, start=None, stop=None, progress: Progress = silent):
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
        if visits is not None:
            chosen = {_named(present, name, path).number for name in visits}
            present = [v for v in present if v.number in chosen]
        if box is not None:
            verify_index(db)
        timed = start is not None or stop is not None
        present = [v for v in present if _meets(v, box) and _spans(v, start, stop)]
        total, done = sum(v.soundings for v in present) or 1, 0
        for visit in present:
            for part, count in parts(db, visit, box):
                done += count
                progress(min(done / total, 1.0))
                keep = np.ones(len(part), bool)
                if box is not None:
                    west, south, east, north = box
                    keep &= (part.x >= west) & (part.x <= east)
                    keep &= (part.y >= south) & (part.y <= north)
                if timed:
                    keep &= ~np.isnat(part.time)
                if start is not None:
                    keep &= part.time >= start
                if stop is not None:
                    keep &= part.time < stop
                if keep.any():
                    yield part if keep.all() else part.select(keep)


def add(
    path,
    soundings: Soundings,
    crs: str,
    *,
    mode: str = "add",
    newer_wins: bool = False,
    change: dict | None = None,
    parameters: dict | None = None,
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
    newer_wins : bool
        Where the bottom has changed, older soundings get the status ``superseded by`` the newer
        visit. Otherwise change is only reported.
    change : dict, optional
        Keyword arguments of :func:`.core.visits.bottom_change.bottom_change`.
    parameters : dict, optional
        Kept in the store beside the visit and in the history.
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
        raise LakefloorError(tr("There are no soundings to add."))
    if mode not in ("add", "replace"):
        raise LakefloorError(tr("Mode '{}' is unknown; choose add or replace.").format(mode))
    soundings, done = in_logged_order(soundings), Added()
    parameters = json.dumps(parameters or {}, sort_keys=True, default=str)
    with _prepared(path, progress, done.notes) as prepare, writing(
        path, crs, progress, prepare
    ) as db:
        if not same_crs(crs_of(db), crs):
            raise LakefloorError(
                tr("The soundings are in {}, but the store is in {}.").format(crs, crs_of(db))
            )
        names = sorted(each_visit(soundings), key=lambda item: _first(soundings.time[item[1]]))
        touched = set()
        for k, (name, rows) in enumerate(names):
            step = span(progress, 0.7 * k / len(names), 0.7 * (k + 1) / len(names))
            part = _entering(db, soundings.select(rows), newer_wins)
            take_in = _replace if mode == "replace" else _add
            number = take_in(db, name.strip() or _day(part, crs), part, parameters, done, step)
            if number is not None:
                touched.add(number)
        _refuse_other_datum(db, path)
        _compare(db, touched, newer_wins, change or {}, parameters, done,
                 span(progress, 0.7, 0.95))
        if touched:
            update_extent(db)
        if before_commit is not None:
            before_commit(done)
    return done


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
        raise LakefloorError(tr("There is no store '{}'.").format(path))
    notes = []
    with _prepared(path, progress, notes) as prepare, writing(
        path, None, progress, prepare
    ) as db:
        visits = [_named(stored_visits(db), name, path) for name in dict.fromkeys(names)]
        for k, visit in enumerate(visits):
            progress(0.9 * k / len(visits))
            removed += visit.soundings
            restored += _restore(db, visit.name, parameters)
            delete_soundings(db, visit.number)
            db.execute("DELETE FROM visits WHERE fid = ?", (visit.number,))
            log(db, "removed", visit.name, visit.soundings, visit.fingerprint, parameters)
        update_extent(db)
    return {"removed": removed, "restored": restored, "notes": notes}


def make_own(path):
    """Make a copy of a store a store of its own, of the present layout and with a new identity."""
    def prepare(db):
        identity = uuid.uuid4().hex
        if layout_of(db) == 1:
            bring_up(db, identity=identity)
            take_over(db, silent)
        else:
            stamp(db, identity)

    with writing(path, None, silent, prepare):
        pass


@contextmanager
def _prepared(path, progress, notes):
    """Look a store over before it is changed; bring one of an older layout up to the present."""
    path, kept = Path(path), None

    def prepare(db):
        nonlocal kept
        edited = not state_of(db)[1]
        verify(db, progress)
        if layout_of(db) == 1:
            kept = bring_up(db, path)
            notes.append(
                tr("Store '{}' was made by an older Lakefloor and is upgraded. A copy of it as it "
                   "was is kept as '{}'.").format(path.name, kept.name)
            )
            take_over(db, progress)
        elif edited:
            notes.append(
                tr("Another program has edited store '{}' since Lakefloor last changed it. What it "
                   "holds now is taken as right.").format(path.name)
            )
            take_over(db, progress)

    try:
        yield prepare
    except BaseException:
        # The store is as it was, and that copy the same once more.
        if kept is not None:
            with suppress(OSError):
                kept.unlink()
        raise


# -- one visit ---------------------------------------------------------------------------------


def _add(db, name, part, parameters, done, progress):
    """Enter what is not there yet; return the number of the visit that grew, or None."""
    stored = stored_visits(db)
    known = find_known(part, logged(db, part, stored, progress))
    shared = known.counts()
    done.already_there += int(known.there.sum())
    if known.there.any():
        where = ", ".join(f"'{excerpt(v.name)}'" for v in stored if v.number in shared)
        done.notes.append(
            tr("Visit '{}': {} of {} soundings are in the store already, in visit {}.").format(
                name, int(known.there.sum()), len(part), where)
        )
        other = known.there & (np.abs(part.depth - known.depth) > 5e-4)
        if other.any():
            done.notes.append(
                tr("{} of these have another depth than the store holds. To take the new depths, "
                   "choose 'replace'.").format(int(other.sum()))
            )
    if known.there.all():
        return None
    fresh = part.select(~known.there)
    host = max(stored, key=lambda v: shared.get(v.number, 0), default=None)
    if host is not None and same_outing(shared.get(host.number, 0), len(part), host.soundings):
        earlier = concatenate(s for s, _ in parts(db, host))
        same = fresh.replace(visit=np.full(len(fresh), host.name, object))
        merged = in_logged_order(concatenate([earlier, same]))
        delete_soundings(db, host.number)
        mark = enter(db, host.number, host.name, merged, parameters, progress)
        log(db, "extended", host.name, len(fresh), mark, parameters)
        done.notes.append(
            tr("Visit '{}' of the store grows by {} soundings of the same outing.").format(
                host.name, len(fresh))
        )
        name, number = host.name, host.number
    else:
        _refuse_twin(stored, name, fresh)
        free = _free_name(stored, name)
        if free != name:
            done.notes.append(
                tr("Visit '{}' in the store holds other soundings; these enter as '{}'.").format(
                    name, free)
            )
        name, number = free, new_visit(db, free)
        mark = enter(db, number, name, fresh, parameters, progress)
        log(db, "added", name, len(fresh), mark, parameters)
    done.visits.append(name)
    done.added += len(fresh)
    return number


def _replace(db, name, part, parameters, done, progress):
    """Exchange the visits that hold what this one logged; return its number."""
    stored = stored_visits(db)
    known = find_known(part, logged(db, part, stored, progress))
    shared = known.counts()
    mark = fingerprint(part.time, part.raw_depth)
    matched = [
        v for v in stored
        if same_outing(shared.get(v.number, 0), len(part), v.soundings)
        or (v.fingerprint == mark and tells(depth_changes(part.time, part.raw_depth)))
    ]
    if not matched:
        if name in {v.name for v in stored}:
            raise LakefloorError(
                tr("Visit '{}' in the store holds other soundings than these. Add these under "
                   "another name, or remove that visit first.").format(name)
            )
        done.notes.append(tr("Visit '{}' was not in the store; it is added.").format(name))
        return _add(db, name, part, parameters, done, progress)
    numbers = {v.number for v in matched}
    elsewhere = known.there & ~np.isin(known.visit, list(numbers))
    done.already_there += int(elsewhere.sum())
    part = part.select(~elsewhere)
    kept = next((v for v in matched if v.name == name), matched[0])
    matched.sort(key=lambda v: v is not kept)
    for visit in matched:
        done.restored += _restore(db, visit.name, parameters)
        done.removed += visit.soundings
        delete_soundings(db, visit.number)
        log(db, "replaced", visit.name, visit.soundings, visit.fingerprint, parameters)
        if visit is not kept:
            db.execute("DELETE FROM visits WHERE fid = ?", (visit.number,))
        done.notes.append(
            tr("Visit '{}' with {} soundings is replaced by '{}' with {}.").format(
                visit.name, visit.soundings, kept.name, len(part))
        )
    if kept.name != name:
        done.notes.append(
            tr("Visit '{}' is visit '{}' of the store, and keeps that name.").format(
                name, kept.name)
        )
    mark = enter(db, kept.number, kept.name, part, parameters, progress)
    log(db, "added", kept.name, len(part), mark, parameters)
    done.visits.append(kept.name)
    done.added += len(part)
    return kept.number


def _refuse_twin(stored, name, part):
    """Refuse a log whose depths are in the store, but at other times or places."""
    mark = fingerprint(part.time, part.raw_depth)
    twin = next((v for v in stored if v.fingerprint == mark), None)
    if twin is not None and tells(depth_changes(part.time, part.raw_depth)):
        raise LakefloorError(
            tr("Visit '{}' holds the depths of visit '{}' of the store, at other times or places. "
               "Was the log read with another time zone or CRS? Choose 'replace' to take the new "
               "reading.").format(name, twin.name)
        )


def _entering(db, part, newer_wins):
    """Return a visit as it may enter: only a visit of the store can supersede."""
    texts = [str(s) for s in part.status]
    marked = {t for t in texts if t.startswith(SUPERSEDED)}
    if not newer_wins:
        present = {v.name for v in stored_visits(db)}
        marked = {t for t in marked if t[len(SUPERSEDED):] not in present}
    if not marked:
        return part
    return part.replace(status=np.array([ACCEPTED if t in marked else t for t in texts], object))


def _free_name(stored, name):
    taken = {v.name for v in stored}
    free, k = name, 1
    while free in taken:
        k += 1
        free = f"{name} ({k})"
    return free


def _first(times):
    known = times[~np.isnat(times)]
    return (known.size == 0, known.min().astype(np.int64) if known.size else 0)


def _day(part, crs):
    """Return the lake's date on which a visit began."""
    return next(iter(survey_days(part, crs)), tr("unnamed"))


# -- change of the bottom ----------------------------------------------------------------------


def _compare(db, touched, newer_wins, options, parameters, done, progress):
    """Compare the visits that came in with all that lie near, the older first."""
    visits = stored_visits(db)
    margin = options.get("reach_m", 5.0) + options.get("block_m", 20.0)
    pairs = [
        (a, b) for j, b in enumerate(visits) for a in visits[:j]
        if (a.number in touched or b.number in touched) and a.box and b.box
        and _goes_before(a, b) and _meets(a, _wider(b.box, margin))
    ]
    held, marked = (None, None), {}
    for k, (a, b) in enumerate(pairs):
        progress(k / len(pairs))
        if held[0] != b.number:
            held = (b.number, depths(db, b))
        _, newer = held[1]
        fids, older = depths(db, a, _wider(b.box, margin))
        found = bottom_change(older, newer, progress=silent, **options)
        if not found.changed.any():
            continue
        done.changes.append((a.name, b.name, found))
        if found.level_suspected:
            done.notes.append(
                tr("Between '{}' and '{}' most of the bottom differs the same way ({:+.2f} m): "
                   "rather a wrong lake level or draft than the bottom. Check the gauge.").format(
                    a.name, b.name, float(np.median(found.change)))
            )
        if newer_wins:
            rows = fids[found.older_rows].tolist()
            db.executemany(
                "UPDATE soundings SET status = ? WHERE fid = ?",
                ((f"{SUPERSEDED}{b.name}", fid) for fid in rows),
            )
            marked[a.number] = a
            done.superseded += len(rows)
            log(db, f"{SUPERSEDED}{b.name}", a.name, len(rows), None, parameters)
    for visit in marked.values():
        sum_up(db, visit)
    progress(1.0)


def _wider(box, margin):
    west, south, east, north = box
    return west - margin, south - margin, east + margin, north + margin


def _goes_before(a, b):
    """Say whether visit ``a`` was over when ``b`` began; without times, whether it came first."""
    return bool(np.isnat(a.stop) or a.stop < b.start)


def _restore(db, name, parameters):
    """Accept the soundings again that a visit superseded; return their number."""
    values = ACCEPTED, f"{SUPERSEDED}{name}"
    marked = {number for (number,) in db.execute(
        f"SELECT DISTINCT visit_id FROM soundings WHERE status = ? AND {IS_SUPERSEDED}",
        values[1:])}
    count = db.execute(
        f"UPDATE soundings SET status = ? WHERE status = ? AND {IS_SUPERSEDED}", values).rowcount
    for visit in stored_visits(db):
        if visit.number in marked:
            sum_up(db, visit)
    if count:
        log(db, "accepted again", name, count, None, parameters)
    return count


# -- the store as a whole ----------------------------------------------------------------------


def _named(visits, name, path):
    for visit in visits:
        if visit.name == name:
            return visit
    present = ", ".join(f"'{excerpt(v.name)}'" for v in visits[:20])
    raise LakefloorError(
        tr("Store '{}' has no visit '{}'. It has {}.").format(
            Path(path).name, excerpt(name), present or tr("none"))
    )


def _meets(visit, box):
    if box is None:
        return True
    if visit.box is None:
        return False
    west, south, east, north = visit.box
    return west <= box[2] and east >= box[0] and south <= box[3] and north >= box[1]


def _spans(visit, start, stop):
    if start is None and stop is None:
        return True
    return bool(
        not np.isnat(visit.start) and (start is None or visit.stop >= start)
        and (stop is None or visit.start < stop)
    )


def _refuse_other_datum(db, path):
    by_datum = {}
    for visit in stored_visits(db):
        name, elevation = visit.datum or (None, None)
        key = visit.datum and (name, None if elevation is None else round(elevation, 3))
        by_datum.setdefault(key, []).append(visit.name)
    if len(by_datum) < 2:
        return
    parts = []
    for datum, names in by_datum.items():
        what = tr("not reduced to a datum") if datum is None else datum_words(datum)
        shown = ", ".join(f"'{excerpt(name)}'" for name in names[:5])
        parts.append(f"{shown}{' ...' if len(names) > 5 else ''}: {what}")
    raise LakefloorError(
        tr("A store holds one datum, but with these soundings '{}' would hold {}. Reduce them to "
           "the datum of the store; nothing was added.").format(Path(path).name, "; ".join(parts))
    )
