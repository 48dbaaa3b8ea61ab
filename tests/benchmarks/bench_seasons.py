"""Five seasons on invented lakes: what each addition does to the database and its map.

    /usr/bin/python3 tests/benchmarks/bench_seasons.py [--lakes alder,weka,puma] [--seeds 11]

Every lake goes through the same steps (``tests/seasons/five_years.py``): logs added once and again, in
halves, at a wrong level, in the wrong unit, of another lake, with a wrong clock; a hole is dredged, mud
settles; friends hand on copies. A line a step, lengths in meters:

``new``, ``visits``, ``dup``
    Pings that the step brought, visits in the database, and soundings in it that hold a ping twice.
``before``, ``after``
    Root mean square error of the map before and after the step, by the truth of its day, on the cells
    that both maps reach.
``hole``, ``1 ft``, ``2 sd``
    Error in the dredged hole; share of the 1 ft contours that are supported; share of the cells whose
    error is within twice what the map states.
``level``
    Median of depth less truth of what is new, and what was taken off as the visit's offset.

Where an addition made the map worse, it is drawn once more with that addition at its true level and
nothing twice: what is left is the noise of positions and depths, which no database can take out.

Last come the promises: no addition that was let in makes the map worse by more than 2 %, the hole and
its volume are right within twice the stated uncertainty, nothing is stored twice, nothing is refused
that is sound. The seeds are others than those of the tests. What a step that was not sound did is taken
back after it is judged.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
import conftest  # noqa: F401, I001  makes the repository the package "lakefloor"
from lakefloor.tests.seasons.five_years import five_years
from lakefloor.tests.seasons.judge import WORSE
from lakefloor.tests.seasons.lakes import LAKES
from lakefloor.tests.seasons.seasons import World

_HEAD = (
    f"{'':2}{'step':50}{'became':14}{'new':>6}{'visits':>7}{'dup':>6}{'before':>8}{'after':>8}"
    f"{'hole':>7}{'1 ft':>6}{'2 sd':>6}{'level':>8}{'taken off':>16}"
)


def _number(value, digits, width, scale=1.0):
    return f"{value * scale:{width}.{digits}f}" if np.isfinite(value) else " " * (width - 1) + "-"


def _line(record):
    offsets = list(record.outcome.offsets.values())
    taken = f"{offsets[0][0]:+.3f} +- {offsets[0][1]:.3f}" if offsets else ""
    return (
        f"{record.season:<2}{record.name[:49]:50}{record.state:14}{record.change.rows:6d}"
        f"{record.visits:7d}{record.change.duplicates:6d}{_number(record.before, 3, 8)}"
        f"{_number(record.after, 3, 8)}{_number(record.hole, 3, 7)}"
        f"{_number(record.supported, 0, 5, 100)}%{_number(record.within, 0, 5, 100)}%"
        f"{_number(record.change.level, 3, 8)}{taken:>16}"
    )


def _say(record):
    print(_line(record))
    for text in (record.outcome.refusal, *record.outcome.findings):
        if text:
            print(f"      said: {text}")
    if record.volume:
        print(
            "      volume of the hole: {:.0f} +- {:.0f} m3, true {:.0f} m3".format(*record.volume)
        )
    if np.isfinite(record.perfect):
        print(f"      the map if this were at its true level, nothing twice: {record.perfect:.3f}")
    if record.faults:
        back = "; taken back" if record.taken_back else ""
        print(f"      AGAINST THE PROMISES: {', '.join(record.faults)}{back}")
    sys.stdout.flush()


def _summary(records):
    """Print what was kept of the promises."""
    entered = [r for r in records if r.state == "entered"]
    compared = [r for r in entered if np.isfinite(r.before)]
    worst = max(compared, key=lambda r: r.after / r.before)
    worse = [r for r in compared if np.isfinite(r.perfect)]
    noise = [r for r in worse if r.perfect > (1.0 + WORSE) * r.before]
    holes = [r for r in records if r.volume]
    faulty = [r for r in records if not r.sound]
    print(f"\n{len(records)} steps, {len(entered)} additions let in")
    print(
        f"  map worse by more than 2%: {len(worse)} of {len(compared)} (most: "
        f"{100 * (worst.after / worst.before - 1):+.0f}%, {worst.name}); of these at the true level, "
        f"nothing twice: {len(noise)}"
    )
    print(f"  soundings stored twice, at the most: {max(r.change.duplicates for r in records)}")
    wrong = [r for r in holes if any("volume" in fault or "hole" in fault for fault in r.faults)]
    print(f"  dredged holes wrong: {len(wrong)} of {len(holes)}")
    states = Counter(r.state for r in faulty)
    print(
        f"  of {len(faulty)} steps that are not sound: {states['refused']} refused, "
        f"{sum(bool(r.faults) for r in faulty if r.state == 'entered')} let in with harm, "
        f"{sum(not r.faults for r in faulty if r.state == 'entered')} let in without harm"
    )
    print(
        f"  false refusals: {sum('false refusal' in r.faults for r in records)}; "
        f"not possible: {sum(r.state == 'not possible' for r in records)}; visits split or joined: "
        f"{sum('visits instead' in ' '.join(r.faults) for r in records)}"
    )
    levels = np.array([r.change.level for r in entered if r.sound])
    print(f"  level of sound additions: RMS {np.sqrt(np.nanmean(levels**2)):.3f} m")


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--lakes", default="alder,weka,puma", help=", ".join(LAKES))
    parser.add_argument("--seeds", default="11")
    parser.add_argument(
        "--smoothing", type=float, help="of the maps, m; found anew each time if not given"
    )
    options = parser.parse_args()
    records = []
    for name in options.lakes.split(","):
        for seed in map(int, options.seeds.split(",")):
            start = time.process_time()
            print(f"\n{name}, seed {seed}\n{_HEAD}")
            with tempfile.TemporaryDirectory() as folder:
                world = World(LAKES[name](), seed, folder, smoothing=options.smoothing)
                for step in five_years(world):
                    for record in world.do(step):
                        records.append(record)
                        _say(record)
            print(f"  processor time {time.process_time() - start:.0f} s")
    _summary(records)


if __name__ == "__main__":
    main()
