"""The text that goes with a copy to share."""

from __future__ import annotations

from collections.abc import Iterable

from ..cautions import CAUTIONS
from ..correcting.datums import is_water_of_a_day
from ..number_text import written
from .licenses import LICENSES

#: Said where the outline of a copy was clipped.
CUT_NOTE = (
    "The outline was clipped: the edges in its field 'cut_edge' (well-known text, WGS 84) are where "
    "the copy ends, not shore."
)


def coarse_note(cell: float) -> str:
    """Return how sure places and depths are that were coarsened to squares of ``cell`` m."""
    return (
        f"Each sounding is the mean of a square of {written(cell, 'g')} m. The standard uncertainty "
        f"of its easting and northing is {written(cell / 12.0**0.5, '.1f')} m. Times the slope of "
        "the bottom, it is in uncert_m."
    )


def _below(datum):
    if not datum:
        return ". The lake datum is not stated."
    if is_water_of_a_day(datum):
        return f", below the {datum}. No gauge was read, so that lake level is not known."
    return f", below the lake datum '{datum}'."


def readme(
    contents: Iterable[str],
    license_name: str,
    attribution: str = "",
    datum: str = "",
    crs: str = "",
    notes: Iterable[str] = (),
) -> str:
    """Return the text that goes with a copy: its contents, license, datum, notes and cautions."""
    lines = [
        "COPY OF A LAKE MAP",
        "",
        "Contents:",
        *[f"- {line}" for line in contents],
        "",
        f"Depths are in meters, positive down{_below(datum)}",
        f"Coordinate reference system: {crs}." if crs else "",
        *notes,
        "",
        f"License: {LICENSES[license_name]}",
    ]
    if attribution:
        lines.append(f"Attribution: {attribution}")
    return "\n".join([*lines, "", "Cautions:", *[f"- {text}" for text in CAUTIONS], ""])
