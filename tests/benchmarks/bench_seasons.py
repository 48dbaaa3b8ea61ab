"""Five seasons on invented lakes: what each addition does to the database and its map.

    /usr/bin/python3 tests/benchmarks/bench_seasons.py --lakes alder weka puma [--seeds 11] [--brief]

Every lake goes through the same steps (``tests/seasons/five_years.py``): logs added once and again, in
halves, at a wrong level, in the wrong unit, of another lake, with a wrong clock; a hole is dredged, mud
settles; friends hand on copies and a database. A line a step, lengths in meters:

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

Where an addition made the map worse by more than 2 %, it is drawn once more with that addition at its
true level, of the bottom of the day, without blunders and nothing twice: what is left is the noise of
positions and depths, which no database can take out. An addition does harm by more than 2 % beyond this
noise; both are counted.

Last come the promises, and a table of the lakes: the map at the end, the most soundings held twice,
what is unsound and was refused, what is sound and was refused all the same, what is unsound and did
harm, the levels of sound additions, the hole beside a map of the new visit alone, and its volume. The
seeds are others than those of the tests. What an unsound step did is taken back after it is judged.
"""

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
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
        print(f"      the map if this had entered without fault: {record.perfect:.3f}")
    if record.faults:
        back = "; taken back" if record.taken_back else ""
        print(f"      AGAINST THE PROMISES: {', '.join(record.faults)}{back}")
    sys.stdout.flush()


@dataclass(frozen=True)
class Run:
    """A lake's five years: its records, the years that are wrong as of their end, processor time."""

    lake: str
    records: list
    years_wrong: list
    seconds: float

    def of(self, *states):
        """Return the records of steps that became one of some states."""
        return [r for r in self.records if r.state in states]

    @property
    def worse(self):
        """Additions after which the map was worse by more than is allowed."""
        return [r for r in self.of("entered") if r.after > (1.0 + WORSE) * r.before]

    @property
    def harm(self):
        """Those that made it worse beyond the noise."""
        return [r for r in self.worse if any("worse by" in fault for fault in r.faults)]

    @property
    def duplicates(self):
        """The most soundings that the database held twice."""
        return max(r.change.duplicates for r in self.records)

    @property
    def refusals(self):
        """Unsound and refused, sound and refused, unsound and let in with harm."""
        refused = self.of("refused")
        missed = [r for r in self.of("entered") if not r.sound and r.faults]
        return (sum(not r.sound for r in refused), sum(r.sound for r in refused), len(missed))

    @property
    def level(self):
        """RMS of the levels of sound additions, m."""
        levels = np.array([r.change.level for r in self.of("entered") if r.sound])
        return float(np.sqrt(np.nanmean(levels**2)))

    @property
    def offsets_within(self):
        """Sound additions with a fitted level: how many are within two errors, and how many."""
        fitted = [r for r in self.of("entered") if r.sound and r.outcome.offsets]
        errors = [max(sd for _, sd in r.outcome.offsets.values()) for r in fitted]
        return sum(abs(r.change.level) <= 2.0 * e for r, e in zip(fitted, errors)), len(fitted)

    def line(self):
        """Return the lake's line of the table."""
        last, hole = self.records[-1], next((r for r in self.records if r.volume), None)
        of_hole = "not entered"
        if hole is not None:
            of_hole = f"{hole.hole:.3f} ({hole.alone:.3f})"
            of_hole += " {:6.0f} +- {:.0f} ({:.0f})".format(*hole.volume)
        return (
            f"{self.lake:6}{last.rmse:7.3f}{100 * last.supported:6.0f}%{100 * last.within:6.0f}%"
            f"{self.duplicates:6d}  {'{:2d} /{:2d} /{:2d}'.format(*self.refusals)}"
            f"{self.level:8.3f}{'{:4d} of {:2d}'.format(*self.offsets_within)}   {of_hole:32}"
            f"{len(self.worse):4d} /{len(self.harm):2d}{f'{len(self.years_wrong)} of 4':>9}"
            f"{self.seconds:6.0f} s"
        )


_TABLE = (
    f"{'lake':6}{'RMSE':>7}{'1 ft':>7}{'2 sd':>7}{'dup':>6}  {'refused':12}{'level':>7}"
    f"{'in 2 sd':>11}  {'hole (new alone), volume m3 (true)':33}{'worse':>7}{'as of':>9}{'time':>8}"
)


def _summary(runs):
    """Print what was kept of the promises, and the table."""
    print("\nAgainst the promises:")
    for run in runs:
        for record in run.records:
            if record.faults:
                print(f"  {run.lake}, {record.name}: {', '.join(record.faults)}")
    print(f"\n{_TABLE}")
    for run in runs:
        print(run.line())
    print(
        "refused: unsound and refused / sound and refused / unsound, let in and harmful. worse: by more "
        "than 2 % / of\nthese beyond the noise. in 2 sd: fitted levels. as of: years that are not what "
        "they were at their end."
    )


def _run(name, seed, options):
    start, records = time.process_time(), []
    if not options.brief:
        print(f"\n{name}, seed {seed}\n{_HEAD}")
    with tempfile.TemporaryDirectory() as folder:
        world = World(LAKES[name](), seed, folder, smoothing=options.smoothing)
        for step in five_years(world):
            for record in world.do(step):
                records.append(record)
                if not options.brief:
                    _say(record)
        wrong = world.years_wrong
    return Run(name, records, wrong, time.process_time() - start)


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--lakes", nargs="+", default=["alder", "weka", "puma"], choices=LAKES)
    parser.add_argument("--seeds", nargs="+", type=int, default=[11])
    parser.add_argument("--brief", action="store_true", help="only the promises and the table")
    parser.add_argument(
        "--smoothing", type=float, help="of the maps, m; found anew each time if not given"
    )
    options = parser.parse_args()
    _summary([_run(name, seed, options) for name in options.lakes for seed in options.seeds])


if __name__ == "__main__":
    main()
