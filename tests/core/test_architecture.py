"""Imports run one way: plugin -> algorithms -> algorithms/core."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CORE = ROOT / "algorithms" / "core"
ALLOWED_IN_CORE = {"numpy", "scipy", "pyproj", "shapely"}


def _imports(path):
    """Yield (level, module) of every import statement of a file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield 0, alias.name
        elif isinstance(node, ast.ImportFrom):
            yield node.level, node.module or ""


def _sources(folder):
    return sorted(folder.rglob("*.py"))


@pytest.mark.parametrize("path", _sources(CORE), ids=lambda p: "/".join(p.parts[-2:]))
def test_core_needs_only_the_scientific_stack(path):
    import sys

    for level, module in _imports(path):
        top = module.split(".")[0]
        if level == 0:
            assert top in ALLOWED_IN_CORE or top in sys.stdlib_module_names, module
        else:
            assert level <= len(path.relative_to(CORE).parents), f"{path.name} reaches outside core"


@pytest.mark.parametrize(
    "path", _sources(ROOT / "algorithms"), ids=lambda p: "/".join(p.parts[-2:])
)
def test_algorithms_never_reach_up_to_the_plugin(path):
    depth = len(path.relative_to(ROOT / "algorithms").parents)
    for level, module in _imports(path):
        assert level <= depth, f"{path.name} imports from above algorithms/"
        assert module.split(".")[0] not in {"PyQt5", "PyQt6", "processing", "lakefloor"}, module


def test_root_imports_nothing_at_module_level():
    tree = ast.parse((ROOT / "__init__.py").read_text(encoding="utf-8"))
    assert not [n for n in tree.body if isinstance(n, (ast.Import, ast.ImportFrom))]
