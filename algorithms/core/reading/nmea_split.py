"""Where the sentences of NMEA 0183 in a log stand, and whether their checksums agree.

References
----------
NMEA 0183, Standard for Interfacing Marine Electronic Devices (also IEC
61162-1): a sentence begins with ``$``, two characters of the talker and three
of the kind; commas part its cells; ``*`` and two hexadecimal digits, the
exclusive or of what stands between, end it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..progress import Progress
from .byte_cells import PADDING, ByteCells, characters

#: Bytes looked at together; more are needed only where a sentence is longer.
BLOCK = 1_000_000

#: Cells of a sentence that are of use.
CELLS = 12

_HEAD = 7  # of "$GPGGA,"
_HEX = np.full(256, -1, dtype=np.int16)
for _value, _figure in enumerate("0123456789ABCDEF"):
    _HEX[[ord(_figure), ord(_figure.lower())]] = _value
_RETURN, _FEED, _COMMA, _DOLLAR, _STAR = b"\r\n,$*"


@dataclass(frozen=True)
class SentenceBlock:
    """The sentences in a piece of a log, in order; n of them.

    Attributes
    ----------
    offset : int
        Where the piece begins in the log.
    buffer : array of uint8
        The piece, with :data:`.byte_cells.PADDING` bytes more.
    start, stop, end : array of int, shape (n,)
        In the buffer: of ``$``, behind the last cell, and behind what there is of a checksum.
    line : array of int, shape (n,)
        From 1; CR, LF and CRLF end a line.
    names : list of str
        Talkers and kinds that occur, such as ``GPGGA``.
    name : array of int, shape (n,)
        Number of the sentence's in ``names``.
    stated, computed : array of int, shape (n,)
        Checksums; ``stated`` is -1 where there is none or not all of it.
    progress : callable
    """

    offset: int
    buffer: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    end: np.ndarray
    line: np.ndarray
    names: list
    name: np.ndarray
    stated: np.ndarray
    computed: np.ndarray
    progress: Progress
    _marks: np.ndarray
    _mark: np.ndarray

    def cells(self, rows: np.ndarray) -> list[ByteCells]:
        """Return the first :data:`CELLS` columns of some sentences; what is missing is empty."""
        stop = self.stop[rows]
        # The first mark behind "$" is the comma before the first cell.
        edges = self._marks[self._mark[rows, None] + np.arange(1, CELLS + 2)]
        edges = np.minimum(edges, stop[:, None]).T
        return [
            ByteCells(self.buffer, np.minimum(edge + 1, stop), after, self.progress)
            for edge, after in zip(edges[:-1], edges[1:])
        ]


def sentence_blocks(data: bytes, progress: Progress) -> Iterator[SentenceBlock]:
    """Yield the sentences of a log, piece by piece; anything between them is skipped.

    Parameters
    ----------
    data : bytes
    progress : callable
        Called before each piece.
    """
    begin, line = 0, 1
    while begin < len(data):
        progress(begin / len(data))
        cut = _cut(data, begin)
        done = (begin + cut) / (2.0 * len(data))
        block, lines = _split(data, begin, cut, line, lambda _, done=done: progress(done))
        line += lines
        begin = cut
        if len(block.start):
            yield block


def _cut(data, begin):
    """Return where a piece of a log ends: no sentence has a second dollar sign or a line end."""
    end = begin + BLOCK
    if end >= len(data):
        return len(data)
    cut = data.rfind(b"$", begin + 1, end)
    if cut < 0:
        cut = data.rfind(b"\n", begin, end) + 1
    if cut > 0:
        return cut
    ahead = [at for at in (data.find(b"$", end), data.find(b"\n", end) + 1) if at > 0]
    return min(ahead, default=len(data))


def _split(data, begin, cut, line, progress):
    """Return the sentences of a piece of a log, and how many line ends it has."""
    buffer = np.frombuffer(data[begin:cut] + bytes(PADDING), dtype=np.uint8)
    marks = np.flatnonzero(
        (buffer == _COMMA)
        | (buffer == _DOLLAR)
        | (buffer == _STAR)
        | (buffer == _RETURN)
        | (buffer == _FEED)
    )
    breaks = np.flatnonzero(buffer[marks] != _COMMA)
    place = marks[breaks]
    sign, after = buffer[place], np.append(place[1:], cut - begin)
    ended = np.cumsum((sign == _FEED) | ((sign == _RETURN) & (buffer[place + 1] != _FEED)))
    is_start = sign == _DOLLAR
    is_start[is_start] = _headed(buffer, place[is_start])
    start, stop = place[is_start], after[is_start]
    bounds = np.column_stack((start + 1, stop)).ravel()
    if len(start):
        computed = np.bitwise_xor.reduceat(buffer, bounds)[::2]
    else:
        computed = np.zeros(0, dtype=np.uint8)
    starred = buffer[stop] == _STAR
    high, low = (np.where(starred, _HEX[buffer[stop + k]], -1) for k in (1, 2))
    whole = (high >= 0) & (low >= 0)
    names, name = _names(buffer, start)
    block = SentenceBlock(
        begin,
        buffer,
        start,
        stop,
        stop + starred + (high >= 0) + whole,
        line + ended[is_start],
        names,
        name,
        np.where(whole, 16 * high + low, -1),
        computed,
        progress,
        np.append(marks, np.full(CELLS + 1, cut - begin)),
        breaks[is_start],
    )
    return block, int(ended[-1]) if len(ended) else 0


def _headed(buffer, start):
    """Return a mask of the positions of "$" that a talker, a kind and a comma follow."""
    head = characters(buffer, start, _HEAD)
    letter = head[1:-1] - np.uint8(ord("A")) < 26  # what is below A turns over to above Z
    letter[1] |= head[2] - np.uint8(ord("0")) < 10
    return letter.all(axis=0) & (head[-1] == _COMMA)


def _names(buffer, start):
    """Return the talkers with their kinds that occur, and for each sentence the number of its."""
    code = np.zeros(len(start), dtype=np.int64)
    for character in characters(buffer, start, _HEAD - 1)[1:]:
        code = 256 * code + character
    codes, name = np.unique(code, return_inverse=True)
    return [int(c).to_bytes(_HEAD - 2, "big").decode("ascii") for c in codes], name
