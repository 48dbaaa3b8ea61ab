"""What the tests run with: the system's libraries, pinned tools, one version everywhere."""

import importlib
import importlib.metadata
import re
import runpy
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.skipif(sys.prefix == sys.base_prefix, reason="not in a virtual environment")
@pytest.mark.parametrize("name", ["numpy", "scipy", "shapely", "pyproj"])
def test_the_libraries_are_those_that_qgis_was_built_with(name):
    """A wheel of numpy beside the system's GDAL and QGIS ends in crashes or wrong arrays."""
    path = Path(importlib.import_module(name).__file__).resolve()
    assert not path.is_relative_to(Path(sys.prefix).resolve()), path
    assert path.is_relative_to(Path(sys.base_prefix).resolve()), path


@pytest.mark.skipif(sys.prefix == sys.base_prefix, reason="not in a virtual environment")
def test_the_environment_holds_the_pinned_tools_and_nothing_that_shadows_the_system():
    wheels = (ROOT / ".ci" / "wheels.txt").read_text(encoding="utf-8")
    pinned = dict(re.findall(r"^([\w-]+)==(\S+)$", wheels, re.MULTILINE))
    assert {"ruff", "mypy", "coverage", "pytest-qgis"} <= set(pinned)
    for name, version in pinned.items():
        assert importlib.metadata.version(name) == version, name
    own = {
        re.sub(r"[-_.]+", "-", found.metadata["Name"]).lower()
        for found in importlib.metadata.distributions(
            path=[str(p) for p in Path(sys.prefix).rglob("site-packages")]
        )
    }
    allowed = {re.sub(r"[-_.]+", "-", name).lower() for name in pinned}
    assert own <= allowed | {"pip", "setuptools", "wheel"}


def test_the_tools_need_nothing_that_is_not_listed():
    """--no-deps takes only what stands in the list, so what the tools ask for stands there too."""
    for name in ("mypy", "coverage", "ruff"):
        if sys.prefix == sys.base_prefix:
            pytest.skip("not in a virtual environment")
        for line in importlib.metadata.requires(name) or []:
            needed, _, marker = line.partition(";")
            if "extra ==" in marker or "python_version <" in marker:
                continue
            importlib.metadata.version(re.match(r"[\w.-]+", needed)[0])


def test_the_version_is_the_last_that_the_changelog_dates():
    metadata = (ROOT / "metadata.txt").read_text(encoding="utf-8")
    (version,) = re.findall(r"^version=(\d+\.\d+\.\d+)$", metadata, re.MULTILINE)
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    entries = re.findall(r"^## \[?(\d+\.\d+\.\d+)\]? - (\d{4}-\d\d-\d\d)$", changes, re.MULTILINE)
    assert entries, "CHANGELOG.md has no dated entry"
    assert entries[0][0] == version
    dates = [date for _, date in entries]
    assert dates == sorted(dates, reverse=True)


def test_there_is_no_wheel():
    """A wheel would have to bring icons, models and styles too; QGIS installs the zip instead."""
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    tables = re.findall(r"^\[+([\w.-]+)\]+$", project, re.MULTILINE)
    assert all(table.startswith("tool.") for table in tables), tables
    assert "tool.setuptools" not in tables
    assert not (ROOT / "setup.py").exists()
    assert not (ROOT / "setup.cfg").exists()


def test_hooks_before_a_commit_call_the_commands_of_continuous_integration():
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"repo: (\S+)", hooks) == ["local"]  # nothing is fetched
    entries = re.findall(r"entry: (.+)$", hooks, re.MULTILINE)
    checks = {entry.split()[-1] for entry in entries if ".ci/check.sh" in entry}
    known = set(
        re.findall(
            r"^\s+(\w+)\) ", (ROOT / ".ci" / "check.sh").read_text(encoding="utf-8"), re.MULTILINE
        )
    )
    assert checks == known
    assert "sh .ci/check.sh\n" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for entry in entries:
        for word in entry.split():
            assert not word.startswith(("tests/", ".ci/")) or (ROOT / word).exists(), word


def test_continuous_integration_runs_every_test_once():
    own = [p.relative_to(ROOT).parts[:2] for p in (ROOT / "tests").rglob("test_*.py")]
    assert set(own) == {("tests", "core"), ("tests", "qgis")}
    commands = [
        line.strip()
        for name in ("run", "core_coverage.sh")
        for line in (ROOT / ".ci" / name).read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    ]
    assert sum("pytest" in line or "tests/run.sh" in line for line in commands) == 2
    assert sum("core_coverage.sh" in line for line in commands) == 1
    for folder in ("tests/core", "tests/qgis"):
        assert sum(folder in line.split() for line in commands) == 1, folder


def test_the_mutation_command_knows_where_its_modules_lie():
    run = runpy.run_path(str(ROOT / "tests" / "mutation" / "run.py"))
    for name in run["MODULES"]:
        files, tests = run["files_of"](name)
        assert files, name
        assert tests, name


def test_the_slowest_tests_are_left_out_until_the_others_are_quick():
    slowest = runpy.run_path(str(ROOT / "tests" / "conftest.py"))["slowest"]
    assert slowest({"a::long": 1.2, "a::short": 0.1}) == {"a::long"}
    many = {f"a::many[{i}]": 0.3 for i in range(200)}
    assert slowest({**many, "a::short": 0.1}) == set()
    assert slowest({**many, "a::long[0]": 0.4, "a::other": 30.0}) == {"a::other"}
    others = {f"a::others[{i}]": 0.5 for i in range(40)}
    assert slowest({**many, **others}) == {"a::others"}


def test_every_test_that_is_listed_as_slow_is_there():
    lines = (ROOT / "tests" / "slow.txt").read_text(encoding="utf-8").splitlines()
    names = [line for line in lines if line and not line.startswith("#")]
    assert names == sorted(set(names))
    for name in names:
        path, _, function = name.partition("::")
        assert f"def {function}(" in (ROOT / path).read_text(encoding="utf-8"), name
