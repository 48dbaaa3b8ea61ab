"""What the columns of a table of soundings hold, from their names or as the user says."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from .. import units
from ..errors import LakefloorError, excerpt

#: What a column can hold.
ROLES = (
    "lon",
    "lat",
    "x",
    "y",
    "depth",
    "time",
    "date",
    "epoch",
    "year",
    "month",
    "day",
    "hour",
    "minute",
    "second",
    "hardness",
    "water_temp",
    "speed",
    "course",
    "visit",
    "depth_flag",
    "position_flag",
)

#: What may be given beside the columns.
OPTIONS = ("depth_unit", "water_temp_unit", "speed_unit", "date_order", "depth_sign")

#: A column's name is looked at no further, characters.
_LONGEST_NAME = 64

_ROLE_WORDS = {
    "lon": {"lon", "long", "longitude", "lng"},
    "lat": {"lat", "latitude"},
    "x": {"x", "easting", "east"},
    "y": {"y", "northing", "north"},
    "depth": {"depth", "sounding", "dpt", "dbt"},
    "epoch": {"epoch", "unix"},
    "time": {"time", "datetime", "timestamp", "utc"},
    "date": {"date"},
    "year": {"year", "yyyy"},
    "month": {"month"},
    "day": {"day"},
    "hour": {"hour", "hr"},
    "minute": {"minute", "min"},
    "second": {"second", "sec"},
    "hardness": {"hardness"},
    "water_temp": {"temp", "temperature", "watertemp", "wtemp"},
    "speed": {"speed", "sog"},
    "course": {"course", "cog"},
    "visit": {"visit", "outing", "survey"},
}
_FLAG_WORDS = {"flag", "quality", "valid", "validity"}

#: Words for units, each with the unit as it is called elsewhere.
LENGTH_WORDS = {
    "m": "m",
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "ft": "ft",
    "feet": "ft",
    "foot": "ft",
    "cm": "cm",
    "in": "in",
    "inch": "in",
    "inches": "in",
    "fathom": "fathom",
    "fathoms": "fathom",
    "fm": "fathom",
    "ftm": "fathom",
}
SPEED_WORDS = {
    "mph": "mph",
    "kn": "kn",
    "kt": "kn",
    "kts": "kn",
    "knot": "kn",
    "knots": "kn",
    "kmh": "km/h",
    "kph": "km/h",
    "ms": "m/s",
    "mps": "m/s",
}
TEMP_WORDS = {"c": "C", "degc": "C", "celsius": "C", "f": "F", "degf": "F", "fahrenheit": "F"}

#: Meters by the unit that a file of another program states.
LENGTH_FACTORS = {word: units.LENGTH[unit] for word, unit in LENGTH_WORDS.items()}

#: Other names of roles that a user may give.
_ALIASES = {
    "flag": "depth_flag",
    "temp": "water_temp",
    "temperature": "water_temp",
    "easting": "x",
    "northing": "y",
    "longitude": "lon",
    "latitude": "lat",
    "datetime": "time",
    "temp_unit": "water_temp_unit",
}


def parse_columns(text: str | None) -> dict[str, str]:
    """Return the mapping written as ``lon=3, lat=4, depth=depth_m, depth_unit=ft``.

    Examples
    --------
    >>> parse_columns("longitude=3, lat=4, depth=depth_m")
    {'lon': '3', 'lat': '4', 'depth': 'depth_m'}

    Raises
    ------
    LakefloorError
        If a part is not ``role=column``, or the role is not known.
    """
    columns = {}
    for part in filter(None, (p.strip() for p in re.split(r"[,;\n]", text or ""))):
        key, equals, value = (p.strip() for p in part.partition("="))
        if not equals or not value:
            raise LakefloorError(
                f"'{excerpt(part)}' does not name a column. Write role=column, for example: lon=3, "
                "lat=4, depth=depth_m."
            )
        columns[key] = value
    return check_columns(columns)


def check_columns(columns: Mapping | None) -> dict:
    """Return a column mapping, a dict or None, with its roles spelled in full.

    Raises
    ------
    LakefloorError
        If a role or the value of an option is not known.
    """
    checked = {}
    for key, value in (columns or {}).items():
        role = key.strip().lower()
        role = _ALIASES.get(role, role)
        if role not in ROLES + OPTIONS:
            raise LakefloorError(
                f"'{excerpt(key)}' is not a column role. Use one of: {', '.join(ROLES + OPTIONS)}."
            )
        checked[role] = value
    for option, known in (
        ("depth_unit", units.LENGTH),
        ("speed_unit", units.SPEED),
        ("water_temp_unit", "CF"),
        ("depth_sign", ("down", "up")),
        ("date_order", ("ymd", "mdy", "dmy")),
    ):
        if option in checked and checked[option] not in known:
            raise LakefloorError(
                f"{option}={excerpt(checked[option])} is not known. Use one of: {', '.join(known)}."
            )
    return checked


def name_words(name: str) -> list[str]:
    """Return the lower-case words of a column name, also of camelCase and units in brackets."""
    name = name[:_LONGEST_NAME].replace("m/s", "ms").replace("km/h", "kmh").replace("m_s", "ms")
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return re.findall(r"[a-z]+", name.lower())


def roles_of_header(names: Sequence[str]) -> dict[str, int]:
    """Return which column, from 0, holds which of :data:`ROLES`, as the columns' names say."""
    roles = {}
    words = [name_words(name) for name in names]
    for column, w in enumerate(words):
        if _FLAG_WORDS & set(w):
            position = {"pos", "position", "fix", "gps"} & set(w)
            roles.setdefault("position_flag" if position else "depth_flag", column)
    free = [c for c in range(len(words)) if c not in roles.values()]
    for role, known in _ROLE_WORDS.items():
        fits = [
            c
            for c in free
            if known & set(words[c]) and not ({"sound", "air", "uncert"} & set(words[c]))
        ]
        if role == "depth":
            # Of "depth_m" and "raw_depth_m" the plainer name.
            fits.sort(key=lambda c: ("raw" in words[c], len(words[c]), c))
        elif role == "time":
            fits.sort(key=lambda c: ("utc" not in words[c], c))
        if fits:
            roles[role] = fits[0]
            free.remove(fits[0])
    if not {"year", "month", "day"} <= set(roles):
        for part in ("year", "month", "day"):
            roles.pop(part, None)
        if not {"hour", "minute"} <= set(roles):
            for part in ("hour", "minute", "second"):
                roles.pop(part, None)
    return roles


def stated_unit(name: str, words: Mapping[str, str]) -> str | None:
    """Return the unit that a column's name states, one of the values of ``words``, or None."""
    found = [words[w] for w in name_words(name)[1:] if w in words]
    return found[-1] if found else None
