"""The rules of a lake's store: what it says of a visit, which visits are one, what may enter."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from ..days import (
    VISIT_BREAK_H,
    local_days,
    local_offsets_h,
    longitude,
    solar_offset_h,
    survey_days,
)
from ..soundings import ACCEPTED, SCHEMA, Soundings
from .store_content import Known, depth_changes, fingerprint, same_outing, tells

#: Beginning of the description of the table of visits, which tells a store from other GeoPackages.
STORE = "Lakefloor store"

#: Status of soundings that a newer visit has replaced: this, and the name of that visit.
SUPERSEDED = "superseded by "

#: Status of what would be mapped of a visit that a person has switched off: it is held back by hand.
SWITCHED_OFF = "held back: visit switched off"

#: Soundings that share one part of a visit's checksum.
CHECKSUM_ROWS = 1000


@dataclass(frozen=True)
class Visit:
    """What a store says of a visit.

    Times are datetime64[ms], NaT where no sounding has one; ``box`` is west, south, east, north
    in m, or None where no sounding has a position; ``datum`` is name and elevation in m, or None;
    ``checksum`` is that of the soundings, eight digits for each thousand, or None where it does not
    hold (layout 1, or another program has edited the store); ``on`` says whether the visit is
    mapped, or a person has switched it off.
    """

    number: int
    name: str
    fingerprint: str
    soundings: int
    without_time: int
    start: np.datetime64
    stop: np.datetime64
    box: tuple | None
    datum: tuple | None
    checksum: str | None
    on: bool = True

    def meets(self, box: tuple | None) -> bool:
        """Say whether the visit has soundings that may lie in a box; None is everywhere."""
        if box is None:
            return True
        if self.box is None:
            return False
        west, south, east, north = self.box
        return west <= box[2] and east >= box[0] and south <= box[3] and north >= box[1]

    def spans(self, start: np.datetime64 | None, stop: np.datetime64 | None) -> bool:
        """Say whether the visit has soundings that may be of a time, from start to before stop."""
        if start is None and stop is None:
            return True
        return bool(
            not np.isnat(self.start)
            and (start is None or self.stop >= start)
            and (stop is None or self.start < stop)
        )

    def goes_before(self, other: Visit) -> bool:
        """Say whether the visit was over when another began.

        Without times, it is the one that stands first in the store.
        """
        return bool(np.isnat(self.stop) or self.stop < other.start)


# -- what is said of soundings -----------------------------------------------------------------


def checksum(soundings: Soundings) -> str:
    """Return the CRC-32 of each thousand soundings of a visit, in hexadecimal.

    Examples
    --------
    >>> len(checksum(Soundings.build([1.0] * 1001, [2.0] * 1001, [3.0] * 1001)))
    16
    """
    return "".join(
        f"{_sum_of(soundings.select(slice(start, start + CHECKSUM_ROWS))):08x}"
        for start in range(0, len(soundings), CHECKSUM_ROWS)
    )


def _sum_of(block):
    total, placed = 0, np.isfinite(block.x) & np.isfinite(block.y)
    for values in (
        np.where(placed, block.x, np.nan),
        np.where(placed, block.y, np.nan),
        *(getattr(block, attr) for attr, _ in SCHEMA.values()),
    ):
        if values.dtype == object:
            packed = "\0".join(map(str, values)).encode("utf-8", "replace")
        elif values.dtype.kind == "f":
            # One bit pattern for what is not there, and none for a negative zero.
            packed = (np.where(np.isnan(values), np.nan, values) + 0.0).tobytes()
        else:
            packed = np.ascontiguousarray(values).tobytes()
        total = zlib.crc32(packed, total)
    return total


def box_of(soundings: Soundings) -> tuple | None:
    """Return west, south, east, north of soundings, m; None where none has a position.

    Examples
    --------
    >>> box_of(Soundings.build([1.0, 5.0], [2.0, 0.0], [3.0, 3.0]))
    (1.0, 0.0, 5.0, 2.0)
    """
    placed = np.isfinite(soundings.x) & np.isfinite(soundings.y)
    if not placed.any():
        return None
    x, y = soundings.x[placed], soundings.y[placed]
    return tuple(float(f(v)) for f, v in ((np.min, x), (np.min, y), (np.max, x), (np.max, y)))


def wider(box: tuple, margin: float) -> tuple:
    """Return a box that reaches farther by a margin on each side."""
    west, south, east, north = box
    return west - margin, south - margin, east + margin, north + margin


def near(a: tuple | None, b: tuple | None) -> bool:
    """Say whether boxes come within a meter; what has no position may be anywhere."""
    return a is None or b is None or _touch(wider(a, 1.0), b)


def _touch(a, b):
    return a[0] <= b[2] and a[2] >= b[0] and a[1] <= b[3] and a[3] >= b[1]


def order_of_entering(times: np.ndarray) -> tuple:
    """Return the key by which visits enter: those with times by their first, then the others."""
    known = times[~np.isnat(times)]
    return (known.size == 0, known.min().astype(np.int64) if known.size else 0)


def first_day(soundings: Soundings, crs: str) -> str | None:
    """Return the lake's date on which a visit began, None without times."""
    return next(iter(survey_days(soundings, crs)), None)


def times_of_days(
    visits: list[Visit], crs: str, first: np.datetime64 | None, last: np.datetime64 | None
) -> tuple:
    """Return the time from the beginning of a first to the end of a last day at the lake.

    Parameters
    ----------
    visits : list of Visit
        Those of the store, whose places give the longitude.
    crs : str
        Of the store.
    first, last : datetime64[D] or None
        Days by the sun at that longitude.

    Returns
    -------
    start, stop : datetime64[ms] or None
        UTC, stop not included; None where the day is None.
    """
    corners = np.array([v.box for v in visits if v.box], dtype=float).reshape(-1, 4)
    lon = longitude(corners[:, ::2].ravel(), corners[:, 1::2].ravel(), crs)
    hours = float(solar_offset_h(lon))
    local = np.timedelta64(round(hours * 3600), "s").astype("timedelta64[ms]")
    return (
        None if first is None else first - local,
        None if last is None else last + np.timedelta64(1, "D") - local,
    )


# -- which visits are one ----------------------------------------------------------------------


def visit_continued(stored: list[Visit], known: Known, count: int) -> Visit | None:
    """Return the visit of a store that ``count`` soundings continue, as those it holds show."""
    shared = known.counts()
    host = max(stored, key=lambda v: shared.get(v.number, 0), default=None)
    if host is None or not same_outing(shared.get(host.number, 0), count, host.soundings):
        return None
    return host


def resumes(held: np.ndarray, time: np.ndarray, corrections: np.ndarray, lon: float) -> bool:
    """Say whether soundings go on with a visit: after a pause, and not while it was logged.

    Parameters
    ----------
    held : array of datetime64[ms], shape (m,)
        When the soundings of the visit were logged.
    time : array of datetime64[ms], shape (n,)
        When the others were.
    corrections : array of str, shape (n,)
        Of the others, for the offset of the lake's clocks.
    lon : float
        Longitude of the lake, degrees.

    Returns
    -------
    bool
        True on the same day at the lake, or after a pause of up to :data:`.days.VISIT_BREAK_H`
        hours. False where a time is missing, or two sounders were at work at once.

    Examples
    --------
    >>> held = np.array(["2026-05-14T14:00", "2026-05-14T15:00"], "datetime64[ms]")
    >>> said = np.array(["", ""], object)
    >>> resumes(held, held + np.timedelta64(2, "h"), said, -93.0)
    True
    >>> resumes(held, held + np.timedelta64(30, "m"), said, -93.0)
    False
    """
    held, time = np.asarray(held, "datetime64[ms]"), np.asarray(time, "datetime64[ms]")
    if not held.size or not time.size or np.isnat(held).any() or np.isnat(time).any():
        return False
    first, last = time.min(), time.max()
    meanwhile = ((held >= first) & (held <= last)).any()
    if meanwhile and ((time >= held.min()) & (time <= held.max())).any():
        return False
    offset = local_offsets_h(corrections[:1], lon)
    ends = np.array([held.min(), held.max(), first, last])
    days = local_days(ends, np.broadcast_to(offset, 4))
    if set(days[:2]) & set(days[2:]):
        return True
    # One of the two runs lies in a pause of the other, or beside it.
    pause = max(first - held.max(), held.min() - last)
    return bool(pause <= np.timedelta64(round(VISIT_BREAK_H * 3_600_000), "ms"))


def visits_replaced(stored: list[Visit], known: Known, soundings: Soundings) -> list[Visit]:
    """Return the visits of a store that soundings are another reading of."""
    shared, mark = known.counts(), fingerprint(soundings.time, soundings.raw_depth)
    telling = tells(depth_changes(soundings.time, soundings.raw_depth))
    return [
        v
        for v in stored
        if same_outing(shared.get(v.number, 0), len(soundings), v.soundings)
        or (v.fingerprint == mark and telling)
    ]


def twin_of(stored: list[Visit], soundings: Soundings) -> Visit | None:
    """Return the visit of a store with the same depths, at other times or places."""
    mark = fingerprint(soundings.time, soundings.raw_depth)
    twin = next((v for v in stored if v.fingerprint == mark), None)
    if twin is None or not tells(depth_changes(soundings.time, soundings.raw_depth)):
        return None
    return twin


def free_name(stored: list[Visit], name: str) -> str:
    """Return a name that no visit of a store has, with a number where need be."""
    taken = {v.name for v in stored}
    free, k = name, 1
    while free in taken:
        k += 1
        free = f"{name} ({k})"
    return free


# -- what may enter, and what is compared -------------------------------------------------------


def entering(soundings: Soundings, present: set[str]) -> Soundings:
    """Return soundings as they may enter: only a visit that is present can supersede them."""
    texts = [str(s) for s in soundings.status]
    marked = {t for t in texts if t.startswith(SUPERSEDED) and t[len(SUPERSEDED) :] not in present}
    if not marked:
        return soundings
    return soundings.replace(
        status=np.array([ACCEPTED if t in marked else t for t in texts], object)
    )


def visits_by_datum(stored: list[Visit]) -> dict:
    """Return the names of visits by their datum: its name and elevation to the millimeter."""
    found = {}
    for visit in stored:
        name, elevation = visit.datum or (None, None)
        datum = visit.datum and (name, None if elevation is None else round(elevation, 3))
        found.setdefault(datum, []).append(visit.name)
    return found


def visits_to_compare(stored: list[Visit], touched: set[int], margin: float) -> list[tuple]:
    """Return the pairs of visits, older and newer, whose bottom is to be compared.

    Parameters
    ----------
    stored : list of Visit
        In order of time.
    touched : set of int
        Numbers of the visits that came in; each pair has one of them.
    margin : float
        How far apart the boxes of two visits may be, m.
    """
    return [
        (a, b)
        for j, b in enumerate(stored)
        for a in stored[:j]
        if (a.number in touched or b.number in touched)
        and a.box
        and b.box
        and a.goes_before(b)
        and a.meets(wider(b.box, margin))
    ]
