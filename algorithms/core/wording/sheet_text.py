"""Words and figures of a printed lake map."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..number_text import written
from ..units import LENGTH
from .amounts import AREA_UNITS, UNIT_WORDS

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_NATIONAL_DATUMS = (
    "NAVD",
    "NGVD",
    "IGLD",
    "CGVD",
    "EVRF",
    "EVRS",
    "DHHN",
    "NAP",
    "ODN",
    "AHD",
    "N2000",
    "RH2000",
    "NN2000",
    "LN02",
    "LHN95",
    "EGM",
    "MSL",
)
#: A word of its own, its year behind it or not: Annapolis holds no NAP.
_NATIONAL = re.compile(rf"(?<![^\W_])(?:{'|'.join(_NATIONAL_DATUMS)})(?![^\W\d_])")


def position_text(latitude: float, longitude: float) -> str:
    """Return a position in degrees and decimal minutes, as GPS receivers show it: to 2 m."""

    def angle(value, positive, negative, width):
        total = round(abs(value) * 60_000.0)
        return (
            f"{total // 60_000:0{width}d}° {written(total % 60_000 / 1000.0, '06.3f')}′ "
            f"{negative if value < 0 and total else positive}"
        )

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


def area_table(
    tops: np.ndarray, bottoms: np.ndarray, areas: np.ndarray, unit: str, most: int = 12
) -> list:
    """Return the rows of a depth-area table, from shallow to deep.

    Bands that lie in several polygons are summed. Where there would be more
    than ``most`` rows, 2, 5, 10, ... neighboring bands share one.

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
    share = next(f * p for p in (1, 10, 100, 1000) for f in (1, 2, 5) if len(bands) <= most * f * p)
    total = sum(sums.values())
    unit_area = AREA_UNITS[unit][0]
    rows = []
    for start in range(0, len(bands), share):
        group = bands[start : start + share]
        top, bottom = group[0][0][0], group[-1][0][1]
        area = sum(a for _, a in group)
        rows.append(
            BandRow(
                top,
                bottom,
                band_label(top, bottom, unit),
                area / unit_area,
                100.0 * area / total if total else 0.0,
            )
        )
    return rows


def band_label(top: float, bottom: float, unit: str) -> str:
    """Return the depth limits of a band, given in m, as text in the unit of the map."""
    upper, lower = (depth_text(limit, unit) for limit in (top, bottom))
    return f"over {upper}" if not np.isfinite(bottom) else f"{upper} – {lower}"


def depth_text(depth: float, unit: str) -> str:
    """Return a depth, given in m, in the unit of the map without needless decimals."""
    # Adding 0 turns the -0.0 of a depth just above the water into 0.
    value = round(float(depth) / LENGTH[unit], 1) + 0.0
    if not np.isfinite(value):
        return ""
    return written(value, ".0f" if value.is_integer() else ".1f")


def area_text(area: float) -> str:
    """Return an area to three figures or one decimal, whichever is finer."""
    return written(area, ".2f" if area < 10 else ",.1f")


def interval(depths: np.ndarray) -> float:
    """Return the contour interval: the smallest step between levels, NaN below two levels."""
    levels = np.unique(np.round(np.asarray(depths, dtype=float), 6))
    return float(np.diff(levels).min()) if len(levels) > 1 else float("nan")


def date_words(day: str) -> str:
    """Return a day, an ISO text, as people write it.

    >>> date_words("2025-05-17")
    'May 17, 2025'
    """
    date = datetime.date.fromisoformat(day)
    return f"{_MONTHS[date.month - 1]} {date.day}, {date.year}"


def dates_text(dates: Iterable[str]) -> str:
    """Return the days of a survey (ISO texts) as one phrase; many are given as a span.

    >>> dates_text(["2025-07-02", "2025-05-12", "2026-06-20"])
    'May 12 and July 2, 2025; June 20, 2026'
    """
    dates = sorted(set(dates))
    if len(dates) > 4:
        return f"{date_words(dates[0])} to {date_words(dates[-1])} ({len(dates)} days)"
    years = {}
    for day, year in (date_words(text).split(", ") for text in dates):
        years.setdefault(year, []).append(day)
    return "; ".join(f"{_and(days)}, {year}" for year, days in years.items())


def _and(words) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def datum_statement(
    unit: str,
    name: str,
    elevation: float | None,
    levels: tuple | None = None,
    *,
    level_known: bool = True,
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
    below = f"Depths in {UNIT_WORDS[unit][1]} below"
    water = "the water surface on the day of each visit"
    if elevation is None and not level_known:
        return (
            f"{below} the {name}. The lake level at that time is not known."
            if name
            else (f"{below} {water}. The lake levels at that time are not known.")
        )
    if elevation is None and not name:
        return f"{below} {water}. They are not reduced to a lake datum."

    def height(value):
        return written(value / LENGTH[unit], ".2f")

    level = "" if elevation is None else f" {height(elevation)} {unit}"
    sentences = [f"{below} lake level{level} ({name})." if name else f"{below} lake level{level}."]
    if levels:
        low, high = map(height, levels)
        span = low if low == high else f"{low} to {high}"
        sentences.append(f"Lake level during the visits: {span} {unit} on the same scale.")
    if not is_national(name) and (levels or elevation is not None):
        what = "The gauge" if levels else "This level"
        sentences.append(f"{what} is not tied to a national vertical datum.")
    return " ".join(sentences)


def is_national(datum: str) -> bool:
    """Tell whether the name of a datum names a national vertical datum.

    >>> is_national("OHW, NAVD 88"), is_national("Annapolis gauge")
    (True, False)
    """
    return bool(_NATIONAL.search(re.sub(r"[\s(]+(?=\d)", "", datum.upper())))
