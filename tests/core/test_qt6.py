"""What the plugin takes from Qt is there in Qt 6, under the same scoped name.

QGIS 4 runs on Qt 6; ``qgis.PyQt`` is PyQt5 before and PyQt6 there. PyQt6 knows enums only by
their class and lacks what Qt 6 dropped. Calls on objects are checked where the object is made
in the same function.
"""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(
    [ROOT / "__init__.py", *(ROOT / "algorithms").rglob("*.py"), *(ROOT / "plugin").rglob("*.py")]
)

_PROBE = """
import importlib, sys
OPTIONAL = {"QtSerialPort"}  # a package of its own, which the plugin can do without
for line in sys.stdin.read().split():
    module, *chain = line.split(".")
    try:
        found = importlib.import_module(f"PyQt6.{module}")
    except ModuleNotFoundError:
        if module in OPTIONAL:
            continue
        raise
    for name in chain:
        if not hasattr(found, name):
            print(line)
            break
        found = getattr(found, name)
"""


def _chain(node, parents) -> list:
    """Return the attributes that follow a name, up to the first call or index."""
    names = []
    while isinstance(parents.get(node), ast.Attribute):
        node = parents[node]
        names.append(node.attr)
    return names


def qt_names(path) -> set:
    """Return what a file uses of Qt, as ``QtGui.QPainter.drawText``.

    Names of imports with the attributes that follow, and the attributes of variables and
    unnamed objects made by calling a class of Qt in the same function.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    imported = {
        alias.asname or alias.name: f"{node.module[len('qgis.PyQt.') :]}.{alias.name}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("qgis.PyQt.")
        for alias in node.names
    }
    used = set(imported.values())
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in imported:
            used.add(".".join([imported[node.id], *_chain(node, parents)]))
            call = parents.get(node)
            if isinstance(call, ast.Call) and call.func is node:
                used.add(".".join([imported[node.id], *_chain(call, parents)[:1]]))
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef):
            made = {
                target.id: imported[node.value.func.id]
                for node in ast.walk(function)
                if isinstance(node, ast.Assign)
                and isinstance(node.value, ast.Call)
                and isinstance(node.value.func, ast.Name)
                and node.value.func.id in imported
                for target in node.targets
                if isinstance(target, ast.Name)
            }
            used |= {
                f"{made[node.value.id]}.{node.attr}"
                for node in ast.walk(function)
                if isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id in made
            }
    return used


def missing_in_qt6(names) -> set:
    """Return those names that PyQt6 lacks; asked of a Python of its own, beside QGIS's Qt 5."""
    asked = subprocess.run(
        [sys.executable, "-c", _PROBE],
        input="\n".join(sorted(names)),
        capture_output=True,
        text=True,
        env={"QT_QPA_PLATFORM": "offscreen"},
    )
    assert asked.returncode == 0, asked.stderr
    return set(asked.stdout.split())


@pytest.fixture(scope="module")
def qt6():
    found = subprocess.run([sys.executable, "-c", "import PyQt6.QtGui"], capture_output=True)
    if found.returncode:
        pytest.skip("PyQt6 is not installed for this Python")


def test_the_plugin_uses_what_qt6_has(qt6):
    used = set().union(*map(qt_names, SOURCES))
    assert len(used) > 50
    assert missing_in_qt6(used) == set()


def test_what_qt6_dropped_is_found(qt6, tmp_path):
    """Old forms of an enum, a dropped class and a dropped method are seen in a file."""
    path = tmp_path / "old.py"
    path.write_text(
        "from qgis.PyQt.QtCore import QRegExp, Qt, QVariant\n"
        "from qgis.PyQt.QtGui import QFont, QFontMetricsF\n"
        "KIND = QVariant.Double\n"
        "def f(painter):\n"
        "    metrics = QFontMetricsF(QFont())\n"
        "    painter.setPen(Qt.NoPen)\n"
        "    painter.setPen(Qt.PenStyle.NoPen)\n"
        "    return metrics.width('a') + metrics.horizontalAdvance('b')\n",
        encoding="utf-8",
    )
    assert missing_in_qt6(qt_names(path)) == {
        "QtCore.QRegExp",
        "QtCore.Qt.NoPen",
        "QtCore.QVariant.Double",
        "QtGui.QFontMetricsF.width",
    }


def test_qt_is_imported_through_qgis():
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            for module in modules:
                assert module.split(".")[0] not in {"PyQt5", "PyQt6", "PySide2", "PySide6"}, path
                assert module != "qgis.PyQt.Qt", f"{path.name}: PyQt6 has no such module"


def test_no_method_is_called_by_its_old_name():
    """``exec_`` was the name of ``exec`` in Python 2; PyQt6 dropped it."""
    for path in SOURCES:
        assert ".exec_(" not in path.read_text(encoding="utf-8"), path
