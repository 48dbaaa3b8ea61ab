"""When the bytes of a recorded log arrived: one line of fixed width for each piece that was read.

The raw bytes of a device are kept exactly as they came. Beside them stands when they came: a record
says up to which byte there was how much of the log at a moment, by a clock that is never set and by
the computer's own. Records have one width, so that a broken one spoils no other, and one that was
begun when the power failed is told by its length.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

#: Ending of the file beside a raw log.
ARRIVALS_ENDING = ".arrivals"

#: Figures of session, end, monotonic and UTC; between them spaces, behind them a line end.
_WIDTHS = (5, 15, 17, 17)
#: Bytes of a record.
RECORD = sum(_WIDTHS) + len(_WIDTHS)


@dataclass(frozen=True)
class Arrivals:
    """When the pieces of a raw log arrived, in order; every field is int64 of shape (n,).

    Attributes
    ----------
    session : array
        Number of the recording in this folder; monotonic times of two are not comparable.
    end : array
        Bytes of the raw log up to the end of the piece.
    monotonic_us : array
        Of a clock that is never set, us.
    utc_us : array
        Of the computer's clock, us since 1970; it may be wrong.
    """

    session: np.ndarray
    end: np.ndarray
    monotonic_us: np.ndarray
    utc_us: np.ndarray

    def __len__(self) -> int:
        return len(self.end)

    def before(self, session: int) -> Arrivals:
        """Return the records of earlier sessions."""
        count = int(np.searchsorted(self.session, session))
        columns = (self.session, self.end, self.monotonic_us, self.utc_us)
        return Arrivals(*(column[:count] for column in columns))

    def piece_of(self, offset: np.ndarray) -> np.ndarray:
        """Return the number of the piece in which each byte lies; n for bytes behind the last."""
        return np.searchsorted(self.end, offset, side="right")


def arrival_record(session: int, end: int, monotonic_us: int, utc_us: int) -> bytes:
    """Return one record.

    >>> arrival_record(1, 82, 5_000_123, 1_783_605_603_250_000)
    b'00001 000000000000082 00000000005000123 01783605603250000\\n'
    """
    values = zip((session, end, monotonic_us, utc_us), _WIDTHS)
    return (" ".join(f"{value:0{width}d}" for value, width in values) + "\n").encode("ascii")


def parse_arrivals(data: bytes) -> tuple[Arrivals, int]:
    """Return the records of a file, and how many of it are broken.

    Broken are records with anything but figures, and those that break the order of ends or of
    times. What is left of a record at the end of the file is not counted.
    """
    count = len(data) // RECORD
    rows = np.frombuffer(data, dtype=np.uint8, count=count * RECORD).reshape(count, RECORD)
    whole = rows[:, -1] == ord("\n")
    columns, begin = [], 0
    for width in _WIDTHS:
        figures = rows[:, begin : begin + width].astype(np.int64) - ord("0")
        whole &= ((figures >= 0) & (figures <= 9)).all(axis=1)
        columns.append(figures @ 10 ** np.arange(width - 1, -1, -1, dtype=np.int64))
        begin += width + 1
    for at in np.cumsum(_WIDTHS[:-1]) + np.arange(len(_WIDTHS) - 1):
        whole &= rows[:, at] == ord(" ")
    kept = np.flatnonzero(whole)
    # A figure that became another one is told by the order in which it no longer stands.
    kept = kept[_rising(columns[1][kept])]
    kept = kept[_rising(columns[0][kept] * 10 ** _WIDTHS[2] + columns[2][kept], level=True)]
    return Arrivals(*(column[kept] for column in columns)), count - len(kept)


def _rising(values: np.ndarray, level: bool = False) -> np.ndarray:
    """Return the places of a longest chain of rising values; with ``level`` they may stay.

    References
    ----------
    Fredman, M. L. (1975). On computing the length of longest increasing subsequences. Discrete
    Mathematics 11(1), 29-35.
    """
    steps = np.diff(values)
    if not len(values) or (steps >= 0 if level else steps > 0).all():
        return np.arange(len(values))
    find = bisect_right if level else bisect_left
    tops, places, before = [], [], []
    for i, value in enumerate(values.tolist()):
        at = find(tops, value)
        before.append(places[at - 1] if at else -1)
        tops[at : at + 1], places[at : at + 1] = [value], [i]
    chain, i = [], places[-1]
    while i >= 0:
        chain.append(i)
        i = before[i]
    return np.array(chain[::-1])


@dataclass(frozen=True)
class LineClock:
    """When the lines of a log arrived, n of them in order.

    Attributes
    ----------
    start : array of int, shape (n,)
        Where each line begins in the log.
    session : array of int, shape (n,)
    us : array, shape (n,)
        Monotonic, us; NaN where it is not known.
    """

    start: np.ndarray
    session: np.ndarray
    us: np.ndarray

    def arrived(self, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return session and time, us, of the lines in which some bytes lie."""
        line = np.searchsorted(self.start, offset, side="right") - 1
        return self.session[line], self.us[line]
