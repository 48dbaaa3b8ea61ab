"""Arithmetic of a printed page: scale, grid, marks, lines of text and columns."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np

from ..errors import LakefloorError

#: Width and height of a sheet in portrait, mm (ISO 216; ANSI/ASME Y14.1).
PAGE_SIZES = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
    "Tabloid": (279.4, 431.8),
}

_SCALE_STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
#: What a scale bar needs beside its length, for the last figure and its unit, and the shortest
#: bar whose figures keep apart, mm on A4.
BAR_ROOM = 14.0
_SHORTEST_BAR = 10.0

_GRID_MINUTES = (
    0.01,
    0.02,
    0.05,
    0.1,
    0.2,
    0.5,
    1.0,
    2.0,
    5.0,
    10.0,
    15.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
)


def scale_denominator(
    width: float, height: float, frame_width: float, frame_height: float, margin: float = 0.02
) -> int:
    """Return the largest usual map scale at which an extent fits a frame.

    The series is 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6 and 7.5 times a power of ten, from 1:100.

    Parameters
    ----------
    width, height : float
        Extent on the ground, m.
    frame_width, frame_height : float
        Map frame on the page, mm.
    margin : float
        Share of the frame left free on each side.

    Returns
    -------
    int
        n of the scale 1:n.

    Raises
    ------
    LakefloorError
        If the extent is nil or not finite.

    Examples
    --------
    >>> scale_denominator(700.0, 500.0, 180.0, 200.0)
    5000
    """
    if not (np.isfinite(width + height) and (width > 0 or height > 0)):
        raise LakefloorError(
            "The map has no extent. Choose a shoreline layer that has a polygon, then run again."
        )
    room = 1.0 - 2.0 * margin
    needed = 1000.0 * max(width / (frame_width * room), height / (frame_height * room))
    power = 100
    while True:
        for step in _SCALE_STEPS:
            if step * power >= needed:
                return round(step * power)
        power *= 10


def bar_lengths(room: float, frame: float, k: float) -> list:
    """Return the lengths of the scale bars, mm, that fit beside each other.

    Parameters
    ----------
    room : float
        Width that bars and their figures have, mm.
    frame : float
        Width of the map, mm; a bar is at most about a fifth of it.
    k : float
        Size of the page relative to A4.

    Returns
    -------
    list of float
        Of two bars, or of one where two would be too short to read; none where even one would.

    Examples
    --------
    >>> bar_lengths(108.0, 178.0, 1.0), bar_lengths(56.0, 117.0, 1.0), bar_lengths(40.0, 100.0, 1.0)
    ([37.38, 37.38], [14.0, 14.0], [21.0])
    """
    for count in (2, 1):
        length = min(0.21 * frame, room / count - BAR_ROOM * k)
        if length >= _SHORTEST_BAR * k:
            return [round(length, 6)] * count
    return []


def bar_segment(longest: float) -> float:
    """Return 1, 2 or 5 times a power of ten: the greatest not above ``longest``."""
    power = 10.0 ** np.floor(np.log10(longest))
    return float(power * max(step for step in (1.0, 2.0, 5.0) if step * power <= longest * 1.0001))


def grid_minutes(span: float) -> float:
    """Return the spacing of a latitude-longitude grid, minutes of arc.

    Parameters
    ----------
    span : float
        Shorter side of the map, degrees.

    Returns
    -------
    float
        The greatest usual spacing that puts at least two lines on the side.
    """
    fitting = [step for step in _GRID_MINUTES if step * 2.0 <= span * 60.0 * (1 + 1e-9)]
    return fitting[-1] if fitting else _GRID_MINUTES[0]


def grid_digits(minutes: float) -> int:
    """Return the decimals that figures of a grid of that spacing, minutes of arc, need."""
    return max(0, int(np.ceil(-np.log10(minutes) - 1e-9)))


def ticks(most: float, count: int = 5) -> np.ndarray:
    """Return marks of a scale from 0 to ``most``: 1, 2 or 5 times a power of ten apart.

    At most ``count`` steps; 0 alone where ``most`` is no more.

    >>> ticks(36.2).tolist()
    [0.0, 10.0, 20.0, 30.0]
    """
    if not most > 0:
        return np.zeros(1)
    power = 10.0 ** np.floor(np.log10(most / count))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power * count >= most * 0.999999)
    return step * np.arange(int(most / step * 1.000001) + 1)


def wrap(text: str, width: float, measure: Callable[[str], float]) -> list:
    """Break a text into lines no wider than ``width``.

    Parameters
    ----------
    text : str
        Blanks separate words; line breaks are kept. A word that is wider than
        the line is broken.
    width : float
        In the unit of ``measure``.
    measure : callable
        Takes a text and returns its width.

    Returns
    -------
    list of str
    """
    lines = []
    for paragraph in text.split("\n"):
        line = ""
        # Not at the blank that keeps thousands together.
        for word in filter(None, re.split(r"[^\S\u00a0]+", paragraph)):
            longer = f"{line} {word}" if line else word
            if measure(longer) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            while measure(word) > width and len(word) > 1:
                cut = max((i for i in range(1, len(word)) if measure(word[:i]) <= width), default=1)
                lines.append(word[:cut])
                word = word[cut:]
            line = word
        lines.append(line)
    return lines


def columns(heights: Sequence[float], count: int) -> list:
    """Break a sequence of blocks into columns so that the tallest is as short as can be.

    Parameters
    ----------
    heights : sequence of float
        Heights of the blocks in reading order.
    count : int
        Number of columns.

    Returns
    -------
    list of range
        Indices of the blocks of each column; a column may be empty.
    """
    n = len(heights)
    if count == 1:
        return [range(n)]
    lowest, best = np.inf, [range(n)]
    for cut in range(n + 1):
        rest = columns(heights[cut:], count - 1)
        parts = [range(cut)] + [range(r.start + cut, r.stop + cut) for r in rest]
        tallest = max(sum(heights[i] for i in part) for part in parts)
        if tallest < lowest:
            lowest, best = tallest, parts
    return best


def fill(heights: Sequence[float], count: int, room: float) -> tuple:
    """Fill columns one after the other with as many blocks as they hold.

    Parameters
    ----------
    heights : sequence of float
        Heights of the blocks in reading order.
    count : int
        Number of columns.
    room : float
        Height of a column.

    Returns
    -------
    columns : list of range
        Indices of the blocks of each column.
    first : int
        Index of the first block that found no room.
    """
    parts, start = [], 0
    for _ in range(count):
        stop, used = start, 0.0
        while stop < len(heights) and used + heights[stop] <= room:
            used += heights[stop]
            stop += 1
        parts.append(range(start, stop))
        start = stop
    return parts, start
