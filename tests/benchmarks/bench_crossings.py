"""Seconds and peak memory of `find_crossings`, beside GEOS on the same lanes in one run.

Run: ``python3 tests/benchmarks/bench_crossings.py [number of soundings]``. The peer
intersects each lane with each lane of another visit as whole lines by shapely (GEOS),
which finds the places but not the depths, angles and slopes. Memory is what the call
allocates at its peak (tracemalloc, which does not see what GEOS allocates and slows the
run: time and memory are taken in separate calls).
"""

import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
from shapely.geometry import LineString
from shapely.prepared import prep

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
import conftest  # noqa: F401  (makes the package importable)

from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.crossings import find_crossings
from lakefloor.algorithms.core.visits.overlaps import find_overlaps


def survey(wanted, visits=4, lanes=100, ping=1.1, jitter=0.3, stop=3600):
    """Return visits of back-and-forth lanes in turn along and across, each with a long stop."""
    rng = np.random.default_rng(1)
    each = wanted // visits - stop
    length = each * ping / lanes
    parts = []
    for v in range(visits):
        s = np.arange(each) * ping
        lane = (s // length).astype(int)
        along = np.where(lane % 2 == 0, s - lane * length, (lane + 1) * length - s)
        across = 25.0 * lane + 3.0 * v
        x, y = (along, across) if v % 2 == 0 else (across + length / 2 - 1000.0, along)
        x = np.concatenate([x, np.full(stop, x[-1])]) + rng.normal(0, jitter, each + stop)
        y = np.concatenate([y, np.full(stop, y[-1])]) + rng.normal(0, jitter, each + stop)
        depth = 10.0 + 3.0 * np.sin(x / 60.0) * np.sin(y / 80.0)
        parts.append(
            Soundings.build(
                x + 4e5,
                y + 5e6,
                depth + rng.normal(0, 0.05, len(x)),
                visit=f"visit {v}",
                lane=np.concatenate([lane + 1, np.zeros(stop, int)]),
            )
        )
    return concatenate(parts)


def geos(soundings):
    """Return the number of lane pairs of two visits that intersect, and of all their points."""
    lines = []
    for visit in sorted(set(soundings.visit)):
        rows = np.flatnonzero((soundings.visit == visit) & (soundings.lane > 0))
        cuts = np.flatnonzero(np.diff(soundings.lane[rows])) + 1
        lines.append(
            [
                LineString(np.column_stack([soundings.x[lane], soundings.y[lane]]))
                for lane in np.split(rows, cuts)
            ]
        )
    pairs = points = 0
    for one in range(len(lines)):
        for line in lines[one]:
            ready = prep(line)
            for other in (o for two in range(one + 1, len(lines)) for o in lines[two]):
                if ready.intersects(other):
                    pairs += 1
                    points += len(getattr(line.intersection(other), "geoms", [0]))
    return pairs, points


def measure(call):
    """Return the result, seconds on the clock, seconds of processor and peak MB of ``call``."""
    start, used = time.perf_counter(), time.process_time()
    result = call()
    seconds, used = time.perf_counter() - start, time.process_time() - used
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return result, seconds, used, peak


def main(wanted: int = 1_000_000) -> None:
    soundings = survey(wanted)
    print(f"{len(soundings)} soundings")
    found, *figures = measure(lambda: find_crossings(soundings))
    rows = [("find_crossings", f"{len(found)} crossings", figures)]
    side, *figures = measure(lambda: find_overlaps(soundings, found))
    rows.append(("find_overlaps", f"{len(side)} overlaps", figures))
    (pairs, points), *figures = measure(lambda: geos(soundings))
    rows.append(("GEOS, lane by lane", f"{pairs} pairs, {points} points", figures))
    print(f"{'':20s} {'clock':>9s} {'processor':>11s} {'peak':>8s}")
    for name, what, (seconds, used, peak) in rows:
        print(f"{name:20s} {seconds:7.2f} s {used:9.2f} s {peak:5.0f} MB  {what}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
