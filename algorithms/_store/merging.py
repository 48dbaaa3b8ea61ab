"""A new store is made of one's own and what another adds to it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from .._i18n import tr
from ..core.errors import LakefloorError
from ..core.progress import Progress, silent
from ..core.soundings import Soundings, concatenate
from ..core.track import in_logged_order
from ..core.visits.merging import Merged
from .adding import Added, add
from .file import copy_store
from .lake_store import contents, read
from .log_book import log_book
from .upgrading import make_own


def read_whole(path, progress: Progress = silent) -> Soundings:
    """Return all soundings of a store, as logged within each visit.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.read`, and if there are none.
    """
    parts = list(read(path, progress=progress))
    if not parts:
        raise LakefloorError(
            tr("Lake database '{}' has no soundings. Choose another one.").format(Path(path).name)
        )
    # Rows of an earlier version's store may stand as they came.
    return in_logged_order(concatenate(parts))


def write_merged(
    path,
    target,
    merged: Merged,
    level: str = "store",
    progress: Progress = silent,
    *,
    facts: dict | None = None,
    newer_wins: bool = False,
) -> Added:
    """Write a new store with what one's own holds and what another adds to it.

    Parameters
    ----------
    path : str or Path
        One's own store, which stays as it is.
    target : str or Path
        A file that does not exist yet.
    merged : Merged
        From :func:`.core.visits.merging.merge_soundings`, in the CRS of one's own.
    level : str
        How that was asked to adjust levels; kept in the history.
    progress : callable
    facts : dict of str to VisitFacts, optional
        What the other's log-book says of its visits, by name: :func:`facts_by_visit`.
    newer_wins : bool
        As for :func:`.adding.add`. Where the other has superseded soundings, what they superseded
        there is found again so, in one's own visits as well.
    """
    copy_store(path, target)
    make_own(target)
    if not len(merged.soundings):
        return Added()
    offset = None if np.isnan(merged.offset) else float(merged.offset)
    return add(
        target,
        merged.soundings,
        contents(path).crs,
        parameters={"merged": True, "level": level, "offset_m": offset},
        facts=facts,
        newer_wins=newer_wins,
        # Another's visit of the same name and day is a visit of its own.
        joins=False,
        progress=progress,
    )


def facts_by_visit(path) -> dict:
    """Return what a store's log-book says of each visit, for another store that it enters.

    The offset and the gain are left out: they are against the rest of this store.
    """
    return {
        entry.visit.name: replace(entry.facts, offset_m=None, offset_sd_m=None, hardness_gain=None)
        for entry in log_book(path)
    }
