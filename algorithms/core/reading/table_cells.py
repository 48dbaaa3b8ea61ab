"""Numbers and angles in the cells of tables."""

from __future__ import annotations

import re

import numpy as np

#: No number, angle or flag is written with more characters: patterns look at no longer cell.
LONGEST_CELL = 64

_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_ANGLE = re.compile(
    r"^(?P<before>[NSEWnsew])?\s*(?P<sign>[+-])?(?P<deg>\d{1,3}(?:\.\d+)?)\s*(?:[°ºd:\s]|deg)?\s*"
    r"(?:(?P<min>\d{1,2}(?:\.\d+)?)\s*(?:['’′:m\s]|$)?\s*)?"
    r"(?:(?P<sec>\d{1,2}(?:\.\d+)?)\s*(?:[\"”″s]|''|$)?\s*)?(?P<after>[NSEWnsew])?$"
)


def cell_number(text: str) -> float:
    """Return the number in a cell with a decimal point, NaN where it holds none."""
    if len(text) > LONGEST_CELL:
        return np.nan
    try:
        return float(text) if _NUMBER.match(text.strip()) else np.nan
    except ValueError:  # a control character, which is blank for the one and not for the other
        return np.nan


def is_value(cell: str, comma: bool) -> bool:
    """Tell whether a cell looks like a number, angle, date or time; a decimal comma is one."""
    if len(cell) > LONGEST_CELL:
        return False
    cell = cell.strip()
    return bool(
        _NUMBER.match(cell.replace(",", ".") if comma else cell)
        or (re.match(r"^\W*\d", cell) and re.search(r"\d[:/°-]", cell))
    )


def parse_angle(text: str, axis: str = "") -> float:
    """Return signed decimal degrees of a longitude or latitude in text; NaN if malformed.

    Decimal degrees, degrees and decimal minutes, and degrees, minutes and
    seconds are read, with a sign or a hemisphere letter before or after.

    Parameters
    ----------
    text : str
        Such as ``17° 08.0907' N`` or ``-91.64266``.
    axis : {"lon", "lat", ""}
        Refuses the letters and the range of the other axis.

    Examples
    --------
    >>> round(parse_angle("17° 08.0907' N"), 6), parse_angle("93.5W"), parse_angle("95 N")
    (17.134845, -93.5, nan)
    """
    if len(text) > LONGEST_CELL:
        return np.nan
    text = text.strip()
    if _NUMBER.match(text):
        value, letter = float(text), ""
    else:
        found = _ANGLE.match(text)
        if not found or (found["before"] and found["after"]):
            return np.nan
        letter = (found["before"] or found["after"] or "").upper()
        minutes, seconds = float(found["min"] or 0.0), float(found["sec"] or 0.0)
        if minutes >= 60.0 or seconds >= 60.0 or (letter and found["sign"]):
            return np.nan
        value = float(found["deg"]) + minutes / 60.0 + seconds / 3600.0
        if letter in ("S", "W") or found["sign"] == "-":
            value = -value
    wrong = {"lon": "NS", "lat": "EW"}.get(axis, "")
    limit = 90.0 if axis == "lat" or (letter and letter in "NS") else 180.0
    return np.nan if (letter and letter in wrong) or abs(value) > limit else value
