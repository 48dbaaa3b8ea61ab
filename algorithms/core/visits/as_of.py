"""The lake as it was known: what a store held at the end of a day, or without some of its visits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..soundings import ACCEPTED, Soundings, distinct
from .by_hand import day_of_change, marked, status_after
from .store_visits import SUPERSEDED, Visit, times_of_days


@dataclass(frozen=True)
class Knowledge:
    """What of a store counts: all that was surveyed up to a day, but for some visits.

    Attributes
    ----------
    stop : datetime64[ms] or None
        UTC, the end of the day, which is the first moment that does not count; None for no end.
    began : dict of str to datetime64[ms]
        The first time of each visit by its name, NaT where it has none.
    without : frozenset of str
        Names of visits that are left out.
    day : datetime64[D] or None
        The day itself.
    marks : tuple
        What a person said of changes of the bottom, see :func:`.by_hand.marked`.

    Notes
    -----
    A sounding without time is as old as its visit. A visit without any time is older than all
    others, as everywhere in a store (:meth:`.Visit.goes_before`), so that it always counts.

    What superseded a sounding counts from the first time of the visit that did it, and a change of
    the bottom that a person marked from its day. What came later, or by a visit that is left out,
    is undone: the sounding is accepted again, unless it is older than a change that was marked of
    an earlier day. Every other status stays: a spike was a spike on that day too.
    """

    stop: np.datetime64 | None
    began: dict
    without: frozenset = frozenset()
    day: np.datetime64 | None = None
    marks: tuple = ()

    @classmethod
    def of(
        cls,
        visits: Iterable[Visit],
        crs: str,
        day: np.datetime64 | None = None,
        without: Iterable[str] = (),
        marks: Iterable = (),
    ) -> Knowledge:
        """Return what counts at the end of a day of the lake.

        Parameters
        ----------
        visits : iterable of Visit
            All of the store.
        crs : str
            Of the store.
        day : datetime64[D], optional
            By the sun at the lake, as for :func:`.store_visits.times_of_days`; none is today.
        without : iterable of str
            Names of visits that are left out.
        marks : iterable, optional
            What a person said of changes of the bottom, in order, see :func:`.by_hand.marked`.
        """
        visits = list(visits)
        _, stop = times_of_days(visits, crs, None, day)
        marks = tuple(mark for mark in marks if day is None or not _is_later(mark, day))
        return cls(stop, {v.name: v.start for v in visits}, frozenset(without), day, marks)

    def has(self, name: str) -> bool:
        """Say whether a visit counts, at least a part of it."""
        return name not in self.without and not self._later(self.began.get(name))

    def counts(self, soundings: Soundings) -> np.ndarray:
        """Return a mask, shape (n,), of the soundings that count."""
        names, visit = distinct(soundings.visit)
        kept = np.array([self.has(name) for name in names], dtype=bool)[visit]
        if self.stop is not None:
            # NaT is never later.
            kept &= ~(soundings.time >= self.stop)
        return kept

    def of_soundings(self, soundings: Soundings) -> Soundings:
        """Return the soundings that count, with the status that they had.

        Examples
        --------
        >>> day = np.datetime64
        >>> known = Knowledge(day("2024-01-01"), {"May": day("2023-05-14"), "June": day("2025-06-14")})
        >>> lake = Soundings.build(
        ...     [0.0, 1.0], [0.0, 0.0], [3.0, 4.0], visit=["May", "June"],
        ...     time=np.array(["2023-05-14", "2025-06-14"], "datetime64[ms]"),
        ...     status=["superseded by June", "accepted"])
        >>> then = known.of_soundings(lake)
        >>> then.visit.tolist(), then.status.tolist()
        (['May'], ['accepted'])
        """
        kept = self.counts(soundings)
        known = soundings if kept.all() else soundings.select(kept)
        texts, status = distinct(known.status)
        undone = np.array([self._undone(text) for text in texts], dtype=bool)
        if not undone.any():
            return known
        words = np.array([ACCEPTED if u else text for u, text in zip(undone, texts)], dtype=object)
        known = known.replace(status=words[status])
        if not self.marks:
            return known
        return known.replace(status=marked(known, self.marks, undone[status]))

    def _undone(self, status: str) -> bool:
        """Say whether a status was given by what does not count."""
        changed = day_of_change(status)
        if changed is not None:
            return self.day is not None and bool(changed > self.day)
        if not status.startswith(SUPERSEDED):
            return False
        # A visit that the store does not have cannot be said to be later.
        name = status[len(SUPERSEDED) :]
        return name in self.without or self._later(self.began.get(name))

    def _later(self, moment: np.datetime64 | None) -> bool:
        return self.stop is not None and moment is not None and bool(moment >= self.stop)


def _is_later(mark, day):
    """Say whether a change of the bottom came after a day."""
    changed = day_of_change(status_after(mark[0], mark[2]))
    return changed is not None and bool(changed > day)


def without_times(visits: Iterable[Visit]) -> list:
    """Return the names of visits that have no time at all: nobody knows on which day they were."""
    return [v.name for v in visits if np.isnat(v.start)]


def of_year(visits: Iterable[Visit], crs: str, year: int, marks: Iterable = ()) -> tuple:
    """Return what was known before a calendar year, its last day, and what was known then.

    Parameters
    ----------
    visits : iterable of Visit
        All of the store.
    crs : str
        Of the store.
    year : int
        From January 1 to December 31 by the sun at the lake.
    marks : iterable, optional
        As for :meth:`Knowledge.of`.

    Returns
    -------
    before : Knowledge
    last : datetime64[D]
    after : Knowledge

    Raises
    ------
    LakefloorError
        If there was no visit in that year; with the years in which there were.
    """
    visits = list(visits)
    first, last = (np.datetime64(f"{year:04d}-{day}") for day in ("01-01", "12-31"))
    if not any(v.spans(*times_of_days(visits, crs, first, last)) for v in visits):
        if not _times(visits):
            raise LakefloorError(
                f"The lake database has no visit of {year}, since no sounding has a time. Name the "
                "visits instead."
            )
        years = sorted({str(_day(visits, crs, t))[:4] for t in _times(visits)})
        raise LakefloorError(
            f"The lake database has no visit in {year}. Choose one of its years: "
            f"{', '.join(years)}."
        )
    before, after = (Knowledge.of(visits, crs, day, marks=marks) for day in (first - 1, last))
    return before, last, after


def of_visits_added(
    visits: Iterable[Visit], crs: str, names: Iterable[str], marks: Iterable = ()
) -> tuple:
    """Return what was known without some visits, the day of the last, and what was known then.

    Parameters
    ----------
    visits : iterable of Visit
        All of the store.
    crs : str
        Of the store.
    names : iterable of str
        Of visits in the store.
    marks : iterable, optional
        As for :meth:`Knowledge.of`.

    Returns
    -------
    before : Knowledge
        At the end of the same day, but without these visits.
    last : datetime64[D] or None
        The day on which the last of them ended; None if none of them has a time.
    after : Knowledge
    """
    visits, names = list(visits), set(names)
    ends = _times([v for v in visits if v.name in names])
    last = _day(visits, crs, max(ends)) if ends else None
    after = Knowledge.of(visits, crs, last, marks=marks)
    return Knowledge.of(visits, crs, last, names, marks), last, after


def _times(visits) -> list:
    return [t for v in visits for t in (v.start, v.stop) if not np.isnat(t)]


def _day(visits, crs, moment) -> np.datetime64:
    """Return the day at the lake of a moment in UTC."""
    day = moment.astype("datetime64[D]")
    midnight, _ = times_of_days(visits, crs, day, None)
    return (moment - (midnight - day)).astype("datetime64[D]")
