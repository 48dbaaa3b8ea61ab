"""Conversion factors to SI, exact by definition unless noted.

The international foot and the knot: NIST SP 811 (2008), appendix B.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import ArrayLike

from .errors import LakefloorError

FOOT = 0.3048
US_SURVEY_FOOT = 1200.0 / 3937.0
FATHOM = 1.8288
INCH = 0.0254
KNOT = 1852.0 / 3600.0
MPH = 0.44704
KMH = 1.0 / 3.6
ACRE = 4046.8564224
HECTARE = 10_000.0
ACRE_FOOT = ACRE * FOOT

#: Units of length that a user may choose, with meters per unit.
LENGTH = {"m": 1.0, "ft": FOOT, "us-ft": US_SURVEY_FOOT, "fathom": FATHOM, "cm": 0.01, "in": INCH}

#: How people say them.
LENGTH_NAMES = {
    "m": "meters",
    "ft": "feet",
    "us-ft": "US survey feet",
    "fathom": "fathoms",
    "cm": "centimeters",
    "in": "inches",
}

#: Meters per second by unit of speed.
SPEED = {"m/s": 1.0, "km/h": KMH, "mph": MPH, "kn": KNOT}

#: Units of temperature that a user may choose -> how columns name them.
TEMPERATURE_UNITS = {"Celsius": "C", "Fahrenheit": "F"}

#: The words by which people choose a unit of length -> its key in :data:`LENGTH`.
UNIT_OF_WORDS = {words: unit for unit, words in LENGTH_NAMES.items()}

_UNIT_AT_END = re.compile(r"[ _(\[](us-ft|fathom|ft|cm|in|m)[)\]]?$")

#: How a unit that data name in plain letters is printed.
_PRINTED = {"m2": "m\u00b2", "m3": "m\u00b3"}


def printed(unit: str) -> str:
    """Return the sign of a unit as people read it, such as ``m\u00b2`` for ``m2``."""
    return _PRINTED.get(unit, unit)


def unit_factor(unit: str) -> float:
    """Return meters per unit of length.

    Raises
    ------
    LakefloorError
        If the unit is no key of :data:`LENGTH`.
    """
    if unit not in LENGTH:
        raise LakefloorError(f"Unit '{unit}' is not known. Use one of: {', '.join(LENGTH)}.")
    return LENGTH[unit]


def unit_in_name(name: str) -> str | None:
    """Return the unit of length at the end of a field's name, such as depth_ft, or None.

    Examples
    --------
    >>> unit_in_name("depth_ft"), unit_in_name("Depth (m)"), unit_in_name("depth")
    ('ft', 'm', None)
    """
    found = _UNIT_AT_END.search(str(name).lower())
    return found[1] if found else None


def fahrenheit_to_celsius(degrees_f: ArrayLike) -> np.ndarray:
    """Convert degrees Fahrenheit to degrees Celsius."""
    return (np.asarray(degrees_f, dtype=float) - 32.0) / 1.8
