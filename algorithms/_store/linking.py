"""Decisions on single pings find their soundings among those that enter a store."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..core.geopackage import point_blobs, positions, time_texts
from ..core.soundings import Soundings, concatenate
from ..core.visits.decisions import same_rows
from .rows import as_times, decoding, srs_of


@dataclass(frozen=True)
class Pings:
    """Decisions as arrays: their row numbers and pings, what was decided, and what cleaning said.

    ``sounding`` is the row that the ping is now, -1 where the store does not have it.
    """

    fid: np.ndarray
    sounding: np.ndarray
    ping: Soundings
    decision: np.ndarray
    reason: np.ndarray
    said: np.ndarray

    def __len__(self) -> int:
        return len(self.fid)

    def joined(self, others: Pings) -> Pings:
        """Return these and others after them."""
        return Pings(
            np.concatenate([self.fid, others.fid]),
            np.concatenate([self.sounding, others.sounding]),
            concatenate([self.ping, others.ping]),
            np.concatenate([self.decision, others.decision]),
            np.concatenate([self.reason, others.reason]),
            np.concatenate([self.said, others.said]),
        )

    def pick(self, rows: np.ndarray) -> Pings:
        """Return some of them, by a mask or their numbers."""
        return Pings(
            self.fid[rows],
            self.sounding[rows],
            self.ping.select(rows),
            self.decision[rows],
            self.reason[rows],
            self.said[rows],
        )


def pings_decided(db, where="1", values=()) -> Pings:
    """Return decisions that meet a condition of SQL, in the order in which they were made."""
    rows = db.execute(
        "SELECT fid, sounding, geom, time, raw_depth_m, depth_m, decision, reason, said "
        f"FROM decisions WHERE {where} ORDER BY fid",
        values,
    ).fetchall()
    with decoding():
        columns = list(zip(*rows)) if rows else [()] * 9
        fid, sounding, geometry, time, raw, depth, *texts = columns
        x, y = positions(geometry)
        ping = Soundings.build(
            x, y, np.array(depth, float), raw_depth=np.array(raw, float), time=as_times(time)
        )
        return Pings(
            np.array(fid, np.int64),
            np.array([-1 if row is None else row for row in sounding], np.int64),
            ping,
            *(np.array([str(t or "") for t in text], object) for text in texts),
        )


def link_decisions(db, part, first):
    """Give decisions on soundings that have just entered the numbers of their rows.

    Parameters
    ----------
    part : Soundings
        As they entered.
    first : int
        Number of the first row; the others follow it.
    """
    lost = pings_decided(db, "sounding IS NULL")
    if not len(lost):
        return
    row = same_rows(_key(lost.ping), _key(part))
    there = row >= 0
    db.executemany(
        "UPDATE decisions SET sounding = ? WHERE fid = ?",
        zip((first + row[there]).tolist(), lost.fid[there].tolist()),
    )


def _key(soundings):
    return soundings.time, soundings.raw_depth, soundings.x, soundings.y


def move_decisions(db, found, part, rows, said):
    """Write that pings on which was decided are read anew: as logged now, and what cleaning says.

    Parameters
    ----------
    found : Pings
    part : Soundings
        The new reading.
    rows : int array
        Row of each ping there.
    said : list of str
        What cleaning says of each.
    """
    now = part.select(rows)
    db.executemany(
        "UPDATE decisions SET sounding = NULL, geom = ?, time = ?, raw_depth_m = ?, depth_m = ?, "
        "said = ? WHERE fid = ?",
        zip(
            point_blobs(now.x, now.y, srs_of(db)),
            time_texts(now.time),
            now.raw_depth.tolist(),
            now.depth.tolist(),
            said,
            found.fid.tolist(),
        ),
    )
