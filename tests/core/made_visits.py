"""Outings over one invented bottom, at known lake levels."""

import numpy as np

from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.soundings import Soundings, each_visit, parse_corrections


def bottom(x, y):
    return 6.0 + 2.5 * np.sin(x / 60.0) + 1.5 * np.cos(y / 45.0)


def outing(day, level, lines, seed=0, visit=None, noise=0.05, clock="14:00:00"):
    """Pings each 2 m along straight lines, on water ``level`` m above the datum of ``bottom``.

    Positions wander by 1 m, slowly; depths have ``noise`` m.
    """
    rng = np.random.default_rng(seed)
    x, y = [], []
    for (x0, y0), (x1, y1) in lines:
        n = int(np.hypot(x1 - x0, y1 - y0) / 2.0) + 2
        x.append(np.linspace(x0, x1, n))
        y.append(np.linspace(y0, y1, n))
    x, y = np.concatenate(x), np.concatenate(y)
    depth = bottom(x, y) + level + rng.normal(0.0, noise, x.size)
    away = np.cumsum(rng.normal(0.0, 0.05, (2, x.size)), axis=1)
    away -= away.mean(axis=1, keepdims=True)
    away *= 1.0 / max(away.std(), 1e-9)
    time = np.datetime64(f"{day}T{clock}", "ms") + np.arange(x.size) * np.timedelta64(1000, "ms")
    return Soundings.build(
        x + away[0],
        y + away[1],
        depth,
        time=time,
        visit=visit or day,
        uncert=0.05,
        corrections="from=transducer;time_offset_s=0;draft_m=0;sound_speed=1500->1480.0",
    )


def along(spacing, shift=0.0):
    return [((0.0, y), (300.0, y)) for y in np.arange(shift, 200.0, spacing)]


def across(spacing, shift=0.0):
    return [((x, -5.0), (x, 205.0)) for x in np.arange(shift + 5.0, 300.0, spacing)]


def rms(soundings, level):
    """Error at the water of the held day, m, of the accepted soundings."""
    use = soundings.accepted
    error = soundings.depth - bottom(soundings.x, soundings.y) - level
    return float(np.sqrt(np.mean(error[use] ** 2)))


MAY = outing("2026-05-14", 0.0, along(25.0), seed=1)
JULY = outing("2026-07-02", -0.8, across(40.0), seed=2)


def texts(soundings):
    return {
        name: parse_corrections(soundings.corrections[rows[0]])
        for name, rows in each_visit(soundings)
    }


def reduced(soundings, level, datum=1.0):
    return reduce_to_datum(soundings, level, datum_elevation_m=datum, datum_name="dock").soundings


DATUM = ("dock", 1.0)
STORED = reduced(MAY, 1.0)
