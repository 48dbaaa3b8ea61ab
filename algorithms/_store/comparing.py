"""Change of the bottom between the visits of a store."""

from __future__ import annotations

import numpy as np

from .._i18n import tr
from ..core.errors import excerpt
from ..core.progress import span
from ..core.soundings import ACCEPTED
from ..core.visits.bottom_change import bottom_change
from ..core.visits.change_growth import Bottom, around_changes, changed_patches
from ..core.visits.slow_trend import slow_trend
from ..core.visits.store_visits import SUPERSEDED, box_of, visits_to_compare, wider
from .layout import IS_SUPERSEDED, log
from .rows import by_index, check_count, check_places, depths
from .summing import check_held, sum_up
from .visits import stored_visits, verify_index


def compare_bottom(db, touched, newer_wins, test, parameters, done, progress):
    """Compare the visits that came in with all that lie near, the older first.

    A visit that has superseded older soundings is compared with all of these as it found them, so
    that of what comes in later it supersedes what it would have, had that been there already.
    """
    margin = test.reach_m + test.block_m
    visits = stored_visits(db)
    winners = _winners(db, visits)
    pairs = visits_to_compare(visits, touched, margin)
    again = {b.number for _, b in pairs} & winners - touched
    pairs += [
        (a, b)
        for a, b in visits_to_compare(visits, again, margin)
        if b.number in again and a.number not in touched
    ]
    _check_looked_up(db, [(a, wider(b.box, margin)) for a, b in pairs])
    older_of: dict = {}
    for a, b in pairs:
        older_of.setdefault(b.number, (b, []))[1].append(a)
    marked: dict = {}
    for k, (b, older) in enumerate(older_of.values()):
        step = span(progress, k / len(older_of), (k + 1) / len(older_of))
        _, newer = depths(db, b)
        found = _found(db, older, b, newer, test, step)
        trend, found = slow_trend(found, [_years(a, b) for a in older], test)
        done.trends += [(b.name, trend)] if trend else []
        came_in = {a.number for a in older if b.number in touched or a.number in touched}
        _note_changes(older, b, found, came_in, done)
        patches, superseded = _patches(db, older, b, newer, found, test)
        done.patches += [(b.name, patches)] if len(patches) else []
        for a, fids in zip(older, superseded):
            late = b.number in winners and a.number in touched
            if len(fids) and a.number in came_in and (newer_wins or late):
                count = _supersede(db, a, b, fids, marked, parameters, done)
                if count and not newer_wins:
                    _note_late(a, b, count, done)
    for visit in marked.values():
        sum_up(db, visit)
    progress(1.0)


def _winners(db, visits) -> set:
    """Return the numbers of visits that have superseded older soundings."""
    rows = db.execute(f"SELECT DISTINCT status FROM soundings WHERE {IS_SUPERSEDED}")
    names = {status[len(SUPERSEDED) :] for (status,) in rows}
    return {visit.number for visit in visits if visit.name in names}


def _years(a, b) -> float:
    """Return years from one visit to another; NaN where either has no time."""
    return float((b.start - a.start) / np.timedelta64(1, "s")) / (365.25 * 86400.0)


def _found(db, older, b, newer, test, progress):
    """Return how the bottom differs between each older visit and a newer one."""
    found = []
    for k, a in enumerate(older):
        progress(k / len(older))
        box = wider(b.box, test.reach_m + test.block_m)
        _, soundings = depths(db, a, box, before=b.name)
        found.append(bottom_change(soundings, newer, test))
    return found


def _note_changes(older, b, found, came_in, done):
    for a, f in zip(older, found):
        if a.number not in came_in or not f.changed.any():
            continue
        done.changes.append((a.name, b.name, f))
        if f.level_suspected:
            done.notes.append(
                tr(
                    "Between '{}' and '{}' most of the bottom differs the same way ({:+.2f} m). "
                    "A wrong lake level or draft is more likely than a changed bottom. Check the "
                    "lake level and the draft of both visits."
                ).format(a.name, b.name, float(np.median(f.change)))
            )


def _note_late(a, b, count, done):
    done.notes.append(
        tr(
            "Visit '{}' has superseded older soundings where the bottom had changed. It supersedes "
            "{} of visit '{}' there too."
        ).format(excerpt(b.name), count, excerpt(a.name))
    )


def _patches(db, older, b, newer, found, test):
    """Return the patches that have changed, and row ids of what lies in them of older visits."""
    near = newer.select(around_changes(newer.x, newer.y, found))
    box = box_of(near)
    if box is None:
        return [], []
    box = wider(box, test.block_m)
    fids, bottoms = [], []
    for a in older:
        rows, soundings = depths(db, a, box, before=b.name)
        around = around_changes(soundings.x, soundings.y, found)
        fids.append(rows[around])
        bottoms.append(Bottom(soundings.select(around), test.depth_m))
    patches, superseded = changed_patches(Bottom(near, test.depth_m), bottoms, found, test)
    return patches, [rows[mask] for rows, mask in zip(fids, superseded)]


def _supersede(db, a, b, fids, marked, parameters, done) -> int:
    """Give accepted soundings of a visit the status that a newer one has superseded them.

    Returns how many there were.
    """
    if a.number not in marked:
        check_held(db, a)
    status = f"{SUPERSEDED}{b.name}"
    count = db.executemany(
        "UPDATE soundings SET status = ? WHERE fid = ? AND status = ?",
        ((status, fid, ACCEPTED) for fid in fids.tolist()),
    ).rowcount
    if count:
        marked[a.number] = a
        done.superseded += count
        log(db, status, a.name, count, None, parameters)
    return count


def _check_looked_up(db, parts):
    """Refuse a store that would not give all of the parts of visits that the index finds."""
    parts = [(visit, box) for visit, box in parts if by_index(visit, box)]
    if parts:
        verify_index(db)
    for box in {box for _, box in parts}:
        check_places(db, box)
    for visit in {visit.number: visit for visit, _ in parts}.values():
        check_count(db, visit)
