"""Angles, times of day and dates as NMEA 0183 writes them, one or a column of them.

Each column is read at once where its cells are digits as the standard has them; any other cell is
read as one, so that the routine for one text says what a cell means.
"""

from __future__ import annotations

import numpy as np

from ..number_text import finite_number
from ..times import calendar_ms, full_year
from .byte_cells import ByteCells


def nmea_angle(text: str | bytes, hemisphere: str | bytes) -> float:
    """Return signed degrees of ``dddmm.mmmm`` and a hemisphere letter; NaN if malformed.

    Examples
    --------
    >>> nmea_angle("09330.0", "W")
    -93.5
    """
    digits, letter = (v.encode() if isinstance(v, str) else v for v in (text, hemisphere))
    whole = digits.partition(b".")[0]
    if len(whole) < 3 or letter not in (b"N", b"S", b"E", b"W"):
        return np.nan
    degrees, minutes = finite_number(whole[:-2]), finite_number(digits[len(whole) - 2 :])
    limit = 90.0 if letter in b"NS" else 180.0
    value = degrees + minutes / 60.0
    if not (0.0 <= minutes < 60.0 and 0.0 <= value <= limit):
        return np.nan
    return -value if letter in b"SW" else value


def angles(cells: ByteCells, letters: ByteCells, both: bytes) -> np.ndarray:
    """Return :func:`nmea_angle` of cells and letters, shape (n,).

    Parameters
    ----------
    cells, letters : ByteCells
        n of each.
    both : {b"NS", b"EW"}
        The letters of the axis; with another letter an angle is NaN.
    """
    digits = cells.digits
    minutes = digits.after(2)
    value = digits.before(2) + minutes / 60.0
    value[(minutes >= 60.0) | (value > (90.0 if both == b"NS" else 180.0))] = np.nan
    regular = digits.plain & ~digits.negative & (digits.whole >= 3)
    value = cells.with_odd(value, regular, lambda text: nmea_angle(text, both[:1]), np.nan)
    value = np.where(letters.is_one_of(both[1:]), -value, value)
    return np.where(letters.is_one_of(both), value, np.nan)


def time_of_day(text: bytes) -> float:
    """Return milliseconds since midnight of ``hhmmss.sss``; NaN if malformed."""
    hour, minute, second = (finite_number(part) for part in (text[:2], text[2:4], text[4:]))
    if not (len(text) >= 6 and 0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 61):
        return np.nan
    return (hour * 60.0 + minute) * 60_000.0 + round(second * 1000.0)


def times_of_day(cells: ByteCells) -> np.ndarray:
    """Return :func:`time_of_day` of cells, shape (n,)."""
    digits = cells.digits
    hour, minute, second = digits.before(4), digits.before(2) % 100, digits.after(2)
    ms = (hour * 60.0 + minute) * 60_000.0 + np.rint(second * 1000.0)
    ms[(hour >= 24) | (minute >= 60) | (second >= 61.0)] = np.nan
    regular = digits.plain & ~digits.negative & (digits.whole == 6)
    return cells.with_odd(ms, regular, time_of_day, np.nan)


def days_since_1970(day: np.ndarray, month: np.ndarray, year: np.ndarray) -> np.ndarray:
    """Return days since 1970 of numbers or arrays of shape (n,); -1 where there is no such date."""
    date = calendar_ms(full_year(year), month, day, 0.0).astype("datetime64[D]")
    return np.where(np.isnat(date), -1, date.astype("int64"))


def short_date(text: bytes) -> int:
    """Return days since 1970 of ``ddmmyy``; -1 if malformed."""
    if len(text) != 6:
        return -1
    day, month, year = (np.array(finite_number(text[i : i + 2])) for i in (0, 2, 4))
    return int(days_since_1970(day, month, year))


def short_dates(cells: ByteCells) -> np.ndarray:
    """Return :func:`short_date` of cells, shape (n,)."""
    digits = cells.digits
    regular = digits.plain & (digits.whole == 6) & (cells.width == 6)
    dates, row = np.unique(np.where(regular, digits.number, 0), return_inverse=True)
    days = days_since_1970(dates // 10_000, dates // 100 % 100, dates % 100)[row]
    return cells.with_odd(days, regular, short_date, -1)
