"""What the plugin names of QGIS is there, and enums are named by their class.

QGIS 4 runs on Qt 6, whose Python knows ``QgsProcessing.SourceType.TypeVectorPoint`` but not
``QgsProcessing.TypeVectorPoint``; the long form works in QGIS 3.22 too. Run in the oldest QGIS
supported, this also finds what only newer ones have.
"""

import ast
from collections import Counter
from pathlib import Path

import pytest
from qgis import core, gui

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(
    [ROOT / "__init__.py", *(ROOT / "algorithms").rglob("*.py"), *(ROOT / "plugin").rglob("*.py")]
)
_ENUM_KINDS = {"enumtype", "EnumMeta", "EnumType"}


def qgis_names(path):
    """Yield chains such as ``("QgsProcessing", "SourceType", "TypeFile")`` of a file.

    A variable that is such a chain, as in ``kind = QgsProcessing.SourceType``, counts as it.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imported = {
        alias.asname or alias.name: (alias.name,)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module in ("qgis.core", "qgis.gui")
        for alias in node.names
    }

    def chain(node, names):
        if isinstance(node, ast.Attribute):
            start = chain(node.value, names)
            return start and (*start, node.attr)
        return names.get(node.id) if isinstance(node, ast.Name) else None

    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    for scope in [tree, *functions]:
        names = dict(imported)
        nodes = list(ast.walk(scope))
        bound = Counter(
            node.id
            for node in nodes
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        )
        for node in nodes if scope is not tree else ():
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                found = chain(node.value, imported)
                if found and len(found) > 1 and bound[node.targets[0].id] == 1:
                    names[node.targets[0].id] = found
        for node in nodes:
            found = isinstance(node, ast.Attribute) and chain(node, names)
            if found:
                yield found


def problem_of(names) -> str:
    """Return what is wrong with a chain of names, or an empty text."""
    found = getattr(core, names[0], None) or getattr(gui, names[0])
    for parent, name in zip(names, names[1:]):
        owner = found
        if not hasattr(owner, name):
            return f"{parent} has no {name}"
        found = getattr(owner, name)
        if type(type(found)).__name__ in _ENUM_KINDS:
            return "" if owner is type(found) else f"{name} is named without its enum"
    return ""


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: "/".join(p.parts[-2:]))
def test_names_of_qgis(path, qgis_app):
    problems = {".".join(names): problem_of(names) for names in qgis_names(path)}
    assert {names: problem for names, problem in problems.items() if problem} == {}


def test_old_and_wrong_names_are_found(tmp_path, qgis_app):
    path = tmp_path / "old.py"
    path.write_text(
        "from qgis.core import QgsProcessing, QgsWkbTypes\n"
        "def f():\n"
        "    kind = QgsProcessing.SourceType\n"
        "    return kind.TypeFile, kind.TypeNothing, QgsProcessing.TypeFile\n"
        "POINT = QgsWkbTypes.Point, QgsWkbTypes.Type.Point\n",
        encoding="utf-8",
    )
    problems = {".".join(names): problem_of(names) for names in qgis_names(path)}
    assert {names for names, problem in problems.items() if problem} == {
        "QgsProcessing.SourceType.TypeNothing",
        "QgsProcessing.TypeFile",
        "QgsWkbTypes.Point",
    }
