"""The figures of a structure of the bottom in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from numbers import Real

from ..errors import LakefloorError
from ..number_text import written
from ..units import ACRE, HECTARE, LENGTH
from .sheet_text import area_text, depth_text

#: Field -> (words, kind), in the order of reading.
_KNOWN = {
    "top_depth_m": ("Shallowest point", "depth"),
    "crest_depth_m": ("Depth at the crest", "depth"),
    "depth_m": ("Depth", "depth"),
    "toe_depth_m": ("Depth at the toe", "depth"),
    "bottom_depth_m": ("Deepest point", "depth"),
    "saddle_depth_m": ("Depth of the saddle", "depth"),
    "relief_m": ("Relief", "depth"),
    "height_m": ("Height", "depth"),
    "width_m": ("Width", "length"),
    "length_m": ("Length", "length"),
    "area_m2": ("Area", "area"),
    "orientation_deg": ("Direction", "direction"),
    "slope_pct": ("Mean slope", "percent"),
    "slope_mean_pct": ("Mean slope", "percent"),
    "slope_max_pct": ("Maximum slope", "percent"),
    "hardness": ("Relative hardness (0 soft, 1 hard)", "ratio"),
    "confidence": ("Confidence", "share"),
    "score": ("Score (0 to 1)", "ratio"),
    "note": ("", "text"),
    "description": ("", "text"),
    "reasons": ("", "text"),
    "remark": ("", "text"),
}
_COMPASS = (
    "north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest",
)  # fmt: skip


def figure_lines(values: dict, unit: str) -> list:
    """Return the figures of a structure, one line each.

    Parameters
    ----------
    values : dict of str to value
        By field name, metric; fields without words here, and None or NaN, are left out.
    unit : str
        ``ft`` (areas in acres) or ``m`` (ha from 1 ha up, else m²).

    Returns
    -------
    list of str

    Examples
    --------
    >>> figure_lines({"top_depth_m": 3.048, "slope_pct": 12.4, "note": "rock"}, "ft")
    ['Shallowest point: 10 ft', 'Mean slope: 12%', 'rock']
    """
    lines = []
    for name, (label, kind) in _KNOWN.items():
        value = values.get(name)
        if value is None or value != value or value == "":
            continue
        if kind == "text":
            lines.append(str(value))
            continue
        if not isinstance(value, Real):
            continue
        lines.append(f"{label}: {_words(abs(value) if name == 'relief_m' else value, kind, unit)}")
    return lines


def _words(value, kind, unit) -> str:
    if kind == "depth":
        return f"{depth_text(value, unit)} {unit}"
    if kind == "length":
        return f"{written(value / LENGTH[unit], ',.0f')} {unit}"
    if kind == "area":
        if unit == "ft":
            return f"{area_text(value / ACRE)} acres"
        if value < HECTARE:
            return f"{written(value, ',.0f')} m²"
        return f"{area_text(value / HECTARE)} ha"
    if kind == "direction":
        return f"{round(value) % 360}° ({_COMPASS[math.floor((value + 22.5) / 45.0) % 8]})"
    if kind == "percent":
        return f"{value:.0f}%"
    if kind == "share":
        return f"{100.0 * value:.0f}%"
    return written(value, ".2f")


def drop_off_values(rows: Sequence[dict]) -> dict:
    """Return the figures of a drop-off from those of its lines.

    Parameters
    ----------
    rows : sequence of dict
        Attributes of its crest, steepest line and toe, as breaklines have them.
    """
    by_kind = {row["kind"]: row for row in rows}
    first = rows[0]
    values = {
        name: first.get(name)
        for name in ("height_m", "width_m", "slope_mean_pct", "slope_max_pct", "confidence")
    }
    for kind in ("crest", "toe"):
        if kind in by_kind:
            values[f"{kind}_depth_m"] = by_kind[kind].get("depth_mean_m")
    values["length_m"] = by_kind.get("steepest", first).get("length_m")
    return values


def page_title(values: dict, number: int, name_field: str = "") -> str:
    """Return the heading of a structure: its name, else its form or kind with a number.

    Parameters
    ----------
    values : dict of str to value
        By field name.
    number : int
        Of the structure, where the fields give none.
    name_field : str
        Field with the name; empty for ``name``.

    Examples
    --------
    >>> page_title({"form": "hump", "number": 3}, 1), page_title({"name": "reef"}, 2)
    ('Hump 3', 'Reef')
    """
    title = str(values.get(name_field or "name") or "")
    if not title:
        kind = values.get("form") or values.get("kind") or "structure"
        title = f"{kind} {values.get('number') or number}"
    return title[:1].upper() + title[1:]


def page_box(west: float, south: float, east: float, north: float) -> tuple:
    """Return what a detail map of a structure shows: its box with room around, m.

    An eighth of its size to each side, at least 15 m, and no side below 60 m.

    Raises
    ------
    LakefloorError
        If a bound, m, is not finite.
    """
    if not all(math.isfinite(v) for v in (west, south, east, north)):
        raise LakefloorError(
            "A structure has no geometry. Delete features without geometry, then run again."
        )
    room = max((east - west) / 8.0, (north - south) / 8.0, 15.0)
    half_x = max(0.5 * (east - west) + room, 30.0)
    half_y = max(0.5 * (north - south) + room, 30.0)
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    return x - half_x, y - half_y, x + half_x, y + half_y
