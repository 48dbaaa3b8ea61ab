"""Parts of visits that a person sets aside in a lake's store, by place, time and visit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from ..polygons import contains, rings
from ..soundings import ACCEPTED, Soundings, distinct
from .store_visits import SUPERSEDED, SWITCHED_OFF

#: Statuses of soundings that a person set aside: this, and the reason or the day.
HELD_BACK = "held back: "
REJECTED_BY_HAND = "rejected by hand: "
BOTTOM_CHANGED = "bottom changed "
SET_ASIDE = (HELD_BACK, REJECTED_BY_HAND, BOTTOM_CHANGED)

#: Actions on a part, as the history of a store names them.
HOLD_BACK = "held back"
REJECT = "rejected by hand"
REMOVE = "removed in part"
MARK_CHANGED = "bottom changed"
ACCEPT = "accepted by hand"
ACCEPT_SUPERSEDED = "superseded accepted by hand"

#: Action by which a visit got another name, which the parameters say.
RENAMED = "renamed"


@dataclass(frozen=True)
class VisitPart:
    """Where and when soundings lie that a person speaks of.

    Attributes
    ----------
    area : shapely polygon or multipolygon, optional
        In the store's CRS; everywhere without.
    start, stop : datetime64[ms], optional
        UTC, from ``start`` to before ``stop``; any time without.
    untimed : bool
        Whether soundings without a time belong to it although there is a start or a stop.
    """

    area: BaseGeometry | None = None
    start: np.datetime64 | None = None
    stop: np.datetime64 | None = None
    untimed: bool = False

    @property
    def box(self) -> tuple | None:
        """West, south, east, north of the area, m; None is everywhere."""
        return None if self.area is None else tuple(self.area.bounds)

    def holds(self, x: np.ndarray, y: np.ndarray, time: np.ndarray) -> np.ndarray:
        """Return a mask, shape (n,), of the soundings that lie in the part.

        Examples
        --------
        >>> from shapely.geometry import box
        >>> time = np.array(["2026-05-14", "2026-05-15", "NaT"], "datetime64[ms]")
        >>> part = VisitPart(box(0, 0, 9, 9), stop=np.datetime64("2026-05-15"), untimed=True)
        >>> part.holds(np.array([1.0, 1.0, 1.0]), np.array([1.0, 1.0, 20.0]), time).tolist()
        [True, False, False]
        """
        held = np.ones(len(x), bool)
        unknown = np.isnat(time)
        if self.start is not None:
            held &= (time >= self.start) | (unknown & self.untimed)
        if self.stop is not None:
            held &= (time < self.stop) | (unknown & self.untimed)
        if self.area is not None:
            placed = held & np.isfinite(x) & np.isfinite(y)
            held = np.zeros(len(x), bool)
            held[placed] = contains(rings(self.area), x[placed], y[placed])
        return held

    def between(self, first: str | None, last: str | None) -> VisitPart:
        """Return the part while something was logged; never, if that has no times.

        Examples
        --------
        >>> part = VisitPart().between("2026-05-14T14:00:00.000", "2026-05-14T15:00:00.000")
        >>> time = np.array(["2026-05-14T15:00", "2026-05-14T15:01"], "datetime64[ms]")
        >>> part.holds(np.zeros(2), np.zeros(2), time).tolist()
        [True, False]
        """
        never = np.datetime64("0001-01-01", "ms")
        start = never if first is None else np.datetime64(first, "ms")
        stop = never if last is None else np.datetime64(last, "ms") + np.timedelta64(1, "ms")
        return VisitPart(self.area, start, stop)

    def written(self) -> dict:
        """Return the part as the history of a store keeps it, the area as in GeoJSON."""
        return {
            "area": None if self.area is None else mapping(self.area),
            "from": None if self.start is None else str(self.start.astype("datetime64[ms]")),
            "to": None if self.stop is None else str(self.stop.astype("datetime64[ms]")),
            "untimed": self.untimed,
        }

    @classmethod
    def of(cls, written: dict) -> VisitPart:
        """Return the part that :meth:`written` gave.

        Examples
        --------
        >>> part = VisitPart(start=np.datetime64("2026-05-15", "ms"))
        >>> VisitPart.of(part.written()) == part
        True
        """

        def time(text):
            return None if text is None else np.datetime64(text, "ms")

        area = written.get("area")
        return cls(
            None if area is None else shape(area),
            time(written.get("from")),
            time(written.get("to")),
            bool(written.get("untimed")),
        )


#: What becomes of soundings: mapped, held back by hand, superseded by a newer visit or a marked
#: change of the bottom, or rejected by cleaning or by hand.
STATUS_KINDS = ("accepted", "held_back", "superseded", "rejected")


def status_kind(status: str) -> str:
    """Return which of :data:`STATUS_KINDS` a status is.

    Examples
    --------
    >>> status_kind("held back: weeds"), status_kind("bottom changed 2025-10-12"), status_kind("spike")
    ('held_back', 'superseded', 'rejected')
    """
    if status == ACCEPTED:
        return "accepted"
    if status.startswith(HELD_BACK):
        return "held_back"
    return "superseded" if status.startswith((SUPERSEDED, BOTTOM_CHANGED)) else "rejected"


def count_statuses(status: Iterable[str]) -> dict:
    """Return how many statuses there are of each of :data:`STATUS_KINDS`.

    Examples
    --------
    >>> count_statuses(["accepted", "spike", "accepted"])
    {'accepted': 2, 'held_back': 0, 'superseded': 0, 'rejected': 1}
    """
    texts, row = distinct(status)
    counts = dict.fromkeys(STATUS_KINDS, 0)
    for text, count in zip(texts, np.bincount(row, minlength=len(texts)).tolist()):
        counts[status_kind(text)] += count
    return counts


def was_set_aside(status: Iterable[str]) -> np.ndarray:
    """Return a mask of the statuses that say that a person set the sounding aside.

    Examples
    --------
    >>> was_set_aside(["accepted", "held back: weeds", "bottom changed 2025-10-12"]).tolist()
    [False, True, True]
    """
    return np.array([str(text).startswith(SET_ASIDE) for text in status], bool)


def concerned(action: str, status: np.ndarray, words: str = "") -> np.ndarray:
    """Return a mask of the soundings that an action of a person changes, by their statuses.

    What cleaning rejected, or a newer visit superseded, stays so: only what would be mapped is set
    aside, and what a person set aside may be set aside otherwise, or accepted again. A change of
    the bottom takes only what would be mapped until its day, which ``words`` say: what is wrong
    stays wrong before that day too, and what an earlier change marked keeps the earlier day.
    """
    if action == REMOVE:
        return np.ones(len(status), bool)
    if action == ACCEPT:
        return was_set_aside(status)
    if action == MARK_CHANGED:
        day = day_of_change(status_after(action, words))
        return np.array([text == ACCEPTED or _changed_after(text, day) for text in status], bool)
    if action == ACCEPT_SUPERSEDED:
        return np.array([str(text).startswith(SUPERSEDED) for text in status], bool)
    return (status == ACCEPTED) | was_set_aside(status)


def status_after(action: str, words: str) -> str:
    """Return the status that an action gives; ``words`` are the reason, or the day of a change.

    Examples
    --------
    >>> status_after(HOLD_BACK, "weeds"), status_after(ACCEPT, "")
    ('held back: weeds', 'accepted')
    """
    before = {HOLD_BACK: HELD_BACK, REJECT: REJECTED_BY_HAND, MARK_CHANGED: BOTTOM_CHANGED}
    return f"{before[action]}{words}" if action in before else ACCEPTED


def day_of_change(status: str) -> np.datetime64 | None:
    """Return the day from which the bottom is another, if a status says so.

    Examples
    --------
    >>> print(day_of_change("bottom changed 2025-10-12"), day_of_change("accepted"))
    2025-10-12 None
    """
    if not status.startswith(BOTTOM_CHANGED):
        return None
    try:
        return np.datetime64(status[len(BOTTOM_CHANGED) :], "D")
    except ValueError:
        return None


def marked(soundings: Soundings, marks: Iterable, rows: np.ndarray) -> np.ndarray:
    """Return the statuses of soundings after what a person said of changes of the bottom.

    Parameters
    ----------
    soundings : Soundings
    marks : iterable of (str, VisitPart, str)
        In order: :data:`MARK_CHANGED` or :data:`ACCEPT`, where and when, and the day of a change.
    rows : array of bool, shape (n,)
        The soundings that they concern, where these are accepted.

    Examples
    --------
    >>> marks = [(MARK_CHANGED, VisitPart(stop=np.datetime64("2025-10-12"), untimed=True), "2025-10-12")]
    >>> marked(Soundings.build([0.0], [0.0], [3.0]), marks, np.ones(1, bool)).tolist()
    ['bottom changed 2025-10-12']
    """
    status, rows = soundings.status.copy(), rows & (soundings.status == ACCEPTED)
    for action, part, words in marks:
        held = rows & part.holds(soundings.x, soundings.y, soundings.time)
        held &= concerned(action, status, words)
        status[held] = status_after(action, words)
    return status


def _changed_after(status, day):
    """Say whether a status names a change of the bottom of a later day."""
    changed = day_of_change(str(status))
    return changed is not None and day is not None and bool(changed > day)


def carried_over(soundings: Soundings, before: np.ndarray) -> Soundings:
    """Return a new reading of soundings, those set aside that were so in the old one.

    Parameters
    ----------
    soundings : Soundings
    before : array of str, shape (n,)
        Status of each in the old reading, empty where that lacks it. What the new reading rejects
        keeps its reason. Whether a visit is switched off is said of the visit.
    """
    kept = was_set_aside(before) & (before != SWITCHED_OFF) & (soundings.status == ACCEPTED)
    return soundings.replace(status=np.where(kept, before, soundings.status).astype(object))
