"""Time and memory of the growing map at a million earlier soundings, without QGIS.

    python tests/benchmarks/bench_growing.py [earlier] [seconds]

Prints processor time (all threads) and wall time for each window that is drawn while a boat logs
20 soundings a second along lanes between the earlier ones, for what is learned, and for the coarse
surface that the planner reads.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import conftest  # noqa: F401  (makes the plugin importable)

from lakefloor.algorithms.core.growing.growing_map import GrowingMap
from lakefloor.algorithms.core.growing.settings import MapSettings
from lakefloor.algorithms.core.soundings import Soundings, concatenate

SPACING, SPEED, RATE = 20.0, 2.2, 20.0
SIDE = 2000.0


def bottom(x, y):
    """Depth of an invented lake, m."""
    return 8.0 + 3.0 * np.sin(x / 90.0) * np.cos(y / 130.0) + 0.5 * np.sin((x + y) / 23.0)


def run(draw, y, step):
    """Return one lane west to east."""
    x = np.arange(0.0, SIDE, step)
    return np.column_stack([x, y + 0.8 * np.sin(x / 60.0)]) + draw.normal(0.0, 0.2, (len(x), 2))


def soundings(draw, rows, step):
    """Return lanes at northings ``rows``, m, pings ``step`` m apart."""
    parts = [run(draw, y, step) for y in rows]
    xy = np.concatenate(parts)
    depth = bottom(*xy.T) + draw.normal(0.0, 0.05, len(xy))
    lane = np.repeat(np.arange(1, len(parts) + 1), [len(p) for p in parts])
    hardness = np.clip(0.5 + 0.1 * np.sin(xy[:, 0] / 200.0), 0, 1)
    return Soundings.build(*(xy + [500_000.0, 5_000_000.0]).T, depth, lane=lane, hardness=hardness)


class Clock:
    """Processor and wall time of what runs within."""

    def __enter__(self):
        self._start = time.process_time(), time.perf_counter()
        return self

    def __exit__(self, *_):
        self.cpu = time.process_time() - self._start[0]
        self.wall = time.perf_counter() - self._start[1]


def main(count=1_000_000, seconds=60):
    """Measure, and print."""
    draw = np.random.default_rng(3)
    lanes = int(SIDE / SPACING)
    step = lanes * SIDE / count
    earlier = soundings(draw, SPACING * np.arange(lanes), step)
    today = soundings(draw, SPACING * (20 + np.arange(6)) + SPACING / 2.0, SPEED / RATE)
    settings = MapSettings(32615, 2.0, SPACING, 2.5 * SPACING)
    with Clock() as c:
        growing = GrowingMap(settings, earlier)
    print(f"{len(earlier):,} earlier soundings put into windows: {c.cpu:.2f} s cpu {c.wall:.2f} s")
    with Clock() as c:
        growing.add(today.select(slice(0, 20)), 1)
        growing.draw_next()
    print(f"first window, with what is learned: {c.cpu:.2f} s cpu {c.wall:.2f} s")
    cpu, wall, adds, sizes = [], [], [], []
    for second in range(1, seconds):
        part = today.select(slice(20 * second, 20 * second + 20))
        with Clock() as c:
            growing.add(part, second)
        adds.append(c.wall)
        with Clock() as all_of_them:
            n = 0
            while not growing.is_idle:
                with Clock() as c:
                    growing.draw_next()
                cpu.append(c.cpu)
                wall.append(c.wall)
                n += 1
        sizes.append((n, all_of_them.cpu, all_of_them.wall))
    for name, value in (("cpu", cpu), ("wall", wall), ("add", adds)):
        print(f"{name}: median {np.median(value):.3f} s, worst {np.max(value):.3f} s")
    most = max(sizes)
    print(f"most windows a second: {most[0]}, in {most[1]:.2f} s cpu, {most[2]:.2f} s")
    with Clock() as c:
        surface = growing.surface(10.0)
    print(f"surface of {surface.depth.shape} cells: {c.cpu:.2f} s cpu {c.wall:.2f} s")
    print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return concatenate([earlier, today]), growing


if __name__ == "__main__":
    main(*(int(value) for value in sys.argv[1:]))
