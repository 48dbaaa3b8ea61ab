"""A lake in plain words, for people who do not read charts."""

from __future__ import annotations

import datetime
import math

import numpy as np

from ..number_text import phrase, written
from ..units import ACRE, ACRE_FOOT, FOOT
from .lake_statistics import LITTORAL_DEPTH
from .sheet import METRES, UNIT_NAMES, depth_text

#: A field of American football with its end zones, 360 by 160 ft, and a football pitch of
#: 105 by 68 m, m2.
_FIELDS = {"ft": (360.0 * FOOT * 160.0 * FOOT, "American football field"),
           "m": (105.0 * 68.0, "football pitch")}
#: The least water in a pool of 50 by 25 m that is 2 m deep, m3.
_POOL = 50.0 * 25.0 * 2.0
#: Height of a storey of a house, m: common practice.
_STOREY = 3.0
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December")


def about(value: float, figures: int = 2) -> str:
    """Return a number to so many figures, thousands parted, without needless zeros."""
    digits = figures - 1 - math.floor(math.log10(abs(value))) if value else 0
    value, digits = round(value, digits), max(digits, 0)
    while digits and value == round(value, digits - 1):
        digits -= 1
    return written(value, f",.{digits}f")


def size_words(area: float, unit: str) -> str:
    """Return the size of a lake, m2, as a phrase with a comparison."""
    field, name = _FIELDS[unit]
    if unit == "ft":
        size = f"{about(area / ACRE, 3)} acres"
        if area >= 640.0 * ACRE:
            size += f" ({about(area / ACRE / 640.0, 3)} square miles)"
    elif area >= 1e6:
        size = f"{about(area / 1e6, 3)} square kilometres"
    else:
        size = f"{about(area / 1e4, 3)} hectares"
    fields = about(area / field)
    if fields != "1":
        name += "es" if name.endswith("h") else "s"
    return f"{size}, about {fields} {name}"


def volume_words(volume: float, unit: str) -> str:
    """Return a volume, m3, as a phrase with a comparison."""
    if unit == "ft":
        size = f"{about(volume / ACRE_FOOT, 3)} acre-feet"
    elif volume >= 1e6:
        size = f"{about(volume / 1e6, 3)} million cubic metres"
    else:
        size = f"{about(volume, 3)} cubic metres"
    if volume < _POOL:
        return size
    return f"{size}, enough to fill a pool of 50 by 25 m, 2 m deep, {about(volume / _POOL)} times"


def storeys_words(depth: float) -> str:
    """Return a comparison for a depth, m; empty below the height of a storey."""
    storeys = round(depth / _STOREY)
    if storeys < 2:
        return ""
    return f"about the height of a house of {storeys} storeys"


def days_words(dates, outings: int = 0) -> str:
    """Return survey days (ISO texts) as people write them; an outing may run past midnight."""
    days = [datetime.date.fromisoformat(text) for text in sorted(set(dates))]

    def words(day):
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

    if not days:
        return ""
    if len(days) == 1:
        return f"on {words(days[0])}"
    often = f"on {outings} outings" if outings > 1 else f"on {len(days)} days"
    return f"{often} between {words(days[0])} and {words(days[-1])}"


def lake_sentences(statistics, unit: str) -> list:
    """Return what the lake is: how large, how deep, how much water."""
    f = {name: figure.value for name, figure in statistics.figures.items()}
    deepest, mean = (f"{depth_text(f[name], unit)} {UNIT_NAMES[unit]}"
                     for name in ("max_depth", "mean_depth"))
    house = storeys_words(f["max_depth"])
    lines = [
        f"The lake covers {size_words(f['area'], unit)}.",
        f"At its deepest place the water is {deepest} deep{', ' + house if house else ''}; on "
        f"average it is {mean}.",
        f"It holds {volume_words(f['volume'], unit)}.",
    ]
    shallow = f"{depth_text(LITTORAL_DEPTH, unit)} {UNIT_NAMES[unit]}"
    lines.append(f"{about(f['littoral_share'])}% of it is shallower than {shallow}, where light "
                 "may let plants grow.")
    if f["mapped_share"] < 99.95:
        lines.append(f"{about(100.0 - f['mapped_share'])}% of the lake has not been mapped, and "
                     "no depth or volume is counted there.")
    return lines


def survey_sentences(unit, *, dates=(), outings=0, used=0, lanes=0, spacing=None, crossings=None,
                     between=False, uncertainty=None, supported=None) -> list:
    """Return how the lake was surveyed and how sure its depths are.

    Parameters
    ----------
    unit : str
    dates : list of str
        ISO.
    outings, used, lanes : int
        Visits, soundings and lanes.
    spacing, uncertainty : float, optional
        Between lanes, and mean standard uncertainty of the surface, m.
    crossings : Misfit, optional
        Depth differences where tracks cross; ``between`` those of different visits.
    supported : float, optional
        Share of the contours' length that the data support.
    """
    metre, name = METRES[unit], UNIT_NAMES[unit]
    lines = []
    if used:
        text = "A boat with an echo sounder and a GPS measured the depth"
        when = days_words(dates, outings)
        text += f" {when}" if when else ""
        text += f" at {written(used, ',')} places"
        if lanes:
            text += f", along {lanes} lanes"
            if spacing is not None:
                text += f" about {about(spacing / metre)} {name} apart"
        lines.append(text + ".")
    if crossings is not None and crossings.n and crossings.percentile95 is not None:
        whose = "that of another visit" if between else "itself"
        lines.append(
            f"Its track crossed {whose} {crossings.n} times. There the two depths agreed within "
            f"{about(crossings.percentile95 / metre)} {name} in 95 of 100 cases."
        )
    elif used:
        lines.append("Its track crossed itself too seldom to check the depths against each other.")
    if uncertainty is not None:
        lines.append(
            f"On average a depth of the map should be right within "
            f"{about(2.0 * uncertainty / metre)} {name}, nineteen times out of twenty: closer "
            "where the boat went, less close elsewhere and on steep slopes."
        )
    if supported is not None and supported < 0.995:
        lines.append(f"{about(100.0 * (1.0 - supported))}% of the length of the depth lines is "
                     "dashed: there the survey is not sure enough for lines so close.")
    return lines


def map_sentences(unit, interval, index_interval, drop_offs: bool) -> list:
    """Return what the map shows; the interval is in ``unit``, NaN where there is none."""
    name = {"ft": "foot", "m": "metre"}[unit]
    lines = ["The darker the blue, the deeper the water. The heavy outline is the shore."]
    if interval == interval:
        step = f"every {name}"
        if interval != 1:
            step = f"every {written(interval, 'g')} {UNIT_NAMES[unit]}"
        text = f"Each line joins places of the same depth, one line {step}"
        if index_interval == index_interval:
            text += (f", and every {written(index_interval, 'g')} {UNIT_NAMES[unit]} a heavier one "
                     "with its depth")
        lines.append(text + ". Where lines lie close together the bottom is steep.")
    if drop_offs:
        lines.append("Brown lines mark drop-offs: the solid one where the bottom breaks off, its "
                     "ticks pointing down, the dashed one at the foot.")
    return lines


def level_sentences(
    unit, statistics, datum="", elevation=None, levels=None, *, level_known=True
) -> list:
    """Return what the water level does to the lake.

    ``level_known`` is False where nobody read a lake level.
    """
    metre = METRES[unit]
    where = f" ({datum})" if datum else ""
    lines = []
    if elevation is not None:
        level = written(elevation / metre, ".2f")
        lines.append(f"Depths are counted from a lake level of {level} {unit}{where}. When the "
                     "gauge shows more, add the difference; when less, take it off.")
    elif datum and not level_known:
        lines.append(f"Depths are counted from the {datum}. No gauge was read, so how high the "
                     "lake stood then is not known.")
    elif datum:
        lines.append(f"Depths are counted from {datum}.")
    else:
        lines.append("Depths are those of the survey days; they were not tied to a lake level.")
    if levels:
        low, high = (level / metre for level in levels)
        span = phrase("at {:.2f}", low) if high - low < 0.005 else phrase(
            "between {:.2f} and {:.2f}", low, high)
        lines.append(f"While the lake was surveyed the gauge stood {span} {unit}.")
    fall = {"ft": FOOT, "m": 0.5}[unit]
    curve = statistics.curve
    depth = curve.depth + statistics.level
    if depth[-1] > fall:
        dry, gone = (float(v[0] - np.interp(fall, depth, v)) for v in (curve.area, curve.volume))
        size = f"{about(dry / ACRE)} acres" if unit == "ft" else f"{about(dry / 1e4)} hectares"
        step = "one foot" if unit == "ft" else "half a metre"
        lines.append(
            f"If the water fell by {step}, {size} of bottom "
            f"({about(100.0 * dry / curve.area[0])}% of the lake) would come dry, and "
            f"{about(100.0 * gone / curve.volume[0])}% of the water would be gone."
        )
    return lines
