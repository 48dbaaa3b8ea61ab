"""Change the code on purpose, one small change at a time, and see whether its tests notice.

    .venv/bin/python tests/mutation/run.py                  # goes on where it stopped
    .venv/bin/python tests/mutation/run.py nmea lanes       # these modules only
    .venv/bin/python tests/mutation/run.py --list mixture   # only show what is known so far
    .venv/bin/python tests/mutation/run.py --again          # forget the results

Of each module a fixed sample of mutants is tried, drawn by a named seed. A mutant is killed when
one of the module's own test files fails, cannot be collected, or takes longer than the limit.
What is known stands in ``build/mutation.json``: a killed mutant stays killed until its statement
changes, a survivor is tried again when its tests change. Survivors with a reason stand in
``explained.txt`` beside this file: ``equivalent`` changes nothing that could be seen and does not
count, ``tolerated`` does count. The command fails where fewer than nine in ten fall.

It is a small one of the project's own: the libraries for it (mutmut, cosmic-ray) would have to be
installed with a dozen packages of theirs, start Python anew for each mutant, which costs more than
these tests take, and number their mutants by line, so that explanations are lost at every move.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import importlib.machinery
import json
import os
import resource
import signal
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CORE = ROOT / "algorithms" / "core"
RESULTS = ROOT / "build" / "mutation.json"
EXPLAINED = HERE / "explained.txt"
SEED, SAMPLE, WANTED = "lakefloor", 60, 0.9

sys.path.insert(0, str(HERE))
from mutants import mutants_of, sample

#: Name -> (files of core that hold it, wherever they lie below core; its own test files).
MODULES = {
    "nmea": (
        ["nmea_log.py", "nmea_sentences.py", "nmea_values.py", "nmea_split.py", "byte_cells.py"],
        ["test_nmea_log.py", "test_nmea_columns.py"],
    ),
    "csv_table": (["csv_file.py"], ["test_exchange.py"]),
    "lake_level": (
        ["lake_level.py", "datums.py", "gauge.py"],
        ["test_lake_level.py", "test_lake_level_rules.py", "test_level_gaps.py"],
    ),
    "idw": (["idw.py"], ["test_idw.py"]),
    "marching_squares": (["marching_squares.py"], ["test_contours.py"]),
    "corrections": (["corrections.py", "latency.py"], ["test_corrections.py"]),
    "level_network": (
        ["level_network.py", "offset_network.py", "depth_trend.py"],
        ["test_level_network.py"],
    ),
    "terrain": (["terrain.py"], ["test_terrain.py"]),
    "hampel": (["hampel.py"], ["test_cleaning_hampel.py"]),
    "hypsography": (["hypsography.py"], ["test_hypsography.py"]),
    "crossings": (["crossings.py", "overlaps.py", "survey_tracks.py"], ["test_crossings.py"]),
    "mixture": (["mixture.py"], ["test_mixture.py"]),
    "lanes": (["lanes.py"], ["test_lanes.py"]),
}


class _InOrder:
    """Runs the fastest tests first, as timed before, and notes the times."""

    def __init__(self, seconds=None):
        self.seconds = dict(seconds or {})

    def pytest_collection_modifyitems(self, items):
        items.sort(key=lambda item: self.seconds.get(item.nodeid, 0.0))

    def pytest_runtest_logreport(self, report):
        before = self.seconds.get(report.nodeid, 0.0) if report.when != "setup" else 0.0
        self.seconds[report.nodeid] = before + report.duration


def _run_tests(tests, order, mutant=None) -> int:
    """Run tests in this process, a child that ends with it, and return pytest's exit code."""
    import pytest

    if mutant is not None:
        code, load = mutant.code(), importlib.machinery.SourceFileLoader.get_code

        def get_code(self, fullname):
            return code if Path(self.path) == mutant.path else load(self, fullname)

        importlib.machinery.SourceFileLoader.get_code = get_code
    return int(
        pytest.main(
            [
                "-x",
                "-q",
                "-p",
                "no:pytest_qgis",
                "-p",
                "no:cacheprovider",
                "--no-header",
                "-W",
                "ignore::pytest.PytestConfigWarning",
                *map(str, tests),
            ],
            plugins=[order],
        )
    )


def _in_child(work, limit: float, show=False):
    """Return what ``work`` returns in a child, None if it did not end in ``limit`` seconds."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as answer:
        child = os.fork()
        if child == 0:
            os.setsid()
            resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
            if not show:
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 1)
                os.dup2(null, 2)
            status = 1
            with contextlib.suppress(BaseException):
                json.dump(work(), answer)
                answer.flush()
                status = 0
            os._exit(status)
        end = time.monotonic() + limit
        while time.monotonic() < end:
            done, _ = os.waitpid(child, os.WNOHANG)
            if done:
                answer.seek(0)
                text = answer.read()
                return json.loads(text) if text else {"code": -1}
            time.sleep(0.01)
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return None


_LIBRARIES = (
    *("hypothesis", "numpy", "pyproj", "pytest", "shapely.geometry", "shapely.ops"),
    *("scipy.interpolate", "scipy.ndimage", "scipy.optimize", "scipy.signal"),
    *("scipy.sparse.linalg", "scipy.spatial", "scipy.special", "scipy.stats"),
)


def _warm():
    """Import once what every child needs; the package itself is left to the children."""
    os.environ["CI"] = "1"  # the same examples each time
    if Path("/usr/share/proj/proj.db").exists():
        os.environ.setdefault("PROJ_DATA", "/usr/share/proj")
    sys.path.insert(0, str(ROOT / ".ci"))
    for name in _LIBRARIES:
        importlib.import_module(name)
    with contextlib.suppress(ImportError):
        import contourpy  # noqa: F401


def files_of(name) -> tuple:
    """Return the module's files and its test files; a sentence says which row is out of date."""
    found = []
    for parts, folder in zip(MODULES[name], (CORE, ROOT / "tests" / "core")):
        found.append([path for part in parts for path in sorted(folder.rglob(part))])
        if len(found[-1]) != len(parts):
            sys.exit(
                f"Of {', '.join(parts)} not each is there once: bring the row '{name}' of MODULES "
                f"in {Path(__file__).name} up to date."
            )
    return tuple(found)


def explained() -> dict:
    """Return (module, id) -> kind of the survivors that were looked at."""
    rows = {}
    for line in EXPLAINED.read_text(encoding="utf-8").splitlines():
        if line.strip() and not line.startswith("#"):
            id_, module, kind, _, _ = (part.strip() for part in line.split("|", 4))
            rows[module, id_] = kind
    return rows


def _digest(paths):
    return hashlib.sha256(b"".join(p.read_bytes() for p in paths)).hexdigest()[:16]


def _try_module(name, results, count):
    files, tests = files_of(name)
    known = results.setdefault(name, {})
    version = _digest(tests)
    todo = [
        m
        for m in sample(mutants_of(files), count, SEED)
        if known.get(m.id, {}).get("result") not in ("killed", "time")
        and known.get(m.id, {}).get("tests") != version
    ]
    if not todo:
        return

    def base():
        order = _InOrder()
        return {"code": _run_tests(tests, order), "seconds": order.seconds}

    start = time.monotonic()
    unchanged = _in_child(base, 900.0)
    took = time.monotonic() - start
    if unchanged is None or unchanged["code"] != 0:
        sys.exit(f"The tests of '{name}' fail on the code as it is; nothing can be said of it.")
    for mutant in todo:
        found = _in_child(
            lambda m=mutant: {"code": _run_tests(tests, _InOrder(unchanged["seconds"]), m)},
            10.0 + 4.0 * took,
        )
        result = "time" if found is None else "survived" if found["code"] == 0 else "killed"
        known[mutant.id] = {"result": result, "tests": version}
        print(f"{name} {mutant.path.name}:{mutant.line} {result}", flush=True)
        RESULTS.parent.mkdir(exist_ok=True)
        staged = RESULTS.with_suffix(".new")
        staged.write_text(json.dumps(results, indent=0, sort_keys=True))
        staged.replace(RESULTS)


def _report(names, results, count) -> bool:
    kinds, good, unseen = explained(), True, []
    print(
        f"\n{'module':<18}{'mutants':>8}{'tried':>7}{'killed':>8}{'survived':>10}"
        f"{'equivalent':>12}{'fell':>7}"
    )
    for name in names:
        mutants = mutants_of(files_of(name)[0])
        chosen = sample(mutants, count, SEED)
        state = {m.id: results.get(name, {}).get(m.id, {}).get("result") for m in chosen}
        tried = [m for m in chosen if state[m.id]]
        alive = [m for m in tried if state[m.id] == "survived"]
        same = [m for m in alive if kinds.get((name, m.id)) == "equivalent"]
        killed, counted = len(tried) - len(alive), len(tried) - len(same)
        share = killed / counted if counted else float("nan")
        good &= len(tried) == len(chosen) and share >= WANTED
        unseen += [(name, m) for m in alive if (name, m.id) not in kinds]
        print(
            f"{name:<18}{len(mutants):>8}{len(tried):>7}{killed:>8}{len(alive) - len(same):>10}"
            f"{len(same):>12}{share:>7.0%}"
        )
    for name, m in unseen:
        print(
            f"\n{m.id} | {name} | {m.path.relative_to(CORE)}:{m.line} {m.function}\n"
            f"  - {m.before}\n  + {m.after}"
        )
    return good


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", help="of " + ", ".join(MODULES))
    parser.add_argument("--sample", type=int, default=SAMPLE, help="mutants of each module")
    parser.add_argument("--list", action="store_true", help="try nothing")
    parser.add_argument("--again", action="store_true", help="forget what is known")
    given = parser.parse_args()
    names = given.modules or list(MODULES)
    if unknown := set(names) - set(MODULES):
        parser.error(f"no module {', '.join(sorted(unknown))}")
    results = {}
    if RESULTS.exists() and not given.again:
        results = json.loads(RESULTS.read_text())
    if not given.list:
        os.nice(19)
        os.chdir(ROOT)
        _warm()
        for name in names:
            _try_module(name, results, given.sample)
    return 0 if _report(names, results, given.sample) else 1


if __name__ == "__main__":
    sys.exit(main())
