"""One figure of a lake, and the units in which figures are read."""

from __future__ import annotations

from typing import NamedTuple

from ..units import ACRE, ACRE_FOOT, FOOT

#: SI units a reading unit, and its name, by kind of figure and unit of depth.
UNITS = {
    "area": {"m": (1.0, "m2"), "ft": (ACRE, "acres")},
    "volume": {"m": (1.0, "m3"), "ft": (ACRE_FOOT, "acre-ft")},
    "length": {"m": (1.0, "m"), "ft": (FOOT, "ft")},
    "percent": {"m": (1.0, "%"), "ft": (1.0, "%")},
    "ratio": {"m": (1.0, ""), "ft": (1.0, "")},
    "count": {"m": (1.0, ""), "ft": (1.0, "")},
}


class Figure(NamedTuple):
    """One statistic.

    Attributes
    ----------
    label : str
        What it is, in words.
    kind : str
        Key of :data:`UNITS`.
    value : float
        m, m2, m3, percent or a plain number.
    sd : float or None
        Standard uncertainty in the same unit; None where none is estimated.
    """

    label: str
    kind: str
    value: float
    sd: float | None = None
