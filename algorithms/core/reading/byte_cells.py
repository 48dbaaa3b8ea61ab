"""Numbers in cells of text that are slices of a buffer, many at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..number_text import finite_number
from ..progress import Progress, silent, watched

#: So many bytes must follow the last cell in a buffer.
PADDING = 32

#: All integers of so many digits are doubles, and so are their powers of ten: one division,
#: correctly rounded, gives the double nearest to the decimal, which is what float() gives.
_EXACT_DIGITS = 14
_TENS = 10 ** np.arange(19, dtype=np.int64)
_MINUS, _POINT, _ZERO = b"-.0"


def characters(buffer: np.ndarray, start: np.ndarray, count: int) -> np.ndarray:
    """Return so many (to :data:`PADDING`) characters from each place, shape (count, n)."""
    if not count:
        return np.zeros((0, len(start)), dtype=np.uint8)
    return np.ascontiguousarray(sliding_window_view(buffer, count)[start].T)


@dataclass(frozen=True)
class Digits:
    """Cells as digits, each array of shape (n,).

    Attributes
    ----------
    plain : array of bool
        Whether a cell is digits with at most one point among them and a minus before them.
        Elsewhere the other arrays mean nothing.
    negative : array of bool
    number : array of int64
        All digits, without the point.
    whole, decimals : array of int
        How many digits stand before the point and after it.
    """

    plain: np.ndarray
    negative: np.ndarray
    number: np.ndarray
    whole: np.ndarray
    decimals: np.ndarray

    def after(self, digits: int) -> np.ndarray:
        """Return what the last so many (to 4) whole digits and all decimals say, float, shape (n,)."""
        return self.number % _TENS[digits + self.decimals] / _TENS[self.decimals]

    def before(self, digits: int) -> np.ndarray:
        """Return what the whole digits before the last so many (to 4) say, int, shape (n,)."""
        return self.number // _TENS[digits + self.decimals]


@dataclass(frozen=True)
class ByteCells:
    """Cells of text.

    Attributes
    ----------
    buffer : array of uint8
        Ends with :data:`PADDING` bytes of no cell.
    start, stop : array of int, shape (n,)
        Where each cell begins and ends.
    progress : callable
        Looked at in loops over cells that are not plain.
    """

    buffer: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    progress: Progress = silent

    @property
    def width(self) -> np.ndarray:
        """Number of characters, shape (n,)."""
        return self.stop - self.start

    def is_one_of(self, characters: bytes) -> np.ndarray:
        """Return a mask, shape (n,), of the cells that are one of these characters."""
        character = self.buffer[self.start]
        among = np.zeros(len(character), dtype=bool)
        for one in characters:
            among |= character == one
        return among & (self.width == 1)

    @cached_property
    def digits(self) -> Digits:
        """The cells as digits."""
        negative = (self.buffer[self.start] == _MINUS) & (self.width > 0)
        width = self.width - negative
        number = np.zeros(len(width), dtype=np.int64)
        whole, decimals = np.zeros_like(number), np.zeros_like(number)
        pointed = np.zeros(len(width), dtype=bool)
        # One character more than can be plain.
        most = min(int(width.max(initial=0)), _EXACT_DIGITS + 2)
        for k, character in enumerate(characters(self.buffer, self.start + negative, most)):
            digit = character - np.uint8(_ZERO)  # what is below 0 turns over to above 9
            is_digit = (digit < 10) & (width > k)
            number = np.where(is_digit, 10 * number + digit, number)
            decimals += is_digit & pointed
            whole += is_digit & ~pointed
            pointed |= (character == _POINT) & (width > k)
        count = whole + decimals
        plain = (count > 0) & (count <= _EXACT_DIGITS)
        plain &= count + pointed == width
        return Digits(plain, negative, number, whole, np.where(plain, decimals, 0))

    def numbers(self) -> np.ndarray:
        """Return the numbers as :func:`.number_text.finite_number` reads each, shape (n,)."""
        digits = self.digits
        value = digits.number / _TENS[digits.decimals]
        value = np.where(digits.negative, -value, value)
        return self.with_odd(value, digits.plain, finite_number, np.nan)

    def with_odd(
        self, values: np.ndarray, regular: np.ndarray, read: Callable, empty: float
    ) -> np.ndarray:
        """Return values of regular cells, with what ``read`` makes of the text of each other.

        Parameters
        ----------
        values : array, shape (n,)
        regular : array of bool, shape (n,)
        read : callable
            Takes the bytes of a cell.
        empty : float
            Value of a cell that holds nothing.
        """
        values = np.where(regular, values, empty)
        odd = np.flatnonzero(~regular & (self.width > 0))
        for i in watched(odd.tolist(), self.progress):
            values[i] = read(self.text(i))
        return values

    def text(self, i: int) -> bytes:
        """Return the text of a cell."""
        return self.buffer[self.start[i] : self.stop[i]].tobytes()
