"""Seconds and peak memory of `clean` on a generated lakes, beside a plain running median.

Run: ``python3 tests/benchmarks/bench_cleaning.py [number of soundings]``. The peer is
one pass of `scipy.ndimage.median_filter` over the same depths in the same process: the
least that any despiking along the track does. Memory is what the call allocates at its
peak (tracemalloc, which slows the run: time and memory are taken in separate calls).
"""

import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
from scipy.ndimage import median_filter

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "core")]
import conftest  # noqa: F401  (makes the package importable)
from lakes_for_cleaning import BOTTOMS, survey

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.soundings import concatenate


def measure(call):
    """Return seconds on the clock, seconds of processor and peak MB of ``call``."""
    start, used = time.perf_counter(), time.process_time()
    call()
    seconds, used = time.perf_counter() - start, time.process_time() - used
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return seconds, used, peak


def lakes(wanted: int):
    """Return at least ``wanted`` soundings: outings on lakes side by side, 5 pings a second."""
    parts, blunders = [], 0
    while sum(map(len, parts)) < wanted:
        number = len(parts)
        bottom = sorted(BOTTOMS)[number % len(BOTTOMS)]
        part, _, kind = survey(bottom, number, rate=5.0, fix_rate=5.0, spacing=15.0)
        visit = np.full(len(part), f"outing {number}", dtype=object)
        parts.append(part.replace(x=part.x + 1000.0 * number, visit=visit))
        blunders += np.count_nonzero(kind != "")
    return concatenate(parts), blunders


def main(wanted: int = 1_000_000) -> None:
    soundings, blunders = lakes(wanted)
    depth = np.nan_to_num(soundings.depth)
    rows = [
        ("clean", *measure(lambda: clean(soundings))),
        ("scipy median_filter, 7 pings", *measure(lambda: median_filter(depth, 7))),
    ]
    print(f"{len(soundings)} soundings, {blunders} of them blunders")
    print(f"{'':30s} {'clock':>9s} {'processor':>11s} {'peak':>8s}")
    for name, seconds, used, peak in rows:
        print(f"{name:30s} {seconds:7.2f} s {used:9.2f} s {peak:5.0f} MB")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
