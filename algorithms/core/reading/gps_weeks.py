"""Dates of GPS receivers that count the weeks wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..errors import LakefloorError

#: A GPS week number has 10 bits: receivers that count wrong are off by 1024 weeks.
ROLLOVER_DAYS = 1024 * 7

#: No consumer track can be older than the first rollover without being suspect.
FIRST_ROLLOVER = np.datetime64("1999-08-22")


#: More were not there yet: GPS time began in 1980.
MOST_ROLLOVERS = 2


def with_rollovers(times: np.ndarray, count: int) -> np.ndarray:
    """Return times moved by a number of spans of 1,024 GPS weeks, which the user knows are due.

    Parameters
    ----------
    times : array of datetime64[ms], shape (n,)
    count : int
        Below 0 the times become earlier.

    Raises
    ------
    LakefloorError
        If the number is beyond :data:`MOST_ROLLOVERS`.

    Examples
    --------
    >>> str(with_rollovers(np.array(["2006-11-23T14:00"], "datetime64[ms]"), 1)[0])
    '2026-07-09T14:00:00.000'
    """
    if abs(count) > MOST_ROLLOVERS:
        raise LakefloorError(
            f"GPS week roll-overs to add are {count}. Enter {-MOST_ROLLOVERS} to {MOST_ROLLOVERS}."
        )
    return times + count * np.timedelta64(ROLLOVER_DAYS, "D")


def without_week_rollover(days: ArrayLike, name_date: np.datetime64 | None = None) -> np.ndarray:
    """Return dates with whole spans of 1024 GPS weeks added where they are due.

    A date before 22 August 1999, the first rollover of the GPS week number, is
    taken as such a receiver error, and so is one that lies 1024 or 2048 weeks
    (give or take a day) before the date in the file's name.

    Parameters
    ----------
    days : array of datetime64[D], shape (n,)
    name_date : datetime64[D], optional

    Returns
    -------
    array of datetime64[D], shape (n,)

    Examples
    --------
    >>> str(without_week_rollover(np.array(["2006-11-23"], "datetime64[D]"),
    ...                           np.datetime64("2026-07-09"))[0])
    '2026-07-09'

    References
    ----------
    IS-GPS-200, 20.3.3.3.1.1 (transmission week number, modulo 1024).
    """
    days = np.array(days, dtype="datetime64[D]")
    step = np.timedelta64(ROLLOVER_DAYS, "D")
    for _ in range(2):
        days = np.where(days < FIRST_ROLLOVER, days + step, days)
    if name_date is not None:
        for spans in (1, 2):
            late = np.abs((name_date - spans * step - days).astype(int)) <= 1
            days = np.where(late, days + spans * step, days)
    return days
