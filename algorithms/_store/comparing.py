"""Change of the bottom between the visits of a store."""

from __future__ import annotations

import numpy as np

from .._i18n import tr
from ..core.visits.bottom_change import bottom_change
from ..core.visits.store_visits import SUPERSEDED, visits_to_compare, wider
from .layout import log
from .rows import by_index, check_count, check_places, depths
from .visits import check_held, stored_visits, sum_up, verify_index


def compare_bottom(db, touched, newer_wins, test, parameters, done, progress):
    """Compare the visits that came in with all that lie near, the older first."""
    visits = stored_visits(db)
    margin = test.reach_m + test.block_m
    pairs = visits_to_compare(visits, touched, margin)
    held, marked = (None, None), {}
    _check_looked_up(db, [(a, wider(b.box, margin)) for a, b in pairs])
    for k, (a, b) in enumerate(pairs):
        progress(k / len(pairs))
        if held[0] != b.number:
            held = (b.number, depths(db, b))
        _, newer = held[1]
        fids, older = depths(db, a, wider(b.box, margin))
        found = bottom_change(older, newer, test)
        if not found.changed.any():
            continue
        done.changes.append((a.name, b.name, found))
        if found.level_suspected:
            done.notes.append(
                tr(
                    "Between '{}' and '{}' most of the bottom differs the same way ({:+.2f} m). "
                    "A wrong lake level or draft is more likely than a changed bottom. Check the "
                    "lake level and the draft of both visits."
                ).format(a.name, b.name, float(np.median(found.change)))
            )
        if newer_wins:
            if a.number not in marked:
                check_held(db, a)
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


def _check_looked_up(db, parts):
    """Refuse a store that would not give all of the parts of visits that the index finds."""
    parts = [(visit, box) for visit, box in parts if by_index(visit, box)]
    if parts:
        verify_index(db)
    for box in {box for _, box in parts}:
        check_places(db, box)
    for visit in {visit.number: visit for visit, _ in parts}.values():
        check_count(db, visit)
