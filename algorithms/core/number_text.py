"""Numbers in texts that people read, with the signs that their language writes.

What another program reads (files of points, tables, attributes) is not written here.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from numbers import Number
from typing import Any

from .errors import LakefloorError
from .units import FOOT


@dataclass(frozen=True)
class Numbers:
    """The signs of a language; digits are always 0 to 9.

    Attributes
    ----------
    decimal : str
        Between units and tenths.
    group : str
        Between thousands, where the format asks for it; may be empty.
    """

    decimal: str = "."
    group: str = ","

    def written(self, value: Any, spec: str = "") -> str:
        """Return a number by a format specification of Python, such as ``,.1f``."""
        signs: dict[str, str | int | None] = {".": self.decimal, ",": self.group}
        return format(value, spec).translate(str.maketrans(signs))

    def phrase(self, template: str, *values: object, **named: object) -> str:
        """Return ``template.format(...)`` with its numbers in these signs; texts stay."""
        return _Formatter(self).vformat(template, values, named)


class _Formatter(string.Formatter):
    def __init__(self, numbers):
        self.numbers = numbers

    def format_field(self, value, format_spec):
        if isinstance(value, Number) and not isinstance(value, bool):
            return self.numbers.written(value, format_spec)
        return super().format_field(value, format_spec)


ENGLISH = Numbers()

_current = ContextVar("numbers", default=ENGLISH)


@contextmanager
def written_with(numbers: Numbers) -> Iterator[None]:
    """Let :func:`written` and :func:`phrase` write with these signs, in this thread."""
    token = _current.set(numbers)
    try:
        yield
    finally:
        _current.reset(token)


def written(value: Any, spec: str = "") -> str:
    """Return a number by a format specification, in the signs of the reader."""
    return _current.get().written(value, spec)


def finite_number(text: Any) -> float:
    """Return the number that another program wrote, NaN where it is none or not finite.

    Examples
    --------
    >>> finite_number("12.5"), finite_number("inf"), finite_number(None)
    (12.5, nan, nan)
    """
    try:
        value = float(text)
    except (TypeError, ValueError):
        return math.nan
    return value if math.isfinite(value) else math.nan


def counted(count: int | str, one: str, several: str = "") -> str:
    """Return how many of something there are, in the signs of the reader.

    Parameters
    ----------
    count : int or str
        A number, or one that is written already.
    one, several : str
        The word for one of them, and for several where that is not the same with an s.

    Examples
    --------
    >>> counted(1, "drop-off"), counted(2400, "drop-off"), counted("1.0", "foot", "feet")
    ('1 drop-off', '2,400 drop-offs', '1.0 feet')
    """
    number = count if isinstance(count, str) else written(count, ",")
    return f"{number} {one if number == '1' else several or f'{one}s'}"


def rounded_depth_text(
    depth: float, unit: str = "ft", write: Callable[[float, str], str] = written
) -> str:
    """Return a depth, m, as people read it: whole feet, or meters with one decimal.

    ``write`` takes a number and a format specification; with ``format`` the decimal is a point in
    every language, for devices.

    Raises
    ------
    LakefloorError
        If the unit is neither ``ft`` nor ``m``.

    Examples
    --------
    >>> rounded_depth_text(3.66), rounded_depth_text(3.66, "m")
    ('12 ft', '3.7 m')
    """
    # Adding nought turns the -0 of a place at the datum into 0.
    if unit == "ft":
        return f"{write(round(depth / FOOT, 0) + 0.0, '.0f')} ft"
    if unit == "m":
        return f"{write(round(depth, 1) + 0.0, '.1f')} m"
    raise LakefloorError(f"Depth unit '{unit}' is not known. Use ft or m.")


def phrase(template: str, *values: object, **named: object) -> str:
    """Return ``template.format(...)`` with its numbers in the signs of the reader."""
    return _current.get().phrase(template, *values, **named)
