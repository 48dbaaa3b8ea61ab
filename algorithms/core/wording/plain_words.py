"""A lake in plain words, for people who do not read charts."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from ..cautions import CAUTIONS
from ..errors import LakefloorError
from ..figures.lake_statistics import LITTORAL_DEPTH, LakeStatistics
from ..number_text import phrase, written
from ..units import ACRE, ACRE_FOOT, FOOT, LENGTH
from .amounts import WITHIN_95, counted, length_words
from .sheet_facts import DatumFacts, SheetFacts, SurveyFacts
from .sheet_text import date_words, depth_text

#: A field of American football with its end zones, 360 by 160 ft, and a football pitch of
#: 105 by 68 m, m2.
_FIELDS = {
    "ft": (360.0 * FOOT * 160.0 * FOOT, "American football field", "American football fields"),
    "m": (105.0 * 68.0, "football pitch", "football pitches"),
}
#: The least water in a pool of 50 by 25 m that is 2 m deep, m3.
_POOL = 50.0 * 25.0 * 2.0
#: Height of a story of a house, m: common practice.
_STORY = 3.0
#: A fall of the lake that people can picture, m, by unit.
_FALLS = {"ft": (FOOT, "one foot"), "m": (0.5, "half a meter")}


def about(value: float, figures: int = 2) -> str:
    """Return a number to so many figures, thousands parted, without needless zeros.

    >>> about(12_345.0), about(0.25), about(46.3, 3)
    ('12,000', '0.25', '46.3')
    """
    digits = figures - 1 - math.floor(math.log10(abs(value))) if value else 0
    value, digits = round(value, digits), max(digits, 0)
    while digits and value == round(value, digits - 1):
        digits -= 1
    return written(value, f",.{digits}f")


def area_words(area: float, unit: str, figures: int = 2) -> str:
    """Return an area, m2, in acres or hectares.

    >>> area_words(4046.8564224, "ft"), area_words(25_000.0, "m")
    ('1 acre', '2.5 hectares')
    """
    if unit == "ft":
        return counted(about(area / ACRE, figures), "acre")
    return counted(about(area / 1e4, figures), "hectare")


def size_words(area: float, unit: str) -> str:
    """Return the size of a lake, m2, as a phrase with a comparison."""
    size = area_words(area, unit, 3)
    if unit == "ft" and area >= 640.0 * ACRE:
        size += f" ({counted(about(area / ACRE / 640.0, 3), 'square mile')})"
    elif unit == "m" and area >= 1e6:
        size = counted(about(area / 1e6, 3), "square kilometer")
    field, *names = _FIELDS[unit]
    return f"{size}, about {counted(about(area / field), *names)}"


def volume_words(volume: float, unit: str) -> str:
    """Return a volume, m3, as a phrase with a comparison."""
    if unit == "ft":
        size = counted(about(volume / ACRE_FOOT, 3), "acre-foot", "acre-feet")
    elif volume >= 1e6:
        size = f"{about(volume / 1e6, 3)} million cubic meters"
    else:
        size = counted(about(volume, 3), "cubic meter")
    if volume < _POOL:
        return size
    times = counted(about(volume / _POOL), "time")
    return f"{size}, enough to fill a swimming pool of 50 by 25 m, 2 m deep, {times}"


def stories_words(depth: float) -> str:
    """Return a comparison for a depth, m; empty below the height of two stories."""
    stories = round(depth / _STORY)
    return f"about the height of a {stories}-story house" if stories >= 2 else ""


def days_words(dates: Iterable[str], visits: int = 0) -> str:
    """Return survey days (ISO texts) as people write them; a visit may run past midnight.

    >>> days_words(["2025-05-17", "2026-06-20"], visits=2)
    'on 2 visits between May 17, 2025 and June 20, 2026'
    """
    days = sorted(set(dates))
    if not days:
        return ""
    if len(days) == 1:
        return f"on {date_words(days[0])}"
    often = f"on {visits} visits" if visits > 1 else f"on {len(days)} days"
    return f"{often} between {date_words(days[0])} and {date_words(days[-1])}"


def report_sections(facts: SheetFacts, drop_offs: bool) -> list:
    """Return the headings of a report on one page, with their sentences.

    ``drop_offs`` is whether the map shows any.
    """
    unit, survey, datum, settings = facts.unit, facts.survey, facts.datum, facts.settings
    makers = [f"Made by {settings.author}."] if settings.author else []
    if facts.statistics is None:
        raise LakefloorError("A report needs the figures of the lake. Give a depth surface.")
    sections = [
        ("The lake", lake_sentences(facts.statistics, unit)),
        (
            "How it was surveyed and how sure the depths are",
            survey_sentences(unit, survey, facts.uncertainty, facts.contours.supported),
        ),
        (
            "What the map shows",
            map_sentences(unit, facts.contours.interval, facts.contours.index_interval, drop_offs),
        ),
        ("What the lake level does", level_sentences(unit, facts.statistics, datum)),
        ("Before you use it", list(CAUTIONS)),
        ("Who made it", makers + settings.source_lines),
    ]
    return [(heading, lines) for heading, lines in sections if lines]


def lake_sentences(statistics: LakeStatistics, unit: str) -> list:
    """Return what the lake is: how large, how deep, how much water."""
    f = {name: figure.value for name, figure in statistics.figures.items()}
    deepest, mean, shallow = (
        length_words(depth_text(depth, unit), unit)
        for depth in (f["max_depth"], f["mean_depth"], LITTORAL_DEPTH)
    )
    house = stories_words(f["max_depth"])
    lines = [
        f"The lake covers {size_words(f['area'], unit)}.",
        f"At its deepest place the water is {deepest} deep{', ' + house if house else ''}. On "
        f"average it is {mean} deep.",
        f"It holds {volume_words(f['volume'], unit)}.",
        f"{about(f['littoral_share'])}% of the lake is shallower than {shallow}. Plants may "
        "get enough light to grow there.",
    ]
    if f["mapped_share"] < 99.95:
        lines.append(
            f"{about(100.0 - f['mapped_share'])}% of the lake has not been mapped. No "
            "depth or volume is counted there."
        )
    return lines


def survey_sentences(
    unit: str, survey: SurveyFacts, uncertainty: float | None = None, supported: float | None = None
) -> list:
    """Return how the lake was surveyed and how sure its depths are.

    Parameters
    ----------
    unit : str
    survey : SurveyFacts
    uncertainty : float, optional
        Mean standard uncertainty of the surface, m.
    supported : float, optional
        Share of the contours' length that the data support.
    """

    def length(value):
        return length_words(about(value / LENGTH[unit]), unit)

    lines = []
    if survey.used:
        when = days_words(survey.dates, len(survey.visits))
        lines.append(
            "A boat with an echo sounder and a GPS receiver measured the depth at "
            f"{counted(survey.used, 'place')}{' ' if when else ''}{when}."
        )
        if survey.lanes:
            apart = ""
            if survey.spacing is not None:
                apart = f", about {length(survey.spacing)} apart"
            lines.append(f"The boat drove {counted(survey.lanes, 'lane')}{apart}.")
    crossings = survey.crossings
    if crossings is not None and crossings.n and crossings.percentile95 is not None:
        whose = "that of another visit" if survey.between else "itself"
        lines.append(
            f"Its track crossed {whose} {counted(crossings.n, 'time')}. There the two depths "
            f"agreed within {length(crossings.percentile95)} in 95 of 100 cases."
        )
    elif survey.used:
        lines.append("Its track crossed itself too seldom to check the depths against each other.")
    if uncertainty is not None:
        lines.append(
            "On average, a depth of the map should be right within "
            f"{length(WITHIN_95 * uncertainty)} in 95 of 100 cases. It is better where the boat "
            "went, and worse elsewhere and on steep slopes."
        )
    if supported is not None and supported < 0.995:
        lines.append(
            f"{about(100.0 * (1.0 - supported))}% of the length of the depth lines is "
            "dashed. There the survey is not sure enough for lines so close together."
        )
    return lines


def map_sentences(unit: str, interval: float, index_interval: float, drop_offs: bool) -> list:
    """Return what the map shows; the interval is in ``unit``, NaN where there is none."""

    def every(step):
        text = length_words(written(step, "g"), unit)
        return "every " + (text[2:] if step == 1 else text)

    lines = ["The darker the blue, the deeper the water. The heavy outline is the shore."]
    if interval == interval:
        text = f"Each line joins places of the same depth. There is one line {every(interval)}"
        if index_interval == index_interval:
            text += f", and a heavier one with its depth {every(index_interval)}"
        lines.append(text + ". Where lines are close together, the bottom is steep.")
    if drop_offs:
        lines.append(
            "Brown lines mark drop-offs. The solid line is the upper edge, and its ticks "
            "point down the slope. The dashed line is the foot."
        )
    return lines


def level_sentences(unit: str, statistics: LakeStatistics, datum: DatumFacts) -> list:
    """Return what the lake level does to the lake."""
    lines = [_zero_of_depths(unit, datum)]
    if datum.levels:
        low, high = (level / LENGTH[unit] for level in datum.levels)
        span = (
            phrase("at {:.2f}", low)
            if high - low < 0.005
            else phrase("between {:.2f} and {:.2f}", low, high)
        )
        lines.append(f"During the survey the gauge stood {span} {unit}.")
    fall, words = _FALLS[unit]
    curve = statistics.curve
    depth = curve.depth + statistics.level
    if depth[-1] > fall:
        dry, gone = (float(v[0] - np.interp(fall, depth, v)) for v in (curve.area, curve.volume))
        lines.append(
            f"If the water fell by {words}, {area_words(dry, unit)} of bottom "
            f"({about(100.0 * dry / curve.area[0])}% of the lake) would fall dry. "
            f"{about(100.0 * gone / curve.volume[0])}% of the water would be gone."
        )
    return lines


def _zero_of_depths(unit, datum) -> str:
    """Return the sentences on what depths are counted from; a gauge only where one was read."""
    name = datum.name
    if datum.elevation is not None:
        level = written(datum.elevation / LENGTH[unit], ".2f")
        where = f" ({name})" if name else ""
        more, less = (
            ("When the gauge shows more", "shows less")
            if datum.levels
            else ("When the lake is higher", "is lower")
        )
        return (
            f"Depths are counted from a lake level of {level} {unit}{where}. {more}, add the "
            f"difference. When it {less}, subtract the difference."
        )
    if name and not datum.level_known:
        return f"Depths are counted from the {name}. The lake level at that time is not known."
    if name:
        return f"Depths are counted from {name}."
    return "Depths are those on the day of each visit. They are not reduced to a lake datum."
