"""Many times of ISO 8601 at once, as the bytes of a table."""

from __future__ import annotations

import numpy as np

#: Where the digits and the marks of YYYY-MM-DDTHH:MM:SS stand.
_DIGITS = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)
_MARKS = {4: "-", 7: "-", 10: "T", 13: ":", 16: ":"}


def iso_milliseconds(table) -> np.ndarray:
    """Return times as ms since 1970, shape (n,); one without zone is UTC.

    Parameters
    ----------
    table : uint8 array, shape (n, width)
        Each row the bytes of a time such as ``2026-05-14T14:00:00``, with or without ``.250``, and
        with ``Z``, an offset such as ``+02:00`` or nothing.

    Raises
    ------
    ValueError
        If one is written in another way, or there is no such time.
    """
    width = table.shape[1]
    digits, marks, zone = list(_DIGITS), dict(_MARKS), None
    fraction = width in (23, 24, 29)
    if fraction:
        digits += [20, 21, 22]
        marks[19] = "."
    if width in (20, 24):
        marks[width - 1] = "Z"
    elif width in (25, 29):
        zone = width - 6
        digits += [zone + 1, zone + 2, zone + 4, zone + 5]
        marks[zone + 3] = ":"
    elif width not in (19, 23):
        raise ValueError("a time in another form")
    # Below "0", bytes wrap round to large numbers.
    digit = {at: table[:, at] - np.uint8(ord("0")) for at in digits}
    if any((column > 9).any() for column in digit.values()) or any(
        (table[:, at] != ord(mark)).any() for at, mark in marks.items()
    ):
        raise ValueError("a time in another form")

    def number(start, length):
        total = digit[start].astype(np.int64)
        for at in range(start + 1, start + length):
            total = 10 * total + digit[at]
        return total

    seconds = _days(number(0, 4), number(5, 2), number(8, 2)) * 86_400
    for at, unit, count in ((11, 3_600, 24), (14, 60, 60), (17, 1, 60)):
        part = number(at, 2)
        if (part >= count).any():
            raise ValueError("a time that there is not")
        seconds += part * unit
    if zone is not None:
        sign = (table[:, zone] == ord("+")).astype(np.int64) - (table[:, zone] == ord("-"))
        if not sign.all():
            raise ValueError("a time in another form")
        seconds -= sign * (number(zone + 1, 2) * 3_600 + number(zone + 4, 2) * 60)
    return seconds * 1_000 + (number(20, 3) if fraction else 0)


def _days(year, month, day) -> np.ndarray:
    """Return dates as days since 1970, int64, shape (n,)."""
    months = (year - 1970) * 12 + month - 1
    days = months.view("datetime64[M]").astype("datetime64[D]").view(np.int64) + day - 1
    same = days.view("datetime64[D]").astype("datetime64[M]").view(np.int64) == months
    if not ((year > 0) & (month >= 1) & (month <= 12) & same).all():
        raise ValueError("a day that there is not")
    return days
