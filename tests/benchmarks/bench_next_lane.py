"""Processor time of the next lane on a lake of 4 km2, beside the plan of a whole outing.

    python3 tests/benchmarks/bench_next_lane.py [SOUNDINGS]

With the Python of QGIS, /usr/bin/python3 on Debian. A round lake with an island is sounded in lanes
20 m apart, from the west to a third, two thirds and nearly all of it; by default 500,000 soundings
fill it. Each time the next lane is planned as on the water, surface included, and "Gaps and next
outing" plans half an hour on the same surface. The aim is one second of processor time.
"""

import sys
import time
from pathlib import Path

import numpy as np
from shapely.geometry import Point

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / ".ci"))
import checkout  # noqa: F401

from lakefloor.algorithms.core.growing.growing_map import GrowingMap
from lakefloor.algorithms.core.growing.planning import Planner
from lakefloor.algorithms.core.growing.settings import MapSettings
from lakefloor.algorithms.core.plan.next_outing import next_outing
from lakefloor.algorithms.core.polygons import contains, rings
from lakefloor.algorithms.core.soundings import Soundings

RADIUS, SPACING, TIMES = 1140.0, 20.0, 3
LAKE = Point(0.0, 0.0).buffer(RADIUS, 64).difference(Point(300.0, 200.0).buffer(120.0, 16))


def sounded(count, share):
    """Soundings in lanes over a share of the lake, from its western shore."""
    random, lanes = np.random.default_rng(4), np.arange(-RADIUS, RADIUS, SPACING)
    step = 2.0 * RADIUS * len(lanes) * 0.785 / count
    along = np.arange(-RADIUS, RADIUS * (2.0 * share - 1.0), step)
    x, y = (v.ravel() for v in np.meshgrid(along, lanes))
    y = y + random.normal(0.0, 0.5, len(y))
    held = contains(rings(LAKE.buffer(-8.0)), x, y)
    x, y = x[held], y[held]
    depth = 6.0 + 3.0 * np.sin(x / 90.0) + 2.0 * np.cos(y / 70.0)
    return Soundings.build(x, y, depth + random.normal(0.0, 0.05, len(x)))


def processor_s(work):
    """Return the median processor time of some runs, s, and the last result."""
    taken = []
    for _ in range(TIMES):
        begin = time.process_time()
        found = work()
        taken.append(time.process_time() - begin)
    return float(np.median(taken)), found


def compare(soundings):
    """Print the time of both on a lake sounded so far."""
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=LAKE))
    growing.add(soundings, 1)
    last = np.argmax(soundings.x)
    boat = np.array([soundings.x[last] - 10.0, soundings.y[last]])
    lane, plan = processor_s(lambda: Planner(growing).plan(boat, interval_m=0.3048))
    surface = growing.surface(0.25 * SPACING)
    given = {"interval_m": 0.3048, "launch": boat, "minutes": 30.0, "spacing": SPACING}
    outing, _ = processor_s(lambda: next_outing(surface, lake=LAKE, **given))
    found = "done" if plan["done"] else f"a lane of {plan['length_m']:.0f} m"
    print(
        f"{len(soundings):,} soundings, {plan['supported']:.0%} of the water supported: next lane "
        f"{lane:.2f} s ({found}), outing {outing:.2f} s"
    )


def main(count=500_000):
    print(f"{LAKE.area / 1e6:.1f} km2, processor seconds, median of {TIMES}")
    for share in (0.33, 0.67, 0.97):
        compare(sounded(count, share))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
