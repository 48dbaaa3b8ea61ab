"""A glance at a store: what tells whether its map has changed, and a line a visit.

Only the table of visits is read, so that it takes milliseconds however many soundings there are.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from .file import reading
from .layout import COUNTS, layout_of, provenance_of
from .visits import counts_found, stored_visits


@dataclass(frozen=True)
class VisitRow:
    """What a list of visits shows of one.

    Attributes
    ----------
    name : str
    time_from, time_to : datetime64[ms]
        UTC, NaT where no sounding has a time.
    soundings : int
    accepted, held_back, superseded, rejected : int
        Of these, those that are mapped; that a person held back, or that belong to a visit that is
        switched off; that a newer visit superseded, or that are older than a change of the bottom;
        that cleaning or a person rejected.
    level_m : float or None
        Mean lake level, m.
    level_from : str or None
        How it was got.
    on : bool
        Whether the visit is mapped, or a person has switched it off.
    box : tuple or None
        West, south, east, north in the store's CRS, m.
    """

    name: str
    time_from: np.datetime64
    time_to: np.datetime64
    soundings: int
    accepted: int
    held_back: int
    superseded: int
    rejected: int
    level_m: float | None
    level_from: str | None
    on: bool
    box: tuple | None

    @property
    def date(self) -> str | None:
        """Day of the first sounding, UTC, as in ISO 8601; None without times."""
        return None if np.isnat(self.time_from) else str(self.time_from.astype("datetime64[D]"))

    @property
    def share_rejected(self) -> float:
        """Rejected soundings as a share of all, 0..1."""
        return self.rejected / self.soundings if self.soundings else 0.0


def state_of(path) -> str:
    """Return a fingerprint of all in a store that is mapped.

    It differs after every change of soundings, and is the old one again after that is undone.
    Nothing is written, also while another program has the file open.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.contents`.
    """
    with reading(path) as db:
        own = provenance_of(db)[1]
        parts = [
            f"{visit.name}\0{visit.soundings}\0{visit.fingerprint}\0{visit.checksum}"
            for visit in stored_visits(db)
        ]
        if not own or layout_of(db) == 1:
            # Nothing is known of soundings that another program may have changed, but when.
            query = "SELECT last_change FROM gpkg_contents WHERE table_name = 'soundings'"
            parts += [str(moment) for (moment,) in db.execute(query)]
    text = "\n".join(sorted(parts))
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:32]


def visits_of(path) -> list:
    """Return a :class:`VisitRow` of each visit of a store, in order of time.

    The counts are those that the store keeps. Where another program has edited it since, or an
    older Lakefloor made it, the soundings are counted, which takes longer.

    Raises
    ------
    LakefloorError
        As :func:`.lake_store.contents`.
    """
    with reading(path) as db:
        layout, facts = layout_of(db), {}
        if layout > 2:
            rows = db.execute("SELECT fid, level_m, level_from FROM visits")
            facts = {fid: levels for fid, *levels in rows}
        if layout > 3 and provenance_of(db)[1]:
            rows = db.execute(f"SELECT fid, {', '.join(COUNTS)} FROM visits")
            counts = {fid: dict(zip(COUNTS, values)) for fid, *values in rows}
        else:
            counts = counts_found(db)
        return [
            VisitRow(
                visit.name,
                visit.start,
                visit.stop,
                visit.soundings,
                **counts.get(visit.number, dict.fromkeys(COUNTS, 0)),
                **dict(zip(("level_m", "level_from"), facts.get(visit.number, (None, None)))),
                on=visit.on,
                box=visit.box,
            )
            for visit in stored_visits(db)
        ]
