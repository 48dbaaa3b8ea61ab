"""Make the repository importable as the package ``lakefloor``; options and marks of all tests."""

import json
import os
import sys
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

# A virtual environment does not find the data of Debian's own PROJ.
if not os.environ.get("PROJ_DATA") and Path("/usr/share/proj/proj.db").exists():
    os.environ["PROJ_DATA"] = "/usr/share/proj"

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / ".ci"))
import checkout  # noqa: F401

# What judges a change tries the same examples each time; every other run looks for new ones. A busy
# machine makes no example fail.
settings.register_profile("ci", deadline=None, derandomize=True)
settings.register_profile("anew", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "anew")

#: The slowest tests, one name a line, without parameters; `--note-slow` writes it.
SLOW = Path(__file__).with_name("slow.txt")
#: What each test took, so that parts of the suite can be timed one after the other.
TIMES = SLOW.parent.parent / "build" / "test_seconds.json"
#: A test of so many seconds is slow; so are the next slowest, until the others take no more than
#: this together.
SLOW_S, QUICK_S = 1.0, 75.0
_seconds = Counter()


def pytest_addoption(parser):
    group = parser.getgroup("lakefloor")
    group.addoption(
        "--note-slow",
        action="store_true",
        help="time the tests of this run and write the slowest of all to slow.txt",
    )
    group.addoption(
        "--add-to-contract",
        action="store_true",
        help="list what is new in tests/qgis/contract.json",
    )


def _plain(nodeid):
    return nodeid.split("[")[0]


def _is_there(name):
    path, _, function = name.partition("::")
    source = SLOW.parent.parent / path
    return source.exists() and f"def {function.split('::')[-1]}(" in source.read_text(
        encoding="utf-8"
    )


def _listed():
    lines = SLOW.read_text(encoding="utf-8").splitlines() if SLOW.exists() else []
    return {line for line in lines if line and not line.startswith("#")}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    slow = _listed()
    for item in items:
        if _plain(item.nodeid) in slow:
            item.add_marker(pytest.mark.slow)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item):
    # Of the processor, children too, so that a busy machine makes no test slow. What a fixture of
    # many tests takes counts for the one that asks first.
    before = sum(os.times()[:4])
    yield
    _seconds[item.nodeid] += sum(os.times()[:4]) - before


def slowest(seconds):
    """Return the names of slow tests, given the seconds of each test with its parameters."""
    longest, together = {}, Counter()
    for nodeid, taken in seconds.items():
        name = _plain(nodeid)
        longest[name] = max(longest.get(name, 0.0), taken)
        together[name] += taken
    spent, slow = 0.0, set()
    for name in sorted(longest, key=lambda name: (longest[name], name)):
        spent += together[name]
        if longest[name] >= SLOW_S or spent > QUICK_S:
            slow.add(name)
    return slow


def pytest_sessionfinish(session):
    if not session.config.getoption("--note-slow"):
        return
    known = json.loads(TIMES.read_text(encoding="utf-8")) if TIMES.exists() else {}
    known.update({nodeid: round(taken, 3) for nodeid, taken in _seconds.items()})
    TIMES.parent.mkdir(exist_ok=True)
    TIMES.write_text(json.dumps(known, indent=0, sort_keys=True), encoding="utf-8")
    timed = {_plain(nodeid) for nodeid in known}
    names = sorted(name for name in (_listed() - timed) | slowest(known) if _is_there(name))
    head = (
        '# The slowest tests, left out by -m "not slow"; the others take less than two minutes.\n'
        "# Written by: bash tests/run.sh --note-slow\n"
    )
    SLOW.write_text(head + "".join(f"{name}\n" for name in names), encoding="utf-8")
