"""Arithmetic and wording of a printed lake map."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from ..errors import LakefloorError
from ..number_text import written
from ..units import ACRE, FOOT, HECTARE

#: Width and height of a sheet in portrait, mm (ISO 216; ANSI/ASME Y14.1).
PAPERS = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
    "Tabloid": (279.4, 431.8),
}

UNIT_NAMES = {"ft": "feet", "m": "metres"}
METRES = {"ft": FOOT, "m": 1.0}
#: Unit of area that goes with a unit of depth: m2 and name.
AREAS = {"ft": (ACRE, "acres"), "m": (HECTARE, "ha")}

_SCALE_STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
_GRID_MINUTES = (
    0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0,
)
_NATIONAL_DATUMS = (
    "NAVD", "NGVD", "IGLD", "CGVD", "EVRF", "EVRS", "DHHN", "NAP", "ODN", "AHD", "N2000", "RH2000",
    "NN2000", "LN02", "LHN95", "EGM", "MSL",
)
#: A word of its own, its year behind it or not: Annapolis holds no NAP.
_NATIONAL = re.compile(rf"(?<![^\W_])(?:{'|'.join(_NATIONAL_DATUMS)})(?![^\W\d_])")


def scale_denominator(width, height, frame_width, frame_height, margin=0.02) -> int:
    """Return the largest usual map scale at which an extent fits a frame.

    The series is 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6 and 7.5 times a power of ten, from 1:100.

    Parameters
    ----------
    width, height : float
        Extent on the ground, m.
    frame_width, frame_height : float
        Map frame on paper, mm.
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
    """
    if not (np.isfinite(width + height) and (width > 0 or height > 0)):
        raise LakefloorError("The map has no extent; is the shoreline layer empty?")
    room = 1.0 - 2.0 * margin
    needed = 1000.0 * max(width / (frame_width * room), height / (frame_height * room))
    power = 100
    while True:
        for step in _SCALE_STEPS:
            if step * power >= needed:
                return round(step * power)
        power *= 10


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


def position_text(latitude: float, longitude: float) -> str:
    """Return a position in degrees and decimal minutes, as GPS receivers show it: to 2 m."""
    def angle(value, positive, negative, width):
        total = round(abs(value) * 60_000.0)
        return (f"{total // 60_000:0{width}d}° {written(total % 60_000 / 1000.0, '06.3f')}′ "
                f"{negative if value < 0 and total else positive}")

    return f"{angle(latitude, 'N', 'S', 2)}, {angle(longitude, 'E', 'W', 3)}"


@dataclass(frozen=True)
class BandRow:
    """One row of the depth-area table.

    Attributes
    ----------
    top, bottom : float
        Depth limits, m; the deepest row's ``bottom`` may be infinite.
    label : str
        The limits in the unit of the map.
    area : float
        Acres where the unit is ft, hectares where it is m.
    percent : float
        Share of all bands together.
    """

    top: float
    bottom: float
    label: str
    area: float
    percent: float


def area_table(tops, bottoms, areas, unit: str, most: int = 12) -> list:
    """Return the rows of a depth-area table, from shallow to deep.

    Bands that lie in several polygons are summed. Where there would be more
    than ``most`` rows, 2, 5, 10, ... neighbouring bands share one.

    Parameters
    ----------
    tops, bottoms : array, shape (n,)
        Depth limits, m.
    areas : array, shape (n,)
        Areas, m2.
    unit : str
        ``ft`` (areas in international acres) or ``m`` (hectares).

    Returns
    -------
    list of BandRow
    """
    sums = {}
    for top, bottom, area in zip(tops, bottoms, areas):
        key = (round(float(top), 6), round(float(bottom), 6))
        sums[key] = sums.get(key, 0.0) + float(area)
    bands = sorted(sums.items())
    share = next(
        f * p for p in (1, 10, 100, 1000) for f in (1, 2, 5) if len(bands) <= most * f * p
    )
    total = sum(sums.values())
    unit_area = AREAS[unit][0]
    rows = []
    for start in range(0, len(bands), share):
        group = bands[start : start + share]
        top, bottom = group[0][0][0], group[-1][0][1]
        area = sum(a for _, a in group)
        rows.append(
            BandRow(top, bottom, band_label(top, bottom, unit), area / unit_area,
                    100.0 * area / total if total else 0.0)
        )
    return rows


def curve_of_bands(tops, bottoms, areas) -> tuple | None:
    """Return the hypsographic curve that depth bands give.

    Parameters
    ----------
    tops, bottoms : array, shape (n,)
        Depth limits, m; a deepest band without a lower limit ends at its upper one.
    areas : array, shape (n,)
        m2.

    Returns
    -------
    depth : array, shape (k,)
        Limits of the bands, m, rising.
    area : array, shape (k,)
        At that depth or deeper, m2.
    None where the bands have fewer than two limits, as of a pond shallower than one interval.
    """
    tops, areas = np.asarray(tops, dtype=float), np.asarray(areas, dtype=float)
    bottoms = np.asarray(bottoms, dtype=float)
    depth = np.unique(np.round(np.concatenate([tops, bottoms[np.isfinite(bottoms)]]), 6))
    if len(depth) < 2:
        return None
    return depth, np.array([areas[tops >= d - 1e-6].sum() for d in depth])


def ticks(most: float, count: int = 5) -> np.ndarray:
    """Return marks of a scale from 0 to ``most``: 1, 2 or 5 times a power of ten apart.

    At most ``count`` steps; 0 alone where ``most`` is no more.
    """
    if not most > 0:
        return np.zeros(1)
    power = 10.0 ** np.floor(np.log10(most / count))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power * count >= most * 0.999999)
    return step * np.arange(int(most / step * 1.000001) + 1)


def band_label(top: float, bottom: float, unit: str) -> str:
    """Return the depth limits of a band, given in m, as text in the unit of the map."""
    upper, lower = (depth_text(limit, unit) for limit in (top, bottom))
    return f"over {upper}" if not np.isfinite(bottom) else f"{upper} – {lower}"


def depth_text(depth: float, unit: str) -> str:
    """Return a depth, given in m, in the unit of the map without needless decimals."""
    # Adding 0 turns the -0.0 of a depth just above the water into 0.
    value = round(float(depth) / METRES[unit], 1) + 0.0
    if not np.isfinite(value):
        return ""
    return written(value, ".0f" if value.is_integer() else ".1f")


def area_text(area: float) -> str:
    """Return an area to three figures or one decimal, whichever is finer."""
    return written(area, ".2f" if area < 10 else ",.1f")


def interval(depths) -> float:
    """Return the contour interval: the smallest step between levels, NaN below two levels."""
    levels = np.unique(np.round(np.asarray(depths, dtype=float), 6))
    return float(np.diff(levels).min()) if len(levels) > 1 else float("nan")


def dates_text(dates) -> str:
    """Return survey dates (ISO texts) as one phrase; many are given as a span."""
    dates = sorted(set(dates))
    if len(dates) <= 4:
        return ", ".join(dates)
    return f"{dates[0]} to {dates[-1]} ({len(dates)} days)"


def datum_statement(
    unit: str, name: str, elevation: float | None, levels=None, *, level_known: bool = True
) -> str:
    """Return the sentences that say what depths are measured from.

    Parameters
    ----------
    unit : str
        ``ft`` or ``m``.
    name : str
        Name of the lake datum; empty where depths were not reduced.
    elevation : float or None
        Level of the datum on its own scale, m.
    levels : tuple of float, optional
        Lowest and highest lake level of the survey on the same scale, m.
    level_known : bool
        False where nobody read a lake level, so that the datum is the water of one day.
    """
    unit_name = UNIT_NAMES[unit]
    if not level_known and elevation is None:
        return (
            f"Depths in {unit_name} below the {name or 'water surface of the survey days'}. No "
            "gauge was read: how high the lake stood then is not known."
        )
    if not name and elevation is None:
        return (
            f"Depths in {unit_name} below the water surface of the survey days; not reduced to a "
            "lake datum."
        )
    level = ""
    if elevation is not None:
        level = f" {written(elevation / METRES[unit], '.2f')} {unit}"
    text = f"Depths in {unit_name} below lake level{level}" + (f" ({name})." if name else ".")
    if levels:
        low, high = (written(level / METRES[unit], ".2f") for level in levels)
        span = low if low == high else f"{low} to {high}"
        text += f" Lake level on the survey days: {span} {unit} on the same scale."
    if not _NATIONAL.search(re.sub(r"[\s(]+(?=\d)", "", name.upper())):
        text += " The gauge is not tied to a national vertical datum."
    return text


def wrap(text: str, width: float, measure) -> list:
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


def columns(heights, count: int) -> list:
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
    best = None
    for cut in range(n + 1):
        rest = columns(heights[cut:], count - 1)
        parts = [range(cut)] + [range(r.start + cut, r.stop + cut) for r in rest]
        tallest = max(sum(heights[i] for i in part) for part in parts)
        if best is None or tallest < best[0]:
            best = tallest, parts
    return best[1]


def fill(heights, count: int, room: float) -> tuple:
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


CAUTIONS = (
    "NOT FOR NAVIGATION. Between the survey lanes depths are interpolated; rocks, stumps, docks "
    "and shoals may be missing.",
    "Ice is never guaranteed safe, and depths say nothing of its thickness. Check it yourself and "
    "follow local authorities.",
    "Cold water kills quickly: wear a life jacket.",
    "Local rules on access, boating, fishing and invasive species come first.",
)
