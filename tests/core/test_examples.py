"""The examples in the docstrings of core are run, and print what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

import lakefloor.algorithms.core as core

HERE = Path(core.__file__).parent


def _modules():
    for path in sorted(HERE.rglob("*.py")):
        parts = path.relative_to(HERE).with_suffix("").parts
        name = ".".join((core.__name__, *parts)).removesuffix(".__init__")
        if ">>>" in path.read_text(encoding="utf-8"):
            yield pytest.param(name, id="/".join(parts))


@pytest.mark.parametrize("name", _modules())
def test_examples_print_what_they_say(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    module = importlib.import_module(name)
    tests = doctest.DocTestFinder(exclude_empty=True).find(module)
    runner, said = doctest.DocTestRunner(optionflags=doctest.REPORT_NDIFF), []
    for test in tests:
        runner.run(test, out=said.append)
    assert runner.tries > 0
    assert runner.failures == 0, "".join(said)


@pytest.mark.parametrize("name", _modules())
def test_examples_print_alike_in_all_versions_of_numpy(name):
    """numpy 2 shows scalars as np.float64(1.5), numpy 1 as 1.5: neither may be printed."""
    module = importlib.import_module(name)
    for test in doctest.DocTestFinder(exclude_empty=True).find(module):
        for example in test.examples:
            for sign in ("array(", "dtype=", "np.float64(", "np.int64(", "np.True_", "np.False_"):
                assert sign not in example.want, f"{test.name}: {example.want.strip()}"


def test_every_package_of_core_shows_how_it_is_used():
    packages = {path.parent.name for path in HERE.glob("*/__init__.py")}
    shown = {param.id.split("/")[0] for param in _modules()}
    assert packages <= shown, f"no example in any docstring of {sorted(packages - shown)}"
