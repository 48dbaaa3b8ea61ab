"""The lake as it was known: what a store held at the end of a day, or without some of its visits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..soundings import ACCEPTED, Soundings, distinct
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

    Notes
    -----
    A sounding without time is as old as its visit. A visit without any time is older than all
    others, as everywhere in a store (:meth:`.Visit.goes_before`), so that it always counts.

    What superseded a sounding counts from the first time of the visit that did it. A sounding that
    a later visit superseded, or one that is left out, is accepted again. Every other status stays:
    a spike was a spike on that day too.
    """

    stop: np.datetime64 | None
    began: dict
    without: frozenset = frozenset()

    @classmethod
    def of(
        cls,
        visits: Iterable[Visit],
        crs: str,
        day: np.datetime64 | None = None,
        without: Iterable[str] = (),
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
        """
        visits = list(visits)
        _, stop = times_of_days(visits, crs, None, day)
        return cls(stop, {v.name: v.start for v in visits}, frozenset(without))

    def has(self, name: str) -> bool:
        """Say whether a visit counts, at least a part of it."""
        return name not in self.without and not self._later(self.began.get(name))

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
        names, visit = distinct(soundings.visit)
        kept = np.array([self.has(name) for name in names], dtype=bool)[visit]
        if self.stop is not None:
            # NaT is never later.
            kept &= ~(soundings.time >= self.stop)
        known = soundings if kept.all() else soundings.select(kept)
        texts, status = distinct(known.status)
        undone = np.array([self._undone(text) for text in texts], dtype=bool)
        if not undone.any():
            return known
        words = np.array([ACCEPTED if u else text for u, text in zip(undone, texts)], dtype=object)
        return known.replace(status=words[status])

    def _undone(self, status: str) -> bool:
        """Say whether a status was given by what does not count."""
        if not status.startswith(SUPERSEDED):
            return False
        # A visit that the store does not have cannot be said to be later.
        name = status[len(SUPERSEDED) :]
        return name in self.without or self._later(self.began.get(name))

    def _later(self, moment: np.datetime64 | None) -> bool:
        return self.stop is not None and moment is not None and bool(moment >= self.stop)


def without_times(visits: Iterable[Visit]) -> list:
    """Return the names of visits that have no time at all: nobody knows on which day they were."""
    return [v.name for v in visits if np.isnat(v.start)]
