"""Places in words: depth, distance and direction as people say them on the water."""

from __future__ import annotations

import re

import numpy as np

from ..number_text import rounded_depth_text, written
from ..structure.ground import Ground
from ..structure.structure_names import FORMS
from ..units import LENGTH
from .target_words import BOTTOM_CLASSES, LINE_KINDS

_COMPASS = (
    "north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west",
)  # fmt: skip
#: Numbers that are spoken with a vowel first: 8, 11, 18, 80 to 89.
_VOWEL = re.compile(r"(8|11|18|8\d)(\D|$)")
#: Nearer than this, a place is on a line, m.
ON_M = 1.5
_BOTTOM = {number: word.split()[0] for word, number in BOTTOM_CLASSES.items()}


def compass_point(bearing: float) -> str:
    """Return the name of the eighth of the compass that a direction, degrees, lies in."""
    return _COMPASS[int(np.floor((bearing + 22.5) / 45.0)) % 8]


def length_text(meters: float, unit: str) -> str:
    """Return a length as people read it: whole units, from 100 up tens.

    Examples
    --------
    >>> length_text(9.144, "ft"), length_text(123.0, "m")
    ('30 ft', '120 m')
    """
    number = meters / LENGTH[unit]
    number = round(number / 10.0) * 10 if number >= 99.5 else round(number)
    return f"{number:.0f} {unit}"


def away_text(distance: float, bearing: float, unit: str) -> str:
    """Return a distance, m, with its direction, e.g. ``30 ft to the north-east (48°)``."""
    if not np.isfinite(bearing):
        return length_text(distance, unit)
    direction = f"{compass_point(bearing)} ({round(bearing) % 360:.0f}°)"
    return f"{length_text(distance, unit)} to the {direction}"


def target_text(ground: Ground, word: str, row: int, unit: str) -> str:
    """Return a target with its size, e.g. ``crest of a 9 ft drop-off``."""
    if word in LINE_KINDS:
        height = _attribute(ground.breaklines, "height_m", row)
        size = "" if height is None else f"{rounded_depth_text(height, unit)} "
        article = "an" if _VOWEL.match(size) else "a"
        return f"{word} of {article} {size}drop-off{_doubt(ground.breaklines, row)}"
    if word == "transition":
        return f"hard-soft transition{_doubt(ground.transitions, row)}"
    if word == "deep water":
        return f"deep water ({rounded_depth_text(ground.deep_from, unit)} and more)"
    if word in FORMS:
        relief = _attribute(ground.forms, "relief_m", row)
        if relief is not None and abs(relief) >= 0.5 * LENGTH[unit]:
            word = f"{word} of {rounded_depth_text(abs(relief), unit)} relief"
        return f"{word}{_doubt(ground.forms, row)}"
    return word


def _doubt(layer, row) -> str:
    """Return a remark on a line or area that is none with a probability of more than a half."""
    confidence = _attribute(layer, "confidence", row)
    return " (doubtful)" if confidence is not None and confidence < 0.5 else ""


def near_text(
    ground: Ground, word: str, distance: float, bearing: float, row: int, unit: str
) -> str:
    """Return where a target is, seen from a place, e.g. ``8 ft to the north (2°) a hump``."""
    thing = target_text(ground, word, row, unit)
    if distance < ON_M:
        if word == "deep water" or word in BOTTOM_CLASSES:
            return f"in {thing}" if word == "deep water" else f"on {thing}"
        return f"on the {thing}"
    return f"{thing} {away_text(distance, bearing, unit)}"


def class_name(bottom: float) -> str:
    """Return ``soft``, ``medium`` or ``hard``, empty where the class is not known."""
    return _BOTTOM.get(int(bottom), "") if np.isfinite(bottom) else ""


def bottom_text(bottom: float, probability: float) -> str:
    """Return the class of the bottom with its probability, empty where it is not known."""
    name = class_name(bottom)
    # Nothing found by sound alone is quite sure.
    sure = f" ({min(round(100.0 * probability), 99)}% sure)" if np.isfinite(probability) else ""
    return f"{name} bottom{sure}" if name else ""


def describe_text(ground: Ground, found: dict, i: int, unit: str) -> str:
    """Return one place in words.

    Parameters
    ----------
    ground : Ground
    found : dict
        As :func:`.place_description.describe_places` returns it.
    i : int
        Row of the place.
    unit : str
        ``ft`` or ``m``.
    """
    if not np.isfinite(found["depth_m"][i]):
        return "no depth is mapped here"
    parts = [f"{rounded_depth_text(found['depth_m'][i], unit)} deep"]
    if np.isfinite(found["uncert_m"][i]):
        parts[0] += f" (give or take {fine_depth_text(2.0 * found['uncert_m'][i], unit)})"
    if np.isfinite(found["slope_pct"][i]):
        parts.append(f"slope {found['slope_pct'][i]:.0f}%")
    bottom = bottom_text(found["bottom"][i], found["bottom_prob"][i])
    if bottom:
        parts.append(bottom)
    if ground.forms is not None and found["form_row"][i] >= 0:
        row = found["form_row"][i]
        word = str(ground.forms.attributes["form"][row]).strip().lower()
        parts.append(near_text(ground, word, found["form_m"][i], found["form_deg"][i], row, unit))
    for word in ("crest", "toe", "transition"):
        if found.get(f"{word}_row", np.full(i + 1, -1))[i] >= 0:
            parts.append(
                near_text(
                    ground,
                    word,
                    found[f"{word}_m"][i],
                    found[f"{word}_deg"][i],
                    found[f"{word}_row"][i],
                    unit,
                )
            )
    return "; ".join(parts)


def fine_depth_text(meters: float, unit: str) -> str:
    """Return a small height with a digit more than a depth."""
    digits = 1 if unit == "ft" else 2
    return f"{written(meters / LENGTH[unit], f'.{digits}f')} {unit}"


def short_names(prefix: str, depth: np.ndarray, unit: str) -> list:
    """Return short names, unique and plain ASCII, of places in order, e.g. ``S01 12FT``.

    They go to devices, so their decimals are points in every language.
    """
    digits = max(len(str(len(depth))), 2)
    return [
        f"{prefix}{i:0{digits}d} {rounded_depth_text(d, unit, format).replace(' ', '').upper()}"
        for i, d in enumerate(depth, start=1)
    ]


def _attribute(layer, name, row):
    """Return a number of one line or area, None where there is none."""
    values = layer.attributes.get(name)
    value = None if values is None else values[row]
    return None if value is None or not np.isfinite(value) else float(value)
