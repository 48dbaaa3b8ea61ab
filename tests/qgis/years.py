"""A round lake that was visited in three years, and dredged before the last."""

import numpy as np
from lakes import DEEPEST, RADIUS, X, Y

from lakefloor.algorithms import _store
from lakefloor.algorithms.core.soundings import Soundings

UTM = "EPSG:32615"
DATUM = "from=transducer;datum=pool;datum_elev_m=1.0;level_m=1.000"
#: Middle, half side and depth of the dredged pit, m.
PIT_X, PIT_Y, PIT_HALF, PIT_DEEPER = X + 60.0, Y + 20.0, 40.0, 1.5
NOISE = 0.03
NAMES = ("june", "august", "october")
DAYS = ("2019-06-15", "2021-08-07", "2023-10-03")


def bottom(x, y, dredged):
    """Return the true depth, m."""
    depth = DEEPEST * (1.0 - ((x - X) ** 2 + (y - Y) ** 2) / RADIUS**2)
    pit = (np.abs(x - PIT_X) < PIT_HALF) & (np.abs(y - PIT_Y) < PIT_HALF)
    return depth + PIT_DEEPER * (pit & dredged)


def outing(name, day, eastings, dredged=False, seed=0, low=-RADIUS, high=RADIUS):
    """Return a visit of lanes from south to north, and one from west to east across them."""
    rng = np.random.default_rng(seed)
    x, y, lane = [], [], []
    for number, east in enumerate(eastings, start=1):
        reach = np.sqrt((RADIUS - 4.0) ** 2 - east**2)
        north = np.arange(max(-reach, low), min(reach, high), 2.5)[:: 1 if number % 2 else -1]
        x.append(np.full(north.size, east))
        y.append(north)
        lane.append(np.full(north.size, number))
    across = np.arange(min(eastings), max(eastings), 2.5)[:: 1 if len(eastings) % 2 else -1]
    x, y = np.append(np.concatenate(x), across), np.append(np.concatenate(y), 0.0 * across + 10.0)
    lane = np.append(np.concatenate(lane), np.full(across.size, len(eastings) + 1))
    depth = bottom(X + x, Y + y, dredged) + rng.normal(0.0, NOISE, x.size)
    return Soundings.build(
        X + x,
        Y + y,
        np.maximum(depth, 0.05),
        uncert=0.06,
        visit=name,
        time=np.datetime64(f"{day}T15:00", "ms") + np.arange(x.size) * np.timedelta64(1, "s"),
        lane=lane,
        corrections=DATUM,
        speed=2.5,
    )


def visits():
    """Return the three visits: the west in wide lanes, all of it, and the pit in narrow ones."""
    return [
        outing(NAMES[0], DAYS[0], np.arange(-280.0, 100.0, 40.0), seed=1),
        outing(NAMES[1], DAYS[1], np.arange(-260.0, 281.0, 40.0), seed=2),
        outing(NAMES[2], DAYS[2], np.arange(-10.0, 131.0, 10.0), True, seed=3, low=-60, high=100),
    ]


def make_store(path):
    """Add the visits one after the other; yield after each what the store holds."""
    for soundings in visits():
        _store.add(path, soundings, UTM, newer_wins=True)
        yield list(_store.read(path))
