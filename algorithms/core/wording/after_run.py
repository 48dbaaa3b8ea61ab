"""What a run came to, in a few plain sentences: how good, where it is weak, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..number_text import counted, finite_number, phrase
from ..units import FOOT
from .amounts import AREA_UNITS, WITHIN_95

__all__ = ["Said", "said_after_run"]

#: Where less of the contours than this is supported, the next lanes come before anything else.
_WELL_SUPPORTED = 0.9
#: So many sentences are read.
_MOST = 5
#: More rejected soundings than this are worth a look at the sounder.
_MANY_REJECTED = 0.1


@dataclass(frozen=True)
class Said:
    """A sentence on a run.

    Attributes
    ----------
    text : str
    role : str
        Role of the layer that shows it; "" where there is none.
    weak : bool
        Whether it speaks of the weakest place of that layer.
    """

    text: str
    role: str = ""
    weak: bool = False


def said_after_run(step: str, numbers: Mapping[str, object], unit: str = "ft") -> list[Said]:
    """Return three to five sentences on a run.

    Parameters
    ----------
    step : str
        Key of the step that ran: "visits", "map", "structure" or "outing".
    numbers : mapping of str to number
        Output numbers of the algorithms that ran, such as "addtodatabase:ADDED". What lacks is not
        spoken of.
    unit : str
        "ft" or "m", in which people read depths.

    Examples
    --------
    >>> for said in said_after_run("outing", {"nextouting:GAPS_COUNT": 0, "nextouting:LANES": 0}):
    ...     print(said.text)
    The soundings support the contours everywhere.
    No lanes are needed. Look at the structure of the bottom next.
    """
    speak = {"visits": _visits, "map": _map, "structure": _structure, "outing": _outing}
    write = speak.get(step)
    said = write(_Found(numbers), unit) if write is not None else []
    # The last one says what to do next.
    return [*said[: _MOST - 1], *said[-1:]] if len(said) > _MOST else said


#: No number of a lake is larger, in SI units.
_MOST_SAID = 1e15


class _Found:
    """Numbers of a run; what lacks is None."""

    def __init__(self, numbers: Mapping[str, object]):
        self._numbers = numbers

    def __call__(self, algorithm: str, name: str) -> float | None:
        value = finite_number(self._numbers.get(f"{algorithm}:{name}"))
        return None if value is None or value != value or abs(value) > _MOST_SAID else value


def _length(metres: float, unit: str) -> str:
    return phrase("{:.1f} {}", metres / (FOOT if unit == "ft" else 1.0), unit)


def _within(metres: float, unit: str) -> str:
    text = _length(metres, unit)
    return text if text != _length(0.0, unit) else f"less than {phrase('{:.1f} {}', 0.1, unit)}"


def _area(square_metres: float, unit: str) -> str:
    factor, name = AREA_UNITS[unit]
    return phrase("{:,.1f} {}", square_metres / factor, name)


def _way(metres: float, unit: str) -> str:
    if unit == "ft":
        return phrase("{:,.1f} miles", metres / (5280 * FOOT))
    return phrase("{:,.1f} km", metres / 1000)


# -- visits -------------------------------------------------------------------


def _visits(found: _Found, unit: str) -> list[Said]:
    said = _entered(found)
    total, rejected = found("cleansoundings", "TOTAL"), found("cleansoundings", "REJECTED")
    if total is not None and total >= 1 and rejected is not None:
        words = phrase(
            "{:.1f}% of the soundings were rejected as no bottom.", 100 * rejected / total
        )
        much = rejected / total > _MANY_REJECTED
        tail = " That is a lot: look at them first." if much else ""
        said.append(Said(words + tail, "soundings"))
    unread = found("readlogs", "UNREAD_COUNT")
    if unread:
        # Even a clean log has some: a depth after the last fix has no position.
        lines = counted(int(unread), "line or file", "lines or files")
        said.append(Said(f"{lines} could not be used. Open the log below for the reasons."))
    said += _fit(found, unit)
    said.append(Said("Map the lake next: the map is made from all visits that are on."))
    return said


def _entered(found):
    added, there = found("addtodatabase", "ADDED"), found("addtodatabase", "ALREADY_THERE")
    if added is None:
        return []
    if not added:
        return [Said("All of these soundings were in the lake database already.", "soundings")]
    visits = found("readlogs", "VISITS")
    of = f" of {counted(int(visits), 'visit')}" if visits else ""
    words = f"{counted(int(added), 'sounding')}{of} entered the lake database."
    if there:
        words += phrase(" {:,.0f} were there already.", there)
    return [Said(words, "soundings")]


def _fit(found, unit):
    """Say how the visit goes with those that were there."""
    said = []
    contradicted = found("addtodatabase", "CONTRADICTED_PCT")
    if contradicted is not None:
        words = (
            phrase("{:.1f}% of the new soundings contradict earlier ones nearby.", contradicted)
            if contradicted > 0
            else "No new sounding contradicts an earlier one nearby."
        )
        said.append(Said(words, "soundings"))
    offset, doubt = (
        found("addtodatabase", "VISIT_OFFSET"),
        found("addtodatabase", "OFFSET_UNCERTAINTY"),
    )
    if offset and doubt is not None:
        shifted, within = _length(abs(offset), unit), _within(WITHIN_95 * doubt, unit)
        said.append(
            Said(f"The visit was shifted by {shifted} to fit the lake, give or take {within}.")
        )
    changed = found("addtodatabase", "PATCH_COUNT")
    if changed:
        places = counted(int(changed), "place")
        said.append(
            Said(f"The bottom seems to have changed in {places}. Check them.", "bottom_change")
        )
    return said


# -- the map ------------------------------------------------------------------


def _map(found: _Found, unit: str) -> list[Said]:
    said = []
    area, deepest = found("smoothsurface", "AREA_M2"), found("smoothsurface", "MAX_DEPTH")
    count = found("smoothsurface", "SOUNDINGS")
    if area is not None and deepest is not None:
        words = f"The map covers {_area(area, unit)} down to {_length(deepest, unit)}"
        words += f", from {counted(int(count), 'sounding')}." if count else "."
        said.append(Said(words, "surface"))
    median = found("smoothsurface", "MEDIAN_UNCERTAINTY")
    if median is not None:
        words = f"At a typical place, the depth is right within {_length(WITHIN_95 * median, unit)}"
        weak = found("smoothsurface", "P95_UNCERTAINTY")
        if weak is not None:
            words += f", at the weakest 5% within {_length(WITHIN_95 * weak, unit)} or more"
        said.append(Said(f"{words} (95% confidence).", "surface", weak is not None))
    supported = found("depthcontours", "SUPPORTED_SHARE")
    if supported is not None:
        said.append(Said(_support(supported), "contours"))
    drops, length = found("breaklines", "DROP_OFFS"), found("breaklines", "LENGTH_M")
    if drops:
        words = f"{counted(int(drops), 'drop-off')} with {_way(length or 0.0, unit)} in all."
        said.append(Said(words, "break_lines"))
    if supported is not None and supported < _WELL_SUPPORTED:
        said.append(Said("Plan the next outing: it finds the lanes that help most."))
    elif said:
        said.append(Said("Look for structure next. The map is not for navigation."))
    return said


def _support(share):
    if share >= 0.9995:
        return "The soundings support all contours."
    return phrase(
        "{:.0f}% of the length of the contours is supported; the rest is dashed.",
        # 99.7% is not all.
        min(100 * share, 99.0),
    )


# -- structure and the next outing --------------------------------------------


def _structure(found: _Found, unit: str) -> list[Said]:
    said = []
    spots, best = found("candidatespots", "SPOTS"), found("candidatespots", "BEST_SCORE")
    if spots is not None:
        words = f"{counted(int(spots), 'candidate spot')} found"
        words += phrase(", the best with a score of {:.2f}.", best) if spots and best else "."
        said.append(Said(words, "spots"))
    hard, soft = found("bottomtype", "HARD_PERCENT"), found("bottomtype", "SOFT_PERCENT")
    if hard is not None and soft is not None:
        words = phrase("{:.0f}% of the bottom is hard and {:.0f}% soft.", hard, soft)
        said.append(Said(words, "bottom_type"))
    sure = found("hardsofttransitions", "SUPPORTED_M")
    unsure = found("hardsofttransitions", "UNSUPPORTED_M")
    if sure is not None and unsure is not None and sure + unsure > 0:
        words = phrase(
            "The soundings support {:.0f}% of the length of the hard-soft transitions.",
            100 * sure / (sure + unsure),
        )
        said.append(Said(words, "transitions"))
    left_out = found("bottomtype", "VISITS_LEFT_OUT")
    if left_out:
        said.append(Said(f"{counted(int(left_out), 'visit')} had no usable hardness."))
    if said:
        said.append(Said("Check the spots on the water, or plan the next outing."))
    return said


def _outing(found: _Found, unit: str) -> list[Said]:
    said = []
    gaps, area = found("nextouting", "GAPS_COUNT"), found("nextouting", "GAP_AREA")
    lanes, after = found("nextouting", "LANES"), found("nextouting", "GAP_AREA_AFTER")
    if gaps == 0:
        said.append(Said("The soundings support the contours everywhere."))
    elif gaps and area is not None:
        words = f"{counted(int(gaps), 'survey gap')} with {_area(area, unit)} in all."
        said.append(Said(words, "gaps", weak=True))
    if not lanes:
        why = "None of them has room for a lane." if gaps else "No lanes are needed."
        said.append(Said(f"{why} Look at the structure of the bottom next."))
        return said
    total, minutes = found("nextouting", "TOTAL_M"), found("nextouting", "MINUTES")
    if total is not None and minutes is not None:
        words = f"{counted(int(lanes), 'lane')}, {_way(total, unit)} with the way out and back, "
        said.append(Said(words + phrase("take {:.0f} minutes.", minutes), "lanes"))
    if area and after is not None:
        words = phrase("They should close {:.0f}% of the gaps.", 100 * (1 - after / area))
        said.append(Said(words, "gaps"))
    said.append(Said("Take the route to your GPS device. Weather and cold water come first."))
    return said
