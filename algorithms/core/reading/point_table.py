"""Soundings from a table of points that another program made."""

from __future__ import annotations

from collections import Counter
from datetime import timezone

import numpy as np

from .. import units
from ..days import local_offsets_h, with_offsets, zone_offsets_h
from ..errors import LakefloorError
from ..lanes import lanes_of
from ..number_text import counted
from ..progress import silent, span
from ..soundings import Soundings
from ..times import missing_times, utc_from_texts, zone_of
from .logs import visits_by_date
from .parsed_log import NO_DEPTH, impossible_soundings, reasons_with_counts, relative_hardness

SIGNS = {"down": 1.0, "up": -1.0}


def soundings_from_points(
    x, y, depth, *, depth_unit="m", positive="down", time=None, time_zone="UTC", visit=None,
    hardness=None, water_temp=None, water_temp_unit="C", speed=None, speed_unit="m/s",
    course=None, longitude=0.0, progress=silent,
):
    """Return soundings from columns of a point table.

    Parameters
    ----------
    x, y : array, shape (n,)
        Position in a metric CRS, m; NaN where there is none.
    depth : array, shape (n,)
        In ``depth_unit``; NaN where there is none.
    depth_unit : str
        Key of :data:`.units.LENGTH`.
    positive : {"down", "up"}
        Whether depths count down, or elevations count up from the water surface.
    time : sequence of str, optional
        ISO 8601 texts; empty where not known.
    time_zone : str or tzinfo
        Of times that state none. Unless it is UTC it is also the lake's own, by which its dates
        are counted.
    visit : sequence of str, optional
        Names of outings; empty or None takes the lake's date.
    hardness, water_temp, speed, course : array, optional
        Relative 0..1, in ``water_temp_unit`` (C or F), in ``speed_unit``
        (m/s, kn, mph or km/h), degrees clockwise from true north.
    longitude : float
        Of the lake, degrees, for its dates where no zone is known.
    progress : callable

    Returns
    -------
    soundings : Soundings
        In the order given.
    kept : array of bool, shape (n,)
        The points that they are.
    left_out : dict
        Count of points left out, by reason.
    notes : list of str

    Raises
    ------
    LakefloorError
        If no point has both a position and a depth, or a unit is not known.
    """
    for value, known in (
        (depth_unit, units.LENGTH), (positive, SIGNS), (speed_unit, units.SPEED),
        (water_temp_unit, "CF"),
    ):
        if value not in known:
            raise LakefloorError(f"'{value}' is not known. Use one of: {', '.join(known)}.")
    x, y, depth = (np.asarray(v, dtype=float) for v in (x, y, depth))
    n, notes = len(x), []
    placed = np.isfinite(x) & np.isfinite(y)
    keep = placed & np.isfinite(depth)
    left_out = Counter()
    left_out["no geometry"] = int((~placed).sum())
    left_out[NO_DEPTH] = int((placed & ~keep).sum())
    left_out = {reason: count for reason, count in left_out.items() if count}
    if not keep.any():
        reasons = reasons_with_counts(left_out) or "the layer is empty"
        raise LakefloorError(
            f"No point has both a position and a depth ({reasons}). Check the depth field."
        )
    stamp, offset = np.full(n, np.datetime64("NaT", "ms")), np.full(n, np.nan)
    if time is not None:
        stamp, offset, more = utc_from_texts(
            time, time_zone, progress=span(progress, 0.0, 0.4))
        notes += more + missing_times(stamp)
        if zone_of(time_zone) is not timezone.utc:
            offset = np.where(np.isnan(offset), zone_offsets_h(stamp, time_zone), offset)
    names = np.array([v or "" for v in visit] if visit is not None else [""] * n, dtype=object)
    if hardness is not None:
        hardness, more = relative_hardness(hardness)
        notes += more
    metres = depth * units.LENGTH[depth_unit] * SIGNS[positive]

    def optional(values, convert=lambda v: v):
        return np.nan if values is None else convert(np.asarray(values, dtype=float))

    soundings = Soundings.build(
        x, y, metres, time=stamp, visit=names, hardness=optional(hardness),
        water_temp=optional(
            water_temp, units.fahrenheit_to_celsius if water_temp_unit == "F" else lambda v: v
        ),
        speed=optional(speed, lambda v: v * units.SPEED[speed_unit]), course=optional(course),
        corrections=with_offsets(np.full(n, "from=unknown", dtype=object), offset),
    ).select(keep)
    ((unreal,), warned) = impossible_soundings([soundings], np.datetime64("now", "ms"))
    notes += [text for _, text in warned]
    if unreal:
        left_out.update(Counter(reason for _, reason, _ in unreal))
        if len(unreal) == len(soundings):
            raise LakefloorError(
                f"No point can be a sounding ({reasons_with_counts(left_out)}). Check the fields "
                "and units.")
        _, reason, text = unreal[0]
        notes.append(f"The first of {counted(len(unreal), 'point')} left out: {text} ({reason}).")
        real = ~np.isin(np.arange(len(soundings)), [row for row, _, _ in unreal])
        soundings = soundings.select(real)
        keep[keep] = real
    progress(0.5)
    dated = visits_by_date(
        soundings.time, np.full(len(soundings), "undated", dtype=object),
        local_offsets_h(soundings.corrections, longitude),
    )
    names = np.where(soundings.visit == "", dated, soundings.visit).astype(object)
    soundings = soundings.replace(visit=names)
    soundings = soundings.replace(lane=lanes_of(soundings))
    progress(1.0)
    return soundings, keep, left_out, notes
