"""Soundings from a table of points that another program made."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timezone, tzinfo
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from .. import units
from ..days import local_offsets_h, with_offsets, zone_offsets_h
from ..errors import LakefloorError
from ..lanes import lanes_of
from ..number_text import counted
from ..progress import Progress, silent, span
from ..soundings import Soundings
from ..times import missing_times, utc_from_texts, zone_of
from .gps_weeks import with_rollovers
from .impossible import impossible_soundings
from .logs import visits_by_date
from .parsed_log import NO_DEPTH, reasons_with_counts, relative_hardness

#: Factor of depths by the direction in which they count.
SIGNS = {"down": 1.0, "up": -1.0}


@dataclass(frozen=True)
class PointColumns:
    """Columns of a point table.

    Attributes
    ----------
    x, y : array, shape (n,)
        Position in a metric CRS, m; NaN where there is none.
    depth : array, shape (n,)
        NaN where there is none.
    time : sequence of str, optional
        ISO 8601 texts; empty where not known.
    visit : sequence of str, optional
        Names of outings; empty or None takes the lake's date.
    hardness, water_temp, speed, course : array, optional
        Relative hardness 0..1; course in degrees clockwise from true north.
    """

    x: ArrayLike
    y: ArrayLike
    depth: ArrayLike
    time: Sequence[str] | None = None
    visit: Sequence[str | None] | None = None
    hardness: ArrayLike | None = None
    water_temp: ArrayLike | None = None
    speed: ArrayLike | None = None
    course: ArrayLike | None = None


@dataclass(frozen=True)
class PointUnits:
    """In what the columns of a point table are.

    Attributes
    ----------
    depth_unit : str
        Key of :data:`.units.LENGTH`.
    positive : {"down", "up"}
        Whether depths count down, or elevations count up from the water surface.
    water_temp_unit : {"C", "F"}
    speed_unit : str
        Key of :data:`.units.SPEED`.
    time_zone : str or tzinfo
        Of times that state none. Unless it is UTC it is also the lake's own, by which its dates
        are counted.
    longitude : float
        Of the lake, degrees, for its dates where no zone is known.
    week_rollovers : int
        Spans of 1,024 GPS weeks to add to all times, for a receiver that counts the weeks wrong.
    """

    depth_unit: str = "m"
    positive: str = "down"
    water_temp_unit: str = "C"
    speed_unit: str = "m/s"
    time_zone: str | tzinfo = "UTC"
    longitude: float = 0.0
    week_rollovers: int = 0

    def check(self) -> None:
        """Raise LakefloorError if a unit is not known."""
        for value, known in (
            (self.depth_unit, units.LENGTH),
            (self.positive, SIGNS),
            (self.speed_unit, units.SPEED),
            (self.water_temp_unit, "CF"),
        ):
            if value not in known:
                raise LakefloorError(f"'{value}' is not known. Use one of: {', '.join(known)}.")


class PointReading(NamedTuple):
    """Soundings of a point table, in the order given.

    Attributes
    ----------
    soundings : Soundings
    kept : array of bool, shape (n,)
        The points that they are.
    left_out : dict
        Count of points left out, by reason.
    notes : list of str
    """

    soundings: Soundings
    kept: np.ndarray
    left_out: dict
    notes: list


def soundings_from_points(
    columns: PointColumns, point_units: PointUnits | None = None, progress: Progress = silent
) -> PointReading:
    """Return soundings from columns of a point table.

    Raises
    ------
    LakefloorError
        If no point has both a position and a depth, or a unit is not known.

    Examples
    --------
    >>> columns = PointColumns([500000.0, 500001.0], [4.98e6, 4.98e6], [10.0, float("nan")])
    >>> read = soundings_from_points(columns, PointUnits(depth_unit="ft"))
    >>> [round(float(depth), 3) for depth in read.soundings.depth], read.left_out
    ([3.048], {'no depth or not a number': 1})
    """
    given = point_units or PointUnits()
    given.check()
    x, y, depth = (np.asarray(v, dtype=float) for v in (columns.x, columns.y, columns.depth))
    keep, left_out = _usable(x, y, depth)
    stamp, offset, notes = _times(columns.time, len(x), given.time_zone, progress)
    visit = [""] * len(x) if columns.visit is None else [name or "" for name in columns.visit]
    hardness, more = (
        (np.nan, []) if columns.hardness is None else relative_hardness(columns.hardness)
    )
    soundings = Soundings.build(
        x,
        y,
        depth * units.LENGTH[given.depth_unit] * SIGNS[given.positive],
        time=with_rollovers(stamp, given.week_rollovers),
        visit=np.array(visit, dtype=object),
        hardness=hardness,
        water_temp=_temperature(columns.water_temp, given.water_temp_unit),
        speed=_numbers(columns.speed) * units.SPEED[given.speed_unit],
        course=_numbers(columns.course),
        corrections=with_offsets(np.full(len(x), "from=unknown", dtype=object), offset),
    ).select(keep)
    soundings, real, unreal, warned = _possible(soundings, left_out)
    keep[keep] = real
    progress(0.5)
    soundings = soundings.replace(visit=_visits(soundings, given.longitude))
    soundings = soundings.replace(lane=lanes_of(soundings))
    progress(1.0)
    return PointReading(soundings, keep, {**left_out, **unreal}, [*notes, *more, *warned])


def _usable(x, y, depth):
    """Return a mask of the points with position and depth, and the counts of the others."""
    placed = np.isfinite(x) & np.isfinite(y)
    keep = placed & np.isfinite(depth)
    left_out = {"no geometry": int((~placed).sum()), NO_DEPTH: int((placed & ~keep).sum())}
    left_out = {reason: count for reason, count in left_out.items() if count}
    if not keep.any():
        reasons = reasons_with_counts(left_out) or "the layer is empty"
        raise LakefloorError(
            f"No point has both a position and a depth ({reasons}). Check the depth field."
        )
    return keep, left_out


def _times(texts, n, time_zone, progress):
    """Return times in UTC, the lake's offsets from it, h, and notes."""
    if texts is None:
        return np.full(n, np.datetime64("NaT", "ms")), np.full(n, np.nan), []
    stamp, offset, notes = utc_from_texts(texts, time_zone, progress=span(progress, 0.0, 0.4))
    if zone_of(time_zone) is not timezone.utc:
        offset = np.where(np.isnan(offset), zone_offsets_h(stamp, time_zone), offset)
    return stamp, offset, notes + missing_times(stamp)


def _numbers(values):
    return np.nan if values is None else np.asarray(values, dtype=float)


def _temperature(values, unit):
    values = _numbers(values)
    return units.fahrenheit_to_celsius(values) if unit == "F" else values


def _possible(soundings, left_out):
    """Return the soundings that can be, a mask of them, counts of the others, and notes."""
    ((unreal,), warned) = impossible_soundings([soundings], np.datetime64("now", "ms"))
    notes = [text for _, text in warned]
    counts = dict(Counter(reason for _, reason, _ in unreal))
    real = ~np.isin(np.arange(len(soundings)), [row for row, _, _ in unreal])
    if not unreal:
        return soundings, real, counts, notes
    if not real.any():
        raise LakefloorError(
            f"No point can be a sounding ({reasons_with_counts({**left_out, **counts})}). Check "
            "the fields and units."
        )
    _, reason, text = unreal[0]
    notes.append(f"The first of {counted(len(unreal), 'point')} left out: {text} ({reason}).")
    return soundings.select(real), real, counts, notes


def _visits(soundings, longitude):
    """Return the names of visits, the lake's date where none is given."""
    dated = visits_by_date(
        soundings.time,
        np.full(len(soundings), "undated", dtype=object),
        local_offsets_h(soundings.corrections, longitude),
    )
    return np.where(soundings.visit == "", dated, soundings.visit).astype(object)
