"""Whether the dates of a visit can be right, beside the clock and the other visits of a lake."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..number_text import counted, written
from ..times import date_in_name
from .findings import Finding

#: GPS weeks are counted modulo 1024 (IS-GPS-200, 20.3.3.3.1.1): a receiver that lost count is off
#: by one or two of these.
_ROLLOVER = np.timedelta64(1024 * 7, "D")
_MOST_ROLLOVERS = 2

#: No log is younger than the clock, with a day for clocks and zones that are wrong.
_AHEAD = np.timedelta64(1, "D")

#: A log enters within a year of its visit, and one of the same project within a year of another
#: (common practice): so near a date lies beside the clock or a neighbor.
_BESIDE = np.timedelta64(366, "D")

#: So long before all others a visit is doubted: an unset clock starts in 1970, 1980 or 2000, while
#: lakes are rarely left alone for ten years with a sounder at hand (common practice).
_ALONE_DAYS = 3652


def doubtful_dates(
    visit: str, time: np.ndarray, others: Sequence[np.datetime64], now: np.datetime64
) -> list[Finding]:
    """Return what is found about the dates of a visit.

    Parameters
    ----------
    visit : str
    time : array of datetime64, shape (n,)
        UTC.
    others : sequence of datetime64
        A time of each other visit, NaT where there is none.
    now : datetime64
        UTC.

    Examples
    --------
    >>> time = np.array(["2006-11-23T15:00"], "datetime64[ms]")
    >>> doubtful_dates("a", time, [np.datetime64("2026-06-20")], np.datetime64("2026-09-01"))[0].code
    'rollover'
    """
    time = time[~np.isnat(time)]
    if not time.size:
        return []
    # A few wrong times among many do not date a visit.
    day = np.sort(time)[(time.size - 1) // 2].astype("datetime64[D]")
    others = [other for other in others if not np.isnat(other)]
    ahead, years = day > now + _AHEAD, _years_before(day, others)
    named = date_in_name(visit)
    if named is not None and abs(named - day) <= np.timedelta64(1, "D"):
        # The lake's own date, which the user knows.
        day = named.astype("datetime64[D]")
    if ahead or years is None or years * 365.25 > _ALONE_DAYS:
        spans = _rollovers(day, others, now)
        if spans:
            return [_rolled_over(visit, day, spans)]
    if ahead:
        return [_in_the_future(visit, day, now)]
    if years is not None and years * 365.25 > _ALONE_DAYS:
        return [
            Finding(
                visit,
                "date",
                True,
                f"Visit '{visit}' is dated {day}, {written(years, '.0f')} years before all others. "
                "Check the clock of its log and read it again. If the date is right, choose "
                "'enter all the same'.",
                years * 365.25,
                unit="days",
            )
        ]
    return []


def _years_before(day, others):
    """Return by how many years a day lies before all others, None without any."""
    if not others:
        return None
    return float((min(others) - day) / np.timedelta64(1, "D")) / 365.25


def _rollovers(day, others, now) -> int:
    """Return how many spans of 1,024 weeks bring a day beside the clock or another visit."""
    signs = (1, -1) if day <= now else (-1, 1)
    for spans in (sign * k for k in range(1, _MOST_ROLLOVERS + 1) for sign in signs):
        moved = day + spans * _ROLLOVER
        beside = others or [now]
        if moved <= now + _AHEAD and any(abs(moved - other) <= _BESIDE for other in beside):
            return spans
    # The first visit of a year may stand apart from the others, but not from the clock.
    for spans in (sign * k for k in range(1, _MOST_ROLLOVERS + 1) for sign in signs):
        moved = day + spans * _ROLLOVER
        if now - _BESIDE <= moved <= now + _AHEAD:
            return spans
    return 0


def _rolled_over(visit, day, spans):
    there = day + spans * _ROLLOVER
    weeks = written(1024 * abs(spans), ",")
    return Finding(
        visit,
        "rollover",
        True,
        f"Visit '{visit}' is dated {day}, which is {weeks} weeks {'before' if spans > 0 else 'after'} "
        f"{there}: probably its GPS receiver counts the weeks wrong. Read its logs again with "
        f"'GPS week roll-overs to add' set to {spans}.",
        float((there - day) / np.timedelta64(1, "D")),
        unit="days",
    )


def _in_the_future(visit, day, now):
    days = float((day - now) / np.timedelta64(1, "D"))
    swapped = _swapped(day)
    way = (
        f"If day and month were exchanged, it is {swapped}: give date_order in 'Columns of "
        "text files' and read its logs again."
        if swapped is not None and swapped <= now
        else "Correct the clock, the date column or the time zone, and read its logs again."
    )
    return Finding(
        visit,
        "future",
        True,
        f"Visit '{visit}' is dated {day}, {counted(round(days), 'day')} in the future. {way}",
        days,
        unit="days",
    )


def _swapped(day):
    """Return a date with day and month exchanged, None where that is no other date."""
    year, month, date = str(day).split("-")
    if int(date) > 12 or month == date:
        return None
    return np.datetime64(f"{year}-{date}-{month}")
