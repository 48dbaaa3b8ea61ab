"""Amounts with their units and nouns, singular and plural, and the one confidence of pages."""

from __future__ import annotations

from ..number_text import counted
from ..units import ACRE, HECTARE

#: The confidence that pages state is 95%: so many standard uncertainties to each side, the
#: quantile of the normal distribution.
WITHIN_95 = 1.96

#: The unit of depth in words: one, several.
UNIT_WORDS = {"ft": ("foot", "feet"), "m": ("meter", "meters")}
#: The unit of area that goes with a unit of depth: m2 and name.
AREA_UNITS = {"ft": (ACRE, "acres"), "m": (HECTARE, "ha")}


def with_sign(number: str, sign: str) -> str:
    """Return a number with the sign of its unit; a percent sign follows without a blank.

    >>> with_sign("53.2", "%"), with_sign("1.2", "m"), with_sign("1.13", "")
    ('53.2%', '1.2 m', '1.13')
    """
    return f"{number}{sign}" if sign in ("", "%") else f"{number} {sign}"


def length_words(number: str, unit: str) -> str:
    """Return a length in words, such as ``1 foot``; ``unit`` is ft or m."""
    return counted(number, *UNIT_WORDS[unit])
