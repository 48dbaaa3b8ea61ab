"""Decisions of a person on single soundings of a lake's store, and the status that follows.

A decision is kept by the ping that it is about, never by a row of the table: by when, where and
how deep it was logged. So it holds for every new reading of the same log. What cleaning said is
kept beside it, so that a decision can be taken back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..soundings import ACCEPTED
from .by_hand import BOTTOM_CHANGED, REJECTED_BY_HAND, SET_ASIDE
from .store_visits import SUPERSEDED, SWITCHED_OFF

#: What is decided of pings; to clear is to go back to what cleaning said.
REJECT_PINGS, ACCEPT_PINGS, CLEAR_PINGS = "reject", "accept", "clear"
PING_DECISIONS = (REJECT_PINGS, ACCEPT_PINGS, CLEAR_PINGS)

#: What is said where no reason was given.
NO_REASON = "no reason given"


def said_by_cleaning(status: str) -> str:
    """Return what cleaning said of a sounding, as far as its status shows.

    Only what cleaning accepted is superseded or set aside.

    Examples
    --------
    >>> said_by_cleaning("spike"), said_by_cleaning("held back: weeds")
    ('spike', 'accepted')
    """
    return ACCEPTED if status.startswith((SUPERSEDED, *SET_ASIDE)) else status


def status_decided(decision: str, status: str, said: str, reason: str, off: bool = False) -> str:
    """Return the status of a sounding after a decision on it.

    Parameters
    ----------
    decision : str
        One of :data:`PING_DECISIONS`.
    status : str
        As it is.
    said : str
        What cleaning said.
    reason : str
        Of a rejection; :data:`NO_REASON` stands for none.
    off : bool
        Whether the visit is switched off.

    Notes
    -----
    What a newer visit superseded, what is older than a change of the bottom, and what belongs to a
    visit that is switched off is not mapped, whatever is decided. It keeps its status, and the
    decision holds as soon as that is undone.

    Examples
    --------
    >>> status_decided("reject", "accepted", "accepted", "fish")
    'rejected by hand: fish'
    >>> status_decided("accept", "spike", "spike", ""), status_decided("clear", "accepted", "spike", "")
    ('accepted', 'spike')
    >>> status_decided("reject", "superseded by June", "accepted", "fish")
    'superseded by June'
    """
    stays = status.startswith((SUPERSEDED, BOTTOM_CHANGED)) or status == SWITCHED_OFF
    if stays and (decision != CLEAR_PINGS or said == ACCEPTED):
        return status
    if decision == REJECT_PINGS:
        return f"{REJECTED_BY_HAND}{reason or NO_REASON}"
    after = said if decision == CLEAR_PINGS else ACCEPTED
    return SWITCHED_OFF if off and after == ACCEPTED else after


def same_rows(held: tuple, asked: tuple) -> np.ndarray:
    """Return for each of the pings held the row of the same one among those asked for.

    Parameters
    ----------
    held, asked : tuple of array, shape (n,) and (m,)
        Columns that must agree exactly; NaN and NaT agree with themselves.

    Returns
    -------
    int array, shape (n,)
        -1 where there is none. Pings that nothing tells apart are paired in order, each once.

    Examples
    --------
    >>> held = np.array([5.0, np.nan, 5.0, 5.0]), np.array([1.0, 1.0, 1.0, 1.0])
    >>> asked = np.array([4.0, 5.0, np.nan, 5.0]), np.array([1.0, 1.0, 1.0, 1.0])
    >>> same_rows(held, asked).tolist()
    [1, 2, 3, -1]
    """
    n = len(held[0])
    columns = [_bits(np.concatenate(pair)) for pair in zip(held, asked)]
    order = np.lexsort(columns[::-1])
    new = np.ones(len(order), bool)
    new[1:] = np.any([c[order][1:] != c[order][:-1] for c in columns], axis=0)
    group = np.empty(len(order), np.int64)
    group[order] = np.cumsum(new)
    key = np.concatenate([_numbered(part, len(group)) for part in (group[:n], group[n:])])
    key = np.unique(key, return_inverse=True)[1].ravel()
    row = np.full(key.max(initial=-1) + 1, -1)
    row[key[n:]] = np.arange(len(key) - n)
    return row[key[:n]]


@dataclass(frozen=True)
class CertainPings:
    """Some pings, for :func:`.by_hand.marked`: times, UTC, and places, m, each of shape (n,)."""

    time: np.ndarray
    x: np.ndarray
    y: np.ndarray

    def holds(self, x: np.ndarray, y: np.ndarray, time: np.ndarray) -> np.ndarray:
        """Return a mask, shape (m,), of the soundings that are these pings.

        Examples
        --------
        >>> when = np.array(["2026-05-14", "2026-05-15"], "datetime64[ms]")
        >>> pings = CertainPings(when[:1], np.array([1.0]), np.array([2.0]))
        >>> pings.holds(np.array([1.0, 1.0]), np.array([2.0, 2.0]), when).tolist()
        [True, False]
        """
        row = same_rows((self.time, self.x, self.y), (time, x, y))
        held = np.zeros(len(x), bool)
        held[row[row >= 0]] = True
        return held


def _bits(values):
    """Return values as whole numbers that are equal where they are, NaN and NaT too."""
    values = np.asarray(values)
    if values.dtype.kind == "M":
        return values.astype("datetime64[ms]").astype(np.int64)
    values = np.where(np.isnan(values), np.nan, values.astype(float) + 0.0)
    return np.ascontiguousarray(values).view(np.int64)


def _numbered(group, most):
    """Return a number for each row that tells its group and the how-manieth it is there."""
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], group[order])
    rank = np.empty(len(group), np.int64)
    rank[order] = np.arange(len(group)) - first
    return group * most + rank
