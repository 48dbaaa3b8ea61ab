"""Datums that depths count from: a name and an elevation, as ``corrections`` hold them."""

from __future__ import annotations

import numpy as np

from ..correction_keys import BY_FIRST_VISIT
from ..errors import LakefloorError
from ..number_text import written
from ..soundings import Soundings, distinct, of_visits, parse_corrections

#: Elevations of one datum, written by different programs, differ by less, m.
_SAME_M = 1e-3

#: Name of a datum that is the water of a day on which nobody read a gauge begins so.
_WATER_OF = "water level of "


def water_of(day: str) -> str:
    """Return the name of the datum that is the water of a day, its level not known."""
    return _WATER_OF + day


def is_water_of_a_day(datum: str) -> bool:
    """Tell whether the name of a datum is that of :func:`water_of`."""
    return datum.startswith(_WATER_OF)


def datum_of(soundings: Soundings) -> tuple | None:
    """Return name and elevation (m) of the datum that soundings are reduced to, or None.

    The elevation is None where it is not known: depths count from the water of one day.

    Raises
    ------
    LakefloorError
        If the soundings are at different datums, or only a part of them is reduced.
    """
    datums, group = datums_of(soundings)
    found = set(datums)
    if len(found) <= 1:
        return next(iter(found), None)
    parts = []
    for datum in sorted(found, key=str):
        rows = np.array([d == datum for d in datums])[group]
        parts.append(f"{of_visits(soundings.visit[rows])} {datum_words(datum)}")
    raise LakefloorError(
        f"The soundings are not at one lake datum: {'; '.join(parts)}. Reduce all of them to the "
        "same lake datum."
    )


def datums_of(soundings: Soundings) -> tuple:
    """Return the datum (or None) of each distinct corrections text, and each row's text number."""
    texts, group = distinct(soundings.corrections)
    datums = []
    for text in texts:
        pairs = parse_corrections(text)
        datums.append(
            (pairs["datum"], float(pairs["datum_elev_m"]) if "datum_elev_m" in pairs else None)
            if "datum" in pairs
            else None
        )
    return datums, group


def datum_values(datum: tuple) -> dict:
    """Return what ``corrections`` hold of a datum, name and elevation in m.

    For :func:`.soundings.with_corrections`. A datum without elevation has no scale on which the
    level of a visit could be given, so that key is taken out.
    """
    name, elevation = datum
    if elevation is None:
        return {"datum": name, "datum_elev_m": None, "level_m": None, BY_FIRST_VISIT: None}
    return {"datum": name, "datum_elev_m": elevation_text(elevation)}


def one_datum(a: tuple | None, b: tuple | None) -> bool:
    """Tell whether two datums, name and elevation in m or None, are the same to a millimeter."""
    if a is None or b is None or a[0] != b[0] or None in (a[1], b[1]):
        return a is not None and a == b
    return abs(a[1] - b[1]) < _SAME_M


def datum_words(datum: tuple | None) -> str:
    """Return a datum, name and elevation in m or None, as a message shows it."""
    if datum is None:
        return "not reduced"
    return f"'{datum[0]}'" + ("" if datum[1] is None else f" at {written(datum[1], 'g')} m")


def elevation_text(elevation: float) -> str:
    """Return the elevation of a datum, m, as ``corrections`` hold it: to a tenth of a mm."""
    return f"{elevation:.4f}".rstrip("0").rstrip(".")
