"""Seconds and peak memory of `clean` on a generated lake, beside a plain running median.

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
import conftest  # noqa: E402, F401  (makes the package importable)
from lakes_for_cleaning import survey  # noqa: E402

from lakefloor.algorithms.core.cleaning import clean  # noqa: E402


def measure(call):
    """Return seconds and peak MB of ``call``."""
    start = time.perf_counter()
    call()
    seconds = time.perf_counter() - start
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return seconds, peak


def main(wanted: int = 1_000_000) -> None:
    rate = 5.0 * wanted / 28_182  # the lake has 28,182 soundings at 5 a second, 15 m lanes
    soundings, _, kind = survey("drop-off", rate=rate, fix_rate=rate, spacing=15.0)
    depth = np.nan_to_num(soundings.depth)
    rows = [
        ("clean", *measure(lambda: clean(soundings))),
        ("scipy median_filter, 7 pings", *measure(lambda: median_filter(depth, 7))),
    ]
    print(f"{len(soundings)} soundings, {np.count_nonzero(kind != '')} of them blunders")
    for name, seconds, peak in rows:
        print(f"{name:30s} {seconds:8.2f} s {peak:8.0f} MB")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
