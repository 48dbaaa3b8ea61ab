"""What logs did not say and had to be assumed, in sentences for sheets and reports."""

from __future__ import annotations

from ..correction_keys import FIT, LEVEL, LEVEL_FROM, UNKNOWN, VISIT_OFFSET
from ..soundings import Soundings, distinct, each_visit, parse_corrections
from ..units import LENGTH
from .amounts import WITHIN_95

_UNITS = {
    "m": "meters",
    "ft": "feet",
    "us-ft": "US survey feet",
    "fathom": "fathoms",
    "cm": "centimeters",
    "in": "inches",
}


def assumed_sentences(soundings: Soundings) -> list:
    """Return sentences on what ``corrections`` say was assumed or fitted, for a map's sources."""
    units, speeds, from_where, unread, fitted = set(), set(), False, [], []
    soundings = soundings.select(soundings.accepted)
    for visit, rows in each_visit(soundings):
        for pairs in map(parse_corrections, distinct(soundings.corrections[rows])[0]):
            unit = pairs.get("depth_unit", "").removeprefix("assumed ")
            units |= {unit} & set(LENGTH)
            if "sound_speed_sd" in pairs:
                speeds.add((pairs["sound_speed"].split("->")[-1], pairs["sound_speed_sd"]))
            from_where |= pairs.get("from") == "unknown" and "draft_m" in pairs
            # The visit that the others are adjusted to has an offset of 0.
            moved = float(pairs.get(VISIT_OFFSET, 0.0)) != 0.0
            if moved and pairs.get(LEVEL) == UNKNOWN and visit not in unread:
                unread.append(visit)
            elif moved and pairs.get(LEVEL_FROM) == FIT and visit not in fitted:
                fitted.append(visit)
    lines = [
        f"The logs state no depth unit, so {_UNITS[unit]} are assumed." for unit in sorted(units)
    ]
    if from_where:
        lines.append("The logs do not say where depth counts from, so the transducer is assumed.")
    lines += [
        f"No water temperature was logged. The sound speed is assumed to be {float(speed):.0f} "
        f"± {WITHIN_95 * float(sd):.0f} m/s."
        for speed, sd in sorted(speeds)
    ]
    for said, visits in (
        ("No lake level was read for {}.", unread),
        (
            "The lake level that was read is not used for {}.",
            [v for v in fitted if v not in unread],
        ),
    ):
        if visits:
            names = ", ".join(visits) if len(visits) <= 4 else f"{len(visits)} visits"
            whose = "Their" if len(visits) > 1 else "Its"
            lines.append(f"{said.format(names)} {whose} depths are adjusted where tracks cross.")
    return lines
