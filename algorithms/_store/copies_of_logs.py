"""Copies of a log give way to the log itself, which has times and depths as logged."""

from __future__ import annotations

import numpy as np

from .._i18n import tr
from ..core.errors import excerpt
from ..core.soundings import concatenate
from ..core.visits.store_content import Logged, find_known
from .layout import log
from .removing import accept_again
from .rows import delete_soundings
from .undoing import keep_for_undo
from .visits import enter, logged, parts, stored_visits


def known_beside_copies(db, part, name, parameters, done, progress) -> tuple:
    """Return the visits of a store, and what it holds of a visit that is to enter.

    Soundings that the store holds as a copy only, without times, are deleted from it: these take
    their place.

    Returns
    -------
    list of Visit, Known
    """
    stored = stored_visits(db)
    known = find_known(part, logged(db, part, stored, progress))
    if not known.replaces.any():
        return stored, known
    keep_for_undo(db)
    originals = part.select(known.replaces)
    for visit in stored:
        if (known.visit[known.replaces] == visit.number).any():
            _give_way(db, visit, originals, name, parameters, done, progress)
    return stored_visits(db), known.without_copies()


def _give_way(db, visit, originals, name, parameters, done, progress):
    """Delete of a visit what is a copy of ``originals``."""
    whole = concatenate(page for page, _ in parts(db, visit))
    rows = np.arange(len(originals))
    held = Logged(
        rows,
        originals.x,
        originals.y,
        originals.time,
        originals.raw_depth,
        originals.depth,
        np.zeros(len(rows), int),
        originals.accepted,
    )
    copies = find_known(whole, [held]).copied
    count = int(copies.sum())
    delete_soundings(db, visit.number)
    log(db, "replaced", visit.name, count, visit.fingerprint, parameters)
    if count == len(whole):
        done.restored += accept_again(db, visit.name, parameters)
        db.execute("DELETE FROM visits WHERE fid = ?", (visit.number,))
    else:
        enter(db, visit.number, visit.name, whole.select(~copies), parameters, progress)
    done.removed += count
    done.notes.append(
        tr(
            "Soundings of visit '{}' are a copy of visit '{}', without times. They are replaced: {}."
        ).format(excerpt(visit.name), excerpt(name), count)
    )
