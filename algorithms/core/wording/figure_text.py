"""Figures of a lake in the units that people read, with digits that their uncertainty allows."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..figures.figure import UNITS, Figure
from ..number_text import written
from ..units import HECTARE, printed
from .amounts import WITHIN_95, with_sign

#: Digits after the point where no uncertainty says how many are worth reading; other kinds
#: show three figures or more.
_DIGITS = {"percent": 1, "ratio": 2, "count": 0}


def to_unit(value: float | np.ndarray | None, kind: str, unit: str) -> Any:
    """Return a figure in the unit that is read; ``unit`` is that of depth, ft or m.

    >>> to_unit(3.048, "length", "ft"), to_unit(None, "area", "ft")
    (10.0, None)
    """
    return None if value is None else value / UNITS[kind][unit][0]


def reading_unit(value: float, kind: str, unit: str) -> tuple:
    """Return the unit that a figure is read in: its SI units, and its sign.

    >>> reading_unit(25_000.0, "area", "m"), reading_unit(900.0, "area", "m")
    ((10000.0, 'ha'), (1.0, 'm²'))
    """
    if kind == "area" and unit == "m" and value >= HECTARE:
        return HECTARE, "ha"
    size, name = UNITS[kind][unit]
    return size, printed(name)


def half_width(figure: Figure) -> float | None:
    """Return the 95% uncertainty of a figure, or None where none is known."""
    return None if figure.sd is None else WITHIN_95 * figure.sd


def bare(value: float, kind: str, size: float, half: float | None = None) -> str:
    """Return a figure in a unit of so many SI units; its 95% uncertainty decides the digits."""
    value /= size
    digits = _DIGITS.get(kind)
    if digits is None:
        digits = int(np.clip(2 - np.floor(np.log10(max(abs(value), 1e-3))), 0, 3))
    if half:
        # The uncertainty keeps two figures where it begins with 1 or 2, else one.
        digits = int(np.clip(np.ceil(-np.log10(half / size / 3.0)), 0, 3))
    return written(value, f",.{digits}f")


def figure_text(value: float, kind: str, unit: str, half: float | None = None) -> str:
    """Return a figure with its unit; its 95% uncertainty decides the digits.

    >>> figure_text(4046.8564224, "area", "ft"), figure_text(53.21, "percent", "ft")
    ('1.00 acres', '53.2%')
    """
    size, sign = reading_unit(value, kind, unit)
    return with_sign(bare(value, kind, size, half), sign)


def figure_within(figure: Figure, unit: str) -> str:
    """Return a figure with its 95% uncertainty, where there is one, and its unit.

    >>> figure_within(Figure("Littoral percentage", "percent", 53.21, 0.12), "m")
    '53.21 ± 0.24%'
    """
    size, sign = reading_unit(figure.value, figure.kind, unit)
    half = half_width(figure)
    spread = f" ± {bare(half, figure.kind, size, half)}" if half else ""
    return with_sign(f"{bare(figure.value, figure.kind, size, half)}{spread}", sign)


def uncertainty_text(figure: Figure, unit: str) -> str:
    """Return the 95% uncertainty of a figure with its unit; empty where none is known."""
    half = half_width(figure)
    if half is None:
        return ""
    size, sign = reading_unit(figure.value, figure.kind, unit)
    return with_sign(f"± {bare(half, figure.kind, size, half)}", sign)


def setting(value: float, unit: str) -> str:
    """Return a depth that the user chose, m, with its unit.

    >>> setting(4.572, "ft")
    '15 ft'
    """
    return f"{written(round(to_unit(value, 'length', unit), 3), 'g')} {unit}"
