"""The house keeps its rooms: who imports whom, who touches what, how long, under which names.

The tables below are the rules. A file or function that breaks a limit for a reason stands in the
table of exceptions with its present length; entries may only shrink, and one that is no longer
needed fails until it is taken out.
"""

import ast
import re
import sys
from collections import defaultdict
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ALGORITHMS, PLUGIN = ROOT / "algorithms", ROOT / "plugin"
CORE = ALGORITHMS / "core"

ALLOWED_IN_CORE = {"numpy", "scipy", "pyproj", "shapely"}

#: Packages of core; each imports only those before it. The modules at core's top come before all.
ORDER = (
    "reading",
    "cleaning",
    "correcting",
    "visits",
    "chart",
    "surface",
    "blending",
    "figures",
    "hardness",
    "structure",
    "exchange",
    "places",
    "plan",
    "growing",
    "playing",
    "wording",
)

#: Folders of the toolbox: a file each algorithm; they know the rooms, but no other group.
GROUPS = ("lake", "plan", "soundings", "surface", "chart", "structure", "share")

#: What -> (names that give it away, rooms and files of algorithms/ that may use it).
MAY = {
    "GDAL": ({"gdal", "ogr", "osr", "osgeo"}, {"_io/", "_store/", "_styling/look.py"}),
    "features of layers": (
        {"getFeatures", "dataProvider", "QgsFeatureRequest", "QgsVectorFileWriter"},
        {"_io/", "_sheets/", "_styling/", "_project/water_layers.py"},
    ),
    "raster blocks": (
        {"QgsRasterFileWriter", "ReadAsArray", "WriteArray"},
        {"_io/", "_styling/look.py"},
    ),
    "layouts": (
        {
            "QgsLayout",
            "QgsPrintLayout",
            "QgsLayoutExporter",
            "QgsLayoutItemMap",
            "QgsLayoutItemLabel",
            "QgsLayoutItemPage",
            "QgsLayoutItemLegend",
        },
        {"_sheets/"},
    ),
    "database files": ({"sqlite3"}, {"_io/", "_store/", "_base.py"}),
    "moving and removing files": (
        {"shutil", "unlink", "rmtree", "rename", "replace_file", "fsync", "tempfile"},
        {"_io/", "_store/", "_lake/"},
    ),
    "plots": ({"matplotlib"}, {"_reports/"}),
    "widgets": ({"QtWidgets", "QMessageBox", "QDialog", "iface"}, set()),
}

#: Files of algorithms/ that load modules by their names: the toolbox, and the libraries beforehand.
LOADS_BY_NAME = {"__init__.py", "_libraries.py", "_growing/start.py"}

#: Files of core that may read files; nothing in core writes one.
CORE_READS = {"reading/", "playing/"}
_READS = {"read_bytes", "read_text", "iterdir", "rglob", "scandir"}
_WRITES = {
    "write_bytes",
    "write_text",
    "unlink",
    "mkdir",
    "rmtree",
    "sqlite3",
    "shutil",
    "tempfile",
}

#: Members of an algorithm's class, in this order; `check` and what is private may lack.
CONSTANTS = ("NAME", "DISPLAY", "GROUP", "TAGS", "HELP", "SOURCE")
HOOKS = ("declare", "check", "compute")

FILE_LINES, FUNCTION_LINES = 450, 60
#: Functions that only declare, one statement after the other.
DECLARATIONS = {"declare", "own_parameters"}
#: File -> lines, where it is longer for a reason that stands behind it.
LONG_FILES = {}
#: "file function" -> lines without the docstring, where it is longer for a reason.
LONG_FUNCTIONS = {}

#: Public names that modules of core have each for themselves.
REPEATED = {}
#: Public functions of core whose arguments have no types yet: "file function".
UNTYPED = set()


@cache
def _tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def _imports(path):
    """Yield (level, module) of every import statement of a file."""
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield 0, alias.name
        elif isinstance(node, ast.ImportFrom):
            yield node.level, node.module or ""


def _targets(path, base):
    """Yield the files and folders below ``base`` that a file's relative imports name."""
    for node in ast.walk(_tree(path)):
        if not isinstance(node, ast.ImportFrom) or not node.level:
            continue
        folder = path.parent
        for _ in range(node.level - 1):
            folder = folder.parent
        for part in (node.module or "").split("."):
            folder = folder / part if part else folder
        places = [folder] if node.module else []
        # `from .room import module` names a module, `from .module import name` does not.
        places += [folder / alias.name for alias in node.names]
        for place in places:
            for found in (place.with_suffix(".py"), place / "__init__.py"):
                if found.exists() and found.is_relative_to(base):
                    yield found


def _sources(*folders):
    return sorted(path for folder in folders for path in folder.rglob("*.py"))


def _names(path):
    """Return every name that a file imports, calls or reaches into."""
    found = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Name):
            found.add(node.id)
        elif isinstance(node, ast.Attribute):
            found.add(node.attr)
        elif isinstance(node, (ast.Import, ast.ImportFrom)):
            module = getattr(node, "module", None) or ""
            found.update(module.split("."))
            for alias in node.names:
                found.update(alias.name.split("."))
    return found


def _inside(name, rooms):
    return any(name == room or (room.endswith("/") and name.startswith(room)) for room in rooms)


def _short(path):
    return "/".join(path.parts[-2:])


# -- who imports whom ---------------------------------------------------------


@pytest.mark.parametrize("path", _sources(CORE), ids=_short)
def test_core_needs_only_the_scientific_stack(path):
    for level, module in _imports(path):
        top = module.split(".")[0]
        if level == 0:
            assert top in ALLOWED_IN_CORE or top in sys.stdlib_module_names, module
        else:
            assert level <= len(path.relative_to(CORE).parents), f"{path.name} reaches outside core"


@pytest.mark.parametrize("path", _sources(ALGORITHMS), ids=_short)
def test_algorithms_never_reach_up_to_the_plugin(path):
    depth = len(path.relative_to(ALGORITHMS).parents)
    for level, module in _imports(path):
        assert level <= depth, f"{path.name} imports from above algorithms/"
        assert module.split(".")[0] not in {"PyQt5", "PyQt6", "processing", "lakefloor"}, module


@pytest.mark.parametrize("path", _sources(ALGORITHMS), ids=_short)
def test_algorithms_name_no_module_of_the_plugin(path):
    """A module that is loaded by its name is known as well as one that is imported."""
    named = [
        node.value
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.search(r"(^|\.)plugin\.\w|\.plugin$", node.value)
    ]
    assert not named, f"{path.name} names {named}"
    loads = {"import_module", "__import__"} & _names(path)
    assert bool(loads) == (str(path.relative_to(ALGORITHMS)) in LOADS_BY_NAME), loads


def test_root_imports_nothing_at_module_level():
    tree = _tree(ROOT / "__init__.py")
    assert not [n for n in tree.body if isinstance(n, (ast.Import, ast.ImportFrom))]


def _package(path, base):
    """Return the first folder below ``base`` that a file lies in, "" for none."""
    parts = path.relative_to(base).parts
    return parts[0] if len(parts) > 1 else ""


def test_packages_of_core_stand_in_one_order():
    needs, wrong = {}, set()
    for path in _sources(CORE):
        own = _package(path, CORE)
        needs.setdefault(own, set())
        for target in _targets(path, CORE):
            other = _package(target, CORE)
            if other == own:
                continue
            needs[own].add(other)
            before = ORDER[: ORDER.index(own)] if own in ORDER else ()
            if other and other not in before:
                wrong.add(f"{path.relative_to(CORE)} imports {target.relative_to(CORE)}")
    try:
        holds = [name for name in TopologicalSorter(needs).static_order() if name]
    except CycleError as error:
        holds = f"none, there is a circle: {error.args[1]}"
    assert not wrong, "\n".join([*sorted(wrong), f"an order that holds: {holds}"])
    assert set(ORDER) == set(needs) - {""}, f"packages there are: {holds}"


@pytest.mark.parametrize("base", [CORE, ALGORITHMS], ids=["core", "algorithms"])
def test_no_module_and_no_package_imports_in_a_circle(base):
    modules, packages = defaultdict(set), defaultdict(set)
    for path in _sources(base):
        for target in _targets(path, base):
            if target != path and target.name != "__init__.py":
                modules[path].add(target)
            pair = [p.relative_to(base).parts[0] for p in (path, target)]
            if pair[0] != pair[1] and target.name != "__init__.py":
                packages[pair[0]].add(pair[1])
    for graph in (modules, packages):
        try:
            TopologicalSorter(graph).prepare()
        except CycleError as error:
            circle = [str(getattr(p, "name", p)) for p in error.args[1]]
            pytest.fail("a circle: " + " <- ".join(circle))


def test_groups_of_the_toolbox_do_not_know_each_other():
    wrong = [
        f"{path.relative_to(ALGORITHMS)} imports {target.relative_to(ALGORITHMS)}"
        for path in _sources(ALGORITHMS)
        if path.parent != ALGORITHMS
        for target in _targets(path, ALGORITHMS)
        if _package(target, ALGORITHMS) in GROUPS
        and _package(target, ALGORITHMS) != _package(path, ALGORITHMS)
    ]
    assert not wrong, "\n".join(wrong)


# -- who touches what ---------------------------------------------------------


@pytest.mark.parametrize("what", MAY)
def test_only_these_touch(what):
    signs, rooms = MAY[what]
    users = {
        str(path.relative_to(ALGORITHMS)): _names(path) & signs for path in _sources(ALGORITHMS)
    }
    wrong = [
        f"{name}: {', '.join(sorted(found))}"
        for name, found in users.items()
        if found and not _inside(name, rooms)
    ]
    assert not wrong, f"{what} belong into {sorted(rooms)}:\n" + "\n".join(wrong)
    used = [name for name, found in users.items() if found]
    idle = [room for room in rooms if not any(_inside(name, {room}) for name in used)]
    assert not idle, f"need no {what} any more: {idle}"


def test_core_reads_files_only_where_logs_are_read_and_writes_none():
    reads, writes = {}, {}
    for path in _sources(CORE):
        name, found = str(path.relative_to(CORE)), _names(path)
        opened = {"open"} & {
            getattr(node.func, "id", "")
            for node in ast.walk(_tree(path))
            if isinstance(node, ast.Call)
        }
        if found & _READS | opened and not _inside(name, CORE_READS):
            reads[name] = found & _READS | opened
        if found & _WRITES:
            writes[name] = found & _WRITES
    assert not reads
    assert not writes


# -- every algorithm has one shape --------------------------------------------


def _algorithms():
    """Yield the file and class of every algorithm that the toolbox lists."""
    listed = next(
        node.value
        for node in _tree(ALGORITHMS / "__init__.py").body
        if isinstance(node, ast.Assign)
        and isinstance(node.value, ast.Tuple)
        and isinstance(node.value.elts[0], ast.Tuple)
    )
    for module, name in ast.literal_eval(listed):
        yield pytest.param(ALGORITHMS / (module.replace(".", "/") + ".py"), name, id=name)


@pytest.mark.parametrize(("path", "name"), _algorithms())
def test_an_algorithm_is_constants_parameters_check_and_compute(path, name):
    tree = _tree(path)
    assert ast.get_docstring(tree), "the file has no docstring"
    public = [n for n in tree.body if isinstance(n, ast.ClassDef) and not n.name.startswith("_")]
    assert [n.name for n in public] == [name], "one public class a file"
    assert path.stem == "".join(f"_{c.lower()}" if c.isupper() else c for c in name).lstrip("_")
    constants, methods, private = [], [], []
    for member in public[0].body:
        if isinstance(member, (ast.Assign, ast.AnnAssign)):
            assert not methods, "constants stand before methods"
            target = member.targets[0] if isinstance(member, ast.Assign) else member.target
            constants.append(target.id)
        elif isinstance(member, ast.FunctionDef):
            methods.append(member.name)
            if member.name.startswith("_"):
                private.append(member.name)
    assert [c for c in constants if c in CONSTANTS] == [c for c in CONSTANTS if c in constants]
    assert {"NAME", "DISPLAY", "TAGS", "HELP"} <= set(constants)
    assert [m for m in methods if m in HOOKS] == [h for h in HOOKS if h in methods]
    # What is the algorithm's own business comes after what Processing calls.
    assert methods[len(methods) - len(private) :] == private
    if any(getattr(base, "id", "") == "LakefloorAlgorithm" for base in public[0].bases):
        assert {"declare", "compute"} <= set(methods)


def test_a_group_holds_algorithms_and_what_only_they_need():
    listed = {param.values[0] for param in _algorithms()}
    others = [
        str(path.relative_to(ALGORITHMS))
        for group in GROUPS
        for path in _sources(ALGORITHMS / group)
        if path not in listed and not path.name.startswith("_")
    ]
    assert not others, f"neither an algorithm nor private: {others}"


# -- how long -----------------------------------------------------------------


def _functions(tree, prefix=""):
    """Yield (name, lines without the docstring) of every function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            lines = node.end_lineno - node.lineno + 1
            if ast.get_docstring(node) is not None:
                lines -= node.body[0].end_lineno - node.body[0].lineno + 1
            yield f"{prefix}{node.name}", lines
            yield from _functions(node, f"{prefix}{node.name}.")
        elif isinstance(node, ast.ClassDef):
            yield from _functions(node, f"{prefix}{node.name}.")
        else:
            yield from _functions(node, prefix)


def _held(lengths, limit, table):
    """Compare lengths with a limit and a table of exceptions that may only shrink."""
    wrong = [
        f"{name}: {lines} lines"
        for name, lines in lengths.items()
        if lines > max(limit, table.get(name, 0))
    ]
    slack = [
        f"{name}: {table[name]} -> {lengths.get(name, 0)}"
        for name in table
        if lengths.get(name, 0) < table[name]
    ]
    assert not wrong, f"longer than {limit} lines:\n" + "\n".join(sorted(wrong))
    assert not slack, "became shorter; bring the table down:\n" + "\n".join(slack)


def test_no_file_is_longer_than_a_reader_keeps_in_mind():
    _held(
        {
            str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
            for path in _sources(ALGORITHMS, PLUGIN)
        },
        FILE_LINES,
        LONG_FILES,
    )


def test_no_function_is_longer_than_a_page():
    _held(
        {
            f"{path.relative_to(ROOT)} {name}": lines
            for path in _sources(ALGORITHMS, PLUGIN)
            for name, lines in _functions(_tree(path))
            if name.split(".")[-1] not in DECLARATIONS
        },
        FUNCTION_LINES,
        LONG_FUNCTIONS,
    )


# -- names and types ----------------------------------------------------------


def _defined(path):
    """Yield the public names that a module defines, not those that it imports."""
    for node in _tree(path).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            yield node.name
        elif isinstance(node, (ast.Assign, ast.AnnAssign)):
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                yield from (n.id for n in ast.walk(target) if isinstance(n, ast.Name))


def test_a_public_name_of_core_means_one_thing():
    where = defaultdict(list)
    for path in _sources(CORE):
        for name in set(_defined(path)):
            if not name.startswith("_"):
                where[name].append(str(path.relative_to(CORE)))
    twice = {name: files for name, files in where.items() if len(files) > 1}
    assert {n: f for n, f in twice.items() if n not in REPEATED} == {}
    assert set(REPEATED) <= set(twice), "no longer repeated"


def test_no_file_name_of_core_stands_twice():
    where = defaultdict(list)
    for path in _sources(CORE):
        if path.name != "__init__.py":
            where[path.name].append(str(path.relative_to(CORE)))
    assert {name: files for name, files in where.items() if len(files) > 1} == {}


def test_public_functions_of_core_have_types():
    untyped = set()
    for path in _sources(CORE):
        for node in _tree(path).body:
            owners = [node] if isinstance(node, ast.ClassDef) else []
            members = owners[0].body if owners else [node]
            for member in members:
                if not isinstance(member, ast.FunctionDef) or member.name.startswith("_"):
                    continue
                if owners and owners[0].name.startswith("_"):
                    continue
                given = member.args
                named = [*given.posonlyargs, *given.args, *given.kwonlyargs]
                if (
                    owners
                    and named
                    and not any(
                        getattr(d, "id", "") == "staticmethod" for d in member.decorator_list
                    )
                ):
                    named = named[1:]
                if member.returns is None or any(a.annotation is None for a in named):
                    owner = f"{owners[0].name}." if owners else ""
                    untyped.add(f"{path.relative_to(CORE)} {owner}{member.name}")
    assert not untyped - UNTYPED, "\n".join(sorted(untyped - UNTYPED))
    assert not UNTYPED - untyped, f"have types now: {sorted(UNTYPED - untyped)}"
